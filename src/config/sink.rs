//! Where mistakes are gathered while a config is read.
//!
//! Owns the list of mistakes, the place that they are said to be in, and the rule that what follows from broken TOML is
//! not reported a second time. In: spans and sentences. Out: the list, in the order of the text.

use std::cell::Cell;
use std::ops::Range;

use super::Mistake;
use super::nearest::nearest;
use crate::text;

/// Bytes of the text, as a plain pair that can be copied.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Span {
    /// The first byte.
    pub start: usize,
    /// Behind the last byte.
    pub end: usize,
}

impl From<Range<usize>> for Span {
    fn from(range: Range<usize>) -> Self {
        Self { start: range.start, end: range.end }
    }
}

/// So many names are compared for hints in one text: a text that needs more is not a config with typing errors.
const MOST_COMPARED: usize = 50_000;

/// The gathered mistakes.
#[derive(Debug, Default)]
pub(super) struct Sink {
    mistakes: Vec<Mistake>,
    place: String,
    /// Where the TOML itself is broken. What is read there is not what was meant.
    wounds: Vec<Span>,
    /// How many names have been compared for hints.
    compared: Cell<usize>,
}

impl Sink {
    /// The TOML is broken at `span`.
    pub fn wound(&mut self, span: Span) {
        self.wounds.push(span);
    }

    /// Whether what stands at `span` cannot be taken as it was read: the TOML is broken there.
    pub fn is_wounded(&self, span: Span) -> bool {
        !self.wounds.is_empty()
            && (span.start == span.end
                || self.wounds.iter().any(|w| w.start < span.end && span.start < w.end.max(w.start + 1)))
    }

    /// Runs `read` with mistakes said to be in `place`.
    pub fn within<T>(&mut self, place: impl Into<String>, read: impl FnOnce(&mut Self) -> T) -> T {
        let before = std::mem::replace(&mut self.place, place.into());
        let result = read(self);
        self.place = before;
        result
    }

    /// From now on mistakes are said to be in `place`; gives the place before.
    pub fn enter(&mut self, place: &str) -> String {
        std::mem::replace(&mut self.place, place.to_owned())
    }

    /// Something is wrong at `span`.
    pub fn error(&mut self, span: Span, what: impl AsRef<str>, remedy: impl AsRef<str>) {
        self.push(span, what.as_ref(), remedy.as_ref(), false);
    }

    /// Something is doubtful at `span`.
    pub fn warn(&mut self, span: Span, what: impl AsRef<str>, remedy: impl AsRef<str>) {
        self.push(span, what.as_ref(), remedy.as_ref(), true);
    }

    /// Something is not there. Says nothing where the TOML is broken, since it may stand in the part that was not read.
    pub fn absent(&mut self, span: Span, what: impl AsRef<str>, remedy: impl AsRef<str>) {
        if self.wounds.is_empty() {
            self.push(span, what.as_ref(), remedy.as_ref(), false);
        }
    }

    fn push(&mut self, span: Span, what: &str, remedy: &str, warning: bool) {
        self.mistakes.push(Mistake {
            span: span.start..span.end,
            place: text::safe(&self.place).into_owned(),
            what: text::safe(what).into_owned(),
            remedy: text::safe(remedy).into_owned(),
            warning,
        });
    }

    /// "did you mean …?" with the nearest of `known`, or `otherwise`.
    pub fn did_you_mean<'n>(
        &self,
        name: &str,
        known: impl IntoIterator<Item = &'n str>,
        otherwise: impl FnOnce() -> String,
    ) -> String {
        let known: Vec<&str> = known.into_iter().collect();
        self.compared.set(self.compared.get() + known.len());
        let best = if self.compared.get() <= MOST_COMPARED { nearest(name, known) } else { None };
        best.map_or_else(otherwise, |best| format!("did you mean `{best}`?"))
    }

    /// Whether there is a mistake that is no warning.
    pub fn has_errors(&self) -> bool {
        self.mistakes.iter().any(|mistake| !mistake.warning)
    }

    /// All mistakes in the order of the text, each once: a sensor that several channels use is read for each of them.
    pub fn finish(mut self) -> Vec<Mistake> {
        crate::order::by_key(&mut self.mistakes, |mistake| (mistake.span.start, mistake.span.end));
        self.mistakes.dedup();
        self.mistakes
    }
}

/// The first `most` of `names`, each in backticks, parted by commas.
pub(super) fn listed<'n>(names: impl IntoIterator<Item = &'n str>, most: usize) -> String {
    let names: Vec<&str> = names.into_iter().collect();
    let mut text = names.iter().take(most).map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", ");
    if names.len() > most {
        text.push_str(", …");
    }
    text
}
