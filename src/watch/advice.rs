//! What an untrusted channel means, in words: what is wrong, where, and what to measure next with a multimeter.
//!
//! Owns the sentences, one for each state, circuit and kind of sensor. In: the config's channel, its state and what was
//! measured. Out: text; names are those of the config. Pure, and never on the hot path.

use crate::channel::Trust;
use crate::circuit::{Circuit, Rail};
use crate::config::{Channel, ChannelId, Cold, Field, Input, Model, Sensor, Source};
use crate::state::{Evidence, Shown};
use crate::unit::Unit;
use crate::wire::FieldId;

/// Whoever measures at a sensor stands beside an engine.
const STANDING: &str = "Engine off, out of gear; mind belts, fan and hot parts.";
/// Some faults show only while it runs.
const RUNNING: &str = "Hands, sleeves and leads stay away from belts, fan and hot parts; a second person at the stop.";
/// What is between two wires that are one: common practice, no source.
const SAME: &str = "under 0.05 V";

/// What is wrong with a channel.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Advice {
    /// What: a few words.
    pub what: &'static str,
    /// Where: the pin, or what is asked for in its place.
    pub place: String,
    /// What was measured: `4.98 V, 1019 counts`; may be empty.
    pub evidence: String,
    /// What to measure next, what is right there, and what to mind meanwhile.
    pub measure: String,
}

/// What `trust` of the channel `id` means. `shown`: what is known of it now. `None` where the model has no such channel,
/// or where it is `Ok`.
pub fn advice(model: &Model, id: ChannelId, trust: Trust, shown: Option<&Shown>) -> Option<Advice> {
    let channel = model.channels.get(id.index())?;
    let evidence = shown.map_or_else(String::new, |shown| evidence(channel, &shown.evidence));
    let (what, place, measure) = match &channel.source {
        _ if trust == Trust::Ok => return None,
        Source::Formula(formula) => {
            let names: Vec<_> = formula.terms.iter().filter_map(|id| model.channels.get(id.index())).collect();
            let names: Vec<_> = names.iter().map(|channel| channel.name.as_str()).collect();
            let names = if names.is_empty() { "no channel".to_owned() } else { names.join(", ") };
            let measure =
                format!("It is worked out from {names}: look at those first, and at the formula `{}`.", formula.text);
            (of_formula(trust), format!("formula over {names}"), measure)
        }
        Source::Input(input) => {
            let pin = pin(model, input);
            let at = At { pin: &pin, input, channel, model };
            let (what, measure) = at.say(trust);
            (what, format!("pin {pin}"), measure)
        }
    };
    Some(Advice { what, place, evidence, measure })
}

/// The name of what `input` reads, with its link where there are several.
pub fn pin(model: &Model, input: &Input) -> String {
    let link = model.links.get(input.link.index());
    let field = |id: FieldId| {
        let names =
            FieldId::FIXED.into_iter().chain(link.into_iter().flat_map(|link| link.fields.iter().map(String::as_str)));
        names.into_iter().nth(id.index()).unwrap_or("?")
    };
    let name = match input.field {
        Field::Analog(id) | Field::Pulse { field: id, .. } | Field::Digital(id) | Field::Number(id) => field(id),
        Field::Supply => "vcc",
        Field::LinkLost => "link.lost",
        Field::LinkBad => "link.bad",
        Field::LinkResets => "link.resets",
    };
    match link {
        Some(link) if model.links.len() > 1 => format!("{}:{name}", link.name),
        _ => name.to_owned(),
    }
}

fn of_formula(trust: Trust) -> &'static str {
    match trust {
        Trust::Beyond => "no finite result",
        _ => what(trust),
    }
}

/// A state in a few words.
pub const fn what(trust: Trust) -> &'static str {
    match trust {
        Trust::Ok => "ok",
        Trust::Missing => "no value comes",
        Trust::Stale => "nothing comes any more",
        Trust::Supply => "its supply is wrong",
        Trust::Ground => "its ground stepped",
        Trust::Open => "open circuit",
        Trust::ShortLow => "short to ground",
        Trust::ShortHigh => "short to the supply",
        Trust::Beyond => "out of its range",
        Trust::Leaping => "leaps: faster than possible",
        Trust::Stuck => "stuck: does not move",
    }
}

/// What was measured, as far as it says anything.
fn evidence(channel: &Channel, evidence: &Evidence) -> String {
    let mut parts = Vec::new();
    let Source::Input(input) = &channel.source else { return String::new() };
    let analog = matches!(input.field, Field::Analog(_));
    if evidence.volts.is_finite() {
        parts.push(format!("{:.2} V", evidence.volts));
    }
    if analog && input.circuit.gives_ohms() && evidence.input.is_finite() && evidence.input >= 0.0 {
        parts.push(ohms(evidence.input));
    }
    if evidence.raw.is_finite() {
        let unit = match input.field {
            Field::Analog(_) => " counts",
            Field::Pulse { .. } => " Hz",
            _ => "",
        };
        parts.push(format!("{:.1}{unit}", evidence.raw));
    }
    parts.join(", ")
}

/// One input.
#[derive(Clone, Copy)]
struct At<'a> {
    pin: &'a str,
    input: &'a Input,
    channel: &'a Channel,
    model: &'a Model,
}

impl At<'_> {
    /// What is wrong, and what to measure.
    fn say(self, trust: Trust) -> (&'static str, String) {
        let pin = self.pin;
        let measure = match trust {
            Trust::Ok => String::new(),
            Trust::Missing => self.missing(),
            Trust::Stale => format!(
                "Other readings come, so the link is well. {} {STANDING}",
                self.at_the_pin("Look at the plug behind it, then measure")
            ),
            Trust::Supply => {
                let (low, high) = self.model.trust.supply.unwrap_or((4.5, 5.5));
                format!(
                    "Key on, measure the board's supply (behind {pin} and its neighbours) from its 5 V to its ground: {low:.1} to \
                     {high:.1} V are right. Then the same at the sensor's plug: a difference of more than 0.1 V is the wire. \
                     {STANDING}"
                )
            }
            Trust::Ground => format!(
                "Key on, measure from the sensor's ground at its plug ({pin}) to the board's ground: {SAME} is right; more is \
                 a loose lug or a thin wire. {STANDING}"
            ),
            Trust::Open | Trust::ShortLow | Trust::ShortHigh => self.wire(trust),
            Trust::Beyond => self.beyond(),
            Trust::Leaping => format!(
                "Wiggle plug and wire of {pin} and watch the reading. {} and it must stand still while nothing changes. {STANDING}",
                self.at_the_pin("Measure")
            ),
            Trust::Stuck => self.stuck(),
        };
        (self.what(trust), measure)
    }

    fn what(self, trust: Trust) -> &'static str {
        match (trust, self.is_live_zero()) {
            (Trust::ShortLow, true) => "short to ground, broken wire or no supply",
            (Trust::ShortHigh, true) => "short to supply or broken sensor ground",
            _ => what(trust),
        }
    }

    fn is_live_zero(self) -> bool {
        matches!(&self.input.sensor, Sensor::Curve { live_zero: Some(_), .. })
    }

    fn missing(self) -> String {
        let pin = self.pin;
        match self.input.field {
            Field::Analog(_) | Field::Pulse { .. } | Field::Digital(_) => format!(
                "The controller sends nothing for {pin}: is that its name, and does the firmware read it? {} {STANDING}",
                self.at_the_pin("Then measure")
            ),
            _ => format!(
                "The device behind {pin} does not answer. {} {STANDING}",
                self.at_the_pin("Look at its plug, then measure")
            ),
        }
    }

    /// `verb`, from where to where, and what is right there.
    fn at_the_pin(self, verb: &str) -> String {
        let pin = self.pin;
        match self.input.field {
            Field::Analog(_) => {
                let (low, high) = self.volts();
                format!("{verb} from pin {pin} to the board's ground: {low:.2} to {high:.2} V are right")
            }
            Field::Pulse { .. } => format!(
                "{verb} from pin {pin} to the board's ground while the wheel turns by hand: near 0 V and near 5 V in turn \
                 are right"
            ),
            Field::Digital(_) => {
                format!("{verb} from pin {pin} to the board's ground: near 0 V or near 5 V is right, by the switch")
            }
            Field::Supply => {
                let (low, high) = self.model.trust.supply.unwrap_or((4.5, 5.5));
                format!("{verb} the board's 5 V (it sends {pin}) to its ground: {low:.1} to {high:.1} V are right")
            }
            _ => format!(
                "{verb} from + to - at the plug of the device that gives {pin}: what is written on it is right, mostly 5 V or \
                 3.3 V"
            ),
        }
    }

    /// A wire that is broken, or touches something.
    fn wire(self, trust: Trust) -> String {
        let pin = self.pin;
        match (self.input.circuit, trust) {
            (Circuit::PullUp { .. }, Trust::Open) => format!(
                "Key off, pull the sensor's plug and measure ohms across the sensor: {} are right. If so, measure from the plug's \
                 signal contact to pin {pin}: under 1 ohm is a whole wire. {STANDING}",
                self.expected_ohms()
            ),
            (Circuit::PullDown { .. }, Trust::Open) => format!(
                "Key off, pull the sensor's plug and measure ohms across the sensor: {} are right. If so, measure from the plug to \
                 pin {pin}, under 1 ohm is a whole wire; then key on, from its supply contact to ground: {}. {STANDING}",
                self.expected_ohms(),
                self.rail()
            ),
            (Circuit::PullUp { .. }, _) => format!(
                "Pull the sensor's plug, key on, measure from pin {pin} to the board's ground: {} there now means that the sensor is \
                 short ({} are right across it); 0 V, that its wire touches ground. {STANDING}",
                self.rail(),
                self.expected_ohms()
            ),
            (Circuit::PullDown { .. }, _) => format!(
                "Pull the sensor's plug, key on, measure from pin {pin} to the board's ground: 0 V there now means that the sensor is \
                 short ({} are right across it); {}, that its wire touches the supply. {STANDING}",
                self.expected_ohms(),
                self.rail()
            ),
            (_, Trust::ShortHigh) => format!(
                "Key on, measure at the sensor's plug from its ground contact to the battery's minus: {SAME} is right. Then from \
                 its signal contact ({pin}) to ground: {}. {STANDING}",
                self.signal()
            ),
            _ => format!(
                "Key on, measure at the sensor's plug from its supply contact to its ground: 5 V are right (4.5 to 5.5). Then from \
                 its signal contact ({pin}) to ground: {}; right there and not at pin {pin} means a broken wire. {STANDING}",
                self.signal()
            ),
        }
    }

    fn beyond(self) -> String {
        let pin = self.pin;
        if let Sensor::Thermocouple { cold, .. } = &self.input.sensor {
            let cold = match cold {
                Cold::Channel(id, _) => self.model.channels.get(id.index()).map_or("?", |cold| &cold.name).to_owned(),
                Cold::Celsius(celsius) => format!("{celsius} degC"),
            };
            return format!(
                "Key off, take the probe off the amplifier and measure ohms across it: under 50 ohm is right, none is a broken \
                 probe. Back on, engine cold, measure from pin {pin} to the board's ground: near {:.2} V is right (cold end: {cold}). \
                 {STANDING}",
                self.input.circuit.inverse(0.0, 5.0)
            );
        }
        match self.input.field {
            Field::Analog(_) if self.input.circuit.gives_ohms() => format!(
                "Key off, pull the sensor's plug and measure ohms across the sensor: {} are right, else it is another sensor than \
                 the config says. If so, look at the resistor at pin {pin}: {}. {STANDING}",
                self.expected_ohms(),
                self.resistor()
            ),
            _ => format!(
                "{}; if it has that, the points of the sensor in the config are wrong. {STANDING}",
                self.at_the_pin("Measure")
            ),
        }
    }

    fn stuck(self) -> String {
        let pin = self.pin;
        let unplugged = match self.input.circuit {
            Circuit::PullUp { .. } => format!("it must go to {}", self.rail()),
            Circuit::PullDown { .. } => "it must go to 0 V".to_owned(),
            _ => "it must move away from where it is".to_owned(),
        };
        let when = self.channel.stuck.as_ref().and_then(|stuck| stuck.when.as_ref());
        let care = if when.is_some() { RUNNING } else { STANDING };
        let moves = self.at_the_pin("Measure");
        format!(
            "{moves}, and it must tremble while it works. Key on, pull the sensor's plug: {unplugged}; if not, pin {pin} does not hear the sensor. {care}"
        )
    }

    /// Volts at the pin over the curve, at a supply of 5 V.
    fn volts(self) -> (f64, f64) {
        let ends = match &self.input.sensor {
            Sensor::Curve { curve, takes, .. } => {
                let base = if self.input.circuit.gives_ohms() { Unit::OHM } else { Unit::VOLT };
                curve.input_range().map(|(low, high)| {
                    let into = |x: f64| takes.convert(x, base).unwrap_or(x);
                    [into(low), into(high)].map(|x| self.input.circuit.inverse(x, 5.0))
                })
            }
            // No common thermocouple gives more than 77 mV, or less than -10 mV.
            Sensor::Thermocouple { .. } => Some([-0.01, 0.077].map(|x| self.input.circuit.inverse(x, 5.0))),
            _ => None,
        };
        let [one, other] = ends.unwrap_or([0.0, 5.0]).map(|volts| volts.clamp(0.0, 5.0));
        (one.min(other), one.max(other))
    }

    fn expected_ohms(self) -> String {
        match &self.input.sensor {
            Sensor::Curve { curve, takes, .. } => match curve.input_range() {
                Some((low, high)) => {
                    let into = |x: f64| ohms(takes.convert(x, Unit::OHM).unwrap_or(x));
                    format!("{} to {}", into(low), into(high))
                }
                None => "10 ohm to 100 kohm".to_owned(),
            },
            _ => "10 ohm to 100 kohm".to_owned(),
        }
    }

    fn signal(self) -> String {
        let (low, high) = self.volts();
        format!("{low:.2} to {high:.2} V are right")
    }

    fn resistor(self) -> String {
        match self.input.circuit {
            Circuit::PullUp { resistor, .. } | Circuit::PullDown { resistor, .. } => {
                format!("{} is right", ohms(resistor))
            }
            _ => String::new(),
        }
    }

    fn rail(self) -> String {
        match self.input.circuit {
            Circuit::PullUp { to: Rail::Volts(volts), .. } | Circuit::PullDown { to: Rail::Volts(volts), .. } => {
                format!("near {volts} V")
            }
            _ => "near 5 V".to_owned(),
        }
    }
}

/// A resistance as a multimeter shows it.
fn ohms(ohm: f64) -> String {
    match ohm {
        1e6.. => format!("{:.1} Mohm", ohm / 1e6),
        1e4.. => format!("{:.0} kohm", ohm / 1e3),
        1e3.. => format!("{:.1} kohm", ohm / 1e3),
        _ => format!("{ohm:.0} ohm"),
    }
}
