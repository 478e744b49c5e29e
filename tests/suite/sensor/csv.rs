//! Reads the comma-separated reference files: one header row, fields perhaps in double quotes.

use std::collections::HashMap;

/// One row, by the names of its columns.
pub struct Row(HashMap<String, String>);

/// All rows of `tests/reference/NAME`. Never empty: a check over no rows would be none.
pub fn rows(name: &str) -> Vec<Row> {
    let path = format!("{}/tests/reference/{name}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{path}: {error}"));
    let mut lines = text.lines().map(fields);
    let header = lines.next().expect("a header row");
    let rows: Vec<Row> = lines
        .map(|fields| {
            assert_eq!(fields.len(), header.len(), "{name}: {fields:?}");
            Row(header.iter().cloned().zip(fields).collect())
        })
        .collect();
    assert!(!rows.is_empty(), "{name} has no rows");
    rows
}

impl Row {
    /// The field of that column.
    #[track_caller]
    pub fn text(&self, column: &str) -> &str {
        self.0.get(column).unwrap_or_else(|| panic!("no column {column}"))
    }

    /// The number in that column, `None` where it is empty. `40/3` is a fraction.
    #[track_caller]
    pub fn maybe(&self, column: &str) -> Option<f64> {
        let text = self.text(column);
        let number = |text: &str| text.parse::<f64>().unwrap_or_else(|_| panic!("{column}: {text} is no number"));
        match text.split_once('/') {
            _ if text.is_empty() => None,
            Some((over, under)) => Some(number(over) / number(under)),
            None => Some(number(text)),
        }
    }

    /// The number in that column.
    #[track_caller]
    pub fn number(&self, column: &str) -> f64 {
        self.maybe(column).unwrap_or_else(|| panic!("{column} is empty"))
    }

    /// The numbers in that column, with blanks between.
    #[track_caller]
    pub fn list(&self, column: &str) -> Vec<f64> {
        self.text(column).split(' ').map(|text| text.parse().expect("a number")).collect()
    }

    /// The row as a message names it.
    pub fn name(&self) -> String {
        let mut fields: Vec<_> = self.0.iter().map(|(column, text)| format!("{column} {text}")).collect();
        fields.sort();
        fields.join(", ")
    }
}

fn fields(line: &str) -> Vec<String> {
    let mut fields = vec![String::new()];
    let mut quoted = false;
    for c in line.chars() {
        match c {
            '"' => quoted = !quoted,
            ',' if !quoted => fields.push(String::new()),
            _ => fields.last_mut().expect("begins with one").push(c),
        }
    }
    fields
}

#[test]
fn a_comma_in_quotes_divides_nothing() {
    assert_eq!(fields("\"a, b\",c,,d"), ["a, b", "c", "", "d"]);
}
