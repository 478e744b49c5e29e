//! `list --alarms`: what the alarms of recordings did, measured, and how to quiet a config that nags.

use std::io::{self, Write};
use std::path::PathBuf;

use anyhow::{Context as _, bail};
use serde_json::{Map, Value};

use super::check::write_table;
use super::{Answer, complain, setup};
use crate::export::{self, AlarmsRead};
use crate::record::{ReadError, Recording};
use crate::text::safe;
use crate::time::{Micros, secs_from_micros};
use crate::watch::measures::{Measures, share};

/// How many of the most frequent alarms are listed.
const FREQUENT: usize = 10;

/// What `list` takes.
#[derive(Debug, clap::Args)]
#[command(after_help = "The alarms are worked out anew from the readings: with -c you see what another\n\
    config would have done on the same drive. What was shelved then does not count.\n\n\
    Example: kickpanel list --alarms ~/.local/share/kickpanel/recordings")]
pub struct Arguments {
    /// Recordings: .kpr, .kpr.zst, a bare capture, a folder of them, or - for standard input
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,

    /// How often alarms came, which of them nag, and what would quiet those
    #[arg(long, required = true)]
    alarms: bool,

    /// One JSON document instead of tables
    #[arg(long)]
    json: bool,
}

/// Reads all of the recordings, then lists on standard output.
pub fn run(config: Option<PathBuf>, arguments: &Arguments) -> anyhow::Result<Answer> {
    let mut recording = Recording::open(&arguments.files)?;
    let Some(configs) = setup::for_recording(config, &recording)? else { return Ok(Answer::No) };
    let mut broken = false;
    let mut trouble = |error: &ReadError| {
        broken = true;
        complain(&error.to_string());
    };
    let AlarmsRead { measures, readings, refused } = export::alarms(&mut recording, configs, &mut trouble);
    let mut out = io::stdout().lock();
    if arguments.json {
        serde_json::to_writer_pretty(&mut out, &as_json(&measures))
            .map_err(io::Error::from)
            .context("cannot write the answer")?;
        writeln!(out)?;
    } else {
        list(&measures, &mut out)?;
    }
    if refused.count > 0 {
        complain("a config in the recording has mistakes and stayed out of force; `export` says which");
    }
    if broken {
        bail!("not everything could be read; the figures are of what could");
    }
    Ok(if readings > 0 { Answer::Done } else { Answer::No })
}

fn as_json(measures: &Measures) -> Value {
    let (alarms, drives, time) = measures.total();
    let rows = measures.measures().into_iter().map(|row| {
        let (wanted, source) = (row.wanted.into(), row.source.into());
        object(vec![
            ("measure", row.what.into()),
            ("value", row.value.into()),
            ("wanted", wanted),
            ("good", row.good.into()),
            ("source", source),
        ])
    });
    let frequent = measures.frequent().into_iter().take(FREQUENT).map(|record| {
        object(vec![
            ("on", record.kind.name.as_str().into()),
            ("limit", record.kind.limit.as_str().into()),
            ("level", record.kind.level.name().into()),
            ("times", record.times.into()),
            ("share", share(record.times, alarms.max(1)).into()),
            ("chattering", record.chattering.into()),
            ("fleeting", record.fleeting.into()),
            ("longest_s", secs_from_micros(record.longest).into()),
        ])
    });
    let (floods, count) = measures.floods();
    let floods = floods.iter().map(|flood| {
        object(vec![("from_s", secs_from_micros(flood.from).into()), ("to_s", secs_from_micros(flood.to).into())])
    });
    object(vec![
        ("alarms", alarms.into()),
        ("drives", drives.into()),
        ("hours", (secs_from_micros(time) / 3600.0).into()),
        ("measures", Value::Array(rows.collect())),
        ("most_frequent", Value::Array(frequent.collect())),
        ("floods", Value::Array(floods.collect())),
        ("flood_count", count.into()),
        ("advice", Value::Array(measures.advice().into_iter().map(Value::String).collect())),
    ])
}

/// A JSON object of those members. The macro writes the same out for each of them, which made the program larger.
#[inline(never)]
fn object(members: Vec<(&'static str, Value)>) -> Value {
    Value::Object(members.into_iter().map(|(name, value)| (name.to_owned(), value)).collect::<Map<_, _>>())
}

fn list(measures: &Measures, out: &mut impl Write) -> io::Result<()> {
    let (alarms, drives, time) = measures.total();
    let of = |number: u64, noun: &str| format!("{number} {noun}{}", if number == 1 { "" } else { "s" });
    writeln!(out, "{} in {} of {}.\n", of(alarms, "alarm"), span(time), of(drives.into(), "drive"))?;
    let rows = measures.measures().into_iter().map(|row| {
        let sign = if row.good { "" } else { "!" };
        [sign.to_owned(), row.what.to_owned(), row.here, row.wanted.to_owned(), row.source.to_owned()]
    });
    write_table(["", "MEASURE", "HERE", "WANTED", "BY"], rows, out)?;
    let frequent = measures.frequent();
    if !frequent.is_empty() {
        writeln!(out)?;
        let rows = frequent.into_iter().take(FREQUENT).map(|record| {
            [
                record.kind.name.clone(),
                record.kind.limit.clone(),
                record.kind.level.name().to_owned(),
                record.times.to_string(),
                format!("{:.0} %", share(record.times, alarms.max(1))),
                record.chattering.to_string(),
                record.fleeting.to_string(),
                span(record.longest),
            ]
        });
        write_table(["MOST OFTEN", "LIMIT", "LEVEL", "TIMES", "SHARE", "CHATTER", "FLEETING", "LONGEST"], rows, out)?;
    }
    list_floods(measures, out)?;
    let advice = measures.advice();
    if !advice.is_empty() {
        writeln!(out, "\nTo quiet it:")?;
    }
    advice.iter().try_for_each(|sentence| writeln!(out, "  {}", safe(sentence)))?;
    writeln!(
        out,
        "\nThe figures are those of plants, as public texts quote them. A driver looks elsewhere: aim for a tenth."
    )
}

fn list_floods(measures: &Measures, out: &mut impl Write) -> io::Result<()> {
    let (floods, count) = measures.floods();
    for flood in floods {
        let (from, to) = (secs_from_micros(flood.from), secs_from_micros(flood.to));
        writeln!(out, "Flood from {from:.0} s to {to:.0} s")?;
    }
    let more = count.saturating_sub(floods.len() as u64);
    if more > 0 {
        writeln!(out, "and {more} more floods")?;
    }
    Ok(())
}

/// A length of time in one unit.
fn span(time: Micros) -> String {
    let seconds = secs_from_micros(time);
    if seconds < 120.0 {
        format!("{seconds:.0} s")
    } else if seconds < 7200.0 {
        format!("{:.0} min", seconds / 60.0)
    } else {
        format!("{:.1} h", seconds / 3600.0)
    }
}
