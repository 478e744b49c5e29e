//! Alarms as the person at the wheel has them: state, since when, and what came when.
//!
//! Owns plain structs only, fixed in size once made. The rules by which they change stand in the watch room.

use crate::config::Level;
use crate::time::Stamp;

use super::Problem;

/// Which alarm it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Raised {
    /// A limit of a channel, by its place in the model's alarms.
    Limit(usize),
    /// One that no limit raises, by its place in the snapshot's faults.
    Fault(usize),
}

/// The states of ANSI/ISA-18.2 and IEC 62682. "Out of service" is not among them: an alarm that is not wanted is taken
/// out of the config.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum AlarmState {
    /// Nothing is wrong.
    #[default]
    Normal,
    /// Something is wrong, and nobody said that it was seen.
    Unacknowledged,
    /// Something is wrong, and it was seen.
    Acknowledged,
    /// It is over, and nobody said that it was seen.
    Returned,
    /// It is over, nobody said that it was seen, and it stays until it is reset.
    LatchedUnacknowledged,
    /// It is over and was seen, and stays until it is reset.
    LatchedAcknowledged,
    /// Put aside by hand, for a limited time.
    Shelved,
    /// Its limit is passed while its `when` is false.
    Suppressed,
}

impl AlarmState {
    /// Every state.
    pub const ALL: [Self; 8] = [
        Self::Normal,
        Self::Unacknowledged,
        Self::Acknowledged,
        Self::Returned,
        Self::LatchedUnacknowledged,
        Self::LatchedAcknowledged,
        Self::Shelved,
        Self::Suppressed,
    ];

    /// Whether it is to be shown where everybody looks: all but what is well, or silent on purpose.
    pub const fn is_told(self) -> bool {
        !matches!(self, Self::Normal | Self::Shelved | Self::Suppressed)
    }

    /// Whether somebody is still to say that it was seen.
    pub const fn waits(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::Returned | Self::LatchedUnacknowledged)
    }

    /// Whether it stays until it is reset.
    pub const fn is_latched(self) -> bool {
        matches!(self, Self::LatchedUnacknowledged | Self::LatchedAcknowledged)
    }

    /// The state in a few words, for a row of a list.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Normal => "over",
            Self::Unacknowledged => "not seen",
            Self::Acknowledged => "seen",
            Self::Returned => "over, not seen",
            Self::LatchedUnacknowledged => "held, not seen",
            Self::LatchedAcknowledged => "held",
            Self::Shelved => "shelved",
            Self::Suppressed => "asleep",
        }
    }
}

/// One alarm as it is now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Call {
    /// Its state.
    pub state: AlarmState,
    /// Counts the alarms as they come, all together from 1; 0: it never came. Larger is later.
    pub number: u32,
    /// When it last came.
    pub began: Stamp,
    /// When it comes back by itself from where it was put aside.
    pub until: Option<Stamp>,
    /// The newest trusted value since it came, in the channel's unit; not a number where it has none.
    pub last: f64,
    /// The worst one since it came.
    pub worst: f64,
}

impl Call {
    /// One that never came.
    pub const NONE: Self =
        Self { state: AlarmState::Normal, number: 0, began: Stamp(0), until: None, last: f64::NAN, worst: f64::NAN };
}

/// One that came, and what became of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Entry {
    /// Which.
    pub raised: Raised,
    /// Its [`Call::number`].
    pub number: u32,
    /// How bad.
    pub level: Level,
    /// What was wrong, where it is no limit.
    pub problem: Option<Problem>,
    /// When it came.
    pub began: Stamp,
    /// When it was over.
    pub ended: Option<Stamp>,
    /// When somebody said that it was seen.
    pub seen: Option<Stamp>,
    /// The worst trusted value; not a number where it has none.
    pub worst: f64,
    /// Others came soon after it: it was the first of them.
    pub first: bool,
}

/// So many entries of the journal are kept; all of them stand in the recording.
pub const JOURNAL: usize = 64;

/// All alarms, and the newest that came.
#[derive(Debug, PartialEq)]
pub struct Calls {
    /// The limits by their place in the model, behind them the faults by theirs in the snapshot.
    pub list: Vec<Call>,
    /// How many of them are limits.
    pub limits: usize,
    /// The newest [`JOURNAL`] that came, the oldest first.
    pub journal: Vec<Entry>,
    /// The number of the newest.
    pub newest: u32,
    /// How often one became something that nobody has seen yet: each rings the bell once.
    pub rings: u32,
    /// Follows from everything that ever happened to these, so that two that are the same need not be copied.
    pub(crate) digest: u64,
}

impl Calls {
    /// So many limits and faults, none of which ever came.
    pub fn new(limits: usize, faults: usize) -> Self {
        Self { list: vec![Call::NONE; limits + faults], limits, ..Self::default() }
    }

    /// The place of `raised` in the list.
    pub const fn place(&self, raised: Raised) -> usize {
        match raised {
            Raised::Limit(at) => at,
            Raised::Fault(at) => self.limits + at,
        }
    }

    /// What stands at `place` of the list.
    pub const fn raised(&self, place: usize) -> Raised {
        if place < self.limits { Raised::Limit(place) } else { Raised::Fault(place - self.limits) }
    }

    /// The one that is meant, if it is in the list.
    pub fn get(&self, raised: Raised) -> Option<&Call> {
        self.list.get(self.place(raised))
    }

    /// Nothing that was says anything any more.
    pub fn end_all(&mut self) {
        let (newest, rings) = (self.newest, self.rings);
        self.list.fill(Call::NONE);
        self.journal.clear();
        // What was seen by number belongs to the drive before.
        (self.newest, self.rings, self.digest) = (newest + 1, rings, self.digest.wrapping_add(1));
    }

    /// How many were put aside by hand.
    pub fn shelved(&self) -> usize {
        self.list.iter().filter(|call| call.state == AlarmState::Shelved).count()
    }
}

impl Default for Calls {
    /// None at all. The journal has its room from the beginning, so that no alarm ever waits for memory.
    fn default() -> Self {
        let (list, journal) = (Vec::new(), Vec::with_capacity(JOURNAL));
        Self { list, limits: 0, journal, newest: 0, rings: 0, digest: 0 }
    }
}

impl Clone for Calls {
    fn clone(&self) -> Self {
        let mut copy = Self::default();
        copy.clone_from(self);
        copy
    }

    /// Leaves alone what is the same, since this is done for every line, and keeps the memory of `self`.
    fn clone_from(&mut self, source: &Self) {
        let Self { list, limits, journal, newest, rings, digest } = source;
        if (self.digest, self.limits, self.list.len()) == (*digest, *limits, list.len()) {
            return;
        }
        self.list.clone_from(list);
        self.journal.clone_from(journal);
        (self.limits, self.newest, self.rings, self.digest) = (*limits, *newest, *rings, *digest);
    }
}
