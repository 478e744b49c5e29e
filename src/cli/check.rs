//! `check`: every mistake of a config, then what is wired where and which limits are in force.

use std::io::{self, Write};
use std::path::PathBuf;

use anyhow::Context as _;
use serde_json::json;

use super::{Answer, setup};
use crate::config::{self, Limit, Loaded, Mistake};
use crate::overview::{BOARD, Driven, InForce, Overview, Pins, Port, Wired};
use crate::text::safe;
use crate::time::{Micros, secs_from_micros};

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
    let overview = model.as_ref().map(Overview::of);
    let mut out = io::stdout().lock();
    if arguments.json {
        serde_json::to_writer_pretty(&mut out, &as_json(&text, overview.as_ref(), &mistakes))
            .map_err(io::Error::from)
            .context("cannot write the answer")?;
        writeln!(out)?;
    } else {
        setup::report(&path, &text, &mistakes);
        if let Some(overview) = &overview {
            list(overview, &mut out)?;
        }
    }
    Ok(if overview.is_some() { Answer::Done } else { Answer::No })
}

fn as_json(text: &str, overview: Option<&Overview>, mistakes: &[Mistake]) -> serde_json::Value {
    let mistakes: Vec<_> = mistakes
        .iter()
        .map(|mistake| {
            let before = &text.as_bytes()[..mistake.span.start.min(text.len())];
            let line = before.split(|&byte| byte == b'\n').count();
            json!({ "line": line, "place": mistake.place, "what": mistake.what, "remedy": mistake.remedy,
                    "warning": mistake.warning })
        })
        .collect();
    let channels = overview.map_or(&[][..], |overview| &overview.channels);
    let channels: Vec<_> = channels
        .iter()
        .map(|wired| {
            json!({ "name": wired.name, "label": wired.label, "unit": wired.unit.name(), "input": wired.input,
                    "circuit": wired.circuit, "sensor": wired.sensor })
        })
        .collect();
    json!({ "ok": overview.is_some(), "mistakes": mistakes, "channels": channels })
}

fn list(overview: &Overview, out: &mut impl Write) -> io::Result<()> {
    let name = if overview.name.is_empty() { "This config" } else { &overview.name };
    let (channels, alarms) = (count(overview.channels.len(), "channel"), count(overview.alarms.len(), "alarm"));
    writeln!(out, "{}: no mistakes. {channels}, {alarms}.\n", safe(name))?;
    if overview.channels.is_empty() {
        writeln!(
            out,
            "Nothing would be shown: describe a signal in [channel.NAME]; config/README.md lists every key."
        )?;
    } else {
        write_table(["CHANNEL", "INPUT", "CIRCUIT", "SENSOR", "UNIT"], overview.channels.iter().map(channel_row), out)?;
    }
    if !overview.alarms.is_empty() {
        writeln!(out)?;
        let head = ["ALARM ON", "LEVEL", "LIMIT", "DEADBAND", "AFTER", "UNTIL", "WHEN"];
        write_table(head, overview.alarms.iter().map(alarm_row), out)?;
    }
    overview.pins.iter().try_for_each(|pins| list_pins(pins, out))?;
    list_outputs(&overview.outputs, out)?;
    overview.links.iter().try_for_each(|link| list_link(link, out))
}

/// `1 channel`, `2 channels`.
fn count(number: usize, noun: &str) -> String {
    format!("{number} {noun}{}", if number == 1 { "" } else { "s" })
}

fn channel_row(wired: &Wired) -> [String; 5] {
    let Wired { name, input, circuit, sensor, unit, .. } = wired;
    [name.clone(), input.clone(), circuit.clone(), (*sensor).to_owned(), unit.name()]
}

fn alarm_row(alarm: &InForce) -> [String; 7] {
    let limit = match alarm.limit {
        Limit::Below(limit) => format!("below {limit} {}", alarm.unit),
        Limit::Above(limit) => format!("above {limit} {}", alarm.unit),
    };
    [
        alarm.channel.clone(),
        alarm.level.name().to_owned(),
        limit,
        alarm.deadband.to_string(),
        seconds(alarm.after),
        seconds(alarm.until),
        alarm.when.clone().unwrap_or_default(),
    ]
}

fn seconds(span: Micros) -> String {
    format!("{} s", secs_from_micros(span))
}

fn list_pins(pins: &Pins, out: &mut impl Write) -> io::Result<()> {
    let used: Vec<String> = pins.used.iter().map(ToString::to_string).collect();
    let used = if used.is_empty() { "none".to_owned() } else { used.join(" ") };
    let analog = pins.free_analog.iter().map(|number| format!("a{number}"));
    let free: Vec<String> = analog.chain(pins.free_digital.iter().map(ToString::to_string)).collect();
    writeln!(out, "\nPins on {}: used {used}", safe(&pins.link))?;
    writeln!(out, "  free on an {BOARD}: {} (p2 counts pulses on pin 2, d4 reads the level of pin 4)", free.join(" "))
}

fn list_outputs(outputs: &[Driven], out: &mut impl Write) -> io::Result<()> {
    for output in outputs {
        let what = if output.by_rule { "switched by rule" } else { "follows a channel" };
        let armed = if output.armed { "armed" } else { "not armed: computed and shown, never sent" };
        writeln!(out, "Output {} on {}: {what}, {armed}", output.name, output.pin)?;
    }
    if !outputs.is_empty() {
        writeln!(out, "  Fuse at the source; a heater wants a contactor rated for its current, never this board.")?;
        writeln!(out, "  Local codes and a licensed electrician or mechanic come first.")?;
    }
    Ok(())
}

fn list_link(link: &Port, out: &mut impl Write) -> io::Result<()> {
    if link.device.is_empty() {
        writeln!(out, "\nLink {}: no device given; good for recordings, `drive` needs one", safe(&link.name))?;
    } else {
        writeln!(out, "\nLink {}: {} at {} baud", safe(&link.name), safe(&link.device), link.baud)?;
    }
    for advice in &link.advice {
        for line in advice.to_string().lines() {
            writeln!(out, "  {}", safe(line))?;
        }
    }
    Ok(())
}

/// Columns as wide as their widest cell, two blanks between, nothing behind the last.
pub(super) fn write_table<const N: usize>(
    head: [&str; N],
    rows: impl Iterator<Item = [String; N]>,
    out: &mut impl Write,
) -> io::Result<()> {
    let head = head.map(str::to_owned).to_vec();
    out.write_all(table(std::iter::once(head).chain(rows.map(Vec::from)).collect()).as_bytes())
}

/// The same as text; one for every number of columns, so that it stands in the program once.
fn table(rows: Vec<Vec<String>>) -> String {
    use unicode_width::UnicodeWidthStr as _;
    let columns = rows.first().map_or(0, Vec::len);
    let rows: Vec<Vec<String>> =
        rows.into_iter().map(|row| row.iter().map(|cell| safe(cell).into_owned()).collect()).collect();
    let widths: Vec<usize> = (0..columns).map(|i| rows.iter().map(|row| row[i].width()).max().unwrap_or(0)).collect();
    let mut text = String::new();
    for row in rows {
        let mut line = String::new();
        for (cell, width) in row.iter().zip(&widths) {
            line.push_str(cell);
            line.extend(std::iter::repeat_n(' ', width + 2 - cell.width()));
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}
