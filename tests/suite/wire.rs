//! Checks of the wire room against the outside: published check values, captured sentences, and damage with a seed.

mod damage;
mod limits;
mod references;

use kickpanel::time::Stamp;
use kickpanel::wire::{Decoded, Decoder, FieldId, Form, Raw, Reading, Reject, seal};

/// A decoder of the counts form that does not insist on checksums.
fn counts(names: &[&str]) -> Decoder {
    decoder(Form::Counts { checksum_required: false }, names)
}

fn decoder(form: Form, names: &[&str]) -> Decoder {
    Decoder::new(form, &names.iter().map(|&name| name.to_owned()).collect::<Vec<_>>())
}

/// The field with the place `index` among the names that were given.
fn field(reading: &Reading, index: u16) -> Raw {
    reading.get(FieldId(index + 2))
}

/// What a line is taken as, in a word.
fn fate(decoder: &mut Decoder, line: &[u8]) -> Result<&'static str, Reject> {
    decoder.line(Stamp(0), line).map(|decoded| match decoded {
        Decoded::Empty => "empty",
        Decoded::Reading(_) => "reading",
        Decoded::Hello(_) => "hello",
        Decoded::Header => "header",
    })
}

/// `body`, an object without its closing brace, with its checksum.
fn sealed(body: &str) -> String {
    let mut line = body.to_owned();
    seal(&mut line);
    line
}

/// Every line was counted exactly once.
#[track_caller]
fn assert_tally_adds_up(decoder: &Decoder, lines: u64) {
    let tally = decoder.tally();
    let refused: u64 = tally.refused.iter().sum();
    assert_eq!(tally.readings + tally.hellos + tally.headers + refused, tally.lines);
    assert_eq!(tally.lines, lines);
}
