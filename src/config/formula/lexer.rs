//! The words of a formula: numbers, names and signs, each with its place.

use std::ops::Range;

use super::Fault;

/// One word of a formula.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Token<'t> {
    /// A finite number.
    Number(f64),
    /// A name or a word such as `and`.
    Name(&'t str),
    /// An operator, bracket or comma.
    Sign(&'static str),
    /// The end of the text.
    End,
}

/// Longer signs first, so that `<=` is not read as `<`.
const SIGNS: [&str; 16] = ["<=", ">=", "==", "!=", "<", ">", "+", "-", "*", "/", "^", "(", ")", ",", "=", "%"];

/// Signs that other notations have, and what to write instead.
const FOREIGN: [(&str, &str); 8] = [
    ("&&", "write `and`"),
    ("||", "write `or`"),
    ("!", "write `not`"),
    ("&", "write `and`"),
    ("|", "write `or`"),
    ("≤", "write `<=`"),
    ("≥", "write `>=`"),
    ("≠", "write `!=`"),
];

/// Gives one word after the other.
#[derive(Debug)]
pub(super) struct Lexer<'t> {
    text: &'t str,
    at: usize,
}

impl<'t> Lexer<'t> {
    pub fn new(text: &'t str) -> Self {
        Self { text, at: 0 }
    }

    /// The next word with its place.
    pub fn next(&mut self) -> Result<(Token<'t>, Range<usize>), Fault> {
        let rest = self.text[self.at..].trim_start();
        let start = self.text.len() - rest.len();
        let Some(first) = rest.chars().next() else {
            self.at = self.text.len();
            return Ok((Token::End, self.at..self.at));
        };
        let (token, length) = if first.is_ascii_digit() || first == '.' {
            let length = number_length(rest);
            (Token::Number(number(&rest[..length], start)?), length)
        } else if first.is_alphabetic() || first == '_' {
            let length = rest.find(|c: char| !(c.is_alphanumeric() || c == '_')).unwrap_or(rest.len());
            (Token::Name(&rest[..length]), length)
        } else if let Some(sign) = SIGNS.iter().find(|sign| rest.starts_with(**sign)) {
            (sign_token(sign, start)?, sign.len())
        } else {
            return Err(foreign(rest, first, start));
        };
        self.at = start + length;
        Ok((token, start..self.at))
    }
}

fn sign_token(sign: &'static str, start: usize) -> Result<Token<'static>, Fault> {
    let place = start..start + sign.len();
    match sign {
        "=" => Err(Fault::new(place, "`=` does not compare", "write `==`")),
        "%" => Err(Fault::new(place, "numbers have no unit in a formula", "each channel counts in its own unit")),
        sign => Ok(Token::Sign(sign)),
    }
}

fn foreign(rest: &str, first: char, start: usize) -> Fault {
    let known = FOREIGN.iter().find(|(sign, _)| rest.starts_with(sign));
    let length = known.map_or(first.len_utf8(), |(sign, _)| sign.len());
    let remedy = known.map_or("there are + - * / ^ ( ) < <= > >= == !=, and, or, not", |(_, remedy)| remedy);
    Fault::new(start..start + length, format!("`{}` means nothing in a formula", &rest[..length]), remedy)
}

/// How many bytes at the beginning of `text` belong to one number: digits, a point, an exponent.
fn number_length(text: &str) -> usize {
    let bytes = text.as_bytes();
    let digits = |from: usize| from + bytes[from..].iter().take_while(|b| b.is_ascii_digit()).count();
    let mut end = digits(0);
    if bytes.get(end) == Some(&b'.') {
        end = digits(end + 1);
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
        let behind = digits((end + 1 + sign).min(bytes.len()));
        if behind > end + 1 + sign {
            end = behind;
        }
    }
    end
}

fn number(text: &str, start: usize) -> Result<f64, Fault> {
    let place = start..start + text.len();
    let number: f64 =
        text.parse().map_err(|_| Fault::new(place.clone(), "this is no number", "for example 0.5 or 1200"))?;
    if number.abs() > 1e15 {
        return Err(Fault::new(place, "this number is out of range", "at most 1e15"));
    }
    Ok(number)
}
