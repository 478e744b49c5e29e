//! Checks of the wire room against the outside.
