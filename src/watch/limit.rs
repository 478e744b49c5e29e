//! One limit of a channel: since when it is passed or left, and whether its alarm sounds.
//!
//! Owns that memory. Pure: times are arguments.

use crate::channel::{Condition, Moment, Trust, Value};
use crate::config::{Alarm, Limit};
use crate::time::Micros;

/// What is remembered of one limit.
#[derive(Clone, Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each is a fact of its own that may hold with any other")]
pub(super) struct Memory {
    /// The channel.
    pub channel: usize,
    limit: Limit,
    /// The value that it must come back to.
    back: f64,
    after: Micros,
    until: Micros,
    when: Option<Condition>,
    /// It sounds.
    pub active: bool,
    /// The limit is passed and `when` is false.
    pub asleep: bool,
    /// Since when the limit is passed (quiet) or left (active) without a break, on the timeline of exports.
    pub since: Option<Micros>,
    /// Up to when the last value under the config before would have counted; see [`super::Watch::go_on_from`].
    pub bridge: Micros,
    /// What it looks at came late: it neither begins nor ends until a reading comes in time. Delays run on.
    pub late: bool,
    /// No value came yet since the config changed while a delay ran.
    pub bare: bool,
}

impl Memory {
    /// Quiet.
    pub fn new(alarm: &Alarm) -> Self {
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
            late: false,
            bare: false,
        }
    }

    /// Where there is nothing to do: on the right side of the limit while it neither sounds nor is about to, and, where no
    /// `when` could put it to sleep, short of where it must come back to while it sounds.
    pub fn quiet(&self) -> Option<(f64, f64)> {
        let rests = match &self.when {
            None => true,
            Some(when) => !self.active && !self.asleep && !when.looks_back(),
        };
        (rests && self.since.is_none()).then_some(match (self.limit, self.active) {
            (Limit::Below(limit), false) => (limit, f64::INFINITY),
            (Limit::Above(limit), false) => (f64::NEG_INFINITY, limit),
            (Limit::Below(_), true) => (f64::NEG_INFINITY, self.back.next_down()),
            (Limit::Above(_), true) => (self.back.next_up(), f64::INFINITY),
        })
    }

    /// Whether there is nothing to do at `value`.
    pub fn rests_at(&self, value: Value) -> bool {
        self.quiet().is_some_and(|(low, high)| value.is_within(low, high))
    }

    /// True where it began or ended.
    pub fn step(&mut self, moment: &Moment<'_>) -> bool {
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
        if self.late {
            return false;
        }
        (self.active, self.since) = (!self.active, None);
        true
    }

    /// When time alone turns it.
    pub fn due(&self) -> Option<Micros> {
        let delay = if self.active { self.until } else { self.after };
        self.since.filter(|_| !self.late).map(|since| since.saturating_add(delay))
    }
}
