//! The manual of the config lists every key, with the words of the table that the reader of configs uses.

use std::fmt::Write as _;
use std::path::Path;

use kickpanel::config::keys::ALL;

/// Where the generated part of the manual begins.
const MARK: &str = "<!-- Below: made from the table in src/config/keys.rs; a test holds it. -->\n";

fn tables() -> String {
    let mut text = String::new();
    for group in ALL {
        write!(text, "\n### {}\n\n| key | what it is for |\n| --- | --- |\n", group.title).unwrap();
        for key in group.keys {
            writeln!(text, "| `{}` | {} |", key.name, key.about.replace('|', "\\|")).unwrap();
        }
    }
    text
}

#[test]
fn the_manual_lists_every_key() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/README.md");
    let manual = std::fs::read_to_string(&path).unwrap();
    let (_, kept) = manual.split_once(MARK).expect("the mark of the generated part");
    assert!(kept == tables(), "config/README.md must end with:\n{}", tables());
}
