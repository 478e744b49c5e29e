//! Checks of the record room against the outside.

mod reading;
