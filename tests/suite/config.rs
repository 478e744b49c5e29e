//! The config: the worked example becomes the model that is meant, and each mistake its report.

mod bad;
mod good;
mod hostile;
mod keys;

/// The worked example, in which nearly every key is used.
const GOOD: &str = include_str!("../config/good.toml");
