//! Outputs and what is wrong with them in words, for the screen, for lines of text and for notes.
//!
//! Owns the wording. Names of channels and outputs are those of the config, which holds them to plain letters.

use std::borrow::Cow;

use super::terms;
use crate::channel::Trust;
use crate::config::{Channel, ChannelId, Drive, LinkId, Model, Operator, Output, Source};
use crate::state::{FaultShown, OutputShown, Problem, Shown, Subject, Why};
use crate::time::{Micros, SECOND, Stamp};
use crate::watch::advice::advice;
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
        Why::Locked(Problem::DoesNotFollow { .. }) => "locked: the pin did not follow".to_owned(),
        Why::Locked(Problem::LocksUnreadable) => "locked: what was locked cannot be read".to_owned(),
        Why::Locked(_) => "locked: two controller resets after switching on".to_owned(),
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
    pub remedy: Cow<'static, str>,
}

impl Told {
    /// `fault` in words, where `shown` are the outputs now: what was on against its order when it was locked, maybe by a
    /// drive before this one, and is not reported so now, is told as what was. `None` where the model has no such subject.
    pub fn now(model: &Model, channels: &[Shown], fault: &FaultShown, shown: &[OutputShown]) -> Option<Self> {
        let told = Self::of(model, channels, fault)?;
        let Subject::Output(place) = fault.subject else { return Some(told) };
        let is_on = shown.get(usize::from(place)).and_then(|shown| shown.there).is_some_and(|there| there > 0);
        let Problem::DoesNotFollow { set: 0, is: Some(is) } = fault.problem else { return Some(told) };
        let Some(output) = model.outputs.get(usize::from(place)).filter(|_| !is_on) else { return Some(told) };
        let what = format!("pin {} did not follow", output.pin);
        let detail = format!("was {} although set to off", value(output.pin, is));
        Some(Self { what, detail, remedy: WAS_ON.into(), ..told })
    }

    /// `fault` in words, with `channels` as they are shown; `None` where the model has no such subject.
    pub fn of(model: &Model, channels: &[Shown], fault: &FaultShown) -> Option<Self> {
        match fault.subject {
            Subject::Output(place) => Self::of_output(model, usize::from(place), fault.problem),
            Subject::Sensor(id) => Self::of_sensor(model, channels, id, fault.problem),
            Subject::Link(link) | Subject::Controller(link) | Subject::Supply(link) | Subject::Ground(link) => {
                Self::of_link(model, channels, link, fault)
            }
        }
    }

    fn of_output(model: &Model, place: usize, problem: Problem) -> Option<Self> {
        let output = model.outputs.get(place)?;
        let (what, detail, remedy) = match problem {
            Problem::DoesNotFollow { set, is } => {
                let set_to = value(output.pin, set);
                let is = is.map_or_else(|| "not known".to_owned(), |is| value(output.pin, is));
                let what = format!("pin {} does not follow", output.pin);
                (what, format!("set {set_to}, is {is}"), remedy(output.pin, set))
            }
            Problem::LocksUnreadable => {
                ("what was locked cannot be read".to_owned(), "so it counts as locked".to_owned(), LOCKS)
            }
            _ => ("two controller resets".to_owned(), "after switching on".to_owned(), RESETS),
        };
        Some(Self { name: output.name.clone(), what, detail, remedy: remedy.into() })
    }

    /// Names the sensor whose fault it is, be it another's that this one's formula asks for, and what the value was.
    fn of_sensor(model: &Model, channels: &[Shown], id: ChannelId, problem: Problem) -> Option<Self> {
        let Problem::Untrusted { trust, of } = problem else { return None };
        let (watched, channel) = (model.channels.get(id.index())?, model.channels.get(of.index())?);
        let advice = advice(model, of, trust, channels.get(of.index()))?;
        let mut detail = vec![advice.place];
        if let Some(was) = channels.get(id.index()).map(|shown| shown.was).filter(|was| was.is_finite()) {
            let number = format!("{was:.*} {}", usize::from(watched.digits), watched.unit.symbol());
            detail.push(format!(
                "{}was {}",
                if of == id { String::new() } else { format!("{} ", watched.label) },
                number.trim_end()
            ));
        }
        if !advice.evidence.is_empty() {
            detail.push(format!("now {}", advice.evidence));
        }
        let name = format!("{} sensor", channel.label);
        Some(Self { name, what: advice.what.to_owned(), detail: detail.join(", "), remedy: advice.measure.into() })
    }

    fn of_link(model: &Model, channels: &[Shown], link: LinkId, fault: &FaultShown) -> Option<Self> {
        let name = &model.links.get(link.index())?.name;
        let (about, what, detail, remedy) = match fault.problem {
            Problem::Lost => ("Link", "nothing comes".to_owned(), "all its channels are old".to_owned(), LOST),
            Problem::Restarts => ("Controller", "restarts".to_owned(), "twice within a minute".to_owned(), RESTARTS),
            Problem::Supply { millivolts } => {
                let is = match millivolts {
                    Some(millivolts) => format!("{:.2} V", f64::from(millivolts) / 1e3),
                    None => "not known".to_owned(),
                };
                let limits = model.trust.supply.map(|(low, high)| format!("right: {low} to {high} V"));
                let detail = limits.filter(|_| millivolts.is_some());
                ("Sensor supply", is, detail.unwrap_or_else(|| "no vcc or ref comes".to_owned()), SUPPLY)
            }
            Problem::Ground(shifted) => {
                let stepped = |(channel, shown): (&Channel, &Shown)| {
                    let of = matches!(&channel.source, Source::Input(input) if input.link == link);
                    (of && shown.trust() == Trust::Ground).then(|| channel.label.clone())
                };
                let names: Vec<_> = model.channels.iter().zip(channels).filter_map(stepped).collect();
                let by = f64::from(shifted.millivolts) / 1e3;
                let what = format!("{} pins stepped by up to {by:+.2} V at once", shifted.pins);
                ("Sensor ground", what, names.join(", "), GROUND)
            }
            Problem::Resets | Problem::DoesNotFollow { .. } | Problem::LocksUnreadable | Problem::Untrusted { .. } => {
                return None;
            }
        };
        Some(Self { name: format!("{about} {name}"), what, detail, remedy: remedy.into() })
    }
}

const LOST: &str = "Look at the plug at the board and at the computer. Then measure the board's supply, from its 5 V to its ground: \
    4.5 to 5.5 V are right; with none, look at its fuse";

const RESTARTS: &str = "Measure the board's supply at the board while it happens, from its 5 V to its ground: it must not fall below \
    4.5 V. A dip is a worn switch, a thin wire or a weak ground. Engine running: hands away from belts and fan";

const SUPPLY: &str = "What hangs on the sensor supply is not believed. Measure at the board from its 5 V to its ground: 4.5 to 5.5 V are \
    right; then battery to fuse box, under load: under 0.3 V is right, more is a bad joint. Engine off first";

const GROUND: &str = "Their shared ground or supply, not the sensors: measure from the sensors' ground lug to the board's ground, key on: \
    under 0.05 V is right. More: clean and tighten the lug. Engine off first. If what they show is true: key g";

const WAS_ON: &str = "Locked off. Find the cause before you free it: power off, wire off the pin; volts on the wire come \
    from elsewhere, none mean that the pin may be broken";

const RESETS: &str = "Locked off. Measure the board's supply while it switches: a dip means a thin wire, a weak ground, \
    or a coil without its diode";

const LOCKS: &str = "Locked off until a person frees it. The file locked-outputs.json beside the recordings is damaged. Look at each \
    output and its load; with hands off them, key u twice frees all";

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
