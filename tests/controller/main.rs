//! The controller's firmware, the very file that is flashed, on a simulated `ATmega328P`: see `bench.h` for the bench and for
//! what it does not show. Builds firmware and bench with make once, then plays scripts to it.
//!
//! Long runs by hand: `KICKPANEL_RANDOM_BYTES=10000000 KICKPANEL_DAMAGED_LINES=1000000` for the garbage, and
//! `cargo test --test controller -- --ignored` for a whole day of simulated time. Figures: `-- facts --nocapture`.
#![allow(
    missing_docs,
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::cast_sign_loss,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "tests"
)]

mod analog;
mod day;
mod edges;
mod facts;
mod follows;
mod garbage;
mod hello;
mod killed;
mod live;
mod outputs;
mod page;
mod play;
mod refusals;
mod resets;
mod tools;
mod way;
mod wiggle;
