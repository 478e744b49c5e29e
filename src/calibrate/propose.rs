//! From pairs to a changed config: which change, how good it is, and the text that means it.
//!
//! Owns what is refused and what is warned of. In: the config's text and model, pairs. Out: a [`Proposal`]. A text is
//! proposed only where it was loaded and means the old config with nothing but this change.

use std::fmt;

use super::edit::{Table, sharers, with_calibration, with_curve};
use super::fit::{Errors, line, steinhart_hart};
use super::gather::{Mean, Scale};
use crate::channel::{Conditions, Transfer};
use crate::config::{self, Calibration, Channel, Model, Sensor, Source};
use crate::curve::brief;
use crate::sensor::{Curve, CurveError};
use crate::unit::{Affine, Unit};

/// How far apart pairs must be for a slope, as a share of the scale. Judgment, no source.
const APART: f64 = 0.1;
/// How much of the scale pairs should cover, so that the rest is no guess. Judgment, no source.
const COVER: f64 = 0.5;
/// A gain outside of this is hardly a matter of tolerance. Common practice, no source: sensors and dividers of 5 to 10 %.
const USUAL_GAIN: (f64, f64) = (0.8, 1.25);
/// A gain outside of this is another sensor, circuit or unit.
const ABSURD_GAIN: (f64, f64) = (0.5, 2.0);
/// An offset above this share of the scale is hardly a matter of tolerance.
const USUAL_OFFSET: f64 = 0.2;

/// A steady raw value and what the trusted gauge said then, in the channel's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pair {
    /// The raw value: without calibration and smoothing.
    pub mean: Mean,
    /// What the gauge said.
    pub gauge: f64,
}

/// What the user wants besides the fit.
#[derive(Clone, Debug, PartialEq)]
pub struct Wanted {
    /// The three constants of the thermistor in place of gain and offset.
    pub refit: bool,
    /// The date.
    pub on: String,
    /// What it was compared with.
    pub against: String,
}

/// What is changed.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    /// Gain and offset.
    Line {
        /// Factor.
        gain: f64,
        /// Put on, in the channel's unit.
        offset: f64,
        /// How good the fit is, from three pairs on.
        errors: Option<Errors>,
    },
    /// The curve of a thermistor, by its three constants.
    Curve([f64; 3]),
}

/// A change with all that is to be known before it is written.
#[derive(Clone, Debug)]
pub struct Proposal {
    /// The change.
    pub change: Change,
    /// What the channel shows now at each pair, less what the gauge said.
    pub before: Vec<f64>,
    /// The same with the change.
    pub after: Vec<f64>,
    /// What the user should think about.
    pub warnings: Vec<String>,
    /// The new text of the config; or what to paste into it by hand, where it cannot be edited byte by byte.
    pub text: Result<String, String>,
    /// What the new config means.
    pub model: Model,
}

/// Why pairs make no calibration.
#[derive(Clone, Debug, PartialEq)]
pub enum Refusal {
    /// There is none.
    NoPairs,
    /// They lie so far apart at most, and must lie that far, in that unit.
    TooNear(f64, f64, Unit),
    /// The gauge hardly moved while the raw value did.
    Flat,
    /// A refit was asked for of a channel that is no thermistor.
    NoThermistor,
    /// So few pairs are not enough for a refit.
    TooFew(usize),
    /// The constants make no thermistor.
    Refit(CurveError),
    /// The sensor serves these channels too.
    Shared(Vec<String>),
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoPairs => f.write_str("no pair was taken"),
            Self::TooNear(is, needs, unit) => write!(
                f,
                "the raw values of the pairs lie only {} apart; a slope needs at least {}, a tenth of the scale: \
                 take one pair low and one high, or leave a single one for an offset",
                with_unit(*is, 3, *unit),
                with_unit(*needs, 3, *unit)
            ),
            Self::Flat => f.write_str(
                "the gauge hardly moved while the raw value did; look whether both measure the same thing",
            ),
            Self::NoThermistor => f.write_str("--refit is for thermistors; other sensors take a gain and an offset"),
            Self::TooFew(count) => {
                write!(f, "a refit needs three pairs or more, far apart in temperature; there are {count}")
            }
            Self::Refit(CurveError::SameInput) => {
                f.write_str("two pairs have the same resistance or temperature; a refit needs three that differ")
            }
            Self::Refit(_) => f.write_str(
                "these pairs make no thermistor over the range of the sensor: its resistance must fall steadily as it warms; \
                 take pairs further apart, or give the sensor a smaller `valid`",
            ),
            Self::Shared(others) => write!(
                f,
                "the sensor serves {} too, and a refit would change all of them; give this channel a sensor of its own first",
                others.join(", ")
            ),
        }
    }
}

/// `model` as pairs are gathered by: the channel at `place` without calibration and smoothing, and no output armed.
pub fn bare(model: &Model, place: usize) -> Model {
    let mut model = model.clone();
    model.outputs.iter_mut().for_each(|output| output.armed = false);
    if let Some(channel) = model.channels.get_mut(place) {
        (channel.calibration, channel.smooth) = (None, None);
    }
    model
}

/// The change that `pairs` ask for at the channel at `place` of the config `text`, which means `model`.
pub fn propose(
    text: &str,
    model: &Model,
    place: usize,
    pairs: &[Pair],
    scale: Scale,
    wanted: &Wanted,
) -> Result<Proposal, Refusal> {
    let channel = model.channels.get(place).ok_or(Refusal::NoPairs)?;
    if pairs.is_empty() {
        return Err(Refusal::NoPairs);
    }
    let (gain, offset) = channel.calibration.as_ref().map_or((1.0, 0.0), |old| (old.gain, old.offset));
    let before = pairs.iter().map(|pair| pair.mean.value * gain + offset - pair.gauge).collect();
    let given = Given { text, model, place, channel, pairs, scale, wanted };
    let mut proposal = if wanted.refit { given.curve()? } else { given.straight()? };
    proposal.before = before;
    Ok(proposal)
}

struct Given<'a> {
    text: &'a str,
    model: &'a Model,
    place: usize,
    channel: &'a Channel,
    pairs: &'a [Pair],
    scale: Scale,
    wanted: &'a Wanted,
}

impl Given<'_> {
    /// Gain and offset; the offset alone from one pair, with the gain that there was.
    fn straight(&self) -> Result<Proposal, Refusal> {
        let (gain, offset, errors) = if let [pair] = self.pairs {
            let gain = self.channel.calibration.as_ref().map_or(1.0, |old| old.gain);
            (gain, pair.gauge - pair.mean.value * gain, None)
        } else {
            self.far_apart()?;
            let pairs: Vec<(f64, f64)> = self.pairs.iter().map(|pair| (pair.mean.value, pair.gauge)).collect();
            let fit = line(&pairs).ok_or(Refusal::Flat)?;
            (fit.slope, fit.intercept, fit.errors)
        };
        let (gain, offset) = (rounded(gain), rounded(offset));
        if gain.abs() < 1e-6 {
            return Err(Refusal::Flat);
        }
        let after: Vec<f64> = self.pairs.iter().map(|pair| pair.mean.value * gain + offset - pair.gauge).collect();
        let table = self.table(gain, offset);
        let model = self.meant(&table);
        let found =
            with_calibration(self.text, &self.channel.name, &table).into_iter().find(|text| means(text, &model));
        let mut warnings = self.warnings(gain, offset);
        warnings.extend(self.better(&after));
        let text = found.ok_or_else(|| table.entry());
        Ok(Proposal { change: Change::Line { gain, offset, errors }, before: Vec::new(), after, warnings, text, model })
    }

    fn table(&self, gain: f64, offset: f64) -> Table {
        Table { gain, offset, on: self.wanted.on.clone(), against: self.wanted.against.clone() }
    }

    /// What the config means with that calibration.
    fn meant(&self, table: &Table) -> Model {
        let mut model = self.model.clone();
        let Table { gain, offset, on, against } = table.clone();
        model.channels[self.place].calibration =
            Some(Calibration { gain, offset, on: Some(on), against: Some(against) });
        model
    }

    fn far_apart(&self) -> Result<(), Refusal> {
        let (is, needs) = (self.distance(), self.scale.width * APART);
        if is < needs { Err(Refusal::TooNear(is, needs, self.channel.unit)) } else { Ok(()) }
    }

    fn distance(&self) -> f64 {
        let values = || self.pairs.iter().map(|pair| pair.mean.value);
        values().fold(f64::NEG_INFINITY, f64::max) - values().fold(f64::INFINITY, f64::min)
    }

    fn warnings(&self, gain: f64, offset: f64) -> Vec<String> {
        let inside = |(low, high): (f64, f64)| (low..=high).contains(&gain);
        let mut warnings = Vec::new();
        if !inside(ABSURD_GAIN) {
            warnings.push(format!(
                "a gain of {} is absurd: before you write it look for the wrong sensor, circuit or unit in the config, or the \
                 wrong unit on the gauge",
                brief(gain, 4)
            ));
        } else if !inside(USUAL_GAIN) {
            warnings.push(format!(
                "a gain of {} is more than tolerances explain; look whether sensor and circuit are those of the config",
                brief(gain, 4)
            ));
        }
        if offset.abs() > self.scale.width * USUAL_OFFSET {
            let (offset, unit) = (brief(offset, 4), self.channel.unit);
            warnings.push(format!(
                "an offset of {offset} {unit} is more than a fifth of the scale; look for a bad ground first"
            ));
        }
        if self.pairs.len() == 1 {
            warnings.push(
                "one pair moves the whole curve; a second one, far from it, shows whether the slope is right"
                    .to_owned(),
            );
        } else if self.distance() < self.scale.width * COVER {
            let share = brief(self.distance() / self.scale.width * 100.0, 2);
            warnings.push(format!("the pairs cover {share} % of the scale; beyond them it is a guess"));
        }
        warnings
    }

    /// That a refit would come much nearer, where it would.
    fn better(&self, after: &[f64]) -> Option<String> {
        let largest = |left: &[f64]| left.iter().fold(0.0, |most: f64, x| most.max(x.abs()));
        let straight = largest(after);
        let refit = self.curve().ok()?;
        let curved = largest(&refit.after);
        let size = |number: f64| with_unit(number, 2, self.channel.unit);
        (straight > self.scale.drift() && curved < straight / 2.0).then(|| {
            format!(
                "new constants for the thermistor would come nearer: {} off at most in place of {}; ask with --refit",
                size(curved),
                size(straight)
            )
        })
    }

    /// New constants for a thermistor; a calibration that is there is set to nothing.
    fn curve(&self) -> Result<Proposal, Refusal> {
        let into = thermistor(self.channel).ok_or(Refusal::NoThermistor)?;
        if self.pairs.len() < 3 {
            return Err(Refusal::TooFew(self.pairs.len()));
        }
        self.far_apart()?;
        let shared = sharers(self.text, &self.channel.name);
        if !shared.is_empty() {
            return Err(Refusal::Shared(shared));
        }
        let celsius = |pair: &Pair| into.inverse().at(pair.gauge);
        let points: Vec<(f64, f64)> = self.pairs.iter().map(|pair| (celsius(pair), pair.mean.input)).collect();
        let abc = steinhart_hart(&points).map_err(Refusal::Refit)?.map(rounded);
        let line = entry(&points, abc);
        let (text, model) = self.refitted(&line).ok_or(Refusal::Refit(CurveError::NotAThermistor))?;
        let transfer = Transfer::new(&model.channels[self.place], &model.trust, Conditions::usual(&model));
        let shown = |pair: &Pair| transfer.as_ref().and_then(|way| way.at_input(pair.mean.input).value.good());
        let after = self.pairs.iter().map(|pair| shown(pair).map_or(f64::NAN, |value| value - pair.gauge)).collect();
        let warnings = if self.distance() < self.scale.width * COVER {
            vec!["the pairs cover less than half of the scale; beyond them the curve is a guess".to_owned()]
        } else {
            Vec::new()
        };
        Ok(Proposal { change: Change::Curve(abc), before: Vec::new(), after, warnings, text: text.ok_or(line), model })
    }

    /// The first text in which the sensor is that and nothing else changed, and what it means. A text that makes a
    /// thermistor but cannot be had by an edit is left to the user.
    fn refitted(&self, line: &str) -> Option<(Option<String>, Model)> {
        let neutral = self.table(1.0, 0.0);
        let mut expected = if self.channel.calibration.is_some() { self.meant(&neutral) } else { self.model.clone() };
        let name = &self.channel.name;
        for text in with_curve(self.text, name, line) {
            let texts =
                if self.channel.calibration.is_some() { with_calibration(&text, name, &neutral) } else { vec![text] };
            for text in texts {
                let Some(model) = config::load(&text).model else { continue };
                expected.channels[self.place].source = model.channels.get(self.place)?.source.clone();
                if model == expected {
                    return Some((Some(text), model));
                }
            }
        }
        // Whether the constants make a thermistor at all is known from a sensor on its own.
        let alone = format!(
            "[channel.x]\ninput = \"a0\"\ncircuit = {{ kind = \"pullup\", resistor = \"1 kohm\" }}\n\
             sensor = {{ kind = \"thermistor\", {line} }}\n"
        );
        let found = config::load(&alone).model?.channels.into_iter().next()?;
        let (Source::Input(new), Source::Input(own)) = (found.source, &mut expected.channels[self.place].source) else {
            return None;
        };
        if let (Sensor::Curve { curve: new, .. }, Sensor::Curve { curve: own, .. }) = (new.sensor, &mut own.sensor) {
            *own = new;
        }
        Some((None, expected))
    }
}

/// The line of the config that describes the thermistor: three points as they were measured, or the constants.
fn entry(points: &[(f64, f64)], abc: [f64; 3]) -> String {
    if let [one, two, three] = points {
        let pair =
            |&(celsius, ohm): &(f64, f64)| format!("[\"{} degC\", \"{} ohm\"]", brief(celsius, 6), brief(ohm, 7));
        return format!("points = [{}, {}, {}]", pair(one), pair(two), pair(three));
    }
    let [a, b, c] = abc;
    format!("abc = [{a:?}, {b:?}, {c:?}]")
}

/// From degC into the channel's unit, where it is a thermistor.
fn thermistor(channel: &Channel) -> Option<Affine> {
    let Source::Input(input) = &channel.source else { return None };
    match &input.sensor {
        Sensor::Curve { curve: Curve::Thermistor(_), into, .. } => Some(*into),
        _ => None,
    }
}

/// Whether `text` has no mistake and means `model`.
fn means(text: &str, model: &Model) -> bool {
    config::load(text).model.as_ref() == Some(model)
}

/// `number` with so many digits and its unit, if that has a name.
pub(super) fn with_unit(number: f64, digits: i32, unit: Unit) -> String {
    let name = if unit == Unit::ONE { String::new() } else { unit.name() };
    format!("{} {name}", brief(number, digits)).trim_end().to_owned()
}

/// To ten digits, which is more than any gauge has: a file is to be read by people.
fn rounded(number: f64) -> f64 {
    let short: f64 = format!("{number:.9e}").parse().unwrap_or(number);
    // 0 has no sign in a config.
    short + 0.0
}
