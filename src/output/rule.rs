//! The rule of one output: on or off by conditions, or a frequency or duty after a channel.
//!
//! Owns since when it is on or off. In: a moment, and what else holds it off. Out: [`Decided`]. Pure.
//!
//! After `longest` it is off for `rest` like after any other end, and then on again if `on` still holds: `rest` is the
//! one time of rest that the config has. Who wants a single go writes a condition that ends, or a long `rest`.

use super::terms;
use crate::channel::{Condition, Moment, Trust, Value};
use crate::config::{ChannelId, Drive, Expr, Formula, Operator};
use crate::state::Why;
use crate::time::{Micros, Stamp};
use crate::wire::{Pin, PinKind};

/// What a rule comes to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Decided {
    /// 0 or 1, hertz, or a share.
    pub value: f64,
    pub why: Why,
    /// When time alone ends it.
    pub until: Option<Stamp>,
}

/// A rule at work.
#[derive(Clone, Debug)]
pub(super) struct Rule {
    kind: Kind,
    is: Is,
    /// The newest decision waits for this.
    until: Option<Stamp>,
    after_longest: bool,
    /// Its pin reported that it is on, since it was last switched on.
    seen_on: bool,
    /// Its pin reported last that it is on although it is to be off.
    still_on: bool,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Is {
    /// What was before is not known.
    Unknown,
    /// Off since.
    Off(Stamp),
    /// On since.
    On(Stamp),
}

#[derive(Clone, Debug)]
enum Kind {
    Switch { on: Term, off_if: Option<Box<Term>>, longest: Option<Micros>, rest: Micros },
    Follow { from: ChannelId, points: Vec<(f64, f64)>, rest_at: f64 },
}

#[derive(Clone, Debug)]
struct Term {
    condition: Condition,
    channels: Vec<ChannelId>,
    /// The parts that it is joined of, to name the one that decides; none where it is one alone.
    parts: Vec<Condition>,
    /// A part that is this decides the whole.
    decides: bool,
    /// The first part that did, at the newest moment.
    first: u8,
}

impl Term {
    /// `joined`: what joins its parts, `And` or `Or`.
    fn new(formula: &Formula, joined: Operator) -> Self {
        let parts = terms::parts(&formula.tree, joined);
        let part = |tree: &&Expr| Condition::new(&Formula { tree: (*tree).clone(), ..formula.clone() });
        let parts = if parts.len() > 1 { parts.iter().map(part).collect() } else { Vec::new() };
        let (condition, channels) = (Condition::new(formula), formula.terms.clone());
        Self { condition, channels, parts, decides: joined == Operator::Or, first: 0 }
    }

    /// Looks at `moment`: at each one, since windows must see every line.
    fn step(&mut self, moment: &Moment<'_>) -> Option<bool> {
        let mut first = None;
        for (place, part) in (0..=u8::MAX).zip(&mut self.parts) {
            if part.step(moment) == Some(self.decides) {
                first = first.or(Some(place));
            }
        }
        self.first = first.unwrap_or(0);
        self.condition.step(moment)
    }

    /// The first of its channels that is untrusted.
    fn doubt(&self, moment: &Moment<'_>) -> Option<(ChannelId, Trust)> {
        let trust =
            |id: &ChannelId| moment.channels.get(id.index()).map_or(Trust::Missing, |shown| shown.value.trust());
        self.channels.iter().map(|id| (*id, trust(id))).find(|(_, trust)| *trust != Trust::Ok)
    }
}

impl Rule {
    pub fn new(drive: &Drive) -> Self {
        let kind = match drive {
            Drive::Switch { on, off_if, longest, rest } => Kind::Switch {
                on: Term::new(on, Operator::And),
                off_if: off_if.as_ref().map(|formula| Box::new(Term::new(formula, Operator::Or))),
                longest: *longest,
                rest: *rest,
            },
            Drive::Follow { from, points, rest_at } => {
                Kind::Follow { from: *from, points: points.clone(), rest_at: *rest_at }
            }
        };
        Self { kind, is: Is::Unknown, until: None, after_longest: false, seen_on: false, still_on: false }
    }

    /// Off since `at`, whatever it was.
    pub fn rest_from(&mut self, at: Stamp) {
        (self.is, self.after_longest, self.still_on) = (Is::Off(at), false, false);
    }

    /// Off since `at`, as the rule of the same pin under the config before, which knows what its pin reported.
    pub fn go_on_from(&mut self, before: &Self, at: Stamp) {
        self.rest_from(at);
        (self.seen_on, self.still_on) = (before.seen_on, before.still_on);
    }

    /// Since when it is off, if it is made to be so at `now`.
    pub fn off_since(&self, now: Stamp) -> Stamp {
        match self.is {
            Is::Off(since) => since,
            Is::Unknown | Is::On(_) => now,
        }
    }

    /// It is off from `now` on where it was on.
    pub fn off(&mut self, now: Stamp) {
        if let Is::On(_) = self.is {
            self.rest_from(now);
        }
    }

    /// Its pin reports that it is on or off. Off: what was told before does not keep it on any more. Where it is to be on
    /// and its lease is over (`over`), that is an end like any other: it rests. A pin that is off while its lease runs is
    /// no end but a fault, and the pin's own rule tells it.
    ///
    /// `certain`: the report was sampled after what switches it on was sent. Once the pin was seen on every report is.
    pub fn reported(&mut self, on: bool, over: bool, certain: bool, now: Stamp) {
        match &mut self.is {
            // On all the same: an older lease still runs, or the off was lost. It rests from the first report of off on.
            Is::Off(since) if on => (*since, self.seen_on, self.still_on) = ((*since).max(now), true, true),
            Is::Off(since) if self.still_on => (*since, self.still_on) = (now, false),
            Is::Off(since) if certain || self.seen_on => *since = (*since).min(now),
            Is::On(_) if over && self.seen_on => self.rest_from(now),
            Is::On(_) => self.seen_on |= on,
            Is::Off(_) | Is::Unknown => {}
        }
    }

    /// It was told something that may keep it on until then.
    pub fn may_be_on_until(&mut self, until: Stamp) {
        if let Is::Off(since) = &mut self.is {
            *since = (*since).max(until);
        }
    }

    /// When time alone changes what it comes to.
    pub fn due(&self) -> Option<Stamp> {
        self.until
    }

    /// Decides at `now`. What holds it besides: `held` makes it off, `late` says that it may not go by what it looks at.
    /// `lease`: until when what it was told may keep it on.
    pub fn step(
        &mut self,
        now: Stamp,
        moment: &Moment<'_>,
        (held, late): (Option<Why>, Option<Why>),
        lease: Stamp,
    ) -> Decided {
        let decided = match &mut self.kind {
            Kind::Switch { on, off_if, longest, rest } => {
                let (on_is, off_is) = (on.step(moment), off_if.as_mut().map(|term| term.step(moment)));
                let against = held.or_else(|| against_on(on, on_is, moment));
                let against = against.or_else(|| against_off_if(off_if.as_ref()?, off_is?, moment)).or(late);
                let (longest, rest) = (*longest, *rest);
                self.switch(now, against, longest, rest, lease)
            }
            Kind::Follow { from, points, rest_at } => {
                let value = moment.channels.get(from.index()).map(|shown| shown.value);
                let trust = value.map_or(Trust::Missing, Value::trust);
                let (value, why) = match (held, value.and_then(Value::good), late) {
                    (Some(why), _, _) => (0.0, why),
                    (None, None, _) => (*rest_at, Why::Untrusted(*from, trust)),
                    (None, Some(_), Some(late)) => (*rest_at, late),
                    (None, Some(value), None) => (straight(points, value), Why::Follows),
                };
                Decided { value, why, until: None }
            }
        };
        self.until = decided.until;
        decided
    }

    fn switch(
        &mut self,
        now: Stamp,
        against: Option<Why>,
        longest: Option<Micros>,
        rest: Micros,
        lease: Stamp,
    ) -> Decided {
        if self.is == Is::Unknown {
            self.is = Is::Off(now);
        }
        if let Is::On(since) = self.is {
            let end = longest.map(|longest| since.after(longest));
            if against.is_none() && end.is_none_or(|end| now < end) {
                return Decided { value: 1.0, why: Why::Holds, until: end };
            }
            // The time off begins when it is off for certain; where it reports so, that is sooner.
            self.rest_from(now.max(lease));
            self.after_longest = against.is_none();
        }
        let Is::Off(since) = self.is else { return Decided { value: 0.0, why: Why::NoValue, until: None } };
        let over = since.after(rest);
        match against {
            Some(why) => Decided { value: 0.0, why, until: None },
            None if self.still_on || now < over => {
                let why = Why::Resting { after_longest: self.after_longest };
                Decided { value: 0.0, why, until: (!self.still_on).then_some(over) }
            }
            None => {
                (self.is, self.seen_on) = (Is::On(now), false);
                Decided { value: 1.0, why: Why::Holds, until: longest.map(|longest| now.after(longest)) }
            }
        }
    }
}

fn against_on(on: &Term, is: Option<bool>, moment: &Moment<'_>) -> Option<Why> {
    match is {
        Some(true) => None,
        Some(false) => Some(Why::NotWanted(on.first)),
        None => Some(on.doubt(moment).map_or(Why::NoValue, |(id, trust)| Why::Untrusted(id, trust))),
    }
}

fn against_off_if(off_if: &Term, is: Option<bool>, moment: &Moment<'_>) -> Option<Why> {
    match is {
        Some(false) => None,
        Some(true) => Some(Why::OffIf(off_if.first)),
        None => Some(off_if.doubt(moment).map_or(Why::OffIfNoValue, |(id, trust)| Why::OffIfUntrusted(id, trust))),
    }
}

/// The straight pieces between `points`, the first and last value beyond them. Inputs rise strictly.
fn straight(points: &[(f64, f64)], at: f64) -> f64 {
    let after = points.partition_point(|(x, _)| *x <= at);
    match (after.checked_sub(1).and_then(|before| points.get(before)), points.get(after)) {
        (Some((x0, y0)), Some((x1, y1))) => y0 + (y1 - y0) * (at - x0) / (x1 - x0),
        (Some((_, y)), None) | (None, Some((_, y))) => *y,
        (None, None) => 0.0,
    }
}

impl Pin {
    /// A level, hertz or a share in the steps of the wire, within what the pin can do. Below 1 Hz is a steady low.
    pub(super) fn in_its_steps(self, value: f64) -> u32 {
        let (times, most) = match self.kind {
            PinKind::Frequency => (1000.0, 5_000_000.0),
            PinKind::Duty => (1000.0, 1000.0),
            _ => (1.0, 1.0),
        };
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "it is within 0 and the most")]
        let steps = (value * times).round().clamp(0.0, most) as u32;
        if self.may_be(steps) { steps } else { 0 }
    }
}
