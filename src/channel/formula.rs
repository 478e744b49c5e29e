//! Formulas and conditions at work: a postfix program over channels, with the windows that it needs.
//!
//! Owns the program that a formula's tree becomes and the samples of its windows. Allocates only while being made and
//! while a window fills for the first time. No parsing, no clock.

use super::window::Samples;
use super::{Touch, Value};
use crate::config::{ChannelId, Expr, Formula, Function, Operator};
use crate::state::Shown;
use crate::time::Micros;

/// All channels at one instant, and what just happened to them.
#[derive(Clone, Copy, Debug)]
pub struct Moment<'a> {
    /// The time of exports, µs.
    pub at: Micros,
    /// A line came; else time merely passed, which shows but is not remembered.
    pub line: bool,
    /// Channels, by `ChannelId`.
    pub channels: &'a [Shown],
    /// What just happened to each.
    pub touched: &'a [Touch],
}

/// A condition at work: true, false, or not known.
#[derive(Clone, Debug)]
pub struct Condition {
    evaluator: Evaluator,
}

impl Condition {
    /// A condition that has seen nothing yet.
    pub fn new(formula: &Formula) -> Self {
        Self { evaluator: Evaluator::new(formula) }
    }

    /// Whether it must be stepped with every moment, because it looks back in time.
    pub fn looks_back(&self) -> bool {
        self.evaluator.looks_back()
    }

    /// True or false at `moment`; `None` where a term cannot be trusted or the result is not finite.
    pub fn step(&mut self, moment: &Moment<'_>) -> Option<bool> {
        self.evaluator.step(moment).good().map(is_true)
    }
}

/// A formula at work.
#[derive(Clone, Debug)]
pub(super) struct Evaluator {
    /// In such an order that a window comes after those inside it.
    windows: Vec<Looking>,
    steps: Vec<Step>,
    stack: Vec<f64>,
}

#[derive(Clone, Debug)]
struct Looking {
    steps: Vec<Step>,
    channels: Vec<ChannelId>,
    samples: Samples,
    value: Value,
}

#[derive(Clone, Copy, Debug)]
enum Step {
    Number(f64),
    Channel(ChannelId),
    Window(usize),
    Negate,
    Not,
    Binary(Operator),
    /// The same with what most often stands on the right of one.
    WithNumber(Operator, f64),
    WithChannel(Operator, ChannelId),
    If,
    Call(Function, usize),
}

impl Evaluator {
    /// The program of `formula`.
    pub fn new(formula: &Formula) -> Self {
        let mut windows = Vec::new();
        let mut steps = Vec::new();
        compile(&formula.tree, &mut steps, &mut windows);
        let deepest = windows.iter().map(|window| window.steps.len()).max().unwrap_or(0).max(steps.len());
        Self { windows, steps, stack: Vec::with_capacity(deepest) }
    }

    /// Whether any window is in it.
    pub fn looks_back(&self) -> bool {
        !self.windows.is_empty()
    }

    /// Takes `moment` into the windows and gives the value there.
    #[inline]
    pub fn step(&mut self, moment: &Moment<'_>) -> Value {
        // What most formulas and conditions are needs no program.
        match self.steps[..] {
            [Step::Channel(left), Step::WithNumber(operator, right)] => {
                pair(left, operator, Value::ok(right), moment.channels)
            }
            [Step::Channel(left), Step::WithChannel(operator, right)] => {
                pair(left, operator, moment.channels[right.index()].value, moment.channels)
            }
            _ => self.run(moment),
        }
    }

    #[inline(never)]
    fn run(&mut self, moment: &Moment<'_>) -> Value {
        for index in 0..self.windows.len() {
            let (inner, rest) = self.windows.split_at_mut(index);
            if let Some(window) = rest.first_mut() {
                let term = run(&window.steps, moment.channels, inner, &mut self.stack);
                window.step(term, moment);
            }
        }
        run(&self.steps, moment.channels, &self.windows, &mut self.stack)
    }
}

impl Looking {
    fn step(&mut self, term: Value, moment: &Moment<'_>) {
        let Some(number) = term.good() else {
            if moment.line {
                self.samples.clear();
            }
            self.value = term;
            return;
        };
        if moment.line {
            let touch = self.channels.iter().fold(Touch::NONE, |touch, id| touch | moment.touched[id.index()]);
            if touch.parts() {
                self.samples.clear();
            }
            if touch.is_read() {
                self.samples.push(moment.at, number);
            }
            self.samples.expire(moment.at);
        }
        self.value = self.samples.value();
    }
}

fn compile(tree: &Expr, steps: &mut Vec<Step>, windows: &mut Vec<Looking>) {
    match tree {
        Expr::Number(number) => steps.push(Step::Number(*number)),
        Expr::Channel(id) => steps.push(Step::Channel(*id)),
        Expr::Negate(inner) => {
            compile(inner, steps, windows);
            steps.push(Step::Negate);
        }
        Expr::Not(inner) => {
            compile(inner, steps, windows);
            steps.push(Step::Not);
        }
        Expr::Binary(operator, left, right) => {
            compile(left, steps, windows);
            match **right {
                Expr::Number(number) => steps.push(Step::WithNumber(*operator, number)),
                Expr::Channel(id) => steps.push(Step::WithChannel(*operator, id)),
                _ => {
                    compile(right, steps, windows);
                    steps.push(Step::Binary(*operator));
                }
            }
        }
        Expr::If(parts) => {
            for part in parts.iter() {
                compile(part, steps, windows);
            }
            steps.push(Step::If);
        }
        Expr::Call(function, arguments) => {
            for argument in arguments {
                compile(argument, steps, windows);
            }
            steps.push(Step::Call(*function, arguments.len()));
        }
        Expr::Window(function, inner, span) => {
            let mut own = Vec::new();
            compile(inner, &mut own, windows);
            let mut channels = Vec::new();
            name_channels(inner, &mut channels);
            let samples = Samples::new(*function, *span);
            windows.push(Looking { steps: own, channels, samples, value: Value::MISSING });
            steps.push(Step::Window(windows.len() - 1));
        }
    }
}

fn name_channels(tree: &Expr, channels: &mut Vec<ChannelId>) {
    match tree {
        Expr::Number(_) => {}
        Expr::Channel(id) => channels.push(*id),
        Expr::Negate(inner) | Expr::Not(inner) | Expr::Window(_, inner, _) => name_channels(inner, channels),
        Expr::Binary(_, left, right) => {
            name_channels(left, channels);
            name_channels(right, channels);
        }
        Expr::If(parts) => parts.iter().for_each(|part| name_channels(part, channels)),
        Expr::Call(_, arguments) => arguments.iter().for_each(|argument| name_channels(argument, channels)),
    }
}

/// A channel with something beside it, as [`run`] would work it out.
#[inline]
fn pair(left: ChannelId, operator: Operator, right: Value, channels: &[Shown]) -> Value {
    let left = channels[left.index()].value;
    match (left.good(), right.good()) {
        (Some(first), Some(second)) => Value::ok(binary(operator, first, second)),
        (None, _) => left,
        _ => right,
    }
}

/// Runs through all of the program, so that the first untrusted term in the order of the text is the one that shows,
/// whichever branch would have been taken. The newest result is kept beside the stack.
fn run(steps: &[Step], channels: &[Shown], windows: &[Looking], stack: &mut Vec<f64>) -> Value {
    stack.clear();
    let mut top = f64::NAN;
    for step in steps {
        top = match *step {
            Step::WithNumber(operator, number) => binary(operator, top, number),
            Step::WithChannel(operator, id) => match channels[id.index()].value {
                value if value.good().is_none() => return value,
                value => binary(operator, top, value.good().unwrap_or(f64::NAN)),
            },
            Step::Binary(operator) => binary(operator, pop(stack), top),
            Step::Negate => -top,
            Step::Not => truth_of(top, |truth| !truth),
            Step::If => {
                let (then, condition) = (pop(stack), pop(stack));
                if condition.is_nan() {
                    condition
                } else if is_true(condition) {
                    then
                } else {
                    top
                }
            }
            Step::Call(function, arguments) => {
                stack.push(top);
                let first = stack.len().saturating_sub(arguments);
                let result = call(function, &stack[first..]);
                stack.truncate(first);
                result
            }
            Step::Number(number) => beside(top, number, stack),
            Step::Channel(id) => match channels[id.index()].value {
                value if value.good().is_none() => return value,
                value => beside(top, value.good().unwrap_or(f64::NAN), stack),
            },
            Step::Window(index) => match windows[index].value.good() {
                None => return windows[index].value,
                Some(number) => beside(top, number, stack),
            },
        };
    }
    Value::ok(top)
}

/// A new result beside `top`, which goes onto the stack.
fn beside(top: f64, new: f64, stack: &mut Vec<f64>) -> f64 {
    stack.push(top);
    new
}

/// The compiler of the program never takes more than it put there; not a number would end as `beyond`.
fn pop(stack: &mut Vec<f64>) -> f64 {
    stack.pop().unwrap_or(f64::NAN)
}

fn is_true(number: f64) -> bool {
    number != 0.0
}

/// 1 or 0; what is no number stays none, so that it can never decide anything.
fn truth_of(number: f64, decide: impl Fn(bool) -> bool) -> f64 {
    if number.is_nan() { number } else { f64::from(u8::from(decide(is_true(number)))) }
}

fn binary(operator: Operator, left: f64, right: f64) -> f64 {
    match operator {
        Operator::Add => left + right,
        Operator::Subtract => left - right,
        Operator::Multiply => left * right,
        Operator::Divide => left / right,
        // The library's power of no number can be one again: NaN^0 and 1^NaN are 1.
        _ if left.is_nan() || right.is_nan() => f64::NAN,
        Operator::Power => left.powf(right),
        _ => f64::from(u8::from(decide(operator, left, right))),
    }
}

#[expect(clippy::float_cmp, reason = "that is what the formula says")]
fn decide(operator: Operator, left: f64, right: f64) -> bool {
    match operator {
        Operator::Less => left < right,
        Operator::LessOrEqual => left <= right,
        Operator::Greater => left > right,
        Operator::GreaterOrEqual => left >= right,
        Operator::Equal => left == right,
        Operator::NotEqual => left != right,
        Operator::And => is_true(left) && is_true(right),
        _ => is_true(left) || is_true(right),
    }
}

fn call(function: Function, arguments: &[f64]) -> f64 {
    let first = arguments.first().copied().unwrap_or(f64::NAN);
    match function {
        // f64::min and max pass over what is no number; a formula must not.
        Function::Min | Function::Max if arguments.iter().any(|number| number.is_nan()) => f64::NAN,
        Function::Min => arguments.iter().copied().fold(first, f64::min),
        Function::Max => arguments.iter().copied().fold(first, f64::max),
        Function::Abs => first.abs(),
        Function::Sqrt => first.sqrt(),
        Function::Exp => first.exp(),
        Function::Ln => first.ln(),
    }
}
