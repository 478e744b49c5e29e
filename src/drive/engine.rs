//! The state of a drive and what each event does to it. No task, no waiting; time comes with the event.

mod noting;

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::mpsc;

use super::calls::{Done, NotedCalls};
use super::leases::{Leases, Order};
use super::locks::Locks;
use crate::config::{LinkId, Model, SharedModel};
use crate::link::{Event, Outgoing, Sink};
use crate::output::words;
use crate::pipeline::{Outcome, Pipeline};
use crate::record::{Mark, Recorder, Told, UNREADABLE};
use crate::state::{ConfigTrouble, LinkState, OutputShown, Problem, Recording, Shared, Snapshot, Trouble};
use crate::time::{MILLISECOND, Micros, SECOND, Stamp};
use crate::watch::Change;
use crate::watch::desk::Attend;
use crate::watch::named::named;
use crate::wire::{Decoder, Form, Piece, Reject, Splitter, ask_hello};

/// After so long without bytes, what is held may have become stale.
const HELD_UP: Micros = 500 * MILLISECOND;
/// What waited meanwhile is read within this.
const CATCHING_UP: Micros = 2 * SECOND;
/// Counts alone are handed on at most so often: a link that says nothing but noise must not keep anyone busy with them.
const COUNTS: Micros = 250 * MILLISECOND;

/// What a line brought.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum News {
    /// Nothing.
    None,
    /// A count went up.
    Count,
    /// Something that is to be seen at once.
    Value,
}

/// Told of each link that is opened, with nothing, and of each line that was decoded, with its decoder.
pub type Tap = Box<dyn FnMut(LinkId, Stamp, Option<&Decoder>)>;

/// Everything a drive knows: the core, a splitter for each link, the recorder, and where snapshots go.
pub struct Engine {
    pipeline: Pipeline,
    splitters: Vec<Splitter>,
    recorder: Option<Recorder>,
    shared: Arc<Shared>,
    /// What is to be sent over each link; a line that does not fit is dropped, not queued.
    commands: Vec<mpsc::Sender<Outgoing>>,
    /// Links that were open at least once.
    opened: Vec<bool>,
    /// Links of which one has not been tried yet: until then nothing is written, so that a drive that cannot begin takes
    /// no number.
    untried: Vec<bool>,
    /// What kept a link from being opened the first time, where waiting does not help.
    hopeless: Option<(LinkId, Trouble)>,
    /// When bytes last came.
    received: Stamp,
    /// When bytes came after such a time.
    held_up: Stamp,
    /// When a tick last handed on a snapshot.
    published: Stamp,
    /// When counts were last handed on.
    counted: Stamp,
    /// Counts went up since.
    owes_counts: bool,
    /// Alarms that began or ended with the line at hand; kept here so that its memory is reused.
    changes: Vec<Change>,
    /// What the armed outputs were told; empty where nothing may ever be sent.
    leases: Leases,
    /// What was last noted of each output.
    noted: Vec<u32>,
    /// Keeps which outputs are locked, where anything is switched at all.
    locks: Option<Locks>,
    /// Which were locked when that was last looked at, a bit each.
    locked: u64,
    /// What was last noted of what persons do about alarms.
    noted_calls: NotedCalls,
    /// The number of the drive, once it is recorded.
    recorded: Option<u32>,
    /// Who looks at every line.
    tap: Option<Tap>,
}

impl std::fmt::Debug for Engine {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Engine").finish_non_exhaustive()
    }
}

impl Engine {
    /// A drive that has heard nothing yet.
    pub fn new(
        model: SharedModel,
        recorder: Option<Recorder>,
        shared: Arc<Shared>,
        commands: Vec<mpsc::Sender<Outgoing>>,
    ) -> Self {
        let links = model.links.len();
        let engine = Self {
            leases: Leases::new(&model),
            noted: vec![0; model.outputs.len()],
            noted_calls: NotedCalls::default(),
            tap: None,
            pipeline: Pipeline::new(model),
            splitters: (0..links).map(|_| Splitter::new()).collect(),
            recorder,
            shared,
            commands,
            locks: None,
            locked: 0,
            recorded: None,
            opened: vec![false; links],
            untried: vec![true; links],
            hopeless: None,
            received: Stamp(0),
            held_up: Stamp(Micros::MIN),
            published: Stamp(0),
            counted: Stamp(Micros::MIN),
            owes_counts: false,
            changes: Vec::new(),
        };
        engine.begin_recording();
        engine
    }

    /// Lets the recorder write once every link was tried and none is hopeless.
    fn begin_recording(&self) {
        if let Some(recorder) =
            self.recorder.as_ref().filter(|_| self.hopeless.is_none() && !self.untried.contains(&true))
        {
            recorder.release();
        }
    }

    /// `link` was opened, or could not be.
    fn tried(&mut self, link: LinkId) {
        if std::mem::replace(&mut self.untried[link.index()], false) {
            self.begin_recording();
        }
    }

    /// What `locks` has kept is locked from the start, and what is locked from now on it keeps.
    pub fn keep_locks(&mut self, now: Stamp, locks: Locks) {
        self.locks = Some(locks);
        self.restore_locks(now);
        self.publish();
    }

    /// Locks what is kept as locked and is not: at the start, and where a changed config brings a pin back.
    fn restore_locks(&mut self, now: Stamp) {
        // Taken out meanwhile, so that it is not told of some of them before the others.
        let Some(mut locks) = self.locks.take() else { return };
        for (place, problem) in locks.of(self.pipeline.model()) {
            if self.snapshot().outputs.get(place).is_some_and(OutputShown::is_locked) {
                continue;
            }
            let name = &self.pipeline.model().outputs[place].name;
            let (set, is, why) = match problem {
                Problem::DoesNotFollow { set, is } => (Some(set), is, None),
                Problem::LocksUnreadable => (None, None, Some(UNREADABLE)),
                // No other problem locks an output.
                _ => (None, None, None),
            };
            self.note(now, None, &Told::Locked { name, set, is, why });
            self.with_changes(now, |pipeline, on_change| pipeline.lock_output(now, place, problem, on_change));
        }
        locks.update(self.pipeline.model(), &self.snapshot().outputs);
        self.locked = self.locked_bits();
        self.locks = Some(locks);
    }

    /// When [`Engine::tick`] has something to do at the earliest, on the computer's timeline.
    pub fn due(&self) -> Option<Stamp> {
        let counts = self.owes_counts.then(|| self.counted.after(COUNTS));
        self.pipeline.due().into_iter().chain(counts).min()
    }

    /// When a lease is to be renewed, at the earliest.
    pub fn renewal(&self, now: Stamp) -> Option<Stamp> {
        self.leases.due(now)
    }

    /// What is known now.
    pub fn snapshot(&self) -> &Snapshot {
        self.pipeline.snapshot()
    }

    /// Tells `tap` of every line from now on.
    pub fn tell(&mut self, tap: Tap) {
        self.tap = Some(tap);
    }

    /// The computer got a time of day that can be trusted.
    pub fn dated(&self, now: Stamp, wall: jiff::Timestamp) {
        if let Some(recorder) = &self.recorder {
            recorder.wall(now, wall);
        }
    }

    /// The config in force.
    pub fn model(&self) -> &SharedModel {
        self.pipeline.model()
    }

    /// The link that could not be opened and why, where waiting does not help (held by another program, no rights, no
    /// serial port). Only before it was open once: on the road one goes on trying.
    pub fn hopeless(&self) -> Option<(LinkId, Trouble)> {
        self.hopeless
    }

    /// Time passed: what is stale, silent or due, and what the recorder says.
    pub fn tick(&mut self, now: Stamp) {
        let mut changed = self.pass(now);
        self.renew(now);
        changed |= self.note_recorder() || (self.owes_counts && now.since(self.counted) >= COUNTS);
        // Ages are shown in seconds and go on while nothing else happens.
        if changed || now.since(self.published) >= SECOND {
            self.published = now;
            self.pipeline.snapshot_mut().now = now;
            self.publish();
        }
    }

    /// Whether what is noted is written down, now or once it can be.
    pub fn records(&self) -> bool {
        self.recorder.is_some()
    }

    /// The driver marked this moment.
    pub fn mark(&mut self, now: Stamp) {
        self.note(now, None, &Told::Mark { text: "" });
    }

    /// Whether the links of `model` are those that are open: others need a new start.
    pub fn has_links_of(&self, model: &Model) -> bool {
        let port = |link: &crate::config::Link| (link.name.clone(), link.device.clone(), link.baud);
        model.links.iter().map(port).eq(self.pipeline.model().links.iter().map(port))
    }

    /// A changed config, with the links that are open, is in force from now on; see [`Pipeline::reload`].
    pub fn reload(&mut self, now: Stamp, model: SharedModel, text: &str) {
        self.pass(now);
        let (before, faults) = (Arc::clone(self.model()), self.snapshot().faults.clone());
        let mut ended = Vec::new();
        // Every output is off at that instant. Also by the names of the config before.
        for place in 0..self.noted.len() {
            self.note_output(now, place, 0, "the config changes");
        }
        self.pipeline.reload(now, model, &mut |change| ended.push(change));
        // By the names of the config before, and so before the other one is noted.
        for change in ended {
            self.note_alarm(now, change, &before, (&faults, &[]));
        }
        if let Some(recorder) = &self.recorder {
            recorder.config(now, text);
        }
        self.noted_calls.begin_anew(&self.pipeline.snapshot().calls);
        self.noted.clear();
        self.noted.resize(self.pipeline.model().outputs.len(), 0);
        let (leases, commands) = (&mut self.leases, &self.commands);
        leases.reload(self.pipeline.model(), &mut |order| hand_over(commands, now, order));
        for (index, link) in (0_u8..).zip(&self.pipeline.snapshot().links) {
            if link.state != LinkState::Down {
                // Where the form is another, the controller has not been asked yet.
                self.ask_hello(LinkId(index), now);
            }
        }
        self.restore_locks(now);
        self.renew(now);
        self.note_recorder();
        self.shared.reset(self.pipeline.model(), self.pipeline.snapshot());
        self.publish();
    }

    /// Why the config file is not what is in force; `None` where it is.
    pub fn config_trouble(&mut self, trouble: Option<ConfigTrouble>) {
        self.pipeline.snapshot_mut().config_trouble = trouble;
        self.publish();
    }

    /// How many outputs are locked.
    pub fn locked(&self) -> usize {
        self.snapshot().outputs.iter().filter(|shown| shown.is_locked()).count()
    }

    /// A person takes sensors that stepped together for true. True where any had.
    pub fn accept_ground(&mut self, now: Stamp) -> bool {
        self.pass(now);
        let any = self.with_changes(now, |pipeline, on_change| pipeline.accept_ground(now, on_change));
        if any {
            self.note(now, None, &Told::Accepted);
            self.publish();
        }
        any
    }

    /// Whether the pin of one that is locked is reported to be on all the same.
    pub fn locked_and_on(&self) -> bool {
        let on = |there: Option<u32>| there.is_some_and(|there| there > 0);
        self.snapshot().outputs.iter().any(|shown| shown.is_locked() && on(shown.there))
    }

    /// The number of the drive that is recorded; `None` where nothing was.
    pub fn recorded(&mut self) -> Option<u32> {
        self.note_recorder();
        self.recorded
    }

    /// A person frees the outputs that are locked.
    pub fn free_outputs(&mut self, now: Stamp) {
        self.pass(now);
        self.note(now, None, &Told::Freed);
        if let Some(locks) = &mut self.locks {
            locks.free(self.pipeline.model());
        }
        self.with_changes(now, |pipeline, on_change| pipeline.free_outputs(now, on_change));
        self.publish();
    }

    /// A person does `act`, having seen the alarms up to number `known`.
    pub fn attend(&mut self, now: Stamp, act: Attend, known: u32) {
        self.pass(now);
        self.with_changes(now, |pipeline, _| pipeline.attend(now, act, known));
        self.publish();
    }

    /// Writes down what persons did about alarms, and what came back from where it was put aside.
    fn note_calls(&mut self, now: Stamp) {
        let snapshot = self.pipeline.snapshot();
        for Done { raised, did, minutes } in self.noted_calls.look(now, &snapshot.calls) {
            let Some(named) = named(self.pipeline.model(), &snapshot.faults, raised) else { continue };
            let of = |member: &str| (named.member == member).then_some(named.name);
            let nth = (named.nth > 1).then_some(named.nth);
            let told = Told::Attended {
                channel: of("channel"),
                output: of("output"),
                sensor: of("sensor"),
                lost: of("lost"),
                controller: of("controller"),
                supply: of("supply"),
                ground: of("ground"),
                nth,
                state: did,
                minutes,
            };
            self.note(now, None, &told);
        }
    }

    /// The drive ends: everything that may be on is told to rest. Nothing is sent after that.
    pub fn rest(&mut self, now: Stamp) {
        let (leases, commands) = (&mut self.leases, &self.commands);
        leases.rest(now, &mut |order| hand_over(commands, now, order));
        for place in 0..self.noted.len() {
            self.note_output(now, place, 0, "the drive ends");
        }
        // What the rules still come to is not sent any more.
        self.noted.clear();
    }

    /// Sends what is decided, as far as it is to be sent now.
    fn renew(&mut self, now: Stamp) {
        let (leases, commands) = (&mut self.leases, &self.commands);
        let outputs = &self.pipeline.snapshot().outputs;
        leases.step(now, self.pipeline.decided(), outputs, &mut |order| hand_over(commands, now, order));
    }

    /// Writes down which armed outputs were switched.
    fn note_outputs(&mut self, now: Stamp) {
        for place in 0..self.noted.len() {
            let snapshot = self.pipeline.snapshot();
            let Some(shown) = snapshot.outputs.get(place).copied() else { return };
            // A value that is followed stands in the lines that were sent.
            if (shown.wanted == 0) != (self.noted[place] == 0) {
                let why = words::why(self.pipeline.model(), &snapshot.channels, place, &shown, now);
                self.note_output(now, place, shown.wanted, &why);
            }
        }
    }

    /// Hands on which outputs are locked, where it is otherwise than before.
    fn note_locks(&mut self) {
        let (locked, outputs) = (self.locked_bits(), &self.pipeline.snapshot().outputs);
        if let Some(locks) = self.locks.as_mut().filter(|_| locked != self.locked) {
            self.locked = locked;
            locks.update(self.pipeline.model(), outputs);
        }
    }

    fn locked_bits(&self) -> u64 {
        let outputs = &self.pipeline.snapshot().outputs;
        outputs.iter().fold(0, |all: u64, shown| all << 1 | u64::from(shown.is_locked()))
    }

    fn note_output(&mut self, now: Stamp, place: usize, value: u32, why: &str) {
        let before = std::mem::replace(&mut self.noted[place], value);
        let output = &self.pipeline.model().outputs[place];
        if before != value && output.armed {
            let value = words::number(output.pin, value);
            self.note(now, None, &Told::Output { name: &output.name, value, why });
        }
    }

    /// Ends the recording well, waiting at most a moment for the disk: call it last.
    pub fn close(&mut self) {
        if let Some(locks) = self.locks.take() {
            locks.close();
        }
        if let Some(recorder) = self.recorder.take() {
            recorder.close(Duration::from_millis(800));
        }
    }

    /// Asks the controller what it is, so that its converter's range is known before its next hello is due.
    fn ask_hello(&self, link: LinkId, now: Stamp) {
        if matches!(self.pipeline.model().links[link.index()].form, Form::Counts { .. }) {
            let bytes = ask_hello().into_bytes();
            // Where the queue is full a command is on its way already.
            let _ = self.commands[link.index()].try_send(Outgoing { made: now, bytes });
        }
    }

    fn received(&mut self, link: LinkId, now: Stamp, bytes: &[u8]) {
        if now.since(self.received) > HELD_UP {
            self.held_up = now;
            // Whoever looks sees first that what is shown is old, and then the lines that waited.
            self.tick(now);
        }
        self.received = now;
        let mut splitter = std::mem::take(&mut self.splitters[link.index()]);
        let mut news = News::None;
        splitter.push(bytes, &mut |piece| news = news.max(self.piece(link, now, piece)));
        self.splitters[link.index()] = splitter;
        self.renew(now);
        // What waited on its way may be too old already: the next tick finds that out, and only then it is shown.
        let old = now.since(self.held_up) < CATCHING_UP && self.pipeline.due().is_some_and(|due| due <= now);
        match news {
            News::None => {}
            News::Value if old => self.owes_counts = true,
            News::Count if now.since(self.counted) < COUNTS => self.owes_counts = true,
            News::Count | News::Value => self.publish(),
        }
    }

    /// One line: recorded first, then decoded. Gives what of the snapshot changed.
    fn piece(&mut self, link: LinkId, now: Stamp, piece: Piece<'_>) -> News {
        let (Piece::Line(line) | Piece::TooLong(line)) = piece;
        self.record(now, link, Mark::Received, line);
        let (mut passed, mut sounded) = (false, false);
        let outcome = self.with_changes(now, |pipeline, on_change| {
            let on_change = &mut |change| {
                sounded = true;
                on_change(change);
            };
            passed = pipeline.pass(now, on_change);
            match piece {
                Piece::Line(line) => pipeline.line(link, now, line, on_change),
                Piece::TooLong(_) => {
                    pipeline.too_long(link, now);
                    Outcome::Refused(Reject::TooLong)
                }
            }
        });
        if let Some(tap) = &mut self.tap {
            tap(link, now, self.pipeline.decoder(link));
        }
        match outcome {
            Outcome::Nothing if !passed && !sounded => News::None,
            Outcome::Refused(_) if !passed && !sounded => News::Count,
            _ => News::Value,
        }
    }

    /// Everything that became due up to `now`.
    fn pass(&mut self, now: Stamp) -> bool {
        self.with_changes(now, |pipeline, on_change| pipeline.pass(now, on_change))
    }

    /// Runs `work` on the core, then writes down the alarms that it changed.
    fn with_changes<T>(&mut self, now: Stamp, work: impl FnOnce(&mut Pipeline, &mut dyn FnMut(Change)) -> T) -> T {
        let mut changes = std::mem::take(&mut self.changes);
        let answer = work(&mut self.pipeline, &mut |change| changes.push(change));
        for change in changes.drain(..) {
            let Snapshot { faults, channels, .. } = self.pipeline.snapshot();
            self.note_alarm(now, change, self.pipeline.model(), (faults, channels));
        }
        self.changes = changes;
        self.note_calls(now);
        self.note_outputs(now);
        self.note_locks();
        answer
    }

    fn record(&self, now: Stamp, link: LinkId, mark: Mark, bytes: &[u8]) {
        if let Some(recorder) = &self.recorder {
            recorder.line(now, &self.pipeline.model().links[link.index()].name, mark, bytes);
        }
    }

    /// A command went: recorded, and told to the core as a replay of the recording will.
    fn went(&mut self, link: LinkId, now: Stamp, line: &[u8]) {
        self.record(now, link, Mark::Sent, line);
        self.leases.sent(link, now, line);
        self.with_changes(now, |pipeline, on_change| {
            pipeline.pass(now, on_change);
            pipeline.sent(link, now, line, on_change);
        });
    }

    fn note(&self, now: Stamp, link: Option<LinkId>, told: &Told<'_>) {
        if let Some(recorder) = &self.recorder {
            let name = link.map(|link| self.pipeline.model().links[link.index()].name.as_str());
            recorder.note(now, name.unwrap_or("-"), told);
        }
    }

    /// Copies the recorder's state into the snapshot; true where it changed.
    fn note_recorder(&mut self) -> bool {
        let Some(recorder) = &self.recorder else { return false };
        let state = recorder.state();
        if let Recording::On { drive } = state {
            self.recorded = Some(drive);
        }
        let shown = &mut self.pipeline.snapshot_mut().recording;
        let changed = *shown != state;
        *shown = state;
        changed
    }

    fn publish(&mut self) {
        (self.counted, self.owes_counts) = (self.pipeline.snapshot().now, false);
        self.shared.publish(self.pipeline.snapshot());
    }
}

impl Sink for Engine {
    fn event(&mut self, link: LinkId, now: Stamp, event: Event<'_>) {
        match event {
            Event::Bytes(bytes) => self.received(link, now, bytes),
            Event::Sent(line) => self.went(link, now, line.strip_suffix(b"\n").unwrap_or(line)),
            Event::Up { .. } => {
                self.opened[link.index()] = true;
                self.splitters[link.index()].reset();
                if let Some(tap) = &mut self.tap {
                    tap(link, now, None);
                }
                self.note(now, Some(link), &Told::Link { state: "up", why: None });
                self.pass(now);
                self.pipeline.link_up(link, now);
                self.pipeline.snapshot_mut().links[link.index()].trouble = None;
                self.ask_hello(link, now);
                self.note_outputs(now);
                self.tried(link);
                self.publish();
            }
            Event::Down(trouble) => {
                if !self.opened[link.index()] && is_hopeless(trouble) {
                    self.hopeless = Some((link, trouble));
                }
                self.note(now, Some(link), &Told::Link { state: "down", why: Some(trouble.words()) });
                self.pass(now);
                self.pipeline.link_down(link, now);
                self.pipeline.snapshot_mut().links[link.index()].trouble = Some(trouble);
                self.note_outputs(now);
                self.renew(now);
                self.tried(link);
                self.publish();
            }
            Event::Silent => {
                self.note(now, Some(link), &Told::Link { state: "silent", why: None });
                self.publish();
            }
        }
    }
}

/// Gives `order` to its link. An off goes behind whatever waits; anything else only where nothing does, so that no old
/// order ever stands in front of a newer one.
fn hand_over(commands: &[mpsc::Sender<Outgoing>], now: Stamp, order: Order) -> bool {
    let Some(sender) = commands.get(order.link.index()) else { return false };
    let free = sender.capacity() == sender.max_capacity();
    (order.off || free) && sender.try_send(Outgoing { made: now, bytes: order.line.into_bytes() }).is_ok()
}

/// Whether waiting for it is of no use.
fn is_hopeless(trouble: Trouble) -> bool {
    matches!(trouble, Trouble::NoRights | Trouble::Busy | Trouble::NotAPort)
}
