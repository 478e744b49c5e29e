//! Numbers as one reads them on paper.

/// `number` with so many significant digits, with no power of ten between a millionth and a billion, and no zeros
/// behind the point that say nothing.
///
/// ```
/// use kickpanel::curve::brief;
/// assert_eq!(brief(1234.56, 3), "1235");
/// assert_eq!(brief(0.012_345, 3), "0.0123");
/// assert_eq!(brief(-2.0, 4), "-2");
/// ```
pub fn brief(number: f64, digits: i32) -> String {
    let size = number.abs();
    if !number.is_finite() {
        return "-".to_owned();
    }
    if size != 0.0 && !(1e-6..1e9).contains(&size) {
        let digits = usize::try_from(digits - 1).unwrap_or(0);
        return format!("{number:.digits$e}");
    }
    let decimals = usize::try_from(digits - 1 - magnitude(size)).unwrap_or(0).min(9);
    let text = format!("{number:.decimals$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    // A number that rounds to nothing has no sign.
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// The power of ten of the first digit.
#[expect(clippy::cast_possible_truncation, reason = "a double has powers of ten up to 308")]
fn magnitude(size: f64) -> i32 {
    if size == 0.0 { 0 } else { size.log10().floor() as i32 }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case::nothing(0.0, "0")]
    #[case::minus_nothing(-0.0, "0")]
    #[case::rounds_up(9.9996, "10")]
    #[case::tiny(1.5e-9, "1.500e-9")]
    #[case::huge(2.5e12, "2.500e12")]
    #[case::none(f64::NAN, "-")]
    #[case::many(123_456.0, "123456")]
    fn four_digits_are_enough(#[case] number: f64, #[case] text: &str) {
        assert_eq!(brief(number, 4), text);
    }
}
