//! Patterns for the names of files: `*` any characters, `?` one, `[a-c]` one of these, `[!a-c]` one of the others; none of
//! them matches `/` or a leading dot.
//!
//! Owns the matching. In: a pattern and a name. Out: whether they fit. Looks at no folder.

use std::os::unix::ffi::OsStrExt;
use std::path::Path;

/// Whether the whole path `path` fits `pattern`, name by name. Neither need exist.
///
/// ```
/// use kickpanel::pattern::fits;
/// assert!(fits("/dev/serial/by-id/usb-*", "/dev/serial/by-id/usb-example"));
/// assert!(!fits("/dev/serial/*", "/dev/serial/by-id/usb-example"));
/// ```
pub fn fits(pattern: &str, path: &str) -> bool {
    let (mut parts, mut names) = (Path::new(pattern).components(), Path::new(path).components());
    loop {
        match (parts.next(), names.next()) {
            (None, None) => return true,
            (Some(part), Some(name)) if matches(part.as_os_str().as_bytes(), name.as_os_str().as_bytes()) => {}
            _ => return false,
        }
    }
}

/// Whether any character of `text` stands for others.
pub fn is_pattern(text: &[u8]) -> bool {
    text.iter().any(|byte| matches!(byte, b'*' | b'?' | b'['))
}

/// Whether `name` matches `pattern`, both without `/`. Time grows with the product of their lengths at most.
pub fn matches(pattern: &[u8], name: &[u8]) -> bool {
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

    #[rstest]
    #[case::name("/dev/ttyUSB*", "/dev/ttyUSB0", true)]
    #[case::folder("/dev/*/by-id/usb-?", "/dev/serial/by-id/usb-a", true)]
    #[case::written_otherwise("/dev//ttyUSB*", "/dev/./ttyUSB0", true)]
    #[case::no_pattern("/dev/ttyUSB0", "/dev/ttyUSB0", true)]
    #[case::other_name("/dev/ttyUSB*", "/dev/ttyACM0", false)]
    #[case::deeper("/dev/*", "/dev/serial/by-id", false)]
    #[case::less_deep("/dev/serial/*", "/dev/serial", false)]
    #[case::elsewhere("dev/ttyUSB*", "/dev/ttyUSB0", false)]
    fn paths_match_name_by_name(#[case] pattern: &str, #[case] path: &str, #[case] expected: bool) {
        assert_eq!(fits(pattern, path), expected);
    }

    #[test]
    fn a_hostile_pattern_takes_no_long_time() {
        let pattern = "*a".repeat(200);
        assert!(!matches(pattern.as_bytes(), "a".repeat(199).as_bytes()));
        assert!(!matches(pattern.as_bytes(), format!("{}b", "a".repeat(20_000)).as_bytes()));
    }
}
