//! Tables with smooth pieces; see `tests/reference/README.md`, section 16.

use super::close;
use super::csv::rows;
use kickpanel::sensor::{Between, Table};

/// `scipy.interpolate.PchipInterpolator` of scipy 1.13.1, the same rule at the ends included.
#[test]
fn smooth_pieces_are_those_of_pchip_whichever_way_the_points_run() {
    for row in rows("16_pchip.csv") {
        let mut points: Vec<_> = row.list("inputs").into_iter().zip(row.list("outputs")).collect();
        let largest = points.iter().fold(1.0_f64, |most, point| most.max(point.1.abs()));
        for _ in 0..2 {
            let curve = Table::new(&points, Between::Smooth).unwrap();
            close(curve.at(row.number("x")).unwrap(), row.number("y"), 1e-12 * largest, &row.name());
            points.reverse();
        }
    }
}
