//! Banner and journal, drawn: what is said of alarms that are seen, over, held, shelved, and of a value that is lost.

use std::sync::Arc;

use kickpanel::channel::{Trust, Value};
use kickpanel::config::Model;
use kickpanel::screen::{Depth, GlyphSet, JOURNAL_PAGE, Look, View};
use kickpanel::state::{AlarmState, Call, Calls, Entry, Raised, Snapshot};
use kickpanel::time::{SECOND, Stamp};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::Widget;
use rstest::rstest;

use super::lorry;
use super::pages::with_view;

/// Oil pressure and coolant, one after the other; the exhaust before, seen and over.
fn several() -> (Arc<Model>, Snapshot) {
    let mut model = (*lorry::model()).clone();
    model.alarms[7].when = Some(when());
    let mut snapshot = lorry::trouble();
    snapshot.calls = Calls::new(model.alarms.len(), 0);
    snapshot.recording = lorry::well().recording;
    come(&mut snapshot, 5, 300, AlarmState::Normal, 702.0);
    come(&mut snapshot, 4, 40, AlarmState::Acknowledged, -0.11);
    come(&mut snapshot, 1, 14, AlarmState::Unacknowledged, 0.31);
    come(&mut snapshot, 0, 12, AlarmState::Unacknowledged, 0.31);
    come(&mut snapshot, 6, 8, AlarmState::Shelved, 11.2);
    snapshot.alarms[6].active = true;
    snapshot.calls.list[6].until = Some(lorry::NOW.after(240 * SECOND));
    snapshot.calls.list[7].state = AlarmState::Suppressed;
    let journal = &mut snapshot.calls.journal;
    journal[0].ended = Some(lorry::NOW.after(-280 * SECOND));
    journal[0].seen = Some(lorry::NOW.after(-295 * SECOND));
    journal[1].seen = Some(lorry::NOW.after(-31 * SECOND));
    journal[2].first = true;
    (Arc::new(model), snapshot)
}

/// A condition that a config has.
fn when() -> kickpanel::config::Formula {
    let text = "format = 1\n[link.a]\n[channel.rpm]\ninput = \"n_rpm\"\n[[channel.rpm.alarm]]\nlevel = \"danger\"\nabove = 1\nwhen = \"rpm > 300\"\n";
    crate::rig::model(text).alarms[0].when.clone().unwrap()
}

/// The alarm at that place came so many seconds ago and has that state.
fn come(snapshot: &mut Snapshot, at: usize, ago_s: i64, state: AlarmState, worst: f64) {
    let began = Stamp(lorry::NOW.0 - ago_s * SECOND);
    snapshot.calls.newest += 1;
    let number = snapshot.calls.newest;
    snapshot.calls.list[at] = Call { state, number, began, until: None, last: worst, worst };
    let (raised, level) = (Raised::Limit(at), snapshot.alarms[at].level);
    let entry = Entry { raised, number, level, problem: None, began, ended: None, seen: None, worst, first: false };
    snapshot.calls.journal.push(entry);
}

fn text(model: &Model, snapshot: &Snapshot, page: usize, (width, height): (u16, u16)) -> String {
    let area = Rect::new(0, 0, width, height);
    let look = Look::new(GlyphSet::Full, Depth::None, false);
    let mut buffer = Buffer::empty(area);
    with_view(model, snapshot, &look, page, area, |view: &View<'_>| view.render(area, &mut buffer));
    let row = |y| (0..width).map(|x| buffer[(x, y)].symbol()).collect::<String>();
    (0..height).map(|y| row(y).trim_end().to_owned()).collect::<Vec<_>>().join("\n")
}

#[track_caller]
fn kept(name: &str, picture: &str) {
    let mut settings = insta::Settings::clone_current();
    settings.set_snapshot_path("../snapshots");
    settings.set_prepend_module_to_snapshot(false);
    settings.bind(|| insta::assert_snapshot!(format!("screen_alarms_{name}"), picture));
}

#[rstest]
#[case::phone(40, 20)]
#[case::small_panel(53, 15)]
#[case::usual(80, 24)]
#[case::large(200, 60)]
fn banner_and_journal_look_as_they_did_when_someone_last_looked_at_them(#[case] width: u16, #[case] height: u16) {
    let (model, snapshot) = several();
    kept(&format!("journal_{width}x{height}"), &text(&model, &snapshot, JOURNAL_PAGE, (width, height)));
    kept(&format!("page_{width}x{height}"), &text(&model, &snapshot, 0, (width, height)));
}

fn first_rows(change: impl FnOnce(&mut Snapshot), size: (u16, u16), rows: usize) -> Vec<String> {
    let (model, mut snapshot) = several();
    change(&mut snapshot);
    text(&model, &snapshot, 0, size).lines().take(rows).map(str::to_owned).collect()
}

fn state(snapshot: &mut Snapshot, at: usize, state: AlarmState) {
    snapshot.calls.list[at].state = state;
    snapshot.alarms[at].active = matches!(state, AlarmState::Unacknowledged | AlarmState::Acknowledged);
}

#[test]
fn a_danger_that_was_seen_stays_on_top_and_names_what_nobody_saw() {
    let rows = first_rows(|snapshot| state(snapshot, 0, AlarmState::Acknowledged), (80, 24), 3);
    assert_eq!(
        rows,
        [
            " DANGER  Oil pressure  0.4 bar  below 0.8  for 12 s, seen               +2 more",
            " Oil pressure low: stop the engine",
            " CAUTION  Oil pressure  0.4 bar",
        ]
    );
}

#[test]
fn what_is_over_and_was_not_seen_gives_way_to_what_is_there() {
    let rows = first_rows(|snapshot| state(snapshot, 0, AlarmState::Returned), (80, 24), 24);
    // No danger any more: it stands below the gauges.
    let banner: Vec<_> = rows.iter().filter(|row| row.starts_with(" CAUTION") || row.starts_with(" DANGER")).collect();
    assert_eq!(banner, [" CAUTION  Oil pressure  0.4 bar  below 1.5  for 14 s                    +2 more"]);
    let alone = |snapshot: &mut Snapshot| {
        state(snapshot, 0, AlarmState::Returned);
        state(snapshot, 1, AlarmState::Normal);
        state(snapshot, 4, AlarmState::Normal);
    };
    let rows = first_rows(alone, (80, 24), 2);
    assert_eq!(rows[0], " DANGER over  Oil pressure  was 0.3 bar  below 0.8  12 s ago");
    assert!(rows[1].starts_with(" Engine speed"), "one row is enough: {rows:?}");
}

#[test]
fn one_that_is_held_says_so() {
    let rows = first_rows(|snapshot| state(snapshot, 0, AlarmState::LatchedAcknowledged), (80, 24), 1);
    assert_eq!(rows, [" DANGER held  Oil pressure  was 0.3 bar  below 0.8  12 s ago            +2 more"]);
}

// I7 of the catalogue of faults.
#[rstest]
#[case::usual((80, 24), " DANGER  Oil pressure  was 0.3 bar, now stale 4 s  below 0.8  for 12 s  +2 more")]
#[case::phone((40, 20), " DANGER  was 0.3 bar, stale     +2 more")]
fn a_value_that_is_lost_while_its_alarm_stands_is_said_to_be_unknown(#[case] size: (u16, u16), #[case] row: &str) {
    let lost = |snapshot: &mut Snapshot| {
        lorry::set(snapshot, "oil", Value::bad(Trust::Stale));
        snapshot.channels[2].heard = Some(lorry::NOW.after(-4 * SECOND));
    };
    let rows = first_rows(lost, size, 1);
    assert_eq!(rows[0], row);
}

#[test]
fn what_is_shelved_is_counted_and_what_sleeps_is_listed() {
    let (model, snapshot) = several();
    let page = text(&model, &snapshot, 0, (80, 24));
    assert!(page.contains("1 shelved"), "{page}");
    assert!(!page.lines().next().unwrap().contains("Battery"));
    let journal = text(&model, &snapshot, JOURNAL_PAGE, (80, 24));
    assert!(journal.contains("shelved, 4 min left: Battery (caution)"), "{journal}");
    assert!(journal.contains("asleep while not rpm > 300: Engine speed (danger)"), "{journal}");
}

#[test]
fn the_journal_draws_at_every_size() {
    let (model, snapshot) = several();
    for width in 1..=120 {
        for height in 1..=40 {
            text(&model, &snapshot, JOURNAL_PAGE, (width, height));
        }
    }
}

#[test]
fn only_a_danger_that_nobody_saw_is_drawn_otherwise_while_it_is_dark() {
    let (model, mut snapshot) = several();
    let area = Rect::new(0, 0, 80, 24);
    let picture = |lit: bool, snapshot: &Snapshot| {
        let mut look = Look::new(GlyphSet::Full, Depth::True, false);
        look.lit = lit;
        let mut buffer = Buffer::empty(area);
        with_view(&model, snapshot, &look, 0, area, |view: &View<'_>| view.render(area, &mut buffer));
        buffer
    };
    assert_ne!(picture(true, &snapshot), picture(false, &snapshot));
    snapshot.calls.list[0].state = AlarmState::Acknowledged;
    assert_eq!(picture(true, &snapshot), picture(false, &snapshot));
}
