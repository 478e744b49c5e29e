//! Checks of the demo room against the outside.
use kickpanel::controller::{Simulated, Story};

#[test]
#[ignore = "prints"]
fn print_truth() {
    let story = Story::parse(&std::env::var("STORY").unwrap()).unwrap();
    let seconds: i64 = std::env::var("SECONDS_").unwrap().parse().unwrap();
    let every: i64 = std::env::var("EVERY_MS").unwrap_or("500".into()).parse().unwrap();
    let seed: u64 = std::env::var("SEED").unwrap_or("7".into()).parse().unwrap();
    let mut lorry = Simulated::new(story, seed);
    let mut out = Vec::new();
    let mut at = 0;
    while at < seconds * 1000 {
        at += every;
        lorry.advance(at * 1000, &mut out);
        let t = lorry.truth();
        println!(
            "{:7.1} rpm {:6.0} v {:5.1} g{} rack {:4.2} pull {:4.2} feed {:5.2} grade {:5.1} cool {:5.1} oil {:4.2} egt {:5.0} bat {:5.2} sup {:5.3} fuel {:5.1} air {:4.1} gnd {:4.2} p{} h{} len {}",
            at as f64 / 1000.,
            t.rpm,
            t.speed,
            t.gear,
            t.rack,
            t.pull,
            t.feed,
            t.grade * 100.,
            t.coolant,
            t.oil,
            t.exhaust,
            t.battery,
            t.supply,
            t.fuel,
            t.air,
            t.ground,
            u8::from(t.powered),
            u8::from(t.heater),
            out.len()
        );
        out.clear();
    }
}
