//! Faults at the pins of the demo's lorry while it drives, through its own lines.

use std::sync::Arc;

use kickpanel::channel::Trust;
use kickpanel::config::LinkId;
use kickpanel::controller::{Simulated, Story};
use kickpanel::output::words::Told;
use kickpanel::pipeline::Pipeline;
use kickpanel::state::Shown;
use kickpanel::time::{MILLISECOND, SECOND, Stamp};
use kickpanel::watch::Raised;
use kickpanel::wire::seal;
use rstest::rstest;

use crate::demo::{Drive, HILL_LORRY, model};

/// The lorry whose pins somebody has hands on.
struct Bench {
    lorry: Simulated,
    pipeline: Pipeline,
    /// What began, with the second: the words of a fault, or the text of a limit.
    began: Vec<(f64, String)>,
    out: Vec<u8>,
}

impl Bench {
    fn new(story: Story, seed: u64) -> Self {
        let mut pipeline = Pipeline::new(Arc::new(model("config/hill-lorry.toml", HILL_LORRY)));
        pipeline.link_up(LinkId(0), Stamp(0));
        Self { lorry: Simulated::new(story, seed), pipeline, began: Vec::new(), out: Vec::new() }
    }

    /// Up to `until` seconds; `edit` has every reading's counts between its hands, and `look` sees what is shown then.
    fn go(&mut self, until: i64, edit: &mut dyn FnMut(f64, &mut [f64; 6]), look: &mut dyn FnMut(f64, &Self)) {
        while self.lorry.now() < until * SECOND {
            self.lorry.advance(self.lorry.now() + 20 * MILLISECOND, &mut self.out);
            let now = self.lorry.now();
            let whole = self.out.iter().rposition(|&byte| byte == b'\n').map_or(0, |end| end + 1);
            let taken: Vec<u8> = self.out.drain(..whole).collect();
            let seconds = now as f64 / 1e6;
            let mut turned = Vec::new();
            for line in taken.split(|&byte| byte == b'\n') {
                let line = edited(std::str::from_utf8(line).unwrap(), &mut |counts| edit(seconds, counts));
                self.pipeline.pass(Stamp(now), &mut |change| turned.push(change));
                self.pipeline.line(LinkId(0), Stamp(now), line.as_bytes(), &mut |change| turned.push(change));
            }
            let (model, snapshot) = (self.pipeline.model(), self.pipeline.snapshot());
            for change in turned.into_iter().filter(|change| change.active) {
                let text = match change.raised {
                    Raised::Limit(at) => model.alarms[at].text.clone(),
                    Raised::Fault(at) => {
                        let told = Told::of(model, &snapshot.channels, &snapshot.faults[at]).unwrap();
                        format!("{}: {}", told.name, told.what)
                    }
                };
                self.began.push((seconds, text));
            }
            look(seconds, self);
        }
    }

    fn shown(&self, name: &str) -> Shown {
        let place = self.pipeline.model().channels.iter().position(|channel| channel.name == name);
        self.pipeline.snapshot().channels[place.expect(name)]
    }
}

/// The line with the counts of `a0` to `a5` as `edit` leaves them, signed anew.
fn edited(line: &str, edit: &mut dyn FnMut(&mut [f64; 6])) -> String {
    if !line.starts_with("{\"s\"") {
        return line.to_owned();
    }
    let value: serde_json::Value = serde_json::from_str(line).unwrap();
    let before: [f64; 6] = std::array::from_fn(|pin| value[format!("a{pin}")].as_f64().unwrap());
    let mut counts = before;
    edit(&mut counts);
    if counts == before {
        return line.to_owned();
    }
    let mut open = line.split(",\"crc\"").next().unwrap().to_owned();
    for (pin, counts) in counts.into_iter().enumerate() {
        let key = format!("\"a{pin}\":");
        let start = open.find(&key).unwrap() + key.len();
        let end = start + open[start..].find(',').unwrap_or(open.len() - start);
        open.replace_range(start..end, &counts.to_string());
    }
    seal(&mut open);
    open
}

/// What is done to a pin from 100 s on, while the lorry climbs its first hill.
#[derive(Clone, Copy)]
enum Fault {
    At(f64),
    Held,
    Spike(f64),
}

const BEGINS: f64 = 100.0;

// The rule of each state in the config, version 1; the lorry's sensors are invented.
#[rstest]
#[case::wire_of_a_pull_up_open("coolant", 0, Fault::At(1023.0), Trust::Open, 0.0, "Coolant sensor: open circuit")]
#[case::pull_up_to_ground("coolant", 0, Fault::At(0.0), Trust::ShortLow, 0.0, "Coolant sensor: short to ground")]
#[case::wire_of_a_live_zero_sensor(
    "oil",
    1,
    Fault::At(3.0),
    Trust::ShortLow,
    0.0,
    "Oil pressure sensor: short to ground, broken wire or no supply"
)]
#[case::ground_of_a_live_zero_sensor(
    "oil",
    1,
    Fault::At(1020.0),
    Trust::ShortHigh,
    0.0,
    "Oil pressure sensor: short to supply or broken sensor ground"
)]
#[case::an_amplifier_at_its_end(
    "exhaust",
    3,
    Fault::At(1022.0),
    Trust::Beyond,
    0.0,
    "Exhaust gas sensor: out of its range"
)]
#[case::another_resistance("fuel", 5, Fault::At(545.0), Trust::Beyond, 0.0, "Fuel sensor: out of its range")]
#[case::a_plausible_value_that_stands(
    "coolant",
    0,
    Fault::Held,
    Trust::Stuck,
    60.0,
    "Coolant sensor: stuck: does not move"
)]
#[case::one_sample_that_leaps(
    "oil",
    1,
    Fault::Spike(250.0),
    Trust::Leaping,
    0.0,
    "Oil pressure sensor: leaps: faster than possible"
)]
fn a_fault_at_a_pin_is_named_within_its_time_and_raises_one_alarm(
    #[case] name: &str,
    #[case] pin: usize,
    #[case] fault: Fault,
    #[case] trust: Trust,
    #[case] delay: f64,
    #[case] says: &str,
) {
    let mut bench = Bench::new(Story::Healthy, 3);
    let (mut held, mut first, mut wrong) = (None, None, 0);
    let mut edit = |now: f64, counts: &mut [f64; 6]| {
        if now >= BEGINS {
            counts[pin] = match fault {
                Fault::At(at) => at,
                Fault::Held => *held.get_or_insert(counts[pin]),
                Fault::Spike(by) if now < BEGINS + 0.02 => counts[pin] - by,
                Fault::Spike(_) => counts[pin],
            };
        }
    };
    let mut look = |now: f64, bench: &Bench| {
        let shown = bench.shown(name);
        if shown.value.trust() == trust && first.is_none() {
            first = Some(now);
        }
        let lasts = !matches!(fault, Fault::Spike(_)) || now < BEGINS + 1.0;
        wrong += i32::from(now > BEGINS + delay + 1.0 && lasts && shown.value.trust() != trust);
        if now < BEGINS {
            assert_eq!(shown.times, 0, "{name} is well until then: {now}");
        }
    };
    bench.go(180, &mut edit, &mut look);
    let first = first.expect(says);
    assert!(first - BEGINS <= delay + 1.0, "{first}");
    assert_eq!(wrong, 0);
    let texts: Vec<_> = bench.began.iter().map(|(_, text)| text.as_str()).collect();
    assert_eq!(texts, [says]);
    assert!(bench.began[0].0 - BEGINS <= delay + 1.0, "{:?}", bench.began);
    let shown = bench.shown(name);
    assert!(shown.times >= 1 && shown.was.is_finite());
}

#[test]
fn a_slow_true_drift_is_no_fault() {
    let mut bench = Bench::new(Story::Healthy, 5);
    // Sixty counts in six minutes on every pin, up and down again.
    let mut edit = |now: f64, counts: &mut [f64; 6]| {
        for (pin, counts) in counts.iter_mut().enumerate() {
            let way = if pin % 2 == 0 { 1.0 } else { -1.0 };
            *counts = (*counts + way * 0.16 * now.min(360.0 - now.min(360.0))).clamp(5.0, 1000.0).round();
        }
    };
    bench.go(360, &mut edit, &mut |_, _| {});
    let faults: Vec<_> =
        bench.began.iter().filter(|(_, text)| text.contains("sensor") || text.contains("Sensor")).collect();
    assert!(faults.is_empty(), "{faults:?}");
    for name in ["oil", "feed", "coolant", "exhaust", "battery", "fuel"] {
        assert_eq!(bench.shown(name).times, 0, "{name}");
    }
}

#[test]
fn the_ground_story_names_the_ground_and_no_sensor() {
    for seed in [7, 8] {
        let mut drive = Drive::new(Story::Ground, seed);
        let (mut lifted, mut named, mut wrong, mut worst) = (0, 0, 0, 0);
        while drive.lorry.now() < 300 * SECOND {
            drive.go(20 * MILLISECOND);
            let is = drive.lorry.truth().ground > 0.0 && drive.lorry.now() > SECOND;
            let ground =
                ["oil", "feed", "coolant", "fuel"].map(|name| drive.shown(name).value.trust() == Trust::Ground);
            lifted += i32::from(is);
            named += i32::from(is && ground == [true; 4]);
            wrong = if drive.lorry.now() > SECOND && ground != [is; 4] { wrong + 1 } else { 0 };
            worst = wrong.max(worst);
        }
        assert!(lifted > 200 && worst <= 2, "{lifted} readings, {named} named, {worst} in a row not");
        let texts: Vec<_> = drive.alarms.iter().map(|(_, text)| text.as_str()).collect();
        assert!(!texts.is_empty() && texts.iter().all(|text| *text == "Sensor ground engine"), "{texts:?}");
    }
}

#[test]
fn the_supply_story_names_the_supply_and_no_sensor() {
    for seed in [7, 8] {
        let mut drive = Drive::new(Story::Supply, seed);
        while drive.lorry.now() < 300 * SECOND {
            drive.go(20 * MILLISECOND);
        }
        let sensors: Vec<_> = drive.alarms.iter().filter(|(_, text)| text.contains("ensor")).collect();
        assert!(!sensors.is_empty(), "{:?}", drive.alarms);
        assert!(sensors.iter().all(|(_, text)| text == "Sensor supply engine"), "{:?}", drive.alarms);
    }
}

/// Seed, channel, and how often it was doubted.
type Doubt = (u64, String, u32);

/// Healthy drives with that many seeds and minutes: every time that a channel was doubted, and every alarm.
fn healthy(seeds: std::ops::Range<u64>, minutes: i64) -> (Vec<Doubt>, Vec<(f64, String)>) {
    let (mut doubts, mut alarms) = (Vec::new(), Vec::new());
    for seed in seeds {
        let mut drive = Drive::new(Story::Healthy, seed);
        while drive.lorry.now() < minutes * 60 * SECOND {
            drive.go(20 * MILLISECOND);
        }
        let Drive { pipeline, alarms: began, .. } = drive;
        for (channel, shown) in pipeline.model().channels.iter().zip(&pipeline.snapshot().channels) {
            if shown.times > 0 {
                doubts.push((seed, channel.name.clone(), shown.times));
            }
        }
        alarms.extend(began);
    }
    (doubts, alarms)
}

#[test]
fn healthy_drives_from_the_cold_start_on_raise_no_doubt() {
    let (doubts, alarms) = healthy(20..26, 3);
    // From the first edges on a rate is known with the second line, once for each start.
    let (rates, doubts): (Vec<_>, Vec<_>) = doubts.into_iter().partition(|(_, name, _)| of_rates(name));
    assert_eq!((doubts, alarms), (vec![], vec![]));
    assert!(rates.iter().all(|(_, name, times)| *times <= if name == "gearing" { 2 } else { 1 }), "{rates:?}");
}

/// Channels that the first edges after a start leave unknown for a line.
fn of_rates(name: &str) -> bool {
    ["rpm", "speed", "gearing"].contains(&name)
}

/// Ten hours: `cargo test --test suite ten_hours -- --ignored`.
#[test]
#[ignore = "minutes long"]
fn in_ten_hours_of_healthy_driving_no_channel_is_doubted_more_than_once_an_hour() {
    let (doubts, alarms) = healthy(100..120, 30);
    println!("{doubts:?}");
    let hours = 10;
    for (_, name, _) in doubts.iter().filter(|(_, name, _)| !of_rates(name)) {
        let times: u32 = doubts.iter().filter(|doubt| doubt.1 == *name).map(|doubt| doubt.2).sum();
        assert!(times <= hours, "{name}: {times} in {hours} h");
    }
    assert_eq!(alarms, []);
}
