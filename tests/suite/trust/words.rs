//! Every message: what, where, what to measure next, and what is right there.

use kickpanel::channel::Trust;
use kickpanel::config::{ChannelId, Model};
use kickpanel::watch::advice::{Advice, advice};

use crate::rig::model;

const LINEAR: &str = "{ kind = \"linear\", from = [\"0.5 V\", \"4.5 V\"], to = [\"0 bar\", \"7 bar\"] }";
const RATIO: &str =
    "{ kind = \"linear\", from = [\"0.5 V\", \"4.5 V\"], to = [\"0 bar\", \"7 bar\"], ratiometric = \"5 V\" }";
const TABLE_V: &str = "{ kind = \"table\", points = [[\"0 V\", \"0 %\"], [\"3 V\", \"100 %\"]] }";
const POLYNOMIAL: &str =
    "{ kind = \"polynomial\", of = \"V\", gives = \"degC\", terms = [0, 20], valid = [\"0.1 V\", \"4.9 V\"] }";
const THERMISTOR: &str = "{ kind = \"thermistor\", points = [[\"0 degC\", \"6000 ohm\"], [\"40 degC\", \"1200 ohm\"], [\"100 degC\", \"190 ohm\"]] }";
const RTD: &str = "{ kind = \"rtd\", r0 = \"100 ohm\" }";
const TABLE_OHM: &str = "{ kind = \"table\", points = [[\"10 ohm\", \"100 %\"], [\"180 ohm\", \"0 %\"]] }";
const COUPLE: &str = "{ kind = \"thermocouple\", type = \"K\", cold = \"20 degC\" }";

const UP: &str = "{ kind = \"pullup\", resistor = \"1 kohm\" }";
const UP_3V3: &str = "{ kind = \"pullup\", resistor = \"1 kohm\", to = \"3.3 V\" }";
const DOWN: &str = "{ kind = \"pulldown\", resistor = \"1 kohm\" }";
const DIVIDER: &str = "{ kind = \"divider\", top = \"27 kohm\", bottom = \"10 kohm\" }";
const AMPLIFIER: &str = "{ kind = \"amplifier\", gain = 100, offset = \"0.25 V\" }";
const DIRECT: &str = "{ kind = \"direct\" }";

/// Every circuit with every kind of sensor that can stand behind it, and what is no counts of a converter.
fn every() -> Model {
    let volts = [LINEAR, TABLE_V, POLYNOMIAL, COUPLE];
    let ohms = [THERMISTOR, RTD, TABLE_OHM];
    let mut text = "format = 1\n[link.engine]\n".to_owned();
    let pairs =
        [DIRECT, DIVIDER, AMPLIFIER].iter().flat_map(|circuit| volts.iter().map(move |sensor| (circuit, sensor)));
    let pairs =
        pairs.chain([UP, UP_3V3, DOWN].iter().flat_map(|circuit| ohms.iter().map(move |sensor| (circuit, sensor))));
    for (n, (circuit, sensor)) in pairs.chain([(&DIRECT, &RATIO)]).enumerate() {
        let stuck = if n % 2 == 0 { "stuck = { after = \"20 s\", when = \"rpm > 600\" }\n" } else { "" };
        text += &format!("[channel.c{n}]\ninput = \"a{}\"\ncircuit = {circuit}\nsensor = {sensor}\n{stuck}", n % 16);
    }
    text += "[channel.rpm]\ninput = \"p2\"\nsensor = { kind = \"pulses\", count = 2, per = \"rev\" }\n\
        [channel.door]\ninput = \"d4\"\nsensor = { kind = \"switch\", on = 1 }\n\
        [channel.air]\ninput = \"air\"\nsensor = { kind = \"number\", unit = \"degC\" }\n\
        [channel.five]\ninput = \"vcc\"\n[channel.sum]\nformula = \"c0 * 2\"\n";
    model(&text)
}

fn all(model: &Model) -> Vec<(String, Trust, Advice)> {
    let mut all = Vec::new();
    for (place, channel) in (0..).zip(&model.channels) {
        for trust in Trust::ALL {
            let advice = advice(model, ChannelId(place), trust, None);
            assert_eq!(advice.is_none(), trust == Trust::Ok, "{} {trust:?}", channel.name);
            all.extend(advice.map(|advice| (channel.name.clone(), trust, advice)));
        }
    }
    all
}

#[test]
fn every_message_names_the_pin_and_what_to_measure_and_what_is_right() {
    let model = every();
    let said = all(&model);
    assert!(said.len() > 250, "{}", said.len());
    for (name, trust, advice) in said {
        let where_to = format!("{name} {trust:?}: {advice:?}");
        assert!(!advice.what.is_empty() && advice.what.len() <= 45, "{where_to}");
        if name == "sum" {
            assert!(advice.measure.contains("c0") && advice.place.contains("c0"), "{where_to}");
            continue;
        }
        let pin = advice.place.strip_prefix("pin ").expect(&where_to);
        assert!(advice.measure.contains(pin), "{where_to}");
        assert!(advice.measure.to_lowercase().contains("measure"), "{where_to}");
        // A number with its unit, and that it is right.
        let numbers = ["V", "ohm", "kohm"].iter().any(|unit| {
            advice
                .measure
                .split(&[' ', ';', ',', ':', '.', ')'][..])
                .collect::<Vec<_>>()
                .windows(2)
                .any(|pair| pair[0].ends_with(|last: char| last.is_ascii_digit()) && pair[1] == *unit)
        });
        assert!(numbers, "{where_to}");
        assert!(["right", "must", "whole", "means"].iter().any(|word| advice.measure.contains(word)), "{where_to}");
        // Whoever measures stands beside an engine.
        assert!(advice.measure.contains("belts") && advice.measure.contains("hot parts"), "{where_to}");
        assert!(advice.measure.is_ascii() && !advice.measure.contains("  "), "{where_to}");
    }
}

/// Worked by hand from the config above: 5 V × 190 / 1190 and 5 V × 6000 / 7000 do not stand here, since a thermistor is
/// good from -55 degC to 200 degC; a table is good between its ends.
#[test]
fn what_is_right_is_worked_out_from_the_circuit_and_the_sensor() {
    let model = every();
    let find = |circuit: &str, sensor: &str, trust: Trust| {
        let volts = [LINEAR, TABLE_V, POLYNOMIAL, COUPLE];
        let ohms = [THERMISTOR, RTD, TABLE_OHM];
        let at = |list: &[&str], what: &str| list.iter().position(|it| *it == what);
        let place = match at(&[DIRECT, DIVIDER, AMPLIFIER], circuit) {
            Some(row) => row * 4 + at(&volts, sensor).unwrap(),
            None => 12 + at(&[UP, UP_3V3, DOWN], circuit).unwrap() * 3 + at(&ohms, sensor).unwrap(),
        };
        advice(&model, ChannelId(place as u16), trust, None).unwrap().measure
    };
    // 10 and 180 ohm under 1 kohm at 5 V: 0.05 V and 0.76 V.
    assert!(find(UP, TABLE_OHM, Trust::Stale).contains("0.05 to 0.76 V are right"));
    // The same over it.
    assert!(find(DOWN, TABLE_OHM, Trust::Stale).contains("4.24 to 4.95 V are right"));
    assert!(find(UP, TABLE_OHM, Trust::Open).contains("10 ohm to 180 ohm are right"));
    assert!(find(UP_3V3, TABLE_OHM, Trust::ShortLow).contains("near 3.3 V"));
    assert!(find(DIRECT, LINEAR, Trust::ShortLow).contains("0.50 to 4.50 V are right"));
    // 4.5 V × 10 / 37.
    assert!(find(DIVIDER, LINEAR, Trust::Beyond).contains("0.14 to 1.22 V are right"));
    assert!(find(AMPLIFIER, COUPLE, Trust::Beyond).contains("near 0.25 V"));
}

#[test]
fn a_message_reads_like_this() {
    let model = every();
    let oil = advice(&model, ChannelId(0), Trust::ShortLow, None).unwrap();
    assert_eq!(
        (oil.what, oil.place.as_str(), oil.measure.as_str()),
        (
            "short to ground, broken wire or no supply",
            "pin a0",
            "Key on, measure at the sensor's plug from its supply contact to its ground: 5 V are right (4.5 to 5.5). Then from its \
             signal contact (a0) to ground: 0.50 to 4.50 V are right; right there and not at pin a0 means a broken wire. Engine off, \
             out of gear; mind belts, fan and hot parts."
        )
    );
}
