//! Checks of the verbs room against the outside.
