//! Formulas and conditions: text in, a tree over channels out.
//!
//! Owns the syntax: ordinary algebra, comparisons, `and or not`, `if`, functions, and windows of time. In: text and a way
//! to find channels. Out: [`Formula`], or every fault with its place in the text. Evaluates nothing.

mod lexer;
mod parser;

use std::ops::Range;

use super::model::{ChannelId, Formula};

/// Nested deeper than this is refused, so that whoever walks the tree needs only a small stack.
pub(super) const DEEPEST: usize = 64;
/// Words that a channel must not be called, since they mean something in a formula.
pub(super) const WORDS: [&str; 12] =
    ["abs", "and", "exp", "if", "ln", "max", "mean", "min", "not", "or", "rate", "sqrt"];

/// What is wrong in a formula, and where in its text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Fault {
    /// The offending bytes of the formula.
    pub span: Range<usize>,
    /// What is wrong.
    pub what: String,
    /// What would be right.
    pub remedy: String,
    /// It names a channel that there is not.
    pub unknown: Option<String>,
}

impl Fault {
    fn new(span: Range<usize>, what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { span, what: what.into(), remedy: remedy.into(), unknown: None }
    }
}

/// Reads a formula. `find` gives the channel of a name.
pub(super) fn parse(text: &str, find: &dyn Fn(&str) -> Option<ChannelId>) -> Result<Formula, Vec<Fault>> {
    parser::Parser::new(text, find).run().map(|(tree, terms)| Formula { text: text.to_owned(), tree, terms })
}

#[cfg(test)]
mod tests;
