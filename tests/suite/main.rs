//! All tests that need more than one room, a file of reference values, a pseudo-terminal or the built program.
//! One binary, so that it is linked once.
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

mod calibrate;
mod channel;
mod config;
mod curve;
mod demo;
mod link;
mod manual;
mod pipeline;
mod record;
mod rig;
mod screen;
mod sensor;
mod tidy;
mod trust;
mod unfriendly;
mod verbs;
mod watch;
mod wiggle;
mod wire;
