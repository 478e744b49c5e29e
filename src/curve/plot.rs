//! Lines and marks on a field of characters: dots of braille where the terminal has them, else stars.
//!
//! Owns the field and its scale. Pure. What does not fit is cut, whatever the numbers are.

use super::brief;
use crate::unit::Unit;

/// The characters that may be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Signs {
    /// Letters, digits and signs of ASCII.
    Ascii,
    /// Unicode with braille and box drawing.
    Unicode,
}

impl Signs {
    /// `unit` as it can be shown; nothing for a pure number.
    pub fn unit(self, unit: Unit) -> String {
        match self {
            Self::Unicode => unit.symbol(),
            Self::Ascii if unit == Unit::ONE => String::new(),
            Self::Ascii => unit.name(),
        }
    }
}

/// One curve.
#[derive(Clone, Debug, Default)]
pub struct Series {
    /// Places and heights; a height of `None` breaks the line.
    pub line: Vec<(f64, Option<f64>)>,
    /// Single places that are marked.
    pub marks: Vec<(f64, f64)>,
}

/// A field with a scale on its left and below.
#[derive(Clone, Copy, Debug)]
pub struct Plot {
    /// Columns of the whole, with its scale.
    pub columns: usize,
    /// Rows of the field.
    pub rows: usize,
    /// Ends of what comes in.
    pub across: (f64, f64),
    /// Ends of what comes out.
    pub up: (f64, f64),
    /// The characters.
    pub signs: Signs,
}

/// Columns of the scale on the left, with its rule.
const SCALE: usize = 8;
/// The bits of a braille character's dots: two columns of four rows (Unicode, block U+2800).
const DOTS: [[u32; 2]; 4] = [[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]];

impl Plot {
    /// Columns of the field.
    pub fn width(&self) -> usize {
        self.columns.saturating_sub(SCALE).max(1)
    }

    /// The column of the field where `x` stands, if it does.
    pub fn column(&self, x: f64) -> Option<usize> {
        place(x, self.across, self.width())
    }

    /// The field with its scale on the left and the rule below, line by line.
    pub fn draw(&self, series: &Series) -> Vec<String> {
        let field = self.field(series);
        let middle = f64::midpoint(self.up.0, self.up.1);
        let mut lines: Vec<String> = field
            .into_iter()
            .enumerate()
            .map(|(row, cells)| {
                let label = match row {
                    0 => brief(self.up.1, 4),
                    _ if row + 1 == self.rows => brief(self.up.0, 4),
                    _ if row == self.rows / 2 && self.rows > 4 => brief(middle, 4),
                    _ => String::new(),
                };
                let line = format!("{label:>6} {}{}", self.rule(0), String::from_iter(cells));
                line.trim_end().to_owned()
            })
            .collect();
        let across: String = std::iter::repeat_n(self.rule(1), self.width()).collect();
        lines.push(format!("{:7}{}{}", "", self.rule(2), across));
        lines
    }

    /// The ends of the scale below, with `unit` behind the upper one.
    pub fn below(&self, unit: &str) -> String {
        let (left, right) = (brief(self.across.0, 5), format!("{} {unit}", brief(self.across.1, 5)));
        let gap = self.width().saturating_sub(left.len() + right.len()).max(1);
        format!("{:SCALE$}{left}{:gap$}{right}", "", "").trim_end().to_owned()
    }

    fn rule(&self, which: usize) -> char {
        match self.signs {
            Signs::Ascii => ['|', '-', '+'][which],
            Signs::Unicode => ['│', '─', '└'][which],
        }
    }

    fn field(&self, series: &Series) -> Vec<Vec<char>> {
        let (wide, high) = if self.signs == Signs::Unicode { (2, 4) } else { (1, 1) };
        let mut dots = vec![vec![0_u32; self.width()]; self.rows];
        self.trace(&series.line, (self.width() * wide, self.rows * high), &mut |column, row| {
            dots[row / high][column / wide] |= DOTS[row % high][column % wide];
        });
        let sign = |bits: u32| match (bits, self.signs) {
            (0, _) => ' ',
            (_, Signs::Ascii) => '*',
            (bits, Signs::Unicode) => char::from_u32(0x2800 + bits).unwrap_or('*'),
        };
        let mut cells: Vec<Vec<char>> = dots.iter().map(|row| row.iter().map(|&bits| sign(bits)).collect()).collect();
        for &(x, y) in &series.marks {
            if let (Some(column), Some(row)) = (self.column(x), place(y, self.up, self.rows)) {
                cells[self.rows - 1 - row][column] = 'o';
            }
        }
        cells
    }

    /// Calls `dot` with every column and row, from the top, that the line goes through.
    fn trace(&self, line: &[(f64, Option<f64>)], (columns, rows): (usize, usize), dot: &mut dyn FnMut(usize, usize)) {
        for pair in line.windows(2) {
            let [(x1, Some(y1)), (x2, Some(y2))] = *pair else { continue };
            // Enough steps that no row is left out, however steep it is.
            let share = ((y2 - y1) / (self.up.1 - self.up.0)).abs().min(1.0);
            let steps = if share.is_finite() { count(share, rows) + 2 } else { 1 };
            for step in 0..=steps {
                let part = step as f64 / steps as f64;
                let (x, y) = (x1 + (x2 - x1) * part, y1 + (y2 - y1) * part);
                if let (Some(column), Some(row)) = (place(x, self.across, columns), place(y, self.up, rows)) {
                    dot(column, rows - 1 - row);
                }
            }
        }
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share of a few rows")]
fn count(share: f64, rows: usize) -> usize {
    (share * rows as f64) as usize
}

/// Which of `places` even places between `ends` has `x`; `None` outside, with a hair of room for rounding.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "within 0 and the places, as just looked at"
)]
fn place(x: f64, (low, high): (f64, f64), places: usize) -> Option<usize> {
    let share = if high > low { (x - low) / (high - low) } else { 0.5 };
    let inside = (-1e-9..=1.0 + 1e-9).contains(&share);
    inside.then(|| ((share.max(0.0) * places as f64) as usize).min(places.saturating_sub(1)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plot(signs: Signs) -> Plot {
        Plot { columns: 16, rows: 4, across: (0.0, 7.0), up: (0.0, 7.0), signs }
    }

    fn rising() -> Series {
        let line = (0..8).map(|x| (f64::from(x), Some(f64::from(x)))).collect();
        Series { line, marks: vec![(0.0, 7.0)] }
    }

    #[test]
    fn a_line_rises_from_corner_to_corner_and_marks_stand_on_it() {
        assert_eq!(
            plot(Signs::Ascii).draw(&rising()),
            ["     7 |o     **", "       |    ** ", "       |  **", "     0 |**", "       +--------"]
                .map(str::trim_end)
        );
        assert_eq!(
            plot(Signs::Unicode).draw(&rising()),
            ["     7 │o     ⡠⠊", "       │    ⡠⠊", "       │  ⡠⠊", "     0 │⡠⠊", "       └────────"]
        );
    }

    #[test]
    fn the_scale_below_fits_its_field() {
        assert_eq!(plot(Signs::Ascii).below("V"), "        0    7 V");
    }

    #[test]
    fn no_numbers_stop_it() {
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX, f64::MIN] {
            for ends in [(0.0, 0.0), (bad, 1.0), (1.0, bad), (bad, bad), (1.0, 0.0)] {
                let plot = Plot { columns: 9, rows: 1, across: ends, up: ends, signs: Signs::Unicode };
                let series =
                    Series { line: vec![(0.0, Some(bad)), (bad, Some(1.0)), (1.0, None)], marks: vec![(bad, bad)] };
                assert_eq!(plot.draw(&series).len(), 2);
            }
        }
    }

    #[test]
    fn a_gap_stays_a_gap() {
        let series = Series { line: vec![(0.0, Some(0.0)), (3.0, None), (7.0, Some(0.0))], marks: Vec::new() };
        assert!(!plot(Signs::Ascii).draw(&series).concat().contains('*'));
    }
}
