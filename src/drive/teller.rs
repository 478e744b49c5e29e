//! What a drive without a screen says: a line of text for each change of a link or of the recording.

use std::io::Write as _;

use crate::config::Model;
use crate::output::words;
use crate::state::{FaultShown, LinkState, Recording, Snapshot, Trouble, WhyStopped};
use crate::text::safe;

/// What was told last.
#[derive(Debug, Default)]
pub(super) struct Teller {
    links: Vec<Option<(LinkState, Option<Trouble>)>>,
    recording: Option<Recording>,
    faults: Vec<FaultShown>,
}

impl Teller {
    /// Tells what is otherwise than at the look before, on standard error.
    pub fn look(&mut self, model: &Model, snapshot: &Snapshot) {
        self.links.resize(snapshot.links.len(), None);
        for ((link, shown), told) in model.links.iter().zip(&snapshot.links).zip(&mut self.links) {
            let is = (shown.state, shown.trouble);
            // Before the first try there is nothing to tell.
            if *told != Some(is) && is != (LinkState::Down, None) {
                *told = Some(is);
                Self::line(&format!("link {}: {}", link.name, state(is)));
            }
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

    /// Tells the alarms without a limit that began.
    fn faults(&mut self, model: &Model, snapshot: &Snapshot) {
        for (place, fault) in snapshot.faults.iter().enumerate().filter(|(_, fault)| fault.active) {
            let known = self.faults.get(place) == Some(fault);
            if let Some(told) = words::Told::of(model, &snapshot.channels, fault).filter(|_| !known) {
                let words::Told { name, what, detail, remedy } = told;
                Self::line(&format!("{}: {name}: {what}: {detail}. {remedy}", fault.level.name()));
            }
        }
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

fn state((state, trouble): (LinkState, Option<Trouble>)) -> String {
    match (state, trouble) {
        (LinkState::Up, _) => "open".to_owned(),
        (LinkState::Silent, _) => "open, but nothing comes".to_owned(),
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
