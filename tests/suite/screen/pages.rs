//! Whole pages, drawn into a buffer.

use kickpanel::channel::{Trust, Value};
use kickpanel::config::{ChannelId, Model};
use kickpanel::screen::{Depth, GlyphSet, Labels, Look, Strip, View};
use kickpanel::state::{LinkState, Recording, Snapshot, WhyStopped};
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::buffer::{Buffer, Cell};
use ratatui::layout::Rect;
use ratatui::widgets::Widget;
use rstest::rstest;

use crate::unfriendly::corpus;

use super::lorry;

/// One picture, with histories where the page has trends.
pub fn with_view<T>(
    model: &Model,
    snapshot: &Snapshot,
    look: &Look,
    page: usize,
    area: Rect,
    then: impl FnOnce(&View<'_>) -> T,
) -> T {
    let labels = Labels::new(model, look);
    let empty = View {
        model,
        labels: &labels,
        snapshot,
        strips: &[],
        look,
        page,
        held: false,
        replaying: snapshot.player.is_some(),
        notices: &[],
        all_keys: false,
    };
    let strips: Vec<Strip> = empty
        .wishes(area)
        .iter()
        .map(|wish| Strip { channel: wish.channel, columns: lorry::course(wish.channel, wish.count) })
        .collect();
    then(&View { strips: &strips, ..empty })
}

fn draw(model: &Model, snapshot: &Snapshot, look: &Look, page: usize, size: (u16, u16)) -> Buffer {
    let area = Rect::new(0, 0, size.0, size.1);
    let mut buffer = Buffer::filled(area, Cell::new("x"));
    with_view(model, snapshot, look, page, area, |view| view.render(area, &mut buffer));
    buffer
}

fn rows(buffer: &Buffer) -> Vec<String> {
    let area = buffer.area;
    (area.top()..area.bottom())
        .map(|y| (area.left()..area.right()).map(|x| buffer[(x, y)].symbol()).collect())
        .collect()
}

fn snapshots() -> [(&'static str, Snapshot); 5] {
    [
        ("well", lorry::well()),
        ("trouble", lorry::trouble()),
        ("unplugged", lorry::unplugged()),
        ("replay", lorry::replayed()),
        ("mark", lorry::at_a_mark()),
    ]
}

/// Compares with the picture that is kept under that name.
#[track_caller]
fn kept(name: &str, picture: &str) {
    let mut settings = insta::Settings::clone_current();
    settings.set_snapshot_path("../snapshots");
    settings.set_prepend_module_to_snapshot(false);
    settings.bind(|| insta::assert_snapshot!(format!("screen_{name}"), picture));
}

#[rstest]
#[case::phone(40, 20)]
#[case::small_panel(53, 15)]
#[case::usual(80, 24)]
#[case::large(200, 60)]
fn pages_look_as_they_did_when_someone_last_looked_at_them(#[case] width: u16, #[case] height: u16) {
    let model = lorry::model();
    let look = Look::new(GlyphSet::Full, Depth::True, false);
    for (name, snapshot) in snapshots() {
        for page in 0..model.pages.len() {
            let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
            let area = Rect::new(0, 0, width, height);
            with_view(&model, &snapshot, &look, page, area, |view| {
                terminal.draw(|frame| frame.render_widget(view, frame.area())).unwrap();
            });
            let title = model.pages[page].name.to_lowercase();
            kept(&format!("{title}_{name}_{width}x{height}"), &terminal.backend().to_string());
        }
    }
}

/// Drive and replay, with what is wrong and what to do in the banner.
#[rstest]
#[case::phone(40, 20)]
#[case::small_panel(53, 15)]
#[case::usual(80, 24)]
#[case::large(200, 60)]
fn outputs_look_as_they_did_when_someone_last_looked_at_them(#[case] width: u16, #[case] height: u16) {
    let (model, look) = (lorry::with_outputs(), Look::new(GlyphSet::Full, Depth::None, false));
    let mut replayed = lorry::switching();
    replayed.player = lorry::replayed().player;
    for (name, snapshot) in [("switching", lorry::switching()), ("switched", replayed)] {
        for page in 0..2 {
            let buffer = draw(&model, &snapshot, &look, page, (width, height));
            let title = model.pages[page].name.to_lowercase();
            kept(&format!("{title}_{name}_{width}x{height}"), &rows(&buffer).join("\n"));
        }
    }
}

#[test]
fn outputs_draw_at_every_size_and_say_in_words_whether_they_are_armed() {
    let model = lorry::with_outputs();
    for glyphs in GlyphSet::ALL {
        let look = Look::new(glyphs, Depth::Sixteen, false);
        for (page, width, height) in sizes(2) {
            let buffer = draw(&model, &lorry::switching(), &look, page, (width, height));
            assert!(buffer.content.iter().all(|cell| cell.symbol().chars().all(|c| glyphs.has(c))), "{width}x{height}");
            let text = rows(&buffer).join("\n");
            if page == 1 && width >= 30 && height >= 12 {
                assert!(text.contains(" armed") && text.contains("not armed"), "{width}x{height}:\n{text}");
            }
        }
    }
}

#[rstest]
#[case::console(GlyphSet::Console, "console")]
#[case::ascii(GlyphSet::Ascii, "ascii")]
fn the_smaller_glyph_sets_say_the_same(#[case] glyphs: GlyphSet, #[case] name: &str) {
    let look = Look::new(glyphs, Depth::None, false);
    for (state, snapshot) in snapshots() {
        let buffer = draw(&lorry::model(), &snapshot, &look, 0, (80, 24));
        kept(&format!("road_{state}_{name}"), &rows(&buffer).join("\n"));
    }
}

/// F4 and F5: no size and no page fails, and no character is outside the declared set.
#[rstest]
#[case::full(GlyphSet::Full)]
#[case::console(GlyphSet::Console)]
#[case::ascii(GlyphSet::Ascii)]
fn every_page_draws_at_every_size_inside_its_glyph_set(#[case] glyphs: GlyphSet) {
    let model = lorry::model();
    let look = Look::new(glyphs, Depth::Sixteen, false);
    for (name, snapshot) in snapshots() {
        for (page, width, height) in sizes(model.pages.len()) {
            let buffer = draw(&model, &snapshot, &look, page, (width, height));
            for cell in &buffer.content {
                assert!(
                    cell.symbol().chars().all(|c| glyphs.has(c)),
                    "{:?} on page {page} of {name} at {width}x{height}",
                    cell.symbol()
                );
            }
        }
    }
}

fn sizes(pages: usize) -> impl Iterator<Item = (usize, u16, u16)> {
    (0..pages).flat_map(|page| (0..60).flat_map(move |width| (0..30).map(move |height| (page, width, height))))
}

#[rstest]
#[case::thin(1, 200)]
#[case::flat(65_535, 1)]
#[case::tall(1, 65_535)]
fn odd_sizes_draw(#[case] width: u16, #[case] height: u16) {
    let look = Look::new(GlyphSet::Full, Depth::True, false);
    for (_, snapshot) in snapshots() {
        for page in 0..3 {
            draw(&lorry::model(), &snapshot, &look, page, (width, height));
        }
    }
}

#[test]
fn a_view_draws_into_a_buffer_that_has_shrunk_meanwhile() {
    let (model, look) = (lorry::model(), Look::new(GlyphSet::Full, Depth::True, false));
    let area = Rect::new(0, 0, 80, 24);
    let mut small = Buffer::empty(Rect::new(3, 2, 20, 5));
    with_view(&model, &lorry::trouble(), &look, 1, area, |view| view.render(area, &mut small));
}

/// Whatever the size: a number stands there whole or not at all. The values are chosen so that no part of one is a
/// number that stands there for another reason.
#[rstest]
#[case::full(GlyphSet::Full)]
#[case::ascii(GlyphSet::Ascii)]
fn no_number_is_ever_cut(#[case] glyphs: GlyphSet) {
    let model = lorry::model();
    let look = Look::new(glyphs, Depth::None, false);
    let mut snapshot = lorry::well();
    snapshot.links.clear();
    snapshot.recording = Recording::Off;
    for (name, value) in [("rpm", 8888.0), ("speed", 888.0), ("oil", 88.8), ("feed", -88.88), ("battery", 888.8)] {
        lorry::set(&mut snapshot, name, Value::ok(value));
    }
    for name in ["coolant", "exhaust"] {
        lorry::set(&mut snapshot, name, Value::bad(Trust::Open));
    }
    let whole = ["8888", "888", "88.8", "-88.88", "888.8"];
    for (page, width, height) in sizes(model.pages.len()).filter(|(_, width, _)| *width > 0) {
        let buffer = draw(&model, &snapshot, &look, page, (width, height));
        for row in rows(&buffer) {
            for number in row.split(|c: char| !matches!(c, '0'..='9' | '.' | '-')).filter(|text| text.contains('8')) {
                let known = whole.contains(&number) || ["98", "0.8", "11.8", "680", "800"].contains(&number);
                assert!(known, "{number:?} in {row:?} on page {page} at {width}x{height}");
            }
        }
    }
}

#[test]
fn an_untrusted_value_is_never_a_number() {
    let model = lorry::model();
    let look = Look::new(GlyphSet::Ascii, Depth::None, false);
    for trust in Trust::ALL.into_iter().filter(|trust| *trust != Trust::Ok) {
        let mut snapshot = lorry::well();
        lorry::set(&mut snapshot, "oil", Value::bad(trust));
        for page in [0, 1] {
            let text = rows(&draw(&model, &snapshot, &look, page, (80, 24))).join("\n");
            let words = if trust == Trust::Stale { "stale 0 s" } else { trust.words() };
            assert!(text.contains(words), "{trust:?} on page {page}:\n{text}");
            assert!(!text.contains("0.0 bar"), "{trust:?} on page {page}:\n{text}");
        }
    }
}

#[rstest]
#[case::phone(40, 20)]
#[case::list(30, 10)]
#[case::two_rows(40, 2)]
#[case::one_row(20, 1)]
fn an_alarm_is_named_in_words_whatever_the_size(#[case] width: u16, #[case] height: u16) {
    let look = Look::new(GlyphSet::Full, Depth::None, false);
    let text = rows(&draw(&lorry::model(), &lorry::trouble(), &look, 2, (width, height)));
    assert!(text[0].contains("DANGER"), "{text:?}");
}

#[test]
fn on_a_single_cell_the_shape_of_the_alarm_is_what_remains() {
    let look = Look::new(GlyphSet::Full, Depth::None, false);
    assert_eq!(rows(&draw(&lorry::model(), &lorry::trouble(), &look, 0, (1, 1))), ["!"]);
    assert_eq!(rows(&draw(&lorry::model(), &lorry::trouble(), &look, 0, (2, 1))), ["!!"]);
}

#[test]
fn a_snapshot_of_another_model_draws_as_unknown() {
    let look = Look::new(GlyphSet::Full, Depth::True, false);
    let text = rows(&draw(&lorry::model(), &Snapshot::default(), &look, 1, (80, 24))).join("\n");
    assert!(text.matches("missing").count() >= 6, "{text}");
}

/// The lorry with `text` in every place of the model that a page shows.
fn says_everywhere(text: &str) -> Model {
    let mut model = (*lorry::model()).clone();
    text.clone_into(&mut model.name);
    text.clone_into(&mut model.links[0].name);
    for channel in &mut model.channels {
        text.clone_into(&mut channel.label);
        channel.words = channel.words.take().map(|_| [text.to_owned(), text.to_owned()]);
    }
    for alarm in &mut model.alarms {
        text.clone_into(&mut alarm.text);
    }
    for page in &mut model.pages {
        text.clone_into(&mut page.name);
    }
    model.outputs.clone_from(&lorry::with_outputs().outputs);
    model.outputs.iter_mut().for_each(|output| text.clone_into(&mut output.name));
    model.pages[2].rows.push(lorry::with_outputs().pages[1].rows[0].clone());
    model
}

/// G1: what would steer a terminal never reaches it, wherever it comes from.
#[test]
fn text_that_is_not_ours_is_shown_and_not_obeyed() {
    for hostile in corpus() {
        let model = says_everywhere(&hostile);
        for glyphs in GlyphSet::ALL {
            let look = Look::new(glyphs, Depth::True, false);
            let labels = Labels::new(&model, &look);
            for (_, snapshot) in snapshots().into_iter().chain([("switching", lorry::switching())]) {
                for (page, size) in [(0, (80, 24)), (1, (120, 30)), (2, (30, 10))] {
                    let area = Rect::new(0, 0, size.0, size.1);
                    let mut buffer = Buffer::empty(area);
                    let notices = [hostile.clone()];
                    let (model, snapshot) = (&model, &snapshot);
                    View {
                        model,
                        labels: &labels,
                        snapshot,
                        strips: &[],
                        look: &look,
                        page,
                        held: true,
                        replaying: false,
                        notices: &notices,
                        all_keys: false,
                    }
                    .render(area, &mut buffer);
                    let bad = |cell: &&Cell| !cell.symbol().chars().all(kickpanel::text::is_showable);
                    assert_eq!(buffer.content.iter().find(bad), None, "{hostile:?} at {size:?}");
                }
            }
        }
    }
}

fn draw_with(snapshot: &Snapshot, notices: &[String], all_keys: bool, size: (u16, u16)) -> Vec<String> {
    let (model, look) = (lorry::model(), Look::new(GlyphSet::Ascii, Depth::None, false));
    let area = Rect::new(0, 0, size.0, size.1);
    let mut buffer = Buffer::empty(area);
    with_view(&model, snapshot, &look, 0, area, |view| View { notices, all_keys, ..*view }.render(area, &mut buffer));
    rows(&buffer)
}

/// Notices, troubles and alarms below danger leave every gauge where it is; and what they say can be read.
#[rstest]
#[case::phone(40, 20, 16)]
#[case::small_panel(53, 15, 12)]
#[case::usual(80, 24, 20)]
#[case::large(200, 60, 56)]
fn what_is_told_does_not_move_the_gauges(#[case] width: u16, #[case] height: u16, #[case] page: usize) {
    let calm = draw_with(&lorry::well(), &[], false, (width, height));
    let notice = ["mark 3 at 12:34".to_owned()];
    let mut snapshot = lorry::well();
    let told = |snapshot: &Snapshot, notices: &[String], words: &[&str]| {
        let now = draw_with(snapshot, notices, false, (width, height));
        assert_eq!(now[..page], calm[..page]);
        for word in words {
            assert!(now.iter().any(|row| row.contains(word)), "{word}: {now:#?}");
        }
    };
    told(&snapshot, &notice, &["mark 3 at 12:34", "lines/s"]);
    snapshot.recording = Recording::Stopped(WhyStopped::DiskFull);
    told(&snapshot, &[], &["recording stopped: disk full", "not recording"]);
    // The battery's alarm, on another page.
    snapshot.alarms[6].active = true;
    told(&snapshot, &[], &["CAUTION", "Battery", "belt"]);
    told(&snapshot, &notice, &["CAUTION", "Battery", "mark 3 at 12:34"]);
    snapshot.links[0].state = LinkState::Silent;
    snapshot.links[0].since = lorry::NOW;
    told(&snapshot, &notice, &["CAUTION", "Battery", "mark 3 at 12:34"]);
    // Danger comes forward.
    snapshot.alarms[3].active = true;
    assert!(draw_with(&snapshot, &[], false, (width, height))[0].starts_with(" DANGER"));
}

#[rstest]
#[case::phone(40, 20, "! 1 sensor fault", "! 2 sensor faults")]
#[case::small_panel(53, 15, "! Battery: open circuit", "! Battery: open circuit +1 more")]
#[case::usual(80, 24, "! Battery: open circuit", "! Battery: open circuit +1 more")]
fn a_sensor_fault_on_another_page_stands_in_the_status_line(
    #[case] width: u16,
    #[case] height: u16,
    #[case] one: &str,
    #[case] two: &str,
) {
    let mut snapshot = lorry::well();
    // What is on this page says so itself.
    lorry::set(&mut snapshot, "coolant", Value::bad(Trust::Open));
    let status =
        |snapshot: &Snapshot| draw_with(snapshot, &[], false, (width, height))[usize::from(height) - 2].clone();
    assert!(!status(&snapshot).contains('!'), "{}", status(&snapshot));
    lorry::set(&mut snapshot, "battery", Value::bad(Trust::Open));
    assert!(status(&snapshot).contains(one), "{}", status(&snapshot));
    lorry::set(&mut snapshot, "exhaust", Value::bad(Trust::ShortLow));
    assert!(status(&snapshot).contains(two), "{}", status(&snapshot));
    // Where nothing comes at all the link says so.
    let unplugged = lorry::unplugged();
    assert!(!status(&unplugged).contains("sensor"), "{}", status(&unplugged));
}

#[rstest]
#[case::none(0, "0 restarts")]
#[case::one(1, "1 restart ")]
#[case::two(2, "2 restarts")]
fn restarts_are_counted_in_words_that_fit(#[case] restarts: u64, #[case] words: &str) {
    let mut snapshot = lorry::well();
    snapshot.links[0].restarts = restarts;
    let look = Look::new(GlyphSet::Full, Depth::None, false);
    let text = rows(&draw(&lorry::model(), &snapshot, &look, 0, (200, 60))).join("\n");
    assert!(text.contains(words), "{text}");
}

#[test]
fn the_list_of_keys_stands_below_a_danger() {
    let text = draw_with(&lorry::well(), &[], true, (40, 20)).join("\n");
    assert!(text.contains("m      mark this moment") && !text.contains("Engine speed"), "{text}");
    let text = draw_with(&lorry::trouble(), &[], true, (40, 20)).join("\n");
    assert!(
        text.contains("m      mark this moment") && text.starts_with(" DANGER") && !text.contains("Engine speed"),
        "{text}"
    );
}

/// No name on a page of the configs that come with the program is cut, by its value neither.
#[rstest]
#[case::lorry(include_str!("../../../config/hill-lorry.toml"))]
#[case::van(include_str!("../../../config/petrol-van.toml"))]
fn names_of_the_configs_are_whole_on_a_phone_and_on_a_small_panel(#[case] text: &str) {
    let model = crate::rig::model(text);
    let pipeline = kickpanel::pipeline::Pipeline::new(std::sync::Arc::new(model.clone()));
    let mut snapshot = pipeline.snapshot().clone();
    for (shown, channel) in snapshot.channels.iter_mut().zip(&model.channels) {
        let value = Value::ok(channel.span.map_or(0.0, |(low, high)| low + 0.8 * (high - low)));
        (shown.value, shown.smooth) = (value, value);
    }
    let look = Look::new(GlyphSet::Full, Depth::None, false);
    let labels = Labels::new(&model, &look);
    for (page, known) in model.pages.iter().enumerate() {
        if known.rows.iter().flatten().any(|cell| cell.face == kickpanel::config::Face::Outputs) {
            continue;
        }
        for size in [(40, 20), (53, 15)] {
            let area = Rect::new(0, 0, size.0, size.1);
            let mut buffer = Buffer::empty(area);
            let view = View {
                model: &model,
                labels: &labels,
                snapshot: &snapshot,
                strips: &[],
                look: &look,
                page,
                held: false,
                replaying: false,
                notices: &[],
                all_keys: false,
            };
            view.render(area, &mut buffer);
            let shown = rows(&buffer);
            let cut = shown[..shown.len() - 3].iter().find(|row| row.contains('…'));
            assert_eq!(cut, None, "{} at {size:?}:\n{}", known.name, shown.join("\n"));
        }
    }
}

/// "Quiet when well": nothing on a page that is well is amber or red but the faint zones of the scales.
#[test]
fn a_page_that_is_well_has_no_signal_colours() {
    use ratatui::style::Color;
    let look = Look::new(GlyphSet::Full, Depth::True, false);
    let buffer = draw(&lorry::model(), &lorry::well(), &look, 1, (80, 24));
    for cell in &buffer.content {
        let Color::Rgb(red, green, blue) = cell.fg else { panic!("{cell:?}") };
        let colourful = red.max(green).max(blue) - red.min(green).min(blue);
        assert!(colourful < 20 || red.max(green).max(blue) < 0x80, "{cell:?}");
    }
}

#[test]
fn a_tap_on_a_page_name_is_known_and_a_tap_elsewhere_does_nothing() {
    let (model, look) = (lorry::model(), Look::new(GlyphSet::Full, Depth::True, false));
    let area = Rect::new(0, 0, 80, 24);
    with_view(&model, &lorry::well(), &look, 0, area, |view| {
        let row = rows(&draw(&model, &lorry::well(), &look, 0, (80, 24))).pop().unwrap();
        let at = |text: &str| u16::try_from(row.find(text).unwrap()).unwrap();
        let debug = |x, y| format!("{:?}", view.tapped(area, x, y));
        assert_eq!(debug(at("3 Fuel"), 23), "Some(Page(2))");
        assert_eq!(debug(at("m mark"), 23), "Some(Tell(Mark))");
        assert_eq!(debug(10, 5), "None");
    });
}

#[test]
fn a_trend_asks_for_no_more_history_than_it_draws() {
    let (model, look) = (lorry::model(), Look::new(GlyphSet::Full, Depth::True, false));
    with_view(&model, &lorry::well(), &look, 0, Rect::new(0, 0, 80, 24), |view| {
        let wishes = view.wishes(Rect::new(0, 0, 80, 24));
        // Two lanes over the 78 columns between the margins, two dots a column.
        assert_eq!(
            wishes.iter().map(|wish| (wish.channel, wish.count)).collect::<Vec<_>>(),
            [(ChannelId(4), 156), (ChannelId(0), 156)]
        );
    });
}
