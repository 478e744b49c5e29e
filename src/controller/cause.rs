//! What is broken, and when: the hidden causes of the stories.
//!
//! Owns the timing of each fault. In: the time and how fast the lorry moves. Out: [`Effects`] that the parts of the
//! vehicle feel. Every fault shows itself through physics only; nothing here writes a sensor's value.

use super::random::Random;
use super::story::Story;

/// What the vehicle feels of the fault.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[expect(clippy::struct_excessive_bools, reason = "switches that have nothing to do with each other")]
pub(super) struct Effects {
    /// The feed filter is dirty.
    pub(super) dirty_filter: bool,
    /// The lug that grounds the sensors and the stop solenoid is open, and lifts the sensors' ground by so many volts.
    pub(super) ground_lift: f64,
    /// The intake heater is switched on by its own relay.
    pub(super) heater: bool,
    /// The joint between battery and fuse box is corroded.
    pub(super) bad_joint: bool,
    /// The ignition switch makes poor contact: not enough for the solenoid to pull in.
    pub(super) poor_contact: bool,
    /// The ignition switch makes none: the controller has no supply.
    pub(super) no_contact: bool,
    /// The serial plug is loose and moves.
    pub(super) bad_line: bool,
}

/// The first fault comes so many seconds after the start of the story, when the lorry climbs its first hill.
const FIRST_S: (f64, f64) = (58.0, 66.0);
/// So many seconds from one to the next.
const APART_S: (f64, f64) = (28.0, 55.0);
/// Below this speed nothing shakes, m/s.
const SHAKES_FROM: f64 = 3.0;

/// The fault of one story with its place in time.
#[derive(Clone, Debug)]
pub(super) struct Cause {
    story: Story,
    random: Random,
    /// When the next one begins, s.
    next: f64,
    /// When the present one began and ends, s.
    began: f64,
    ends: f64,
    /// How strong the present one is, 0 to 1.
    strength: f64,
    seen: u32,
}

impl Cause {
    pub(super) fn new(story: Story, mut random: Random) -> Self {
        let next = random.between(FIRST_S.0, FIRST_S.1);
        Self { story, random, next, began: 0.0, ends: 0.0, strength: 0.0, seen: 0 }
    }

    /// The effects at `now` seconds, at a speed of `speed` m/s.
    pub(super) fn step(&mut self, now: f64, speed: f64) -> Effects {
        let waits_for_motion = self.story != Story::Supply && speed < SHAKES_FROM;
        if now >= self.next && now >= self.ends && !waits_for_motion {
            self.begin(now);
        }
        let on = now < self.ends && self.seen > 0;
        let mut effects = Effects { dirty_filter: self.story == Story::Filter, ..Effects::default() };
        effects.bad_joint = self.story == Story::Supply;
        match self.story {
            Story::Ground if on => effects.ground_lift = 0.22 + 0.2 * self.strength,
            Story::Supply => effects.heater = on,
            Story::Restart if on => {
                let inside = now - self.began;
                effects.poor_contact = true;
                effects.no_contact = inside < 0.15 || (self.strength > 0.6 && (1.3..1.42).contains(&inside));
            }
            Story::Lines => effects.bad_line = on,
            _ => {}
        }
        effects
    }

    fn begin(&mut self, now: f64) {
        // The first one is always long enough to be felt; later some are over before the solenoid lets go.
        let short = self.seen > 0 && self.random.chance(0.3);
        let lasts = match self.story {
            Story::Ground | Story::Restart if short => self.random.between(0.16, 0.3),
            Story::Ground | Story::Restart => self.random.between(2.8, 3.6),
            Story::Supply => self.random.between(2.8, 3.4),
            _ => self.random.between(1.0, 4.0),
        };
        self.began = now;
        self.ends = now + lasts;
        self.strength = self.random.share();
        self.seen += 1;
        self.next = now + self.random.between(APART_S.0, APART_S.1);
    }
}
