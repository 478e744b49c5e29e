//! How an alarm that began or ended is written into the recording.
//!
//! Owns which members its note has. In: the change and what is shown then. Out: a note. Judges nothing.

use super::Engine;
use crate::config::{ChannelId, Model};
use crate::output::words;
use crate::record::Told;
use crate::state::{FaultShown, Shown, Subject};
use crate::time::Stamp;
use crate::watch::{Change, Raised};

impl Engine {
    pub(super) fn note_alarm(
        &self,
        now: Stamp,
        change: Change,
        model: &Model,
        (faults, channels): (&[FaultShown], &[Shown]),
    ) {
        let state = if change.active { "on" } else { "off" };
        match change.raised {
            Raised::Limit(place) => {
                let alarm = &model.alarms[place];
                let channel = Some(model.channels[alarm.channel.index()].name.as_str());
                let (level, value) = (alarm.level.name(), change.value);
                self.note(now, None, &Told::Alarm { channel, output: None, why: None, state, level, value });
            }
            Raised::Fault(place) => {
                let Some(fault) = faults.get(place) else { return };
                let Some(told) = words::Told::of(model, channels, fault) else { return };
                let why = format!("{}: {}", told.what, told.detail);
                let (why, level) = (Some(why.as_str()), fault.level.name());
                let name = |id: ChannelId| Some(model.channels.get(id.index())?.name.as_str());
                // What several channels share is told under the name of its link.
                let (link, channel, output) = match fault.subject {
                    Subject::Output(_) => (None, None, Some(told.name.as_str())),
                    Subject::Sensor(id) => (None, name(id), None),
                    Subject::Link(link) | Subject::Controller(link) | Subject::Supply(link) | Subject::Ground(link) => {
                        (Some(link), None, None)
                    }
                };
                self.note(now, link, &Told::Alarm { channel, output, why, state, level, value: None });
            }
        }
    }
}
