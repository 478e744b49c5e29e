//! Of which links the newest reading was late, and what hangs on them.
//!
//! Owns that. In: each reading, whether it waited on its way. Out: whether an alarm may begin or end by what is known now.
//! Lines that waited through a stall are read in a moment: alarms that began and ended in them would only be noise, and what
//! still stands is told by the first reading in time. Pure.

use super::sensor::terms;
use crate::config::{ChannelId, Formula, Model, Source};

/// All links.
#[derive(Clone, Debug)]
pub(super) struct Lateness {
    /// By link.
    late: Vec<bool>,
    any: bool,
    /// Of each channel the links that it hangs on, one flag for each link.
    channels: Vec<Vec<bool>>,
    /// The same of each alarm, its `when` included.
    alarms: Vec<Vec<bool>>,
}

impl Lateness {
    /// Nothing is late.
    pub fn new(model: &Model) -> Self {
        let links = model.links.len();
        let channels: Vec<_> = (0_u16..).zip(&model.channels).map(|(at, _)| hangs_on(model, [ChannelId(at)])).collect();
        let alarms = model.alarms.iter().map(|alarm| {
            let when = alarm.when.as_ref().map(|when: &Formula| when.terms.as_slice()).unwrap_or_default();
            hangs_on(model, when.iter().copied().chain([alarm.channel]))
        });
        Self { late: vec![false; links], any: false, alarms: alarms.collect(), channels }
    }

    /// A reading came over the link at that place.
    #[inline]
    pub fn reading(&mut self, link: usize, late: bool) {
        if let Some(known) = self.late.get_mut(link).filter(|known| **known != late) {
            *known = late;
            self.any = self.late.contains(&true);
        }
    }

    /// What was late says nothing any more.
    pub fn end(&mut self) {
        self.late.fill(false);
        self.any = false;
    }

    /// Whether the newest reading of the link at that place was late.
    pub fn of(&self, link: usize) -> bool {
        self.any && self.late.get(link) == Some(&true)
    }

    /// Whether anything of the channel at that place is.
    pub fn of_channel(&self, channel: usize) -> bool {
        self.any && self.meets(self.channels.get(channel))
    }

    /// Whether anything that the alarm at that place looks at is.
    pub fn of_alarm(&self, alarm: usize) -> bool {
        self.any && self.meets(self.alarms.get(alarm))
    }

    fn meets(&self, links: Option<&Vec<bool>>) -> bool {
        links.is_some_and(|links| links.iter().zip(&self.late).any(|(hangs, late)| *hangs && *late))
    }
}

/// The links that any of `channels` hangs on, through its formula or its cold junction.
fn hangs_on(model: &Model, channels: impl IntoIterator<Item = ChannelId>) -> Vec<bool> {
    let mut links = vec![false; model.links.len()];
    let mut seen = vec![false; model.channels.len()];
    let mut open: Vec<_> = channels.into_iter().collect();
    while let Some(id) = open.pop() {
        let Some(channel) = model.channels.get(id.index()) else { continue };
        if std::mem::replace(&mut seen[id.index()], true) {
            continue;
        }
        if let Source::Input(input) = &channel.source
            && let Some(link) = links.get_mut(input.link.index())
        {
            *link = true;
        }
        open.extend(terms(channel));
    }
    links
}
