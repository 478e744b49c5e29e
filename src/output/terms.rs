//! What a rule looks at, and its terms in words.
//!
//! Owns the parts that a condition is joined of, the inputs behind it, and how a part is written with the values that it has.
//! In: trees of the config, values. Out: texts. Pure.

use crate::channel::Value;
use crate::config::{Channel, ChannelId, Cold, Drive, Expr, Function, LinkId, Model, Operator, Sensor, Source, Window};
use crate::state::Shown;
use crate::time::secs_from_micros;
use crate::unit::Unit;

/// The parts of `tree` that `joined` joins, in the order of the text.
pub(super) fn parts(tree: &Expr, joined: Operator) -> Vec<&Expr> {
    match tree {
        Expr::Binary(operator, left, right) if *operator == joined => {
            let mut all = parts(left, joined);
            all.extend(parts(right, joined));
            all
        }
        _ => vec![tree],
    }
}

/// Every input that `drive` looks at, through formulas and cold junctions too, with its link.
pub fn looks_at(model: &Model, drive: &Drive) -> Vec<(ChannelId, LinkId)> {
    let mut open: Vec<ChannelId> = match drive {
        Drive::Switch { on, off_if, .. } => {
            on.terms.iter().chain(off_if.iter().flat_map(|formula| &formula.terms)).copied().collect()
        }
        Drive::Follow { from, .. } => vec![*from],
    };
    let (mut seen, mut found) = (vec![false; model.channels.len()], Vec::new());
    while let Some(id) = open.pop() {
        let (Some(seen), Some(channel)) = (seen.get_mut(id.index()), model.channels.get(id.index())) else { continue };
        if std::mem::replace(seen, true) {
            continue;
        }
        match &channel.source {
            Source::Formula(formula) => open.extend(&formula.terms),
            Source::Input(input) => {
                found.push((id, input.link));
                if let Sensor::Thermocouple { cold: Cold::Channel(cold, _), .. } = &input.sensor {
                    open.push(*cold);
                }
            }
        }
    }
    found
}

/// A part of a condition that is `is`, with the values that make it so: `coolant 12 degC is not < 10`, `battery 10.7 V < 11`.
pub(super) fn told(model: &Model, channels: &[Shown], part: &Expr, is: bool) -> String {
    let not = if is { "" } else { "is not " };
    let said = |id: ChannelId, beside: Option<f64>| named(model, channels, id, beside);
    if let Expr::Binary(operator, left, right) = part
        && let Some((sign, mirrored)) = comparison(*operator)
    {
        match (&**left, &**right) {
            (Expr::Channel(id), Expr::Number(limit)) => {
                return format!("{} {not}{sign} {limit}", said(*id, Some(*limit)));
            }
            (Expr::Number(limit), Expr::Channel(id)) => {
                return format!("{} {not}{mirrored} {limit}", said(*id, Some(*limit)));
            }
            (Expr::Channel(left), Expr::Channel(right)) => {
                return format!("{} {not}{sign} {}", said(*left, None), said(*right, None));
            }
            _ => {}
        }
    }
    let mut names = Vec::new();
    name(part, &mut names);
    let values: Vec<String> = names.into_iter().map(|id| said(id, None)).collect();
    let with = if values.is_empty() { String::new() } else { format!(" with {}", values.join(", ")) };
    format!("{} {}{with}", text(model, part), if is { "holds" } else { "does not hold" })
}

/// A comparison's sign, and the sign of the same one read from its right.
const fn comparison(operator: Operator) -> Option<(&'static str, &'static str)> {
    Some(match operator {
        Operator::Less => ("<", ">"),
        Operator::LessOrEqual => ("<=", ">="),
        Operator::Greater => (">", "<"),
        Operator::GreaterOrEqual => (">=", "<="),
        Operator::Equal => ("==", "=="),
        Operator::NotEqual => ("!=", "!="),
        _ => return None,
    })
}

/// A channel with its value. Where that is compared with `beside`, it has as many decimals as it takes to lie on its side.
pub(super) fn named(model: &Model, channels: &[Shown], id: ChannelId, beside: Option<f64>) -> String {
    let Some(channel) = model.channels.get(id.index()) else { return String::new() };
    let value = channels.get(id.index()).map(|shown| shown.value).and_then(Value::good);
    let Some(value) = value else { return channel.name.clone() };
    format!("{} {}", channel.name, with_unit(channel, value, beside))
}

fn with_unit(channel: &Channel, value: f64, beside: Option<f64>) -> String {
    let least = usize::from(channel.digits.min(6));
    let written = |digits: usize| format!("{value:.digits$}");
    let lies = |text: &String| {
        beside.is_none_or(|limit| {
            text.parse::<f64>().is_ok_and(|shown| shown.partial_cmp(&limit) == value.partial_cmp(&limit))
        })
    };
    let text = (least..=least + 3).map(written).find(lies).unwrap_or_else(|| value.to_string());
    if channel.unit == Unit::ONE { text } else { format!("{text} {}", channel.unit) }
}

fn name(tree: &Expr, names: &mut Vec<ChannelId>) {
    match tree {
        Expr::Number(_) => {}
        Expr::Channel(id) if names.contains(id) => {}
        Expr::Channel(id) => names.push(*id),
        Expr::Negate(inner) | Expr::Not(inner) | Expr::Window(_, inner, _) => name(inner, names),
        Expr::Binary(_, left, right) => [left, right].into_iter().for_each(|side| name(side, names)),
        Expr::If(parts) => parts.iter().for_each(|part| name(part, names)),
        Expr::Call(_, arguments) => arguments.iter().for_each(|argument| name(argument, names)),
    }
}

/// `tree` as it could stand in a config, with brackets around whatever is joined.
fn text(model: &Model, tree: &Expr) -> String {
    let inner = |tree: &Expr| match tree {
        Expr::Binary(..) | Expr::Not(_) => format!("({})", text(model, tree)),
        _ => text(model, tree),
    };
    let list = |parts: &[Expr]| parts.iter().map(|part| text(model, part)).collect::<Vec<_>>().join(", ");
    match tree {
        Expr::Number(number) => number.to_string(),
        Expr::Channel(id) => model.channels.get(id.index()).map_or_else(String::new, |channel| channel.name.clone()),
        Expr::Negate(of) => format!("-{}", inner(of)),
        Expr::Not(of) => format!("not {}", inner(of)),
        Expr::Binary(operator, left, right) => format!("{} {} {}", inner(left), sign(*operator), inner(right)),
        Expr::If(parts) => format!("if({})", list(&**parts)),
        Expr::Call(function, arguments) => format!("{}({})", function_name(*function), list(arguments)),
        Expr::Window(window, of, span) => {
            let window = if *window == Window::Rate { "rate" } else { "mean" };
            format!("{window}({}, {})", text(model, of), secs_from_micros(*span))
        }
    }
}

const fn sign(operator: Operator) -> &'static str {
    match operator {
        Operator::Add => "+",
        Operator::Subtract => "-",
        Operator::Multiply => "*",
        Operator::Divide => "/",
        Operator::Power => "^",
        Operator::And => "and",
        Operator::Or => "or",
        _ => match comparison(operator) {
            Some((sign, _)) => sign,
            None => "",
        },
    }
}

const fn function_name(function: Function) -> &'static str {
    match function {
        Function::Min => "min",
        Function::Max => "max",
        Function::Abs => "abs",
        Function::Sqrt => "sqrt",
        Function::Exp => "exp",
        Function::Ln => "ln",
    }
}
