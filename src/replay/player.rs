//! The player: where a replay stands, how fast it goes, and how it gets elsewhere.
//!
//! Owns the place in time. In: how much real time passed, and what the user wants. Out: snapshots, through a function
//! that is handed in. Going back plays everything again from the beginning, as fast as the machine does, so that what is
//! shown at an instant never depends on how one came there.

use super::configs::Configs;
use super::extent::{Extent, Moment};
use super::feed::{Fed, Feed};
use crate::config::SharedModel;
use crate::pipeline::Outcome;
use crate::record::{ReadError, Recording};
use crate::state::{PlayerShown, Shared, Snapshot};
use crate::time::{Micros, SECOND, Stamp, micros_from_secs, secs_from_micros};
use crate::watch::Change;
use crate::watch::desk::Attend;

/// The speeds, in times real time.
pub const SPEEDS: [f64; 10] = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0];
const REAL_TIME: usize = 3;
/// What comes so long before the place of a jump is told too, so that trends show what led there: as much as a history
/// keeps.
const HISTORY: Micros = 600 * SECOND;
/// A jump to the moment before goes past one that was passed less than this ago, so that it can be repeated.
const JUST_PASSED: Micros = SECOND;

/// A moment that was passed is named for so long.
const NAMED: Micros = 5 * SECOND;

/// What the player's user hears of.
#[derive(Clone, Copy, Debug)]
pub enum Seen<'a> {
    /// Time was left, or the config is another: forget the history and begin it anew with this snapshot, which is one of
    /// this config as all that follow are.
    Jumped(&'a SharedModel, &'a Snapshot),
    /// Something new came.
    Step(&'a Snapshot),
    /// An alarm began or ended.
    Changed(Change),
}

/// A function that hands everything on to `shared`, for screens and viewers.
pub fn publish_to(shared: &Shared) -> impl FnMut(Seen<'_>) {
    |seen| match seen {
        Seen::Jumped(model, snapshot) => shared.reset(model, snapshot),
        Seen::Step(snapshot) => shared.publish(snapshot),
        Seen::Changed(_) => {}
    }
}

/// A recording that is being played.
#[derive(Debug)]
pub struct Player<O> {
    open: O,
    recording: Recording,
    feed: Feed,
    extent: Extent,
    /// What has been played, on the recording's timeline.
    position: Stamp,
    /// Readings shown since the beginning.
    readings: u64,
    /// Part of the recording that is played, on its timeline.
    from: Stamp,
    to: Stamp,
    speed: usize,
    paused: bool,
    looping: bool,
    ended: bool,
}

/// How far to play.
#[derive(Clone, Copy)]
enum Until {
    /// Up to this instant.
    Time(Stamp),
    /// Until so many readings were shown since the beginning.
    Readings(u64),
}

type See<'a> = &'a mut dyn FnMut(Seen<'_>);

impl<O: Fn() -> Result<Recording, ReadError>> Player<O> {
    /// A player at the beginning of what `open` opens, decoded by `configs`. Goes through all of it once, to know how long
    /// it is.
    pub fn new(open: O, configs: impl Into<Configs>) -> Result<Self, ReadError> {
        let configs: Configs = configs.into();
        let extent = Extent::of(open()?, configs.first());
        let (from, to) = (extent.begin, extent.begin.after(extent.length));
        let mut player = Self {
            recording: open()?,
            feed: Feed::new(configs),
            open,
            extent,
            position: from,
            readings: 0,
            from,
            to,
            speed: REAL_TIME,
            paused: false,
            looping: false,
            ended: false,
        };
        player.show();
        Ok(player)
    }

    /// Length, moments, and what could not be read.
    pub fn extent(&self) -> &Extent {
        &self.extent
    }

    /// The core and the links, for what a screen shows besides.
    pub fn feed(&self) -> &Feed {
        &self.feed
    }

    /// The config that is in force where the replay stands. It may be another after anything was played.
    pub fn model(&self) -> &SharedModel {
        self.feed.pipeline().model()
    }

    /// The newest snapshot.
    pub fn snapshot(&self) -> &Snapshot {
        self.feed.pipeline().snapshot()
    }

    /// Where the replay stands.
    pub fn shown(&self) -> PlayerShown {
        PlayerShown {
            position: self.position.since(self.extent.begin),
            length: Some(self.extent.length),
            speed: SPEEDS[self.speed],
            paused: self.paused,
            looping: self.looping,
            ended: self.ended,
            begun: self.position <= self.from,
            earlier: self.earlier().is_some(),
            later: self.later().is_some(),
            moment: self.passed().cloned(),
        }
    }

    /// The newest moment at or before the place, as long as it is news.
    fn passed(&self) -> Option<&Moment> {
        let here = self.position.since(self.extent.begin);
        let moments = &self.extent.moments;
        let passed = moments[..moments.partition_point(|moment| moment.at <= here)].last();
        passed.filter(|moment| here - moment.at < NAMED)
    }

    /// The moment that is the next one.
    fn later(&self) -> Option<&Moment> {
        let here = self.position.since(self.extent.begin);
        let moments = &self.extent.moments;
        let next = moments.get(moments.partition_point(|moment| moment.at <= here));
        next.filter(|moment| self.is_within(moment))
    }

    /// The moment before this one.
    fn earlier(&self) -> Option<&Moment> {
        let here = self.position.since(self.extent.begin) - JUST_PASSED;
        let moments = &self.extent.moments;
        let before = moments[..moments.partition_point(|moment| moment.at < here)].last();
        before.filter(|moment| self.is_within(moment))
    }

    fn is_within(&self, moment: &Moment) -> bool {
        (self.from..=self.to).contains(&self.extent.begin.after(moment.at))
    }

    /// Real time passed. Gives how many lines were played.
    pub fn advance(&mut self, elapsed: Micros, see: See<'_>) -> Result<u64, ReadError> {
        if self.paused || self.ended {
            return Ok(0);
        }
        let passed = micros_from_secs(secs_from_micros(elapsed.max(0)) * SPEEDS[self.speed]);
        let target = self.position.after(passed).min(self.to);
        let lines = self.play(Until::Time(target), Stamp(0), see);
        if target < self.to {
            return Ok(lines);
        }
        if self.looping && self.to > self.from {
            self.go(self.from, see)?;
        } else {
            self.ended = true;
            self.tell(see);
        }
        Ok(lines)
    }

    /// Stands still, or goes on.
    pub fn pause(&mut self, paused: bool, see: See<'_>) {
        self.paused = paused;
        self.tell(see);
    }

    /// Begins again at the end, or not. Where it stands at the end, it begins again at once.
    pub fn set_looping(&mut self, looping: bool, see: See<'_>) {
        self.looping = looping;
        if looping && self.ended {
            (self.ended, self.paused) = (false, false);
        }
        self.tell(see);
    }

    /// The next speed up, as far as there is one.
    pub fn faster(&mut self, see: See<'_>) {
        self.speed = (self.speed + 1).min(SPEEDS.len() - 1);
        self.tell(see);
    }

    /// The next speed down, as far as there is one.
    pub fn slower(&mut self, see: See<'_>) {
        self.speed = self.speed.saturating_sub(1);
        self.tell(see);
    }

    /// The speed of [`SPEEDS`] that is nearest to `speed`.
    pub fn set_speed(&mut self, speed: f64, see: See<'_>) {
        let distance = |one: &f64| (one.ln() - speed.max(SPEEDS[0]).ln()).abs();
        let nearest = SPEEDS.iter().enumerate().min_by(|a, b| distance(a.1).total_cmp(&distance(b.1)));
        self.speed = nearest.map_or(REAL_TIME, |(place, _)| place);
        self.tell(see);
    }

    /// Plays only what lies between `from` and `to`, both from the beginning of the recording, and goes there.
    pub fn limit(&mut self, from: Option<Micros>, to: Option<Micros>, see: See<'_>) -> Result<(), ReadError> {
        let end = self.extent.length;
        let to = to.unwrap_or(end).clamp(0, end);
        let from = from.unwrap_or(0).clamp(0, to);
        (self.from, self.to) = (self.extent.begin.after(from), self.extent.begin.after(to));
        self.go(self.from, see)
    }

    /// One reading forth, standing still after it.
    pub fn step_forth(&mut self, see: See<'_>) -> Result<(), ReadError> {
        self.paused = true;
        self.play(Until::Readings(self.readings + 1), Stamp(0), see);
        self.ended = self.position >= self.to;
        self.tell(see);
        Ok(())
    }

    /// One reading back, standing still after it.
    pub fn step_back(&mut self, see: See<'_>) -> Result<(), ReadError> {
        self.paused = true;
        let (readings, loud) = (self.readings.saturating_sub(1), self.position.after(-HISTORY));
        self.rewind(see)?;
        self.play(Until::Readings(readings), loud, see);
        self.ended = false;
        self.tell(see);
        Ok(())
    }

    /// Does something about alarms where the replay stands. It is on the screen alone: going back forgets it.
    pub fn attend(&mut self, act: Attend, known: u32, see: See<'_>) {
        let now = self.feed.now();
        self.feed.pipeline_mut().attend(now, act, known);
        self.tell(see);
    }

    /// Goes to `at`, from the beginning of the recording, within the limits.
    pub fn jump(&mut self, at: Micros, see: See<'_>) -> Result<(), ReadError> {
        self.go(self.extent.begin.after(at), see)
    }

    /// Goes `span` forth, or back where it is negative.
    pub fn jump_by(&mut self, span: Micros, see: See<'_>) -> Result<(), ReadError> {
        self.go(self.position.after(span), see)
    }

    /// Goes to the next mark, alarm or event. `None` where there is none.
    pub fn next_moment(&mut self, see: See<'_>) -> Result<Option<Moment>, ReadError> {
        let found = self.later().cloned();
        self.go_to_moment(found, see)
    }

    /// Goes to the mark, alarm or event before. `None` where there is none.
    pub fn previous_moment(&mut self, see: See<'_>) -> Result<Option<Moment>, ReadError> {
        let found = self.earlier().cloned();
        self.go_to_moment(found, see)
    }

    fn go_to_moment(&mut self, found: Option<Moment>, see: See<'_>) -> Result<Option<Moment>, ReadError> {
        if let Some(moment) = &found {
            self.jump(moment.at, see)?;
        }
        Ok(found)
    }

    fn go(&mut self, target: Stamp, see: See<'_>) -> Result<(), ReadError> {
        let target = target.clamp(self.from, self.to);
        if target < self.position {
            self.rewind(see)?;
        }
        self.ended = target >= self.to && !self.looping;
        self.play(Until::Time(target), target.after(-HISTORY), see);
        self.tell(see);
        Ok(())
    }

    /// Back to the beginning.
    fn rewind(&mut self, see: See<'_>) -> Result<(), ReadError> {
        self.recording = (self.open)()?;
        self.feed.begin_anew();
        (self.position, self.readings) = (self.extent.begin, 0);
        self.show();
        see(Seen::Jumped(self.model(), self.snapshot()));
        Ok(())
    }

    /// Plays on. What lies before `loud` is not told, and then the history begins anew there. Gives lines played.
    fn play(&mut self, until: Until, loud: Stamp, see: See<'_>) -> u64 {
        let mut lines = 0;
        let mut quiet = self.position < loud;
        while self.wants_more(until) {
            let Some(at) = self.due() else { break };
            if matches!(until, Until::Time(target) if at > target) || at > self.to {
                break;
            }
            if quiet && at >= loud {
                quiet = false;
                self.show();
                see(Seen::Jumped(self.model(), self.snapshot()));
            }
            lines += u64::from(self.one(quiet, see));
            self.position = self.position.max(at);
        }
        if let Until::Time(target) = until {
            let changed = self.feed.pass(target, &mut |change| see(Seen::Changed(change)));
            self.position = self.position.max(target);
            if changed && !quiet {
                self.tell(see);
            }
        }
        if quiet {
            self.show();
            see(Seen::Jumped(self.model(), self.snapshot()));
        }
        lines
    }

    fn wants_more(&self, until: Until) -> bool {
        match until {
            Until::Time(_) => true,
            Until::Readings(count) => self.readings < count,
        }
    }

    /// When the next item is to be played; `None` at the end.
    fn due(&mut self) -> Option<Stamp> {
        loop {
            // What could not be read was said when the player went through all of it.
            if let Ok(item) = self.recording.peek() {
                return item.map(|item| self.feed.time_of(&item));
            }
        }
    }

    /// Plays one item. True for a line.
    fn one(&mut self, quiet: bool, see: See<'_>) -> bool {
        let Ok(Some(item)) = self.recording.next() else { return false };
        let mut heard = |change| {
            if !quiet {
                see(Seen::Changed(change));
            }
        };
        let fed = self.feed.item(&item, &mut heard);
        if fed == Fed::Line(Outcome::Reading) {
            self.readings += 1;
        }
        if fed == Fed::Config && !quiet {
            // As while driving: the history of other channels is none of these.
            self.show();
            see(Seen::Jumped(self.model(), self.snapshot()));
        }
        if matches!(fed, Fed::Line(_) | Fed::Config) && !quiet {
            self.position = self.position.max(self.feed.now());
            self.tell(see);
        }
        matches!(fed, Fed::Line(_) | Fed::Stranger)
    }

    /// Writes the place into the snapshot.
    fn show(&mut self) {
        let shown = self.shown();
        self.feed.pipeline_mut().snapshot_mut().player = Some(shown);
    }

    fn tell(&mut self, see: See<'_>) {
        self.show();
        see(Seen::Step(self.snapshot()));
    }
}
