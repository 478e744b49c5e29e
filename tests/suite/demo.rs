//! Checks of the demo room against the outside: the wire decoder, the config, the pipeline and the recording's reader
//! are other rooms; the thresholds of the stories are invented here and stand nowhere in the demo's own code.

mod configs;
mod decode;
mod lines;
mod recordings;
mod stories;

use std::sync::Arc;

use kickpanel::config::{LinkId, Model, load, report};
use kickpanel::controller::{Simulated, Story};
use kickpanel::output::words::Told;
use kickpanel::pipeline::Pipeline;
use kickpanel::state::Snapshot;
use kickpanel::time::{MILLISECOND, Micros, SECOND, Stamp};
use kickpanel::watch::Raised;
use kickpanel::wire::FieldId;

/// The config of the demo.
pub const HILL_LORRY: &str = include_str!("../../config/hill-lorry.toml");

/// The model of a config that must be without any mistake or warning.
#[track_caller]
pub fn model(name: &str, text: &str) -> Model {
    let loaded = load(text);
    assert!(loaded.mistakes.is_empty(), "{}", report(name, text, &loaded.mistakes, false));
    loaded.model.unwrap()
}

/// Everything that `story` sends in its first `seconds`.
pub fn bytes(story: Story, seed: u64, seconds: i64) -> Vec<u8> {
    let mut out = Vec::new();
    Simulated::new(story, seed).advance(seconds * SECOND, &mut out);
    out
}

/// An alarm that began.
enum Began {
    Text(String),
    Fault(usize),
}

/// The lorry with the whole core behind it.
pub struct Drive {
    pub lorry: Simulated,
    pub pipeline: Pipeline,
    /// Texts of the alarms that began, or what they are about where no limit raised them, with the second.
    pub alarms: Vec<(f64, String)>,
    out: Vec<u8>,
}

impl Drive {
    pub fn new(story: Story, seed: u64) -> Self {
        let mut pipeline = Pipeline::new(Arc::new(model("config/hill-lorry.toml", HILL_LORRY)));
        pipeline.link_up(LinkId(0), Stamp(0));
        // The firmware starts with the first millisecond, and its readings come every 20 ms from there.
        let (mut lorry, mut out) = (Simulated::new(story, seed), Vec::new());
        lorry.advance(MILLISECOND, &mut out);
        Self { lorry, pipeline, alarms: Vec::new(), out }
    }

    /// Goes on by `span`; the lines are taken when they are sent.
    pub fn go(&mut self, span: Micros) {
        self.lorry.advance(self.lorry.now() + span, &mut self.out);
        let now = self.lorry.now();
        let whole = self.out.iter().rposition(|&byte| byte == b'\n').map_or(0, |end| end + 1);
        let taken: Vec<u8> = self.out.drain(..whole).collect();
        let model = self.pipeline.model().clone();
        let mut began = Vec::new();
        let mut changed = |change: kickpanel::watch::Change| match (change.active, change.raised) {
            (true, Raised::Limit(alarm)) => began.push(Began::Text(model.alarms[alarm].text.clone())),
            (true, Raised::Fault(place)) => began.push(Began::Fault(place)),
            (false, _) => {}
        };
        for line in taken.split(|&byte| byte == b'\n') {
            self.pipeline.line(LinkId(0), Stamp(now), line, &mut changed);
        }
        self.pipeline.tick(Stamp(now), &mut changed);
        let Snapshot { channels, faults, .. } = self.pipeline.snapshot();
        let text = |began| match began {
            Began::Text(text) => text,
            Began::Fault(place) => Told::of(&model, channels, &faults[place]).unwrap().name,
        };
        self.alarms.extend(began.into_iter().map(|began| (now as f64 / 1e6, text(began))));
    }

    /// The value of a channel, if it is good.
    #[track_caller]
    pub fn good(&self, name: &str) -> Option<f64> {
        self.shown(name).value.good()
    }

    #[track_caller]
    pub fn shown(&self, name: &str) -> kickpanel::state::Shown {
        let place = self.pipeline.model().channels.iter().position(|channel| channel.name == name);
        self.pipeline.snapshot().channels[place.expect(name)]
    }
}

/// The names that a decoder of the lorry's lines is given, and the place of each.
pub const NAMES: [&str; 15] =
    ["s", "a0", "a1", "a2", "a3", "a4", "a5", "p2", "p3", "d4", "air", "box", "d7", "d12", "f9"];

/// The place of the field `name` in the decoder's lines.
pub fn field(name: &str) -> FieldId {
    let place = NAMES.iter().position(|&known| known == name).unwrap() + FieldId::FIXED.len();
    FieldId(u16::try_from(place).unwrap())
}
