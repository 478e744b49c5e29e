//! All channels that one link feeds.
//!
//! Owns the link's supply, and when the next of its channels may become stale. Pure: times are arguments.

use super::agreement::{self, Agreement};
use super::finish::{Finish, When};
use super::fresh::Intervals;
use super::ground::{Ground, Shifted, TOGETHER};
use super::input::{Facts, Input};
use super::sense::Sense;
use super::{Standing, Totals, Touch, Trust, Value};
use crate::circuit::pin_volts;
use crate::config::{Field, LinkId, Model, Source};
use crate::state::Shown;
use crate::time::{MILLISECOND, Micros, Stamp};
use crate::wire::{FieldId, Raw, Reading};

/// No reading of this age is too old by any rule of a link.
const MOMENT: Micros = 500 * MILLISECOND;

/// The lists by channel that a line is taken into.
#[derive(Debug)]
pub(super) struct Board<'a> {
    /// What is shown.
    pub channels: &'a mut [Shown],
    /// What happened to each.
    pub touched: &'a mut [Touch],
    /// What an input hands on: emf in mV of thermocouples, values whose movement is judged.
    pub emf: &'a mut [Value],
}

/// One link's channels.
#[derive(Clone, Debug)]
pub(super) struct Feed {
    /// First those that are plain counts.
    inputs: Vec<Input>,
    /// How many those are.
    plain: usize,
    /// The highest count that the inputs know of.
    adc_max: f64,
    totals: Vec<Total>,
    reference: f64,
    limits: Option<(f64, f64)>,
    supply: Option<f64>,
    supply_bad: bool,
    /// The last intervals between its readings.
    pace: Intervals,
    /// When the newest reading was sampled, and when it came.
    newest: Option<(Micros, Stamp)>,
    /// Up to here no channel can become stale.
    guard: Micros,
    /// The shortest age that any of its channels may call too old.
    least: Micros,
    any_stale: bool,
    /// Every input's field comes with each reading.
    regular: bool,
    ground: Ground,
    /// Of the supply, where no checksum vouches for it.
    agreement: Agreement,
}

/// A channel that is a running total of the link.
#[derive(Clone, Debug)]
struct Total {
    channel: usize,
    field: Field,
    sense: Sense,
    finish: Finish,
}

impl Feed {
    /// The channels of `link`.
    pub fn new(model: &Model, link: LinkId) -> Self {
        let of_link = || {
            model.channels.iter().enumerate().filter_map(move |(place, channel)| match &channel.source {
                Source::Input(input) if input.link == link => Some((place, channel, input)),
                _ => None,
            })
        };
        let mut inputs: Vec<_> =
            of_link().filter_map(|(place, channel, input)| Input::new(place, channel, input)).collect();
        crate::order::by_key(&mut inputs, |input| !input.is_plain_counts());
        for place in 1..inputs.len() {
            let (before, rest) = inputs.split_at_mut(place);
            if let Some(input) = rest.first_mut() {
                input.lead.first = !before.iter().any(|other| other.is_beside(input));
            }
        }
        let totals = of_link()
            .filter(|(_, _, input)| matches!(input.field, Field::LinkLost | Field::LinkBad | Field::LinkResets))
            .map(|(channel, config, input)| Total {
                channel,
                field: input.field,
                sense: Sense::new(input),
                finish: Finish::new(config),
            })
            .collect();
        Self {
            totals,
            reference: model.links.get(link.index()).map_or(f64::NAN, |link| link.reference),
            limits: model.trust.supply,
            supply: None,
            supply_bad: false,
            pace: Intervals::default(),
            newest: None,
            guard: Micros::MAX,
            least: inputs.iter().map(|input| input.freshness.least()).min().unwrap_or(Micros::MAX),
            any_stale: false,
            regular: false,
            ground: Ground::new(model.trust.ground_shift),
            agreement: Agreement::default(),
            adc_max: f64::NAN,
            plain: inputs.iter().filter(|input| input.is_plain_counts()).count(),
            inputs,
        }
    }

    /// The converter's supply in volts, where it is known.
    pub fn supply(&self) -> Option<f64> {
        self.supply
    }

    /// Takes one reading that came at `now` from a converter whose highest count is `adc_max`.
    pub fn take(&mut self, reading: &Reading, adc_max: f64, now: Stamp, board: &mut Board<'_>) {
        let when = When { at: reading.at, now, line: true };
        let mut judge = self.any_stale || reading.at > self.guard;
        if reading.restarted {
            self.restarted(board);
            judge = true;
        }
        if self.adc_max.to_bits() != adc_max.to_bits() {
            self.forget(adc_max);
        }
        judge |= self.read_supply(reading, adc_max);
        let step = self.supply.map_or(f64::NAN, |supply| pin_volts(1.0, adc_max, supply));
        let facts = Facts { supply: self.supply, step, supply_bad: self.supply_bad };
        // Where every field came just now, nothing becomes stale sooner than the least age from now on.
        let until = reading.at.saturating_add(self.least);
        let age = self.pace.age(reading.at);
        if self.ground.learns() && age <= TOGETHER && !reading.restarted {
            self.ground.learn(&mut self.inputs, reading, board.channels);
        }
        let usual = self.regular && reading.signed && !reading.restarted;
        if usual && age <= self.least && !self.ground.is_busy() {
            self.take_next(reading, &facts, &when, board);
            self.guard = if self.regular { until } else { self.guard.min(until) };
        } else {
            self.look_for_shift(reading, &facts, board);
            self.take_any(reading, &facts, when, board);
            self.guard = self.guard.min(until);
        }
        self.pace.hear(reading.at);
        self.newest = Some((reading.at, now));
        if judge {
            self.judge(when, board);
        }
    }

    /// Every input's way for any reading.
    #[inline(never)]
    fn take_any(&mut self, reading: &Reading, facts: &Facts, when: When, board: &mut Board<'_>) {
        self.regular = true;
        for input in &mut self.inputs {
            let place = input.channel;
            let (shown, emf) = (&mut board.channels[place], &mut board.emf[place]);
            board.touched[place] |= input.take(reading, facts, &self.pace, when, shown, emf);
            self.regular &= input.freshness.is_with_each();
        }
    }

    /// The same, shorter, for one of a steady stream.
    #[inline]
    fn take_next(&mut self, reading: &Reading, facts: &Facts, when: &When, board: &mut Board<'_>) {
        let (plain, others) = self.inputs.split_at_mut(self.plain);
        let took_plain = match facts.supply {
            Some(supply) if !facts.supply_bad => {
                take_plain(plain, reading.fields(), (supply, facts.step), when.now, board.channels, board.touched)
            }
            _ => false,
        };
        let took_others = take_others(others, reading, facts, when, board);
        if !(took_plain && took_others) {
            self.take_odd(reading, facts, when, board);
        }
    }

    /// Takes what the short way could not, and notes which fields this reading does not have.
    #[cold]
    fn take_odd(&mut self, reading: &Reading, facts: &Facts, when: &When, board: &mut Board<'_>) {
        self.look_for_shift(reading, facts, board);
        for input in &mut self.inputs {
            let place = input.channel;
            if board.touched[place].is_read() {
                continue;
            }
            if input.take_next(reading, facts, when, &mut board.channels[place], board.emf, false) {
                board.touched[place] |= Touch::READ | Touch::CHANGED;
            } else {
                input.freshness.miss(&self.pace);
                self.regular = false;
            }
        }
    }

    /// Whether several inputs step together; before any of them that moved far is taken.
    fn look_for_shift(&mut self, reading: &Reading, facts: &Facts, board: &Board<'_>) {
        let steady = !reading.restarted && self.pace.age(reading.at) <= TOGETHER;
        self.ground.look(&mut self.inputs, reading, facts, board.channels, steady);
    }

    /// How the link and its controller stand at `now`.
    pub fn standing(&self, now: Stamp) -> Standing {
        let too_old =
            |(at, arrival): (Micros, Stamp)| self.pace.is_too_old(at.saturating_add(now.since(arrival).max(0)));
        Standing {
            silent: self.newest.map(too_old),
            supply: self.supply,
            supply_bad: self.supply_bad,
            shifted: self.ground.shifted(),
        }
    }

    /// Whether nothing can be wrong with it at `now`, at a glance.
    #[inline]
    pub fn is_calm(&self, now: Stamp) -> bool {
        self.newest.is_some_and(|(_, arrival)| now.since(arrival) < MOMENT)
            && self.supply.is_some()
            && !self.supply_bad
            && !self.ground.is_busy()
    }

    /// What stepped together and is not back yet.
    pub fn shifted(&self) -> Option<Shifted> {
        self.ground.shifted()
    }

    /// What stepped together is taken for true from the next reading on.
    pub fn accept_shift(&mut self) {
        self.ground.accept(&mut self.inputs);
    }

    /// The link's totals are `totals` now.
    pub fn count(&mut self, totals: Totals, when: When, board: &mut Board<'_>) {
        for total in &mut self.totals {
            let number = match total.field {
                Field::LinkLost => totals.lost,
                Field::LinkBad => totals.bad,
                _ => totals.restarts,
            };
            let value = total.sense.at(number as f64).map_or(Value::bad(Trust::Beyond), Value::ok);
            let shown = &mut board.channels[total.channel];
            shown.heard = Some(when.now);
            shown.evidence.raw = number as f64;
            let touch = Touch::READ | Touch::CHANGED;
            total.finish.show(shown, value, touch, when);
            board.touched[total.channel] |= touch;
        }
    }

    /// Judges what is held by the computer's clock carried on from the last line. True where anything changed.
    pub fn carry_on(&mut self, now: Stamp, line: bool, board: &mut Board<'_>) -> bool {
        let Some((at, arrival)) = self.newest else { return false };
        let at = at.saturating_add(now.since(arrival).max(0));
        at > self.guard && self.judge(When { at, now, line }, board)
    }

    /// How long after the newest reading `channel` still counts, and when that reading came; `None`: it never is stale.
    pub fn left(&self, channel: usize) -> Option<(Micros, Stamp)> {
        let (at, arrival) = self.newest?;
        let input = self.inputs.iter().find(|input| input.channel == channel && input.can_become_stale())?;
        Some((input.freshness.counts_until(&self.pace)?.saturating_sub(at), arrival))
    }

    /// When, at the earliest, a channel becomes stale if no line comes.
    pub fn due(&self) -> Option<Stamp> {
        let (at, arrival) = self.newest?;
        (self.guard < Micros::MAX).then(|| arrival.after(self.guard.saturating_sub(at).saturating_add(1)))
    }

    /// Another converter: what counts gave before holds no more.
    #[cold]
    fn forget(&mut self, adc_max: f64) {
        self.adc_max = adc_max;
        self.inputs.iter_mut().for_each(|input| input.forget(adc_max));
    }

    fn restarted(&mut self, board: &mut Board<'_>) {
        self.pace.restarted();
        self.ground.restarted(&mut self.inputs);
        for input in &mut self.inputs {
            input.restarted();
            board.touched[input.channel] |= Touch::RESTART | Touch::CHANGED;
        }
    }

    /// Takes the supply from the line, if it has one. True where it went out of its limits or came back.
    fn read_supply(&mut self, reading: &Reading, adc_max: f64) -> bool {
        let volts = match (reading.get(FieldId::VCC), reading.get(FieldId::REF)) {
            (Raw::Number(millivolts), _) => millivolts / 1e3,
            (_, Raw::Number(counts)) => self.reference * (adc_max + 1.0) / counts,
            _ => return false,
        };
        if let (false, Some(before)) = (reading.signed, self.supply)
            && self.agreement.is_known()
            && self.agreement.holds(agreement::is_far_supply(volts, before))
        {
            return false;
        }
        // A supply of nothing cannot feed the controller that sends it: then it is not known.
        self.supply = (volts > 0.0 && volts <= f64::MAX).then_some(volts);
        let bad = self.supply.zip(self.limits).is_some_and(|(volts, (low, high))| volts < low || volts > high);
        std::mem::replace(&mut self.supply_bad, bad) != bad
    }

    /// Judges every reading that is held, and works out up to when that need not be done again.
    fn judge(&mut self, when: When, board: &mut Board<'_>) -> bool {
        let mut changed = false;
        (self.guard, self.any_stale) = (Micros::MAX, false);
        for input in &mut self.inputs {
            let stale = input.freshness.is_stale(when.at, &self.pace);
            let place = input.channel;
            if !board.touched[place].is_read() {
                let (shown, emf) = (&mut board.channels[place], &mut board.emf[place]);
                let touch = input.judge(stale, self.supply_bad, when, shown, emf);
                board.touched[place] |= touch;
                changed |= touch.any();
            }
            self.any_stale |= stale;
            if !stale
                && input.can_become_stale()
                && let Some(until) = input.freshness.good_until(when.at, &self.pace)
            {
                self.guard = self.guard.min(until);
            }
        }
        changed
    }
}

/// Takes plain counts of a steady stream at a supply within its limits and its volts for each count. False where there is
/// something odd about one, which is left. Not inlined, like the one below: a loop that is compiled by itself keeps what
/// it needs in registers.
#[inline(never)]
fn take_plain(
    inputs: &mut [Input],
    fields: &[Raw],
    supply: (f64, f64),
    now: Stamp,
    channels: &mut [Shown],
    touched: &mut [Touch],
) -> bool {
    let mut all = true;
    for input in inputs {
        let place = input.channel;
        if let (Some(shown), Some(touch)) = (channels.get_mut(place), touched.get_mut(place))
            && input.take_counts(fields, supply, now, shown)
        {
            *touch |= Touch::READ | Touch::CHANGED;
        } else {
            all = false;
        }
    }
    all
}

/// Takes any other inputs of a steady stream. False where some did not come.
#[inline(never)]
fn take_others(inputs: &mut [Input], reading: &Reading, facts: &Facts, when: &When, board: &mut Board<'_>) -> bool {
    let Board { channels, touched, emf } = board;
    let (channels, touched, emf) = (&mut **channels, &mut **touched, &mut **emf);
    let mut all = true;
    for input in inputs {
        let place = input.channel;
        if let (Some(shown), Some(touch)) = (channels.get_mut(place), touched.get_mut(place))
            && input.take_next(reading, facts, when, shown, emf, true)
        {
            *touch |= Touch::READ | Touch::CHANGED;
        } else {
            all = false;
        }
    }
    all
}
