//! From readings to values with trust: circuits, curves, pulses, formulas, calibration, smoothing.
//!
//! Owns [`Trust`], [`Value`] and the [`Bank`] of all channels. A value without its trust does not exist in any type
//! that leaves this room. No alarms, no drawing, no clock.

mod agreement;
mod analog;
mod dependent;
mod feed;
mod finish;
mod formula;
mod fresh;
mod ground;
mod input;
mod judge;
mod motion;
mod pulse;
mod sense;
mod touch;
mod transfer;
mod trust;
mod window;

pub use finish::When;
pub use formula::{Condition, Moment};
pub use ground::Shifted;
pub use touch::Touch;
pub use transfer::{At, Conditions, Transfer};
pub use trust::{Trust, Value};

use crate::config::{ChannelId, LinkId, Model};
use crate::state::Shown;
use crate::time::{Micros, Stamp};
use crate::wire::{Reading, Tally};
use dependent::Dependent;
use feed::{Board, Feed};

/// Running totals of one link.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Totals {
    /// Readings lost on the way.
    pub lost: u64,
    /// Lines refused.
    pub bad: u64,
    /// Restarts of the controller.
    pub restarts: u64,
}

impl Totals {
    /// The totals of `tally`.
    pub fn of(tally: &Tally) -> Self {
        // All lines are either taken or refused, exactly, so that the reasons need not be added up.
        let taken = tally.readings + tally.hellos + tally.headers;
        Self { lost: tally.lost, bad: tally.lines.saturating_sub(taken), restarts: tally.restarts }
    }
}

/// How a link and what its channels share stand at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Standing {
    /// No reading has come for too long; `None`: none has come ever.
    pub silent: Option<bool>,
    /// The converter's supply in volts, where it is known.
    pub supply: Option<f64>,
    /// It is outside of its limits.
    pub supply_bad: bool,
    /// Several inputs stepped together.
    pub shifted: Option<Shifted>,
}

/// All channels with what must be remembered from line to line.
///
/// A reading goes through [`Bank::begin`], [`Bank::take`], [`Bank::count`] and [`Bank::settle`], in that order. Nothing
/// of that allocates, but for a window of a formula that fills for the first time.
#[derive(Clone, Debug)]
pub struct Bank {
    feeds: Vec<Feed>,
    dependents: Vec<Dependent>,
    touched: Vec<Touch>,
    emf: Vec<Value>,
}

impl Bank {
    /// Every channel unknown.
    pub fn new(model: &Model) -> Self {
        let links = (0_u8..).take(model.links.len());
        let channel = |id: &crate::config::ChannelId| Dependent::new(*id, model.channels.get(id.index())?);
        Self {
            feeds: links.map(|link| Feed::new(model, LinkId(link))).collect(),
            dependents: model.order.iter().filter_map(channel).collect(),
            touched: vec![Touch::NONE; model.channels.len()],
            emf: vec![Value::MISSING; model.channels.len()],
        }
    }

    /// A reading came over `link` at `now`: what the other links last sent is judged by the computer's clock, carried on
    /// from their last line.
    pub fn begin(&mut self, link: LinkId, now: Stamp, channels: &mut [Shown]) {
        self.touched.fill(Touch::NONE);
        if self.feeds.len() > 1 {
            let mut board = Board { channels, touched: &mut self.touched, emf: &mut self.emf };
            for (place, feed) in self.feeds.iter_mut().enumerate() {
                if place != link.index() {
                    feed.carry_on(now, true, &mut board);
                }
            }
        }
    }

    /// Takes one reading of `link` that came at `now`. `adc_max`: the highest count of its converter.
    pub fn take(&mut self, link: LinkId, adc_max: f64, reading: &Reading, now: Stamp, channels: &mut [Shown]) {
        let mut board = Board { channels, touched: &mut self.touched, emf: &mut self.emf };
        if let Some(feed) = self.feeds.get_mut(link.index()) {
            feed.take(reading, adc_max, now, &mut board);
        }
    }

    /// The totals of `link` are `totals`, after whatever came over it.
    pub fn count(&mut self, link: LinkId, totals: Totals, when: When, channels: &mut [Shown]) {
        let mut board = Board { channels, touched: &mut self.touched, emf: &mut self.emf };
        if let Some(feed) = self.feeds.get_mut(link.index()) {
            feed.count(totals, when, &mut board);
        }
    }

    /// Brings thermocouples and formulas up to what happened.
    pub fn settle(&mut self, when: When, channels: &mut [Shown]) {
        for dependent in &mut self.dependents {
            dependent.settle(when, channels, &mut self.touched, &self.emf);
        }
    }

    /// Time passed without a line: marks what is stale, and what depends on it. True where anything changed.
    ///
    /// Leaves no trace in windows, rates or smoothing: the next line finds all as if it had not been called.
    pub fn tick(&mut self, now: Stamp, at: Micros, channels: &mut [Shown]) -> bool {
        self.touched.fill(Touch::NONE);
        let mut board = Board { channels, touched: &mut self.touched, emf: &mut self.emf };
        let mut changed = false;
        for feed in &mut self.feeds {
            changed |= feed.carry_on(now, false, &mut board);
        }
        if changed {
            self.settle(When { at, now, line: false }, channels);
        }
        changed
    }

    /// When [`Bank::tick`] has something to do at the earliest, if no line comes; on the computer's timeline.
    pub fn due(&self) -> Option<Stamp> {
        self.feeds.iter().filter_map(Feed::due).min()
    }

    /// How long after its link's newest reading `channel` still counts if nothing more comes, and when that reading came.
    pub fn left(&self, link: LinkId, channel: ChannelId) -> Option<(Micros, Stamp)> {
        self.feeds.get(link.index())?.left(channel.index())
    }

    /// The supply of the converter of `link` in volts, where it is known.
    pub fn supply(&self, link: LinkId) -> Option<f64> {
        self.feeds.get(link.index()).and_then(Feed::supply)
    }

    /// How `link` stands at `now`; `None` where there is no such link.
    pub fn standing(&self, link: LinkId, now: Stamp) -> Option<Standing> {
        Some(self.feeds.get(link.index())?.standing(now))
    }

    /// Whether nothing can be wrong with any link at `now`, at a glance.
    #[inline]
    pub fn is_calm(&self, now: Stamp) -> bool {
        self.feeds.iter().all(|feed| feed.is_calm(now))
    }

    /// The driver takes what stepped together, on any controller, for true. True where anything had.
    pub fn accept_shifts(&mut self) -> bool {
        let any = self.feeds.iter().any(|feed| feed.shifted().is_some());
        self.feeds.iter_mut().for_each(Feed::accept_shift);
        any
    }

    /// What the newest line, or tick, did to each channel.
    pub fn touched(&self) -> &[Touch] {
        &self.touched
    }
}
