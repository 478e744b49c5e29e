//! From a recording to rows: the loop that feeds the pipeline and writes what it shows.

use std::io::{self, Write};

use anyhow::Context as _;

use super::columns::{Columns, Place};
use super::row::{Csv, Format, Jsonl, Rows};
use super::summary::Summary;
use crate::channel::{Trust, Value};
use crate::config::ChannelId;
use crate::output::words;
use crate::pipeline::{Outcome, Pipeline};
use crate::record::{ReadError, Recording};
use crate::replay::{Configs, Fed, Feed, Refused};
use crate::state::OutputShown;
use crate::time::Micros;

/// How much text is gathered before it is written.
const CHUNK: usize = 64 * 1024;

/// What is written.
#[derive(Clone, Debug)]
pub struct Options {
    /// The text.
    pub format: Format,
    /// Resampled to one row each so many µs; `None`: one row for each reading.
    pub every: Option<Micros>,
    /// The columns that are known before the first row.
    pub columns: Columns,
}

/// What was read, and what of it is not in the rows.
#[derive(Clone, Debug)]
pub struct Exported {
    /// What was read, counted.
    pub summary: Summary,
    /// Channels of later configs that have no column, as `name [unit]`.
    pub left_out: Vec<String>,
    /// Configs of the recording that were passed over.
    pub refused: Refused,
}

/// Writes every row of `recording` to `out` and tells what was read. Memory does not grow with the length. Where a part
/// cannot be read on, `trouble` is told why, what came before it counts, and the next part follows.
pub fn run(
    recording: &mut Recording,
    configs: Configs,
    options: Options,
    out: &mut impl Write,
    trouble: &mut dyn FnMut(&ReadError),
) -> anyhow::Result<Exported> {
    let mut feed = Feed::new(configs);
    let mut page = Page::new(options, feed.pipeline(), out);
    loop {
        let item = match recording.next() {
            Ok(Some(item)) => item,
            Ok(None) => break,
            Err(error) => {
                trouble(&error);
                continue;
            }
        };
        match feed.item(&item, &mut |_| {}) {
            Fed::Line(Outcome::Reading | Outcome::Repeated) => page.reading(feed.pipeline()),
            Fed::Config => page.config(feed.pipeline()),
            _ => Ok(()),
        }
        .context("cannot write the rows")?;
    }
    page.end().context("cannot write the rows")?;
    let damage = recording.damage();
    let summary = Summary {
        tally: feed.tally(),
        damage_bytes: damage.bytes,
        torn_bytes: damage.torn,
        foreign_lines: feed.links().stranger_lines(),
    };
    Ok(Exported { summary, left_out: page.columns.left_out(), refused: feed.refused() })
}

/// What is at `place` now.
fn value(pipeline: &Pipeline, place: Place) -> Option<Value> {
    let snapshot = pipeline.snapshot();
    let output = |place: usize, is: fn(&OutputShown) -> Option<u32>| {
        let (output, shown) = (pipeline.model().outputs.get(place)?, snapshot.outputs.get(place)?);
        Some(is(shown).map_or(Value::MISSING, |is| Value::ok(words::number(output.pin, is))))
    };
    match place {
        Place::Channel(place) => snapshot.channels.get(place).map(|shown| shown.value),
        Place::Wanted(place) => output(place, |shown| Some(shown.wanted)),
        Place::Pin(place) => output(place, |shown| shown.there),
    }
}

/// Rows on their way out.
struct Page<'a, W> {
    rows: Box<dyn Rows>,
    every: Option<Micros>,
    columns: Columns,
    /// What of the config in force fills each column.
    places: Vec<Option<Place>>,
    /// The newest row, held back when resampling until it is known how long it holds.
    held: Vec<Option<Value>>,
    held_at: Option<Micros>,
    /// Up to when each value held counts.
    until: Vec<Micros>,
    /// The next instant of a resampled row.
    next: Micros,
    text: Vec<u8>,
    out: &'a mut W,
}

impl<'a, W: Write> Page<'a, W> {
    fn new(options: Options, pipeline: &Pipeline, out: &'a mut W) -> Self {
        let Options { format, every, mut columns } = options;
        let mut rows: Box<dyn Rows> = match format {
            Format::Csv { states } => Box::new(Csv { states }),
            Format::Jsonl => Box::new(Jsonl::default()),
        };
        let mut text = Vec::with_capacity(2 * CHUNK);
        rows.head(columns.list(), &mut text);
        let places = columns.places(pipeline.model());
        let (held, until) = (Vec::new(), Vec::new());
        Self { rows, every, columns, places, held, held_at: None, until, next: 0, text, out }
    }

    fn reading(&mut self, pipeline: &Pipeline) -> io::Result<()> {
        let at = pipeline.snapshot().at;
        self.hold(at, pipeline)?;
        self.held_at = Some(at);
        if self.every.is_none() {
            self.rows.row(at, &self.held, &mut self.text);
        }
        self.write_when(CHUNK)
    }

    /// Another config is in force. Where rows are resampled, they show from there on that nothing is known yet.
    fn config(&mut self, pipeline: &Pipeline) -> io::Result<()> {
        if let Some(every) = self.every {
            self.resample(every, pipeline.snapshot().at)?;
        }
        let mut columns = self.columns.clone();
        if columns.add(pipeline.model()) && self.rows.more(columns.list()) {
            self.columns = columns;
        }
        self.places = self.columns.places(pipeline.model());
        self.hold(pipeline.snapshot().at, pipeline)
    }

    /// Holds what is known at `at`, after the rows that lie before it.
    fn hold(&mut self, at: Micros, pipeline: &Pipeline) -> io::Result<()> {
        if let Some(every) = self.every {
            self.resample(every, at)?;
            self.until.clear();
            let until = |place: &Option<Place>| {
                let Some(Place::Channel(place)) = place else { return Micros::MAX };
                let channel = u16::try_from(*place).ok().map(ChannelId);
                channel.and_then(|channel| pipeline.good_until(channel)).unwrap_or(Micros::MAX)
            };
            self.until.extend(self.places.iter().map(until));
        }
        self.held.clear();
        self.held.extend(self.places.iter().map(|place| value(pipeline, (*place)?)));
        Ok(())
    }

    /// Writes the rows that lie before `until` from the values held.
    fn resample(&mut self, every: Micros, until: Micros) -> io::Result<()> {
        while self.held_at.is_some() && self.next < until {
            for (value, until) in self.held.iter_mut().zip(&self.until) {
                if self.next > *until {
                    *value = value.map(|value| value.and(Trust::Stale));
                }
            }
            self.rows.row(self.next, &self.held, &mut self.text);
            self.next += every;
            self.write_when(CHUNK)?;
        }
        Ok(())
    }

    fn end(&mut self) -> io::Result<()> {
        if let (Some(every), Some(at)) = (self.every, self.held_at) {
            self.resample(every, at + 1)?;
        }
        self.write_when(0)?;
        self.out.flush()
    }

    fn write_when(&mut self, least: usize) -> io::Result<()> {
        if self.text.len() >= least {
            self.out.write_all(&self.text)?;
            self.text.clear();
        }
        Ok(())
    }
}
