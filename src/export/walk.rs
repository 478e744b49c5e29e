//! From a recording to rows: the loop that feeds the pipeline and writes what it shows.

use std::io::{self, Write};

use anyhow::Context as _;

use super::row::{Csv, Format, Jsonl, Rows};
use super::summary::Summary;
use crate::channel::{Trust, Value};
use crate::config::{ChannelId, LinkId, SharedModel};
use crate::pipeline::{Outcome, Pipeline};
use crate::record::{ReadError, Recording};
use crate::replay::{Fed, Feed};
use crate::time::Micros;

/// How much text is gathered before it is written.
const CHUNK: usize = 64 * 1024;

/// What is written.
#[derive(Clone, Copy, Debug)]
pub struct Options {
    /// The text.
    pub format: Format,
    /// Resampled to one row each so many µs; `None`: one row for each reading.
    pub every: Option<Micros>,
}

/// Writes every row of `recording` to `out` and tells what was read. Memory does not grow with the length. Where a part
/// cannot be read on, `trouble` is told why, what came before it counts, and the next part follows.
pub fn run(
    recording: &mut Recording,
    model: &SharedModel,
    options: Options,
    out: &mut impl Write,
    trouble: &mut dyn FnMut(&ReadError),
) -> anyhow::Result<Summary> {
    let mut feed = Feed::new(SharedModel::clone(model));
    let mut page = Page::new(options, model, out);
    loop {
        let item = match recording.next() {
            Ok(Some(item)) => item,
            Ok(None) => break,
            Err(error) => {
                trouble(&error);
                continue;
            }
        };
        if let Fed::Line(Outcome::Reading | Outcome::Repeated) = feed.item(&item, &mut |_| {}) {
            page.reading(feed.pipeline()).context("cannot write the rows")?;
        }
    }
    page.end().context("cannot write the rows")?;
    let damage_bytes = recording.damage().bytes;
    let mut summary = Summary { damage_bytes, foreign_lines: feed.links().stranger_lines(), ..Summary::default() };
    for index in 0..model.links.len() {
        summary.add(feed.pipeline().tally(LinkId(u8::try_from(index).unwrap_or(u8::MAX))));
    }
    Ok(summary)
}

/// Rows on their way out.
struct Page<'a, W> {
    rows: Box<dyn Rows>,
    every: Option<Micros>,
    /// The newest row, held back when resampling until it is known how long it holds.
    held: Vec<Value>,
    held_at: Option<Micros>,
    /// Up to when each value held counts.
    until: Vec<Micros>,
    /// The next instant of a resampled row.
    next: Micros,
    text: Vec<u8>,
    out: &'a mut W,
}

impl<'a, W: Write> Page<'a, W> {
    fn new(options: Options, model: &SharedModel, out: &'a mut W) -> Self {
        let mut rows: Box<dyn Rows> = match options.format {
            Format::Csv { states } => Box::new(Csv { states }),
            Format::Jsonl => Box::new(Jsonl::default()),
        };
        let mut text = Vec::with_capacity(2 * CHUNK);
        rows.head(&model.channels, &mut text);
        Self { rows, every: options.every, held: Vec::new(), held_at: None, until: Vec::new(), next: 0, text, out }
    }

    fn reading(&mut self, pipeline: &Pipeline) -> io::Result<()> {
        let snapshot = pipeline.snapshot();
        if let Some(every) = self.every {
            self.resample(every, snapshot.at)?;
            self.until.clear();
            let channels = (0..).map(ChannelId).take(snapshot.channels.len());
            self.until.extend(channels.map(|channel| pipeline.good_until(channel).unwrap_or(Micros::MAX)));
        }
        self.held.clear();
        self.held.extend(snapshot.channels.iter().map(|shown| shown.value));
        self.held_at = Some(snapshot.at);
        if self.every.is_none() {
            self.rows.row(snapshot.at, &self.held, &mut self.text);
        }
        self.write_when(CHUNK)
    }

    /// Writes the rows that lie before `until` from the values held.
    fn resample(&mut self, every: Micros, until: Micros) -> io::Result<()> {
        while self.held_at.is_some() && self.next < until {
            for (value, until) in self.held.iter_mut().zip(&self.until) {
                if self.next > *until {
                    *value = value.and(Trust::Stale);
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
