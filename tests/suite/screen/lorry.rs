//! An old hill-farm lorry with the diesel of a generator set, at fixed instants: well, and in trouble.

use std::sync::Arc;

use kickpanel::channel::{Trust, Value};
use kickpanel::circuit::Circuit;
use kickpanel::config::{
    Alarm, Cell, Channel, ChannelId, Drive, Face, Field, Input, Level, Limit, Link, LinkId, Model, Output, Page,
    Sensor, SharedModel, Source,
};
use kickpanel::state::{
    AlarmShown, Column, FaultShown, LinkShown, LinkState, MomentShown, OutputShown, PlayerShown, Problem, Recording,
    Shown, Snapshot, Subject, Trouble, Why, WhyStopped,
};
use kickpanel::time::{SECOND, Stamp};
use kickpanel::unit::Unit;
use kickpanel::wire::Reset;
use kickpanel::wire::{FieldId, Form, Pin};

pub const NOW: Stamp = Stamp(754 * SECOND);

/// Name, label, unit, span, decimals, a good value.
type Row = (&'static str, &'static str, &'static str, (f64, f64), u8, f64);

const CHANNELS: [Row; 8] = [
    ("rpm", "Engine speed", "1/min", (0.0, 3000.0), 0, 1640.0),
    ("speed", "Road speed", "km/h", (0.0, 90.0), 0, 47.0),
    ("oil", "Oil pressure", "bar", (0.0, 7.0), 1, 3.4),
    ("coolant", "Coolant", "degC", (40.0, 120.0), 0, 86.0),
    ("feed", "Feed pressure", "bar", (-0.5, 1.5), 2, 0.42),
    ("battery", "Battery", "V", (10.0, 16.0), 1, 13.9),
    ("exhaust", "Exhaust", "degC", (0.0, 800.0), 0, 412.0),
    ("glow", "Glow plugs", "1", (0.0, 1.0), 0, 0.0),
];

fn id(name: &str) -> ChannelId {
    let at = CHANNELS.iter().position(|channel| channel.0 == name).unwrap();
    ChannelId(u16::try_from(at).unwrap())
}

/// The same with outputs, and a page that has them beside a value.
pub fn with_outputs() -> SharedModel {
    let output = |name: &str, pin: &str, armed| Output {
        name: name.to_owned(),
        link: LinkId(0),
        pin: Pin::parse(pin).unwrap(),
        field: FieldId(0),
        drive: Drive::Follow { from: id("rpm"), points: vec![(0.0, 0.0)], rest_at: 0.0 },
        armed,
    };
    let mut model = (*model()).clone();
    model.outputs = vec![
        output("intake_heater", "d7", true),
        output("fan", "d8", true),
        output("pump", "d12", true),
        output("tach_needle", "f9", true),
        output("cab_light", "w6", false),
    ];
    let outputs = vec![Cell { show: Vec::new(), face: Face::Outputs, wide: 1, last: 60 * SECOND }];
    let rows = vec![vec![cell(&["coolant"], Face::Digits, 1), cell(&["battery"], Face::Bar, 1)], outputs.clone()];
    model.pages =
        vec![Page { name: "Heat".to_owned(), rows }, Page { name: "Outputs".to_owned(), rows: vec![outputs] }];
    Arc::new(model)
}

/// One output on, one that waits, one locked because its pin did not follow, a needle, and one that is not armed.
pub fn switching() -> Snapshot {
    let mut snapshot = well();
    let resting = OutputShown::resting(true);
    let not_followed = Problem::DoesNotFollow { set: 1, is: Some(0) };
    let (on, end) = (Some(1), Some(NOW.after(12 * SECOND)));
    snapshot.outputs = vec![
        OutputShown { wanted: 1, why: Why::Holds, until: end, sent: on, there: on, ..resting },
        OutputShown { why: Why::Untrusted(id("coolant"), Trust::Stale), there: Some(0), ..resting },
        OutputShown { why: Why::Locked(not_followed), there: Some(0), ..resting },
        OutputShown { wanted: 133_300, why: Why::Follows, ..resting },
        OutputShown { wanted: 250, why: Why::Follows, ..OutputShown::resting(false) },
    ];
    let fault = |place| FaultShown {
        subject: Subject::Output(place),
        problem: not_followed,
        level: Level::Caution,
        active: place == 2,
        since: NOW,
    };
    snapshot.faults = (0..5).map(fault).collect();
    snapshot
}

fn channels() -> Vec<Channel> {
    let channel = |(name, label, unit, span, digits, _): Row| Channel {
        name: name.to_owned(),
        label: label.to_owned(),
        source: Source::Input(Input {
            link: LinkId(0),
            field: Field::Number(FieldId(0)),
            circuit: Circuit::Direct,
            sensor: Sensor::Switch { on: true },
        }),
        unit: Unit::parse(unit).unwrap(),
        span: Some(span),
        digits,
        words: (name == "glow").then(|| ["off".to_owned(), "on".to_owned()]),
        smooth: None,
        fresh: None,
        fastest: None,
        stuck: None,
        calibration: None,
    };
    CHANNELS.map(channel).to_vec()
}

fn alarm(channel: &str, level: Level, limit: Limit, text: &str) -> Alarm {
    Alarm {
        channel: id(channel),
        level,
        limit,
        deadband: 0.0,
        after: SECOND,
        until: SECOND,
        when: None,
        latch: false,
        text: text.to_owned(),
    }
}

fn cell(show: &[&str], face: Face, wide: u16) -> Cell {
    Cell { show: show.iter().map(|name| id(name)).collect(), face, wide, last: 60 * SECOND }
}

/// The vehicle.
pub fn model() -> SharedModel {
    let road = vec![
        vec![cell(&["rpm"], Face::Dial, 1), cell(&["speed"], Face::Digits, 1)],
        vec![cell(&["oil"], Face::Bar, 1), cell(&["coolant"], Face::Bar, 1)],
        vec![cell(&["feed", "rpm"], Face::Trend, 1)],
    ];
    let all = vec![
        vec![cell(&["rpm"], Face::Dial, 2), cell(&["exhaust"], Face::Dial, 2)],
        vec![cell(&["oil"], Face::Digits, 1), cell(&["feed"], Face::Digits, 1), cell(&["battery"], Face::Digits, 1)],
        vec![cell(&["coolant"], Face::Bar, 2), cell(&["battery"], Face::Bar, 2), cell(&["glow"], Face::Lamp, 1)],
        vec![cell(&["feed", "rpm", "oil"], Face::Trend, 1)],
    ];
    let fuel = vec![
        vec![cell(&["feed"], Face::Digits, 1)],
        vec![cell(&["feed", "rpm"], Face::Trend, 1)],
        vec![cell(&["glow"], Face::Lamp, 1), cell(&["battery"], Face::Bar, 3)],
    ];
    let page = |name: &str, rows| Page { name: name.to_owned(), rows };
    Arc::new(Model {
        name: "Hill lorry".to_owned(),
        links: vec![Link {
            name: "engine".to_owned(),
            device: "/dev/ttyUSB0".to_owned(),
            baud: 500_000,
            form: Form::Counts { checksum_required: true },
            reference: 1.1,
            fields: Vec::new(),
        }],
        channels: channels(),
        order: (0..8).map(ChannelId).collect(),
        alarms: vec![
            alarm("oil", Level::Danger, Limit::Below(0.8), "Oil pressure low: stop the engine"),
            alarm("oil", Level::Caution, Limit::Below(1.5), "Oil pressure falling: check the level"),
            alarm("coolant", Level::Caution, Limit::Above(98.0), "Coolant hot: ease off, heater on full"),
            alarm("coolant", Level::Danger, Limit::Above(106.0), "Coolant boils: stop, let it idle"),
            alarm("feed", Level::Caution, Limit::Below(0.1), "Feed pressure low: filter, lift pump, tank vent"),
            alarm("exhaust", Level::Danger, Limit::Above(680.0), "Exhaust too hot: change down, ease off"),
            alarm("battery", Level::Caution, Limit::Below(11.8), "Battery is not being charged: belt, alternator"),
            alarm("rpm", Level::Danger, Limit::Above(2600.0), "Engine overspeed: brake, do not change down"),
        ],
        pages: vec![page("Road", road), page("All", all), page("Fuel", fuel)],
        ..Model::default()
    })
}

/// All is well.
pub fn well() -> Snapshot {
    let model = model();
    let shown = |channel: Row| Shown {
        value: Value::ok(channel.5),
        smooth: Value::ok(channel.5),
        heard: Some(NOW),
        ..Shown::UNKNOWN
    };
    Snapshot {
        version: 1,
        now: NOW,
        at: NOW.0,
        channels: CHANNELS.map(shown).to_vec(),
        links: vec![LinkShown { state: LinkState::Up, lines_per_s: 50, supply: Some(5.02), ..LinkShown::default() }],
        alarms: model
            .alarms
            .iter()
            .map(|alarm| AlarmShown { level: alarm.level, active: false, since: Stamp(0) })
            .collect(),
        recording: Recording::On { drive: 42 },
        ..Snapshot::default()
    }
}

/// Sets the value of one channel.
pub fn set(snapshot: &mut Snapshot, name: &str, value: Value) {
    let shown = &mut snapshot.channels[id(name).index()];
    (shown.value, shown.smooth) = (value, value);
}

/// Oil pressure is gone, the coolant's wire is broken, the feed is low, and nothing is recorded.
pub fn trouble() -> Snapshot {
    let mut snapshot = well();
    set(&mut snapshot, "oil", Value::ok(0.4));
    set(&mut snapshot, "coolant", Value::bad(Trust::Open));
    set(&mut snapshot, "feed", Value::ok(-0.08));
    for at in [0, 1, 4] {
        snapshot.alarms[at].active = true;
    }
    snapshot.links[0].bad = 3;
    snapshot.links[0].restarts = 2;
    snapshot.links[0].resets.count(Reset::BrownOut);
    snapshot.links[0].resets.count(Reset::Unknown);
    snapshot.recording = Recording::Stopped(WhyStopped::DiskFull);
    snapshot
}

/// The cable came off four seconds ago.
pub fn unplugged() -> Snapshot {
    let mut snapshot = well();
    let off = Stamp(NOW.0 - 4 * SECOND);
    for shown in &mut snapshot.channels {
        (shown.value, shown.smooth) = (Value::bad(Trust::Stale), Value::bad(Trust::Stale));
        shown.heard = Some(off);
    }
    snapshot.links[0] =
        LinkShown { state: LinkState::Down, trouble: Some(Trouble::Unplugged), since: off, ..LinkShown::default() };
    snapshot
}

/// A replay stands in the middle of its recording.
pub fn replayed() -> Snapshot {
    let mut snapshot = well();
    snapshot.recording = Recording::Off;
    snapshot.player = Some(PlayerShown {
        position: 754 * SECOND,
        length: Some(1804 * SECOND),
        speed: 2.0,
        paused: false,
        looping: true,
        earlier: true,
        later: true,
        ..PlayerShown::default()
    });
    snapshot
}

/// It has just come to a mark.
pub fn at_a_mark() -> Snapshot {
    let mut snapshot = replayed();
    let mark = |player: &mut PlayerShown| {
        let at = 753 * SECOND;
        let text = "faltered on the steep bend".into();
        player.moment = Some(MomentShown { kind: "mark", number: 2, of: 3, at, text, level: "" });
    };
    snapshot.player.iter_mut().for_each(mark);
    snapshot
}

/// A history of `count` columns: a slow wave, a spike of one column, and a gap.
pub fn course(channel: ChannelId, count: usize) -> Vec<Column> {
    let (low, high) = CHANNELS[channel.index()].3;
    #[allow(clippy::cast_possible_truncation)]
    let at = |share: f64| (low + (high - low) * share) as f32;
    let column = |index: usize| {
        let share = index as f64 / count.max(1) as f64;
        if (0.30..0.36).contains(&share) {
            return Column::GAP;
        }
        let wave = 0.5 + 0.25 * (share * 9.0).sin() - 0.3 * (share - 0.8).max(0.0) * 5.0 * (share * 40.0).sin().abs();
        let spike = if index == count * 2 / 3 { 0.4 } else { 0.02 };
        Column { low: at(wave - 0.02), high: at(wave + spike) }
    };
    (0..count).map(column).collect()
}
