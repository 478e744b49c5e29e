//! Alarms by names that outlast a changed config: how a note in a recording says which one it means.
//!
//! Owns the way from an alarm to such a name and back. Pure.

use crate::config::{LinkId, Model};
use crate::state::{FaultShown, Raised, Subject};

/// An alarm by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Named<'a> {
    /// What kind of thing has the name: the member of a note that holds it.
    pub member: &'static str,
    /// The name of the channel whose limit it is, or of what is at fault.
    pub name: &'a str,
    /// Which of those of that name, in the order of the config, from 1.
    pub nth: usize,
}

/// The members that a name may stand in.
pub const MEMBERS: [&str; 7] = ["channel", "output", "sensor", "lost", "controller", "supply", "ground"];

/// The name of `raised`; `None` where there is no such alarm.
pub fn named<'a>(model: &'a Model, faults: &[FaultShown], raised: Raised) -> Option<Named<'a>> {
    let (member, name) = plain(model, faults, raised)?;
    let before = match raised {
        Raised::Limit(at) => {
            (0..at).filter(|at| plain(model, faults, Raised::Limit(*at)) == Some((member, name))).count()
        }
        Raised::Fault(at) => {
            (0..at).filter(|at| plain(model, faults, Raised::Fault(*at)) == Some((member, name))).count()
        }
    };
    Some(Named { member, name, nth: before + 1 })
}

/// The alarm of that name; `None` where there is none.
pub fn find(model: &Model, faults: &[FaultShown], (member, name, nth): (&str, &str, usize)) -> Option<Raised> {
    let limits = (0..model.alarms.len()).map(Raised::Limit);
    let all = limits.chain((0..faults.len()).map(Raised::Fault));
    let mut those = all.filter(|raised| plain(model, faults, *raised) == Some((member, name)));
    those.nth(nth.checked_sub(1)?)
}

fn plain<'a>(model: &'a Model, faults: &[FaultShown], raised: Raised) -> Option<(&'static str, &'a str)> {
    match raised {
        Raised::Limit(at) => {
            let channel = model.channels.get(model.alarms.get(at)?.channel.index())?;
            Some(("channel", &channel.name))
        }
        Raised::Fault(at) => {
            let link = |link: LinkId| Some(model.links.get(link.index())?.name.as_str());
            Some(match faults.get(at)?.subject {
                Subject::Output(place) => ("output", &model.outputs.get(usize::from(place))?.name),
                Subject::Sensor(of) => ("sensor", &model.channels.get(of.index())?.name),
                Subject::Link(of) => ("lost", link(of)?),
                Subject::Controller(of) => ("controller", link(of)?),
                Subject::Supply(of) => ("supply", link(of)?),
                Subject::Ground(of) => ("ground", link(of)?),
            })
        }
    }
}
