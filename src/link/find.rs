//! From a name or pattern in the config to the node that is opened.

use std::fs;
use std::path::{Component, Path, PathBuf};

/// The first node that `pattern` names, in the order of names; `None` where there is none.
///
/// `*` stands for any run of characters within one part of the path, `?` for one. A pattern without either names itself,
/// whether it is there or not, so that opening it tells what is wrong.
pub fn first_match(pattern: &str) -> Option<PathBuf> {
    if !pattern.contains(['*', '?']) {
        return (!pattern.is_empty()).then(|| PathBuf::from(pattern));
    }
    let parts: Vec<Component<'_>> = Path::new(pattern).components().collect();
    descend(PathBuf::new(), &parts)
}

fn descend(folder: PathBuf, parts: &[Component<'_>]) -> Option<PathBuf> {
    let Some((part, rest)) = parts.split_first() else {
        // A link whose end is gone (a port just unplugged) does not exist.
        return folder.exists().then_some(folder);
    };
    let name = part.as_os_str().to_string_lossy();
    if !name.contains(['*', '?']) {
        return descend(folder.join(part), rest);
    }
    let place = if folder.as_os_str().is_empty() { Path::new(".") } else { &folder };
    let mut names: Vec<String> =
        fs::read_dir(place).ok()?.filter_map(|entry| entry.ok()?.file_name().into_string().ok()).collect();
    names.sort_unstable();
    names.iter().filter(|found| fits(&name, found)).find_map(|found| descend(folder.join(found), rest))
}

/// Whether `name` fits a pattern of `*` and `?`.
fn fits(pattern: &str, name: &str) -> bool {
    let (pattern, name): (Vec<char>, Vec<char>) = (pattern.chars().collect(), name.chars().collect());
    let (mut p, mut n) = (0, 0);
    // Where the last star was, and up to where it has swallowed: one step back is enough.
    let mut star = None;
    while n < name.len() {
        match pattern.get(p) {
            Some('*') => {
                star = Some((p, n));
                p += 1;
            }
            Some(&c) if c == '?' || c == name[n] => {
                p += 1;
                n += 1;
            }
            _ => {
                let Some((at, swallowed)) = star else { return false };
                star = Some((at, swallowed + 1));
                p = at + 1;
                n = swallowed + 1;
            }
        }
    }
    pattern[p..].iter().all(|&c| c == '*')
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case::star("ttyUSB*", "ttyUSB0", true)]
    #[case::star_takes_nothing("ttyUSB*", "ttyUSB", true)]
    #[case::one("ttyUSB?", "ttyUSB0", true)]
    #[case::one_is_not_two("ttyUSB?", "ttyUSB10", false)]
    #[case::star_steps_back("*-if00", "usb-if00-x-if00", true)]
    #[case::other("ttyACM*", "ttyUSB0", false)]
    fn patterns_fit(#[case] pattern: &str, #[case] name: &str, #[case] answer: bool) {
        assert_eq!(fits(pattern, name), answer);
    }

    #[test]
    fn the_first_in_the_order_of_names_is_taken() {
        let folder = tempfile::tempdir().unwrap();
        for name in ["b2", "b1", "a"] {
            fs::write(folder.path().join(name), "").unwrap();
        }
        let pattern = folder.path().join("b*");
        assert_eq!(first_match(pattern.to_str().unwrap()), Some(folder.path().join("b1")));
        assert_eq!(first_match(folder.path().join("c*").to_str().unwrap()), None);
    }
}
