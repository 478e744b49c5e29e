//! Which config decodes a recording, and from where on.
//!
//! Owns the config texts of a recording and what they mean. In: texts from heads and `config` notes. Out: models. Of
//! what a text says nothing is done here but reading it with all its checks: no output, folder or device is touched.

use std::sync::Arc;

use crate::config::{self, SharedModel};

/// The most texts of which the meaning is kept, so that going back and forth reads none of them again.
const KNOWN_MAX: usize = 8;

/// How many mistakes a config text has.
pub type Mistakes = u32;

/// The configs of a recording.
///
/// ```
/// # use std::sync::Arc;
/// use kickpanel::replay::Configs;
/// let model = Arc::new(kickpanel::config::load("format = 1\n").model.unwrap());
/// // As when the user named a config: it decodes all, whatever the recording holds.
/// let named = Configs::from(Arc::clone(&model));
/// // As when the user named none: heads and notes of the recording are followed.
/// let own = Configs::followed(model, Some("format = 1\n"));
/// assert!(!named.follows() && own.follows());
/// ```
#[derive(Clone, Debug)]
pub struct Configs {
    first: SharedModel,
    first_text: Option<Arc<str>>,
    follow: bool,
    /// Texts and what they mean, the oldest first.
    known: Vec<(Arc<str>, Result<SharedModel, Mistakes>)>,
}

impl From<SharedModel> for Configs {
    /// `model` decodes all of it: the configs that the recording holds are passed over.
    fn from(model: SharedModel) -> Self {
        Self { first: model, first_text: None, follow: false, known: Vec::new() }
    }
}

impl Configs {
    /// It begins with `model`, and what the recording says of configs is followed. `text`: the config's own, where the
    /// recording begins with it.
    pub fn followed(model: SharedModel, text: Option<&str>) -> Self {
        let first_text: Option<Arc<str>> = text.map(Arc::from);
        let known = first_text.iter().map(|text| (Arc::clone(text), Ok(Arc::clone(&model)))).collect();
        Self { first: model, first_text, follow: true, known }
    }

    /// What it begins with.
    pub fn first(&self) -> &SharedModel {
        &self.first
    }

    /// The text of that, where it is the recording's own.
    pub(super) fn first_text(&self) -> Option<Arc<str>> {
        self.first_text.clone()
    }

    /// Whether configs of the recording are followed.
    pub fn follows(&self) -> bool {
        self.follow
    }

    /// What `text` means, and the text to know it by; or how many mistakes it has.
    pub fn read(&mut self, text: &str) -> (Arc<str>, Result<SharedModel, Mistakes>) {
        if let Some(known) = self.known.iter().find(|(known, _)| **known == *text) {
            return known.clone();
        }
        let loaded = config::load(text);
        let mistakes = loaded.mistakes.iter().filter(|mistake| !mistake.warning).count();
        let meaning = loaded.model.map(Arc::new).ok_or(u32::try_from(mistakes).unwrap_or(u32::MAX).max(1));
        let read = (Arc::from(text), meaning);
        if self.known.len() >= KNOWN_MAX {
            drop(self.known.remove(0));
        }
        self.known.push(read.clone());
        read
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_is_read_once_while_it_is_known() {
        let mut configs = Configs::followed(Arc::new(config::load("").model.unwrap()), Some(""));
        let same = |one: &SharedModel, other: &SharedModel| Arc::ptr_eq(one, other);
        assert!(same(&configs.read("").1.unwrap(), &configs.first().clone()));
        let farm = configs.read("name = \"Farm\"\n").1.unwrap();
        assert!(same(&configs.read("name = \"Farm\"\n").1.unwrap(), &farm));
        for number in 0..KNOWN_MAX {
            configs.read(&format!("name = \"{number}\"\n")).1.unwrap();
        }
        assert_eq!(configs.known.len(), KNOWN_MAX);
        assert!(!same(&configs.read("name = \"Farm\"\n").1.unwrap(), &farm));
    }

    #[test]
    fn a_text_with_mistakes_means_nothing_and_warnings_are_none() {
        let mut configs = Configs::from(Arc::new(config::load("").model.unwrap()));
        assert_eq!(configs.read("spam = 1\nspim = 2\n").1, Err(2));
        assert_eq!(configs.read(&"#".repeat(config::LONGEST + 1)).1, Err(1));
    }
}
