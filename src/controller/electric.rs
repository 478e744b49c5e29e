//! Battery, alternator, heater, stop solenoid and the sensors' supply.
//!
//! Owns every voltage of the lorry. A 12 V system; all constants are invented data of the demo.

/// Voltage of the resting battery, V, and its resistance, ohm.
const BATTERY: (f64, f64) = (12.55, 0.008);
/// The regulator holds this, V.
const REGULATED: f64 = 14.2;
/// Most that the alternator gives, A.
const ALTERNATOR: f64 = 55.0;
/// The intake heater takes so much hot, and so much more at the moment it is switched on, A.
const HEATER: (f64, f64) = (68.0, 32.0);
/// Lamps, gauges and solenoid, A.
const USUAL: f64 = 9.0;
/// Starter turning the engine, A.
const STARTER: f64 = 240.0;
/// Resistance of a sound and of a corroded joint between battery and fuse box, ohm.
const JOINT: (f64, f64) = (0.004, 0.063);
/// The solenoid lets go below this for so many seconds, and pulls in again only above that, V, s, V.
const SOLENOID: (f64, f64, f64) = (7.9, 0.35, 9.5);
/// The 5 V regulator needs this much more than it gives, V.
const DROPOUT: f64 = 1.35;
/// What the 5 V regulator gives, V.
const FIVE: f64 = 4.98;

/// What is switched in a step.
#[derive(Clone, Copy, Debug, Default)]
#[expect(clippy::struct_excessive_bools, reason = "switches that have nothing to do with each other")]
pub(super) struct Given {
    /// 1/min.
    pub(super) rpm: f64,
    pub(super) key: bool,
    pub(super) starter: bool,
    pub(super) heater: bool,
    pub(super) bad_joint: bool,
    /// The solenoid has no good ground or no good supply.
    pub(super) solenoid_weak: bool,
}

/// The state of the lorry's electrics.
#[derive(Clone, Debug)]
pub(super) struct Electric {
    /// At the battery, V.
    pub(super) battery: f64,
    /// Behind the joint, at the fuse box, V.
    pub(super) rail: f64,
    /// The supply of the sensors and of the converter, V.
    pub(super) five: f64,
    /// The stop solenoid holds the pump open.
    pub(super) solenoid: bool,
    weak_for: f64,
    heater_inrush: f64,
}

impl Electric {
    pub(super) fn new() -> Self {
        Self {
            battery: BATTERY.0,
            rail: BATTERY.0,
            five: FIVE,
            solenoid: false,
            weak_for: 0.0,
            heater_inrush: HEATER.1,
        }
    }

    pub(super) fn step(&mut self, dt: f64, given: &Given) {
        // A cold heater takes more, and cools while it is off.
        let (inrush, lag) = if given.heater { (0.0, 2.6) } else { (HEATER.1, 12.0) };
        self.heater_inrush += (inrush - self.heater_inrush) * dt / lag;
        let heater = if given.heater { HEATER.0 + self.heater_inrush } else { 0.0 };
        let box_amps = if given.key { USUAL + heater } else { 1.0 };
        let starter = if given.starter { STARTER } else { 0.0 };
        let most = ALTERNATOR * (1.0 - (-(given.rpm - 420.0).max(0.0) / 450.0).exp());
        let from_battery = box_amps + starter - most;
        let target = if from_battery <= 0.0 && given.key {
            REGULATED - 0.15 * box_amps / most.max(1.0)
        } else {
            BATTERY.0 - BATTERY.1 * from_battery.max(0.0)
        };
        self.battery += (target - self.battery) * dt / 0.06;
        let joint = if given.bad_joint { JOINT.1 } else { JOINT.0 };
        self.rail = self.battery - joint * box_amps;
        self.five = FIVE.min(self.rail - DROPOUT);
        self.step_solenoid(dt, given);
    }

    fn step_solenoid(&mut self, dt: f64, given: &Given) {
        let weak = given.solenoid_weak || self.rail < SOLENOID.0;
        self.weak_for = if weak { self.weak_for + dt } else { 0.0 };
        if !given.key || self.weak_for > SOLENOID.1 {
            self.solenoid = false;
        } else if !given.solenoid_weak && self.rail > SOLENOID.2 {
            self.solenoid = true;
        }
    }
}
