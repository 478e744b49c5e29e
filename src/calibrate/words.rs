//! What is said about a calibration, in lines for a terminal of given width.

use super::gather::{SPAN, Unsteady};
use super::propose::{Change, Pair, Proposal, with_unit};
use crate::channel::{Conditions, Transfer};
use crate::config::{Channel, Model};
use crate::curve::{Plot, Samples, Series, Signs, brief, wrapped};
use crate::time::{MILLISECOND, SECOND};
use crate::unit::{Kind, Unit};

/// Rows of a drawing.
const ROWS: usize = 8;
/// Between two drawings side by side.
const GAP: usize = 2;
/// A drawing narrower than this is no use; two then stand one above the other.
const NARROW: usize = 34;

/// What to mind while pairs are taken at an engine, for a channel of that unit.
pub fn caution(unit: Unit) -> &'static str {
    match unit.kind() {
        Kind::Temperature => {
            "Vehicle standing, wheels chocked, nothing near belts and fan. Never open a hot cooling system. Local rules and a \
             mechanic come first."
        }
        Kind::Pressure => {
            "Vehicle standing, wheels chocked, nothing near belts and fan. Hot oil and fuel spray: fit gauges with the engine off. \
             A mechanic comes first."
        }
        _ => {
            "Vehicle standing, wheels chocked, nothing near belts, fan or hot parts. Local rules and a mechanic come first."
        }
    }
}

/// Why a raw value cannot be taken, in `unit`, behind "it".
pub fn unsteady(why: Unsteady, unit: Unit) -> String {
    let size = |number: f64| with_unit(number, 2, unit);
    match why {
        Unsteady::TooLittle(0) => "no reading there".to_owned(),
        Unsteady::TooLittle(covered) => {
            let tenths = (covered / (100 * MILLISECOND)) as f64;
            format!("only {} s of readings, of the {} s that are wanted", tenths / 10.0, SPAN / SECOND)
        }
        Unsteady::Untrusted(trust) => format!("not trusted: {}", trust.words()),
        Unsteady::Moved(by, most) => {
            format!("still moving: by {} within {} s, at most {}", size(by), SPAN / SECOND, size(most))
        }
        Unsteady::Scattered(by, most) => format!("too restless: scatters by {}, at most {}", size(by), size(most)),
    }
}

/// Everything about `proposal` for the channel at `place` of `model`, as it was.
pub fn lines(
    model: &Model,
    place: usize,
    pairs: &[Pair],
    proposal: &Proposal,
    columns: usize,
    signs: Signs,
) -> Vec<String> {
    let columns = columns.clamp(40, 100);
    let Some(channel) = model.channels.get(place) else { return Vec::new() };
    let unit = signs.unit(channel.unit);
    // The drawings first: on a small terminal what is asked about stands last.
    let mut lines = drawings(model, place, pairs, proposal, columns, signs);
    lines.extend(table(pairs, proposal, &unit));
    lines.push(String::new());
    for sentence in change(channel, proposal, &unit, pairs.len()) {
        lines.extend(wrapped(&sentence, columns));
    }
    for warning in &proposal.warnings {
        lines.extend(wrapped(&format!("Mind: {warning}."), columns));
    }
    lines
}

fn table(pairs: &[Pair], proposal: &Proposal, unit: &str) -> Vec<String> {
    let row = |cells: [&str; 5]| {
        let [number, raw, gauge, old, new] = cells;
        format!("{number:>4}{raw:>9}{gauge:>9}{old:>9}{new:>9}")
    };
    let mut lines = vec![row(["pair", "raw", "gauge", "old off", "new off"])];
    if !unit.is_empty() {
        lines.push(row(["", unit, unit, unit, unit]));
    }
    for (place, pair) in pairs.iter().enumerate() {
        let off = |list: &[f64]| list.get(place).map_or_else(String::new, |&off| signed(off));
        let (raw, gauge) = (brief(pair.mean.value, 4), brief(pair.gauge, 4));
        lines.push(row([&(place + 1).to_string(), &raw, &gauge, &off(&proposal.before), &off(&proposal.after)]));
    }
    lines
}

/// What is left of rounding is nothing.
fn signed(off: f64) -> String {
    let text = brief(if off.abs() < 1e-6 { 0.0 } else { off }, 3);
    if off > 0.0 && text != "0" { format!("+{text}") } else { text }
}

fn change(channel: &Channel, proposal: &Proposal, unit: &str, pairs: usize) -> Vec<String> {
    let with = |number: f64, digits: i32| format!("{} {unit}", brief(number, digits)).trim_end().to_owned();
    match &proposal.change {
        Change::Line { gain, offset, errors } => {
            let old = channel.calibration.as_ref().map_or((1.0, 0.0), |old| (old.gain, old.offset));
            let kept = if pairs == 1 { " (one pair says nothing of it)" } else { "" };
            let mut said = vec![
                format!("gain   {} -> {}{kept}", brief(old.0, 6), brief(*gain, 6)),
                format!("offset {} -> {}", with(old.1, 6), with(*offset, 6)),
            ];
            if let Some(errors) = errors {
                said.push(format!("standard error {} over {pairs} pairs", with(errors.residual, 3)));
                let (slope, intercept) = (brief(errors.slope, 2), with(errors.intercept, 2));
                said.push(format!("standard deviation of gain {slope}, of offset {intercept}"));
            }
            said
        }
        Change::Curve([a, b, c]) => {
            let mut said = vec!["new constants for the thermistor (Steinhart-Hart):".to_owned()];
            said.extend([("a", a), ("b", b), ("c", c)].map(|(name, constant)| format!("  {name} = {constant:e}")));
            if channel.calibration.is_some() {
                said.push("the old gain and offset become 1 and 0, since the curve itself is right then".to_owned());
            }
            said
        }
    }
}

/// The old and the new curve with the pairs on them, side by side where there is room.
fn drawings(
    model: &Model,
    place: usize,
    pairs: &[Pair],
    proposal: &Proposal,
    columns: usize,
    signs: Signs,
) -> Vec<String> {
    let samples = |model: &Model| {
        let channel = model.channels.get(place)?;
        let mut transfer = Transfer::new(channel, &model.trust, Conditions::usual(model))?;
        let incoming = if transfer.has_counts() { "counts".to_owned() } else { signs.unit(transfer.takes()) };
        Some((Samples::of(channel, &mut transfer), incoming))
    };
    let (Some((old, incoming)), Some((new, _))) = (samples(model), samples(&proposal.model)) else { return Vec::new() };
    let side = columns.saturating_sub(GAP) / 2;
    let beside = side >= NARROW;
    let width = if beside { side } else { columns };
    let values = old.values().into_iter().chain(new.values());
    let gauges = pairs.iter().map(|pair| (pair.gauge, pair.gauge));
    let Some(up) = values.chain(gauges).reduce(|all, one| (all.0.min(one.0), all.1.max(one.1))) else {
        return Vec::new();
    };
    let draw = |title: &str, samples: &Samples| {
        let plot = Plot { columns: width, rows: ROWS, across: samples.ends(), up, signs };
        let line = samples.points.iter().map(|point| (point.raw, point.value.good())).collect();
        let marks = pairs.iter().map(|pair| (pair.mean.raw, pair.gauge)).collect();
        let mut lines = vec![format!("{:8}{title}", "")];
        lines.extend(plot.draw(&Series { line, marks }));
        lines.push(plot.below(&incoming));
        lines
    };
    let (old, new) = (draw("old; o is what the gauge said", &old), draw("new", &new));
    if beside {
        side_by_side(old, new, side + GAP)
    } else {
        [old, vec![String::new()], new, vec![String::new()]].concat()
    }
}

fn side_by_side(left: Vec<String>, right: Vec<String>, width: usize) -> Vec<String> {
    let mut lines: Vec<String> =
        left.into_iter().zip(right).map(|(left, right)| format!("{left:width$}{right}")).collect();
    lines.push(String::new());
    lines
}
