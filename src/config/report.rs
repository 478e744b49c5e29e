//! The report of mistakes, for a person at a terminal.
//!
//! Owns how a mistake is drawn: file, line, column, the line itself, the offending part underlined, what would be right.
//! In: the text and its mistakes. Out: one text in which every character may be shown.

use std::fmt::Write as _;

use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

use super::Mistake;
use crate::text::safe;

/// So many mistakes are drawn; of the others only the number is told.
const MOST: usize = 100;
/// So many columns of a line are drawn, so that a line without end does not fill the screen.
const WIDEST: usize = 96;

const BOLD: &str = "\x1b[1m";
const RED: &str = "\x1b[1;31m";
const AMBER: &str = "\x1b[1;33m";
const PLAIN: &str = "\x1b[0m";

/// The report of `mistakes` for a person: for each, file, line, column, the line itself, the offending part underlined,
/// and what would be right. At most 100, then "and n more"; then how many there are. Nothing where nothing is wrong. No byte of the text reaches the terminal unsafely.
pub fn report(file: &str, text: &str, mistakes: &[Mistake], colour: bool) -> String {
    let file = safe(file);
    let lines = Lines::of(text);
    let mut out = String::new();
    for mistake in mistakes.iter().take(MOST) {
        draw(&mut out, &file, &lines, mistake, colour);
    }
    if mistakes.len() > MOST {
        let _ = writeln!(out, "and {} more", mistakes.len() - MOST);
    }
    if let Some(count) = count(mistakes) {
        let _ = writeln!(out, "{count}");
    }
    out
}

/// `14 mistakes, 1 warning`; `None` where there is neither.
fn count(mistakes: &[Mistake]) -> Option<String> {
    let warnings = mistakes.iter().filter(|mistake| mistake.warning).count();
    let numbered = |number: usize, noun: &str| match number {
        0 => None,
        1 => Some(format!("1 {noun}")),
        number => Some(format!("{number} {noun}s")),
    };
    let parts = [numbered(mistakes.len() - warnings, "mistake"), numbered(warnings, "warning")];
    let text = parts.into_iter().flatten().collect::<Vec<_>>().join(", ");
    (!text.is_empty()).then_some(text)
}

/// The text with the places where its lines begin.
struct Lines<'t> {
    text: &'t str,
    starts: Vec<usize>,
}

/// Where a mistake stands.
struct Place<'t> {
    /// Counted from 1.
    line: usize,
    /// Characters from the beginning of the line, counted from 1.
    column: usize,
    before: &'t str,
    marked: &'t str,
    behind: &'t str,
}

impl<'t> Lines<'t> {
    fn of(text: &'t str) -> Self {
        let behind_feeds = text.bytes().enumerate().filter(|&(_, byte)| byte == b'\n').map(|(at, _)| at + 1);
        Self { text, starts: std::iter::once(0).chain(behind_feeds).collect() }
    }

    /// The place of the bytes `start..end`, cut at the end of the first line.
    fn place(&self, start: usize, end: usize) -> Place<'t> {
        let start = self.boundary(start);
        let index = self.starts.partition_point(|&begin| begin <= start).saturating_sub(1);
        let begin = self.starts[index];
        let line = self.text[begin..].split('\n').next().unwrap_or_default();
        let line = line.strip_suffix('\r').unwrap_or(line);
        let from = (start - begin).min(line.len());
        let to = self.boundary(end).saturating_sub(begin).clamp(from, line.len());
        let (before, marked, behind) = (&line[..from], &line[from..to], &line[to..]);
        Place { line: index + 1, column: before.chars().count() + 1, before, marked, behind }
    }

    /// `at`, moved back to where a character begins.
    fn boundary(&self, at: usize) -> usize {
        let at = at.min(self.text.len());
        (0..=at).rev().find(|&at| self.text.is_char_boundary(at)).unwrap_or(0)
    }
}

fn draw(out: &mut String, file: &str, lines: &Lines<'_>, mistake: &Mistake, colour: bool) {
    let place = lines.place(mistake.span.start, mistake.span.end);
    let paint = |style: &'static str| if colour { style } else { "" };
    let signal = paint(if mistake.warning { AMBER } else { RED });
    let (bold, plain) = (paint(BOLD), paint(PLAIN));
    let warning = if mistake.warning { "warning: " } else { "" };
    let within = if mistake.place.is_empty() { String::new() } else { format!("{}: ", safe(&mistake.place)) };
    let _ = writeln!(
        out,
        "{bold}{file}:{}:{}: {plain}{signal}{warning}{plain}{bold}{within}{}{plain}",
        place.line,
        place.column,
        safe(&mistake.what)
    );
    let gutter = place.line.to_string().len();
    let (before, marked, behind) = cut(&place);
    let _ = writeln!(out, "{:gutter$} |", "");
    let _ = writeln!(out, "{}", format!("{} | {before}{marked}{behind}", place.line).trim_end());
    let carets = "^".repeat(marked.width().max(1));
    let indent = " ".repeat(before.width());
    let line = format!("{:gutter$} | {indent}{signal}{carets} {}{plain}", "", safe(&mistake.remedy));
    out.push_str(line.trim_end());
    out.push('\n');
}

/// The three parts of the line as they are drawn: safe, and cut where they are too wide.
fn cut(place: &Place<'_>) -> (String, String, String) {
    let marked = head(&shown(place.marked, false), WIDEST * 2 / 3);
    let room = WIDEST - marked.width().min(WIDEST);
    let before = tail(&shown(place.before, true), room.max(WIDEST / 3));
    let behind = head(&shown(place.behind, false), WIDEST.saturating_sub(before.width() + marked.width()));
    (before, marked, behind)
}

/// The part of `text` that can possibly be drawn, safe. A tab becomes a blank, so that the underline stays below.
fn shown(text: &str, from_the_end: bool) -> String {
    let most = WIDEST + 1;
    let part: String = if from_the_end {
        let mut last: Vec<char> = text.chars().rev().take(most).collect();
        last.reverse();
        last.into_iter().collect()
    } else {
        text.chars().take(most).collect()
    };
    safe(&part.replace('\t', " ")).into_owned()
}

/// The first `columns` columns of `text`, with `…` where it is cut.
fn head(text: &str, columns: usize) -> String {
    if text.width() <= columns {
        return text.to_owned();
    }
    let mut used = 1;
    let fits = |c: &char| {
        used += c.width().unwrap_or(0);
        used <= columns
    };
    text.chars().take_while(fits).chain(['…']).collect()
}

/// The last `columns` columns of `text`, with `…` where it is cut.
fn tail(text: &str, columns: usize) -> String {
    let backwards: String = text.chars().rev().collect();
    head(&backwards, columns).chars().rev().collect()
}
