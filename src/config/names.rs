//! Names of channels in the config, and the formulas that are written with them.
//!
//! Owns the way from a name to its index, and the place in the file of each fault of a formula.

use std::collections::BTreeMap;

use super::formula;
use super::model::{ChannelId, Formula};
use super::read::{Item, short};
use super::sink::{Sink, Span, listed};

/// The names of all channels.
#[derive(Debug, Default)]
pub(super) struct Names<'a> {
    ids: BTreeMap<&'a str, ChannelId>,
}

impl<'a> Names<'a> {
    /// One more channel.
    pub fn add(&mut self, name: &'a str, id: ChannelId) {
        self.ids.insert(name, id);
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
