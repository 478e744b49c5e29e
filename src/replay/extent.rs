//! How long a recording is, and the moments in it that one wants to go to.
//!
//! Owns one pass over the whole recording before it is played. No clock, no drawing.

use super::feed::Feed;
use crate::config::SharedModel;
use crate::record::{Item, ReadError, Recording};
use crate::time::{Micros, Stamp};

/// The most moments that are kept.
const MOMENTS_MAX: usize = 10_000;
/// The most complaints about parts that are kept.
const TROUBLES_MAX: usize = 100;

/// A moment worth going to.
#[derive(Clone, Debug, PartialEq)]
pub struct Moment {
    /// From the beginning of the recording.
    pub at: Micros,
    /// `mark` or `alarm`.
    pub kind: &'static str,
    /// What was typed, or the alarm's channel (unsafe text: show it through `text::safe`).
    pub text: String,
}

/// What one pass over a recording finds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Extent {
    /// Where it begins, on its own timeline.
    pub begin: Stamp,
    /// How long it is.
    pub length: Micros,
    /// Marks and alarms, in order.
    pub moments: Vec<Moment>,
    /// Lines of all links.
    pub lines: u64,
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
        extent.begin = begin.unwrap_or_default();
        extent.length = end.since(extent.begin);
        extent
    }

    fn take(&mut self, item: &Item<'_>, at: Micros) {
        self.lines += u64::from(matches!(item, Item::Line(_) | Item::TooLong { .. }));
        let Item::Note(note) = item else { return };
        let (kind, text) = match (note.kind(), note.text("state")) {
            ("mark", _) => ("mark", note.text("text")),
            ("alarm", Some("on")) => ("alarm", note.text("channel").or_else(|| note.text("output"))),
            _ => return,
        };
        if self.moments.len() < MOMENTS_MAX {
            self.moments.push(Moment { at, kind, text: text.unwrap_or_default().to_owned() });
        }
    }

    fn trouble(&mut self, error: &ReadError) {
        if self.troubles.len() < TROUBLES_MAX {
            self.troubles.push(error.to_string());
        }
    }
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
