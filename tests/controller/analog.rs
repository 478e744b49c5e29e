//! Analog inputs against what lies on them.

use super::play::{Play, SECOND, within};

/// For so long a voltage lies on the inputs: over two rounds of the converter through all of them, and a reading.
const STEP: u64 = 150_000;

/// What lies on `input` in `step` of the sweep: neighbours differ by much, so that one that leaks into another shows.
fn millivolts(step: u64, input: u64) -> u64 {
    (step * 50 + input * 1_733) % 5_001
}

#[test]
fn counts_are_those_of_the_voltage_on_all_inputs_over_the_whole_range() {
    let steps = 101;
    let mut play = Play::new();
    for step in 0..steps {
        for input in 0..6 {
            play.add(step * STEP, &format!("analog {input} {}", millivolts(step, input)));
        }
    }
    let heard = play.until(steps * STEP).heard();
    for step in 0..steps {
        let read = heard.before((step + 1) * STEP);
        for input in 0..6 {
            // The data sheet's own formula: counts = millivolts * 1024 / reference, at most 1023.
            let should = (millivolts(step, input) as f64 * 1024.0 / 5_000.0).min(1_023.0);
            within(&format!("a{input} in step {step}"), read.number(&format!("a{input}")), should, 2.0);
        }
    }
}

#[test]
fn noise_on_the_wire_is_averaged_to_within_two_counts() {
    let mut play = Play::new().at(0, "noise 3 20");
    for input in 0..6 {
        play.add(0, &format!("analog {input} {}", 800 * input + 400));
    }
    let heard = play.until(5 * SECOND).heard();
    for read in heard.readings.iter().filter(|read| read.at > STEP) {
        for input in 0..6 {
            let should = f64::from(800 * input + 400) * 1024.0 / 5_000.0;
            within(&format!("a{input}"), read.number(&format!("a{input}")), should, 4.1);
        }
    }
    for input in 0..6 {
        let values = heard.readings.iter().filter(|read| read.at > STEP).map(|read| read.number(&format!("a{input}")));
        let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
        within(&format!("mean of a{input}"), sum / count, f64::from(800 * input + 400) * 1024.0 / 5_000.0, 2.0);
    }
}

#[test]
fn the_supply_shows_in_the_counts_of_the_reference_and_of_every_input() {
    let supplies = [4_500, 4_750, 5_000, 5_250, 5_500];
    let mut play = Play::new().at(0, "analog 3 2222");
    for (place, supply) in supplies.iter().enumerate() {
        play.add(place as u64 * STEP, &format!("supply {supply}"));
    }
    let heard = play.until(supplies.len() as u64 * STEP).heard();
    for (place, supply) in supplies.iter().enumerate() {
        let read = heard.before((place as u64 + 1) * STEP);
        within("ref", read.number("ref"), 1_100.0 * 1024.0 / f64::from(*supply), 2.0);
        within("a3", read.number("a3"), 2_222.0 * 1024.0 / f64::from(*supply), 2.0);
        // As the computer works it out: supply = reference * (adc_max + 1) / ref.
        within("supply", 1_100.0 * 1024.0 / read.number("ref"), f64::from(*supply), 0.005 * f64::from(*supply));
    }
}

#[test]
fn a_voltage_beyond_the_supply_is_the_highest_count() {
    let heard = Play::new().at(0, "analog 5 5300").at(0, "analog 0 -200").until(SECOND).heard();
    let read = heard.before(SECOND);
    assert_eq!((read.number("a5"), read.number("a0")), (1_023.0, 0.0));
}

#[test]
fn a_level_is_read_and_an_open_pin_reads_high() {
    let heard = Play::new().at(SECOND, "level 4 0").at(2 * SECOND, "level 4 1").until(3 * SECOND).heard();
    let levels = [1, 2, 3].map(|second| heard.before(second * SECOND).number("d4"));
    assert_eq!(levels, [1.0, 0.0, 1.0]);
}
