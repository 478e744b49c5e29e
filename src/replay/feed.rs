//! From the items of a recording to the calls on the pipeline: the same calls, in the same order, as on the road.
//!
//! Owns the matching of the recording's links with those of the config, and the clock of a bare capture. Everything
//! that decodes a recording goes through here.

use crate::config::{LinkId, SharedModel};
use crate::pipeline::{Outcome, Pipeline};
use crate::record::{Item, Line, Note, ReadError, Recording};
use crate::time::Stamp;
use crate::watch::Change;
use crate::wire::Reject;

/// What one item of a recording was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fed {
    /// A line, and what it did.
    Line(Outcome),
    /// A line of a link that the config does not have.
    Foreign,
    /// The driver's mark.
    Mark,
    /// An alarm that began on the road.
    Alarm,
    /// Anything else.
    Other,
}

/// Feeds a pipeline from a recording.
#[derive(Debug)]
pub struct Feed {
    model: SharedModel,
    foreign: u64,
    now: Stamp,
}

impl Feed {
    /// A feed for a pipeline of `model`.
    pub fn new(model: &SharedModel) -> Self {
        Self { model: SharedModel::clone(model), foreign: 0, now: Stamp(0) }
    }

    /// Lines of links that the config does not have.
    pub fn foreign(&self) -> u64 {
        self.foreign
    }

    /// The instant of the newest item, on the recording's timeline.
    pub fn now(&self) -> Stamp {
        self.now
    }

    /// Feeds the next item; `None` at the end of the recording.
    pub fn next(&mut self, recording: &mut Recording, pipeline: &mut Pipeline) -> Result<Option<Fed>, ReadError> {
        self.next_with(recording, pipeline, &mut |_| {})
    }

    /// The same; `changed` hears of each alarm that begins or ends.
    pub fn next_with(
        &mut self,
        recording: &mut Recording,
        pipeline: &mut Pipeline,
        changed: &mut dyn FnMut(Change),
    ) -> Result<Option<Fed>, ReadError> {
        let Some(item) = recording.next()? else { return Ok(None) };
        Ok(Some(match item {
            Item::Line(line) => self.line(line, pipeline, changed),
            Item::TooLong { at, link } => self.too_long(at, link, pipeline),
            Item::Note(note) => self.note(note, pipeline),
            Item::Head(_) | Item::Sent(_) => Fed::Other,
        }))
    }

    fn line(&mut self, line: Line<'_>, pipeline: &mut Pipeline, changed: &mut dyn FnMut(Change)) -> Fed {
        self.pass(line.at, pipeline);
        match self.link(line.link) {
            Some(link) => Fed::Line(pipeline.line(link, self.now, line.bytes, changed)),
            None => self.is_foreign(),
        }
    }

    fn too_long(&mut self, at: Option<Stamp>, link: &str, pipeline: &mut Pipeline) -> Fed {
        self.pass(at, pipeline);
        let Some(link) = self.link(link) else { return self.is_foreign() };
        pipeline.too_long(link, self.now);
        Fed::Line(Outcome::Refused(Reject::TooLong))
    }

    fn note(&mut self, note: &Note, pipeline: &mut Pipeline) -> Fed {
        self.pass(Some(note.at), pipeline);
        match (note.kind(), note.text("state")) {
            ("mark", _) => Fed::Mark,
            ("alarm", Some("on")) => Fed::Alarm,
            ("link", Some(state @ ("up" | "down"))) => {
                if let Some(link) = self.link(&note.link) {
                    if state == "up" { pipeline.link_up(link, self.now) } else { pipeline.link_down(link, self.now) }
                }
                Fed::Other
            }
            _ => Fed::Other,
        }
    }

    fn is_foreign(&mut self) -> Fed {
        self.foreign += 1;
        Fed::Foreign
    }

    /// Sets the time: what the recording says, or in a bare capture the time of the reading before.
    fn pass(&mut self, at: Option<Stamp>, pipeline: &Pipeline) {
        self.now = at.unwrap_or(Stamp(pipeline.snapshot().at)).max(self.now);
    }

    /// The link of that name; where both sides have only one, that one whatever its name.
    fn link(&self, name: &str) -> Option<LinkId> {
        let links = &self.model.links;
        let place = links.iter().position(|link| link.name == name).or((links.len() == 1).then_some(0))?;
        u8::try_from(place).ok().map(LinkId)
    }
}
