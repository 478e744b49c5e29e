//! Functions over the readings of the last so many seconds.
//!
//! Owns the samples of one window. Pure: times are arguments. Sums are taken relative to the newest sample, so that
//! neither a long drive nor a large value costs digits.

use std::collections::VecDeque;

use super::{Trust, Value};
use crate::config::Window;
use crate::time::{Micros, secs_from_micros};

/// The most samples kept: ten minutes, the longest window, at 200 lines a second, and some. Beyond, the oldest go.
const MOST: usize = 131_072;
/// Room taken at once, so that a usual window never grows: one second at 200 lines.
const ROOM: usize = 256;

/// The good readings of one window since the last untrusted stretch.
#[derive(Clone, Debug)]
pub(super) struct Samples {
    function: Window,
    span: Micros,
    ring: VecDeque<(Micros, f64)>,
}

impl Samples {
    /// An empty window of `span` µs.
    pub fn new(function: Window, span: Micros) -> Self {
        Self { function, span, ring: VecDeque::with_capacity(ROOM) }
    }

    /// An untrusted stretch: what came before it counts no more.
    pub fn clear(&mut self) {
        self.ring.clear();
    }

    /// A good reading at `at`.
    pub fn push(&mut self, at: Micros, number: f64) {
        if self.ring.len() == MOST {
            self.ring.pop_front();
        }
        // Rows of several links may step back by what their arrival trembles; a window's own time does not.
        let at = self.ring.back().map_or(at, |&(newest, _)| newest.max(at));
        self.ring.push_back((at, number));
    }

    /// Lets go of what `at` leaves behind; the far end is not in the window.
    pub fn expire(&mut self, at: Micros) {
        while self.ring.front().is_some_and(|&(oldest, _)| oldest <= at - self.span) {
            self.ring.pop_front();
        }
    }

    /// The function of what is in the window; `Missing` where it needs more.
    pub fn value(&self) -> Value {
        let number = match self.function {
            Window::Mean => self.mean(),
            Window::Rate => self.slope(),
        };
        number.map_or(Value::bad(Trust::Missing), Value::ok)
    }

    fn mean(&self) -> Option<f64> {
        let &(_, newest) = self.ring.back()?;
        let sum: f64 = self.ring.iter().map(|&(_, number)| number - newest).sum();
        Some(newest + sum / self.ring.len() as f64)
    }

    /// Least squares in two passes: means first, then products of deviations.
    fn slope(&self) -> Option<f64> {
        let &(end, newest) = self.ring.back()?;
        let count = self.ring.len() as f64;
        let points = || self.ring.iter().map(|&(at, number)| (secs_from_micros(at - end), number - newest));
        let (times, numbers) = points().fold((0.0, 0.0), |(times, numbers), (t, x)| (times + t, numbers + x));
        let (middle, mean) = (times / count, numbers / count);
        let (both, square) = points().fold((0.0, 0.0), |(both, square), (t, x)| {
            (both + (t - middle) * (x - mean), square + (t - middle) * (t - middle))
        });
        (square > 0.0).then(|| both / square)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn filled(function: Window, span: Micros, samples: &[(Micros, f64)]) -> Samples {
        let mut window = Samples::new(function, span);
        for &(at, number) in samples {
            window.push(at, number);
            window.expire(at);
        }
        window
    }

    #[test]
    fn the_far_end_is_not_in_the_window_and_the_near_end_is() {
        let window = filled(Window::Mean, 1_000_000, &[(0, 100.0), (1, 1.0), (1_000_000, 3.0)]);
        assert_eq!(window.value().good(), Some(2.0));
    }

    #[test]
    fn a_rate_needs_two_readings_at_two_times() {
        assert_eq!(filled(Window::Rate, 1_000_000, &[]).value().trust(), Trust::Missing);
        assert_eq!(filled(Window::Rate, 1_000_000, &[(5, 1.0)]).value().trust(), Trust::Missing);
        assert_eq!(filled(Window::Rate, 1_000_000, &[(5, 1.0), (5, 2.0)]).value().trust(), Trust::Missing);
        assert_eq!(filled(Window::Rate, 1_000_000, &[(0, 1.0), (500_000, 2.0)]).value().good(), Some(2.0));
    }

    #[test]
    fn a_mean_of_none_is_missing() {
        let mut window = filled(Window::Mean, 1_000_000, &[(0, 1.0)]);
        window.expire(1_000_000);
        assert_eq!(window.value().trust(), Trust::Missing);
    }

    // Worked by hand: t = 0, 1, 2, 3 s and x = 1, 3, 2, 5; Sxy = 5.5, Sxx = 5.
    #[test]
    fn the_slope_is_that_of_least_squares() {
        let samples = [(0, 1.0), (1_000_000, 3.0), (2_000_000, 2.0), (3_000_000, 5.0)];
        assert!((filled(Window::Rate, 10_000_000, &samples).value().good().unwrap() - 1.1).abs() < 1e-15);
    }

    #[test]
    fn a_slope_keeps_its_digits_a_day_into_the_drive_and_on_a_large_value() {
        let day = 86_400_000_000;
        let samples: Vec<_> = (0..50).map(|n| (day + n * 20_000, 1e6 + 1e-3 * secs_from_micros(n * 20_000))).collect();
        let slope = filled(Window::Rate, 1_000_000, &samples).value().good().unwrap();
        // The samples themselves are rounded to 1.2e-10, over a spread of a second.
        assert!((slope - 1e-3).abs() < 1e-9, "{slope}");
    }

    #[test]
    fn a_window_never_holds_more_than_its_bound() {
        let mut window = Samples::new(Window::Mean, Micros::MAX);
        for at in (0..).take(MOST + 10) {
            window.push(at, 1.0);
        }
        assert_eq!(window.ring.len(), MOST);
    }
}
