//! Checks of the pipeline as a whole: one timeline, alarms, liveliness, and that the same lines give the same.
#![allow(
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::cast_sign_loss,
    clippy::float_cmp,
    clippy::format_push_string,
    reason = "tests of exact values, with numbers that they make themselves"
)]

mod alarms;
mod restarts;
mod rows;
mod same;
