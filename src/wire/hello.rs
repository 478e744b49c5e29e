//! What a hello must hold.
//!
//! Owns the members of the hello and their types. In: its object as written. Out: a [`Hello`], or why it is refused.

use super::json::{self, Member};
use super::{Hello, Reject, Reset, number};

/// Reads the object of a `"hello"`.
pub(super) fn read(object: &str) -> Result<Hello, Reject> {
    let members = json::members(object).ok_or(Reject::WrongType)?;
    refuse_repeated(&members)?;
    let of = Members(&members);
    Ok(Hello {
        format: integer(of.required("format")?, 1, 1)?,
        fw: text(of.required("fw")?)?,
        board: text(of.required("board")?)?,
        reset: reset(&text(of.required("reset")?)?),
        adc_max: integer(of.required("adc_max")?, 1, u32::MAX)?,
        analog: integer(of.required("analog")?, 0, u32::MAX)?,
        pulse: pins(of.required("pulse")?)?,
        digital: pins(of.required("digital")?)?,
        output: pins(of.required("output")?)?,
        freq: of.optional("freq").map_or(Ok(Vec::new()), pins)?,
        duty: of.optional("duty").map_or(Ok(Vec::new()), pins)?,
        rate_hz: integer(of.required("rate_hz")?, 0, u32::MAX)?,
        up_ms: unsigned(of.required("up_ms")?, u64::MAX)?,
    })
}

/// Refuses a name that stands twice.
pub(super) fn refuse_repeated(members: &[Member<'_>]) -> Result<(), Reject> {
    for (place, member) in members.iter().enumerate() {
        if members[..place].iter().any(|before| before.name == member.name) {
            return Err(Reject::Duplicate);
        }
    }
    Ok(())
}

struct Members<'a>(&'a [Member<'a>]);

impl<'a> Members<'a> {
    fn optional(&self, name: &str) -> Option<&'a str> {
        self.0.iter().find(|member| member.name == name).map(|member| member.value)
    }

    fn required(&self, name: &str) -> Result<&'a str, Reject> {
        self.optional(name).ok_or(Reject::FieldMissing)
    }
}

fn unsigned(value: &str, most: u64) -> Result<u64, Reject> {
    number::json(value.as_bytes(), 0).ok_or(Reject::WrongType)?.up_to(most)
}

fn integer(value: &str, least: u32, most: u32) -> Result<u32, Reject> {
    let value = unsigned(value, u64::from(most))?;
    u32::try_from(value).ok().filter(|&value| value >= least).ok_or(Reject::OutOfRange)
}

fn text(value: &str) -> Result<String, Reject> {
    if !value.starts_with('"') {
        return Err(Reject::WrongType);
    }
    json::text(value).map(String::from).ok_or(Reject::Malformed)
}

fn pins(value: &str) -> Result<Vec<u8>, Reject> {
    let elements = json::elements(value).ok_or(Reject::WrongType)?;
    elements
        .into_iter()
        .map(|pin| unsigned(pin, 255).and_then(|pin| u8::try_from(pin).map_err(|_| Reject::OutOfRange)))
        .collect()
}

fn reset(word: &str) -> Reset {
    match word {
        "power-on" => Reset::PowerOn,
        "external" => Reset::External,
        "brown-out" => Reset::BrownOut,
        "watchdog" => Reset::Watchdog,
        _ => Reset::Unknown,
    }
}
