//! Reading recordings: parts, packed parts, bare captures and folders of them, joined on one timeline.
//!
//! Owns the order of the parts, the joined timeline, what a head says, and the tally of damage. Memory is bounded
//! whatever the file; no file makes it panic. Decodes nothing of what came over a link.

use std::path::PathBuf;
use std::sync::Arc;
use std::vec;

use super::bare::{Bare, Cut};
use super::format::{Entry, Mark, line_end};
use super::kept::{Found, Kept};
use super::note::{FORMAT, Head, Note};
use super::source::{Place, ReadError, Source, is_config, is_stdin, places};
use super::window::Window;
use crate::time::{Micros, Stamp};
use crate::wire::LINE_MAX;

/// How many parts of the same drive are looked at for what they repeat of this one.
const PARTS_AHEAD: usize = 8;
/// By so many of its first bytes a recording is told from a bare capture.
const SAMPLE: usize = 4096;

/// What was hit or cut off.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Damage {
    /// Bytes that cannot be vouched for: of stretches (usually a second) whose sum is wrong, and of lines that cannot
    /// be read. A line that can be read is given out all the same, marked.
    pub bytes: u64,
    /// Lines that could not be read and were passed over.
    pub lines: u64,
    /// Sums that were wrong.
    pub sums: u64,
    /// Bytes of last lines without LF: what a power cut leaves, no damage.
    pub torn: u64,
}

/// A line of a recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Line<'a> {
    /// When it came or went, on the joined timeline of the whole recording, which never goes back. `None` in a bare
    /// capture: whoever decodes hands in the time of the reading before, by the controller's clock.
    pub at: Option<Stamp>,
    /// The link's name; empty in a bare capture.
    pub link: &'a str,
    /// The line as it came, without CR and LF.
    pub bytes: &'a [u8],
    /// It stands in a second whose sum is wrong.
    pub damaged: bool,
}

/// What a recording holds, in the order it happened.
#[derive(Clone, Copy, Debug)]
pub enum Item<'a> {
    /// A part begins.
    Head(&'a Head),
    /// A line came.
    Line(Line<'a>),
    /// A line over [`LINE_MAX`] came; its bytes are not given, since it was never decoded.
    TooLong {
        /// When, as in [`Line::at`].
        at: Option<Stamp>,
        /// The link's name; empty in a bare capture.
        link: &'a str,
    },
    /// A line was sent.
    Sent(Line<'a>),
    /// The program wrote something down. Sums are no items.
    Note(&'a Note),
}

impl Item<'_> {
    /// The config text that it says is in force from here on: a head's, or a `config` note's.
    pub fn config(&self) -> Option<&str> {
        match self {
            Self::Head(head) => head.config.as_deref(),
            Self::Note(note) if note.kind() == "config" => note.text("config"),
            _ => None,
        }
    }

    /// When it happened; `None` for a head, and for a line of a bare capture.
    pub fn at(&self) -> Option<Stamp> {
        match self {
            Self::Head(_) => None,
            Self::Line(line) | Self::Sent(line) => line.at,
            Self::TooLong { at, .. } => *at,
            Self::Note(note) => Some(note.at),
        }
    }
}

/// An open recording.
///
/// ```no_run
/// use kickpanel::record::{Item, Recording};
/// let mut recording = Recording::open(&["drives".into()])?;
/// while let Some(item) = recording.next()? {
///     if let Item::Line(line) = item {
///         println!("{:?} {} {} bytes", line.at, line.link, line.bytes.len());
///     }
/// }
/// println!("{} bytes are damaged", recording.damage().bytes);
/// # Ok::<(), kickpanel::record::ReadError>(())
/// ```
pub struct Recording {
    places: vec::IntoIter<Place>,
    part: Option<Part>,
    current: Current,
    join: Join,
    head: Option<Head>,
    config: Option<String>,
    note: Note,
    damage: Damage,
    lines_bare: bool,
    /// The item at hand was looked at and is still to be given out.
    peeked: bool,
}

enum Part {
    Kept(Box<Kept>),
    Bare(Box<Bare>),
}

/// What [`Recording::next`] gives out, by its place.
#[derive(Clone, Copy)]
enum Current {
    /// The head was read ahead when the part was opened, and is still to be given out.
    Ahead(Found),
    Found(Found, Stamp),
    Bare,
    BareTooLong,
}

/// The joined timeline.
#[derive(Default)]
struct Join {
    /// Put on the times of this part.
    shift: Micros,
    /// The newest instant given out; `None` before the first.
    last: Option<Stamp>,
    /// Drive and part that were read last.
    number: Option<(u32, u32)>,
    /// The next line begins a part that is not the same drive going on.
    anew: bool,
    /// How many of these there were.
    drives: u32,
}

impl Recording {
    /// Opens what `paths` name: files, folders, or `-` for standard input, read one after the other.
    ///
    /// The first part is opened at once, so that [`Recording::config`] answers before anything is read.
    pub fn open(paths: &[PathBuf]) -> Result<Self, ReadError> {
        Self::from_places(places(paths)?)
    }

    /// The same, where `input` is what already came over standard input.
    pub fn open_with_input(paths: &[PathBuf], input: &Arc<[u8]>) -> Result<Self, ReadError> {
        let mut places = places(paths)?;
        for place in places.iter_mut().filter(|place| is_stdin(&place.path)) {
            place.memory = Some(Arc::clone(input));
        }
        Self::from_places(places)
    }

    /// A recording that stands in memory; `path` is what messages call it.
    pub fn from_memory(path: PathBuf, bytes: Arc<[u8]>) -> Result<Self, ReadError> {
        Self::from_places(vec![Place { path, memory: Some(bytes), named: true, told: None }])
    }

    /// The parts at `places`, in that order.
    pub(super) fn from_places(mut places: Vec<Place>) -> Result<Self, ReadError> {
        order_by_heads(&mut places);
        let first = places.first().map(|place| place.path.clone());
        let mut recording = Self {
            places: places.into_iter(),
            part: None,
            current: Current::Bare,
            join: Join::default(),
            head: None,
            config: None,
            note: Note::default(),
            damage: Damage::default(),
            lines_bare: false,
            peeked: false,
        };
        if !recording.open_part()?
            && let Some(path) = first
        {
            return Err(ReadError::Empty { path });
        }
        Ok(recording)
    }

    /// The config text of the newest head or `config` note; `None` where there is none.
    pub fn config(&self) -> Option<&str> {
        self.config.as_deref()
    }

    /// The newest head.
    pub fn head(&self) -> Option<&Head> {
        self.head.as_ref()
    }

    /// What was hit so far.
    pub fn damage(&self) -> Damage {
        self.damage
    }

    /// How many drives, each with a time of its own, were put one behind the other so far.
    pub fn drives(&self) -> u32 {
        self.join.drives
    }

    /// Whether the part being read is a bare capture, so that lines have no time of their own.
    pub fn is_bare(&self) -> bool {
        self.lines_bare
    }

    /// The next item; `None` at the end.
    ///
    /// An error concerns one part: what came before it counts, and calling again goes on with the next part.
    #[expect(clippy::should_implement_trait, reason = "an item borrows from the recording, which no iterator can")]
    pub fn next(&mut self) -> Result<Option<Item<'_>>, ReadError> {
        let any = std::mem::take(&mut self.peeked) || self.advance()?;
        Ok(any.then(|| self.item()))
    }

    /// What [`Recording::next`] will give, without taking it.
    pub fn peek(&mut self) -> Result<Option<Item<'_>>, ReadError> {
        if !self.peeked {
            self.peeked = self.advance()?;
        }
        Ok(self.peeked.then(|| self.item()))
    }

    /// Goes on by one item. False at the end.
    fn advance(&mut self) -> Result<bool, ReadError> {
        loop {
            match self.step() {
                Ok(true) => return Ok(true),
                Ok(false) => {
                    self.part = None;
                    if !self.open_part()? {
                        return Ok(false);
                    }
                }
                Err(error) => {
                    self.part = None;
                    return Err(error);
                }
            }
        }
    }

    /// Goes on by one item within the part. False at its end.
    fn step(&mut self) -> Result<bool, ReadError> {
        match &mut self.part {
            None => Ok(false),
            Some(Part::Bare(bare)) => {
                self.current = match bare.next(&mut self.damage.torn)? {
                    Cut::Line => Current::Bare,
                    Cut::TooLong => Current::BareTooLong,
                    Cut::End => return Ok(false),
                };
                Ok(true)
            }
            Some(Part::Kept(_)) => self.step_kept(),
        }
    }

    fn step_kept(&mut self) -> Result<bool, ReadError> {
        loop {
            let Some(Part::Kept(kept)) = &mut self.part else { return Ok(false) };
            let found = match self.current {
                Current::Ahead(found) => Some(found),
                _ => kept.next(&mut self.damage)?,
            };
            let Some(found) = found else { return Ok(false) };
            self.current = Current::Found(found, Stamp(0));
            if found.mark == Mark::Note && !self.take_note(&found)? {
                continue;
            }
            let at = self.join.place(found.at);
            self.current = Current::Found(found, at);
            if found.mark == Mark::Note {
                self.note.at = at;
            }
            return Ok(true);
        }
    }

    /// Takes in what a note says. False where it is none, which is damage.
    fn take_note(&mut self, found: &Found) -> Result<bool, ReadError> {
        let Some(Part::Kept(kept)) = &self.part else { return Ok(false) };
        let json = kept.payload(found);
        let note = Note::parse(found.at, kept.link(found), json);
        let head = note.as_ref().filter(|note| note.kind() == "recording").and_then(|_| Head::parse(json));
        let Some(note) = note.filter(|note| note.kind() != "recording" || head.is_some()) else {
            self.damage.lines += 1;
            self.damage.bytes += if found.damaged { 0 } else { json.len() as u64 };
            return Ok(false);
        };
        match note.kind() {
            "recording" => {
                let Some(head) = head else { return Ok(false) };
                if head.format > FORMAT {
                    let path = kept.window().source().path().to_owned();
                    return Err(ReadError::Newer { path, format: head.format });
                }
                self.join.begin((head.drive, head.part));
                self.config = head.config.clone().or(self.config.take());
                self.head = Some(head);
            }
            "config" => {
                if let Some(text) = note.text("config") {
                    self.config = Some(text.to_owned());
                }
            }
            _ => {}
        }
        self.note = note;
        Ok(true)
    }

    fn item(&self) -> Item<'_> {
        match (&self.part, self.current) {
            (Some(Part::Kept(kept)), Current::Found(found, at)) => self.kept_item(kept, &found, at),
            (Some(Part::Bare(bare)), Current::Bare) => {
                Item::Line(Line { at: None, link: "", bytes: bare.line(), damaged: false })
            }
            _ => Item::TooLong { at: None, link: "" },
        }
    }

    fn kept_item<'a>(&'a self, kept: &'a Kept, found: &Found, at: Stamp) -> Item<'a> {
        let line = Line { at: Some(at), link: kept.link(found), bytes: kept.payload(found), damaged: found.damaged };
        match (found.mark, &self.head) {
            (Mark::Sent, _) => Item::Sent(line),
            // A line that was cut off while driving stands here with its first bytes only.
            (Mark::Received, _) if line.bytes.len() >= LINE_MAX => Item::TooLong { at: line.at, link: line.link },
            (Mark::Received, _) => Item::Line(line),
            (Mark::Note, Some(head)) if self.note.kind() == "recording" => Item::Head(head),
            (Mark::Note, _) => Item::Note(&self.note),
        }
    }

    /// Opens the next part that holds anything. False where there is none.
    fn open_part(&mut self) -> Result<bool, ReadError> {
        while let Some(place) = self.places.next() {
            let source = match Source::open(&place) {
                // A part that was created just before the power went.
                Err(ReadError::Empty { .. }) if !place.named => continue,
                opened => opened?,
            };
            let number = place.number();
            let safe = self.safe_bytes(number);
            if safe == 0 {
                continue;
            }
            let mut window = Window::new(source, safe);
            self.join.expect(number);
            while window.pending().len() < SAMPLE && window.fill()? {}
            self.lines_bare = !looks_kept(window.pending());
            if self.lines_bare {
                if is_config(window.pending()) {
                    let path = window.source().path().to_owned();
                    return Err(ReadError::NotText {
                        path,
                        what: "a config: it goes behind -c, with a recording beside it",
                    });
                }
                self.part = Some(Part::Bare(Box::new(Bare::new(window))));
                return Ok(true);
            }
            self.part = Some(Part::Kept(Box::new(Kept::new(window))));
            self.read_ahead()?;
            return Ok(true);
        }
        Ok(false)
    }

    /// Reads the first line of a part, so that its config is known; it is still given out next.
    fn read_ahead(&mut self) -> Result<(), ReadError> {
        let Some(Part::Kept(kept)) = &mut self.part else { return Ok(()) };
        self.current = Current::Bare;
        let Some(found) = kept.next(&mut self.damage)? else { return Ok(()) };
        self.current = Current::Ahead(found);
        if found.mark == Mark::Note
            && let Some(head) = Head::parse(kept.payload(&found))
        {
            self.config = head.config.or(self.config.take());
        }
        Ok(())
    }

    /// How many bytes of the part `number` count: a later part may repeat what was not safe when it failed.
    fn safe_bytes(&self, number: Option<(u32, u32)>) -> u64 {
        let Some((drive, part)) = number else { return u64::MAX };
        let later = self.places.as_slice().iter().take(PARTS_AHEAD);
        let same_drive = later.filter(|place| place.number().is_some_and(|(other, _)| other == drive));
        let mut heads = same_drive.filter_map(peek_head).filter(|head| head.drive == drive);
        heads
            .find_map(|head| head.again.iter().find(|again| again.part == part).map(|again| again.safe))
            .unwrap_or(u64::MAX)
    }
}

impl std::fmt::Debug for Recording {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Recording").field("damage", &self.damage).finish_non_exhaustive()
    }
}

impl Join {
    /// A part begins whose file's name says so much of it.
    fn expect(&mut self, number: Option<(u32, u32)>) {
        match number {
            Some(number) => self.begin(number),
            None => self.anew = true,
        }
    }

    /// A part begins that says so of itself.
    fn begin(&mut self, number: (u32, u32)) {
        if self.number == Some(number) {
            return;
        }
        let goes_on = self.number.is_some_and(|(drive, part)| drive == number.0 && part < number.1);
        self.number = Some(number);
        self.anew = !goes_on;
    }

    /// The place of `at` on the joined timeline. Never before what was given out.
    fn place(&mut self, at: Stamp) -> Stamp {
        if std::mem::take(&mut self.anew) {
            self.shift = self.last.map_or(0, |last| last.since(at));
            self.drives = self.drives.saturating_add(1);
        }
        let joined = at.after(self.shift).max(self.last.unwrap_or(Stamp(0)));
        self.last = Some(joined);
        joined
    }
}

/// Whether a file that begins so is a recording: its first or second line has the four columns. A person may have cut
/// the head off, and one damaged byte in the first line must not turn a drive into noise.
fn looks_kept(bytes: &[u8]) -> bool {
    let first = line_end(bytes).unwrap_or(bytes.len());
    let second = bytes.get(first + 1..).unwrap_or_default();
    let second = &second[..line_end(second).unwrap_or(0)];
    [&bytes[..first], second].into_iter().any(|line| Entry::columns(line).is_some())
}

/// Puts the parts of a folder in the order of their heads where their names were mixed up: where the heads have the very
/// numbers of the names, and not in their order. Copies, and parts whose head was hit, keep the place of their name.
fn order_by_heads(places: &mut [Place]) {
    let names: Vec<_> = places.iter().map(Place::number).collect();
    if places.len() < 2 || places.iter().any(|place| place.named) || names.contains(&None) {
        return;
    }
    let head = |place: &Place| peek_head(place).map(|head| (head.drive, head.part));
    let heads: Vec<_> = places.iter().zip(&names).map(|(place, name)| head(place).or(*name)).collect();
    let mut sorted = heads.clone();
    crate::order::by(&mut sorted, Ord::cmp);
    if heads != names && sorted == names {
        for (place, head) in places.iter_mut().zip(heads) {
            place.told = head;
        }
        crate::order::by_key(places, Place::number);
    }
}

/// The head of a part that is not being read yet.
fn peek_head(place: &Place) -> Option<Head> {
    let mut window = Window::new(Source::open(place).ok()?, 1 << 22);
    while window.fill().ok()? {
        if let Some(end) = line_end(window.pending()) {
            let entry = Entry::parse(&window.pending()[..end]).ok()?;
            return (entry.mark == Mark::Note).then(|| Head::parse(entry.payload)).flatten();
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    fn memory(recording: &Recording) -> usize {
        match &recording.part {
            Some(Part::Kept(kept)) => kept.window().memory(),
            Some(Part::Bare(bare)) => bare.window().memory(),
            None => 0,
        }
    }

    const USUAL: &str =
        "1234.567\tengine\t<\t{\"s\":1042,\"t\":20840132,\"ref\":226,\"a0\":512,\"a1\":87,\"crc\":\"0123\"}\n";

    #[rstest]
    #[case::without_sums(USUAL, 100_000_000, 1 << 21)]
    #[case::with_wrong_sums("1\te\t<\tx\n1\t-\t!\t{\"note\":\"sum\",\"lines\":1,\"crc32\":\"00000000\"}\n", 10_000_000, 1 << 18)]
    #[case::bare("{\"t\":1}\n", 10_000_000, 1 << 18)]
    #[case::bare_without_end("xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx", 100_000_000, 1 << 18)]
    #[case::without_end("1\te\t<\t1\te\t<\t1\te\t<\t", 100_000_000, 5 << 20)]
    fn a_long_stream_is_read_in_little_memory(#[case] text: &str, #[case] length: usize, #[case] most: usize) {
        let bytes = text.repeat(length / text.len()).into_bytes();
        let mut recording = Recording::from_memory("long".into(), bytes.into()).unwrap();
        let mut greatest = 0;
        let mut count = 0_u64;
        while recording.next().unwrap().is_some() {
            count += 1;
            greatest = greatest.max(memory(&recording));
        }
        assert!(greatest <= most, "{greatest}");
        assert!(count > 0 || !text.ends_with('\n'));
    }
}
