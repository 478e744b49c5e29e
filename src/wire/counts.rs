//! The counts format, version 1: one JSON object a line.
//!
//! Owns the rules of a line: checksum, shape, ranges, in this order; and what a link has shown of itself so far. In:
//! lines without LF. Out: fields filled and clocks joined, a hello, or the one reason why a line is refused. A usual
//! line is read by [`super::mould`] or [`super::scan`]; whatever they do not take is judged here by the full rules.

use super::clock::{Step, Timeline, Told};
use super::core::{Core, Taken};
use super::crc::{self, Trailer, checksum};
use super::fields::{Class, Target};
use super::json::{self, Member};
use super::keys::Keys;
use super::mould::Moulds;
use super::scan::{self, Heads};
use super::{Edges, Hello, Raw, Reject, hello, number};
use crate::time::Stamp;

/// After so many right checksums a line without one was itself hit.
const TRUSTED: u32 = 8;
/// The converter's highest count until a hello tells it (the counts format, version 1).
pub const ADC_MAX: u32 = 1023;

/// What is remembered of a link in the counts form.
#[derive(Clone, Debug)]
pub(super) struct Counts {
    /// The config asks for a checksum on every line.
    required: bool,
    /// Right checksums since the link was opened, up to [`TRUSTED`].
    right: u32,
    /// The newest line had a right checksum.
    signed: bool,
    /// The converter's highest count.
    adc_max: u32,
    keys: Keys,
    moulds: Moulds,
    timeline: Timeline,
    /// Off in tests only: then every line takes the exact way.
    pub(super) scanning: bool,
}

/// A line that was judged by the full rules.
enum Exact {
    Hello(Box<Hello>),
    Reading(Heads),
}

impl Counts {
    pub(super) fn new(required: bool, core: &Core) -> Self {
        let keys = Keys::new(&core.names);
        Self {
            required,
            right: 0,
            signed: false,
            adc_max: ADC_MAX,
            keys,
            moulds: Moulds::new(core.reading.fields().len()),
            timeline: Timeline::default(),
            scanning: true,
        }
    }

    /// Goes on where `before` stands: what the link has shown of itself, and its clock.
    pub(super) fn go_on_from(&mut self, before: &Self) {
        (self.right, self.adc_max) = (before.right, before.adc_max);
        self.timeline.clone_from(&before.timeline);
    }

    pub(super) fn opened(&mut self) {
        self.right = 0;
    }

    /// Takes one line that is neither empty nor too long.
    pub(super) fn line(&mut self, core: &mut Core, now: Stamp, line: &[u8]) -> Result<Taken, Reject> {
        if let Some(heads) = self.scanned(core, line) {
            self.reading(core, now, heads);
            return Ok(Taken::Reading);
        }
        core.reading.clear();
        match self.exact(core, line)? {
            Exact::Reading(heads) => {
                self.reading(core, now, heads);
                Ok(Taken::Reading)
            }
            Exact::Hello(hello) => {
                if self.adc_max != hello.adc_max {
                    self.adc_max = hello.adc_max;
                    self.moulds.clear();
                }
                match self.timeline.hello(hello.up_ms, hello.reset, now) {
                    Told::Nothing => {}
                    Told::Restart => core.restarted(hello.reset),
                    Told::Reason => core.tally.resets.explain(hello.reset),
                }
                core.hello = Some(*hello);
                Ok(Taken::Hello)
            }
        }
    }

    /// Reads a usual line: checksum, then members. Where it does not, what is in the reading says nothing.
    #[inline]
    pub(super) fn scanned(&mut self, core: &mut Core, line: &[u8]) -> Option<Heads> {
        if !self.scanning {
            return None;
        }
        let trailer = crc::usual_trailer(line);
        let end = match trailer {
            Some((comma, _)) => comma,
            None if !self.must_have_checksum() && line.ends_with(b"}") => line.len() - 1,
            _ => return None,
        };
        let sum = trailer.map(|(_, sum)| sum);
        let heads = match self.moulds.read(line, end, sum, core.reading.fields_mut()) {
            Some(heads) => heads,
            None if sum.is_some_and(|sum| sum != checksum(&line[..end])) => return None,
            None => self.unmoulded(core, line, end)?,
        };
        self.signed = trailer.is_some();
        if trailer.is_some() {
            self.right = (self.right + 1).min(TRUSTED);
        }
        Some(heads)
    }

    /// Reads a line that looks otherwise than those before, and learns its look.
    fn unmoulded(&mut self, core: &mut Core, line: &[u8], end: usize) -> Option<Heads> {
        core.reading.clear();
        let fields = core.reading.fields_mut();
        let heads = scan::scan(line, end, &mut self.keys, f64::from(self.adc_max), fields, &mut self.moulds.marks)?;
        self.moulds.learn(line, end, f64::from(self.adc_max));
        Some(heads)
    }

    fn must_have_checksum(&self) -> bool {
        self.required || self.right >= TRUSTED
    }

    /// Joins the clock and writes down what happened just before.
    fn reading(&mut self, core: &mut Core, now: Stamp, heads: Heads) {
        let step: Step = self.timeline.reading(heads.t, heads.s, now);
        (core.reading.t, core.reading.signed) = (heads.t, self.signed);
        core.took(step);
    }

    /// Judges a line by all rules, in their order: text, checksum, shape, ranges.
    fn exact(&mut self, core: &mut Core, line: &[u8]) -> Result<Exact, Reject> {
        let text = std::str::from_utf8(line).map_err(|_| Reject::NotUtf8)?;
        let trailer = self.trailer(text)?;
        self.signed = trailer;
        let mut members = json::object_line(text).ok_or(Reject::Malformed)?;
        if trailer {
            members.pop();
        }
        if members.iter().any(|member| member.name == "crc") {
            return Err(Reject::Checksum);
        }
        if !trailer && self.must_have_checksum() {
            return Err(Reject::ChecksumMissing);
        }
        hello::refuse_repeated(&members)?;
        match members.iter().find(|member| member.name == "hello") {
            Some(member) => hello::read(member.value).map(|hello| Exact::Hello(Box::new(hello))),
            None => self.fields(core, &members).map(Exact::Reading),
        }
    }

    /// Whether the line has a right checksum as its last member; one that is wrong refuses it.
    fn trailer(&mut self, text: &str) -> Result<bool, Reject> {
        let (comma, says) = match crc::trailer(text.as_bytes()) {
            Trailer::None => return Ok(false),
            Trailer::Spoilt => return Err(Reject::Checksum),
            Trailer::Says { comma, sum } => (comma, sum),
        };
        let covered = text.get(..comma).unwrap_or_default();
        let from = covered.find('{').ok_or(Reject::Malformed)?;
        if checksum(&covered.as_bytes()[from..]) != says {
            return Err(Reject::Checksum);
        }
        self.right = (self.right + 1).min(TRUSTED);
        Ok(true)
    }

    /// Reads the members of a reading, the clock first, and learns their names once all are good.
    fn fields(&mut self, core: &mut Core, members: &[Member<'_>]) -> Result<Heads, Reject> {
        let clock = members.iter().find(|member| member.name == "t").ok_or(Reject::FieldMissing)?;
        let t = integer(clock.value, u32::MAX)?;
        let mut s = None;
        for member in members {
            let target = core.names.target(&member.name);
            let raw = match target.class {
                Class::Clock => continue,
                Class::Sequence => {
                    s = u16::try_from(integer(member.value, u32::from(u16::MAX))?).ok();
                    continue;
                }
                class => value(member.value, class, t, f64::from(self.adc_max))?,
            };
            if let Some(field) = core.reading.fields_mut().get_mut(usize::from(target.slot)) {
                *field = raw;
            }
        }
        for member in members {
            self.learn(core, member);
        }
        Ok(Heads { t, s })
    }

    /// Learns a name that came with a number or null, so that the next line with it is a usual one.
    fn learn(&mut self, core: &mut Core, member: &Member<'_>) {
        let target = core.names.target(&member.name);
        let has_meaning = matches!(target.class, Class::Pulse) || is_number(member.value) || member.value == "null";
        let fixed = matches!(target.class, Class::Clock | Class::Sequence);
        if fixed || !has_meaning {
            return;
        }
        if target.slot != Target::NOWHERE || core.names.note_unknown(&member.name) {
            self.keys.learn(&member.name, target);
        }
    }
}

fn is_number(value: &str) -> bool {
    value.starts_with(|first: char| first == '-' || first.is_ascii_digit())
}

/// The integer 0…`most` that `value` writes.
fn integer(value: &str, most: u32) -> Result<u32, Reject> {
    let number = number::json(value.as_bytes(), 0).ok_or(Reject::WrongType)?;
    u32::try_from(number.up_to(u64::from(most))?).map_err(|_| Reject::OutOfRange)
}

/// The value of a member that is neither clock nor running number, on a line with clock `t`.
fn value(value: &str, class: Class, t: u32, most: f64) -> Result<Raw, Reject> {
    if value == "null" {
        return Ok(Raw::Null);
    }
    if class == Class::Pulse {
        return edges(value, t).map(Raw::Edges);
    }
    match number::json(value.as_bytes(), 0) {
        Some(number) => scan::in_range(number, class, most).map(Raw::Number),
        None if class == Class::Unknown => Ok(Raw::Absent),
        None => Err(Reject::WrongType),
    }
}

/// `[count, last]` or `[count, last, min, max]`.
fn edges(value: &str, t: u32) -> Result<Edges, Reject> {
    let parts = json::elements(value).ok_or(Reject::WrongType)?;
    let part = |place: usize| integer(parts[place], u32::MAX);
    let gaps = match parts.len() {
        2 => None,
        4 => Some((part(2)?, part(3)?)),
        _ => return Err(Reject::WrongType),
    };
    let edges = Edges { count: part(0)?, last: part(1)?, gaps };
    if scan::plausible(edges, t) { Ok(edges) } else { Err(Reject::OutOfRange) }
}
