//! How the items of a recording reach the core: at the instants they had on the road.
//!
//! Owns one [`Pipeline`] and the matching of links. In: items, and how far time has come. Out: what each did. A line of
//! a bare capture has no time of its own: it is handed in at the time of the reading before it, by the controller's
//! clock. Between two lines the core is told of each instant at which something becomes due and of no other, so that
//! what it shows depends on the recording alone and not on how a player got there.

use super::links::Links;
use crate::config::SharedModel;
use crate::pipeline::{Outcome, Pipeline};
use crate::record::{Item, Note};
use crate::time::Stamp;
use crate::watch::Change;

/// The most instants between two lines that the core is told of. Far more than a silence makes due.
const DUE_MAX: usize = 100_000;

/// What an item did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fed {
    /// It was a line of a link of the model.
    Line(Outcome),
    /// It was a line of a link that the model does not have: counted.
    Stranger,
    /// It was no line.
    Other,
}

/// A core that is fed from a recording.
#[derive(Debug)]
pub struct Feed {
    pipeline: Pipeline,
    links: Links,
    /// How far time has come.
    now: Stamp,
    /// When the core was last told anything.
    told: Stamp,
    /// What was due and told since the last item: being told twice of one instant changes nothing.
    due: Option<Stamp>,
    /// The time of the newest reading, by the controller's clock: what a line without a time is given.
    clock: Stamp,
}

impl Feed {
    /// A core that has heard nothing yet.
    pub fn new(model: SharedModel) -> Self {
        let links = Links::new(&model);
        let zero = Stamp(0);
        Self { pipeline: Pipeline::new(model), links, now: zero, told: zero, due: None, clock: zero }
    }

    /// The core.
    pub fn pipeline(&self) -> &Pipeline {
        &self.pipeline
    }

    /// The core, for what it does not know itself.
    pub fn pipeline_mut(&mut self) -> &mut Pipeline {
        &mut self.pipeline
    }

    /// The links, and what belongs to none.
    pub fn links(&self) -> &Links {
        &self.links
    }

    /// How far time has come.
    pub fn now(&self) -> Stamp {
        self.now
    }

    /// The time of the newest reading, on the timeline that lines without a time are given.
    pub(super) fn newest(&self) -> Stamp {
        self.clock.max(self.now)
    }

    /// When `item` is handed in.
    pub fn time_of(&self, item: &Item<'_>) -> Stamp {
        match item {
            Item::Head(_) => self.now,
            _ => item.at().unwrap_or(self.clock).max(self.now),
        }
    }

    /// Hands `item` in, after everything that became due before it. `changed` hears of alarms.
    pub fn item(&mut self, item: &Item<'_>, changed: &mut dyn FnMut(Change)) -> Fed {
        let now = self.time_of(item);
        self.pass(now, changed);
        (self.told, self.due) = (now, None);
        match item {
            Item::Line(came) => match self.links.find(came.link) {
                Some(link) => {
                    let outcome = match came.at {
                        Some(_) => self.pipeline.line(link, now, came.bytes, changed),
                        None => self.pipeline.line_without_time(link, came.bytes, changed),
                    };
                    if outcome == Outcome::Reading {
                        self.clock = Stamp(self.pipeline.snapshot().at);
                    }
                    Fed::Line(outcome)
                }
                None => self.stranger(came.link),
            },
            Item::TooLong { link, .. } => match self.links.find(link) {
                Some(link) => {
                    self.pipeline.too_long(link, now);
                    Fed::Line(Outcome::Refused(crate::wire::Reject::TooLong))
                }
                None => self.stranger(link),
            },
            Item::Note(note) => self.note(note, now),
            Item::Head(_) | Item::Sent(_) => Fed::Other,
        }
    }

    /// Time passes up to `until`: the core is told of everything that becomes due. True where its snapshot changed.
    pub fn pass(&mut self, until: Stamp, changed: &mut dyn FnMut(Change)) -> bool {
        let mut any = false;
        for _ in 0..DUE_MAX {
            let Some(due) = self.pipeline.due().filter(|due| *due <= until && Some(*due) > self.due) else { break };
            self.told = self.told.max(due);
            any |= self.pipeline.tick(self.told, changed);
            self.due = Some(due);
        }
        self.now = self.now.max(until);
        any
    }

    fn note(&mut self, note: &Note, now: Stamp) -> Fed {
        if note.kind() == "link"
            && let Some(link) = self.links.find(&note.link)
        {
            match note.text("state") {
                Some("up") => self.pipeline.link_up(link, now),
                Some("down") => self.pipeline.link_down(link, now),
                _ => {}
            }
        }
        Fed::Other
    }

    fn stranger(&mut self, name: &str) -> Fed {
        self.links.count_stranger(name);
        Fed::Stranger
    }
}
