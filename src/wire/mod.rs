//! Lines that come over a link: bytes in, plain structs out, and the tally of what was thrown away.
//!
//! Owns line splitting, the four forms, the checksum, the joining of the controller's clock over its wraps and
//! restarts, and the lines that go back. In: bytes, and when they came. Out: [`Reading`], [`Hello`], [`Tally`].
//! Opens no port, asks for no time, knows no sensor. Contract: the counts format, version 1.

#[cfg(test)]
mod agreement;
mod clock;
mod columns;
mod command;
mod core;
mod counts;
mod crc;
mod decoder;
mod fields;
mod hello;
mod json;
mod keys;
mod late;
mod mould;
mod nmea;
mod number;
mod pairs;
mod pin;
mod reading;
mod resets;
mod scan;
mod shares;
mod splitter;
mod told;

pub use command::{COMMAND_MAX, CommandError, LEASE_MS, RATE_HZ, ask_hello, set, set_rate};
pub use counts::ADC_MAX;
pub use crc::{checksum, seal};
pub use decoder::Decoder;
pub use nmea::NMEA_FIELDS;
pub use pin::{Pin, PinKind};
pub use reading::{Edges, FieldId, Hello, Raw, Reading, Reset};
pub use resets::Resets;
pub use splitter::{Piece, Splitter};
pub use told::Set;

/// The most bytes of a line, with its LF.
pub const LINE_MAX: usize = 1024;

/// The form of a link's lines.
#[derive(Clone, Debug, PartialEq)]
pub enum Form {
    /// The counts format: one JSON object a line.
    Counts {
        /// A line without checksum is refused.
        checksum_required: bool,
    },
    /// Numbers parted by comma, semicolon, tab or blanks.
    Columns {
        /// Names of the columns; `None`: taken from a header line.
        names: Option<Vec<String>>,
        /// The column that holds the controller's clock.
        clock: Option<ClockField>,
    },
    /// `name=value` or `name:value`, parted likewise.
    Pairs {
        /// The name that holds the controller's clock.
        clock: Option<ClockField>,
    },
    /// Sentences of a satellite receiver, NMEA 0183.
    Nmea,
}

impl Form {
    /// Whether its lines hold a clock.
    pub fn has_clock(&self) -> bool {
        match self {
            Self::Counts { .. } => true,
            Self::Columns { clock, .. } | Self::Pairs { clock } => clock.is_some(),
            Self::Nmea => false,
        }
    }
}

/// A clock that a sketch sends among its values.
#[derive(Clone, Debug, PartialEq)]
pub struct ClockField {
    /// Its name.
    pub name: String,
    /// Microseconds of one step of it.
    pub step_us: f64,
}

/// Why a line was thrown away. Each has its counter in [`Tally`].
///
/// Where several apply, the first of these is the reason: length, UTF-8, a checksum that is there and wrong, the shape
/// of the whole line, a checksum elsewhere than at its end, a missing checksum, repeated names, the clock (missing,
/// type, range), then type and range of the other members in the order of the line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Reject {
    /// Over [`LINE_MAX`] bytes.
    TooLong,
    /// No UTF-8.
    NotUtf8,
    /// Not one JSON object, or something stands before or after it; a sentence or columns that cannot be read.
    Malformed,
    /// A key or name stands twice.
    Duplicate,
    /// A known field has the wrong type.
    WrongType,
    /// A known field is out of its range, or a number is not finite.
    OutOfRange,
    /// The checksum is wrong.
    Checksum,
    /// There is no checksum and there must be one.
    ChecksumMissing,
    /// A field that every such line must have is not there (`t`, or a member of the hello).
    FieldMissing,
    /// A sentence of a kind that is not read.
    UnknownSentence,
    /// More or fewer columns than names.
    ColumnCount,
}

impl Reject {
    /// Every reason, in the order of the tally.
    pub const ALL: [Self; 11] = [
        Self::TooLong,
        Self::NotUtf8,
        Self::Malformed,
        Self::Duplicate,
        Self::WrongType,
        Self::OutOfRange,
        Self::Checksum,
        Self::ChecksumMissing,
        Self::FieldMissing,
        Self::UnknownSentence,
        Self::ColumnCount,
    ];

    /// The key in summaries.
    pub fn name(self) -> &'static str {
        match self {
            Self::TooLong => "too_long",
            Self::NotUtf8 => "not_utf8",
            Self::Malformed => "malformed",
            Self::Duplicate => "duplicate",
            Self::WrongType => "wrong_type",
            Self::OutOfRange => "out_of_range",
            Self::Checksum => "checksum",
            Self::ChecksumMissing => "checksum_missing",
            Self::FieldMissing => "field_missing",
            Self::UnknownSentence => "unknown_sentence",
            Self::ColumnCount => "column_count",
        }
    }
}

/// What came over one link since the program began; lines that are empty are not counted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// All lines but empty ones: the sum of the three kinds taken and all refused, exactly.
    pub lines: u64,
    /// Readings taken.
    pub readings: u64,
    /// Hellos taken.
    pub hellos: u64,
    /// Header lines of the columns form taken.
    pub headers: u64,
    /// Readings lost on the way, by the gaps in `s`.
    pub lost: u64,
    /// Restarts of the controller.
    pub restarts: u64,
    /// The same by their reasons: the sum is `restarts`, exactly.
    pub resets: Resets,
    /// Refused lines by reason, indexed as [`Reject::ALL`].
    pub refused: [u64; Reject::ALL.len()],
}

impl Tally {
    /// Adds what `other` counted.
    pub fn add(&mut self, other: &Self) {
        let Self { lines, readings, hellos, headers, lost, restarts, resets, refused } = other;
        self.lines += lines;
        self.readings += readings;
        self.hellos += hellos;
        self.headers += headers;
        self.lost += lost;
        self.restarts += restarts;
        self.resets.add(resets);
        for (sum, count) in self.refused.iter_mut().zip(refused) {
            *sum += count;
        }
    }
}

/// What a line that was not refused is.
#[derive(Debug)]
pub enum Decoded<'a> {
    /// Nothing.
    Empty,
    /// A reading, valid until the next line.
    Reading(&'a Reading),
    /// What the controller says of itself.
    Hello(&'a Hello),
    /// The names of the columns.
    Header,
}
