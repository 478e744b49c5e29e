//! Whether the computer's time of day is to be believed.
//!
//! A computer behind a dash often has no battery clock: it starts at some time of its own until it hears a better one. In: what
//! it says. Out: whether that can be. Asks for no time itself.

/// The day of this release, 2026-11-25, in seconds of Unix time: an earlier time of day is none.
const RELEASED: i64 = 1_795_564_800;
/// Twenty years: a time of day later than that after the release is none either.
const LIFETIME: i64 = 20 * 31_556_952;

/// Whether a time of day can be trusted: not before this program was made, nor absurdly long after.
pub fn is_trusted(wall: jiff::Timestamp) -> bool {
    (RELEASED..=RELEASED + LIFETIME).contains(&wall.as_second())
}

/// Waits for a time of day that can be trusted, where there was none at the start: the first few that a computer gets from
/// elsewhere may still be wrong.
#[derive(Clone, Copy, Debug)]
pub struct Dating {
    /// Plausible ones in a row; [`DATED_BY`]: it was told.
    seen: u8,
}

/// So many in a row are believed.
const DATED_BY: u8 = 3;

impl Dating {
    /// A drive begins, and the computer says `wall`.
    pub fn begun(wall: jiff::Timestamp) -> Self {
        Self { seen: if is_trusted(wall) { DATED_BY } else { 0 } }
    }

    /// The computer says `wall` now. True once: from here on it is to be believed.
    pub fn step(&mut self, wall: jiff::Timestamp) -> bool {
        if self.seen == DATED_BY {
            return false;
        }
        self.seen = if is_trusted(wall) { self.seen + 1 } else { 0 };
        self.seen == DATED_BY
    }
}

/// The same as the heads have it.
pub(super) fn clock_word(wall: Option<jiff::Timestamp>) -> &'static str {
    if wall.is_some_and(is_trusted) { "set" } else { "unset" }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case::no_clock(None, "unset")]
    #[case::nineteen_seventy(Some("1970-01-01T00:00:10Z"), "unset")]
    #[case::second_before_release(Some("2026-11-24T23:59:59Z"), "unset")]
    #[case::release(Some("2026-11-25T00:00:00Z"), "set")]
    #[case::second_after_release(Some("2026-11-25T00:00:01Z"), "set")]
    #[case::leap_day(Some("2028-02-29T12:00:00Z"), "set")]
    #[case::leap_second(Some("2027-12-31T23:59:60Z"), "set")]
    #[case::end_of_thirty_one_bits(Some("2038-01-19T03:14:08Z"), "set")]
    #[case::receiver_a_rollover_back(Some("2007-04-11T00:00:00Z"), "unset")]
    #[case::receiver_a_rollover_on(Some("2046-07-11T00:00:00Z"), "set")]
    #[case::receiver_two_rollovers_on(Some("2066-02-24T00:00:00Z"), "unset")]
    #[case::receiver_without_a_date(Some("1980-01-06T00:00:00Z"), "unset")]
    #[case::zero_of_a_clock_chip(Some("2000-01-01T00:00:00Z"), "unset")]
    #[case::in_nineteen_years(Some("2045-11-25T00:00:00Z"), "set")]
    #[case::in_twenty_one_years(Some("2047-11-25T00:00:00Z"), "unset")]
    fn a_time_of_day_before_the_release_is_none(#[case] wall: Option<&str>, #[case] clock: &str) {
        assert_eq!(clock_word(wall.and_then(|wall| wall.parse().ok())), clock);
    }

    #[test]
    fn a_time_of_day_that_shows_up_while_driving_must_be_plausible_three_times_in_a_row() {
        let (good, bad) = ("2027-03-01T08:00:00Z".parse().unwrap(), "1970-01-01T00:01:00Z".parse().unwrap());
        let mut dating = Dating::begun(bad);
        let told: Vec<bool> = [good, good, bad, good, good, good, good, bad, good].map(|wall| dating.step(wall)).into();
        assert_eq!(told, [false, false, false, false, false, true, false, false, false]);
        // One that was there from the beginning is in the head already.
        let mut dating = Dating::begun(good);
        assert!((0..5).all(|_| !dating.step(good)));
    }
}
