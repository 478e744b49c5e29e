//! Checks of curves, circuits and units against the outside. The sources are named in `tests/reference/README.md` and
//! beside each check. What the values of `13_edges_to_rate.csv` need (edges counted through a wrap) is the channel
//! room's, and checked there.

mod arithmetic;
mod csv;
mod resistance;
mod tables;
mod thermocouples;

/// Fails with the row's own words where `is` is further than `most` from `should`.
#[track_caller]
fn close(is: f64, should: f64, most: f64, what: &str) {
    assert!((is - should).abs() <= most, "{what}: {is} instead of {should}, off by {:e}", (is - should).abs());
}
