//! The sources of the controller's firmware, as they are compiled into the program.
//!
//! Owns the list of files that somebody needs to build and flash a controller without having the project. Writes none.

/// A file of the firmware: its name, and what is in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Source {
    /// Its name, without a folder.
    pub name: &'static str,
    /// Its text.
    pub text: &'static str,
}

macro_rules! sources {
    ($($name:literal),* $(,)?) => {
        &[$(Source { name: $name, text: include_str!(concat!("firmware/", $name)) }),*]
    };
}

/// All files, the pages first: the instructions, and the lines for whoever writes another firmware.
pub const SOURCES: &[Source] = sources![
    "README.md",
    "LINES.md",
    "Makefile",
    "analog.c",
    "analog.h",
    "board.h",
    "checksum.h",
    "clock.c",
    "clock.h",
    "command.c",
    "command.h",
    "duty.c",
    "duty.h",
    "edges.c",
    "edges.h",
    "line.c",
    "line.h",
    "main.c",
    "output.c",
    "output.h",
    "serial.c",
    "serial.h",
    "start.c",
    "start.h",
    "text.c",
    "text.h",
    "wave.c",
    "wave.h",
];
