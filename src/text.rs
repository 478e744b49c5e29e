//! Text that is not ours, made safe for a terminal.
//!
//! Owns the rule which characters may be shown (and so which the config refuses), and the one function that replaces
//! the others. Everything from the wire, a config, a file name or the system goes through it before it is drawn.

use std::borrow::Cow;
use std::fmt::Write as _;

/// Whether `c` may reach a terminal as itself: no control character (C0, DEL, C1), no invisible format character
/// (bidirectional controls, zero-width characters, byte-order mark, tags, soft hyphen, line and paragraph separators),
/// and nothing else that a terminal may draw as nothing (fillers, variation selectors).
///
/// Source: the Unicode Character Database, general categories Cc, Cf, Zl and Zp, and the property
/// `Default_Ignorable_Code_Point`; the visible number signs among Cf are left out with the rest, nobody needs them here.
pub fn is_showable(c: char) -> bool {
    // Most text is ASCII, and this is asked for every character of it.
    if c.is_ascii() {
        return !c.is_ascii_control();
    }
    !c.is_control()
        && !matches!(c,
            '\u{00AD}' | '\u{034F}' | '\u{0600}'..='\u{0605}' | '\u{061C}' | '\u{06DD}' | '\u{070F}'
            | '\u{0890}'..='\u{0891}' | '\u{08E2}' | '\u{115F}'..='\u{1160}' | '\u{17B4}'..='\u{17B5}'
            | '\u{180B}'..='\u{180F}' | '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}'
            | '\u{2060}'..='\u{206F}' | '\u{3164}' | '\u{FE00}'..='\u{FE0F}' | '\u{FEFF}' | '\u{FFA0}'
            | '\u{FFF0}'..='\u{FFFB}' | '\u{110BD}' | '\u{110CD}' | '\u{13430}'..='\u{1343F}'
            | '\u{1BCA0}'..='\u{1BCA3}' | '\u{1D173}'..='\u{1D17A}' | '\u{E0000}'..='\u{E0FFF}')
}

/// `text` with every character that may not be shown written as `\u{HEX}` (or `\xHH` below 256).
pub fn safe(text: &str) -> Cow<'_, str> {
    if text.chars().all(is_showable) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        if is_showable(c) {
            out.push(c);
        } else if u32::from(c) < 256 {
            // Writing to a String cannot fail.
            let _ = write!(out, "\\x{:02X}", u32::from(c));
        } else {
            let _ = write!(out, "\\u{{{:X}}}", u32::from(c));
        }
    }
    Cow::Owned(out)
}

/// The same for bytes that need not be UTF-8: what is not becomes `\xHH`.
pub fn safe_bytes(bytes: &[u8]) -> String {
    let mut out = String::with_capacity(bytes.len());
    for chunk in bytes.utf8_chunks() {
        out.push_str(&safe(chunk.valid()));
        for byte in chunk.invalid() {
            let _ = write!(out, "\\x{byte:02X}");
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case::escape("\u{1B}[31m", "\\x1B[31m")]
    #[case::nul("a\0b", "a\\x00b")]
    #[case::last_of_c0("\u{1F}", "\\x1F")]
    #[case::new_line("a\nb", "a\\x0Ab")]
    #[case::delete("\u{7F}", "\\x7F")]
    #[case::first_of_c1("\u{80}", "\\x80")]
    #[case::control_sequence_introducer("\u{9B}31m", "\\x9B31m")]
    #[case::last_of_c1("\u{9F}", "\\x9F")]
    #[case::soft_hyphen("\u{AD}", "\\xAD")]
    #[case::right_to_left_override("\u{202E}gpj", "\\u{202E}gpj")]
    #[case::isolate("\u{2066}", "\\u{2066}")]
    #[case::zero_width_space("a\u{200B}b", "a\\u{200B}b")]
    #[case::zero_width_joiner("\u{200D}", "\\u{200D}")]
    #[case::byte_order_mark("\u{FEFF}x", "\\u{FEFF}x")]
    #[case::hangul_filler("\u{3164}", "\\u{3164}")]
    #[case::tag("\u{E0041}", "\\u{E0041}")]
    #[case::plain("Öldruck 4.2 bar, 90 °C", "Öldruck 4.2 bar, 90 °C")]
    #[case::other_letters("Давление 油圧", "Давление 油圧")]
    fn what_may_not_be_shown_is_written_out(#[case] text: &str, #[case] shown: &str) {
        assert_eq!(safe(text), shown);
    }

    /// Every Cf, Zl and Zp of Unicode 14.0, listed with `unicodedata` of Python 3.11.
    #[test]
    fn no_format_character_of_unicode_is_shown() {
        let listed = [
            (0xAD, 0xAD),
            (0x600, 0x605),
            (0x61C, 0x61C),
            (0x6DD, 0x6DD),
            (0x70F, 0x70F),
            (0x890, 0x891),
            (0x8E2, 0x8E2),
            (0x180E, 0x180E),
            (0x200B, 0x200F),
            (0x2028, 0x202E),
            (0x2060, 0x2064),
            (0x2066, 0x206F),
            (0xFEFF, 0xFEFF),
            (0xFFF9, 0xFFFB),
            (0x110BD, 0x110BD),
            (0x110CD, 0x110CD),
            (0x13430, 0x13438),
            (0x1BCA0, 0x1BCA3),
            (0x1D173, 0x1D17A),
            (0xE0001, 0xE0001),
            (0xE0020, 0xE007F),
        ];
        for c in listed.into_iter().flat_map(|(first, last)| first..=last) {
            assert!(!is_showable(char::from_u32(c).unwrap()), "U+{c:04X}");
        }
    }

    #[test]
    fn text_that_is_safe_is_not_copied() {
        assert!(matches!(safe("Oil 4.2 bar"), Cow::Borrowed(_)));
    }

    #[test]
    fn bytes_that_are_no_text_are_written_out_one_by_one() {
        assert_eq!(safe_bytes(b"ok \xFF\xC3( \xE2\x82\xAC \x1B"), "ok \\xFF\\xC3( € \\x1B");
        assert_eq!(safe_bytes(b"\xC2\x9B31m"), "\\x9B31m", "C1 in two bytes of UTF-8");
        assert_eq!(safe_bytes(b"cut \xE2\x82"), "cut \\xE2\\x82");
    }

    proptest! {
        #[test]
        fn only_showable_characters_come_out(text in "(?s).*", more in proptest::collection::vec(0_u32..0x11_0000, 0..40)) {
            let text = text + &more.into_iter().filter_map(char::from_u32).collect::<String>();
            let shown = safe(&text);
            prop_assert!(shown.chars().all(is_showable));
            prop_assert_eq!(safe(&shown), &*shown, "what is safe stays as it is");
        }

        #[test]
        fn only_showable_characters_come_out_of_bytes(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            prop_assert!(safe_bytes(&bytes).chars().all(is_showable));
        }
    }
}
