//! Names of channels in the config, and the formulas that are written with them.
//!
//! Owns the way from a name to its index, the place in the file of each fault of a formula, and what counts as a condition.

use std::collections::BTreeMap;

use super::formula;
use super::model::{ChannelId, Expr, Formula, Operator};
use super::read::{Item, short};
use super::sink::{Sink, Span, listed};

/// The names of all channels.
#[derive(Debug, Default)]
pub(super) struct Names<'a> {
    ids: BTreeMap<&'a str, ChannelId>,
    /// By index: whether the channel is known to be a number, neither on nor off.
    numbers: Vec<bool>,
}

/// What a number in the place of a condition is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Bare {
    /// A mistake: a pin would be on for as long as it is not 0.
    Wrong,
    /// Doubtful: whatever hangs on it holds for as long as it is not 0.
    Doubtful,
}

impl<'a> Names<'a> {
    /// One more channel, with the next index.
    pub fn add(&mut self, name: &'a str, id: ChannelId, is_number: bool) {
        self.ids.insert(name, id);
        self.numbers.push(is_number);
    }
}

impl Names<'_> {
    /// The channel of that name.
    pub fn find(&self, name: &str) -> Option<ChannelId> {
        self.ids.get(name).copied()
    }

    /// The channel of that name; a mistake at `span` where there is none.
    pub fn require(&self, name: &str, span: Span, sink: &mut Sink) -> Option<ChannelId> {
        let found = self.find(name);
        if found.is_none() {
            let remedy = self.hint(name, sink);
            sink.absent(span, format!("there is no channel `{}`", short(name)), remedy);
        }
        found
    }

    fn hint(&self, name: &str, sink: &Sink) -> String {
        let names = || self.ids.keys().copied();
        sink.did_you_mean(name, names(), || match self.ids.len() {
            0 => "there are no channels".to_owned(),
            _ => format!("there are {}", listed(names(), 8)),
        })
    }

    /// The channel that a text value names.
    pub fn named_by(&self, item: &Item<'_>, sink: &mut Sink) -> Option<ChannelId> {
        let name = item.text("\"rpm\"", sink)?;
        self.require(name, item.span, sink)
    }

    /// A formula that is true or false; one that is a number is `bare`. Any number but 0 would count as true.
    pub fn condition(&self, item: &Item<'_>, text: &str, bare: Bare, sink: &mut Sink) -> Option<Formula> {
        let formula = self.formula(item, text, sink)?;
        let is_condition = match &formula.tree {
            Expr::Not(_) | Expr::If(_) => true,
            Expr::Binary(operator, ..) => !matches!(
                operator,
                Operator::Add | Operator::Subtract | Operator::Multiply | Operator::Divide | Operator::Power
            ),
            Expr::Channel(id) => !self.numbers.get(id.index()).is_some_and(|is_number| *is_number),
            _ => false,
        };
        if is_condition {
            return Some(formula);
        }
        let what = "this is a number and no condition";
        match bare {
            Bare::Wrong => {
                sink.error(item.span, what, "compare it with something; for example \"coolant < 10\"");
                None
            }
            Bare::Doubtful => {
                sink.warn(item.span, what, "true whenever it is not 0; compare it, for example \"rpm > 600\"");
                Some(formula)
            }
        }
    }

    /// A formula or condition, with each fault at its place in the file.
    pub fn formula(&self, item: &Item<'_>, text: &str, sink: &mut Sink) -> Option<Formula> {
        let source = item.text("\"rpm > 600\"", sink)?;
        let faults = match formula::parse(source, &|name| self.find(name)) {
            Ok(formula) => return Some(formula),
            Err(faults) => faults,
        };
        for fault in faults {
            let span = item.inside(source, text, fault.span);
            match fault.unknown {
                Some(name) => {
                    let remedy = self.hint(&name, sink);
                    sink.absent(span, fault.what, remedy);
                }
                None => sink.error(span, fault.what, fault.remedy),
            }
        }
        None
    }
}
