//! `drive`: the real thing.

use std::path::PathBuf;

use anyhow::bail;

use super::{Answer, look, setup};
use crate::drive::Plan;
use crate::record;

/// What `drive` takes.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Opens the links of the config, shows, warns and records. The keys that work stand on the bottom line.\n\
    A link that is unplugged is looked for until it is back. Do not set up or read menus while driving.\n\n\
    Ends with 3 where a port is held by another program or may not be opened, and says what to do."
)]
pub struct Arguments {
    /// No screen: for a service
    #[arg(long)]
    no_screen: bool,

    /// Record nothing
    #[arg(long)]
    no_record: bool,

    #[command(flatten)]
    look: look::Flags,
}

/// Drives until it is ended.
pub fn run(config: Option<PathBuf>, arguments: &Arguments) -> anyhow::Result<Answer> {
    let Some(config) = setup::load(config)? else { return Ok(Answer::No) };
    if let Some(link) = config.model.links.iter().find(|link| link.device.is_empty()) {
        bail!(
            "link {} has no device; put `device = \"/dev/serial/by-id/…\"` under [link.{}] in {}",
            link.name,
            link.name,
            config.path.display()
        );
    }
    let plan = Plan {
        locks: Some(folder(&config.model)),
        record: (!arguments.no_record).then(|| folder(&config.model)),
        model: config.model,
        text: config.text,
        path: Some(config.path),
        screen: (!arguments.no_screen).then(|| arguments.look.picture(look::Instead::NoScreen)).transpose()?,
        simulated: None,
    };
    // A service tells all of it in its lines.
    setup::drive(plan, !arguments.no_screen)?;
    Ok(Answer::Done)
}

/// Where recordings go: as the config says, else the user's data folder, else here.
fn folder(model: &crate::config::Model) -> PathBuf {
    let named = model.record.folder.as_ref().map(PathBuf::from);
    named.or_else(record::default_folder).unwrap_or_else(|| PathBuf::from("recordings"))
}
