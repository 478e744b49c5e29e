//! Links that are listened to without driving: the loop that `calibrate` and `wiggle` share.
//!
//! Owns opening the links as a drive does, looking in on them until somebody has enough, and closing them. In: a config in
//! which nothing is armed, and a [`Listener`]. Out: what the listener makes of it. Records nothing, draws nothing.

use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context as _, anyhow};
use tokio::runtime::Builder;
use tokio::sync::{mpsc, watch};
use tokio::task::LocalSet;

use super::engine::{Engine, Tap};
use crate::config::{LinkId, SharedModel};
use crate::link::{self, Outgoing, Surroundings};
use crate::pipeline::Pipeline;
use crate::signals::Signals;
use crate::state::Shared;
use crate::time::Stamp;
use crate::time::system::Clock;

/// How often the listener looks.
const LOOK: Duration = Duration::from_millis(20);
/// Lines that wait for each link at most.
const COMMANDS: usize = 8;

/// Whoever listens.
pub trait Listener {
    /// Signals are listened for, and no link is open yet. Gives what is to be told of each line, if anything. `commands`
    /// take what is to be sent over each link.
    fn begin(&mut self, commands: &[mpsc::Sender<Outgoing>]) -> anyhow::Result<Option<Tap>>;

    /// Looks at what is known at `now`. False: enough.
    fn look(&mut self, engine: &Engine, now: Stamp) -> anyhow::Result<bool>;

    /// The links are about to be closed, whatever the reason; what was sent just now still goes.
    fn end(&mut self, now: Stamp);

    /// What to do where a port is held by another program or may not be opened.
    fn advice(&self) -> &'static str;
}

/// Listens until the listener has enough or a signal asks for the end. Fails where a port is held by another program or
/// may not be opened. Links without a device stay closed.
pub fn listen(model: &SharedModel, listener: &mut dyn Listener) -> anyhow::Result<()> {
    let runtime = Builder::new_current_thread().enable_all().build().context("cannot start the tasks")?;
    let signals = Signals::listen(&runtime).context("cannot listen for signals")?;
    LocalSet::new().block_on(&runtime, attend(model, listener, signals))
}

async fn attend(model: &SharedModel, listener: &mut dyn Listener, mut signals: Signals) -> anyhow::Result<()> {
    let clock = Clock::start();
    let (stop, stopped) = watch::channel(false);
    let (senders, receivers): (Vec<_>, Vec<_>) = model.links.iter().map(|_| mpsc::channel(COMMANDS)).unzip();
    let tap = listener.begin(&senders)?;
    let shared = Shared::new(Arc::clone(model), Pipeline::new(Arc::clone(model)).snapshot().clone());
    let mut engine = Engine::new(Arc::clone(model), None, shared, senders);
    if let Some(tap) = tap {
        engine.tell(tap);
    }
    let engine = Rc::new(RefCell::new(engine));
    let mut tasks = Vec::new();
    for ((index, link), commands) in (0_u8..).zip(&model.links).zip(receivers) {
        if !link.device.is_empty() {
            let settings = link::Settings { device: link.device.clone(), baud: link.baud };
            let task = link::run(LinkId(index), settings, clock, Rc::clone(&engine), commands, stopped.clone());
            tasks.push(tokio::task::spawn_local(task));
        }
    }
    let mut looks = tokio::time::interval(LOOK);
    looks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let ended = loop {
        tokio::select! {
            () = signals.any() => break Ok(()),
            _ = looks.tick() => {}
        }
        match look(&engine, listener, clock.now()) {
            Ok(true) => {}
            Ok(false) => break Ok(()),
            Err(why) => break Err(why),
        }
    };
    listener.end(clock.now());
    let _ = stop.send(true);
    for task in tasks {
        // A task that panicked has been told of.
        let _ = task.await;
    }
    ended
}

fn look(engine: &RefCell<Engine>, listener: &mut dyn Listener, now: Stamp) -> anyhow::Result<bool> {
    engine.borrow_mut().tick(now);
    let engine = engine.borrow();
    let Some((link, trouble)) = engine.hopeless() else { return listener.look(&engine, now) };
    let link = &engine.model().links[link.index()];
    let why = link::explain(trouble, &link.device, &Surroundings::here());
    Err(anyhow!("link {}: {why}\n{}", link.name, listener.advice()))
}
