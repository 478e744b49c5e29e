//! Whose lines they are: links of a recording, by name, to links of the model.
//!
//! Owns the matching and the tally of lines that belong to no link. No I/O.

use crate::config::{LinkId, Model};

/// The most unknown names that are kept apart; more are only counted.
const STRANGERS_MAX: usize = 64;

/// The links of a model, to be found by the names that a recording has for them.
///
/// A model with a single link also takes the lines of a single link of another name, and those of a bare capture, which
/// has no names; with several links a bare capture goes to the first of them.
#[derive(Clone, Debug, Default)]
pub struct Links {
    names: Vec<String>,
    /// The one other name that the only link goes by.
    adopted: Option<String>,
    /// A line came under the model's own name.
    matched: bool,
    strangers: Vec<(String, u64)>,
    others: u64,
}

impl Links {
    /// The links of `model`.
    pub fn new(model: &Model) -> Self {
        Self { names: model.links.iter().map(|link| link.name.clone()).collect(), ..Self::default() }
    }

    /// Another config is in force: the links are those of `model`. What belonged to none stays counted, and whether the
    /// recording's names are other ones stays known.
    pub fn reload(&mut self, model: &Model) {
        self.names = Self::new(model).names;
    }

    /// The link that `name` stands for; `None` where the model has none such.
    pub fn find(&mut self, name: &str) -> Option<LinkId> {
        if let Some(place) = self.names.iter().position(|own| own == name) {
            self.matched = true;
            return u8::try_from(place).ok().map(LinkId);
        }
        let only = self.names.len() == 1 && !self.matched;
        let bare = name.is_empty() && !self.names.is_empty();
        if only && self.adopted.is_none() && !bare {
            self.adopted = Some(name.to_owned());
        }
        (bare || only && self.adopted.as_deref() == Some(name)).then_some(LinkId(0))
    }

    /// Counts a line of `name`, which no link of the model takes.
    pub fn count_stranger(&mut self, name: &str) {
        if let Some((_, count)) = self.strangers.iter_mut().find(|(other, _)| other == name) {
            *count += 1;
        } else if self.strangers.len() < STRANGERS_MAX {
            self.strangers.push((name.to_owned(), 1));
        } else {
            self.others += 1;
        }
    }

    /// Lines of links that the model does not have, by name (unsafe text: show it through `text::safe`).
    pub fn strangers(&self) -> &[(String, u64)] {
        &self.strangers
    }

    /// All lines of links that the model does not have.
    pub fn stranger_lines(&self) -> u64 {
        self.strangers.iter().map(|(_, count)| count).sum::<u64>() + self.others
    }

    /// The name that the recording has for the model's only link, where it is another.
    pub fn adopted(&self) -> Option<&str> {
        self.adopted.as_deref()
    }
}
