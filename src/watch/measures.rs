//! How well a set of alarms does its work, measured as ANSI/ISA-18.2 measures it.
//!
//! Owns the counts over any length of time, in constant memory: a ring of ten minutes, and a few numbers for each alarm. In:
//! when each alarm began and ended. Out: [`Measure`]s with what would be acceptable, and advice for a config that nags.
//! Pure. No standard was readable here: each figure names who quotes it.

use crate::config::Level;
use crate::time::{MINUTE, Micros, SECOND, secs_from_micros};

/// The stretch that alarms are counted over.
pub const PERIOD: Micros = 10 * MINUTE;
/// More than so many in one of them are a flood, which ends below [`FLOOD_ENDS`].
const FLOOD: u32 = 10;
/// See [`FLOOD`].
const FLOOD_ENDS: u32 = 5;
/// So often within a minute is chattering.
const CHATTER: usize = 3;
/// Gone within this without anybody having done anything is fleeting, unless it is back within [`MINUTE`].
const FLEETING: Micros = 10 * SECOND;
/// Standing for longer than this is stale.
const STALE: Micros = 24 * 60 * MINUTE;
/// Floods that are kept with their times; the others are counted.
const FLOODS_MAX: usize = 20;
/// Seconds of a period.
const BUCKETS: usize = 600;

/// One alarm of a config.
#[derive(Clone, Debug, PartialEq)]
pub struct Kind {
    /// What it is about.
    pub name: String,
    /// Its limit in words, with the unit; or what can be wrong.
    pub limit: String,
    /// How bad.
    pub level: Level,
    /// Deadband in the unit of the limit, `after` and `until`; `None` where it has no limit.
    pub tuning: Option<Tuning>,
}

/// What a config can turn to quiet an alarm.
#[derive(Clone, Debug, PartialEq)]
pub struct Tuning {
    /// How far back before it clears.
    pub deadband: f64,
    /// The unit of that.
    pub unit: String,
    /// Must hold so long before it sounds.
    pub after: Micros,
    /// Must be gone so long before it clears.
    pub until: Micros,
}

/// What one alarm did.
#[derive(Clone, Debug)]
pub struct Record {
    /// Which.
    pub kind: Kind,
    /// How often it came.
    pub times: u64,
    /// How often it came for the third time in a minute, or again while it did.
    pub chattering: u64,
    /// How often it was gone within ten seconds, unseen, and stayed away for a minute.
    pub fleeting: u64,
    /// How often it stood for over a day.
    pub stale: u64,
    /// The longest that it stood.
    pub longest: Micros,
    /// When it came, where it stands.
    open: Option<Micros>,
    /// When it came the last times, the newest first.
    came: [Option<Micros>; CHATTER],
    /// When it was last over, and how long it had lasted, where that may prove to be fleeting.
    ended: Option<Micros>,
    maybe: Option<Micros>,
    /// The longest pause before it came again within a minute.
    pause: Micros,
    /// The longest that it lasted where it was fleeting.
    flash: Micros,
}

/// A stretch of time with more alarms than anybody can follow, in the time of the recordings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Flood {
    /// When it began.
    pub from: Micros,
    /// When it was over.
    pub to: Micros,
}

/// One measure, what it is here, and what it should be.
#[derive(Clone, Debug, PartialEq)]
pub struct Measure {
    /// What is measured.
    pub what: &'static str,
    /// What it is here.
    pub value: f64,
    /// The same in words.
    pub here: String,
    /// What is acceptable.
    pub wanted: &'static str,
    /// Whether it is.
    pub good: bool,
    /// Who says so.
    pub source: &'static str,
}

/// What happened so far.
#[derive(Clone, Debug)]
pub struct Measures {
    records: Vec<Record>,
    /// Alarms of each second of the last ten minutes, by the second's remainder.
    ring: Vec<u32>,
    /// The newest second, and the alarms in the ring.
    second: i64,
    sum: u32,
    most: u32,
    /// When the drive at hand began, if one did.
    began: Option<Micros>,
    /// How much time the drives before took.
    time: Micros,
    drives: u32,
    /// Alarms of the period at hand, counted from the beginning of the drive, and which one that is.
    period: (i64, u32),
    periods: u64,
    over: u64,
    floods: Vec<Flood>,
    flood_count: u64,
    flooded: Micros,
    /// When the flood began that goes on.
    flood: Option<Micros>,
}

impl Default for Measures {
    fn default() -> Self {
        Self {
            records: Vec::new(),
            ring: vec![0; BUCKETS],
            second: i64::MIN,
            sum: 0,
            most: 0,
            began: None,
            time: 0,
            drives: 0,
            period: (0, 0),
            periods: 0,
            over: 0,
            floods: Vec::new(),
            flood_count: 0,
            flooded: 0,
            flood: None,
        }
    }
}

impl Measures {
    /// The place of that alarm, which is made where it is new.
    pub fn place(&mut self, kind: &Kind) -> usize {
        let same = |record: &Record| {
            let known = &record.kind;
            (&known.name, &known.limit, known.level) == (&kind.name, &kind.limit, kind.level)
        };
        if let Some(place) = self.records.iter().position(same) {
            // The newest deadband and delays are those that advice is about.
            self.records[place].kind.tuning.clone_from(&kind.tuning);
            return place;
        }
        self.records.push(Record {
            kind: kind.clone(),
            times: 0,
            chattering: 0,
            fleeting: 0,
            stale: 0,
            longest: 0,
            open: None,
            came: [None; CHATTER],
            ended: None,
            maybe: None,
            pause: 0,
            flash: 0,
        });
        self.records.len() - 1
    }

    /// How many alarms ever came.
    pub fn len(&self) -> usize {
        self.records.len()
    }

    /// Whether none ever came.
    pub fn is_empty(&self) -> bool {
        self.records.is_empty()
    }

    /// Since when the alarm at `place` stands.
    pub fn open(&self, place: usize) -> Option<Micros> {
        self.records.get(place)?.open
    }

    /// A drive begins at `at`; the one before, if any, has ended.
    pub fn begin_drive(&mut self, at: Micros) {
        (self.began, self.period) = (Some(at), (0, 0));
        (self.second, self.sum) = (at.div_euclid(SECOND), 0);
        self.ring.fill(0);
        self.drives += 1;
    }

    /// The drive ends at `at`: what stands is over as far as anybody knows.
    pub fn end_drive(&mut self, at: Micros) {
        self.pass(at);
        let Some(began) = self.began.take() else { return };
        for place in 0..self.records.len() {
            // Where it ends with the drive it was not fleeting: nobody knows how long it would have stood.
            self.end(at, place, true);
            let record = &mut self.records[place];
            record.settle(Micros::MAX);
            (record.came, record.ended) = ([None; CHATTER], None);
        }
        self.end_flood(at);
        self.count_periods(self.period.0 + i64::from(at > began + self.period.0 * PERIOD || self.period.1 > 0));
        self.time += at - began;
    }

    /// The alarm at `place` comes at `at`.
    pub fn begin(&mut self, at: Micros, place: usize) {
        self.pass(at);
        let Some(record) = self.records.get_mut(place) else { return };
        record.begin(at);
        self.period.1 += 1;
        self.ring[bucket(self.second)] += 1;
        self.sum += 1;
        self.most = self.most.max(self.sum);
        if self.sum > FLOOD && self.flood.is_none() {
            self.flood = Some(at);
        }
    }

    /// It is over at `at`; `seen`: a person did something about it.
    pub fn end(&mut self, at: Micros, place: usize, seen: bool) {
        if let Some(record) = self.records.get_mut(place) {
            record.end(at, seen);
        }
    }

    /// What each alarm did, the most frequent first.
    pub fn frequent(&self) -> Vec<&Record> {
        let mut all: Vec<_> = self.records.iter().filter(|record| record.times > 0).collect();
        all.sort_by_key(|record| std::cmp::Reverse(record.times));
        all
    }

    /// Floods with their times, as far as they were kept, and how many there were.
    pub fn floods(&self) -> (&[Flood], u64) {
        (&self.floods, self.flood_count)
    }

    /// Alarms in all, drives, and how much time those took.
    pub fn total(&self) -> (u64, u32, Micros) {
        (self.records.iter().map(|record| record.times).sum(), self.drives, self.time)
    }

    /// Time passes up to `at`.
    fn pass(&mut self, at: Micros) {
        let Some(began) = self.began else { return };
        let period = (at - began).div_euclid(PERIOD);
        if period > self.period.0 {
            self.count_periods(period);
        }
        let second = at.div_euclid(SECOND);
        // Longer than the ring is long, and it is empty.
        let steps = (second - self.second).clamp(0, 600);
        for step in 1..=steps {
            let place = bucket(self.second + step);
            self.sum -= std::mem::take(&mut self.ring[place]);
            if self.sum < FLOOD_ENDS {
                self.end_flood((self.second + step) * SECOND);
            }
        }
        self.second = self.second.max(second);
    }

    /// The periods before number `to` are over.
    fn count_periods(&mut self, to: i64) {
        self.over += u64::from(self.period.1 > FLOOD);
        self.periods += u64::try_from(to - self.period.0).unwrap_or(0);
        self.period = (to, 0);
    }

    fn end_flood(&mut self, at: Micros) {
        if let Some(from) = self.flood.take() {
            self.flood_count += 1;
            self.flooded += at - from;
            if self.floods.len() < FLOODS_MAX {
                self.floods.push(Flood { from, to: at });
            }
        }
    }

    /// Every measure.
    pub fn measures(&self) -> Vec<Measure> {
        let (alarms, _, time) = self.total();
        // A stretch shorter than a period is not stretched to one: averages must not be.
        let average = real(alarms) / (secs_from_micros(time) / secs_from_micros(PERIOD)).max(1.0);
        let over = share(self.over, self.periods.max(1));
        let flooded = 100.0 * secs_from_micros(self.flooded) / secs_from_micros(time).max(1.0);
        let sum = |of: fn(&Record) -> u64| self.records.iter().map(of).sum::<u64>();
        let mut all = vec![
            measure("alarms in 10 min, on average", average, number(average), "1; 2 at most", average <= 1.0, AVERAGE),
            measure(
                "most in any 10 min",
                f64::from(self.most),
                self.most.to_string(),
                "10 or fewer",
                self.most <= FLOOD,
                PEAK,
            ),
            measure("10-min periods with more than 10", over, percent(over), "under 1 %", over < 1.0, PEAK),
            measure(
                "time in a flood (over 10 in 10 min)",
                flooded,
                percent(flooded),
                "under 1 %",
                flooded < 1.0,
                FLOODS,
            ),
        ];
        let counts: [(&str, u64, &str, u64, &str); 3] = [
            ("chattering (3 in a minute)", sum(|record| record.chattering), "0", 0, CHATTERING),
            ("fleeting (gone in 10 s, unseen)", sum(|record| record.fleeting), "0", 0, HOUSE),
            ("stale (over 24 h)", sum(|record| record.stale), "under 5, none by plan", 4, STALES),
        ];
        let count = |(what, times, wanted, most, source)| {
            measure(what, real(times), times.to_string(), wanted, times <= most, source)
        };
        all.extend(counts.into_iter().map(count));
        for (what, level, wanted, most) in LEVELS {
            let of = self.records.iter().filter(|record| record.kind.level == level).map(|record| record.times).sum();
            let part = share(of, alarms.max(1));
            all.push(measure(what, part, percent(part), wanted, part <= most || of <= 1, PRIORITIES));
        }
        all
    }

    /// What would quiet those that nag, a sentence each.
    pub fn advice(&self) -> Vec<String> {
        self.frequent().into_iter().filter_map(Record::advice).collect()
    }
}

const AVERAGE: &str = "ISA-18.2-2016 table 5; HSE CHIS6";
const PEAK: &str = "ISA-18.2-2016, 16.4.3";
const FLOODS: &str = "ISA-18.2-2016, 16.4.4";
const CHATTERING: &str = "ISA-18.2-2016, 16.4.6";
const HOUSE: &str = "a stricter rule of some plants";
const STALES: &str = "ISA-18.2-2016, 16.4.7";
const PRIORITIES: &str = "ISA-18.2-2016, table 6";
/// The share of each level; 5 % more than wanted still passes.
const LEVELS: [(&str, Level, &str, f64); 3] = [
    ("of them notice", Level::Notice, "about 80 %", 100.0),
    ("of them caution", Level::Caution, "about 15 %", 20.0),
    ("of them danger", Level::Danger, "about 5 %", 10.0),
];

fn measure(
    what: &'static str,
    value: f64,
    here: String,
    wanted: &'static str,
    good: bool,
    source: &'static str,
) -> Measure {
    Measure { what, value, here, wanted, good, source }
}

fn bucket(second: i64) -> usize {
    usize::try_from(second.rem_euclid(600)).unwrap_or(0)
}

#[expect(clippy::cast_precision_loss, reason = "counts are far below 2^52")]
const fn real(count: u64) -> f64 {
    count as f64
}

/// `part` of `whole` in per cent.
pub fn share(part: u64, whole: u64) -> f64 {
    100.0 * real(part) / real(whole)
}

fn number(value: f64) -> String {
    format!("{value:.1}")
}

fn percent(value: f64) -> String {
    format!("{value:.0} %")
}

impl Record {
    fn begin(&mut self, at: Micros) {
        self.settle(at);
        self.times += 1;
        self.open = Some(at);
        if let Some(ended) = self.ended.filter(|ended| at - ended <= MINUTE) {
            self.pause = self.pause.max(at - ended);
        }
        self.came.rotate_right(1);
        self.came[0] = Some(at);
        if self.came[CHATTER - 1].is_some_and(|third| at - third <= MINUTE) {
            self.chattering += 1;
        }
    }

    fn end(&mut self, at: Micros, seen: bool) {
        let Some(began) = self.open.take() else { return };
        let lasted = at - began;
        self.longest = self.longest.max(lasted);
        self.stale += u64::from(lasted > STALE);
        self.ended = Some(at);
        self.maybe = Some(lasted).filter(|lasted| *lasted < FLEETING && !seen);
    }

    /// It is known by `at` whether the last one was fleeting.
    fn settle(&mut self, at: Micros) {
        let Some(lasted) = self.maybe.take() else { return };
        if self.ended.is_some_and(|ended| at - ended > MINUTE) {
            self.fleeting += 1;
            self.flash = self.flash.max(lasted);
        }
    }

    fn advice(&self) -> Option<String> {
        let Kind { name, limit, level, tuning } = &self.kind;
        let head = format!("{name} {limit}, {}", level.name());
        let Some(Tuning { deadband, unit, after, until }) = tuning else {
            let nags = self.chattering + self.fleeting > 0;
            return nags.then(|| format!("{head}: it comes and goes: look for a loose wire or plug first"));
        };
        if self.chattering > 0 {
            let wanted = seconds_up(until.saturating_add(self.pause));
            let band = if *deadband > 0.0 {
                format!("widen `deadband` (now {deadband} {unit})")
            } else {
                "give it a `deadband` (now 0)".to_owned()
            };
            return Some(format!(
                "{head}: {} times three in a minute. The value wanders over the limit: {band}, or set `until` (now {}) to {wanted} s",
                self.chattering,
                seconds(*until)
            ));
        }
        if self.fleeting > 0 && *level < Level::Danger {
            let wanted = seconds_up(after.saturating_add((self.flash - until).max(0))) + 1;
            return Some(format!(
                "{head}: {} times gone before anybody could act. Set `after` (now {}) to {wanted} s, or move the limit",
                self.fleeting,
                seconds(*after)
            ));
        }
        if self.fleeting > 0 {
            return Some(format!(
                "{head}: {} times gone before anybody could act. Look for the cause before you make a danger wait; a `when` \
                 may leave out where it is normal",
                self.fleeting
            ));
        }
        (self.stale > 0).then(|| format!("{head}: stood for over a day: mend it, move the limit, or give it a `when`"))
    }
}

fn seconds(span: Micros) -> String {
    format!("{} s", secs_from_micros(span))
}

/// Whole seconds, rounded up.
const fn seconds_up(span: Micros) -> i64 {
    (span + SECOND - 1).div_euclid(SECOND)
}
