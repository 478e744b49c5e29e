//! Checks of the config room against the outside.
