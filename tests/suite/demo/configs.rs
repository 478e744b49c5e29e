//! The example configs: no mistake, no warning, and the values that their own comments promise.

use std::sync::Arc;

use kickpanel::config::{LinkId, Model};
use kickpanel::pipeline::{Outcome, Pipeline};
use kickpanel::time::Stamp;
use rstest::rstest;

use super::{HILL_LORRY, model};

const PETROL_VAN: &str = include_str!("../../../config/petrol-van.toml");

#[test]
fn both_examples_are_without_a_mistake() {
    let lorry = model("config/hill-lorry.toml", HILL_LORRY);
    let van = model("config/petrol-van.toml", PETROL_VAN);
    assert_eq!((lorry.pages.len(), van.links.len()), (4, 2), "the lorry's outputs have a page of their own");
    assert!(lorry.outputs.iter().all(|output| !output.armed));
    let shown: usize = lorry.pages[0].rows.iter().map(Vec::len).sum();
    assert!(shown <= 6, "a glance takes no more than six things");
    for model in [lorry, van] {
        assert!(model.alarms.iter().all(|alarm| alarm.text.len() > 10 && alarm.deadband > 0.0));
    }
}

fn good(pipeline: &Pipeline, name: &str) -> Option<f64> {
    let model: &Model = pipeline.model();
    let place = model.channels.iter().position(|channel| channel.name == name).unwrap();
    pipeline.snapshot().channels[place].value.good()
}

#[rstest]
#[case::intake_heater("config/intake-heater.toml", include_str!("../../../config/intake-heater.toml"), 1)]
#[case::old_needles("config/old-needles.toml", include_str!("../../../config/old-needles.toml"), 2)]
fn an_example_with_outputs_is_without_a_mistake_and_arms_nothing(
    #[case] name: &str,
    #[case] text: &str,
    #[case] outputs: usize,
) {
    let model = model(name, text);
    assert_eq!(model.outputs.len(), outputs);
    assert!(model.outputs.iter().all(|output| !output.armed));
}

/// Two lines of the sketch, and a sentence of `tests/reference/05_nmea.jsonl` (a widely reprinted example: 022.4 kn,
/// which are 41.4848 km/h; the other has 545.4 m and 8 satellites).
#[test]
fn the_van_is_read_from_a_sketch_and_a_receiver() {
    let mut pipeline = Pipeline::new(Arc::new(model("config/petrol-van.toml", PETROL_VAN)));
    let mut quiet = |_| {};
    for (link, at_ms, line) in [
        (0, 0, "123450,4985,412,655.5,1810,54.2"),
        (1, 20, "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"),
        (1, 30, "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"),
        (0, 50, "123500,5000,412,512,1820,55"),
    ] {
        let outcome = pipeline.line(LinkId(link), Stamp::from_millis(at_ms), line.as_bytes(), &mut quiet);
        assert_eq!(outcome, Outcome::Reading, "{line}");
    }
    let near = |name: &str, expected: f64, within: f64| {
        let value = good(&pipeline, name).unwrap_or_else(|| panic!("{name} is not good"));
        assert!((value - expected).abs() <= within, "{name} {value}");
    };
    near("rpm", 1820.0, 0.0);
    near("manifold", 55.0, 1e-9);
    near("load", 40.0, 1e-9);
    // Half of the converter is 2.5 V: half of the sensor's 100 psi; 1 psi is 0.0689475729 bar.
    near("oil", 50.0 * 0.068_947_572_9, 1e-6);
    near("speed", 41.4848, 1e-4);
    near("height", 545.4, 1e-9);
    near("satellites", 8.0, 0.0);
    // 412 of 1,024 behind 2.2 kohm are 1,481 ohm: 1 / (1/298.15 + ln(1481/2500)/3500) K, worked out by hand.
    near("coolant", 38.918, 0.001);
}
