//! What is wrong: alarm states now; events and shared causes follow.
//!
//! Owns the alarms' memory: since when a limit is passed or left. In: channels with trust, and the time. Out: which
//! alarms sound, and each change once. No drawing, no clock. The states of ANSI/ISA-18.2 beyond normal and sounding
//! (acknowledged, latched, shelved) follow from that in [`desk`], so that they cost nothing while all is well.

pub mod desk;
pub mod machine;
pub mod measures;
pub mod named;

use crate::channel::{Condition, Moment, Trust, Value};
use crate::config::{Alarm, Limit, Model};
use crate::state::AlarmShown;
pub use crate::state::Raised;
use crate::time::{Micros, Stamp};

/// An alarm that began or ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// Which.
    pub raised: Raised,
    /// It began; else it ended.
    pub active: bool,
    /// The channel's smoothed value then, if there is one and it could be trusted.
    pub value: Option<f64>,
}

/// The memory of all alarms.
#[derive(Clone, Debug)]
pub struct Watch {
    alarms: Vec<Memory>,
    /// Of each run of alarms of one channel, the values at which there is nothing to do; looked at first, and so kept
    /// close together.
    quiet: Vec<Quiet>,
    /// The time of the last step, on the timeline of exports.
    stepped: Micros,
}

/// A range between two that are no numbers holds nothing.
#[derive(Clone, Copy, Debug)]
struct Quiet {
    low: f64,
    high: f64,
    channel: usize,
    /// The alarms, by their place in the model.
    from: usize,
    to: usize,
}

#[derive(Clone, Debug)]
struct Memory {
    channel: usize,
    limit: Limit,
    /// The value that it must come back to.
    back: f64,
    after: Micros,
    until: Micros,
    when: Option<Condition>,
    active: bool,
    /// The limit is passed and `when` is false.
    asleep: bool,
    /// Since when the limit is passed (quiet) or left (active) without a break, on the timeline of exports.
    since: Option<Micros>,
    /// Up to when the last value under the config before would have counted; see [`Watch::go_on_from`].
    bridge: Micros,
    /// No value came yet since the config changed while a delay ran.
    bare: bool,
}

/// For each alarm of `model` the place of the same one in `before`: of a channel of that name in that unit, with the same
/// level, limit and `when`. Its delays and words may be others.
pub fn same_alarms(model: &Model, before: &Model) -> Vec<Option<usize>> {
    let mut taken = vec![false; before.alarms.len()];
    let find = |alarm: &Alarm| {
        let mut olds = before.alarms.iter().enumerate();
        let (place, _) = olds.find(|(place, old)| !taken[*place] && is_same((model, alarm), (before, old)))?;
        taken[place] = true;
        Some(place)
    };
    model.alarms.iter().map(find).collect()
}

fn is_same((model, alarm): (&Model, &Alarm), (before, old): (&Model, &Alarm)) -> bool {
    let (channel, other) = (&model.channels[alarm.channel.index()], &before.channels[old.channel.index()]);
    (&channel.name, channel.unit) == (&other.name, other.unit)
        && (alarm.level, alarm.limit) == (old.level, old.limit)
        && alarm.when.as_ref().map(|when| &when.text) == old.when.as_ref().map(|when| &when.text)
}

impl Watch {
    /// All quiet.
    pub fn new(model: &Model) -> Self {
        let alarms: Vec<_> = model.alarms.iter().map(Memory::new).collect();
        let mut quiet: Vec<Quiet> = Vec::new();
        for (place, alarm) in alarms.iter().enumerate() {
            match quiet.last_mut() {
                Some(last) if last.channel == alarm.channel => last.to = place + 1,
                _ => quiet.push(Quiet {
                    low: f64::NAN,
                    high: f64::NAN,
                    channel: alarm.channel,
                    from: place,
                    to: place + 1,
                }),
            }
        }
        Self { alarms, quiet, stepped: Micros::MIN }
    }

    /// Looks at all channels at `moment`, which is `now` on the computer's timeline; `changed` hears of each alarm that
    /// begins or ends. Delays run on the timeline of exports, so that lines that were held up on the way count as when
    /// they were sampled. Allocates nothing.
    pub fn step(
        &mut self,
        now: Stamp,
        moment: &Moment<'_>,
        shown: &mut [AlarmShown],
        changed: &mut dyn FnMut(Change),
    ) -> bool {
        self.stepped = moment.at;
        let mut any = false;
        for quiet in &mut self.quiet {
            let Some(value) = moment.channels.get(quiet.channel).map(|shown| shown.smooth) else { continue };
            if value.is_within(quiet.low, quiet.high) {
                continue;
            }
            let mut range = Some((f64::NEG_INFINITY, f64::INFINITY));
            let alarms = self.alarms.get_mut(quiet.from..quiet.to).unwrap_or_default();
            for (alarm, memory) in (quiet.from..).zip(alarms) {
                let slept = memory.asleep;
                let turned = !memory.rests_at(value) && memory.step(moment);
                any |= slept != memory.asleep;
                if turned && let Some(shown) = shown.get_mut(alarm) {
                    (shown.active, shown.since, any) = (memory.active, now, true);
                    changed(Change { raised: Raised::Limit(alarm), active: memory.active, value: value.good() });
                }
                range = range.zip(memory.quiet()).map(|((low, high), own)| (low.max(own.0), high.min(own.1)));
            }
            (quiet.low, quiet.high) = range.unwrap_or((f64::NAN, f64::NAN));
        }
        any
    }

    /// Another config is in force, and `before` is the watch of the one before. An alarm that both have (`same`: its old
    /// place) goes on where it stands: whether it sounds, and the delay that runs. No channel has a value yet; up to
    /// `good_until`, when the old value of the old alarm's channel would have become stale, that breaks no delay.
    pub fn go_on_from(&mut self, before: &Self, same: &[Option<usize>], good_until: impl Fn(usize) -> Micros) {
        for (memory, old) in self.alarms.iter_mut().zip(same) {
            let Some(old) = old.and_then(|old| before.alarms.get(old)) else { continue };
            (memory.active, memory.asleep, memory.since) = (old.active, old.asleep, old.since);
            memory.bare = memory.since.is_some();
            memory.bridge = if memory.bare { good_until(old.channel) } else { Micros::MIN };
        }
        self.stepped = before.stepped;
    }

    /// All alarms end at `now`, and no delay runs: what was true says nothing any more about what comes.
    pub fn end_all(&mut self, now: Stamp, shown: &mut [AlarmShown], changed: &mut dyn FnMut(Change)) {
        for (alarm, (memory, shown)) in self.alarms.iter_mut().zip(shown).enumerate() {
            if memory.active {
                changed(Change { raised: Raised::Limit(alarm), active: false, value: None });
            }
            (memory.active, memory.asleep, memory.since) = (false, false, None);
            (shown.active, shown.since) = (false, now);
        }
    }

    /// Whether the limit of `alarm` is passed while its `when` is false.
    pub fn is_asleep(&self, alarm: usize) -> bool {
        self.alarms.get(alarm).is_some_and(|memory| memory.asleep)
    }

    /// When, at the earliest, an alarm begins or ends by time alone; on the timeline of exports.
    pub fn due(&self) -> Option<Micros> {
        self.alarms.iter().filter_map(Memory::due).filter(|due| *due > self.stepped).min()
    }
}

impl Memory {
    fn new(alarm: &Alarm) -> Self {
        let back = match alarm.limit {
            Limit::Below(limit) => limit + alarm.deadband,
            Limit::Above(limit) => limit - alarm.deadband,
        };
        Self {
            channel: alarm.channel.index(),
            limit: alarm.limit,
            back,
            after: alarm.after,
            until: alarm.until,
            when: alarm.when.as_ref().map(Condition::new),
            active: false,
            asleep: false,
            since: None,
            bridge: Micros::MIN,
            bare: false,
        }
    }

    /// Where there is nothing to do: on the right side of the limit while it neither sounds nor is about to.
    fn quiet(&self) -> Option<(f64, f64)> {
        let idle = !self.active
            && !self.asleep
            && self.since.is_none()
            && !self.when.as_ref().is_some_and(Condition::looks_back);
        idle.then_some(match self.limit {
            Limit::Below(limit) => (limit, f64::INFINITY),
            Limit::Above(limit) => (f64::NEG_INFINITY, limit),
        })
    }

    /// Whether there is nothing to do at `value`.
    fn rests_at(&self, value: Value) -> bool {
        self.quiet().is_some_and(|(low, high)| value.is_within(low, high))
    }

    /// True where it began or ended.
    fn step(&mut self, moment: &Moment<'_>) -> bool {
        let awake = match &mut self.when {
            // Windows must see every line, whether the alarm asks or not.
            Some(when) if when.looks_back() => Some(when.step(moment)),
            _ => None,
        };
        let value = moment.channels[self.channel].smooth;
        let Some(value) = value.good() else {
            return self.untrusted(value.trust(), moment);
        };
        if std::mem::take(&mut self.bare) && moment.at > self.bridge {
            self.since = None;
        }
        let passed = match self.limit {
            Limit::Below(limit) => value < limit,
            Limit::Above(limit) => value > limit,
        };
        if !passed && !self.active {
            (self.since, self.asleep) = (None, false);
            return false;
        }
        let awake = match (&mut self.when, awake) {
            (None, _) => Some(true),
            (Some(_), Some(known)) => known,
            (Some(when), None) => when.step(moment),
        };
        self.judge(value, awake, moment)
    }

    /// An untrusted value neither begins nor ends an alarm, and breaks every stretch of time.
    fn untrusted(&mut self, trust: Trust, moment: &Moment<'_>) -> bool {
        let bridged = self.bare && trust == Trust::Missing && moment.at <= self.bridge;
        if moment.line && !bridged {
            self.since = None;
        }
        false
    }

    fn judge(&mut self, value: f64, awake: Option<bool>, moment: &Moment<'_>) -> bool {
        if moment.touched[self.channel].ends_gap() {
            self.since = None;
        }
        // Where it is not known, what was known last holds.
        self.asleep = awake.map_or(self.asleep, |awake| !awake);
        match (self.active, awake) {
            (false, Some(true)) => self.hold(true, self.after, moment.at),
            // Not knowing whether it sleeps ends nothing by itself; a value that came back does.
            (true, Some(true) | None) => {
                let back = match self.limit {
                    Limit::Below(_) => value >= self.back,
                    Limit::Above(_) => value <= self.back,
                };
                self.hold(back, self.until, moment.at)
            }
            // What put it to sleep is known: the danger is over, whatever the value.
            (true, Some(false)) => self.turn(),
            (false, Some(false)) => {
                self.since = None;
                false
            }
            (false, None) => {
                // Time that merely passed leaves no trace, so that nothing depends on how often it was looked at. What it
                // asks for may take a reading more than the value to be known under a changed config.
                if moment.line && moment.at > self.bridge {
                    self.since = None;
                }
                false
            }
        }
    }

    /// Turns once `condition` has held for `delay`.
    fn hold(&mut self, condition: bool, delay: Micros, at: Micros) -> bool {
        if !condition {
            self.since = None;
            return false;
        }
        at - *self.since.get_or_insert(at) >= delay && self.turn()
    }

    fn turn(&mut self) -> bool {
        (self.active, self.since) = (!self.active, None);
        true
    }

    fn due(&self) -> Option<Micros> {
        let delay = if self.active { self.until } else { self.after };
        self.since.map(|since| since.saturating_add(delay))
    }
}
