//! The watcher on looks by hand, and H4 of the catalogue of faults on real files.

use std::os::unix::fs::PermissionsExt as _;
use std::sync::Arc;

use super::*;
use crate::config::LinkId;
use crate::drive::Engine;
use crate::link::{Event, Sink as _};
use crate::pipeline::Pipeline;
use crate::state::Shared;
use crate::wire::seal;

/// A look that differs by `what`.
const fn seen(what: i128) -> [i128; 7] {
    [1, 10, what, 0, 0, 0, 0]
}

fn watcher() -> Watcher {
    Watcher { path: PathBuf::new(), text: String::new(), last: Last::Text, known: Some(seen(0)), pending: None }
}

#[test]
fn a_change_counts_once_it_has_settled() {
    let mut watcher = watcher();
    for (ms, counts) in [(0, false), (299, false), (300, true), (301, false)] {
        assert_eq!(watcher.step(Stamp::from_millis(ms), Some(seen(12))), counts, "{ms}");
    }
}

#[test]
fn a_file_that_changed_before_anyone_watched_counts_as_changed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("config.toml");
    fs::write(&path, "new").unwrap();
    let mut watcher = Watcher::new(path, "old".into());
    assert!(watcher.look(Stamp::from_millis(0)).is_none());
    assert!(matches!(watcher.look(Stamp::from_millis(300)), Some(Changed::Text(text, _)) if text == "new"));
}

#[test]
fn what_is_written_between_the_first_reading_and_the_first_look_counts_as_changed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("config.toml");
    fs::write(&path, "old").unwrap();
    let mut watcher = Watcher::with(path, "old".into(), |path| {
        let text = read(path);
        fs::write(path, "newer").unwrap();
        text
    });
    assert!(watcher.look(Stamp::from_millis(0)).is_none());
    assert!(matches!(watcher.look(Stamp::from_millis(300)), Some(Changed::Text(text, _)) if text == "newer"));
}

#[test]
fn a_file_that_goes_on_changing_is_not_read() {
    let mut watcher = watcher();
    for ms in 0..1000 {
        assert!(!watcher.step(Stamp::from_millis(ms), Some(seen(ms.into()))));
    }
}

#[test]
fn a_file_that_is_gone_is_told_once_and_so_is_its_return() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("config.toml");
    fs::write(&path, "old").unwrap();
    let mut watcher = Watcher::new(path.clone(), "old".into());
    let mut told = Vec::new();
    for step in 0..45 {
        match step {
            5 => fs::remove_file(&path).unwrap(),
            15 => fs::write(&path, "old").unwrap(),
            25 => fs::create_dir(folder.path().join("other")).and_then(|()| fs::remove_file(&path)).unwrap(),
            26 => fs::create_dir(&path).unwrap(),
            33 => fs::remove_dir(&path).and_then(|()| fs::write(&path, "new")).unwrap(),
            37 => fs::write(&path, " \n").unwrap(),
            _ => {}
        }
        told.extend(watcher.look(Stamp::from_millis(step * 200)).map(|changed| match changed {
            Changed::Gone => "gone".to_owned(),
            Changed::Unreadable => "unreadable".to_owned(),
            Changed::Back => "back".to_owned(),
            Changed::Text(text, _) => text,
        }));
    }
    assert_eq!(told, ["gone", "back", "unreadable", "new", "unreadable"]);
}

/// A config with its number at both ends, each of another length, so that a mixture of two is seen.
fn version(number: usize) -> String {
    format!(
        "format = 1\nname = \"V{number}\"\n[link.engine]\ndevice = \"/dev/null\"\n# {}\n[channel.oil]\nlabel = \"V{number}\"\n\
         input = \"height\"\nsensor = {{ kind = \"number\", unit = \"bar\" }}\nunit = \"bar\"\nspan = [0, 8]\n\
         [[channel.oil.alarm]]\nlevel = \"danger\"\nbelow = 1\nafter = \"1 s\"\ntext = \"V{number}\"\n",
        "x".repeat(number % 50 + number / 50 * 51)
    )
}

/// One change of the file at `path` on the way to version `number`.
fn change(path: &Path, number: usize, kind: u64) {
    let text = version(number);
    // Cut within a quoted text: a half that is a config by itself cannot be told from a whole one.
    let half = &text[..text.find("label").unwrap() + 9];
    let beside = path.with_extension("new");
    if matches!(kind, 2 | 3 | 7) {
        // Where the right to write was taken before, it is given back; where there is no file, there is none to give.
        let _ = fs::set_permissions(path, fs::Permissions::from_mode(0o644));
    }
    match kind {
        0 | 1 => fs::write(&beside, &text).and_then(|()| fs::rename(&beside, path)).unwrap(),
        2 => fs::write(path, &text).unwrap(),
        3 => fs::write(path, half).unwrap(),
        4 => drop(fs::remove_file(path)),
        5 => {
            let _ = fs::remove_file(path);
            fs::write(path, &text).unwrap();
        }
        6 => drop(fs::set_permissions(path, fs::Permissions::from_mode(0o000))),
        // The old text and the new one behind each other.
        _ => {
            let before = fs::read(path).unwrap_or_default();
            fs::write(path, [text.as_bytes(), &before].concat()).unwrap();
        }
    }
}

/// A drive on which the oil alarm sounds.
struct Drive {
    engine: Engine,
    number: u32,
}

impl Drive {
    fn begun() -> Self {
        let model = Arc::new(config::load(&version(0)).model.unwrap());
        let shared = Shared::new(Arc::clone(&model), Pipeline::new(Arc::clone(&model)).snapshot().clone());
        let engine = Engine::new(model, None, shared, vec![mpsc::channel(1).0]);
        let mut drive = Self { engine, number: 0 };
        drive.run_to(Stamp::from_millis(2_000));
        assert!(drive.engine.snapshot().alarms[0].active);
        drive
    }

    fn run_to(&mut self, now: Stamp) {
        while i64::from(self.number) * 20 * MILLISECOND < now.0 {
            self.number += 1;
            let mut line = format!("{{\"t\":{},\"height\":0.5", u64::from(self.number) * 20_000 % (1 << 32));
            seal(&mut line);
            line.push('\n');
            self.engine.event(
                LinkId(0),
                Stamp(i64::from(self.number) * 20 * MILLISECOND),
                Event::Bytes(line.as_bytes()),
            );
        }
    }

    /// Takes a changed config as the attendant does.
    fn take(&mut self, now: Stamp, changed: Changed) -> bool {
        let Changed::Text(text, loaded) = changed else { return false };
        let Some(model) = loaded.model else { return false };
        assert!(self.engine.has_links_of(&model), "{text}");
        self.engine.reload(now, Arc::new(model), &text);
        true
    }

    /// The config in force is one version and no mixture, and its alarm sounds.
    fn is_whole(&self) -> String {
        let model = self.engine.model();
        let name = model.name.clone();
        assert_eq!((&model.channels[0].label, &model.alarms[0].text), (&name, &name));
        assert!(self.engine.snapshot().alarms[0].active, "{name}");
        name
    }
}

#[test]
fn a_thousand_changes_bring_no_mixed_config_and_an_alarm_sounds_through_all_of_them() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("config.toml");
    fs::write(&path, version(0)).unwrap();
    let (mut watcher, mut drive) = (Watcher::new(path.clone(), version(0)), Drive::begun());
    let mut seed = 0x9E37_79B9_7F4A_7C15_u64;
    let mut random = |below: u64| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) % below
    };
    let (mut now, mut changed_at) = (Stamp::from_millis(2_000), Stamp(0));
    let (mut taken, mut refused, mut next_look) = (0, 0, now);
    for number in 1..=1_000 {
        let before = look(&path);
        change(&path, number, random(8));
        if look(&path) != before {
            changed_at = now;
        }
        // Half of them come in bursts of a hundred a second, the others stay for up to a second.
        let pause = if number / 20 % 2 == 0 {
            10 * MILLISECOND
        } else {
            MILLISECOND * Micros::try_from(random(1_000)).unwrap()
        };
        let until = now.after(pause);
        while next_look <= until {
            drive.run_to(next_look);
            let before = drive.is_whole();
            if let Some(changed) = watcher.look(next_look) {
                assert!(next_look.since(changed_at) >= SETTLE, "{number}: read while it was changing");
                let text = fs::read_to_string(&path).unwrap_or_default();
                let whole = (number.saturating_sub(50)..=number).any(|number| text == version(number));
                if drive.take(next_look, changed) {
                    assert!(whole, "{number}: {text}");
                    taken += 1;
                } else {
                    assert_eq!(drive.is_whole(), before, "the old one stays in force");
                    refused += 1;
                }
                drive.is_whole();
            }
            next_look = next_look.after(Micros::try_from(LOOK.as_micros()).unwrap());
        }
        now = until;
    }
    drive.run_to(now);
    drive.is_whole();
    assert!(taken > 50 && refused > 20, "{taken} taken, {refused} refused");
}

#[test]
fn what_was_written_to_while_it_was_read_is_read_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("config.toml");
    fs::write(&path, version(0)).unwrap();
    let mut watcher = Watcher::new(path.clone(), version(0));
    let stop = Arc::new(std::sync::atomic::AtomicBool::new(false));
    let (over, file) = (Arc::clone(&stop), path.clone());
    let writer = thread::spawn(move || {
        let mut number = 0;
        while !over.load(std::sync::atomic::Ordering::Relaxed) {
            number += 1;
            fs::write(&file, version(number % 1_000)).unwrap();
        }
    });
    // By its own clock every look comes a second after the one before, so that nothing but the look itself protects it.
    for second in 0..20_000 {
        if let Some(Changed::Text(text, loaded)) = watcher.look(Stamp::from_millis(second * 1_000))
            && let Some(model) = loaded.model
        {
            assert_eq!(model.name, model.channels[0].label, "{text}");
        }
    }
    stop.store(true, std::sync::atomic::Ordering::Relaxed);
    writer.join().unwrap();
}
