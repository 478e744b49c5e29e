//! Points with straight or smooth pieces between.
//!
//! Owns the order of the points, the search among them, and the slopes of the smooth curve. In and out: whatever the
//! points are in. Never overshoots: between two points a value is between theirs.
//!
//! Source of the slopes: Fritsch and Butland, "A method for constructing local monotone piecewise cubic interpolants",
//! 1984. At the two ends the slope is that of the parabola through the three last points, set to 0 where it points the
//! other way and held to three times the last piece's where that is needed to stay monotone: the rule that
//! `scipy.interpolate.PchipInterpolator` documents, so that anyone can check a table with it.

use super::{CurveError, MARGIN, clamp_with_margin, find};

/// How points are joined.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Between {
    /// Straight pieces.
    #[default]
    Straight,
    /// PCHIP: monotone cubic with the weighted harmonic mean of slopes (Fritsch and Butland 1984).
    Smooth,
}

/// Points with pieces between.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// Inputs rise; at least two.
    points: Box<[(f64, f64)]>,
    /// Slope at each point; empty where the pieces are straight.
    slopes: Box<[f64]>,
}

impl Table {
    /// Points (input, output), inputs strictly rising or falling, at least two.
    pub fn new(points: &[(f64, f64)], between: Between) -> Result<Self, CurveError> {
        if points.len() < 2 {
            return Err(CurveError::TooFewPoints { needs: 2 });
        }
        if points.iter().any(|(x, y)| !x.is_finite() || !y.is_finite()) {
            return Err(CurveError::OutOfRange);
        }
        let falling = points[1].0 < points[0].0;
        let breaks = |pair: &[(f64, f64)]| if falling { pair[1].0 >= pair[0].0 } else { pair[1].0 <= pair[0].0 };
        if let Some(before) = points.windows(2).position(breaks) {
            return Err(CurveError::NotMonotone { at: before + 1 });
        }
        let mut points: Box<[(f64, f64)]> = points.into();
        if falling {
            points.reverse();
        }
        let slopes = match between {
            Between::Straight => Box::default(),
            Between::Smooth => slopes(&points),
        };
        // Points so far apart that their distance or slope is not finite would give values that are not.
        let steep = points.windows(2).any(|pair| !secant(pair).is_finite() || !(pair[1].0 - pair[0].0).is_finite());
        if steep || slopes.iter().any(|slope| !slope.is_finite()) {
            return Err(CurveError::OutOfRange);
        }
        Ok(Self { points, slopes })
    }

    /// See [`super::Curve::at`].
    pub fn at(&self, x: f64) -> Option<f64> {
        let (low, high) = self.input_range();
        let x = clamp_with_margin(x, low, high, MARGIN)?;
        let above = self.points.partition_point(|point| point.0 <= x).clamp(1, self.points.len() - 1);
        Some(self.piece(above - 1, x))
    }

    /// See [`super::Curve::inverse`].
    pub fn inverse(&self, y: f64) -> Option<f64> {
        let pieces = 0..self.points.len() - 1;
        pieces.into_iter().find_map(|i| {
            let (from, to) = (self.points[i], self.points[i + 1]);
            if !self.slopes.is_empty() {
                return find(|x| self.piece(i, x), y, from.0, to.0);
            }
            if y < from.1.min(to.1) || y > from.1.max(to.1) || y.is_nan() {
                return None;
            }
            Some(if from.1 == to.1 { from.0 } else { straight((from.1, from.0), (to.1, to.0), y) })
        })
    }

    /// See [`super::Curve::input_range`].
    pub fn input_range(&self) -> (f64, f64) {
        (self.points[0].0, self.points[self.points.len() - 1].0)
    }

    /// The value at `x`, which is in the piece that begins at point `i`.
    fn piece(&self, i: usize, x: f64) -> f64 {
        let (from, to) = (self.points[i], self.points[i + 1]);
        match self.slopes.get(i..i + 2) {
            Some(&[first, second]) => cubic(from, to, first, second, x),
            _ => straight(from, to, x),
        }
    }
}

/// The straight line through two points at `x`, exact at both.
fn straight(from: (f64, f64), to: (f64, f64), x: f64) -> f64 {
    let share = (x - from.0) / (to.0 - from.0);
    if share >= 1.0 { to.1 } else { from.1 + share * (to.1 - from.1) }
}

/// The cubic through two points with a slope at each, in Hermite's form, exact at both. Held between the two against
/// the last bit of rounding.
fn cubic(from: (f64, f64), to: (f64, f64), first: f64, second: f64, x: f64) -> f64 {
    let width = to.0 - from.0;
    let share = (x - from.0) / width;
    let rest = 1.0 - share;
    let ends = from.1 * rest * rest * (1.0 + 2.0 * share) + to.1 * share * share * (3.0 - 2.0 * share);
    let bends = width * share * rest * (first * rest - second * share);
    (ends + bends).clamp(from.1.min(to.1), from.1.max(to.1))
}

fn secant(pair: &[(f64, f64)]) -> f64 {
    (pair[1].1 - pair[0].1) / (pair[1].0 - pair[0].0)
}

/// The slope at every point; the inputs of `points` rise.
fn slopes(points: &[(f64, f64)]) -> Box<[f64]> {
    let widths: Vec<f64> = points.windows(2).map(|pair| pair[1].0 - pair[0].0).collect();
    let secants: Vec<f64> = points.windows(2).map(secant).collect();
    let last = secants.len() - 1;
    if last == 0 {
        return [secants[0]; 2].into();
    }
    let mut slopes = vec![end_slope([widths[0], widths[1]], [secants[0], secants[1]])];
    slopes.extend((0..last).map(|i| inner_slope([widths[i], widths[i + 1]], [secants[i], secants[i + 1]])));
    slopes.push(end_slope([widths[last], widths[last - 1]], [secants[last], secants[last - 1]]));
    slopes.into()
}

/// The weighted harmonic mean of the slopes of two neighbouring pieces; 0 at a peak or beside a level piece.
fn inner_slope(width: [f64; 2], secant: [f64; 2]) -> f64 {
    if secant[0] == 0.0 || secant[1] == 0.0 || (secant[0] < 0.0) != (secant[1] < 0.0) {
        return 0.0;
    }
    let weight = [width[0] + 2.0 * width[1], 2.0 * width[0] + width[1]];
    (weight[0] + weight[1]) / (weight[0] / secant[0] + weight[1] / secant[1])
}

/// The slope at an end, from the piece beside it (first) and the one after.
fn end_slope(width: [f64; 2], secant: [f64; 2]) -> f64 {
    let slope = ((2.0 * width[0] + width[1]) * secant[0] - width[0] * secant[1]) / (width[0] + width[1]);
    if slope * secant[0] <= 0.0 {
        return 0.0;
    }
    let turns = secant[0] * secant[1] <= 0.0;
    if turns && slope.abs() > 3.0 * secant[0].abs() { 3.0 * secant[0] } else { slope }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rstest::rstest;

    use super::*;

    const FUEL: [(f64, f64); 4] = [(10.0, 100.0), (33.0, 75.0), (68.0, 50.0), (180.0, 0.0)];

    #[rstest]
    #[case::straight(Between::Straight)]
    #[case::smooth(Between::Smooth)]
    fn every_point_is_met_exactly_and_the_end_value_ends_with_the_margin(#[case] between: Between) {
        let curve = Table::new(&FUEL, between).unwrap();
        for (x, y) in FUEL {
            assert_eq!(curve.at(x), Some(y));
        }
        assert_eq!(curve.at(1.51), Some(100.0));
        assert_eq!(curve.at(1.49), None);
        assert_eq!(curve.at(188.49), Some(0.0));
        assert_eq!(curve.at(188.51), None);
        assert_eq!(curve.at(f64::NAN), None);
    }

    #[test]
    fn straight_pieces_are_straight() {
        let curve = Table::new(&[(0.0, 0.0), (10.0, 20.0), (20.0, 0.0)], Between::Straight).unwrap();
        assert_eq!(curve.at(2.5), Some(5.0));
        assert_eq!(curve.at(15.0), Some(10.0));
    }

    #[rstest]
    #[case::straight(Between::Straight)]
    #[case::smooth(Between::Smooth)]
    fn points_that_fall_are_the_same_curve(#[case] between: Between) {
        let mut falling = FUEL;
        falling.reverse();
        assert_eq!(Table::new(&falling, between), Table::new(&FUEL, between));
    }

    #[rstest]
    #[case::none(&[], CurveError::TooFewPoints { needs: 2 })]
    #[case::one(&[(1.0, 1.0)], CurveError::TooFewPoints { needs: 2 })]
    #[case::same_at_once(&[(1.0, 1.0), (1.0, 2.0)], CurveError::NotMonotone { at: 1 })]
    #[case::turns(&[(1.0, 1.0), (2.0, 2.0), (1.5, 3.0)], CurveError::NotMonotone { at: 2 })]
    #[case::turns_up(&[(3.0, 1.0), (2.0, 2.0), (1.0, 3.0), (1.0, 3.0)], CurveError::NotMonotone { at: 3 })]
    #[case::no_number(&[(1.0, 1.0), (f64::NAN, 2.0)], CurveError::OutOfRange)]
    #[case::endless(&[(1.0, 1.0), (2.0, f64::INFINITY)], CurveError::OutOfRange)]
    #[case::too_far_apart(&[(-1e308, 1.0), (1e308, 2.0)], CurveError::OutOfRange)]
    fn points_that_make_no_table_are_refused(#[case] points: &[(f64, f64)], #[case] why: CurveError) {
        assert_eq!(Table::new(points, Between::Straight), Err(why));
        assert_eq!(Table::new(points, Between::Smooth), Err(why));
    }

    #[rstest]
    #[case::straight(Between::Straight)]
    #[case::smooth(Between::Smooth)]
    fn inverse_gives_the_lowest_input_with_that_output(#[case] between: Between) {
        let hill = Table::new(&[(0.0, 0.0), (1.0, 4.0), (2.0, 4.0), (4.0, 1.0)], between).unwrap();
        assert_eq!(hill.inverse(0.0), Some(0.0));
        assert!((hill.inverse(4.0).unwrap() - 1.0).abs() < 1e-9);
        let x = hill.inverse(2.0).unwrap();
        assert!(x < 1.0 && (hill.at(x).unwrap() - 2.0).abs() < 1e-9);
        assert_eq!(hill.inverse(4.001), None);
        assert_eq!(hill.inverse(-0.001), None);
        assert_eq!(hill.inverse(f64::NAN), None);
    }

    proptest! {
        #[test]
        fn a_value_is_between_those_of_its_neighbours(
            steps in proptest::collection::vec((0.001..50.0_f64, -100.0..100.0_f64), 2..12),
            share in 0.0..1.0_f64,
            smooth in any::<bool>(),
        ) {
            let mut x = 0.0;
            let points: Vec<_> = steps.iter().map(|(step, y)| { x += step; (x, *y) }).collect();
            let curve = Table::new(&points, if smooth { Between::Smooth } else { Between::Straight }).unwrap();
            for pair in points.windows(2) {
                let y = curve.at(pair[0].0 + share * (pair[1].0 - pair[0].0)).unwrap();
                prop_assert!(y >= pair[0].1.min(pair[1].1) && y <= pair[0].1.max(pair[1].1));
            }
        }

        #[test]
        fn a_smooth_curve_through_rising_points_rises(
            steps in proptest::collection::vec((0.001..50.0_f64, 0.0..100.0_f64), 2..12),
        ) {
            let (mut x, mut y) = (0.0, 0.0);
            let points: Vec<_> = steps.iter().map(|step| { x += step.0; y += step.1; (x, y) }).collect();
            let curve = Table::new(&points, Between::Smooth).unwrap();
            let (low, high) = curve.input_range();
            let mut before = f64::NEG_INFINITY;
            for i in 0..=500 {
                let y = curve.at(low + (high - low) * f64::from(i) / 500.0).unwrap();
                prop_assert!(y >= before - 1e-9);
                before = y;
            }
        }
    }
}
