//! All inputs of all links: what each one did at most, and which left their bands together.
//!
//! Owns which fields are inputs and how each kind is judged. In: readings. Out: what is held. Pure; allocates only where
//! an input comes for the first time or drops out.

use super::band::{Band, Dropout, Rule, Side, Step};
use super::edges::Turning;
use crate::config::LinkId;
use crate::time::{Micros, SECOND, Stamp};
use crate::wire::{Edges, FieldId, Hello, Pin, PinKind, Raw, Reading};

/// The least tolerance of an analog input, in counts: 39 mV of 5 V.
const COUNTS: f64 = 8.0;
/// The same for the counts of the reference, which stand near 225: 2 % of the supply.
const REFERENCE: f64 = 4.0;
/// The same for a supply in mV.
const MILLIVOLTS: f64 = 100.0;
/// What lies this share of its tolerance off its middle moved too.
const MOVED: f64 = 0.75;

/// What an input is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Counts of an analog pin.
    Analog,
    /// Counts of the reference: they rise where the supply falls.
    Reference,
    /// The supply in mV.
    Supply,
    /// Edges on a pin; what is held are hertz.
    Pulse,
    /// A level.
    Level,
    /// A number that comes with a meaning: only null is a dropout.
    Number,
}

impl Kind {
    /// The kind of the field `name`; `None` where it is no input.
    fn of(name: &str, raw: Raw) -> Option<Self> {
        match (name, Pin::parse(name).map(|pin| pin.kind), raw) {
            ("ref", ..) => Some(Self::Reference),
            ("vcc", ..) => Some(Self::Supply),
            (_, Some(PinKind::Analog), _) => Some(Self::Analog),
            (_, Some(PinKind::Level), _) => Some(Self::Level),
            (_, Some(PinKind::Edges), Raw::Edges(_)) => Some(Self::Pulse),
            (_, Some(PinKind::Frequency | PinKind::Duty | PinKind::Ringing), _) => None,
            _ => Some(Self::Number),
        }
    }

    fn rule(self, adc_max: f64) -> Rule {
        let (least, enough, rails) = match self {
            Self::Analog => (COUNTS, 8, Some((0.0, adc_max))),
            Self::Reference => (REFERENCE, 8, None),
            Self::Supply => (MILLIVOLTS, 8, None),
            Self::Level => (0.5, 1, None),
            Self::Pulse | Self::Number => (f64::INFINITY, 1, None),
        };
        Rule { least, enough, rails, side: Side::Both }
    }
}

/// What is held of one input since the last clearing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Held {
    /// The newest: counts, mV, hertz, level or number; `None`: null, or no gap ended yet.
    pub now: Option<f64>,
    /// The lowest and the highest.
    pub extremes: Option<(f64, f64)>,
    /// How many dropouts ended.
    pub count: u32,
    /// The shortest of them, µs.
    pub shortest: Option<Micros>,
    /// When the newest began, or what is out for certain went, on the computer's timeline.
    pub last: Option<Stamp>,
    /// The inputs that moved in the reading in which that one began, by their place.
    pub with: Vec<usize>,
}

impl Held {
    fn reach(&mut self, low: f64, high: f64) {
        let (lowest, highest) = self.extremes.unwrap_or((low, high));
        self.extremes = Some((lowest.min(low), highest.max(high)));
    }
}

#[derive(Clone, Debug)]
enum Judge {
    Band(Band),
    Turning(Box<Turning>),
}

/// One input.
#[derive(Clone, Debug)]
pub struct Input {
    /// Its link.
    pub link: LinkId,
    /// Its field.
    pub field: FieldId,
    /// What it is.
    pub kind: Kind,
    /// What is held of it.
    pub held: Held,
    judge: Judge,
    /// Which inputs moved when it went out, until it is known whether that was a dropout.
    with: Vec<usize>,
    /// When it went out, on the computer's timeline.
    went: Stamp,
    /// How far it lies off its middle in this reading, in tolerances.
    departure: f64,
    /// The controller drives this pin: it is no input.
    driven: bool,
}

impl Input {
    fn new(link: LinkId, field: FieldId, kind: Kind, adc_max: f64) -> Self {
        let judge = match kind {
            Kind::Pulse => Judge::Turning(Box::default()),
            _ => Judge::Band(Band::new(kind.rule(adc_max))),
        };
        Self {
            link,
            field,
            kind,
            held: Held::default(),
            judge,
            with: Vec::new(),
            went: Stamp(0),
            departure: 0.0,
            driven: false,
        }
    }

    fn band_out(&self) -> Option<&Band> {
        match &self.judge {
            Judge::Band(band) => Some(band).filter(|band| band.out_since().is_some()),
            Judge::Turning(turning) => turning.out(),
        }
    }

    /// Since when it is at a rail or null, on the computer's timeline.
    pub fn lost_since(&self) -> Option<Stamp> {
        self.band_out().filter(|band| band.is_lost()).map(|_| self.went)
    }

    fn forget(&mut self, adc_max: f64) {
        match &mut self.judge {
            Judge::Band(band) => band.forget(self.kind.rule(adc_max)),
            Judge::Turning(turning) => turning.forget(),
        }
    }

    /// How far `raw` lies off, in tolerances, before it is taken.
    fn look(&self, raw: Raw) -> f64 {
        match (&self.judge, raw) {
            (Judge::Band(band), Raw::Number(number)) => band.departure(number),
            (Judge::Band(band), Raw::Null) if !band.is_empty() => f64::INFINITY,
            _ => 0.0,
        }
    }

    fn step(&mut self, at: Micros, t: u32, raw: Raw) -> Step {
        match &mut self.judge {
            Judge::Band(band) => {
                let number = if let Raw::Number(number) = raw { Some(number) } else { None };
                self.held.now = number;
                if let Some(number) = number {
                    self.held.reach(number, number);
                }
                band.step(at, number)
            }
            Judge::Turning(turning) => {
                let edges: Option<Edges> = if let Raw::Edges(edges) = raw { Some(edges) } else { None };
                let (gaps, open, step) = turning.step(at, t, edges);
                match gaps {
                    Some(gaps) => {
                        self.held.now = Some(1e6 / gaps.mean);
                        self.held.reach(1e6 / gaps.longest, 1e6 / gaps.shortest);
                    }
                    None if edges.is_none() => self.held.now = None,
                    None if open > SECOND as f64 => self.held.now = Some(0.0),
                    None => {}
                }
                if matches!(step, Step::Out | Step::Back { .. }) {
                    self.departure = f64::INFINITY;
                }
                step
            }
        }
    }
}

/// Every input.
#[derive(Clone, Debug)]
pub struct Harness {
    /// The names of the fields of each link, by [`FieldId`].
    names: Vec<Vec<String>>,
    /// The place of each field's input.
    places: Vec<Vec<Option<usize>>>,
    /// The highest count of each link's converter.
    adc_max: Vec<f64>,
    inputs: Vec<Input>,
    /// The input that dropped last.
    last: Option<usize>,
}

impl Harness {
    /// `names`: the fields of each link in the order of their [`FieldId`]s, with those that every link has.
    pub fn new(names: Vec<Vec<String>>) -> Self {
        let places = names.iter().map(|names| vec![None; names.len()]).collect();
        let adc_max = vec![f64::from(crate::wire::ADC_MAX); names.len()];
        Self { names, places, adc_max, inputs: Vec::new(), last: None }
    }

    /// Every input that came so far, in the order in which they first came; those that the controller drives left out.
    pub fn inputs(&self) -> impl Iterator<Item = (usize, &Input)> {
        self.inputs.iter().enumerate().filter(|(_, input)| !input.driven)
    }

    /// The input at `place`.
    pub fn input(&self, place: usize) -> Option<&Input> {
        self.inputs.get(place)
    }

    /// How the lines call the input.
    pub fn name(&self, input: &Input) -> &str {
        self.names.get(input.link.index()).and_then(|names| names.get(input.field.index())).map_or("", String::as_str)
    }

    /// The input that dropped last.
    pub fn last(&self) -> Option<usize> {
        self.last
    }

    /// The highest count of the converter of `link`.
    pub fn adc_max(&self, link: LinkId) -> f64 {
        self.adc_max.get(link.index()).copied().unwrap_or(f64::from(crate::wire::ADC_MAX))
    }

    /// All that is held begins anew, and each input stands where it is now.
    pub fn clear(&mut self) {
        self.last = None;
        for input in &mut self.inputs {
            input.held = Held { now: input.held.now, ..Held::default() };
            let adc_max = self.adc_max[input.link.index()];
            input.forget(adc_max);
        }
    }

    /// What `link` says next has nothing to do with what it said before. What is held stays.
    pub fn forget(&mut self, link: LinkId) {
        let adc_max = self.adc_max(link);
        self.inputs.iter_mut().filter(|input| input.link == link).for_each(|input| input.forget(adc_max));
    }

    /// The controller said what it is.
    pub fn hello(&mut self, link: LinkId, hello: &Hello) {
        let Some(known) = self.adc_max.get_mut(link.index()) else { return };
        let adc_max = f64::from(hello.adc_max);
        let changed = std::mem::replace(known, adc_max).to_bits() != adc_max.to_bits();
        for input in self.inputs.iter_mut().filter(|input| input.link == link) {
            if changed {
                input.forget(adc_max);
            }
            let name = self.names[link.index()].get(input.field.index());
            let pin = name.and_then(|name| Pin::parse(name));
            input.driven = pin.is_some_and(|pin| pin.kind == PinKind::Level && hello.output.contains(&pin.number));
        }
    }

    /// Takes a reading of `link` that came at `now`. True where something dropped: at once where it is at a rail or null,
    /// else when it came back; once for all that went in one reading.
    pub fn take(&mut self, now: Stamp, link: LinkId, reading: &Reading) -> bool {
        if reading.repeated {
            return false;
        }
        if reading.restarted {
            self.forget(link);
        }
        self.look(link, reading);
        let mut rings = false;
        for place in 0..self.inputs.len() {
            let input = &mut self.inputs[place];
            let raw = if input.link == link { reading.get(input.field) } else { Raw::Absent };
            if raw != Raw::Absent && !input.driven {
                rings |= self.judge(now, place, reading, raw);
            }
        }
        rings
    }

    /// Finds each input's place, and how far it lies off.
    fn look(&mut self, link: LinkId, reading: &Reading) {
        let (Some(places), Some(names)) = (self.places.get_mut(link.index()), self.names.get(link.index())) else {
            return;
        };
        for (index, &raw) in (0_u16..).zip(reading.fields()) {
            let Some(known) = places.get_mut(usize::from(index)) else { break };
            if known.is_none() && !matches!(raw, Raw::Absent | Raw::Null) {
                let Some(kind) = Kind::of(&names[usize::from(index)], raw) else { continue };
                *known = Some(self.inputs.len());
                self.inputs.push(Input::new(link, FieldId(index), kind, self.adc_max[link.index()]));
            }
            if let Some(input) = known.and_then(|place| self.inputs.get_mut(place)) {
                input.departure = input.look(raw);
            }
        }
    }

    fn judge(&mut self, now: Stamp, place: usize, reading: &Reading, raw: Raw) -> bool {
        let input = &mut self.inputs[place];
        let was_out = input.band_out().is_some();
        let step = input.step(reading.at, reading.t, raw);
        if !was_out && matches!(step, Step::Out | Step::Lost) {
            let with = self.moved(place);
            let input = &mut self.inputs[place];
            (input.went, input.with) = (now, with);
        }
        match step {
            Step::Still | Step::Out | Step::Moved => false,
            Step::Lost => {
                self.tell(place);
                self.last = Some(place);
                true
            }
            Step::Back { dropout: Dropout { lasted, .. }, lost } => {
                self.tell(place);
                let held = &mut self.inputs[place].held;
                held.count = held.count.saturating_add(1);
                held.shortest = Some(held.shortest.map_or(lasted, |shortest| shortest.min(lasted)));
                // What went with another that was told already is the same event.
                let went = self.inputs[place].went;
                let is_new = !lost && self.last.is_none_or(|last| self.inputs[last].held.last != Some(went));
                if is_new {
                    self.last = Some(place);
                }
                is_new
            }
        }
    }

    /// What was known when the input at `place` went out is that of its last dropout.
    fn tell(&mut self, place: usize) {
        let input = &mut self.inputs[place];
        input.held.last = Some(input.went);
        input.held.with.clone_from(&input.with);
    }

    /// The other inputs of the same reading that moved in it.
    fn moved(&self, place: usize) -> Vec<usize> {
        let link = self.inputs[place].link;
        let moved = |input: &Input| input.link == link && !input.driven && input.departure >= MOVED;
        self.inputs().filter(|(other, input)| *other != place && moved(input)).map(|(other, _)| other).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LINK: LinkId = LinkId(0);

    struct Rig {
        harness: Harness,
        names: Vec<String>,
        at: Micros,
    }

    impl Rig {
        fn new() -> Self {
            let names: Vec<String> = ["ref", "vcc", "a0", "a1", "d4", "d7", "p2", "f9"].map(String::from).to_vec();
            Self { harness: Harness::new(vec![names.clone()]), names, at: 0 }
        }

        /// A reading 5 ms after the one before; whether it rang.
        fn read(&mut self, fields: &[(&str, Raw)]) -> bool {
            self.at += 5_000;
            let mut reading = Reading::with_fields(self.names.len());
            reading.at = self.at;
            reading.t = u32::try_from(self.at).unwrap();
            for (name, raw) in fields {
                let field = self.names.iter().position(|known| known == name).unwrap();
                reading.fields_mut()[field] = *raw;
            }
            self.harness.take(Stamp(self.at + 70), LINK, &reading)
        }

        fn quiet(&mut self, readings: usize) -> bool {
            let quiet = [("ref", 225.0), ("a0", 512.0), ("a1", 300.0), ("d4", 1.0), ("d7", 0.0), ("f9", 0.0)];
            let quiet = quiet.map(|(name, number)| (name, Raw::Number(number)));
            (0..readings).fold(false, |rang, _| rang | self.read(&quiet))
        }

        #[track_caller]
        fn held(&self, name: &str) -> &Held {
            let mut inputs = self.harness.inputs();
            &inputs.find(|(_, input)| self.harness.name(input) == name).unwrap().1.held
        }

        fn with(&self, name: &str) -> Vec<&str> {
            let with = self.held(name).with.iter().filter_map(|place| self.harness.input(*place));
            with.map(|input| self.harness.name(input)).collect()
        }
    }

    #[test]
    fn a_single_sample_rings_at_once_and_holds_what_moved_with_it() {
        let mut rig = Rig::new();
        assert!(!rig.quiet(50));
        let drops = [("ref", 232.0), ("a0", 0.0), ("a1", 300.0), ("d4", 0.0)];
        assert!(rig.read(&drops.map(|(name, number)| (name, Raw::Number(number)))));
        let went = Stamp(rig.at + 70);
        // The level and the reference count when they come back, and were rung for already.
        assert!(!rig.quiet(51));
        assert_eq!((rig.held("d4").count, rig.held("ref").count), (1, 1));
        let last = rig.harness.last().and_then(|place| rig.harness.input(place)).unwrap();
        assert_eq!(rig.harness.name(last), "a0");
        let held = rig.held("a0");
        assert_eq!((held.count, held.shortest, held.last), (1, Some(5_000), Some(went)));
        assert_eq!((held.extremes, held.now), (Some((0.0, 512.0)), Some(512.0)));
        assert_eq!(rig.with("a0"), ["ref", "d4"]);
        assert_eq!(rig.with("d4"), ["ref", "a0"]);
        assert_eq!(rig.held("a1"), &Held { now: Some(300.0), extremes: Some((300.0, 300.0)), ..Held::default() });
    }

    #[test]
    fn a_level_rings_when_it_is_back_and_two_that_went_together_ring_once() {
        let mut rig = Rig::new();
        rig.quiet(50);
        let flicker = [("a1", Raw::Number(330.0)), ("d4", Raw::Number(0.0))];
        assert!(!rig.read(&flicker[1..]));
        assert!(rig.quiet(1));
        assert!(!rig.quiet(50) && !rig.read(&flicker));
        assert!(rig.quiet(1));
        assert!(!rig.quiet(50));
        assert_eq!((rig.held("a1").count, rig.held("d4").count), (1, 2));
    }

    #[test]
    fn null_is_a_dropout_and_what_is_not_in_the_line_is_none() {
        let mut rig = Rig::new();
        rig.quiet(20);
        assert!(!rig.read(&[("a1", Raw::Number(300.0))]));
        assert!(rig.read(&[("a0", Raw::Null)]));
        assert_eq!((rig.held("a0").now, rig.held("a0").count), (None, 0));
        assert!(!rig.quiet(1));
        assert_eq!(rig.held("a0").count, 1);
    }

    #[test]
    fn what_stays_away_is_shown_as_lost_until_it_is_cleared() {
        let mut rig = Rig::new();
        rig.quiet(20);
        for _ in 0..1_000 {
            rig.read(&[("a0", Raw::Number(1023.0)), ("a1", Raw::Number(300.0))]);
        }
        let lost = |rig: &Rig| rig.harness.inputs().filter(|(_, input)| input.lost_since().is_some()).count();
        assert_eq!((lost(&rig), rig.held("a0").count), (1, 0));
        rig.harness.clear();
        assert_eq!((lost(&rig), rig.harness.last()), (0, None));
        for _ in 0..20 {
            assert!(!rig.read(&[("a0", Raw::Number(1023.0)), ("a1", Raw::Number(300.0))]));
        }
        assert_eq!(rig.held("a0").extremes, Some((1023.0, 1023.0)));
    }

    #[test]
    fn a_pin_that_the_controller_drives_is_no_input() {
        let mut rig = Rig::new();
        rig.quiet(20);
        rig.harness.hello(LINK, &Hello { adc_max: 1023, output: vec![7], ..Hello::default() });
        assert!(!rig.read(&[("d7", Raw::Number(1.0))]));
        assert!(!rig.quiet(20));
        let names: Vec<&str> = rig.harness.inputs().map(|(_, input)| rig.harness.name(input)).collect();
        assert_eq!(names, ["ref", "a0", "a1", "d4"], "and neither is what it tells of a wave");
    }
}
