//! kickpanel: raw counts from a microcontroller become values that can be trusted, shown, recorded and explained.
//!
//! Owns nothing but the list of rooms. Arrows go one way: `cli` → tasks (`link`, `record`, `screen`) → core
//! (`pipeline` → `output`, `watch` → `channel` → `wire`, `sensor`, `circuit`) → `unit`. The map is in DEVELOPERS.md.

pub mod calibrate;
pub mod channel;
pub mod circuit;
pub mod cli;
pub mod config;
pub mod controller;
pub mod curve;
pub mod drive;
pub mod export;
pub mod link;
pub mod order;
pub mod output;
pub mod overview;
pub mod pattern;
pub mod pipeline;
pub mod record;
pub mod replay;
pub mod screen;
pub mod sensor;
pub mod signals;
pub mod state;
pub mod text;
pub mod time;
pub mod unit;
pub mod watch;
pub mod wiggle;
pub mod wire;
