//! Outputs as they are now, and alarms that no limit of a channel raises.
//!
//! Owns plain structs only. What they mean in words stands in the output room.

use crate::channel::{Shifted, Trust};
use crate::config::{ChannelId, Level, LinkId};
use crate::time::Stamp;

/// An output as it is now. Values are those of the wire: 0 or 1, mHz, or per mille.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OutputShown {
    /// What the rule comes to.
    pub wanted: u32,
    /// Which term decides it.
    pub why: Why,
    /// Since when both are what they are.
    pub since: Stamp,
    /// When time alone ends it: `longest` or `rest` is over.
    pub until: Option<Stamp>,
    /// What the controller was told last, while the lease of that runs.
    pub sent: Option<u32>,
    /// What the pin really does, as the controller reports it; `None` where it does not.
    pub there: Option<u32>,
    /// Its pin reports rest by itself while it is to be on and its lease runs. Until it reports otherwise the lease is not
    /// renewed, since a lease that ended because lines were lost looks the same, and its time of rest must be kept.
    pub faltered: bool,
    /// The config in force arms it. A replay shows what the drive had and sends nothing.
    pub armed: bool,
}

impl OutputShown {
    /// An output of which nothing is known yet.
    pub const fn resting(armed: bool) -> Self {
        let resting = Why::Resting { after_longest: false };
        Self { wanted: 0, why: resting, since: Stamp(0), until: None, sent: None, there: None, faltered: false, armed }
    }

    /// Whether it stays off until a person acts.
    pub const fn is_locked(&self) -> bool {
        matches!(self.why, Why::Locked(_))
    }
}

/// Which term decides what an output does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Why {
    /// It is on: `on` holds and nothing speaks against it.
    Holds,
    /// It follows its channel.
    Follows,
    /// `on` is false; its first part that is, where it is parts joined by `and`.
    NotWanted(u8),
    /// A channel in `on`, or the one that is followed, is untrusted; the first of them.
    Untrusted(ChannelId, Trust),
    /// `on` has no value although every channel in it is good: a window that is not filled, a division by 0.
    NoValue,
    /// `off_if` holds; its first part that does, where it is parts joined by `or`.
    OffIf(u8),
    /// A channel in `off_if` is untrusted, which counts as true; the first of them.
    OffIfUntrusted(ChannelId, Trust),
    /// `off_if` has no value although every channel in it is good.
    OffIfNoValue,
    /// `on` holds, and the time off between two is not over.
    Resting {
        /// It had been on for its longest.
        after_longest: bool,
    },
    /// Readings of that link, which the rule looks at, come too late to switch anything by.
    Late(LinkId),
    /// The link to its controller is not up.
    NoLink,
    /// The controller says that it has no such output.
    NoPin,
    /// Off until a person acts.
    Locked(Problem),
}

/// What is wrong where an alarm has no limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Problem {
    /// The controller restarted twice soon after the output was switched on.
    Resets,
    /// The pin was set to one thing and reported another.
    DoesNotFollow {
        /// What it was set to.
        set: u32,
        /// What it was; `None`: the controller could not say.
        is: Option<u32>,
    },
    /// What was locked when the program ended cannot be read, so that it may have been.
    LocksUnreadable,
    /// A channel that has limits cannot be believed.
    Untrusted {
        /// Its state.
        trust: Trust,
        /// The channel that it comes from: itself, or what its formula or its cold junction asks for.
        of: ChannelId,
    },
    /// No reading comes over the link.
    Lost,
    /// The controller restarted more than once within a minute.
    Restarts,
    /// The sensor supply is out of its limits, or not known.
    Supply {
        /// How much it is, mV, where it is known.
        millivolts: Option<u32>,
    },
    /// Several sensors of one controller stepped at once.
    Ground(Shifted),
}

/// What an alarm without a limit is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Subject {
    /// An output, by its place in the model.
    Output(u16),
    /// A link.
    Link(LinkId),
    /// The controller at the other end of a link.
    Controller(LinkId),
    /// The sensor supply of a controller.
    Supply(LinkId),
    /// What the sensors of a controller share.
    Ground(LinkId),
    /// The sensor of a channel that has limits.
    Sensor(ChannelId),
}

/// An alarm that no limit of a channel raises, as it is now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FaultShown {
    /// What it is about. Each subject stands at the same place in every snapshot of a model.
    pub subject: Subject,
    /// What is wrong; what was, where it does not sound.
    pub problem: Problem,
    /// How bad.
    pub level: Level,
    /// It sounds.
    pub active: bool,
    /// Since when it is what it is.
    pub since: Stamp,
}
