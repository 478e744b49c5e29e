//! Outputs and what is wrong with them in words, for the screen, for lines of text and for notes.
//!
//! Owns the wording. Names of channels and outputs are those of the config, which holds them to plain letters.

use crate::config::{ChannelId, Model};
use crate::state::{FaultShown, OutputShown, Problem, Subject, Why};
use crate::time::{Micros, SECOND, Stamp};
use crate::wire::{Pin, PinKind};

/// What a pin is at `value`: `on`, `133.3 Hz`, `25 %`.
pub fn value(pin: Pin, value: u32) -> String {
    match pin.kind {
        PinKind::Frequency => format!("{:.1} Hz", f64::from(value) / 1000.0),
        PinKind::Duty => format!("{:.0} %", f64::from(value) / 10.0),
        _ if value == 0 => "off".to_owned(),
        _ => "on".to_owned(),
    }
}

/// The same as a number: 0 or 1, hertz, or a share.
pub fn number(pin: Pin, value: u32) -> f64 {
    match pin.kind {
        PinKind::Frequency | PinKind::Duty => f64::from(value) / 1000.0,
        _ => f64::from(value),
    }
}

/// Which term decides, and how much time is left at `now`.
pub fn why(model: &Model, shown: &OutputShown, now: Stamp) -> String {
    let left = || shown.until.map_or(0, |until| seconds_left(until.since(now)));
    match shown.why {
        Why::Holds if shown.until.is_some() => format!("{} s left", left()),
        Why::Holds => "its rule holds".to_owned(),
        Why::Follows => "follows its channel".to_owned(),
        Why::NotWanted => "its rule does not hold".to_owned(),
        Why::Untrusted(id, trust) => format!("`{}` is {}", channel(model, id), trust.words()),
        Why::NoValue => "`on` has no value yet".to_owned(),
        Why::OffIf => "off_if holds".to_owned(),
        Why::OffIfUntrusted(id, trust) => format!("off_if: `{}` is {}", channel(model, id), trust.words()),
        Why::OffIfNoValue => "off_if has no value yet".to_owned(),
        Why::Resting { after_longest: true } => format!("was on its longest, rests {} s", left()),
        Why::Resting { after_longest: false } => format!("rests {} s", left()),
        Why::NoLink => "no link".to_owned(),
        Why::NoPin => "the controller has no such output".to_owned(),
        Why::Locked(Problem::Resets) => "locked: two controller resets after switching on".to_owned(),
        Why::Locked(Problem::DoesNotFollow { .. }) => "locked: the pin did not follow".to_owned(),
    }
}

/// Rounded up, so that what is left is never 0.
const fn seconds_left(span: Micros) -> Micros {
    let span = if span < 0 { 0 } else { span };
    (span + SECOND - 1) / SECOND
}

fn channel(model: &Model, id: ChannelId) -> &str {
    model.channels.get(id.index()).map_or("?", |channel| &channel.name)
}

/// An alarm without a limit in words.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Told {
    /// What it is about.
    pub name: String,
    /// What is wrong.
    pub what: String,
    /// More of it; may be empty.
    pub detail: String,
    /// What to do.
    pub remedy: &'static str,
}

impl Told {
    /// `fault` in words; `None` where the model has no such subject.
    pub fn of(model: &Model, fault: &FaultShown) -> Option<Self> {
        let Subject::Output(place) = fault.subject;
        let output = model.outputs.get(usize::from(place))?;
        let (what, detail, remedy) = match fault.problem {
            Problem::Resets => ("two controller resets".to_owned(), "after switching on".to_owned(), RESETS),
            Problem::DoesNotFollow { set, is } => {
                let (set_to, is) = (value(output.pin, set), value(output.pin, is));
                let what = format!("pin {} does not follow", output.pin);
                (what, format!("set {set_to}, is {is}"), remedy(output.pin, set))
            }
        };
        Some(Self { name: output.name.clone(), what, detail, remedy })
    }
}

const RESETS: &str = "Locked off. Measure the board's supply while it switches: a dip means a thin wire, a weak ground, \
    or a coil without its diode";

/// What to measure next.
const fn remedy(pin: Pin, set: u32) -> &'static str {
    match (pin.kind, set) {
        (_, 0) => {
            "On against its rule: pull the load's fuse. Then take the wire off the pin: volts on the wire come from elsewhere, \
             none mean that the pin is broken"
        }
        (PinKind::Level, _) => {
            "Locked off. Power off, wire off the pin: under 100 ohm from the wire to ground is a short or a bare coil; \
             more, and the pin may be broken"
        }
        _ => {
            "Locked off. Take the wire off the pin: if it follows then, the load pulls it down; else the pin may be broken"
        }
    }
}
