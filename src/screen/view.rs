//! Everything that is on the screen at one instant, and how it is put together.
//!
//! A [`View`] is borrowed data only: drawing it waits for nothing, locks nothing and reads no clock.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::Widget;

use super::foot::{self, Foot};
use super::item::{Item, Labels, list_row};
use super::keys::Act;
use super::look::{Look, Tone};
use super::pen::Pen;
use super::plan::{Place, Plan};
use super::widget::{Bar, Dial, Digits, Lamp, Strip, Trend};
use super::{banner, plan};
use crate::config::{Cell, Face, Model, Page};
use crate::state::Snapshot;

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
    /// The page; past the end: the first.
    pub page: usize,
    /// Trends stand still.
    pub held: bool,
    /// A replay, not a drive.
    pub replaying: bool,
    /// Sentences from outside, for example that a mark was set.
    pub notices: &'a [String],
}

/// Least columns of a list's column.
const LIST_COLUMN: u16 = 28;

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

    fn laid_out(&self, area: Rect) -> (Parts, Vec<usize>, Vec<(String, Tone)>) {
        let alarms = banner::sounding(self.model, self.snapshot);
        let sentences = foot::sentences(self.model, self.snapshot, self.notices);
        (parts(area, banner::rows(self.model, &alarms, area), sentences.len()), alarms, sentences)
    }

    /// The histories that drawing into `area` needs.
    pub fn wishes(&self, area: Rect) -> Vec<plan::Wish> {
        let (parts, ..) = self.laid_out(area);
        let Some(page) = self.shown() else { return Vec::new() };
        Plan::new(page, self.labels, parts.page, (area.width, area.height)).wishes(page, self.look)
    }

    /// What a tap at column `x` and row `y` of a screen of `area` does.
    pub fn tapped(&self, area: Rect, x: u16, y: u16) -> Option<Act> {
        let (parts, ..) = self.laid_out(area);
        let side = u16::from(area.width >= 40);
        let row = parts.foot.keys;
        if y < row.y || y >= row.bottom() {
            return None;
        }
        foot::tapped(
            &foot::keys(self.model, self.page, self.replaying),
            self.look,
            row.width.saturating_sub(2 * side),
            x.checked_sub(row.x + side)?,
        )
    }

    fn page(&self, buffer: &mut Buffer, area: Rect, whole: Rect) {
        let Some(page) = self.shown() else { return };
        match Plan::new(page, self.labels, area, (whole.width, whole.height)) {
            Plan::Cells(places) => {
                for (index, place) in places.iter().enumerate() {
                    self.cell(buffer, &page.rows[place.row][place.cell], *place, index, &places, page);
                }
            }
            Plan::List(channels) => {
                let items = channels.iter().filter_map(|id| Item::new(self.model, self.labels, self.snapshot, *id));
                list(&mut Pen::new(buffer, area, self.look), items.collect());
            }
        }
    }

    fn cell(&self, buffer: &mut Buffer, cell: &Cell, place: Place, index: usize, places: &[Place], page: &Page) {
        let items: Vec<_> =
            cell.show.iter().filter_map(|id| Item::new(self.model, self.labels, self.snapshot, *id)).collect();
        let (Some(item), look) = (items.first(), self.look) else { return };
        match cell.face {
            Face::Digits => Digits { item, look }.render(place.area, buffer),
            Face::Bar => Bar { item, look }.render(place.area, buffer),
            Face::Dial => Dial { item, look }.render(place.area, buffer),
            Face::Lamp => Lamp { item, look }.render(place.area, buffer),
            Face::Trend => {
                let strips = self.strips_of(index, places, page);
                Trend { items: &items, strips, last: cell.last, paused: self.held, look }.render(place.area, buffer);
            }
        }
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

fn parts(area: Rect, banner: u16, sentences: usize) -> Parts {
    let foot = Foot::new(area, sentences);
    // With a single row there is either the alarm or a value; the alarm wins.
    let banner = banner.min(area.height);
    let height = area.height.saturating_sub(banner + foot.rows());
    Parts { banner: Rect { height: banner, ..area }, page: margins(Rect { y: area.y + banner, height, ..area }), foot }
}

/// Plain rows, in several columns where there is room. What alarms comes first where not all fit.
fn list(pen: &mut Pen<'_>, mut items: Vec<Item<'_>>) {
    if pen.is_empty() {
        return;
    }
    let (rows, width) = (usize::from(pen.height()), pen.width());
    let columns = (width / LIST_COLUMN).max(1);
    let columns = columns.min(u16::try_from(items.len().div_ceil(rows)).unwrap_or(u16::MAX).max(1));
    let slots = rows * usize::from(columns);
    if items.len() > slots {
        items.sort_by_key(|item| std::cmp::Reverse(item.alarm));
    }
    let hidden = items.len().saturating_sub(slots);
    let each = width / columns;
    for (index, item) in items.iter().take(slots).enumerate() {
        let (column, row) = (index / rows, index % rows);
        let x = u16::try_from(column).unwrap_or(0) * each;
        let gutter = if columns > 1 { 2.min(each) } else { 0 };
        let area = Rect { x, y: u16::try_from(row).unwrap_or(0), width: each - gutter, height: 1 };
        if hidden > 0 && index + 1 == slots && slots > 1 {
            let text = format!("and {} more", hidden + 1);
            pen.part(area).text(0, 0, area.width, &text, Tone::Quiet);
        } else {
            list_row(&mut pen.part(area), item);
        }
    }
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
        let area = area.intersection(buffer.area);
        let mut pen = Pen::new(buffer, area, self.look);
        pen.clear(Tone::Ground);
        let (parts, alarms, sentences) = self.laid_out(area);
        let side = u16::from(area.width >= 40);
        let inset = |row: Rect| Rect { x: row.x + side, width: row.width.saturating_sub(2 * side), ..row };
        self.page(buffer, parts.page, area);
        banner::draw(&mut Pen::new(buffer, parts.banner, self.look), self.model, self.labels, self.snapshot, &alarms);
        let mut told = Pen::new(buffer, inset(parts.foot.sentences), self.look);
        for (y, (text, tone)) in (0..told.height()).zip(&sentences) {
            told.text(0, y, told.width(), text, *tone);
        }
        let status = foot::status(self.model, self.snapshot);
        foot::draw(&mut Pen::new(buffer, inset(parts.foot.status), self.look), &status);
        let keys = foot::keys(self.model, self.page, self.replaying);
        foot::draw(&mut Pen::new(buffer, inset(parts.foot.keys), self.look), &keys);
    }
}
