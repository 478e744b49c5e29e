//! What several channels share, and its alarms: the link, the controller, the sensor supply, the sensors' ground.
//!
//! Owns for each link which of the four sounds. In: how the links stand. Each is named once, whatever it spoils.

use super::hold::{Hold, WAITS};
use super::lateness::Lateness;
use crate::channel::{Bank, Standing};
use crate::config::{Field, LinkId, Model, Source};
use crate::state::{FaultShown, LinkShown, LinkState, Problem};
use crate::time::{Micros, SECOND, Stamp};

/// No reading for so long, after the rule of `stale`, before the link is named.
const LOST_AFTER: Micros = SECOND;
/// Readings come again for so long.
const LOST_UNTIL: Micros = 3 * SECOND;
/// The sensor supply is out of its limits for so long: a starter may pull it down for a moment.
const SUPPLY_AFTER: Micros = SECOND;
/// Nothing tells the supply for so long.
const UNKNOWN_AFTER: Micros = 10 * SECOND;
/// No step of several for so long: a joint that gives way whenever something is switched is one alarm, not one a minute.
const GROUND_UNTIL: Micros = 60 * SECOND;
/// Two restarts within so long are more than the one that opening a port makes; and so long after the last one.
const RESTARTS_WITHIN: Micros = 60 * SECOND;
/// For so long after a restart it is no sensor's fault that a value is missing.
const RESTART_EXPLAINS: Micros = 3 * SECOND;

/// The order of the four in every list.
pub(super) const KINDS: usize = 4;
const LINK: usize = 0;
const CONTROLLER: usize = 1;
const SUPPLY: usize = 2;
const GROUND: usize = 3;

/// Whether it is wrong, for how long that must last to turn it, and what is wrong.
type Fact = (bool, Micros, Problem);

/// All links.
#[derive(Clone, Debug)]
pub(super) struct Causes {
    links: Vec<Shared>,
    /// Something sounds, is about to, or was not looked at yet.
    busy: bool,
}

/// What the channels of one link share.
#[derive(Clone, Debug)]
struct Shared {
    holds: [Hold; KINDS],
    /// A channel with limits needs the supply to be known.
    needs_supply: bool,
    /// Restarts so far; `None`: not looked at yet.
    restarts: Option<u64>,
    /// When the newest two restarts were.
    restarted: [Option<Micros>; 2],
    silent: bool,
}

impl Causes {
    /// Nothing is known yet.
    pub fn new(model: &Model) -> Self {
        let needs = |link: LinkId| {
            model.alarms.iter().any(|alarm| match model.channels.get(alarm.channel.index()).map(|it| &it.source) {
                Some(Source::Input(input)) => input.link == link && matches!(input.field, Field::Analog(_)),
                _ => false,
            })
        };
        let links = (0_u8..).zip(&model.links).map(|(link, _)| Shared {
            holds: [Hold::default(); KINDS],
            needs_supply: needs(LinkId(link)),
            restarts: None,
            restarted: [None; 2],
            silent: true,
        });
        Self { links: links.collect(), busy: true }
    }

    /// How many links there are.
    pub fn len(&self) -> usize {
        self.links.len()
    }

    /// What is shown goes on where `before` stands, link by link.
    pub fn go_on_from(&mut self, before: &Self, old: impl Fn(LinkId) -> Option<LinkId>) {
        self.busy = true;
        for (link, shared) in (0_u8..).zip(&mut self.links) {
            let known = old(LinkId(link)).and_then(|old| before.links.get(old.index()));
            if let Some(known) = known {
                shared.holds = known.holds.map(|hold| Hold::at(hold.active));
                (shared.restarts, shared.restarted) = (known.restarts, known.restarted);
            }
        }
    }

    /// What was wrong says nothing any more about what comes.
    pub fn end(&mut self) {
        self.busy = true;
        for shared in &mut self.links {
            (shared.holds, shared.restarts, shared.restarted) = ([Hold::default(); KINDS], None, [None; 2]);
        }
    }

    /// Whether it is the link's or the controller's doing that a channel of `link` has no value.
    pub fn explains_silence(&self, link: LinkId, at: Micros) -> bool {
        let recent = |restarted: Micros| at - restarted < RESTART_EXPLAINS;
        self.links.get(link.index()).is_none_or(|shared| shared.silent || shared.restarted[0].is_some_and(recent))
    }

    /// Whether there is nothing to do at a glance.
    #[inline]
    pub fn rest(&self, now: Stamp, bank: &Bank, links: &[LinkShown]) -> bool {
        let same = |(shared, shown): (&Shared, &LinkShown)| shared.restarts == Some(shown.restarts);
        !self.busy && bank.is_calm(now) && self.links.iter().zip(links).all(same)
    }

    /// Looks at all links; of one whose newest reading was late nothing turns but what is known without it. `turned` hears of each alarm that began or ended, by its place. True where any did, or what is
    /// shown of it changed.
    pub fn step(
        &mut self,
        (now, at): (Stamp, Micros),
        (bank, links, late): (&Bank, &[LinkShown], &Lateness),
        faults: &mut [FaultShown],
        turned: &mut dyn FnMut(usize, bool),
    ) -> bool {
        let mut any = false;
        for (place, (shared, shown)) in self.links.iter_mut().zip(links).enumerate() {
            let Some(standing) = u8::try_from(place).ok().and_then(|link| bank.standing(LinkId(link), now)) else {
                continue;
            };
            shared.note_restarts(shown.restarts, at);
            let mut facts = shared.facts(standing, shown, at);
            if late.of(place) {
                // That a link is lost is no matter of what it says; that it is back is.
                let waits =
                    |(kind, fact): &(usize, &mut Fact)| matches!(*kind, SUPPLY | GROUND) || (*kind == LINK && !fact.0);
                facts.iter_mut().enumerate().filter(waits).for_each(|(_, fact)| fact.1 = WAITS);
            }
            for (kind, (hold, (is, delay, problem))) in shared.holds.iter_mut().zip(facts).enumerate() {
                let Some(fault) = faults.get_mut(KINDS * place + kind) else { continue };
                let turns = hold.step(is, delay, at);
                if is && hold.active && fault.problem != problem {
                    (fault.problem, any) = (problem, true);
                }
                if turns {
                    (fault.active, fault.since, any) = (hold.active, now, true);
                    turned(KINDS * place + kind, hold.active);
                }
            }
        }
        self.busy = self.links.iter().any(Shared::is_busy);
        any
    }

    /// The driver takes what stepped for true: that is over at once.
    pub fn accept_ground(&mut self, faults: &mut [FaultShown], now: Stamp, turned: &mut dyn FnMut(usize, bool)) {
        for (place, shared) in self.links.iter_mut().enumerate() {
            let hold = &mut shared.holds[GROUND];
            if std::mem::take(hold).active
                && let Some(fault) = faults.get_mut(KINDS * place + GROUND)
            {
                (fault.active, fault.since) = (false, now);
                turned(KINDS * place + GROUND, false);
            }
        }
    }

    /// When time alone changes anything.
    pub fn due(&self, after: Micros) -> Option<Micros> {
        let holds = self.links.iter().flat_map(|shared| shared.holds.iter().filter_map(Hold::due));
        let calm = self.links.iter().filter(|shared| shared.holds[CONTROLLER].active);
        let calm = calm.filter_map(|shared| shared.restarted[0]).map(|last| last.saturating_add(RESTARTS_WITHIN));
        holds.chain(calm).filter(|due| *due > after).min()
    }
}

impl Shared {
    fn is_busy(&self) -> bool {
        self.silent || self.restarted[1].is_some() || !self.holds.iter().all(Hold::is_idle)
    }

    fn note_restarts(&mut self, restarts: u64, at: Micros) {
        let before = self.restarts.replace(restarts).unwrap_or(restarts);
        if restarts > before {
            let recent = self.restarted[0].filter(|before| at - before <= RESTARTS_WITHIN);
            self.restarted = [Some(at), if restarts - before > 1 { Some(at) } else { recent }];
        } else if self.restarted[0].is_some_and(|last| at - last >= RESTARTS_WITHIN) {
            self.restarted = [None; 2];
        }
    }

    /// The four, in their order.
    fn facts(&mut self, standing: Standing, shown: &LinkShown, at: Micros) -> [Fact; KINDS] {
        let heard = standing.silent.is_some();
        self.silent = standing.silent.unwrap_or(true) || shown.state == LinkState::Down;
        // Under a changed config nothing was heard yet, and what was lost still is.
        let lost = self.silent && (heard || self.holds[LINK].active);
        let often = match self.restarted {
            [Some(last), Some(before)] => last - before <= RESTARTS_WITHIN && at - last < RESTARTS_WITHIN,
            _ => false,
        };
        let unknown = heard && self.needs_supply && standing.supply.is_none();
        // Nobody knows the supply of a controller that says nothing.
        let supply = if self.silent { self.holds[SUPPLY].active } else { standing.supply_bad || unknown };
        let ground = if self.silent { self.holds[GROUND].active } else { standing.shifted.is_some() };
        let supply_after = if standing.supply_bad { SUPPLY_AFTER } else { UNKNOWN_AFTER };
        [
            (lost, if lost { LOST_AFTER } else { LOST_UNTIL }, Problem::Lost),
            (often, 0, Problem::Restarts),
            (supply, if supply { supply_after } else { super::sensor::UNTIL }, supply_problem(standing.supply)),
            (ground, if ground { 0 } else { GROUND_UNTIL }, Problem::Ground(standing.shifted.unwrap_or_default())),
        ]
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few volts, and the cast saturates")]
fn supply_problem(volts: Option<f64>) -> Problem {
    Problem::Supply { millivolts: volts.map(|volts| (volts * 100.0).round() as u32 * 10) }
}
