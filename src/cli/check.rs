//! `check`: every mistake of a config, then what is wired where and which limits are in force.

use std::io::{self, Write};
use std::path::PathBuf;

use anyhow::Context as _;
use serde_json::json;

use super::{Answer, setup};
use crate::circuit::{Circuit, Rail};
use crate::config::{
    self, Alarm, Channel, Drive, Field, Input, Limit, Link, Loaded, Mistake, Model, Sensor, Source, Take,
};
use crate::sensor::Curve;
use crate::text::safe;
use crate::time::{Micros, secs_from_micros};
use crate::wire::{FieldId, Form};

/// What `check` takes.
#[derive(Debug, clap::Args)]
#[command(after_help = "Exits with 1 if there is a mistake. Warnings do not change the exit status.")]
pub struct Arguments {
    /// One JSON document instead of tables
    #[arg(long)]
    json: bool,
}

/// Reads the config, reports on standard error, lists on standard output.
pub fn run(config: Option<PathBuf>, arguments: &Arguments) -> anyhow::Result<Answer> {
    let path = setup::find(config)?;
    let text = setup::read(&path)?;
    let Loaded { model, mistakes } = config::load(&text);
    let mut out = io::stdout().lock();
    if arguments.json {
        serde_json::to_writer_pretty(&mut out, &as_json(&text, model.as_ref(), &mistakes))
            .map_err(io::Error::from)
            .context("cannot write the answer")?;
        writeln!(out)?;
    } else {
        setup::report(&path, &text, &mistakes);
        if let Some(model) = &model {
            list(model, &mut out)?;
        }
    }
    Ok(if model.is_some() { Answer::Done } else { Answer::No })
}

fn as_json(text: &str, model: Option<&Model>, mistakes: &[Mistake]) -> serde_json::Value {
    let mistakes: Vec<_> = mistakes
        .iter()
        .map(|mistake| {
            let before = &text.as_bytes()[..mistake.span.start.min(text.len())];
            let line = before.split(|&byte| byte == b'\n').count();
            json!({ "line": line, "place": mistake.place, "what": mistake.what, "remedy": mistake.remedy,
                    "warning": mistake.warning })
        })
        .collect();
    let channels: Vec<_> = model.iter().flat_map(|model| &model.channels).collect();
    let channels: Vec<_> = channels
        .iter()
        .zip(model.into_iter().flat_map(rows))
        .map(|(channel, row)| {
            json!({ "name": channel.name, "label": channel.label, "unit": channel.unit.name(), "input": row[1],
                    "circuit": row[2], "sensor": row[3] })
        })
        .collect();
    json!({ "ok": model.is_some(), "mistakes": mistakes, "channels": channels })
}

fn list(model: &Model, out: &mut impl Write) -> io::Result<()> {
    let name = if model.name.is_empty() { "This config" } else { &model.name };
    let (channels, alarms) = (count(model.channels.len(), "channel"), count(model.alarms.len(), "alarm"));
    writeln!(out, "{}: no mistakes. {channels}, {alarms}.\n", safe(name))?;
    let mut table = vec![["CHANNEL", "INPUT", "CIRCUIT", "SENSOR", "UNIT"].map(str::to_owned)];
    table.extend(rows(model));
    write_table(&table, out)?;
    list_alarms(model, out)?;
    list_pins(model, out)?;
    list_links(model, out)
}

/// `1 channel`, `2 channels`.
fn count(number: usize, noun: &str) -> String {
    format!("{number} {noun}{}", if number == 1 { "" } else { "s" })
}

/// A row for each channel: name, input, circuit, sensor, unit.
fn rows(model: &Model) -> Vec<[String; 5]> {
    model.channels.iter().map(|channel| row(model, channel)).collect()
}

fn row(model: &Model, channel: &Channel) -> [String; 5] {
    let (input, circuit, sensor) = match &channel.source {
        Source::Input(input) => (input_name(model, input), circuit_name(input), sensor_name(&input.sensor).to_owned()),
        Source::Formula(formula) => (format!("= {}", safe(&formula.text)), String::new(), String::new()),
    };
    [channel.name.clone(), input, circuit, sensor, channel.unit.name()]
}

fn input_name(model: &Model, input: &Input) -> String {
    let link = &model.links[input.link.index()];
    let field = |id: FieldId| match id {
        FieldId::REF => "ref".to_owned(),
        FieldId::VCC => "vcc".to_owned(),
        id => link.fields.get(id.index() - FieldId::FIXED.len()).cloned().unwrap_or_default(),
    };
    let name = match input.field {
        Field::Analog(id) | Field::Digital(id) | Field::Number(id) => field(id),
        Field::Pulse { field: id, take, .. } => match take {
            Take::Rate => field(id),
            Take::Count => format!("{}, count", field(id)),
            Take::Spread => format!("{}, spread", field(id)),
        },
        Field::Supply => "vcc".to_owned(),
        Field::LinkLost => "link.lost".to_owned(),
        Field::LinkBad => "link.bad".to_owned(),
        Field::LinkResets => "link.resets".to_owned(),
    };
    let name = safe(&name);
    if model.links.len() > 1 { format!("{}:{name}", link.name) } else { name.into_owned() }
}

fn circuit_name(input: &Input) -> String {
    if !matches!(input.field, Field::Analog(_)) {
        return String::new();
    }
    let rail = |rail: Rail| match rail {
        Rail::Supply => "vcc".to_owned(),
        Rail::Volts(volts) => format!("{volts} V"),
    };
    match input.circuit {
        Circuit::Direct => "direct".to_owned(),
        Circuit::Divider { top, bottom } => format!("divider {} over {}", ohms(top), ohms(bottom)),
        Circuit::PullUp { resistor, to } => format!("pull-up {} to {}", ohms(resistor), rail(to)),
        Circuit::PullDown { resistor, to } => format!("pull-down {}, sensor to {}", ohms(resistor), rail(to)),
        Circuit::Amplifier { gain, offset } => format!("amplifier x{gain}, offset {offset} V"),
    }
}

fn ohms(value: f64) -> String {
    if value >= 1000.0 { format!("{} kohm", value / 1000.0) } else { format!("{value} ohm") }
}

fn sensor_name(sensor: &Sensor) -> &'static str {
    match sensor {
        Sensor::Curve { curve, ratiometric, .. } => match curve {
            Curve::Same => "",
            Curve::Linear(_) if ratiometric.is_some() => "linear, ratiometric",
            Curve::Linear(_) => "linear",
            Curve::Table(_) => "table",
            Curve::Thermistor(_) => "thermistor",
            Curve::Platinum(_) => "platinum",
            Curve::Polynomial(_) => "polynomial",
        },
        Sensor::Thermocouple { .. } => "thermocouple",
        Sensor::Pulses { .. } => "pulses",
        Sensor::Switch { .. } => "switch",
        Sensor::Number { .. } => "number",
    }
}

fn list_alarms(model: &Model, out: &mut impl Write) -> io::Result<()> {
    if model.alarms.is_empty() {
        return Ok(());
    }
    writeln!(out)?;
    let mut table = vec![["ALARM ON", "LEVEL", "LIMIT", "DEADBAND", "AFTER", "UNTIL", "WHEN"].map(str::to_owned)];
    table.extend(model.alarms.iter().map(|alarm| alarm_row(model, alarm)));
    write_table(&table, out)
}

fn alarm_row(model: &Model, alarm: &Alarm) -> [String; 7] {
    let channel = &model.channels[alarm.channel.index()];
    let limit = match alarm.limit {
        Limit::Below(limit) => format!("below {limit}"),
        Limit::Above(limit) => format!("above {limit}"),
    };
    let when = alarm.when.as_ref().map_or_else(String::new, |when| safe(&when.text).into_owned());
    [
        channel.name.clone(),
        alarm.level.name().to_owned(),
        format!("{limit} {}", channel.unit),
        format!("{}", alarm.deadband),
        seconds(alarm.after),
        seconds(alarm.until),
        when,
    ]
}

fn seconds(span: Micros) -> String {
    format!("{} s", secs_from_micros(span))
}

/// What is used and what is left on each link whose controller speaks the counts format.
fn list_pins(model: &Model, out: &mut impl Write) -> io::Result<()> {
    for (index, link) in model.links.iter().enumerate() {
        if !matches!(link.form, Form::Counts { .. }) {
            continue;
        }
        let outputs = model.outputs.iter().filter(|output| output.link.index() == index);
        let mut used: Vec<String> = link.fields.iter().filter(|name| is_pin(name)).cloned().collect();
        used.extend(outputs.map(|output| output.pin.to_string()));
        used.sort_by_key(|pin| (pin.starts_with('a'), number(pin)));
        let taken: Vec<(bool, u32)> = used.iter().map(|pin| (pin.starts_with('a'), number(pin))).collect();
        // Pins of an ATmega328P: analog 0 to 5, and 2 to 13 besides the two of the serial line.
        let analog = (0..6).map(|pin| (true, pin));
        let free = analog.chain((2..14).map(|pin| (false, pin))).filter(|pin| !taken.contains(pin));
        let free: Vec<String> =
            free.map(|(analog, pin)| if analog { format!("a{pin}") } else { pin.to_string() }).collect();
        let used = if used.is_empty() { "none".to_owned() } else { used.join(" ") };
        writeln!(out, "\nPins on {}: used {used}", safe(&link.name))?;
        writeln!(
            out,
            "  free on an ATmega328P: {} (p2 counts pulses on pin 2, d4 reads the level of pin 4)",
            free.join(" ")
        )?;
    }
    for output in &model.outputs {
        let what = match output.drive {
            Drive::Switch { .. } => "switched by rule",
            Drive::Follow { .. } => "follows a channel",
        };
        let armed = if output.armed { "armed" } else { "not armed: computed and shown, never sent" };
        writeln!(out, "Output {} on {}: {what}, {armed}", output.name, output.pin)?;
    }
    if !model.outputs.is_empty() {
        writeln!(out, "  Fuse at the source; a heater wants a contactor rated for its current, never this board.")?;
        writeln!(out, "  Local codes and a licensed electrician or mechanic come first.")?;
    }
    Ok(())
}

fn is_pin(name: &str) -> bool {
    let mut chars = name.chars();
    chars.next().is_some_and(|kind| "apd".contains(kind)) && chars.as_str().parse::<u8>().is_ok()
}

fn number(pin: &str) -> u32 {
    pin.get(1..).and_then(|digits| digits.parse().ok()).unwrap_or(u32::MAX)
}

fn list_links(model: &Model, out: &mut impl Write) -> io::Result<()> {
    for link in &model.links {
        if link.device.is_empty() {
            writeln!(out, "\nLink {}: no device given; good for recordings, `drive` needs one", safe(&link.name))?;
        } else {
            writeln!(out, "\nLink {}: {} at {} baud", safe(&link.name), safe(&link.device), link.baud)?;
        }
        match link.form {
            Form::Counts { checksum_required: true } | Form::Nmea => {}
            Form::Counts { .. } => writeln!(
                out,
                "  Lines without a checksum are taken until 8 right ones came. Once the controller sends them, set\n  \
                 checksum = \"required\": without, about four in ten lines that lost one byte give a wrong value."
            )?,
            Form::Columns { .. } | Form::Pairs { .. } => {
                writeln!(
                    out,
                    "  This form has no checksum: about four in ten lines that lost one byte give a wrong value.\n  \
                     Good enough for the bench; for the road, let the sketch speak the counts format."
                )?;
                list_needs(model, link, out)?;
            }
        }
    }
    Ok(())
}

/// What a sketch of its own must send besides the values themselves.
fn list_needs(model: &Model, link: &Link, out: &mut impl Write) -> io::Result<()> {
    if matches!(link.form, Form::Columns { names: None, .. }) {
        writeln!(
            out,
            "  It has no `names`, so nothing is read before the sketch sends a line with the names of its columns."
        )?;
    }
    let analog = model.channels.iter().find(|channel| match &channel.source {
        Source::Input(input) => {
            matches!(input.field, Field::Analog(_)) && model.links[input.link.index()].name == link.name
        }
        Source::Formula(_) => false,
    });
    if let Some(channel) = analog {
        writeln!(
            out,
            "  {} is worked out from counts, for which the controller's supply must be known: let the sketch send it as\n  \
             `vcc`, in millivolts; until it does, the value is not trusted and its place says `supply`.",
            channel.name
        )?;
    }
    Ok(())
}

/// Columns as wide as their widest cell, two blanks between, nothing behind the last.
fn write_table<const N: usize>(rows: &[[String; N]], out: &mut impl Write) -> io::Result<()> {
    use unicode_width::UnicodeWidthStr as _;
    let widths: Vec<usize> = (0..N).map(|i| rows.iter().map(|row| row[i].width()).max().unwrap_or(0)).collect();
    for row in rows {
        let mut line = String::new();
        for (cell, width) in row.iter().zip(&widths) {
            line.push_str(cell);
            line.extend(std::iter::repeat_n(' ', width + 2 - cell.width()));
        }
        writeln!(out, "{}", line.trim_end())?;
    }
    Ok(())
}
