//! `check`: every mistake of a config, then what is wired where and which limits are in force.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use anyhow::Context as _;

use super::{Answer, check_json, setup};
use crate::config::{self, Event, Limit, Loaded};
use crate::overview::{BOARD, Doubt, Driven, InForce, Overview, Pins, Port, Ruled, Stale, Wired};
use crate::text::safe;
use crate::time::{Micros, secs_from_micros};
use crate::wire::{Pin, PinKind};

/// What `check` takes.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Lists channels, when each is not trusted, alarms and events, pins used and free, outputs, and links.\n\
    Exits with 1 if there is a mistake. Warnings do not change the exit status.\n\n\
    --json gives one object: `ok`, `config` (the file), `name`, and the lists `mistakes`, `channels` (each\n\
    with `stale_after_s`, `fastest_per_s` and `stuck`), `alarms` (each with `below` or `above`), `events`,\n\
    `pins`, `outputs` and `links`, and `trust` (`supply_v`, `ground_shift`). A name that ends in _s is in\n\
    seconds; limits are in the channel's `unit`; null is what is not set. With mistakes, all lists but\n\
    `mistakes` are empty, and `trust` is null."
)]
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
        let answer = check_json::document(&path, &text, overview.as_ref(), &mistakes);
        serde_json::to_writer_pretty(&mut out, &answer).map_err(io::Error::from).context("cannot write the answer")?;
        writeln!(out)?;
    } else {
        setup::report(&path, &text, &mistakes);
        if let Some(overview) = &overview {
            list(&path, overview, &mut out)?;
        }
    }
    Ok(if overview.is_some() { Answer::Done } else { Answer::No })
}

fn list(path: &Path, overview: &Overview, out: &mut impl Write) -> io::Result<()> {
    let name = if overview.name.is_empty() { "This config" } else { &overview.name };
    let (channels, alarms) = (count(overview.channels.len(), "channel"), count(overview.alarms.len(), "alarm"));
    let events = count(overview.events.len(), "event");
    writeln!(out, "{}: no mistakes. {channels}, {alarms}, {events}.", safe(name))?;
    writeln!(out, "Read from {}\n", safe(&path.display().to_string()))?;
    if overview.channels.is_empty() {
        writeln!(
            out,
            "Nothing would be shown: describe a signal in [channel.NAME]; config/README.md lists every key."
        )?;
    } else {
        write_table(["CHANNEL", "INPUT", "CIRCUIT", "SENSOR", "UNIT"], overview.channels.iter().map(channel_row), out)?;
        list_doubts(overview, out)?;
    }
    if !overview.alarms.is_empty() {
        writeln!(out)?;
        let head = ["ALARM ON", "LEVEL", "LIMIT", "DEADBAND", "AFTER", "UNTIL", "WHEN"];
        write_table(head, overview.alarms.iter().map(alarm_row), out)?;
    }
    if !overview.events.is_empty() {
        writeln!(out)?;
        let head = ["EVENT", "WHEN", "LASTS", "APART", "BEFORE", "AFTER"];
        write_table(head, overview.events.iter().map(event_row), out)?;
    }
    overview.pins.iter().try_for_each(|pins| list_pins(pins, out))?;
    list_outputs(&overview.outputs, out)?;
    overview.links.iter().try_for_each(|link| list_link(link, out))
}

/// When values are not believed: what is set by hand in a table, what holds for the others in a sentence.
fn list_doubts(overview: &Overview, out: &mut impl Write) -> io::Result<()> {
    let is_set = |wired: &&Wired| {
        let Doubt { stale, fastest, stuck } = &wired.doubt;
        matches!(stale, Stale::After(_)) || fastest.is_some() || stuck.is_some()
    };
    let set: Vec<&Wired> = overview.channels.iter().filter(is_set).collect();
    if !set.is_empty() {
        writeln!(out)?;
        write_table(["NOT TRUSTED", "STALE AFTER", "FASTER THAN", "STUCK AFTER"], set.into_iter().map(doubt_row), out)?;
    }
    writeln!(
        out,
        "\nStale, where nothing else is set: after 5 of its usual intervals, at least 0.5 s; 2 s at the start."
    )?;
    match overview.trust.supply {
        Some((low, high)) => {
            writeln!(out, "Sensor supply: outside of {low} V to {high} V nothing that hangs on it is trusted.")?;
        }
        None => writeln!(
            out,
            "Sensor supply: no limits are set; for 5 V, [trust] supply = [\"4.5 V\", \"5.5 V\"] sets them."
        )?,
    }
    let ground = if overview.trust.ground_shift { "looked for" } else { "not looked for" };
    writeln!(out, "Ground shift (three or more sensors that step together): {ground}.")
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

fn event_row(event: &Event) -> [String; 6] {
    let Event { name, when, lasts, apart, before, after } = event;
    [name.clone(), when.text.clone(), seconds(*lasts), seconds(*apart), seconds(*before), seconds(*after)]
}

fn doubt_row(wired: &Wired) -> [String; 4] {
    let Doubt { stale, fastest, stuck } = &wired.doubt;
    let stale = match stale {
        Stale::After(age) => seconds(*age),
        Stale::FiveIntervals => "5 intervals".to_owned(),
        Stale::WithItsTerms => "with its terms".to_owned(),
    };
    let fastest = fastest.map_or_else(String::new, |fastest| format!("{fastest} {}/s", wired.unit));
    let stuck = stuck.as_ref().map_or_else(String::new, |stuck| {
        let when = stuck.when.as_ref().map_or_else(String::new, |when| format!(" while {when}"));
        format!("{} within {} counts{when}", seconds(stuck.after), stuck.band)
    });
    [wired.name.clone(), stale, fastest, stuck]
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
        let armed = if output.armed { "armed" } else { "not armed: computed and shown, never sent" };
        writeln!(out, "\nOutput {} on {}: {armed}", output.name, output.pin)?;
        for (key, value) in rule(output) {
            writeln!(out, "  {key:8} {}", safe(&value))?;
        }
        for line in
            output.advice.iter().flat_map(|advice| advice.to_string().lines().map(str::to_owned).collect::<Vec<_>>())
        {
            writeln!(out, "  {}", safe(&line))?;
        }
    }
    if !outputs.is_empty() {
        writeln!(out, "\nFuse at the source; a heater wants a contactor rated for its current, never this board.")?;
        writeln!(out, "Local codes and a licensed electrician or mechanic come first.")?;
    }
    Ok(())
}

/// What an output does, by the keys of the config.
fn rule(output: &Driven) -> Vec<(&'static str, String)> {
    let mut rows = match &output.rule {
        Ruled::Switched { on, off_if, longest, rest } => vec![
            ("on", on.clone()),
            ("off_if", off_if.clone().unwrap_or_else(|| "none".to_owned())),
            (
                "longest",
                longest.map_or_else(|| "no limit".to_owned(), |longest| format!("{} in one go", seconds(longest))),
            ),
            ("rest", format!("{} off between two, and at the start", seconds(*rest))),
        ],
        Ruled::Follows { from, unit, points, rest_at } => {
            let point = |(x, y): &(f64, f64)| format!("{x} {unit}: {}", level(output.pin, *y));
            let points: Vec<String> = points.iter().map(point).collect();
            vec![
                ("from", from.clone()),
                ("points", points.join(", ")),
                ("rest_at", format!("{} while {from} cannot be trusted", level(output.pin, *rest_at))),
            ]
        }
    };
    rows.push(("lease", format!("{}: without the program it is at rest after that", seconds(output.lease))));
    rows
}

/// Hertz, or a share in per cent.
fn level(pin: Pin, value: f64) -> String {
    if pin.kind == PinKind::Duty { format!("{} %", (value * 1000.0).round() / 10.0) } else { format!("{value} Hz") }
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
