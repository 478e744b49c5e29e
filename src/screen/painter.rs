//! From the newest snapshot to the bytes of a frame.
//!
//! Owns what a screen remembers from frame to frame: page, night, held trends, the last picture. Knows no terminal and
//! no clock, so that all of it can be driven by a test.

use std::sync::Arc;

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::Widget;

use super::encode;
use super::item::Labels;
use super::keys::{self, Act, Command, Key};
use super::look::Look;
use super::view::View;
use super::widget::Strip;
use crate::config::SharedModel;
use crate::state::{Column, History, Shared, Snapshot};
use crate::time::Micros;

/// What a screen remembers.
#[derive(Debug)]
pub struct Painter {
    model: SharedModel,
    labels: Labels,
    look: Look,
    shared: Arc<Shared>,
    snapshot: Snapshot,
    /// The snapshot that came with the histories; kept only for its memory.
    spare: Snapshot,
    strips: Vec<Strip>,
    page: usize,
    /// The end of the trends while they are held still.
    held: Option<Micros>,
    replaying: bool,
    notices: Vec<String>,
    /// The picture that the terminal shows; `None` where that is not known.
    before: Option<Buffer>,
    after: Buffer,
}

impl Painter {
    /// Nothing drawn yet.
    pub fn new(model: SharedModel, shared: Arc<Shared>, look: Look, replaying: bool) -> Self {
        Self {
            labels: Labels::new(&model, &look),
            model,
            look,
            shared,
            snapshot: Snapshot::default(),
            spare: Snapshot::default(),
            strips: Vec::new(),
            page: 0,
            held: None,
            replaying,
            notices: Vec::new(),
            before: None,
            after: Buffer::empty(Rect::ZERO),
        }
    }

    /// Draws by another model from now on.
    pub fn reload(&mut self, model: SharedModel) {
        self.labels = Labels::new(&model, &self.look);
        self.model = model;
        self.page = self.page.min(self.model.pages.len().saturating_sub(1));
        self.held = None;
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

    /// Appends the frame for a terminal of `size` to `out`: nothing where the picture is the same.
    pub fn frame(&mut self, size: (u16, u16), out: &mut Vec<u8>) {
        let area = Rect::new(0, 0, size.0, size.1);
        self.look_at(area);
        self.after.resize(area);
        let mut after = std::mem::take(&mut self.after);
        self.view().render(area, &mut after);
        encode::frame(self.before.as_ref(), &after, out);
        self.after = self.before.replace(after).unwrap_or_default();
    }

    /// Copies the newest snapshot, and what the page's trends need of the history.
    fn look_at(&mut self, area: Rect) {
        // What alarms decides how much room the trends have, so the snapshot comes first. The histories may be one
        // reading younger than it, which nobody can see.
        self.shared.read(&mut self.snapshot);
        let wishes = self.view().wishes(area);
        self.strips.resize_with(wishes.len(), || Strip { channel: crate::config::ChannelId(0), columns: Vec::new() });
        let (strips, snapshot, held, channels) =
            (&mut self.strips, &self.snapshot, self.held, self.model.channels.len());
        if wishes.is_empty() || snapshot.channels.len() != channels {
            strips.clear();
            return;
        }
        self.shared.read_with(&mut self.spare, |history| {
            for (strip, wish) in strips.iter_mut().zip(&wishes) {
                strip.channel = wish.channel;
                strip.columns.clear();
                strip.columns.resize(wish.count, Column::GAP);
                fill(history, wish.channel.index(), held, wish.last, &mut strip.columns);
            }
        });
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
            notices: &self.notices,
        }
    }

    /// Does what `key` does; gives what the session's owner must do.
    pub fn key(&mut self, key: Key, size: (u16, u16)) -> Option<Command> {
        let act = match key {
            Key::Tap(x, y) => self.view().tapped(Rect::new(0, 0, size.0, size.1), x, y),
            _ => keys::act(key, self.replaying),
        };
        self.act(act?)
    }

    fn act(&mut self, act: Act) -> Option<Command> {
        let pages = self.model.pages.len().max(1);
        match act {
            Act::Quit => return Some(Command::Quit),
            Act::Tell(command) => return Some(command),
            Act::Page(page) if page < pages => self.page = page,
            Act::Page(_) => {}
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

/// The stretch of `last` that ends now or where it is held. Its end lies on a whole number of columns, so that a
/// column, once complete, keeps its value while it moves to the left.
fn fill(history: &History, channel: usize, held: Option<Micros>, last: Micros, columns: &mut [Column]) {
    let Some(end) = held.or_else(|| history.end()) else { return };
    let each = (last / i64::try_from(columns.len()).unwrap_or(1).max(1)).max(1);
    let end = end.div_euclid(each) * each + each;
    history.columns(channel, end, each * i64::try_from(columns.len()).unwrap_or(1), columns);
}
