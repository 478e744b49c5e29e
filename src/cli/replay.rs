//! `replay`: a recording on the same screens as a drive.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{self, RecvTimeoutError};
use std::thread;
use std::time::Duration;

use anyhow::{Context as _, anyhow, bail};

use super::{Answer, WrongUsage, look, setup};
use crate::record::{ReadError, Recording};
use crate::replay::{Player, Tape, publish_to};
use crate::screen::{self, Command, Control, Session};
use crate::signals;
use crate::state::Shared;
use crate::time::system::Clock;
use crate::time::{Micros, SECOND, micros_from_secs};

/// How often the player is let go on while it plays.
const STEP: Duration = Duration::from_millis(10);
/// How long an answer to a key is shown.
const TOLD_FOR: Micros = 4 * SECOND;
const AT_THE_END: &str = "this is the end; a: play again from the beginning";

/// What `replay` takes.
#[derive(Debug, clap::Args)]
#[command(after_help = "Times are seconds, or minutes:seconds, or hours:minutes:seconds, from the beginning.\n\
    Without -c, each part is shown by the config that was in force when it was driven; give one with -c\n\
    to decode all of it by that, or to rehearse a layout.\n\n\
    Examples:\n  kickpanel replay recordings/000001-01.kpr.zst\n  kickpanel replay --from 1:20 --speed 2 000042-01.kpr")]
pub struct Arguments {
    /// Recordings: .kpr, .kpr.zst, a bare capture, a folder of them, or - for standard input
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,

    /// Begin here
    #[arg(long, value_name = "TIME", value_parser = instant, allow_hyphen_values = true)]
    from: Option<Micros>,

    /// End here
    #[arg(long, value_name = "TIME", value_parser = instant, allow_hyphen_values = true)]
    to: Option<Micros>,

    /// Times real time, 0.1 to 100
    #[arg(long, value_name = "N", default_value_t = 1.0, value_parser = times, allow_hyphen_values = true)]
    speed: f64,

    /// Begin again at the end
    #[arg(long = "loop")]
    looping: bool,

    /// Begin standing still
    #[arg(long)]
    paused: bool,

    #[command(flatten)]
    look: look::Flags,
}

/// Plays until it is ended.
pub fn run(config: Option<PathBuf>, arguments: &Arguments) -> anyhow::Result<Answer> {
    if arguments.from.zip(arguments.to).is_some_and(|(from, to)| to <= from) {
        return Err(WrongUsage("--to must lie after --from".to_owned()).into());
    }
    let picture = arguments.look.picture(look::Instead::Export)?;
    let tape = Tape::new(arguments.files.clone())?;
    let Some(configs) = setup::for_recording(config, &tape.open()?)? else { return Ok(Answer::No) };
    let mut player = Player::new(move || tape.open(), configs)?;
    if player.extent().readings == Some(0) {
        let files: Vec<String> = arguments.files.iter().map(|file| file.display().to_string()).collect();
        bail!("{}", setup::no_reading(&files.join(", "), player.extent().lines));
    }
    let shared = Shared::new(Arc::clone(player.model()), player.snapshot().clone());
    let mut see = publish_to(&shared);
    player.limit(arguments.from, arguments.to, &mut see)?;
    player.set_speed(arguments.speed, &mut see);
    player.set_looping(arguments.looping, &mut see);
    player.pause(arguments.paused, &mut see);
    drop(see);
    let (asked, wishes) = mpsc::channel();
    let control = Control::new().context("cannot make the pipe that wakes the screen")?;
    let session = Session {
        shared: Arc::clone(&shared),
        replaying: true,
        look: picture.look,
        frames_per_s: picture.frames_per_s,
        command: Box::new(move |command| {
            // Where nobody listens any more the replay is ending anyhow.
            let _ = asked.send(command);
        }),
        control: control.clone(),
    };
    let thread = thread::Builder::new()
        .name("player".into())
        .spawn({
            let control = control.clone();
            move || play(player, &shared, &wishes, &control)
        })
        .context("cannot start the player's thread")?;
    // Before the terminal is taken: from here on a signal gives it back.
    signals::at_the_first(move || control.stop()).context("cannot listen for signals")?;
    // The session, and with it the sender of wishes, is gone when the screen has ended: that ends the player.
    screen::run(session)?;
    thread.join().map_err(|_| anyhow!("the player's own thread failed; this is a fault of kickpanel"))?;
    Ok(Answer::Done)
}

fn play<O: Fn() -> Result<Recording, ReadError>>(
    mut player: Player<O>,
    shared: &Shared,
    wishes: &mpsc::Receiver<Command>,
    control: &Control,
) {
    let clock = Clock::start();
    let mut last = clock.now();
    let mut told_until = None;
    loop {
        let wish = match wishes.recv_timeout(STEP) {
            Ok(Command::Quit) | Err(RecvTimeoutError::Disconnected) => return,
            Ok(wish) => Some(wish),
            Err(RecvTimeoutError::Timeout) => None,
        };
        let now = clock.now();
        let passed = now.since(last);
        last = now;
        let mut see = publish_to(shared);
        let mut answer = player.advance(passed, &mut see).err().map(|error| error.to_string());
        if let Some(wish) = wish {
            answer = obey(&mut player, wish, &mut see).unwrap_or_else(|error| Some(error.to_string())).or(answer);
            // What a long jump took is no time that passed.
            last = clock.now();
        }
        if let Some(text) = answer {
            told_until = Some(last.after(TOLD_FOR));
            control.notice(&text);
        } else if told_until.is_some_and(|until| last >= until) {
            told_until = None;
            control.notice("");
        }
    }
}

/// Does what the user wishes; gives what is to be said of it, where the place alone does not say it.
fn obey<O: Fn() -> Result<Recording, ReadError>>(
    player: &mut Player<O>,
    wish: Command,
    see: &mut dyn FnMut(crate::replay::Seen<'_>),
) -> Result<Option<String>, ReadError> {
    let shown = player.shown();
    let answer = match wish {
        Command::TogglePause | Command::JumpBy(0..) | Command::Step(0..) if shown.ended => Some(AT_THE_END),
        Command::JumpBy(..0) | Command::Step(..0) if shown.begun => Some("this is the beginning"),
        Command::TogglePause => {
            player.pause(!shown.paused, see);
            None
        }
        Command::Step(..0) => {
            player.step_back(see)?;
            None
        }
        Command::Step(_) => {
            player.step_forth(see)?;
            None
        }
        Command::Faster => {
            player.faster(see);
            None
        }
        Command::Slower => {
            player.slower(see);
            None
        }
        Command::JumpBy(span) => {
            player.jump_by(span, see)?;
            None
        }
        Command::JumpMark(..0) => {
            player.previous_moment(see)?.is_none().then_some("no mark or alarm is earlier than this")
        }
        Command::JumpMark(_) => player.next_moment(see)?.is_none().then_some("no mark or alarm is later than this"),
        Command::Attend(act, known) => {
            player.attend(act, known, see);
            None
        }
        Command::ToggleLoop => {
            player.set_looping(!shown.looping, see);
            Some(match (shown.looping, shown.ended) {
                (true, _) => "it will stop at the end",
                (false, true) => "playing again from the beginning, and so at each end; a: stop at the end",
                (false, false) => "at the end it will begin again; a: stop at the end",
            })
        }
        Command::Quit | Command::Mark | Command::FreeOutputs | Command::AcceptGround => None,
    };
    Ok(answer.map(str::to_owned))
}

/// A speed within what the player has.
fn times(text: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|speed| (0.1..=100.0).contains(speed))
        .ok_or_else(|| format!("{text} is no speed; write a number from 0.1 to 100, for example --speed 2"))
}

/// `83.5`, `1:23.5` or `0:01:23.5` in microseconds.
pub(super) fn instant(text: &str) -> Result<Micros, String> {
    let wrong =
        || format!("{text} is no time; write seconds, minutes:seconds or hours:minutes:seconds, for example 1:23.5");
    let parts: Vec<&str> = text.split(':').collect();
    if parts.len() > 3 {
        return Err(wrong());
    }
    let mut seconds = 0.0;
    for (place, part) in parts.iter().enumerate() {
        let number: f64 = part.parse().map_err(|_| wrong())?;
        let whole = place + 1 == parts.len() || number.fract() == 0.0;
        let in_range = number >= 0.0 && (place == 0 || number < 60.0);
        if !(number.is_finite() && whole && in_range) {
            return Err(wrong());
        }
        seconds = seconds * 60.0 + number;
    }
    Ok(micros_from_secs(seconds))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case::seconds("83.5", Ok(83_500_000))]
    #[case::minutes("1:23.5", Ok(83_500_000))]
    #[case::hours("1:00:01", Ok(3_601_000_000))]
    #[case::many_seconds_alone("600", Ok(600_000_000))]
    fn times_are_read(#[case] text: &str, #[case] micros: Result<Micros, String>) {
        assert_eq!(instant(text), micros);
    }

    #[rstest]
    #[case("")]
    #[case("-1")]
    #[case("1:60")]
    #[case("1.5:00")]
    #[case("1:2:3:4")]
    #[case("nan")]
    #[case("noon")]
    fn what_is_no_time_is_refused(#[case] text: &str) {
        assert!(instant(text).unwrap_err().starts_with(&format!("{text} is no time")));
    }
}
