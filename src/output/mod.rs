//! What each pin should be: the rules of the outputs, made from the config and stepped with every moment.
//!
//! Owns the memory of each output: on or off since when, what it was told, what it reports, and what keeps it off. In:
//! moments, readings, the lines that were sent, restarts of the controller, the time. Out: [`OutputShown`]s and alarms
//! ([`FaultShown`]). Pure: sends nothing, arms nothing, and allocates nothing once made. Who sends is the drive alone.

mod lag;
mod pin;
mod rule;
mod terms;
pub mod words;

use crate::channel::Moment;
use crate::config::{ChannelId, Level, LinkId, Model};
use crate::state::{FaultShown, LinkShown, LinkState, OutputShown, Problem, Subject, Why};
use crate::time::Stamp;
use crate::watch::{Change, Raised};
use crate::wire::{Hello, Reading, Set};
use lag::Lag;
use pin::Pin;
use rule::Rule;
pub use terms::looks_at;

/// How long what is sent holds, ms: the default of the counts format's example. It is renewed at a third of that.
pub const LEASE_MS: u32 = 1000;

/// The rules of all outputs at work.
#[derive(Clone, Debug)]
pub struct Rules {
    outputs: Vec<Output>,
    /// How late the readings of each link come.
    lags: Vec<Lag>,
}

#[derive(Clone, Debug)]
struct Output {
    pin: Pin,
    rule: Rule,
    /// Every input that its rule looks at, through formulas too, with its link.
    inputs: Vec<(ChannelId, LinkId)>,
}

impl Rules {
    /// Rules that have seen nothing yet: what was before is unknown, so that the time off between two is not over.
    pub fn new(model: &Model) -> Self {
        let output = |output: &crate::config::Output| Output {
            pin: Pin::new(output),
            rule: Rule::new(&output.drive),
            inputs: looks_at(model, &output.drive),
        };
        Self { outputs: model.outputs.iter().map(output).collect(), lags: vec![Lag::new(); model.links.len()] }
    }

    /// What is shown of them before the first step.
    pub fn shown(model: &Model) -> (Vec<OutputShown>, Vec<FaultShown>) {
        let fault = |place: u16| FaultShown {
            subject: Subject::Output(place),
            problem: Problem::Resets,
            level: Level::Caution,
            active: false,
            since: Stamp(0),
        };
        let outputs = model.outputs.iter().map(|output| OutputShown::resting(output.armed)).collect();
        (outputs, (0_u16..).take(model.outputs.len()).map(fault).collect())
    }

    /// Another config is in force from `now` on, and `before` are the rules of the old one. Which of its links is which
    /// of the old ones is told by `link`.
    ///
    /// What is known of a pin goes on: its lease, its lock, since when it is off. Every output is off at that instant,
    /// since no channel has a value yet, and then for its time of rest. `faults` and `old` are what is shown of both. Gives
    /// for each output its place under the old config, if it has one.
    pub fn go_on_from(
        &mut self,
        before: &Self,
        now: Stamp,
        link: impl Fn(LinkId) -> Option<LinkId>,
        (faults, old): (&mut [FaultShown], &[FaultShown]),
    ) -> Vec<Option<usize>> {
        for (new, lag) in (0..=u8::MAX).zip(&mut self.lags) {
            if let Some(known) = link(LinkId(new)).and_then(|old| before.lags.get(old.index())) {
                lag.clone_from(known);
            }
        }
        let mut places = vec![None; self.outputs.len()];
        for (place, output) in self.outputs.iter_mut().enumerate() {
            let same = |other: &Output| other.pin.is_at(link(output.pin.link), output.pin.name);
            let Some(at) = before.outputs.iter().position(same) else {
                output.rule.rest_from(now);
                continue;
            };
            places[place] = Some(at);
            let known = &before.outputs[at];
            output.pin.go_on_from(&known.pin);
            let off = known.rule.off_since(now).max(known.pin.may_be_on_until());
            output.rule.go_on_from(&known.rule, off);
            if let (Some(fault), Some(old)) = (faults.get_mut(place), old.get(at)) {
                *fault = FaultShown { subject: fault.subject, ..*old };
            }
        }
        places
    }

    /// The port of `link` was opened.
    pub fn opened(&mut self, link: LinkId, now: Stamp) {
        if let Some(lag) = self.lags.get_mut(link.index()) {
            lag.opened(now);
        }
    }

    /// The controller of `link` reported what its pins really do.
    pub fn hear(&mut self, link: LinkId, reading: &Reading, now: Stamp) {
        let Some(lag) = self.lags.get_mut(link.index()) else { return };
        lag.reading(now, reading.at, reading.restarted);
        let in_time = !lag.is_late();
        for Output { pin, rule, .. } in self.outputs.iter_mut().filter(|output| output.pin.link == link) {
            if let Some(is) = pin.hear(reading, now) {
                rule.reported(is > 0, pin.is_over(), in_time && pin.knows_its_order(now), now);
            }
        }
    }

    /// The controller of `link` said what it is; `None`: that is not known (any more).
    pub fn hello(&mut self, link: LinkId, hello: Option<&Hello>) {
        self.outputs.iter_mut().filter(|output| output.pin.link == link).for_each(|output| output.pin.hello(hello));
    }

    /// The controller of `link` has restarted so many times in all. Its pins are at rest then.
    pub fn restarted(&mut self, link: LinkId, total: u64, now: Stamp) {
        for Output { pin, rule, .. } in self.outputs.iter_mut().filter(|output| output.pin.link == link) {
            if pin.restarted(total, now) {
                rule.off(now);
            }
        }
    }

    /// `line` went to the controller of `link` at `now`. What sets no output changes nothing.
    pub fn sent(&mut self, link: LinkId, now: Stamp, line: &[u8]) {
        let Some(set) = Set::parse(line) else { return };
        for (name, value) in set.members() {
            let wanted = |output: &&mut Output| output.pin.is_at(Some(link), name);
            if let Some(output) = self.outputs.iter_mut().find(wanted) {
                output.pin.sent(value, now, set.lease);
                if value > 0 {
                    output.rule.may_be_on_until(output.pin.may_be_on_until());
                }
            }
        }
    }

    /// The output at `place` was locked when the program ended, and no person has acted since.
    pub fn lock(&mut self, place: usize, problem: Problem) {
        if let Some(output) = self.outputs.get_mut(place) {
            output.pin.lock = Some(problem);
        }
    }

    /// A person looked at what is locked and frees it. True where anything was.
    pub fn free(&mut self, now: Stamp) -> bool {
        let mut any = false;
        for Output { pin, rule, .. } in &mut self.outputs {
            if pin.free() {
                rule.rest_from(now);
                any = true;
            }
        }
        any
    }

    /// Decides anew at `now`. `changed` hears of alarms that begin or end. True where anything that is shown changed.
    /// Allocates nothing.
    pub fn step(
        &mut self,
        now: Stamp,
        moment: &Moment<'_>,
        links: &[LinkShown],
        (outputs, faults): (&mut [OutputShown], &mut [FaultShown]),
        changed: &mut dyn FnMut(Change),
    ) -> bool {
        let mut any = false;
        for (place, output) in self.outputs.iter_mut().enumerate() {
            let up = links.get(output.pin.link.index()).is_some_and(|link| link.state == LinkState::Up);
            if let Some(shown) = outputs.get_mut(place) {
                let late = late(&output.inputs, &self.lags, moment);
                any |= output.step(now, moment, (up, late), shown);
            }
            if let Some(fault) = faults.get_mut(place) {
                any |= output.pin.raise(now, fault, || Raised::Fault(place), changed);
            }
        }
        any
    }

    /// When, at the earliest, time alone changes anything; on the computer's timeline.
    pub fn due(&self) -> Option<Stamp> {
        self.outputs.iter().flat_map(|output| [output.rule.due(), output.pin.due()]).flatten().min()
    }
}

/// The first link whose readings come too late for what looks at `inputs`.
fn late(inputs: &[(ChannelId, LinkId)], lags: &[Lag], moment: &Moment<'_>) -> Option<Why> {
    let holds = |(channel, link): &&(ChannelId, LinkId)| {
        let heard = moment.channels.get(channel.index()).and_then(|shown| shown.heard);
        lags.get(link.index()).is_some_and(|lag| lag.holds(heard))
    };
    inputs.iter().find(holds).map(|(_, link)| Why::Late(*link))
}

impl Output {
    fn step(
        &mut self,
        now: Stamp,
        moment: &Moment<'_>,
        (up, late): (bool, Option<Why>),
        shown: &mut OutputShown,
    ) -> bool {
        self.pin.pass(now);
        let held = match self.pin.lock {
            Some(problem) => Some(Why::Locked(problem)),
            None if !up => Some(Why::NoLink),
            None if !self.pin.exists => Some(Why::NoPin),
            None => None,
        };
        let before = *shown;
        let decided = self.rule.step(now, moment, (held, late), self.pin.may_be_on_until());
        let value = self.pin.name.in_its_steps(decided.value);
        if value == 0 {
            self.pin.rests();
        }
        if (shown.wanted, shown.why) != (value, decided.why) {
            shown.since = now;
        }
        (shown.wanted, shown.why, shown.until) = (value, decided.why, decided.until);
        // What a controller reported that is not heard any more is not what its pin does now.
        (shown.sent, shown.there) = (self.pin.told(), self.pin.there.filter(|_| up));
        shown.faltered = self.pin.faltered();
        *shown != before
    }
}

#[cfg(test)]
mod tests;
