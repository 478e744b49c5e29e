//! Counts to volts to ohms, the supply, and the states that voltages give.

use kickpanel::channel::Trust;
use rstest::rstest;

use crate::rig::{Rig, near, number, rows};

// tests/reference/10_counts_to_volts.csv: counts / (adc_max + 1) × vcc.
#[test]
fn counts_become_the_volts_of_the_reference_file() {
    for row in rows(include_str!("../../reference/10_counts_to_volts.csv")) {
        let (counts, adc_max, vcc) = (row[0], row[1], row[2]);
        let mut rig = Rig::new("[channel.pin]\ninput = \"a0\"\nunit = \"V\"\n");
        rig.line(0, 0, &hello(adc_max));
        rig.read(0, &format!("\"vcc\":{vcc},\"a0\":{counts}"));
        if counts == adc_max {
            // The converter at its top end says only that there is at least so much.
            assert_eq!(rig.trust("pin"), Trust::Beyond);
            near(rig.shown("pin").evidence.volts, number(row[3]), 1e-9);
        } else {
            assert!((rig.good("pin") - number(row[3])).abs() < 1e-9, "{row:?}: {}", rig.good("pin"));
        }
    }
}

// tests/reference/10_resistor_sensor.csv: Ohm's law, exact.
#[test]
fn a_resistor_circuit_gives_the_ohms_of_the_reference_file() {
    for row in rows(include_str!("../../reference/10_resistor_sensor.csv")) {
        let (kind, resistor) = (row[0], row[1]);
        let circuit = format!("circuit = {{ kind = \"{kind}\", resistor = \"{resistor} ohm\" }}");
        let mut rig = Rig::new(&format!("[channel.sensor]\ninput = \"a0\"\nunit = \"ohm\"\n{circuit}\n"));
        rig.line(0, 0, &hello(row[3]));
        rig.read(0, &format!("\"vcc\":{},\"a0\":{}", row[4], row[2]));
        near(rig.good("sensor"), number(row[5]), 1e-9);
    }
}

fn hello(adc_max: &str) -> String {
    format!(
        r#"{{"hello":{{"format":1,"fw":"0.1.0","board":"bench","reset":"power-on","adc_max":{adc_max},"analog":6,"pulse":[2],"digital":[4],"output":[7],"rate_hz":50,"up_ms":12}}"#
    )
}

const ALL: &str = r#"
[trust]
supply = ["4.5 V", "5.5 V"]
[channel.oil]
input = "a0"
sensor = { kind = "linear", from = ["0.5 V", "4.5 V"], to = ["0 bar", "7 bar"], ratiometric = "5 V" }
unit = "bar"
[channel.ohms]
input = "a1"
circuit = { kind = "pullup", resistor = "1 kohm" }
unit = "ohm"
[channel.down]
input = "a2"
circuit = { kind = "pulldown", resistor = "1 kohm" }
unit = "ohm"
[channel.plain]
input = "a3"
sensor = { kind = "linear", from = ["0.5 V", "4.5 V"], to = ["0 bar", "7 bar"] }
unit = "bar"
[channel.battery]
input = "a4"
circuit = { kind = "divider", top = "30 kohm", bottom = "10 kohm" }
unit = "V"
[channel.board]
input = "vcc"
unit = "V"
"#;

// The table of trust of the config, version 1; edges in pairs, in counts of a converter of 1024 steps.
#[rstest]
#[case::last_short_low("oil", "\"a0\":51.199", Trust::ShortLow)]
#[case::beyond_between_short_and_margin("oil", "\"a0\":51.2", Trust::Beyond)]
#[case::last_beyond_the_low_end("oil", "\"a0\":61.439", Trust::Beyond)]
#[case::first_in_the_margin("oil", "\"a0\":61.44", Trust::Ok)]
#[case::last_in_the_margin("oil", "\"a0\":962.56", Trust::Ok)]
#[case::first_beyond_the_high_end("oil", "\"a0\":962.57", Trust::Beyond)]
#[case::last_beyond("oil", "\"a0\":972.8", Trust::Beyond)]
#[case::first_short_high("oil", "\"a0\":972.81", Trust::ShortHigh)]
#[case::at_the_top("oil", "\"a0\":1023", Trust::ShortHigh)]
#[case::pullup_on_ground("ohms", "\"a1\":10.24", Trust::ShortLow)]
#[case::pullup_off_ground("ohms", "\"a1\":10.25", Trust::Ok)]
#[case::pullup_off_supply("ohms", "\"a1\":1013.75", Trust::Ok)]
#[case::pullup_on_supply("ohms", "\"a1\":1013.77", Trust::Open)]
#[case::pulldown_on_ground("down", "\"a2\":10.24", Trust::Open)]
#[case::pulldown_off_ground("down", "\"a2\":10.25", Trust::Ok)]
#[case::pulldown_on_supply("down", "\"a2\":1013.77", Trust::ShortHigh)]
#[case::divider_below_the_top("battery", "\"a4\":1022.9", Trust::Ok)]
#[case::divider_at_the_top("battery", "\"a4\":1023", Trust::Beyond)]
#[case::divider_at_nothing("battery", "\"a4\":0", Trust::Ok)]
#[case::null("oil", "\"a0\":null", Trust::Missing)]
fn voltages_give_the_states_of_the_table(#[case] channel: &str, #[case] member: &str, #[case] trust: Trust) {
    let mut rig = Rig::new(ALL);
    rig.read(0, &format!("\"vcc\":5000,{member}"));
    assert_eq!(rig.trust(channel), trust);
}

#[test]
fn ratiometric_scaling_follows_the_supply_and_the_rails_follow_with_it() {
    let mut rig = Rig::new(ALL);
    for vcc in [4500, 5000, 5500] {
        rig.read(0, &format!("\"vcc\":{vcc},\"a0\":512"));
        near(rig.good("oil"), 3.5, 1e-12);
        rig.read(0, &format!("\"vcc\":{vcc},\"a0\":51.19"));
        assert_eq!(rig.trust("oil"), Trust::ShortLow);
    }
    rig.read(0, "\"vcc\":4800,\"a3\":512");
    near(rig.good("plain"), (2.4 - 0.5) / 4.0 * 7.0, 1e-12);
}

// Worked by hand: 1.1 V × 1024 / 226.
#[test]
fn the_supply_is_worked_out_from_the_reference_and_the_last_one_known_is_used() {
    let mut rig = Rig::new(ALL);
    rig.read(0, "\"ref\":226,\"a4\":512");
    near(rig.good("board"), 1.1 * 1024.0 / 226.0, 1e-12);
    near(rig.good("battery"), 1.1 * 1024.0 / 226.0 * 2.0, 1e-12);
    rig.read(20_000, "\"a4\":256");
    near(rig.good("battery"), 1.1 * 1024.0 / 226.0, 1e-12);
    assert_eq!(rig.pipeline.snapshot().links[0].supply, Some(1.1 * 1024.0 / 226.0));
}

#[test]
fn while_the_supply_is_unknown_every_analog_channel_is_supply_and_a_reading_taken_then_stays_so() {
    let mut rig = Rig::new(ALL);
    rig.read(0, "\"a0\":512,\"a3\":512,\"a4\":512");
    for channel in ["oil", "plain", "battery"] {
        assert_eq!(rig.trust(channel), Trust::Supply, "{channel}");
    }
    assert_eq!(rig.trust("board"), Trust::Missing);
    rig.read(20_000, "\"vcc\":5000,\"a3\":512");
    assert_eq!([rig.trust("oil"), rig.trust("plain"), rig.trust("battery")], [Trust::Supply, Trust::Ok, Trust::Supply]);
    rig.read(40_000, "\"a0\":512");
    assert_eq!(rig.trust("oil"), Trust::Ok);
}

#[rstest]
#[case::last_too_low(4499, Trust::Supply)]
#[case::lowest(4500, Trust::Ok)]
#[case::highest(5500, Trust::Ok)]
#[case::first_too_high(5501, Trust::Supply)]
fn a_supply_outside_its_limits_concerns_what_depends_on_it(#[case] vcc: u32, #[case] trust: Trust) {
    let mut rig = Rig::new(ALL);
    rig.read(0, &format!("\"vcc\":{vcc},\"a0\":512,\"a1\":512,\"a2\":512,\"a3\":512,\"a4\":512"));
    assert_eq!([rig.trust("oil"), rig.trust("ohms"), rig.trust("down")], [trust; 3]);
    assert_eq!([rig.trust("plain"), rig.trust("battery"), rig.trust("board")], [Trust::Ok; 3]);
}

#[test]
fn the_supply_is_judged_on_every_line_that_knows_it() {
    let mut rig = Rig::new(ALL);
    rig.read(0, "\"vcc\":5000,\"a0\":512");
    rig.read(20_000, "\"vcc\":4000,\"a1\":512");
    assert_eq!([rig.trust("oil"), rig.trust("ohms")], [Trust::Supply; 2], "the one held, and the one taken now");
    rig.read(40_000, "\"vcc\":5000");
    assert_eq!(rig.trust("oil"), Trust::Ok, "it was taken while all was well");
    assert_eq!(rig.trust("ohms"), Trust::Supply, "taken with a bad supply, until its next reading");
    rig.read(60_000, "\"a1\":512");
    assert_eq!(rig.trust("ohms"), Trust::Ok);
}

#[test]
fn supply_comes_before_open_in_the_table() {
    let mut rig = Rig::new(ALL);
    rig.read(0, "\"vcc\":5000,\"a1\":1023");
    assert_eq!(rig.trust("ohms"), Trust::Open);
    rig.read(20_000, "\"vcc\":4000");
    assert_eq!(rig.trust("ohms"), Trust::Supply);
    rig.read(40_000, "\"vcc\":5000");
    assert_eq!(rig.trust("ohms"), Trust::Open);
}

#[test]
fn calibration_comes_after_everything_else() {
    let mut rig = Rig::new(
        "[channel.oil]\ninput = \"a0\"\nunit = \"kPa\"\n\
         sensor = { kind = \"linear\", from = [\"0.5 V\", \"4.5 V\"], to = [\"0 bar\", \"7 bar\"] }\n\
         calibration = { gain = 1.02, offset = -5 }\n",
    );
    rig.read(0, "\"vcc\":5000,\"a0\":512");
    near(rig.good("oil"), 350.0 * 1.02 - 5.0, 1e-12);
}
