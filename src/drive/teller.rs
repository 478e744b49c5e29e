//! What a drive without a screen says: a line of text for each change of a link, of an alarm or of the recording.

use std::io::Write as _;

use crate::config::{Alarm, Link, Model};
use crate::output::words;
use crate::screen::words as screen_words;
use crate::state::{AlarmShown, FaultShown, LinkShown, LinkState, Recording, Snapshot, Subject, Trouble, WhyStopped};
use crate::text::safe;
use crate::wire::Reject;

/// What was told last.
#[derive(Debug, Default)]
pub(super) struct Teller {
    links: Vec<Option<Is>>,
    recording: Option<Recording>,
    faults: Vec<FaultShown>,
    alarms: Vec<AlarmShown>,
    /// The alarms that were told and sound, in words: a changed config may have them at other places.
    sounding: Vec<String>,
    /// The outputs with an alarm that was told, with its level.
    faulty: Vec<String>,
}

/// What is told of a link.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Is {
    state: LinkState,
    trouble: Option<Trouble>,
    /// Every line is refused, and why.
    only_bad: Option<Reject>,
}

impl Is {
    /// As it is now, where `told` was told last. That every line is refused is over with the first line that is taken, and
    /// noise that looks now like this and now like that is told once.
    fn now(shown: &LinkShown, told: Option<Self>) -> Self {
        let before = told.filter(|told| told.state == LinkState::Up).and_then(|told| told.only_bad);
        let only_bad = match shown.only_bad {
            _ if shown.state != LinkState::Up || shown.lines_per_s > 0 => None,
            now => before.or(now),
        };
        Self { state: shown.state, trouble: shown.trouble, only_bad }
    }
}

impl Teller {
    /// Tells what is otherwise than at the look before, on standard error.
    pub fn look(&mut self, model: &Model, snapshot: &Snapshot) {
        self.links.resize(snapshot.links.len(), None);
        for ((link, shown), told) in model.links.iter().zip(&snapshot.links).zip(&mut self.links) {
            let is = Is::now(shown, *told);
            // Before the first try there is nothing to tell.
            if *told != Some(is) && (is.state, is.trouble) != (LinkState::Down, None) {
                *told = Some(is);
                Self::line(&format!("link {}: {}", link.name, state(is, link)));
            }
        }
        if self.alarms != snapshot.alarms {
            self.alarms(model, snapshot);
        }
        if self.faults != snapshot.faults {
            self.faults(model, snapshot);
        }
        if self.recording != Some(snapshot.recording) {
            self.recording = Some(snapshot.recording);
            match snapshot.recording {
                Recording::Off => {}
                Recording::On { drive } => Self::line(&format!("recording drive {drive}")),
                Recording::Stopped(why) => Self::line(&format!("recording stopped: {}; driving goes on", stopped(why))),
            }
        }
    }

    /// Tells the alarms of channels that began or ended.
    fn alarms(&mut self, model: &Model, snapshot: &Snapshot) {
        self.alarms.clone_from(&snapshot.alarms);
        let active = model.alarms.iter().zip(&snapshot.alarms).filter(|(_, shown)| shown.active);
        let active: Vec<(String, &Alarm)> =
            active.filter_map(|(alarm, _)| Some((sounds(model, alarm)?, alarm))).collect();
        for name in self.sounding.iter().filter(|name| active.iter().all(|(is, _)| is != *name)) {
            Self::line(&format!("over: {name}"));
        }
        for (name, alarm) in active.iter().filter(|(name, _)| !self.sounding.contains(name)) {
            Self::line(&format!("{name}: {}. {}", value(model, snapshot, alarm), alarm.text));
        }
        self.sounding = active.into_iter().map(|(name, _)| name).collect();
    }

    /// Tells the alarms without a limit that began or ended.
    fn faults(&mut self, model: &Model, snapshot: &Snapshot) {
        let mut faulty = Vec::new();
        for (place, fault) in snapshot.faults.iter().enumerate().filter(|(_, fault)| fault.active) {
            let known = self.faults.get(place) == Some(fault);
            let Some(told) = words::Told::now(model, &snapshot.channels, fault, &snapshot.outputs) else { continue };
            let words::Told { name, what, detail, remedy } = told;
            if !known {
                Self::line(&format!("{}: {name}: {what}: {detail}. {remedy}", fault.level.name()));
            }
            let is_output = matches!(fault.subject, Subject::Output(_));
            faulty.push(if is_output { format!("{name} is not locked any more") } else { name });
        }
        for name in self.faulty.iter().filter(|name| !faulty.contains(name)) {
            Self::line(&format!("over: {name}"));
        }
        self.faulty = faulty;
        self.faults.clone_from(&snapshot.faults);
    }

    /// One line of text; nothing where it is empty.
    pub fn line(text: &str) {
        if !text.is_empty() {
            // Where standard error is gone, nobody is left to be told.
            let _ = writeln!(std::io::stderr().lock(), "kickpanel: {}", safe(text));
        }
    }
}

/// Level, channel and limit of `alarm`: `danger: coolant above 105 °C`.
fn sounds(model: &Model, alarm: &Alarm) -> Option<String> {
    let channel = model.channels.get(alarm.channel.index())?;
    let limit = screen_words::limit(alarm.limit, channel.digits);
    let said = format!("{}: {} {limit} {}", alarm.level.name(), channel.name, channel.unit);
    Some(said.trim_end().to_owned())
}

/// What the alarm's channel says now.
fn value(model: &Model, snapshot: &Snapshot, alarm: &Alarm) -> String {
    let at = alarm.channel.index();
    let (Some(channel), Some(shown)) = (model.channels.get(at), snapshot.channels.get(at)) else {
        return String::new();
    };
    match screen_words::said(channel, shown, snapshot.now) {
        screen_words::Said::Value(text) => format!("{text} {}", channel.unit).trim_end().to_owned(),
        screen_words::Said::Doubt(text, _) => text,
    }
}

fn state(is: Is, link: &Link) -> String {
    match (is.state, is.trouble) {
        (LinkState::Up, _) => match is.only_bad {
            Some(why) => format!("open, but {}", screen_words::only_bad(why)),
            None => "open".to_owned(),
        },
        (LinkState::Silent, _) => "open, but nothing comes".to_owned(),
        (LinkState::Down, Some(Trouble::NoDevice)) if !link.device.is_empty() => {
            format!("{} is not there; looked for until it is", link.device)
        }
        (LinkState::Down, trouble) => {
            let why = trouble.map_or("not open", Trouble::words);
            format!("{why}; looked for until it is there")
        }
    }
}

fn stopped(why: WhyStopped) -> String {
    match why {
        WhyStopped::DiskFull => "the disk is full".to_owned(),
        WhyStopped::NoFolder => "the folder is not there and cannot be made".to_owned(),
        WhyStopped::NotWritable => "the folder cannot be written".to_owned(),
        WhyStopped::Failed(number) => std::io::Error::from_raw_os_error(number).to_string(),
    }
}
