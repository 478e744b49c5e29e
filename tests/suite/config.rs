//! The config: the worked example becomes the model that is meant, and each mistake its report.

mod bad;
mod good;
mod hostile;
mod keys;

/// The worked example, in which nearly every key is used.
const GOOD: &str = include_str!("../config/good.toml");

#[test]
fn the_level_of_a_switched_output_may_be_read_back() {
    let text = "format = 1\n[channel.heater]\ninput = \"d7\"\n[output.heater]\npin = \"d7\"\non = \"heater < 1\"\n";
    let loaded = kickpanel::config::load(text);
    assert_eq!(loaded.mistakes, []);
    assert!(loaded.model.is_some());
}
