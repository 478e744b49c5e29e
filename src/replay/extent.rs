//! How long a recording is, and the moments in it that one wants to go to.
//!
//! Owns one pass over the whole recording before it is played. No clock, no drawing.

use super::feed::Feed;
use crate::config::{Level, SharedModel};
use crate::record::{Item, Note, ReadError, Recording};
use crate::state::MomentShown;
use crate::time::{Micros, Stamp};

/// The most moments that are kept.
const MOMENTS_MAX: usize = 10_000;
/// The most complaints about parts that are kept.
const TROUBLES_MAX: usize = 100;

/// A moment worth going to; the text is what was typed, or the name of the alarm's channel or output, or what is
/// wrong where it has neither, or the name of the event.
pub type Moment = MomentShown;

/// What one pass over a recording finds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Extent {
    /// Where it begins, on its own timeline.
    pub begin: Stamp,
    /// How long it is.
    pub length: Micros,
    /// Marks, alarms and events, in order.
    pub moments: Vec<Moment>,
    /// Lines of all links.
    pub lines: u64,
    /// How many lines of a bare capture were read; `None` for a recording, whose lines are not decoded here.
    pub readings: Option<u64>,
    /// What could not be read, in sentences.
    pub troubles: Vec<String>,
}

impl Extent {
    /// Goes through all of `recording`. Only a bare capture needs `model`, since its times come from its readings.
    pub fn of(mut recording: Recording, model: &SharedModel) -> Self {
        let mut extent = Self::default();
        let mut begin = None;
        let mut end = Stamp(0);
        let mut feed = None;
        loop {
            match recording.next() {
                Ok(None) => break,
                Ok(Some(item)) => {
                    let at = item.at().unwrap_or_else(|| decoded(&mut feed, model, &item, end));
                    // The first part begins where the drive did, whenever its first line came.
                    let first = matches!(item, Item::Head(head) if head.part == 1);
                    begin = begin.or(if first { Some(Stamp(0)) } else { Some(at).filter(|_| !is_head(&item)) });
                    end = end.max(at);
                    extent.take(&item, at.since(begin.unwrap_or_default()));
                }
                Err(error) => extent.trouble(&error),
            }
        }
        extent.number();
        extent.readings = feed.map(|feed| feed.tally().readings);
        extent.begin = begin.unwrap_or_default();
        extent.length = end.since(extent.begin);
        extent
    }

    fn take(&mut self, item: &Item<'_>, at: Micros) {
        self.lines += u64::from(matches!(item, Item::Line(_) | Item::TooLong { .. }));
        if let Item::Note(note) = item
            && self.moments.len() < MOMENTS_MAX
        {
            self.moments.extend(moment(note, at));
        }
    }

    /// Numbers the moments, each kind for itself.
    fn number(&mut self) {
        for kind in KINDS {
            let all = || self.moments.iter().filter(|moment| moment.kind == kind).count();
            let of = u32::try_from(all()).unwrap_or(u32::MAX);
            for (number, moment) in (1..).zip(self.moments.iter_mut().filter(|moment| moment.kind == kind)) {
                (moment.number, moment.of) = (number, of);
            }
        }
    }

    fn trouble(&mut self, error: &ReadError) {
        if self.troubles.len() < TROUBLES_MAX {
            self.troubles.push(error.to_string());
        }
    }
}

const KINDS: [&str; 3] = ["mark", "alarm", "event"];

/// The moment that `note` tells of, not numbered yet; `None` where it tells of none.
fn moment(note: &Note, at: Micros) -> Option<Moment> {
    let (kind, text) = match (note.kind(), note.text("state")) {
        ("mark", _) => (KINDS[0], note.text("text")),
        // What several channels share has no name of its own: what is wrong tells it.
        ("alarm", Some("on")) => (KINDS[1], ["channel", "output", "why"].iter().find_map(|member| note.text(member))),
        ("event", _) => (KINDS[2], note.text("name")),
        _ => return None,
    };
    let levels = [Level::Notice, Level::Caution, Level::Danger].map(Level::name);
    let level = levels.into_iter().find(|level| note.text("level") == Some(*level)).unwrap_or_default();
    Some(Moment { at, kind, number: 0, of: 0, text: text.unwrap_or_default().into(), level })
}

fn is_head(item: &Item<'_>) -> bool {
    matches!(item, Item::Head(_))
}

/// The time of a line that has none written down.
fn decoded(feed: &mut Option<Feed>, model: &SharedModel, item: &Item<'_>, end: Stamp) -> Stamp {
    if is_head(item) {
        return end;
    }
    let feed = feed.get_or_insert_with(|| Feed::new(model.clone()));
    feed.item(item, &mut |_| {});
    feed.newest()
}
