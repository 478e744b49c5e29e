//! What sits between the controller's pin and the sensor.
//!
//! Owns the [`Circuit`] kinds and the arithmetic from counts to what the sensor's curve takes: volts, or the ohms of a
//! resistive sensor, and back for a simulated vehicle. Pure; knows no config text, no trust. Later the sizing of these circuits lives here too.

/// A constant voltage or the converter's own supply.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Rail {
    /// The converter's supply, whatever it is at that reading.
    Supply,
    /// A fixed voltage, in volts.
    Volts(f64),
}

/// A network between pin and sensor. Resistances in ohm, above 0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Circuit {
    /// The pin sees the sensor's voltage.
    Direct,
    /// Two resistors bring a higher voltage down.
    Divider {
        /// From the signal to the pin.
        top: f64,
        /// From the pin to ground.
        bottom: f64,
    },
    /// A resistor to a supply, the sensor to ground.
    PullUp {
        /// The fixed resistor.
        resistor: f64,
        /// Where its other end is.
        to: Rail,
    },
    /// A resistor to ground, the sensor to a supply.
    PullDown {
        /// The fixed resistor.
        resistor: f64,
        /// Where the sensor's other end is.
        to: Rail,
    },
    /// An amplifier ahead of the pin: pin volts = sensor volts × gain + offset.
    Amplifier {
        /// Volts at the pin for each volt of the sensor, not 0.
        gain: f64,
        /// Volts at the pin where the sensor gives none.
        offset: f64,
    },
}

/// Volts at the pin: counts / (`adc_max` + 1) × supply, as `config.md` defines it.
///
/// ```
/// assert_eq!(kickpanel::circuit::pin_volts(512.0, 1023.0, 5.0), 2.5);
/// ```
pub fn pin_volts(counts: f64, adc_max: f64, supply: f64) -> f64 {
    counts / (adc_max + 1.0) * supply
}

/// Counts that an ideal converter gives for `volts` at its pin, a whole number from 0 to `adc_max`; NaN gives 0.
///
/// Source: data sheet of the `ATmega328P`: volts × 1024 / reference, cut to a whole number, at most 1023.
///
/// ```
/// assert_eq!(kickpanel::circuit::counts(0.5, 1023.0, 5.0), 102.0);
/// ```
pub fn counts(volts: f64, adc_max: f64, supply: f64) -> f64 {
    (volts / supply * (adc_max + 1.0)).floor().max(0.0).min(adc_max)
}

/// Resistance in ohm of two resistors side by side: what the pin behind a divider sees as its source.
pub fn side_by_side(first: f64, second: f64) -> f64 {
    first * second / (first + second)
}

impl Circuit {
    /// Whether the curve behind this circuit takes ohms; otherwise it takes volts.
    pub fn gives_ohms(&self) -> bool {
        matches!(self, Self::PullUp { .. } | Self::PullDown { .. })
    }

    /// What the sensor's curve takes, from `volts` at the pin and the converter's `supply` in volts.
    ///
    /// Ohms behind a pull-up or pull-down, else volts. May be infinite or negative where the pin sits on or beyond a
    /// rail; the trust rules judge that before anyone uses it.
    pub fn solve(&self, volts: f64, supply: f64) -> f64 {
        match *self {
            Self::Direct => volts,
            Self::Divider { top, bottom } => volts * (top + bottom) / bottom,
            Self::PullUp { resistor, to } => resistor * volts / (to.volts(supply) - volts),
            Self::PullDown { resistor, to } => resistor * (to.volts(supply) - volts) / volts,
            Self::Amplifier { gain, offset } => (volts - offset) / gain,
        }
    }

    /// Volts at the pin while the sensor gives `given` (ohms behind a pull-up or pull-down, else volts), at a
    /// converter's `supply` in volts. An open sensor is an infinite resistance. Not held between the rails: an amplifier
    /// or a divider may ask for more than the pin can have, and [`counts`] ends there.
    pub fn inverse(&self, given: f64, supply: f64) -> f64 {
        match *self {
            Self::Direct => given,
            Self::Divider { top, bottom } => given * bottom / (top + bottom),
            // Written as a share of 1 / (1 + …), which has an answer for an infinite resistance.
            Self::PullUp { resistor, to } => to.volts(supply) / (1.0 + resistor / given),
            Self::PullDown { resistor, to } => to.volts(supply) / (1.0 + given / resistor),
            Self::Amplifier { gain, offset } => given * gain + offset,
        }
    }
}

impl Rail {
    /// The rail's voltage at a converter supply of `supply` volts.
    pub fn volts(self, supply: f64) -> f64 {
        match self {
            Self::Supply => supply,
            Self::Volts(volts) => volts,
        }
    }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    const UP: Circuit = Circuit::PullUp { resistor: 2200.0, to: Rail::Supply };
    const DOWN: Circuit = Circuit::PullDown { resistor: 2200.0, to: Rail::Volts(3.3) };

    #[rstest]
    #[case::direct(Circuit::Direct, 3.1)]
    #[case::divider(Circuit::Divider { top: 20_000.0, bottom: 10_000.0 }, 13.8)]
    #[case::pull_up(UP, 470.0)]
    #[case::pull_up_elsewhere(Circuit::PullUp { resistor: 1000.0, to: Rail::Volts(3.3) }, 10_000.0)]
    #[case::pull_down(DOWN, 470.0)]
    #[case::amplifier(Circuit::Amplifier { gain: 122.4, offset: 1.25 }, 0.0041)]
    fn what_the_sensor_gives_comes_back_from_the_pin(#[case] circuit: Circuit, #[case] given: f64) {
        let volts = circuit.inverse(given, 5.0);
        assert!((circuit.solve(volts, 5.0) - given).abs() < 1e-9 * given);
    }

    #[test]
    fn a_broken_wire_and_a_short_sit_on_the_rails() {
        assert_eq!(UP.inverse(f64::INFINITY, 5.0).to_bits(), 5.0_f64.to_bits());
        assert_eq!(UP.inverse(0.0, 5.0).to_bits(), 0.0_f64.to_bits());
        assert_eq!(DOWN.inverse(f64::INFINITY, 5.0).to_bits(), 0.0_f64.to_bits());
        assert_eq!(DOWN.inverse(0.0, 5.0).to_bits(), 3.3_f64.to_bits());
        assert!(UP.solve(5.0, 5.0).is_infinite());
        assert!(DOWN.solve(0.0, 5.0).is_infinite());
    }

    #[test]
    fn only_resistive_circuits_give_ohms() {
        assert!(UP.gives_ohms() && DOWN.gives_ohms());
        assert!(!Circuit::Direct.gives_ohms());
        assert!(!Circuit::Divider { top: 1.0, bottom: 1.0 }.gives_ohms());
        assert!(!Circuit::Amplifier { gain: 1.0, offset: 0.0 }.gives_ohms());
    }

    #[rstest]
    #[case::below_ground(-0.3, 0.0)]
    #[case::above_the_supply(5.4, 1023.0)]
    #[case::no_number(f64::NAN, 0.0)]
    fn the_converter_ends_at_its_ends(#[case] volts: f64, #[case] expected: f64) {
        assert_eq!(counts(volts, 1023.0, 5.0).to_bits(), expected.to_bits());
    }
}
