//! What is known of one output pin from outside its rule: what it was told, what it reports, and what locks it.
//!
//! Owns the lease as the controller has it, the rule of a pin that does not follow, and the rule of two restarts. In:
//! lines sent, readings, restarts, times. Pure.

use super::lag::LATE;
use crate::config::{self, Level, LinkId};
use crate::state::{FaultShown, Problem};
use crate::time::{MILLISECOND, Micros, SECOND, Stamp};
use crate::watch::{Change, Raised};
use crate::wire::{self, FieldId, Hello, PinKind, Raw, Reading};

/// A pin that reports something else than it was set to for so long does not follow.
const FOLLOWS_WITHIN: Micros = SECOND;
/// A value that is followed changes all the time: what was replaced less than this ago may still be what is reported.
const ON_ITS_WAY: Micros = 500 * MILLISECOND;
/// A restart of the controller so soon after switching on is put down to that.
const BLAMED_WITHIN: Micros = 30 * SECOND;
/// So many such restarts lock the output.
const RESTARTS: u64 = 2;
/// What an order takes at most from the port to the controller, and a reading back.
const ON_THE_WIRE: Micros = 100 * MILLISECOND;
/// How many values that were replaced are remembered. Changes are sent at most ten times a second.
const REPLACED: usize = 8;

/// One output pin.
#[derive(Clone, Debug)]
#[expect(clippy::struct_excessive_bools, reason = "facts that have nothing to do with each other")]
pub(super) struct Pin {
    pub link: LinkId,
    pub name: wire::Pin,
    field: FieldId,
    pub armed: bool,
    /// The controller has it, as far as is known.
    pub exists: bool,
    /// What it reports.
    pub there: Option<u32>,
    /// What keeps it off until a person acts.
    pub lock: Option<Problem>,
    /// What it was told last, and until when that holds.
    lease: Option<(u32, Stamp)>,
    /// What it was told before, and when that was replaced; a ring.
    replaced: [(u32, Stamp); REPLACED],
    next: usize,
    /// Since when it reports something else.
    apart: Option<Stamp>,
    /// It reported that it is on, since it was last switched on.
    seen_on: bool,
    /// Since when it reports rest by itself, although it is to be on and its lease ran then; and what it was set to.
    fell: Option<(Stamp, u32)>,
    /// When it was last told anything but rest.
    told_on: Stamp,
    /// When it was last switched on.
    switched_on: Option<Stamp>,
    /// A restart came soon after that.
    blamed: bool,
    /// Such restarts without a switching on that went well between.
    restarts: u64,
    /// Restarts of the controller since the beginning.
    total: Option<u64>,
}

impl Pin {
    pub fn new(output: &config::Output) -> Self {
        Self {
            link: output.link,
            name: output.pin,
            field: output.field,
            armed: output.armed,
            exists: true,
            there: None,
            lock: None,
            lease: None,
            replaced: [(0, Stamp(Micros::MIN)); REPLACED],
            next: 0,
            apart: None,
            seen_on: false,
            fell: None,
            told_on: Stamp(Micros::MIN),
            switched_on: None,
            blamed: false,
            restarts: 0,
            total: None,
        }
    }

    pub fn is_at(&self, link: Option<LinkId>, name: wire::Pin) -> bool {
        Some(self.link) == link && self.name == name
    }

    /// Goes on as the pin of the config before, which is at the same place.
    pub fn go_on_from(&mut self, before: &Self) {
        let Self { link, name, field, armed, .. } = *self;
        // At a change of the config everything is off, and that is an order.
        *self = Self { link, name, field, armed, fell: None, ..before.clone() };
    }

    /// Takes the report of a reading; gives it.
    pub fn hear(&mut self, reading: &Reading, now: Stamp) -> Option<u32> {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a float cast saturates")]
        let is = match reading.get(self.field) {
            Raw::Number(number) => Some(number.round() as u32),
            // It does not do what it was set to, and no number says what it does: a wave's pin that is high at rest.
            Raw::Null => None,
            Raw::Absent | Raw::Edges(_) => return None,
        };
        self.there = is;
        self.pass(now);
        if self.armed {
            self.compare(is, now);
            self.falls(is, now);
        }
        is
    }

    /// A switch that is on and then reports rest does not follow, whatever its lease does meanwhile: nobody renews that.
    fn falls(&mut self, is: Option<u32>, now: Stamp) {
        if self.name.kind != PinKind::Level {
            return;
        }
        match (is, self.told()) {
            (Some(0), Some(set)) if set > 0 && self.seen_on => _ = self.fell.get_or_insert((now, set)),
            (Some(0) | None, _) => {}
            (Some(_), told) => {
                self.seen_on |= told.is_some_and(|set| set > 0);
                self.fell = None;
            }
        }
    }

    /// It is reported to rest by itself, and not for long enough yet to say that it does not follow.
    pub const fn faltered(&self) -> bool {
        self.fell.is_some()
    }

    /// Its rule comes to rest, so that a report of rest is what was ordered.
    pub const fn rests(&mut self) {
        self.fell = None;
    }

    /// Nothing that it was told keeps it on any more, and that it is off is no fault of its own.
    pub fn is_over(&self) -> bool {
        self.armed && self.fell.is_none() && self.told().is_none_or(|value| value == 0)
    }

    fn compare(&mut self, is: Option<u32>, now: Stamp) {
        let set = self.lease.map_or(0, |(value, _)| value);
        let follows = self.name.kind != PinKind::Level;
        let is_like = |value| is.is_some_and(|is| self.is_like(value, is));
        let recent = |(value, when): &(u32, Stamp)| follows && now.since(*when) < ON_ITS_WAY && is_like(*value);
        if is_like(set) || self.replaced.iter().any(recent) {
            self.apart = None;
        } else if now.since(*self.apart.get_or_insert(now)) >= FOLLOWS_WITHIN {
            let known = Problem::DoesNotFollow { set, is };
            // A lock that is there already stays what it is, unless it is worse now: on although it is set to rest.
            if self.lock.is_none() || level(known) == Level::Danger {
                self.lock = Some(known);
            }
        }
    }

    /// Whether a pin that was set to `set` may report `is`: timers only have whole steps.
    fn is_like(&self, set: u32, is: u32) -> bool {
        let apart = set.abs_diff(is);
        match self.name.kind {
            PinKind::Frequency => apart <= set / 50 && (set == 0) == (is == 0),
            PinKind::Duty => apart <= 10,
            _ => apart == 0,
        }
    }

    /// The controller said what it is.
    pub fn hello(&mut self, hello: Option<&Hello>) {
        let has = |hello: &Hello| match self.name.kind {
            PinKind::Frequency => hello.freq.contains(&self.name.number),
            PinKind::Duty => hello.duty.contains(&self.name.number),
            _ => hello.output.contains(&self.name.number),
        };
        self.exists = hello.is_none_or(has);
    }

    /// The controller has restarted `total` times in all. True where it did so just now.
    pub fn restarted(&mut self, total: u64, now: Stamp) -> bool {
        let new = total.saturating_sub(*self.total.get_or_insert(total));
        self.total = Some(total);
        if new == 0 {
            return false;
        }
        self.replace(now, None);
        (self.apart, self.fell) = (None, None);
        if self.armed && self.switched_on.is_some_and(|at| now.since(at) <= BLAMED_WITHIN) {
            self.blamed = true;
            self.restarts += new;
            if self.restarts >= RESTARTS {
                self.lock.get_or_insert(Problem::Resets);
            }
        }
        true
    }

    /// It was told `value` for `lease`.
    pub fn sent(&mut self, value: u32, now: Stamp, lease: Micros) {
        self.pass(now);
        if value > 0 && self.lease.is_none_or(|(before, _)| before == 0) {
            if !self.blamed {
                self.restarts = 0;
            }
            (self.switched_on, self.blamed) = (Some(now), false);
            self.seen_on &= self.fell.is_some();
        }
        if value > 0 {
            self.told_on = now;
        }
        self.replace(now, Some((value, now.after(lease))));
    }

    /// Whether a reading that comes at `now`, and is not late, was sampled after the pin was last told to be on.
    pub fn knows_its_order(&self, now: Stamp) -> bool {
        now.since(self.told_on) > LATE + ON_THE_WIRE
    }

    /// Time passed: what it was told may hold no longer.
    pub fn pass(&mut self, now: Stamp) {
        if let Some((_, until)) = self.lease
            && now >= until
        {
            self.replace(until, None);
        }
        if let Some((since, set)) = self.fell
            && now.since(since) >= FOLLOWS_WITHIN
        {
            self.lock.get_or_insert(Problem::DoesNotFollow { set, is: Some(0) });
            self.fell = None;
        }
    }

    fn replace(&mut self, now: Stamp, lease: Option<(u32, Stamp)>) {
        let value = |lease: Option<(u32, Stamp)>| lease.map_or(0, |(value, _)| value);
        let (old, new) = (value(self.lease), value(lease));
        if old != new {
            self.replaced[self.next] = (old, now);
            self.next = (self.next + 1) % REPLACED;
            if old == 0 || new == 0 {
                self.apart = None;
            }
        }
        self.lease = lease;
    }

    /// What it was told, while that holds.
    pub fn told(&self) -> Option<u32> {
        self.lease.map(|(value, _)| value)
    }

    /// The last instant at which what it was told may keep it on; long ago where it is told to rest.
    pub fn may_be_on_until(&self) -> Stamp {
        self.lease.filter(|(value, _)| *value > 0).map_or(Stamp(Micros::MIN), |(_, until)| until)
    }

    /// When what it was told holds no longer, or a pin that fell does not follow.
    pub fn due(&self) -> Option<Stamp> {
        let fell = self.fell.map(|(since, _)| since.after(FOLLOWS_WITHIN));
        self.lease.map(|(_, until)| until).into_iter().chain(fell).min()
    }

    /// A person acts. True where it was locked.
    pub fn free(&mut self) -> bool {
        let locked = self.lock.take().is_some();
        if locked {
            (self.restarts, self.apart, self.fell) = (0, None, None);
        }
        locked
    }

    /// Its alarm follows its lock.
    pub fn raise(
        &self,
        now: Stamp,
        fault: &mut FaultShown,
        raised: impl Fn() -> Raised,
        changed: &mut dyn FnMut(Change),
    ) -> bool {
        let is = self.lock.filter(|_| self.armed);
        if fault.active == is.is_some() && is.is_none_or(|problem| problem == fault.problem) {
            return false;
        }
        let (began, worse) = (!fault.active, is.is_some_and(|problem| level(problem) != fault.level));
        if let Some(problem) = is {
            (fault.problem, fault.level) = (problem, level(problem));
        }
        if began || worse || is.is_none() {
            (fault.active, fault.since) = (is.is_some(), now);
            changed(Change { raised: raised(), active: fault.active, value: None });
        }
        true
    }
}

/// How bad a problem is: what is on although it was set to rest is worst.
fn level(problem: Problem) -> Level {
    match problem {
        Problem::DoesNotFollow { set: 0, .. } => Level::Danger,
        _ => Level::Caution,
    }
}
