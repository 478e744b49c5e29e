//! What was read, counted: as JSON and as a sentence.

use std::fmt;

use serde_json::{Map, Value, json};

use crate::wire::{Reject, Tally};

/// Everything that came over all links of the recordings that were read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Summary {
    /// All links together.
    pub tally: Tally,
    /// Bytes of the recording itself that cannot be vouched for.
    pub damage_bytes: u64,
    /// Bytes of last lines without LF, which were dropped.
    pub torn_bytes: u64,
    /// Lines of links that the config does not have.
    pub foreign_lines: u64,
}

impl Summary {
    /// The JSON document of `export --summary`. Its `damage_bytes` are all bytes that were read and are not vouched for:
    /// those that were hit, and those of a last line that was cut off and is dropped.
    pub fn to_json(&self) -> Value {
        let refused: Map<String, Value> = Reject::ALL
            .iter()
            .zip(self.tally.refused)
            .map(|(why, count)| (why.name().to_owned(), count.into()))
            .collect();
        let resets: Map<String, Value> =
            self.tally.resets.each().map(|(reason, count)| (reason.name().to_owned(), count.into())).collect();
        json!({
            "lines": self.tally.lines,
            "readings": self.tally.readings,
            "hellos": self.tally.hellos,
            "lost": self.tally.lost,
            "restarts": self.tally.restarts,
            "resets": resets,
            "refused": refused,
            "damage_bytes": self.damage_bytes + self.torn_bytes,
            "foreign_lines": self.foreign_lines,
        })
    }
}

/// `1 line`, `2 lines`.
fn count(number: u64, noun: &str) -> String {
    format!("{number} {noun}{}", if number == 1 { "" } else { "s" })
}

impl fmt::Display for Summary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let tally = &self.tally;
        let lines = count(tally.lines, "line");
        write!(f, "{lines}: {}, {}", count(tally.readings, "reading"), count(tally.hellos, "hello"))?;
        write!(f, "; {} lost, {}", tally.lost, count(tally.restarts, "controller restart"))?;
        if tally.restarts > 0 {
            write!(f, " ({})", tally.resets.words())?;
        }
        let refused: Vec<String> = Reject::ALL
            .iter()
            .zip(tally.refused)
            .filter(|(_, count)| *count > 0)
            .map(|(why, count)| format!("{} {count}", why.name()))
            .collect();
        if !refused.is_empty() {
            write!(f, "; refused: {}", refused.join(", "))?;
        }
        if self.damage_bytes > 0 {
            write!(f, "; {} of the recording damaged", count(self.damage_bytes, "byte"))?;
        }
        if self.torn_bytes > 0 {
            write!(f, "; {} of a line cut off at the end dropped", count(self.torn_bytes, "byte"))?;
        }
        if self.foreign_lines > 0 {
            write!(f, "; {} of links that the config does not have", count(self.foreign_lines, "line"))?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sentence_names_only_what_happened() {
        let tally =
            Tally { lines: 3, readings: 1, hellos: 1, refused: [1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0], ..Tally::default() };
        let mut summary = Summary { tally, ..Summary::default() };
        assert_eq!(
            summary.to_string(),
            "3 lines: 1 reading, 1 hello; 0 lost, 0 controller restarts; refused: too_long 1"
        );
        summary = Summary { damage_bytes: 40, torn_bytes: 1, ..Summary::default() };
        assert_eq!(
            summary.to_string(),
            "0 lines: 0 readings, 0 hellos; 0 lost, 0 controller restarts; 40 bytes of the recording damaged; 1 byte of a \
             line cut off at the end dropped"
        );
        assert_eq!(summary.to_json()["damage_bytes"], 41);
    }
}
