//! Text that was not written by a friend: nothing panics, and no byte of it reaches a terminal as itself.

use kickpanel::config::{load, report};
use proptest::prelude::*;

use super::GOOD;
use crate::unfriendly::{assert_safe, corpus};

/// `text` as TOML can spell it: raw in a basic and in a literal text, by short and by long escapes.
fn spellings(text: &str) -> [String; 4] {
    let short = |c: char| match u32::from(c) {
        code if code <= 0xFFFF => format!("\\u{code:04X}"),
        code => format!("\\U{code:08X}"),
    };
    let long = |c: char| format!("\\U{:08X}", u32::from(c));
    let escaped = |escape: &dyn Fn(char) -> String| text.chars().map(escape).collect::<String>();
    [
        format!("\"{text}\""),
        format!("'{text}'"),
        format!("\"{}\"", escaped(&short)),
        format!("\"\"\"{}\"\"\"", escaped(&long)),
    ]
}

/// Places of a config where a text can stand; `$` stands for it.
const PLACES: [&str; 24] = [
    "name = $\n",
    "$ = 1\n",
    "[link.a]\ndevice = $\n",
    "[link.a]\nform = $\n",
    "[link.$]\n",
    "[link.a]\nform = \"columns\"\nnames = [$]\n",
    "[link.a]\nform = \"pairs\"\nclock = $\n",
    "[record]\nfolder = $\n",
    "[record]\nkeep = $\n",
    "[channel.$]\ninput = \"a0\"\n",
    "[channel.a]\ninput = $\n",
    "[channel.a]\ninput = \"a0\"\nlabel = $\n",
    "[channel.a]\ninput = \"a0\"\nunit = $\n",
    "[channel.a]\ninput = \"a0\"\nsensor = $\n",
    "[channel.a]\ninput = \"a0\"\nsmooth = $\n",
    "[channel.a]\nformula = $\n",
    "[channel.a]\ninput = \"d4\"\nsensor = { kind = \"switch\", words = [$, \"on\"] }\n",
    "[channel.a]\ninput = \"a0\"\n[[channel.a.alarm]]\nlevel = \"notice\"\nbelow = 1\ntext = $\n",
    "[channel.a]\ninput = \"a0\"\n[channel.a.calibration]\nagainst = $\n",
    "[channel.a]\ninput = \"a0\"\nsensor = { kind = \"thermocouple\", type = \"K\", cold = $ }\n",
    "[event.a]\nwhen = $\n",
    "[[page]]\nname = $\nrows = [[{ show = \"x\" }]]\n",
    "[[page]]\nrows = [[{ show = $ }]]\n",
    "[output.a]\npin = $\non = $\n",
];

// G1 to G3 of the catalogue of faults.
#[test]
fn a_text_that_must_not_be_shown_is_refused_everywhere_and_never_reported_as_itself() {
    let mut cases = 0;
    for hostile in corpus() {
        for place in PLACES {
            for spelling in spellings(&hostile) {
                let text = place.replace('$', &spelling);
                let loaded = load(&text);
                assert!(loaded.model.is_none(), "{text:?} is taken");
                assert_safe(&report("kickpanel.toml", &text, &loaded.mistakes, false), &text);
                for mistake in &loaded.mistakes {
                    assert_safe(&mistake.place, &text);
                    assert_safe(&mistake.what, &text);
                    assert_safe(&mistake.remedy, &text);
                }
                cases += 1;
            }
        }
    }
    assert_eq!(cases, 200 * 24 * 4);
}

#[test]
fn a_remark_or_a_file_name_with_such_characters_is_not_shown_as_it_is() {
    for hostile in corpus() {
        let text = format!("unknwon = 1 # {hostile}\n");
        assert_safe(&report(&format!("kick{hostile}panel.toml"), &text, &load(&text).mistakes, false), &text);
    }
}

#[test]
fn nesting_without_end_is_refused_and_needs_no_deep_stack() {
    for (open, close) in [("[", "]"), ("{a=", "}"), ("[{a=", "}]")] {
        for depth in [79, 80, 81, 1_000, 50_000] {
            let text = format!("x = {}1{}\n", open.repeat(depth), close.repeat(depth));
            assert!(load(&text).model.is_none());
            assert!(load(&text[..text.len() / 2]).model.is_none());
        }
    }
    let header = format!("[{}]\n", vec!["a"; 50_000].join("."));
    assert!(load(&header).model.is_none());
}

/// An arrow ahead of a pin's name was once cut in the middle of its three bytes.
#[test]
fn a_field_that_begins_with_a_wide_character_is_refused() {
    for name in ["\u{2B97}a0", "\u{2B97}", "ä0", "link.\u{2B97}", "\u{2B97}:a0"] {
        assert!(load(&format!("[channel.x]\ninput = \"{name}\"\n")).model.is_none());
        assert!(load(&format!("[output.x]\npin = \"{name}\"\non = \"1\"\n")).model.is_none());
    }
}

#[test]
fn what_others_leave_behind_is_no_reason_to_panic() {
    let tails = ["", "\"", "'", "\"\"\"", "'''", "[", "]]", "{", "}", "=", "\\", "#", "\r", "\0", "\u{FEFF}", ".", ","];
    for tail in tails {
        for at in (0..GOOD.len()).step_by(97).filter(|&at| GOOD.is_char_boundary(at)) {
            let text = format!("{}{tail}", &GOOD[..at]);
            let loaded = load(&text);
            assert_safe(&report("kickpanel.toml", &text, &loaded.mistakes, false), tail);
        }
    }
}

/// Words that configs are made of, and some that they are not.
fn scraps() -> impl Strategy<Value = String> {
    let words = [
        "[channel.a]\n",
        "[channel.b]\n",
        "[[channel.a.alarm]]\n",
        "[link.x]\n",
        "[sensor.s]\n",
        "[[page]]\n",
        "[output.o]\n",
        "[event.e]\n",
        "[record]\n",
        "input = ",
        "formula = ",
        "sensor = ",
        "circuit = ",
        "unit = ",
        "span = ",
        "kind = ",
        "points = ",
        "rows = ",
        "show = ",
        "when = ",
        "pin = ",
        "below = ",
        "stuck = ",
        "\"a0\"",
        "\"p2\"",
        "\"b + a\"",
        "\"a > 1\"",
        "\"linear\"",
        "\"s\"",
        "\"d7\"",
        "\"5 V\"",
        "\"1 kohm\"",
        "\"bar\"",
        "{ ",
        " }",
        "[",
        "]",
        ", ",
        "\n",
        "1",
        "nan",
        "-1e999",
        "true",
        "2026-05-01",
        "\u{1b}",
        "=",
        "\"",
    ];
    let word = prop::sample::select(words.to_vec()).prop_map(str::to_owned);
    prop::collection::vec(word, 0..60).prop_map(|words| words.concat())
}

proptest! {
    #[test]
    fn random_bytes_are_read_without_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let text = String::from_utf8_lossy(&bytes);
        let loaded = load(&text);
        assert_safe(&report("kickpanel.toml", &text, &loaded.mistakes, false), &text);
    }

    #[test]
    fn random_scraps_are_read_without_panic(text in scraps()) {
        let loaded = load(&text);
        prop_assert_eq!(loaded.model.is_some(), loaded.mistakes.iter().all(|mistake| mistake.warning));
        assert_safe(&report("kickpanel.toml", &text, &loaded.mistakes, false), &text);
    }

    #[test]
    fn a_damaged_config_is_read_without_panic(
        damage in prop::collection::vec((0.0..1.0, 0_usize..40, "\\PC{0,3}|[\\[\\]{}=\"'.,\n0-9a-z]{0,4}"), 1..6)
    ) {
        let mut text = GOOD.to_owned();
        for (place, length, instead) in damage {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a place inside of the text")]
            let at = (text.len() as f64 * place) as usize;
            let from = (0..=at).rev().find(|&at| text.is_char_boundary(at)).unwrap_or(0);
            let to = (from + length..=text.len()).find(|&at| text.is_char_boundary(at)).unwrap_or(text.len());
            text.replace_range(from..to, &instead);
        }
        let loaded = load(&text);
        for mistake in &loaded.mistakes {
            prop_assert!(mistake.span.start <= mistake.span.end && mistake.span.end <= text.len());
        }
        assert_safe(&report("kickpanel.toml", &text, &loaded.mistakes, false), "a damaged config");
    }
}
