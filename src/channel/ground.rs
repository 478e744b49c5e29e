//! Whether several inputs of one controller stepped together: a ground, a supply or a plug that they share.
//!
//! Owns what each analog input usually moves by from reading to reading, and which of them stand beside their truth now.
//! Pure. Where nothing moves far, one comparison an input is all that it costs.
//!
//! A step is told from a slope by the reading after it: what goes on the same way, as oil, fuel and charging all do while
//! an engine starts, is none. So a step is named with the second reading. Readings that are further apart than
//! [`TOGETHER`] tell steps and slopes apart no more, and are not looked at.

use super::input::{Facts, Input};
use crate::state::Shown;
use crate::time::{MILLISECOND, Micros};
use crate::wire::Reading;

/// So many inputs step together before it is no chance.
const SEVERAL: u32 = 3;
/// Readings further apart are not compared.
pub(super) const TOGETHER: Micros = 250 * MILLISECOND;
/// Far more than usual: so many times the mean movement from reading to reading. Of noise that is normally distributed
/// this is 6.4 times the standard deviation of a movement.
const FAR: f64 = 8.0;
/// The least that counts as far, as a share of the converter's range: 4 counts of 1,024.
const LEAST: f64 = 1.0 / 256.0;
/// The usual movement is known after so many, and each one further has this weight.
const KNOWN: u8 = 16;
/// Once it is known, one movement in so many is looked at.
const SELDOM: u8 = 32;

/// How one analog input moves.
#[derive(Clone, Debug)]
pub(super) struct Lead {
    /// More counts from one reading to the next than this are far. Infinite while that is not known.
    pub far: f64,
    /// No other input before it reads the same pin.
    pub first: bool,
    least: f64,
    known: u8,
    usual: f64,
    pending: Option<Step>,
    shift: Option<Step>,
}

/// A step in counts.
#[derive(Clone, Copy, Debug)]
struct Step {
    from: f64,
    by: f64,
}

impl Step {
    /// Whether `counts` are back by more than half of it.
    fn is_undone(self, counts: f64) -> bool {
        (counts - self.from) * self.by.signum() < self.by.abs() / 2.0
    }
}

impl Lead {
    /// Nothing is known yet.
    pub fn new() -> Self {
        Self { far: f64::INFINITY, first: true, least: 0.0, known: 0, usual: 0.0, pending: None, shift: None }
    }

    /// Another converter: all begins anew.
    pub fn forget(&mut self, adc_max: f64) {
        *self = Self { first: self.first, least: (adc_max + 1.0) * LEAST, ..Self::new() };
    }

    /// It stands beside its truth.
    #[inline]
    pub fn is_shifted(&self) -> bool {
        self.shift.is_some()
    }

    fn is_known(&self) -> bool {
        self.known >= KNOWN
    }

    /// Learns what it usually moves by. A slope must not teach it much, so that no movement counts for more than far.
    fn learn(&mut self, moved: f64) {
        let moved = moved.abs().min(self.far);
        if moved.is_nan() || self.pending.is_some() || self.shift.is_some() {
            return;
        }
        self.known = (self.known + 1).min(KNOWN);
        self.usual += (moved - self.usual) / f64::from(self.known);
        if self.is_known() {
            self.far = (FAR * self.usual).max(self.least);
        }
    }
}

/// What a shift of a ground looks like from outside.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Shifted {
    /// So many pins stepped.
    pub pins: u16,
    /// The largest step, mV at the pin; below 0: downwards.
    pub millivolts: i32,
}

/// What is looked for over all inputs of one controller.
#[derive(Clone, Debug)]
pub(super) struct Ground {
    on: bool,
    beat: u8,
    /// Some inputs stepped with the reading before.
    pending: bool,
    shifted: Option<Shifted>,
}

impl Ground {
    /// `on`: it is looked for at all.
    pub fn new(on: bool) -> Self {
        // The very first reading teaches.
        Self { on, beat: u8::MAX, pending: false, shifted: None }
    }

    /// What is shifted now.
    pub fn shifted(&self) -> Option<Shifted> {
        self.shifted
    }

    /// Whether the next reading must be looked at whatever it says.
    #[inline]
    pub fn is_busy(&self) -> bool {
        self.pending || self.shifted.is_some()
    }

    /// Whether it is time to learn from this reading.
    #[inline]
    pub fn learns(&mut self) -> bool {
        self.beat = self.beat.wrapping_add(1);
        self.beat.is_multiple_of(SELDOM)
    }

    /// Learns what the inputs usually move by.
    #[cold]
    pub fn learn(&mut self, inputs: &mut [Input], reading: &Reading, channels: &[Shown]) {
        let (mut all, mut any) = (true, false);
        for input in inputs.iter_mut().filter(|input| input.is_analog()) {
            if let (Some(counts), Some(shown)) = (input.counts(reading), channels.get(input.channel))
                && input.was_good()
            {
                input.lead.learn(counts - shown.evidence.raw);
            }
            all &= input.lead.is_known() || !input.was_good();
            any |= input.lead.is_known();
        }
        // Until all are known that give anything, the very next reading teaches too.
        if !(all && any) {
            self.beat = u8::MAX;
        }
    }

    /// Looks at a reading before it is taken. `steady`: it follows the one before closely enough.
    pub fn look(&mut self, inputs: &mut [Input], reading: &Reading, facts: &Facts, channels: &[Shown], steady: bool) {
        if !self.on {
            return;
        }
        if self.shifted.is_some() {
            self.end(inputs, reading);
            if self.shifted.is_none() {
                // The way back is a step too, and no new one.
                return;
            }
        }
        if self.pending {
            self.confirm(inputs, reading, facts, channels, steady);
        }
        if steady {
            self.find(inputs, reading, facts, channels);
        }
    }

    /// The driver takes what is there now for the truth.
    pub fn accept(&mut self, inputs: &mut [Input]) {
        self.shifted = None;
        for input in inputs.iter_mut() {
            input.lead.shift = None;
        }
    }

    /// A restart parts the readings before it from those behind.
    pub fn restarted(&mut self, inputs: &mut [Input]) {
        self.pending = false;
        for input in inputs.iter_mut() {
            input.lead.pending = None;
        }
    }

    /// Over, once more than half of them are back.
    fn end(&mut self, inputs: &mut [Input], reading: &Reading) {
        let (mut pins, mut back) = (0, 0);
        for input in inputs.iter().filter(|input| input.lead.first) {
            if let Some(step) = input.lead.shift {
                pins += 1;
                back += u32::from(input.counts(reading).is_some_and(|counts| step.is_undone(counts)));
            }
        }
        if 2 * back > pins || pins == 0 {
            self.accept(inputs);
        }
    }

    /// With the reading after it a step is one, or the beginning of a slope, or over.
    fn confirm(&mut self, inputs: &mut [Input], reading: &Reading, facts: &Facts, channels: &[Shown], steady: bool) {
        let (mut pins, mut gone, mut back, mut absent) = (0, 0, 0, 0);
        for input in inputs.iter().filter(|input| input.lead.first) {
            let (Some(step), Some(shown)) = (input.lead.pending, channels.get(input.channel)) else { continue };
            pins += 1;
            match input.counts(reading) {
                None => absent += 1,
                Some(counts) if step.is_undone(counts) => back += 1,
                Some(counts) => {
                    let goes_on = (counts - shown.evidence.raw) * step.by.signum() >= step.by.abs() / 2.0;
                    gone += u32::from(goes_on);
                }
            }
        }
        if 2 * absent > pins {
            return;
        }
        self.pending = false;
        if steady && 2 * gone < pins && 2 * back <= pins {
            self.shift(inputs, facts);
        } else {
            for input in inputs.iter_mut() {
                input.lead.pending = None;
            }
        }
    }

    fn shift(&mut self, inputs: &mut [Input], facts: &Facts) {
        let mut shifted = self.shifted.unwrap_or_default();
        for input in inputs {
            let Some(step) = input.lead.pending.take() else { continue };
            input.lead.shift = Some(step);
            shifted.pins += u16::from(input.lead.first);
            let millivolts = millivolts(step.by * facts.step);
            if millivolts.abs() > shifted.millivolts.abs() {
                shifted.millivolts = millivolts;
            }
        }
        self.shifted = Some(shifted);
    }

    /// Several that step the same way.
    fn find(&mut self, inputs: &mut [Input], reading: &Reading, facts: &Facts, channels: &[Shown]) {
        let step = |input: &Input| step(input, reading, facts, channels);
        let (mut up, mut down) = (0, 0);
        for step in inputs.iter().filter(|input| input.lead.first).filter_map(step) {
            *(if step.by > 0.0 { &mut up } else { &mut down }) += 1;
        }
        if up.max(down) < SEVERAL {
            return;
        }
        for input in inputs {
            input.lead.pending = step(input).filter(|step| (step.by > 0.0) == (up >= down));
        }
        self.pending = true;
    }
}

/// The step of `input` with this reading, where it moved far. What moves only because the converter's own supply did is
/// where it was: what hangs on that supply in counts, what does not in volts.
fn step(input: &Input, reading: &Reading, facts: &Facts, channels: &[Shown]) -> Option<Step> {
    let lead = &input.lead;
    let (counts, shown) = (input.counts(reading)?, channels.get(input.channel)?);
    let by = counts - shown.evidence.raw;
    if by.is_nan() || by.abs() <= lead.far || lead.is_shifted() || !input.was_good() {
        return None;
    }
    let volts = (counts * facts.step - shown.evidence.volts) * by.signum();
    (input.is_of_supply() || volts > lead.far * facts.step).then_some(Step { from: shown.evidence.raw, by })
}

#[expect(clippy::cast_possible_truncation, reason = "a pin has a few volts, and the cast saturates")]
fn millivolts(volts: f64) -> i32 {
    (volts * 1e3).round() as i32
}
