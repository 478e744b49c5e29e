//! Checks of the link room against the outside.
