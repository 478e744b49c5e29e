//! The validated model that a config file becomes: names are indices, formulas trees, quantities numbers.
//!
//! Owns the structs only. Everything here is consistent by construction: an index is inside its list, a number is
//! finite, a curve is a curve. The hot path reads it and never sees a name again.

use std::sync::Arc;

use crate::circuit::Circuit;
use crate::sensor::{Curve, Thermocouple};
use crate::time::Micros;
use crate::unit::{Affine, Unit};
use crate::wire::{FieldId, Form, Pin};

/// Index of a channel in [`Model::channels`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ChannelId(pub u16);

/// Index of a link in [`Model::links`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct LinkId(pub u8);

impl ChannelId {
    /// The index as a `usize`.
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

impl LinkId {
    /// The index as a `usize`.
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

/// One vehicle: what is wired where, what it means, what is wrong when, and what is shown.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Model {
    /// The vehicle's name, empty where none is given.
    pub name: String,
    /// Serial lines, in the order of the file.
    pub links: Vec<Link>,
    /// Where and how much to record.
    pub record: Record,
    /// Rules of trust that concern several channels.
    pub trust: TrustRules,
    /// Channels, in the order of the file.
    pub channels: Vec<Channel>,
    /// Every channel once, each after all that it depends on.
    pub order: Vec<ChannelId>,
    /// Alarms, in the order of the file.
    pub alarms: Vec<Alarm>,
    /// Events to look for.
    pub events: Vec<Event>,
    /// Pages, in the order of the file. Never empty: the automatic page where none is given.
    pub pages: Vec<Page>,
    /// Outputs.
    pub outputs: Vec<Output>,
}

/// A serial line.
#[derive(Clone, Debug, PartialEq)]
pub struct Link {
    /// Its name.
    pub name: String,
    /// The device's path, or a pattern whose first match is opened. Empty where none is given (replay only).
    pub device: String,
    /// Bits per second.
    pub baud: u32,
    /// Form of its lines, with its own settings.
    pub form: Form,
    /// The controller's fixed reference in volts, for `ref`.
    pub reference: f64,
    /// The fields that channels use, in the order of their [`FieldId`]s from `FieldId::FIXED` on.
    pub fields: Vec<String>,
}

/// Where recordings go.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Record {
    /// The folder; `None`: the user's data folder.
    pub folder: Option<String>,
    /// Most bytes that all recordings together may take; `None`: no limit given.
    pub keep: Option<u64>,
}

/// Rules of trust that concern several channels.
#[derive(Clone, Debug, PartialEq)]
pub struct TrustRules {
    /// Limits of the sensor supply in volts.
    pub supply: Option<(f64, f64)>,
    /// Whether a shared step of several channels is looked for.
    pub ground_shift: bool,
}

impl Default for TrustRules {
    fn default() -> Self {
        Self { supply: None, ground_shift: true }
    }
}

/// One signal.
#[derive(Clone, Debug, PartialEq)]
pub struct Channel {
    /// Its name, `[a-z][a-z0-9_]{0,31}`.
    pub name: String,
    /// What the screen calls it, at most 24 columns.
    pub label: String,
    /// Where its value comes from.
    pub source: Source,
    /// The unit of its value, everywhere.
    pub unit: Unit,
    /// The scale that gauges draw, in `unit`, lower end first.
    pub span: Option<(f64, f64)>,
    /// Decimals shown.
    pub digits: u8,
    /// Words for 0 and 1, where the channel is a switch.
    pub words: Option<[String; 2]>,
    /// Time constant of the smoothing for screen and alarms, µs above 0.
    pub smooth: Option<Micros>,
    /// How old a reading may be; `None`: worked out from its usual interval.
    pub fresh: Option<Micros>,
    /// Fastest believable change, in `unit` per second.
    pub fastest: Option<f64>,
    /// When it counts as stuck.
    pub stuck: Option<Stuck>,
    /// Correction after everything else.
    pub calibration: Option<Calibration>,
}

/// Where a channel's value comes from.
#[derive(Clone, Debug, PartialEq)]
pub enum Source {
    /// A field of a link's lines.
    Input(Input),
    /// Algebra over other channels; the result is in the channel's unit.
    Formula(Formula),
}

/// A field of a link's lines and how it becomes a value.
#[derive(Clone, Debug, PartialEq)]
pub struct Input {
    /// The link.
    pub link: LinkId,
    /// What of the link.
    pub field: Field,
    /// The network ahead of the pin (analog inputs only).
    pub circuit: Circuit,
    /// The sensor.
    pub sensor: Sensor,
}

/// What of a link an input reads.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Field {
    /// Counts of an analog pin.
    Analog(FieldId),
    /// Edges on a pulse pin.
    Pulse {
        /// The field.
        field: FieldId,
        /// What of the edges.
        take: Take,
        /// No edge for so long is 0.
        slowest: Micros,
    },
    /// Level of a digital pin, 0 or 1.
    Digital(FieldId),
    /// The converter's supply in volts, sent or worked out from `ref`.
    Supply,
    /// A number that comes with a meaning.
    Number(FieldId),
    /// Running total of readings lost on the link.
    LinkLost,
    /// Running total of lines refused on the link.
    LinkBad,
    /// Running total of the controller's restarts.
    LinkResets,
}

/// What of the edges on a pulse pin a channel takes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Take {
    /// Edges per second.
    #[default]
    Rate,
    /// Total since the controller started.
    Count,
    /// Longest minus shortest gap, over their mean.
    Spread,
}

/// The transfer function of an input with its way into the channel's unit.
#[derive(Clone, Debug, PartialEq)]
pub enum Sensor {
    /// A curve of one input, then into the channel's unit.
    Curve {
        /// The curve.
        curve: Curve,
        /// Volts are first scaled by this over the supply (`ratiometric`), where given.
        ratiometric: Option<f64>,
        /// The unit of what the curve takes: what the circuit or the pin gives (V, ohm, Hz, 1) is converted into it.
        takes: Unit,
        /// From the curve's own unit into the channel's.
        into: Affine,
        /// The curve is live-zero behind a direct circuit: its ends in volts, for the short rules.
        live_zero: Option<(f64, f64)>,
    },
    /// A thermocouple with its cold junction.
    Thermocouple {
        /// The type's functions.
        curve: Thermocouple,
        /// Where the cold junction's temperature comes from.
        cold: Cold,
        /// From degC into the channel's unit.
        into: Affine,
    },
    /// Pulses: value = (hertz or edges) × `times`, in the channel's unit.
    Pulses {
        /// Channel units for each hertz (rate) or edge (count).
        times: f64,
    },
    /// 1 where the pin is at `on`, else 0.
    Switch {
        /// The level that counts as on.
        on: bool,
    },
    /// value = field × `times` + `plus`, then into the channel's unit.
    Number {
        /// Factor.
        times: f64,
        /// Put on.
        plus: f64,
        /// Into the channel's unit.
        into: Affine,
    },
}

/// Temperature of a thermocouple's cold junction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Cold {
    /// A channel of temperature, and from its unit into degC.
    Channel(ChannelId, Affine),
    /// Always so many degC.
    Celsius(f64),
}

/// When a channel counts as stuck.
#[derive(Clone, Debug, PartialEq)]
pub struct Stuck {
    /// It must not move for so long.
    pub after: Micros,
    /// Moving is more than so many raw counts.
    pub band: f64,
    /// Time counts only while this is true; `None`: always.
    pub when: Option<Formula>,
}

/// value × gain + offset, in the channel's unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    /// Factor.
    pub gain: f64,
    /// Put on, in the channel's unit.
    pub offset: f64,
    /// The date it was made, as written.
    pub on: Option<String>,
    /// What it was compared with.
    pub against: Option<String>,
}

/// A parsed formula or condition. A condition is true where its value is not 0.
#[derive(Clone, Debug, PartialEq)]
pub struct Formula {
    /// As written.
    pub text: String,
    /// The tree.
    pub tree: Expr,
    /// The channels it names, in the order of the text, each once.
    pub terms: Vec<ChannelId>,
}

/// A node of a formula. Truth is 1, falsehood 0.
#[derive(Clone, Debug, PartialEq)]
pub enum Expr {
    /// A constant.
    Number(f64),
    /// A channel's value in its own unit, without smoothing.
    Channel(ChannelId),
    /// −a.
    Negate(Box<Expr>),
    /// 1 where a is 0, else 0.
    Not(Box<Expr>),
    /// Two operands.
    Binary(Operator, Box<Expr>, Box<Expr>),
    /// b where a is not 0, else c.
    If(Box<[Expr; 3]>),
    /// A function of one or more numbers.
    Call(Function, Vec<Expr>),
    /// A function over the readings of the last so many microseconds.
    Window(Window, Box<Expr>, Micros),
}

/// Operators of two operands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[expect(missing_docs, reason = "the names say it")]
pub enum Operator {
    Add,
    Subtract,
    Multiply,
    Divide,
    Power,
    Less,
    LessOrEqual,
    Greater,
    GreaterOrEqual,
    Equal,
    NotEqual,
    And,
    Or,
}

/// Functions of numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[expect(missing_docs, reason = "the names say it")]
pub enum Function {
    Min,
    Max,
    Abs,
    Sqrt,
    Exp,
    Ln,
}

/// Functions over a window of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Window {
    /// Least-squares slope, per second.
    Rate,
    /// Arithmetic mean.
    Mean,
}

/// How bad it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Level {
    /// Worth knowing.
    Notice,
    /// Watch or do something.
    Caution,
    /// Act at once.
    Danger,
}

impl Level {
    /// The word, as the config and the screen have it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Notice => "notice",
            Self::Caution => "caution",
            Self::Danger => "danger",
        }
    }
}

/// A limit of one channel. All defaults are filled in.
#[derive(Clone, Debug, PartialEq)]
pub struct Alarm {
    /// The channel.
    pub channel: ChannelId,
    /// How bad.
    pub level: Level,
    /// The side and the limit, in the channel's unit.
    pub limit: Limit,
    /// How far back before it clears, in the channel's unit, 0 or more.
    pub deadband: f64,
    /// Must hold so long before it sounds.
    pub after: Micros,
    /// Must be gone so long before it clears.
    pub until: Micros,
    /// Asleep while this is false.
    pub when: Option<Formula>,
    /// Stays until it is reset.
    pub latch: bool,
    /// What to say and do. A default is made from label and limit where none is given.
    pub text: String,
}

/// A limit and its side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Limit {
    /// Wrong below this.
    Below(f64),
    /// Wrong above this.
    Above(f64),
}

/// Something to look for in recordings.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// Its name.
    pub name: String,
    /// The condition.
    pub when: Formula,
    /// It must hold so long.
    pub lasts: Micros,
    /// Two within this are one, from beginning to beginning.
    pub apart: Micros,
    /// Looked at before the beginning when explaining.
    pub before: Micros,
    /// Looked at after it.
    pub after: Micros,
}

/// A page of the screen: rows of cells.
#[derive(Clone, Debug, PartialEq)]
pub struct Page {
    /// Its name.
    pub name: String,
    /// Rows from top to bottom, each of one cell or more.
    pub rows: Vec<Vec<Cell>>,
}

/// One place on a page.
#[derive(Clone, Debug, PartialEq)]
pub struct Cell {
    /// What it shows: one channel, or several on a trend; none where it shows the outputs.
    pub show: Vec<ChannelId>,
    /// How.
    pub face: Face,
    /// Its share of the row's width, 1 or more.
    pub wide: u16,
    /// The stretch of time that a trend shows.
    pub last: Micros,
}

/// How a cell shows its channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Face {
    /// A large number.
    Digits,
    /// A pointer on a scale that is bent.
    Dial,
    /// A scale that is straight.
    Bar,
    /// Values over time.
    Trend,
    /// On or off.
    Lamp,
    /// All outputs in rows; shows no channel.
    Outputs,
}

/// A pin that is switched or driven by rule.
#[derive(Clone, Debug, PartialEq)]
pub struct Output {
    /// Its name.
    pub name: String,
    /// The link whose controller has the pin.
    pub link: LinkId,
    /// The pin, of a kind that can be driven.
    pub pin: Pin,
    /// The field by which the controller reports what the pin really does.
    pub field: FieldId,
    /// What it does.
    pub drive: Drive,
    /// Sent at all; else only computed and shown.
    pub armed: bool,
}

/// What an output does.
#[derive(Clone, Debug, PartialEq)]
pub enum Drive {
    /// On or off by rule.
    Switch {
        /// On while this is true.
        on: Formula,
        /// Off while this is true or not known; wins.
        off_if: Option<Formula>,
        /// On at most so long in one go; `None`: no limit.
        longest: Option<Micros>,
        /// Off at least so long between two.
        rest: Micros,
    },
    /// Frequency (Hz) or duty (a share, 0…1) after a channel.
    Follow {
        /// The channel.
        from: ChannelId,
        /// Points (channel's unit, Hz or share) with straight pieces between, inputs strictly rising.
        points: Vec<(f64, f64)>,
        /// While the source is untrusted, Hz or share.
        rest_at: f64,
    },
}

/// A model that many hold and none changes.
pub type SharedModel = Arc<Model>;
