//! The alarm of a sensor: a channel that has limits and cannot be believed.
//!
//! Owns for each such channel whether its sensor's alarm sounds, and the choice of who is to blame: the channel itself,
//! the one that its formula asks for, or something that several share, which has an alarm of its own.

use super::causes::Causes;
use super::hold::{Hold, WAITS};
use crate::channel::{Moment, Trust};
use crate::config::{Channel, ChannelId, Cold, LinkId, Model, Sensor as Kind, Source};
use crate::state::{FaultShown, Problem};
use crate::time::{MILLISECOND, Micros, SECOND, Stamp};
use crate::wire::Form;

/// Gone for so long before it is quiet: what a loose wire does is one alarm.
pub(super) const UNTIL: Micros = 10 * SECOND;

/// Good for so long is more than a moment between two contacts of a loose wire.
const SETTLES: Micros = SECOND;

/// How long a state must last before its alarm sounds. The rule of the state has had its own time before.
const fn after(trust: Trust, never: bool) -> Micros {
    match trust {
        // What never came may still be about to: an ice-cold board, a receiver of something that sends seldom.
        Trust::Missing if never => 10 * SECOND,
        Trust::Missing => 3 * SECOND,
        // Until then it shows whether it is the whole link.
        Trust::Stale => SECOND,
        _ => 500 * MILLISECOND,
    }
}

/// One channel with limits.
#[derive(Clone, Debug)]
pub(super) struct Sensor {
    /// The channel.
    pub channel: ChannelId,
    /// Whether its alarm sounds.
    pub hold: Hold,
    /// It has had no value yet.
    never: bool,
    /// Since when it is good again, while its alarm does not sound.
    good: Option<Micros>,
}

/// What each channel hangs on.
#[derive(Clone, Debug)]
pub(super) struct Roots {
    terms: Vec<Vec<ChannelId>>,
    links: Vec<Option<LinkId>>,
    /// Null is usual there: a satellite receiver without a fix.
    nulls: Vec<bool>,
    /// Channels with limits.
    watched: Vec<bool>,
}

impl Roots {
    /// Those of `model`.
    pub fn new(model: &Model) -> Self {
        let link = |channel: &Channel| match &channel.source {
            Source::Input(input) => Some(input.link),
            Source::Formula(_) => None,
        };
        let nmea = |link: LinkId| model.links.get(link.index()).is_some_and(|link| link.form == Form::Nmea);
        let watched = |at: usize| model.alarms.iter().any(|alarm| alarm.channel.index() == at);
        Self {
            terms: model.channels.iter().map(terms).collect(),
            links: model.channels.iter().map(link).collect(),
            nulls: model.channels.iter().map(|channel| link(channel).is_some_and(nmea)).collect(),
            watched: (0..model.channels.len()).map(watched).collect(),
        }
    }

    /// The channel that `trust` of `channel` comes from.
    fn of(&self, channel: ChannelId, trust: Trust, moment: &Moment<'_>) -> ChannelId {
        let mut root = channel;
        // No circle can be longer than the list.
        for _ in 0..self.terms.len() {
            let terms = self.terms.get(root.index()).map_or(&[][..], Vec::as_slice);
            let same = |id: &&ChannelId| moment.channels.get(id.index()).is_some_and(|shown| shown.trust() == trust);
            match terms.iter().find(same) {
                Some(term) => root = *term,
                None => break,
            }
        }
        root
    }

    fn link(&self, channel: ChannelId) -> Option<LinkId> {
        self.links.get(channel.index()).copied().flatten()
    }
}

/// The channels that the state of `channel` may come from.
pub(super) fn terms(channel: &Channel) -> Vec<ChannelId> {
    match &channel.source {
        Source::Formula(formula) => formula.terms.clone(),
        Source::Input(input) => match input.sensor {
            Kind::Thermocouple { cold: Cold::Channel(cold, _), .. } => vec![cold],
            _ => Vec::new(),
        },
    }
}

impl Sensor {
    /// Nothing is known yet.
    pub fn new(channel: ChannelId) -> Self {
        Self { channel, hold: Hold::default(), never: true, good: None }
    }

    /// Goes on where `before` stands under the config before.
    pub fn go_on_from(&mut self, before: &Self) {
        (self.hold, self.never) = (Hold::at(before.hold.active), before.never);
    }

    /// Whether there is nothing to do while the value is good.
    pub fn rests(&self) -> bool {
        !self.never && self.hold.is_idle()
    }

    /// Looks at the channel; `late`: what it says was true some time ago, and turns nothing. True where anything that is shown changed; the second: it began or ended.
    pub fn step(
        &mut self,
        now: Stamp,
        moment: &Moment<'_>,
        (roots, causes, late): (&Roots, &Causes, bool),
        fault: &mut FaultShown,
    ) -> (bool, bool) {
        let delay = |delay: Micros| if late { WAITS } else { delay };
        let trust = moment.channels.get(self.channel.index()).map_or(Trust::Missing, |shown| shown.smooth.trust());
        if trust == Trust::Ok {
            self.never = false;
            let good = *self.good.get_or_insert(moment.at);
            if !self.hold.active && !self.hold.is_idle() && moment.at - good < SETTLES {
                // A wire that chatters is good for moments between.
                return (false, false);
            }
            let turned = self.hold.step(false, delay(UNTIL), moment.at);
            return self.turned(turned, now, fault);
        }
        self.good = None;
        let of = roots.of(self.channel, trust, moment);
        if self.is_explained(trust, of, moment, (roots, causes)) {
            // What was wrong before may be so still: that nothing comes makes no sensor whole.
            self.hold = Hold::at(self.hold.active);
            return (false, false);
        }
        let turned = self.hold.step(true, delay(after(trust, self.never)), moment.at);
        let problem = Problem::Untrusted { trust, of };
        let other = self.hold.active && fault.problem != problem;
        if other {
            fault.problem = problem;
        }
        let (changed, turned) = self.turned(turned, now, fault);
        (changed || other, turned)
    }

    fn turned(&self, turned: bool, now: Stamp, fault: &mut FaultShown) -> (bool, bool) {
        if turned {
            (fault.active, fault.since) = (self.hold.active, now);
        }
        (turned, turned)
    }

    /// Whether something else has, or will have, an alarm for it.
    fn is_explained(
        &self,
        trust: Trust,
        of: ChannelId,
        moment: &Moment<'_>,
        (roots, causes): (&Roots, &Causes),
    ) -> bool {
        let place = of.index();
        let link = roots.link(of);
        match trust {
            _ if of != self.channel && roots.watched.get(place) == Some(&true) => true,
            Trust::Supply | Trust::Ground => true,
            // A window that fills, and a receiver without a fix, are no fault.
            Trust::Missing if link.is_none() || (roots.nulls.get(place) == Some(&true)) => true,
            Trust::Missing | Trust::Stale => link.is_none_or(|link| causes.explains_silence(link, moment.at)),
            _ => false,
        }
    }
}
