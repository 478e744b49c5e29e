//! Reading quantities: numbers with a unit, or bare numbers where a channel gives the unit.
//!
//! Owns the sentences for a quantity of the wrong kind and the widest range of each kind. Conversion itself is the unit
//! room's.

use toml::de::DeValue;

use super::read::{Item, short};
use super::sink::Sink;
use crate::time::{Micros, micros_from_secs};
use crate::unit::{Kind, Quantity, QuantityError, Unit};

/// What people write for a unit that has another name here.
const OTHER_NAMES: &[(&str, &str)] = &[
    ("rpm", "1/min"),
    ("1/m", "1/min"),
    ("°C", "degC"),
    ("C", "degC"),
    ("°F", "degF"),
    ("F", "degF"),
    ("Ω", "ohm"),
    ("ohms", "ohm"),
    ("R", "ohm"),
    ("kΩ", "kohm"),
    ("k", "kohm"),
    ("volt", "V"),
    ("volts", "V"),
    ("kmh", "km/h"),
    ("kph", "km/h"),
    ("sec", "s"),
    ("µs", "us"),
    ("gal", "gal_us` or `gal_imp"),
    ("l", "L"),
    ("l/h", "L/h"),
    ("percent", "%"),
];

/// The widest range of each kind, in its base unit: what no vehicle goes beyond.
fn widest(kind: Kind) -> (f64, f64) {
    match kind {
        Kind::Voltage | Kind::Speed => (-1e4, 1e4),
        Kind::Current => (-1e5, 1e5),
        Kind::Resistance => (0.0, 1e9),
        Kind::Rate | Kind::Volume | Kind::Flow => (-1e7, 1e7),
        Kind::Time | Kind::Pressure => (-1e9, 1e9),
        Kind::Temperature => (-273.15, 1e4),
        Kind::Length => (-1e10, 1e10),
        Kind::Number => (-1e12, 1e12),
    }
}

/// What a quantity of that kind is called where another was wanted.
fn in_words(unit: Unit) -> String {
    let plain = match unit.kind() {
        Kind::Voltage => "volts",
        Kind::Current => "amperes",
        Kind::Resistance => "ohms",
        other => other.name(),
    };
    if unit.is_per_second() { format!("{plain} per second") } else { plain.to_owned() }
}

/// What is wanted, with its article.
fn wanted(unit: Unit) -> String {
    if unit.is_per_second() { format!("{} per second", unit.kind().name()) } else { unit.kind().name().to_owned() }
}

fn example(unit: Unit) -> String {
    if unit.is_per_second() { format!("\"10 {unit}\"") } else { format!("\"{}\"", unit.kind().example()) }
}

/// The unit of that name; else what to write instead.
pub(super) fn unit_named(name: &str, sink: &Sink) -> Result<Unit, String> {
    Unit::parse(name).ok_or_else(|| {
        let other = OTHER_NAMES.iter().find(|(other, _)| *other == name || *other == name.to_lowercase());
        if let Some((_, right)) = other {
            return format!("write `{right}`");
        }
        sink.did_you_mean(name, Unit::names(), || {
            "there are V, mV, ohm, kohm, Hz, s, ms, bar, kPa, psi, degC, degF, K, 1/min, km/h, mph, m, km, mi, L, L/h, \
             %, 1 and more"
                .to_owned()
        })
    })
}

impl Item<'_> {
    /// The name of a unit.
    pub fn unit(&self, sink: &mut Sink) -> Option<Unit> {
        let name = self.text("\"bar\"", sink)?;
        match unit_named(name, sink) {
            Ok(unit) => Some(unit),
            Err(remedy) => {
                sink.error(self.span, format!("`{}` is no unit", short(name)), remedy);
                None
            }
        }
    }

    /// A number with its unit, of the same kind as `like` (used for the sentences).
    pub fn written(&self, like: Unit, sink: &mut Sink) -> Option<Quantity> {
        let DeValue::String(text) = self.value else {
            let found = if self.is_number() { "a number without unit" } else { self.found() };
            self.wrong(like, found, sink);
            return None;
        };
        match Quantity::parse(text) {
            Ok(quantity) if quantity.unit.fits(like) => Some(quantity),
            Ok(quantity) => {
                self.wrong(like, &in_words(quantity.unit), sink);
                None
            }
            Err(QuantityError::NoNumber) => {
                self.wrong(like, "no number", sink);
                None
            }
            Err(QuantityError::NoUnit) => {
                self.wrong(like, "a number without unit", sink);
                None
            }
            Err(QuantityError::UnknownUnit(name)) => {
                let remedy = unit_named(&name, sink).err().unwrap_or_default();
                sink.error(self.span, format!("`{}` is no unit", short(&name)), remedy);
                None
            }
        }
    }

    /// Where it cannot be known what is wanted here, because something else could not be read: only units that do not exist
    /// are mistakes, also in the values of a list and in lists of them.
    pub fn only_units(&self, sink: &mut Sink) {
        if let DeValue::String(text) = self.value
            && let Err(QuantityError::UnknownUnit(name)) = Quantity::parse(text)
        {
            let remedy = unit_named(&name, sink).err().unwrap_or_default();
            sink.error(self.span, format!("`{}` is no unit", short(&name)), remedy);
        }
        if self.value.is_array() {
            self.parts().iter().for_each(|part| part.only_units(sink));
        }
    }

    fn wrong(&self, like: Unit, found: &str, sink: &mut Sink) {
        let what = format!("`{}` needs {}", self.key, wanted(like));
        sink.error(self.span, what, format!("{found}; for example {}", example(like)));
    }

    /// A quantity that must have its unit, in `unit`, within `least..=most` of it.
    pub fn quantity(&self, unit: Unit, least: f64, most: f64, sink: &mut Sink) -> Option<f64> {
        let value = self.written(unit, sink)?.in_unit(unit)?;
        self.in_range(value, least, most, || format!("{least} {unit} to {most} {unit}"), sink)
    }

    /// A quantity that must have its unit, as written, within the widest range of its kind.
    pub fn quantity_as_written(&self, like: Unit, sink: &mut Sink) -> Option<Quantity> {
        let quantity = self.written(like, sink)?;
        self.within_widest(quantity.value, quantity.unit, sink)?;
        Some(quantity)
    }

    /// A value in `unit`: a bare number is one already, a quantity is converted.
    pub fn value_in(&self, unit: Unit, sink: &mut Sink) -> Option<f64> {
        let value = if self.is_number() { self.bare(sink)? } else { self.written(unit, sink)?.in_unit(unit)? };
        self.within_widest(value, unit, sink)
    }

    /// A difference of values in `unit`, 0 or either way.
    pub fn difference_in(&self, unit: Unit, sink: &mut Sink) -> Option<f64> {
        let value = if self.is_number() {
            self.bare(sink)?
        } else {
            let quantity = self.written(unit, sink)?;
            quantity.unit.convert_difference(quantity.value, unit)?
        };
        self.in_range(value, -1e12, 1e12, || "too large to be worked with".to_owned(), sink)
    }

    /// The unit that it is written with, where it is a quantity that can be read.
    pub fn unit_written(&self) -> Option<Unit> {
        let DeValue::String(text) = self.value else { return None };
        Quantity::parse(text).ok().map(|quantity| quantity.unit)
    }

    /// A length of time in `least..=most` microseconds.
    pub fn time(&self, least: Micros, most: Micros, sink: &mut Sink) -> Option<Micros> {
        let seconds = self.written(Unit::SECOND, sink)?.in_unit(Unit::SECOND)?;
        let span = micros_from_secs(seconds);
        if (least..=most).contains(&span) {
            return Some(span);
        }
        let remedy = format!("{} to {}", in_seconds(least), in_seconds(most));
        sink.error(self.span, format!("`{}` is out of range", self.key), remedy);
        None
    }

    fn within_widest(&self, value: f64, unit: Unit, sink: &mut Sink) -> Option<f64> {
        if unit.is_per_second() {
            return self.in_range(value, -1e12, 1e12, || "too large to be worked with".to_owned(), sink);
        }
        let (least, most) = widest(unit.kind());
        let base = base_of(unit.kind());
        let in_base = unit.convert(value, base).unwrap_or(f64::NAN);
        let range = || format!("{} to {}", in_unit(least, base, unit), in_unit(most, base, unit));
        self.in_range(in_base, least, most, range, sink)?;
        Some(value)
    }
}

/// `value` of `base` in `unit`, as one writes it.
fn in_unit(value: f64, base: Unit, unit: Unit) -> String {
    let value = (base.convert(value, unit).unwrap_or(value) * 100.0).round() / 100.0;
    if unit == Unit::ONE { value.to_string() } else { format!("{value} {unit}") }
}

/// The base unit of a kind.
pub(super) fn base_of(kind: Kind) -> Unit {
    let name = match kind {
        Kind::Voltage => "V",
        Kind::Current => "A",
        Kind::Resistance => "ohm",
        Kind::Rate => "Hz",
        Kind::Time => "s",
        Kind::Pressure => "Pa",
        Kind::Temperature => "degC",
        Kind::Speed => "m/s",
        Kind::Length => "m",
        Kind::Volume => "L",
        Kind::Flow => "L/h",
        Kind::Number => "1",
    };
    Unit::parse(name).unwrap_or(Unit::ONE)
}

/// A length of time as one writes it.
fn in_seconds(span: Micros) -> String {
    match span {
        0 => "0 s".to_owned(),
        span if span % 3_600_000_000 == 0 => format!("{} h", span / 3_600_000_000),
        span if span % 60_000_000 == 0 => format!("{} min", span / 60_000_000),
        span if span % 1_000_000 == 0 => format!("{} s", span / 1_000_000),
        span if span % 1_000 == 0 => format!("{} ms", span / 1_000),
        span => format!("{span} us"),
    }
}
