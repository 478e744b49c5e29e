//! Serial lines: `[link.NAME]`, and the fields that channels use of each.
//!
//! Owns the links' keys and defaults, the names of the satellite receiver's fields, and how `engine:a0` finds its link.

use std::path::Path;

use super::keys::{self, Group};
use super::model::{Link, LinkId};
use super::read::{Item, Named, Section, check_name, short};
use super::sink::{Sink, Span, listed};
use crate::pattern::{fits, is_pattern};
use crate::unit::Unit;
use crate::wire::{ClockField, FieldId, Form, NMEA_FIELDS};

/// More serial lines than this no computer behind a dash has.
const MOST_LINKS: usize = 32;
/// Longest path of a device, in bytes.
const PATH_BYTES: usize = 4096;
/// Typical voltage of the controller's internal reference (1.0 to 1.2 V: data sheet of the `ATmega328P`).
const REFERENCE: f64 = 1.1;

/// Speeds in common use, in bits per second. Common practice, no source.
const COMMON_SPEEDS: [i64; 27] = [
    300, 600, 1_200, 2_400, 4_800, 9_600, 14_400, 19_200, 28_800, 31_250, 38_400, 57_600, 74_880, 76_800, 115_200,
    128_000, 230_400, 250_000, 256_000, 460_800, 500_000, 576_000, 921_600, 1_000_000, 2_000_000, 3_000_000, 4_000_000,
];
const FORMS: [(&str, FormWord); 4] = [
    ("counts", FormWord::Counts),
    ("columns", FormWord::Columns),
    ("pairs", FormWord::Pairs),
    ("nmea", FormWord::Nmea),
];
/// So few columns are all listed where there is none of that name: `a1` is not `a0` mistyped.
const FEW_COLUMNS: usize = 8;

#[derive(Clone, Copy)]
enum FormWord {
    Counts,
    Columns,
    Pairs,
    Nmea,
}

/// All links, with their fields as they come to be used.
pub(super) struct Links {
    /// In the order of the file; the default one where there is none.
    pub list: Vec<Link>,
}

impl Links {
    /// Reads all links.
    pub fn read(top: &Section<'_>, sink: &mut Sink) -> Self {
        let named = top.named("link", sink);
        if named.len() > MOST_LINKS {
            sink.error(named[MOST_LINKS].name_span, "too many links", format!("at most {MOST_LINKS}"));
        }
        let mut list: Vec<Link> = named.iter().take(MOST_LINKS).map(|named| link(named, sink)).collect();
        check_ports(&named, &list, sink);
        if list.is_empty() {
            list.push(default_link());
        }
        Self { list }
    }

    /// The link of `engine:a0` or `a0`, and what stands behind the colon. `wanted`: only such links come into question.
    pub fn split<'t>(
        &self,
        text: &'t str,
        key: &str,
        span: Span,
        wanted: fn(&Form) -> bool,
        sink: &mut Sink,
    ) -> Option<(LinkId, &'t str)> {
        if let Some((name, rest)) = text.split_once(':') {
            let found = self.list.iter().position(|link| link.name == name);
            if found.is_none() {
                let names = || self.list.iter().map(|link| link.name.as_str());
                let remedy = sink.did_you_mean(name, names(), || format!("there are {}", listed(names(), 8)));
                sink.absent(span, format!("there is no link `{}`", short(name)), remedy);
            }
            return Some((link_id(found?), rest));
        }
        let mut fitting = self.list.iter().enumerate().filter(|(_, link)| wanted(&link.form));
        match (fitting.next(), fitting.next()) {
            (Some((at, _)), None) => Some((link_id(at), text)),
            (None, _) => Some((link_id(0), text)),
            (Some((_, first)), Some(_)) => {
                let names = self.list.iter().filter(|link| wanted(&link.form)).map(|link| link.name.as_str());
                let is_receiver = |link: &&Link| (link.form == Form::Nmea) == NMEA_FIELDS.contains(&text);
                let example = &self.list.iter().find(is_receiver).unwrap_or(first).name;
                let remedy = format!("there are {}; for example \"{example}:{}\"", listed(names, 8), short(text));
                sink.error(span, format!("`{key}` does not say which link"), remedy);
                None
            }
        }
    }

    /// The index of a field, which the link has from now on.
    pub fn field(&mut self, link: LinkId, name: &str) -> FieldId {
        let fixed = FieldId::FIXED.len();
        if let Some(at) = FieldId::FIXED.iter().position(|known| *known == name) {
            return field_id(at);
        }
        let fields = &mut self.list[link.index()].fields;
        let at = fields.iter().position(|known| known == name).unwrap_or_else(|| {
            fields.push(name.to_owned());
            fields.len() - 1
        });
        field_id(fixed + at)
    }
}

fn link_id(at: usize) -> LinkId {
    LinkId(u8::try_from(at).unwrap_or(u8::MAX))
}

fn field_id(at: usize) -> FieldId {
    FieldId(u16::try_from(at).unwrap_or(u16::MAX))
}

/// Replay and export of a bare capture need no link in the config.
fn default_link() -> Link {
    Link {
        name: "link".to_owned(),
        device: String::new(),
        baud: 500_000,
        form: Form::Counts { checksum_required: false },
        reference: REFERENCE,
        fields: Vec::new(),
    }
}

fn link(named: &Named<'_>, sink: &mut Sink) -> Link {
    sink.within(format!("link.{}", short(named.name)), |sink| {
        check_name(named, sink);
        let section = &named.section;
        let said = section.get("form", sink).and_then(|item| item.word(&FORMS, sink));
        let is_lost = said.is_none() && section.has("form");
        let word = if is_lost { likely_form(section) } else { said.unwrap_or(FormWord::Counts) };
        let (group, baud) = group_and_baud(word);
        if is_lost {
            section.only_of_family(group.family, sink);
        } else {
            section.only(group, sink);
        }
        let device = section.get("device", sink);
        let device = device.and_then(|item| item.short_text(PATH_BYTES, "\"/dev/serial/by-id/…\"", sink));
        let given = section.get("baud", sink).and_then(|item| speed(&item, sink));
        let reference = section.get("reference", sink).and_then(|item| item.quantity(Unit::VOLT, 0.5, 5.0, sink));
        Link {
            name: named.name.to_owned(),
            device: device.unwrap_or_default().to_owned(),
            baud: given.and_then(|baud| u32::try_from(baud).ok()).unwrap_or(baud),
            form: form(word, section, sink),
            reference: reference.unwrap_or(REFERENCE),
            fields: Vec::new(),
        }
    })
}

/// The form that a link most likely has where what it says cannot be read: what its channels name is then judged by
/// what was meant.
fn likely_form(section: &Section<'_>) -> FormWord {
    if section.has("names") {
        FormWord::Columns
    } else if section.has("clock") || section.has("clock_unit") {
        FormWord::Pairs
    } else {
        FormWord::Counts
    }
}

/// Bits per second. The kernel takes any number; one that is nearly a common one is told, since ports stay silent or
/// give rubbish at a wrong one.
fn speed(item: &Item<'_>, sink: &mut Sink) -> Option<i64> {
    let baud = item.integer(300, 4_000_000, "115200", sink)?;
    let is_near = |common: &&i64| {
        let apart = (baud - **common).abs();
        // A digit too many or too few makes ten times as much, or a tenth of it.
        apart * 10 <= **common || **common == baud * 10 || **common * 10 == baud
    };
    let near = COMMON_SPEEDS.iter().filter(is_near).min_by_key(|common| (baud - **common).abs());
    if let Some(common) = near.filter(|_| !COMMON_SPEEDS.contains(&baud)) {
        let remedy = format!("did you mean {common}? It must be that of your sketch or receiver");
        sink.warn(item.span, format!("`baud` {baud} is not a usual speed"), remedy);
    }
    Some(baud)
}

/// Reports every link whose port another link before it has. What stands in the file decides: what a pattern would open
/// is only known where the ports are.
fn check_ports(named: &[Named<'_>], list: &[Link], sink: &mut Sink) {
    for (at, (named, link)) in named.iter().zip(list).enumerate() {
        let Some(item) = named.section.get("device", sink).filter(|_| !link.device.is_empty()) else { continue };
        let before = list[..at].iter().filter(|before| !before.device.is_empty());
        sink.within(format!("link.{}", short(named.name)), |sink| {
            let shared = before.map(|before| (before, Shared::of(&before.device, &link.device)));
            if let Some((before, shared)) =
                shared.filter_map(|(before, shared)| Some((before, shared?))).min_by_key(|it| it.1)
            {
                report_shared(item.span, shared, &before.name, sink);
            }
        });
    }
}

/// How two links are after one port, the worst first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Shared {
    /// Both say the same.
    Same,
    /// The pattern of the one before fits this one's path.
    PatternBefore,
    /// This one's pattern fits the path of the one before.
    PatternHere,
}

impl Shared {
    fn of(before: &str, here: &str) -> Option<Self> {
        // As paths: a slash more or less makes no other port.
        if Path::new(before) == Path::new(here) {
            return Some(Self::Same);
        }
        match (is_pattern(before.as_bytes()), is_pattern(here.as_bytes())) {
            (true, false) => fits(before, here).then_some(Self::PatternBefore),
            (false, true) => fits(here, before).then_some(Self::PatternHere),
            _ => None,
        }
    }
}

fn report_shared(span: Span, shared: Shared, before: &str, sink: &mut Sink) {
    let before = short(before);
    match shared {
        Shared::Same => {
            let remedy = "only one link can read a port: name another port, or take one of the two links out";
            sink.error(span, format!("link `{before}` has this `device` already"), remedy);
        }
        Shared::PatternBefore => {
            let remedy = "make that pattern so narrow that it does not fit this one";
            sink.warn(span, format!("the pattern of link `{before}` may open this port"), remedy);
        }
        Shared::PatternHere => {
            let remedy = "make it so narrow that it does not fit that one";
            sink.warn(span, format!("this pattern may open the port of link `{before}`"), remedy);
        }
    }
}

fn group_and_baud(word: FormWord) -> (&'static Group, u32) {
    match word {
        FormWord::Counts => (&keys::LINK_COUNTS, 500_000),
        FormWord::Columns => (&keys::LINK_COLUMNS, 115_200),
        FormWord::Pairs => (&keys::LINK_PAIRS, 115_200),
        FormWord::Nmea => (&keys::LINK_NMEA, 9_600),
    }
}

fn form(word: FormWord, section: &Section<'_>, sink: &mut Sink) -> Form {
    match word {
        FormWord::Counts => {
            let item = section.get("checksum", sink);
            let required = item.and_then(|item| item.word(&[("required", true), ("accepted", false)], sink));
            Form::Counts { checksum_required: required.unwrap_or(false) }
        }
        FormWord::Columns => {
            let names = section.get("names", sink).and_then(|item| column_names(&item, sink));
            let clock = clock(section, sink);
            check_clock(section, names.as_deref(), clock.as_ref(), sink);
            Form::Columns { names, clock }
        }
        FormWord::Pairs => Form::Pairs { clock: clock(section, sink) },
        FormWord::Nmea => Form::Nmea,
    }
}

fn column_names(item: &Item<'_>, sink: &mut Sink) -> Option<Vec<String>> {
    let mut names: Vec<String> = Vec::new();
    let distinct = item.all(1, 256, "[\"time\", \"a\", \"b\"]", sink, |_, item, sink| {
        let name = field_name(item, sink)?;
        if names.iter().any(|known| known == name) {
            sink.error(item.span, format!("the column `{name}` stands twice"), "each needs a name of its own");
            return None;
        }
        names.push(name.to_owned());
        Some(())
    });
    distinct.map(|_| names)
}

/// A name as it can stand in a line of text: no blanks, no separators.
fn field_name<'a>(item: &Item<'a>, sink: &mut Sink) -> Option<&'a str> {
    let name = item.short_text(64, "\"time\"", sink)?;
    if !is_field_name(name) {
        let what = format!("`{}` cannot be the name of a field", short(name));
        sink.error(item.span, what, "letters, digits and signs without blanks, , ; : = and quotation marks");
        return None;
    }
    Some(name)
}

/// Whether a line can carry a field of that name.
pub(super) fn is_field_name(name: &str) -> bool {
    !name.is_empty()
        && name.len() <= 64
        && name.chars().all(|c| c.is_ascii_graphic() && !matches!(c, ',' | ';' | ':' | '=' | '"' | '\'' | '\\'))
}

fn clock(section: &Section<'_>, sink: &mut Sink) -> Option<ClockField> {
    let step = section
        .get("clock_unit", sink)
        .and_then(|item| item.word(&[("us", 1.0), ("ms", 1e3), ("s", 1e6), ("min", 6e7), ("h", 3.6e9)], sink));
    let Some(item) = section.get("clock", sink) else {
        if section.has("clock_unit") {
            let remedy = "for example clock = \"time\"";
            sink.absent(section.key_span("clock_unit"), "`clock_unit` needs a `clock`", remedy);
        }
        return None;
    };
    // Most sketches send their own running milliseconds.
    Some(ClockField { name: field_name(&item, sink)?.to_owned(), step_us: step.unwrap_or(1e3) })
}

fn check_clock(section: &Section<'_>, names: Option<&[String]>, clock: Option<&ClockField>, sink: &mut Sink) {
    let (Some(names), Some(clock)) = (names, clock) else { return };
    if names.contains(&clock.name) {
        return;
    }
    let Some(item) = section.get("clock", sink) else { return };
    sink.error(item.span, format!("there is no column `{}`", clock.name), which_column(&clock.name, names, sink));
}

/// What to write instead of `name`, which is none of the columns `names`.
pub(super) fn which_column(name: &str, names: &[String], sink: &Sink) -> String {
    let known = || names.iter().map(String::as_str);
    let all = || match names {
        [only] => format!("there is only `{}`", short(only)),
        _ => format!("there are {}", listed(known(), FEW_COLUMNS)),
    };
    if names.len() <= FEW_COLUMNS { all() } else { sink.did_you_mean(name, known(), all) }
}
