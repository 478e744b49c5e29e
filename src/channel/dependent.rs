//! Channels that follow from other channels: formulas, thermocouples with their cold junction, and whatever is judged by
//! how it moves, since another channel tells when it should.
//!
//! Owns what each must remember. Pure: times are arguments.

use super::finish::{Finish, When};
use super::formula::{Evaluator, Moment};
use super::motion::Motion;
use super::{Touch, Trust, Value, judge};
use crate::config::{Channel, ChannelId, Cold, Field, Input, Sensor, Source};
use crate::sensor::Thermocouple;
use crate::state::Shown;
use crate::unit::Affine;

/// One channel that follows from others.
#[derive(Clone, Debug)]
pub(super) struct Dependent {
    channel: usize,
    terms: Vec<ChannelId>,
    kind: Kind,
    motion: Option<Box<Motion>>,
    finish: Finish,
    /// It moves with time alone, or follows from nothing and would never be worked out otherwise.
    always: bool,
}

#[derive(Clone, Debug)]
enum Kind {
    Formula(Evaluator),
    Junction(Junction),
    /// What its field gave.
    Taken,
}

#[derive(Clone, Debug)]
struct Junction {
    curve: Thermocouple,
    cold: Cold,
    into: Affine,
    /// The newest emf and cold junction with what they gave: the inverse is solved anew only where one moved.
    memo: (f64, f64, Value),
}

impl Dependent {
    /// The one of `channel`; `None` where a field of a line is enough for it.
    pub fn new(id: ChannelId, channel: &Channel) -> Option<Self> {
        let motion = Motion::new(channel);
        let (terms, kind) = match &channel.source {
            Source::Formula(formula) => (formula.terms.clone(), Kind::Formula(Evaluator::new(formula))),
            Source::Input(input) => {
                let Sensor::Thermocouple { curve, cold, into } = input.sensor else {
                    return Self::taken(id, channel, motion?);
                };
                let terms = match cold {
                    Cold::Channel(cold, _) => vec![cold],
                    Cold::Celsius(_) => Vec::new(),
                };
                let memo = (f64::NAN, f64::NAN, Value::MISSING);
                (terms, Kind::Junction(Junction { curve, cold, into, memo }))
            }
        };
        let always = matches!(&kind, Kind::Formula(evaluator) if evaluator.looks_back() || terms.is_empty())
            || motion.as_ref().is_some_and(|motion| motion.looks_back());
        Some(Self { channel: id.index(), terms, kind, motion, finish: Finish::new(channel), always })
    }

    /// A channel whose field is enough for its value, and not for whether to believe it.
    fn taken(id: ChannelId, channel: &Channel, motion: Box<Motion>) -> Option<Self> {
        // A running total of the link is no measurement.
        let Source::Input(Input {
            field: Field::Analog(_) | Field::Pulse { .. } | Field::Digital(_) | Field::Supply | Field::Number(_),
            ..
        }) = &channel.source
        else {
            return None;
        };
        let always = motion.looks_back();
        let (terms, kind, motion) = (Vec::new(), Kind::Taken, Some(motion));
        Some(Self { channel: id.index(), terms, kind, motion, finish: Finish::new(channel), always })
    }

    /// Works its value out anew where anything happened that it depends on.
    pub fn settle(&mut self, when: When, channels: &mut [Shown], touched: &mut [Touch], emf: &[Value]) {
        let touch = self.terms.iter().fold(touched[self.channel], |touch, term| touch | touched[term.index()]);
        if !touch.any() && !self.always {
            return;
        }
        let moment = Moment { at: when.at, line: when.line, channels, touched };
        let value = match &mut self.kind {
            Kind::Formula(evaluator) => evaluator.step(&moment),
            Kind::Junction(junction) => junction.hot(emf[self.channel], channels),
            Kind::Taken => emf[self.channel],
        };
        let value = match &mut self.motion {
            None => value,
            Some(motion) => motion.judge(value, channels[self.channel].evidence.raw, touch, when, &moment),
        };
        touched[self.channel] = touch;
        let shown = &mut channels[self.channel];
        if touch.is_read() {
            shown.heard = Some(when.now);
        }
        self.finish.show(shown, value, touch, when);
    }
}

impl Junction {
    /// The hot junction in the channel's unit. An untrusted cold junction makes it untrusted too.
    fn hot(&mut self, emf: Value, channels: &[Shown]) -> Value {
        let cold = match self.cold {
            Cold::Channel(id, into) => match channels[id.index()].value {
                value if value.good().is_none() => return judge::worst(emf, value.trust()),
                value => value.good().map_or(f64::NAN, |number| into.at(number)),
            },
            Cold::Celsius(celsius) => celsius,
        };
        let Some(millivolts) = emf.good() else { return emf };
        if (self.memo.0, self.memo.1) != (millivolts, cold) {
            let value = hot(&self.curve, self.into, millivolts, cold);
            self.memo = (millivolts, cold, value);
        }
        self.memo.2
    }
}

/// The hot junction, brought through `into`, from an emf in mV and the cold junction's degC.
pub(super) fn hot(curve: &Thermocouple, into: Affine, millivolts: f64, cold: f64) -> Value {
    let celsius = curve.hot(millivolts, cold);
    celsius.map_or(Value::bad(Trust::Beyond), |celsius| Value::ok(into.at(celsius)))
}
