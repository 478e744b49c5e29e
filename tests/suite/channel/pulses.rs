//! Edges to rate, rotation and speed.

use kickpanel::channel::Trust;

use crate::rig::{Rig, near, number, rows};

const RATE: &str = "[channel.pulses]\ninput = \"p2\"\nunit = \"Hz\"\n";

fn rig_of(sensor: &str, unit: &str) -> Rig {
    Rig::new(&format!("[channel.pulses]\ninput = \"p2\"\nunit = \"{unit}\"\nsensor = {sensor}\n"))
}

/// Shows `rig` a steady train of `hertz` for two lines.
fn run_at(rig: &mut Rig, hertz: f64) {
    // So many edges a second cannot be had for a fraction; over a hundred seconds they can.
    let edges = hertz * 300.0;
    assert!((edges - edges.round()).abs() < 1e-6);
    rig.read(1_000_000, "\"p2\":[1000,1000000]");
    rig.read(301_000_000, &format!("\"p2\":[{},301000000]", 1000 + edges.round() as u64));
}

// tests/reference/13_edges_to_rate.csv: exact arithmetic, with both wraps at 2^32.
#[test]
fn edges_become_the_rates_of_the_reference_file() {
    for row in rows(include_str!("../../reference/13_edges_to_rate.csv")) {
        let mut rig = Rig::new(RATE);
        let [last1, last2] = [1, 3].map(|column| row[column].parse::<i64>().unwrap());
        let wrap = if last2 < last1 { 1_i64 << 32 } else { 0 };
        rig.read(last1 + 10, &format!("\"p2\":[{},{last1}]", row[0]));
        assert_eq!(rig.trust("pulses"), Trust::Missing, "the first line heard in mid-run");
        rig.read(last2 + wrap + 10, &format!("\"p2\":[{},{last2}]", row[2]));
        near(rig.good("pulses"), number(row[6]), 1e-12);
    }
}

// tests/reference/13_pulses_to_rpm.csv: exact.
#[test]
fn pulses_for_each_turn_become_turns_a_minute() {
    for row in rows(include_str!("../../reference/13_pulses_to_rpm.csv")) {
        let mut rig = rig_of(&format!("{{ kind = \"pulses\", count = {}, per = \"rev\" }}", row[0]), "1/min");
        run_at(&mut rig, number(row[1]));
        near(rig.good("pulses"), number(row[2]), 1e-9);
    }
}

// tests/reference/13_pulses_per_km_to_speed.csv: exact, printed with nine digits.
#[test]
fn pulses_for_each_kilometre_become_speed() {
    for row in rows(include_str!("../../reference/13_pulses_per_km_to_speed.csv")) {
        for (unit, column) in [("km/h", 2), ("mph", 3), ("m/s", 4)] {
            let mut rig = rig_of(&format!("{{ kind = \"pulses\", count = {}, per = \"km\" }}", row[0]), unit);
            run_at(&mut rig, number(row[1]));
            near(rig.good("pulses"), number(row[column]), 1e-8);
        }
    }
}

// tests/reference/13_gap_to_rpm.csv: exact. The gap is that of two neighbouring edges, each in a line of its own.
#[test]
fn a_gap_between_two_edges_becomes_turns_a_minute() {
    for row in rows(include_str!("../../reference/13_gap_to_rpm.csv")) {
        let mut rig = rig_of(&format!("{{ kind = \"pulses\", count = {}, per = \"rev\" }}", row[0]), "1/min");
        let gap: i64 = row[1].parse().unwrap();
        rig.read(500_000, "\"p2\":[7,500000]");
        rig.read(500_000 + gap, &format!("\"p2\":[8,{}]", 500_000 + gap));
        near(rig.good("pulses"), number(row[2]), 1e-12);
    }
}

#[test]
fn a_field_that_is_null_is_missing_and_the_rate_goes_on_behind_it() {
    let mut rig = Rig::new(RATE);
    rig.read(0, "\"p2\":[10,0]");
    rig.read(20_000, "\"p2\":[12,20000]");
    assert_eq!(rig.good("pulses"), 100.0);
    rig.read(40_000, "\"p2\":null");
    assert_eq!(rig.trust("pulses"), Trust::Missing);
    rig.read(60_000, "\"p2\":[16,60000]");
    assert_eq!(rig.good("pulses"), 100.0);
}

// The clock of 32 bits runs over about twenty times a day.
#[test]
fn over_a_day_of_wraps_the_frequency_stays_within_a_millionth() {
    let mut rig = Rig::new(RATE);
    // 83.2 Hz: an edge each 12,019.23 µs, in lines of 20 ms; the count is set near its own wrap.
    let (gap, day) = (1e6 / 83.2, 86_400_000_000_i64);
    let (mut at, mut wraps) = (4_294_000_000_i64, 0);
    let begin = at;
    while at < begin + day {
        let edges = ((at - begin) as f64 / gap).floor();
        let last = (begin as f64 + edges * gap).floor() as i64;
        let count = (edges as u64 + 4_294_967_000) % (1 << 32);
        let before = rig.pipeline.snapshot().at;
        rig.read(at, &format!("\"p2\":[{count},{}]", last.rem_euclid(1 << 32)));
        if at > begin && count != 0 {
            assert_eq!(rig.pipeline.snapshot().at - before, 1_000_000, "at {at}");
        }
        if at > begin + 1_000_000 && count > 83 {
            // A second of edges, each known to a microsecond.
            near(rig.good("pulses"), 83.2, 1e-6);
        }
        wraps += i64::from((at + 1_000_000) >> 32 != at >> 32);
        at += 1_000_000;
    }
    assert!(wraps >= 20, "{wraps} wraps");
}

#[test]
fn a_thousand_restarts_join_no_reading_and_show_no_leap() {
    let mut rig = Rig::new(RATE);
    let (mut seed, mut now) = (0x2545_F491_4F6C_DD1D_u64, 0_i64);
    for restart in 0..1000 {
        let mut random = |below: u64| {
            seed ^= seed << 13;
            seed ^= seed >> 7;
            seed ^= seed << 17;
            seed % below
        };
        let lines = 1 + random(20) as i64;
        for line in 0..lines {
            // 100 Hz from 35 ms after the start on, read each 20 ms; the clock begins at 0 with the controller.
            let t = 30_000 + line * 20_000;
            let count = (t - 35_000).max(-1).div_euclid(10_000) + 1;
            let last = if count > 0 { 35_000 + (count - 1) * 10_000 } else { 0 };
            now += 20_000;
            rig.line(0, now, &format!("{{\"s\":{line},\"t\":{t},\"p2\":[{count},{last}]"));
            match rig.value("pulses").good() {
                Some(hertz) => assert!(hertz == 0.0 || (hertz - 100.0).abs() < 1e-9, "{hertz} after restart {restart}"),
                None => assert_eq!((rig.trust("pulses"), line), (Trust::Missing, 1)),
            }
        }
    }
    assert_eq!(rig.pipeline.snapshot().links[0].restarts, 999 - repeats_hidden());
    assert_eq!(rig.pipeline.snapshot().links[0].lost, 0);
}

/// A run of one line that is followed by a run of one line says the very same twice: nothing shows that as a restart.
fn repeats_hidden() -> u64 {
    let (mut seed, mut before, mut hidden) = (0x2545_F491_4F6C_DD1D_u64, 0, 0);
    for _ in 0..1000 {
        seed ^= seed << 13;
        seed ^= seed >> 7;
        seed ^= seed << 17;
        let lines = 1 + seed % 20;
        hidden += u64::from(before == 1);
        before = lines;
    }
    hidden
}

#[test]
fn a_restart_keeps_held_values_and_clears_rates() {
    let mut rig = Rig::new(&format!("{RATE}[channel.pin]\ninput = \"a0\"\nunit = \"V\"\n"));
    rig.read(5_000_000, "\"vcc\":5000,\"a0\":512,\"p2\":[10,5000000]");
    rig.read(5_020_000, "\"p2\":[12,5020000]");
    assert_eq!(rig.good("pulses"), 100.0);
    rig.read(30_000, "");
    assert_eq!((rig.good("pin"), rig.trust("pulses")), (2.5, Trust::Missing));
}
