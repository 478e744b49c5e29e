//! From a recording to the measures of its alarms.
//!
//! Owns the loop. The alarms are worked out anew from the readings, as in every other reading of a recording, so that a
//! changed config can be tried on an old drive; what persons did about them is taken from the notes. What was put aside
//! does not count. Memory does not grow with the length.

use crate::config::{Limit, Model};
use crate::output::words::Told;
use crate::pipeline::{Outcome, Pipeline};
use crate::record::{Item, ReadError, Recording};
use crate::replay::{Configs, Fed, Feed, Refused};
use crate::state::{AlarmState, Call, Raised, Snapshot};
use crate::time::Micros;
use crate::watch::measures::{Kind, Measures, Tuning};

/// What a recording's alarms did.
#[derive(Clone, Debug)]
pub struct AlarmsRead {
    /// The measures.
    pub measures: Measures,
    /// How many readings there were.
    pub readings: u64,
    /// Configs of the recording that were passed over.
    pub refused: Refused,
}

/// Goes through all of `recording`. Where a part cannot be read on, `trouble` is told why, and the next part follows.
#[inline(never)]
pub fn alarms(recording: &mut Recording, configs: Configs, trouble: &mut dyn FnMut(&ReadError)) -> AlarmsRead {
    let mut feed = Feed::new(configs);
    let mut walk = Walk::default();
    let (mut readings, mut drive) = (0, None);
    loop {
        let item = match recording.next() {
            Ok(Some(item)) => item,
            Ok(None) => break,
            Err(error) => {
                trouble(&error);
                continue;
            }
        };
        if let Item::Head(head) = &item
            && drive.replace(head.drive).is_some_and(|drive| drive != head.drive)
        {
            walk.measures.end_drive(walk.now);
            walk.is_driving = false;
        }
        let fed = feed.item(&item, &mut |_| {});
        readings += u64::from(fed == Fed::Line(Outcome::Reading));
        if !matches!(item, Item::Head(_)) {
            walk.look(feed.pipeline());
        }
    }
    walk.measures.end_drive(walk.now);
    AlarmsRead { measures: walk.measures, readings, refused: feed.refused() }
}

#[derive(Default)]
struct Walk {
    measures: Measures,
    is_driving: bool,
    now: Micros,
    /// What was looked at last.
    digest: u64,
    /// The place in the measures of each that ever came, by the place in the calls; of the config at hand.
    kinds: Vec<Option<usize>>,
    config: usize,
}

impl Walk {
    fn look(&mut self, pipeline: &Pipeline) {
        let (model, snapshot) = (pipeline.model(), pipeline.snapshot());
        self.now = self.now.max(snapshot.now.0);
        if !self.is_driving {
            self.is_driving = true;
            self.measures.begin_drive(self.now);
        }
        let calls = &snapshot.calls;
        // The address tells one config from the next: both are alive while one follows the other.
        let config = std::sync::Arc::as_ptr(model).addr();
        if self.digest == calls.digest && self.config == config {
            return;
        }
        if self.config != config {
            self.kinds.clear();
            self.config = config;
        }
        self.digest = calls.digest;
        self.kinds.resize(calls.list.len(), None);
        let mut stands = Vec::new();
        for (place, call) in calls.list.iter().enumerate().filter(|(_, call)| call.number > 0) {
            let known = self.kinds[place];
            let Some(kind) = known.or_else(|| Some(self.measures.place(&kind(model, snapshot, calls.raised(place))?)))
            else {
                continue;
            };
            self.kinds[place] = Some(kind);
            stands.extend(self.one(kind, call));
        }
        // What the config at hand does not have any more is over.
        for kind in 0..self.measures.len() {
            if !stands.contains(&kind) && self.measures.open(kind).is_some() && !self.kinds.contains(&Some(kind)) {
                self.measures.end(self.now, kind, true);
            }
        }
    }

    /// Gives the kind back where it stands.
    fn one(&mut self, kind: usize, call: &Call) -> Option<usize> {
        let is = matches!(call.state, AlarmState::Unacknowledged | AlarmState::Acknowledged);
        match self.measures.open(kind) {
            Some(began) if is && began == call.began.0 => {}
            open => {
                if open.is_some() {
                    self.measures.end(
                        self.now,
                        kind,
                        call.state != AlarmState::Returned && call.state != AlarmState::LatchedUnacknowledged,
                    );
                }
                if is {
                    self.measures.begin(call.began.0, kind);
                }
            }
        }
        is.then_some(kind)
    }
}

fn kind(model: &Model, snapshot: &Snapshot, raised: Raised) -> Option<Kind> {
    match raised {
        Raised::Limit(at) => {
            let alarm = model.alarms.get(at)?;
            let channel = model.channels.get(alarm.channel.index())?;
            let unit = channel.unit.name();
            let limit = match alarm.limit {
                Limit::Below(limit) => format!("below {limit} {unit}"),
                Limit::Above(limit) => format!("above {limit} {unit}"),
            };
            let tuning = Tuning { deadband: alarm.deadband, unit, after: alarm.after, until: alarm.until };
            Some(Kind { name: channel.name.clone(), limit, level: alarm.level, tuning: Some(tuning) })
        }
        Raised::Fault(at) => {
            let fault = snapshot.faults.get(at)?;
            let told = Told::of(model, &[], fault)?;
            Some(Kind { name: told.name, limit: told.what, level: fault.level, tuning: None })
        }
    }
}
