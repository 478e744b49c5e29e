//! Checks of the channel room against the outside: reference files, and the rules of the config one by one.
#![allow(
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::cast_sign_loss,
    clippy::float_cmp,
    clippy::format_push_string,
    reason = "tests of exact values, with numbers that they make themselves"
)]

mod formulas;
mod freshness;
mod pulses;
mod random;
mod volts;
