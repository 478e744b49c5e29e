//! What a config comes to: which channel hangs on which pin, what is used and free, which limits are in force, and what
//! the owner should know about each link.
//!
//! Owns the picking of these facts and the short words for inputs, circuits and sensors. In: a model. Out: plain structs
//! that a verb prints. Pure: opens no link, prints nothing, knows no reading. Nothing here repeats a mistake: what is
//! wrong with a config its own room says.

mod channels;
mod doubt;
mod links;
mod outputs;
mod pins;

pub use channels::Wired;
pub use doubt::{Doubt, Stale, StuckAfter};
pub use links::{Advice, Port};
pub use outputs::{Driven, OutputAdvice, Ruled};
pub use pins::{BOARD, Pins};

use crate::config::{Alarm, Event, Level, Limit, Model, TrustRules};
use crate::time::Micros;
use crate::unit::Unit;

/// All that follows from a config, each list in the order of the file.
#[derive(Clone, Debug, PartialEq)]
pub struct Overview {
    /// What the vehicle is called; empty where it has no name.
    pub name: String,
    /// Channels with their way from the pin.
    pub channels: Vec<Wired>,
    /// Limits in force, defaults filled in.
    pub alarms: Vec<InForce>,
    /// Events that are looked for.
    pub events: Vec<Event>,
    /// When a value is not trusted.
    pub trust: TrustRules,
    /// Pins of each controller whose pins are known by name.
    pub pins: Vec<Pins>,
    /// What is driven.
    pub outputs: Vec<Driven>,
    /// Links with what should be known about them.
    pub links: Vec<Port>,
}

/// A limit as it is watched.
#[derive(Clone, Debug, PartialEq)]
pub struct InForce {
    /// The name of its channel.
    pub channel: String,
    /// How bad.
    pub level: Level,
    /// The side and the limit, in `unit`.
    pub limit: Limit,
    /// The unit of the channel.
    pub unit: Unit,
    /// How far back before it clears, in `unit`.
    pub deadband: f64,
    /// Must hold so long before it sounds.
    pub after: Micros,
    /// Must be gone so long before it clears.
    pub until: Micros,
    /// The condition that it sleeps without, as written.
    pub when: Option<String>,
    /// Stays until it is reset.
    pub latch: bool,
    /// What it says to do.
    pub text: String,
}

impl Overview {
    /// What `model` comes to.
    pub fn of(model: &Model) -> Self {
        Self {
            name: model.name.clone(),
            channels: model.channels.iter().map(|channel| Wired::of(model, channel)).collect(),
            alarms: model.alarms.iter().map(|alarm| in_force(model, alarm)).collect(),
            events: model.events.clone(),
            trust: model.trust.clone(),
            pins: pins::all(model),
            outputs: outputs::all(model),
            links: model.links.iter().map(|link| Port::of(model, link)).collect(),
        }
    }
}

fn in_force(model: &Model, alarm: &Alarm) -> InForce {
    let channel = &model.channels[alarm.channel.index()];
    InForce {
        channel: channel.name.clone(),
        level: alarm.level,
        limit: alarm.limit,
        unit: channel.unit,
        deadband: alarm.deadband,
        after: alarm.after,
        until: alarm.until,
        when: alarm.when.as_ref().map(|when| when.text.clone()),
        latch: alarm.latch,
        text: alarm.text.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::load;
    use crate::time::SECOND;

    fn overview(text: &str) -> Overview {
        Overview::of(&load(text).model.unwrap())
    }

    #[test]
    fn an_alarm_is_listed_with_the_defaults_that_are_in_force() {
        let text = "[channel.oil]\ninput = \"a1\"\nunit = \"bar\"\nspan = [0, 8]\n\
            sensor = { kind = \"linear\", from = [\"0.5 V\", \"4.5 V\"], to = [\"0 bar\", \"8 bar\"] }\n\
            [[channel.oil.alarm]]\nlevel = \"danger\"\nbelow = 0.8\ntext = \"Stop the engine\"\n";
        let alarm = &overview(text).alarms[0];
        // The config format: 1 s for a pressure at danger, `until` twice that, 2 % of the span.
        assert_eq!((alarm.after, alarm.until), (SECOND, 2 * SECOND));
        assert!((alarm.deadband - 0.16).abs() < 1e-12);
        assert_eq!((alarm.channel.as_str(), alarm.limit, alarm.when.as_deref()), ("oil", Limit::Below(0.8), None));
    }
}
