//! Finds the device that a name or pattern means.
//!
//! Owns the search for the first match of a pattern in folders. In: the text of the config. Out: a path. Opens nothing.

use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::path::{Component, Path, PathBuf};

use crate::pattern::{is_pattern, matches};

/// The first existing path, in sorted order, that `pattern` matches. A path that exists as it is written is taken first. A
/// link whose target is gone does not count as existing.
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
    crate::order::by(&mut names, Ord::cmp);
    names.iter().find_map(|name| search(&base.join(name), rest))
}
