//! Every face in every trust state and in places of every size, in buffers that are full of `x` before.

use ratatui::buffer::{Buffer, Cell};
use ratatui::layout::Rect;
use ratatui::widgets::Widget;
use rstest::rstest;

use super::{Bar, Dial, Digits, Lamp, Strip, Trend};
use crate::channel::{Trust, Value};
use crate::circuit::Circuit;
use crate::config::{Alarm, Channel, ChannelId, Field, Input, Level, Limit, Link, LinkId, Model, Sensor, Source};
use crate::screen::glyphs::GlyphSet;
use crate::screen::item::{Item, Labels};
use crate::screen::look::{Depth, Look};
use crate::state::{AlarmShown, Column, LinkShown, LinkState, Shown, Snapshot};
use crate::time::{SECOND, Stamp};
use crate::unit::Unit;
use crate::wire::{FieldId, Form};

/// A pressure from 0 to 8 bar, caution below 2, danger below 1.
fn model() -> Model {
    let alarm = |level, at| Alarm {
        channel: ChannelId(0),
        level,
        limit: Limit::Below(at),
        deadband: 0.0,
        after: SECOND,
        until: SECOND,
        when: None,
        latch: false,
        text: String::new(),
    };
    let channel = Channel {
        name: "oil".to_owned(),
        label: "Oil".to_owned(),
        source: Source::Input(Input {
            link: LinkId(0),
            field: Field::Number(FieldId(0)),
            circuit: Circuit::Direct,
            sensor: Sensor::Switch { on: true },
        }),
        unit: Unit::parse("bar").unwrap(),
        span: Some((0.0, 8.0)),
        digits: 1,
        words: None,
        smooth: None,
        fresh: None,
        fastest: None,
        stuck: None,
        calibration: None,
    };
    let link = Link {
        name: "engine".to_owned(),
        device: String::new(),
        baud: 9600,
        form: Form::Nmea,
        reference: 1.1,
        fields: Vec::new(),
    };
    Model {
        links: vec![link],
        channels: vec![channel],
        alarms: vec![alarm(Level::Caution, 2.0), alarm(Level::Danger, 1.0)],
        ..Model::default()
    }
}

fn snapshot(value: Value, danger: bool) -> Snapshot {
    let shown = Shown { value, smooth: value, heard: Some(Stamp(6 * SECOND)), ..Shown::UNKNOWN };
    let alarm = |level, active| AlarmShown { level, active, since: Stamp(0) };
    Snapshot {
        now: Stamp(10 * SECOND),
        channels: vec![shown],
        links: vec![LinkShown { state: LinkState::Up, ..LinkShown::default() }],
        alarms: vec![alarm(Level::Caution, false), alarm(Level::Danger, danger)],
        ..Snapshot::default()
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Kind {
    Bar,
    Dial,
    Digits,
    Lamp,
    Trend,
}

/// The face in `area` of a buffer one cell larger on every side, full of `x`.
fn drawn(kind: Kind, value: Value, danger: bool, glyphs: GlyphSet, size: (u16, u16)) -> Buffer {
    let (model, look) = (model(), Look::new(glyphs, Depth::None, false));
    let labels = Labels::new(&model, &look);
    let snapshot = snapshot(value, danger);
    let item = Item::new(&model, &labels, &snapshot, ChannelId(0)).unwrap();
    let area = Rect::new(1, 1, size.0, size.1);
    let mut buffer = Buffer::filled(Rect::new(0, 0, size.0 + 2, size.1 + 2), Cell::new("x"));
    let (item, look) = (&item, &look);
    match kind {
        Kind::Bar => Bar { item, look }.render(area, &mut buffer),
        Kind::Dial => Dial { item, look }.render(area, &mut buffer),
        Kind::Digits => Digits { item, look }.render(area, &mut buffer),
        Kind::Lamp => Lamp { item, look }.render(area, &mut buffer),
        Kind::Trend => {
            let columns = vec![Column { low: 3.0, high: 4.0 }; usize::from(size.0) * 2];
            let strips = [Strip { channel: ChannelId(0), columns }];
            let items = [item.clone()];
            Trend { items: &items, strips: &strips, last: 60 * SECOND, paused: false, look }.render(area, &mut buffer);
        }
    }
    buffer
}

/// The inside of the frame of `x`; blanks where the face wrote nothing, because a page is cleared before.
fn inside(buffer: &Buffer) -> Vec<String> {
    let area = buffer.area;
    (1..area.height - 1)
        .map(|y| {
            let row: String = (1..area.width - 1).map(|x| buffer[(x, y)].symbol()).collect();
            row.replace('x', " ").trim_end().to_owned()
        })
        .collect()
}

fn values() -> Vec<Value> {
    let good = [3.4, 0.0, -900.0, 1e300, -1e-9].map(Value::ok);
    good.into_iter().chain(Trust::ALL.map(Value::bad)).collect()
}

#[rstest]
fn no_face_writes_outside_its_place(
    #[values(Kind::Bar, Kind::Dial, Kind::Digits, Kind::Lamp, Kind::Trend)] kind: Kind,
    #[values(GlyphSet::Full, GlyphSet::Console, GlyphSet::Ascii)] glyphs: GlyphSet,
) {
    for value in values() {
        for (width, height) in (0..30).flat_map(|width| (0..12).map(move |height| (width, height))) {
            let buffer = drawn(kind, value, true, glyphs, (width, height));
            for y in 0..height + 2 {
                for x in 0..width + 2 {
                    let edge = x == 0 || y == 0 || x > width || y > height;
                    assert!(!edge || buffer[(x, y)].symbol() == "x", "{kind:?} {value:?} {width}x{height} at {x},{y}");
                }
            }
        }
    }
}

#[rstest]
fn every_untrusted_state_stands_there_in_its_words(
    #[values(Kind::Bar, Kind::Dial, Kind::Digits, Kind::Lamp, Kind::Trend)] kind: Kind,
) {
    for trust in Trust::ALL.into_iter().filter(|trust| *trust != Trust::Ok) {
        for size in [(30, 1), (30, 2), (30, 3), (30, 8)] {
            let text = inside(&drawn(kind, Value::bad(trust), false, GlyphSet::Ascii, size)).join("\n");
            let words = if trust == Trust::Stale { "stale 4 s" } else { trust.words() };
            assert!(text.contains(words), "{kind:?} {size:?}:\n{text}");
        }
    }
}

#[rstest]
#[case::whole((16, 1), 3.4, "Oil      3.4 bar")]
#[case::without_unit((4, 1), 3.4, " 3.4")]
#[case::only_the_number((3, 1), 3.4, "3.4")]
#[case::no_room((2, 1), 3.4, " ~")]
#[case::one_cell((1, 1), 3.4, "~")]
fn a_number_is_there_whole_or_not_at_all(#[case] size: (u16, u16), #[case] value: f64, #[case] row: &str) {
    for kind in [Kind::Bar, Kind::Dial, Kind::Digits] {
        assert_eq!(inside(&drawn(kind, Value::ok(value), false, GlyphSet::Ascii, size)), [row], "{kind:?}");
    }
}

#[test]
fn digits_three_rows_tall() {
    let rows = inside(&drawn(Kind::Digits, Value::ok(3.4), false, GlyphSet::Full, (20, 4)));
    assert_eq!(rows, ["Oil bar", "▀▀▀▙   █  █", "▀▀▀█   ▀▀▀█", "▄▄▄▛ ▄    █"]);
}

#[test]
fn digits_of_ascii_strokes() {
    let rows = inside(&drawn(Kind::Digits, Value::ok(3.4), false, GlyphSet::Ascii, (20, 4)));
    assert_eq!(rows, ["Oil bar", " _", " _|   |_|", " _| .   |"]);
}

#[test]
fn a_bar_marks_its_limits_and_names_its_alarm() {
    let rows = inside(&drawn(Kind::Bar, Value::ok(4.0), false, GlyphSet::Ascii, (32, 3)));
    assert_eq!(
        rows,
        ["Oil                      4.0 bar", "================----------------", " 1.0^   ^2.0                 8.0"]
    );
    let rows = inside(&drawn(Kind::Bar, Value::ok(0.5), true, GlyphSet::Ascii, (32, 3)));
    assert_eq!(rows[0], "Oil              danger  0.5 bar");
    assert_eq!(rows[1], "==!!::::------------------------");
}

#[test]
fn a_dial_is_readable_at_twenty_by_six() {
    let rows = inside(&drawn(Kind::Dial, Value::ok(4.0), false, GlyphSet::Ascii, (20, 6)));
    assert!(rows[0].starts_with("Oil bar"), "{rows:#?}");
    // The pointer stands in the middle of the scale, upright.
    assert_eq!(rows[1].find('#'), Some(10), "{rows:#?}");
}

#[test]
fn a_spike_of_one_column_is_drawn_and_a_gap_is_not_a_line() {
    let (model, look) = (model(), Look::new(GlyphSet::Ascii, Depth::None, false));
    let labels = Labels::new(&model, &look);
    let snapshot = snapshot(Value::ok(4.0), false);
    let items = [Item::new(&model, &labels, &snapshot, ChannelId(0)).unwrap()];
    let mut columns = vec![Column { low: 4.0, high: 4.0 }; 30];
    columns[20] = Column { low: 4.0, high: 8.0 };
    columns[5..9].fill(Column::GAP);
    let strips = [Strip { channel: ChannelId(0), columns }];
    let area = Rect::new(0, 0, 30, 5);
    let mut buffer = Buffer::empty(area);
    Trend { items: &items, strips: &strips, last: 60 * SECOND, paused: false, look: &look }.render(area, &mut buffer);
    let rows: Vec<String> = (0..5).map(|y| (0..30).map(|x| buffer[(x, y)].symbol()).collect()).collect();
    assert_eq!(rows[1], "                    |         ");
    assert_eq!(&rows[2][..5], "-----", "{rows:#?}");
    assert_eq!(&rows[2][5..9], "    ", "{rows:#?}");
    assert_eq!(&rows[3][5..9], "????", "{rows:#?}");
}

#[test]
fn before_the_beginning_a_trend_is_empty_and_the_sign_of_a_gap_is_explained() {
    let (model, look) = (model(), Look::new(GlyphSet::Ascii, Depth::None, false));
    let labels = Labels::new(&model, &look);
    let snapshot = snapshot(Value::ok(4.0), false);
    let items = [Item::new(&model, &labels, &snapshot, ChannelId(0)).unwrap()];
    let mut columns = vec![Column { low: 4.0, high: 4.0 }; 50];
    columns[..10].fill(Column::BEFORE);
    let drawn = |columns: &[Column]| {
        let strips = [Strip { channel: ChannelId(0), columns: columns.to_vec() }];
        let area = Rect::new(0, 0, 50, 5);
        let mut buffer = Buffer::empty(area);
        let trend = Trend { items: &items, strips: &strips, last: 60 * SECOND, paused: false, look: &look };
        trend.render(area, &mut buffer);
        (0..5).map(|y| (0..50).map(|x| buffer[(x, y)].symbol()).collect::<String>()).collect::<Vec<_>>()
    };
    let rows = drawn(&columns);
    assert!(!rows.concat().contains('?') && rows[4].contains("30 s"), "{rows:#?}");
    columns[10..13].fill(Column::GAP);
    let rows = drawn(&columns);
    assert_eq!(rows[3].matches('?').count(), 3, "{rows:#?}");
    assert_eq!(&rows[3][10..13], "???", "{rows:#?}");
    assert!(rows[4].contains("? not trusted"), "{rows:#?}");
}

#[test]
fn a_name_that_has_no_room_beside_the_value_stands_above_it() {
    let rows = |kind, size| inside(&drawn(kind, Value::ok(3.4), false, GlyphSet::Ascii, size));
    assert_eq!(rows(Kind::Bar, (11, 3)), ["Oil 3.4 bar", "=====------", " ^1.0   8.0"]);
    assert_eq!(rows(Kind::Bar, (10, 3))[..2], ["Oil", "   3.4 bar"]);
}

#[test]
fn a_lamp_says_a_word_with_its_sign() {
    let rows = inside(&drawn(Kind::Lamp, Value::ok(1.0), false, GlyphSet::Ascii, (20, 1)));
    assert_eq!(rows, ["Oil            # 1.0"]);
}

#[test]
fn what_is_stale_because_its_link_is_down_does_not_stand_out() {
    let (model, look) = (model(), Look::new(GlyphSet::Ascii, Depth::Sixteen, false));
    let labels = Labels::new(&model, &look);
    let mut snapshot = snapshot(Value::bad(Trust::Stale), false);
    assert!(!Item::new(&model, &labels, &snapshot, ChannelId(0)).unwrap().excused);
    snapshot.links[0].state = LinkState::Down;
    assert!(Item::new(&model, &labels, &snapshot, ChannelId(0)).unwrap().excused);
    // A broken wire was known before the link went and is still news.
    snapshot.channels[0].smooth = Value::bad(Trust::Open);
    assert!(!Item::new(&model, &labels, &snapshot, ChannelId(0)).unwrap().excused);
}
