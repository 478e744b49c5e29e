//! The road: how steep it is, how fast one drives there, and where one stops.
//!
//! Owns one lap of hill lanes, driven over and over. In: metres driven. Out: [`Spot`]. All of it invented data of the
//! demo; the first hill comes early, so that whoever watches a story need not wait.

use super::random::Random;

/// What the driver knows about the place where the lorry is.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Spot {
    /// Rise for each metre driven; 0.08 is 8 %.
    pub(super) grade: f64,
    /// How fast one drives here, m/s.
    pub(super) limit: f64,
    /// How fast one drives behind the end of this stretch, m/s; 0 where one stops there.
    pub(super) next_limit: f64,
    /// Metres to the end of this stretch.
    pub(super) left: f64,
    /// How long one stops at the end of this stretch, s; 0: one does not.
    pub(super) stop: f64,
}

/// A stretch of road: metres, per cent, km/h, and how many seconds one stops at its end.
struct Stretch(f64, f64, f64, f64);

/// One lap, from the yard over two hills and back.
const LAP: [Stretch; 16] = [
    Stretch(60.0, 0.0, 15.0, 0.0),
    Stretch(140.0, 1.5, 32.0, 0.0),
    Stretch(620.0, 8.5, 45.0, 0.0),
    Stretch(500.0, 1.0, 55.0, 0.0),
    Stretch(700.0, -6.0, 40.0, 0.0),
    Stretch(300.0, 0.0, 50.0, 12.0),
    Stretch(900.0, 6.5, 50.0, 0.0),
    Stretch(600.0, 0.5, 60.0, 0.0),
    Stretch(450.0, 9.5, 40.0, 0.0),
    Stretch(800.0, -7.0, 40.0, 0.0),
    Stretch(1000.0, 0.0, 60.0, 0.0),
    Stretch(400.0, 3.0, 50.0, 20.0),
    Stretch(700.0, 7.5, 45.0, 0.0),
    Stretch(1500.0, -7.0, 40.0, 0.0),
    Stretch(1200.0, -2.0, 55.0, 0.0),
    Stretch(300.0, 0.0, 30.0, 25.0),
];

/// A change of grade is spread over so many metres.
const BLEND_M: f64 = 50.0;

/// The road with the place on it.
#[derive(Clone, Debug)]
pub(super) struct Road {
    index: usize,
    /// Where this stretch began, m.
    began: f64,
    /// Grade of the stretch before.
    before: f64,
    /// The driver has stopped at the end of this stretch.
    stopped: bool,
    /// No two laps are driven over quite the same line.
    steeper: f64,
    random: Random,
}

impl Road {
    pub(super) fn new(random: Random) -> Self {
        Self { index: 0, began: 0.0, before: 0.0, stopped: false, steeper: 1.0, random }
    }

    /// The place `distance` metres from the start. The distance never falls.
    pub(super) fn at(&mut self, distance: f64) -> Spot {
        while distance - self.began >= LAP[self.index].0 {
            self.next_stretch();
        }
        let stretch = &LAP[self.index];
        let next = &LAP[(self.index + 1) % LAP.len()];
        let stop = if self.stopped { 0.0 } else { stretch.3 };
        let share = ((distance - self.began) / BLEND_M).min(1.0);
        Spot {
            grade: self.before + (stretch.1 / 100.0 * self.steeper - self.before) * share,
            limit: stretch.2 / 3.6,
            next_limit: if stop > 0.0 { 0.0 } else { next.2 / 3.6 },
            left: stretch.0 - (distance - self.began),
            stop,
        }
    }

    /// The driver has stopped where one stops, and goes on.
    pub(super) fn stopped(&mut self) {
        self.stopped = true;
    }

    fn next_stretch(&mut self) {
        let stretch = &LAP[self.index];
        self.before = stretch.1 / 100.0 * self.steeper;
        self.began += stretch.0;
        self.index = (self.index + 1) % LAP.len();
        self.stopped = false;
        self.steeper = self.random.between(0.97, 1.03);
    }
}

#[cfg(test)]
mod tests {
    use super::{LAP, Road};
    use crate::controller::random::Random;

    #[test]
    fn a_lap_ends_about_as_high_as_it_began() {
        let height: f64 = LAP.iter().map(|stretch| stretch.0 * stretch.1 / 100.0).sum();
        assert!(height.abs() < 5.0, "{height}");
    }

    #[test]
    fn the_grade_never_jumps() {
        let mut road = Road::new(Random::new(3, 1));
        let mut last = road.at(0.0).grade;
        for metre in 1..30_000 {
            let grade = road.at(f64::from(metre)).grade;
            assert!((grade - last).abs() < 0.004, "at {metre} m");
            last = grade;
        }
    }
}
