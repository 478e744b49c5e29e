//! Text that steers a terminal or deceives who reads it: the corpus that every place which shows text is tried with.

use kickpanel::text::is_showable;

/// Characters that may not reach a terminal: one of each sort, at both ends of its range where it has one.
/// Sources: Unicode categories Cc and Cf (The Unicode Standard, table 4-4); U+2028 and U+2029 are Zl and Zp;
/// variation selectors are Mn but invisible.
pub const UNSAFE: [char; 40] = [
    '\u{00}',
    '\u{01}',
    '\u{07}',
    '\u{08}',
    '\u{09}',
    '\u{0B}',
    '\u{0C}',
    '\u{0D}',
    '\u{1B}',
    '\u{1F}',
    '\u{7F}',
    '\u{80}',
    '\u{85}',
    '\u{8D}',
    '\u{90}',
    '\u{9B}',
    '\u{9D}',
    '\u{9F}',
    '\u{AD}',
    '\u{61C}',
    '\u{180E}',
    '\u{200B}',
    '\u{200D}',
    '\u{200E}',
    '\u{200F}',
    '\u{2028}',
    '\u{2029}',
    '\u{202A}',
    '\u{202E}',
    '\u{2060}',
    '\u{2066}',
    '\u{2069}',
    '\u{206F}',
    '\u{FE0F}',
    '\u{FEFF}',
    '\u{FFF9}',
    '\u{FFFB}',
    '\u{E0001}',
    '\u{E007F}',
    '\u{E0100}',
];

/// Two hundred texts: each of those characters inside a word, alone, twice, ahead of a colour, and at the end of a title.
pub fn corpus() -> Vec<String> {
    let forms = |c: char| {
        [format!("a{c}b"), c.to_string(), format!("{c}{c}"), format!("{c}[31mred"), format!("\u{1B}]0;title{c}")]
    };
    UNSAFE.into_iter().flat_map(forms).collect()
}

/// Nothing but lines of text that may be shown.
#[track_caller]
pub fn assert_safe(shown: &str, about: &str) {
    let bad = shown.chars().find(|&c| c != '\n' && !is_showable(c));
    assert!(bad.is_none(), "U+{:04X} is shown of {about:?}:\n{shown:?}", u32::from(bad.unwrap_or_default()));
}
