//! The last ten minutes of each channel, as lowest and highest of each tenth of a second.

use crate::time::Micros;

/// How much time one bucket covers.
pub const BUCKET: Micros = 100_000;
/// How many buckets are kept: ten minutes.
pub const BUCKETS: usize = 6000;
/// The same, where numbers of buckets are reckoned with.
const KEPT: i64 = 6000;

/// Lowest and highest value in a stretch of time; both not a number where nothing good came.
#[derive(Clone, Copy, Debug)]
pub struct Column {
    /// Lowest.
    pub low: f32,
    /// Highest.
    pub high: f32,
}

impl Column {
    /// Nothing good came.
    pub const GAP: Self = Self { low: f32::NAN, high: f32::NAN };

    /// Before the beginning: nothing was to come.
    pub const BEFORE: Self = Self { low: f32::NAN, high: f32::INFINITY };

    /// Whether it lies before the beginning; then it is a gap too.
    pub fn is_before(self) -> bool {
        self.is_gap() && self.high.is_infinite()
    }

    /// Whether nothing good came.
    pub fn is_gap(self) -> bool {
        self.low.is_nan()
    }

    /// Both stretches together; a gap adds nothing.
    #[must_use]
    pub fn join(self, other: Self) -> Self {
        // f32::min and max pass over a NaN on either side.
        Self { low: self.low.min(other.low), high: self.high.max(other.high) }
    }
}

/// Ten minutes of every channel. Memory is taken once; pushing allocates nothing.
#[derive(Clone, Debug)]
pub struct History {
    channels: usize,
    /// Bucket-major: all channels of a bucket lie together, so that one line touches few cache lines.
    ring: Vec<Column>,
    /// Number of the newest bucket since the beginning; `None` before the first push.
    newest: Option<i64>,
    /// Number of the first bucket; of no meaning before the first push.
    first: i64,
}

impl History {
    /// An empty history of so many channels.
    pub fn new(channels: usize) -> Self {
        Self { channels, ring: vec![Column::GAP; channels * BUCKETS], newest: None, first: 0 }
    }

    /// Forgets everything, for a jump in a replay.
    pub fn clear(&mut self) {
        self.newest = None;
        self.ring.fill(Column::GAP);
    }

    /// Takes the values at `at` (µs on the timeline of the trends); `None` for an untrusted one.
    pub fn push(&mut self, at: Micros, values: impl Iterator<Item = Option<f64>>) {
        let bucket = at.div_euclid(BUCKET);
        self.open(bucket);
        if self.newest.is_some_and(|newest| bucket <= newest - KEPT) {
            // Its place belongs to a newer bucket by now.
            return;
        }
        let start = self.slot(bucket);
        for (column, value) in self.ring[start..start + self.channels].iter_mut().zip(values) {
            if let Some(value) = value {
                #[expect(clippy::cast_possible_truncation, reason = "a trend needs no more than 24 bits")]
                let value = value as f32;
                *column = column.join(Column { low: value, high: value });
            }
        }
    }

    /// The newest instant that was pushed, at the end of its bucket.
    pub fn end(&self) -> Option<Micros> {
        self.newest.map(|bucket| (bucket + 1) * BUCKET)
    }

    /// Fills `out` with `channel` over the `span` that ends at `end`, oldest first, each of equal length.
    pub fn columns(&self, channel: usize, end: Micros, span: Micros, out: &mut [Column]) {
        let count = i64::try_from(out.len()).unwrap_or(i64::MAX).max(1);
        for (index, column) in (0_i64..).zip(out.iter_mut()) {
            let from = end - span + span * index / count;
            let to = (end - span + span * (index + 1) / count).max(from + 1);
            *column = self.joined(channel, from, to);
        }
    }

    fn joined(&self, channel: usize, from: Micros, to: Micros) -> Column {
        let Some(newest) = self.newest.filter(|_| (to - 1).div_euclid(BUCKET) >= self.first) else {
            return Column::BEFORE;
        };
        let oldest = newest - KEPT + 1;
        let first = from.div_euclid(BUCKET).max(oldest);
        let last = (to - 1).div_euclid(BUCKET).min(newest);
        let count = usize::try_from(last - first + 1).unwrap_or(0);
        // The ring is walked in at most two straight pieces, so that a place is worked out once and not for each bucket.
        let start = self.slot(first);
        let until_wrap = (self.ring.len() - start) / self.channels.max(1);
        let straight = count.min(until_wrap);
        let piece = |start: usize, count: usize| {
            let buckets = self.ring[start..start + count * self.channels].chunks_exact(self.channels.max(1));
            buckets.map(|bucket| bucket[channel]).fold(Column::GAP, Column::join)
        };
        piece(start, straight).join(piece(0, count - straight))
    }

    /// Makes `bucket` the newest, emptying what was passed over. An older one is left as it is.
    fn open(&mut self, bucket: i64) {
        let from = match self.newest {
            Some(newest) if bucket <= newest => return,
            Some(newest) => (newest + 1).max(bucket - KEPT + 1),
            None => {
                self.first = bucket;
                bucket
            }
        };
        for passed in from..=bucket {
            let start = self.slot(passed);
            self.ring[start..start + self.channels].fill(Column::GAP);
        }
        self.newest = Some(bucket);
    }

    fn slot(&self, bucket: i64) -> usize {
        let place = bucket.rem_euclid(KEPT);
        usize::try_from(place).unwrap_or(0) * self.channels
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pushed(values: &[(Micros, Option<f64>)]) -> History {
        let mut history = History::new(1);
        for &(at, value) in values {
            history.push(at, [value].into_iter());
        }
        history
    }

    fn columns(history: &History, end: Micros, span: Micros, count: usize) -> Vec<(f32, f32)> {
        let mut out = vec![Column::GAP; count];
        history.columns(0, end, span, &mut out);
        out.iter().map(|column| (column.low, column.high)).collect()
    }

    #[test]
    fn lowest_and_highest_of_a_bucket_are_kept() {
        let history = pushed(&[(0, Some(3.0)), (50_000, Some(1.0)), (99_999, Some(2.0)), (100_000, Some(9.0))]);
        assert_eq!(columns(&history, 200_000, 200_000, 2), [(1.0, 3.0), (9.0, 9.0)]);
        assert_eq!(history.end(), Some(200_000));
    }

    #[test]
    fn where_nothing_good_came_there_is_a_gap() {
        let history = pushed(&[(0, Some(1.0)), (100_000, None), (300_000, Some(4.0))]);
        let mut out = [Column::GAP; 4];
        history.columns(0, 400_000, 400_000, &mut out);
        assert_eq!(out.map(Column::is_gap), [false, true, true, false]);
        assert_eq!(History::new(1).end(), None);
        History::new(1).columns(0, 400_000, 400_000, &mut out);
        assert!(out.iter().all(|column| column.is_gap()));
    }

    #[test]
    fn before_the_beginning_there_is_no_gap_but_nothing() {
        let history = pushed(&[(300_000, None), (400_000, Some(1.0))]);
        let mut out = [Column::GAP; 5];
        history.columns(0, 500_000, 500_000, &mut out);
        assert_eq!(out.map(Column::is_before), [true, true, true, false, false]);
        assert_eq!(out.map(Column::is_gap), [true, true, true, true, false]);
        // A stretch that holds the beginning is one of the recording.
        let mut out = [Column::GAP];
        history.columns(0, 400_000, 400_000, &mut out);
        assert!(out[0].is_gap() && !out[0].is_before());
    }

    #[test]
    fn a_spike_is_never_lost_however_far_one_looks_back() {
        for count in [1, 2, 7, 40, 100, 6000, 9000] {
            let mut history = History::new(1);
            for n in 0..30_000 {
                history.push(n * 20_000, [Some(if n == 12_345 { 100.0 } else { 1.0 })].into_iter());
            }
            let seen = columns(&history, 600_000_000, 600_000_000, count);
            assert!(seen.iter().any(|&(_, high)| high > 99.0), "{count} columns");
            assert!(seen.iter().all(|&(low, _)| low > 0.9), "{count} columns");
        }
    }

    #[test]
    fn after_ten_minutes_the_ring_begins_anew_and_the_oldest_goes() {
        let mut history = pushed(&[(0, Some(7.0))]);
        history.push(599_900_000, [Some(1.0)].into_iter());
        assert_eq!(columns(&history, 600_000_000, 600_000_000, 6000)[0], (7.0, 7.0), "the oldest that is kept");
        history.push(600_000_000, [Some(2.0)].into_iter());
        let seen = columns(&history, 600_100_000, 600_100_000, 6001);
        assert!(seen[0].0.is_nan(), "its place was taken");
        assert_eq!(seen[6000], (2.0, 2.0));
    }

    #[test]
    fn a_pause_longer_than_the_ring_empties_all_of_it() {
        let mut history = pushed(&[(0, Some(7.0)), (100_000, Some(8.0))]);
        history.push(3_600_000_000, [Some(1.0)].into_iter());
        let seen = columns(&history, 3_600_100_000, 600_000_000, 6000);
        assert_eq!(seen.iter().filter(|column| !column.0.is_nan()).count(), 1);
    }

    #[test]
    fn what_falls_into_an_older_bucket_leaves_the_newest_alone() {
        let mut history = pushed(&[(500_000, Some(5.0))]);
        history.push(300_000, [Some(99.0)].into_iter());
        assert_eq!(columns(&history, 600_000, 100_000, 1), [(5.0, 5.0)]);
    }

    #[test]
    fn what_is_older_than_the_ring_is_passed_over() {
        let mut history = pushed(&[(0, Some(1.0)), (600_000_000, Some(5.0))]);
        history.push(0, [Some(99.0)].into_iter());
        assert_eq!(columns(&history, 600_100_000, 100_000, 1), [(5.0, 5.0)]);
        history.push(100_000, [Some(7.0)].into_iter());
        assert_eq!(columns(&history, 200_000, 100_000, 1), [(7.0, 7.0)], "the oldest that has a place");
    }

    #[test]
    fn channels_do_not_mix() {
        let mut history = History::new(2);
        history.push(0, [Some(1.0), Some(2.0)].into_iter());
        let mut out = [Column::GAP];
        history.columns(1, 100_000, 100_000, &mut out);
        assert_eq!((out[0].low, out[0].high), (2.0, 2.0));
    }
}
