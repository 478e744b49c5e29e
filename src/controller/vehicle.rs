//! The lorry: driver, road, engine, drive line, heat, electrics and tank, moved on in steps of a millisecond.
//!
//! Owns the order in which the parts act on each other, and what is really true ([`Truth`]). In: nothing but its story
//! and seed. Out: the truth after each step. The steps are fixed, so that it does not matter in which portions somebody
//! asks for the time to pass.

use super::cause::{Cause, Effects};
use super::driver::{AXLE, Controls, Driver, Feel, MASS, ROUND_M, THROUGH, gear_speed, ratio, resistance};
use super::electric::{self, Electric};
use super::engine::{Ask, Engine};
use super::heat::{self, Heat};
use super::random::Random;
use super::road::Road;
use super::story::Story;
use crate::time::Micros;

/// Length of a step, µs.
pub(super) const STEP: Micros = 1000;
/// The same in seconds.
const DT: f64 = 0.001;
/// What a tank holds, L.
const TANK_L: f64 = 120.0;
/// Spring of the clutch plate, N m for each rad, its damping, N m for each rad/s, and what it can carry, N m.
const CLUTCH: (f64, f64, f64) = (1500.0, 18.0, 430.0);

/// What is really true of the lorry, before any sensor. Units as the demo's config shows them.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Truth {
    /// Crankshaft speed, 1/min.
    pub rpm: f64,
    /// Road speed, km/h.
    pub speed: f64,
    /// Coolant, degC.
    pub coolant: f64,
    /// Oil pressure, bar above the air's.
    pub oil: f64,
    /// Fuel pressure ahead of the injection pump, bar above the air's.
    pub feed: f64,
    /// Exhaust gas at its probe, degC.
    pub exhaust: f64,
    /// At the fuse box, V.
    pub battery: f64,
    /// Supply of sensors and converter, V.
    pub supply: f64,
    /// Fuel at the sender, with its slosh, %.
    pub fuel: f64,
    /// Intake air, degC.
    pub air: f64,
    /// Inside the controller's box, at the thermocouple's amplifier, degC.
    pub boxed: f64,
    /// The intake heater is on, and its lamp.
    pub heater: bool,
    /// Gear, 1 to 5; 0 while the clutch is open.
    pub gear: u8,
    /// How far the governor has opened the pump's rack, 0 to 1.
    pub rack: f64,
    /// How much of the fuel asked for gets into the cylinders, 0 to 1; 0 while the stop solenoid has let go.
    pub pull: f64,
    /// The sensors' ground stands so many volts above the converter's.
    pub ground: f64,
    /// The controller has a supply.
    pub powered: bool,
    /// Grade of the road; 0.08 is 8 %.
    pub grade: f64,
    /// The ignition key is on.
    pub key: bool,
}

/// The lorry.
#[derive(Clone, Debug)]
pub(super) struct Vehicle {
    pub(super) truth: Truth,
    /// Crankshaft angle before and after the newest step, rad.
    pub(super) angle: (f64, f64),
    /// Way before and after the newest step, m.
    pub(super) way: (f64, f64),
    /// The serial plug moves.
    pub(super) bad_line: bool,
    now: Micros,
    speed: f64,
    twist: f64,
    litres: f64,
    slosh: (f64, f64),
    road: Road,
    driver: Driver,
    cause: Cause,
    engine: Engine,
    heat: Heat,
    electric: Electric,
}

impl Vehicle {
    pub(super) fn new(story: Story, seed: u64) -> Self {
        let stream = |part: u64| Random::new(seed, part);
        Self {
            truth: Truth { powered: true, ..Truth::default() },
            angle: (0.0, 0.0),
            way: (0.0, 0.0),
            bad_line: false,
            now: 0,
            speed: 0.0,
            twist: 0.0,
            litres: stream(5).between(0.66, 0.86) * TANK_L,
            slosh: (0.0, 0.0),
            road: Road::new(stream(1)),
            driver: Driver::new(stream(2)),
            cause: Cause::new(story, stream(100 + u64::from(story.drive()))),
            engine: Engine::new(stream(3)),
            heat: Heat::new(),
            electric: Electric::new(),
        }
    }

    /// Moves on by one step. `heater` is the controller's own wish for the intake heater.
    pub(super) fn step(&mut self, heater: bool) {
        self.now += STEP;
        let now = self.now as f64 / 1e6;
        let spot = self.road.at(self.way.1);
        let effects = self.cause.step(now, self.speed);
        let pull = if self.electric.solenoid { self.engine.fill } else { 0.0 };
        let feel = Feel { now, rpm: self.engine.rpm(), speed: self.speed, pull };
        let mut stopped = false;
        let controls = self.driver.step(DT, &feel, &spot, &mut stopped);
        if stopped {
            self.road.stopped();
        }
        let heater = controls.key && (controls.preheat || effects.heater || heater);
        let clutch = self.step_clutch(&controls);
        self.step_engine(&controls, &effects, clutch);
        let gain = self.step_way(&controls, clutch, spot.grade);
        self.step_tank(gain, spot.grade);
        self.step_heat(now, heater, pull);
        self.step_electric(&controls, &effects, heater);
        self.bad_line = effects.bad_line;
        self.note_truth(&controls, &effects, heater, pull, spot.grade);
    }

    /// Torque through the clutch, N m at the crank. The plate's springs let the engine turn unevenly by itself.
    fn step_clutch(&mut self, controls: &Controls) -> f64 {
        let carries = CLUTCH.2 * controls.clutch;
        if carries <= 0.0 {
            self.twist = 0.0;
            return 0.0;
        }
        let behind = gear_speed(controls.gear, self.speed) * std::f64::consts::PI / 30.0;
        let slip = self.engine.omega - behind;
        let most = carries / CLUTCH.0;
        self.twist = (self.twist + slip * DT).clamp(-most, most);
        (CLUTCH.0 * self.twist + CLUTCH.1 * slip).clamp(-carries, carries)
    }

    fn step_engine(&mut self, controls: &Controls, effects: &Effects, clutch: f64) {
        let before = self.engine.angle;
        let ask = Ask {
            lever: controls.lever,
            clutch,
            starter: controls.starter && self.electric.rail > 6.0,
            cut: !self.electric.solenoid,
            dirty: effects.dirty_filter,
            coolant: self.heat.coolant,
        };
        self.engine.step(DT, &ask);
        self.angle = (before, self.engine.angle);
    }

    /// Gives the acceleration, m/s².
    fn step_way(&mut self, controls: &Controls, clutch: f64, grade: f64) -> f64 {
        let drive = clutch * ratio(controls.gear) * AXLE * THROUGH / (ROUND_M / std::f64::consts::TAU);
        let gain = (drive - resistance(grade, self.speed)) / (MASS * 1.04) - controls.brake;
        let faster = (self.speed + gain * DT).max(0.0);
        let felt = (faster - self.speed) / DT;
        self.speed = faster;
        self.way = (self.way.1, self.way.1 + self.speed * DT);
        felt
    }

    /// Fuel burnt, and the wave that hills and pedals make in the tank.
    fn step_tank(&mut self, gain: f64, grade: f64) {
        self.litres = (self.litres - self.engine.burnt * DT / 3600.0).max(0.0);
        let pushed = -(gain + 9.81 * grade) * 1.6;
        let (place, speed) = self.slosh;
        let speed = speed + ((pushed - place) * 30.0 - speed * 1.4) * DT;
        self.slosh = (place + speed * DT, speed);
    }

    fn step_heat(&mut self, now: f64, heater: bool, pull: f64) {
        let given = heat::Given {
            rpm: self.engine.rpm(),
            burnt: self.engine.burnt,
            load: self.engine.rack * pull,
            speed: self.speed,
            heater,
            now,
        };
        self.heat.step(DT, &given);
    }

    fn step_electric(&mut self, controls: &Controls, effects: &Effects, heater: bool) {
        let given = electric::Given {
            rpm: self.engine.rpm(),
            key: controls.key,
            starter: controls.starter,
            heater,
            bad_joint: effects.bad_joint,
            solenoid_weak: effects.ground_lift > 0.0 || effects.poor_contact,
        };
        self.electric.step(DT, &given);
    }

    #[expect(clippy::cast_possible_truncation, reason = "a gear is at most 5")]
    fn note_truth(&mut self, controls: &Controls, effects: &Effects, heater: bool, pull: f64, grade: f64) {
        self.truth = Truth {
            rpm: self.engine.rpm(),
            speed: self.speed * 3.6,
            coolant: self.heat.coolant,
            oil: self.heat.oil_bar,
            feed: self.engine.feed,
            exhaust: self.heat.exhaust,
            battery: self.electric.rail,
            supply: self.electric.five,
            fuel: (self.litres / TANK_L * 100.0 + self.slosh.0).clamp(0.0, 100.0),
            air: self.heat.air,
            boxed: self.heat.boxed,
            heater,
            gear: if controls.clutch > 0.5 { controls.gear as u8 + 1 } else { 0 },
            rack: self.engine.rack,
            pull,
            ground: effects.ground_lift,
            powered: !effects.no_contact,
            grade,
            key: controls.key,
        };
    }
}
