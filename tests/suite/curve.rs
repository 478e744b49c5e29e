//! `curve` from outside: against published tables, against what a pipeline shows, and as it stands on a terminal.

use rstest::rstest;

use crate::rig::{Rig, model, number, rows};
use crate::verbs::bench::Bench;
use crate::verbs::seat::Seat;

const LORRY: &str = include_str!("../../config/hill-lorry.toml");

/// The config `text` in a folder of its own.
fn bench(text: &str) -> Bench {
    let bench = Bench::new();
    bench.write("kickpanel.toml", text);
    bench
}

/// What `curve` answers for `channel` at `place`: the value, and the state.
#[track_caller]
fn at(bench: &Bench, channel: &str, place: &str) -> (Option<f64>, String) {
    let ran = bench.run(&["curve", channel, "--at", place, "--json"]);
    assert_eq!(ran.err, "");
    let answer: serde_json::Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!((answer["channel"].as_str(), answer["at"].as_str()), (Some(channel), Some(place)));
    let keys: Vec<_> = answer.as_object().unwrap().keys().map(String::as_str).collect();
    assert_eq!(keys, ["at", "channel", "state", "unit", "value"]);
    let (value, state) = (answer["value"].as_f64(), answer["state"].as_str().unwrap().to_owned());
    assert_eq!(ran.status, Some(i32::from(value.is_none())));
    (value, state)
}

/// Source: `03_ntc_three_points.csv`; three of its sets, among them a printed table of a laboratory instrument.
#[test]
fn a_thermistor_of_three_points_is_that_of_the_printed_tables() {
    let text = include_str!("../reference/03_ntc_three_points.csv");
    let mut seen = 0;
    for row in rows(text) {
        // From the end: the first column has commas of its own.
        let last = row.len() - 1;
        let [t1, r1, t2, r2, t3, r3] = [11, 10, 9, 8, 7, 6].map(|column| row[last - column]);
        let bench = bench(&format!(
            "format = 1\n[channel.t]\ninput = \"a0\"\ncircuit = {{ kind = \"pullup\", resistor = \"10 kohm\" }}\n\
             sensor = {{ kind = \"thermistor\", valid = [\"-20 degC\", \"120 degC\"], points = [[\"{t1} degC\", \"{r1} ohm\"], \
             [\"{t2} degC\", \"{r2} ohm\"], [\"{t3} degC\", \"{r3} ohm\"]] }}\n"
        ));
        let (value, state) = at(&bench, "t", &format!("{} ohm", row[last - 2]));
        assert_eq!(state, "ok");
        assert!((value.unwrap() - number(row[last - 1])).abs() < 1e-3, "{row:?}");
        if !row[last].is_empty() {
            assert!((value.unwrap() - number(row[last])).abs() < 0.005, "{row:?}");
        }
        seen += 1;
    }
    assert_eq!(seen, 9);
}

/// Source: `02_rtd.csv`, IEC 60751.
#[test]
fn a_platinum_resistance_is_that_of_its_standard() {
    let bench = bench(
        "format = 1\n[channel.t]\ninput = \"a0\"\ncircuit = { kind = \"pullup\", resistor = \"1 kohm\" }\n\
         sensor = { kind = \"rtd\", r0 = \"100 ohm\" }\n",
    );
    // 138.5055 ohm at 100 degC, 60.2558 ohm at -100 degC, 313.7080 ohm at 600 degC.
    for (ohm, celsius) in [(138.5055, 100.0), (60.2558, -100.0), (313.7080, 600.0)] {
        let (value, _) = at(&bench, "t", &format!("{ohm} ohm"));
        assert!((value.unwrap() - celsius).abs() < 1e-3);
    }
}

#[test]
fn every_count_has_the_value_that_a_drive_shows() {
    let bench = bench(LORRY);
    let mut rig = Rig::whole(LORRY);
    for (channel, field) in [("oil", "a1"), ("coolant", "a0"), ("battery", "a4"), ("fuel", "a5")] {
        let ran = bench.run(&["curve", channel, "--json"]).done();
        let whole: serde_json::Value = serde_json::from_str(&ran).unwrap();
        let points = whole["points"].as_array().unwrap();
        assert_eq!(points.len(), 1024);
        for (counts, point) in (0_i64..).zip(points) {
            // The reference at 1.1 V and 225.28 counts is a supply of 5 V; what is sent whole is a supply that is sent.
            rig.read(1_000_000 * (counts + 1), &format!("\"vcc\":5000,\"{field}\":{counts}"));
            let shown = rig.value(channel);
            assert_eq!(point["state"], shown.trust().name(), "{channel} at {counts}");
            assert_eq!(point["value"].as_f64(), shown.good(), "{channel} at {counts}");
        }
        rig = Rig::whole(LORRY);
    }
}

#[rstest]
#[case::ohms("coolant", "1200 ohm", Some(40.0), "ok")]
#[case::thousands("coolant", "1.2 kohm", Some(40.0), "ok")]
#[case::volts("oil", "2.5 V", Some(3.5), "ok")]
#[case::millivolts("oil", "2500mV", Some(3.5), "ok")]
#[case::counts("oil", "512 counts", Some(3.5), "ok")]
#[case::behind_a_divider("battery", "13.8 V", Some(13.8), "ok")]
#[case::hertz("rpm", "33 Hz", Some(165.0), "ok")]
#[case::kilohertz("rpm", "0.033 kHz", Some(165.0), "ok")]
#[case::level("heater", "1", Some(1.0), "ok")]
#[case::ready_made("box", "-7.5", Some(-7.5), "ok")]
#[case::last_in_the_margin("oil", "4.7 V", Some(7.0), "ok")]
#[case::first_beyond("oil", "4.701 V", None, "beyond")]
#[case::short("oil", "0.2 V", None, "short_low")]
#[case::open("coolant", "2000 kohm", None, "open")]
#[case::shorted("coolant", "1 ohm", None, "short_low")]
#[case::beyond("fuel", "300 ohm", None, "beyond")]
#[case::top_of_the_converter("battery", "1023 counts", None, "beyond")]
fn a_place_has_a_value_or_a_state(
    #[case] channel: &str,
    #[case] place: &str,
    #[case] value: Option<f64>,
    #[case] state: &str,
) {
    let (given, is) = at(&bench(LORRY), channel, place);
    assert_eq!((given.map(|number| (number * 1e9).round() / 1e9), is.as_str()), (value, state));
}

/// Source: ITS-90 reference functions of type K, `01_thermocouple_emf.csv`: 4.0962 mV at 100 degC, 1.0000 mV at 25 degC.
#[test]
fn a_thermocouple_counts_its_cold_junction_in() {
    let bench = bench(LORRY);
    let (value, _) = at(&bench, "exhaust", "3.0962 mV");
    assert!((value.unwrap() - 100.0).abs() < 0.01);
    let ran = bench.run(&["curve", "exhaust", "--at", "4.0962 mV", "--cold", "0 degC"]).done();
    assert!(
        ran.starts_with("exhaust at 4.0962 mV: 100 degC\n") || ran.starts_with("exhaust at 4.0962 mV: 99.999"),
        "{ran}"
    );
    let drawn = bench.run(&["curve", "exhaust"]).done();
    assert!(drawn.contains("cold junction at 25 degC: while driving box measures it; --cold takes another"));
}

#[test]
fn the_calibration_is_part_of_the_way() {
    let text = LORRY
        .replace("[channel.coolant]\n", "[channel.coolant.calibration]\ngain = 0.5\noffset = 3\n[channel.coolant]\n");
    assert_ne!(text, LORRY);
    let (value, _) = at(&bench(&text), "coolant", "1200 ohm");
    assert!((value.unwrap() - 23.0).abs() < 1e-9);
}

#[rstest]
#[case::unknown(&["curve", "colant"], "there is no channel colant; did you mean coolant?")]
#[case::far_off(&["curve", "zzz"], "there is no channel zzz; there are rpm, speed, oil, coolant, feed, exhaust, battery, fuel, air, box, heater, supply, uneven, way, resets, lost, feed_rate, feed_sag, air_rise, gearing")]
#[case::formula(&["curve", "air_rise"], "air_rise is worked out from other channels (air - box) and has no curve of its own; draw one of those")]
#[case::volts_for_ohms(&["curve", "coolant", "--at", "2 V"], "--at 2 V: this is a voltage; coolant takes \"512 counts\" or \"820 ohm\"")]
#[case::ohms_for_volts(&["curve", "oil", "--at", "2 ohm"], "--at 2 ohm: this is a resistance; oil takes \"512 counts\", \"1.234 V\" or \"12 mV\"")]
#[case::counts_of_pulses(&["curve", "rpm", "--at", "12 counts"], "--at 12 counts: no converter counts here; rpm takes \"33 Hz\"")]
#[case::no_unit(&["curve", "oil", "--at", "512"], "--at 512: a unit is missing; oil takes \"512 counts\", \"1.234 V\" or \"12 mV\"")]
#[case::unknown_unit(&["curve", "oil", "--at", "5 volt"], "--at 5 volt: volt is no unit; oil takes \"512 counts\", \"1.234 V\" or \"12 mV\"")]
#[case::comma(&["curve", "oil", "--at", "1,5 V"], "--at 1,5 V: this does not begin with a number; oil takes \"512 counts\", \"1.234 V\" or \"12 mV\"")]
#[case::too_many_counts(&["curve", "oil", "--at", "1024 counts"], "--at 1024 counts: the converter has 0 to 1023 counts; oil takes \"512 counts\", \"1.234 V\" or \"12 mV\"")]
#[case::supply(&["curve", "oil", "--supply", "5"], "--supply needs a voltage, for example \"5 V\", not 5")]
#[case::cold(&["curve", "exhaust", "--cold", "3 V"], "--cold needs a temperature, for example \"25 degC\", not 3 V")]
fn wrong_usage_is_2_and_says_what_is_right(#[case] arguments: &[&str], #[case] err: &str) {
    bench(LORRY).run(arguments).refused(2, &format!("kickpanel: {err}\n"));
}

#[test]
fn a_supply_out_of_its_limits_is_said() {
    let bench = bench(LORRY);
    let ran = bench.run(&["curve", "oil", "--at", "2.5 V", "--supply", "4.4 V"]);
    assert_eq!((ran.status, ran.out.lines().next()), (Some(1), Some("oil at 2.5 V: no value, supply")));
}

#[rstest]
#[case::wide("coolant", (80, 60), "C.UTF-8", "coolant_80")]
#[case::narrow("coolant", (40, 60), "C.UTF-8", "coolant_40")]
#[case::letters("oil", (40, 60), "C", "oil_40_ascii")]
#[case::pulses("rpm", (80, 60), "C.UTF-8", "rpm_80")]
#[case::switch("heater", (40, 60), "C.UTF-8", "heater_40")]
fn the_sheet_fits_its_terminal_and_has_no_colour(
    #[case] channel: &str,
    #[case] size: (u16, u16),
    #[case] locale: &str,
    #[case] name: &str,
) {
    let bench = bench(LORRY);
    let mut command = bench.command(&["curve", channel]);
    command.env("LANG", locale);
    let mut seat = Seat::with(command, size);
    seat.ends_well();
    seat.is_within();
    assert!(!seat.has_colour());
    if locale == "C" {
        assert!(seat.text().is_ascii());
    }
    insta::with_settings!({ prepend_module_to_snapshot => false, omit_expression => true }, {
        insta::assert_snapshot!(format!("curve_{name}"), seat.text());
    });
}

#[test]
fn every_channel_of_the_examples_draws_within_40_columns_or_says_why_not() {
    for text in [LORRY, include_str!("../../config/petrol-van.toml"), include_str!("../../config/old-needles.toml")] {
        let bench = bench(text);
        for channel in &model(text).channels {
            let mut seat = Seat::sized(&bench, (40, 70), &["curve", &channel.name]);
            let status = seat.ended();
            let formula = matches!(channel.source, kickpanel::config::Source::Formula(_));
            assert_eq!(status.code(), Some(if formula { 2 } else { 0 }), "{}: {}", channel.name, seat.errors());
            seat.is_within();
        }
    }
}
