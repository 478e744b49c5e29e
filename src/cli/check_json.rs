//! The one JSON document of `check --json`.
//!
//! Owns its shape, which the help of `check` describes: every list is always there, what is not set is null, and lengths
//! of time are seconds under names that end in `_s`.

use std::path::Path;

use serde_json::{Value, json};

use crate::config::{Event, Limit, Mistake};
use crate::overview::{Doubt, Driven, InForce, Overview, Pins, Port, Ruled, Stale, StuckAfter, Wired};
use crate::time::secs_from_micros;

/// What `text`, read from `path`, comes to; `overview` is `None` where it has mistakes.
pub fn document(path: &Path, text: &str, overview: Option<&Overview>, mistakes: &[Mistake]) -> Value {
    let trust = overview.map(|all| {
        let supply = all.trust.supply.map(|(low, high)| [low, high]);
        json!({ "supply_v": supply, "ground_shift": all.trust.ground_shift })
    });
    json!({
        "ok": overview.is_some(),
        "config": path.display().to_string(),
        "name": overview.map(|all| &all.name),
        "mistakes": list(mistakes, |mistake| one_mistake(text, mistake)),
        "channels": list(overview.map_or(&[][..], |all| &all.channels), channel),
        "trust": trust,
        "alarms": list(overview.map_or(&[][..], |all| &all.alarms), alarm),
        "events": list(overview.map_or(&[][..], |all| &all.events), event),
        "pins": list(overview.map_or(&[][..], |all| &all.pins), pins),
        "outputs": list(overview.map_or(&[][..], |all| &all.outputs), output),
        "links": list(overview.map_or(&[][..], |all| &all.links), link),
    })
}

fn list<T>(items: &[T], one: impl Fn(&T) -> Value) -> Vec<Value> {
    items.iter().map(one).collect()
}

fn one_mistake(text: &str, mistake: &Mistake) -> Value {
    let before = &text.as_bytes()[..mistake.span.start.min(text.len())];
    let line = before.split(|&byte| byte == b'\n').count();
    json!({ "line": line, "place": mistake.place, "what": mistake.what, "remedy": mistake.remedy,
            "warning": mistake.warning })
}

fn channel(wired: &Wired) -> Value {
    let Doubt { stale, fastest, stuck } = &wired.doubt;
    let stale = if let Stale::After(age) = stale { Some(secs_from_micros(*age)) } else { None };
    let stuck = stuck.as_ref().map(
        |StuckAfter { after, band, when }| json!({ "after_s": secs_from_micros(*after), "band": band, "when": when }),
    );
    json!({ "name": wired.name, "label": wired.label, "unit": wired.unit.name(), "span": wired.span.map(|(a, b)| [a, b]),
            "input": wired.input, "circuit": wired.circuit, "sensor": wired.sensor,
            "stale_after_s": stale, "fastest_per_s": fastest, "stuck": stuck })
}

fn alarm(alarm: &InForce) -> Value {
    let (below, above) = match alarm.limit {
        Limit::Below(at) => (Some(at), None),
        Limit::Above(at) => (None, Some(at)),
    };
    json!({ "channel": alarm.channel, "level": alarm.level.name(), "below": below, "above": above,
            "unit": alarm.unit.name(), "deadband": alarm.deadband, "after_s": secs_from_micros(alarm.after),
            "until_s": secs_from_micros(alarm.until), "when": alarm.when, "latch": alarm.latch, "text": alarm.text })
}

fn event(event: &Event) -> Value {
    json!({ "name": event.name, "when": event.when.text, "lasts_s": secs_from_micros(event.lasts),
            "apart_s": secs_from_micros(event.apart), "before_s": secs_from_micros(event.before),
            "after_s": secs_from_micros(event.after) })
}

fn pins(pins: &Pins) -> Value {
    let used: Vec<String> = pins.used.iter().map(ToString::to_string).collect();
    json!({ "link": pins.link, "used": used, "free_analog": pins.free_analog, "free_digital": pins.free_digital })
}

fn output(output: &Driven) -> Value {
    let advice: Vec<String> = output.advice.iter().map(|advice| advice.to_string().replace('\n', " ")).collect();
    let mut all = json!({ "name": output.name, "link": output.link, "pin": output.pin.to_string(), "armed": output.armed,
        "lease_s": secs_from_micros(output.lease), "advice": advice });
    let rule = match &output.rule {
        Ruled::Switched { on, off_if, longest, rest } => {
            json!({ "on": on, "off_if": off_if, "longest_s": longest.map(secs_from_micros), "rest_s": secs_from_micros(*rest) })
        }
        Ruled::Follows { from, unit, points, rest_at } => {
            json!({ "from": from, "unit": unit.name(), "points": points, "rest_at": rest_at })
        }
    };
    if let (Some(all), Value::Object(rule)) = (all.as_object_mut(), rule) {
        all.extend(rule);
    }
    all
}

fn link(link: &Port) -> Value {
    let advice: Vec<String> = link.advice.iter().map(|advice| advice.to_string().replace('\n', " ")).collect();
    json!({ "name": link.name, "device": link.device, "baud": link.baud, "advice": advice })
}
