//! What a changed config file does: which sentence stands, what is in force, what is still armed.

use super::*;
use crate::config::load;
use crate::drive::locks::{FILE, Locks};
use crate::pipeline::Pipeline;
use crate::record::{Item, Recorder, Recording, Setup};
use crate::state::{Problem, Shared, Why};

const TWO: &str = "format = 1\n[link.engine]\ndevice = \"/dev/null\"\n[channel.oil]\ninput = \"a1\"\nunit = \"V\"\n\
    [output.heater]\npin = \"d7\"\non = \"oil > 1\"\narmed = true\n\
    [output.fan]\npin = \"d8\"\non = \"oil > 1\"\narmed = true\n";

struct Bench {
    attendant: Attendant,
    folder: tempfile::TempDir,
}

impl Bench {
    fn with(text: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let (clock, model) = (Clock::start(), Arc::new(load(text).model.unwrap()));
        let setup = Setup { program: "kickpanel test".into(), config: text.into(), wall: None };
        let recorder = Recorder::start(folder.path().to_owned(), setup, clock);
        let shared = Shared::new(Arc::clone(&model), Pipeline::new(Arc::clone(&model)).snapshot().clone());
        let engine = Engine::new(model, Some(recorder), shared, vec![mpsc::channel(8).0]);
        let (wishes, control) = (mpsc::unbounded_channel().1, Control::new().unwrap());
        let engine = Rc::new(RefCell::new(engine));
        let attendant = Attendant::new(engine, clock, wishes, (text.to_owned(), None), Some(control), false);
        Self { attendant, folder }
    }

    fn text(&mut self, text: &str) {
        self.attendant.changed(Changed::Text(text.to_owned(), Box::new(load(text))));
    }

    fn trouble(&self) -> Option<ConfigTrouble> {
        self.attendant.engine.borrow().snapshot().config_trouble
    }

    fn told(&self) -> Option<String> {
        self.attendant.control.as_ref().and_then(Control::told)
    }

    fn armed(&self) -> Vec<bool> {
        let engine = self.attendant.engine.borrow();
        let shown: Vec<_> = engine.snapshot().outputs.iter().map(|output| output.armed).collect();
        assert_eq!(shown, engine.model().outputs.iter().map(|output| output.armed).collect::<Vec<_>>());
        shown
    }

    fn keep_locks(&self) {
        let locks = Locks::open(self.folder.path().join(FILE)).unwrap();
        self.attendant.engine.borrow_mut().keep_locks(Stamp(0), locks);
    }

    fn locked(&self) -> Vec<Option<Problem>> {
        let locked = |why| if let Why::Locked(problem) = why { Some(problem) } else { None };
        self.attendant.engine.borrow().snapshot().outputs.iter().map(|output| locked(output.why)).collect()
    }

    /// The notes of that kind, by their member.
    fn notes(&self, kind: &str, member: &str) -> Vec<String> {
        self.attendant.engine.borrow_mut().close();
        let mut recording = Recording::open(&[self.folder.path().join("000001-01.kpr")]).unwrap();
        let mut found = Vec::new();
        while let Some(item) = recording.next().unwrap() {
            if let Item::Note(note) = item
                && note.kind() == kind
            {
                found.push(note.text(member).unwrap_or_default().to_owned());
            }
        }
        found
    }
}

#[test]
fn of_what_is_wrong_with_the_file_only_the_newest_stands_and_it_goes_with_its_cause() {
    let mut bench = Bench::with(TWO);
    let bad = TWO.replace("pin =", "pim =");
    // For each output a key that there is not, and one that is missing.
    let mistakes = Some(ConfigTrouble::Mistakes(4));
    bench.attendant.changed(Changed::Gone);
    assert_eq!((bench.trouble(), bench.told()), (Some(ConfigTrouble::Gone), None));
    bench.text(&bad);
    assert_eq!((bench.trouble(), bench.told()), (mistakes, None));
    bench.attendant.changed(Changed::Unreadable);
    assert_eq!((bench.trouble(), bench.told()), (Some(ConfigTrouble::Unreadable), None));
    // What is back is the text with the mistakes.
    bench.attendant.changed(Changed::Back);
    assert_eq!(bench.trouble(), mistakes);
    assert_eq!(bench.told().as_deref(), Some("the config file is back as it was"));
    bench.text(&TWO.replace("oil > 1", "oil > 2"));
    assert_eq!(bench.trouble(), None);
    bench.attendant.changed(Changed::Gone);
    bench.attendant.changed(Changed::Back);
    assert_eq!(bench.trouble(), None);
}

#[test]
fn the_text_in_force_is_no_new_config_when_a_mistake_in_it_is_taken_back() {
    let mut bench = Bench::with(TWO);
    let good = TWO.replace("oil > 1", "oil > 2");
    bench.text(&good);
    assert_eq!(bench.told().as_deref(), Some("the changed config is in force"));
    let before = Arc::clone(bench.attendant.engine.borrow().model());
    bench.text(&good.replace("pin =", "pim ="));
    bench.text(&good);
    assert_eq!(bench.trouble(), None);
    assert_eq!(bench.told().as_deref(), Some("no mistake any more; nothing changed"));
    assert!(Arc::ptr_eq(&before, bench.attendant.engine.borrow().model()), "nothing began anew");
    assert_eq!(bench.notes("config", "config"), [good]);
}

#[test]
fn a_change_of_a_link_stands_until_it_is_taken_back_and_what_it_does_not_arm_is_not_armed() {
    let mut bench = Bench::with(TWO);
    let faster = TWO.replace("/dev/null\"", "/dev/null\"\nbaud = 9600");
    bench.text(&faster);
    assert_eq!((bench.trouble(), bench.told()), (Some(ConfigTrouble::OtherLinks), None));
    assert_eq!(bench.armed(), [true, true]);
    // Heater off in the same edit.
    bench.text(&faster.replacen("armed = true", "armed = false", 1));
    assert_eq!(bench.trouble(), Some(ConfigTrouble::OtherLinks));
    assert_eq!(bench.told().as_deref(), Some("but what it does not arm is off now"));
    assert_eq!(bench.armed(), [false, true]);
    // It never arms, and takes nothing else.
    bench.text(&faster.replace("oil > 1", "oil > 2"));
    assert_eq!((bench.trouble(), bench.armed()), (Some(ConfigTrouble::OtherLinks), vec![false, true]));
    bench.attendant.changed(Changed::Gone);
    bench.attendant.changed(Changed::Back);
    assert_eq!(bench.trouble(), Some(ConfigTrouble::OtherLinks));
    // The first text is another than what is in force now.
    bench.text(TWO);
    assert_eq!((bench.trouble(), bench.armed()), (None, vec![true, true]));
    let disarmed = TWO.replacen("armed = true", "armed = false", 1);
    assert_eq!(bench.notes("config", "config"), [disarmed, TWO.to_owned()], "what was in force when");
}

#[test]
fn every_sentence_about_the_file_but_that_of_mistakes_fits_into_53_columns() {
    for trouble in [ConfigTrouble::Gone, ConfigTrouble::Unreadable, ConfigTrouble::OtherLinks] {
        assert!(trouble.sentence().len() <= 53, "{trouble:?}");
    }
}

#[test]
fn a_lock_of_a_pin_that_a_changed_config_brings_back_holds_again() {
    let bench = &mut Bench::with(&TWO.replace("\"d7\"", "\"d6\""));
    let lock = "[{\"link\":\"engine\",\"pin\":\"d7\",\"why\":\"resets\"}]";
    std::fs::write(bench.folder.path().join(FILE), lock).unwrap();
    bench.keep_locks();
    assert_eq!(bench.locked(), [None, None]);
    // A person frees, but nothing that is not there.
    bench.attendant.engine.borrow_mut().free_outputs(Stamp(1));
    bench.text(TWO);
    assert_eq!(bench.locked(), [Some(Problem::Resets), None]);
    let now = bench.attendant.clock.now();
    bench.attendant.engine.borrow_mut().free_outputs(now);
    bench.text(&TWO.replace("oil > 1", "oil > 2"));
    assert_eq!(bench.locked(), [None, None]);
    assert_eq!(bench.notes("locked", "name"), ["heater"]);
}

#[test]
fn a_damaged_file_of_locks_locks_all_that_is_armed_now_or_by_a_changed_config_and_says_so() {
    let bench = &mut Bench::with(&TWO.replacen("armed = true", "armed = false", 1));
    std::fs::write(bench.folder.path().join(FILE), "[{\"link\":").unwrap();
    bench.keep_locks();
    assert_eq!(bench.locked(), [None, Some(Problem::LocksUnreadable)]);
    bench.text(TWO);
    assert_eq!(bench.locked(), [Some(Problem::LocksUnreadable); 2]);
    assert!(bench.attendant.engine.borrow().snapshot().faults[..2].iter().all(|fault| fault.active));
    let now = bench.attendant.clock.now();
    bench.attendant.engine.borrow_mut().free_outputs(now);
    assert_eq!(bench.locked(), [None, None]);
    assert_eq!(bench.notes("locked", "why"), ["unreadable", "unreadable"]);
    assert!(!bench.folder.path().join(FILE).exists());
}
