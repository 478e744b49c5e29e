//! Every way in which TOML can hold a calibration, and that no other byte moves.

use kickpanel::calibrate::{Mean, Pair, Proposal, Refusal, Scale, Table, Wanted, propose, with_calibration};
use kickpanel::config;
use proptest::prelude::*;
use rstest::rstest;

use crate::rig::model;

fn table() -> Table {
    Table { gain: 1.25, offset: -0.5, on: "2026-05-01".into(), against: "shop \"A\" \\ gauge".into() }
}

/// The first text that has the calibration and otherwise means what `text` does.
#[track_caller]
fn edited(text: &str) -> String {
    found(text).unwrap_or_else(|| panic!("no way found to edit\n{text}"))
}

fn found(text: &str) -> Option<String> {
    let mut expected = model(text);
    let place = expected.channels.iter().position(|channel| channel.name == "oil").unwrap();
    let Table { gain, offset, on, against } = table();
    expected.channels[place].calibration =
        Some(config::Calibration { gain, offset, on: Some(on), against: Some(against) });
    with_calibration(text, "oil", &table()).into_iter().find(|new| config::load(new).model.as_ref() == Some(&expected))
}

const KEYS: &str = "gain = 1.25\noffset = -0.5\non = 2026-05-01\nagainst = \"shop \\\"A\\\" \\\\ gauge\"\n";
const INLINE: &str = "{ gain = 1.25, offset = -0.5, on = 2026-05-01, against = \"shop \\\"A\\\" \\\\ gauge\" }";

/// What comes out for each way that a table may be written in: `@` stands where the edit begins.
#[rstest]
#[case::none(
    "[channel.oil]\ninput = \"a1\" # here\n# of the next\n[channel.b]\ninput = \"a2\"\n",
    "[channel.oil]\ninput = \"a1\" # here\n\n[channel.oil.calibration]\n@# of the next\n[channel.b]\ninput = \"a2\"\n"
)]
#[case::none_with_alarms(
    "[channel.oil]\ninput = \"a1\"\n\n[[channel.oil.alarm]]\nlevel = \"notice\"\nbelow = 1\n",
    "[channel.oil]\ninput = \"a1\"\n\n[channel.oil.calibration]\n@\n[[channel.oil.alarm]]\nlevel = \"notice\"\nbelow = 1\n"
)]
#[case::none_at_the_end(
    "[channel.oil]\ninput = \"a1\"",
    "[channel.oil]\ninput = \"a1\"\n\n[channel.oil.calibration]\n@"
)]
#[case::none_of_many_lines(
    "[channel.oil]\ninput = \"a1\"\nspan = [\n  0, # [x]\n  7,\n]\n",
    "[channel.oil]\ninput = \"a1\"\nspan = [\n  0, # [x]\n  7,\n]\n\n[channel.oil.calibration]\n@"
)]
#[case::none_dotted(
    "[channel]\noil.input = \"a1\"\noil.unit = \"V\"\n[record]\n",
    "[channel]\noil.input = \"a1\"\noil.unit = \"V\"\n\n[channel.oil.calibration]\n@[record]\n"
)]
fn a_new_table_stands_behind_its_channel(#[case] text: &str, #[case] expected: &str) {
    assert_eq!(edited(text), expected.replace('@', KEYS));
}

#[rstest]
#[case::none_inline("[channel]\noil = { input = \"a1\" }\n", "[channel]\noil = { input = \"a1\", calibration = @ }\n")]
#[case::inline(
    "[channel.oil]\ncalibration = {gain=2.0,offset=3.0} # old\ninput = \"a1\"\n",
    "[channel.oil]\ncalibration = @ # old\ninput = \"a1\"\n"
)]
#[case::inline_in_inline(
    "channel = { oil = { calibration = { gain = 2 }, input = \"a1\" } }\n",
    "channel = { oil = { calibration = @, input = \"a1\" } }\n"
)]
fn an_inline_table_stays_inline(#[case] text: &str, #[case] expected: &str) {
    assert_eq!(edited(text), expected.replace('@', INLINE));
}

#[rstest]
#[case::whole(
    "[channel.oil.calibration]\n  gain = 2 # G\n  offset = \"1 V\" # O\n  on = 2020-01-01\n  against = 'x'\n",
    "[channel.oil.calibration]\n  gain = 1.25 # G\n  offset = -0.5 # O\n  on = 2026-05-01\n  against = \"shop \\\"A\\\" \\\\ gauge\"\n"
)]
#[case::some(
    "[channel.oil.calibration] # C\n\"offset\" = 1\n# end\n",
    "[channel.oil.calibration] # C\n\"offset\" = -0.5\ngain = 1.25\non = 2026-05-01\nagainst = \"shop \\\"A\\\" \\\\ gauge\"\n# end\n"
)]
#[case::empty(
    "[channel.oil.calibration]\n",
    "[channel.oil.calibration]\ngain = 1.25\noffset = -0.5\non = 2026-05-01\nagainst = \"shop \\\"A\\\" \\\\ gauge\"\n"
)]
fn a_table_keeps_its_remarks(#[case] table: &str, #[case] expected: &str) {
    let channel = "[channel.oil]\ninput = \"a1\"\n";
    assert_eq!(edited(&format!("{channel}{table}")), format!("{channel}{expected}"));
    assert_eq!(edited(&format!("{table}{channel}")), format!("{expected}{channel}"));
}

#[rstest]
#[case::in_the_channel("[channel.oil]\ninput = \"a1\"\n", "calibration.")]
#[case::in_the_channels("[channel]\noil.input = \"a1\"\n", "oil.calibration.")]
#[case::at_the_top("channel.oil.input = \"a1\"\n", "channel.oil.calibration.")]
fn dotted_keys_stay_dotted(#[case] before: &str, #[case] dots: &str) {
    let text = format!("{before}{dots}offset = 3 # mm\n\n[record]\n");
    let new = edited(&text);
    assert_eq!(
        new,
        format!(
            "{before}{dots}offset = -0.5 # mm\n{dots}gain = 1.25\n{dots}on = 2026-05-01\n\
             {dots}against = \"shop \\\"A\\\" \\\\ gauge\"\n\n[record]\n"
        )
    );
}

#[test]
fn lines_that_end_as_on_other_systems_stay_so() {
    let text = "[channel.oil]\r\ninput = \"a1\"\r\n[record]\r\n";
    assert!(edited(text).replace("\r\n", "").find(['\r', '\n']).is_none());
    assert!(
        edited(&text.replace("[record]", "[channel.oil.calibration]\r\ngain = 2"))
            .replace("\r\n", "")
            .find('\n')
            .is_none()
    );
}

/// Dotted keys inside an inline table: what is missing cannot stand on a line of its own.
#[test]
fn what_cannot_be_edited_is_told_to_paste() {
    let text = "[channel]\noil = { input = \"a1\", calibration.gain = 2 }\n";
    assert_eq!(found(text), None);
    let proposal = proposed(text, &[(0.0, 0.1), (4.0, 4.5)], false).unwrap();
    let paste = "calibration = { gain = 1.1, offset = 0.1, on = 2026-05-01, against = \"gauge\" }";
    assert_eq!(proposal.text.unwrap_err(), paste);
}

fn proposed(text: &str, pairs: &[(f64, f64)], refit: bool) -> Result<Proposal, Refusal> {
    let pairs: Vec<Pair> = pairs
        .iter()
        .map(|&(value, gauge)| Pair { mean: Mean { value, spread: 0.0, input: value, raw: value }, gauge })
        .collect();
    let wanted = Wanted { refit, on: "2026-05-01".into(), against: "gauge".into() };
    let model = model(text);
    let place = model.channels.iter().position(|channel| channel.name == "oil").unwrap();
    propose(text, &model, place, &pairs, Scale { width: 7.0, count: 0.007 }, &wanted)
}

const OIL: &str = "[channel.oil]\ninput = \"a1\"\n";

#[rstest]
#[case::none(&[], "no pair was taken")]
#[case::too_near(&[(3.0, 3.1), (3.699, 3.9)], "the raw values of the pairs lie only 0.699 V apart; a slope needs at least 0.7 V, a tenth of the scale: take one pair low and one high, or leave a single one for an offset")]
#[case::all_alike(&[(3.0, 3.1), (3.0, 3.9), (3.0, 3.2)], "the raw values of the pairs lie only 0 V apart; a slope needs at least 0.7 V, a tenth of the scale: take one pair low and one high, or leave a single one for an offset")]
#[case::flat(&[(1.0, 3.1), (3.0, 3.1)], "the gauge hardly moved while the raw value did; look whether both measure the same thing")]
fn pairs_that_make_no_line_are_refused(#[case] pairs: &[(f64, f64)], #[case] why: &str) {
    assert_eq!(proposed(OIL, pairs, false).unwrap_err().to_string(), why);
}

#[test]
fn far_enough_apart_is_enough() {
    assert!(proposed(OIL, &[(3.0, 3.1), (3.7, 3.9)], false).is_ok());
}

#[rstest]
#[case::usual(1.25, 0)]
#[case::large(1.26, 1)]
#[case::last_that_is_only_large(2.0, 1)]
#[case::absurd(2.01, 2)]
#[case::small(0.79, 1)]
#[case::falling(-1.0, 2)]
fn a_gain_beyond_tolerances_is_warned_of(#[case] gain: f64, #[case] how_bad: usize) {
    let proposal = proposed(OIL, &[(0.0, 0.0), (7.0, 7.0 * gain)], false).unwrap();
    let said = proposal.warnings.concat();
    assert_eq!(
        (said.contains("more than tolerances explain"), said.contains("is absurd")),
        (how_bad == 1, how_bad == 2),
        "{said}"
    );
}

/// A single pair says nothing of a slope, so the one that was found before stays.
#[test]
fn one_pair_leaves_the_gain_as_it_is() {
    let text = format!("{OIL}calibration = {{ gain = 1.1, offset = 9 }}\n");
    let new = proposed(&text, &[(2.0, 2.5)], false).unwrap().text.unwrap();
    assert!(new.contains("{ gain = 1.1, offset = 0.3, on"), "{new}");
    assert!(proposed(OIL, &[(2.0, 2.5)], false).unwrap().text.unwrap().contains("gain = 1.0\noffset = 0.5\n"));
}

const NTC: &str =
    "[channel.oil]\ninput = \"a0\"\nunit = \"degC\"\ncircuit = { kind = \"pullup\", resistor = \"1 kohm\" }\n";

/// 0, 40 and 100 degC, somewhat off what the config has.
const POTS: [(f64, f64); 3] = [(6100.0, 0.0), (1230.0, 40.0), (195.0, 100.0)];

#[rstest]
#[case::points(
    "sensor = { kind = \"thermistor\", ",
    "points = [[\"0 degC\", \"6000 ohm\"], [\"40 degC\", \"1200 ohm\"], [\"100 degC\", \"190 ohm\"]]",
    " } # x\n"
)]
#[case::constants("sensor = { ", "abc = [1.1e-3, 2.7e-4, 1.5e-7]", ", kind = \"thermistor\" }\n")]
#[case::beta("sensor = { kind = \"thermistor\", ", "beta = \"3500 K\", at = [\"25 degC\", \"2.2 kohm\"]", " }\n")]
#[case::beta_behind_at(
    "sensor = { ",
    "at = [\"25 degC\", \"2.2 kohm\"], beta = \"3500 K\"",
    ", kind = \"thermistor\" }\n"
)]
#[case::named(
    "sensor = \"n\"\n# S\n[sensor.n]\nkind = \"thermistor\" # T\n",
    "beta = \"3500 K\" # B\nat = [\"25 degC\", \"2.2 kohm\"]\n",
    "# Z\n"
)]
fn a_thermistor_gets_its_new_points_however_it_was_described(
    #[case] before: &str,
    #[case] old: &str,
    #[case] after: &str,
) {
    let new = "points = [[\"0 degC\", \"6100 ohm\"], [\"40 degC\", \"1230 ohm\"], [\"100 degC\", \"195 ohm\"]]";
    let proposal = proposed(&format!("{NTC}{before}{old}{after}"), &POTS, true).unwrap();
    let text = proposal.text.unwrap();
    let kept = if old.contains("# B") { format!("{new} # B\n") } else { new.to_owned() };
    assert_eq!(text, format!("{NTC}{before}{kept}{after}"));
    assert!(proposal.after.iter().all(|off| off.abs() < 1e-3), "{:?}", proposal.after);
}

#[test]
fn a_refit_sets_the_old_calibration_to_nothing_and_more_pairs_give_constants() {
    let sensor = "sensor = { kind = \"thermistor\", beta = \"3500 K\", at = [\"25 degC\", \"2.2 kohm\"] }\n";
    let text = format!("{NTC}{sensor}calibration = {{ gain = 1.2 }}\n");
    let pairs = [POTS[0], (2300.0, 22.0), POTS[1], (560.0, 63.0), POTS[2]];
    let proposal = proposed(&text, &pairs, true).unwrap();
    assert!(proposal.after.iter().all(|off| off.abs() < 2.0), "{:?}", proposal.after);
    let new = proposal.text.unwrap();
    assert!(new.contains("sensor = { kind = \"thermistor\", abc = ["), "{new}");
    assert!(
        new.ends_with("calibration = { gain = 1.0, offset = 0.0, on = 2026-05-01, against = \"gauge\" }\n"),
        "{new}"
    );
}

#[rstest]
#[case::no_thermistor(OIL, &POTS, "--refit is for thermistors; other sensors take a gain and an offset")]
#[case::two(NTC, &POTS[..2], "a refit needs three pairs or more, far apart in temperature; there are 2")]
#[case::rising(NTC, &[(195.0, 0.0), (1230.0, 40.0), (6100.0, 100.0)], "these pairs make no thermistor over the range of the sensor: its resistance must fall steadily as it warms; take pairs further apart, or give the sensor a smaller `valid`")]
#[case::twice(NTC, &[(195.0, 0.0), (195.0, 40.0), (6100.0, 100.0)], "two pairs have the same resistance or temperature; a refit needs three that differ")]
fn a_refit_that_cannot_be_is_refused(#[case] head: &str, #[case] pairs: &[(f64, f64)], #[case] why: &str) {
    let sensor = if head == NTC {
        "sensor = { kind = \"thermistor\", beta = \"3500 K\", at = [\"25 degC\", \"2.2 kohm\"] }\n"
    } else {
        ""
    };
    assert_eq!(proposed(&format!("{head}{sensor}"), pairs, true).unwrap_err().to_string(), why);
}

#[test]
fn a_sensor_that_serves_another_channel_too_is_not_refitted() {
    let text = format!(
        "{NTC}sensor = \"n\"\n[channel.b]\ninput = \"a2\"\ncircuit = {{ kind = \"pullup\", resistor = \"1 kohm\" }}\nsensor = \"n\"\n\
         [sensor.n]\nkind = \"thermistor\"\nbeta = \"3500 K\"\nat = [\"25 degC\", \"2.2 kohm\"]\n"
    );
    let why = proposed(&text, &POTS, true).unwrap_err().to_string();
    assert_eq!(
        why,
        "the sensor serves b too, and a refit would change all of them; give this channel a sensor of its own first"
    );
}

/// A line of a config that may stand anywhere between tables.
fn filler() -> impl Strategy<Value = String> {
    prop_oneof![
        Just("\n".to_owned()),
        Just("# Öl \"[channel.oil.calibration]\" {\n".to_owned()),
        Just("   \t\n".to_owned()),
        Just("[channel.zz]\ninput = \"a7\" # ]]\n".to_owned()),
        Just("[record]\nkeep = \"\"\"\n4 \\\n  GB\"\"\"\n".to_owned()),
        Just("[sensor.s]\nkind = \"switch\"\nwords = ['''\n[a]''', \"b\"]\n".to_owned()),
        Just("[[channel.oil.alarm]]\nlevel = \"notice\"\nbelow = 0.5\ntext = '[channel.oil]'\n".to_owned()),
    ]
}

/// The table in one of its ways; what stands before and behind it inside of its channel.
fn written() -> impl Strategy<Value = (&'static str, &'static str, &'static str)> {
    prop_oneof![
        Just(("[channel.oil]\ninput = \"a1\"\n", "", "")),
        Just(("[channel.oil]\ninput = \"a1\" # x\n", "[channel.oil.calibration]\n  gain = 1.5 # g\n", "")),
        Just(("[channel.oil]\n", "calibration = { offset = 2 }", " # r\ninput = \"a1\"\n")),
        Just(("[channel.oil]\ninput = \"a1\"\n", "calibration.gain = 1_0.5e-1\n", "unit = \"V\" # u\n")),
        Just((
            "[channel.oil]\ninput = \"a1\"\n",
            "[channel.oil.calibration]\n\"gain\" = 2\noffset = '1 V'\non = 1999-12-31\nagainst = \"\"\"\nx\"\"\"\n",
            ""
        )),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn every_byte_outside_the_table_is_the_same(
        before in prop::collection::vec(filler(), 0..3),
        (first, table, last) in written(),
        after in prop::collection::vec(filler(), 0..3),
        carriage in any::<bool>(),
    ) {
        let ends = |text: &str| if carriage { text.replace('\n', "\r\n") } else { text.to_owned() };
        let alarm_first = before.iter().any(|part| part.contains("[[channel.oil.alarm]]"));
        let (head, tail) = (ends(&format!("{}{first}", before.concat())), ends(&format!("{last}{}", after.concat())));
        let text = format!("{head}{}{tail}", ends(table));
        prop_assume!(!alarm_first && config::load(&text).model.is_some());
        let new = edited(&text);
        if table.is_empty() {
            // A stretch was put in, and taken out again it is the old text.
            let same = new.bytes().zip(text.bytes()).take_while(|(a, b)| a == b).count();
            let added = new.len() - text.len();
            let (new, text) = (new.as_bytes(), text.as_bytes());
            prop_assert!((0..=same).any(|at| [&new[..at], &new[at + added..]].concat() == text));
        } else {
            prop_assert!(new.starts_with(&head) && new.ends_with(&tail));
        }
    }
}
