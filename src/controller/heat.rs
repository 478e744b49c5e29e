//! Heat and oil: coolant with its thermostat, oil temperature and pressure, exhaust gas, air, the controller's box.
//!
//! Owns the slow temperatures. All constants are invented data of the demo.

/// Heat that the engine block with its water holds, kJ/K.
const BLOCK: f64 = 150.0;
/// Share of the fuel's heat that goes into the water.
const INTO_WATER: f64 = 0.27;
/// Heat of a litre of diesel, kWh.
const LITRE_KILOWATT_HOURS: f64 = 9.9;
/// The radiator gives off so much at a standstill with the fan alone, and more with each m/s, kW/K.
const RADIATOR: (f64, f64) = (0.55, 0.035);
/// What the block gives off by itself, kW/K.
const BLOCK_LOSS: f64 = 0.025;
/// The thermostat opens from here to there, degC.
const THERMOSTAT: (f64, f64) = (80.0, 91.0);
/// Its wax follows with this time constant, s.
const WAX_LAG_S: f64 = 7.0;
/// The outside air of the story, degC.
const OUTSIDE: f64 = 7.0;

/// What heats and cools in a step.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Given {
    /// 1/min.
    pub(super) rpm: f64,
    /// L/h.
    pub(super) burnt: f64,
    /// Rack times fill, 0 to 1.
    pub(super) load: f64,
    /// m/s.
    pub(super) speed: f64,
    /// The intake heater is on.
    pub(super) heater: bool,
    /// Seconds since the start of the story.
    pub(super) now: f64,
}

/// All temperatures in degC, oil pressure in bar.
#[derive(Clone, Debug)]
pub(super) struct Heat {
    pub(super) coolant: f64,
    pub(super) oil: f64,
    pub(super) oil_bar: f64,
    pub(super) exhaust: f64,
    pub(super) air: f64,
    pub(super) boxed: f64,
    wax: f64,
    gas: f64,
}

impl Heat {
    pub(super) fn new() -> Self {
        let cold = OUTSIDE + 1.0;
        Self {
            coolant: cold,
            oil: cold,
            oil_bar: 0.0,
            exhaust: cold,
            air: OUTSIDE,
            boxed: OUTSIDE + 3.0,
            wax: cold,
            gas: cold,
        }
    }

    pub(super) fn step(&mut self, dt: f64, given: &Given) {
        self.step_coolant(dt, given);
        self.step_oil(dt, given);
        // The gas follows the load at once; the probe in its tube takes seconds.
        let fire = 95.0 + 540.0 * given.load.powf(0.85) * (0.62 + 0.38 * (given.rpm / 2000.0).min(1.2));
        let gas = if given.rpm > 300.0 { OUTSIDE + fire } else { self.coolant };
        self.gas += (gas - self.gas) * dt / 0.4;
        let lag = if given.rpm > 300.0 { 2.2 } else { 60.0 };
        self.exhaust += (self.gas - self.exhaust) * dt / lag;
        let bay = (self.coolant - OUTSIDE) * 0.16 / (1.0 + given.speed / 8.0);
        let heated = if given.heater { 25.0 } else { 0.0 };
        self.air += (OUTSIDE + bay + heated - self.air) * dt / 20.0;
        self.boxed += (OUTSIDE + 5.0 + 9.0 * (1.0 - (-given.now / 1500.0).exp()) - self.boxed) * dt / 120.0;
    }

    fn step_coolant(&mut self, dt: f64, given: &Given) {
        self.wax += (self.coolant - self.wax) * dt / WAX_LAG_S;
        let open = ((self.wax - THERMOSTAT.0) / (THERMOSTAT.1 - THERMOSTAT.0)).clamp(0.0, 1.0);
        let comes = given.burnt * LITRE_KILOWATT_HOURS * INTO_WATER;
        let radiator = open * (RADIATOR.0 + RADIATOR.1 * given.speed);
        let goes = (radiator + BLOCK_LOSS) * (self.coolant - OUTSIDE);
        self.coolant += (comes - goes) / BLOCK * dt;
    }

    fn step_oil(&mut self, dt: f64, given: &Given) {
        let warm = self.coolant + 18.0 * given.load * given.rpm / 2000.0;
        self.oil += (warm - self.oil) * dt / 180.0;
        let thick = 1.0 + 1.7 * (-self.oil / 35.0).exp();
        let pumped = 3.9 * given.rpm / 2000.0 * thick;
        // The relief valve opens softly.
        let pressure = 5.0 * (pumped / 5.0).tanh();
        self.oil_bar += (pressure - self.oil_bar) * dt / 0.35;
    }
}
