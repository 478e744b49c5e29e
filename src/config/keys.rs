//! Every key of the config, version 1, with what it is for: one table, read by the parser, the hints and the tests.
//!
//! Owns the names. A key that is not in here does not exist, and one that is in here is read: a test holds both.

/// One key of a table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Key {
    /// As it is written.
    pub name: &'static str,
    /// What it is for, in a few words.
    pub about: &'static str,
}

/// The keys that a table may have.
#[derive(Clone, Copy, Debug)]
pub struct Group {
    /// Tables of one family stand in the same place of the file; which of them it is depends on one of its keys.
    pub family: &'static str,
    /// What messages call such a table, with its article.
    pub title: &'static str,
    /// Its keys.
    pub keys: &'static [Key],
}

const fn key(name: &'static str, about: &'static str) -> Key {
    Key { name, about }
}

macro_rules! groups {
    ($($(#[$doc:meta])* $id:ident = $family:literal, $title:literal, [$($name:literal: $about:literal),* $(,)?];)*) => {
        $($(#[$doc])* pub(super) const $id: Group =
            Group { family: $family, title: $title, keys: &[$(key($name, $about)),*] };)*

        /// Every table that a config may have, with its keys.
        pub const ALL: &[Group] = &[$($id),*];
    };
}

groups! {
    /// The top of the file.
    TOP = "top", "the top of the file", [
        "format": "version of the config format, 1",
        "name": "what the vehicle is called",
        "link": "serial lines, each as [link.NAME]",
        "record": "where recordings go",
        "trust": "rules of trust for several channels",
        "channel": "signals, each as [channel.NAME]",
        "sensor": "transfer functions, each as [sensor.NAME]",
        "event": "what to look for in recordings, each as [event.NAME]",
        "page": "pages of the screen, each as [[page]]",
        "output": "pins switched or driven by rule, each as [output.NAME]",
    ];
    /// A link of the counts form.
    LINK_COUNTS = "link", "a link of form `counts`", [
        "device": "path of the serial port, or a pattern whose first match is opened",
        "baud": "bits per second",
        "form": "form of its lines",
        "checksum": "whether a line must have one",
        "reference": "voltage of the controller's fixed reference",
    ];
    /// A link of the columns form.
    LINK_COLUMNS = "link", "a link of form `columns`", [
        "device": "path of the serial port, or a pattern whose first match is opened",
        "baud": "bits per second",
        "form": "form of its lines",
        "reference": "voltage of the controller's fixed reference",
        "names": "names of the columns, from left to right",
        "clock": "the column that holds the controller's clock",
        "clock_unit": "unit of that clock",
    ];
    /// A link of the pairs form.
    LINK_PAIRS = "link", "a link of form `pairs`", [
        "device": "path of the serial port, or a pattern whose first match is opened",
        "baud": "bits per second",
        "form": "form of its lines",
        "reference": "voltage of the controller's fixed reference",
        "clock": "the name that holds the controller's clock",
        "clock_unit": "unit of that clock",
    ];
    /// A link of a satellite receiver.
    LINK_NMEA = "link", "a link of form `nmea`", [
        "device": "path of the serial port, or a pattern whose first match is opened",
        "baud": "bits per second",
        "form": "form of its lines",
    ];
    /// Recordings.
    RECORD = "record", "[record]", [
        "folder": "folder of the recordings",
        "keep": "most room that they may take together",
    ];
    /// Rules of trust.
    TRUST = "trust", "[trust]", [
        "supply": "limits of the sensor supply",
        "ground_shift": "whether a step that several channels share is looked for",
    ];
    /// A channel that reads a field.
    CHANNEL_INPUT = "channel", "a channel with `input`", [
        "label": "what the screen calls it",
        "input": "the field of the line",
        "take": "what of a pulse pin: rate, count or spread",
        "slowest": "no edge for so long is 0 (pulse pins)",
        "circuit": "what sits between pin and sensor",
        "sensor": "the transfer function: the name of one, or an inline table",
        "unit": "unit of its value",
        "span": "the scale that gauges draw",
        "digits": "decimals shown",
        "smooth": "time constant for screen and alarms",
        "fresh": "how old a reading may be",
        "fastest": "fastest change that is possible",
        "stuck": "when it counts as stuck",
        "calibration": "correction found against a trusted gauge",
        "alarm": "limits, each as [[channel.NAME.alarm]]",
    ];
    /// A channel that is computed.
    CHANNEL_FORMULA = "channel", "a channel with `formula`", [
        "label": "what the screen calls it",
        "formula": "algebra over other channels",
        "unit": "unit of its value",
        "span": "the scale that gauges draw",
        "digits": "decimals shown",
        "smooth": "time constant for screen and alarms",
        "fastest": "fastest change that is possible",
        "calibration": "correction found against a trusted gauge",
        "alarm": "limits, each as [[channel.NAME.alarm]]",
    ];
    /// When a channel counts as stuck.
    STUCK = "stuck", "`stuck`", [
        "after": "it must not move for so long",
        "band": "moving is more than so many raw counts",
        "when": "time counts only while this is true",
    ];
    /// A calibration.
    CALIBRATION = "calibration", "a calibration", [
        "gain": "factor",
        "offset": "put on after the factor",
        "on": "the date it was made",
        "against": "what it was compared with",
    ];
    /// An alarm.
    ALARM = "alarm", "an alarm", [
        "level": "notice, caution or danger",
        "below": "wrong below this",
        "above": "wrong above this",
        "deadband": "how far back before it clears",
        "after": "must hold so long before it sounds",
        "until": "must be gone so long before it clears",
        "when": "asleep while this is false",
        "latch": "stays until it is reset",
        "text": "what to say and do",
    ];
    /// Nothing between pin and sensor.
    DIRECT = "circuit", "a circuit of kind `direct`", [
        "kind": "which circuit",
    ];
    /// Two resistors.
    DIVIDER = "circuit", "a circuit of kind `divider`", [
        "kind": "which circuit",
        "top": "resistor from the signal to the pin",
        "bottom": "resistor from the pin to ground",
    ];
    /// A resistor to a supply.
    PULLUP = "circuit", "a circuit of kind `pullup`", [
        "kind": "which circuit",
        "resistor": "the fixed resistor",
        "to": "the supply at its other end",
    ];
    /// A resistor to ground.
    PULLDOWN = "circuit", "a circuit of kind `pulldown`", [
        "kind": "which circuit",
        "resistor": "the fixed resistor",
        "to": "the supply at the sensor's other end",
    ];
    /// An amplifier.
    AMPLIFIER = "circuit", "a circuit of kind `amplifier`", [
        "kind": "which circuit",
        "gain": "volts at the pin for each volt of the sensor",
        "offset": "volts at the pin where the sensor gives none",
    ];
    /// A straight line.
    LINEAR = "sensor", "a sensor of kind `linear`", [
        "kind": "which transfer function",
        "from": "two points at its input",
        "to": "the values there",
        "ratiometric": "the supply that its data sheet's volts are for",
    ];
    /// Points.
    TABLE = "sensor", "a sensor of kind `table`", [
        "kind": "which transfer function",
        "points": "pairs of input and value",
        "between": "straight or smooth",
    ];
    /// A thermistor.
    THERMISTOR = "sensor", "a sensor of kind `thermistor`", [
        "kind": "which transfer function",
        "points": "three pairs of temperature and resistance",
        "abc": "the constants A, B, C",
        "beta": "beta in kelvin",
        "at": "temperature and resistance that go with beta",
        "valid": "temperatures that it is good for",
    ];
    /// A platinum resistance.
    RTD = "sensor", "a sensor of kind `rtd`", [
        "kind": "which transfer function",
        "r0": "resistance at 0 degC",
    ];
    /// A thermocouple.
    THERMOCOUPLE = "sensor", "a sensor of kind `thermocouple`", [
        "kind": "which transfer function",
        "type": "its letter",
        "cold": "temperature of the cold junction, or the channel that has it",
    ];
    /// A polynomial.
    POLYNOMIAL = "sensor", "a sensor of kind `polynomial`", [
        "kind": "which transfer function",
        "of": "unit of its input",
        "gives": "unit of its value",
        "terms": "c0, c1, and so on",
        "valid": "inputs that it is good for",
    ];
    /// Pulses.
    PULSES = "sensor", "a sensor of kind `pulses`", [
        "kind": "which transfer function",
        "count": "edges for each `per`",
        "per": "rev, km, mi or L",
    ];
    /// A switch.
    SWITCH = "sensor", "a sensor of kind `switch`", [
        "kind": "which transfer function",
        "on": "the level that counts as on",
        "words": "what to show for off and on",
    ];
    /// A number with a meaning.
    NUMBER = "sensor", "a sensor of kind `number`", [
        "kind": "which transfer function",
        "unit": "unit of the value",
        "times": "factor",
        "plus": "put on after the factor",
    ];
    /// An event.
    EVENT = "event", "an event", [
        "when": "the condition",
        "lasts": "must hold so long",
        "apart": "two within this are one",
        "before": "looked at before it when explaining",
        "after": "looked at after it",
    ];
    /// A page.
    PAGE = "page", "a page", [
        "name": "its name",
        "rows": "rows of cells from top to bottom",
    ];
    /// A cell.
    CELL = "cell", "a cell of a page", [
        "show": "the channel, or a list of them for a trend",
        "as": "digits, dial, bar, trend or lamp; outputs shows all outputs and no channel",
        "wide": "its share of the row's width",
        "last": "stretch of time that a trend shows",
    ];
    /// An output that is on or off.
    OUTPUT_SWITCH = "output", "an output on a `d` pin", [
        "pin": "d for on and off, f for a frequency, w for a duty",
        "on": "on while this is true",
        "off_if": "off while this is true or not known",
        "longest": "on at most so long in one go",
        "rest": "off at least so long between two",
        "armed": "sent at all",
    ];
    /// An output that follows a channel.
    OUTPUT_FOLLOW = "output", "an output on an `f` or `w` pin", [
        "pin": "d for on and off, f for a frequency, w for a duty",
        "from": "the channel that it follows",
        "points": "pairs of value and frequency or duty",
        "rest_at": "while the channel is untrusted",
        "armed": "sent at all",
    ];
}

/// Keys whose value is true or false.
pub(super) const TRUE_OR_FALSE: [&str; 3] = ["armed", "ground_shift", "latch"];

/// The names of the keys that any table of `family` has, each once.
pub(super) fn of_family(family: &str) -> Vec<&'static str> {
    let mut names: Vec<&'static str> = Vec::new();
    for name in ALL.iter().filter(|group| group.family == family).flat_map(Group::names) {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    names
}

impl Group {
    /// The names of its keys.
    pub fn names(&self) -> impl Iterator<Item = &'static str> {
        self.keys.iter().map(|key| key.name)
    }

    /// Whether it has that key.
    pub fn has(&self, name: &str) -> bool {
        self.keys.iter().any(|key| key.name == name)
    }

    /// Another table of its family that has the key `name`.
    pub fn sibling_with(&self, name: &str) -> Option<&'static Self> {
        ALL.iter().find(|group| group.family == self.family && group.has(name))
    }
}
