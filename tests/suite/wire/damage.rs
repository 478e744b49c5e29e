//! Noise, damage, restarts and wraps, each each with a seed and a figure.

use kickpanel::time::{Micros, Stamp};
use kickpanel::wire::{Decoded, Decoder, Form, Piece, Raw, Reject, Splitter, checksum};
use proptest::prelude::*;
use rstest::rstest;

use super::{assert_tally_adds_up, counts, field, sealed};

/// A generator of numbers that anyone can run again: splitmix64 (Steele, Lea and Flood 2014; constants from memory).
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// A number below `end`.
    fn below(&mut self, end: usize) -> usize {
        usize::try_from(self.roll() % end as u64).unwrap()
    }
}

/// The reading with number `s` of a made-up controller.
fn body(s: u32) -> String {
    let t = 1_000_000 + s * 20_000;
    format!(
        r#"{{"s":{},"t":{t},"ref":226,"a0":{},"a1":{},"p2":[{},{},9820,10240],"d4":1"#,
        s % 65_536,
        300 + s % 700,
        90 + s % 20,
        s * 2 + 1,
        t - s % 9_000
    )
}

/// Hears of each line and what became of it.
type Each<'a> = dyn FnMut(&[u8], Result<Decoded<'_>, Reject>) + 'a;

/// Hands all lines of `bytes` to `decoder`, and says how many were no empty ones.
fn feed(decoder: &mut Decoder, splitter: &mut Splitter, bytes: &[u8], each: &mut Each<'_>) -> u64 {
    let mut lines = 0;
    splitter.push(bytes, &mut |piece| match piece {
        Piece::Line(line) => {
            let result = decoder.line(Stamp(0), line);
            lines += u64::from(!matches!(result, Ok(Decoded::Empty)));
            each(line, result);
        }
        Piece::TooLong(_) => {
            lines += 1;
            decoder.too_long();
        }
    });
    lines
}

// A1 of the catalogue of faults, 10^7 bytes a form.
#[rstest]
#[case::counts(1, Form::Counts { checksum_required: false }, br#"{"t":5}"#)]
#[case::columns(2, Form::Columns { names: None, clock: None }, b"a;b")]
#[case::pairs(3, Form::Pairs { clock: None }, b"a=1")]
#[case::nmea(4, Form::Nmea, b"$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48")]
fn ten_million_random_bytes_are_counted_line_by_line_and_the_next_good_line_is_taken(
    #[case] seed: u64,
    #[case] form: Form,
    #[case] good: &[u8],
) {
    let usual = b"{}[]\":,.0123456789tsa=;$*\n";
    let mut dice = Dice(seed);
    let mut decoder = Decoder::new(form, &[]);
    let mut splitter = Splitter::new();
    let (mut lines, mut bytes, mut noise) = (0, 0, [0; 2000]);
    for round in 0..5000 {
        for eight in noise.chunks_exact_mut(8) {
            eight.copy_from_slice(&dice.roll().to_le_bytes());
            // Every value equally often, then mostly those that a line is made of.
            if round % 2 == 1 {
                for byte in eight {
                    *byte = usual[usize::from(*byte) % usual.len()];
                }
            }
        }
        bytes += noise.len();
        lines += feed(&mut decoder, &mut splitter, &noise, &mut |_, _| {});
        lines += feed(&mut decoder, &mut splitter, b"\n", &mut |_, _| {});
        // In the columns form noise may have become a header; names begin anew with the link.
        decoder.opened();
        let mut fate = None;
        lines += feed(&mut decoder, &mut splitter, &[good, b"\n"].concat(), &mut |_, result| {
            fate = Some(result.map(|_| ()));
        });
        assert_eq!(fate, Some(Ok(())), "round {round}");
    }
    assert_eq!(bytes, 10_000_000);
    assert!(decoder.unknown_names().len() <= 256, "noise must not fill the memory with names");
    assert_tally_adds_up(&decoder, lines);
}

/// Hurts `line` in one of seven ways.
fn hurt(line: &mut Vec<u8>, other: &[u8], way: usize, dice: &mut Dice) {
    let place = dice.below(line.len());
    match way {
        0 => line[place] ^= 1 << dice.below(8),
        1 => drop(line.remove(place)),
        2 => {
            let rest = other[dice.below(other.len())..].to_vec();
            line.truncate(place);
            line.extend(rest);
        }
        3 => {
            let mut at = place;
            while !line[at].is_ascii_digit() {
                at = dice.below(line.len());
            }
            line[at] = b'0' + (line[at] - b'0' + 1 + u8::try_from(dice.below(9)).unwrap()) % 10;
        }
        4 => {
            // A burst of at most 16 bits, at any bit.
            let burst = (dice.roll() & 0xFFFF | 1) << dice.below(8);
            for (at, byte) in burst.to_le_bytes().into_iter().take(3).enumerate() {
                if let Some(to) = line.get_mut(place + at) {
                    *to ^= byte;
                }
            }
        }
        5 => {
            let end = (place + 1 + dice.below(20)).min(line.len());
            line.drain(place..end);
        }
        _ => {
            let end = (place + 1 + dice.below(20)).min(line.len());
            line[place..end].fill_with(|| dice.roll().to_le_bytes()[0]);
        }
    }
}

/// A line, and its clock and fields.
type Sent = (Vec<u8>, (u32, Vec<Raw>));

/// What was sent: readings in order with what they say, made once because a million are damaged.
fn sent(with_checksum: bool) -> Vec<Sent> {
    let mut decoder = Decoder::new(Form::Counts { checksum_required: with_checksum }, &names());
    let mut said = |s: u32| {
        let line = if with_checksum { sealed(&body(s)) } else { format!("{}}}", body(s)) };
        let Ok(Decoded::Reading(reading)) = decoder.line(Stamp(0), line.as_bytes()) else { panic!("{line}") };
        let says = (reading.t, reading.fields().to_vec());
        (line.into_bytes(), says)
    };
    (0..8_192).map(|number| said(number * 7)).collect()
}

fn names() -> [String; 4] {
    ["a0", "a1", "p2", "d4"].map(str::to_owned)
}

/// How many lines that are damaged in that way were taken although they say something else than was sent, of `each`.
fn wrong_values(with_checksum: bool, way: usize, each: usize) -> usize {
    let sent = sent(with_checksum);
    let mut dice = Dice(way as u64 + 77);
    let mut decoder = Decoder::new(Form::Counts { checksum_required: with_checksum }, &names());
    let (mut wrong, mut damaged, mut now) = (0, 0, Vec::new());
    while damaged < each {
        let place = dice.below(sent.len() - 1);
        let ((was, says), (next, _)) = (&sent[place], &sent[place + 1]);
        now.clear();
        now.extend_from_slice(was);
        hurt(&mut now, next, way, &mut dice);
        // A line that was cut in two shows as two; neither half is judged here twice.
        if now == *was || now == *next || now.contains(&b'\n') {
            continue;
        }
        damaged += 1;
        if let Ok(Decoded::Reading(reading)) = decoder.line(Stamp(0), &now) {
            wrong += usize::from(reading.t != says.0 || reading.fields() != says.1);
        }
    }
    wrong
}

// A2, 10^6 lines a kind. A CRC of 16 bits finds every burst of up to 16 bits; a digit is one of up to 4.
#[rstest]
#[case::one_bit(0)]
#[case::changed_digit(3)]
#[case::burst_of_16_bits(4)]
fn no_single_bit_or_digit_or_short_burst_passes_the_checksum(#[case] way: usize) {
    assert_eq!(wrong_values(true, way, 1_000_000), 0);
}

// A2, 10^6 lines a kind. These slip through once in 65,536 at most, and must be a valid line besides. Allowed are 10 in
// 10^6 damaged lines of all seven kinds in equal shares, of which the other three let nothing through.
#[test]
fn of_a_million_damaged_lines_at_most_ten_pass_the_checksum() {
    let kinds = [("lost byte", 1), ("splice", 2), ("lost bytes", 5), ("overwritten bytes", 6)];
    let counted: Vec<_> = std::thread::scope(|scope| {
        let threads = kinds.map(|(kind, way)| (kind, scope.spawn(move || wrong_values(true, way, 1_000_000))));
        threads.map(|(kind, thread)| (kind, thread.join().unwrap())).into()
    });
    let sum: usize = counted.iter().map(|(_, wrong)| wrong).sum();
    println!("wrong in 1,000,000 each: {counted:?}");
    assert!(sum <= 7 * 10, "{counted:?}");
    // By chance alone 15.3 in 10^6 pass; far more than that would be a fault of the checksum.
    assert!(counted.iter().all(|(_, wrong)| *wrong <= 30), "{counted:?}");
}

#[test]
fn without_a_checksum_the_share_of_wrong_values_is_as_large_as_the_manual_says() {
    let each = 100_000;
    let share = |way| wrong_values(false, way, each) * 100 / each;
    // The format says "about four in ten" for one lost byte; changed digits are worse, flipped bits better.
    let (bit, byte, digit) = (share(0), share(1), share(3));
    assert!((25..=50).contains(&byte), "{byte}");
    assert!((5..=25).contains(&bit), "{bit}");
    assert!((70..=95).contains(&digit), "{digit}");
}

// A3: no such line passes, in 3 × 10^6.
#[test]
fn damage_to_the_checksum_member_itself_never_passes_once_the_link_has_shown_its_checksums() {
    let mut decoder = counts(&["a0"]);
    for s in 0..8 {
        assert!(decoder.line(Stamp(0), sealed(&body(s)).as_bytes()).is_ok());
    }
    let sent = sent(true);
    let (mut dice, mut damaged, mut line) = (Dice(5), 0, Vec::new());
    while damaged < 3_000_000 {
        let (was, _) = &sent[dice.below(sent.len())];
        line.clear();
        line.extend_from_slice(was);
        for _ in 0..=dice.below(8) {
            let at = line.len() - 14 + dice.below(14);
            line[at] ^= 1 << dice.below(8);
        }
        if line == *was || line.contains(&b'\n') {
            continue;
        }
        damaged += 1;
        let taken = decoder.line(Stamp(0), &line).is_ok();
        assert!(!taken, "{}", String::from_utf8_lossy(&line));
    }
}

#[test]
fn joining_at_every_byte_of_three_lines_takes_all_that_are_whole() {
    let lines: Vec<String> = (0..3).map(|s| sealed(&body(s))).collect();
    for end in ["\n", "\r\n"] {
        let text: String = lines.iter().flat_map(|line| [line.as_str(), end]).collect();
        for from in 0..=text.len() {
            let mut decoder = counts(&[]);
            let mut splitter = Splitter::new();
            let seen = feed(&mut decoder, &mut splitter, &text.as_bytes()[from..], &mut |_, _| {});
            let starts = (0..3).filter(|&line| from <= line * (lines[0].len() + end.len())).count();
            assert_eq!(decoder.tally().readings, starts as u64, "{from}");
            assert_tally_adds_up(&decoder, seen);
        }
    }
}

#[test]
fn a_thousand_restarts_at_random_instants_are_each_counted_once() {
    let mut dice = Dice(9);
    let mut decoder = counts(&["a0"]);
    let (mut last_at, mut ran) = (-1, 0);
    for restart in 0..=1000_u64 {
        // Half of the boots bring a hello; a drive is between 2 and 60 readings long, each longer than its boot.
        if dice.below(2) == 0 {
            let hello = format!(
                r#"{{"hello":{{"format":1,"fw":"1","board":"x","reset":"brown-out","adc_max":1023,"analog":1,"pulse":[],"digital":[],"output":[],"rate_hz":50,"up_ms":{}}}"#,
                dice.below(15)
            );
            assert!(decoder.line(Stamp(0), sealed(&hello).as_bytes()).is_ok());
        }
        for s in 0..2 + dice.below(58) {
            let line = sealed(&format!(r#"{{"s":{s},"t":{},"a0":1"#, 15_000 + s * 20_000));
            let Ok(Decoded::Reading(reading)) = decoder.line(Stamp(0), line.as_bytes()) else { panic!() };
            assert_eq!((reading.restarted, reading.lost), (restart > 0 && s == 0, 0));
            assert!(reading.at > last_at);
            last_at = reading.at;
            ran += 1;
        }
        assert_eq!(decoder.tally().restarts, restart);
    }
    assert_eq!((decoder.tally().readings, decoder.tally().lost), (ran, 0));
}

#[test]
fn a_day_of_wraps_keeps_the_frequency_within_a_millionth() {
    // 800 Hz, a line a second; clock and edge count both wrap, the clock twenty times.
    let mut decoder = counts(&["p2"]);
    let mut before: Option<(Micros, u32, u32)> = None;
    let mut wraps = 0;
    for second in 0..86_400_u64 {
        let micros = 4_290_000_000 + second * 1_000_000;
        let edges = 4_294_900_000 + second * 800;
        let wrap = |value: u64| u32::try_from(value % (1 << 32)).unwrap();
        let line = format!(r#"{{"t":{},"p2":[{},{}]}}"#, wrap(micros), wrap(edges), wrap(micros - 250));
        let Ok(Decoded::Reading(reading)) = decoder.line(Stamp(0), line.as_bytes()) else { panic!("{line}") };
        let Raw::Edges(edges) = field(reading, 0) else { panic!() };
        assert!(!reading.restarted);
        if let Some((at, count, last)) = before {
            assert_eq!(reading.at - at, 1_000_000);
            let hertz = f64::from(edges.count.wrapping_sub(count)) / f64::from(edges.last.wrapping_sub(last)) * 1e6;
            assert!((hertz / 800.0 - 1.0).abs() < 1e-6);
            wraps += u32::from(edges.last < last);
        }
        before = Some((reading.at, edges.count, edges.last));
    }
    assert_eq!((wraps, decoder.tally().restarts), (21, 0));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn any_chunking_decodes_alike_and_no_bytes_panic(
        bytes in proptest::collection::vec(prop_oneof![3 => any::<u8>(), 1 => Just(b'\n'), 3 => proptest::sample::select(b"{}[]\":,0123456789ta=$*".to_vec())], 0..400),
        good in 0..1000_u32,
        cut in 1..50_usize,
    ) {
        let all = [&bytes[..], b"\n", sealed(&body(good)).as_bytes(), b"\n"].concat();
        let read = |size: usize| {
            let mut decoder = counts(&["a0"]);
            let mut splitter = Splitter::new();
            let mut out = Vec::new();
            for chunk in all.chunks(size) {
                feed(&mut decoder, &mut splitter, chunk, &mut |line, result| out.push(format!("{line:?} {result:?}")));
            }
            (out, *decoder.tally())
        };
        let whole = read(all.len());
        prop_assert!(whole.0.last().is_some_and(|last| last.contains("Ok(Reading")));
        prop_assert_eq!(read(cut), whole);
    }

    #[test]
    fn a_sealed_line_says_its_own_sum(text in "[ -~]{0,200}") {
        let line = sealed(&text);
        let sum = u16::from_str_radix(&line[line.len() - 6..line.len() - 2], 16).unwrap();
        prop_assert_eq!(sum, checksum(text.as_bytes()));
    }
}
