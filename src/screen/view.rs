//! Everything that is on the screen at one instant, and how it is put together.
//!
//! A [`View`] is borrowed data only: drawing it waits for nothing, locks nothing and reads no clock.

use ratatui::buffer::Buffer;
use ratatui::layout::{Position, Rect};
use ratatui::widgets::Widget;

use super::banner::Banner;
use super::foot::{self, Layout, Sentences};
use super::item::{Item, Labels};
use super::journal::{self, Journal};
use super::keys::{self, Act, ShownKey};
use super::look::Look;
use super::piece::{Piece, Standing};
use super::plan::{Place, Plan};
use super::widget::Strip;
use super::{attend, banner, key_list, outputs, plan};
use crate::config::{ChannelId, Face, Model, Page};
use crate::state::{OutputShown, PlayerShown, Recording, Snapshot, Subject};
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
    /// All keys that work are listed in place of the page.
    pub all_keys: bool,
}

/// A column of air on either side, where there are columns enough.
fn inset(row: Rect) -> Rect {
    let side = u16::from(row.width >= 40);
    Rect { x: row.x + side, width: row.width.saturating_sub(2 * side), ..row }
}

impl<'a> View<'a> {
    /// The page that is shown; `None` where the model has none.
    fn shown(&self) -> Option<&'a Page> {
        self.model.pages.get(self.page).or_else(|| self.model.pages.first())
    }

    fn laid_out(&self, area: Rect) -> (Layout, Vec<Raised>, Sentences) {
        let alarms = banner::sounding(self.model, self.snapshot);
        let sentences = Sentences::new(self.model, self.snapshot, self.notices, inset(area).width);
        let banner = banner::wanted(self.model, self.labels, self.snapshot, &alarms, area);
        (Layout::new(area, banner, &sentences), alarms, sentences)
    }

    /// The keys that work now.
    fn working(&self) -> Vec<ShownKey> {
        let faces = self.shown().into_iter().flat_map(|page| page.rows.iter().flatten());
        let unknown = PlayerShown::default();
        let mut working = attend::keys(self.model, self.snapshot);
        working.extend(keys::working(&keys::Now {
            player: self.replaying.then(|| self.snapshot.player.as_ref().unwrap_or(&unknown)),
            locked: self.snapshot.outputs.iter().any(OutputShown::is_locked),
            shifted: self
                .snapshot
                .faults
                .iter()
                .any(|fault| fault.active && matches!(fault.subject, Subject::Ground(_))),
            records: self.snapshot.recording != Recording::Off,
            has_trend: faces.map(|cell| cell.face).any(|face| face == Face::Trend),
            held: self.held,
            several_pages: self.model.pages.len() > 1,
            night: self.look.night,
        }));
        working
    }

    /// The list of keys stands in place of the page, below a danger.
    const fn shows_keys(&self, layout: &Layout) -> bool {
        self.all_keys && layout.page.height > 0
    }

    /// The histories that drawing into `area` needs.
    pub fn wishes(&self, area: Rect) -> Vec<plan::Wish> {
        if self.page == journal::PAGE {
            return Vec::new();
        }
        let (layout, ..) = self.laid_out(area);
        let Some(page) = self.shown() else { return Vec::new() };
        Plan::new(page, self.labels, inset(layout.page), (area.width, area.height)).wishes(page, self.look)
    }

    /// What a tap at column `x` and row `y` of a screen of `area` does.
    pub fn tapped(&self, area: Rect, x: u16, y: u16) -> Option<Act> {
        let (layout, ..) = self.laid_out(area);
        let at = Position { x, y };
        if (layout.banner.top()..layout.banner.bottom()).contains(&y) {
            return Some(Act::Seen);
        }
        if inset(layout.page).contains(at) && self.shows_keys(&layout) {
            return key_list::tapped(&self.working(), inset(layout.page), at);
        }
        let row = inset(layout.keys);
        if y < row.y || y >= row.bottom() {
            return None;
        }
        foot::tapped(&foot::keys(self.model, self.page, &self.working()), self.look, row.width, x.checked_sub(row.x)?)
    }

    /// Everything that is on a screen of `area`, each piece with its place.
    fn pieces(&self, area: Rect) -> Vec<(Rect, Piece<'a>)> {
        let (layout, alarms, sentences) = self.laid_out(area);
        let working = self.working();
        let mut pieces = if self.shows_keys(&layout) {
            vec![(inset(layout.page), Piece::Keys(working.clone()))]
        } else {
            self.page_pieces(inset(layout.page), area)
        };
        let (told, hidden) = sentences.within(layout.told.height);
        let mut banner = Banner::new(self.model, self.labels, self.snapshot, &alarms);
        if let Some(banner) = &mut banner {
            banner.lit = self.look.lit || !banner::blinks(self.snapshot);
            if layout.status.height == 0 && layout.told.height == 0 {
                // What has no row is at least counted.
                banner.others += hidden;
            }
        }
        pieces.extend(banner.map(|banner| (layout.banner, Piece::Banner(banner))));
        let has_moment = sentences.has_moment_within(layout.told.height);
        let status = foot::status(self.model, self.snapshot, self.shown(), (alarms.first().copied(), !has_moment));
        pieces.push((inset(layout.told), Piece::Told(told, hidden)));
        pieces.push((inset(layout.status), Piece::Row(status)));
        pieces.push((inset(layout.keys), Piece::Row(foot::keys(self.model, self.page, &working))));
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
    let rows = u16::try_from((outputs * 3).min(free)).unwrap_or(0);
    let list = Rect { height: area.height - rows, ..area };
    (list, Rect { y: area.y + list.height, height: rows, ..area })
}

impl Widget for &View<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        self.draw(area, buffer, &mut Standing::default());
    }
}
