//! One channel that is a field of a link's lines: from the field to a value with trust.
//!
//! Owns what is remembered of that field from line to line. Pure: times are arguments.

use super::agreement::{self, Agreement};
use super::analog::Analog;
use super::finish::{Finish, When};
use super::fresh::{Freshness, Intervals};
use super::ground::Lead;
use super::judge::{self, Judged};
use super::motion::{self, Motion};
use super::pulse::Pulse;
use super::sense::Sense;
use super::{Touch, Trust, Value};
use crate::config::{Channel, Field, Input as Config, Sensor};
use crate::state::{Evidence, Shown};
use crate::time::Stamp;
use crate::wire::{FieldId, Raw, Reading};

/// What an input must know of its link at one reading.
#[derive(Clone, Copy, Debug)]
pub(super) struct Facts {
    /// The converter's supply in volts, above 0, where it is known.
    pub supply: Option<f64>,
    /// Volts at a pin for each count.
    pub step: f64,
    /// The supply is known and outside its limits.
    pub supply_bad: bool,
}

/// One channel that a link feeds.
#[derive(Clone, Debug)]
pub(super) struct Input {
    /// Its place among the channels.
    pub channel: usize,
    /// When its field came.
    pub freshness: Freshness,
    /// How it moves from reading to reading, where it is analog.
    pub lead: Lead,
    agreement: Agreement,
    /// The fastest believable change before calibration, in the channel's unit per second.
    fastest: Option<f64>,
    field: FieldId,
    measure: Measure,
    /// The newest reading with the states of the reading itself.
    taken: Value,
    of_supply: bool,
    /// What its measure gives is what is shown, without any further step.
    plain: bool,
    /// What comes out here is not what is shown: the emf in mV of a thermocouple, or a value whose movement is judged.
    /// [`super::dependent`] goes on from there.
    emf: bool,
    finish: Finish,
}

#[derive(Clone, Debug)]
enum Measure {
    Analog(Analog),
    Pulse(Pulse, Sense),
    Supply(Sense),
    Number(Sense),
}

impl Input {
    /// The input of `channel`, which is the one at that place; `None` where it is fed by no field.
    pub fn new(place: usize, channel: &Channel, config: &Config) -> Option<Self> {
        let emf = matches!(config.sensor, Sensor::Thermocouple { .. }) || Motion::new(channel).is_some();
        let (field, measure) = match config.field {
            Field::Analog(field) => (field, Measure::Analog(Analog::new(config))),
            Field::Pulse { field, take, slowest } => {
                (field, Measure::Pulse(Pulse::new(take, slowest), Sense::new(config)))
            }
            Field::Digital(field) | Field::Number(field) => (field, Measure::Number(Sense::new(config))),
            Field::Supply => (FieldId::VCC, Measure::Supply(Sense::new(config))),
            Field::LinkLost | Field::LinkBad | Field::LinkResets => return None,
        };
        Some(Self {
            channel: place,
            freshness: Freshness::new(channel.fresh),
            lead: Lead::new(),
            agreement: Agreement::default(),
            fastest: motion::fastest(channel),
            field,
            of_supply: matches!(&measure, Measure::Analog(analog) if analog.of_supply),
            measure,
            taken: Value::MISSING,
            plain: !emf && channel.calibration.is_none() && channel.smooth.is_none(),
            emf,
            finish: Finish::new(channel),
        })
    }

    /// Takes its field of `reading`; `NONE` where the line does not carry it. `pace`: the intervals of the link's readings
    /// before this one.
    #[inline]
    pub fn take(
        &mut self,
        reading: &Reading,
        facts: &Facts,
        pace: &Intervals,
        when: When,
        shown: &mut Shown,
        emf: &mut Value,
    ) -> Touch {
        let raw = self.raw(reading);
        if matches!(raw, Raw::Absent) {
            self.freshness.miss(pace);
            return Touch::NONE;
        }
        let gap = if self.freshness.hear(reading.at, pace) { Touch::GAP } else { Touch::NONE };
        let touch = Touch::READ | Touch::CHANGED | gap;
        shown.heard = Some(when.now);
        if !reading.signed && !reading.restarted && gap == Touch::NONE && self.waits(raw, reading, facts, pace, shown) {
            return Touch::NONE;
        }
        self.taken = self.measure.take(raw, reading, facts, &mut shown.evidence);
        let ground = self.lead.is_shifted();
        self.show(judge::first(self.taken, Judged { ground, ..Judged::default() }), touch, when, shown, emf);
        touch
    }

    /// Whether what a line without a checksum says waits for the next one.
    #[cold]
    fn waits(&mut self, raw: &Raw, reading: &Reading, facts: &Facts, pace: &Intervals, shown: &Shown) -> bool {
        let far = match (&mut self.measure, raw) {
            (Measure::Analog(analog), Raw::Number(counts)) => {
                let far = self.agreement.is_far(*counts, shown.evidence.raw, &self.lead, analog.adc_max());
                let to = facts.supply.and_then(|supply| analog.measure(*counts, supply).1.good());
                match (self.fastest, to, self.taken.good()) {
                    (Some(fastest), Some(to), Some(from)) => {
                        agreement::is_too_fast(to, from, fastest, reading.at, pace)
                    }
                    // Where the value before was not good, nothing good is lost by taking what is there.
                    (_, _, from) => far && from.is_some(),
                }
            }
            (Measure::Pulse(pulse, _), Raw::Edges(edges)) => {
                let mut next = pulse.clone();
                next.step(*edges, reading.at, reading.t);
                matches!((next.rate(), pulse.rate()), (Some(to), Some(from)) if agreement::is_far_rate(to, from) && self.agreement.is_known())
            }
            // A switch has no other way than all at once.
            (Measure::Number(Sense::Switch(_)), _) => false,
            (Measure::Number(_), Raw::Number(to)) => self.agreement.is_far_number(*to, shown.evidence.raw),
            _ => false,
        };
        self.agreement.holds(far)
    }

    /// Whether it is counts of a converter.
    pub fn is_analog(&self) -> bool {
        matches!(self.measure, Measure::Analog(_))
    }

    /// Whether it hangs on the sensor supply.
    pub fn is_of_supply(&self) -> bool {
        self.of_supply
    }

    /// Whether its newest reading was good by itself.
    pub fn was_good(&self) -> bool {
        self.taken.good().is_some()
    }

    /// Whether it reads the same field as `other`.
    pub fn is_beside(&self, other: &Self) -> bool {
        self.field == other.field
    }

    /// The counts that `reading` has for it.
    pub fn counts(&self, reading: &Reading) -> Option<f64> {
        match field(reading, self.field) {
            Raw::Number(counts) if self.is_analog() => Some(*counts),
            _ => None,
        }
    }

    /// Whether it is plain counts: analog, and shown as its curve gives it.
    pub fn is_plain_counts(&self) -> bool {
        self.plain && matches!(self.measure, Measure::Analog(_))
    }

    /// The highest count of the converter is another one.
    pub fn forget(&mut self, adc_max: f64) {
        if let Measure::Analog(analog) = &mut self.measure {
            analog.forget(adc_max);
            self.lead.forget(adc_max);
        }
    }

    /// [`Input::take_next`] of plain counts at a supply above 0 and within its limits, with the volts for each count, where
    /// the line has a number for them that is not far from the one before. False, with nothing done, for all else.
    #[inline]
    pub fn take_counts(&mut self, fields: &[Raw], (supply, step): (f64, f64), now: Stamp, shown: &mut Shown) -> bool {
        let (Measure::Analog(analog), Some(&Raw::Number(counts))) = (&mut self.measure, fields.get(self.field.index()))
        else {
            return false;
        };
        if (counts - shown.evidence.raw).abs() > self.lead.far {
            return false;
        }
        let (input, value) = analog.measure(counts, supply);
        shown.evidence = Evidence { raw: counts, volts: counts * step, input };
        shown.heard = Some(now);
        if !shown.value.is_as_good_as(value) {
            shown.turn(value, now);
        }
        (self.taken, shown.value, shown.smooth) = (value, value, value);
        true
    }

    /// The same where the field comes with each reading of its link, and the one before is not old; `emf`: of all channels.
    /// False, with nothing done, where the line does not carry it, and where `near` alone is asked for and it is far from the
    /// one before.
    #[inline(always)]
    #[expect(clippy::inline_always, reason = "it has one call for steady streams, and a call costs as much as it does")]
    pub fn take_next(
        &mut self,
        reading: &Reading,
        facts: &Facts,
        when: &When,
        shown: &mut Shown,
        emf: &mut [Value],
        near: bool,
    ) -> bool {
        let raw = match field(reading, self.field) {
            Raw::Absent => self.raw(reading),
            raw => raw,
        };
        match raw {
            Raw::Absent => return false,
            Raw::Number(counts) if near && (counts - shown.evidence.raw).abs() > self.lead.far => return false,
            _ => {}
        }
        self.taken = self.measure.take(raw, reading, facts, &mut shown.evidence);
        shown.heard = Some(when.now);
        if self.plain {
            if !shown.value.is_as_good_as(self.taken) {
                shown.turn(self.taken, when.now);
            }
            (shown.value, shown.smooth) = (self.taken, self.taken);
        } else if !self.emf {
            self.finish.show(shown, self.taken, Touch::READ | Touch::CHANGED, *when);
        } else if let Some(emf) = emf.get_mut(self.channel) {
            *emf = self.taken;
        }
        true
    }

    /// The controller restarted: held values stay, but no rate lives on.
    pub fn restarted(&mut self) {
        self.freshness.restarted();
        if let Measure::Pulse(pulse, _) = &mut self.measure {
            pulse.restarted();
            if pulse.is_rate() {
                self.taken = Value::MISSING;
            }
        }
    }

    /// Judges the reading that is held: `stale`, or a supply that is outside its limits now.
    pub fn judge(&mut self, stale: bool, supply_bad: bool, when: When, shown: &mut Shown, emf: &mut Value) -> Touch {
        let ground = self.lead.is_shifted();
        let value = judge::first(self.taken, Judged { stale, supply: supply_bad && self.of_supply, ground });
        let before = if self.emf { *emf } else { shown.value };
        if before.is_as_good_as(value) {
            return Touch::NONE;
        }
        self.show(value, Touch::CHANGED, when, shown, emf);
        Touch::CHANGED
    }

    /// Whether it can become stale: something came, and what came was no null.
    pub fn can_become_stale(&self) -> bool {
        self.taken.trust() != Trust::Missing
    }

    /// What the line has for it. A supply that is not sent is worked out from the reference.
    #[inline]
    fn raw<'a>(&self, reading: &'a Reading) -> &'a Raw {
        match (field(reading, self.field), &self.measure) {
            (Raw::Absent, Measure::Supply(_)) => field(reading, FieldId::REF),
            (raw, _) => raw,
        }
    }

    #[inline]
    fn show(&mut self, value: Value, touch: Touch, when: When, shown: &mut Shown, emf: &mut Value) {
        if self.emf {
            *emf = value;
        } else {
            self.finish.show(shown, value, touch, when);
        }
    }
}

impl Measure {
    #[inline(always)]
    #[expect(clippy::inline_always, reason = "it has one call for steady streams, and a call costs as much as it does")]
    fn take(&mut self, raw: &Raw, reading: &Reading, facts: &Facts, evidence: &mut Evidence) -> Value {
        match (self, raw) {
            (Self::Analog(analog), Raw::Number(counts)) => take_analog(analog, *counts, facts, evidence),
            (Self::Pulse(pulse, sense), Raw::Edges(edges)) => {
                let number = pulse.step(*edges, reading.at, reading.t);
                evidence.raw = number.unwrap_or(f64::NAN);
                evidence.input = evidence.raw;
                through(sense, number)
            }
            (Self::Supply(sense), Raw::Number(raw)) => {
                let volts = facts.supply.unwrap_or(f64::NAN);
                *evidence = Evidence { raw: *raw, volts, input: volts };
                through(sense, facts.supply)
            }
            (Self::Number(sense), Raw::Number(raw)) => {
                (evidence.raw, evidence.input) = (*raw, *raw);
                through(sense, Some(*raw))
            }
            // Null, or a shape that the field cannot have: the controller gave no reading.
            _ => {
                *evidence = Evidence::NONE;
                Value::MISSING
            }
        }
    }
}

#[inline]
fn field(reading: &Reading, id: FieldId) -> &Raw {
    reading.fields().get(id.index()).unwrap_or(&Raw::Absent)
}

#[inline]
fn through(sense: &Sense, number: Option<f64>) -> Value {
    match number {
        None => Value::MISSING,
        Some(number) => sense.at(number).map_or(Value::bad(Trust::Beyond), Value::ok),
    }
}

#[inline]
fn take_analog(analog: &mut Analog, counts: f64, facts: &Facts, evidence: &mut Evidence) -> Value {
    let Some(supply) = facts.supply else {
        *evidence = Evidence { raw: counts, ..Evidence::NONE };
        return Value::bad(Trust::Supply);
    };
    let (input, value) = analog.measure(counts, supply);
    *evidence = Evidence { raw: counts, volts: counts * facts.step, input };
    if facts.supply_bad && analog.of_supply { Value::bad(Trust::Supply) } else { value }
}
