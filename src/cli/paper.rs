//! How wide text on standard output may be, and with which characters.

use std::io::{self, IsTerminal as _};

use crate::curve::Signs;
use crate::screen::{GlyphSet, Look, LookSettings};

/// Columns where the output is no terminal or does not say.
const USUAL: usize = 80;

/// Columns of the terminal on standard output.
pub fn columns() -> usize {
    let size = rustix::termios::tcgetwinsize(io::stdout()).ok();
    size.map(|size| usize::from(size.ws_col)).filter(|&columns| columns > 0).unwrap_or(USUAL)
}

/// The characters that may be used, as for the screens of a drive; what is no terminal goes by the locale alone.
pub fn signs(ascii: bool) -> Signs {
    let term = |name: &str| match name {
        "TERM" if !io::stdout().is_terminal() => Some("xterm".to_owned()),
        name => std::env::var(name).ok(),
    };
    let look = Look::choose(LookSettings::default(), term);
    let full = look.is_ok_and(|look| look.glyphs == GlyphSet::Full);
    if full && !ascii { Signs::Unicode } else { Signs::Ascii }
}
