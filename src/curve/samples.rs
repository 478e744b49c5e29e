//! The places of a transfer function that are looked at: every count of a converter, or an even row of inputs.

use crate::channel::{At, Transfer, Trust};
use crate::config::{Channel, Sensor, Source};
use crate::unit::Unit;

/// The most places: a converter of more bits than 12 is looked at in steps.
const MOST: u32 = 4096;
/// Places of a channel that has no counts.
const ROW: u32 = 256;
/// How far beyond the ends of its curve such a channel is looked at, as a share of the curve.
const BEYOND: f64 = 0.1;

/// A transfer function at many places, in the order of what comes in.
#[derive(Clone, Debug)]
pub struct Samples {
    /// The places.
    pub points: Vec<At>,
    /// How far apart two of them are, in counts or the input's unit.
    pub apart: f64,
}

/// Neighbouring places of one state.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Region {
    /// The first, as it comes in.
    pub from: f64,
    /// The last.
    pub to: f64,
    /// What they are.
    pub trust: Trust,
}

impl Samples {
    /// Looks at the whole of `transfer`, which is that of `channel`.
    pub fn of(channel: &Channel, transfer: &mut Transfer) -> Self {
        let (low, high, places) = if transfer.has_counts() {
            let most = transfer.given().adc_max;
            (0.0, most, most.min(f64::from(MOST)))
        } else {
            let (low, high) = ends(channel, transfer);
            (low, high, f64::from(if is_switch(channel) { 1 } else { ROW }))
        };
        let apart = (high - low) / places;
        let mut points = Vec::new();
        let mut place = 0.0;
        while place <= places {
            points.push(transfer.at_raw(low + apart * place));
            place += 1.0;
        }
        Self { points, apart }
    }

    /// The ends of what comes in.
    pub fn ends(&self) -> (f64, f64) {
        let raw = |point: Option<&At>| point.map_or(f64::NAN, |point| point.raw);
        (raw(self.points.first()), raw(self.points.last()))
    }

    /// Lowest and highest good value; `None` where there is none.
    pub fn values(&self) -> Option<(f64, f64)> {
        let good = || self.points.iter().filter_map(|point| point.value.good());
        let (low, high) = (good().fold(f64::INFINITY, f64::min), good().fold(f64::NEG_INFINITY, f64::max));
        (low <= high).then_some((low, high))
    }

    /// What lies beside each other with the same state, in order.
    pub fn regions(&self) -> Vec<Region> {
        let mut regions: Vec<Region> = Vec::new();
        for point in &self.points {
            let trust = point.value.trust();
            match regions.last_mut() {
                Some(last) if last.trust == trust => last.to = point.raw,
                _ => regions.push(Region { from: point.raw, to: point.raw, trust }),
            }
        }
        regions
    }

    /// What one place more makes of the value at `index`, without sign; `None` at an end of what is trusted.
    pub fn step(&self, index: usize) -> Option<f64> {
        let next = self.points.get(index + 1)?.value.good()?;
        Some((next - self.points.get(index)?.value.good()?).abs())
    }

    /// The indices of `wanted` places, even over what is trusted, both ends included.
    pub fn rows(&self, wanted: usize) -> Vec<usize> {
        let good: Vec<usize> =
            (0..self.points.len()).filter(|&index| self.points[index].value.good().is_some()).collect();
        let Some(last) = good.len().checked_sub(1) else { return Vec::new() };
        let mut rows: Vec<usize> =
            (0..wanted).filter_map(|row| good.get(row * last / (wanted - 1).max(1)).copied()).collect();
        rows.dedup();
        rows
    }
}

fn is_switch(channel: &Channel) -> bool {
    matches!(&channel.source, Source::Input(input) if matches!(input.sensor, Sensor::Switch { .. }))
}

/// From where to where a channel without counts is looked at: its curve and somewhat more, or what its span takes.
fn ends(channel: &Channel, transfer: &Transfer) -> (f64, f64) {
    if is_switch(channel) {
        return (0.0, 1.0);
    }
    if let Source::Input(input) = &channel.source
        && let Sensor::Curve { curve, takes, .. } = &input.sensor
        && let Some((low, high)) = curve.input_range()
    {
        let into = |x: f64| takes.convert(x, transfer.takes()).unwrap_or(x);
        let (low, high) = (into(low), into(high));
        let more = (high - low) * BEYOND;
        return (low - more, high + more);
    }
    straight(channel, transfer)
}

/// The same where the way is a straight line: from nothing, or the lower end of the span, to its upper end.
fn straight(channel: &Channel, transfer: &Transfer) -> (f64, f64) {
    let usual = if transfer.takes() == Unit::HERTZ { 1000.0 } else { 100.0 };
    let (nothing, one) = (transfer.at_input(0.0).value.good(), transfer.at_input(1.0).value.good());
    let (Some((low, high)), Some(nothing), Some(one)) = (channel.span, nothing, one) else { return (0.0, usual) };
    let of = |value: f64| (value - nothing) / (one - nothing);
    let (a, b) = (of(low), of(high));
    let (low, high) = (a.min(b), a.max(b));
    if low.is_finite() && high.is_finite() && low < high { (low, high) } else { (0.0, usual) }
}
