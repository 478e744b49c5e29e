//! From the newest snapshot to the bytes of a frame.
//!
//! Owns what a screen remembers from frame to frame: page, night, held trends, the last picture. Knows no terminal and
//! no clock, so that all of it can be driven by a test.

use std::sync::Arc;

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::attend::{self, Answer, Asking};
use super::item::Labels;
use super::keys::{self, Act, Command, Key};
use super::look::Look;
use super::piece::Standing;
use super::plan::Wish;
use super::view::View;
use super::widget::Strip;
use super::{banner, encode, journal};
use crate::config::SharedModel;
use crate::state::{BUCKET, Column, History, Shared, Snapshot};
use crate::time::{MILLISECOND, Micros, Stamp};
use crate::watch::desk::Attend;

/// Counts of lines change with every line of a link that is all noise: they are brought up to date at most so often.
const COUNTS: Micros = 250 * MILLISECOND;
/// Rows that a screen has at least whose foot has a sentence.
const LEAST_TO_ASK: u16 = 8;

/// What came of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Framed {
    /// Snapshots published since the frame before.
    pub snapshots: u64,
    /// Counts were brought up to date: a picture that is beyond those of the values.
    pub counted: bool,
}

/// A picture, and what its pieces were drawn from.
#[derive(Debug, Default)]
struct Picture {
    buffer: Buffer,
    standing: Standing,
}

/// What a screen remembers.
#[derive(Debug)]
pub struct Painter {
    /// What `snapshot` is of.
    model: SharedModel,
    labels: Labels,
    look: Look,
    shared: Arc<Shared>,
    snapshot: Snapshot,
    /// How many snapshots were published up to the newest one.
    published: u64,
    /// Bad and lost lines of each link as they are shown, and since when.
    counts: Vec<(u64, u64)>,
    counted: Option<Stamp>,
    strips: Vec<Strip>,
    /// How far each strip was filled.
    reached: Vec<Reached>,
    page: usize,
    /// The end of the trends while they are held still.
    held: Option<Micros>,
    replaying: bool,
    notices: Vec<String>,
    /// The keys are listed in place of the page.
    all_keys: bool,
    /// The question that the next key answers.
    asking: Option<Asking>,
    /// The page to which the journal goes back.
    back: usize,
    /// How often the bell was rung, as the snapshots count.
    rung: u32,
    /// The picture that the terminal shows; `None` where that is not known.
    before: Option<Picture>,
    after: Picture,
}

impl Painter {
    /// Nothing drawn yet.
    pub fn new(shared: Arc<Shared>, look: Look, replaying: bool) -> Self {
        let model = shared.model();
        Self {
            labels: Labels::new(&model, &look),
            model,
            look,
            shared,
            snapshot: Snapshot::default(),
            published: 0,
            counts: Vec::new(),
            counted: None,
            strips: Vec::new(),
            reached: Vec::new(),
            page: 0,
            held: None,
            replaying,
            notices: Vec::new(),
            all_keys: false,
            asking: None,
            back: 0,
            rung: 0,
            before: None,
            after: Picture::default(),
        }
    }

    /// Draws by another model from now on: the snapshot is one of it.
    fn reload(&mut self, model: SharedModel) {
        self.labels = Labels::new(&model, &self.look);
        self.model = model;
        self.reached.clear();
        self.draw_anew();
        let last = self.model.pages.len().saturating_sub(1);
        self.back = self.back.min(last);
        if self.page != journal::PAGE {
            self.page = self.page.min(last);
        }
        (self.held, self.asking) = (None, None);
    }

    /// Shows `text` in place of what was told before; nothing where it is empty.
    pub fn tell(&mut self, text: String) {
        self.notices.clear();
        if !text.is_empty() {
            self.notices.push(text);
        }
    }

    /// The terminal's picture is not known any more: the next frame sends all of it.
    pub fn forget(&mut self) {
        self.before = None;
    }

    /// Model, look or page are others: no piece of the two pictures can stay.
    fn draw_anew(&mut self) {
        for picture in self.before.iter_mut().chain([&mut self.after]) {
            picture.standing.forget();
        }
    }

    /// Appends the frame for a terminal of `size` to `out`: nothing where the picture is the same.
    pub fn frame(&mut self, size: (u16, u16), out: &mut Vec<u8>) -> Framed {
        let area = Rect::new(0, 0, size.0, size.1);
        // Asked before the snapshot is read: what is published between counts for the next frame.
        let before = std::mem::replace(&mut self.published, self.shared.published());
        let counted = self.look_at(area);
        self.ring(out);
        let mut after = std::mem::take(&mut self.after);
        if after.buffer.area != area {
            after.standing.forget();
            after.buffer.resize(area);
        }
        self.view().draw(area, &mut after.buffer, &mut after.standing);
        match &self.before {
            Some(before) if before.buffer.area == area => {
                let rows = after.standing.rows_unlike(&before.standing, area);
                encode::changes(&before.buffer, &after.buffer, &rows, out);
            }
            _ => encode::whole(&after.buffer, out),
        }
        self.after = self.before.replace(after).unwrap_or_default();
        Framed { snapshots: self.published.saturating_sub(before), counted }
    }

    /// Shows the counts as they were before until they are due. True where others are shown now.
    fn count(&mut self) -> bool {
        let (now, links) = (self.snapshot.now, &mut self.snapshot.links);
        let recent = self.counted.is_some_and(|counted| (0..COUNTS).contains(&now.since(counted)));
        // A replay may stand at any line, and shows what was counted up to it.
        if recent && !self.replaying && links.len() == self.counts.len() {
            for (link, counts) in links.iter_mut().zip(&self.counts) {
                (link.bad, link.lost) = *counts;
            }
            return false;
        }
        let counts = links.iter().map(|link| (link.bad, link.lost));
        let changed = !counts.clone().eq(self.counts.iter().copied());
        if changed {
            self.counted = Some(now);
            self.counts.clear();
            self.counts.extend(links.iter().map(|link| (link.bad, link.lost)));
        }
        changed
    }

    /// Rings the terminal's bell once where anything new is wrong. A replay that went back is silent.
    fn ring(&mut self, out: &mut Vec<u8>) {
        let rings = std::mem::replace(&mut self.rung, self.snapshot.calls.rings);
        let waits = |call: &crate::state::Call| call.state == crate::state::AlarmState::Unacknowledged;
        if self.rung > rings && self.snapshot.calls.list.iter().any(waits) {
            out.push(7);
            // The page comes back where something new is wrong.
            self.all_keys = false;
        }
    }

    /// Whether anything blinks.
    pub fn blinks(&self) -> bool {
        banner::blinks(&self.snapshot)
    }

    /// What blinks is bright from now on, or is not. True where that changes the picture.
    pub fn blink(&mut self, lit: bool) -> bool {
        let lit = lit || !self.blinks();
        std::mem::replace(&mut self.look.lit, lit) != lit
    }

    /// Copies the newest snapshot, and what the page's trends need of the history. True where counts are others than
    /// before.
    fn look_at(&mut self, area: Rect) -> bool {
        // What alarms decides how much room the trends have, so the snapshot comes first. The histories may be one
        // reading younger than it, which nobody can see.
        if let Some(model) = self.shared.read(&self.model, &mut self.snapshot) {
            self.reload(model);
        }
        let counted = self.count();
        let wishes = self.view().wishes(area);
        self.strips.resize_with(wishes.len(), || Strip { channel: crate::config::ChannelId(0), columns: Vec::new() });
        if wishes.is_empty() || self.snapshot.channels.len() != self.model.channels.len() {
            self.strips.clear();
            self.reached.clear();
            return counted;
        }
        let Self { model, strips, reached, held, .. } = self;
        reached.resize(wishes.len(), Reached::NOTHING);
        // A replay jumps, and what stands still may outlast the history: then nothing is taken over.
        if self.replaying || held.is_some() {
            reached.fill(Reached::NOTHING);
        }
        let same = self.shared.read_history(model, |history| {
            for ((strip, reached), wish) in strips.iter_mut().zip(reached).zip(&wishes) {
                strip.channel = wish.channel;
                strip.columns.resize(wish.count, Column::GAP);
                *reached = fill(history, wish, *held, *reached, &mut strip.columns);
            }
        });
        if !same {
            // The config changed since: what there is now belongs to the snapshots of the next frame.
            self.strips.clear();
            self.reached.clear();
        }
        counted
    }

    fn view(&self) -> View<'_> {
        View {
            model: &self.model,
            labels: &self.labels,
            snapshot: &self.snapshot,
            strips: &self.strips,
            look: &self.look,
            page: self.page,
            held: self.held.is_some(),
            replaying: self.replaying,
            notices: self.asking.as_ref().map_or(&self.notices, |asking| &asking.text),
            all_keys: self.all_keys,
        }
    }

    /// Does what `key` does; gives what the session's owner must do.
    pub fn key(&mut self, key: Key, size: (u16, u16)) -> Option<Command> {
        if let Some(asking) = self.asking.take() {
            return self.answered(asking.answer(key));
        }
        let act = match key {
            Key::Tap(x, y) => self.view().tapped(Rect::new(0, 0, size.0, size.1), x, y),
            _ => keys::act(key, self.replaying),
        };
        let command = self.act(act?);
        if size.1 < LEAST_TO_ASK {
            // The question would have no row.
            self.asking = None;
        }
        command
    }

    fn answered(&mut self, answer: Answer) -> Option<Command> {
        match answer {
            Answer::Do(act, known) => return Some(Command::Attend(act, known)),
            Answer::Next(place) => self.asking = Asking::about(&self.model, &self.snapshot, place),
            Answer::No => {}
        }
        None
    }

    /// What is done about alarms, by who has seen all of this snapshot.
    fn attend(&self, act: Option<Attend>) -> Option<Command> {
        act.map(|act| Command::Attend(act, self.snapshot.calls.newest))
    }

    fn act(&mut self, act: Act) -> Option<Command> {
        let pages = self.model.pages.len().max(1);
        self.draw_anew();
        // Whatever else is done, the page is to be seen again.
        self.all_keys = act == Act::Keys && !self.all_keys;
        match act {
            Act::Quit => return Some(Command::Quit),
            Act::Tell(command) => return Some(command),
            Act::Seen => return self.attend(attend::seen(&self.model, &self.snapshot)),
            Act::AllSeen => return self.attend(Some(Attend::Acknowledge(None))),
            Act::Reset => return self.attend(Some(Attend::Reset(None))),
            Act::Shelve => self.asking = Asking::about(&self.model, &self.snapshot, 0),
            Act::Journal | Act::Turn(_) if self.page == journal::PAGE => self.page = self.back,
            Act::Journal => self.back = std::mem::replace(&mut self.page, journal::PAGE),
            Act::Page(page) if page < pages => self.page = page,
            Act::Page(_) | Act::Keys => {}
            Act::Turn(by) => {
                let step = usize::try_from(by.rem_euclid(i32::try_from(pages).unwrap_or(1))).unwrap_or(0);
                self.page = (self.page + step) % pages;
            }
            Act::Night => self.look = self.look.at_night(!self.look.night),
            Act::HoldTrend => self.held = if self.held.is_some() { None } else { Some(self.snapshot.at) },
        }
        None
    }
}

/// What a strip holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Reached {
    wish: Option<Wish>,
    /// Where its last column ends.
    end: Micros,
    /// The newest instant in it.
    newest: Micros,
}

impl Reached {
    const NOTHING: Self = Self { wish: None, end: 0, newest: 0 };
}

/// The stretch of the wish that ends now or where it is held. Its end lies on a whole number of columns, so that a
/// column, once complete, keeps its value while it moves to the left. While the end is the one that was `reached`
/// before, only the newest columns are looked up.
fn fill(history: &History, wish: &Wish, held: Option<Micros>, reached: Reached, columns: &mut [Column]) -> Reached {
    let (Some(newest), false) = (held.or_else(|| history.end()), columns.is_empty()) else {
        columns.fill(Column::GAP);
        return Reached::NOTHING;
    };
    let each = (wish.last / i64::try_from(columns.len()).unwrap_or(1)).max(1);
    let end = newest.div_euclid(each) * each + each;
    let first = if (reached.wish, reached.end) == (Some(*wish), end) && reached.newest <= newest {
        // What came since lies in or after the bucket that was the newest then.
        let past = (end - reached.newest + BUCKET) / each + 1;
        columns.len().saturating_sub(usize::try_from(past).unwrap_or(usize::MAX))
    } else {
        0
    };
    let fresh = &mut columns[first..];
    history.columns(wish.channel.index(), end, each * i64::try_from(fresh.len()).unwrap_or(1), fresh);
    Reached { wish: Some(*wish), end, newest }
}

#[cfg(test)]
mod tests {
    use ratatui::widgets::Widget;
    use rstest::rstest;

    use super::*;
    use crate::channel::{Trust, Value};
    use crate::config;
    use crate::pipeline::Pipeline;
    use crate::screen::glyphs::GlyphSet;
    use crate::screen::look::Depth;
    use crate::state::{LinkState, Recording};

    /// All five faces, one of them with limits, on two pages.
    const LORRY: &str = r#"
format = 1
name = "Lorry"
[link.engine]
device = "/dev/ttyUSB0"
[channel.speed]
input = "p2"
sensor = { kind = "pulses", count = 2, per = "rev" }
unit = "1/min"
span = [0, 3000]
[channel.oil]
input = "a0"
sensor = { kind = "linear", from = ["0.5 V", "4.5 V"], to = ["0 bar", "7 bar"] }
unit = "bar"
span = [0, 7]
digits = 1
[[channel.oil.alarm]]
level = "danger"
below = 1
[channel.lamp]
input = "d4"
sensor = { kind = "switch", on = 1 }
[[page]]
name = "Road"
rows = [
  [{ show = "speed", as = "dial", wide = 2 }, { show = "oil", as = "digits" }],
  [{ show = "oil", as = "bar" }, { show = "lamp", as = "lamp" }],
  [{ show = ["oil", "speed"], as = "trend", last = "60 s" }],
]
[[page]]
name = "Hill"
rows = [
  [{ show = "oil", as = "dial", wide = 2 }, { show = "speed", as = "digits" }],
  [{ show = "speed", as = "bar" }, { show = "oil", as = "lamp" }],
  [{ show = ["speed", "oil"], as = "trend", last = "10 s" }],
]
"#;

    fn painter(glyphs: GlyphSet) -> (Painter, Snapshot) {
        let model = Arc::new(config::load(LORRY).model.unwrap());
        let mut snapshot = Pipeline::new(Arc::clone(&model)).snapshot().clone();
        snapshot.links[0].state = LinkState::Up;
        let shared = Shared::new(model, snapshot.clone());
        (Painter::new(shared, Look::new(glyphs, Depth::Indexed, false), false), snapshot)
    }

    /// What changes from one step of a drive to the next: mostly one channel, sometimes something rare.
    fn drive_on(step: i64, snapshot: &mut Snapshot) {
        #[expect(clippy::cast_precision_loss, reason = "a small number")]
        let turn = step as f64;
        let values = [1500.0 + 400.0 * (turn / 9.0).sin(), 3.0 + 2.5 * (turn / 40.0).sin(), f64::from(step % 50 < 25)];
        let place = usize::try_from(step % 3).unwrap();
        let value = if step % 70 > 66 { Value::bad(Trust::Open) } else { Value::ok(values[place]) };
        let shown = &mut snapshot.channels[place];
        (shown.value, shown.smooth, shown.heard) = (value, value, Some(snapshot.now));
        snapshot.now = crate::time::Stamp(step * 20 * MILLISECOND);
        snapshot.at = step * 20 * MILLISECOND;
        snapshot.alarms[0].active = step % 90 > 60;
        snapshot.links[0].lines_per_s = u32::try_from(step / 25).unwrap();
        snapshot.links[0].state = if step % 110 > 105 { LinkState::Down } else { LinkState::Up };
        snapshot.recording = if step > 100 { Recording::On { drive: 7 } } else { Recording::Off };
    }

    /// What a user does now and then.
    fn touch(step: i64, painter: &mut Painter, snapshot: &Snapshot) {
        match step {
            120 | 260 => drop(painter.act(Act::Turn(1))),
            150 | 170 => drop(painter.act(Act::Night)),
            190 | 230 => drop(painter.act(Act::HoldTrend)),
            200 => painter.tell("marked".to_owned()),
            210 => painter.forget(),
            240 => {
                let other = Arc::new(config::load(&LORRY.replace("Road", "Farm")).model.unwrap());
                painter.shared.reset(&other, snapshot);
            }
            _ => {}
        }
    }

    #[rstest]
    #[case::full(GlyphSet::Full)]
    #[case::console(GlyphSet::Console)]
    #[case::ascii(GlyphSet::Ascii)]
    fn a_picture_with_pieces_left_standing_is_the_same_as_one_drawn_whole(#[case] glyphs: GlyphSet) {
        let (mut painter, mut snapshot) = painter(glyphs);
        for step in 1..300 {
            drive_on(step, &mut snapshot);
            touch(step, &mut painter, &snapshot);
            painter.shared.publish(&snapshot);
            let size = if (80..100).contains(&step) { (53, 15) } else { (80, 24) };
            painter.frame(size, &mut Vec::new());
            let area = Rect::new(0, 0, size.0, size.1);
            let mut whole = Buffer::empty(area);
            let wishes = painter.view().wishes(area);
            for (strip, wish) in painter.strips.iter_mut().zip(&wishes) {
                let mut columns = vec![Column::GAP; wish.count];
                let same = painter.shared.read_history(&painter.model, |history| {
                    fill(history, wish, painter.held, Reached::NOTHING, &mut columns);
                });
                assert!(same);
                strip.columns = columns;
            }
            painter.view().render(area, &mut whole);
            assert_eq!(painter.before.as_ref().unwrap().buffer, whole, "step {step}");
        }
    }

    /// One more alarm comes, in that state.
    fn come(snapshot: &mut Snapshot, state: crate::state::AlarmState) {
        let calls = &mut snapshot.calls;
        calls.newest += 1;
        calls.rings += u32::from(state == crate::state::AlarmState::Unacknowledged);
        calls.digest += 1;
        let call = &mut calls.list[0];
        (call.state, call.number) = (state, calls.newest);
        snapshot.version += 1;
    }

    fn frame(painter: &mut Painter, snapshot: &Snapshot) -> Vec<u8> {
        painter.shared.publish(snapshot);
        let mut out = Vec::new();
        painter.frame((80, 24), &mut out);
        out
    }

    #[test]
    fn the_list_of_keys_is_closed_by_a_new_alarm_and_opens_again_beside_it() {
        let (mut painter, mut snapshot) = painter(GlyphSet::Full);
        painter.act(Act::Keys);
        assert!(painter.all_keys);
        come(&mut snapshot, crate::state::AlarmState::Unacknowledged);
        frame(&mut painter, &snapshot);
        assert!(!painter.all_keys);
        painter.act(Act::Keys);
        frame(&mut painter, &snapshot);
        assert!(painter.all_keys);
    }

    #[test]
    fn each_new_alarm_rings_once_and_a_replay_that_goes_back_is_silent() {
        use crate::state::AlarmState::{Acknowledged, Shelved, Unacknowledged};
        let (mut painter, mut snapshot) = painter(GlyphSet::Full);
        let early = snapshot.clone();
        let mut rings = Vec::new();
        for state in [Unacknowledged, Unacknowledged, Acknowledged, Shelved] {
            come(&mut snapshot, state);
            rings.push(frame(&mut painter, &snapshot).contains(&7));
            assert!(!frame(&mut painter, &snapshot).contains(&7));
        }
        assert_eq!(rings, [true, true, false, false]);
        let model = Arc::clone(&painter.model);
        painter.shared.reset(&model, &early);
        assert!(!frame(&mut painter, &early).contains(&7));
    }

    #[test]
    fn keys_do_what_the_picture_offers_and_mean_what_was_in_it() {
        use crate::state::{AlarmState, Raised};
        let (mut painter, mut snapshot) = painter(GlyphSet::Full);
        let size = (80, 24);
        let tell = |painter: &mut Painter, key: u8| painter.key(Key::Char(key), size);
        assert_eq!(tell(&mut painter, b'\r'), None, "nothing is there to be seen");
        assert_eq!(tell(&mut painter, b's'), None);
        come(&mut snapshot, AlarmState::Unacknowledged);
        frame(&mut painter, &snapshot);
        let one = Some(Raised::Limit(0));
        assert_eq!(tell(&mut painter, b'\r'), Some(Command::Attend(Attend::Acknowledge(one), 1)));
        assert_eq!(
            painter.key(Key::Tap(5, 0), size),
            Some(Command::Attend(Attend::Acknowledge(one), 1)),
            "on the banner"
        );
        assert_eq!(tell(&mut painter, b'o'), Some(Command::Attend(Attend::Acknowledge(None), 1)));
        assert_eq!(tell(&mut painter, b's'), None);
        assert_eq!(painter.view().notices[0], "2, 5, 0: quiet for 2, 5, 10 min: oil");
        assert_eq!(tell(&mut painter, b'6'), None, "a danger is never put aside for an hour");
        assert_eq!(tell(&mut painter, b'2'), None, "the question was answered, and 2 is a page again");
        assert_eq!(painter.page, 1);
        tell(&mut painter, b's');
        let ten = 10 * crate::time::MINUTE;
        assert_eq!(tell(&mut painter, b'0'), Some(Command::Attend(Attend::Shelve(Raised::Limit(0), ten), 1)));
        come(&mut snapshot, AlarmState::Shelved);
        frame(&mut painter, &snapshot);
        tell(&mut painter, b's');
        assert_eq!(tell(&mut painter, b'y'), Some(Command::Attend(Attend::Unshelve(one), 2)));
    }

    #[test]
    fn the_journal_comes_and_goes_and_leaves_the_page_as_it_was() {
        let (mut painter, snapshot) = painter(GlyphSet::Full);
        frame(&mut painter, &snapshot);
        let key = |painter: &mut Painter, key: u8| painter.key(Key::Char(key), (80, 24));
        key(&mut painter, b'2');
        for back in [b'j', b'\t'] {
            key(&mut painter, b'j');
            assert_eq!(painter.page, journal::PAGE);
            frame(&mut painter, &snapshot);
            key(&mut painter, back);
            assert_eq!(painter.page, 1);
        }
    }

    #[test]
    fn only_a_danger_that_nobody_saw_blinks() {
        use crate::state::AlarmState;
        let (mut painter, mut snapshot) = painter(GlyphSet::Full);
        frame(&mut painter, &snapshot);
        assert!(!painter.blink(false));
        come(&mut snapshot, AlarmState::Unacknowledged);
        frame(&mut painter, &snapshot);
        assert!(painter.blink(false) && painter.blink(true) && !painter.blink(true));
        come(&mut snapshot, AlarmState::Acknowledged);
        frame(&mut painter, &snapshot);
        assert!(!painter.blinks() && !painter.blink(false));
    }

    #[test]
    fn counts_are_brought_up_to_date_four_times_a_second_and_values_at_once() {
        let (mut painter, mut snapshot) = painter(GlyphSet::Full);
        let mut counted = 0;
        for ms in 0..1_000_u32 {
            snapshot.now = crate::time::Stamp::from_millis(ms.into());
            // Every line makes a version of its own, whether it is handed on or not.
            snapshot.version += 250;
            snapshot.links[0].bad = u64::from(ms) + 1;
            if ms == 100 {
                let value = Value::ok(4.0);
                (snapshot.channels[1].value, snapshot.channels[1].smooth) = (value, value);
            }
            painter.shared.publish(&snapshot);
            let mut out = Vec::new();
            let framed = painter.frame((80, 24), &mut out);
            counted += u32::from(framed.counted);
            assert_eq!(!out.is_empty(), framed.counted || ms == 100, "{ms}");
            assert_eq!(framed.snapshots, 1);
        }
        assert_eq!(counted, 4);
        // Nothing is shown as older than it is for long.
        snapshot.now = crate::time::Stamp::from_millis(1_001);
        painter.shared.publish(&snapshot);
        painter.frame((80, 24), &mut Vec::new());
        assert_eq!(painter.snapshot.links[0].bad, 1_000);
    }

    #[test]
    fn a_frame_in_which_no_text_changed_sends_nothing() {
        let (mut painter, mut snapshot) = painter(GlyphSet::Full);
        let mut out = Vec::new();
        for (at, sends) in [(1, true), (2, false), (3, false)] {
            snapshot.now = crate::time::Stamp(at);
            painter.shared.publish(&snapshot);
            out.clear();
            painter.frame((80, 24), &mut out);
            assert_eq!(!out.is_empty(), sends, "{at}");
        }
    }
}
