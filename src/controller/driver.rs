//! The simulated driver: key, starter, lever, clutch, gears and brake.
//!
//! Owns what a person does with a lorry. In: what the driver sees, hears and feels ([`Feel`]) and the road ahead. Out:
//! [`Controls`]. Knows nothing of the story: when the engine falters this driver does what any other would, takes the
//! load off with the clutch, waits until it runs again, and drives on.

use super::engine::{DROOP, full_torque};
use super::random::Random;
use super::road::Spot;

/// Gear ratios from first to fifth; invented data of the demo.
pub(super) const GEARS: [f64; 5] = [6.0, 3.5, 2.1, 1.4, 1.0];
/// Ratio of the rear axle.
pub(super) const AXLE: f64 = 5.6;
/// Way of one turn of a wheel, m.
pub(super) const ROUND_M: f64 = 2.8;
/// Laden mass, kg.
pub(super) const MASS: f64 = 4800.0;
/// Share of the weight that rolling takes.
pub(super) const ROLLING: f64 = 0.012;
/// Torque from the crank that reaches the wheels, as a share.
pub(super) const THROUGH: f64 = 0.9;

/// What the driver sees, hears and feels.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Feel {
    /// Seconds since the start of the story.
    pub(super) now: f64,
    /// 1/min.
    pub(super) rpm: f64,
    /// m/s.
    pub(super) speed: f64,
    /// The share of what the lever asks for that the engine gives.
    pub(super) pull: f64,
}

/// What the driver does.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Controls {
    pub(super) key: bool,
    pub(super) preheat: bool,
    pub(super) starter: bool,
    /// The speed that the lever asks for, 1/min.
    pub(super) lever: f64,
    /// How far the clutch is closed, 0 to 1.
    pub(super) clutch: f64,
    /// Index into [`GEARS`].
    pub(super) gear: usize,
    /// Braking, m/s².
    pub(super) brake: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Phase {
    Away,
    Preheat,
    Crank,
    Idle { until: f64 },
    PullAway { began: f64 },
    InGear { since: f64 },
    Shift { began: f64, to: usize },
    Closing { began: f64 },
    Nurse { well_since: f64 },
}

/// The driver's state.
#[derive(Clone, Debug)]
pub(super) struct Driver {
    phase: Phase,
    controls: Controls,
    /// Slow part of how much the driver asks for, 0 to 1.
    habit: f64,
    foot: f64,
    faltering_for: f64,
    /// Until then the driver goes easy on an engine that has faltered, s.
    gentle_until: f64,
    unsteady: f64,
    random: Random,
}

/// How much a driver asks for who goes easy on the engine, as a share of all.
const GENTLE: f64 = 0.72;
/// And the highest speed that such a driver takes it to, 1/min.
const GENTLE_RPM: f64 = 2080.0;
const LOW_IDLE: f64 = 780.0;
const HIGH: f64 = 2520.0;
/// When the key is turned, when the starter, in seconds of the story.
const KEY_S: f64 = 3.0;
const START_S: f64 = 9.0;

impl Driver {
    pub(super) fn new(random: Random) -> Self {
        let controls = Controls { lever: LOW_IDLE, brake: 3.0, ..Controls::default() };
        Self {
            phase: Phase::Away,
            controls,
            habit: 0.4,
            foot: 0.0,
            faltering_for: 0.0,
            gentle_until: 0.0,
            unsteady: 0.0,
            random,
        }
    }

    /// What the driver does at this moment. `stopped` is set when the lorry has stopped where one stops.
    pub(super) fn step(&mut self, dt: f64, feel: &Feel, spot: &Spot, stopped: &mut bool) -> Controls {
        match self.phase {
            Phase::Away => self.away(feel),
            Phase::Preheat => self.preheat(feel),
            Phase::Crank => self.crank(feel),
            Phase::Idle { until } => self.idle(feel, until),
            Phase::PullAway { began } => self.pull_away(feel, began),
            Phase::InGear { since } => self.in_gear(dt, feel, spot, since, stopped),
            Phase::Shift { began, to } => self.shift(dt, feel, began, to),
            Phase::Closing { began } => self.closing(feel, began),
            Phase::Nurse { well_since } => self.nurse(feel, well_since),
        }
        self.controls
    }

    fn away(&mut self, feel: &Feel) {
        if feel.now >= KEY_S {
            self.controls.key = true;
            self.phase = Phase::Preheat;
        }
    }

    fn preheat(&mut self, feel: &Feel) {
        self.controls.preheat = feel.now < START_S - 0.4;
        if feel.now >= START_S {
            self.phase = Phase::Crank;
        }
    }

    fn crank(&mut self, feel: &Feel) {
        self.controls.starter = feel.rpm < 480.0;
        self.controls.lever = LOW_IDLE + 150.0;
        self.controls.clutch = 0.0;
        self.controls.brake = 3.0;
        if feel.rpm > 600.0 {
            self.controls.starter = false;
            self.stand(feel.now + 5.0);
        }
    }

    fn stand(&mut self, until: f64) {
        self.controls = Controls { key: true, lever: LOW_IDLE, brake: 3.0, ..Controls::default() };
        self.phase = Phase::Idle { until };
    }

    fn idle(&mut self, feel: &Feel, until: f64) {
        if feel.rpm < 150.0 {
            self.phase = Phase::Crank;
        } else if feel.now >= until {
            self.controls.gear = 0;
            self.phase = Phase::PullAway { began: feel.now };
        }
    }

    fn pull_away(&mut self, feel: &Feel, began: f64) {
        let inside = feel.now - began;
        self.controls.lever = LOW_IDLE + 700.0 * (inside / 0.8).min(1.0);
        self.controls.clutch = ((inside - 0.5) / 2.6).clamp(0.0, 1.0).powi(2);
        self.controls.brake = if inside < 0.9 { 3.0 } else { 0.0 };
        if feel.rpm < 450.0 {
            self.stand(feel.now + 3.0);
        } else if inside > 3.2 {
            self.controls.clutch = 1.0;
            self.enter_gear(feel);
        }
    }

    fn enter_gear(&mut self, feel: &Feel) {
        self.faltering_for = 0.0;
        self.foot = (self.controls.lever - feel.rpm) / DROOP;
        self.phase = Phase::InGear { since: feel.now };
    }

    fn in_gear(&mut self, dt: f64, feel: &Feel, spot: &Spot, since: f64, stopped: &mut bool) {
        let error = wanted(spot) - feel.speed;
        self.habit = (self.habit + 0.05 * error.clamp(-1.5, 1.5) * dt).clamp(0.0, 0.9);
        self.unsteady += (0.03 * self.random.noise() - self.unsteady * dt / 1.5) * dt.sqrt();
        let (most, high) = if feel.now < self.gentle_until { (GENTLE, GENTLE_RPM) } else { (1.05, HIGH) };
        let ask = (self.habit + 0.3 * error + self.unsteady).clamp(-0.6, most);
        self.foot += (ask - self.foot) * dt / 0.3;
        self.controls.lever = (feel.rpm + DROOP * self.foot).clamp(LOW_IDLE, high);
        self.controls.brake = ((-error - 0.7) * 0.9).clamp(0.0, 3.5);
        if self.feels_faltering(dt, feel) {
            self.gentle_until = feel.now + 28.0;
            self.phase = Phase::Nurse { well_since: feel.now };
        } else if feel.speed < 1.6 && (spot.stop > 0.0 || feel.now - since > 6.0) {
            self.stop(feel, spot, stopped);
        } else if let Some(to) = self.better_gear(feel, spot, error, feel.now - since) {
            self.phase = Phase::Shift { began: feel.now, to };
        }
    }

    fn stop(&mut self, feel: &Feel, spot: &Spot, stopped: &mut bool) {
        self.controls.clutch = 0.0;
        self.controls.lever = LOW_IDLE;
        self.controls.brake = 1.2;
        if feel.speed < 0.02 {
            *stopped = spot.stop > 0.0;
            self.stand(feel.now + spot.stop.max(3.0));
        }
    }

    fn feels_faltering(&mut self, dt: f64, feel: &Feel) -> bool {
        let weak = self.foot > 0.4 && feel.pull < 0.45;
        self.faltering_for = if weak { self.faltering_for + dt } else { (self.faltering_for - dt).max(0.0) };
        self.faltering_for > 0.6
    }

    /// The gear that a driver with an ear would take, where it is another one.
    fn better_gear(&self, feel: &Feel, spot: &Spot, error: f64, since_shift: f64) -> Option<usize> {
        let gear = self.controls.gear;
        let easy = if feel.now < self.gentle_until { GENTLE } else { 1.0 };
        if since_shift > 1.2 && feel.rpm > 1980.0 && error > -1.0 && gear + 1 < GEARS.len() {
            // A hill takes its share of the way while the clutch is open.
            let next = gear_speed(gear + 1, feel.speed - 9.81 * (spot.grade + 0.012).max(0.0) * 1.3);
            let pulls = full_torque(next) * wheel_force(gear + 1) * easy * 0.85 > resistance(spot.grade, feel.speed);
            return (next > 860.0 && pulls).then_some(gear + 1);
        }
        let pulls = full_torque(feel.rpm) * wheel_force(gear) * easy > resistance(spot.grade, feel.speed);
        let labours = feel.rpm < 1320.0 && !pulls && error > 0.8 && self.foot > 0.8 * easy;
        let slow = feel.rpm < 620.0 || (feel.rpm < 1080.0 && error < 0.3);
        if gear > 0 && ((since_shift > 1.5 && labours) || (since_shift > 0.3 && slow)) {
            return (0..gear).rev().find(|&to| gear_speed(to, feel.speed) > 1380.0 || to == 0);
        }
        None
    }

    fn shift(&mut self, dt: f64, feel: &Feel, began: f64, to: usize) {
        let inside = feel.now - began;
        let wanted = gear_speed(to, feel.speed).clamp(LOW_IDLE, 2400.0);
        self.controls.brake = 0.0;
        if inside < 0.3 {
            self.controls.clutch = (1.0 - inside / 0.2).max(0.0);
            self.controls.lever += (LOW_IDLE - self.controls.lever) * dt / 0.08;
            return;
        }
        self.controls.clutch = 0.0;
        self.controls.gear = to;
        self.controls.lever = wanted + 0.2 * DROOP;
        let matched = (feel.rpm - wanted).abs() < 90.0;
        if feel.rpm < 550.0 {
            self.phase = Phase::Nurse { well_since: feel.now };
        } else if (inside > 0.75 && matched) || inside > 3.0 {
            self.phase = Phase::Closing { began: feel.now };
        }
    }

    fn closing(&mut self, feel: &Feel, began: f64) {
        let inside = feel.now - began;
        self.controls.clutch = (inside / 0.35).clamp(0.02, 1.0);
        self.controls.lever = feel.rpm + DROOP * (0.2 + self.habit * 0.5);
        if inside >= 0.35 {
            self.enter_gear(feel);
        }
    }

    /// The engine has no pull: clutch out, a little lever, wait until it holds its speed.
    fn nurse(&mut self, feel: &Feel, well_since: f64) {
        self.controls.clutch = 0.0;
        self.controls.lever = LOW_IDLE + 170.0;
        self.controls.brake = if feel.speed < 1.5 { 2.0 } else { 0.0 };
        self.controls.starter = feel.rpm < 160.0;
        if feel.rpm < 740.0 || feel.pull < 0.8 {
            self.phase = Phase::Nurse { well_since: feel.now };
        } else if feel.now - well_since > 0.9 {
            self.habit = 0.4;
            if feel.speed < 1.6 {
                self.stand(feel.now + 2.0);
            } else {
                let to = (0..GEARS.len()).rev().find(|&to| gear_speed(to, feel.speed) > 1380.0).unwrap_or(0);
                self.phase = Phase::Shift { began: feel.now - 0.3, to };
            }
        }
    }
}

/// How fast one drives here with what comes next in view, m/s.
fn wanted(spot: &Spot) -> f64 {
    let braking = if spot.stop > 0.0 { 1.5 } else { 1.2 };
    let left = (spot.left - 1.5).max(0.0);
    spot.limit.min((spot.next_limit.powi(2) + braking * left).sqrt())
}

/// Engine speed in `gear` at `speed` m/s with the clutch closed, 1/min.
pub(super) fn gear_speed(gear: usize, speed: f64) -> f64 {
    speed / ROUND_M * 60.0 * AXLE * ratio(gear)
}

/// Force at the road for each N m at the crank, 1/m.
pub(super) fn wheel_force(gear: usize) -> f64 {
    ratio(gear) * AXLE * THROUGH / (ROUND_M / std::f64::consts::TAU)
}

/// Ratio of `gear`.
pub(super) fn ratio(gear: usize) -> f64 {
    GEARS.get(gear).copied().unwrap_or(1.0)
}

/// What hill, tyres and air hold against the lorry, N.
pub(super) fn resistance(grade: f64, speed: f64) -> f64 {
    MASS * 9.81 * (grade + ROLLING) + 2.2 * speed * speed
}
