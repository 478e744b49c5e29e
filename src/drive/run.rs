//! The tasks of a drive: one for each link, one for everything else, a thread for the screen.

use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::Arc;
use std::thread;

use anyhow::{Context as _, anyhow};
use tokio::runtime::{Builder, Runtime};
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{mpsc, watch};
use tokio::task::LocalSet;

use super::attendant::Attendant;
use super::disarm;
use super::engine::Engine;
use super::locks::{self, Locks};
use super::reload;
use super::simulate;
use crate::config::{LinkId, SharedModel};
use crate::controller::Simulated;
use crate::link::{self, Outgoing};
use crate::pipeline::Pipeline;
use crate::record::{Recorder, Setup};
use crate::screen::{self, Command, Control, LookSettings, Session};
use crate::signals::Signals;
use crate::state::Shared;
use crate::time::system::{self, Clock};

/// Commands that wait for a link; more are dropped, since an old one is worse than none.
const COMMANDS: usize = 8;

/// What a drive begins with.
#[derive(Debug)]
pub struct Plan {
    /// The config in force.
    pub model: SharedModel,
    /// Its text, for the recording.
    pub text: String,
    /// Its file, to notice when it changes; `None`: it never does.
    pub path: Option<PathBuf>,
    /// The folder that recordings go to; `None`: nothing is recorded.
    pub record: Option<PathBuf>,
    /// The folder in which it is kept which outputs are locked; `None`: it is not.
    pub locks: Option<PathBuf>,
    /// How to draw; `None`: no screen.
    pub screen: Option<Picture>,
    /// A controller in software in place of the first link's device.
    pub simulated: Option<Simulated>,
}

/// How to draw.
#[derive(Clone, Copy, Debug)]
pub struct Picture {
    /// Glyphs, colours, night.
    pub look: LookSettings,
    /// Most frames in a second.
    pub frames_per_s: u32,
}

/// Why a drive ended well.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ending {
    /// The user or a signal wanted it.
    Asked,
    /// The terminal is gone.
    TerminalGone,
}

/// A drive that ended well.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ended {
    /// Why.
    pub why: Ending,
    /// Its number among the recordings; `None` where it was not recorded.
    pub recorded: Option<u32>,
}

/// What the drive's own thread is handed.
struct Given {
    plan: Plan,
    clock: Clock,
    shared: Arc<Shared>,
    wishes: mpsc::UnboundedReceiver<Command>,
    /// Listened to already.
    signals: Signals,
    /// The screen, if there is one.
    control: Option<Control>,
}

/// Drives until the user or a signal ends it. Blocks the calling thread, which draws.
pub fn run(mut plan: Plan) -> anyhow::Result<Ended> {
    if plan.simulated.is_some() {
        // Only a real drive switches anything.
        plan.model = disarm::all(&plan.model);
    }
    let clock = Clock::start();
    let runtime = Builder::new_current_thread().enable_all().build().context("cannot start the tasks")?;
    // Before the terminal is taken by this thread: a signal that finds it taken must find somebody who gives it back.
    let signals = Signals::listen(&runtime).context("cannot listen for signals")?;
    let shared = Shared::new(Arc::clone(&plan.model), Pipeline::new(Arc::clone(&plan.model)).snapshot().clone());
    let (asked, wishes) = mpsc::unbounded_channel();
    let Some(picture) = plan.screen else {
        let recorded = engine_thread(&runtime, Given { plan, clock, shared, wishes, signals, control: None })?;
        return Ok(Ended { why: Ending::Asked, recorded });
    };
    let control = Control::new().context("cannot make the pipe that wakes the screen")?;
    let session = Session {
        shared: Arc::clone(&shared),
        replaying: false,
        look: picture.look,
        frames_per_s: picture.frames_per_s,
        command: Box::new({
            let asked = asked.clone();
            // Where nobody listens any more the drive is ending anyhow.
            move |command| {
                let _ = asked.send(command);
            }
        }),
        control: control.clone(),
    };
    let engine = thread::Builder::new()
        .name("drive".into())
        .spawn(move || {
            let screen = Some(control.clone());
            let ended = engine_thread(&runtime, Given { plan, clock, shared, wishes, signals, control: screen });
            control.stop();
            ended
        })
        .context("cannot start the drive's thread")?;
    let ending = screen::run(session);
    let _ = asked.send(Command::Quit);
    let joined = engine.join().map_err(|_| anyhow!("the drive's own thread failed; this is a fault of kickpanel"));
    let recorded = joined??;
    let why = match ending? {
        screen::Ending::TerminalGone => Ending::TerminalGone,
        screen::Ending::Quit | screen::Ending::Stopped => Ending::Asked,
    };
    Ok(Ended { why, recorded })
}

/// Everything but the screen, on the calling thread. Gives the number of the drive.
fn engine_thread(runtime: &Runtime, given: Given) -> anyhow::Result<Option<u32>> {
    LocalSet::new().block_on(runtime, drive(given))
}

async fn drive(given: Given) -> anyhow::Result<Option<u32>> {
    let Given { plan, clock, shared, wishes, signals, control } = given;
    survive_a_limit_on_files()?;
    let (known, in_force) = (plan.text.clone(), plan.text.clone());
    let recorder = plan.record.map(|folder| {
        let program = format!("kickpanel {}", env!("CARGO_PKG_VERSION"));
        Recorder::start_held(folder, Setup { program, config: plan.text, wall: Some(system::wall()) }, clock)
    });
    let rehearses = plan.simulated.is_some();
    let (stop, stopped) = watch::channel(false);
    let (senders, receivers): (Vec<_>, Vec<_>) = plan.model.links.iter().map(|_| mpsc::channel(COMMANDS)).unzip();
    let engine = Rc::new(RefCell::new(Engine::new(Arc::clone(&plan.model), recorder, shared, senders)));
    let locks = plan.locks.map(|folder| Locks::open(folder.join(locks::FILE))).transpose();
    if let Some(locks) = locks.context("cannot start the thread that keeps locks")? {
        engine.borrow_mut().keep_locks(clock.now(), locks);
    }
    let simulated = plan.simulated.map(simulate::Rehearsal::new).transpose()?;
    let device = simulated.as_ref().map(|rehearsal| rehearsal.device().to_owned());
    let tasks = open_links(&plan.model, device.as_deref(), clock, &engine, receivers, &stopped);
    if let Some(rehearsal) = simulated {
        tokio::task::spawn_local(rehearsal.run(clock, stopped.clone()));
    }
    let configs =
        plan.path.map(|path| reload::watch(path, known, clock)).transpose().context("cannot watch the config file")?;
    // A task of its own: what waits here is polled whenever any task of this thread wakes, for each piece of a line.
    let attendant = Attendant::new(Rc::clone(&engine), clock, wishes, (in_force, configs), control, rehearses);
    let ended = tokio::task::spawn_local(attendant.attend(signals)).await;
    engine.borrow_mut().rest(clock.now());
    let _ = stop.send(true);
    for task in tasks {
        // A task that panicked has been told of already; the recording must be closed all the same.
        let _ = task.await;
    }
    let recorded = engine.borrow_mut().recorded();
    engine.borrow_mut().close();
    ended.context("a task of the drive failed; this is a fault of kickpanel")??;
    Ok(recorded)
}

/// From now on a write beyond the size that a file may have here (`ulimit -f`, or a service's limit) fails like any other
/// instead of ending the program: the recorder tells of it, and driving goes on.
fn survive_a_limit_on_files() -> anyhow::Result<()> {
    let kind = SignalKind::from_raw(rustix::process::Signal::XFSZ.as_raw());
    // A signal that was listened for once never ends the process again; nobody needs to hear it.
    signal(kind).map(drop).context("cannot listen for signals")
}

/// Starts the task of each link. `device` takes the place of the first link's.
fn open_links(
    model: &SharedModel,
    device: Option<&Path>,
    clock: Clock,
    engine: &Rc<RefCell<Engine>>,
    receivers: Vec<mpsc::Receiver<Outgoing>>,
    stopped: &watch::Receiver<bool>,
) -> Vec<tokio::task::JoinHandle<()>> {
    let links = (0_u8..).zip(&model.links).zip(receivers);
    links
        .map(|((index, link), commands)| {
            let device =
                device.filter(|_| index == 0).map_or_else(|| link.device.clone(), |path| path.display().to_string());
            let settings = link::Settings { device, baud: link.baud };
            let stop = stopped.clone();
            tokio::task::spawn_local(link::run(LinkId(index), settings, clock, Rc::clone(engine), commands, stop))
        })
        .collect()
}
