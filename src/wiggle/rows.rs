//! What is held of the inputs, in words for the page.
//!
//! Owns the order (what is gone, then the most dropouts, then as they came) and the numbers' form. What is counted is
//! put into volts and into the channel's unit by the way that readings go. Pure.

use std::cmp::Reverse;

use super::harness::{Harness, Input, Kind};
use crate::channel::{Conditions, Transfer};
use crate::circuit::pin_volts;
use crate::config::{Channel, Cold, Field, LinkId, Model, Sensor, Source, Take};
use crate::curve::brief;
use crate::screen::{HarnessPage, HarnessRow, Port, age, link_trouble, number};
use crate::state::Snapshot;
use crate::time::{MILLISECOND, Micros, SECOND, Stamp};

/// What the page is made from.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scene<'a> {
    pub model: &'a Model,
    pub snapshot: &'a Snapshot,
    pub harness: &'a Harness,
    pub now: Stamp,
    /// Since the beginning or the last clearing.
    pub since: Stamp,
    /// Lost readings and restarts at that time.
    pub before: (u64, u64),
}

/// Readings lost and restarts of all links so far.
pub(super) fn losses(snapshot: &Snapshot) -> (u64, u64) {
    let links = snapshot.links.iter();
    links.fold((0, 0), |(lost, restarts), link| (lost + link.lost, restarts + link.restarts))
}

impl Scene<'_> {
    pub fn page(&self) -> HarnessPage {
        let mut inputs: Vec<_> = self.harness.inputs().collect();
        // Nothing that is still is moved by this: what came first stays first.
        crate::order::by_key(&mut inputs, |(_, input)| Reverse((input.lost_since().is_some(), input.held.count)));
        let last = self.harness.last().and_then(|place| self.harness.input(place));
        HarnessPage {
            head: self.head(),
            troubles: self.troubles(),
            gone: last.is_some_and(|input| input.lost_since().is_some()),
            last: last.map(|input| (self.label(input), self.about(input))),
            hints: [
                format!("Quiet for {}. Move one plug, listen.", age(self.now.since(self.since))),
                "Engine off, or hands off belts and fan.".to_owned(),
            ],
            rows: inputs.into_iter().map(|(_, input)| self.row(input)).collect(),
        }
    }

    fn head(&self) -> String {
        let rate: u32 = self.snapshot.links.iter().map(|link| link.lines_per_s).sum();
        let (lost, restarts) = losses(self.snapshot);
        let (lost, restarts) = (lost - self.before.0.min(lost), restarts - self.before.1.min(restarts));
        let mut head = format!("wiggle  {rate} lines/s");
        if restarts > 0 {
            head.push_str(&format!("  CONTROLLER RESTARTED {restarts}x"));
        }
        if lost > 0 {
            head.push_str(&format!("  {lost} lines lost"));
        }
        head
    }

    fn troubles(&self) -> Vec<String> {
        let links = self.model.links.iter().zip(&self.snapshot.links).filter(|(link, _)| !link.device.is_empty());
        links
            .filter_map(|(link, shown)| {
                let port = Port { link: &link.name, device: &link.device };
                // As short as the least screen wants it: the page names every port alike.
                link_trouble(port, shown, self.now, 38)
            })
            .collect()
    }

    /// The channel that reads the input, if the config has one.
    fn channel(&self, input: &Input) -> Option<&Channel> {
        self.model.channels.iter().find(|channel| {
            let Source::Input(source) = &channel.source else { return false };
            let of_field = |field| source.link == input.link && field == input.field;
            match source.field {
                Field::Analog(field) | Field::Pulse { field, .. } | Field::Digital(field) | Field::Number(field) => {
                    of_field(field)
                }
                Field::Supply | Field::LinkLost | Field::LinkBad | Field::LinkResets => false,
            }
        })
    }

    fn label(&self, input: &Input) -> String {
        match (input.kind, self.channel(input)) {
            (_, Some(channel)) => channel.label.clone(),
            (Kind::Reference | Kind::Supply, None) => "Supply".to_owned(),
            _ => self.harness.name(input).to_owned(),
        }
    }

    /// Label and pin; with several links, the link too.
    fn name(&self, input: &Input) -> String {
        let (label, pin) = (self.label(input), self.harness.name(input));
        let link = self.model.links.get(input.link.index()).filter(|_| self.model.links.len() > 1);
        let link = link.map_or(String::new(), |link| format!(" {}", link.name));
        if label == pin { format!("{pin}{link}") } else { format!("{label} {pin}{link}") }
    }

    fn with(&self, input: &Input) -> String {
        let others = input.held.with.iter().filter_map(|place| self.harness.input(*place));
        let names = others.map(|other| self.name(other)).collect::<Vec<_>>();
        if names.is_empty() { String::new() } else { format!("moved with it: {}", names.join(", ")) }
    }

    /// A sentence about the last dropout.
    fn about(&self, input: &Input) -> String {
        let pin = self.harness.name(input);
        let what = match (input.lost_since(), &input.held) {
            (Some(since), _) => format!("gone since {}", age(self.now.since(since))),
            (None, held) => {
                let ago = held.last.map_or(0, |last| self.now.since(last));
                let shortest =
                    held.shortest.map_or(String::new(), |shortest| format!(", shortest {}", short(shortest)));
                format!("{}{shortest}, {} ago", dropouts(held.count), age(ago))
            }
        };
        let with = self.with(input);
        if with.is_empty() { format!("{pin}: {what}; nothing else moved") } else { format!("{pin}: {what}; {with}") }
    }

    fn row(&self, input: &Input) -> HarnessRow {
        let held = &input.held;
        let some = |text: String, there: bool| if there { text } else { String::new() };
        HarnessRow {
            name: self.name(input),
            out: input.lost_since().map_or(String::new(), |since| format!("gone {}", age(self.now.since(since)))),
            count: some(dropouts(held.count), held.count > 0),
            shortest: held.shortest.map_or(String::new(), short),
            ago: held.last.map_or(String::new(), |last| format!("{} ago", age(self.now.since(last)))),
            extremes: held.extremes.map_or([const { String::new() }; 3], |ends| self.extremes(input, ends)),
            with: self.with(input),
        }
    }

    fn extremes(&self, input: &Input, (low, high): (f64, f64)) -> [String; 3] {
        let link = input.link;
        let supply = self.snapshot.links.get(link.index()).and_then(|shown| shown.supply);
        let adc_max = self.harness.adc_max(link);
        let none = String::new;
        match input.kind {
            Kind::Analog => {
                let volts = supply.map_or(none(), |supply| {
                    let volts = |counts| number(pin_volts(counts, adc_max, supply), 2);
                    range(volts(low), volts(high), " V")
                });
                [range(brief(low, 5), brief(high, 5), ""), volts, self.value(input, low, high, supply)]
            }
            Kind::Reference => {
                let reference = self.model.links.get(link.index()).map_or(f64::NAN, |link| link.reference);
                let volts = |counts: f64| number(reference * (adc_max + 1.0) / counts, 2);
                [range(brief(low, 5), brief(high, 5), ""), range(volts(high), volts(low), " V"), none()]
            }
            Kind::Supply => [none(), range(number(low / 1e3, 2), number(high / 1e3, 2), " V"), none()],
            Kind::Pulse => [none(), range(brief(low, 4), brief(high, 4), " Hz"), self.value(input, low, high, supply)],
            Kind::Level => [range(brief(low, 1), brief(high, 1), ""), none(), self.value(input, low, high, supply)],
            Kind::Number => [range(brief(low, 5), brief(high, 5), ""), none(), self.value(input, low, high, supply)],
        }
    }

    /// The two ends in the channel's unit; where a value cannot be trusted, its state.
    fn value(&self, input: &Input, low: f64, high: f64, supply: Option<f64>) -> String {
        let transfer =
            self.channel(input).and_then(|channel| Some((channel, self.transfer(channel, input.link, supply)?)));
        let Some((channel, mut transfer)) = transfer else { return String::new() };
        let mut ends = [low, high].map(|raw| transfer.at_raw(raw).value);
        if let [Some(first), Some(second)] = ends.map(crate::channel::Value::good)
            && first > second
        {
            ends.swap(0, 1);
        }
        let text = ends.map(|end| match (end.good(), &channel.words) {
            (Some(value), Some([off, on])) => if value == 0.0 { off } else { on }.clone(),
            (Some(value), None) => number(value, channel.digits),
            (None, _) => end.trust().words().to_owned(),
        });
        let unit = if channel.words.is_none() { channel.unit.symbol() } else { String::new() };
        let unit = if unit.is_empty() || unit == "1" { String::new() } else { format!(" {unit}") };
        match (text, ends.map(crate::channel::Value::good)) {
            ([first, second], [Some(_), Some(_)]) => range(first, second, &unit),
            ([one, other], [None, None]) if one == other => one,
            ([first, second], [None, None]) => format!("{first}, {second}"),
            // What cannot be trusted is no end of a range.
            ([state, value], [None, Some(_)]) | ([value, state], [Some(_), None]) => format!("{value}{unit}, {state}"),
        }
    }

    /// The way of `channel` as things stand; none where what is held is nothing that it begins with.
    fn transfer(&self, channel: &Channel, link: LinkId, supply: Option<f64>) -> Option<Transfer> {
        let Source::Input(source) = &channel.source else { return None };
        if matches!(source.field, Field::Pulse { take: Take::Count | Take::Spread, .. }) {
            return None;
        }
        let mut given = Conditions { adc_max: self.harness.adc_max(link), ..Conditions::usual(self.model) };
        match (source.field, supply) {
            (Field::Analog(_), None) => return None,
            (_, supply) => given.supply = supply.unwrap_or(given.supply),
        }
        if let Sensor::Thermocouple { cold: Cold::Channel(cold, into), .. } = &source.sensor {
            given.cold = into.at(self.snapshot.channels.get(cold.index())?.value.good()?);
        }
        Transfer::new(channel, &self.model.trust, given)
    }
}

fn dropouts(count: u32) -> String {
    if count == 1 { "1 dropout".to_owned() } else { format!("{count} dropouts") }
}

fn range(low: String, high: String, unit: &str) -> String {
    if low == high { format!("{low}{unit}") } else { format!("{low} to {high}{unit}") }
}

/// A length of time that may be short.
fn short(span: Micros) -> String {
    if span < SECOND { format!("{} ms", (span + MILLISECOND / 2) / MILLISECOND) } else { age(span) }
}
