//! The way of one channel on its own, from any place on it: what `curve` draws and evaluates.
//!
//! Owns no arithmetic: circuit, rules of trust, curve and calibration are those that readings go through. In: counts, or
//! what the curve takes. Out: the value with its trust. Knows no time: pulses begin at hertz, and nothing is smoothed.

use super::analog::Analog;
use super::finish::Finish;
use super::sense::{Sense, base};
use super::{Trust, Value, dependent};
use crate::circuit::pin_volts;
use crate::config::{Channel, Cold, Field, Input, Model, Sensor, Source, TrustRules};
use crate::sensor::Thermocouple;
use crate::unit::{Affine, Unit};
use crate::wire::ADC_MAX;

/// What is taken as given around the channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conditions {
    /// The converter's supply in volts, above 0.
    pub supply: f64,
    /// The highest count of the converter.
    pub adc_max: f64,
    /// The cold junction in degC, where the config takes it from another channel.
    pub cold: f64,
}

impl Conditions {
    /// Where nothing is measured: the middle of the limits of the sensor supply, else 5 V; the usual converter; 25 degC.
    pub fn usual(model: &Model) -> Self {
        let supply = model.trust.supply.map_or(5.0, |(low, high)| f64::midpoint(low, high));
        Self { supply, adc_max: f64::from(ADC_MAX), cold: 25.0 }
    }
}

/// One place on the way. What does not apply is not a number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct At {
    /// Counts, not always whole; else what the line would carry (hertz, a number).
    pub raw: f64,
    /// Volts at the pin.
    pub volts: f64,
    /// What the curve takes: volts or ohms behind the circuit, hertz, a number.
    pub input: f64,
    /// The value in the channel's unit, with calibration, without smoothing.
    pub value: Value,
}

/// The way of one channel.
#[derive(Clone, Debug)]
pub struct Transfer {
    way: Way,
    takes: Unit,
    junction: Option<Junction>,
    finish: Finish,
    given: Conditions,
    /// The supply given is outside its limits, and the channel depends on it.
    supply_bad: bool,
}

#[derive(Clone, Debug)]
enum Way {
    Analog(Box<Analog>),
    Number(Sense),
}

#[derive(Clone, Copy, Debug)]
struct Junction {
    curve: Thermocouple,
    cold: f64,
    into: Affine,
}

impl Transfer {
    /// The way of `channel`; `None` where it is made of other channels and so has none of its own.
    pub fn new(channel: &Channel, rules: &TrustRules, given: Conditions) -> Option<Self> {
        let Source::Input(input) = &channel.source else { return None };
        let outside = rules.supply.is_some_and(|(low, high)| !(low..=high).contains(&given.supply));
        let (way, of_supply) = way(input, given.adc_max);
        Some(Self {
            way,
            takes: base(input),
            junction: junction(input, given.cold),
            finish: Finish::new(channel),
            given,
            supply_bad: outside && of_supply,
        })
    }

    /// The unit of what the curve takes behind the circuit: V, ohm, Hz or 1.
    pub fn takes(&self) -> Unit {
        self.takes
    }

    /// Whether it begins with counts of a converter.
    pub fn has_counts(&self) -> bool {
        matches!(self.way, Way::Analog(_))
    }

    /// What it was told is given.
    pub fn given(&self) -> Conditions {
        self.given
    }

    /// At `raw` counts; at that number where the channel has none.
    pub fn at_raw(&mut self, raw: f64) -> At {
        let Conditions { supply, adc_max, .. } = self.given;
        match &mut self.way {
            Way::Analog(analog) => {
                let (input, value) = analog.measure(raw, supply);
                let value = self.finish(value);
                At { raw, volts: pin_volts(raw, adc_max, supply), input, value }
            }
            Way::Number(_) => self.at_input(raw),
        }
    }

    /// While the curve takes `input`, in [`Transfer::takes`].
    pub fn at_input(&self, input: f64) -> At {
        let Conditions { supply, adc_max, .. } = self.given;
        let (raw, volts, value) = match &self.way {
            Way::Analog(analog) => {
                let (raw, value) = analog.at_input(input, supply);
                (raw, pin_volts(raw, adc_max, supply), value)
            }
            Way::Number(sense) => (input, f64::NAN, sense.at(input).map_or(Value::bad(Trust::Beyond), Value::ok)),
        };
        At { raw, volts, input, value: self.finish(value) }
    }

    /// The last steps: the junctions added up, the supply's limits, the calibration.
    fn finish(&self, value: Value) -> Value {
        let value = if self.supply_bad { Value::bad(Trust::Supply) } else { value };
        let value = match (self.junction, value.good()) {
            (Some(Junction { curve, cold, into }), Some(millivolts)) => dependent::hot(&curve, into, millivolts, cold),
            _ => value,
        };
        self.finish.correct(value)
    }
}

/// The way up to the emf or value, and whether the limits of the sensor supply concern it.
fn way(input: &Input, adc_max: f64) -> (Way, bool) {
    if !matches!(input.field, Field::Analog(_)) {
        return (Way::Number(Sense::new(input)), false);
    }
    let mut analog = Analog::new(input);
    analog.forget(adc_max);
    let of_supply = analog.of_supply;
    (Way::Analog(Box::new(analog)), of_supply)
}

fn junction(input: &Input, cold: f64) -> Option<Junction> {
    let Sensor::Thermocouple { curve, cold: from, into } = input.sensor else { return None };
    let cold = if let Cold::Celsius(celsius) = from { celsius } else { cold };
    Some(Junction { curve, cold, into })
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;
    use crate::config;

    const CONFIG: &str = r#"
format = 1
[trust]
supply = ["4.5 V", "5.5 V"]
[channel.live]
input = "a0"
sensor = { kind = "linear", from = ["0.5 V", "4.5 V"], to = ["0 bar", "8 bar"], ratiometric = "5 V" }
[channel.plain]
input = "a1"
sensor = { kind = "linear", from = ["0 V", "5 V"], to = ["0 bar", "10 bar"] }
calibration = { gain = 2, offset = 1 }
[channel.ohms]
input = "a2"
circuit = { kind = "pullup", resistor = "1 kohm" }
sensor = { kind = "table", points = [["10 ohm", "100 %"], ["180 ohm", "0 %"]] }
[channel.lifted]
input = "a3"
circuit = { kind = "amplifier", gain = 100, offset = "0.25 V" }
sensor = { kind = "thermocouple", type = "K", cold = "25 degC" }
[channel.rpm]
input = "p2"
sensor = { kind = "pulses", count = 12, per = "rev" }
[channel.sum]
formula = "live + plain"
"#;

    fn model() -> Model {
        config::load(CONFIG).model.unwrap()
    }

    fn transfer(name: &str, supply: f64) -> Transfer {
        let model = model();
        let channel = model.channels.iter().find(|channel| channel.name == name).unwrap();
        Transfer::new(channel, &model.trust, Conditions { supply, adc_max: 1023.0, cold: 25.0 }).unwrap()
    }

    #[test]
    fn from_behind_the_circuit_and_from_the_pin_it_is_the_same_way() {
        for name in ["live", "plain", "ohms", "lifted"] {
            for supply in [4.7, 5.0] {
                let mut way = transfer(name, supply);
                for counts in 0..1024 {
                    let pin = way.at_raw(f64::from(counts));
                    if !pin.input.is_finite() {
                        continue;
                    }
                    let back = way.at_input(pin.input);
                    assert!((back.raw - pin.raw).abs() < 1e-6, "{name} at {counts}");
                    match (pin.value.good(), back.value.good()) {
                        (Some(one), Some(other)) => assert!((one - other).abs() < 1e-9 * (1.0 + one.abs())),
                        // On an edge the last bit decides.
                        (one, other) => assert!(
                            pin.value == back.value || is_an_end(pin.raw),
                            "{name} at {counts}: {one:?} {other:?}"
                        ),
                    }
                }
            }
        }
    }

    /// Where rounding may put a reading on either side of a rule: at the ends of the converter.
    fn is_an_end(raw: f64) -> bool {
        !(0.5..=1022.5).contains(&raw)
    }

    #[rstest]
    #[case::in_the_middle("live", 2.5, Ok(4.0))]
    #[case::calibrated("plain", 2.5, Ok(11.0))]
    #[case::shorted("live", 0.1, Err(Trust::ShortLow))]
    #[case::open("ohms", 1e6, Err(Trust::Open))]
    #[case::past_the_table("ohms", 400.0, Err(Trust::Beyond))]
    #[case::less_than_nothing("plain", -0.01, Err(Trust::Beyond))]
    #[case::hertz("rpm", 100.0, Ok(500.0))]
    fn what_the_curve_takes_gives_the_value_or_its_state(
        #[case] name: &str,
        #[case] input: f64,
        #[case] value: Result<f64, Trust>,
    ) {
        let given = transfer(name, 5.0).at_input(input).value;
        assert_eq!(given.good().map(|number| (number * 1e9).round() / 1e9).ok_or(given.trust()), value);
    }

    #[test]
    fn a_supply_outside_its_limits_concerns_what_hangs_on_it() {
        assert_eq!(transfer("live", 4.4).at_input(2.5).value.trust(), Trust::Supply);
        assert_eq!(transfer("plain", 4.4).at_input(2.5).value.trust(), Trust::Ok);
    }

    #[test]
    fn a_formula_has_no_way_of_its_own() {
        let model = model();
        let sum = model.channels.iter().find(|channel| channel.name == "sum").unwrap();
        let given = Conditions { supply: 5.0, adc_max: 1023.0, cold: 25.0 };
        assert!(Transfer::new(sum, &model.trust, given).is_none());
    }
}
