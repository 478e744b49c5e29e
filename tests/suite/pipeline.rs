//! Checks of the pipeline as a whole: one timeline, alarms, liveliness, and that the same lines give the same.

mod alarms;
mod rows;
mod same;
