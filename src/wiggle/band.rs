//! The band in which one input stands, and what leaves it and comes back.
//!
//! Owns the definition of a dropout. Pure: the time comes with the sample, on any timeline that does not go back.
//! Nothing is allocated once it was made. The numbers are judgment, no source.

use std::collections::VecDeque;

use crate::time::{Micros, SECOND};

/// How long an input stood in its band: the last second.
const WINDOW: Micros = SECOND;
/// What is not back after so long has moved.
pub const BACK: Micros = SECOND;
/// So many readings are kept even where they are older.
const FEWEST: usize = 8;
/// The most that are kept.
const KEPT: usize = 256;
/// The tolerance in median distances from the median: 5.4 standard deviations of noise that is normally distributed.
const SPREADS: f64 = 8.0;

/// What is out is back at this share of the tolerance, so that noise on a drift does not come and go at its edge.
const BACK_WITHIN: f64 = 0.5;

/// To which sides an input may leave its band.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Both.
    Both,
    /// Up only.
    Above,
    /// Down only.
    Below,
}

/// How one kind of input is judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rule {
    /// The least tolerance; not finite: no number leaves the band, only null does.
    pub least: f64,
    /// From so many readings on there is a band.
    pub enough: usize,
    /// The ends of the converter, which always lie outside for what does not stand within `least` of them.
    pub rails: Option<(f64, f64)>,
    /// Where it may leave.
    pub side: Side,
}

/// What left and came back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Dropout {
    /// The first sample outside.
    pub began: Micros,
    /// From there to the first sample that was back: at most so long.
    pub lasted: Micros,
}

/// What one sample did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// It lies in the band, or there is none yet.
    Still,
    /// It lies outside: a dropout, or the begin of a move.
    Out,
    /// It lies at a rail or is null: out for certain, since this sample.
    Lost,
    /// It came back. `lost`: [`Step::Lost`] was told.
    Back {
        /// What ended.
        dropout: Dropout,
        /// It was told while it lasted.
        lost: bool,
    },
    /// It did not come back: it stands elsewhere now.
    Moved,
}

/// What is out now.
#[derive(Clone, Copy, Debug)]
struct Out {
    since: Micros,
    /// At a rail or null at least once.
    lost: bool,
    /// When that was last so; `since` where it never was.
    last: Micros,
    /// The first sample behind that which was neither.
    freed: Option<Micros>,
}

/// The band of one input.
#[derive(Clone, Debug)]
pub struct Band {
    rule: Rule,
    kept: VecDeque<(Micros, f64)>,
    sorted: Vec<f64>,
    middle: f64,
    tolerance: f64,
    out: Option<Out>,
}

impl Band {
    /// Nothing is known yet.
    pub fn new(rule: Rule) -> Self {
        let (kept, sorted) = (VecDeque::with_capacity(KEPT + 1), Vec::with_capacity(KEPT + 1));
        Self { rule, kept, sorted, middle: f64::NAN, tolerance: f64::NAN, out: None }
    }

    /// Everything before is forgotten; it may be judged otherwise from now on.
    pub fn forget(&mut self, rule: Rule) {
        self.rule = rule;
        self.kept.clear();
        self.out = None;
    }

    /// How it is judged.
    pub fn rule(&self) -> Rule {
        self.rule
    }

    /// Since when it is out for certain or perhaps; `None` while it is not.
    pub fn out_since(&self) -> Option<Micros> {
        self.out.map(|out| out.since)
    }

    /// Whether it is out for certain: at a rail or null.
    pub fn is_lost(&self) -> bool {
        self.out.is_some_and(|out| out.lost)
    }

    /// Whether anything is known.
    pub fn is_empty(&self) -> bool {
        self.kept.is_empty()
    }

    /// How far `sample` lies from the middle, in tolerances: over 1 is outside. 0 where there is no band.
    pub fn departure(&self, sample: f64) -> f64 {
        if self.kept.len() < self.rule.enough.max(1) {
            return 0.0;
        }
        let distance = match self.rule.side {
            Side::Both => (sample - self.middle).abs(),
            Side::Above => sample - self.middle,
            Side::Below => self.middle - sample,
        };
        (distance / self.tolerance).max(0.0)
    }

    /// Takes the next sample; `None` is null.
    pub fn step(&mut self, at: Micros, sample: Option<f64>) -> Step {
        let lost = !self.kept.is_empty() && sample.is_none_or(|sample| self.is_at_rail(sample));
        let edge = if self.out.is_some() { BACK_WITHIN } else { 1.0 };
        let number = sample.filter(|&sample| !lost && self.departure(sample) <= edge);
        match (self.out, number) {
            (None, Some(number)) => {
                self.keep(at, number);
                Step::Still
            }
            (None, None) if self.kept.is_empty() => Step::Still,
            (None, None) => {
                self.out = Some(Out { since: at, lost, last: at, freed: None });
                if lost { Step::Lost } else { Step::Out }
            }
            (Some(out), Some(number)) => {
                self.out = None;
                self.keep(at, number);
                ended(out, at, out.lost || at - out.since <= BACK)
            }
            (Some(out), None) => self.still_out(out, at, sample, lost),
        }
    }

    fn still_out(&mut self, mut out: Out, at: Micros, sample: Option<f64>, lost: bool) -> Step {
        let told = out.lost;
        if lost {
            (out.lost, out.last, out.freed) = (true, at, None);
        } else {
            out.freed = out.freed.or(Some(at));
        }
        self.out = Some(out);
        match sample {
            Some(number) if !lost && at - out.last > BACK => {
                self.out = None;
                self.kept.clear();
                self.keep(at, number);
                ended(out, out.freed.unwrap_or(at), out.lost)
            }
            _ if lost && !told => Step::Lost,
            _ => Step::Out,
        }
    }

    /// A rail is outside, however much the input scatters, unless it stands there.
    fn is_at_rail(&self, sample: f64) -> bool {
        let at_rail = self.rule.rails.is_some_and(|(low, high)| sample <= low || sample >= high);
        at_rail && (sample - self.middle).abs() > self.rule.least
    }

    fn keep(&mut self, at: Micros, number: f64) {
        self.kept.push_back((at, number));
        while self.kept.len() > KEPT
            || (self.kept.len() > FEWEST && self.kept.front().is_some_and(|&(then, _)| at - then > WINDOW))
        {
            self.kept.pop_front();
        }
        self.sorted.clear();
        self.sorted.extend(self.kept.iter().map(|&(_, number)| number));
        self.middle = median(&mut self.sorted);
        let middle = self.middle;
        self.sorted.iter_mut().for_each(|number| *number = (*number - middle).abs());
        self.tolerance = (SPREADS * median(&mut self.sorted)).max(self.rule.least);
    }
}

fn ended(out: Out, back: Micros, counts: bool) -> Step {
    let dropout = Dropout { began: out.since, lasted: back - out.since };
    if counts { Step::Back { dropout, lost: out.lost } } else { Step::Moved }
}

/// The middle one, the upper of two.
fn median(numbers: &mut [f64]) -> f64 {
    if numbers.is_empty() {
        return f64::NAN;
    }
    let middle = numbers.len() / 2;
    *numbers.select_nth_unstable_by(middle, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rstest::rstest;

    use super::*;

    const COUNTS: Rule = Rule { least: 8.0, enough: 8, rails: Some((0.0, 1023.0)), side: Side::Both };
    const LEVEL: Rule = Rule { least: 0.5, enough: 1, rails: None, side: Side::Both };
    /// 200 readings a second.
    const GAP: Micros = 5_000;

    /// The dropouts in `samples`, [`GAP`] apart, and how often one was told as lost.
    fn run(rule: Rule, samples: impl IntoIterator<Item = Option<f64>>) -> (Vec<Dropout>, usize) {
        let mut band = Band::new(rule);
        let (mut dropouts, mut lost) = (Vec::new(), 0);
        for (at, sample) in (0..).step_by(5_000).zip(samples) {
            match band.step(at, sample) {
                Step::Back { dropout, .. } => dropouts.push(dropout),
                Step::Lost => lost += 1,
                Step::Still | Step::Out | Step::Moved => {}
            }
        }
        (dropouts, lost)
    }

    /// `before` quiet readings at 512, then `then`, then 300 quiet ones.
    fn with(rule: Rule, quiet: f64, then: &[Option<f64>]) -> (Vec<Dropout>, usize) {
        let before = std::iter::repeat_n(Some(quiet), 100);
        run(rule, before.chain(then.iter().copied()).chain(std::iter::repeat_n(Some(quiet), 300)))
    }

    #[rstest]
    #[case::rail(Some(0.0), 1)]
    #[case::upper_rail(Some(1023.0), 1)]
    #[case::null(None, 1)]
    #[case::just_outside(Some(521.0), 1)]
    #[case::just_inside(Some(520.0), 0)]
    fn one_sample_outside_is_one_dropout_of_one_interval(#[case] sample: Option<f64>, #[case] count: usize) {
        let (dropouts, _) = with(COUNTS, 512.0, &[sample]);
        assert_eq!(dropouts, vec![Dropout { began: 100 * GAP, lasted: GAP }; count]);
    }

    #[rstest]
    #[case::back_after_a_second(200, 1)]
    #[case::later(201, 0)]
    fn what_is_not_back_within_a_second_has_moved(#[case] readings: usize, #[case] count: usize) {
        assert_eq!(with(COUNTS, 512.0, &vec![Some(600.0); readings]).0.len(), count);
        assert_eq!(with(LEVEL, 0.0, &vec![Some(1.0); readings]).0.len(), count);
    }

    #[test]
    fn a_rail_is_waited_for_however_long_and_told_at_once_and_once() {
        let (dropouts, lost) = with(COUNTS, 512.0, &vec![Some(0.0); 2_000]);
        assert_eq!((dropouts, lost), (vec![Dropout { began: 100 * GAP, lasted: 2_000 * GAP }], 1));
    }

    #[test]
    fn what_comes_back_from_a_rail_to_another_place_was_a_dropout_all_the_same() {
        let before = std::iter::repeat_n(Some(512.0), 100).chain([Some(300.0), Some(0.0), Some(0.0)]);
        let (dropouts, lost) = run(COUNTS, before.chain(std::iter::repeat_n(Some(700.0), 300)));
        assert_eq!((dropouts, lost), (vec![Dropout { began: 100 * GAP, lasted: 3 * GAP }], 1));
    }

    #[test]
    fn a_step_is_no_dropout_and_the_new_place_has_a_band_again() {
        let steps = std::iter::repeat_n(Some(300.0), 100).chain(std::iter::repeat_n(Some(700.0), 300));
        let (dropouts, lost) = run(COUNTS, steps.chain([Some(650.0)]).chain(std::iter::repeat_n(Some(700.0), 20)));
        assert_eq!((dropouts.len(), lost), (1, 0));
        assert_eq!(dropouts[0].began, 400 * GAP);
    }

    #[test]
    fn what_stands_at_a_rail_is_at_home_there() {
        let near = (0..400).map(|place| Some(f64::from(place % 4)));
        assert_eq!(run(COUNTS, near), (vec![], 0));
        let (dropouts, _) = with(COUNTS, 0.0, &[Some(400.0)]);
        assert_eq!(dropouts.len(), 1, "and it may leave it");
    }

    #[test]
    fn an_input_that_scatters_wide_still_cannot_touch_a_rail_unseen() {
        let noise = |place: u32| Some(f64::from(200 + place * 7 % 600));
        let samples = (0..200).map(noise).chain([Some(0.0)]).chain((200..400).map(noise));
        assert_eq!(run(COUNTS, samples).0.len(), 1);
    }

    #[test]
    fn an_input_that_never_was_there_drops_nothing() {
        assert_eq!(run(COUNTS, std::iter::repeat_n(None, 50).chain([Some(3.0)])), (vec![], 0));
    }

    proptest! {
        /// Any single sample of a quiet stretch that goes to a rail, but the first and the last, which no band surrounds.
        #[test]
        fn any_single_sample_at_a_rail_is_caught_once(
            level in 12_u32..1_011,
            noise in proptest::collection::vec(0_u32..5, 30..600),
            place in any::<proptest::sample::Index>(),
            high: bool,
        ) {
            let place = 1 + place.index(noise.len() - 2);
            let samples = noise.iter().enumerate().map(|(at, add)| {
                Some(if at == place { if high { 1023.0 } else { 0.0 } } else { f64::from(level + add - 2) })
            });
            let (dropouts, lost) = run(COUNTS, samples);
            let began = Micros::try_from(place).unwrap() * GAP;
            prop_assert_eq!((dropouts, lost), (vec![Dropout { began, lasted: GAP }], 1));
        }

        /// A drift over a tenth of the scale in a second, with noise, is none; nor is where it begins or turns.
        #[test]
        fn a_slow_true_drift_is_none(
            from in 100_u32..900,
            slope in -100.0..100.0_f64,
            noise in proptest::collection::vec(0_u32..5, 600),
        ) {
            let drift = |at: usize| (at.saturating_sub(200) as f64 * 0.005 * slope).clamp(-80.0, 80.0);
            let samples = noise.iter().enumerate().map(|(at, &add)| Some((f64::from(from + add) + drift(at)).floor()));
            prop_assert_eq!(run(COUNTS, samples), (vec![], 0));
        }
    }
}
