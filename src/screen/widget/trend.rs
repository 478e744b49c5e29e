//! Values over time on a strip: a lane for each channel, all on one time axis.
//!
//! Each lane has its own scale, so that nothing must be told apart by colour. A column shows the lowest and the highest
//! value of its stretch of time, so that no spike is lost; where nothing could be trusted the lane is empty.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::Widget;

use crate::config::ChannelId;
use crate::screen::canvas::{Canvas, Dots};
use crate::screen::item::{Item, alarm_shape, limit_at, list_row};
use crate::screen::look::{Look, Tone};
use crate::screen::pen::{Pen, columns};
use crate::screen::words;
use crate::state::Column;
use crate::time::Micros;

/// The history of one channel as one lane shows it.
#[derive(Clone, Debug)]
pub struct Strip {
    /// The channel.
    pub channel: ChannelId,
    /// Lowest and highest of each dot's stretch of time, oldest first.
    pub columns: Vec<Column>,
}

/// Several channels over the same stretch of time.
#[derive(Clone, Debug)]
pub struct Trend<'a> {
    /// The lanes from top to bottom.
    pub items: &'a [Item<'a>],
    /// Their histories, in the same order. A lane without one is empty.
    pub strips: &'a [Strip],
    /// How much time is shown.
    pub last: Micros,
    /// The strip stands still.
    pub paused: bool,
    /// The terminal's look.
    pub look: &'a Look,
}

/// Where a lane lies in its cell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lane {
    /// Label and value.
    pub title: Rect,
    /// The curve.
    pub plot: Rect,
}

/// Columns that label and value take beside a lane of one row.
const BESIDE: u16 = 24;
/// Fewer columns show no course.
const NARROWEST: u16 = 8;

/// The lanes of a trend with `count` channels in a cell of that size, relative to it. Fewer where there is no room.
pub fn lanes(width: u16, height: u16, count: u16) -> Vec<Lane> {
    let count = count.max(1);
    let axis = u16::from(height > count);
    let rows = height - axis;
    let (each, spare) = (rows / count, rows % count);
    let mut lanes = Vec::new();
    let mut y = 0;
    for index in 0..count {
        let tall = each + u16::from(index < spare);
        if tall == 0 {
            continue;
        }
        lanes.push(lane(Rect { x: 0, y, width, height: tall }));
        y += tall;
    }
    lanes
}

fn lane(area: Rect) -> Lane {
    if area.height >= 2 {
        let plot = Rect { y: area.y + 1, height: area.height - 1, ..area };
        return Lane { title: Rect { height: 1, ..area }, plot };
    }
    let beside = if area.width >= BESIDE + NARROWEST { BESIDE } else { area.width };
    let plot = Rect { x: area.x + beside, width: area.width - beside, ..area };
    Lane { title: Rect { width: beside.saturating_sub(u16::from(beside < area.width)), ..area }, plot }
}

impl Widget for &Trend<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        let mut pen = Pen::new(buffer, area, self.look);
        if pen.is_empty() || self.items.is_empty() {
            return;
        }
        let count = u16::try_from(self.items.len()).unwrap_or(u16::MAX);
        let lanes = lanes(pen.width(), pen.height(), count);
        for (index, (lane, item)) in lanes.iter().zip(self.items).enumerate() {
            title(&mut pen.part(lane.title), item, lane.title.y != lane.plot.y);
            let columns = self.strips.get(index).map_or(&[][..], |strip| &strip.columns);
            plot(&mut pen.part(lane.plot), item, columns);
        }
        if pen.height() > count {
            let x = lanes.first().map_or(0, |lane| lane.plot.x);
            let across = usize::from(Dots::for_curves(pen.look.glyphs).across());
            let doubt = |strip: &Strip| strip.columns.chunks(across).any(is_doubt);
            let doubted = self.strips.iter().take(lanes.len()).any(doubt);
            self.axis(&mut pen, x, doubted);
        }
    }
}

impl Trend<'_> {
    /// The last row: how long ago the left end is, the middle, and now. Where a lane has the sign of what could not be
    /// trusted, the middle says what it means.
    fn axis(&self, pen: &mut Pen<'_>, x: u16, doubted: bool) {
        let (width, y) = (pen.width(), pen.height() - 1);
        let now = if self.paused { "stands still" } else { "now" };
        let tone = if self.paused { Tone::Notice } else { Tone::Faint };
        let end = pen.text_before(x, width, y, now, tone);
        let left = format!("{} ago", words::length(self.last));
        if x + columns(&left) + 1 < end {
            let start = x + pen.text(x, y, width, &left, Tone::Faint) + 1;
            let is_whole = self.last % (2 * crate::time::SECOND) == 0;
            let middle =
                if doubted { format!("{} not trusted", pen.look.signs().gap) } else { words::length(self.last / 2) };
            let centre = (x + (width - x) / 2).saturating_sub(columns(&middle) / 2);
            if (is_whole || doubted) && centre > start && centre + columns(&middle) + 1 < end {
                pen.text(centre, y, width, &middle, Tone::Faint);
            }
        }
    }
}

/// Label, value and unit; above the curve with the ends of its scale at the right.
fn title(pen: &mut Pen<'_>, item: &Item<'_>, above: bool) {
    if !above {
        return list_row(pen, item);
    }
    let (width, digits) = (pen.width(), item.channel.digits);
    let (low, high) = item.scale();
    let wide = if width >= 80 { BESIDE + 12 } else { BESIDE };
    let label = columns(item.label).max(8) + item.alarm.map_or(0, |level| columns(alarm_shape(level)) + 1);
    let used = width.min(wide.max(label + 2 + item.slot + columns(item.unit)));
    list_row(&mut pen.part(Rect { x: 0, y: 0, width: used, height: 1 }), item);
    let ends = format!("{} to {}", words::number(low, digits), words::number(high, digits));
    pen.text_before(used + 2, width, 0, &ends, Tone::Faint);
}

fn plot(pen: &mut Pen<'_>, item: &Item<'_>, columns: &[Column]) {
    if pen.is_empty() || columns.is_empty() {
        return;
    }
    let mut canvas = Canvas::new(Dots::for_curves(pen.look.glyphs), pen.width(), pen.height());
    // Under a course of one row a line would not be told from it.
    if pen.height() >= 2 {
        limit_lines(pen, item);
    }
    let tone = item.alarm.map_or(Tone::Lit, Tone::of);
    let mut before: Option<(i32, i32)> = None;
    for (x, column) in (0_i32..canvas.width()).zip(columns) {
        before = if column.is_gap() {
            None
        } else {
            let span = (height_of(&canvas, item, column.high), height_of(&canvas, item, column.low));
            let (top, bottom) = joined(span, before);
            canvas.fill(x..x + 1, top..bottom + 1, tone);
            Some(span)
        };
    }
    canvas.draw(pen, 0, 0);
    gaps(pen, columns, canvas.width());
}

/// A thin sign in the lowest row wherever a whole cell has nothing that can be trusted.
fn gaps(pen: &mut Pen<'_>, columns: &[Column], width: i32) {
    let across = usize::try_from(width).unwrap_or(0) / usize::from(pen.width()).max(1);
    let (y, sign) = (pen.height() - 1, pen.look.signs().gap);
    for (x, cell) in (0_u16..pen.width()).zip(columns.chunks(across.max(1))) {
        if is_doubt(cell) {
            pen.mark(x, y, sign, Tone::Faint);
        }
    }
}

/// Whether a whole cell has nothing that can be trusted although something was to come. Before the beginning nothing was.
fn is_doubt(cell: &[Column]) -> bool {
    cell.iter().all(|column| column.is_gap()) && cell.iter().any(|column| !column.is_before())
}

/// Stretches a column to touch the one before it, so that a steep course stays one line.
fn joined((top, bottom): (i32, i32), before: Option<(i32, i32)>) -> (i32, i32) {
    match before {
        Some((_, lower)) if lower < top => (lower + 1, bottom),
        Some((upper, _)) if upper > bottom => (top, upper - 1),
        _ => (top, bottom),
    }
}

/// The row of dots at which `value` lies; outside the scale, its end.
#[expect(clippy::cast_possible_truncation, reason = "a share of a few hundred dots")]
fn height_of(canvas: &Canvas, item: &Item<'_>, value: f32) -> i32 {
    let top = f64::from(canvas.height() - 1);
    (top - item.share(f64::from(value)) * top).round() as i32
}

/// A dotted line at each limit; the course covers it cell by cell.
fn limit_lines(pen: &mut Pen<'_>, item: &Item<'_>) {
    let dots = Dots::for_curves(pen.look.glyphs);
    let mut canvas = Canvas::new(dots, pen.width(), pen.height());
    let sign = pen.look.signs().dot;
    for (level, limit) in &item.limits {
        #[expect(clippy::cast_possible_truncation, reason = "a line of dots needs no more")]
        let y = height_of(&canvas, item, limit_at(*limit) as f32);
        let tone = Tone::faint(*level);
        for x in (0..canvas.width()).step_by(3) {
            match (dots, u16::try_from(x), u16::try_from(y)) {
                (Dots::Fine, ..) => canvas.set(x, y, tone),
                // Coarse dots would be as heavy as the course itself.
                (_, Ok(x), Ok(y)) => pen.mark(x, y / dots.down(), sign, tone),
                _ => {}
            }
        }
    }
    canvas.draw(pen, 0, 0);
}
