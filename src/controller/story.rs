//! The stories of the demo: which hidden cause makes the engine falter.
//!
//! Owns their names and the line that a list shows of each. What a story does to the vehicle is in `cause.rs`.

/// One story. All drive the same road with the same driver; they differ in what is broken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Story {
    /// The feed filter clogs under load.
    Filter,
    /// The lug that grounds sensors and stop solenoid is loose.
    Ground,
    /// A corroded joint in the supply, and a heater that pulls.
    Supply,
    /// Nothing is wrong.
    Healthy,
    /// A worn ignition switch lets go on bumps.
    Restart,
    /// The serial line is bad; the engine is well.
    Lines,
}

impl Story {
    /// Every story, the one to begin with first.
    pub const ALL: [Self; 6] = [Self::Filter, Self::Ground, Self::Supply, Self::Healthy, Self::Restart, Self::Lines];

    /// The name on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Filter => "filter",
            Self::Ground => "ground",
            Self::Supply => "supply",
            Self::Healthy => "healthy",
            Self::Restart => "restart",
            Self::Lines => "lines",
        }
    }

    /// What happens, in one line for a list.
    pub fn about(self) -> &'static str {
        match self {
            Self::Filter => "the feed filter clogs on hills: the feed pressure sinks, seconds later the engine falters",
            Self::Ground => "a loose ground lug: several sensors step at once, then the stop solenoid lets go",
            Self::Supply => "a corroded joint: the heater pulls the supply down, then the stop solenoid lets go",
            Self::Healthy => "a healthy drive, two hours and longer: nothing at all happens",
            Self::Restart => "a worn ignition switch: the controller restarts on bumps, and the engine falters",
            Self::Lines => "a loose plug in the serial line: lines are damaged and lost, the engine runs well",
        }
    }

    /// The story of that name, `None` where there is none.
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|story| story.name() == name)
    }

    /// The number of its drive in a recording: the first of [`Story::ALL`] is 1.
    pub fn drive(self) -> u32 {
        match self {
            Self::Filter => 1,
            Self::Ground => 2,
            Self::Supply => 3,
            Self::Healthy => 4,
            Self::Restart => 5,
            Self::Lines => 6,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Story;

    #[test]
    fn every_story_is_found_by_its_name() {
        for story in Story::ALL {
            assert_eq!(Story::parse(story.name()), Some(story));
        }
        assert_eq!(Story::parse("filters"), None);
    }
}
