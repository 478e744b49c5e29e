//! The snapshot: what is known at one instant, in plain structs that are copied whole.

use std::sync::Arc;

use crate::channel::{Trust, Value};
use crate::config::Level;
use crate::time::{Micros, SECOND, Stamp};
use crate::wire::{Reject, Resets};

use super::{AlarmState, Calls, FaultShown, OutputShown, Raised};

/// Everything that a screen may show, at one instant. Fixed in size once made, so that copying it allocates nothing.
#[derive(Debug, Default, PartialEq)]
pub struct Snapshot {
    /// One more each time anything changed.
    pub version: u64,
    /// The instant, on the computer's (or the recording's) timeline.
    pub now: Stamp,
    /// Seconds since the first reading by the controller's clock, in µs: the time of exports.
    pub at: Micros,
    /// Channels, by `ChannelId`.
    pub channels: Vec<Shown>,
    /// Links, by `LinkId`.
    pub links: Vec<LinkShown>,
    /// Alarms, by their place in the model.
    pub alarms: Vec<AlarmShown>,
    /// Outputs, by their place in the model.
    pub outputs: Vec<OutputShown>,
    /// Alarms that no limit raises, each subject at its own place.
    pub faults: Vec<FaultShown>,
    /// What the person at the wheel did about alarms, and what came when.
    pub calls: Calls,
    /// What the recorder does.
    pub recording: Recording,
    /// Where a replay stands; `None` while driving.
    pub player: Option<PlayerShown>,
    /// Why the config file is not what is in force; `None` where it is.
    pub config_trouble: Option<ConfigTrouble>,
}

/// Why the config file is not what is in force. Only the newest such thing is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ConfigTrouble {
    /// Its text changed and has so many mistakes.
    Mistakes(u32),
    /// It is not there any more.
    Gone,
    /// It cannot be read.
    Unreadable,
    /// Its text changed and has other links than those that are open.
    OtherLinks,
}

impl ConfigTrouble {
    /// What is so and what to do, in a sentence.
    pub fn sentence(self) -> String {
        let sentence = match self {
            Self::Mistakes(1) => "changed config has 1 mistake; the old one stays: see kickpanel check",
            Self::Mistakes(many) => {
                return format!("changed config has {many} mistakes; the old one stays: see kickpanel check");
            }
            Self::Gone => "the config file is gone; the old one stays in force",
            Self::Unreadable => "the config file cannot be read; the old one stays",
            Self::OtherLinks => "links changed: file not used; quit and start again",
        };
        sentence.to_owned()
    }

    /// The same for the status line.
    pub fn short(self) -> String {
        match self {
            Self::Mistakes(many) => format!("config {many} wrong"),
            Self::Gone => "config gone".to_owned(),
            Self::Unreadable => "config unreadable".to_owned(),
            Self::OtherLinks => "config not used".to_owned(),
        }
    }
}

impl Snapshot {
    /// The state of an alarm. One that sounds although nothing is known of it besides counts as unseen: nothing that is
    /// wrong is ever hidden by what was not said.
    pub fn alarm_state(&self, raised: Raised) -> AlarmState {
        let active = match raised {
            Raised::Limit(at) => self.alarms.get(at).is_some_and(|alarm| alarm.active),
            Raised::Fault(at) => self.faults.get(at).is_some_and(|fault| fault.active),
        };
        match self.calls.get(raised).map_or(AlarmState::Normal, |call| call.state) {
            AlarmState::Normal if active => AlarmState::Unacknowledged,
            state => state,
        }
    }

    /// How bad an alarm is; `None` where there is none at that place.
    pub fn alarm_level(&self, raised: Raised) -> Option<Level> {
        match raised {
            Raised::Limit(at) => self.alarms.get(at).map(|alarm| alarm.level),
            Raised::Fault(at) => self.faults.get(at).map(|fault| fault.level),
        }
    }
}

impl Clone for Snapshot {
    fn clone(&self) -> Self {
        let mut copy = Self::default();
        copy.clone_from(self);
        copy
    }

    /// Keeps the lists that `self` has already: a derived one would allocate them anew for each line.
    fn clone_from(&mut self, source: &Self) {
        let Self {
            version,
            now,
            at,
            channels,
            links,
            alarms,
            outputs,
            faults,
            calls,
            recording,
            player,
            config_trouble,
        } = source;
        self.channels.clone_from(channels);
        self.links.clone_from(links);
        self.alarms.clone_from(alarms);
        self.outputs.clone_from(outputs);
        self.faults.clone_from(faults);
        self.calls.clone_from(calls);
        (self.version, self.now, self.at) = (*version, *now, *at);
        self.player.clone_from(player);
        (self.recording, self.config_trouble) = (*recording, *config_trouble);
    }
}

/// A channel as it is now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shown {
    /// The value without smoothing, with its trust: for formulas, events and exports.
    pub value: Value,
    /// The same smoothed: for the screen and alarms. Equal to `value` where the channel is not smoothed.
    pub smooth: Value,
    /// Since when the trust state is what it is.
    pub since: Stamp,
    /// When its field last came (null or not); `None` before the first.
    pub heard: Option<Stamp>,
    /// What was measured on the way, to judge by.
    pub evidence: Evidence,
    /// The last smoothed value before it became untrusted for the last time; not a number where there was none.
    pub was: f64,
    /// How often it became untrusted on this drive.
    pub times: u32,
}

/// What was measured on the way to a value; not a number where it does not apply.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Evidence {
    /// As it came: counts, hertz, or the number.
    pub raw: f64,
    /// Volts at the pin.
    pub volts: f64,
    /// What the curve takes: volts or ohms at the sensor, hertz.
    pub input: f64,
}

impl Evidence {
    /// Nothing measured.
    pub const NONE: Self = Self { raw: f64::NAN, volts: f64::NAN, input: f64::NAN };
}

impl Shown {
    /// A channel of which nothing is known yet.
    pub const UNKNOWN: Self = Self {
        value: Value::MISSING,
        smooth: Value::MISSING,
        since: Stamp(0),
        heard: None,
        evidence: Evidence::NONE,
        was: f64::NAN,
        times: 0,
    };

    /// The trust state.
    pub fn trust(&self) -> Trust {
        self.value.trust()
    }

    /// `value`, whose state is another one, is about to be shown from `now` on.
    #[cold]
    pub(crate) fn turn(&mut self, value: Value, now: Stamp) {
        self.since = now;
        if let (Some(was), None) = (self.smooth.good(), value.good()) {
            (self.was, self.times) = (was, self.times.saturating_add(1));
        }
    }
}

/// A link that is open and over which nothing came for so long is [`LinkState::Silent`], on the screen and in the
/// recording.
pub const SILENT_AFTER: Micros = 5 * SECOND;

/// Whether a link is there.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LinkState {
    /// Not opened yet, or being looked for.
    #[default]
    Down,
    /// Open; lines may come.
    Up,
    /// Open, but nothing came for [`SILENT_AFTER`].
    Silent,
}

/// What keeps a link from being open.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trouble {
    /// Nothing of that name is there.
    NoDevice,
    /// It is there and this user may not open it.
    NoRights,
    /// Another program holds it.
    Busy,
    /// What is there is no serial port.
    NotAPort,
    /// It was open and went away.
    Unplugged,
    /// Anything else, with the system's error number.
    Failed(i32),
}

impl Trouble {
    /// The trouble in a few words, for a line on a screen. The whole sentence is made by the link room.
    pub const fn words(self) -> &'static str {
        match self {
            Self::NoDevice => "not there",
            Self::NoRights => "no rights",
            Self::Busy => "in use by another program",
            Self::NotAPort => "not a serial port",
            Self::Unplugged => "unplugged",
            Self::Failed(_) => "failed",
        }
    }
}

/// A link as it is now.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LinkShown {
    /// Whether it is there.
    pub state: LinkState,
    /// What keeps it from being open, while it is down.
    pub trouble: Option<Trouble>,
    /// Since when.
    pub since: Stamp,
    /// Lines taken during the last full second.
    pub lines_per_s: u32,
    /// Lines came during the last full second, and every one of them was refused: why the last one was.
    pub only_bad: Option<Reject>,
    /// Lines refused since the beginning.
    pub bad: u64,
    /// Readings lost since the beginning.
    pub lost: u64,
    /// Restarts of the controller since the beginning.
    pub restarts: u64,
    /// The same by their reasons.
    pub resets: Resets,
    /// The converter's supply in volts, where it is known.
    pub supply: Option<f64>,
}

/// An alarm as it is now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AlarmShown {
    /// How bad.
    pub level: Level,
    /// It sounds: the limit was passed for long enough and has not been left for long enough.
    pub active: bool,
    /// Since when it is what it is.
    pub since: Stamp,
}

/// What the recorder does.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Recording {
    /// Nothing is being recorded, on purpose (demo, replay).
    #[default]
    Off,
    /// All is well; the drive's number.
    On {
        /// The drive's number.
        drive: u32,
    },
    /// Nothing can be written now; driving goes on.
    Stopped(WhyStopped),
}

/// Why nothing can be recorded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WhyStopped {
    /// No room left.
    DiskFull,
    /// The folder is not there and cannot be made.
    NoFolder,
    /// This user may not write there, or the file system is read-only.
    NotWritable,
    /// Anything else, with the system's error number.
    Failed(i32),
}

/// Where a replay stands.
#[derive(Clone, Debug, Default, PartialEq)]
#[expect(clippy::struct_excessive_bools, reason = "facts that have nothing to do with each other")]
pub struct PlayerShown {
    /// From the beginning of the recording to the line shown.
    pub position: Micros,
    /// The whole length, where it is known.
    pub length: Option<Micros>,
    /// Times real time.
    pub speed: f64,
    /// It stands still.
    pub paused: bool,
    /// It begins again at the end.
    pub looping: bool,
    /// It stands at its end.
    pub ended: bool,
    /// It stands at its beginning.
    pub begun: bool,
    /// There is a mark or alarm to go back to.
    pub earlier: bool,
    /// There is a mark or alarm to go on to.
    pub later: bool,
    /// The mark or alarm that it stands at or has just passed.
    pub moment: Option<MomentShown>,
}

/// A mark, alarm or event of a recording.
#[derive(Clone, Debug, PartialEq)]
pub struct MomentShown {
    /// `mark`, `alarm` or `event`.
    pub kind: &'static str,
    /// Which of its kind, from 1.
    pub number: u32,
    /// How many of its kind there are.
    pub of: u32,
    /// From the beginning of the recording.
    pub at: Micros,
    /// What was typed, or what it is about (unsafe text).
    pub text: Arc<str>,
    /// The word of an alarm's level, else empty.
    pub level: &'static str,
}
