//! `completions`: the completion script of a shell.

use std::io;

use clap::CommandFactory as _;

use super::Answer;

/// What `completions` takes.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example, for bash:\n  kickpanel completions bash > ~/.local/share/bash-completion/completions/kickpanel"
)]
pub struct Arguments {
    /// The shell
    shell: clap_complete::Shell,
}

/// Writes the script to standard output.
pub fn run(arguments: &Arguments) -> anyhow::Result<Answer> {
    let mut script = Vec::new();
    clap_complete::generate(arguments.shell, &mut super::Arguments::command(), "kickpanel", &mut script);
    io::Write::write_all(&mut io::stdout().lock(), &script)?;
    Ok(Answer::Done)
}
