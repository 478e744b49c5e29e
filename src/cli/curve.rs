//! `curve`: a channel's way from the pin to its value, drawn or at one place.

use std::io::{self, Write};
use std::path::PathBuf;

use super::{Answer, WrongUsage, paper, setup};
use crate::channel::{At, Conditions, Transfer};
use crate::config::{Channel, Cold, Model, Sensor, Source};
use crate::curve::{Samples, Sheet, brief};
use crate::overview::Overview;
use crate::text::safe;
use crate::unit::{Quantity, QuantityError, Unit};
use crate::wire::ADC_MAX;

/// What `curve` takes.
#[derive(Debug, clap::Args)]
#[command(after_help = "Draws the very way that readings go: circuit, rules of trust, sensor curve, calibration.\n\
    Exits with 1 where --at asks for a place without a trusted value.\n\n\
    Examples:\n  kickpanel curve coolant\n  kickpanel curve coolant --at \"820 ohm\"\n  \
    kickpanel curve oil --at \"512 counts\" --json")]
pub struct Arguments {
    /// The channel
    channel: String,

    /// Its value at one place: counts, or what the curve takes behind the circuit ("820 ohm", "1.234 V", "33 Hz")
    #[arg(long, value_name = "PLACE", allow_hyphen_values = true)]
    at: Option<String>,

    /// The converter's supply [default: the middle of `[trust] supply`, else 5 V]
    #[arg(long, value_name = "VOLTS")]
    supply: Option<String>,

    /// Temperature of a thermocouple's cold junction that another channel measures [default: 25 degC]
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    cold: Option<String>,

    /// Highest count of the converter; a controller says its own when it starts
    #[arg(long, value_name = "N", default_value_t = ADC_MAX, value_parser = clap::value_parser!(u32).range(1..=16_777_215))]
    adc_max: u32,

    /// One JSON document instead of text
    #[arg(long)]
    json: bool,

    /// Letters, digits and signs only
    #[arg(long)]
    ascii: bool,
}

/// Draws, or evaluates at one place.
pub fn run(config: Option<PathBuf>, arguments: &Arguments) -> anyhow::Result<Answer> {
    let Some(config) = setup::load(config)? else { return Ok(Answer::No) };
    let model = &*config.model;
    let place = setup::channel(model, &arguments.channel)?;
    let channel = &model.channels[place];
    let given = conditions(model, arguments)?;
    let Some(mut transfer) = Transfer::new(channel, &model.trust, given) else {
        return Err(made_of_others(channel).into());
    };
    let mut out = io::stdout().lock();
    if let Some(text) = &arguments.at {
        let at = place_of(text, &mut transfer, channel)?;
        answer(channel, &transfer, text, &at, arguments.json, &mut out)?;
        return Ok(if at.value.good().is_some() { Answer::Done } else { Answer::No });
    }
    let samples = Samples::of(channel, &mut transfer);
    if arguments.json {
        let points: Vec<String> = samples.points.iter().map(point).collect();
        let (name, unit) = (&channel.name, channel.unit);
        writeln!(out, r#"{{"channel":"{name}","unit":"{unit}","points":[{}]}}"#, points.join(","))?;
        return Ok(Answer::Done);
    }
    let signs = paper::signs(arguments.ascii);
    let head = head(model, place, &transfer);
    let sheet = Sheet { head, transfer: &transfer, samples: &samples, unit: channel.unit, signs };
    for line in sheet.lines(paper::columns()) {
        writeln!(out, "{line}")?;
    }
    Ok(Answer::Done)
}

/// A formula is a matter of several channels at once, so there is nothing to draw along one line.
fn made_of_others(channel: &Channel) -> WrongUsage {
    let formula = if let Source::Formula(formula) = &channel.source { formula.text.as_str() } else { "" };
    WrongUsage(format!(
        "{} is worked out from other channels ({formula}) and has no curve of its own; draw one of those",
        channel.name
    ))
}

fn conditions(model: &Model, arguments: &Arguments) -> Result<Conditions, WrongUsage> {
    let Conditions { supply: usual, cold: warm, .. } = Conditions::usual(model);
    let supply = arguments.supply.as_deref().map_or(Ok(usual), |text| option("--supply", text, Unit::VOLT, "5 V"))?;
    if !(0.1..=1000.0).contains(&supply) {
        return Err(WrongUsage(format!("--supply takes 0.1 V to 1000 V, not {supply} V")));
    }
    let cold = arguments.cold.as_deref().map_or(Ok(warm), |text| option("--cold", text, Unit::CELSIUS, "25 degC"))?;
    Ok(Conditions { supply, adc_max: f64::from(arguments.adc_max), cold })
}

fn option(name: &str, text: &str, unit: Unit, example: &str) -> Result<f64, WrongUsage> {
    let value = Quantity::parse(text).ok().and_then(|quantity| quantity.in_unit(unit));
    value.ok_or_else(|| {
        WrongUsage(format!("{name} needs {}, for example \"{example}\", not {text}", unit.kind().name()))
    })
}

/// Where `text` lies on the way.
fn place_of(text: &str, transfer: &mut Transfer, channel: &Channel) -> Result<At, WrongUsage> {
    let takes = transfer.takes();
    let wrong = |why: String| WrongUsage(format!("--at {text}: {why}; {} takes {}", channel.name, examples(transfer)));
    let counts = text.trim().strip_suffix("counts").or_else(|| text.trim().strip_suffix("count"));
    if let Some(number) = counts {
        let number = finite(number.trim()).ok_or_else(|| wrong("this is no number".to_owned()))?;
        if !transfer.has_counts() {
            return Err(wrong("no converter counts here".to_owned()));
        }
        if !(0.0..=transfer.given().adc_max).contains(&number) {
            return Err(wrong(format!("the converter has 0 to {} counts", transfer.given().adc_max)));
        }
        return Ok(transfer.at_raw(number));
    }
    match Quantity::parse(text) {
        Ok(quantity) => match quantity.in_unit(takes) {
            Some(input) => Ok(transfer.at_input(input)),
            None => Err(wrong(format!("this is {}", quantity.unit.kind().name()))),
        },
        Err(QuantityError::NoUnit) if takes == Unit::ONE => finite(text.trim())
            .map(|input| transfer.at_input(input))
            .ok_or_else(|| wrong("this is no number".to_owned())),
        Err(QuantityError::NoUnit) => Err(wrong("a unit is missing".to_owned())),
        Err(QuantityError::NoNumber) => Err(wrong("this does not begin with a number".to_owned())),
        Err(QuantityError::UnknownUnit(unit)) => Err(wrong(format!("{unit} is no unit"))),
    }
}

fn finite(text: &str) -> Option<f64> {
    text.parse().ok().filter(|number: &f64| number.is_finite())
}

fn examples(transfer: &Transfer) -> &'static str {
    match (transfer.has_counts(), transfer.takes()) {
        (true, Unit::OHM) => "\"512 counts\" or \"820 ohm\"",
        (true, _) => "\"512 counts\", \"1.234 V\" or \"12 mV\"",
        (false, Unit::VOLT) => "\"4.98 V\"",
        (false, Unit::HERTZ) => "\"33 Hz\"",
        _ => "a plain number such as 33",
    }
}

/// A number as JSON has it; null for what is none.
fn json(number: Option<f64>) -> String {
    number.filter(|number| number.is_finite()).map_or_else(|| "null".to_owned(), |number| format!("{number:?}"))
}

/// One place of the whole curve.
fn point(at: &At) -> String {
    let (raw, volts, input) = (json(Some(at.raw)), json(Some(at.volts)), json(Some(at.input)));
    let (value, state) = (json(at.value.good()), at.value.trust().name());
    format!(r#"{{"raw":{raw},"volts":{volts},"input":{input},"value":{value},"state":"{state}"}}"#)
}

fn answer(
    channel: &Channel,
    transfer: &Transfer,
    text: &str,
    at: &At,
    as_json: bool,
    out: &mut impl Write,
) -> anyhow::Result<()> {
    if as_json {
        let (value, state) = (json(at.value.good()), at.value.trust().name());
        // The place is as it was typed; the rest has nothing in it that JSON would mark.
        let (name, at, unit) = (&channel.name, serde_json::Value::from(text), channel.unit);
        writeln!(out, r#"{{"channel":"{name}","at":{at},"value":{value},"unit":"{unit}","state":"{state}"}}"#)?;
        return Ok(());
    }
    let place = safe(text.trim());
    match at.value.good() {
        Some(number) => {
            writeln!(out, "{} at {place}: {} {}", channel.name, brief(number, 6), channel.unit)?;
        }
        None => writeln!(out, "{} at {place}: no value, {}", channel.name, at.value.trust().words())?,
    }
    if transfer.has_counts() {
        let input = format!("{} {}", brief(at.input, 5), transfer.takes());
        writeln!(out, "  {} counts, {} V at the pin, {input} into the curve", brief(at.raw, 5), brief(at.volts, 4))?;
    }
    Ok(())
}

/// What the channel is and what is taken as given.
fn head(model: &Model, place: usize, transfer: &Transfer) -> Vec<String> {
    let channel = &model.channels[place];
    let title = if channel.label == channel.name {
        channel.name.clone()
    } else {
        format!("{} ({})", channel.label, channel.name)
    };
    let mut head = vec![safe(&title).into_owned()];
    if let Some(wired) = Overview::of(model).channels.get(place) {
        let parts = [wired.input.as_str(), wired.circuit.as_str(), wired.sensor];
        let parts: Vec<&str> = parts.into_iter().filter(|part| !part.is_empty()).collect();
        head.push(safe(&parts.join(", ")).into_owned());
    }
    if let Some([off, on]) = &channel.words {
        head.push(format!("0 is {}, 1 is {}", safe(off), safe(on)));
    }
    if let Some(calibration) = &channel.calibration {
        head.push(format!("calibrated: value x {} + {} {}", calibration.gain, calibration.offset, channel.unit));
    }
    if let Some(cold) = cold_words(model, channel, transfer) {
        head.push(cold);
    }
    head
}

/// What is said of a cold junction that another channel measures.
fn cold_words(model: &Model, channel: &Channel, transfer: &Transfer) -> Option<String> {
    let Source::Input(input) = &channel.source else { return None };
    let Sensor::Thermocouple { cold: Cold::Channel(id, _), .. } = &input.sensor else { return None };
    let from = model.channels.get(id.index()).map_or("", |cold| cold.name.as_str());
    let cold = transfer.given().cold;
    Some(format!("cold junction at {cold} degC: while driving {from} measures it; --cold takes another"))
}
