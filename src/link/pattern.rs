//! Finds the device that a name or pattern means.
//!
//! Owns matching of `*`, `?` and `[…]` against the names in folders. In: the text of the config. Out: a path. Opens nothing.

use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::path::{Component, Path, PathBuf};

/// The first existing path, in sorted order, that `pattern` matches: `*` any characters, `?` one, `[a-c]` one of these,
/// `[!a-c]` one of the others; none of them matches `/` or a leading dot. A path that exists as it is written is taken
/// first. A link whose target is gone does not count as existing.
pub fn first_match(pattern: &str) -> Option<PathBuf> {
    let literal = Path::new(pattern);
    if literal.exists() || !is_pattern(pattern.as_bytes()) {
        // What does not exist is given too: opening it tells why (not there, or a folder that may not be entered).
        return (!pattern.is_empty()).then(|| literal.to_path_buf());
    }
    let mut parts = Vec::new();
    let mut base = PathBuf::new();
    for component in literal.components() {
        match component {
            Component::Normal(name) => parts.push(name),
            other if parts.is_empty() => base.push(other),
            other => parts.push(other.as_os_str()),
        }
    }
    search(&base, &parts)
}

/// The first match of `parts` below `base`, depth first.
fn search(base: &Path, parts: &[&OsStr]) -> Option<PathBuf> {
    let Some((part, rest)) = parts.split_first() else {
        return base.exists().then(|| base.to_path_buf());
    };
    if !is_pattern(part.as_bytes()) {
        return search(&base.join(part), rest);
    }
    let folder = if base.as_os_str().is_empty() { Path::new(".") } else { base };
    let mut names: Vec<_> = fs::read_dir(folder).ok()?.flatten().map(|entry| entry.file_name()).collect();
    names.retain(|name| matches(part.as_bytes(), name.as_bytes()));
    names.sort();
    names.iter().find_map(|name| search(&base.join(name), rest))
}

fn is_pattern(text: &[u8]) -> bool {
    text.iter().any(|byte| matches!(byte, b'*' | b'?' | b'['))
}

/// Whether `name` matches `pattern`, both without `/`.
fn matches(pattern: &[u8], name: &[u8]) -> bool {
    if name.first() == Some(&b'.') && pattern.first() != Some(&b'.') {
        return false;
    }
    let (mut at, mut here) = (0, 0);
    // Where to go on if the newest `*` has to take one more byte. One such place is enough, so time stays short.
    let mut retry: Option<(usize, usize)> = None;
    loop {
        if pattern.get(at) == Some(&b'*') {
            retry = Some((at + 1, here));
            at += 1;
            continue;
        }
        match (one(&pattern[at..], name.get(here).copied()), at == pattern.len() && here == name.len()) {
            (_, true) => return true,
            (Some(length), _) => {
                at += length;
                here += 1;
            }
            (None, _) => match retry {
                Some((after, taken)) if taken < name.len() => {
                    retry = Some((after, taken + 1));
                    at = after;
                    here = taken + 1;
                }
                _ => return false,
            },
        }
    }
}

/// How long the first element of `pattern` is, where it matches `byte`.
fn one(pattern: &[u8], byte: Option<u8>) -> Option<usize> {
    let byte = byte?;
    match pattern.first()? {
        b'?' => Some(1),
        b'[' => match set(pattern) {
            Some((length, set)) => in_set(set, byte).then_some(length),
            None => (byte == b'[').then_some(1),
        },
        literal => (*literal == byte).then_some(1),
    }
}

/// The length of `[…]` at the beginning of `pattern` and what is inside; `None` where it is not closed.
fn set(pattern: &[u8]) -> Option<(usize, &[u8])> {
    // A `]` that comes first (after `!`) stands for itself.
    let from = if pattern.get(1) == Some(&b'!') { 3 } else { 2 };
    let end = from + pattern.get(from..)?.iter().position(|&byte| byte == b']')?;
    Some((end + 1, &pattern[1..end]))
}

fn in_set(set: &[u8], byte: u8) -> bool {
    let (negated, mut set) = match set.split_first() {
        Some((b'!', rest)) => (true, rest),
        _ => (false, set),
    };
    let mut found = false;
    while let Some((&first, rest)) = set.split_first() {
        if let [b'-', last, after @ ..] = rest {
            found |= (first..=*last).contains(&byte);
            set = after;
        } else {
            found |= first == byte;
            set = rest;
        }
    }
    found != negated
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case::plain("ttyUSB0", "ttyUSB0", true)]
    #[case::plain_other("ttyUSB0", "ttyUSB1", false)]
    #[case::star("ttyUSB*", "ttyUSB12", true)]
    #[case::star_takes_nothing("ttyUSB*", "ttyUSB", true)]
    #[case::star_amid("usb-*-if00", "usb-a-b-if00", true)]
    #[case::star_amid_not("usb-*-if00", "usb-a-b-if01", false)]
    #[case::two_stars("*a*b", "xaayb", true)]
    #[case::two_stars_not("*a*b", "xaayc", false)]
    #[case::one_byte("tty?", "ttyA", true)]
    #[case::one_byte_missing("tty?", "tty", false)]
    #[case::range("tty[A-C]", "ttyB", true)]
    #[case::range_not("tty[A-C]", "ttyD", false)]
    #[case::others("tty[!A-C]", "ttyD", true)]
    #[case::bracket_itself("a[]]", "a]", true)]
    #[case::not_closed("a[b", "a[b", true)]
    #[case::dash_last("a[x-]", "a-", true)]
    #[case::hidden("*", ".hidden", false)]
    #[case::hidden_named(".h*", ".hidden", true)]
    #[case::longer_name("tty", "ttyA", false)]
    fn names_match_as_in_a_shell(#[case] pattern: &str, #[case] name: &str, #[case] expected: bool) {
        assert_eq!(matches(pattern.as_bytes(), name.as_bytes()), expected);
    }

    #[test]
    fn a_hostile_pattern_takes_no_long_time() {
        let pattern = "*a".repeat(200);
        assert!(!matches(pattern.as_bytes(), "a".repeat(199).as_bytes()));
        assert!(!matches(pattern.as_bytes(), format!("{}b", "a".repeat(20_000)).as_bytes()));
    }
}
