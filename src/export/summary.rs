//! What was read, counted: as JSON and as a sentence.

use std::fmt;

use serde_json::{Map, Value, json};

use crate::wire::{Reject, Tally};

/// Everything that came over all links of the recordings that were read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Summary {
    /// All links together.
    pub tally: Tally,
    /// Bytes of the recording itself that are damaged.
    pub damage_bytes: u64,
    /// Lines of links that the config does not have.
    pub foreign_lines: u64,
}

impl Summary {
    /// Adds one link.
    pub fn add(&mut self, tally: &Tally) {
        let sum = &mut self.tally;
        sum.lines += tally.lines;
        sum.readings += tally.readings;
        sum.hellos += tally.hellos;
        sum.headers += tally.headers;
        sum.lost += tally.lost;
        sum.restarts += tally.restarts;
        for (sum, count) in sum.refused.iter_mut().zip(tally.refused) {
            *sum += count;
        }
    }

    /// The JSON document of `export --summary`.
    pub fn to_json(&self) -> Value {
        let refused: Map<String, Value> = Reject::ALL
            .iter()
            .zip(self.tally.refused)
            .map(|(why, count)| (why.name().to_owned(), count.into()))
            .collect();
        json!({
            "lines": self.tally.lines,
            "readings": self.tally.readings,
            "hellos": self.tally.hellos,
            "lost": self.tally.lost,
            "restarts": self.tally.restarts,
            "refused": refused,
            "damage_bytes": self.damage_bytes,
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
        let mut summary = Summary::default();
        summary.add(&Tally {
            lines: 3,
            readings: 1,
            hellos: 1,
            refused: [1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0],
            ..Tally::default()
        });
        assert_eq!(
            summary.to_string(),
            "3 lines: 1 reading, 1 hello; 0 lost, 0 controller restarts; refused: too_long 1"
        );
    }
}
