//! The head of the file, recording, and the rules of trust.
//!
//! Owns the keys at the top, of `[record]` and of `[trust]`.

use super::keys;
use super::model::{Record, TrustRules};
use super::read::{Item, Section};
use super::sink::Sink;
use crate::unit::Unit;

/// Longest name of a vehicle, in columns.
const NAME_COLUMNS: usize = 48;
/// Longest path, in bytes.
const PATH_BYTES: usize = 4096;

/// The version of the config format that this program reads, and that is meant where a file names none.
const FORMAT: i64 = 1;

/// Checks the version and gives the vehicle's name.
pub(super) fn name(top: &Section<'_>, sink: &mut Sink) -> String {
    let example = |item: &Item<'_>| if item.value.as_str().is_some() { "1, without quotation marks" } else { "1" };
    if let Some(item) = top.get("format", sink)
        && let Some(version) = item.integer(i64::MIN, i64::MAX, example(&item), sink)
        && version != FORMAT
    {
        let what = format!("`format` {version} is not known");
        let remedy = if version > FORMAT {
            "this kickpanel reads format 1: write 1, or use a newer kickpanel if the file was written for one"
        } else {
            "write 1"
        };
        sink.error(item.span, what, remedy);
    }
    let item = top.get("name", sink);
    item.and_then(|item| item.label(NAME_COLUMNS, "\"Hill truck\"", sink)).unwrap_or_default().to_owned()
}

/// Where recordings go.
pub(super) fn record(top: &Section<'_>, sink: &mut Sink) -> Record {
    let section = top.get("record", sink).and_then(|item| item.table("[record]", sink));
    let Some(section) = section else { return Record::default() };
    sink.within("record", |sink| {
        section.only(&keys::RECORD, sink);
        let folder = section.get("folder", sink);
        let folder = folder.and_then(|item| item.short_text(PATH_BYTES, "\"/var/lib/kickpanel/recordings\"", sink));
        let keep = section.get("keep", sink).and_then(|item| size(&item, sink));
        Record { folder: folder.map(str::to_owned), keep }
    })
}

/// Units of storage: powers of ten as on the box of a card, and powers of two.
const SIZES: [(&str, u64); 7] = [
    ("B", 1),
    ("kB", 1_000),
    ("MB", 1_000_000),
    ("GB", 1_000_000_000),
    ("kiB", 1 << 10),
    ("MiB", 1 << 20),
    ("GiB", 1 << 30),
];

/// A number of bytes, written as `"8 GB"`: 1 MB to 100,000 GB.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "the range is checked before")]
fn size(item: &Item<'_>, sink: &mut Sink) -> Option<u64> {
    const EXAMPLE: &str = "\"8 GB\"";
    if item.value.as_str().is_none() {
        item.needs("a size with its unit", EXAMPLE, sink);
        return None;
    }
    let text = item.text(EXAMPLE, sink)?.trim();
    let split = text.find(|c: char| c.is_alphabetic()).unwrap_or(text.len());
    let factor = SIZES.iter().find(|(name, _)| *name == &text[split..]).map(|&(_, factor)| factor);
    let (Ok(number), Some(factor)) = (text[..split].trim().parse::<f64>(), factor) else {
        sink.error(item.span, format!("`{}` needs a size", item.key), "kB, MB or GB; for example \"8 GB\"");
        return None;
    };
    let bytes = number * factor as f64;
    item.in_range(bytes, 1e6, 1e14, || "1 MB to 100000 GB".to_owned(), sink).map(|bytes| bytes as u64)
}

/// The rules of trust for several channels.
pub(super) fn trust(top: &Section<'_>, sink: &mut Sink) -> TrustRules {
    let mut rules = TrustRules::default();
    let section = top.get("trust", sink).and_then(|item| item.table("[trust]", sink));
    let Some(section) = section else { return rules };
    sink.within("trust", |sink| {
        section.only(&keys::TRUST, sink);
        if let Some(item) = section.get("supply", sink) {
            rules.supply = supply(&item, sink);
        }
        if let Some(shift) = section.get("ground_shift", sink).and_then(|item| item.boolean(sink)) {
            rules.ground_shift = shift;
        }
    });
    rules
}

fn supply(item: &Item<'_>, sink: &mut Sink) -> Option<(f64, f64)> {
    let [low, high] =
        item.both("[\"4.5 V\", \"5.5 V\"]", sink, |_, end, sink| end.quantity(Unit::VOLT, 0.0, 60.0, sink))?;
    if low >= high {
        sink.error(item.span, "`supply` needs the lower limit first", "for example [\"4.5 V\", \"5.5 V\"]");
        return None;
    }
    Some((low, high))
}
