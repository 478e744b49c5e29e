//! The simulated controller: the lorry's pins become lines of the counts format, version 1.
//!
//! Owns the controller's clock, its numbering, its outputs with their leases, and the text of its lines. In: how far to
//! go, and commands. Out: bytes as they come over the serial port. Neither clock nor port is touched here.

use super::command::{self, CHECKSUM, Command, OUTPUTS};
use super::damage::Damage;
use super::edges::{Counter, Sent, Wheel, wrapped};
use super::pins::Pins;
use super::random::Random;
use super::story::Story;
use super::vehicle::{STEP, Truth, Vehicle};
use crate::time::{Micros, SECOND};

/// Teeth on the crankshaft pulley.
const CRANK_TEETH: usize = 12;
/// Magnets on the drive shaft: eight pulses on each metre of road.
const SHAFT_MAGNETS: usize = 4;
const PULSES_PER_METRE: f64 = 8.0;
/// Readings a second after a start.
const RATE_HZ: u32 = 50;
/// A hello comes so often.
const HELLO_EVERY: Micros = 5 * SECOND;
/// From the supply's return to the first byte: the boot loader waits so long for somebody to flash.
const BOOT: Micros = 450_000;
/// From the start of the firmware to its hello.
const FIRST_HELLO: Micros = 12_000;
/// Outputs are told in every so many readings, and at once when they change.
const OUTPUTS_EVERY: u16 = 10;

/// A vehicle in software with the controller that reads it.
///
/// ```
/// use kickpanel::controller::{Simulated, Story};
/// let (mut lorry, mut bytes) = (Simulated::new(Story::Healthy, 1), Vec::new());
/// lorry.advance(1_000_000, &mut bytes);
/// assert!(bytes.starts_with(b"\n{\"hello\":{\"format\":1,"));
/// ```
#[derive(Clone, Debug)]
pub struct Simulated {
    vehicle: Vehicle,
    pins: Pins,
    crank: Wheel,
    shaft: Wheel,
    damage: Damage,
    now: Micros,
    /// Lines sent, hellos and readings.
    sent: u64,
    /// The firmware; `None` while the controller has no supply or its boot loader waits.
    firmware: Option<Firmware>,
    /// When the boot loader ends, and why the controller started.
    boots: (Micros, &'static str),
}

/// What the firmware remembers; all of it is lost in a restart.
#[derive(Clone, Debug)]
struct Firmware {
    booted: Micros,
    reset: &'static str,
    number: u16,
    rate_hz: u32,
    next_reading: Micros,
    next_hello: Micros,
    next_slow: Micros,
    crank: Counter,
    shaft: Counter,
    /// Value and end of lease of each output.
    outputs: [(u32, Micros); OUTPUTS.len()],
    told: [u32; OUTPUTS.len()],
}

impl Simulated {
    /// The lorry at the beginning of `story`: standing, key off, the controller just powered on.
    pub fn new(story: Story, seed: u64) -> Self {
        let stream = |part: u64| Random::new(seed, part);
        let mut teeth = stream(10);
        let pitch = std::f64::consts::TAU / CRANK_TEETH as f64;
        Self {
            vehicle: Vehicle::new(story, seed),
            pins: Pins::new(stream(11)),
            crank: Wheel::new(CRANK_TEETH, pitch, 0.0015, &mut teeth),
            shaft: Wheel::new(SHAFT_MAGNETS, 1.0 / PULSES_PER_METRE, 0.01, &mut teeth),
            damage: Damage::new(stream(12)),
            now: 0,
            sent: 0,
            firmware: None,
            boots: (0, "power-on"),
        }
    }

    /// Lets the time pass up to `to`, in µs since the story began, and appends to `out` what the controller sends on
    /// the way. Works in steps of a millisecond; a `to` in between or in the past waits for the next call.
    pub fn advance(&mut self, to: Micros, out: &mut Vec<u8>) {
        while self.now + STEP <= to {
            self.step(out);
        }
    }

    /// Hands the controller one line, with or without its LF, and appends its answer to `out`.
    ///
    /// Understands `ask`, `rate_hz` and `set`; what is not exactly right is ignored whole, as the firmware does.
    pub fn command(&mut self, line: &[u8], out: &mut Vec<u8>) {
        let (now, start) = (self.now, out.len());
        let Some(firmware) = &mut self.firmware else { return };
        match command::parse(line) {
            Some(Command::Hello) => firmware.hello(now, out),
            Some(Command::Rate(rate_hz)) => {
                firmware.rate_hz = rate_hz;
                firmware.next_reading = now + interval(rate_hz);
                firmware.hello(now, out);
            }
            Some(Command::Set(set, lease_ms)) => firmware.set(now, &set, lease_ms),
            None => {}
        }
        self.ends_line(start, out);
    }

    /// What is really true at this moment, for those who compare.
    pub fn truth(&self) -> &Truth {
        &self.vehicle.truth
    }

    /// Up to when the time has passed, µs since the story began.
    pub fn now(&self) -> Micros {
        self.now
    }

    /// Lines that the controller has sent, whatever became of them on the way; the empty ones do not count.
    pub fn sent(&self) -> u64 {
        self.sent
    }

    fn step(&mut self, out: &mut Vec<u8>) {
        let began = self.now;
        let heater = self.firmware.as_ref().is_some_and(|firmware| firmware.outputs[0].0 == 1);
        self.vehicle.step(heater);
        self.now += STEP;
        self.power(out);
        // The wheels turn whether somebody counts or not.
        let mut nobody = (Counter::default(), Counter::default());
        let (crank, shaft) = match &mut self.firmware {
            Some(firmware) => (&mut firmware.crank, &mut firmware.shaft),
            None => (&mut nobody.0, &mut nobody.1),
        };
        self.crank.turn(self.vehicle.angle, began, STEP, crank);
        self.shaft.turn(self.vehicle.way, began, STEP, shaft);
        self.speak(out);
    }

    /// Starts and stops the firmware with its supply.
    fn power(&mut self, out: &mut Vec<u8>) {
        if !self.vehicle.truth.powered {
            self.firmware = None;
            self.boots = (self.now + BOOT, "brown-out");
        } else if self.firmware.is_none() && self.now >= self.boots.0 {
            // A restart cuts a line: the lone LF ends what was left of it.
            out.push(b'\n');
            self.firmware = Some(Firmware::new(self.now, self.boots.1));
        }
    }

    fn speak(&mut self, out: &mut Vec<u8>) {
        let now = self.now;
        let Some(firmware) = &mut self.firmware else { return };
        firmware.end_leases(now);
        let start = out.len();
        if now >= firmware.next_hello {
            firmware.hello(now, out);
            self.ends_line(start, out);
        }
        let start = out.len();
        let Some(firmware) = &mut self.firmware else { return };
        if now >= firmware.next_reading {
            let truth = &self.vehicle.truth;
            let counts = (self.pins.reference(truth), self.pins.analog(truth));
            firmware.reading(now, truth, &counts, out);
            self.ends_line(start, out);
        }
    }

    /// Counts the line that begins at `start`, and lets the plug have its way with it.
    fn ends_line(&mut self, start: usize, out: &mut Vec<u8>) {
        if out.len() > start {
            self.sent += 1;
            if self.vehicle.bad_line {
                self.damage.maybe(start, out);
            }
        }
    }
}

/// Between two readings, µs.
fn interval(rate_hz: u32) -> Micros {
    SECOND / Micros::from(rate_hz.max(1))
}

impl Firmware {
    fn new(now: Micros, reset: &'static str) -> Self {
        Self {
            booted: now,
            reset,
            number: 0,
            rate_hz: RATE_HZ,
            next_reading: now + 20_000,
            next_hello: now + FIRST_HELLO,
            next_slow: now,
            crank: Counter::default(),
            shaft: Counter::default(),
            outputs: [(0, 0); OUTPUTS.len()],
            told: [0; OUTPUTS.len()],
        }
    }

    fn set(&mut self, now: Micros, set: &[(usize, u32)], lease_ms: u32) {
        for &(output, value) in set {
            if let Some(place) = self.outputs.get_mut(output) {
                *place = (value, now + Micros::from(lease_ms) * 1000);
            }
        }
    }

    /// An output that is not renewed falls back to rest.
    fn end_leases(&mut self, now: Micros) {
        for (value, ends) in &mut self.outputs {
            if now >= *ends {
                *value = 0;
            }
        }
    }

    fn hello(&mut self, now: Micros, out: &mut Vec<u8>) {
        self.next_hello = now + HELLO_EVERY;
        let line = format!(
            "{{\"hello\":{{\"format\":1,\"fw\":\"{}\",\"board\":\"simulated\",\"reset\":\"{}\",\"adc_max\":1023,\
             \"analog\":6,\"pulse\":[2,3],\"digital\":[4],\"output\":[7,12],\"freq\":[9],\"duty\":[6],\
             \"rate_hz\":{},\"up_ms\":{}}}",
            env!("CARGO_PKG_VERSION"),
            self.reset,
            self.rate_hz,
            (now - self.booted) / 1000
        );
        let start = out.len();
        out.extend_from_slice(line.as_bytes());
        sign(start, out);
    }

    fn reading(&mut self, now: Micros, truth: &Truth, counts: &(u32, [u32; 6]), out: &mut Vec<u8>) {
        let start = out.len();
        // The beat of the readings does not drift, whatever the length of a step.
        self.next_reading = (self.next_reading + interval(self.rate_hz)).max(now);
        out.push(b'{');
        member("s", u64::from(self.number), out);
        member("t", u64::from(wrapped(now - self.booted)), out);
        member("ref", u64::from(counts.0), out);
        for (name, quarters) in ["a0", "a1", "a2", "a3", "a4", "a5"].into_iter().zip(counts.1) {
            key(name, out);
            push_quarters(quarters, out);
        }
        push_edges("p2", self.crank.take(now, self.booted), out);
        push_edges("p3", self.shaft.take(now, self.booted), out);
        member("d4", u64::from(truth.heater), out);
        self.slow_members(now, truth, out);
        self.output_members(out);
        sign(start, out);
        self.number = self.number.wrapping_add(1);
    }

    /// Two digital thermometers that are read once a second: intake air, and the box with the amplifier in it.
    fn slow_members(&mut self, now: Micros, truth: &Truth, out: &mut Vec<u8>) {
        if now < self.next_slow {
            return;
        }
        self.next_slow = now + SECOND;
        for (name, degc) in [("air", truth.air), ("box", truth.boxed)] {
            key(name, out);
            out.extend_from_slice(format!("{degc:.2}").as_bytes());
        }
    }

    /// What the output pins really do: that acknowledges what was set.
    fn output_members(&mut self, out: &mut Vec<u8>) {
        let values = self.outputs.map(|output| output.0);
        if values == self.told && !self.number.is_multiple_of(OUTPUTS_EVERY) {
            return;
        }
        self.told = values;
        for (name, value) in OUTPUTS.into_iter().zip(values) {
            member(name, u64::from(value), out);
        }
    }
}

fn key(name: &str, out: &mut Vec<u8>) {
    if out.last() != Some(&b'{') {
        out.push(b',');
    }
    out.push(b'"');
    out.extend_from_slice(name.as_bytes());
    out.extend_from_slice(b"\":");
}

fn member(name: &str, value: u64, out: &mut Vec<u8>) {
    key(name, out);
    push_number(value, out);
}

fn push_number(mut value: u64, out: &mut Vec<u8>) {
    let start = out.len();
    loop {
        // One digit always fits.
        out.push(b'0' + u8::try_from(value % 10).unwrap_or(0));
        value /= 10;
        if value == 0 {
            break;
        }
    }
    if let Some(digits) = out.get_mut(start..) {
        digits.reverse();
    }
}

/// A mean of four samples, written out in full.
fn push_quarters(quarters: u32, out: &mut Vec<u8>) {
    push_number(u64::from(quarters / 4), out);
    let fraction: &[u8] = match quarters % 4 {
        1 => b".25",
        2 => b".5",
        3 => b".75",
        _ => b"",
    };
    out.extend_from_slice(fraction);
}

fn push_edges(name: &str, edges: Sent, out: &mut Vec<u8>) {
    key(name, out);
    let gap = |gap: Micros| u64::try_from(gap).unwrap_or(0);
    let parts = [u64::from(edges.count), u64::from(edges.last), gap(edges.shortest), gap(edges.longest)];
    for (index, part) in parts.into_iter().enumerate() {
        out.push(if index == 0 { b'[' } else { b',' });
        push_number(part, out);
    }
    out.push(b']');
}

/// Ends the line that begins at `start` with its checksum and LF.
fn sign(start: usize, out: &mut Vec<u8>) {
    let checksum = CHECKSUM.checksum(out.get(start..).unwrap_or_default());
    out.extend_from_slice(b",\"crc\":\"");
    for shift in [12, 8, 4, 0] {
        let digit = u32::from(checksum >> shift & 0xF);
        out.push(char::from_digit(digit, 16).map_or(b'0', |digit| digit.to_ascii_uppercase() as u8));
    }
    out.extend_from_slice(b"\"}\n");
}

#[cfg(test)]
mod tests {
    use super::{push_number, push_quarters, sign};

    /// `tests/reference/04_wire_lines.jsonl`, the seventh line's neighbour with the right checksum.
    #[test]
    fn a_line_is_signed_as_the_reference_is() {
        let mut line = br#"{"s":7,"t":123456,"a0":512.25,"a5":null"#.to_vec();
        sign(0, &mut line);
        assert_eq!(line, b"{\"s\":7,\"t\":123456,\"a0\":512.25,\"a5\":null,\"crc\":\"954A\"}\n");
    }

    #[test]
    fn numbers_are_written_in_full() {
        let mut out = Vec::new();
        for value in [0, 9, 10, 4_294_967_295] {
            push_number(value, &mut out);
            out.push(b' ');
        }
        for quarters in [0, 1, 4, 2 + 4 * 1023] {
            push_quarters(quarters, &mut out);
            out.push(b' ');
        }
        assert_eq!(out, b"0 9 10 4294967295 0 0.25 1 1023.5 ");
    }
}
