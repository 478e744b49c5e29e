//! The grammar of formulas, as a Pratt parser: each operator has a strength, and the stronger one takes its operands first.
//!
//! From weak to strong: `or`, `and`, `not`, comparisons (which do not chain), `+ -`, `* /`, the minus sign, `^` (from right
//! to left, so `-2^2` is −4 and `2^-1` is 0.5).

use std::ops::Range;

use super::super::model::{ChannelId, Expr, Function, Operator, Window};
use super::lexer::{Lexer, Token};
use super::{DEEPEST, Fault, WORDS};
use crate::config::nearest::nearest;
use crate::time::{Micros, SECOND, micros_from_secs};

/// Strength of `not`: what it takes to its right binds stronger than `and`.
const NOT: u8 = 5;
/// Strength of the comparisons.
const COMPARE: u8 = 6;
/// Strength of the minus sign: between `*` and `^`.
const MINUS: u8 = 12;
/// Longest window of time.
const LONGEST_WINDOW: Micros = 600 * SECOND;
/// More arguments than this is not a formula that anyone wrote.
const MOST_ARGUMENTS: usize = 32;

/// A part of the tree with what must be known of it.
struct Node {
    tree: Expr,
    depth: usize,
    span: Range<usize>,
}

pub(super) struct Parser<'t> {
    lexer: Lexer<'t>,
    find: &'t dyn Fn(&str) -> Option<ChannelId>,
    token: Token<'t>,
    place: Range<usize>,
    level: usize,
    terms: Vec<ChannelId>,
    faults: Vec<Fault>,
}

impl<'t> Parser<'t> {
    pub fn new(text: &'t str, find: &'t dyn Fn(&str) -> Option<ChannelId>) -> Self {
        let lexer = Lexer::new(text);
        Self { lexer, find, token: Token::End, place: 0..0, level: 0, terms: Vec::new(), faults: Vec::new() }
    }

    /// The tree and the channels it names.
    pub fn run(mut self) -> Result<(Expr, Vec<ChannelId>), Vec<Fault>> {
        match self.whole() {
            Ok(node) if self.faults.is_empty() => Ok((node.tree, self.terms)),
            Ok(_) => Err(self.faults),
            Err(fault) => {
                self.faults.push(fault);
                Err(self.faults)
            }
        }
    }

    fn whole(&mut self) -> Result<Node, Fault> {
        self.advance()?;
        if self.token == Token::End {
            return Err(self.fault("the formula is empty", "for example \"rpm > 600\""));
        }
        let node = self.expression(0)?;
        match self.token {
            Token::End => Ok(node),
            Token::Sign(")") => Err(self.fault("this bracket closes nothing", "take it out, or open one before it")),
            Token::Sign(",") => Err(self.fault("a comma has no place here", "numbers have a point: 0.5")),
            _ => Err(self.fault("an operator is missing before this", "for example + - * / < > and or")),
        }
    }

    fn advance(&mut self) -> Result<(), Fault> {
        (self.token, self.place) = self.lexer.next()?;
        Ok(())
    }

    fn fault(&self, what: &str, remedy: &str) -> Fault {
        Fault::new(self.place.clone(), what, remedy)
    }

    /// Everything whose operators are at least `least` strong.
    fn expression(&mut self, least: u8) -> Result<Node, Fault> {
        self.level += 1;
        if self.level > DEEPEST + 1 {
            return Err(too_deep(self.place.clone()));
        }
        let mut left = self.operand(least)?;
        let mut compared = false;
        while let Some((operator, strength, right_strength)) = infix(self.token) {
            if strength < least {
                break;
            }
            if strength == COMPARE && std::mem::replace(&mut compared, true) {
                return Err(self.fault("comparisons do not chain", "write `a < b and b < c`"));
            }
            self.advance()?;
            let right = self.expression(right_strength)?;
            let span = left.span.start..right.span.end;
            let depth = left.depth.max(right.depth);
            left = node(Expr::Binary(operator, Box::new(left.tree), Box::new(right.tree)), depth, span)?;
        }
        self.level -= 1;
        Ok(left)
    }

    /// A number, channel, call, bracket, or one of them behind a minus sign or `not`.
    fn operand(&mut self, least: u8) -> Result<Node, Fault> {
        let (token, place) = (self.token, self.place.clone());
        match token {
            Token::Number(number) => {
                self.advance()?;
                self.no_unit_behind()?;
                node(Expr::Number(number), 0, place)
            }
            Token::Name("not") if least > NOT => Err(self.fault("`not` needs brackets here", "write `(not …)`")),
            Token::Name("not") => self.prefixed(NOT, Expr::Not),
            Token::Name(word @ ("and" | "or")) => {
                Err(self.fault(&format!("`{word}` needs something before it"), "for example `a > 1 and b > 2`"))
            }
            Token::Name(name) => self.name(name, place),
            Token::Sign("-") => self.prefixed(MINUS, Expr::Negate),
            Token::Sign("(") => self.bracket(),
            Token::Sign(sign) => {
                Err(self.fault(&format!("`{sign}` has nothing before it"), "a number, a channel or a bracket"))
            }
            Token::End => Err(self.fault("the formula ends too early", "a number or a channel is missing")),
        }
    }

    fn prefixed(&mut self, strength: u8, make: fn(Box<Expr>) -> Expr) -> Result<Node, Fault> {
        let start = self.place.start;
        self.advance()?;
        let inner = self.expression(strength)?;
        node(make(Box::new(inner.tree)), inner.depth, start..inner.span.end)
    }

    fn bracket(&mut self) -> Result<Node, Fault> {
        let start = self.place.start;
        self.advance()?;
        let inner = self.expression(0)?;
        let end = self.close(start)?;
        Ok(Node { span: start..end, ..inner })
    }

    /// Takes the closing bracket of the one at `open`; gives the place behind it.
    fn close(&mut self, open: usize) -> Result<usize, Fault> {
        if self.token != Token::Sign(")") {
            return Err(Fault::new(open..open + 1, "this bracket is never closed", "a `)` is missing"));
        }
        let end = self.place.end;
        self.advance()?;
        Ok(end)
    }

    /// `5 bar` is a mistake that is easily made: the rest of the config has units.
    fn no_unit_behind(&self) -> Result<(), Fault> {
        match self.token {
            Token::Name(name) if !matches!(name, "and" | "or" | "not") => {
                Err(self.fault("numbers have no unit in a formula", "each channel counts in its own unit"))
            }
            _ => Ok(()),
        }
    }

    fn name(&mut self, name: &'t str, place: Range<usize>) -> Result<Node, Fault> {
        self.advance()?;
        if self.token == Token::Sign("(") {
            return self.call(name, place);
        }
        if let Some(id) = (self.find)(name) {
            if !self.terms.contains(&id) {
                self.terms.push(id);
            }
            return node(Expr::Channel(id), 0, place);
        }
        if WORDS.contains(&name) {
            return Err(Fault::new(place, format!("`{name}` needs brackets behind it"), format!("write `{name}(…)`")));
        }
        let what = format!("there is no channel `{name}`");
        self.faults.push(Fault { unknown: Some(name.to_owned()), ..Fault::new(place.clone(), what, "") });
        // The rest is read all the same, so that all unknown names are found at once.
        node(Expr::Number(0.0), 0, place)
    }

    fn call(&mut self, name: &str, place: Range<usize>) -> Result<Node, Fault> {
        let open = self.place.start;
        let arguments = self.arguments()?;
        let span = place.start..self.close(open)?;
        let depth = arguments.iter().map(|node| node.depth).max().unwrap_or(0);
        let tree = match name {
            "if" => choice(arguments, &span)?,
            "rate" => window(Window::Rate, arguments, &span)?,
            "mean" => window(Window::Mean, arguments, &span)?,
            _ => plain(name, arguments, place, &span)?,
        };
        node(tree, depth, span)
    }

    fn arguments(&mut self) -> Result<Vec<Node>, Fault> {
        self.advance()?;
        let mut arguments = Vec::new();
        if self.token == Token::Sign(")") {
            return Ok(arguments);
        }
        loop {
            arguments.push(self.expression(0)?);
            if arguments.len() > MOST_ARGUMENTS {
                return Err(self.fault("too many values in these brackets", "at most 32"));
            }
            if self.token != Token::Sign(",") {
                return Ok(arguments);
            }
            self.advance()?;
        }
    }
}

/// A node above others of `depth`.
fn node(tree: Expr, depth: usize, span: Range<usize>) -> Result<Node, Fault> {
    if depth + 1 > DEEPEST {
        return Err(too_deep(span));
    }
    Ok(Node { tree, depth: depth + 1, span })
}

fn too_deep(span: Range<usize>) -> Fault {
    let remedy = format!("at most {DEEPEST} deep; make channels of its parts");
    Fault::new(span, "the formula is nested too deeply", remedy)
}

fn choice(arguments: Vec<Node>, span: &Range<usize>) -> Result<Expr, Fault> {
    let trees: Vec<Expr> = arguments.into_iter().map(|node| node.tree).collect();
    let three = <[Expr; 3]>::try_from(trees);
    three
        .map(|three| Expr::If(Box::new(three)))
        .map_err(|_| Fault::new(span.clone(), "`if` needs three values", "write `if(condition, then, else)`"))
}

fn plain(name: &str, arguments: Vec<Node>, place: Range<usize>, span: &Range<usize>) -> Result<Expr, Fault> {
    let (function, most) = match name {
        "min" => (Function::Min, MOST_ARGUMENTS),
        "max" => (Function::Max, MOST_ARGUMENTS),
        "abs" => (Function::Abs, 1),
        "sqrt" => (Function::Sqrt, 1),
        "exp" => (Function::Exp, 1),
        "ln" => (Function::Ln, 1),
        _ => return Err(unknown_function(name, place)),
    };
    let least = if most == 1 { 1 } else { 2 };
    if !(least..=most).contains(&arguments.len()) {
        let (wanted, example) = if most == 1 { ("one value", "x") } else { ("two values or more", "a, b") };
        let what = format!("`{name}` needs {wanted}");
        return Err(Fault::new(span.clone(), what, format!("write `{name}({example})`")));
    }
    Ok(Expr::Call(function, arguments.into_iter().map(|node| node.tree).collect()))
}

fn unknown_function(name: &str, place: Range<usize>) -> Fault {
    let known = ["abs", "exp", "if", "ln", "max", "mean", "min", "rate", "sqrt"];
    let remedy = nearest(name, known).map_or_else(
        || "there are if, min, max, abs, sqrt, exp, ln, rate, mean".to_owned(),
        |best| format!("did you mean `{best}`?"),
    );
    Fault::new(place, format!("there is no function `{name}`"), remedy)
}

/// `rate(x)`, `rate(x, 3)`, `mean(x, 2)`: the window is a plain number of seconds, so that it is known beforehand.
fn window(kind: Window, mut arguments: Vec<Node>, span: &Range<usize>) -> Result<Expr, Fault> {
    let (name, example) = match kind {
        Window::Rate => ("rate", "rate(oil) or rate(oil, 3)"),
        Window::Mean => ("mean", "mean(oil, 2)"),
    };
    let least = if kind == Window::Rate { 1 } else { 2 };
    if !(least..=2).contains(&arguments.len()) {
        let what = format!("`{name}` needs a value and its seconds");
        return Err(Fault::new(span.clone(), what, format!("write {example}")));
    }
    let length = if arguments.len() == 2 { arguments.pop() } else { None };
    let length = length.map_or(Ok(SECOND), |node| window_length(&node))?;
    let inner = arguments.pop().map_or(Expr::Number(0.0), |node| node.tree);
    Ok(Expr::Window(kind, Box::new(inner), length))
}

fn window_length(node: &Node) -> Result<Micros, Fault> {
    let Expr::Number(seconds) = node.tree else {
        return Err(Fault::new(node.span.clone(), "the window needs a plain number of seconds", "for example 3"));
    };
    let length = micros_from_secs(seconds);
    if !(1_000..=LONGEST_WINDOW).contains(&length) {
        return Err(Fault::new(node.span.clone(), "the window is out of range", "0.001 to 600 seconds"));
    }
    Ok(length)
}

/// An operator between two operands, its strength, and how strong what is right of it must be.
fn infix(token: Token<'_>) -> Option<(Operator, u8, u8)> {
    let (operator, strength, right) = match token {
        Token::Name("or") => (Operator::Or, 1, 2),
        Token::Name("and") => (Operator::And, 3, 4),
        Token::Sign("<") => (Operator::Less, COMPARE, 7),
        Token::Sign("<=") => (Operator::LessOrEqual, COMPARE, 7),
        Token::Sign(">") => (Operator::Greater, COMPARE, 7),
        Token::Sign(">=") => (Operator::GreaterOrEqual, COMPARE, 7),
        Token::Sign("==") => (Operator::Equal, COMPARE, 7),
        Token::Sign("!=") => (Operator::NotEqual, COMPARE, 7),
        Token::Sign("+") => (Operator::Add, 8, 9),
        Token::Sign("-") => (Operator::Subtract, 8, 9),
        Token::Sign("*") => (Operator::Multiply, 10, 11),
        Token::Sign("/") => (Operator::Divide, 10, 11),
        Token::Sign("^") => (Operator::Power, 14, 13),
        _ => return None,
    };
    Some((operator, strength, right))
}
