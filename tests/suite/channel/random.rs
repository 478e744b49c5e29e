//! H3 of the catalogue of faults: a million formulas that nobody would write.

use rstest::rstest;

use crate::rig::Rig;

/// xorshift, 64 bits: the same in every run.
struct Dice(u64);

impl Dice {
    fn below(&mut self, end: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % end as u64) as usize
    }

    fn of<'a>(&mut self, list: &[&'a str]) -> &'a str {
        list[self.below(list.len())]
    }
}

/// Appends a formula at most `depth` deep.
fn formula(dice: &mut Dice, depth: usize, out: &mut String) {
    let kind = if depth == 0 { dice.below(2) } else { dice.below(12) };
    match kind {
        0 => out.push_str(dice.of(&["a", "b", "c", "d"])),
        1 => out.push_str(dice.of(&["0", "1", "2.5", "1e15", "1e-15", "0.1", "600", "7"])),
        2 => call(dice, depth, out, "(-", &[""], ")"),
        3 => call(dice, depth, out, "(not ", &[""], ")"),
        4 => call(dice, depth, out, "if(", &["", ", ", ", "], ")"),
        5 => {
            let name = dice.of(&["abs(", "sqrt(", "exp(", "ln("]);
            call(dice, depth, out, name, &[""], ")");
        }
        6 => {
            let name = dice.of(&["min(", "max("]);
            call(dice, depth, out, name, &["", ", ", ", "], ")");
        }
        7 => {
            let name = dice.of(&["rate(", "mean("]);
            let span = dice.of(&[", 0.001)", ", 0.02)", ", 1)", ", 600)"]);
            call(dice, depth, out, name, &[""], span);
        }
        8 => {
            let word = dice.of(&[" and ", " or "]);
            call(dice, depth, out, "(", &["", word], ")");
        }
        9 => {
            let sign = dice.of(&[" < ", " <= ", " > ", " >= ", " == ", " != "]);
            call(dice, depth, out, "(", &["", sign], ")");
        }
        _ => {
            let sign = dice.of(&[" + ", " - ", " * ", " / ", " ^ "]);
            call(dice, depth, out, "(", &["", sign], ")");
        }
    }
}

/// Appends `open`, a formula behind each of `between`, and `close`.
fn call(dice: &mut Dice, depth: usize, out: &mut String, open: &str, between: &[&str], close: &str) {
    out.push_str(open);
    for between in between {
        out.push_str(between);
        formula(dice, depth - 1, out);
    }
    out.push_str(close);
}

const INPUTS: &str = "[channel.a]\ninput = \"n_a\"\n[channel.b]\ninput = \"n_b\"\n[channel.c]\ninput = \"n_c\"\n[channel.d]\ninput = \"n_d\"\n";
const FORMULAS: usize = 500;
/// What the four inputs say, line by line: zeros, the ends of what a number can be, and nothing.
const LINES: [&str; 5] = [
    "\"n_a\":0,\"n_b\":-0.0,\"n_c\":1,\"n_d\":-1",
    "\"n_a\":1e308,\"n_b\":-1e308,\"n_c\":1e-300,\"n_d\":3",
    "\"n_a\":1e308,\"n_b\":0,\"n_c\":-1e-300,\"n_d\":0.5",
    "\"n_a\":2,\"n_b\":3,\"n_c\":null,\"n_d\":710",
    "\"n_a\":-2.5,\"n_b\":64,\"n_c\":4,\"n_d\":0",
];

#[rstest]
#[case(1)]
#[case(2)]
#[case(3)]
#[case(4)]
fn a_quarter_of_a_million_random_formulas_give_a_finite_number_or_none(#[case] seed: u64) {
    let mut dice = Dice(seed * 0x2545_F491_4F6C_DD1D_u64);
    let (mut good, mut untrusted) = (0_u32, 0_u32);
    for _ in 0..250_000 / FORMULAS {
        let mut text = INPUTS.to_owned();
        for number in 0..FORMULAS {
            text += &format!("[channel.f{number}]\nformula = \"");
            let depth = 1 + dice.below(5);
            formula(&mut dice, depth, &mut text);
            text += "\"\n";
        }
        let mut rig = Rig::new(&text);
        for (line, members) in (0_i64..).zip(LINES) {
            rig.read(line * 20_000, members);
            for shown in &rig.pipeline.snapshot().channels[4..] {
                match shown.value.good() {
                    Some(number) => {
                        assert!(number.is_finite(), "{number}:\n{text}");
                        good += 1;
                    }
                    None => untrusted += 1,
                }
            }
        }
    }
    assert!(good > 300_000 && untrusted > 300_000, "both kinds are tried: {good}, {untrusted}");
}

#[test]
fn a_hundred_thousand_rows_of_words_are_read_without_panic() {
    let words = [
        "a", "b", "not", "and", "or", "(", ")", "if(", "rate(", "mean(", "min(", ",", "1", "-", "^", "<", "==",
        "1e999", "\u{2B97}", "%", ".", "=",
    ];
    let mut dice = Dice(5);
    for _ in 0..200 {
        let mut text = format!("format = 1\n[link.engine]\n{INPUTS}");
        for number in 0..FORMULAS {
            let row: Vec<&str> = (0..dice.below(20)).map(|_| dice.of(&words)).collect();
            text += &format!("[channel.f{number}]\nformula = \"{}\"\n", row.join(" "));
        }
        assert!(!kickpanel::config::load(&text).mistakes.is_empty());
    }
}
