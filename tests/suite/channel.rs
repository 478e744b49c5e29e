//! Checks of the channel room against the outside: reference files, and the rules of the config one by one.

mod formulas;
mod freshness;
mod pulses;
mod volts;
