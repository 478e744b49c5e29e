//! The decoder of one link: one line in, what it says out, and every line counted once.
//!
//! Owns the choice of the form, the length rule and the tally. In: whole lines and when they arrived. Out: [`Decoded`] or
//! [`Reject`]. Cuts no bytes (that is [`super::Splitter`]) and asks no time.

use super::columns::Columns;
use super::core::{Core, Taken};
use super::counts::Counts;
use super::nmea::Nmea;
use super::pairs::Pairs;
use super::{Decoded, Form, Hello, LINE_MAX, Reading, Reject, Tally};
use crate::time::Stamp;

/// The decoder of one link: everything that must be remembered from line to line.
#[derive(Clone, Debug)]
pub struct Decoder {
    core: Core,
    way: Way,
}

/// What each form remembers.
#[derive(Clone, Debug)]
enum Way {
    Counts(Box<Counts>),
    Columns(Columns),
    Pairs(Pairs),
    Nmea(Nmea),
}

impl Decoder {
    /// A decoder for lines of `form`. `names` are the fields that the config uses, in the order of their
    /// [`FieldId`](super::FieldId)s from [`FieldId::FIXED`](super::FieldId::FIXED) on (so `names[0]` is `FieldId(2)`).
    pub fn new(form: Form, names: &[String]) -> Self {
        let core = Core::new(names);
        let way = match form {
            Form::Counts { checksum_required } => Way::Counts(Box::new(Counts::new(checksum_required, &core))),
            Form::Columns { names, clock } => Way::Columns(Columns::new(names.as_deref(), clock, &core)),
            Form::Pairs { clock } => Way::Pairs(Pairs::new(clock)),
            Form::Nmea => Way::Nmea(Nmea::new(&core)),
        };
        Self { core, way }
    }

    /// Goes on where `before` stands, which decoded the same link by the config before: all that was counted is kept, and
    /// in the same form what the controller said of itself, its header and its clock. False where the clock is another,
    /// so that the link's timeline begins anew.
    pub fn go_on_from(&mut self, before: &Self) -> bool {
        self.core.tally = before.core.tally;
        let goes_on = match (&mut self.way, &before.way) {
            (Way::Counts(counts), Way::Counts(before)) => {
                counts.go_on_from(before);
                true
            }
            (Way::Columns(columns), Way::Columns(before)) => columns.go_on_from(before, &self.core),
            (Way::Pairs(pairs), Way::Pairs(before)) => pairs.go_on_from(before),
            (Way::Nmea(nmea), Way::Nmea(before)) => nmea.go_on_from(before),
            _ => return false,
        };
        self.core.hello.clone_from(&before.core.hello);
        goes_on
    }

    /// The link was (re)opened: the run of right checksums begins anew, a header is awaited again.
    pub fn opened(&mut self) {
        match &mut self.way {
            Way::Counts(counts) => counts.opened(),
            Way::Columns(columns) => columns.opened(),
            Way::Pairs(_) | Way::Nmea(_) => {}
        }
    }

    /// Decodes one whole line without its LF; a CR at its end is ignored. `now` is when it arrived, on the computer's
    /// timeline. Allocates nothing for a usual line. After a refusal no reading is left to be had.
    pub fn line(&mut self, now: Stamp, line: &[u8]) -> Result<Decoded<'_>, Reject> {
        let taken = if line.len() >= LINE_MAX { Err(Reject::TooLong) } else { self.take(now, line) };
        let tally = &mut self.core.tally;
        match taken {
            Ok(Taken::Empty) => return Ok(Decoded::Empty),
            Ok(Taken::Reading) => tally.readings += 1,
            Ok(Taken::Hello) => tally.hellos += 1,
            Ok(Taken::Header) => tally.headers += 1,
            Err(reject) => {
                tally.lines += 1;
                tally.refused[reject as usize] += 1;
                return Err(reject);
            }
        }
        tally.lines += 1;
        Ok(match (taken, &self.core.hello) {
            (Ok(Taken::Reading), _) => Decoded::Reading(&self.core.reading),
            (Ok(Taken::Hello), Some(hello)) => Decoded::Hello(hello),
            _ => Decoded::Header,
        })
    }

    /// A line that was cut off because it is too long: counted, never decoded.
    pub fn too_long(&mut self) {
        self.core.tally.lines += 1;
        self.core.tally.refused[Reject::TooLong as usize] += 1;
    }

    /// The newest reading, as long as no line came behind it.
    pub fn reading(&self) -> &Reading {
        &self.core.reading
    }

    /// The newest hello, if one came.
    pub fn hello(&self) -> Option<&Hello> {
        self.core.hello.as_ref()
    }

    /// What came so far.
    pub fn tally(&self) -> &Tally {
        &self.core.tally
    }

    /// Names of fields that came and that the config does not use, at most 256, in the order they first came. Not our
    /// text: shown through [`crate::text::safe`] only.
    pub fn unknown_names(&self) -> &[String] {
        self.core.names.unknown()
    }

    /// How many values came under names beyond those 256.
    pub fn unknown_passed_over(&self) -> u64 {
        self.core.names.passed_over()
    }

    #[inline]
    fn take(&mut self, now: Stamp, line: &[u8]) -> Result<Taken, Reject> {
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        if line.is_empty() {
            return Ok(Taken::Empty);
        }
        let core = &mut self.core;
        match &mut self.way {
            Way::Counts(counts) => counts.line(core, now, line),
            Way::Columns(columns) => columns.line(core, now, line),
            Way::Pairs(pairs) => pairs.line(core, now, line),
            Way::Nmea(nmea) => nmea.line(core, now, line),
        }
    }

    /// Makes every line take the exact way, to hold the scanner against it.
    #[cfg(test)]
    pub(super) fn without_scanner(mut self) -> Self {
        if let Way::Counts(counts) = &mut self.way {
            counts.scanning = false;
        }
        self
    }

    /// Whether the scanner alone takes `line`.
    #[cfg(test)]
    pub(super) fn takes_by_scanner(&mut self, line: &[u8]) -> bool {
        let Way::Counts(counts) = &mut self.way else { return false };
        self.core.reading.clear();
        counts.scanned(&mut self.core, line).is_some()
    }
}
