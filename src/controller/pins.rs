//! Pins: from what is true through sensors and circuits to what the converter counts.
//!
//! Owns the inverse of each sensor of the demo's lorry and the converter itself (10 bit, four samples a reading, mean
//! with a fraction). In: [`Truth`]. Out: quarters of counts for `a0` to `a5`, and `ref`. The demo's config says the same
//! the other way round; a test holds the two against each other. Sensor data are invented data of the demo.

use std::sync::LazyLock;

use super::engine::interpolate;
use super::random::Random;
use super::vehicle::Truth;
use crate::sensor::{Thermocouple, ThermocoupleType};

/// Coolant thermistor, degC and ohm; behind 1 kohm to the supply.
const COOLANT: [(f64, f64); 3] = [(0.0, 6000.0), (40.0, 1200.0), (100.0, 190.0)];
const COOLANT_PULLUP: f64 = 1000.0;
/// Fuel sender, % and ohm; behind 220 ohm to the supply.
const FUEL: [(f64, f64); 5] = [(0.0, 180.0), (25.0, 120.0), (50.0, 78.0), (75.0, 42.0), (100.0, 10.0)];
const FUEL_PULLUP: f64 = 220.0;
/// Full scale of the two pressure sensors, bar: a tenth of the supply at 0, nine tenths here.
const OIL_FULL: f64 = 7.0;
const FEED_FULL: f64 = 5.0;
/// Divider of the battery input: from the signal to the pin, from the pin to ground, ohm.
const DIVIDER: (f64, f64) = (27_000.0, 10_000.0);
/// Amplifier of the thermocouple: gain, and offset in V at a supply of 4.98 V; it cannot come nearer to its supply than so.
const AMPLIFIER: (f64, f64, f64) = (100.0, 0.25, 0.05);
/// The converter's own reference, V.
const REFERENCE: f64 = 1.1;
/// Noise of each sample on the pins `a0` to `a5`, counts. The oil pressure pulses most.
const NOISE: [f64; 6] = [0.4, 1.4, 0.9, 0.6, 0.5, 0.5];
/// Samples in a reading.
const SAMPLES: u32 = 4;

static CURVE: LazyLock<[f64; 3]> = LazyLock::new(|| steinhart_hart(COOLANT));

/// The pins with their noise.
#[derive(Clone, Debug)]
pub(super) struct Pins {
    random: Random,
    thermocouple: Thermocouple,
}

impl Pins {
    pub(super) fn new(random: Random) -> Self {
        Self { random, thermocouple: Thermocouple::new(ThermocoupleType::K) }
    }

    /// Quarters of counts on `a0` to `a5`.
    pub(super) fn analog(&mut self, truth: &Truth) -> [u32; 6] {
        let mut volts = self.volts(truth).into_iter().zip(NOISE);
        std::array::from_fn(|_| {
            let (volts, noise) = volts.next().unwrap_or_default();
            self.convert(volts / truth.supply, noise)
        })
    }

    /// Counts of the reference, a whole number: that of the controller is no mean.
    pub(super) fn reference(&mut self, truth: &Truth) -> u32 {
        sample(REFERENCE / truth.supply * 1024.0 + 0.5 + 0.08 * self.random.noise()).max(1)
    }

    /// What stands at each pin, V above the converter's ground.
    fn volts(&self, truth: &Truth) -> [f64; 6] {
        let lifted = |share: f64| truth.ground + share * (truth.supply - truth.ground);
        let resistor = |ohm: f64, pullup: f64| lifted(ohm / (ohm + pullup));
        let pressure = |bar: f64, full: f64| lifted(0.1 + 0.8 * (bar / full).clamp(-0.02, 1.02));
        [
            resistor(thermistor(&CURVE, truth.coolant), COOLANT_PULLUP),
            pressure(truth.oil, OIL_FULL),
            pressure(truth.feed, FEED_FULL),
            self.amplified(truth),
            truth.battery * DIVIDER.1 / (DIVIDER.0 + DIVIDER.1),
            resistor(interpolate(&FUEL, truth.fuel), FUEL_PULLUP),
        ]
    }

    /// The amplifier takes its offset from the supply, so that it lies when the supply dips.
    fn amplified(&self, truth: &Truth) -> f64 {
        let emf = |degc: f64| self.thermocouple.emf(degc).unwrap_or(0.0) / 1000.0;
        let signal = (emf(truth.exhaust) - emf(truth.boxed)) * AMPLIFIER.0;
        (signal + AMPLIFIER.1 * truth.supply / 4.98).clamp(AMPLIFIER.2, truth.supply - AMPLIFIER.2)
    }

    fn convert(&mut self, share: f64, noise: f64) -> u32 {
        // The converter's first step comes at half a count (as in `tests/reference/10_adc_ideal.csv`, last column), so
        // that the mean of several samples is true to the volts.
        let counts = share * 1024.0 + 0.5;
        (0..SAMPLES).map(|_| sample(counts + noise * self.random.noise())).sum()
    }
}

/// One sample of the converter: whole counts, 0 to 1,023.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped first")]
fn sample(counts: f64) -> u32 {
    counts.clamp(0.0, 1023.0) as u32
}

/// The constants of 1/T = a + b ln R + c (ln R)³ through three points.
fn steinhart_hart(points: [(f64, f64); 3]) -> [f64; 3] {
    let [l1, l2, l3] = points.map(|point| point.1.ln());
    let [y1, y2, y3] = points.map(|point| 1.0 / (point.0 + 273.15));
    let (g2, g3) = ((y2 - y1) / (l2 - l1), (y3 - y1) / (l3 - l1));
    let c = (g3 - g2) / (l3 - l2) / (l1 + l2 + l3);
    let b = g2 - c * (l1 * l1 + l1 * l2 + l2 * l2);
    [y1 - (b + l1 * l1 * c) * l1, b, c]
}

/// Resistance at `degc`: the cubic in ln R solved after Cardano. Good where c is above 0, as it is here.
fn thermistor(&[a, b, c]: &[f64; 3], degc: f64) -> f64 {
    let half = (a - 1.0 / (degc + 273.15)) / c / 2.0;
    let root = ((b / (3.0 * c)).powi(3) + half * half).sqrt();
    ((root - half).cbrt() - (root + half).cbrt()).exp()
}

#[cfg(test)]
mod tests {
    use super::{COOLANT, CURVE, steinhart_hart, thermistor};

    #[test]
    fn the_thermistor_goes_through_its_three_points() {
        for (degc, ohm) in COOLANT {
            assert!((thermistor(&CURVE, degc) / ohm - 1.0).abs() < 1e-9, "{degc}");
        }
        assert!(CURVE[2] > 0.0);
    }

    /// `tests/reference/03_ntc_three_points.csv`: three points and what a fourth resistance then means; its README.md
    /// names the sources.
    #[test]
    fn three_points_give_the_fourth_of_the_reference_table() {
        let text = include_str!("../../tests/reference/03_ntc_three_points.csv");
        let mut seen = 0;
        for line in text.lines().skip(1) {
            let numbers: Vec<f64> = line.rsplit(',').filter_map(|cell| cell.parse().ok()).collect();
            let numbers: Vec<f64> = numbers.into_iter().rev().take(11).collect();
            let [t1, r1, t2, r2, t3, r3, _, _, _, ohm, degc] = numbers[..] else { panic!("{line}") };
            let curve = steinhart_hart([(t1, r1), (t2, r2), (t3, r3)]);
            assert!((thermistor(&curve, degc) / ohm - 1.0).abs() < 1e-5, "{line}");
            seen += 1;
        }
        assert_eq!(seen, 9);
    }
}
