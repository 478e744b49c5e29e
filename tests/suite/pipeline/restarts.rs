//! A10 of the catalogue of faults: a controller that starts again and again, as while cranking with a weak battery.

use kickpanel::channel::Value;
use kickpanel::config::LinkId;
use kickpanel::pipeline::Outcome;

use crate::rig::Rig;

const CONFIG: &str = "[channel.pulses]\ninput = \"p2\"\nunit = \"Hz\"\n\
    [channel.level]\ninput = \"height\"\nsensor = { kind = \"number\", unit = \"1\" }\nsmooth = \"300 ms\"\n\
    [channel.slope]\nformula = \"rate(level, 1)\"\n\
    [channel.middle]\nformula = \"mean(level, 2)\"\n\
    [channel.change]\nformula = \"rate(pulses, 1)\"\n";
const HERTZ: i64 = 800;
const REASONS: [&str; 4] = ["power-on", "brown-out", "watchdog", "external"];

/// `value` is nothing, or what has been true all the time.
#[track_caller]
fn never_leaps(what: &str, value: Value, truth: f64, margin: f64) {
    if let Some(number) = value.good() {
        assert!((number - truth).abs() <= margin, "{what} is {number}");
    }
}

#[test]
fn a_thousand_restarts_at_random_instants_join_no_readings_and_show_no_leap() {
    let mut rig = Rig::new(CONFIG);
    let mut seed = 0x9E37_79B9_7F4A_7C15_u64;
    let mut random = move |below: i64| {
        seed ^= seed << 13;
        seed ^= seed >> 7;
        seed ^= seed << 17;
        (seed % below as u64) as i64
    };
    let (mut now, mut good) = (0, 0);
    // How often each reason was told, and how often none, by the words of the counts format.
    let mut told = std::collections::BTreeMap::from(["unknown"].map(|word| (word, 0)));
    for restart in 0..=1_000_u64 {
        // Each boot takes between half a second and three, has a reason, and mostly tells it.
        now += 500_000 + random(2_500_000);
        let begins = 15_000 + random(50_000);
        let reason = (random(4) > 0).then(|| REASONS[random(4) as usize]);
        if restart > 0 {
            *told.entry(reason.unwrap_or("unknown")).or_insert(0) += 1;
        }
        if let Some(reason) = reason {
            let hello = format!(
                "{{\"hello\":{{\"format\":1,\"fw\":\"1\",\"board\":\"x\",\"reset\":\"{}\",\"adc_max\":1023,\"analog\":1,\"pulse\":[2],\"digital\":[],\"output\":[],\"rate_hz\":50,\"up_ms\":{}}}",
                reason,
                begins / 1_000
            );
            assert_eq!(rig.line(0, now, &hello), Outcome::Hello);
        }
        // It runs for anything from two readings to three seconds; the engine turns on all the while.
        for s in 0..2 + random(148) {
            let t = begins + s * 20_000;
            let edges = t * HERTZ / 1_000_000;
            let last = edges * 1_000_000 / HERTZ;
            let line = format!("{{\"s\":{s},\"t\":{t},\"height\":250,\"p2\":[{edges},{last}]");
            assert_eq!(rig.line(0, now + s * 20_000, &line), Outcome::Reading);
            never_leaps("the frequency", rig.value("pulses"), HERTZ as f64, HERTZ as f64 * 1e-6);
            never_leaps("the level", rig.value("level"), 250.0, 0.0);
            never_leaps("its smooth value", rig.shown("level").smooth, 250.0, 1e-9);
            never_leaps("its slope", rig.value("slope"), 0.0, 1e-9);
            never_leaps("its mean", rig.value("middle"), 250.0, 1e-9);
            never_leaps("the change of frequency", rig.value("change"), 0.0, 0.1);
            good += u32::from(rig.value("pulses").good().is_some());
        }
        now += 3_000_000;
        let tally = rig.pipeline.tally(LinkId(0));
        assert_eq!(tally.restarts, restart);
        for (reason, count) in tally.resets.each() {
            assert_eq!(count, told.get(reason.name()).copied().unwrap_or(0), "{} after {restart}", reason.name());
        }
        assert_eq!(rig.pipeline.snapshot().links[0].resets, tally.resets);
    }
    assert!(told.len() == 5 && told.values().all(|count| *count > 100), "{told:?}");
    assert!(good > 50_000, "{good} frequencies were seen");
    assert_eq!(rig.pipeline.tally(LinkId(0)).lost, 0, "numbers that begin anew are no lost lines");
    // One alarm for the controller, none for its channels.
    assert_eq!(rig.changes.iter().filter(|change| change.active).count(), 1);
}
