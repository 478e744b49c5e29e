//! Checks of the channel room against the outside.
