//! The pieces that a picture is put together from, and which of them must be drawn anew.
//!
//! Owns the rule that a piece stays as it stands while everything it is drawn from is the same. In: items, histories and
//! lines of text. Out: marks in a buffer. Knows no snapshot and no time.

use std::hash::{DefaultHasher, Hash, Hasher};

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::Widget;

use super::banner::{self, Banner};
use super::foot::{self, Part};
use super::item::{Item, list};
use super::journal::{self, Journal};
use super::key_list;
use super::keys::ShownKey;
use super::look::{Look, Tone};
use super::outputs::{self, OutputRow};
use super::pen::Pen;
use super::widget::{Bar, Dial, Digits, Lamp, Strip, Trend};
use crate::config::{Cell, Face};

/// A part of the picture with a place of its own; no two overlap.
#[derive(Debug)]
pub enum Piece<'a> {
    /// A cell of the page: at least one item, and the histories of a trend.
    Cell {
        /// What the config says of it.
        cell: &'a Cell,
        /// Its channels.
        items: Vec<Item<'a>>,
        /// Their histories.
        strips: &'a [Strip],
        /// Trends stand still.
        held: bool,
    },
    /// A page as plain rows.
    List(Vec<Item<'a>>),
    /// All outputs.
    Outputs(Vec<OutputRow>),
    /// The worst alarm.
    Banner(Banner<'a>),
    /// What came when.
    Journal(Journal),
    /// Sentences, a row each, and how many more there are.
    Told(Vec<(String, Tone)>, usize),
    /// The keys that work.
    Keys(Vec<ShownKey>),
    /// A row of parts.
    Row(Vec<Part>),
}

impl Piece<'_> {
    /// Draws it into `area`, whose ground is empty.
    fn draw(self, area: Rect, buffer: &mut Buffer, look: &Look) {
        match self {
            Self::Cell { cell, items, strips, held } => {
                let Some(item) = items.first() else { return };
                match cell.face {
                    Face::Digits => Digits { item, look }.render(area, buffer),
                    Face::Bar => Bar { item, look }.render(area, buffer),
                    Face::Dial => Dial { item, look }.render(area, buffer),
                    Face::Lamp => Lamp { item, look }.render(area, buffer),
                    Face::Outputs => {}
                    Face::Trend => {
                        Trend { items: &items, strips, last: cell.last, paused: held, look }.render(area, buffer);
                    }
                }
            }
            Self::Outputs(rows) => outputs::draw(&mut Pen::new(buffer, area, look), &rows),
            Self::List(items) => list(&mut Pen::new(buffer, area, look), items),
            Self::Banner(banner) => banner::draw(&mut Pen::new(buffer, area, look), &banner),
            Self::Journal(journal) => journal::draw(&mut Pen::new(buffer, area, look), &journal),
            Self::Told(sentences, hidden) => foot::tell(&mut Pen::new(buffer, area, look), &sentences, hidden),
            Self::Keys(keys) => key_list::draw(&mut Pen::new(buffer, area, look), &keys),
            Self::Row(parts) => foot::draw(&mut Pen::new(buffer, area, look), &parts),
        }
    }

    /// A digest of everything it is drawn from, but for what the model and the look say.
    fn digest(&self) -> u64 {
        let mut hasher = DefaultHasher::new();
        match self {
            Self::Cell { cell, items, strips, held } => {
                // Digits and trends show a value by its text alone.
                let by_text = matches!(cell.face, Face::Digits | Face::Trend);
                for item in items {
                    item.digest(!by_text, &mut hasher);
                }
                for column in strips.iter().flat_map(|strip| &strip.columns) {
                    hasher.write_u32(column.low.to_bits());
                    hasher.write_u32(column.high.to_bits());
                }
                held.hash(&mut hasher);
            }
            Self::Outputs(rows) => rows.hash(&mut hasher),
            Self::List(items) => items.iter().for_each(|item| item.digest(false, &mut hasher)),
            Self::Banner(banner) => banner.hash(&mut hasher),
            Self::Journal(journal) => journal.hash(&mut hasher),
            Self::Told(sentences, hidden) => (sentences, hidden).hash(&mut hasher),
            Self::Keys(keys) => keys.hash(&mut hasher),
            Self::Row(parts) => {
                for Part { text, short, tone, rank, .. } in parts {
                    (text, short, tone, rank).hash(&mut hasher);
                }
            }
        }
        hasher.finish()
    }
}

/// Where the pieces of a buffer stand and what they were drawn from. It belongs to one buffer, one model, one look and
/// one page; the empty one fits every buffer.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Standing(Vec<(Rect, u64)>);

impl Standing {
    /// Nothing is known of what stands in the buffer.
    pub fn forget(&mut self) {
        self.0.clear();
    }

    /// Which rows of `area` may differ from those of a buffer with `other` pieces, from the top.
    pub fn rows_unlike(&self, other: &Self, area: Rect) -> Vec<bool> {
        let mut rows = vec![false; usize::from(area.height)];
        if !self.0.iter().map(|(area, _)| area).eq(other.0.iter().map(|(area, _)| area)) {
            rows.fill(true);
        }
        for ((place, _), _) in self.0.iter().zip(&other.0).filter(|((_, ours), (_, theirs))| ours != theirs) {
            let place = place.intersection(area);
            let top = usize::from(place.y - area.y);
            rows[top..top + usize::from(place.height)].fill(true);
        }
        rows
    }

    /// Draws `pieces` into `area` of the buffer that this belongs to, but for those that stand there already.
    pub fn draw(&mut self, area: Rect, buffer: &mut Buffer, look: &Look, pieces: Vec<(Rect, Piece<'_>)>) {
        let same_places = self.0.iter().map(|(area, _)| area).eq(pieces.iter().map(|(area, _)| area));
        if !same_places || pieces.is_empty() {
            self.0.clear();
            Pen::new(buffer, area, look).clear(Tone::Ground);
        }
        for (index, (area, piece)) in pieces.into_iter().enumerate() {
            let digest = piece.digest();
            match self.0.get_mut(index) {
                Some((_, standing)) if *standing == digest => continue,
                Some((_, standing)) => {
                    *standing = digest;
                    Pen::new(buffer, area, look).clear(Tone::Ground);
                }
                None => self.0.push((area, digest)),
            }
            piece.draw(area, buffer, look);
        }
    }
}
