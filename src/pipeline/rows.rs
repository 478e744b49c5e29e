//! The time of exports: one timeline for the rows of all links.
//!
//! Owns which link's clock is the main one, and how rows of the others are placed on it. Pure: times are arguments.

use crate::config::{LinkId, Model};
use crate::time::{Micros, Stamp};
use crate::wire::Form;

/// Places every row on the timeline of the main link's clock: the first link of the counts form, else the first.
#[derive(Clone, Debug)]
pub(super) struct Rows {
    main: usize,
    /// Put on the times of the main link; `None`: its timeline began anew, and is joined where its next reading comes.
    shift: Option<Micros>,
    /// When anything first came.
    first: Option<Stamp>,
    /// The main link's newest row, and when it came.
    anchor: Option<(Micros, Stamp)>,
    /// The newest row of all.
    previous: Micros,
}

impl Rows {
    /// Nothing came yet.
    pub fn new(model: &Model) -> Self {
        let main = model.links.iter().position(|link| matches!(link.form, Form::Counts { .. })).unwrap_or(0);
        Self { main, shift: Some(0), first: None, anchor: None, previous: 0 }
    }

    /// The place of the main link in the model.
    pub fn main(&self) -> usize {
        self.main
    }

    /// Goes on where `before` stands, by the config before. `same`: the main link is the same, and so is its timeline.
    pub fn go_on_from(&mut self, before: &Self, same: bool) {
        *self = Self { main: self.main, shift: before.shift.filter(|_| same), ..before.clone() };
    }

    /// The time of the row of a reading of `link`, sampled at `at` on the link's own timeline, that came at `now`.
    pub fn place(&mut self, link: LinkId, at: Micros, now: Stamp) -> Micros {
        self.first.get_or_insert(now);
        if link.index() == self.main {
            let shift = self.shift.unwrap_or_else(|| self.at(now).saturating_sub(at));
            self.shift = Some(shift);
            let at = at.saturating_add(shift);
            self.anchor = Some((at, now));
            self.previous = at;
        } else {
            self.previous = self.carried(now).max(self.previous);
        }
        self.previous
    }

    /// The time between rows: carried on by the computer's clock, never before the newest row.
    pub fn at(&self, now: Stamp) -> Micros {
        self.carried(now).max(self.previous)
    }

    /// When the computer's clock will show `at`, if no line comes.
    pub fn stamp(&self, at: Micros) -> Option<Stamp> {
        let (anchor, arrival) = self.anchor.or(self.first.map(|first| (0, first)))?;
        Some(arrival.after(at.saturating_sub(anchor)))
    }

    fn carried(&self, now: Stamp) -> Micros {
        match (self.anchor, self.first) {
            (Some((at, arrival)), _) => at.saturating_add(now.since(arrival)),
            (None, Some(first)) => now.since(first),
            (None, None) => 0,
        }
    }
}
