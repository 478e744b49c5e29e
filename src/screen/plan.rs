//! Where the cells of a page lie at a given size.
//!
//! Owns the rule by which a page shrinks: rows lose height by rank until all fit, cells that are too narrow for their
//! number move into a row of their own, and what still does not fit becomes a plain list. Nothing overlaps.

use ratatui::layout::Rect;

use super::canvas::Dots;
use super::item::Labels;
use super::look::Look;
use super::widget::trend::lanes;
use crate::config::{Cell, ChannelId, Face, Page};
use crate::time::Micros;

/// Below this size a page is a plain list. A panel of 53 × 15 still has its faces.
pub const LEAST: (u16, u16) = (40, 12);
/// Columns between two cells of a row.
const GUTTER: u16 = 3;
/// The longest words in place of a value take so many columns.
const WORDS: u16 = 14;

/// A page laid out.
#[derive(Clone, Debug, PartialEq)]
pub enum Plan {
    /// Each cell of the page with its place.
    Cells(Vec<Place>),
    /// Every channel of the page once, in plain rows, and then the outputs where the page has them.
    List(Vec<ChannelId>, bool),
}

/// A cell and where it lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// Row of the page.
    pub row: usize,
    /// Cell of the row.
    pub cell: usize,
    /// Its place on the screen.
    pub area: Rect,
}

/// A history that the trends of a page need.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wish {
    /// The place in the plan.
    pub place: usize,
    /// The channel.
    pub channel: ChannelId,
    /// How many stretches of time.
    pub count: usize,
    /// How much time in all.
    pub last: Micros,
}

impl Plan {
    /// Lays `page` out in `area`, on a screen of `whole` columns and rows.
    pub fn new(page: &Page, labels: &Labels, area: Rect, whole: (u16, u16)) -> Self {
        if whole.0 < LEAST.0 || whole.1 < LEAST.1 {
            return Self::list(page);
        }
        let lines = broken(page, labels, area.width);
        match heights(page, labels, &lines, (area.width, area.height)) {
            Some((heights, gap)) => Self::Cells(places(page, &lines, area, &heights, gap)),
            None => Self::list(page),
        }
    }

    fn list(page: &Page) -> Self {
        let mut channels = Vec::new();
        for id in page.rows.iter().flatten().flat_map(|cell| &cell.show) {
            if !channels.contains(id) {
                channels.push(*id);
            }
        }
        let outputs = page.rows.iter().flatten().any(|cell| cell.face == Face::Outputs);
        Self::List(channels, outputs)
    }

    /// The histories that the trends of the page need, in the order of their lanes.
    pub fn wishes(&self, page: &Page, look: &Look) -> Vec<Wish> {
        let Self::Cells(places) = self else { return Vec::new() };
        let across = usize::from(Dots::for_curves(look.glyphs).across());
        let mut wishes = Vec::new();
        for (place, at) in places.iter().enumerate() {
            let cell = &page.rows[at.row][at.cell];
            if cell.face != Face::Trend {
                continue;
            }
            let count = u16::try_from(cell.show.len()).unwrap_or(u16::MAX);
            let lanes = lanes(at.area.width, at.area.height, count);
            let wish = |(lane, channel): (&super::widget::trend::Lane, &ChannelId)| Wish {
                place,
                channel: *channel,
                count: usize::from(lane.plot.width) * across,
                last: cell.last,
            };
            wishes.extend(lanes.iter().zip(&cell.show).map(wish));
        }
        wishes
    }
}

/// Cells side by side: row of the page and the cells of it.
struct Line {
    row: usize,
    cells: std::ops::Range<usize>,
}

/// The page's rows, broken where the cells would be too narrow for what they show, as evenly as they can be.
fn broken(page: &Page, labels: &Labels, width: u16) -> Vec<Line> {
    let mut lines = Vec::new();
    for (row, cells) in page.rows.iter().enumerate() {
        let fits =
            |part: &[Cell]| widths(part, width).iter().zip(part).all(|(width, cell)| *width >= narrowest(cell, labels));
        let even = |count: usize| -> Vec<std::ops::Range<usize>> {
            (0..count).map(|at| (cells.len() * at).div_ceil(count)..(cells.len() * (at + 1)).div_ceil(count)).collect()
        };
        let all_fit = |parts: &Vec<std::ops::Range<usize>>| parts.iter().all(|part| fits(&cells[part.clone()]));
        let ranges = (1..cells.len()).map(even).find(all_fit).unwrap_or_else(|| even(cells.len()));
        lines.extend(ranges.into_iter().map(|cells| Line { row, cells }));
    }
    lines
}

/// Columns below which a cell could not show its value or its words.
fn narrowest(cell: &Cell, labels: &Labels) -> u16 {
    let of = |id: &ChannelId| {
        let (value, unit) = labels.width(*id);
        value.saturating_add(unit).saturating_add(2)
    };
    let value = cell.show.iter().map(of).max().unwrap_or(0);
    value.max(if cell.face == Face::Trend { 2 * WORDS } else { WORDS })
}

/// Widths of cells side by side in `width` columns, by their shares; gutters taken off.
fn widths(cells: &[Cell], width: u16) -> Vec<u16> {
    let gutters = GUTTER.saturating_mul(u16::try_from(cells.len()).unwrap_or(u16::MAX).saturating_sub(1));
    let room = u32::from(width.saturating_sub(gutters));
    let shares: u32 = cells.iter().map(|cell| u32::from(cell.wide.max(1))).sum();
    let mut passed = 0;
    let edge = |share: u32| u16::try_from(room * share / shares.max(1)).unwrap_or(u16::MAX);
    cells
        .iter()
        .map(|cell| {
            let from = edge(passed);
            passed += u32::from(cell.wide.max(1));
            edge(passed) - from
        })
        .collect()
}

/// The heights at which a cell gains something, from the least on.
fn ladder(cell: &Cell, labels: &Labels) -> [u16; 6] {
    let lanes = u16::try_from(cell.show.len()).unwrap_or(u16::MAX).max(1);
    match cell.face {
        Face::Digits => [1, 2, 4, 4, 5, 6],
        Face::Bar => [1, 2, 2, 3, 3, 6],
        Face::Dial => [1, 2, 5, 6, 8, 10],
        Face::Lamp => [1, 1, 2, 2, 2, 3],
        Face::Outputs => {
            // A row each, one below it for the words, and one more where these are long.
            let times = |rows: u16| labels.outputs().max(1).saturating_mul(rows);
            [times(1), times(1), times(2), times(2), times(3), times(3)]
        }
        Face::Trend => {
            let times = |rows: u16| lanes.saturating_mul(rows).saturating_add(1);
            [lanes, lanes, times(2), times(3), times(4), times(5)]
        }
    }
}

/// How much a line gains from rows to spare, and the height at which it gains no more.
const fn growth(face: Face) -> (u16, u16) {
    match face {
        Face::Digits => (2, 12),
        Face::Bar => (1, 9),
        Face::Dial => (3, 18),
        Face::Lamp => (0, 3),
        Face::Outputs => (0, 0),
        Face::Trend => (3, u16::MAX),
    }
}

/// Heights of the lines and the rows between them; `None` where not even one row each fits.
fn heights(page: &Page, labels: &Labels, lines: &[Line], (width, height): (u16, u16)) -> Option<(Vec<u16>, u16)> {
    let cells = |line: &Line| &page.rows[line.row][line.cells.clone()];
    let rung = |line: &Line, step: usize| cells(line).iter().map(|cell| ladder(cell, labels)[step]).max().unwrap_or(1);
    let mut heights: Vec<u16> = lines.iter().map(|line| rung(line, 0)).collect();
    let total = |heights: &[u16]| heights.iter().fold(0_u16, |sum, rows| sum.saturating_add(*rows));
    if total(&heights) > height {
        return None;
    }
    let between = u16::try_from(lines.len()).unwrap_or(u16::MAX).saturating_sub(1);
    let mut gap = 0;
    // Where not all can have a second row, those have it whose names would be cut in one.
    for (line, rows) in lines.iter().zip(0..) {
        let wanted = rung(line, 1);
        if is_cut(cells(line), labels, width) && total(&heights) - heights[rows] + wanted <= height {
            heights[rows] = wanted;
        }
    }
    for step in 1..6 {
        // Air between the lines is worth more than the larger forms, and less than having a scale at all.
        if step == 4 && total(&heights).saturating_add(between) <= height {
            gap = 1;
        }
        for (line, rows) in lines.iter().zip(0..) {
            let wanted = rung(line, step).max(heights[rows]);
            let room = height - gap * between - total(&heights);
            if wanted - heights[rows] <= room {
                heights[rows] = wanted;
            }
        }
    }
    if gap == 0 && total(&heights).saturating_add(between) <= height {
        gap = 1;
    }
    let spare = height - gap * between - total(&heights);
    let faces = |line: &Line| cells(line).iter().map(|cell| growth(cell.face)).collect::<Vec<_>>();
    let appetites: Vec<_> = lines.iter().map(faces).collect();
    spread(&mut heights, &appetites, spare);
    Some((heights, gap))
}

/// Whether a name would be cut where `cells` have one row.
fn is_cut(cells: &[Cell], labels: &Labels, width: u16) -> bool {
    let cut = |(cell, width): (&Cell, u16)| match cell.face {
        Face::Outputs | Face::Trend => false,
        _ => cell.show.first().is_some_and(|id| labels.in_one_row(*id) > width),
    };
    cells.iter().zip(widths(cells, width)).any(cut)
}

/// Gives rows to spare to the lines that gain most from them, in turn.
fn spread(heights: &mut [u16], appetites: &[Vec<(u16, u16)>], mut spare: u16) {
    while spare > 0 {
        let before = spare;
        for (rows, appetite) in heights.iter_mut().zip(appetites) {
            let wish = appetite.iter().filter(|(_, most)| *rows < *most).map(|(want, _)| *want).max().unwrap_or(0);
            let given = wish.min(spare);
            *rows += given;
            spare -= given;
        }
        if spare == before {
            return;
        }
    }
}

fn places(page: &Page, lines: &[Line], area: Rect, heights: &[u16], gap: u16) -> Vec<Place> {
    let mut places = Vec::new();
    let mut y = area.y;
    for (line, height) in lines.iter().zip(heights) {
        let cells = &page.rows[line.row][line.cells.clone()];
        let mut x = area.x;
        for (cell, width) in line.cells.clone().zip(widths(cells, area.width)) {
            places.push(Place { row: line.row, cell, area: Rect { x, y, width, height: *height } });
            x += width + GUTTER;
        }
        y += height + gap;
    }
    places
}
