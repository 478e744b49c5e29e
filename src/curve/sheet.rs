//! The sheet of one channel: what it is, the drawing, where it is not trusted, and a table along it.

use unicode_width::UnicodeWidthStr as _;

use super::{Plot, Samples, Series, Signs, brief};
use crate::channel::{At, Transfer, Trust};
use crate::unit::Unit;

/// The narrowest and the widest that is drawn.
const COLUMNS: (usize, usize) = (40, 100);
/// Rows of the drawing.
const ROWS: usize = 9;
/// Rows of the table.
const TABLE: usize = 9;

/// What is put on paper.
#[derive(Clone, Debug)]
pub struct Sheet<'a> {
    /// What the channel is called and how it is wired, a line each.
    pub head: Vec<String>,
    /// The way.
    pub transfer: &'a Transfer,
    /// Places on it.
    pub samples: &'a Samples,
    /// The unit of the value.
    pub unit: Unit,
    /// The characters that may be used.
    pub signs: Signs,
}

/// `text` in lines of at most `columns` columns, broken at blanks; words that are longer stay whole.
pub fn wrapped(text: &str, columns: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split(' ') {
        match lines.last_mut() {
            Some(line) if line.width() + 1 + word.width() <= columns => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

impl Sheet<'_> {
    /// The lines for a terminal of so many columns.
    pub fn lines(&self, columns: usize) -> Vec<String> {
        let columns = columns.clamp(COLUMNS.0, COLUMNS.1);
        let mut lines: Vec<String> = self.head.iter().flat_map(|line| wrapped(line, columns)).collect();
        lines.push(String::new());
        // Of two places there is nothing to draw: a switch.
        if let Some(values) = self.samples.values().filter(|_| self.samples.points.len() > 2) {
            self.draw(values, columns, &mut lines);
        }
        self.regions(columns, &mut lines);
        lines.push(String::new());
        self.table(&mut lines);
        for sentence in self.sentences() {
            lines.push(String::new());
            lines.extend(wrapped(&sentence, columns));
        }
        lines
    }

    /// The unit as the terminal can show it.
    fn shown(&self, unit: Unit) -> String {
        self.signs.unit(unit)
    }

    fn incoming(&self) -> String {
        if self.transfer.has_counts() { "counts".to_owned() } else { self.shown(self.transfer.takes()) }
    }

    fn draw(&self, values: (f64, f64), columns: usize, lines: &mut Vec<String>) {
        let plot = Plot { columns, rows: ROWS, across: self.samples.ends(), up: room(values), signs: self.signs };
        let line = self.samples.points.iter().map(|point| (point.raw, point.value.good())).collect();
        lines.push(format!("{:8}{}", "", self.shown(self.unit)).trim_end().to_owned());
        lines.extend(plot.draw(&Series { line, marks: Vec::new() }));
        let mut band = vec![' '; plot.width()];
        for point in self.samples.points.iter().filter(|point| point.value.good().is_none()) {
            if let Some(cell) = plot.column(point.raw).and_then(|column| band.get_mut(column)) {
                *cell = self.doubt();
            }
        }
        let band = String::from_iter(band);
        if !band.trim().is_empty() {
            lines.push(format!("{:8}{}", "", band.trim_end()));
        }
        lines.push(plot.below(&self.incoming()));
        lines.push(String::new());
    }

    fn doubt(&self) -> char {
        if self.signs == Signs::Unicode { '▒' } else { '#' }
    }

    /// The regions that are not trusted, and the one that is.
    fn regions(&self, columns: usize, lines: &mut Vec<String>) {
        if self.transfer.has_counts() {
            let supply = brief(self.transfer.given().supply, 4);
            let (_, top) = self.samples.ends();
            let text =
                format!("Rails: 0 counts is ground, {} one count below the supply of {supply} V.", brief(top, 5));
            lines.extend(wrapped(&text, columns));
        }
        let unit = self.incoming();
        for region in self.samples.regions() {
            let (from, to) = (brief(region.from, 5), brief(region.to, 5));
            let place = if from == to { from } else { format!("{from} to {to}") };
            let sign = if region.trust == Trust::Ok { ' ' } else { self.doubt() };
            let place = format!("{place} {unit}");
            lines.push(format!("{sign} {:<20}{}", place.trim_end(), region.trust.words()));
        }
    }

    fn table(&self, lines: &mut Vec<String>) {
        let rows = self.samples.rows(TABLE);
        if rows.is_empty() {
            return;
        }
        let counts = self.transfer.has_counts();
        let (takes, value) = (self.shown(self.transfer.takes()), self.shown(self.unit));
        if counts {
            lines.push(format!("{:>6} {:>6} {:>9} {:>8} {:>7}", "counts", "pin", "curve in", "value", "1 count"));
            lines.push(format!("{:>6} {:>6} {takes:>9} {value:>8} {value:>7}", "", "V"));
        } else {
            lines.push(format!("{:>12} {:>12}", "in", "value"));
            let units = format!("{takes:>12} {value:>12}");
            lines.extend(Some(units.trim_end().to_owned()).filter(|units| !units.is_empty()));
        }
        for index in rows {
            lines.push(self.row(index, counts));
        }
    }

    fn row(&self, index: usize, counts: bool) -> String {
        let At { raw, volts, input, value } = self.samples.points[index];
        let value = value.good().map_or_else(String::new, |number| brief(number, 4));
        if !counts {
            return format!("{:>12} {value:>12}", brief(raw, 5));
        }
        // At the upper end the step is that of the last count.
        let step = self.samples.step(index).or_else(|| self.samples.step(index.checked_sub(1)?));
        let step = step.map_or_else(String::new, |step| brief(step / self.samples.apart, 2));
        format!("{:>6} {:>6} {:>9} {value:>8} {step:>7}", brief(raw, 5), format!("{volts:.3}"), brief(input, 4))
    }

    /// How fine it is, in words.
    fn sentences(&self) -> Vec<String> {
        let steps: Vec<(f64, f64)> = (0..self.samples.points.len())
            .filter_map(|index| Some((self.samples.step(index)? / self.samples.apart, self.samples.points[index].raw)))
            .collect();
        if !self.transfer.has_counts() || steps.is_empty() {
            return Vec::new();
        }
        // Beside an end of the curve, where one value holds for a while, one count makes nothing, and the last one on
        // the curve less than it does elsewhere.
        let still = |index: usize| steps.get(index).is_some_and(|(step, _)| *step == 0.0);
        let inside = |index: &usize| !(still(*index) || still(index + 1) || *index > 0 && still(index - 1));
        let moving = || (0..steps.len()).filter(inside).map(|index| steps[index]);
        let Some(finest) = moving().min_by(|a, b| a.0.total_cmp(&b.0)) else { return Vec::new() };
        let Some(coarsest) = moving().max_by(|a, b| a.0.total_cmp(&b.0)) else { return Vec::new() };
        let unit = self.shown(self.unit);
        let size = |step: f64| format!("{} {unit}", brief(step, 2)).trim_end().to_owned();
        let text = if size(finest.0) == size(coarsest.0) {
            format!("One count is {} all along.", size(finest.0))
        } else {
            format!(
                "One count is {} at its finest, near {} counts, and {} at its coarsest, near {}.",
                size(finest.0),
                brief(finest.1, 5),
                size(coarsest.0),
                brief(coarsest.1, 5)
            )
        };
        vec![text]
    }
}

/// Ends of the scale: somewhat apart where there is but one value.
fn room((low, high): (f64, f64)) -> (f64, f64) {
    if low < high { (low, high) } else { (low - 1.0, high + 1.0) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_text_is_broken_at_blanks() {
        assert_eq!(wrapped("one two three", 7), ["one two", "three"]);
        assert_eq!(wrapped("muchtoolong a", 4), ["muchtoolong", "a"]);
    }
}
