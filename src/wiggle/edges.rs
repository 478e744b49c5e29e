//! From the edges on one pin to the gaps between them, while it turns.
//!
//! Owns what is remembered of one pulse pin from line to line. A lost edge makes a gap of twice the running one, an
//! edge too many cuts one in two: so gaps are judged by their size against the running one, as logarithms. Pure.

use super::band::{BACK, Band, Rule, Side, Step};
use crate::time::Micros;
use crate::wire::Edges;

/// A gap this many times the running longest is one too long: one lost edge makes 2, and speed may change a little.
const LONG: f64 = 1.75;
/// A gap this many times below the running shortest is one too short: an edge too many makes 2 at least.
const SHORT: f64 = 1.65;
/// From so many readings with gaps on, it turns.
const ENOUGH: usize = 4;

/// The gaps that ended with one line, µs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gaps {
    /// The shortest.
    pub shortest: f64,
    /// The longest.
    pub longest: f64,
    /// All of them, over their number.
    pub mean: f64,
}

/// One pulse pin.
#[derive(Clone, Debug)]
pub struct Turning {
    before: Option<Edges>,
    long: Band,
    short: Band,
}

impl Default for Turning {
    fn default() -> Self {
        Self { before: None, long: Band::new(rule(Side::Above)), short: Band::new(rule(Side::Below)) }
    }
}

fn rule(side: Side) -> Rule {
    let least = if side == Side::Above { LONG.log2() } else { SHORT.log2() };
    Rule { least, enough: ENOUGH, rails: None, side }
}

impl Turning {
    /// The counts begin anew.
    pub fn forget(&mut self) {
        self.before = None;
        self.long.forget(rule(Side::Above));
        self.short.forget(rule(Side::Below));
    }

    /// The band that is out, if any.
    pub fn out(&self) -> Option<&Band> {
        [&self.long, &self.short].into_iter().find(|band| band.out_since().is_some())
    }

    /// Takes what a line says at `at`, when the controller's clock was `t`; `None` is null. Gives the gaps that ended,
    /// how long the one that is open has lasted, and what that did.
    pub fn step(&mut self, at: Micros, t: u32, edges: Option<Edges>) -> (Option<Gaps>, f64, Step) {
        let Some(edges) = edges else {
            self.short.step(at, None);
            return (None, 0.0, self.long.step(at, None));
        };
        let open = f64::from(t.wrapping_sub(edges.last));
        let before = self.before.replace(edges);
        let gaps = before.and_then(|before| ended(before, edges));
        let step = match gaps {
            Some(gaps) => {
                worse(self.long.step(at, Some(gaps.longest.log2())), self.short.step(at, Some(gaps.shortest.log2())))
            }
            // The gap that is open says something once it is too long.
            None if open > 0.0 && !self.long.is_empty() && self.long.departure(open.log2()) > 1.0 => {
                self.wait(at, open)
            }
            None => Step::Still,
        };
        (gaps, open, step)
    }

    /// No edge came, and one is due.
    fn wait(&mut self, at: Micros, open: f64) -> Step {
        let step = self.long.step(at, Some(open.log2()));
        if step == Step::Moved || open > BACK as f64 {
            // It stands still. What it turned like before says nothing of how it begins again.
            self.long.forget(rule(Side::Above));
            self.short.forget(rule(Side::Below));
            return Step::Moved;
        }
        step
    }
}

/// The gaps between `before` and `now`, if any ended.
fn ended(before: Edges, now: Edges) -> Option<Gaps> {
    let edges = now.count.wrapping_sub(before.count);
    let span = now.last.wrapping_sub(before.last);
    // After a count that went back, or before the first edge, there is none.
    if edges == 0 || edges > u32::MAX / 2 || before.count == 0 || span == 0 {
        return None;
    }
    let mean = f64::from(span) / f64::from(edges);
    let (shortest, longest) = match now.gaps {
        Some((shortest, longest)) if shortest > 0 && longest > 0 => (f64::from(shortest), f64::from(longest)),
        _ => (mean, mean),
    };
    Some(Gaps { shortest, longest, mean })
}

/// The one of two that says more; a lost edge beside one too many is one dropout.
fn worse(one: Step, other: Step) -> Step {
    let weight = |step: Step| match step {
        Step::Still => 0,
        Step::Moved => 1,
        Step::Out => 2,
        Step::Lost => 3,
        Step::Back { .. } => 4,
    };
    if weight(other) > weight(one) { other } else { one }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;
    use crate::time::{SECOND, micros_from_secs};

    /// What comes of edges at these instants (µs), read every 20 ms for `seconds`.
    fn run(edges: &[u32], seconds: u32, gaps: bool) -> usize {
        let mut turning = Turning::default();
        let mut dropouts = 0;
        let mut said = 0;
        for t in (0..seconds * 1_000_000).step_by(20_000) {
            let so_far = edges.iter().take_while(|&&edge| edge <= t).count();
            let ended = edges[..so_far].windows(2).skip(said.max(1) - 1).map(|pair| pair[1] - pair[0]);
            let ends = (ended.clone().min().unwrap_or(0), ended.max().unwrap_or(0));
            said = so_far;
            let last = so_far.checked_sub(1).map_or(0, |place| edges[place]);
            let count = u32::try_from(so_far).unwrap();
            let sent = Edges { count, last, gaps: gaps.then_some(ends) };
            if let (.., Step::Back { .. }) = turning.step(Micros::from(t), t, Some(sent)) {
                dropouts += 1;
            }
        }
        dropouts
    }

    fn even(gap: u32, seconds: u32) -> Vec<u32> {
        (1..seconds * 1_000_000 / gap).map(|edge| edge * gap).collect()
    }

    #[rstest]
    #[case::many_a_reading(3_000)]
    #[case::about_one(18_000)]
    #[case::one_in_some_readings(70_000)]
    fn one_lost_edge_is_one_dropout_and_so_is_one_too_many(#[case] gap: u32) {
        let all = even(gap, 6);
        assert_eq!(run(&all, 6, true), 0);
        let mut lost = all.clone();
        lost.remove(all.len() * 2 / 3);
        assert_eq!(run(&lost, 6, true), 1, "lost");
        let mut doubled = all.clone();
        doubled.push(all[all.len() * 2 / 3] + gap * 2 / 5);
        doubled.sort_unstable();
        assert_eq!(run(&doubled, 6, true), 1, "doubled");
    }

    #[test]
    fn without_the_two_gaps_a_pause_is_seen_by_its_mean() {
        let mut all = even(18_000, 6);
        all.retain(|edge| !(3_000_000..3_200_000).contains(edge));
        assert_eq!(run(&all, 6, false), 1);
    }

    #[test]
    fn running_up_running_down_and_standing_are_none() {
        // From 20 to 100 edges a second within 3 s, and back within 3 s, then nothing for 2 s, then the same again.
        let mut edges = Vec::new();
        for round in 0..2 {
            let mut at = 0.1;
            while at < 6.0 {
                edges.push(u32::try_from(micros_from_secs(f64::from(round) * 8.0 + at)).unwrap());
                let rate = if at < 3.0 { 20.0 + at * 27.0 } else { 100.0 - (at - 3.0) * 27.0 };
                at += 1.0 / rate;
            }
        }
        assert_eq!(run(&edges, 16, true), 0);
    }

    #[test]
    fn the_wrap_of_clock_and_count_is_no_gap() {
        let mut turning = Turning::default();
        for place in 0..100_u32 {
            let t = (u32::MAX - 500_000).wrapping_add(place * 20_000);
            let edges = Edges { count: (u32::MAX - 20).wrapping_add(place), last: t.wrapping_sub(7), gaps: None };
            let (_, open, step) = turning.step(Micros::from(place) * SECOND / 50, t, Some(edges));
            assert_eq!((open, step), (7.0, Step::Still));
        }
    }
}
