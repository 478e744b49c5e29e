//! The engine: governor, fuel feed, torque stroke by stroke, and the angle of its crankshaft.
//!
//! Owns what turns and what feeds it. In: the driver's lever, the clutch's torque, the faults. Out: speed, angle, load,
//! feed pressure. All constants are invented data of the demo, chosen to be plausible for a naturally aspirated
//! four-cylinder diesel of some three litres with an in-line injection pump and an all-speed governor.

use std::f64::consts::PI;

use super::random::Random;

/// Full torque over speed: 1/min, N m.
const FULL_TORQUE: [(f64, f64); 8] = [
    (0.0, 120.0),
    (400.0, 170.0),
    (800.0, 215.0),
    (1200.0, 242.0),
    (1600.0, 248.0),
    (2000.0, 236.0),
    (2300.0, 218.0),
    (2500.0, 190.0),
];
/// Inertia of crankshaft and generator-set flywheel, kg m².
const INERTIA: f64 = 0.9;
/// From no rack to full rack the speed falls by so much below what the lever asks for, 1/min.
pub(super) const DROOP: f64 = 160.0;
/// The governor follows with this time constant, s.
const GOVERNOR_LAG_S: f64 = 0.04;
/// Compressing and expanding takes and gives so much torque at the crank, N m.
const COMPRESSION: f64 = 55.0;
/// Fuel for each kilowatt inside the cylinders, L/h.
const LITRES_PER_KILOWATT: f64 = 0.24;
/// Pressure lost in a clean filter and its pipes, bar for each L/h.
const FILTER_DROP: f64 = 0.024;

/// What the engine is asked and given in a step.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Ask {
    /// The speed that the lever asks for, 1/min.
    pub(super) lever: f64,
    /// Torque that the clutch takes, N m.
    pub(super) clutch: f64,
    /// The starter is engaged.
    pub(super) starter: bool,
    /// The stop solenoid has let go: no fuel.
    pub(super) cut: bool,
    /// The feed filter is dirty.
    pub(super) dirty: bool,
    /// Coolant temperature, degC: a cold engine is stiffer.
    pub(super) coolant: f64,
}

/// The engine's state.
#[derive(Clone, Debug)]
pub(super) struct Engine {
    /// Crankshaft speed, rad/s, never below 0.
    pub(super) omega: f64,
    /// Crankshaft angle since the start of the story, rad.
    pub(super) angle: f64,
    /// Position of the rack, 0 to 1.
    pub(super) rack: f64,
    /// How much of the fuel asked for gets into the cylinders, 0 to 1.
    pub(super) fill: f64,
    /// Fuel burnt, L/h.
    pub(super) burnt: f64,
    /// Pressure ahead of the injection pump, bar above the air's.
    pub(super) feed: f64,
    /// Air in the injection pump, 0 to 1.
    air: f64,
    /// How clogged the filter is: its drop is this many times the clean one more.
    clog: f64,
    /// How well the cylinder that fires now burns, 1 is usual.
    stroke: f64,
    stroke_number: u64,
    random: Random,
}

impl Engine {
    pub(super) fn new(random: Random) -> Self {
        Self {
            omega: 0.0,
            angle: 0.3,
            rack: 0.0,
            fill: 1.0,
            burnt: 0.0,
            feed: 0.25,
            air: 0.0,
            clog: 0.0,
            stroke: 1.0,
            stroke_number: 0,
            random,
        }
    }

    /// Crankshaft speed, 1/min.
    pub(super) fn rpm(&self) -> f64 {
        self.omega * 30.0 / PI
    }

    /// Moves on by `dt` seconds.
    pub(super) fn step(&mut self, dt: f64, ask: &Ask) {
        let rpm = self.rpm();
        let rack = if ask.cut { 0.0 } else { ((ask.lever - rpm) / DROOP).clamp(0.0, 1.0) };
        self.rack += (rack - self.rack) * (dt / GOVERNOR_LAG_S);
        let friction = friction(rpm, ask.coolant);
        let most = if rpm > 90.0 { interpolate(&FULL_TORQUE, rpm) + friction } else { 0.0 };
        self.step_feed(dt, ask.dirty, self.rack * most * self.omega / 1000.0 * LITRES_PER_KILOWATT);
        self.step_stroke();
        let mean = self.rack * most * self.fill * self.stroke;
        self.burnt = mean * self.omega / 1000.0 * LITRES_PER_KILOWATT;
        let torque = self.pulsing(mean) - friction.min(self.omega * 400.0) + starter(ask.starter, rpm) - ask.clutch;
        self.omega = (self.omega + torque / INERTIA * dt).max(0.0);
        self.angle += self.omega * dt;
    }

    /// Torque at this angle: two strokes fire in each turn. It fades where the engine hardly turns, so that it can
    /// come to rest.
    fn pulsing(&self, mean: f64) -> f64 {
        let turns = (self.omega / 20.0).min(1.0);
        mean * (1.0 - (2.0 * self.angle).cos()) - COMPRESSION * turns * (2.0 * self.angle).sin()
    }

    /// The lift pump, the filter and what reaches the injection pump.
    fn step_feed(&mut self, dt: f64, dirty: bool, asked: f64) {
        let rpm = self.rpm();
        let flow = asked + 3.0 * rpm / 2000.0;
        let (rest, most) = if dirty { (0.6, 5.0) } else { (0.0, 0.0) };
        // Dirt is drawn onto the paper while much flows, and falls off when little does.
        let growth = if flow > 12.0 { (most - self.clog) * (flow - 12.0) / 56.0 } else { (rest - self.clog) / 7.0 };
        self.clog = (self.clog + growth * dt).clamp(0.0, 8.0);
        let pump = if rpm > 60.0 { 1.05 + 0.9 * (rpm / 2000.0).min(1.15) } else { 0.0 };
        let target = (pump - FILTER_DROP * flow * (1.0 + self.clog)).max(0.0);
        let lag = if rpm > 60.0 { 0.45 } else { 9.0 };
        self.feed += (target - self.feed) * (dt / lag);
        let rises = if self.feed < 0.33 { (1.0 - self.air) / 0.25 } else { 0.0 };
        // The last of it goes quickly; until then the plungers squeeze bubbles.
        let falls = if self.feed > 0.45 { if self.air > 0.33 { 0.2 } else { 0.7 } } else { 0.0 };
        self.air = (self.air + (rises - falls) * dt).clamp(0.0, 1.0);
        let reaches = ((self.feed - 0.15) / 0.45).clamp(0.1, 1.0);
        // Below some 450/min so little is drawn that the pump frees itself of air, and the engine catches.
        let caught = ((480.0 - rpm) / 180.0).clamp(0.0, 0.45);
        self.fill = if rpm < 60.0 { 1.0 } else { (reaches * (1.0 - self.air).powf(3.5) + caught).min(1.0) };
    }

    /// Every half turn another cylinder fires; no two burn quite alike, and with too little fuel some do not at all.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "the angle only grows from above 0")]
    fn step_stroke(&mut self) {
        let number = (self.angle / PI) as u64;
        if number == self.stroke_number {
            return;
        }
        self.stroke_number = number;
        let misses = self.random.chance(0.9 * (1.0 - self.fill));
        // What one cylinder does not get, another may get too much of.
        let spare = 0.5 * (1.0 - self.fill);
        self.stroke = if misses { 0.05 } else { 1.0 + spare + 0.015 * self.random.noise() };
    }
}

/// Torque lost to friction and pumping, N m.
fn friction(rpm: f64, coolant: f64) -> f64 {
    (38.0 + 0.02 * rpm) * (1.0 + 0.7 * (-coolant.max(-20.0) / 30.0).exp())
}

/// Torque of the starter, N m.
fn starter(on: bool, rpm: f64) -> f64 {
    if on { (320.0 * (1.0 - rpm / 330.0)).max(0.0) } else { 0.0 }
}

/// Full torque at `rpm` less friction, as a driver knows it from experience, N m.
pub(super) fn full_torque(rpm: f64) -> f64 {
    interpolate(&FULL_TORQUE, rpm)
}

/// Straight pieces between rising points; the end values outside.
pub(super) fn interpolate(points: &[(f64, f64)], x: f64) -> f64 {
    let above = points.partition_point(|point| point.0 <= x);
    if above == 0 {
        return points.first().map_or(0.0, |point| point.1);
    }
    match (points.get(above - 1), points.get(above)) {
        (Some(low), Some(high)) => low.1 + (high.1 - low.1) * (x - low.0) / (high.0 - low.0),
        (Some(last), None) => last.1,
        _ => 0.0,
    }
}
