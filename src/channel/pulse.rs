//! From edges to rate, count and evenness, after the counts format, version 1.
//!
//! Owns what must be remembered of one pulse pin from line to line. Pure: times are arguments.

use crate::config::Take;
use crate::time::Micros;
use crate::wire::Edges;

/// What is remembered of the edges on one pin.
#[derive(Clone, Debug)]
pub(super) struct Pulse {
    take: Take,
    slowest: Micros,
    before: Option<Before>,
    /// Edges per second; `None` while it is not known.
    rate: Option<f64>,
    /// Edges since the controller started, wraps joined.
    total: u64,
    /// Longest minus shortest gap over their mean; `None` before a gap ended.
    spread: Option<f64>,
}

#[derive(Clone, Copy, Debug)]
struct Before {
    count: u32,
    /// When the newest edge was, on the link's timeline.
    edge: Micros,
}

impl Pulse {
    /// Nothing heard yet. No edge for `slowest` µs is a rate of 0.
    pub fn new(take: Take, slowest: Micros) -> Self {
        Self { take, slowest, before: None, rate: None, total: 0, spread: None }
    }

    /// The controller restarted: counts begin anew, and no rate spans it.
    pub fn restarted(&mut self) {
        (self.before, self.rate) = (None, None);
    }

    /// Edges per second; `None` while it is not known.
    pub fn rate(&self) -> Option<f64> {
        self.rate
    }

    /// Whether its value is one that a restart makes unknown.
    pub fn is_rate(&self) -> bool {
        self.take == Take::Rate
    }

    /// What the config takes of `edges`, sampled at `at` on the link's timeline when the controller's clock was `t`.
    /// `None`: not known yet.
    #[inline]
    pub fn step(&mut self, edges: Edges, at: Micros, t: u32) -> Option<f64> {
        // The age is below 2^32 µs by the format, so it survives the wrap; `at` has its wraps joined already.
        let age = Micros::from(t.wrapping_sub(edges.last));
        self.count(edges, at - age, age);
        match self.take {
            Take::Rate => self.rate,
            Take::Count => Some(self.total as f64),
            Take::Spread => self.even(edges),
        }
    }

    #[inline]
    fn count(&mut self, edges: Edges, edge: Micros, age: Micros) {
        let before = self.before.replace(Before { count: edges.count, edge });
        if edges.count == 0 {
            (self.rate, self.total) = (Some(0.0), 0);
            return;
        }
        let Some(before) = before else {
            (self.rate, self.total) = (None, u64::from(edges.count));
            return;
        };
        let new = edges.count.wrapping_sub(before.count);
        let span = edge - before.edge;
        if new == 0 {
            self.rate = if age >= self.slowest { Some(0.0) } else { self.rate.map(|rate| rate.min(1e6 / age as f64)) };
        } else if Micros::from(new) > span && before.count != 0 {
            // More than one edge a microsecond is no edge train: the counter began anew behind our back.
            (self.rate, self.total) = (None, u64::from(edges.count));
        } else {
            // The clock value beside count 0 is no edge, so there is no gap to the first one.
            self.rate = (before.count != 0).then(|| f64::from(new) * 1e6 / span as f64);
            self.total += u64::from(new);
        }
    }

    fn even(&mut self, edges: Edges) -> Option<f64> {
        if let Some((shortest, longest)) = edges.gaps
            && longest > 0
        {
            let (shortest, longest) = (f64::from(shortest), f64::from(longest));
            self.spread = Some((longest - shortest) / f64::midpoint(longest, shortest));
        }
        self.spread
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Micros = 1_000_000;

    fn edges(count: u32, last: u32) -> Edges {
        Edges { count, last, gaps: None }
    }

    fn rate() -> Pulse {
        Pulse::new(Take::Rate, SECOND)
    }

    #[test]
    fn the_first_line_heard_in_mid_run_gives_no_rate() {
        let mut pulse = rate();
        assert_eq!(pulse.step(edges(100, 900_000), SECOND, 1_000_000), None);
        assert_eq!(pulse.step(edges(150, 1_900_000), 2 * SECOND, 2_000_000), Some(50.0));
    }

    #[test]
    fn without_an_edge_ever_the_rate_is_0_and_from_there_to_the_first_edges_unknown() {
        let mut pulse = rate();
        assert_eq!(pulse.step(edges(0, 0), 0, 5_000_000), Some(0.0));
        assert_eq!(pulse.step(edges(2, 5_015_000), 20_000, 5_020_000), None);
        assert_eq!(pulse.step(edges(4, 5_035_000), 40_000, 5_040_000), Some(100.0));
    }

    #[test]
    fn while_no_edge_comes_the_rate_falls_and_is_0_at_slowest() {
        let mut pulse = rate();
        pulse.step(edges(1, 1_000_000), 0, 1_000_000);
        assert_eq!(pulse.step(edges(11, 1_100_000), 100_000, 1_100_000), Some(100.0));
        assert_eq!(pulse.step(edges(11, 1_100_000), 105_000, 1_105_000), Some(100.0));
        assert_eq!(pulse.step(edges(11, 1_100_000), 120_000, 1_120_000), Some(50.0));
        let last = pulse.step(edges(11, 1_100_000), 1_099_999, 2_099_999).unwrap();
        assert!((last - 1e6 / 999_999.0).abs() < 1e-12);
        assert_eq!(pulse.step(edges(11, 1_100_000), 1_100_000, 2_100_000), Some(0.0));
        assert_eq!(pulse.step(edges(11, 1_100_000), 1_200_000, 2_200_000), Some(0.0));
    }

    #[test]
    fn lost_lines_do_not_hurt_the_rate() {
        let mut pulse = rate();
        pulse.step(edges(1, 1_000_000), 0, 1_000_000);
        assert_eq!(pulse.step(edges(501, 11_000_000), 10 * SECOND, 11_000_000), Some(50.0));
    }

    #[test]
    fn a_restart_clears_the_rate_and_the_total_begins_again() {
        let mut pulse = rate();
        pulse.step(edges(100, 900_000), 0, 1_000_000);
        pulse.restarted();
        assert_eq!(pulse.step(edges(3, 40_000), SECOND, 50_000), None);
        let mut total = Pulse::new(Take::Count, SECOND);
        assert_eq!(total.step(edges(100, 900_000), 0, 1_000_000), Some(100.0));
        total.restarted();
        assert_eq!(total.step(edges(3, 40_000), SECOND, 50_000), Some(3.0));
    }

    #[test]
    fn a_count_that_falls_without_a_restart_is_no_rate() {
        let mut pulse = rate();
        pulse.step(edges(50_000, 900_000), 0, 1_000_000);
        assert_eq!(pulse.step(edges(3, 1_010_000), 20_000, 1_020_000), None);
        assert_eq!(pulse.step(edges(5, 1_030_000), 40_000, 1_040_000), Some(100.0));
    }

    #[test]
    fn the_total_goes_on_over_the_wrap_of_the_count() {
        let mut pulse = Pulse::new(Take::Count, SECOND);
        assert_eq!(pulse.step(edges(u32::MAX, 900_000), 0, 1_000_000), Some(4_294_967_295.0));
        assert_eq!(pulse.step(edges(4, 1_900_000), SECOND, 2_000_000), Some(4_294_967_300.0));
    }

    #[test]
    fn spread_is_longest_minus_shortest_over_their_mean_and_is_held() {
        let mut pulse = Pulse::new(Take::Spread, SECOND);
        let with = |gaps| Edges { count: 5, last: 10, gaps };
        assert_eq!(pulse.step(with(None), 0, 20), None);
        assert_eq!(pulse.step(with(Some((0, 0))), 0, 20), None);
        assert_eq!(pulse.step(with(Some((9_000, 11_000))), 0, 20), Some(0.2));
        assert_eq!(pulse.step(with(Some((0, 0))), 0, 20), Some(0.2));
        assert_eq!(pulse.step(with(Some((10_000, 10_000))), 0, 20), Some(0.0));
    }
}
