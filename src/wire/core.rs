//! What all forms of a link share: the reading that is filled, the names, the tally.
//!
//! Owns the memory of one link that does not depend on its form. In: what a form decoded. Out: the same, counted.

use super::clock::Step;
use super::fields::Fields;
use super::{Hello, Reading, Reset, Tally};

/// What a line was taken as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Taken {
    /// It says nothing.
    Empty,
    /// A reading; it stands in [`Core::reading`].
    Reading,
    /// A hello; it stands in [`Core::hello`].
    Hello,
    /// The names of the columns.
    Header,
}

/// The memory that all forms share.
#[derive(Clone, Debug)]
pub(super) struct Core {
    pub names: Fields,
    pub reading: Reading,
    pub hello: Option<Hello>,
    pub tally: Tally,
}

impl Core {
    pub(super) fn new(config: &[String]) -> Self {
        let names = Fields::new(config);
        let reading = Reading::with_fields(names.names().len());
        Self { names, reading, hello: None, tally: Tally::default() }
    }

    /// Writes down where a reading lies and what happened just before it.
    #[inline]
    pub(super) fn took(&mut self, step: Step) {
        let reading = &mut self.reading;
        reading.at = step.at;
        reading.restarted = step.restarted;
        reading.lost = step.lost;
        reading.repeated = step.repeated;
        reading.late = step.late;
        self.tally.lost += u64::from(step.lost);
        if step.new_restart {
            self.restarted(step.reason);
        }
    }
    /// The controller restarted; a hello that comes later may still say why.
    pub(super) fn restarted(&mut self, reason: Reset) {
        self.tally.restarts += 1;
        self.tally.resets.count(reason);
    }
}
