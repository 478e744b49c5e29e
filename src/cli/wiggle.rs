//! `wiggle`: every momentary dropout of every input, while someone moves the harness.

use std::path::PathBuf;

use anyhow::bail;

use super::{Answer, look, setup};
use crate::screen::Look;
use crate::wiggle;

/// What `wiggle` takes.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Opens the links of the config, as `drive` does, asks each controller for its highest rate, and\n\
    gives it its own back at the end. Nothing is recorded, nothing is switched.\n\n\
    Move one plug or wire at a time and listen: the bell rings at each new dropout, also of a single\n\
    reading. The input that dropped last stands at the top, with what moved in the same reading:\n\
    several at once share a ground, a supply or a plug. c clears, q ends.\n\n\
    Engine off, or hands, sleeves and tools clear of belts, fan and hot parts; vehicle standing, wheels\n\
    chocked. Local rules and a licensed mechanic come first."
)]
pub struct Arguments {
    #[command(flatten)]
    look: look::Flags,
}

/// Shows dropouts until it is ended.
pub fn run(config: Option<PathBuf>, arguments: &Arguments) -> anyhow::Result<Answer> {
    let Some(config) = setup::load(config)? else { return Ok(Answer::No) };
    if config.model.links.iter().all(|link| link.device.is_empty()) {
        bail!(
            "no link in {} has a device to listen to; put `device = \"/dev/serial/by-id/…\"` under it",
            config.path.display()
        );
    }
    let picture = arguments.look.picture(look::Instead::Nothing)?;
    let look = Look::here(picture.look)?;
    wiggle::listen(&config.model, look, picture.frames_per_s)?;
    Ok(Answer::Done)
}
