//! What the pipeline keeps of one link: its decoder, and how lively it is.
//!
//! Owns the count of lines for each full second and the rule of silence. Pure: times are arguments.

use crate::channel::Totals;
use crate::config::Link;
use crate::state::{LinkShown, LinkState, SILENT_AFTER};
use crate::time::{Micros, SECOND, Stamp};
use crate::wire::{ADC_MAX, Decoder, Reject};

/// One link.
#[derive(Debug)]
pub(super) struct Lane {
    /// Its decoder.
    pub decoder: Decoder,
    /// Highest count of its converter.
    pub adc_max: f64,
    /// When a line last came, or the link was opened.
    heard: Option<Stamp>,
    /// Lines taken in the second that ends at `ends`.
    count: u32,
    /// Why the last one of that second was refused that was.
    refused: Option<Reject>,
    ends: Stamp,
}

impl Lane {
    /// Nothing came yet.
    pub fn new(link: &Link) -> Self {
        let decoder = Decoder::new(link.form.clone(), &link.fields);
        Self { decoder, adc_max: f64::from(ADC_MAX), heard: None, count: 0, refused: None, ends: Stamp(Micros::MIN) }
    }

    /// Goes on where `before` stands, the lane of the same link under the config before. False where its timeline begins
    /// anew.
    pub fn go_on_from(&mut self, before: &Self) -> bool {
        let goes_on = self.decoder.go_on_from(&before.decoder);
        let adc_max = self.decoder.hello().map_or(ADC_MAX, |hello| hello.adc_max);
        (self.adc_max, self.heard) = (f64::from(adc_max), before.heard);
        (self.count, self.ends) = (before.count, before.ends);
        goes_on
    }

    /// A line came, and was taken or `refused`.
    #[inline]
    pub fn heard(&mut self, now: Stamp, refused: Option<Reject>, shown: &mut LinkShown) {
        self.heard = Some(now);
        if shown.state != LinkState::Up {
            (shown.state, shown.since, shown.trouble) = (LinkState::Up, now, None);
        }
        self.second(now, shown);
        match refused {
            None => self.count += 1,
            Some(_) => self.refused = refused,
        }
    }

    /// Shows what the decoder has counted.
    pub fn show(&self, supply: Option<f64>, shown: &mut LinkShown) -> Totals {
        let tally = self.decoder.tally();
        let totals = Totals::of(tally);
        (shown.bad, shown.lost, shown.restarts) = (totals.bad, totals.lost, totals.restarts);
        (shown.resets, shown.supply) = (tally.resets, supply);
        totals
    }

    /// The link was opened.
    pub fn up(&mut self, now: Stamp, shown: &mut LinkShown) {
        self.decoder.opened();
        self.heard = Some(now);
        (shown.state, shown.since, shown.trouble) = (LinkState::Up, now, None);
    }

    /// The link is gone.
    pub fn down(&mut self, now: Stamp, shown: &mut LinkShown) {
        self.heard = None;
        (shown.state, shown.since) = (LinkState::Down, now);
    }

    /// Time passed. True where anything changed.
    pub fn tick(&mut self, now: Stamp, shown: &mut LinkShown) -> bool {
        let before = *shown;
        self.second(now, shown);
        if let Some(heard) = self.heard
            && shown.state == LinkState::Up
            && now.since(heard) >= SILENT_AFTER
        {
            // What a person wants to know is how long nothing has come, not since when that is remarkable.
            (shown.state, shown.since) = (LinkState::Silent, heard);
        }
        *shown != before
    }

    /// When [`Lane::tick`] has something to do at the earliest.
    pub fn due(&self, shown: &LinkShown) -> Option<Stamp> {
        let silent = self.heard.filter(|_| shown.state == LinkState::Up).map(|heard| heard.after(SILENT_AFTER));
        let lively = self.count > 0 || shown.lines_per_s > 0 || self.refused.is_some() || shown.only_bad.is_some();
        let second = lively.then_some(self.ends);
        silent.into_iter().chain(second).min()
    }

    /// Begins a new second where one is over.
    fn second(&mut self, now: Stamp, shown: &mut LinkShown) {
        if now < self.ends {
            return;
        }
        let begins = now.0.div_euclid(SECOND) * SECOND;
        // Seconds in which nothing came lie between: the last full one was empty.
        let just = self.ends == Stamp(begins);
        shown.lines_per_s = if just { self.count } else { 0 };
        shown.only_bad = self.refused.take().filter(|_| just && self.count == 0);
        (self.count, self.ends) = (0, Stamp(begins.saturating_add(SECOND)));
    }
}
