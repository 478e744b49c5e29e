//! Words and numbers as they stand on the screen.
//!
//! Owns the wording of trust, trouble and lengths of time, and how a number is written. Draws nothing.

use unicode_width::{UnicodeWidthChar as _, UnicodeWidthStr as _};

use crate::channel::Trust;
use crate::config::{Channel, Limit};
use crate::state::{LinkShown, LinkState, Recording, Shown, Trouble, WhyStopped};
use crate::text::safe;
use crate::time::{Micros, SECOND, Stamp};
use crate::wire::Reject;

/// What stands in the place of a channel's value.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Said {
    /// A trusted number, or the word of a switch.
    Value(String),
    /// Why there is none: all of it, and in one short word.
    Doubt(String, &'static str),
}

/// What is said of `shown` at `now`.
pub fn said(channel: &Channel, shown: &Shown, now: Stamp) -> Said {
    match shown.smooth.good() {
        Some(value) => Said::Value(value_text(channel, value)),
        None => Said::Doubt(doubt(shown, now), short_doubt(shown.smooth.trust())),
    }
}

/// `value` as the channel writes it: the word of a switch, or the number with its decimals.
pub fn value_text(channel: &Channel, value: f64) -> String {
    match &channel.words {
        Some(words) => words[usize::from(value != 0.0)].clone(),
        None => number(value, channel.digits),
    }
}

/// A number with `digits` decimals, in at most nine columns; where that is not enough, as a power of ten.
pub fn number(value: f64, digits: u8) -> String {
    let text = format!("{value:.*}", usize::from(digits.min(6)));
    if text.len() > 9 {
        return format!("{value:.1e}");
    }
    // A tiny negative value must not flicker between 0 and -0.
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|byte| matches!(byte, b'0' | b'.')) => rest.to_owned(),
        _ => text,
    }
}

/// The words of an untrusted value, with its age where it is stale.
fn doubt(shown: &Shown, now: Stamp) -> String {
    let trust = shown.smooth.trust();
    match (trust, shown.heard) {
        (Trust::Stale, Some(heard)) => format!("stale {}", age(now.since(heard))),
        _ => trust.words().to_owned(),
    }
}

/// At most six columns, for places that are too narrow for the words.
fn short_doubt(trust: Trust) -> &'static str {
    match trust {
        Trust::Ok => "ok",
        Trust::Missing => "none",
        Trust::Stale => "stale",
        Trust::Supply => "supply",
        Trust::Ground => "ground",
        Trust::Open => "open",
        Trust::ShortLow | Trust::ShortHigh => "short",
        Trust::Beyond => "range",
        Trust::Leaping => "leaps",
        Trust::Stuck => "stuck",
    }
}

/// A length of time in one unit, rounded down: `4 s`, `12 min`, `3 h`.
pub fn age(span: Micros) -> String {
    let seconds = span.max(0) / SECOND;
    match seconds {
        0..120 => format!("{seconds} s"),
        120..7200 => format!("{} min", seconds / 60),
        _ => format!("{} h", seconds / 3600),
    }
}

/// A length of time that is exact, for a scale: `90 s`, `2.5 min`, `3 h`.
pub fn length(span: Micros) -> String {
    let seconds = span.max(0) / SECOND;
    match seconds {
        120..7200 => format!("{} min", number(seconds as f64 / 60.0, u8::from(seconds % 60 != 0))),
        _ => age(span),
    }
}

/// A place in a recording: `12:34.5`, with hours only where there are any.
pub fn position(at: Micros) -> String {
    let tenths = at.max(0) / (SECOND / 10);
    let (hours, minutes, seconds, tenth) = (tenths / 36_000, tenths / 600 % 60, tenths / 10 % 60, tenths % 10);
    if hours > 0 {
        format!("{hours}:{minutes:02}:{seconds:02}.{tenth}")
    } else {
        format!("{minutes}:{seconds:02}.{tenth}")
    }
}

/// A limit in words, without its unit: `below 0.8`.
pub fn limit(limit: Limit, digits: u8) -> String {
    match limit {
        Limit::Below(at) => format!("below {}", limit_number(at, digits)),
        Limit::Above(at) => format!("above {}", limit_number(at, digits)),
    }
}

/// A limit may be finer than what the channel shows; it is never rounded away from what was written.
fn limit_number(at: f64, digits: u8) -> String {
    let shown = number(at, digits);
    if shown.parse::<f64>().is_ok_and(|back| back.to_bits() == at.to_bits()) { shown } else { format!("{at}") }
}

/// What to look at where every line of a link is refused.
pub const fn only_bad(why: Reject) -> &'static str {
    match why {
        Reject::TooLong => "no line ends: is `baud` that of the sketch?",
        Reject::NotUtf8 => "every line is noise: is `baud` that of the sketch?",
        Reject::Malformed => "every line is of another form: is `form` right?",
        Reject::Checksum => "every checksum is wrong: cable, noise, `baud`?",
        Reject::ChecksumMissing => "no line has a checksum, and each must have one",
        Reject::ColumnCount => "every line has more or fewer columns than `names`",
        Reject::UnknownSentence => "no sentence that is read: RMC, GGA, VTG are",
        Reject::FieldMissing => "every line lacks its clock `t`",
        Reject::Duplicate => "in every line a name stands twice",
        Reject::WrongType | Reject::OutOfRange => "every line has a field that cannot be so",
    }
}

/// What a link is called, and the path or pattern of its port.
#[derive(Clone, Copy, Debug)]
pub struct Port<'a> {
    /// The link's name.
    pub link: &'a str,
    /// Its device; may be empty.
    pub device: &'a str,
}

/// That there is no such port, and which: whole where there is room, else its end, which tells it from others.
fn no_such_port(Port { link, device }: Port<'_>, width: u16) -> String {
    let short = format!("{link}: no such port");
    let whole = format!("{short}: is the cable in?");
    let device = safe(device);
    let (width, long) = (usize::from(width), device.width());
    let room = width.saturating_sub(short.width() + 2);
    match long {
        0 => whole,
        _ if whole.width() + 1 + long <= width => format!("{whole} {device}"),
        _ if long <= room => format!("{short}: {device}"),
        _ if room < DEVICE_LEAST => whole,
        _ => format!("{short}: {}", end_of(&device, room)),
    }
}

/// Less than this of a port's name says nothing.
const DEVICE_LEAST: usize = 6;

/// The end of `text` in `room` columns, behind a mark that something is left out.
fn end_of(text: &str, room: usize) -> String {
    let mut left = room.saturating_sub(1);
    let fits = |c: &char| {
        let takes = c.width().unwrap_or(0);
        let fits = takes <= left;
        left = left.saturating_sub(takes);
        fits
    };
    let end: Vec<char> = text.chars().rev().take_while(fits).collect();
    std::iter::once('…').chain(end.into_iter().rev()).collect()
}

/// What is wrong with a link, in a sentence that says what to do; `None` where all is well.
///
/// A port that is not there is named in what a line of `width` columns leaves.
pub fn link_trouble(port: Port<'_>, link: &LinkShown, now: Stamp, width: u16) -> Option<String> {
    let name = port.link;
    let what = match (link.state, link.trouble) {
        (LinkState::Up, _) => only_bad(link.only_bad?).to_owned(),
        (LinkState::Silent, _) => {
            let since = age(now.since(link.since));
            return Some(format!("{name}: port open, nothing heard for {since}: controller, cable, baud?"));
        }
        (LinkState::Down, None) => "not open yet".to_owned(),
        (LinkState::Down, Some(Trouble::NoDevice)) => return Some(no_such_port(port, width)),
        (LinkState::Down, Some(Trouble::NoRights)) => "no right to open the port: add the user to its group".to_owned(),
        (LinkState::Down, Some(Trouble::Busy)) => "another program holds the port: end it".to_owned(),
        (LinkState::Down, Some(Trouble::NotAPort)) => "what is there is no serial port".to_owned(),
        (LinkState::Down, Some(Trouble::Unplugged)) => {
            format!("unplugged {} ago: waiting for it", age(now.since(link.since)))
        }
        (LinkState::Down, Some(Trouble::Failed(code))) => {
            format!("the port failed (system error {code}): trying again")
        }
    };
    Some(format!("{name}: {what}"))
}

/// The same in a word, for the status line.
pub const fn link_word(link: &LinkShown) -> &'static str {
    match (link.state, link.trouble) {
        (LinkState::Up, _) => "up",
        (LinkState::Silent, _) => "silent",
        (LinkState::Down, Some(Trouble::NoDevice)) => "not there",
        (LinkState::Down, Some(Trouble::NoRights)) => "no rights",
        (LinkState::Down, Some(Trouble::Busy)) => "busy",
        (LinkState::Down, Some(Trouble::NotAPort)) => "no port",
        (LinkState::Down, Some(Trouble::Unplugged)) => "unplugged",
        (LinkState::Down, Some(Trouble::Failed(_))) => "failed",
        (LinkState::Down, None) => "down",
    }
}

/// Why nothing is recorded, in a sentence; `None` where all is well or nothing is meant to be.
pub fn recording_trouble(recording: Recording) -> Option<String> {
    let Recording::Stopped(why) = recording else { return None };
    let why = match why {
        WhyStopped::DiskFull => "disk full".to_owned(),
        WhyStopped::NoFolder => "its folder is not there and cannot be made".to_owned(),
        WhyStopped::NotWritable => "its folder cannot be written to".to_owned(),
        WhyStopped::Failed(code) => format!("system error {code}"),
    };
    Some(format!("recording stopped: {why}; driving goes on"))
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    const ENGINE: Port<'static> = Port { link: "engine", device: "" };

    #[rstest]
    #[case::whole("/dev/ttyUSB0", 51, "engine: no such port: is the cable in? /dev/ttyUSB0")]
    #[case::one_less("/dev/ttyUSB0", 50, "engine: no such port: /dev/ttyUSB0")]
    #[case::pattern("/dev/serial/by-id/usb-*", 80, "engine: no such port: is the cable in? /dev/serial/by-id/usb-*")]
    #[case::its_end("/dev/serial/by-id/usb-*", 38, "engine: no such port: …ial/by-id/usb-*")]
    #[case::no_room("/dev/serial/by-id/usb-*", 24, "engine: no such port: is the cable in?")]
    fn a_port_that_is_not_there_is_named(#[case] device: &str, #[case] width: u16, #[case] sentence: &str) {
        let link = LinkShown { trouble: Some(Trouble::NoDevice), ..LinkShown::default() };
        let port = Port { device, ..ENGINE };
        assert_eq!(link_trouble(port, &link, Stamp(0), width).as_deref(), Some(sentence));
    }

    #[test]
    fn a_link_of_which_every_line_is_refused_says_what_to_look_at() {
        for why in Reject::ALL {
            let link = LinkShown { state: LinkState::Up, only_bad: Some(why), ..LinkShown::default() };
            let said = link_trouble(ENGINE, &link, Stamp(0), 80).unwrap();
            assert!(said.len() <= 62 && said.starts_with("engine: "), "{said}");
        }
        let link = LinkShown { state: LinkState::Up, ..LinkShown::default() };
        assert_eq!(link_trouble(ENGINE, &link, Stamp(0), 80), None);
    }

    #[rstest]
    #[case::whole(3.0, 0, "3")]
    #[case::rounded(0.449, 1, "0.4")]
    #[case::no_minus_zero(-0.04, 1, "0.0")]
    #[case::minus(-0.06, 1, "-0.1")]
    #[case::nine_columns(1_234_567.9, 1, "1234567.9")]
    #[case::ten_columns(12_345_678.9, 1, "1.2e7")]
    fn numbers_take_at_most_nine_columns(#[case] value: f64, #[case] digits: u8, #[case] text: &str) {
        assert_eq!(number(value, digits), text);
    }

    #[rstest]
    #[case::as_shown(Limit::Below(0.8), 1, "below 0.8")]
    #[case::finer_than_shown(Limit::Above(98.5), 0, "above 98.5")]
    fn a_limit_is_written_as_fine_as_it_is(#[case] at: Limit, #[case] digits: u8, #[case] text: &str) {
        assert_eq!(limit(at, digits), text);
    }

    #[rstest]
    #[case::seconds(90, "90 s")]
    #[case::half(150, "2.5 min")]
    #[case::whole(300, "5 min")]
    #[case::hours(7200, "2 h")]
    fn a_length_on_a_scale_is_exact(#[case] seconds: i64, #[case] text: &str) {
        assert_eq!(length(seconds * SECOND), text);
    }

    #[rstest]
    #[case::last_second(119, "119 s")]
    #[case::first_minute(120, "2 min")]
    #[case::last_minute(7199, "119 min")]
    #[case::first_hour(7200, "2 h")]
    fn ages_have_one_unit(#[case] seconds: i64, #[case] text: &str) {
        assert_eq!(age(seconds * SECOND), text);
    }

    #[rstest]
    #[case::minutes(59 * 60 * SECOND + 59_900_000, "59:59.9")]
    #[case::hours(3600 * SECOND, "1:00:00.0")]
    #[case::before_the_beginning(-5, "0:00.0")]
    fn places_have_hours_only_where_there_are_any(#[case] at: Micros, #[case] text: &str) {
        assert_eq!(position(at), text);
    }

    #[rstest]
    #[case(Trouble::NoDevice, "engine: no such port: is the cable in?")]
    #[case(Trouble::NoRights, "engine: no right to open the port: add the user to its group")]
    #[case(Trouble::Busy, "engine: another program holds the port: end it")]
    #[case(Trouble::NotAPort, "engine: what is there is no serial port")]
    #[case(Trouble::Unplugged, "engine: unplugged 4 s ago: waiting for it")]
    #[case(Trouble::Failed(5), "engine: the port failed (system error 5): trying again")]
    fn a_link_that_is_down_says_why(#[case] trouble: Trouble, #[case] sentence: &str) {
        let link = LinkShown { trouble: Some(trouble), ..LinkShown::default() };
        assert_eq!(link_trouble(ENGINE, &link, Stamp(4 * SECOND), 80).as_deref(), Some(sentence));
    }
}
