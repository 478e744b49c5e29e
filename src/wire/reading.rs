//! What a line says once it is decoded: plain structs, with fields by index.

use crate::time::Micros;

/// Index of a field in its link's table of names. Resolved when the config is loaded; no look-up by name later.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct FieldId(pub u16);

impl FieldId {
    /// `ref`: counts of the controller's fixed reference.
    pub const REF: Self = Self(0);
    /// `vcc`: the converter's supply in mV.
    pub const VCC: Self = Self(1);
    /// How many fields every link has before those of its config.
    pub const FIXED: [&'static str; 2] = ["ref", "vcc"];

    /// The index as a `usize`.
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

/// The edges on one pulse pin, as `pN` carries them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Edges {
    /// Running number of edges since boot, wraps at 2^32.
    pub count: u32,
    /// The controller's clock at the newest edge, µs, wraps at 2^32; 0 while `count` is 0.
    pub last: u32,
    /// Shortest and longest gap that ended since the line before, µs; both 0 where none did. `None` where not sent.
    pub gaps: Option<(u32, u32)>,
}

/// One field of one line.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Raw {
    /// The line does not carry it.
    #[default]
    Absent,
    /// The controller could not read that input.
    Null,
    /// A finite number.
    Number(f64),
    /// Edges on a pulse pin.
    Edges(Edges),
}

/// One reading. Reused from line to line: the decoder clears and fills it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reading {
    /// When it was sampled, µs on the link's own timeline: since its first reading, wraps joined; after a restart the
    /// new clock goes on from the last time. Links without a clock: when it arrived.
    pub at: Micros,
    /// The controller's clock as sent (counts form only), µs, wraps at 2^32. `Edges::last` refers to it.
    pub t: u32,
    /// The controller restarted between the reading before and this one.
    pub restarted: bool,
    /// Readings lost just before this one, by `s`.
    pub lost: u32,
    /// The very same reading came before (same `s`, same `t`): it says nothing new.
    pub repeated: bool,
    /// How long it waited on its way before it came, µs; 0 where it came in time, and where no clock can tell.
    pub late: Micros,
    /// A checksum vouched for its line.
    pub signed: bool,
    fields: Vec<Raw>,
}

impl Reading {
    /// An empty reading with room for `fields` fields.
    pub fn with_fields(fields: usize) -> Self {
        Self { fields: vec![Raw::Absent; fields], ..Self::default() }
    }

    /// The field `id`, `Absent` where the line has none.
    pub fn get(&self, id: FieldId) -> Raw {
        self.fields.get(id.index()).copied().unwrap_or_default()
    }

    /// All fields, in the order of the link's table.
    pub fn fields(&self) -> &[Raw] {
        &self.fields
    }

    /// Takes every field out, for the next line.
    #[inline]
    pub(super) fn clear(&mut self) {
        self.fields.fill(Raw::Absent);
    }

    /// The same, for the decoder to fill.
    #[inline]
    pub(crate) fn fields_mut(&mut self) -> &mut [Raw] {
        &mut self.fields
    }
}

/// Why the controller last started.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Reset {
    /// Power came on.
    PowerOn,
    /// The reset pin.
    External,
    /// The supply fell too low.
    BrownOut,
    /// Its own watchdog.
    Watchdog,
    /// Not known, or a word that is not known.
    #[default]
    Unknown,
}

/// What the controller says of itself.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Hello {
    /// Version of the format, 1.
    pub format: u32,
    /// Version of the firmware, as sent (unsafe text: show it through `text::safe`).
    pub fw: String,
    /// The board, as sent (unsafe text).
    pub board: String,
    /// Why it last started.
    pub reset: Reset,
    /// Highest count of the converter.
    pub adc_max: u32,
    /// Number of analog inputs.
    pub analog: u32,
    /// Pins that count pulses.
    pub pulse: Vec<u8>,
    /// Pins read as levels.
    pub digital: Vec<u8>,
    /// On/off outputs.
    pub output: Vec<u8>,
    /// Frequency outputs.
    pub freq: Vec<u8>,
    /// Duty outputs.
    pub duty: Vec<u8>,
    /// Readings for each second.
    pub rate_hz: u32,
    /// Milliseconds since it started.
    pub up_ms: u64,
}
