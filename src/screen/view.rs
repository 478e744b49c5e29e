//! Everything that is on the screen at one instant, and how it is put together.
//!
//! A [`View`] is borrowed data only: drawing it waits for nothing, locks nothing and reads no clock.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::Widget;

use super::banner::Banner;
use super::foot::{self, Foot};
use super::item::{Item, Labels};
use super::journal::{self, Journal};
use super::keys::Act;
use super::look::{Look, Tone};
use super::piece::{Piece, Standing};
use super::plan::{Place, Plan};
use super::widget::Strip;
use super::{banner, outputs, plan};
use crate::config::{ChannelId, Face, Model, Page};
use crate::state::Snapshot;
use crate::watch::Raised;

/// One picture.
#[derive(Clone, Copy, Debug)]
pub struct View<'a> {
    /// The vehicle.
    pub model: &'a Model,
    /// What is prepared for it; made with the same model and look.
    pub labels: &'a Labels,
    /// What is known. Lists that are shorter than the model's count as unknown.
    pub snapshot: &'a Snapshot,
    /// Histories for [`View::wishes`], in that order.
    pub strips: &'a [Strip],
    /// The terminal's look.
    pub look: &'a Look,
    /// The page; [`journal::PAGE`]: what came when; any other past the end: the first.
    pub page: usize,
    /// Trends stand still.
    pub held: bool,
    /// A replay, not a drive.
    pub replaying: bool,
    /// Sentences from outside, for example that a mark was set.
    pub notices: &'a [String],
}

/// The parts of the screen.
struct Parts {
    banner: Rect,
    page: Rect,
    foot: Foot,
}

impl<'a> View<'a> {
    /// The page that is shown; `None` where the model has none.
    fn shown(&self) -> Option<&'a Page> {
        self.model.pages.get(self.page).or_else(|| self.model.pages.first())
    }

    fn laid_out(&self, area: Rect) -> (Parts, Vec<Raised>, Vec<(String, Tone)>) {
        let alarms = banner::sounding(self.model, self.snapshot);
        let sentences = foot::sentences(self.model, self.snapshot, self.notices);
        (parts(area, banner::rows(self.model, self.snapshot, &alarms, area), sentences.len()), alarms, sentences)
    }

    /// The histories that drawing into `area` needs.
    pub fn wishes(&self, area: Rect) -> Vec<plan::Wish> {
        if self.page == journal::PAGE {
            return Vec::new();
        }
        let (parts, ..) = self.laid_out(area);
        let Some(page) = self.shown() else { return Vec::new() };
        Plan::new(page, self.labels, parts.page, (area.width, area.height)).wishes(page, self.look)
    }

    /// What a tap at column `x` and row `y` of a screen of `area` does.
    pub fn tapped(&self, area: Rect, x: u16, y: u16) -> Option<Act> {
        let (parts, ..) = self.laid_out(area);
        let side = u16::from(area.width >= 40);
        if (parts.banner.top()..parts.banner.bottom()).contains(&y) {
            return Some(Act::Seen);
        }
        let row = parts.foot.keys;
        if y < row.y || y >= row.bottom() {
            return None;
        }
        foot::tapped(
            &foot::keys(self.model, self.snapshot, self.page, self.replaying),
            self.look,
            row.width.saturating_sub(2 * side),
            x.checked_sub(row.x + side)?,
        )
    }

    /// Everything that is on a screen of `area`, each piece with its place.
    fn pieces(&self, area: Rect) -> Vec<(Rect, Piece<'a>)> {
        let (parts, alarms, sentences) = self.laid_out(area);
        let side = u16::from(area.width >= 40);
        let inset = |row: Rect| Rect { x: row.x + side, width: row.width.saturating_sub(2 * side), ..row };
        let mut pieces = self.page_pieces(parts.page, area);
        let banner = Banner::new(self.model, self.labels, self.snapshot, &alarms);
        let blinks = banner::blinks(self.snapshot);
        let banner = banner.map(|banner| Banner { lit: self.look.lit || !blinks, ..banner });
        pieces.extend(banner.map(|banner| (parts.banner, Piece::Banner(banner))));
        pieces.push((inset(parts.foot.sentences), Piece::Told(sentences)));
        pieces.push((inset(parts.foot.status), Piece::Row(foot::status(self.model, self.snapshot))));
        pieces.push((
            inset(parts.foot.keys),
            Piece::Row(foot::keys(self.model, self.snapshot, self.page, self.replaying)),
        ));
        pieces
    }

    fn page_pieces(&self, area: Rect, whole: Rect) -> Vec<(Rect, Piece<'a>)> {
        if self.page == journal::PAGE {
            return vec![(area, Piece::Journal(Journal::of(self.model, self.labels, self.snapshot)))];
        }
        let Some(page) = self.shown() else { return Vec::new() };
        match Plan::new(page, self.labels, area, (whole.width, whole.height)) {
            Plan::Cells(places) => {
                let piece = |(index, place): (usize, &Place)| {
                    let cell = &page.rows[place.row][place.cell];
                    if cell.face == Face::Outputs {
                        return (place.area, self.outputs());
                    }
                    let strips = if cell.face == Face::Trend {
                        self.strips_of(index, &places, page)
                    } else {
                        Default::default()
                    };
                    (place.area, Piece::Cell { cell, items: self.items(&cell.show), strips, held: self.held })
                };
                places.iter().enumerate().map(piece).collect()
            }
            Plan::List(channels, outputs) => {
                let (list, rows) = shared_out(area, channels.len(), if outputs { self.model.outputs.len() } else { 0 });
                let mut pieces = vec![(list, Piece::List(self.items(&channels)))];
                pieces.extend((rows.height > 0).then(|| (rows, self.outputs())));
                pieces
            }
        }
    }

    fn outputs(&self) -> Piece<'a> {
        Piece::Outputs(outputs::rows(self.model, self.snapshot))
    }

    fn items(&self, channels: &[ChannelId]) -> Vec<Item<'a>> {
        channels.iter().filter_map(|id| Item::new(self.model, self.labels, self.snapshot, *id)).collect()
    }

    /// Draws into `area` of `buffer`, leaving alone what `standing` says stands there already.
    pub(super) fn draw(&self, area: Rect, buffer: &mut Buffer, standing: &mut Standing) {
        let area = area.intersection(buffer.area);
        standing.draw(area, buffer, self.look, self.pieces(area));
    }

    /// The strips of the trend at `index`: they lie in the order of the plan.
    fn strips_of(&self, index: usize, places: &[Place], page: &Page) -> &'a [Strip] {
        let lanes = |place: &Place| {
            let cell = &page.rows[place.row][place.cell];
            let count = u16::try_from(cell.show.len()).unwrap_or(u16::MAX);
            if cell.face == Face::Trend {
                super::widget::trend::lanes(place.area.width, place.area.height, count).len().min(cell.show.len())
            } else {
                0
            }
        };
        let start: usize = places[..index].iter().map(lanes).sum();
        let end = start + lanes(&places[index]);
        self.strips.get(start..end).unwrap_or(&[])
    }
}

/// Places for a list of channels and, below it, one of outputs, which gives way down to a third of the rows.
fn shared_out(area: Rect, channels: usize, outputs: usize) -> (Rect, Rect) {
    let height = usize::from(area.height);
    let free = if channels == 0 { height } else { height.saturating_sub(channels).max(height / 3) };
    let rows = u16::try_from(outputs.min(free)).unwrap_or(0);
    let list = Rect { height: area.height - rows, ..area };
    (list, Rect { y: area.y + list.height, height: rows, ..area })
}

fn parts(area: Rect, banner: u16, sentences: usize) -> Parts {
    let foot = Foot::new(area, sentences);
    // With a single row there is either the alarm or a value; the alarm wins.
    let banner = banner.min(area.height);
    let height = area.height.saturating_sub(banner + foot.rows());
    Parts { banner: Rect { height: banner, ..area }, page: margins(Rect { y: area.y + banner, height, ..area }), foot }
}

/// A column of air on either side, and a row above where there are rows enough.
fn margins(area: Rect) -> Rect {
    let side = u16::from(area.width >= 40);
    let top = u16::from(area.height >= 17);
    Rect {
        x: area.x + side,
        y: area.y + top,
        width: area.width.saturating_sub(2 * side),
        height: area.height.saturating_sub(top),
    }
}

impl Widget for &View<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        self.draw(area, buffer, &mut Standing::default());
    }
}
