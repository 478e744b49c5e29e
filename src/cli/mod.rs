//! The command line: one file a verb, thin.
//!
//! Owns what may be typed, its help, and how an answer becomes an exit status: 0 done, 1 the answer is no, 2 wrong
//! usage, 3 it could not be done. Results go to standard output, errors to standard error. No logic of its own.

mod calibrate;
mod check;
mod check_json;
mod completions;
mod curve;
mod demo;
mod drive;
mod export;
mod firmware;
mod list;
mod look;
mod paper;
mod replay;
mod setup;
mod wiggle;

use std::io::{self, IsTerminal, Write as _};
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::text::safe;

/// Turns raw counts from a microcontroller into gauges, warnings and recordings that can be trusted.
#[derive(Debug, Parser)]
#[command(name = "kickpanel", version, max_term_width = 100)]
#[command(after_help = "New here? Start with `kickpanel demo`: a whole vehicle in software, no hardware needed.\n\
    Exit status: 0 done, 1 the answer is no, 2 wrong usage, 3 it could not be done.")]
pub struct Arguments {
    /// The config file of the vehicle [default: ./kickpanel.toml, then your config folder, then /etc/kickpanel/]
    #[arg(short = 'c', long = "config", global = true, value_name = "FILE")]
    config: Option<PathBuf>,

    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// Open the links, show the gauges, watch the limits, record everything
    Drive(drive::Arguments),
    /// Play a recording through the same screens
    Replay(replay::Arguments),
    /// Drive a whole vehicle in software; no hardware needed
    Demo(demo::Arguments),
    /// Read the config, report every mistake, list channels, limits and pins
    Check(check::Arguments),
    /// Show and hold every momentary dropout of every input while someone moves the harness
    Wiggle(wiggle::Arguments),
    /// Correct a channel by pairs of what it says and what a trusted gauge says
    Calibrate(calibrate::Arguments),
    /// Draw a channel's way from counts to its unit, or evaluate it at one place
    Curve(curve::Arguments),
    /// Write the decoded values of recordings as CSV or JSON lines
    Export(export::Arguments),
    /// Measure what the alarms of recordings did, and how to quiet those that nag
    List(list::Arguments),
    /// Write the controller's source, and how to build and flash it
    Firmware(firmware::Arguments),
    /// Write the completion script of a shell
    Completions(completions::Arguments),
}

/// What a verb that could be carried out answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answer {
    /// Done.
    Done,
    /// Done, and the answer is no: mistakes found, nothing found.
    No,
}

/// Wrong usage that only shows after the arguments were parsed.
#[derive(Debug)]
struct WrongUsage(String);

impl std::fmt::Display for WrongUsage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for WrongUsage {}

/// Runs the program with the process's own arguments.
pub fn main() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            // Help and version are no errors and go to standard output; clap knows which is which.
            if !error.use_stderr() {
                let _ = error.print();
                return ExitCode::SUCCESS;
            }
            // What was typed may be a file's name that a shell put there, and clap quotes it as it is.
            tell("", "", &error.render().to_string());
            return ExitCode::from(2);
        }
    };
    match run(arguments) {
        Ok(Answer::Done) => ExitCode::SUCCESS,
        Ok(Answer::No) => ExitCode::from(1),
        Err(error) if is_closed_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            complain(&format!("{error:#}"));
            ExitCode::from(if error.is::<WrongUsage>() { 2 } else { 3 })
        }
    }
}

fn run(arguments: Arguments) -> anyhow::Result<Answer> {
    let config = arguments.config;
    match arguments.verb {
        Verb::Drive(verb) => drive::run(config, &verb),
        Verb::Replay(verb) => replay::run(config, &verb),
        Verb::Demo(verb) => demo::run(config, &verb),
        Verb::Check(verb) => check::run(config, &verb),
        Verb::Wiggle(verb) => wiggle::run(config, &verb),
        Verb::Calibrate(verb) => calibrate::run(config, &verb),
        Verb::Curve(verb) => curve::run(config, &verb),
        Verb::Export(verb) => export::run(config, &verb),
        Verb::List(verb) => list::run(config, &verb),
        Verb::Firmware(verb) => firmware::run(&verb),
        Verb::Completions(verb) => completions::run(&verb),
    }
}

/// Somebody who read our output has seen enough; that is no failure.
fn is_closed_pipe(error: &anyhow::Error) -> bool {
    error.chain().any(|cause| cause.downcast_ref::<io::Error>().is_some_and(|e| e.kind() == io::ErrorKind::BrokenPipe))
}

/// One message to standard error.
fn complain(message: &str) {
    tell("kickpanel: ", "  ", message);
}

/// Lines to standard error, each made safe for a terminal, behind `first` and the others behind `others`.
fn tell(first: &str, others: &str, message: &str) {
    let mut stderr = io::stderr().lock();
    let mut prefix = first;
    for line in message.lines() {
        // If standard error is gone there is nobody left to tell.
        let _ = writeln!(stderr, "{prefix}{}", safe(line));
        prefix = others;
    }
}

/// Whether colour may go to standard error.
fn colour_on_stderr() -> bool {
    io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty())
}
