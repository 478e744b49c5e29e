//! Checks of the sensor room against the outside.
