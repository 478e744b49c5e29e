//! The one way from line to snapshot. Live driving, replay, export, demo and the tests all go through here.
//!
//! Owns the order of things: decode, join clocks, channels, alarms, outputs, snapshot. A plain struct and plain functions: no
//! clock, no file, no task. Times come in as arguments, so a simulated day runs in seconds and a recording replayed
//! gives bit for bit what was shown on the road.

mod lane;
mod rows;

use crate::channel::{Bank, Moment, When};
use crate::config::{ChannelId, Cold, LinkId, Model, Sensor, SharedModel, Source};
use crate::output::Rules;
use crate::state::{AlarmShown, Calls, FaultShown, LinkShown, Problem, SILENT_AFTER, Shown, Snapshot, Subject};
use crate::time::{Micros, Stamp};
use crate::watch::desk::{Attend, Desk, Wrong};
use crate::watch::{self, Around, Change, Raised, Watch};
use crate::wire::{Decoded, Decoder, Reject, Resets, Tally};
use lane::Lane;
use rows::Rows;

static NOTHING: Tally = Tally {
    lines: 0,
    readings: 0,
    hellos: 0,
    headers: 0,
    lost: 0,
    restarts: 0,
    resets: Resets::NONE,
    refused: [0; Reject::ALL.len()],
};

/// What a line did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It was empty, or a header.
    Nothing,
    /// The snapshot has a new reading.
    Reading,
    /// It was a reading that had come before: it says nothing new.
    Repeated,
    /// The controller said what it is.
    Hello,
    /// It was thrown away.
    Refused(Reject),
}

/// How it is known when a line came.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Arrival {
    /// Whoever hands it in says so.
    Told,
    /// It is not: a reading counts as come when it was sampled.
    Sampled,
}

/// The whole core of one vehicle.
#[derive(Debug)]
pub struct Pipeline {
    model: SharedModel,
    lanes: Vec<Lane>,
    rows: Rows,
    bank: Bank,
    watch: Watch,
    outputs: Rules,
    desk: Desk,
    snapshot: Snapshot,
    /// Whether the last step was a line.
    line: bool,
    /// When it was last told anything.
    told: Stamp,
    /// Up to when everything that was due has been done, so that what is decided holds.
    passed: Stamp,
}

/// The most instants that [`Pipeline::pass`] goes through at once. Far more than a silence makes due.
const DUE_MAX: usize = 100_000;

impl Pipeline {
    /// A core that has heard nothing yet.
    pub fn new(model: SharedModel) -> Self {
        let snapshot = empty(&model);
        Self {
            lanes: model.links.iter().map(Lane::new).collect(),
            rows: Rows::new(&model),
            bank: Bank::new(&model),
            watch: Watch::new(&model),
            outputs: Rules::new(&model),
            desk: Desk::new(&model, snapshot.faults.len()),
            snapshot,
            line: false,
            told: Stamp(0),
            passed: Stamp(0),
            model,
        }
    }

    /// The model it works by.
    pub fn model(&self) -> &SharedModel {
        &self.model
    }

    /// A changed config is in force from `now` on. Live driving and whatever reads a recording both do this and nothing
    /// else at that instant, so that they cannot differ.
    ///
    /// What came over the links goes on where it stands, since no config changes that: by the link's name, whether it is
    /// open, what was counted, what the controller said of itself and its clock, and so the time of exports. Everything
    /// that a config gives its meaning begins anew: supply, values, windows, rates, smoothing and freshness. An alarm that
    /// both configs have keeps its state and its running delay (see [`watch::same_alarms`]). Outputs
    /// are off at that instant and rest; what is known of their pins goes on (see [`Rules::go_on_from`]). A link
    /// whose form or clock is another keeps its counts, and its clock is joined where its next reading comes.
    ///
    /// `ended` hears of each alarm that sounds and ends with the config before, by its place in that one.
    pub fn reload(&mut self, now: Stamp, model: SharedModel, ended: &mut dyn FnMut(Change)) {
        let before = std::mem::replace(self, Self::new(model));
        let mut joined = false;
        let old_link = |model: &Model, link: LinkId| {
            let name = &model.links.get(link.index())?.name;
            let place = before.model.links.iter().position(|old| old.name == *name)?;
            u8::try_from(place).ok().map(LinkId)
        };
        let faults = (self.snapshot.faults.as_mut_slice(), before.snapshot.faults.as_slice());
        let same_outputs = self.outputs.go_on_from(&before.outputs, now, |link| old_link(&self.model, link), faults);
        let same_alarms = self.alarms_go_on_from(&before);
        let same_faults = self.faults_go_on_from(&before);
        self.calls_go_on_from(&before, &same_alarms, same_outputs.iter().chain(&same_faults));
        for (place, link) in self.model.links.iter().enumerate() {
            let Some(old) = before.model.links.iter().position(|old| old.name == link.name) else { continue };
            let goes_on = self.lanes[place].go_on_from(&before.lanes[old]);
            self.snapshot.links[place] = LinkShown { supply: None, ..before.snapshot.links[old] };
            joined |= goes_on && place == self.rows.main() && old == before.rows.main();
        }
        self.rows.go_on_from(&before.rows, joined);
        let Snapshot { version, at, recording, player, .. } = before.snapshot;
        let shown = &mut self.snapshot;
        self.told = now;
        (shown.version, shown.now, shown.at) = (version + 1, now, at.max(self.rows.at(now)));
        (shown.recording, shown.player) = (recording, player);
        shown.channels.iter_mut().for_each(|channel| channel.since = now);
        for (alarm, old) in shown.alarms.iter_mut().zip(&same_alarms) {
            let goes_on = old.and_then(|old| before.snapshot.alarms.get(old));
            *alarm = goes_on.copied().unwrap_or(AlarmShown { since: now, ..*alarm });
        }
        for (link, lane) in (0_u8..).zip(&self.lanes) {
            self.outputs.hello(LinkId(link), lane.decoder.hello());
        }
        self.decide(now, self.snapshot.at, (false, true), &mut |_| {});
        let goes_on = |old: usize| same_alarms.contains(&Some(old));
        end(before.snapshot.alarms.iter().map(|alarm| alarm.active), goes_on, Raised::Limit, ended);
        let goes_on = |old: usize| {
            let same_outputs = same_outputs.iter().map(|same| same.filter(|at| *at < before.model.outputs.len()));
            let place = same_outputs.chain(same_faults.iter().copied()).position(|same| same == Some(old));
            place.and_then(|place| self.snapshot.faults.get(place)).is_some_and(|fault| fault.active)
        };
        end(before.snapshot.faults.iter().map(|fault| fault.active), goes_on, Raised::Fault, ended);
    }

    /// Another drive begins at `now`, with that config: as [`Pipeline::reload`], but nothing that was wrong on the drive
    /// before says anything about it, so that every alarm of a limit ends.
    pub fn another_drive(&mut self, now: Stamp, model: SharedModel, ended: &mut dyn FnMut(Change)) {
        self.watch.end_all(now, &mut self.snapshot.alarms, ended);
        self.watch.end_faults(now, &mut self.snapshot.faults, ended);
        self.snapshot.channels.fill(Shown::UNKNOWN);
        let faults = self.snapshot.faults.len();
        self.desk = Desk::new(&self.model, faults);
        self.snapshot.calls.end_all();
        self.reload(now, model, ended);
    }

    /// Gives for each alarm its place under the config before, if it has one.
    fn alarms_go_on_from(&mut self, before: &Self) -> Vec<Option<usize>> {
        let same = watch::same_alarms(&self.model, &before.model);
        let good_until = |channel: usize| {
            let known = u16::try_from(channel).ok().and_then(|channel| before.good_until(ChannelId(channel)));
            // Nothing would make it stale: then as long as a link may be silent.
            known.unwrap_or(before.snapshot.at + SILENT_AFTER)
        };
        self.watch.go_on_from(&before.watch, &same, good_until);
        same
    }

    /// The same for what is wrong with links and sensors, and for what is known of each channel from before.
    fn faults_go_on_from(&mut self, before: &Self) -> Vec<Option<usize>> {
        let same = watch::same_faults(&self.model, &before.model);
        self.watch.faults_go_on_from(&before.watch, &same);
        let faults = self.snapshot.faults.iter_mut().skip(self.model.outputs.len());
        for (fault, old) in faults.zip(&same) {
            if let Some(old) = old.and_then(|old| before.snapshot.faults.get(old)) {
                // Channels have other places now: until it is looked at anew, it is the sensor itself.
                let problem = match (fault.subject, old.problem) {
                    (Subject::Sensor(of), Problem::Untrusted { trust, .. }) => Problem::Untrusted { trust, of },
                    (_, problem) => problem,
                };
                *fault = FaultShown { subject: fault.subject, problem, ..*old };
            }
        }
        for (channel, shown) in self.model.channels.iter().zip(&mut self.snapshot.channels) {
            let old = |old: &crate::config::Channel| (&old.name, old.unit) == (&channel.name, channel.unit);
            let old = before.model.channels.iter().position(old).and_then(|at| before.snapshot.channels.get(at));
            if let Some(old) = old {
                (shown.was, shown.times) = (old.smooth.good().unwrap_or(old.was), old.times);
            }
        }
        same
    }

    fn calls_go_on_from<'a>(
        &mut self,
        before: &Self,
        alarms: &[Option<usize>],
        faults: impl Iterator<Item = &'a Option<usize>>,
    ) {
        let old = &before.snapshot.calls;
        let faults = faults.map(|place| place.map(|place| old.limits + place));
        let same: Vec<_> = alarms.iter().copied().chain(faults).collect();
        self.desk.go_on_from(&before.desk, &same, old, &mut self.snapshot.calls);
    }

    /// A person did `act` at `now`, having seen the alarms up to number `known`. True where it changed anything.
    #[inline(never)]
    pub fn attend(&mut self, now: Stamp, act: Attend, known: u32) -> bool {
        let any = self.desk.attend(now, act, known, &mut self.snapshot.calls);
        self.snapshot.now = now;
        self.snapshot.version += u64::from(any);
        // What slept while it was put aside sleeps on.
        self.decide(now, self.snapshot.at, (false, any), &mut |_| {});
        any
    }

    /// Takes one line without its LF that arrived over `link` at `now`. Allocates nothing for a usual reading.
    /// `changed` hears of each alarm that begins or ends.
    pub fn line(&mut self, link: LinkId, now: Stamp, bytes: &[u8], changed: &mut dyn FnMut(Change)) -> Outcome {
        self.take(link, now, Arrival::Told, bytes, changed)
    }

    /// The same for a line of which nobody wrote down when it arrived: a reading then came when it was sampled, by the
    /// controller's clock, and anything else when the line before it did.
    pub fn line_without_time(&mut self, link: LinkId, bytes: &[u8], changed: &mut dyn FnMut(Change)) -> Outcome {
        self.take(link, self.snapshot.now, Arrival::Sampled, bytes, changed)
    }

    fn take(
        &mut self,
        link: LinkId,
        mut now: Stamp,
        arrival: Arrival,
        bytes: &[u8],
        changed: &mut dyn FnMut(Change),
    ) -> Outcome {
        let place = link.index();
        let Some(lane) = self.lanes.get_mut(place) else { return Outcome::Nothing };
        let channels = &mut self.snapshot.channels;
        let (outcome, at) = match lane.decoder.line(now, bytes) {
            Ok(Decoded::Empty) => return Outcome::Nothing,
            Ok(Decoded::Header) => (Outcome::Nothing, None),
            Ok(Decoded::Hello(hello)) => {
                lane.adc_max = f64::from(hello.adc_max);
                self.outputs.hello(link, Some(hello));
                (Outcome::Hello, None)
            }
            Ok(Decoded::Reading(reading)) if reading.repeated => (Outcome::Repeated, None),
            Ok(Decoded::Reading(reading)) => {
                if arrival == Arrival::Sampled {
                    now = now.max(Stamp(reading.at));
                }
                self.bank.begin(link, now, channels);
                // What waited on its way is as old as it is: nothing shows it as new.
                let sampled = Stamp(now.0.saturating_sub(reading.late));
                self.bank.take(link, lane.adc_max, reading, sampled, channels);
                self.outputs.hear(link, reading, now);
                self.watch.reading(link, reading.late > 0);
                (Outcome::Reading, Some(self.rows.place(link, reading.at, now)))
            }
            Err(reject) => (Outcome::Refused(reject), None),
        };
        let refused = if let Outcome::Refused(reject) = outcome { Some(reject) } else { None };
        lane.heard(now, refused, &mut self.snapshot.links[place]);
        // A reading that came before changes nothing, not even the time of its row.
        if outcome != Outcome::Repeated {
            self.finish(link, now, at, changed);
        }
        outcome
    }

    /// A line over [`crate::wire::LINE_MAX`] came over `link`: counted.
    pub fn too_long(&mut self, link: LinkId, now: Stamp) {
        let Some(lane) = self.lanes.get_mut(link.index()) else { return };
        lane.decoder.too_long();
        lane.heard(now, Some(Reject::TooLong), &mut self.snapshot.links[link.index()]);
        self.finish(link, now, None, &mut |_| {});
    }

    /// The link was opened.
    pub fn link_up(&mut self, link: LinkId, now: Stamp) {
        if let Some(lane) = self.lanes.get_mut(link.index()) {
            lane.up(now, &mut self.snapshot.links[link.index()]);
            self.outputs.opened(link, now);
            self.linked(now);
        }
    }

    /// The link is gone.
    pub fn link_down(&mut self, link: LinkId, now: Stamp) {
        if let Some(lane) = self.lanes.get_mut(link.index()) {
            lane.down(now, &mut self.snapshot.links[link.index()]);
            self.linked(now);
        }
    }

    /// A line went to the controller of `link`: what it sets is what the outputs were told.
    pub fn sent(&mut self, link: LinkId, now: Stamp, line: &[u8], changed: &mut dyn FnMut(Change)) {
        self.outputs.sent(link, now, line);
        self.snapshot.now = now;
        let any = self.decide(now, self.snapshot.at, (false, false), changed);
        self.snapshot.version += u64::from(any);
    }

    /// The output at `place` is locked from `now` on, since it was when the program ended.
    pub fn lock_output(&mut self, now: Stamp, place: usize, problem: Problem, changed: &mut dyn FnMut(Change)) {
        self.outputs.lock(place, problem);
        (self.snapshot.now, self.snapshot.version) = (now, self.snapshot.version + 1);
        self.decide(now, self.snapshot.at, (false, true), changed);
    }

    /// A person frees the outputs that are locked. True where any was.
    pub fn free_outputs(&mut self, now: Stamp, changed: &mut dyn FnMut(Change)) -> bool {
        let any = self.outputs.free(now);
        self.snapshot.now = now;
        self.snapshot.version += u64::from(any);
        self.decide(now, self.snapshot.at, (false, false), changed);
        any
    }

    /// A person takes what stepped together for true. True where anything had stepped.
    pub fn accept_ground(&mut self, now: Stamp, changed: &mut dyn FnMut(Change)) -> bool {
        let any = self.bank.accept_shifts();
        self.watch.accept_ground(now, &mut self.snapshot.faults, changed);
        self.snapshot.now = now;
        self.snapshot.version += u64::from(any);
        self.decide(now, self.snapshot.at, (false, any), changed);
        any
    }

    /// Up to when everything that was due has been done: so old is what is decided for the outputs.
    pub fn decided(&self) -> Stamp {
        self.passed
    }

    fn linked(&mut self, now: Stamp) {
        (self.snapshot.now, self.snapshot.version) = (now, self.snapshot.version + 1);
        self.decide(now, self.snapshot.at, (false, false), &mut |_| {});
    }

    /// Time passed: what is stale, silent, due. True where the snapshot changed.
    ///
    /// A task that was held up calls this before it hands in the lines that waited, so that `stale` is shown before
    /// anything is shown as new. What later lines give does not depend on how often it was called.
    pub fn tick(&mut self, now: Stamp, changed: &mut dyn FnMut(Change)) -> bool {
        let at = self.rows.at(now);
        (self.line, self.told) = (false, now);
        let mut any = self.bank.tick(now, at, &mut self.snapshot.channels);
        for (lane, shown) in self.lanes.iter_mut().zip(&mut self.snapshot.links) {
            any |= lane.tick(now, shown);
        }
        (self.snapshot.now, self.snapshot.at) = (now, self.snapshot.at.max(at));
        any |= self.watch_over(now, at, changed);
        self.snapshot.version += u64::from(any);
        any
    }

    /// Time passes up to `until`: [`Pipeline::tick`] at each instant at which something becomes due, and at no other. True
    /// where the snapshot changed.
    ///
    /// Live driving and whatever reads a recording both call this before they hand in anything, so that what is shown does
    /// not depend on how late a task came to it: what is due first comes first.
    pub fn pass(&mut self, until: Stamp, changed: &mut dyn FnMut(Change)) -> bool {
        let (mut any, mut before) = (false, None);
        for _ in 0..DUE_MAX {
            let Some(due) = self.due().filter(|due| *due <= until && Some(*due) > before) else { break };
            any |= self.tick(due.max(self.told), changed);
            before = Some(due);
        }
        self.passed = self.passed.max(until);
        any
    }

    /// When [`Pipeline::tick`] has something to do at the earliest if no line comes, on the computer's timeline.
    /// Never too late; where it is too early, asking again after that tick gives the next instant.
    pub fn due(&self) -> Option<Stamp> {
        let lanes = self.lanes.iter().zip(&self.snapshot.links).filter_map(|(lane, shown)| lane.due(shown));
        let watch = self.watch.due().and_then(|at| self.rows.stamp(at));
        let desk = self.desk.due(&self.snapshot.calls);
        lanes.chain(self.bank.due()).chain(watch).chain(self.outputs.due()).chain(desk).min()
    }

    /// Up to when `channel` counts if nothing more comes, in the time of exports; `None`: nothing makes it stale.
    pub fn good_until(&self, channel: ChannelId) -> Option<Micros> {
        match &self.model.channels.get(channel.index())?.source {
            Source::Input(input) => {
                let (left, arrival) = self.bank.left(input.link, channel)?;
                let own = self.rows.at(arrival).saturating_add(left);
                match &input.sensor {
                    Sensor::Thermocouple { cold: Cold::Channel(cold, _), .. } => {
                        Some(self.good_until(*cold).map_or(own, |cold| cold.min(own)))
                    }
                    _ => Some(own),
                }
            }
            Source::Formula(formula) => formula.terms.iter().filter_map(|term| self.good_until(*term)).min(),
        }
    }

    /// What is known now.
    pub fn snapshot(&self) -> &Snapshot {
        &self.snapshot
    }

    /// The same, for the tasks to write in what the core does not know (the recorder's state).
    pub fn snapshot_mut(&mut self) -> &mut Snapshot {
        &mut self.snapshot
    }

    /// The newest step as conditions of events and outputs look at it.
    pub fn moment(&self) -> Moment<'_> {
        Moment {
            at: self.snapshot.at,
            line: self.line,
            channels: &self.snapshot.channels,
            touched: self.bank.touched(),
        }
    }

    /// What came over `link` so far; nothing where there is no such link.
    pub fn tally(&self, link: LinkId) -> &Tally {
        self.lanes.get(link.index()).map_or(&NOTHING, |lane| lane.decoder.tally())
    }

    /// The decoder of `link`, for what it knows besides: the newest hello, names that the config does not use.
    pub fn decoder(&self, link: LinkId) -> Option<&Decoder> {
        self.lanes.get(link.index()).map(|lane| &lane.decoder)
    }

    /// Everything that follows from a line. `row`: its time of exports, where it was a new reading. What was none shows
    /// as time that passed does, and leaves no more trace than that.
    fn finish(&mut self, link: LinkId, now: Stamp, row: Option<Micros>, changed: &mut dyn FnMut(Change)) {
        let channels = &mut self.snapshot.channels;
        let at = row.unwrap_or_else(|| self.rows.at(now));
        (self.line, self.told) = (row.is_some(), now);
        if row.is_none() {
            self.bank.tick(now, at, channels);
        }
        let totals = self.lanes[link.index()].show(self.bank.supply(link), &mut self.snapshot.links[link.index()]);
        let when = When { at, now, line: self.line };
        self.bank.count(link, totals, when, channels);
        self.outputs.restarted(link, totals.restarts, now);
        self.bank.settle(when, channels);
        (self.snapshot.now, self.snapshot.at) = (now, row.unwrap_or(self.snapshot.at.max(at)));
        self.snapshot.version += 1;
        self.watch_over(now, at, changed);
    }

    fn watch_over(&mut self, now: Stamp, at: Micros, changed: &mut dyn FnMut(Change)) -> bool {
        let moment = Moment { at, line: self.line, channels: &self.snapshot.channels, touched: self.bank.touched() };
        let around = Around { bank: &self.bank, links: &self.snapshot.links };
        let shown = (self.snapshot.alarms.as_mut_slice(), self.snapshot.faults.as_mut_slice());
        let any = self.watch.step(now, &moment, around, shown, changed);
        self.decide(now, at, (self.line, any), changed)
    }

    /// What follows from the channels for outputs and for who attends to alarms. `news`: anything is wrong that was not, or
    /// the other way round. True where anything changed.
    fn decide(&mut self, now: Stamp, at: Micros, (line, news): (bool, bool), changed: &mut dyn FnMut(Change)) -> bool {
        let Snapshot { channels, links, outputs, faults, alarms, calls, .. } = &mut self.snapshot;
        let moment = Moment { at, line, channels, touched: self.bank.touched() };
        self.passed = self.passed.max(now);
        let any = self.outputs.step(now, &moment, links, (outputs, faults), changed) || news;
        if any {
            let asleep = |alarm: usize| self.watch.is_asleep(alarm);
            let wrong = Wrong { alarms, faults, channels, asleep: &asleep };
            self.desk.step(now, &wrong, calls);
        } else if self.desk.is_busy(now) {
            return self.desk.pass(now, channels, calls);
        }
        any
    }
}

/// Tells `ended` of each that was `active` and does not go on.
fn end(
    active: impl Iterator<Item = bool>,
    goes_on: impl Fn(usize) -> bool,
    raised: impl Fn(usize) -> Raised,
    ended: &mut dyn FnMut(Change),
) {
    for (place, _) in active.enumerate().filter(|(place, active)| *active && !goes_on(*place)) {
        ended(Change { raised: raised(place), active: false, value: None });
    }
}

fn empty(model: &Model) -> Snapshot {
    let (outputs, mut faults) = Rules::shown(model);
    faults.extend(Watch::shown(model));
    Snapshot {
        calls: Calls::new(model.alarms.len(), faults.len()),
        outputs,
        faults,
        channels: vec![Shown::UNKNOWN; model.channels.len()],
        links: vec![LinkShown::default(); model.links.len()],
        alarms: model
            .alarms
            .iter()
            .map(|alarm| AlarmShown { level: alarm.level, active: false, since: Stamp(0) })
            .collect(),
        ..Snapshot::default()
    }
}
