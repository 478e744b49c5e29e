//! The last ten minutes of each channel, as lowest and highest of each tenth of a second.

use crate::time::Micros;

/// How much time one bucket covers.
pub const BUCKET: Micros = 100_000;
/// How many buckets are kept: ten minutes.
pub const BUCKETS: u16 = 6000;

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
}

impl History {
    /// An empty history of so many channels.
    pub fn new(channels: usize) -> Self {
        Self { channels, ring: vec![Column::GAP; channels * usize::from(BUCKETS)], newest: None }
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
        let Some(newest) = self.newest else { return Column::GAP };
        let oldest = newest - i64::from(BUCKETS) + 1;
        let first = from.div_euclid(BUCKET).max(oldest);
        let last = (to - 1).div_euclid(BUCKET).min(newest);
        (first..=last).map(|bucket| self.ring[self.slot(bucket) + channel]).fold(Column::GAP, Column::join)
    }

    /// Makes `bucket` the newest, emptying what was passed over. An older one is left as it is.
    fn open(&mut self, bucket: i64) {
        let from = match self.newest {
            Some(newest) if bucket <= newest => return,
            Some(newest) => (newest + 1).max(bucket - i64::from(BUCKETS) + 1),
            None => bucket,
        };
        for passed in from..=bucket {
            let start = self.slot(passed);
            self.ring[start..start + self.channels].fill(Column::GAP);
        }
        self.newest = Some(bucket);
    }

    fn slot(&self, bucket: i64) -> usize {
        let place = bucket.rem_euclid(i64::from(BUCKETS));
        usize::try_from(place).unwrap_or(0) * self.channels
    }
}
