//! How the items of a recording reach the core: at the instants they had on the road.
//!
//! Owns one [`Pipeline`] and the matching of links. In: items, and how far time has come. Out: what each did. A line of
//! a bare capture has no time of its own: it is handed in at the time of the reading before it, by the controller's
//! clock. Between two lines the core is told of each instant at which something becomes due and of no other, so that
//! what it shows depends on the recording alone and not on how a player got there. Where the recording says that another
//! config is in force, the core is told so as it was on the road, unless the user named one to decode all of it.

use std::sync::Arc;

use super::configs::{Configs, Mistakes};
use super::links::Links;
use crate::config::LinkId;
use crate::pipeline::{Outcome, Pipeline};
use crate::record::{Head, Item, Note, UNREADABLE};
use crate::state::{ConfigTrouble, Problem};
use crate::time::{MINUTE, Stamp, micros_from_secs, secs_from_micros};
use crate::watch::Change;
use crate::watch::desk::Attend;
use crate::watch::named::{MEMBERS, find};
use crate::wire::Tally;

/// What an item did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fed {
    /// It was a line of a link of the model.
    Line(Outcome),
    /// It was a line of a link that the model does not have: counted.
    Stranger,
    /// Another config is in force from here on, so channels, links and alarms may be others.
    Config,
    /// It was none of these.
    Other,
}

/// Configs of a recording that have mistakes: passed over, so that the one before stays in force.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Refused {
    /// How many.
    pub count: u64,
    /// Where the first of them stands.
    pub first: Stamp,
    /// How many mistakes it has.
    pub mistakes: Mistakes,
}

/// A core that is fed from a recording.
#[derive(Debug)]
pub struct Feed {
    pipeline: Pipeline,
    links: Links,
    configs: Configs,
    /// The text of the config in force, where the recording has it.
    text: Option<Arc<str>>,
    /// The drive that the newest part belongs to.
    drive: Option<u32>,
    refused: Refused,
    /// What came over links that a later config does not have.
    gone: Tally,
    /// How far time has come.
    now: Stamp,
    /// The time of the newest reading, by the controller's clock: what a line without a time is given.
    clock: Stamp,
}

impl Feed {
    /// A core that has heard nothing yet. From a model alone: it decodes all, and configs that come are passed over.
    pub fn new(configs: impl Into<Configs>) -> Self {
        let configs: Configs = configs.into();
        let model = Arc::clone(configs.first());
        let zero = Stamp(0);
        Self {
            links: Links::new(&model),
            pipeline: Pipeline::new(model),
            text: configs.first_text(),
            configs,
            drive: None,
            refused: Refused::default(),
            gone: Tally::default(),
            now: zero,
            clock: zero,
        }
    }

    /// Forgets everything that it heard; what the recording's configs mean is kept.
    pub fn begin_anew(&mut self) {
        *self = Self::new(self.configs.clone());
    }

    /// The core.
    pub fn pipeline(&self) -> &Pipeline {
        &self.pipeline
    }

    /// The core, for what it does not know itself.
    pub fn pipeline_mut(&mut self) -> &mut Pipeline {
        &mut self.pipeline
    }

    /// The links, and what belongs to none.
    pub fn links(&self) -> &Links {
        &self.links
    }

    /// What came over all links of all configs so far.
    pub fn tally(&self) -> Tally {
        let mut sum = self.gone;
        let links = (0_u8..).take(self.pipeline.model().links.len());
        links.for_each(|link| sum.add(self.pipeline.tally(LinkId(link))));
        sum
    }

    /// The configs that were passed over so far because of their mistakes.
    pub fn refused(&self) -> Refused {
        self.refused
    }

    /// How far time has come.
    pub fn now(&self) -> Stamp {
        self.now
    }

    /// The time of the newest reading, on the timeline that lines without a time are given.
    pub(super) fn newest(&self) -> Stamp {
        self.clock.max(self.now)
    }

    /// When `item` is handed in.
    pub fn time_of(&self, item: &Item<'_>) -> Stamp {
        match item {
            Item::Head(_) => self.now,
            _ => item.at().unwrap_or(self.clock).max(self.now),
        }
    }

    /// Hands `item` in, after everything that became due before it. `changed` hears of alarms; of one that ends with its
    /// config by its place in that one.
    #[inline(never)]
    pub fn item(&mut self, item: &Item<'_>, changed: &mut dyn FnMut(Change)) -> Fed {
        let now = self.time_of(item);
        self.pass(now, changed);
        match item {
            Item::Line(came) => match self.links.find(came.link) {
                Some(link) => {
                    let outcome = match came.at {
                        Some(_) => self.pipeline.line(link, now, came.bytes, changed),
                        None => self.pipeline.line_without_time(link, came.bytes, changed),
                    };
                    if outcome == Outcome::Reading {
                        self.clock = Stamp(self.pipeline.snapshot().at);
                    }
                    Fed::Line(outcome)
                }
                None => self.stranger(came.link),
            },
            Item::TooLong { link, .. } => match self.links.find(link) {
                Some(link) => {
                    self.pipeline.too_long(link, now);
                    Fed::Line(Outcome::Refused(crate::wire::Reject::TooLong))
                }
                None => self.stranger(link),
            },
            Item::Note(note) if note.kind() == "accepted" => {
                self.pipeline.accept_ground(now, changed);
                Fed::Other
            }
            Item::Note(note) if note.kind() == "freed" => {
                self.pipeline.free_outputs(now, changed);
                Fed::Other
            }
            Item::Note(note) if note.kind() == "locked" => {
                self.lock(note, now, changed);
                Fed::Other
            }
            Item::Note(note) if note.kind() == "alarm" => {
                self.attended(note, now);
                Fed::Other
            }
            Item::Note(note) => self.note(note, now, changed),
            Item::Head(head) => self.head(head, now, changed),
            Item::Sent(sent) => {
                // What was sent on the road is known to the core as it was then; a replay itself sends nothing.
                if let Some(link) = self.links.find(sent.link) {
                    self.pipeline.sent(link, now, sent.bytes, changed);
                }
                Fed::Other
            }
        }
    }

    /// Time passes up to `until`: the core is told of everything that becomes due. True where its snapshot changed.
    pub fn pass(&mut self, until: Stamp, changed: &mut dyn FnMut(Change)) -> bool {
        self.now = self.now.max(until);
        self.pipeline.pass(until, changed)
    }

    /// A part begins. Its config is another where the drive is, or where the note of the change was lost. Another drive begins
    /// anew also where the config is the same: what was true at the end of the one before says nothing about it.
    fn head(&mut self, head: &Head, now: Stamp, changed: &mut dyn FnMut(Change)) -> Fed {
        let is_another = self.drive.replace(head.drive).is_some_and(|drive| drive != head.drive);
        match head.config.as_deref() {
            Some(text) if self.text.as_deref() != Some(text) && self.configs.follows() => {
                self.config(text, now, is_another, changed)
            }
            _ if is_another => {
                self.pipeline.another_drive(now, Arc::clone(self.pipeline.model()), changed);
                Fed::Other
            }
            _ => Fed::Other,
        }
    }

    /// The recording says that `text` is in force from `now` on, in the same drive or in another that begins.
    fn config(&mut self, text: &str, now: Stamp, is_another: bool, changed: &mut dyn FnMut(Change)) -> Fed {
        if !self.configs.follows() {
            return Fed::Other;
        }
        let (text, meaning) = self.configs.read(text);
        let model = match meaning {
            Ok(model) => model,
            Err(mistakes) => return self.refuse(mistakes, now),
        };
        for (link, old) in (0_u8..).zip(&self.pipeline.model().links) {
            if !model.links.iter().any(|new| new.name == old.name) {
                self.gone.add(self.pipeline.tally(LinkId(link)));
            }
        }
        self.links.reload(&model);
        if is_another {
            self.pipeline.another_drive(now, model, changed);
        } else {
            self.pipeline.reload(now, model, changed);
        }
        self.text = Some(text);
        Fed::Config
    }

    /// A config that means nothing stands at `now`.
    fn refuse(&mut self, mistakes: Mistakes, now: Stamp) -> Fed {
        if self.configs.follows() {
            if self.refused.count == 0 {
                self.refused = Refused { count: 0, first: now, mistakes };
            }
            self.refused.count += 1;
            self.pipeline.snapshot_mut().config_trouble = Some(ConfigTrouble::Mistakes(mistakes));
        }
        Fed::Other
    }

    /// An output was locked from the start.
    fn lock(&mut self, note: &Note, now: Stamp, changed: &mut dyn FnMut(Change)) {
        let name = note.text("name");
        let outputs = &self.pipeline.model().outputs;
        let Some(place) = outputs.iter().position(|output| Some(output.name.as_str()) == name) else { return };
        let whole = |key| note.value().get(key)?.as_u64()?.try_into().ok();
        let problem = match (whole("set"), whole("is")) {
            _ if note.text("why") == Some(UNREADABLE) => Problem::LocksUnreadable,
            (Some(set), is) => Problem::DoesNotFollow { set, is },
            _ => Problem::Resets,
        };
        self.pipeline.lock_output(now, place, problem, changed);
    }

    fn note(&mut self, note: &Note, now: Stamp, changed: &mut dyn FnMut(Change)) -> Fed {
        if note.kind() == "config" {
            return match note.text("config") {
                Some(text) => self.config(text, now, false, changed),
                // It was damaged.
                None => self.refuse(1, now),
            };
        }
        if note.kind() == "link"
            && let Some(link) = self.links.find(&note.link)
        {
            match note.text("state") {
                Some("up") => self.pipeline.link_up(link, now),
                Some("down") => self.pipeline.link_down(link, now),
                _ => {}
            }
        }
        Fed::Other
    }

    /// Does what a person did about an alarm then. When it began and ended is worked out anew.
    #[inline(never)]
    fn attended(&mut self, note: &Note, now: Stamp) {
        let Some((member, name)) = MEMBERS.iter().find_map(|member| Some((*member, note.text(member)?))) else {
            return;
        };
        let nth = note.number("nth").unwrap_or(1.0);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a number that is too large finds none"
        )]
        let name = (member, name, nth as usize);
        let Some(raised) = find(self.pipeline.model(), &self.pipeline.snapshot().faults, name) else { return };
        let act = match note.text("state") {
            Some("acknowledged") => Attend::Acknowledge(Some(raised)),
            Some("reset") => Attend::Reset(Some(raised)),
            Some("unshelved") => Attend::Unshelve(Some(raised)),
            Some("shelved") => {
                let minutes = note.number("minutes").unwrap_or(0.0);
                Attend::Shelve(raised, micros_from_secs(minutes * secs_from_micros(MINUTE)))
            }
            _ => return,
        };
        self.pipeline.attend(now, act, u32::MAX);
    }

    fn stranger(&mut self, name: &str) -> Fed {
        self.links.count_stranger(name);
        Fed::Stranger
    }
}
