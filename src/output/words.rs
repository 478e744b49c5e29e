//! Outputs and what is wrong with them in words, for the screen, for lines of text and for notes.
//!
//! Owns the wording. Names of channels and outputs are those of the config, which holds them to plain letters.

use super::terms;
use crate::config::{ChannelId, Drive, LinkId, Model, Operator, Output};
use crate::state::{FaultShown, OutputShown, Problem, Shown, Subject, Why};
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

/// Which term decides about the output at `place`, with the values that it has in `channels`, and how much time is left at
/// `now`. Empty where the model has no such output.
pub fn why(model: &Model, channels: &[Shown], place: usize, shown: &OutputShown, now: Stamp) -> String {
    let Some(output) = model.outputs.get(place) else { return String::new() };
    let left = || shown.until.map(|until| seconds_left(until.since(now)));
    let name = |id: ChannelId| channel(model, id);
    match shown.why {
        Why::Holds => left().map_or_else(|| "its rule holds".to_owned(), |left| format!("{left} s left")),
        Why::Follows => match &output.drive {
            Drive::Follow { from, .. } => format!("follows {}", terms::named(model, channels, *from, None)),
            Drive::Switch { .. } => "its rule holds".to_owned(),
        },
        Why::NotWanted(part) => term(model, channels, output, part, false),
        Why::OffIf(part) => format!("off_if: {}", term(model, channels, output, part, true)),
        Why::Untrusted(id, trust) => format!("{}: {}, so untrusted", name(id), trust.words()),
        Why::OffIfUntrusted(id, trust) => format!("off_if: {}: {}, so untrusted", name(id), trust.words()),
        Why::NoValue => "`on` has no value yet".to_owned(),
        Why::OffIfNoValue => "off_if has no value yet".to_owned(),
        Why::Resting { after_longest } => {
            let was = if after_longest { "was on its longest, " } else { "" };
            left().map_or_else(|| format!("{was}rests once its pin is off"), |left| format!("{was}rests {left} s"))
        }
        Why::Late(link) => format!("readings of {} come too late", link_name(model, link)),
        Why::NoLink => "no link".to_owned(),
        Why::NoPin => "the controller has no such output".to_owned(),
        Why::Locked(Problem::Resets) => "locked: two controller resets after switching on".to_owned(),
        Why::Locked(Problem::DoesNotFollow { .. }) => "locked: the pin did not follow".to_owned(),
    }
}

/// The part of `on` that does not hold, or the part of `off_if` that does.
fn term(model: &Model, channels: &[Shown], output: &Output, part: u8, is: bool) -> String {
    let Drive::Switch { on, off_if, .. } = &output.drive else { return String::new() };
    let (formula, joined) = if is { (off_if.as_ref().unwrap_or(on), Operator::Or) } else { (on, Operator::And) };
    let parts = terms::parts(&formula.tree, joined);
    parts.get(usize::from(part)).map_or_else(String::new, |tree| terms::told(model, channels, tree, is))
}

fn link_name(model: &Model, link: LinkId) -> &str {
    model.links.get(link.index()).map_or("?", |link| &link.name)
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
    /// `fault` in words, where `shown` are the outputs now: what was on against its order when it was locked, maybe by a
    /// drive before this one, and is not reported so now, is told as what was. `None` where the model has no such subject.
    pub fn now(model: &Model, fault: &FaultShown, shown: &[OutputShown]) -> Option<Self> {
        let Subject::Output(place) = fault.subject;
        let told = Self::of(model, fault)?;
        let is_on = shown.get(usize::from(place)).and_then(|shown| shown.there).is_some_and(|there| there > 0);
        let Problem::DoesNotFollow { set: 0, is: Some(is) } = fault.problem else { return Some(told) };
        let Some(output) = model.outputs.get(usize::from(place)).filter(|_| !is_on) else { return Some(told) };
        let what = format!("pin {} did not follow", output.pin);
        let detail = format!("was {} although set to off", value(output.pin, is));
        Some(Self { what, detail, remedy: WAS_ON, ..told })
    }

    /// `fault` in words, as it was when it began; `None` where the model has no such subject.
    pub fn of(model: &Model, fault: &FaultShown) -> Option<Self> {
        let Subject::Output(place) = fault.subject;
        let output = model.outputs.get(usize::from(place))?;
        let (what, detail, remedy) = match fault.problem {
            Problem::Resets => ("two controller resets".to_owned(), "after switching on".to_owned(), RESETS),
            Problem::DoesNotFollow { set, is } => {
                let set_to = value(output.pin, set);
                let is = is.map_or_else(|| "not known".to_owned(), |is| value(output.pin, is));
                let what = format!("pin {} does not follow", output.pin);
                (what, format!("set {set_to}, is {is}"), remedy(output.pin, set))
            }
        };
        Some(Self { name: output.name.clone(), what, detail, remedy })
    }
}

const WAS_ON: &str = "Locked off. Find the cause before you free it: power off, wire off the pin; volts on the wire come \
    from elsewhere, none mean that the pin may be broken";

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
