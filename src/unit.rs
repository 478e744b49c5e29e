//! Units and quantities: one table, read by the parser, the messages and the tests.
//!
//! Owns every unit name that the config knows, what kind of quantity it measures, and how to convert. Pure arithmetic.
//!
//! Sources: factors are exact by definition (NIST SP 811 appendix B.8: 1 in = 0.0254 m, 1 lb = 0.45359237 kg,
//! g = 9.80665 m/s², US gallon 231 in³, imperial gallon 4.54609 L, mile 1609.344 m); inHg is the conventional
//! millimetre of mercury, 13,595.1 kg/m³, times 25.4.

use std::fmt;

/// What a unit measures. Only units of one kind convert into each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Kind {
    /// Electric potential difference; base V.
    Voltage,
    /// Electric current; base A.
    Current,
    /// Electric resistance; base ohm.
    Resistance,
    /// Events for each time, of pulses or of a shaft; base Hz.
    Rate,
    /// Time; base s.
    Time,
    /// Pressure; base Pa.
    Pressure,
    /// Temperature; base degC, because the sensors' standards are written in it.
    Temperature,
    /// Speed; base m/s.
    Speed,
    /// Length; base m.
    Length,
    /// Volume; base m³.
    Volume,
    /// Volume for each time; base m³/s.
    Flow,
    /// A pure number or a share of a whole; base 1.
    Number,
}

struct Row {
    name: &'static str,
    symbol: &'static str,
    kind: Kind,
    /// One of this unit is `times / over` base units (exact as a fraction).
    times: f64,
    over: f64,
    /// What this unit reads where the base unit reads 0.
    zero: f64,
}

const fn row(name: &'static str, symbol: &'static str, kind: Kind, times: f64, over: f64) -> Row {
    Row { name, symbol, kind, times, over, zero: 0.0 }
}

const fn shifted(name: &'static str, symbol: &'static str, times: f64, over: f64, zero: f64) -> Row {
    Row { name, symbol, kind: Kind::Temperature, times, over, zero }
}

/// Every unit of the config, base units first of their kind.
const TABLE: &[Row] = &[
    row("1", "", Kind::Number, 1.0, 1.0),
    row("%", "%", Kind::Number, 1.0, 100.0),
    row("V", "V", Kind::Voltage, 1.0, 1.0),
    row("mV", "mV", Kind::Voltage, 1.0, 1e3),
    row("A", "A", Kind::Current, 1.0, 1.0),
    row("mA", "mA", Kind::Current, 1.0, 1e3),
    row("ohm", "Ω", Kind::Resistance, 1.0, 1.0),
    row("kohm", "kΩ", Kind::Resistance, 1e3, 1.0),
    row("Hz", "Hz", Kind::Rate, 1.0, 1.0),
    row("kHz", "kHz", Kind::Rate, 1e3, 1.0),
    row("1/min", "1/min", Kind::Rate, 1.0, 60.0),
    row("s", "s", Kind::Time, 1.0, 1.0),
    row("us", "µs", Kind::Time, 1.0, 1e6),
    row("ms", "ms", Kind::Time, 1.0, 1e3),
    row("min", "min", Kind::Time, 60.0, 1.0),
    row("h", "h", Kind::Time, 3600.0, 1.0),
    row("Pa", "Pa", Kind::Pressure, 1.0, 1.0),
    row("kPa", "kPa", Kind::Pressure, 1e3, 1.0),
    row("mbar", "mbar", Kind::Pressure, 100.0, 1.0),
    row("bar", "bar", Kind::Pressure, 1e5, 1.0),
    row("psi", "psi", Kind::Pressure, 8_896_443_230_521.0, 1_290_320_000.0),
    row("inHg", "inHg", Kind::Pressure, 3_386_388_640_341.0, 1e9),
    row("degC", "°C", Kind::Temperature, 1.0, 1.0),
    shifted("degF", "°F", 5.0, 9.0, 32.0),
    shifted("K", "K", 1.0, 1.0, 273.15),
    row("m/s", "m/s", Kind::Speed, 1.0, 1.0),
    row("km/h", "km/h", Kind::Speed, 5.0, 18.0),
    row("mph", "mph", Kind::Speed, 1397.0, 3125.0),
    row("m", "m", Kind::Length, 1.0, 1.0),
    row("km", "km", Kind::Length, 1e3, 1.0),
    row("mi", "mi", Kind::Length, 201_168.0, 125.0),
    row("L", "L", Kind::Volume, 1.0, 1e3),
    row("gal_us", "gal (US)", Kind::Volume, 473_176_473.0, 125_000_000_000.0),
    row("gal_imp", "gal (imp)", Kind::Volume, 454_609.0, 100_000_000.0),
    row("L/h", "L/h", Kind::Flow, 1.0, 3_600_000.0),
];

/// A unit of the config, plain or "per second" of it.
///
/// ```
/// use kickpanel::unit::Unit;
/// let psi = Unit::parse("psi").unwrap();
/// let bar = Unit::parse("bar").unwrap();
/// assert!((psi.convert(60.0, bar).unwrap() - 4.136_854_375_9).abs() < 1e-9);
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Unit {
    row: u8,
    per_second: bool,
}

impl Unit {
    /// A pure number.
    pub const ONE: Self = Self::at(0);
    /// Volt.
    pub const VOLT: Self = Self::at(2);
    /// Millivolt.
    pub const MILLIVOLT: Self = Self::at(3);
    /// Ohm.
    pub const OHM: Self = Self::at(6);
    /// Hertz.
    pub const HERTZ: Self = Self::at(8);
    /// Revolutions (or anything) for each minute.
    pub const PER_MINUTE: Self = Self::at(10);
    /// Second.
    pub const SECOND: Self = Self::at(11);
    /// Degree Celsius.
    pub const CELSIUS: Self = Self::at(22);
    /// Kelvin.
    pub const KELVIN: Self = Self::at(24);
    /// Metre for each second.
    pub const METRE_PER_SECOND: Self = Self::at(25);
    /// Kilometre for each hour.
    pub const KM_PER_HOUR: Self = Self::at(26);
    /// Litre.
    pub const LITRE: Self = Self::at(31);
    /// Litre for each hour.
    pub const LITRE_PER_HOUR: Self = Self::at(34);

    const fn at(row: u8) -> Self {
        Self { row, per_second: false }
    }

    /// The unit of that name as written in the config, `None` where there is none.
    pub fn parse(name: &str) -> Option<Self> {
        Self::plain(name).or_else(|| {
            let unit = Self::plain(name.strip_suffix("/s")?)?;
            Some(Self { per_second: true, ..unit })
        })
    }

    fn plain(name: &str) -> Option<Self> {
        let row = TABLE.iter().position(|row| row.name == name)?;
        u8::try_from(row).ok().map(Self::at)
    }

    /// Every plain unit name, for help texts and nearest-name hints.
    pub fn names() -> impl Iterator<Item = &'static str> {
        TABLE.iter().map(|row| row.name)
    }

    fn row(self) -> &'static Row {
        &TABLE[usize::from(self.row)]
    }

    /// The kind of quantity that this unit measures (of the base, where it is "per second").
    pub fn kind(self) -> Kind {
        self.row().kind
    }

    /// Whether this is a unit "per second" of its kind.
    pub fn is_per_second(self) -> bool {
        self.per_second
    }

    /// The same unit, per second.
    #[must_use]
    pub fn per_second(self) -> Self {
        Self { per_second: true, ..self }
    }

    /// Whether values in this unit can be converted into `other`. `L/s` is a flow and `km/s` a speed, as they read.
    pub fn fits(self, other: Self) -> bool {
        self.dimension() == other.dimension()
    }

    /// The kind, and whether it is meant per second, with the two rates that are kinds of their own told by their name.
    /// Their base units (m/s, m³/s) are those of the plain kind per second, so the factors hold as they are.
    fn dimension(self) -> (Kind, bool) {
        match (self.kind(), self.per_second) {
            (Kind::Length, true) => (Kind::Speed, false),
            (Kind::Volume, true) => (Kind::Flow, false),
            plain => plain,
        }
    }

    /// `value` of this unit in `to`; `None` where the kinds differ.
    pub fn convert(self, value: f64, to: Self) -> Option<f64> {
        self.affine(to).map(|line| line.at(value))
    }

    /// A difference of this unit in `to` (2 K are 3.6 degF apart); `None` where the kinds differ.
    pub fn convert_difference(self, value: f64, to: Self) -> Option<f64> {
        self.affine(to).map(|line| value * line.times / line.over)
    }

    /// The straight line from this unit to `to`, for places that convert often; `None` where the kinds differ.
    pub fn affine(self, to: Self) -> Option<Affine> {
        if !self.fits(to) {
            return None;
        }
        if self == to {
            return Some(Affine::IDENTITY);
        }
        let (from, to, shifts) = (self.row(), to.row(), !self.per_second);
        let (minus, plus) = if shifts { (from.zero, to.zero) } else { (0.0, 0.0) };
        Some(Affine { minus, times: from.times * to.over, over: from.over * to.times, plus })
    }

    /// The name as the config writes it, `bar/s` for a rate of change. For exports and messages.
    pub fn name(self) -> String {
        with_suffix(self.row().name, self.per_second)
    }

    /// The symbol as a screen with Unicode shows it, empty for a pure number.
    pub fn symbol(self) -> String {
        // A pure number has no symbol, but something must stand before the stroke.
        let row = self.row();
        with_suffix(if self.per_second && row.symbol.is_empty() { row.name } else { row.symbol }, self.per_second)
    }
}

fn with_suffix(name: &str, per_second: bool) -> String {
    if per_second { format!("{name}/s") } else { name.to_owned() }
}

impl fmt::Debug for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.name())
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.name())
    }
}

/// A straight line kept as the exact parts of its fraction: `(x - minus) × times / over + plus`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Affine {
    /// Taken off first.
    pub minus: f64,
    /// Numerator of the factor.
    pub times: f64,
    /// Denominator of the factor, not 0.
    pub over: f64,
    /// Put on last.
    pub plus: f64,
}

impl Affine {
    /// Leaves every value as it is, bit for bit.
    pub const IDENTITY: Self = Self { minus: 0.0, times: 1.0, over: 1.0, plus: 0.0 };

    /// The line's value at `x`.
    pub fn at(&self, x: f64) -> f64 {
        if *self == Self::IDENTITY {
            return x;
        }
        (x - self.minus) * self.times / self.over + self.plus
    }

    /// The line that leads back, from the same exact parts. `times` must not be 0; no unit's is.
    #[must_use]
    pub fn inverse(&self) -> Self {
        Self { minus: self.plus, times: self.over, over: self.times, plus: self.minus }
    }
}

impl Kind {
    /// What messages call it, with its article.
    pub fn name(self) -> &'static str {
        match self {
            Self::Voltage => "a voltage",
            Self::Current => "a current",
            Self::Resistance => "a resistance",
            Self::Rate => "a frequency or speed of rotation",
            Self::Time => "a time",
            Self::Pressure => "a pressure",
            Self::Temperature => "a temperature",
            Self::Speed => "a speed",
            Self::Length => "a length",
            Self::Volume => "a volume",
            Self::Flow => "a volume flow",
            Self::Number => "a pure number",
        }
    }

    /// A quantity of this kind as one writes it in the config.
    pub fn example(self) -> &'static str {
        match self {
            Self::Voltage => "4.5 V",
            Self::Current => "20 mA",
            Self::Resistance => "2.2 kohm",
            Self::Rate => "200 Hz",
            Self::Time => "300 ms",
            Self::Pressure => "7 bar",
            Self::Temperature => "25 degC",
            Self::Speed => "50 km/h",
            Self::Length => "2 m",
            Self::Volume => "60 L",
            Self::Flow => "12 L/h",
            Self::Number => "100 %",
        }
    }
}

/// A number with its unit, as written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quantity {
    /// The number, in `unit`; always finite.
    pub value: f64,
    /// The unit it was written with.
    pub unit: Unit,
}

/// Why a text is no quantity.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum QuantityError {
    /// It does not begin with a finite number.
    NoNumber,
    /// There is a number and nothing behind it.
    NoUnit,
    /// What stands behind the number is no unit that the config knows.
    UnknownUnit(String),
}

impl Quantity {
    /// Reads `"2.2 kohm"`. The blank between number and unit may be left out, except before `1/min` and `1`. The
    /// decimal sign is a point.
    pub fn parse(text: &str) -> Result<Self, QuantityError> {
        let text = text.trim();
        let split = number_length(text);
        let value: f64 = text[..split].parse().map_err(|_| QuantityError::NoNumber)?;
        if !value.is_finite() {
            return Err(QuantityError::NoNumber);
        }
        let name = text[split..].trim_start();
        // A decimal comma, as half of the world writes it, is no strange unit but a number that is not understood.
        if name.strip_prefix(',').is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_digit())) {
            return Err(QuantityError::NoNumber);
        }
        if name.is_empty() {
            return Err(QuantityError::NoUnit);
        }
        let unit = Unit::parse(name).ok_or_else(|| QuantityError::UnknownUnit(name.to_owned()))?;
        Ok(Self { value, unit })
    }

    /// The number in `unit`; `None` where the kinds differ.
    pub fn in_unit(self, unit: Unit) -> Option<f64> {
        self.unit.convert(self.value, unit)
    }
}

/// How many bytes at the beginning of `text` look like one decimal number.
fn number_length(text: &str) -> usize {
    let bytes = text.as_bytes();
    let mut end = 0;
    while end < bytes.len() {
        let exponent_sign = end > 0 && matches!(bytes[end - 1], b'e' | b'E');
        let exponent =
            matches!(bytes[end], b'e' | b'E') && matches!(bytes.get(end + 1), Some(b'0'..=b'9' | b'+' | b'-'));
        let sign = matches!(bytes[end], b'+' | b'-') && (end == 0 || exponent_sign);
        if !(bytes[end].is_ascii_digit() || bytes[end] == b'.' || sign || exponent) {
            break;
        }
        end += 1;
    }
    end
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    fn unit(name: &str) -> Unit {
        Unit::parse(name).unwrap()
    }

    #[rstest]
    #[case::blank("2.2 kohm", 2.2, "kohm")]
    #[case::no_blank("2.2kohm", 2.2, "kohm")]
    #[case::many_blanks("  7\t bar ", 7.0, "bar")]
    #[case::minus("-40 degC", -40.0, "degC")]
    #[case::plus("+5 V", 5.0, "V")]
    #[case::exponent("1.5e3 Hz", 1500.0, "Hz")]
    #[case::exponent_with_sign("2E-3 A", 0.002, "A")]
    #[case::no_digit_ahead_of_the_point(".5 V", 0.5, "V")]
    #[case::unit_that_begins_with_a_digit("3000 1/min", 3000.0, "1/min")]
    #[case::pure_number("3 1", 3.0, "1")]
    #[case::share("50%", 50.0, "%")]
    #[case::rate_of_change("50 bar/s", 50.0, "bar/s")]
    #[case::rate_of_a_rate("10 km/h/s", 10.0, "km/h/s")]
    fn a_quantity_is_read(#[case] text: &str, #[case] value: f64, #[case] name: &str) {
        assert_eq!(Quantity::parse(text), Ok(Quantity { value, unit: unit(name) }));
    }

    #[rstest]
    #[case::empty("")]
    #[case::blank("  ")]
    #[case::only_a_unit("bar")]
    #[case::no_number("nan V")]
    #[case::endless("inf V")]
    #[case::too_large("1e999 V")]
    #[case::two_points("1.2.3 V")]
    #[case::two_exponents("1e5e5 V")]
    #[case::only_a_sign("- V")]
    #[case::decimal_comma("4,5 V")]
    #[case::typographic_minus("\u{2212}5 degC")]
    fn what_begins_with_no_number_is_refused(#[case] text: &str) {
        assert_eq!(Quantity::parse(text), Err(QuantityError::NoNumber));
    }

    #[rstest]
    #[case::plain("4.5")]
    #[case::exponent("1e3")]
    #[case::blank_behind("4.5  ")]
    fn a_number_alone_is_refused(#[case] text: &str) {
        assert_eq!(Quantity::parse(text), Err(QuantityError::NoUnit));
    }

    #[rstest]
    #[case::unknown("4.5 furlong", "furlong")]
    #[case::wrong_letters("4.5 v", "v")]
    #[case::exponent_without_digits("2e V", "e V")]
    #[case::two_units("4.5 V V", "V V")]
    #[case::per_second_of_nothing("4.5 /s", "/s")]
    #[case::twice_per_second("4.5 bar/s/s", "bar/s/s")]
    fn an_unknown_unit_is_named(#[case] text: &str, #[case] name: &str) {
        assert_eq!(Quantity::parse(text), Err(QuantityError::UnknownUnit(name.to_owned())));
    }

    #[test]
    fn every_constant_is_the_unit_it_is_named_after() {
        let named = [
            (Unit::ONE, "1"),
            (Unit::VOLT, "V"),
            (Unit::MILLIVOLT, "mV"),
            (Unit::OHM, "ohm"),
            (Unit::HERTZ, "Hz"),
            (Unit::PER_MINUTE, "1/min"),
            (Unit::SECOND, "s"),
            (Unit::CELSIUS, "degC"),
            (Unit::KELVIN, "K"),
            (Unit::METRE_PER_SECOND, "m/s"),
            (Unit::KM_PER_HOUR, "km/h"),
            (Unit::LITRE, "L"),
            (Unit::LITRE_PER_HOUR, "L/h"),
        ];
        for (constant, name) in named {
            assert_eq!(constant.name(), name);
        }
    }

    #[test]
    fn every_name_is_read_and_every_example_is_of_its_kind() {
        for name in Unit::names() {
            assert_eq!(unit(name).name(), name);
            let kind = unit(name).kind();
            assert_eq!(Quantity::parse(kind.example()).unwrap().unit.kind(), kind);
            let rate = format!("{name}/s");
            // `m/s` is a name of its own.
            assert_eq!(unit(&rate).name(), rate);
        }
        assert!(!unit("m/s").is_per_second());
        assert!(unit("bar/s").is_per_second());
    }

    #[test]
    fn symbols_are_what_a_screen_shows() {
        assert_eq!(unit("degC").symbol(), "°C");
        assert_eq!(unit("kohm").symbol(), "kΩ");
        assert_eq!(unit("1").symbol(), "");
        assert_eq!(unit("1/s").symbol(), "1/s");
        assert_eq!(unit("degC/s").symbol(), "°C/s");
    }

    #[test]
    fn a_difference_of_temperatures_has_no_zero_point() {
        let (celsius, fahrenheit, kelvin) = (Unit::CELSIUS, unit("degF"), Unit::KELVIN);
        assert_eq!(celsius.convert(20.0, fahrenheit), Some(68.0));
        assert_eq!(celsius.convert_difference(20.0, fahrenheit), Some(36.0));
        assert_eq!(kelvin.convert_difference(20.0, celsius), Some(20.0));
        assert_eq!(unit("degF/s").convert(9.0, unit("degC/s")), Some(5.0));
        assert_eq!(unit("K/s").convert(2.0, unit("degC/s")), Some(2.0));
    }

    #[test]
    fn kinds_do_not_mix() {
        assert_eq!(Unit::VOLT.convert(1.0, Unit::OHM), None);
        assert_eq!(unit("bar").convert(1.0, unit("bar/s")), None);
        assert_eq!(Unit::ONE.per_second().convert(1.0, Unit::HERTZ), None);
        assert_eq!(Unit::VOLT.convert_difference(1.0, Unit::OHM), None);
        assert_eq!(Quantity::parse("4.5 V").unwrap().in_unit(Unit::OHM), None);
    }

    #[test]
    fn a_length_per_second_is_a_speed_and_a_volume_per_second_a_flow() {
        assert_eq!(unit("km/s").convert(1.0, Unit::METRE_PER_SECOND), Some(1000.0));
        assert_eq!(unit("L/s").convert(1.0, Unit::LITRE_PER_HOUR), Some(3600.0));
    }

    #[test]
    fn a_unit_into_itself_leaves_every_bit() {
        for name in Unit::names() {
            let value = 0.1 + 0.2;
            assert_eq!(unit(name).convert(value, unit(name)).unwrap().to_bits(), f64::to_bits(value));
        }
    }

    #[test]
    fn the_inverse_of_a_line_leads_back() {
        let line = unit("degF").affine(Unit::CELSIUS).unwrap();
        assert_eq!(line.at(212.0).to_bits(), 100.0_f64.to_bits());
        assert_eq!(line.inverse().at(100.0).to_bits(), 212.0_f64.to_bits());
    }
}
