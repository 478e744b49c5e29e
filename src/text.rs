//! Text that is not ours, made safe for a terminal.
//!
//! Owns the rule which characters may be shown (and so which the config refuses), and the one function that replaces
//! the others. Everything from the wire, a config, a file name or the system goes through it before it is drawn.

use std::borrow::Cow;
use std::fmt::Write as _;

/// Whether `c` may reach a terminal as itself: no control character (C0, DEL, C1), no invisible format character
/// (bidirectional controls, zero-width characters, byte-order mark, tags, soft hyphen, line and paragraph separators).
pub fn is_showable(c: char) -> bool {
    !c.is_control()
        && !matches!(c,
            '\u{00AD}' | '\u{061C}' | '\u{180E}' | '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}'
            | '\u{2060}'..='\u{206F}' | '\u{FE00}'..='\u{FE0F}' | '\u{FEFF}' | '\u{FFF9}'..='\u{FFFB}'
            | '\u{1D173}'..='\u{1D17A}' | '\u{E0000}'..='\u{E0FFF}')
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
