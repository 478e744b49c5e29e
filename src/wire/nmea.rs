//! Sentences of a satellite receiver, NMEA 0183: RMC, GGA and VTG of any talker.
//!
//! Owns the sentences' fields and their names here. In: lines. Out: fields filled. Every sentence must carry its
//! checksum (the exclusive-or of all bytes between `$` and `*`). An empty field is null, never 0. Degrees are signed:
//! north and east positive, south and west negative, and so is the magnetic variation: east positive, so that true course =
//! magnetic course + variation. While the receiver itself says that its data are not valid (RMC status V, GGA quality 0),
//! position, course, speed and altitude are null even if it still sends old ones. Years of two digits are 1969 to 2068.
//!
//! Source: the order of fields is from memory, held against the sentences of `tests/reference/05_nmea.jsonl`, which
//! names where each came from.

use super::clock::SketchClock;
use super::core::{Core, Taken};
use super::fields::Target;
use super::{Raw, Reject, number};
use crate::time::Stamp;

/// The names of all fields that a satellite receiver's sentences give.
// In the order of `Field`.
pub const NMEA_FIELDS: [&str; 18] = [
    "latitude_deg",
    "longitude_deg",
    "speed_kn",
    "speed_m_per_s",
    "speed_km_per_h",
    "course_true_deg",
    "course_magnetic_deg",
    "magnetic_variation_deg",
    "altitude_m",
    "geoid_separation_m",
    "satellites",
    "hdop",
    "quality",
    "valid",
    "utc_s",
    "year",
    "month",
    "day",
];

/// A field that a sentence may fill.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Field {
    Latitude,
    Longitude,
    SpeedKnots,
    SpeedMetres,
    SpeedKilometres,
    CourseTrue,
    CourseMagnetic,
    Variation,
    Altitude,
    GeoidSeparation,
    Satellites,
    Hdop,
    Quality,
    Valid,
    UtcSeconds,
    Year,
    Month,
    Day,
}

/// What is remembered of a link in the NMEA form.
#[derive(Clone, Debug)]
pub(super) struct Nmea {
    /// Where each field goes.
    slots: [u16; NMEA_FIELDS.len()],
    /// Which of those that the config does not use were written down.
    noted: [bool; NMEA_FIELDS.len()],
    clock: SketchClock,
}

/// Where the fields of one sentence are put.
struct Sheet<'a> {
    nmea: &'a mut Nmea,
    core: &'a mut Core,
}

impl Nmea {
    pub(super) fn new(core: &Core) -> Self {
        let slots = NMEA_FIELDS.map(|name| core.names.slot(name).unwrap_or(Target::NOWHERE));
        Self { slots, noted: [false; NMEA_FIELDS.len()], clock: SketchClock::new(None) }
    }

    /// Goes on where `before` stands.
    pub(super) fn go_on_from(&mut self, before: &Self) -> bool {
        self.clock.go_on_from(&before.clock)
    }

    pub(super) fn line(&mut self, core: &mut Core, now: Stamp, line: &[u8]) -> Result<Taken, Reject> {
        let text = std::str::from_utf8(line).map_err(|_| Reject::NotUtf8)?;
        let sentence = checked(text)?;
        let (address, fields) = sentence.split_once(',').ok_or(Reject::Malformed)?;
        if !address.bytes().all(|byte| byte.is_ascii_uppercase() || byte.is_ascii_digit()) {
            return Err(Reject::Malformed);
        }
        // A talker of two characters and a kind of three; what makers invent for themselves begins with P.
        let kind = address.get(2..).filter(|_| address.len() == 5 && !address.starts_with('P'));
        let read = match kind {
            Some("RMC") => rmc,
            Some("GGA") => gga,
            Some("VTG") => vtg,
            _ => return Err(Reject::UnknownSentence),
        };
        core.reading.clear();
        read(&mut Sheet { nmea: self, core }, &Parts::of(fields))?;
        core.reading.signed = true;
        core.took(self.clock.reading(now, None));
        Ok(Taken::Reading)
    }
}

/// What stands between `$` and `*`, if the checksum behind it is right.
fn checked(text: &str) -> Result<&str, Reject> {
    let rest = text.strip_prefix(['$', '!']).ok_or(Reject::Malformed)?;
    let Some((sentence, says)) = rest.rsplit_once('*') else { return Err(Reject::ChecksumMissing) };
    let is = sentence.bytes().fold(0, |sum, byte| sum ^ byte);
    let two_digits = says.len() == 2 && says.bytes().all(|byte| byte.is_ascii_hexdigit());
    if !two_digits || u8::from_str_radix(says, 16) != Ok(is) {
        return Err(Reject::Checksum);
    }
    Ok(sentence)
}

/// RMC: time, status, latitude, N/S, longitude, E/W, knots, true course, date, variation, E/W, and since then more.
fn rmc(sheet: &mut Sheet<'_>, parts: &Parts<'_>) -> Result<(), Reject> {
    parts.at_least(11)?;
    let valid = match parts.get(1) {
        "A" => Raw::Number(1.0),
        "V" => Raw::Number(0.0),
        "" => Raw::Null,
        _ => return Err(Reject::WrongType),
    };
    let good = valid == Raw::Number(1.0);
    sheet.put(Field::UtcSeconds, seconds_of_day(parts.get(0))?);
    sheet.put(Field::Valid, valid);
    sheet.put(Field::Latitude, only_if(good, angle(parts.get(2), parts.get(3), ["N", "S"], 90.0)?));
    sheet.put(Field::Longitude, only_if(good, angle(parts.get(4), parts.get(5), ["E", "W"], 180.0)?));
    sheet.speed(only_if(good, ranged(parts.get(6), 0.0, f64::MAX)?));
    sheet.put(Field::SpeedKilometres, only_if(good, ranged(parts.get(6), 0.0, f64::MAX)?.map(|knots| knots * 1.852)));
    sheet.put(Field::CourseTrue, only_if(good, ranged(parts.get(7), 0.0, 360.0)?));
    sheet.date(parts.get(8))?;
    let variation = ranged(parts.get(9), 0.0, 180.0)?;
    sheet.put(Field::Variation, signed(variation, parts.get(10), ["E", "W"])?);
    Ok(())
}

/// GGA: time, latitude, N/S, longitude, E/W, quality, satellites, dilution, altitude, M, separation, M, age, station.
fn gga(sheet: &mut Sheet<'_>, parts: &Parts<'_>) -> Result<(), Reject> {
    parts.at_least(14)?;
    let quality = ranged(parts.get(5), 0.0, 9.0)?;
    let good = quality.is_some_and(|quality| quality >= 1.0);
    sheet.put(Field::UtcSeconds, seconds_of_day(parts.get(0))?);
    sheet.put(Field::Latitude, only_if(good, angle(parts.get(1), parts.get(2), ["N", "S"], 90.0)?));
    sheet.put(Field::Longitude, only_if(good, angle(parts.get(3), parts.get(4), ["E", "W"], 180.0)?));
    sheet.put(Field::Quality, quality);
    sheet.put(Field::Satellites, ranged(parts.get(6), 0.0, 999.0)?);
    sheet.put(Field::Hdop, ranged(parts.get(7), 0.0, f64::MAX)?);
    parts.unit(9, "M")?;
    sheet.put(Field::Altitude, only_if(good, ranged(parts.get(8), -f64::MAX, f64::MAX)?));
    parts.unit(11, "M")?;
    sheet.put(Field::GeoidSeparation, only_if(good, ranged(parts.get(10), -f64::MAX, f64::MAX)?));
    Ok(())
}

/// VTG: true course, T, magnetic course, M, knots, N, km/h, K.
fn vtg(sheet: &mut Sheet<'_>, parts: &Parts<'_>) -> Result<(), Reject> {
    parts.at_least(8)?;
    for (place, unit) in [(1, "T"), (3, "M"), (5, "N"), (7, "K")] {
        parts.unit(place, unit)?;
    }
    sheet.put(Field::CourseTrue, ranged(parts.get(0), 0.0, 360.0)?);
    sheet.put(Field::CourseMagnetic, ranged(parts.get(2), 0.0, 360.0)?);
    sheet.speed(ranged(parts.get(4), 0.0, f64::MAX)?);
    sheet.put(Field::SpeedKilometres, ranged(parts.get(6), 0.0, f64::MAX)?);
    Ok(())
}

impl Sheet<'_> {
    /// Puts `value` where the config wants `field`, or writes its name down once.
    fn put(&mut self, field: Field, value: impl Into<Raw>) {
        let place = field as usize;
        let slot = self.nmea.slots[place];
        if let Some(to) = self.core.reading.fields_mut().get_mut(usize::from(slot)) {
            *to = value.into();
        } else if !self.nmea.noted[place] {
            self.nmea.noted[place] = true;
            self.core.names.note_unknown(NMEA_FIELDS[place]);
        }
    }

    /// A speed in knots, in its two exact units. 1 kn is 1852 m in an hour.
    fn speed(&mut self, knots: Option<f64>) {
        self.put(Field::SpeedKnots, knots);
        self.put(Field::SpeedMetres, knots.map(|knots| knots * 1852.0 / 3600.0));
    }

    /// A date as `ddmmyy`.
    fn date(&mut self, text: &str) -> Result<(), Reject> {
        let parts = if text.is_empty() { None } else { Some(two_digit_parts(text)?) };
        if let Some([day, month, _]) = parts
            && !((1..=31).contains(&day) && (1..=12).contains(&month))
        {
            return Err(Reject::OutOfRange);
        }
        let year = |year: u32| if year < 69 { 2000 + year } else { 1900 + year };
        self.put(Field::Year, parts.map(|[_, _, two]| f64::from(year(two))));
        self.put(Field::Month, parts.map(|[_, month, _]| f64::from(month)));
        self.put(Field::Day, parts.map(|[day, _, _]| f64::from(day)));
        Ok(())
    }
}

impl From<Option<f64>> for Raw {
    fn from(value: Option<f64>) -> Self {
        value.map_or(Self::Null, Self::Number)
    }
}

/// The fields behind the address.
struct Parts<'a> {
    /// More than any sentence that is read has.
    parts: [&'a str; 16],
    count: usize,
}

impl<'a> Parts<'a> {
    fn of(fields: &'a str) -> Self {
        let mut parts = [""; 16];
        let mut count = 0;
        for (to, from) in parts.iter_mut().zip(fields.split(',')) {
            *to = from;
            count += 1;
        }
        Self { parts, count }
    }

    fn get(&self, place: usize) -> &'a str {
        self.parts.get(place).copied().unwrap_or_default()
    }

    fn at_least(&self, count: usize) -> Result<(), Reject> {
        if self.count < count { Err(Reject::Malformed) } else { Ok(()) }
    }

    /// The field at `place` is a fixed letter, or is left out with its value.
    fn unit(&self, place: usize, unit: &str) -> Result<(), Reject> {
        let is = self.get(place);
        if is == unit || (is.is_empty() && self.get(place - 1).is_empty()) { Ok(()) } else { Err(Reject::Malformed) }
    }
}

fn only_if(good: bool, value: Option<f64>) -> Option<f64> {
    value.filter(|_| good)
}

/// The number that `text` writes, `None` where it is empty.
fn ranged(text: &str, least: f64, most: f64) -> Result<Option<f64>, Reject> {
    if text.is_empty() {
        return Ok(None);
    }
    let value = number::loose(text).ok_or(Reject::WrongType)?;
    if value.is_finite() && (least..=most).contains(&value) { Ok(Some(value)) } else { Err(Reject::OutOfRange) }
}

/// An angle as degrees and minutes, `dddmm.mmm`, with the letter of its side.
fn angle(text: &str, side: &str, sides: [&str; 2], most: f64) -> Result<Option<f64>, Reject> {
    let Some(packed) = ranged(text, 0.0, f64::MAX)? else {
        return if side.is_empty() { Ok(None) } else { signed(None, side, sides) };
    };
    if !text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.') {
        return Err(Reject::WrongType);
    }
    let digits = text.find('.').unwrap_or(text.len()).saturating_sub(2);
    let (degrees, minutes) = text.split_at_checked(digits).ok_or(Reject::Malformed)?;
    let degrees = ranged(degrees, 0.0, packed)?.unwrap_or(0.0);
    let minutes = ranged(minutes, 0.0, 59.999_999_999)?.ok_or(Reject::Malformed)?;
    let value = degrees + minutes / 60.0;
    if value > most {
        return Err(Reject::OutOfRange);
    }
    signed(Some(value), side, sides)
}

/// `value` with the sign of its side: the first of `sides` is positive. A value without a side is not known.
fn signed(value: Option<f64>, side: &str, sides: [&str; 2]) -> Result<Option<f64>, Reject> {
    match side {
        "" => Ok(None),
        _ if side == sides[0] => Ok(value),
        _ if side == sides[1] => Ok(value.map(|value| if value == 0.0 { value } else { -value })),
        _ => Err(Reject::WrongType),
    }
}

/// `hhmmss` with or without a fraction, as seconds of the day. A leap second has second 60.
fn seconds_of_day(text: &str) -> Result<Option<f64>, Reject> {
    if text.is_empty() {
        return Ok(None);
    }
    let (whole, fraction) = text.split_at_checked(6).ok_or(Reject::WrongType)?;
    let [hours, minutes, seconds] = two_digit_parts(whole)?;
    if hours > 23 || minutes > 59 || seconds > 60 {
        return Err(Reject::OutOfRange);
    }
    let is_fraction = fraction.is_empty() || (fraction.starts_with('.') && fraction != ".");
    let fraction = if is_fraction { ranged(fraction, 0.0, 1.0)? } else { return Err(Reject::WrongType) };
    Ok(Some(f64::from(hours * 3600 + minutes * 60 + seconds) + fraction.unwrap_or(0.0)))
}

/// Six digits as three numbers of two.
fn two_digit_parts(text: &str) -> Result<[u32; 3], Reject> {
    let six: [u8; 6] = text.as_bytes().try_into().map_err(|_| Reject::WrongType)?;
    if !six.iter().all(u8::is_ascii_digit) {
        return Err(Reject::WrongType);
    }
    let two = |at: usize| u32::from(six[at] - b'0') * 10 + u32::from(six[at + 1] - b'0');
    Ok([two(0), two(2), two(4)])
}
