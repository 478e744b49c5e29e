//! The config: the worked example becomes the model that is meant, and each mistake its report.

use kickpanel::config::{load, report};

const GOOD: &str = include_str!("../config/good.toml");

#[test]
fn show() {
    let loaded = load(GOOD);
    println!("{}", report("good.toml", GOOD, &loaded.mistakes, false));
    println!("{:#?}", loaded.model);
}
