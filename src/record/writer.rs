//! The recorder without its thread: what waits in memory becomes safe on a disk, part by part.
//!
//! Owns the open part, its sums, the numbers of drives and parts, and what to do when the disk fails. Time is handed
//! in; the disk is a [`Disk`]. One call of [`Writer::step`] a second is the whole of it.
//!
//! A part whose write or sync failed is never written again: the next step opens a new one, whose head says how much of
//! the failed one counts, and which begins with everything that never became safe.

use std::io::{self, ErrorKind};

use serde::Serialize;

use super::dating::clock_word;
use super::disk::Disk;
use super::format::{CRC, Mark, Sum, write_line};
use super::note::{self, Again, FORMAT, Head, HeadTag, Told};
use super::ring::Ring;
use crate::state::{Recording, WhyStopped};
use crate::time::{Micros, SECOND, Stamp};

/// A part ends after so much time.
const PART_TIME: Micros = 3600 * SECOND;
/// A part ends before it has more bytes than this.
const PART_BYTES: u64 = 64_000_000;
/// The highest drive number that has six digits.
const DRIVE_MAX: u32 = 999_999;
/// What a recording says of itself in each of its heads.
#[derive(Clone, Debug, Default)]
pub struct Setup {
    /// The program and its version.
    pub program: String,
    /// The whole config file.
    pub config: String,
    /// The time of day when the recording began, as the computer has it, trustworthy or not.
    pub wall: Option<jiff::Timestamp>,
}

pub(super) struct Writer<D> {
    disk: D,
    setup: Setup,
    /// When [`Setup::wall`] was so.
    wall_at: Stamp,
    drive: Option<u32>,
    part: Option<Part>,
    /// Number of the next part.
    next: u32,
    again: Vec<Again>,
    held: Ring,
    batch: Vec<u8>,
    /// Drive numbers have run out, which the next head's part says.
    ran_out: bool,
    safe: Stamp,
}

/// The part that is open.
struct Part {
    number: u32,
    name: String,
    began: Stamp,
    /// Bytes written.
    bytes: u64,
    /// Bytes synced.
    safe: u64,
}

impl<D: Disk> Writer<D> {
    pub(super) fn new(disk: D, setup: Setup) -> Self {
        Self {
            disk,
            setup,
            wall_at: Stamp(0),
            drive: None,
            part: None,
            next: 1,
            again: Vec::new(),
            held: Ring::new(),
            batch: Vec::new(),
            ran_out: false,
            safe: Stamp(0),
        }
    }

    /// The computer's time of day at `now`, for the heads to come.
    pub(super) fn set_wall(&mut self, now: Stamp, wall: jiff::Timestamp) {
        (self.setup.wall, self.wall_at) = (Some(wall), now);
    }

    /// Up to when everything that came is safe, or said to be lost.
    pub(super) fn safe(&self) -> Stamp {
        self.safe
    }

    /// Makes everything in `fresh` and all that still waits safe. `fresh` is empty afterwards, whatever happens.
    pub(super) fn step(&mut self, now: Stamp, fresh: &mut Ring) -> Recording {
        self.held.absorb(fresh);
        self.write(now, false)
    }

    /// The same, and the recording ends well. A part that fails at this gets one successor.
    pub(super) fn finish(&mut self, now: Stamp, fresh: &mut Ring) -> Recording {
        self.held.absorb(fresh);
        match self.write(now, true) {
            Recording::Stopped(_) => self.write(now, true),
            done => done,
        }
    }

    fn write(&mut self, now: Stamp, last: bool) -> Recording {
        let result = self.try_write(now, last);
        match (result, self.drive) {
            (Ok(()), Some(drive)) => Recording::On { drive },
            (Ok(()), None) => Recording::Off,
            (Err(error), _) => {
                self.fail();
                Recording::Stopped(why(&error))
            }
        }
    }

    fn try_write(&mut self, now: Stamp, last: bool) -> io::Result<()> {
        self.batch.clear();
        let mut lines = 0;
        self.end_full_part(now);
        // Nothing that comes behind the gap is of an older config, in whichever part it ends up.
        if let Some(config) = self.held.lost().config.as_deref() {
            config.clone_into(&mut self.setup.config);
        }
        let goes_on = self.part.is_some();
        if !goes_on {
            self.open_part(now)?;
            lines += self.head(now);
        }
        lines += self.gap(goes_on);
        lines += self.held.lines();
        let (older, newer) = self.held.slices();
        self.batch.extend_from_slice(older);
        self.batch.extend_from_slice(newer);
        if lines > 0 || last {
            self.sum(now, lines);
            if last {
                push(&mut self.batch, now, &Told::Closed);
            }
            self.append_and_sync()?;
        }
        // Lines of the old config may have waited with the new one: a head must never give them the new, so not before.
        if let Some(config) = self.held.newest_config() {
            (**config).clone_into(&mut self.setup.config);
        }
        self.held.clear();
        self.safe = now;
        Ok(())
    }

    fn append_and_sync(&mut self) -> io::Result<()> {
        let Some(part) = &mut self.part else { return Err(ErrorKind::NotConnected.into()) };
        part.bytes += self.batch.len() as u64;
        self.disk.append(&self.batch)?;
        self.disk.sync()?;
        part.safe = part.bytes;
        // The head that tells of the failed parts is safe now.
        self.again.clear();
        self.ran_out = false;
        Ok(())
    }

    /// The open part is finished for good.
    fn fail(&mut self) {
        let Some(part) = self.part.take() else { return };
        self.disk.close();
        // A part without anything safe would only be an empty file more, one each second while the disk is full.
        if part.safe > 0 || self.disk.remove(&part.name).is_err() {
            self.again.push(Again { part: part.number, safe: part.safe });
            self.next = part.number + 1;
        }
    }

    fn end_full_part(&mut self, now: Stamp) {
        let coming = self.held.len() as u64;
        let full = |part: &Part| now.since(part.began) >= PART_TIME || part.bytes + coming > PART_BYTES;
        if self.part.as_ref().is_some_and(|part| part.safe > 0 && full(part)) {
            self.next = self.part.take().map_or(self.next, |part| part.number + 1);
            self.disk.close();
        }
    }

    /// Creates the next part that is not there yet, and makes its name safe.
    fn open_part(&mut self, now: Stamp) -> io::Result<()> {
        self.disk.prepare()?;
        if let Some(drive) = self.drive {
            let name = loop {
                let name = part_name(drive, self.next);
                match self.disk.create(&name) {
                    Err(error) if error.kind() == ErrorKind::AlreadyExists => self.next += 1,
                    created => break created.map(|()| name)?,
                }
            };
            self.part = Some(Part::new(self.next, name, now));
        } else {
            self.open_first_part(now)?;
        }
        self.disk.sync_folder()
    }

    fn open_first_part(&mut self, now: Stamp) -> io::Result<()> {
        // A folder that may be written but not listed is still good: a name that is taken is refused below.
        let used = used_numbers(&self.disk.names().unwrap_or_default());
        let mut drive = next_number(&used);
        self.ran_out = used.last() == Some(&DRIVE_MAX);
        while let Some(number) = drive {
            let name = part_name(number, 1);
            match self.disk.create(&name) {
                Err(error) if error.kind() == ErrorKind::AlreadyExists => {
                    drive = (number + 1..=DRIVE_MAX).find(|next| used.binary_search(next).is_err());
                }
                created => {
                    created?;
                    self.drive = Some(number);
                    self.part = Some(Part::new(1, name, now));
                    return Ok(());
                }
            }
        }
        Err(ErrorKind::AlreadyExists.into())
    }

    /// Puts the head into the batch, at the time of the oldest line that follows it. Gives the lines written.
    fn head(&mut self, now: Stamp) -> u64 {
        let Some(part) = &self.part else { return 0 };
        // Part 1 begins where the recording's time does.
        let at = if part.number == 1 { Stamp(0) } else { self.held.oldest().unwrap_or(now).min(now) };
        let wall = self
            .setup
            .wall
            .and_then(|wall| wall.checked_add(jiff::SignedDuration::from_micros(at.since(self.wall_at))).ok());
        let head = Head {
            format: FORMAT,
            program: self.setup.program.clone(),
            drive: self.drive.unwrap_or_default(),
            part: part.number,
            wall: wall.map(rfc_3339),
            clock: clock_word(wall).to_owned(),
            again: self.again.clone(),
            config: Some(self.setup.config.clone()),
            note: HeadTag::default(),
        };
        push(&mut self.batch, at, &head);
        if self.ran_out {
            push(
                &mut self.batch,
                at,
                &Told::Numbers { why: "drive 999999 is there already: the lowest free number is used" },
            );
        }
        1 + u64::from(self.ran_out)
    }

    /// Puts down what memory could not hold, and where the part `goes_on` under another config that one, since the note of it
    /// is lost and its head is the old one's. Gives the lines written.
    fn gap(&mut self, goes_on: bool) -> u64 {
        let lost = self.held.lost();
        if lost.lines == 0 {
            return 0;
        }
        push(&mut self.batch, lost.until, &Told::Gap { lines: lost.lines, bytes: lost.bytes });
        match lost.config.as_deref().filter(|_| goes_on) {
            Some(config) => {
                push(&mut self.batch, lost.until, &Told::Config { config });
                2
            }
            None => 1,
        }
    }

    fn sum(&mut self, now: Stamp, lines: u64) {
        let mut sum: Sum = CRC.digest();
        sum.update(&self.batch);
        let crc32 = format!("{:08X}", sum.finalize());
        push(&mut self.batch, now, &note::Sum { note: "sum", lines, crc32: &crc32 });
    }
}

impl Part {
    fn new(number: u32, name: String, began: Stamp) -> Self {
        Self { number, name, began, bytes: 0, safe: 0 }
    }
}

/// The name of a part's file.
pub(super) fn part_name(drive: u32, part: u32) -> String {
    format!("{drive:06}-{part:02}.kpr")
}

/// A time of day to the second, as the heads have it.
pub(super) fn rfc_3339(wall: jiff::Timestamp) -> String {
    jiff::Timestamp::from_second(wall.as_second()).unwrap_or(wall).to_string()
}

/// Appends a note that concerns no link.
fn push(batch: &mut Vec<u8>, at: Stamp, note: &impl Serialize) {
    // Plain structs of texts and numbers always become JSON.
    let json = serde_json::to_vec(note).unwrap_or_default();
    write_line(at, "-", Mark::Note, &json, batch);
}

/// The numbers of all drives that `names` speak of, ascending: whatever begins with six digits and `-` takes one.
fn used_numbers(names: &[std::ffi::OsString]) -> Vec<u32> {
    let number = |name: &std::ffi::OsString| {
        let (digits, rest) = name.as_encoded_bytes().split_at_checked(6)?;
        let all = rest.first() == Some(&b'-') && digits.iter().all(u8::is_ascii_digit);
        all.then(|| digits.iter().fold(0, |sum, digit| sum * 10 + u32::from(digit - b'0')))
    };
    let mut used: Vec<u32> = names.iter().filter_map(number).collect();
    crate::order::by(&mut used, Ord::cmp);
    used.dedup();
    used
}

/// One more than the highest; after 999999 the lowest that is free; `None` where every one is used.
fn next_number(used: &[u32]) -> Option<u32> {
    match used.last() {
        None => Some(1),
        Some(&highest) if highest < DRIVE_MAX => Some(highest + 1),
        Some(_) => (1..=DRIVE_MAX).find(|number| used.binary_search(number).is_err()),
    }
}

fn why(error: &io::Error) -> WhyStopped {
    match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => WhyStopped::DiskFull,
        ErrorKind::NotFound | ErrorKind::NotADirectory => WhyStopped::NoFolder,
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => WhyStopped::NotWritable,
        _ => WhyStopped::Failed(error.raw_os_error().unwrap_or(0)),
    }
}

#[cfg(test)]
mod tests;
