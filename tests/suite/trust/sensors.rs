//! I1 of the catalogue of faults in its small form: ten sensors, eight faults, a few seeds.

use kickpanel::channel::Trust;
use kickpanel::watch::Raised;

use crate::rig::Rig;

/// Four resistors, five live-zero sensors and a divider, all with limits that nothing here reaches.
fn config() -> String {
    let mut text = "[trust]\nsupply = [\"4.5 V\", \"5.5 V\"]\n".to_owned();
    for pin in 0..10 {
        let more = match pin {
            0..4 => {
                "circuit = { kind = \"pullup\", resistor = \"1 kohm\" }\nsensor = { kind = \"thermistor\", points = [[\"0 degC\", \
                 \"6000 ohm\"], [\"40 degC\", \"1200 ohm\"], [\"100 degC\", \"190 ohm\"]] }\nunit = \"degC\"\nfastest = \"50 degC/s\"\n\
                 alarm = [{ level = \"danger\", above = 190 }]\n"
            }
            4..9 => {
                "sensor = { kind = \"linear\", from = [\"0.5 V\", \"4.5 V\"], to = [\"0 bar\", \"8 bar\"], ratiometric = \"5 V\" }\n\
                 unit = \"bar\"\nfastest = \"50 bar/s\"\nalarm = [{ level = \"danger\", below = -1 }]\n"
            }
            _ => {
                "circuit = { kind = \"divider\", top = \"27 kohm\", bottom = \"10 kohm\" }\nsensor = { kind = \"linear\", from = \
                 [\"6 V\", \"18 V\"], to = [\"6 V\", \"18 V\"] }\nunit = \"V\"\nfastest = \"60 V/s\"\nalarm = [{ level = \"danger\", \
                 above = 19 }]\n"
            }
        };
        text += &format!("[channel.s{pin}]\ninput = \"a{pin}\"\nstuck = {{ after = \"5 s\", band = 0 }}\n{more}");
    }
    text
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Fault {
    /// Broken: the pin goes where nothing holds it.
    Broken,
    ToGround,
    ToSupply,
    Stuck,
    /// One sample in a second is somewhere else.
    Leaps,
    /// Three readings good, three at a rail.
    Chatters,
    SupplyDips,
    /// Eight of the ten are lifted.
    GroundSteps,
}

const FAULTS: [Fault; 8] = [
    Fault::Broken,
    Fault::ToGround,
    Fault::ToSupply,
    Fault::Stuck,
    Fault::Leaps,
    Fault::Chatters,
    Fault::SupplyDips,
    Fault::GroundSteps,
];

struct Random(u64);

impl Random {
    fn below(&mut self, below: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 16) % below
    }

    /// The mean of four samples with the noise of a count or two, as the firmware sends it.
    fn noise(&mut self) -> f64 {
        (0..4).map(|_| self.below(5) as f64 - 2.0).sum::<f64>() / 4.0
    }
}

/// What is true of pin `pin` at `n`, in counts.
fn truth(pin: usize, n: i64, phase: f64) -> f64 {
    let level = [180.0, 240.0, 300.0, 360.0, 420.0, 480.0, 300.0, 560.0, 380.0, 700.0][pin];
    level + 25.0 * (n as f64 / 700.0 + phase + pin as f64).sin()
}

/// Faults begin here, in readings of 20 ms, and stay for 12 s.
const BEGINS: i64 = 700;
const ENDS: i64 = 1300;

/// One run. Gives the longest wrong stretch, in readings, that was shown as good, and the alarms that began.
fn run(sensor: usize, fault: Fault, seed: u64) -> (i64, Vec<String>) {
    let mut random = Random(0x9E37_79B9_7F4A_7C15 ^ (seed * 977 + sensor as u64 * 31 + fault as u64 + 1));
    let mut rig = Rig::new(&config());
    let phase = random.below(628) as f64 / 100.0;
    let (mut held, mut wrong, mut worst) = (None, 0, 0);
    let (mut calm, mut limits) = (Rig::new(&config()), 0);
    for n in 0..ENDS {
        let counts: Vec<f64> = (0..10).map(|pin| (truth(pin, n, phase) * 4.0).round() / 4.0 + random.noise()).collect();
        let on = n >= BEGINS;
        let hurt = |pin: usize, held: &mut Option<f64>| match fault {
            Fault::GroundSteps if on && pin < 8 => counts[pin] + 60.0,
            _ if !on || pin != sensor => counts[pin],
            Fault::Broken if pin < 4 => 1023.0,
            Fault::Broken | Fault::ToGround => 0.0,
            Fault::ToSupply => 1023.0,
            Fault::Stuck => *held.get_or_insert(counts[pin]),
            Fault::Leaps if (n - BEGINS) % 50 == 0 => counts[pin] - 150.0,
            Fault::Chatters if (n - BEGINS) / 3 % 2 == 0 => 1023.0,
            _ => counts[pin],
        };
        let line = |counts: &dyn Fn(usize) -> f64, vcc: i32| {
            let fields: Vec<String> =
                (0..10).map(|pin| format!("\"a{pin}\":{}", counts(pin).clamp(0.0, 1023.0))).collect();
            format!("\"vcc\":{vcc},{}", fields.join(","))
        };
        let hurt: Vec<f64> = (0..10).map(|pin| hurt(pin, &mut held)).collect();
        let dips = on && fault == Fault::SupplyDips;
        rig.read(n * 20_000, &line(&|pin| hurt[pin], if dips { 4000 } else { 5000 }));
        // What the same lines give without the fault.
        calm.read(n * 20_000, &line(&|pin| counts[pin], 5000));
        let shown_wrong = (0..10).any(|pin| {
            let (name, span) = (format!("s{pin}"), if pin < 4 { 5.0 } else { 0.3 });
            let (is, should) = (rig.value(&name).good(), calm.value(&name).good());
            matches!((is, should), (Some(is), Some(should)) if (is - should).abs() > span && !(dips && pin == 9))
        });
        wrong = if shown_wrong { wrong + 1 } else { 0 };
        worst = wrong.max(worst);
        limits += rig.changes.iter().filter(|change| matches!(change.raised, Raised::Limit(_))).count();
    }
    assert_eq!(limits, 0, "no limit alarm comes from an untrusted value");
    assert!(calm.changes.is_empty(), "{:?}", calm.changes);
    let model = rig.pipeline.model();
    let began = rig.changes.iter().filter(|change| change.active).map(|change| match change.raised {
        Raised::Fault(at) => format!("{:?}", rig.pipeline.snapshot().faults[at].subject),
        Raised::Limit(at) => model.alarms[at].text.clone(),
    });
    (worst, began.collect())
}

#[test]
fn ten_sensors_with_eight_faults_show_no_wrong_value_and_each_cause_is_one_alarm() {
    let mut runs = 0;
    for sensor in 0..10 {
        for fault in FAULTS {
            for seed in 0..2 {
                let (worst, began) = run(sensor, fault, seed);
                // A step of several is named with the second reading, a value that stands after its time.
                let delay = match fault {
                    Fault::GroundSteps => 1,
                    Fault::Stuck => 250,
                    _ => 0,
                };
                assert!(worst <= delay + 1, "{sensor} {fault:?} {seed}: wrong for {worst} readings");
                let says = match fault {
                    Fault::SupplyDips => "Supply(LinkId(0))".to_owned(),
                    Fault::GroundSteps => "Ground(LinkId(0))".to_owned(),
                    _ => format!("Sensor(ChannelId({sensor}))"),
                };
                assert_eq!(began, [says], "{sensor} {fault:?} {seed}");
                runs += 1;
            }
        }
    }
    assert_eq!(runs, 160);
}

#[test]
fn a_ground_that_stepped_is_over_when_it_is_back_by_half_or_accepted() {
    for accept in [false, true] {
        let mut rig = Rig::new(&config());
        let lift = |n: i64| match n {
            500.. if accept => 60.0,
            500..700 => 60.0,
            700.. => 29.0,
            _ => 0.0,
        };
        // It is quiet a minute after the last step.
        for n in 0..3800 {
            let fields: Vec<String> =
                (0..10).map(|pin| format!("\"a{pin}\":{}", 300.0 + lift(n) + f64::from((n % 2) as u8))).collect();
            rig.read(n * 20_000, &format!("\"vcc\":5000,{}", fields.join(",")));
            let trusts: Vec<Trust> = (0..10).map(|pin| rig.trust(&format!("s{pin}"))).collect();
            if accept && n == 600 {
                let changes = &mut rig.changes;
                rig.pipeline.accept_ground(kickpanel::time::Stamp(n * 20_000), &mut |change| changes.push(change));
            }
            // The step itself is shown once: the reading after it tells it from a slope. A leap lasts a second, and
            // stands behind the ground.
            let is = match n {
                501..=600 => true,
                601..700 => !accept,
                _ => false,
            };
            assert_eq!(trusts.contains(&Trust::Ground), is, "{n}");
        }
        let sounds: Vec<bool> = rig.changes.iter().map(|change| change.active).collect();
        assert_eq!(sounds, [true, false], "{:?}", rig.changes);
    }
}

#[rstest::rstest]
#[case::three(3, true)]
#[case::two(2, false)]
fn it_takes_three_pins_to_name_the_ground(#[case] pins: usize, #[case] is: bool) {
    let mut rig = Rig::new(&config().replace("fastest", "# fastest"));
    for n in 0..200 {
        let lift = |pin: usize| if n >= 100 && pin < pins { 60.0 } else { 0.0 };
        let fields: Vec<String> =
            (0..10).map(|pin| format!("\"a{pin}\":{}", 300.0 + lift(pin) + f64::from((n % 2) as u8))).collect();
        rig.read(n * 20_000, &format!("\"vcc\":5000,{}", fields.join(",")));
    }
    assert_eq!(rig.trust("s0") == Trust::Ground, is);
}
