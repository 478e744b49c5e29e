//! Notes: what the program itself writes into a recording, and the head that begins every part.
//!
//! Owns the names and members of the notes. In and out: JSON. Opens no file. Contract: the recording format, version 1.

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::time::Stamp;

/// The version of the format that is written, and the newest that is read.
pub const FORMAT: u32 = 1;

/// Why an output counts as locked of which nobody can say whether it was.
pub const UNREADABLE: &str = "unreadable";

/// The note that begins every part of a recording.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Head {
    pub(super) note: HeadTag,
    /// Version of the format.
    #[serde(default)]
    pub format: u32,
    /// The program that wrote it, with its version.
    #[serde(default)]
    pub program: String,
    /// Number of the drive, one more each start.
    #[serde(default)]
    pub drive: u32,
    /// Number of the part within the drive, from 1.
    #[serde(default)]
    pub part: u32,
    /// Time of day when this part began, RFC 3339, as the computer had it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wall: Option<String>,
    /// `set` where that time of day can be trusted, else `unset`.
    #[serde(default)]
    pub clock: String,
    /// Earlier parts of the drive whose last bytes never became safe and stand in this part again.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub again: Vec<Again>,
    /// The whole config file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub config: Option<String>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum HeadTag {
    #[default]
    #[serde(rename = "recording")]
    Recording,
}

/// A part that could not be finished: what lies behind its safe bytes is repeated in a later part.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Again {
    /// Its number.
    pub part: u32,
    /// How many of its bytes count.
    pub safe: u64,
}

impl Head {
    /// Reads the JSON of a head; `None` where it is another note or none.
    pub fn parse(json: &[u8]) -> Option<Self> {
        serde_json::from_slice(json).ok()
    }
}

/// Covers all bytes of a part since the last one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Sum<'a> {
    pub note: &'a str,
    /// Lines that it covers.
    pub lines: u64,
    /// CRC-32/ISO-HDLC over them with their LFs, eight upper-case hex digits.
    pub crc32: &'a str,
}

/// The notes that the tasks of a drive write, by the name of their `note` member.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "note", rename_all = "lowercase")]
pub enum Told<'a> {
    /// A link was opened or is gone. The link's name stands in its column.
    Link {
        /// `up` or `down`.
        state: &'a str,
        /// Why it is down, in words.
        #[serde(skip_serializing_if = "Option::is_none")]
        why: Option<&'a str>,
    },
    /// An alarm began or ended. What a person does about it is told by [`Told::Attended`], under the same name.
    Alarm {
        /// The channel whose limit it is.
        #[serde(skip_serializing_if = "Option::is_none")]
        channel: Option<&'a str>,
        /// The output that it is about, where it is no limit.
        #[serde(skip_serializing_if = "Option::is_none")]
        output: Option<&'a str>,
        /// What is wrong, in words, where it is no limit.
        #[serde(skip_serializing_if = "Option::is_none")]
        why: Option<&'a str>,
        /// `on` or `off`.
        state: &'a str,
        /// The level's word.
        level: &'a str,
        /// The value then, in the channel's unit; null where it was not known.
        value: Option<f64>,
    },
    /// A person did something about an alarm, or what was put aside came back.
    #[serde(rename = "alarm")]
    Attended {
        /// The channel whose limit it is.
        #[serde(skip_serializing_if = "Option::is_none")]
        channel: Option<&'a str>,
        /// The output that it is about, where it is no limit.
        #[serde(skip_serializing_if = "Option::is_none")]
        output: Option<&'a str>,
        /// The channel whose sensor it is about.
        #[serde(skip_serializing_if = "Option::is_none")]
        sensor: Option<&'a str>,
        /// The link that is lost.
        #[serde(skip_serializing_if = "Option::is_none")]
        lost: Option<&'a str>,
        /// The link whose controller restarts.
        #[serde(skip_serializing_if = "Option::is_none")]
        controller: Option<&'a str>,
        /// The link whose sensor supply it is about.
        #[serde(skip_serializing_if = "Option::is_none")]
        supply: Option<&'a str>,
        /// The link whose sensors' ground it is about.
        #[serde(skip_serializing_if = "Option::is_none")]
        ground: Option<&'a str>,
        /// Which alarm of that name, in the order of the config, from 1; left out where it is the first.
        #[serde(skip_serializing_if = "Option::is_none")]
        nth: Option<usize>,
        /// `acknowledged`, `reset`, `shelved` or `unshelved`.
        state: &'a str,
        /// For how many minutes it is put aside.
        #[serde(skip_serializing_if = "Option::is_none")]
        minutes: Option<f64>,
    },
    /// The driver pressed the key.
    Mark {
        /// What was typed with it, may be empty.
        text: &'a str,
    },
    /// An event of the config began.
    Event {
        /// Its name.
        name: &'a str,
    },
    /// The config file changed and is in force from here on.
    Config {
        /// The whole file.
        config: &'a str,
    },
    /// An output was switched.
    Output {
        /// Its name.
        name: &'a str,
        /// What it is from here on: 0 or 1, hertz, or a share.
        value: f64,
        /// Which term decides it, in words.
        why: &'a str,
    },
    /// An output is locked from the start, since it was when the program ended.
    Locked {
        /// Its name.
        name: &'a str,
        /// What the pin was set to, and what it was, where it did not follow; else the controller restarted.
        #[serde(skip_serializing_if = "Option::is_none")]
        set: Option<u32>,
        /// See `set`.
        #[serde(skip_serializing_if = "Option::is_none")]
        is: Option<u32>,
        /// [`UNREADABLE`] where it is not known whether it was.
        #[serde(skip_serializing_if = "Option::is_none")]
        why: Option<&'a str>,
    },
    /// A person took sensors that stepped together for true.
    Accepted,
    /// A person freed the outputs that were locked.
    Freed,
    /// The computer got a time of day that can be trusted.
    Clock {
        /// RFC 3339.
        wall: &'a str,
    },
    /// Lines that could not be kept: memory was full while nothing could be written.
    Gap {
        /// How many lines are missing here.
        lines: u64,
        /// How many bytes of the recording those were.
        bytes: u64,
    },
    /// Something is odd about the number of this drive.
    Numbers {
        /// What, in words.
        why: &'a str,
    },
    /// The recording ended well. The last line.
    Closed,
}

/// A note as it is read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Note {
    /// When.
    pub at: Stamp,
    /// The link it concerns; `-` for none.
    pub link: String,
    value: Value,
}

impl Note {
    /// Reads the JSON of a note; `None` where it is no object with a `note`.
    pub(super) fn parse(at: Stamp, link: &str, json: &[u8]) -> Option<Self> {
        let value: Value = serde_json::from_slice(json).ok()?;
        value.get("note")?.as_str()?;
        Some(Self { at, link: link.to_owned(), value })
    }

    /// What kind of note it is: `link`, `alarm`, `mark`, … Kinds that are not known are to be passed over.
    pub fn kind(&self) -> &str {
        self.text("note").unwrap_or_default()
    }

    /// The member `key` where it is a text (unsafe text: show it through `text::safe`).
    pub fn text(&self, key: &str) -> Option<&str> {
        self.value.get(key)?.as_str()
    }

    /// The member `key` where it is a number.
    pub fn number(&self, key: &str) -> Option<f64> {
        self.value.get(key)?.as_f64()
    }

    /// The whole object.
    pub fn value(&self) -> &Value {
        &self.value
    }
}
