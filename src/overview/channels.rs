//! A channel's way from the pin to the value, in short words.

use super::doubt::Doubt;
use crate::circuit::{Circuit, Rail};
use crate::config::{Channel, Field, Input, Model, Sensor, Source, Take};
use crate::sensor::Curve;
use crate::unit::Unit;
use crate::wire::FieldId;

/// A channel and what it hangs on.
#[derive(Clone, Debug, PartialEq)]
pub struct Wired {
    /// Its name.
    pub name: String,
    /// What the screen calls it.
    pub label: String,
    /// What it reads, with its link where there are several; or `= ` and its formula.
    pub input: String,
    /// What sits between pin and sensor; empty where nothing can.
    pub circuit: String,
    /// The kind of its sensor; empty where it has none.
    pub sensor: &'static str,
    /// The unit of its value.
    pub unit: Unit,
    /// The scale that gauges draw, in `unit`.
    pub span: Option<(f64, f64)>,
    /// When its value is not believed.
    pub doubt: Doubt,
}

impl Wired {
    /// How `channel` of `model` is wired.
    pub(super) fn of(model: &Model, channel: &Channel) -> Self {
        let (input, circuit, sensor) = match &channel.source {
            Source::Input(input) => (input_name(model, input), circuit_name(input), sensor_name(&input.sensor)),
            Source::Formula(formula) => (format!("= {}", formula.text), String::new(), ""),
        };
        Self {
            name: channel.name.clone(),
            label: channel.label.clone(),
            input,
            circuit,
            sensor,
            unit: channel.unit,
            span: channel.span,
            doubt: Doubt::of(channel),
        }
    }
}

fn input_name(model: &Model, input: &Input) -> String {
    let link = &model.links[input.link.index()];
    let field = |id: FieldId| match id {
        FieldId::REF => "ref".to_owned(),
        FieldId::VCC => "vcc".to_owned(),
        id => link.fields.get(id.index() - FieldId::FIXED.len()).cloned().unwrap_or_default(),
    };
    let name = match input.field {
        Field::Analog(id) | Field::Digital(id) | Field::Number(id) => field(id),
        Field::Pulse { field: id, take, .. } => match take {
            Take::Rate => field(id),
            Take::Count => format!("{}, count", field(id)),
            Take::Spread => format!("{}, spread", field(id)),
        },
        Field::Supply => "vcc".to_owned(),
        Field::LinkLost => "link.lost".to_owned(),
        Field::LinkBad => "link.bad".to_owned(),
        Field::LinkResets => "link.resets".to_owned(),
    };
    if model.links.len() > 1 { format!("{}:{name}", link.name) } else { name }
}

fn circuit_name(input: &Input) -> String {
    if !matches!(input.field, Field::Analog(_)) {
        return String::new();
    }
    let rail = |rail: Rail| match rail {
        Rail::Supply => "vcc".to_owned(),
        Rail::Volts(volts) => format!("{volts} V"),
    };
    match input.circuit {
        Circuit::Direct => "direct".to_owned(),
        Circuit::Divider { top, bottom } => format!("divider {} over {}", ohms(top), ohms(bottom)),
        Circuit::PullUp { resistor, to } => format!("pull-up {} to {}", ohms(resistor), rail(to)),
        Circuit::PullDown { resistor, to } => format!("pull-down {}, sensor to {}", ohms(resistor), rail(to)),
        Circuit::Amplifier { gain, offset } => format!("amplifier x{gain}, offset {offset} V"),
    }
}

fn ohms(value: f64) -> String {
    if value >= 1000.0 { format!("{} kohm", value / 1000.0) } else { format!("{value} ohm") }
}

fn sensor_name(sensor: &Sensor) -> &'static str {
    match sensor {
        Sensor::Curve { curve, ratiometric, .. } => match curve {
            Curve::Same => "",
            Curve::Linear(_) if ratiometric.is_some() => "linear, ratiometric",
            Curve::Linear(_) => "linear",
            Curve::Table(_) => "table",
            Curve::Thermistor(_) => "thermistor",
            Curve::Platinum(_) => "platinum",
            Curve::Polynomial(_) => "polynomial",
        },
        Sensor::Thermocouple { .. } => "thermocouple",
        Sensor::Pulses { .. } => "pulses",
        Sensor::Switch { .. } => "switch",
        Sensor::Number { .. } => "number",
    }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use crate::config::load;
    use crate::overview::Overview;

    #[rstest]
    #[case::direct("input = \"a0\"", "a0", "direct", "")]
    #[case::divider(
        "input = \"a1\"\ncircuit = { kind = \"divider\", top = \"30 kohm\", bottom = \"7.5 kohm\" }",
        "a1",
        "divider 30 kohm over 7.5 kohm",
        ""
    )]
    #[case::pull_up(
        "input = \"a2\"\ncircuit = { kind = \"pullup\", resistor = \"470 ohm\", to = \"3.3 V\" }\nsensor = { kind = \"rtd\", r0 = \"100 ohm\" }",
        "a2",
        "pull-up 470 ohm to 3.3 V",
        "platinum"
    )]
    #[case::pull_down(
        "input = \"a2\"\ncircuit = { kind = \"pulldown\", resistor = \"1 kohm\" }\nsensor = { kind = \"rtd\", r0 = \"1 kohm\" }",
        "a2",
        "pull-down 1 kohm, sensor to vcc",
        "platinum"
    )]
    #[case::amplifier(
        "input = \"a3\"\ncircuit = { kind = \"amplifier\", gain = 101, offset = \"0.5 V\" }",
        "a3",
        "amplifier x101, offset 0.5 V",
        ""
    )]
    #[case::count(
        "input = \"p2\"\ntake = \"count\"\nsensor = { kind = \"pulses\", count = 4, per = \"km\" }",
        "p2, count",
        "",
        "pulses"
    )]
    #[case::spread("input = \"p2\"\ntake = \"spread\"", "p2, spread", "", "")]
    #[case::switch("input = \"d4\"\nsensor = { kind = \"switch\", on = 0 }", "d4", "", "switch")]
    #[case::supply("input = \"vcc\"", "vcc", "", "")]
    #[case::lost("input = \"link.lost\"", "link.lost", "", "")]
    #[case::formula("formula = \"2 + 2\"", "= 2 + 2", "", "")]
    fn a_channel_is_told_in_short_words(
        #[case] lines: &str,
        #[case] input: &str,
        #[case] circuit: &str,
        #[case] sensor: &str,
    ) {
        let loaded = load(&format!("[channel.x]\n{lines}\n"));
        let model = loaded.model.unwrap_or_else(|| panic!("{:?}", loaded.mistakes));
        let wired = &Overview::of(&model).channels[0];
        assert_eq!((wired.input.as_str(), wired.circuit.as_str()), (input, circuit));
        assert!(sensor.is_empty() || wired.sensor == sensor, "{}", wired.sensor);
    }

    #[test]
    fn the_link_is_named_only_where_there_are_several() {
        let model = load("[link.front]\n[link.rear]\n[channel.x]\ninput = \"rear:a0\"\n").model.unwrap();
        assert_eq!(Overview::of(&model).channels[0].input, "rear:a0");
    }
}
