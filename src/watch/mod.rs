//! What is wrong: limits that are passed, sensors that cannot be believed, and what several of them share.
//!
//! Owns the alarms' memory: since when a limit is passed or left, and the same of sensors and shared causes. In: channels
//! with trust, how the links stand, and the time. Out: which alarms sound, and each change once. No drawing, no clock. The
//! states of ANSI/ISA-18.2 beyond normal and sounding (acknowledged, latched, shelved) follow from that in [`desk`], so that
//! they cost nothing while all is well.

pub mod advice;
mod causes;
pub mod desk;
mod hold;
mod lateness;
mod limit;
pub mod machine;
pub mod measures;
pub mod named;
mod sensor;

use crate::channel::{Bank, Moment, Trust};
use crate::config::{Alarm, ChannelId, Level, LinkId, Model};
pub use crate::state::Raised;
use crate::state::{AlarmShown, FaultShown, LinkShown, Problem, Subject};
use crate::time::{Micros, Stamp};
use causes::{Causes, KINDS};
use lateness::Lateness;
use limit::Memory;
use sensor::{Roots, Sensor};

/// An alarm that began or ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// Which.
    pub raised: Raised,
    /// It began; else it ended.
    pub active: bool,
    /// The channel's smoothed value then, if there is one and it could be trusted.
    pub value: Option<f64>,
}

/// The memory of all alarms.
#[derive(Clone, Debug)]
pub struct Watch {
    alarms: Vec<Memory>,
    /// Of each run of alarms of one channel, the values at which there is nothing to do; looked at first, and so kept
    /// close together.
    quiet: Vec<Quiet>,
    /// Of each channel with limits its sensor, in the order of the channels' first limits.
    sensors: Vec<Sensor>,
    roots: Roots,
    causes: Causes,
    late: Lateness,
    /// How many of the snapshot's faults are others'.
    faults: usize,
    /// The time of the last step, on the timeline of exports.
    stepped: Micros,
}

/// A range between two that are no numbers holds nothing.
#[derive(Clone, Copy, Debug)]
struct Quiet {
    low: f64,
    high: f64,
    channel: usize,
    /// The alarms, by their place in the model.
    from: usize,
    to: usize,
    /// The channel's sensor, where this is its first run.
    sensor: Option<usize>,
}

/// What is looked at besides the channels.
#[derive(Clone, Copy, Debug)]
pub struct Around<'a> {
    /// The channels' memory: how their links stand.
    pub bank: &'a Bank,
    /// The links as they are shown.
    pub links: &'a [LinkShown],
}

/// Channels with limits, in the order of their first one.
fn watched(model: &Model) -> Vec<ChannelId> {
    let mut watched = Vec::new();
    for alarm in &model.alarms {
        if !watched.contains(&alarm.channel) {
            watched.push(alarm.channel);
        }
    }
    watched
}

/// For each fault of `model` that is no output's the place of the same one of `before`: of that link, or of the channel of
/// that name.
pub fn same_faults(model: &Model, before: &Model) -> Vec<Option<usize>> {
    let names = |model: &Model, subject: Subject| {
        let link = |kind: u8, link: LinkId| Some((kind, model.links.get(link.index())?.name.clone()));
        match subject {
            Subject::Output(_) => None,
            Subject::Link(of) => link(0, of),
            Subject::Controller(of) => link(1, of),
            Subject::Supply(of) => link(2, of),
            Subject::Ground(of) => link(3, of),
            Subject::Sensor(of) => Some((4, model.channels.get(of.index())?.name.clone())),
        }
    };
    let old: Vec<_> = Watch::shown(before).map(|fault| names(before, fault.subject)).collect();
    let find = |fault: FaultShown| {
        let name = names(model, fault.subject)?;
        old.iter().position(|old| old.as_ref() == Some(&name)).map(|place| place + before.outputs.len())
    };
    Watch::shown(model).map(find).collect()
}

/// For each alarm of `model` the place of the same one in `before`: of a channel of that name in that unit, with the same
/// level, limit and `when`. Its delays and words may be others.
pub fn same_alarms(model: &Model, before: &Model) -> Vec<Option<usize>> {
    let mut taken = vec![false; before.alarms.len()];
    let find = |alarm: &Alarm| {
        let mut olds = before.alarms.iter().enumerate();
        let (place, _) = olds.find(|(place, old)| !taken[*place] && is_same((model, alarm), (before, old)))?;
        taken[place] = true;
        Some(place)
    };
    model.alarms.iter().map(find).collect()
}

fn is_same((model, alarm): (&Model, &Alarm), (before, old): (&Model, &Alarm)) -> bool {
    let (channel, other) = (&model.channels[alarm.channel.index()], &before.channels[old.channel.index()]);
    (&channel.name, channel.unit) == (&other.name, other.unit)
        && (alarm.level, alarm.limit) == (old.level, old.limit)
        && alarm.when.as_ref().map(|when| &when.text) == old.when.as_ref().map(|when| &when.text)
}

impl Watch {
    /// All quiet.
    pub fn new(model: &Model) -> Self {
        let alarms: Vec<_> = model.alarms.iter().map(Memory::new).collect();
        let mut quiet: Vec<Quiet> = Vec::new();
        let watched = watched(model);
        for (place, alarm) in alarms.iter().enumerate() {
            let (channel, from, to) = (alarm.channel, place, place + 1);
            match quiet.last_mut() {
                Some(last) if last.channel == channel => last.to = to,
                _ => {
                    let first = !quiet.iter().any(|other| other.channel == channel);
                    let sensor = watched.iter().position(|id| id.index() == channel).filter(|_| first);
                    quiet.push(Quiet { low: f64::NAN, high: f64::NAN, channel, from, to, sensor });
                }
            }
        }
        Self {
            alarms,
            quiet,
            sensors: watched.into_iter().map(Sensor::new).collect(),
            roots: Roots::new(model),
            causes: Causes::new(model),
            late: Lateness::new(model),
            faults: model.outputs.len(),
            stepped: Micros::MIN,
        }
    }

    /// What is shown of links, controllers, supplies, grounds and sensors before the first step; behind the faults of
    /// outputs.
    pub fn shown(model: &Model) -> impl Iterator<Item = FaultShown> {
        let links = (0_u8..).zip(&model.links).flat_map(|(link, _)| {
            let link = LinkId(link);
            // In the order of [`Causes`].
            [
                (Subject::Link(link), Problem::Lost),
                (Subject::Controller(link), Problem::Restarts),
                (Subject::Supply(link), Problem::Supply { millivolts: None }),
                (Subject::Ground(link), Problem::Ground(crate::channel::Shifted::default())),
            ]
        });
        let sensor = |of| (Subject::Sensor(of), Problem::Untrusted { trust: Trust::Missing, of });
        let sensors = watched(model).into_iter().map(sensor);
        let fault =
            |(subject, problem)| FaultShown { subject, problem, level: Level::Caution, active: false, since: Stamp(0) };
        links.chain(sensors).map(fault)
    }

    /// A reading came over `link`, and is about to be looked at. What was `late` on its way neither begins nor ends an alarm;
    /// the first reading in time decides, with the delays that run by then.
    #[inline]
    pub fn reading(&mut self, link: LinkId, late: bool) {
        self.late.reading(link.index(), late);
    }

    /// Looks at all channels at `moment`, which is `now` on the computer's timeline; `changed` hears of each alarm that
    /// begins or ends. Delays run on the timeline of exports, so that lines that were held up on the way count as when
    /// they were sampled. Allocates nothing.
    pub fn step(
        &mut self,
        now: Stamp,
        moment: &Moment<'_>,
        around: Around<'_>,
        (shown, faults): (&mut [AlarmShown], &mut [FaultShown]),
        changed: &mut dyn FnMut(Change),
    ) -> bool {
        self.stepped = moment.at;
        let mut any = false;
        if !self.causes.rest(now, around.bank, around.links) {
            any = self.look_around(now, moment.at, around, faults, changed);
        }
        let sensors_from = self.faults + KINDS * around.links.len();
        for quiet in &mut self.quiet {
            let Some(value) = moment.channels.get(quiet.channel).map(|shown| shown.smooth) else { continue };
            if value.is_within(quiet.low, quiet.high) {
                continue;
            }
            let mut range = Some((f64::NEG_INFINITY, f64::INFINITY));
            let alarms = self.alarms.get_mut(quiet.from..quiet.to).unwrap_or_default();
            for (alarm, memory) in (quiet.from..).zip(alarms) {
                let slept = memory.asleep;
                memory.late = self.late.of_alarm(alarm);
                let turned = !memory.rests_at(value) && memory.step(moment);
                any |= slept != memory.asleep;
                if turned && let Some(shown) = shown.get_mut(alarm) {
                    (shown.active, shown.since, any) = (memory.active, now, true);
                    changed(Change { raised: Raised::Limit(alarm), active: memory.active, value: value.good() });
                }
                range = range.zip(memory.quiet()).map(|((low, high), own)| (low.max(own.0), high.min(own.1)));
            }
            if let Some((at, sensor)) = quiet.sensor.and_then(|at| Some((at, self.sensors.get_mut(at)?)))
                && let Some(fault) = faults.get_mut(sensors_from + at)
            {
                let late = self.late.of_channel(quiet.channel);
                let (changes, turned) = sensor.step(now, moment, (&self.roots, &self.causes, late), fault);
                any |= changes;
                if turned {
                    let raised = Raised::Fault(sensors_from + at);
                    changed(Change { raised, active: fault.active, value: None });
                }
                range = range.filter(|_| sensor.rests());
            }
            (quiet.low, quiet.high) = range.unwrap_or((f64::NAN, f64::NAN));
        }
        any
    }

    #[cold]
    fn look_around(
        &mut self,
        now: Stamp,
        at: Micros,
        around: Around<'_>,
        faults: &mut [FaultShown],
        changed: &mut dyn FnMut(Change),
    ) -> bool {
        let from = self.faults;
        let own = faults.get_mut(from..).unwrap_or_default();
        let mut turned = |place: usize, active: bool| {
            changed(Change { raised: Raised::Fault(from + place), active, value: None });
        };
        self.causes.step((now, at), (around.bank, around.links, &self.late), own, &mut turned)
    }

    /// The driver takes what stepped together for true.
    pub fn accept_ground(&mut self, now: Stamp, faults: &mut [FaultShown], changed: &mut dyn FnMut(Change)) {
        let from = self.faults;
        let own = faults.get_mut(from..).unwrap_or_default();
        self.causes.accept_ground(own, now, &mut |place, active| {
            changed(Change { raised: Raised::Fault(from + place), active, value: None });
        });
    }

    /// Links, sensors and what they share go on where they stood under the config before. `same`: of each its place among
    /// all faults there.
    pub fn faults_go_on_from(&mut self, before: &Self, same: &[Option<usize>]) {
        let old = |place: usize| same.get(place).copied().flatten().and_then(|old| old.checked_sub(before.faults));
        let links = self.causes.len();
        self.causes
            .go_on_from(&before.causes, |link| u8::try_from(old(KINDS * link.index())? / KINDS).ok().map(LinkId));
        for (place, sensor) in self.sensors.iter_mut().enumerate() {
            let at = old(KINDS * links + place).and_then(|old| old.checked_sub(KINDS * before.causes.len()));
            if let Some(known) = at.and_then(|at| before.sensors.get(at)) {
                sensor.go_on_from(known);
            }
        }
    }

    /// Another config is in force, and `before` is the watch of the one before. An alarm that both have (`same`: its old
    /// place) goes on where it stands: whether it sounds, and the delay that runs. No channel has a value yet; up to
    /// `good_until`, when the old value of the old alarm's channel would have become stale, that breaks no delay.
    pub fn go_on_from(&mut self, before: &Self, same: &[Option<usize>], good_until: impl Fn(usize) -> Micros) {
        for (memory, old) in self.alarms.iter_mut().zip(same) {
            let Some(old) = old.and_then(|old| before.alarms.get(old)) else { continue };
            (memory.active, memory.asleep, memory.since) = (old.active, old.asleep, old.since);
            memory.bare = memory.since.is_some();
            memory.bridge = if memory.bare { good_until(old.channel) } else { Micros::MIN };
        }
        self.stepped = before.stepped;
    }

    /// All alarms end at `now`, and no delay runs: what was true says nothing any more about what comes.
    pub fn end_all(&mut self, now: Stamp, shown: &mut [AlarmShown], changed: &mut dyn FnMut(Change)) {
        for (alarm, (memory, shown)) in self.alarms.iter_mut().zip(shown).enumerate() {
            if memory.active {
                changed(Change { raised: Raised::Limit(alarm), active: false, value: None });
            }
            (memory.active, memory.asleep, memory.since) = (false, false, None);
            (shown.active, shown.since) = (false, now);
        }
    }

    /// Whether the limit of `alarm` is passed while its `when` is false.
    pub fn is_asleep(&self, alarm: usize) -> bool {
        self.alarms.get(alarm).is_some_and(|memory| memory.asleep)
    }

    /// [`Watch::end_all`] for links, sensors and what they share.
    pub fn end_faults(&mut self, now: Stamp, shown: &mut [FaultShown], changed: &mut dyn FnMut(Change)) {
        for (place, fault) in shown.iter_mut().enumerate().skip(self.faults).filter(|(_, fault)| fault.active) {
            (fault.active, fault.since) = (false, now);
            changed(Change { raised: Raised::Fault(place), active: false, value: None });
        }
        self.causes.end();
        self.late.end();
        self.sensors.iter_mut().for_each(|sensor| *sensor = Sensor::new(sensor.channel));
    }

    /// When, at the earliest, an alarm begins or ends by time alone; on the timeline of exports.
    pub fn due(&self) -> Option<Micros> {
        let alarms = self.alarms.iter().filter_map(Memory::due);
        let sensors = self.sensors.iter().filter_map(|sensor| sensor.hold.due());
        let causes = self.causes.due(self.stepped);
        alarms.chain(sensors).chain(causes).filter(|due| *due > self.stepped).min()
    }
}
