//! Checks of the demo room against the outside.
