//! Checks of the screen room against the outside.
