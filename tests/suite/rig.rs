//! A pipeline on the bench: a config as text, lines with their checksum, and what is shown after each.

use std::sync::Arc;

use kickpanel::channel::{Trust, Value};
use kickpanel::config::{self, LinkId, Model};
use kickpanel::pipeline::{Outcome, Pipeline};
use kickpanel::state::Shown;
use kickpanel::time::Stamp;
use kickpanel::watch::Change;
use kickpanel::wire::seal;

/// A pipeline with one link of the counts form, unless the config says otherwise.
pub struct Rig {
    /// The pipeline.
    pub pipeline: Pipeline,
    /// Every alarm that began or ended so far.
    pub changes: Vec<Change>,
    /// How far the computer's clock is ahead of the link's.
    pub late: i64,
}

/// The model of `text`, which must have no mistake.
#[track_caller]
pub fn model(text: &str) -> Model {
    let loaded = config::load(text);
    let report = config::report("kickpanel.toml", text, &loaded.mistakes, false);
    loaded.model.unwrap_or_else(|| panic!("{report}"))
}

impl Rig {
    /// A rig whose config is `channels` behind the usual head.
    #[track_caller]
    pub fn new(channels: &str) -> Self {
        let head = "format = 1\n[link.engine]\nreference = \"1.1 V\"\n";
        Self::whole(&format!("{head}{channels}"))
    }

    /// A rig with that whole config.
    #[track_caller]
    pub fn whole(text: &str) -> Self {
        Self { pipeline: Pipeline::new(Arc::new(model(text))), changes: Vec::new(), late: 0 }
    }

    /// A reading whose clock says `t` µs, with `members` behind it, that comes at that very instant.
    #[track_caller]
    pub fn read(&mut self, t: i64, members: &str) {
        let clock = t.rem_euclid(1 << 32);
        let comma = if members.is_empty() { "" } else { "," };
        let outcome = self.line(0, t + self.late, &format!("{{\"t\":{clock}{comma}{members}"));
        assert_eq!(outcome, Outcome::Reading);
    }

    /// The line of which `open` is all but the checksum and the bracket, over `link` at `now`.
    pub fn line(&mut self, link: u8, now: i64, open: &str) -> Outcome {
        let mut sealed = open.to_owned();
        seal(&mut sealed);
        self.raw(link, now, &sealed)
    }

    /// That very line.
    pub fn raw(&mut self, link: u8, now: i64, whole: &str) -> Outcome {
        let changes = &mut self.changes;
        self.pipeline.line(LinkId(link), Stamp(now), whole.as_bytes(), &mut |change| changes.push(change))
    }

    /// Time passes without a line.
    pub fn tick(&mut self, now: i64) -> bool {
        let changes = &mut self.changes;
        self.pipeline.tick(Stamp(now), &mut |change| changes.push(change))
    }

    /// What is shown of the channel of that name.
    #[track_caller]
    pub fn shown(&self, name: &str) -> Shown {
        let place = self.pipeline.model().channels.iter().position(|channel| channel.name == name).unwrap();
        self.pipeline.snapshot().channels[place]
    }

    /// Its value without smoothing.
    #[track_caller]
    pub fn value(&self, name: &str) -> Value {
        self.shown(name).value
    }

    /// Its number, which must be good.
    #[track_caller]
    pub fn good(&self, name: &str) -> f64 {
        let value = self.value(name);
        value.good().unwrap_or_else(|| panic!("{name} is {}", value.trust().name()))
    }

    /// Its state.
    #[track_caller]
    pub fn trust(&self, name: &str) -> Trust {
        self.value(name).trust()
    }
}

/// The rows of a file of `tests/reference`, without their head.
pub fn rows(text: &str) -> impl Iterator<Item = Vec<&str>> {
    text.lines().skip(1).map(|line| line.split(',').collect())
}

/// A number of such a file; `40/3` is meant as a fraction.
#[track_caller]
pub fn number(text: &str) -> f64 {
    match text.split_once('/') {
        Some((times, over)) => number(times) / number(over),
        None => text.parse().unwrap(),
    }
}

/// `value` must be `expected` within a share of it.
#[track_caller]
pub fn near(value: f64, expected: f64, share: f64) {
    assert!((value - expected).abs() <= expected.abs() * share, "{value} is not {expected}");
}
