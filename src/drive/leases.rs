//! What is sent to the controllers: a lease for each armed output, renewed at a third of it.
//!
//! Owns what each pin was last told and when. In: what the core decided, how old that is, the time, and which lines went.
//! Out: `set` lines, handed to a function that may refuse them; only what went is told. Pure: whoever holds the links sends. An output that is not armed by the
//! config does not stand in here at all, so that nothing can be sent for it.

use crate::config::{LinkId, Model};
use crate::output::LEASE_MS;
use crate::state::OutputShown;
use crate::time::{MILLISECOND, Micros, Stamp};
use crate::wire::{Pin, Set, set};

/// A lease, µs.
const LEASE: Micros = LEASE_MS as Micros * MILLISECOND;
/// Renewed so long after it was last sent.
const RENEW: Micros = (LEASE_MS / 3) as Micros * MILLISECOND;
/// A decision older than this renews nothing: whoever decides may hang.
pub const DECIDED_WITHIN: Micros = 300 * MILLISECOND;
/// Least time between two values that a needle follows.
const FOLLOW: Micros = 100 * MILLISECOND;
/// A line that was taken and did not go within this never goes: a link writes none that waited over 200 ms, and gives each
/// 200 ms to go.
const WRITTEN_WITHIN: Micros = 420 * MILLISECOND;
/// A refused line is offered again after this.
const AGAIN: Micros = 20 * MILLISECOND;

/// A line for the controller of a link.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Order {
    /// The link.
    pub link: LinkId,
    /// The whole line, with its LF.
    pub line: String,
    /// It switches something off: it must go, whatever waits.
    pub off: bool,
}

/// What the armed pins of all controllers were told.
#[derive(Clone, Debug, Default)]
pub struct Leases {
    pins: Vec<Leased>,
}

#[derive(Clone, Debug)]
struct Leased {
    link: LinkId,
    pin: Pin,
    /// Its place in the model's outputs.
    place: usize,
    /// What went to its controller last.
    told: Asked,
    /// What was taken for its controller since then, and may still go.
    asked: Option<Asked>,
    /// Until when an off is told again, in case the line was lost.
    off_until: Stamp,
}

/// A value, and when.
#[derive(Clone, Copy, Debug)]
struct Asked {
    value: u32,
    at: Stamp,
}

impl Leases {
    /// Nothing told yet. Outputs that the model does not arm are left out.
    pub fn new(model: &Model) -> Self {
        let long_ago = Stamp(Micros::MIN);
        let armed = model.outputs.iter().enumerate().filter(|(_, output)| output.armed);
        let leased = |(place, output): (usize, &crate::config::Output)| Leased {
            link: output.link,
            pin: output.pin,
            place,
            told: Asked { value: 0, at: long_ago },
            asked: None,
            off_until: long_ago,
        };
        Self { pins: armed.map(leased).collect() }
    }

    /// Another model, with the same links, is in force from `now` on: what it does not arm any more is told to rest.
    pub fn reload(&mut self, model: &Model, hand: &mut dyn FnMut(Order) -> bool) {
        let mut new = Self::new(model);
        for leased in &mut new.pins {
            let same = |old: &&Leased| (old.link, old.pin) == (leased.link, leased.pin);
            if let Some(old) = self.pins.iter().find(same) {
                *leased = Leased { place: leased.place, ..old.clone() };
            }
        }
        let kept = |old: &Leased| new.pins.iter().any(|leased| (leased.link, leased.pin) == (old.link, old.pin));
        for old in self.pins.iter().filter(|old| old.may_be_on() && !kept(old)) {
            offer(old.link, &[(old.pin, 0)], true, hand);
        }
        *self = new;
    }

    /// Hands over what is to be sent at `now`: what was decided anew, at once where it is off, and what is to be renewed.
    /// `decided`: up to when what is decided holds. `hand` takes a line, or refuses it for now.
    pub fn step(&mut self, now: Stamp, decided: Stamp, outputs: &[OutputShown], hand: &mut dyn FnMut(Order) -> bool) {
        if self.pins.is_empty() || now.since(decided) > DECIDED_WITHIN {
            return;
        }
        for from in 0..self.pins.len() {
            let link = self.pins[from].link;
            // Each link once, at its first pin.
            if self.pins[..from].iter().any(|leased| leased.link == link) {
                continue;
            }
            self.link(link, now, outputs, hand);
        }
    }

    fn link(&mut self, link: LinkId, now: Stamp, outputs: &[OutputShown], hand: &mut dyn FnMut(Order) -> bool) {
        let wanted = |leased: &Leased| outputs.get(leased.place).map_or(0, |shown| shown.wanted);
        self.pins.iter_mut().filter(|leased| leased.link == link).for_each(|leased| leased.pass(now));
        // What fell to rest by itself is neither renewed nor told to rest until it is known why.
        let faltered = |leased: &Leased| outputs.get(leased.place).is_some_and(|shown| shown.faltered);
        let ours = || self.pins.iter().filter(|leased| leased.link == link && !faltered(leased));
        if !ours().any(|leased| leased.is_due(wanted(leased), now)) {
            return;
        }
        let off = ours().any(|leased| wanted(leased) == 0 && leased.last().value > 0);
        // Once a line goes, all that is alive on the link is renewed with it: offs first, then what was told longest ago, so
        // that where it takes several lines and one is refused, the next one is not that which went.
        let mut alive: Vec<&Leased> = ours().filter(|leased| leased.is_alive(wanted(leased), now)).collect();
        crate::order::by_key(&mut alive, |leased| (wanted(leased) > 0, leased.last().at));
        let members: Vec<_> = alive.iter().map(|leased| (leased.pin, wanted(leased))).collect();
        for line in offer(link, &members, off, hand) {
            self.each(link, &line, |leased, value| leased.asked = Some(Asked { value, at: now }));
        }
    }

    /// `line` went to the controller of `link` at `now`: only this counts as told.
    pub fn sent(&mut self, link: LinkId, now: Stamp, line: &[u8]) {
        let Ok(line) = std::str::from_utf8(line) else { return };
        self.each(link, line, |leased, value| {
            if value == 0 && leased.told.value > 0 {
                leased.off_until = now.after(LEASE);
            }
            leased.told = Asked { value, at: now };
            leased.asked = leased.asked.filter(|asked| asked.value != value);
        });
    }

    /// Does `what` with each pin that `line` sets.
    fn each(&mut self, link: LinkId, line: &str, what: impl Fn(&mut Leased, u32)) {
        let Some(set) = Set::parse(line.as_bytes()) else { return };
        for (pin, value) in set.members() {
            let wanted = |leased: &&mut Leased| (leased.link, leased.pin) == (link, pin);
            if let Some(leased) = self.pins.iter_mut().find(wanted) {
                what(leased, value);
            }
        }
    }

    /// Tells everything that may be on to rest: the drive ends.
    pub fn rest(&mut self, now: Stamp, hand: &mut dyn FnMut(Order) -> bool) {
        let resting: Vec<OutputShown> = Vec::new();
        for leased in &mut self.pins {
            let value = u32::from(leased.may_be_on());
            (leased.told, leased.asked) = (Asked { value, at: now }, None);
        }
        self.step(now, now, &resting, hand);
        self.pins.clear();
    }

    /// When [`Leases::step`] has something to do at the earliest, if nothing is decided anew.
    pub fn due(&self, now: Stamp) -> Option<Stamp> {
        let alive = self.pins.iter().filter(|leased| leased.is_alive(leased.last().value, now));
        // What was refused is offered again soon, but not at once: a link that is held up must not keep this one busy.
        let due = |leased: &Leased| {
            let given_up = leased.asked.map(|asked| asked.at.after(WRITTEN_WITHIN));
            given_up.into_iter().chain([leased.last().at.after(RENEW)]).fold(Stamp(Micros::MAX), Stamp::min)
        };
        alive.map(|leased| due(leased).max(now.after(AGAIN))).min()
    }
}

impl Leased {
    /// What it was asked to be last, as far as that may still go to it.
    fn last(&self) -> Asked {
        self.asked.unwrap_or(self.told)
    }

    /// Whether what went, or may still go, can keep it on.
    fn may_be_on(&self) -> bool {
        self.told.value > 0 || self.asked.is_some_and(|asked| asked.value > 0)
    }

    /// Time passed: what was not written is never written any more, and what was told holds for its lease.
    fn pass(&mut self, now: Stamp) {
        self.asked = self.asked.filter(|asked| now.since(asked.at) <= WRITTEN_WITHIN);
        if now.since(self.told.at) > LEASE + WRITTEN_WITHIN {
            self.told.value = 0;
        }
    }

    /// Whether it belongs into a line: on, to be switched off, or switched off just now.
    fn is_alive(&self, wanted: u32, now: Stamp) -> bool {
        wanted > 0 || self.may_be_on() || now < self.off_until
    }

    /// Whether a line must go for it.
    fn is_due(&self, wanted: u32, now: Stamp) -> bool {
        let Asked { value, at } = self.last();
        let age = now.since(at);
        let switched = (wanted == 0) != (value == 0);
        switched || (wanted != value && age >= FOLLOW) || (self.is_alive(wanted, now) && age >= RENEW)
    }
}

/// Hands over what sets `members`, in their order, and gives the lines that were taken.
fn offer(link: LinkId, members: &[(Pin, u32)], off: bool, hand: &mut dyn FnMut(Order) -> bool) -> Vec<String> {
    // Pins and values are those of the model and the rules, which keep to their ranges.
    let lines = set(members, LEASE_MS).unwrap_or_default();
    lines.into_iter().take_while(|line| hand(Order { link, line: line.clone(), off })).collect()
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;
    use crate::config;
    use crate::state::Why;

    const TWO: &str = "format = 1\n[channel.oil]\ninput = \"a1\"\nunit = \"V\"\n\
        [output.heater]\npin = \"d7\"\non = \"oil > 1\"\narmed = true\n\
        [output.needle]\npin = \"f9\"\nfrom = \"oil\"\npoints = [[0, \"0 Hz\"], [5, \"100 Hz\"]]\narmed = true\n\
        [output.fan]\npin = \"d8\"\non = \"oil > 1\"\n";

    struct Bench {
        model: Model,
        leases: Leases,
        outputs: Vec<OutputShown>,
        sent: Vec<Order>,
    }

    impl Bench {
        fn new() -> Self {
            let model = config::load(TWO).model.unwrap();
            let outputs = model.outputs.iter().map(|output| OutputShown::resting(output.armed)).collect();
            Self { leases: Leases::new(&model), model, outputs, sent: Vec::new() }
        }

        fn set(&mut self, values: [u32; 3]) {
            for (shown, value) in self.outputs.iter_mut().zip(values) {
                (shown.wanted, shown.why) = (value, Why::Holds);
            }
        }

        /// What is sent at `ms` with a decision of `decided` ms; all or nothing is taken.
        fn step(&mut self, ms: i64, decided: i64, takes: bool) -> Vec<String> {
            let sent = &mut self.sent;
            sent.clear();
            self.leases.step(Stamp::from_millis(ms), Stamp::from_millis(decided), &self.outputs, &mut |order| {
                if takes {
                    sent.push(order);
                }
                takes
            });
            self.sent.iter().for_each(|order| {
                self.leases.sent(order.link, Stamp::from_millis(ms), order.line.as_bytes());
            });
            let members = |order: &Order| order.line.split(['{', '}']).nth(2).unwrap().replace('"', "");
            self.sent.iter().map(members).collect()
        }
    }

    #[test]
    fn what_is_on_is_renewed_at_a_third_of_its_lease_and_what_is_not_armed_is_never_sent() {
        let mut bench = Bench::new();
        assert_eq!(bench.step(0, 0, true), [""; 0], "nothing is on");
        bench.set([1, 0, 1]);
        let sent: Vec<i64> = (0..=1000).filter(|ms| !bench.step(*ms, *ms, true).is_empty()).collect();
        assert_eq!(sent, [0, 333, 666, 999]);
        assert!(bench.sent.is_empty() || !bench.sent[0].line.contains("d8"));
    }

    // J2: the figure is that of the faults to survive.
    #[rstest]
    #[case::last(300, true)]
    #[case::first_too_old(301, false)]
    fn a_decision_of_300_ms_renews_and_an_older_one_does_not(#[case] age: i64, #[case] renews: bool) {
        let mut bench = Bench::new();
        bench.set([1, 0, 0]);
        assert_eq!(bench.step(0, 0, true), ["d7:1"]);
        assert_eq!(!bench.step(1000, 1000 - age, true).is_empty(), renews);
    }

    #[test]
    fn an_off_goes_at_once_before_anything_else_and_again_while_the_lease_would_run() {
        let mut bench = Bench::new();
        bench.set([1, 50_000, 1]);
        assert_eq!(bench.step(0, 0, true), ["d7:1,f9:50000"]);
        bench.set([0, 50_000, 1]);
        assert_eq!(bench.step(1, 1, true), ["d7:0,f9:50000"]);
        assert!(bench.sent[0].off);
        bench.set([0, 0, 1]);
        assert_eq!(bench.step(2, 2, true), ["d7:0,f9:0"]);
        let again: Vec<i64> = (3..5000).filter(|ms| !bench.step(*ms, *ms, true).is_empty()).collect();
        assert_eq!(again, [335, 668, 1001], "then there is silence");
    }

    #[test]
    fn a_value_that_a_needle_follows_goes_ten_times_a_second() {
        let mut bench = Bench::new();
        let mut sent = 0;
        for ms in 0..1000 {
            bench.set([0, 20_000 + u32::try_from(ms).unwrap(), 0]);
            sent += bench.step(ms, ms, true).len();
        }
        assert_eq!(sent, 10);
    }

    /// Its lease runs out, and neither on nor off is told: what it is to be is not known yet.
    #[test]
    fn what_fell_to_rest_by_itself_is_not_renewed() {
        let mut bench = Bench::new();
        bench.set([1, 50_000, 0]);
        assert_eq!(bench.step(0, 0, true), ["d7:1,f9:50000"]);
        bench.outputs[0].faltered = true;
        assert_eq!(bench.step(333, 333, true), ["f9:50000"]);
        bench.outputs[0].faltered = false;
        assert_eq!(bench.step(353, 353, true), ["d7:1,f9:50000"]);
    }

    #[test]
    fn what_was_refused_is_offered_again() {
        let mut bench = Bench::new();
        bench.set([1, 0, 0]);
        assert_eq!(bench.step(0, 0, false), [""; 0]);
        assert_eq!(bench.step(20, 20, true), ["d7:1"]);
        assert_eq!(bench.leases.due(Stamp::from_millis(20)), Some(Stamp::from_millis(353)));
        assert_eq!(bench.leases.due(Stamp::from_millis(400)), Some(Stamp::from_millis(420)));
    }

    /// A line that was taken and did not go: the link throws away what waited over 200 ms.
    #[test]
    fn what_was_taken_and_did_not_go_counts_as_not_told() {
        let mut bench = Bench::new();
        bench.set([1, 0, 0]);
        let mut taken = Vec::new();
        for ms in 0..1_000 {
            bench.leases.step(Stamp::from_millis(ms), Stamp::from_millis(ms), &bench.outputs, &mut |_| {
                taken.push(ms);
                true
            });
        }
        assert_eq!(taken, [0, 333, 666, 999], "nothing went, so it is offered again and again");
        // It is not wanted any more. What was taken last may still go.
        bench.set([0, 0, 0]);
        assert_eq!(bench.step(1_100, 1_100, true), ["d7:0"]);
        // The same where it is given up, so that it cannot be on: nothing is to be said.
        let mut bench = Bench::new();
        bench.set([1, 0, 0]);
        bench.leases.step(Stamp(0), Stamp(0), &bench.outputs, &mut |_| true);
        bench.set([0, 0, 0]);
        assert_eq!(bench.step(421, 421, true), [""; 0]);
    }

    /// Outputs of a sketch of one's own, which do not fit into one line of 96 bytes.
    fn many() -> Bench {
        let mut text = "format = 1\n[channel.oil]\ninput = \"a1\"\nunit = \"V\"\n".to_owned();
        for pin in 20..30 {
            text += &format!("[output.o{pin}]\npin = \"d{pin}\"\non = \"oil > 1\"\narmed = true\n");
        }
        let model = config::load(&text).model.unwrap();
        let outputs = model.outputs.iter().map(|output| OutputShown::resting(output.armed)).collect();
        Bench { leases: Leases::new(&model), model, outputs, sent: Vec::new() }
    }

    // Each line is booked as it goes: where one of several is refused, those that went are not sent again in its place.
    #[rstest]
    #[case::all_at_once(9, 0)]
    #[case::one_each_20_ms(1, 20)]
    fn of_several_lines_each_is_booked_alone(#[case] at_once: usize, #[case] until: i64) {
        let mut bench = many();
        bench.outputs.iter_mut().for_each(|shown| shown.wanted = 1);
        let mut told = std::collections::BTreeMap::new();
        for ms in (0..=2_000).step_by(20) {
            let (now, mut lines) = (Stamp::from_millis(ms), Vec::new());
            bench.leases.step(now, now, &bench.outputs, &mut |order: Order| {
                lines.push(order.line);
                lines.len() <= at_once
            });
            for line in lines.iter().take(at_once) {
                assert!(line.len() <= 96);
                bench.leases.sent(LinkId(0), now, line.as_bytes());
                told.extend(Set::parse(line.as_bytes()).unwrap().members().map(|(pin, _)| (pin.number, ms)));
            }
            assert!(ms < until || told.len() == 10, "{told:?} at {ms} ms");
            let oldest = told.values().min().unwrap();
            assert!(ms - oldest < 500, "none waits for half of its lease: {told:?} at {ms} ms");
        }
    }

    #[test]
    fn an_off_is_in_the_first_of_several_lines() {
        let mut bench = many();
        bench.outputs.iter_mut().for_each(|shown| shown.wanted = 1);
        bench.step(0, 0, true);
        bench.outputs[9].wanted = 0;
        let lines = bench.step(1, 1, true);
        assert!(lines[0].starts_with("d29:0,") && bench.sent[0].off, "{lines:?}");
    }

    #[test]
    fn at_the_end_all_that_may_be_on_is_told_to_rest_and_nothing_is_said_after_that() {
        let mut bench = Bench::new();
        bench.set([1, 0, 1]);
        bench.step(0, 0, true);
        let mut last = Vec::new();
        bench.leases.rest(Stamp::from_millis(1), &mut |order| {
            last.push(order.line);
            true
        });
        assert_eq!(last.len(), 1);
        assert!(last[0].starts_with(r#"{"set":{"d7":0},"lease_ms":1000"#), "{last:?}");
        assert_eq!(bench.step(2, 2, true), [""; 0]);
    }

    #[test]
    fn what_a_changed_config_does_not_arm_is_told_to_rest() {
        let mut bench = Bench::new();
        bench.set([1, 0, 0]);
        bench.step(0, 0, true);
        let mut model = bench.model.clone();
        model.outputs[0].armed = false;
        let mut told = Vec::new();
        bench.leases.reload(&model, &mut |order| {
            told.push(order.line);
            true
        });
        assert!(matches!(&told[..], [line] if line.starts_with(r#"{"set":{"d7":0}"#)), "{told:?}");
        assert_eq!(bench.step(1000, 1000, true), [""; 0]);
    }
}
