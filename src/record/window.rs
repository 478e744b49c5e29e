//! A window on a source of bytes that slides forward: what has been read and not been used yet.
//!
//! Owns one buffer, bounded by what its user asks for. Knows nothing of lines.

use super::source::{ReadError, Source};

/// How much is read at a time.
const CHUNK: usize = 128 * 1024;

pub(super) struct Window {
    source: Source,
    bytes: Vec<u8>,
    start: usize,
    end: usize,
    /// How many more bytes of the source count.
    left: u64,
}

impl Window {
    /// A window on `source`, of which the first `limit` bytes count.
    pub(super) fn new(source: Source, limit: u64) -> Self {
        Self { source, bytes: Vec::new(), start: 0, end: 0, left: limit }
    }

    /// What was read and not used yet.
    pub(super) fn pending(&self) -> &[u8] {
        &self.bytes[self.start..self.end]
    }

    /// The first `count` bytes are used.
    pub(super) fn consume(&mut self, count: usize) {
        self.start = (self.start + count).min(self.end);
    }

    /// Reads more, keeping what is pending. False at the end.
    pub(super) fn fill(&mut self) -> Result<bool, ReadError> {
        if self.left == 0 {
            return Ok(false);
        }
        self.bytes.copy_within(self.start..self.end, 0);
        self.end -= self.start;
        self.start = 0;
        if self.bytes.len() < self.end + CHUNK {
            self.bytes.resize(self.end + CHUNK, 0);
        }
        let room = usize::try_from(self.left).unwrap_or(usize::MAX).min(self.bytes.len() - self.end);
        let count = self.source.read(&mut self.bytes[self.end..self.end + room])?;
        self.end += count;
        self.left -= count as u64;
        Ok(count > 0)
    }

    /// Bytes of memory that it holds.
    #[cfg(test)]
    pub(super) fn memory(&self) -> usize {
        self.bytes.capacity()
    }

    pub(super) fn source(&self) -> &Source {
        &self.source
    }
}
