//! What sits between the controller's pin and the sensor.
//!
//! Owns the [`Circuit`] kinds and the arithmetic from counts to what the sensor's curve takes: volts, or the ohms of a
//! resistive sensor. Pure; knows no config text, no trust. Later the sizing of these circuits lives here too.

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

/// Volts at the pin: counts / (adc_max + 1) × supply, as `config.md` defines it.
///
/// ```
/// assert_eq!(kickpanel::circuit::pin_volts(512.0, 1023.0, 5.0), 2.5);
/// ```
pub fn pin_volts(counts: f64, adc_max: f64, supply: f64) -> f64 {
    counts / (adc_max + 1.0) * supply
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
