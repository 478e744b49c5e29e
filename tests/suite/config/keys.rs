//! The table of keys is the truth: each key is known, is read, and is hinted at where it is mistyped.

use kickpanel::config::{keys, load};

/// For each table of the config, by its title: text before a key of it, and text behind.
///
/// With these the table stands alone with nothing but the key in question. Whatever else is missing then is of no
/// interest here.
fn around(title: &str) -> (&'static str, &'static str) {
    match title {
        "the top of the file" => ("", ""),
        "a link of form `counts`" => ("[link.a]\n", "\n"),
        "a link of form `columns`" => ("[link.a]\nform = \"columns\"\n", "\n"),
        "a link of form `pairs`" => ("[link.a]\nform = \"pairs\"\n", "\n"),
        "a link of form `nmea`" => ("[link.a]\nform = \"nmea\"\n", "\n"),
        "[record]" => ("[record]\n", "\n"),
        "[trust]" => ("[trust]\n", "\n"),
        "a channel with `input`" => ("[channel.a]\ninput = \"p2\"\n", "\n"),
        "a channel with `formula`" => ("[channel.a]\nformula = \"1\"\n", "\n"),
        "`stuck`" => ("[channel.a]\ninput = \"a0\"\n[channel.a.stuck]\n", "\n"),
        "a calibration" => ("[channel.a]\ninput = \"a0\"\n[channel.a.calibration]\n", "\n"),
        "an alarm" => ("[channel.a]\ninput = \"a0\"\n[[channel.a.alarm]]\n", "\n"),
        "a circuit of kind `direct`" => ("[channel.a]\ninput = \"a0\"\n[channel.a.circuit]\nkind = \"direct\"\n", "\n"),
        "a circuit of kind `divider`" => {
            ("[channel.a]\ninput = \"a0\"\n[channel.a.circuit]\nkind = \"divider\"\n", "\n")
        }
        "a circuit of kind `pullup`" => ("[channel.a]\ninput = \"a0\"\n[channel.a.circuit]\nkind = \"pullup\"\n", "\n"),
        "a circuit of kind `pulldown`" => {
            ("[channel.a]\ninput = \"a0\"\n[channel.a.circuit]\nkind = \"pulldown\"\n", "\n")
        }
        "a circuit of kind `amplifier`" => {
            ("[channel.a]\ninput = \"a0\"\n[channel.a.circuit]\nkind = \"amplifier\"\n", "\n")
        }
        "a sensor of kind `linear`" => ("[sensor.a]\nkind = \"linear\"\nto = [0, 1]\n", "\n"),
        "a sensor of kind `table`" => ("[sensor.a]\nkind = \"table\"\n", "\n"),
        "a sensor of kind `thermistor`" => ("[sensor.a]\nkind = \"thermistor\"\n", "\n"),
        "a sensor of kind `rtd`" => ("[sensor.a]\nkind = \"rtd\"\n", "\n"),
        "a sensor of kind `thermocouple`" => ("[sensor.a]\nkind = \"thermocouple\"\n", "\n"),
        "a sensor of kind `polynomial`" => ("[sensor.a]\nkind = \"polynomial\"\nof = \"V\"\n", "\n"),
        "a sensor of kind `pulses`" => ("[sensor.a]\nkind = \"pulses\"\n", "\n"),
        "a sensor of kind `switch`" => ("[sensor.a]\nkind = \"switch\"\n", "\n"),
        "a sensor of kind `number`" => ("[sensor.a]\nkind = \"number\"\n", "\n"),
        "an event" => ("[event.a]\n", "\n"),
        "a page" => ("[[page]]\n", "\n"),
        "a cell of a page" => ("[channel.a]\ninput = \"a0\"\n[[page]]\nrows = [[{ as = \"trend\", ", " }]]\n"),
        "an output on a `d` pin" => ("[output.a]\npin = \"d7\"\n", "\n"),
        "an output on an `f` or `w` pin" => {
            ("[channel.a]\ninput = \"a0\"\n[output.a]\npin = \"f9\"\nfrom = \"a\"\n", "\n")
        }
        other => panic!("no text for {other}"),
    }
}

/// A config with `key = value` in the table of that title, and where the value stands. A key that the text already
/// has is replaced.
fn with(title: &str, key: &str, value: &str) -> (String, usize) {
    let (before, behind) = around(title);
    let own_line = format!("{key} = ");
    let before: String = before.split_inclusive('\n').filter(|line| !line.starts_with(&own_line)).collect();
    let before = before.replace(&format!("{{ {own_line}\"trend\", "), "{ ");
    // `at` is read only where there is a beta that goes with it.
    let before = if key == "at" { format!("{before}beta = \"3950 K\"\n") } else { before };
    let at = before.len() + own_line.len();
    (format!("{before}{own_line}{value}{behind}"), at)
}

#[test]
fn every_key_of_the_table_is_read() {
    // A list of lists of true is right for nothing: whoever reads the value must complain at the value.
    for group in keys::ALL {
        for key in group.keys.iter().filter(|key| key.name != "kind" || group.title.contains("linear")) {
            let (text, at) = with(group.title, key.name, "[[true]]");
            let loaded = load(&text);
            let hit =
                loaded.mistakes.iter().any(|mistake| !mistake.warning && (at..at + 8).contains(&mistake.span.start));
            assert!(hit, "{} `{}` is not read: {text}\n{:?}", group.title, key.name, loaded.mistakes);
        }
    }
}

#[test]
fn every_key_is_hinted_at_where_a_letter_is_doubled() {
    for group in keys::ALL {
        for key in group.keys.iter().filter(|key| key.name.len() >= 4 && !matches!(key.name, "kind" | "form")) {
            let wrong = &format!("{}{}", key.name, &key.name[key.name.len() - 1..]);
            if group.has(wrong) {
                continue;
            }
            let (text, _) = with(group.title, wrong, "1");
            let loaded = load(&text);
            let what = format!("unknown key `{wrong}`");
            let found = loaded.mistakes.iter().find(|mistake| mistake.what == what);
            let remedy = found.unwrap_or_else(|| panic!("{text}\n{:?}", loaded.mistakes)).remedy.clone();
            assert_eq!(remedy, format!("did you mean `{}`?", key.name), "{}", group.title);
        }
    }
}

#[test]
fn every_key_says_what_it_is_for() {
    for group in keys::ALL {
        for key in group.keys {
            assert!(!key.about.is_empty() && !key.about.ends_with('.'), "{} `{}`", group.title, key.name);
        }
    }
}

#[test]
fn every_key_stands_in_the_worked_example() {
    for group in keys::ALL {
        for key in group.keys {
            let stands = super::GOOD.lines().any(|line| {
                let line = line.split(" # ").next().unwrap_or_default();
                line.contains(&format!("{} = ", key.name))
                    || line.contains(&format!("[{}.", key.name))
                    || line.contains(&format!(".{}]", key.name))
                    || line.contains(&format!("[{}]", key.name))
            });
            assert!(stands, "{} `{}`", group.title, key.name);
        }
    }
}
