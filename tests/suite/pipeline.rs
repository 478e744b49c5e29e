//! Checks of the pipeline room against the outside.
