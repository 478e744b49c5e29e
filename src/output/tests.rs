//! Rules on the bench: values of two channels, a link, a controller that keeps leases, and any times.
//!
//! What must hold is that of the config's and the counts format's pages, and J3, J4, J6 and J7 of the faults to survive.

use proptest::prelude::*;
use rstest::rstest;

use super::*;
use crate::channel::{Touch, Trust, Value};
use crate::config;
use crate::state::Shown;
use crate::time::{MILLISECOND, Micros, SECOND};

mod late;

const LEASE: Micros = LEASE_MS as Micros * MILLISECOND;

const HEATER: &str = "[channel.cold]\ninput = \"a0\"\nunit = \"V\"\n[channel.battery]\ninput = \"a1\"\nunit = \"V\"\n\
    [output.heater]\npin = \"d7\"\non = \"cold < 2 and cold > 0\"\noff_if = \"battery < 1\"\nlongest = \"5 s\"\nrest = \"2 s\"\n\
    armed = true\n";

/// Rules with what they look at.
struct Bench {
    model: Model,
    rules: Rules,
    channels: Vec<Shown>,
    links: Vec<LinkShown>,
    shown: (Vec<OutputShown>, Vec<FaultShown>),
    now: Stamp,
    changes: Vec<Change>,
}

fn shown(value: Value) -> Shown {
    Shown { value, smooth: value, ..Shown::UNKNOWN }
}

impl Bench {
    fn new(text: &str) -> Self {
        let loaded = config::load(&format!("format = 1\n{text}"));
        let model = loaded.model.unwrap_or_else(|| panic!("{:?}", loaded.mistakes));
        Self {
            rules: Rules::new(&model),
            channels: vec![shown(Value::ok(1.5)); model.channels.len()],
            links: vec![LinkShown { state: LinkState::Up, ..LinkShown::default() }],
            shown: Rules::shown(&model),
            now: Stamp(0),
            changes: Vec::new(),
            model,
        }
    }

    fn set(&mut self, channel: usize, value: Value) {
        self.channels[channel] = shown(value);
    }

    /// Everything that is due up to `at`, then a line at that instant.
    fn at(&mut self, at: Stamp) -> (u32, String) {
        while let Some(due) = self.rules.due().filter(|due| *due < at && *due > self.now) {
            self.step(due, false);
        }
        self.step(at, true);
        self.said()
    }

    fn ms(&mut self, ms: i64) -> (u32, String) {
        self.at(Stamp::from_millis(ms))
    }

    fn said(&self) -> (u32, String) {
        let shown = &self.shown.0[0];
        (shown.wanted, words::why(&self.model, &self.channels, 0, shown, self.now))
    }

    fn step(&mut self, now: Stamp, line: bool) {
        self.now = now;
        let touched = vec![Touch::NONE; self.channels.len()];
        let moment = Moment { at: now.0, line, channels: &self.channels, touched: &touched };
        let changes = &mut self.changes;
        self.rules.step(now, &moment, &self.links, (&mut self.shown.0, &mut self.shown.1), &mut |c| changes.push(c));
    }

    /// `ms`: the controller is told `value` for a lease.
    fn told(&mut self, ms: i64, value: u32) {
        let line = wire::set(&[(self.model.outputs[0].pin, value)], LEASE_MS).unwrap();
        self.rules.sent(LinkId(0), Stamp::from_millis(ms), line[0].as_bytes());
    }

    /// The pin reports `value`; `None`: the controller cannot say.
    fn reports(&mut self, ms: i64, value: impl Into<Option<u32>>) {
        let mut reading = Reading::with_fields(8);
        reading.at = ms * MILLISECOND;
        reading.fields_mut()[self.model.outputs[0].field.index()] =
            value.into().map_or(wire::Raw::Null, |value| wire::Raw::Number(f64::from(value)));
        self.rules.hear(LinkId(0), &reading, Stamp::from_millis(ms));
    }

    fn reload(&mut self, model: Model) {
        let mut rules = Rules::new(&model);
        let (outputs, mut faults) = Rules::shown(&model);
        rules.go_on_from(&self.rules, self.now, Some, (&mut faults, &self.shown.1));
        (self.rules, self.shown, self.model) = (rules, (outputs, faults), model);
    }
}

use crate::wire;

#[test]
fn it_rests_first_is_on_for_its_longest_and_rests_again() {
    let mut bench = Bench::new(HEATER);
    let course = [
        (0, 0, "rests 2 s"),
        (1_999, 0, "rests 1 s"),
        (2_000, 1, "5 s left"),
        (6_999, 1, "1 s left"),
        (7_000, 0, "was on its longest, rests 2 s"),
        (8_999, 0, "was on its longest, rests 1 s"),
        (9_000, 1, "5 s left"),
    ];
    for (ms, wanted, why) in course {
        assert_eq!(bench.ms(ms), (wanted, why.to_owned()), "at {ms} ms");
    }
}

#[test]
fn time_alone_switches_at_the_very_instant() {
    let mut bench = Bench::new(HEATER);
    bench.ms(0);
    for (due, wanted) in [(2_000, 1), (7_000, 0), (9_000, 1)] {
        assert_eq!(bench.rules.due(), Some(Stamp::from_millis(due)));
        bench.step(Stamp::from_millis(due), false);
        assert_eq!(bench.said().0, wanted);
    }
}

#[test]
fn each_term_that_holds_it_off_is_named() {
    let mut bench = Bench::new(HEATER);
    let good = Value::ok(1.5);
    bench.ms(0);
    let cases = [
        (Value::ok(3.0), good, "cold 3.0 V is not < 2"),
        (Value::ok(-1.0), good, "cold -1.0 V is not > 0"),
        (Value::ok(2.0001), good, "cold 2.0001 V is not < 2"),
        (Value::bad(Trust::Stale), good, "cold: stale, so untrusted"),
        (good, Value::bad(Trust::Open), "off_if: battery: open circuit, so untrusted"),
        (good, Value::ok(0.5), "off_if: battery 0.5 V < 1"),
        (Value::bad(Trust::Missing), Value::ok(0.5), "cold: missing, so untrusted"),
    ];
    for (at, (cold, battery, why)) in (3_000..).step_by(3_000).zip(cases) {
        (bench.channels[0], bench.channels[1]) = (shown(good), shown(good));
        assert_eq!(bench.ms(at).0, 1, "{why}");
        (bench.channels[0], bench.channels[1]) = (shown(cold), shown(battery));
        assert_eq!(bench.ms(at + 100), (0, why.to_owned()));
    }
    (bench.channels[0], bench.channels[1]) = (shown(good), shown(good));
    bench.links[0].state = LinkState::Silent;
    assert_eq!(bench.ms(60_000), (0, "no link".to_owned()));
    bench.links[0].state = LinkState::Up;
    bench.rules.hello(LinkId(0), Some(&Hello { output: vec![12], ..Hello::default() }));
    assert_eq!(bench.ms(60_100), (0, "the controller has no such output".to_owned()));
    bench.rules.hello(LinkId(0), Some(&Hello { output: vec![12, 7], ..Hello::default() }));
    assert_eq!(bench.ms(60_200).0, 1);
}

// cold is 1.5 V and battery 1.5 V; what is shown is the first part that holds it off.
#[rstest]
#[case::from_the_other_side("2 < cold", "cold 1.5 V is not > 2")]
#[case::two_channels("cold < battery", "cold 1.5 V is not < battery 1.5 V")]
#[case::second_part("cold > 1 and battery >= 3", "battery 1.5 V is not >= 3")]
#[case::third_part("cold > 1 and (battery < 3 and cold != 1.5)", "cold 1.5 V is not != 1.5")]
#[case::either("cold > 2 or cold < 1", "(cold > 2) or (cold < 1) does not hold with cold 1.5 V")]
#[case::negated("not (cold < 2)", "not (cold < 2) does not hold with cold 1.5 V")]
#[case::worked_out("cold + 2 * battery < 4", "(cold + (2 * battery)) < 4 does not hold with cold 1.5 V, battery 1.5 V")]
#[case::function(
    "max(cold, -battery, 1) > 2",
    "max(cold, -battery, 1) > 2 does not hold with cold 1.5 V, battery 1.5 V"
)]
#[case::choice("if(cold > 1, 0, 1)", "if(cold > 1, 0, 1) does not hold with cold 1.5 V")]
#[case::no_channel("1 > 2", "1 > 2 does not hold")]
fn the_part_that_holds_it_off_is_told_with_its_values(#[case] rule: &str, #[case] why: &str) {
    let mut bench = Bench::new(&HEATER.replace("cold < 2 and cold > 0", rule));
    assert_eq!(bench.ms(0), (0, why.to_owned()));
}

// off_if wins over `on`, and its first part that holds is told.
#[rstest]
#[case::one("battery < 2", "off_if: battery 1.5 V < 2")]
#[case::second("cold > 2 or battery < 2", "off_if: battery 1.5 V < 2")]
#[case::both("cold > 1 and battery < 2", "off_if: (cold > 1) and (battery < 2) holds with cold 1.5 V, battery 1.5 V")]
#[case::as_fine_as_it_takes("battery < 1.5004", "off_if: battery 1.5 V < 1.5004")]
fn the_part_of_off_if_that_holds_is_told_with_its_values(#[case] rule: &str, #[case] why: &str) {
    let mut bench = Bench::new(&HEATER.replace("battery < 1", rule));
    assert_eq!(bench.ms(0), (0, why.to_owned()));
}

/// J3: every state of trust in every place of a rule.
#[rstest]
fn an_untrusted_term_is_off_in_any_shape_of_rule(
    #[values(
        "cold < 2",
        "not (cold > 2)",
        "cold < 2 or battery > 0",
        "battery > 0 or cold < 2",
        "if(battery > 0, 1, cold)",
        "min(cold, battery) < 2",
        "mean(cold, 2) < 2",
        "cold == cold"
    )]
    rule: &str,
    #[values(false, true)] is_off_if: bool,
) {
    let term =
        if is_off_if { format!("on = \"1 > 0\"\noff_if = \"not ({rule})\"") } else { format!("on = \"{rule}\"") };
    let text = HEATER.replace("on = \"cold < 2 and cold > 0\"\noff_if = \"battery < 1\"", &term);
    for trust in Trust::ALL.into_iter().skip(1) {
        let mut bench = Bench::new(&text);
        bench.ms(0);
        bench.ms(3_000);
        bench.set(0, Value::bad(trust));
        let (wanted, why) = bench.ms(3_100);
        assert_eq!(wanted, 0, "{rule} with {trust:?}: {why}");
        assert!(why.ends_with(&format!("cold: {}, so untrusted", trust.words())), "{why}");
    }
}

// Points of the needle: straight between, clamped at the ends, a steady low below 1 Hz.
#[rstest]
#[case::below_the_first(-1.0, 0)]
#[case::first(0.0, 0)]
#[case::below_1_hz(0.049_9, 0)]
#[case::first_square_wave(0.05, 1_000)]
#[case::between(1.0, 20_000)]
#[case::corner(2.0, 40_000)]
#[case::second_piece(3.0, 2_520_000)]
#[case::last(4.0, 5_000_000)]
#[case::beyond_the_last(100.0, 5_000_000)]
fn a_needle_follows_its_points(#[case] at: f64, #[case] wanted: u32) {
    let mut bench = Bench::new(
        "[channel.rpm]\ninput = \"a0\"\nunit = \"V\"\n[output.needle]\npin = \"f9\"\nfrom = \"rpm\"\n\
         points = [[0, \"0 Hz\"], [2, \"40 Hz\"], [4, \"5000 Hz\"]]\nrest_at = \"30 Hz\"\n",
    );
    bench.set(0, Value::ok(at));
    assert_eq!(bench.ms(0), (wanted, format!("follows rpm {at:.1} V")));
    bench.set(0, Value::bad(Trust::Stale));
    assert_eq!(bench.ms(1), (30_000, "rpm: stale, so untrusted".to_owned()));
    bench.links[0].state = LinkState::Down;
    assert_eq!(bench.ms(2), (0, "no link".to_owned()));
}

#[test]
fn rest_begins_when_it_is_off_for_certain() {
    let mut bench = Bench::new(HEATER);
    bench.ms(0);
    bench.ms(2_000);
    bench.told(2_000, 1);
    bench.set(0, Value::ok(3.0));
    // Off is decided at 2.5 s; what was told lasts until 3 s, and nothing reports the pin.
    bench.ms(2_500);
    bench.set(0, Value::ok(1.5));
    assert_eq!(bench.ms(4_999).0, 0);
    assert_eq!(bench.ms(5_000).0, 1);
}

/// J6, both ways, and what is shown.
#[rstest]
#[case::stays_off(1, Some(0), Level::Caution, "pin d7 does not follow: set on, is off")]
#[case::stays_on(0, Some(1), Level::Danger, "pin d7 does not follow: set off, is on")]
// A wave's pin that is high at rest: no frequency says that.
#[case::cannot_be_told(0, None, Level::Danger, "pin d7 does not follow: set off, is not known")]
fn a_pin_that_does_not_follow_alarms_within_a_second_and_is_locked(
    #[case] set: u32,
    #[case] is: Option<u32>,
    #[case] level: Level,
    #[case] what: &str,
) {
    let mut bench = Bench::new(HEATER);
    bench.set(0, Value::ok(if set > 0 { 1.5 } else { 3.0 }));
    bench.ms(0);
    bench.ms(2_000);
    for ms in (2_000..3_100).step_by(20) {
        bench.told(ms, if bench.shown.1[0].active { 0 } else { set });
        bench.reports(ms, is);
        bench.ms(ms);
        assert_eq!(bench.shown.1[0].active, ms >= 3_000, "at {ms} ms");
    }
    let told = words::Told::of(&bench.model, &[], &bench.shown.1[0]).unwrap();
    let said = format!("{}: {}", told.what, told.detail);
    assert_eq!((bench.shown.1[0].level, said.as_str(), told.name.as_str()), (level, what, "heater"));
    assert_eq!(bench.said(), (0, "locked: the pin did not follow".to_owned()));
    assert_eq!(bench.changes, [Change { raised: Raised::Fault(0), active: true, value: None }]);
    bench.reports(60_000, 0);
    assert_eq!(bench.ms(60_000).0, 0, "until a person acts");
    assert!(bench.rules.free(Stamp::from_millis(60_000)));
    bench.set(0, Value::ok(1.5));
    assert_eq!(bench.ms(60_001), (0, "rests 2 s".to_owned()));
    assert!(!bench.shown.1[0].active && !bench.changes[1].active);
    assert_eq!(bench.ms(62_000).0, 1);
}

#[test]
fn a_report_that_is_on_its_way_and_a_timer_with_whole_steps_raise_nothing() {
    let mut bench = Bench::new(HEATER);
    // Readings a second apart, each sampled before the newest order was understood.
    for ms in (2_000..60_000).step_by(1_000) {
        let now = u32::from(ms / 1_000 % 2 == 0);
        bench.told(ms, now);
        bench.reports(ms + 10, 1 - now);
        bench.ms(ms + 10);
    }
    assert_eq!(bench.changes, []);
    let mut needle = Bench::new(
        "[channel.rpm]\ninput = \"a0\"\nunit = \"V\"\n[output.needle]\npin = \"f9\"\nfrom = \"rpm\"\n\
         points = [[0, \"0 Hz\"], [2, \"40 Hz\"]]\narmed = true\n",
    );
    for ms in (0..60_000).step_by(100) {
        let set = 10_000 + u32::try_from(ms).unwrap();
        needle.told(ms, set);
        needle.reports(ms + 20, set - 101);
        needle.ms(ms + 20);
    }
    assert_eq!(needle.changes, []);
    for ms in (60_000..62_000).step_by(100) {
        needle.told(ms, 50_000);
        needle.reports(ms, 70_000);
        needle.ms(ms);
    }
    assert_eq!(needle.changes.len(), 1);
}

/// J7: each restart comes `after` so long after switching on.
#[rstest]
#[case::last(30_000, true)]
#[case::first_that_is_not_blamed(30_001, false)]
fn two_restarts_within_30_s_of_switching_on_lock_it(#[case] after: i64, #[case] locks: bool) {
    let mut bench = Bench::new(&HEATER.replace("longest = \"5 s\"\n", ""));
    bench.ms(0);
    let mut ms = 2_000;
    for restarts in 0..3 {
        bench.rules.restarted(LinkId(0), restarts, Stamp::from_millis(ms));
        if restarts > 0 {
            assert_eq!(bench.ms(ms).0, 0, "a controller that restarts is at rest");
        }
        ms += 2_000;
        let on = bench.ms(ms);
        let locked = locks && restarts == 2;
        assert_eq!(on.0, u32::from(!locked), "{on:?}");
        bench.told(ms, 1);
        for later in (ms..=ms + after).step_by(300) {
            bench.told(later, u32::from(!locked));
            bench.at(Stamp::from_millis(later));
        }
        ms += after;
    }
    assert_eq!(bench.shown.0[0].is_locked(), locks);
    assert_eq!(bench.shown.1[0].active, locks);
}

#[test]
fn a_changed_config_keeps_lock_lease_and_rest() {
    let mut bench = Bench::new(HEATER);
    bench.ms(0);
    assert_eq!(bench.ms(2_000).0, 1);
    bench.told(2_000, 1);
    bench.ms(2_100);
    bench.reload(bench.model.clone());
    // It was on: off at the change, and the rest begins when the lease ends.
    assert_eq!(bench.ms(2_101).0, 0);
    assert_eq!((bench.ms(4_999).0, bench.ms(5_000).0), (0, 1));
    for restarts in [0, 1, 3] {
        bench.told(5_000, 1);
        bench.rules.restarted(LinkId(0), restarts, Stamp::from_millis(5_000));
    }
    bench.ms(5_001);
    assert!(bench.shown.0[0].is_locked());
    bench.reload(bench.model.clone());
    bench.ms(50_000);
    assert!(bench.shown.0[0].is_locked() && bench.shown.1[0].active);
    let alarms = bench.changes.len();
    assert_eq!(alarms, 1, "the alarm goes on and does not begin anew");
    // Another pin is another thing: nothing is known of it.
    let other = config::load(&format!("format = 1\n{}", HEATER.replace("d7", "d8"))).model.unwrap();
    bench.reload(other);
    assert_eq!(bench.ms(50_001).1, "rests 2 s");
}

/// What happens from one instant to the next.
#[derive(Clone, Copy, Debug)]
enum Happens {
    Value(usize, Value),
    Link(bool),
    Reload,
    Restart,
    Nothing,
}

fn value() -> impl Strategy<Value = Value> {
    prop_oneof![
        4 => (0.0..4.0_f64).prop_map(Value::ok),
        1 => (1..Trust::ALL.len()).prop_map(|place| Value::bad(Trust::ALL[place])),
    ]
}

fn happening() -> impl Strategy<Value = (i64, Happens)> {
    let gap = prop_oneof![8 => 1..100_i64, 2 => 100..2_000_i64, 1 => 2_000..20_000_i64];
    let what = prop_oneof![
        12 => (0..2_usize, value()).prop_map(|(channel, value)| Happens::Value(channel, value)),
        1 => any::<bool>().prop_map(Happens::Link),
        1 => Just(Happens::Reload),
        1 => Just(Happens::Restart),
        4 => Just(Happens::Nothing),
    ];
    (gap, what)
}

/// A controller that keeps leases, as far as it hears anything.
struct Controller {
    on_since: Option<Stamp>,
    off_since: Stamp,
    ends: Stamp,
}

impl Controller {
    /// Time passes; what was not renewed falls.
    fn pass(&mut self, now: Stamp) {
        if let Some(since) = self.on_since
            && now >= self.ends
        {
            self.off(self.ends.max(since));
        }
    }

    fn off(&mut self, now: Stamp) {
        if self.on_since.take().is_some() {
            self.off_since = now;
        }
    }
}

proptest! {
    // J4: 10^5 sequences; each is some forty happenings.
    #![proptest_config(ProptestConfig { cases: 100_000, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn it_is_never_on_too_long_nor_in_its_rest_nor_by_an_untrusted_term(
        happenings in proptest::collection::vec(happening(), 1..40),
        longest in 200..6_000_i64,
        rest in 0..6_000_i64,
        reports in any::<bool>(),
        lossy in any::<bool>(),
    ) {
        let mut bench = BENCH.with(Bench::copy);
        let config::Drive::Switch { longest: most, rest: least, .. } = &mut bench.model.outputs[0].drive else { return Ok(()) };
        (*most, *least) = (Some(longest * MILLISECOND), rest * MILLISECOND);
        bench.rules = Rules::new(&bench.model);
        bench.rules.restarted(LinkId(0), 0, Stamp(0));
        let mut board = Controller { on_since: None, off_since: Stamp(0), ends: Stamp(0) };
        let (mut now, mut restarts) = (Stamp(0), 0);
        bench.at(now);
        for (count, (gap, what)) in happenings.into_iter().enumerate() {
            // Between two happenings, the drive looks at each instant that is due and renews what is on.
            let end = now.after(gap * MILLISECOND);
            loop {
                let renewal = (bench.said().0 == 1).then(|| now.after(LEASE / 3));
                let next = bench.rules.due().into_iter().chain(renewal).filter(|at| *at > now).fold(end, Stamp::min);
                now = next;
                board.pass(now);
                bench.step(now, false);
                exchange(&mut bench, &mut board, now, (lossy, lossy && count % 3 == 0), reports)?;
                if now >= end {
                    break;
                }
            }
            match what {
                Happens::Value(channel, value) => bench.set(channel, value),
                Happens::Link(up) => bench.links[0].state = if up { LinkState::Up } else { LinkState::Down },
                Happens::Reload => bench.reload(bench.model.clone()),
                Happens::Restart => {
                    restarts += 1;
                    board.off(now);
                    bench.rules.restarted(LinkId(0), restarts, now);
                    // Locks have their own test.
                    bench.rules.free(now);
                }
                Happens::Nothing => {}
            }
            bench.step(now, true);
            exchange(&mut bench, &mut board, now, (lossy, lossy && count % 3 == 0), reports)?;
        }
    }
}

thread_local! {
    static BENCH: Bench = Bench::new(HEATER);
}

impl Bench {
    /// A new one, without reading its config again.
    fn copy(&self) -> Self {
        Self {
            rules: Rules::new(&self.model),
            channels: self.channels.clone(),
            links: self.links.clone(),
            shown: Rules::shown(&self.model),
            now: Stamp(0),
            changes: Vec::new(),
            model: self.model.clone(),
        }
    }
}

fn limits(bench: &Bench) -> (Micros, Micros) {
    match &bench.model.outputs[0].drive {
        config::Drive::Switch { longest, rest, .. } => (longest.unwrap_or(Micros::MAX), *rest),
        config::Drive::Follow { .. } => (0, 0),
    }
}

/// The drive tells the controller what is decided, which may get lost; then all that must hold is looked at.
fn exchange(
    bench: &mut Bench,
    board: &mut Controller,
    now: Stamp,
    (lossy, lost): (bool, bool),
    reports: bool,
) -> Result<(), TestCaseError> {
    let (longest, rest) = limits(bench);
    if reports && bench.links[0].state == LinkState::Up {
        // Readings come far more often than leases are renewed.
        bench.reports(now.0 / MILLISECOND, u32::from(board.on_since.is_some()));
        // Lines that were lost make a pin that does not follow, which has its own test.
        bench.rules.free(now);
        bench.step(now, false);
    }
    // Nobody can know of a lease that ended where lines are lost and the pin is not reported.
    let rest = if lossy && !reports { 0 } else { rest };
    let wanted = bench.said().0;
    if wanted == 1 {
        let trusted = bench.channels.iter().all(|shown| shown.value.good().is_some());
        prop_assert!(trusted && bench.links[0].state == LinkState::Up, "on with an untrusted term");
    }
    let ms = now.0 / MILLISECOND;
    // Whoever sends renews nothing that fell to rest by itself.
    let faltered = bench.shown.0[0].faltered;
    if bench.links[0].state == LinkState::Up {
        if !faltered {
            let line = wire::set(&[(bench.model.outputs[0].pin, wanted)], LEASE_MS).unwrap();
            bench.rules.sent(LinkId(0), now, line[0].as_bytes());
        }
        if !lost && wanted == 1 && !faltered {
            if board.on_since.is_none() {
                prop_assert!(
                    now.since(board.off_since) >= rest,
                    "on within its rest at {ms} ms: off since {:?}",
                    board.off_since
                );
                board.on_since = Some(now);
            }
            board.ends = now.after(LEASE);
        } else if !lost && wanted == 0 {
            board.off(now);
        }
    }
    if let Some(since) = board.on_since {
        prop_assert!(now.since(since) <= longest + LEASE, "on for {} ms", now.since(since) / MILLISECOND);
    }
    Ok(())
}

#[test]
fn one_second_is_the_lease() {
    assert_eq!(LEASE, SECOND);
}
