//! Formulas from text to tree, and what is wrong with those that are none.

use proptest::prelude::*;
use rstest::rstest;

use super::super::model::{ChannelId, Expr, Operator};
use super::parse;

const CHANNELS: [&str; 4] = ["a", "b", "oil", "rpm"];

fn find(name: &str) -> Option<ChannelId> {
    CHANNELS.iter().position(|known| *known == name).map(|at| ChannelId(at.try_into().unwrap()))
}

/// The tree with all brackets written out.
fn bracketed(tree: &Expr) -> String {
    match tree {
        Expr::Number(number) => number.to_string(),
        Expr::Channel(id) => CHANNELS[id.index()].to_owned(),
        Expr::Negate(x) => format!("(-{})", bracketed(x)),
        Expr::Not(x) => format!("(not {})", bracketed(x)),
        Expr::Binary(operator, x, y) => format!("({} {} {})", bracketed(x), symbol(*operator), bracketed(y)),
        Expr::If(parts) => format!("if({}, {}, {})", bracketed(&parts[0]), bracketed(&parts[1]), bracketed(&parts[2])),
        Expr::Call(function, list) => {
            let values: Vec<String> = list.iter().map(bracketed).collect();
            format!("{function:?}({})", values.join(", "))
        }
        Expr::Window(kind, x, span) => format!("{kind:?}({}, {span} us)", bracketed(x)),
    }
}

fn symbol(operator: Operator) -> &'static str {
    match operator {
        Operator::Add => "+",
        Operator::Subtract => "-",
        Operator::Multiply => "*",
        Operator::Divide => "/",
        Operator::Power => "^",
        Operator::Less => "<",
        Operator::LessOrEqual => "<=",
        Operator::Greater => ">",
        Operator::GreaterOrEqual => ">=",
        Operator::Equal => "==",
        Operator::NotEqual => "!=",
        Operator::And => "and",
        Operator::Or => "or",
    }
}

// Precedence as in school algebra; the config format states that -2^2 is −4, that `not` binds weaker than comparisons
// and `and` tighter than `or`.
#[rstest]
#[case::minus_before_power("-2^2", "(-(2 ^ 2))")]
#[case::power_of_minus("2^-1", "(2 ^ (-1))")]
#[case::power_goes_right("2^3^2", "(2 ^ (3 ^ 2))")]
#[case::minus_goes_left("a - b - 1", "((a - b) - 1)")]
#[case::divide_goes_left("a / b / 2", "((a / b) / 2)")]
#[case::dot_before_dash("a + b * 2", "(a + (b * 2))")]
#[case::minus_in_product("-a * b", "((-a) * b)")]
#[case::product_with_minus("a * -b", "(a * (-b))")]
#[case::double_minus("a - -b", "(a - (-b))")]
#[case::brackets("(a + b) * 2", "((a + b) * 2)")]
#[case::not_is_weaker("not a < b", "(not (a < b))")]
#[case::not_before_and("not a and b", "((not a) and b)")]
#[case::and_before_or("a or b and oil", "(a or (b and oil))")]
#[case::or_after_and("a and b or oil", "((a and b) or oil)")]
#[case::comparison("rpm < 500 and oil > 5", "((rpm < 500) and (oil > 5))")]
#[case::sum_compared("a + 1 >= b * 2", "((a + 1) >= (b * 2))")]
#[case::choice("if(a > 1, b, -b)", "if((a > 1), b, (-b))")]
#[case::functions("max(a, b, 3) + abs(oil)", "(Max(a, b, 3) + Abs(oil))")]
#[case::rate_of_one_second("rate(oil)", "Rate(oil, 1000000 us)")]
#[case::rate_of_three("rate(oil, 3)", "Rate(oil, 3000000 us)")]
#[case::longest_window("mean(oil, 600)", "Mean(oil, 600000000 us)")]
#[case::exponent("1.5e3 + .5 + 2e-1", "((1500 + 0.5) + 0.2)")]
#[case::not_equal("a != b", "(a != b)")]
fn a_formula_is_read_as_algebra_is(#[case] text: &str, #[case] expected: &str) {
    assert_eq!(bracketed(&parse(text, &find).unwrap().tree), expected);
}

#[track_caller]
fn fault(text: &str) -> String {
    let faults = parse(text, &find).unwrap_err();
    faults
        .iter()
        .map(|f| format!("{}..{}: {} | {}", f.span.start, f.span.end, f.what, f.remedy))
        .collect::<Vec<_>>()
        .join("\n")
}

#[rstest]
#[case::empty("", "0..0: the formula is empty | for example \"rpm > 600\"")]
#[case::blanks("  ", "2..2: the formula is empty | for example \"rpm > 600\"")]
#[case::half("a +", "3..3: the formula ends too early | a number or a channel is missing")]
#[case::two("a b", "2..3: an operator is missing before this | for example + - * / < > and or")]
#[case::unit("oil < 5 bar", "8..11: numbers have no unit in a formula | each channel counts in its own unit")]
#[case::percent("oil < 5 %", "8..9: numbers have no unit in a formula | each channel counts in its own unit")]
#[case::assign("a = 1", "2..3: `=` does not compare | write `==`")]
#[case::and("a && b", "2..4: `&&` means nothing in a formula | write `and`")]
#[case::bang("!a", "0..1: `!` means nothing in a formula | write `not`")]
#[case::open("(a + b", "0..1: this bracket is never closed | a `)` is missing")]
#[case::close("a + b)", "5..6: this bracket closes nothing | take it out, or open one before it")]
#[case::chain("1 < a < 2", "6..7: comparisons do not chain | write `a < b and b < c`")]
#[case::comma("a > 0,5", "5..6: a comma has no place here | numbers have a point: 0.5")]
#[case::unknown_function("sqr(a)", "0..3: there is no function `sqr` | did you mean `sqrt`?")]
#[case::sine("sin(a)", "0..3: there is no function `sin` | did you mean `min`?")]
#[case::one_of_min("min(a)", "0..6: `min` needs two values or more | write `min(a, b)`")]
#[case::two_of_abs("abs(a, b)", "0..9: `abs` needs one value | write `abs(x)`")]
#[case::none_of_abs("abs()", "0..5: `abs` needs one value | write `abs(x)`")]
#[case::two_of_if("if(a, b)", "0..8: `if` needs three values | write `if(condition, then, else)`")]
#[case::mean_alone("mean(a)", "0..7: `mean` needs a value and its seconds | write mean(oil, 2)")]
#[case::window_of_channel("mean(a, b)", "8..9: the window needs a plain number of seconds | for example 3")]
#[case::window_too_long("mean(a, 601)", "8..11: the window is out of range | 0.001 to 600 seconds")]
#[case::window_far_too_long("mean(a, 1e9)", "8..11: the window is out of range | 0.001 to 600 seconds")]
#[case::window_of_nothing("rate(a, 0)", "8..9: the window is out of range | 0.001 to 600 seconds")]
#[case::word_alone("rate > 1", "0..4: `rate` needs brackets behind it | write `rate(…)`")]
#[case::not_inside("a + not b", "4..7: `not` needs brackets here | write `(not …)`")]
#[case::huge("a > 1e16", "4..8: this number is out of range | at most 1e15")]
#[case::infinite("a > 1e999", "4..9: this number is out of range | at most 1e15")]
#[case::point(".", "0..1: this is no number | for example 0.5 or 1200")]
#[case::two_unknown("x + y", "0..1: there is no channel `x` | \n4..5: there is no channel `y` | ")]
#[case::and_first("and a", "0..3: `and` needs something before it | for example `a > 1 and b > 2`")]
#[case::plus_first("+a", "0..1: `+` has nothing before it | a number, a channel or a bracket")]
#[case::quote("a 'b'", "2..3: `'` means nothing in a formula | there are + - * / ^ ( ) < <= > >= == !=, and, or, not")]
fn a_fault_says_where_and_what_to_write(#[case] text: &str, #[case] expected: &str) {
    assert_eq!(fault(text), expected);
}

#[test]
fn terms_stand_in_the_order_of_the_text_each_once() {
    let formula = parse("rpm + oil * rpm - a", &find).unwrap();
    assert_eq!(formula.terms, [ChannelId(3), ChannelId(2), ChannelId(0)]);
}

#[rstest]
#[case::brackets("(", "a", ")", 64)]
#[case::minus("-", "a", "", 63)]
#[case::calls("abs(", "a", ")", 63)]
#[case::sums("", "a", "+1", 63)]
fn the_last_depth_that_passes_and_the_first_that_fails(
    #[case] before: &str,
    #[case] middle: &str,
    #[case] after: &str,
    #[case] most: usize,
) {
    let nested = |n: usize| format!("{}{middle}{}", before.repeat(n), after.repeat(n));
    assert!(parse(&nested(most), &find).is_ok());
    assert!(fault(&nested(most + 1)).contains("the formula is nested too deeply | at most 64 deep"));
    assert!(fault(&nested(100_000)).contains("the formula is nested too deeply | at most 64 deep"));
}

proptest! {
    #[test]
    fn any_text_gives_a_tree_or_a_fault_inside_of_it(text in "[ab0-9.e+*/^(),<>=! -]{0,60}|\\PC{0,30}") {
        if let Err(faults) = parse(&text, &find) {
            for fault in faults {
                prop_assert!(text.get(fault.span).is_some());
            }
        }
    }

    #[test]
    fn any_row_of_words_gives_a_tree_or_a_fault(words in prop::collection::vec(
        prop::sample::select(vec!["a", "b", "not", "and", "or", "(", ")", "if(", "rate(", "mean(", ",", "1", "-", "^", "<"]),
        0..40,
    )) {
        let _ = parse(&words.join(" "), &find);
    }
}
