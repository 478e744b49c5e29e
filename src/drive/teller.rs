//! What a drive without a screen says: a line of text for each change of a link or of the recording.

use std::io::Write as _;

use crate::config::Model;
use crate::state::{LinkState, Recording, Snapshot, Trouble, WhyStopped};
use crate::text::safe;

/// What was told last.
#[derive(Debug, Default)]
pub(super) struct Teller {
    links: Vec<Option<(LinkState, Option<Trouble>)>>,
    recording: Option<Recording>,
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
        if self.recording != Some(snapshot.recording) {
            self.recording = Some(snapshot.recording);
            match snapshot.recording {
                Recording::Off => {}
                Recording::On { drive } => Self::line(&format!("recording drive {drive}")),
                Recording::Stopped(why) => Self::line(&format!("recording stopped: {}; driving goes on", stopped(why))),
            }
        }
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
