//! What formulas give: trust of their terms, windows, what is no number.

use kickpanel::channel::Trust;
use rstest::rstest;

use crate::rig::{Rig, near};

/// `a` is 2, `b` is 3 and `z` is 0; `bad` is missing, `worse` is beyond.
fn rig(formula: &str) -> Rig {
    let number = |name: &str| format!("[channel.{name}]\ninput = \"n_{name}\"\n");
    let mut text: String = ["a", "b", "z", "bad"].map(number).concat();
    text += "[channel.worse]\ninput = \"a0\"\nunit = \"V\"\n";
    text += &format!("[channel.x]\nformula = \"{formula}\"\n");
    let mut rig = Rig::new(&text);
    rig.read(0, "\"vcc\":5000,\"n_a\":2,\"n_b\":3,\"n_z\":0,\"n_bad\":null,\"a0\":1023");
    rig
}

// The algebra of the config, version 1.
#[rstest]
#[case::minus_binds_weaker_than_power("-a^2", -4.0)]
#[case::power_from_the_right("a^b^a", 512.0)]
#[case::brackets("(a + b) * a", 10.0)]
#[case::divide("b / a", 1.5)]
#[case::true_is_one("b > a", 1.0)]
#[case::false_is_zero("b < a", 0.0)]
#[case::equal("a + 1 == b", 1.0)]
#[case::not_binds_weaker_than_comparison("not a > b", 1.0)]
#[case::and_tighter_than_or("1 or 0 and 0", 1.0)]
#[case::anything_but_zero_is_true("a and b", 1.0)]
#[case::not_of_a_number("not a", 0.0)]
#[case::if_true("if(a < b, a, b)", 2.0)]
#[case::if_false("if(a > b, a, b)", 3.0)]
#[case::least("min(b, a, 7)", 2.0)]
#[case::most("max(b, a, -7)", 3.0)]
#[case::functions("abs(-a) + sqrt(a + a) + exp(z) + ln(1)", 5.0)]
#[case::infinite_on_the_way_only("1 / (1 / z)", 0.0)]
fn a_formula_gives(#[case] formula: &str, #[case] value: f64) {
    assert_eq!(rig(formula).good("x"), value);
}

#[rstest]
#[case::division_by_zero("a / z", Trust::Beyond)]
#[case::zero_by_zero("z / z", Trust::Beyond)]
#[case::overflow("10 ^ 300 * 10 ^ 300", Trust::Beyond)]
#[case::root_of_a_negative("sqrt(-a)", Trust::Beyond)]
#[case::logarithm_of_zero("ln(z)", Trust::Beyond)]
#[case::no_number_decides_nothing("if(z / z, a, b)", Trust::Beyond)]
#[case::no_number_is_less_than_nothing("z / z < a", Trust::Beyond)]
#[case::no_number_is_no_least("min(z / z, a)", Trust::Beyond)]
#[case::no_number_is_not_false("not (z / z)", Trust::Beyond)]
#[case::no_number_to_the_power_of_nothing("(z / z) ^ 0", Trust::Beyond)]
#[case::one_to_the_power_of_no_number("1 ^ (z / z)", Trust::Beyond)]
#[case::no_number_to_the_power_of_a_number("sqrt(z - a) ^ z", Trust::Beyond)]
#[case::the_first_term_that_is_bad("bad + worse", Trust::Missing)]
#[case::the_first_in_the_order_of_the_text("worse + bad", Trust::Beyond)]
#[case::in_a_branch_that_is_not_taken("if(a < b, a, bad)", Trust::Missing)]
#[case::behind_an_or_that_is_true("a or bad", Trust::Missing)]
#[case::times_zero("z * bad", Trust::Missing)]
#[case::a_rate_of_one_reading("rate(a)", Trust::Missing)]
#[case::a_rate_of_a_bad_term("rate(worse)", Trust::Beyond)]
#[case::a_mean_of_a_bad_term("mean(worse, 2)", Trust::Beyond)]
fn a_formula_is_untrusted(#[case] formula: &str, #[case] trust: Trust) {
    assert_eq!(rig(formula).trust("x"), trust);
}

const RAMP: &str = "[channel.v]\ninput = \"n_v\"\n\
                    [channel.slope]\nformula = \"rate(v)\"\nunit = \"1/s\"\n\
                    [channel.middle]\nformula = \"mean(v, 1)\"\n";

#[test]
fn a_window_ends_at_the_line_and_leaves_its_far_end_out() {
    let mut rig = Rig::new(RAMP);
    rig.read(0, "\"n_v\":100");
    rig.read(500_000, "\"n_v\":2");
    rig.read(999_999, "\"n_v\":4");
    near(rig.good("middle"), 106.0 / 3.0, 1e-12);
    rig.read(1_000_000, "");
    assert_eq!(rig.good("middle"), 3.0, "the reading of one second ago is out, held values are no readings");
    near(rig.good("slope"), 2.0 / 0.499_999, 1e-9);
}

#[test]
fn a_rate_is_the_slope_over_the_last_second() {
    let mut rig = Rig::new(RAMP);
    for n in 0..=200_i64 {
        rig.read(n * 20_000, &format!("\"n_v\":{}", 7.0 + n as f64 * 0.25));
    }
    near(rig.good("slope"), 12.5, 1e-12);
}

#[test]
fn an_untrusted_stretch_empties_the_window() {
    let mut rig = Rig::new(RAMP);
    for n in 0..20_i64 {
        rig.read(n * 20_000, &format!("\"n_v\":{n}"));
    }
    assert_eq!(rig.good("middle"), 9.5);
    rig.read(400_000, "\"n_v\":null");
    assert_eq!([rig.trust("slope"), rig.trust("middle")], [Trust::Missing; 2]);
    rig.read(420_000, "\"n_v\":50");
    assert_eq!((rig.good("middle"), rig.trust("slope")), (50.0, Trust::Missing));
    rig.read(440_000, "\"n_v\":51");
    near(rig.good("slope"), 50.0, 1e-12);
}

#[test]
fn a_stale_stretch_between_two_lines_empties_the_window_too() {
    let mut rig = Rig::new("[channel.v]\ninput = \"n_v\"\nfresh = \"100 ms\"\n[channel.m]\nformula = \"mean(v, 9)\"\n");
    rig.read(0, "\"n_v\":1");
    rig.read(100_000, "\"n_v\":3");
    assert_eq!(rig.good("m"), 2.0);
    rig.read(200_001, "\"n_v\":9");
    assert_eq!(rig.good("m"), 9.0);
}

#[test]
fn a_restart_empties_the_windows_of_its_link() {
    let mut rig = Rig::new(RAMP);
    rig.read(5_000_000, "\"n_v\":1");
    rig.read(5_020_000, "\"n_v\":3");
    rig.read(10_000, "\"n_v\":7");
    assert_eq!((rig.good("middle"), rig.trust("slope")), (7.0, Trust::Missing));
}

#[test]
fn a_tick_leaves_no_trace_in_windows() {
    let mut with = Rig::new(RAMP);
    let mut without = Rig::new(RAMP);
    for n in 0..30_i64 {
        with.tick(n * 20_000 + 3_000_000);
        for rig in [&mut with, &mut without] {
            rig.read(n * 20_000, &format!("\"n_v\":{}", n * n));
        }
        assert_eq!(with.value("slope"), without.value("slope"));
        assert_eq!(with.value("middle"), without.value("middle"));
    }
}

#[test]
fn formulas_see_values_without_smoothing() {
    let mut rig = Rig::new("[channel.v]\ninput = \"n_v\"\nsmooth = \"1 s\"\n[channel.x]\nformula = \"v\"\n");
    rig.read(0, "\"n_v\":0");
    rig.read(1_000_000, "\"n_v\":1");
    assert_eq!(rig.good("x"), 1.0);
    // A step is followed by 1 − 1/e after one time constant: tests/reference/10_rc_step.csv.
    assert!((rig.shown("v").smooth.good().unwrap() - 0.632_120_6).abs() < 1e-7);
}
