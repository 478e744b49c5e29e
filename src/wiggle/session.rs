//! The live part: links opened as a drive opens them, the page, the bell, and the rate that is asked for and given back.
//!
//! Owns the loop. In: the links of the config and keys. Out: bytes to the terminal. Records nothing, switches nothing; the
//! rate of every controller and the terminal are given back on every way out.

use std::cell::RefCell;
use std::io;
use std::rc::Rc;
use std::sync::Arc;

use anyhow::Context as _;
use tokio::sync::mpsc;

use super::harness::Harness;
use super::rate::Rate;
use super::rows::{Scene, losses};
use crate::config::{LinkId, Model};
use crate::drive::{self, Engine, Listener, Tap};
use crate::link::Outgoing;
use crate::screen::{Got, HarnessKey, HarnessScreen, Look, Terminal};
use crate::state::Snapshot;
use crate::time::{MILLISECOND, Micros, SECOND, Stamp};
use crate::wire::{Decoder, FieldId, Form, Pin, PinKind};

/// How often the page is drawn while nothing drops.
const DRAW: Micros = 100 * MILLISECOND;
/// Least time from one bell to the next; what drops between them rings once, then.
const BELL: Micros = 250 * MILLISECOND;
/// Many boards restart once when their port is opened, within this.
const OPENING: Micros = 5 * SECOND;

/// Shows every dropout until the user has seen enough. Fails where a port is held by another program or may not be opened.
/// `frames_per_s`: the most pictures in a second, 1 or more.
pub fn listen(model: &Model, look: Look, frames_per_s: u32) -> anyhow::Result<()> {
    let model = Arc::new(every_pin(model));
    let ear = Rc::new(RefCell::new(Ear::new(&model)));
    drive::listen(&model, &mut Session { ear, look, frames_per_s, desk: None })
}

struct Session {
    ear: Rc<RefCell<Ear>>,
    look: Look,
    frames_per_s: u32,
    desk: Option<Desk>,
}

impl Listener for Session {
    fn begin(&mut self, commands: &[mpsc::Sender<Outgoing>]) -> anyhow::Result<Option<Tap>> {
        let terminal = Terminal::take(io::stdout()).context("cannot take the terminal")?;
        self.desk = Some(Desk::new(terminal, self.look.clone(), self.frames_per_s));
        self.ear.borrow_mut().commands = commands.to_vec();
        let ear = Rc::clone(&self.ear);
        Ok(Some(Box::new(move |link, now, decoder| ear.borrow_mut().hear(link, now, decoder))))
    }

    fn look(&mut self, engine: &Engine, now: Stamp) -> anyhow::Result<bool> {
        match &mut self.desk {
            Some(desk) => desk.look(engine, &mut self.ear.borrow_mut(), now),
            None => Ok(false),
        }
    }

    fn end(&mut self, now: Stamp) {
        self.desk = None;
        self.ear.borrow_mut().give_back(now);
    }

    fn advice(&self) -> &'static str {
        "End a drive before you move the harness, and start it again after."
    }
}

/// The same links and channels with every pin that a controller may send; no output, no alarm.
fn every_pin(model: &Model) -> Model {
    let mut model = model.clone();
    model.outputs.clear();
    model.alarms.clear();
    for link in model.links.iter_mut().filter(|link| link.form != Form::Nmea) {
        for kind in [PinKind::Analog, PinKind::Edges, PinKind::Level] {
            let names = (0..=Pin::HIGHEST).map(|number| Pin { kind, number }.to_string());
            let new = names.filter(|name| !link.fields.contains(name)).collect::<Vec<_>>();
            link.fields.extend(new);
        }
    }
    model
}

/// What hears every line of the links: a single one may be all that a dropout leaves.
struct Ear {
    harness: Harness,
    rates: Vec<Rate>,
    commands: Vec<mpsc::Sender<Outgoing>>,
    /// Readings and hellos of each link, and restarts of all, as last seen.
    seen: Vec<(u64, u64, u64)>,
    /// Something dropped since that was last looked at.
    rings: bool,
    /// When each link was last opened.
    opened: Vec<Stamp>,
    /// Restarts that only followed from that.
    excused: u64,
    ending: bool,
}

impl Ear {
    fn new(model: &Model) -> Self {
        let fixed = || FieldId::FIXED.into_iter().map(String::from);
        let names = model.links.iter().map(|link| fixed().chain(link.fields.iter().cloned()).collect()).collect();
        Self {
            harness: Harness::new(names),
            rates: vec![Rate::default(); model.links.len()],
            seen: vec![(0, 0, 0); model.links.len()],
            commands: Vec::new(),
            rings: false,
            opened: vec![Stamp(0); model.links.len()],
            excused: 0,
            ending: false,
        }
    }

    /// A line came, or the link was opened.
    fn hear(&mut self, link: LinkId, now: Stamp, decoder: Option<&Decoder>) {
        let Some(decoder) = decoder else {
            self.harness.forget(link);
            self.opened[link.index()] = now;
            return;
        };
        let tally = decoder.tally();
        let new = (tally.readings, tally.hellos, tally.restarts);
        let (readings, hellos, restarts) = std::mem::replace(&mut self.seen[link.index()], new);
        let restarted = tally.restarts.saturating_sub(restarts);
        if now.since(self.opened[link.index()]) < OPENING {
            self.excused += restarted;
        } else {
            // A controller that restarts has lost its supply, or was reset: a dropout of all of it.
            self.rings |= restarted > 0;
        }
        if tally.readings > readings {
            self.rings |= self.harness.take(now, link, decoder.reading());
        } else if let Some(hello) = decoder.hello().filter(|_| tally.hellos > hellos) {
            self.harness.hello(link, hello);
            let line = self.rates[link.index()].said(now, hello.rate_hz);
            if let Some(line) = line.filter(|_| !self.ending) {
                self.send(link, now, line);
            }
        }
    }

    fn send(&self, link: LinkId, now: Stamp, line: String) {
        // Where eight wait already nobody reads them, and a port that is away gets nothing.
        let _ = self.commands[link.index()].try_send(Outgoing { made: now, bytes: line.into_bytes() });
    }

    /// Every controller gets the rate before; none is asked for another any more.
    fn give_back(&mut self, now: Stamp) {
        self.ending = true;
        for (index, rate) in (0_u8..).zip(&self.rates) {
            if let Some(line) = rate.back() {
                self.send(LinkId(index), now, line);
            }
        }
    }
}

/// The terminal, and what is owed to it.
struct Desk {
    terminal: Terminal,
    screen: HarnessScreen,
    /// Bytes that the terminal has not taken yet.
    waiting: Vec<u8>,
    drawn: Option<Stamp>,
    /// Least time between two pictures.
    gap: Micros,
    /// Something dropped or was cleared since the last one.
    changed: bool,
    rang: Option<Stamp>,
    owes_bell: bool,
    /// Since when it is held, and what was lost before.
    since: Option<Stamp>,
    before: (u64, u64),
}

impl Desk {
    fn new(terminal: Terminal, look: Look, frames_per_s: u32) -> Self {
        Self {
            terminal,
            gap: SECOND / Micros::from(frames_per_s.max(1)),
            changed: true,
            screen: HarnessScreen::new(look),
            waiting: Vec::new(),
            drawn: None,
            rang: None,
            owes_bell: false,
            since: None,
            before: (0, 0),
        }
    }

    /// Reads keys, then draws and rings. False at the end.
    fn look(&mut self, engine: &Engine, ear: &mut Ear, now: Stamp) -> anyhow::Result<bool> {
        if !self.keys(engine.snapshot(), ear, now) {
            return Ok(false);
        }
        if std::mem::take(&mut ear.rings) {
            (self.owes_bell, self.changed) = (true, true);
        }
        if !self.waiting.is_empty() {
            self.terminal.write(&mut self.waiting)?;
        }
        if self.waiting.is_empty() {
            self.ring(now);
            self.draw(engine, ear, now);
            self.terminal.write(&mut self.waiting)?;
        }
        Ok(true)
    }

    fn keys(&mut self, snapshot: &Snapshot, ear: &mut Ear, now: Stamp) -> bool {
        let mut buffer = [0; 256];
        let count = match self.terminal.read(&mut buffer) {
            Got::Gone => return false,
            Got::Nothing => return true,
            Got::Bytes(count) => count,
        };
        for key in self.screen.keys(&buffer[..count]) {
            match key {
                HarnessKey::Quit => return false,
                HarnessKey::Clear => {
                    ear.harness.clear();
                    (ear.rings, self.owes_bell) = (false, false);
                    (self.since, self.before, self.changed) = (Some(now), losses(snapshot), true);
                    ear.excused = 0;
                }
            }
        }
        true
    }

    fn ring(&mut self, now: Stamp) {
        if self.owes_bell && self.rang.is_none_or(|rang| now.since(rang) >= BELL) {
            self.waiting.push(0x07);
            (self.owes_bell, self.rang) = (false, Some(now));
        }
    }

    fn draw(&mut self, engine: &Engine, ear: &Ear, now: Stamp) {
        let least = if self.changed { self.gap } else { self.gap.max(DRAW) };
        if self.drawn.is_some_and(|drawn| now.since(drawn) < least) {
            return;
        }
        (self.drawn, self.changed) = (Some(now), false);
        let since = *self.since.get_or_insert(now);
        let before = (self.before.0, self.before.1 + ear.excused);
        let (model, snapshot) = (engine.model(), engine.snapshot());
        let scene = Scene { model, snapshot, harness: &ear.harness, now, since, before };
        let size = self.terminal.size().unwrap_or((80, 24));
        self.screen.frame(&scene.page(), size, &mut self.waiting);
    }
}
