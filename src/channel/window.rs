//! Functions over the readings of the last so many seconds.
//!
//! Owns the samples of one window, and their sums, so that a long window costs no more than a short one. Pure: times are
//! arguments.
//!
//! Sums are taken relative to a time and a number among the samples, in pairs of doubles, and times as whole numbers, so
//! that neither a long drive nor a large value costs digits, and what leaves the window leaves nothing behind. They are
//! begun anew from the samples once in each span, at times that the timeline alone sets: the same readings give the same
//! bits, wherever one began to listen before.

use std::collections::VecDeque;

use super::{Trust, Value};
use crate::config::Window;
use crate::time::Micros;

/// The most samples kept: ten minutes, the longest window, at 200 lines a second, and some. Beyond, the oldest go.
const MOST: usize = 131_072;
/// Room taken at once, so that a usual window never grows: one second at 200 lines.
const ROOM: usize = 256;
/// How much larger than its own spread the mean distance of the samples from the base may be, squared.
const FAR: f64 = 100.0;

/// The good readings of one window since the last untrusted stretch.
#[derive(Clone, Debug)]
pub(super) struct Samples {
    function: Window,
    span: Micros,
    ring: VecDeque<(Micros, f64)>,
    sums: Sums,
}

/// Sums over the samples, times and numbers relative to the base.
#[derive(Clone, Debug, Default)]
struct Sums {
    base: (Micros, f64),
    times: i128,
    squares: i128,
    numbers: Exact,
    /// Of the numbers' squares, only to see how far apart they are.
    spread: f64,
    products: Exact,
}

/// A sum as a pair of doubles: what rounding takes from the one stands in the other.
#[derive(Clone, Copy, Debug, Default)]
struct Exact {
    sum: f64,
    rest: f64,
}

impl Samples {
    /// An empty window of `span` µs.
    pub fn new(function: Window, span: Micros) -> Self {
        Self { function, span, ring: VecDeque::with_capacity(ROOM), sums: Sums::default() }
    }

    /// An untrusted stretch: what came before it counts no more.
    pub fn clear(&mut self) {
        self.ring.clear();
    }

    /// A good reading at `at`.
    pub fn push(&mut self, at: Micros, number: f64) {
        if self.ring.len() == MOST {
            self.pop();
        }
        let newest = self.ring.back().map(|&(newest, _)| newest);
        // Rows of several links may step back by what their arrival trembles; a window's own time does not.
        let at = newest.map_or(at, |newest| newest.max(at));
        self.ring.push_back((at, number));
        if newest.is_none_or(|newest| newest.div_euclid(self.span) != at.div_euclid(self.span)) {
            self.sums = Sums::of(&self.ring);
        } else {
            self.sums.take((at, number), 1);
        }
    }

    /// Lets go of what `at` leaves behind; the far end is not in the window.
    pub fn expire(&mut self, at: Micros) {
        while self.ring.front().is_some_and(|&(oldest, _)| oldest <= at - self.span) {
            self.pop();
        }
        if !self.sums.are_good(self.ring.len()) {
            self.sums = Sums::of(&self.ring);
        }
    }

    fn pop(&mut self) {
        if let Some(sample) = self.ring.pop_front() {
            self.sums.take(sample, -1);
        }
    }

    /// The function of what is in the window; `Missing` where it needs more.
    pub fn value(&self) -> Value {
        let number = match self.function {
            _ if self.ring.is_empty() => None,
            Window::Mean => Some(self.sums.base.1 + self.sums.numbers.value() / self.ring.len() as f64),
            Window::Rate => self.slope(),
        };
        number.map_or(Value::bad(Trust::Missing), Value::ok)
    }

    /// Least squares, per second.
    fn slope(&self) -> Option<f64> {
        let Sums { times, squares, numbers, products, .. } = self.sums;
        let count = self.ring.len();
        // Whole numbers: nothing is lost in the difference.
        let square = (squares.wrapping_mul(i128::try_from(count).ok()?)).wrapping_sub(times.wrapping_mul(times)) as f64;
        let both = products.less(numbers, times as f64 / count as f64);
        (square > 0.0).then(|| both / (square / count as f64) * 1e6)
    }
}

impl Sums {
    /// The sums of `ring`, relative to its middle number and newest time.
    fn of(ring: &VecDeque<(Micros, f64)>) -> Self {
        let Some(&(end, newest)) = ring.back() else { return Self::default() };
        let mean = newest + ring.iter().map(|&(_, number)| number - newest).sum::<f64>() / ring.len() as f64;
        let mut sums = Self { base: (end, if mean.is_finite() { mean } else { newest }), ..Self::default() };
        for &sample in ring {
            sums.take(sample, 1);
        }
        sums
    }

    /// Puts a sample in (1) or takes it out again (−1): to the very bits the same.
    #[inline]
    fn take(&mut self, (at, number): (Micros, f64), sign: i8) {
        let (time, number) = (at.saturating_sub(self.base.0), number - self.base.1);
        let whole = i128::from(sign) * i128::from(time);
        let sign = f64::from(sign);
        self.times = self.times.wrapping_add(whole);
        self.squares = self.squares.wrapping_add(whole.wrapping_mul(i128::from(time)));
        self.numbers.add(sign * number);
        self.spread += sign * (number * number);
        self.products.add(sign * (time as f64 * number));
    }

    /// Whether the numbers are near enough to the base, and all sums are numbers.
    #[inline]
    fn are_good(&self, count: usize) -> bool {
        let far = self.numbers.sum * self.numbers.sum / count.max(1) as f64;
        far <= FAR * (self.spread - far).max(0.0) + f64::MIN_POSITIVE && self.products.sum.is_finite()
    }
}

impl Exact {
    /// Source: D. E. Knuth, "The Art of Computer Programming", volume 2, section 4.2.2, theorem B; from memory.
    #[inline]
    fn add(&mut self, number: f64) {
        let sum = self.sum + number;
        let part = sum - self.sum;
        self.rest += (self.sum - (sum - part)) + (number - part);
        self.sum = sum;
    }

    fn value(self) -> f64 {
        self.sum + self.rest
    }

    /// This less `times` of the other.
    fn less(self, other: Self, times: f64) -> f64 {
        (self.sum - times * other.sum) + (self.rest - times * other.rest)
    }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;
    use crate::time::secs_from_micros;

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

    /// Mean and slope as they are defined, in two passes over all samples.
    fn by_definition(samples: &[(Micros, f64)], span: Micros) -> (f64, f64, f64) {
        let end = samples.last().unwrap().0;
        let inside: Vec<_> = samples.iter().filter(|(at, _)| *at > end - span).collect();
        let (count, newest) = (inside.len() as f64, inside.last().unwrap().1);
        let points = || inside.iter().map(|(at, number)| (secs_from_micros(at - end), number - newest));
        let (middle, mean) = (points().map(|p| p.0).sum::<f64>() / count, points().map(|p| p.1).sum::<f64>() / count);
        let both: f64 = points().map(|(t, x)| (t - middle) * (x - mean)).sum();
        let square: f64 = points().map(|(t, _)| (t - middle) * (t - middle)).sum();
        let spread: f64 = points().map(|(_, x)| (x - mean) * (x - mean)).sum();
        (newest + mean, both / square, (spread / square).sqrt())
    }

    // A slope is held against the steepest one that so much spread could have: the digits that noise leaves.
    #[rstest]
    #[case::noise(|n: i64| 3.0 + ((n * 7_919) % 101) as f64 * 1e-3)]
    #[case::a_step_and_back(|n: i64| if (900..930).contains(&n) { 1e6 } else { 1.0 + ((n * 31) % 17) as f64 * 1e-4 })]
    #[case::a_step_that_stays(|n: i64| if n > 1_000 { 5e5 } else { 0.0 } + ((n * 31) % 17) as f64 * 1e-3)]
    #[case::a_ramp(|n: i64| 1e3 + 0.25 * n as f64)]
    #[case::large_and_small(|n: i64| 1e9 + ((n * 13) % 5) as f64 * 0.5)]
    fn sums_that_are_carried_on_keep_the_digits(#[case] number: fn(i64) -> f64) {
        let span = 3_000_000;
        let (mut mean, mut rate) = (Samples::new(Window::Mean, span), Samples::new(Window::Rate, span));
        let mut samples = Vec::new();
        for n in 0..4_000_i64 {
            let at = 86_400_000_000 + n * 20_000 + (n * 17) % 90;
            samples.push((at, number(n)));
            for window in [&mut mean, &mut rate] {
                window.push(at, number(n));
                window.expire(at);
            }
            if n > 2 {
                let (middle, slope, steepest) = by_definition(&samples[samples.len().saturating_sub(200)..], span);
                let (is, rises) = (mean.value().good().unwrap(), rate.value().good().unwrap());
                assert!((is - middle).abs() <= 1e-12 * middle.abs(), "{n}: {is} is not {middle}");
                assert!((rises - slope).abs() <= 1e-12 * steepest.max(slope.abs()), "{n}: {rises} is not {slope}");
            }
        }
    }

    #[test]
    fn where_one_began_to_listen_leaves_no_trace_in_the_bits() {
        let span = 1_000_000;
        let run = |first: i64| {
            let mut window = Samples::new(Window::Rate, span);
            for n in first..400 {
                window.push(n * 20_000, ((n * 7_919) % 101) as f64 / 7.0);
                window.expire(n * 20_000);
            }
            window.value().good().unwrap().to_bits()
        };
        assert_eq!(run(0), run(211));
    }

    #[test]
    fn numbers_at_the_end_of_their_range_leave_nothing_behind() {
        let samples = [(0, f64::MAX), (1, -f64::MAX), (1_000_001, 1.0), (1_000_002, 3.0)];
        assert_eq!(filled(Window::Mean, 1_000_000, &samples).value().good(), Some(2.0));
        assert_eq!(filled(Window::Mean, 1_000_000, &samples[..2]).value().trust(), Trust::Beyond);
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
