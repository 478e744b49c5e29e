//! `calibrate`: pairs of what the pin says and what a trusted gauge says become a line of the config.

use std::io::{self, IsTerminal as _, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use anyhow::{Context as _, anyhow, bail};

use super::setup::Config;
use super::{Answer, WrongUsage, complain, paper, replay, setup};
use crate::calibrate::{
    Ended, Live, Pair, Proposal, SPAN, Scale, Taken, Unwritten, Wanted, Window, bare, caution, folder_of, lines,
    listen, propose, reading, replace, unsteady,
};
use crate::channel::{Conditions, Transfer};
use crate::config::{Field, Link, Model, Sensor, Source};
use crate::curve::wrapped;
use crate::pipeline::Outcome;
use crate::record::Recording;
use crate::replay::{Fed, Feed};
use crate::signals;
use crate::text::{is_showable, safe};
use crate::time::{Micros, system};

/// What `calibrate` takes.
#[derive(Debug, clap::Args)]
#[command(after_help = "Without FILE the links of the config are opened, as `drive` opens them, and pairs are taken\n\
    at the terminal. With FILE, each --at says when in the recording, as `replay` and the time_s of\n\
    `export` count, and the --reads behind it what the gauge said then. The config that is to be\n\
    changed decodes it.\n\n\
    One pair gives an offset, two give gain and offset, more the line of least squares.\n\
    Steady means: for 5 s (4 s at least) every reading was trusted, the means of both halves differ\n\
    by at most 0.5 % of the span or one count, and single readings scatter by at most 2 % of it or\n\
    two counts.\n\n\
    Vehicle standing, wheels chocked, nothing near belts, fan or hot parts. Never open a hot cooling\n\
    system. Fit gauges with the engine off. Local rules and a licensed mechanic come first.\n\n\
    Examples:\n  kickpanel calibrate oil\n  \
    kickpanel calibrate coolant drive.kpr --at 4:10 --reads \"20 degC\" --at 31:00 --reads 88")]
pub struct Arguments {
    /// The channel
    channel: String,

    /// Recordings to take pairs from
    #[arg(value_name = "FILE")]
    files: Vec<PathBuf>,

    /// When in the recording; seconds, minutes:seconds or hours:minutes:seconds
    #[arg(long, value_name = "TIME", value_parser = replay::instant, requires = "files")]
    at: Vec<Micros>,

    /// What the gauge said then, with its unit or in the channel's
    #[arg(long, value_name = "VALUE", allow_hyphen_values = true, requires = "files")]
    reads: Vec<String>,

    /// The gauge that is trusted, for the config
    #[arg(long, value_name = "TEXT", default_value = "a trusted gauge")]
    against: String,

    /// New constants for a thermistor in place of gain and offset; three pairs or more
    #[arg(long)]
    refit: bool,

    /// Write without asking
    #[arg(long)]
    yes: bool,

    /// Letters, digits and signs only
    #[arg(long)]
    ascii: bool,
}

/// Gathers, fits, shows, asks, writes.
pub fn run(config: Option<PathBuf>, arguments: &Arguments) -> anyhow::Result<Answer> {
    check(arguments)?;
    let Some(config) = setup::load(config)? else { return Ok(Answer::No) };
    let place = setup::channel(&config.model, &arguments.channel)?;
    fits(&config.model, place)?;
    let scale = scale(&config.model, place);
    let pairs = if arguments.files.is_empty() {
        match listen(&live(&config, place, scale)?)? {
            Ended::Finished(pairs) => pairs,
            Ended::Cancelled => {
                complain("cancelled; nothing was written");
                return Ok(Answer::No);
            }
        }
    } else {
        let Some(pairs) = from_recording(&config.model, place, scale, arguments)? else { return Ok(Answer::No) };
        pairs
    };
    let on: String = system::wall().to_string().chars().take(10).collect();
    let wanted = Wanted { refit: arguments.refit, on, against: arguments.against.clone() };
    match propose(&config.text, &config.model, place, &pairs, scale, &wanted) {
        Ok(proposal) => show_and_write(&config, place, &pairs, &proposal, &wanted, arguments),
        Err(refusal) => {
            complain(&format!("{refusal}. Nothing was written"));
            Ok(Answer::No)
        }
    }
}

/// What clap cannot say of the arguments.
fn check(arguments: &Arguments) -> Result<(), WrongUsage> {
    let (at, reads) = (arguments.at.len(), arguments.reads.len());
    if !arguments.files.is_empty() && at == 0 {
        return Err(WrongUsage(
            "a recording needs --at TIME and --reads VALUE, for example --at 4:10 --reads 20".to_owned(),
        ));
    }
    if at != reads {
        return Err(WrongUsage(format!("each --at needs a --reads behind it; there are {at} and {reads}")));
    }
    let text = arguments.against.trim();
    if text.is_empty() || text.chars().count() > 80 || !text.chars().all(is_showable) {
        return Err(WrongUsage("--against takes up to 80 plain characters that name the gauge".to_owned()));
    }
    Ok(())
}

/// Whether the channel at `place` is one that a gauge can stand beside.
fn fits(model: &Model, place: usize) -> Result<(), WrongUsage> {
    let channel = &model.channels[place];
    let why = match &channel.source {
        Source::Input(input) if matches!(input.sensor, Sensor::Switch { .. }) => "is a switch: it is on or off",
        Source::Input(input) if matches!(input.field, Field::LinkLost | Field::LinkBad | Field::LinkResets) => {
            "is a count of lines: there is nothing to compare it with"
        }
        _ => return Ok(()),
    };
    Err(WrongUsage(format!("{} {why}", channel.name)))
}

fn scale(model: &Model, place: usize) -> Scale {
    let bare = bare(model, place);
    let channel = &bare.channels[place];
    let mut transfer = Transfer::new(channel, &bare.trust, Conditions::usual(&bare));
    Scale::of(channel, transfer.as_mut())
}

fn live(config: &Config, place: usize, scale: Scale) -> anyhow::Result<Live> {
    if !(io::stdout().is_terminal() && io::stdin().is_terminal()) {
        bail!(
            "pairs are typed at a terminal, and this is none; take them from a recording: calibrate CHANNEL FILE --at TIME --reads VALUE"
        );
    }
    let model = bare(&config.model, place);
    let needed = |link: &Link| match &model.channels[place].source {
        Source::Input(input) => model.links.get(input.link.index()).is_some_and(|own| own.name == link.name),
        Source::Formula(_) => true,
    };
    if let Some(link) = model.links.iter().find(|link| link.device.is_empty() && needed(link)) {
        bail!(
            "link {} in {} has no device to listen to; give it one, or take pairs from a recording: calibrate CHANNEL FILE --at TIME \
             --reads VALUE",
            link.name,
            config.path.display()
        );
    }
    let old = config.model.channels[place].calibration.as_ref().map_or((1.0, 0.0), |old| (old.gain, old.offset));
    Ok(Live { model: Arc::new(model), channel: place, scale, old })
}

/// A pair that is wanted: when, what the gauge said, and the readings around it.
struct Spot {
    at: Micros,
    gauge: f64,
    window: Window,
}

/// The pairs of the recording; `None` where one cannot be had, which is then on standard error.
fn from_recording(
    model: &Model,
    place: usize,
    scale: Scale,
    arguments: &Arguments,
) -> anyhow::Result<Option<Vec<Pair>>> {
    let unit = model.channels[place].unit;
    let mut spots = Vec::new();
    for (&at, text) in arguments.at.iter().zip(&arguments.reads) {
        let gauge = reading(text, unit).map_err(|why| WrongUsage(format!("--reads: {why}")))?;
        spots.push(Spot { at, gauge, window: Window::default() });
    }
    let end = gather(&arguments.files, bare(model, place), place, &mut spots)?;
    let mut pairs = Vec::new();
    let mut refused = false;
    for (number, spot) in (1..).zip(&spots) {
        match spot.window.steady(scale) {
            Ok(mean) => pairs.push(Pair { mean, gauge: spot.gauge }),
            Err(why) => {
                refused = true;
                let seconds = spot.at as f64 / 1e6;
                let hint = if spot.at > end {
                    format!("; the recording ends at {:.1} s", end as f64 / 1e6)
                } else {
                    String::new()
                };
                complain(&format!("pair {number} at {seconds} s: {}{hint}", unsteady(why, unit)));
            }
        }
    }
    if refused {
        complain("nothing was written; look with `kickpanel replay` for a time at which the value stands still");
    }
    Ok((!refused).then_some(pairs))
}

/// Reads the recording once and fills the windows, half of each before its time and half after. Gives when it ends.
fn gather(files: &[PathBuf], model: Model, place: usize, spots: &mut [Spot]) -> anyhow::Result<Micros> {
    let mut recording = Recording::open(files)?;
    let mut feed = Feed::new(Arc::new(model));
    loop {
        let item = match recording.next() {
            Ok(Some(item)) => item,
            Ok(None) => return Ok(feed.pipeline().snapshot().at),
            Err(error) => {
                complain(&error.to_string());
                continue;
            }
        };
        if !matches!(feed.item(&item, &mut |_| {}), Fed::Line(Outcome::Reading)) {
            continue;
        }
        let snapshot = feed.pipeline().snapshot();
        let Some(shown) = snapshot.channels.get(place).filter(|shown| shown.heard.is_some()) else { continue };
        for spot in spots.iter_mut().filter(|spot| (snapshot.at - spot.at).abs() <= SPAN / 2) {
            let (input, raw) = (shown.evidence.input, shown.evidence.raw);
            spot.window.push(Taken { at: snapshot.at, value: shown.value, input, raw });
        }
    }
}

fn show_and_write(
    config: &Config,
    place: usize,
    pairs: &[Pair],
    proposal: &Proposal,
    wanted: &Wanted,
    arguments: &Arguments,
) -> anyhow::Result<Answer> {
    let mut out = io::stdout().lock();
    let (columns, signs) = (paper::columns(), paper::signs(arguments.ascii));
    let channel = &config.model.channels[place];
    writeln!(out, "{} ({})", safe(&channel.label), channel.name)?;
    for line in lines(&config.model, place, pairs, proposal, columns, signs) {
        writeln!(out, "{line}")?;
    }
    let name = config.path.display().to_string();
    let text = match &proposal.text {
        Ok(text) => text,
        Err(paste) => {
            complain(&format!(
                "{name} is written in a way that cannot be changed byte by byte; nothing was written. Put this there:"
            ));
            write!(out, "\n{paste}")?;
            return Ok(Answer::No);
        }
    };
    if !arguments.yes && !agreed(&name, arguments.files.is_empty(), &mut out)? {
        complain("nothing was written");
        return Ok(Answer::No);
    }
    let copy = write(&config.path, &config.text, text, &wanted.on)?;
    for line in wrapped(&format!("Written to {}; the old text is in {}.", safe(&name), safe(&copy)), columns) {
        writeln!(out, "{line}")?;
    }
    for line in wrapped(&format!("A running drive takes it by itself. {}", caution(channel.unit)), columns) {
        writeln!(out, "{line}")?;
    }
    Ok(Answer::Done)
}

/// Asks; anything but yes is no. `was_live`: signals were listened for, so that none of them ends the program by itself any
/// more; while it waits here, one is a no.
fn agreed(name: &str, was_live: bool, out: &mut impl Write) -> anyhow::Result<bool> {
    let waits = Arc::new(AtomicBool::new(true));
    if was_live {
        let waits = Arc::clone(&waits);
        signals::at_the_first(move || {
            if waits.load(Ordering::SeqCst) {
                complain("nothing was written");
                std::process::exit(1);
            }
        })
        .context("cannot listen for signals")?;
    }
    write!(out, "Write it to {}? [y/N] ", safe(name))?;
    out.flush()?;
    let mut answer = String::new();
    io::stdin().read_line(&mut answer).context("cannot read the answer; --yes does without")?;
    waits.store(false, Ordering::SeqCst);
    if !io::stdin().is_terminal() {
        writeln!(out)?;
    }
    Ok(matches!(answer.trim(), "y" | "Y" | "yes"))
}

/// Puts `new` in the place of `old`; gives the name of the copy.
fn write(path: &Path, old: &str, new: &str, date: &str) -> anyhow::Result<String> {
    let name = path.display();
    let (mut folder, file) = folder_of(path).with_context(|| format!("cannot find {name} again"))?;
    match replace(&mut folder, &file, old.as_bytes(), new.as_bytes(), date) {
        Ok(done) => Ok(done.copy),
        Err(Unwritten::Changed) => Err(anyhow!(
            "{name} was changed meanwhile; nothing was written. Run calibrate again to take the new text into account"
        )),
        Err(Unwritten::Rights(error)) => Err(anyhow!(
            "cannot keep owner and rights of {name} ({error}); nothing was written. Run calibrate as its owner"
        )),
        Err(Unwritten::Failed(error)) => {
            Err(anyhow!("cannot write beside {name}: {}. The file is as it was", setup::why_not_written(&error)))
        }
    }
}
