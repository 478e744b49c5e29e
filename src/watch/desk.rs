//! What becomes of each alarm between the person who has to know of it and the limit that raises it.
//!
//! Owns the memory behind the states of ANSI/ISA-18.2: which limits are passed, which alarm came first, when what was put
//! aside comes back. In: what is wrong now ([`Wrong`]), what the person did ([`Attend`]), the time. Out: [`Calls`]. It is
//! stepped only where something changed or stands, so that a line of an engine that is well costs nothing here. Pure.

use super::machine::{Event, next};
use crate::config::{Level, Limit, Model};
use crate::state::{AlarmShown, AlarmState, Call, Calls, Entry, FaultShown, JOURNAL, Problem, Raised, Shown};
use crate::time::{Micros, SECOND, Stamp};

/// Of several alarms that come within this of the first, the first is marked.
pub const FIRST_OUT: Micros = 5 * SECOND;
/// The longest that a danger may be put aside.
pub const DANGER_SHELF: Micros = 600 * SECOND;
/// The longest that anything else may be.
pub const SHELF: Micros = 3600 * SECOND;

/// What a person does about alarms; where none is named, about all that are known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Attend {
    /// It was seen.
    Acknowledge(Option<Raised>),
    /// What is latched need not stay any more.
    Reset(Option<Raised>),
    /// It is to be silent for so long, at most [`DANGER_SHELF`] or [`SHELF`].
    Shelve(Raised, Micros),
    /// It is not to be silent any more.
    Unshelve(Option<Raised>),
}

/// What is wrong now.
#[derive(Clone, Copy)]
pub struct Wrong<'a> {
    /// The limits.
    pub alarms: &'a [AlarmShown],
    /// What has no limit.
    pub faults: &'a [FaultShown],
    /// The channels, for their values.
    pub channels: &'a [Shown],
    /// Which limits are passed while their condition is false.
    pub asleep: &'a dyn Fn(usize) -> bool,
}

impl std::fmt::Debug for Wrong<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Wrong").field("alarms", &self.alarms).field("faults", &self.faults).finish_non_exhaustive()
    }
}

/// The memory behind all [`Calls`] of a model.
#[derive(Clone, Debug)]
pub struct Desk {
    memory: Vec<Memory>,
    /// When the first of the newest alarms came, and its number.
    group: Option<(Stamp, u32)>,
    /// From then on it is to be stepped; the least time while any alarm stands.
    busy: Stamp,
}

#[derive(Clone, Copy, Debug)]
struct Memory {
    /// The limit is passed, or the fault is there, as far as it was told.
    active: bool,
    /// How bad it was when it was told.
    level: Level,
    latching: bool,
    /// Channel and limit; `None` for a fault.
    limit: Option<(usize, Limit)>,
}

/// One alarm as it is now, before anybody did anything about it.
struct Now {
    active: bool,
    asleep: bool,
    level: Level,
    problem: Option<Problem>,
    value: f64,
}

const NEVER: Stamp = Stamp(Micros::MAX);

impl Desk {
    /// Nothing came yet. `faults`: how many places a snapshot of `model` has for them.
    pub fn new(model: &Model, faults: usize) -> Self {
        let limit = |alarm: &crate::config::Alarm| Memory {
            active: false,
            level: alarm.level,
            latching: alarm.latch,
            limit: Some((alarm.channel.index(), alarm.limit)),
        };
        let fault = Memory { active: false, level: Level::Notice, latching: false, limit: None };
        let memory = model.alarms.iter().map(limit).chain(std::iter::repeat_n(fault, faults)).collect();
        Self { memory, group: None, busy: NEVER }
    }

    /// Whether [`Desk::pass`] has something to do.
    pub fn is_busy(&self, now: Stamp) -> bool {
        self.busy <= now
    }

    /// When something that was put aside comes back by itself.
    pub fn due(&self, calls: &Calls) -> Option<Stamp> {
        // Most of the time there is nothing, and this is asked for every line.
        (self.busy < NEVER).then(|| calls.list.iter().filter_map(|call| call.until).min()).flatten()
    }

    /// Time passed, and what is wrong is what it was: what was put aside comes back, and the values of what stands are
    /// kept. True where anything changed. Allocates nothing.
    #[inline(never)]
    pub fn pass(&mut self, now: Stamp, channels: &[Shown], calls: &mut Calls) -> bool {
        let before = calls.digest;
        self.end_of_shelves(now, calls);
        for place in 0..self.memory.len().min(calls.list.len()) {
            if let Memory { active: true, limit: Some((channel, _)), .. } = self.memory[place]
                && let Some(value) = channels.get(channel).and_then(|shown| shown.smooth.good())
            {
                self.follow(place, value, calls);
            }
        }
        before != calls.digest
    }

    /// Takes over what is wrong at `now`. True where anything changed. Allocates nothing.
    #[inline(never)]
    pub fn step(&mut self, now: Stamp, wrong: &Wrong<'_>, calls: &mut Calls) -> bool {
        let before = calls.digest;
        self.end_of_shelves(now, calls);
        // Of several in the same reading the worst is the first.
        for level in [Level::Danger, Level::Caution, Level::Notice] {
            for place in 0..self.memory.len().min(calls.list.len()) {
                let Some(is) = self.look(place, wrong, calls).filter(|is| is.level == level) else { continue };
                self.one(place, now, &is, calls);
            }
        }
        self.rest(calls);
        before != calls.digest
    }

    /// A person does `act` at `now`, having seen everything up to the alarm of number `known`: what came later stays as it
    /// is. True where anything changed.
    #[inline(never)]
    pub fn attend(&mut self, now: Stamp, act: Attend, known: u32, calls: &mut Calls) -> bool {
        let before = calls.digest;
        let named = match act {
            Attend::Acknowledge(named) | Attend::Reset(named) | Attend::Unshelve(named) => named,
            Attend::Shelve(named, _) => Some(named),
        };
        for place in 0..self.memory.len().min(calls.list.len()) {
            if named.is_some_and(|raised| raised != calls.raised(place)) || calls.list[place].number > known {
                continue;
            }
            let in_alarm = self.memory[place].active;
            match act {
                Attend::Acknowledge(_) => self.turn(place, now, Event::Acknowledge, calls),
                Attend::Reset(_) => self.turn(place, now, Event::Reset, calls),
                Attend::Unshelve(_) => self.turn(place, now, Event::Unshelve { in_alarm }, calls),
                Attend::Shelve(_, span) => self.shelve(place, now, span, calls),
            }
        }
        self.rest(calls);
        before != calls.digest
    }

    /// Another config is in force, and `before` is the desk of the one before, whose calls are `old`. An alarm that both
    /// have (`same`: its old place in the list) goes on where it stands, under a new number: what a person did about the
    /// old one cannot hit another.
    pub fn go_on_from(&mut self, before: &Self, same: &[Option<usize>], old: &Calls, calls: &mut Calls) {
        (calls.newest, calls.rings, calls.digest) = (old.newest, old.rings, old.digest);
        for entry in &old.journal {
            let place = same.iter().position(|same| *same == Some(old.place(entry.raised)));
            let Some(place) = place else { continue };
            calls.journal.push(Entry { raised: calls.raised(place), ..*entry });
        }
        for (place, was) in same.iter().enumerate() {
            let Some((was, memory)) = was.and_then(|was| Some((old.list.get(was)?, before.memory.get(was)?))) else {
                continue;
            };
            (self.memory[place].active, self.memory[place].level) = (memory.active, memory.level);
            calls.list[place] = *was;
            if was.number > 0 {
                calls.newest += 1;
                calls.list[place].number = calls.newest;
                let number = calls.newest;
                entry(calls, was.number, |entry| entry.number = number);
            }
        }
        self.group = None;
        mix(calls, u64::from(calls.newest));
        self.rest(calls);
    }

    fn look(&self, place: usize, wrong: &Wrong<'_>, calls: &Calls) -> Option<Now> {
        match calls.raised(place) {
            Raised::Limit(at) => {
                let shown = wrong.alarms.get(at)?;
                let value =
                    self.memory[place].limit.and_then(|(channel, _)| wrong.channels.get(channel)?.smooth.good());
                let asleep = (wrong.asleep)(at);
                let value = value.unwrap_or(f64::NAN);
                Some(Now { active: shown.active, asleep, level: shown.level, problem: None, value })
            }
            Raised::Fault(at) => {
                let shown = wrong.faults.get(at)?;
                let problem = Some(shown.problem);
                Some(Now { active: shown.active, asleep: false, level: shown.level, problem, value: f64::NAN })
            }
        }
    }

    fn one(&mut self, place: usize, now: Stamp, is: &Now, calls: &mut Calls) {
        let memory = &mut self.memory[place];
        let was = std::mem::replace(&mut memory.active, is.active);
        match (was, is.active) {
            (false, true) => self.begin(place, now, is, calls),
            (true, false) => {
                self.turn(place, now, Event::Clear, calls);
                let number = calls.list[place].number;
                entry(calls, number, |entry| entry.ended = Some(now));
                mix(calls, now.0.cast_unsigned());
            }
            (true, true) if is.level > memory.level => {
                memory.level = is.level;
                self.turn(place, now, Event::Worse, calls);
                let number = calls.list[place].number;
                entry(calls, number, |entry| (entry.level, entry.problem) = (is.level, is.problem));
            }
            _ => {}
        }
        if is.active {
            self.follow(place, is.value, calls);
        }
        let state = calls.list[place].state;
        if is.asleep && state == AlarmState::Normal {
            self.turn(place, now, Event::Suppress, calls);
        } else if !is.asleep && state == AlarmState::Suppressed {
            self.turn(place, now, Event::Unsuppress { in_alarm: is.active }, calls);
        }
    }

    /// It came.
    fn begin(&mut self, place: usize, now: Stamp, is: &Now, calls: &mut Calls) {
        self.memory[place].level = is.level;
        calls.newest += 1;
        let (raised, number) = (calls.raised(place), calls.newest);
        let call = &mut calls.list[place];
        *call = Call { number, began: now, last: is.value, worst: is.value, ..*call };
        if calls.journal.len() >= JOURNAL {
            calls.journal.remove(0);
        }
        let Now { level, problem, value: worst, .. } = *is;
        calls.journal.push(Entry {
            raised,
            number,
            level,
            problem,
            began: now,
            ended: None,
            seen: None,
            worst,
            first: false,
        });
        // What slept wakes and comes at once where its delay is 0.
        self.turn(place, now, Event::Unsuppress { in_alarm: true }, calls);
        self.turn(place, now, Event::Alarm, calls);
        mix(calls, u64::from(number));
        if calls.list[place].state == AlarmState::Unacknowledged {
            self.first_out(now, number, calls);
        }
    }

    fn first_out(&mut self, now: Stamp, number: u32, calls: &mut Calls) {
        match self.group {
            Some((first, of)) if now.since(first) <= FIRST_OUT => entry(calls, of, |entry| entry.first = true),
            _ => self.group = Some((now, number)),
        }
    }

    /// Keeps the newest and the worst value.
    fn follow(&self, place: usize, value: f64, calls: &mut Calls) {
        let call = &mut calls.list[place];
        if value.is_nan() || value.to_bits() == call.last.to_bits() {
            return;
        }
        call.last = value;
        let worse = match self.memory[place].limit {
            _ if call.worst.is_nan() => true,
            Some((_, Limit::Below(_))) => value < call.worst,
            _ => value > call.worst,
        };
        if worse {
            call.worst = value;
            let number = call.number;
            entry(calls, number, |entry| entry.worst = value);
        }
        mix(calls, value.to_bits());
    }

    fn shelve(&mut self, place: usize, now: Stamp, span: Micros, calls: &mut Calls) {
        let most = if self.memory[place].level == Level::Danger { DANGER_SHELF } else { SHELF };
        // Put aside once more, it would never come back.
        if calls.list[place].state != AlarmState::Shelved {
            self.turn(place, now, Event::Shelve, calls);
            if calls.list[place].state == AlarmState::Shelved {
                calls.list[place].until = Some(now.after(span.clamp(0, most)));
            }
        }
    }

    fn end_of_shelves(&mut self, now: Stamp, calls: &mut Calls) {
        let mut any = false;
        for place in 0..self.memory.len().min(calls.list.len()) {
            if calls.list[place].until.is_some_and(|until| until <= now) {
                let in_alarm = self.memory[place].active;
                self.turn(place, now, Event::Unshelve { in_alarm }, calls);
                any = true;
            }
        }
        if any {
            self.rest(calls);
        }
    }

    /// Does what the standard says of `event`. Rare, and called from many places.
    #[inline(never)]
    fn turn(&self, place: usize, now: Stamp, event: Event, calls: &mut Calls) {
        let call = &mut calls.list[place];
        let (before, number) = (call.state, call.number);
        let after = next(before, event, self.memory[place].latching);
        if after == before {
            return;
        }
        call.state = after;
        if after != AlarmState::Shelved {
            call.until = None;
        }
        if after == AlarmState::Unacknowledged {
            calls.rings += 1;
        }
        if event == Event::Acknowledge {
            entry(calls, number, |entry| entry.seen = Some(now));
        }
        mix(calls, (now.0.cast_unsigned() << 4) ^ ((place as u64) << 56) ^ after as u64);
    }

    /// Works out when there is something to do next.
    fn rest(&mut self, calls: &Calls) {
        let stands = self.memory.iter().any(|memory| memory.active);
        let shelf = calls.list.iter().filter_map(|call| call.until).min();
        self.busy = if stands { Stamp(Micros::MIN) } else { shelf.unwrap_or(NEVER) };
    }
}

/// Changes the entry of that number, if it is still in the journal.
fn entry(calls: &mut Calls, number: u32, change: impl FnOnce(&mut Entry)) {
    if let Some(entry) = calls.journal.iter_mut().rev().find(|entry| entry.number == number) {
        change(entry);
    }
}

/// Something happened to `calls`: what they follow from is another.
const fn mix(calls: &mut Calls, what: u64) {
    // A step of splitmix64: every bit of both reaches every bit of the result.
    let mut z = (calls.digest ^ what).wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    calls.digest = z ^ (z >> 31);
}
