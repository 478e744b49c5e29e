//! The task that attends to everything but the links: time, keys, signals, the config file.
//!
//! Owns the loop in which all of these are seen, and what is told to the driver about them. The port is read by other
//! tasks of the same thread, so nothing here may wait for the disk.

use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;

use anyhow::anyhow;
use tokio::sync::mpsc;

use super::disarm;
use super::engine::Engine;
use super::reload::Changed;
use super::teller::Teller;
use crate::config::{Loaded, Model};
use crate::link::{self, Surroundings};
use crate::record::Dating;
use crate::screen::{Command, Control};
use crate::signals::Signals;
use crate::state::ConfigTrouble;
use crate::time::system::{self, Clock};
use crate::time::{MILLISECOND, Micros, SECOND, Stamp};

/// The longest that nothing is looked at.
const LOOK: Micros = 200 * MILLISECOND;
/// The second press that frees locked outputs comes within this. Each sentence fits into 38 columns.
const CONFIRM: Micros = 5 * SECOND;
/// And not sooner than this: a key that is held down repeats itself.
const NO_REPEAT: Micros = 600 * MILLISECOND;
/// A pin was freed that is on against its order; it is locked again within a second.
const STILL_ON: &str = "freed, but a pin still does not follow";
/// How long a sentence about something done stays on the screen.
const TOLD_FOR: Micros = 4 * SECOND;

/// What the task holds.
pub(super) struct Attendant {
    engine: Rc<RefCell<Engine>>,
    clock: Clock,
    wishes: mpsc::UnboundedReceiver<Command>,
    /// Changed configs; `None` where the config is no file.
    configs: Option<mpsc::UnboundedReceiver<Changed>>,
    /// The text of the config in force.
    in_force: String,
    /// What is wrong with the newest text that the config file had.
    newest: Option<ConfigTrouble>,
    /// The screen; without one, changes are told in lines of text.
    control: Option<Control>,
    teller: Teller,
    /// When the sentence on the screen goes away by itself.
    told_until: Option<Stamp>,
    marks: u32,
    /// When the key that frees locked outputs was pressed first, and when last.
    pressed: Option<(Stamp, Stamp)>,
    /// Whether the time of day can be trusted yet.
    dating: Dating,
    /// Nothing is ever armed: the controller is a simulated one.
    rehearses: bool,
}

impl Attendant {
    /// Attends to the drive of `engine`, by the config with the text `in_force`.
    pub fn new(
        engine: Rc<RefCell<Engine>>,
        clock: Clock,
        wishes: mpsc::UnboundedReceiver<Command>,
        (in_force, configs): (String, Option<mpsc::UnboundedReceiver<Changed>>),
        control: Option<Control>,
        rehearses: bool,
    ) -> Self {
        let dating = Dating::begun(system::wall());
        let teller = Teller::default();
        Self {
            engine,
            clock,
            wishes,
            configs,
            in_force,
            newest: None,
            control,
            teller,
            told_until: None,
            marks: 0,
            pressed: None,
            dating,
            rehearses,
        }
    }

    /// Returns when the drive is to end, by one of `signals` too; an error where it cannot go on.
    pub async fn attend(mut self, mut signals: Signals) -> anyhow::Result<()> {
        loop {
            let next = tokio::time::Instant::from_std(self.clock.instant(self.next_look()));
            tokio::select! {
                () = signals.any() => return Ok(()),
                wish = self.wishes.recv() => match wish {
                    Some(Command::Mark) => self.mark(),
                    Some(Command::FreeOutputs) => self.free_outputs(),
                    Some(Command::AcceptGround) => self.accept_ground(),
                    Some(Command::Attend(act, known)) => {
                        self.engine.borrow_mut().attend(self.clock.now(), act, known);
                    }
                    // Without a screen nobody wishes anything, and nobody ends the drive by that.
                    None if self.control.is_none() => self.wishes = mpsc::unbounded_channel().1,
                    Some(Command::Quit) | None => return Ok(()),
                    Some(_) => {}
                },
                Some(changed) = next_config(self.configs.as_mut()) => self.changed(changed),
                () = tokio::time::sleep_until(next) => self.look()?,
            }
        }
    }

    /// When something is due; at the latest after [`LOOK`].
    fn next_look(&self) -> Stamp {
        let (now, engine) = (self.clock.now(), self.engine.borrow());
        engine.due().into_iter().chain(engine.renewal(now)).fold(now.after(LOOK), Stamp::min)
    }

    fn look(&mut self) -> anyhow::Result<()> {
        let now = self.clock.now();
        self.engine.borrow_mut().tick(now);
        if let Some(until) = self.told_until
            && now >= until
        {
            self.told_until = None;
            self.tell("");
        }
        let wall = system::wall();
        if self.dating.step(wall) {
            self.engine.borrow().dated(now, wall);
        }
        let engine = self.engine.borrow();
        if let Some((link, trouble)) = engine.hopeless() {
            let link = &engine.model().links[link.index()];
            let why = link::explain(trouble, &link.device, &Surroundings::here());
            return Err(anyhow!("link {}: {why}", link.name));
        }
        if self.control.is_none() {
            self.teller.look(engine.model(), engine.snapshot());
        }
        Ok(())
    }

    fn mark(&mut self) {
        let now = self.clock.now();
        if !self.engine.borrow().records() {
            return self.say("nothing is recorded, so no mark is kept");
        }
        self.engine.borrow_mut().mark(now);
        self.marks += 1;
        let seconds = now.0 / SECOND;
        self.say(&format!("mark {} at {}:{:02}", self.marks, seconds / 60, seconds % 60));
    }

    /// What is locked is freed by two presses: nothing is switched by one key.
    fn free_outputs(&mut self) {
        let (now, locked) = (self.clock.now(), self.engine.borrow().locked());
        if locked == 0 {
            self.pressed = None;
            return self.say("no output is locked");
        }
        // A key that is held down repeats itself, and none of that is a second press.
        let since = |(first, last): (Stamp, Stamp)| (now.since(last), now.since(first));
        match self.pressed.map(since) {
            Some((0..NO_REPEAT, _)) => {
                self.pressed = self.pressed.map(|(first, _)| (first, now));
                self.say("too fast: wait a second, then u again");
            }
            Some((NO_REPEAT.., ..=CONFIRM)) => {
                self.pressed = None;
                let still = self.engine.borrow().locked_and_on();
                self.engine.borrow_mut().free_outputs(now);
                self.say(if still { STILL_ON } else { "outputs are free: their rules decide" });
            }
            _ => {
                self.pressed = Some((now, now));
                self.say("hands off it? then u again to free it");
            }
        }
    }

    /// Shows values, switches nothing: one press is enough.
    fn accept_ground(&mut self) {
        let any = self.engine.borrow_mut().accept_ground(self.clock.now());
        self.say(if any { "what stepped together is believed again" } else { "no sensors have stepped together" });
    }

    /// Tells something that was done; it goes away by itself.
    fn say(&mut self, text: &str) {
        self.told_until = Some(self.clock.now().after(TOLD_FOR));
        self.tell(text);
    }

    fn tell(&self, text: &str) {
        match &self.control {
            Some(control) => control.notice(text),
            None => Teller::line(text),
        }
    }

    /// Of what is wrong with the config file only the newest stands on the screen, among the other troubles.
    fn changed(&mut self, changed: Changed) {
        match changed {
            Changed::Gone => self.trouble(Some(ConfigTrouble::Gone)),
            Changed::Unreadable => self.trouble(Some(ConfigTrouble::Unreadable)),
            Changed::Back => {
                self.trouble(self.newest);
                self.say("the config file is back as it was");
            }
            Changed::Text(text, loaded) => self.changed_text(text, *loaded),
        }
    }

    fn changed_text(&mut self, text: String, loaded: Loaded) {
        let Some(model) = loaded.model.map(Arc::new) else {
            let count = loaded.mistakes.iter().filter(|mistake| !mistake.warning).count();
            return self.refuse(ConfigTrouble::Mistakes(u32::try_from(count).unwrap_or(u32::MAX)));
        };
        let model = if self.rehearses { disarm::all(&model) } else { model };
        if text == self.in_force {
            // Nothing begins anew: it never was anything else.
            let mistaken = matches!(self.newest, Some(ConfigTrouble::Mistakes(_)));
            self.accept();
            let first = if mistaken { "no mistake any more" } else { "the config file is as before" };
            return self.say(&format!("{first}; nothing changed"));
        }
        if !self.engine.borrow().has_links_of(&model) {
            self.refuse(ConfigTrouble::OtherLinks);
            return self.disarm_as_in(&model);
        }
        self.engine.borrow_mut().reload(self.clock.now(), model, &text);
        self.in_force = text;
        self.accept();
        self.say("the changed config is in force");
    }

    /// A config that cannot be taken, since it has other links, still disarms: whoever wants something off must not have to
    /// know why the rest of the file is of no use now. What it arms is not armed.
    fn disarm_as_in(&mut self, new: &Model) {
        let kept = disarm::as_in(self.engine.borrow().model(), new);
        if let Some(model) = kept {
            self.in_force = disarm::text(&self.in_force, &model);
            self.engine.borrow_mut().reload(self.clock.now(), Arc::new(model), &self.in_force);
            // The core began anew with the config, and the sentence with it.
            self.engine.borrow_mut().config_trouble(self.newest);
            self.say("but what it does not arm is off now");
        }
    }

    /// The newest text of the file is not in force.
    fn refuse(&mut self, why: ConfigTrouble) {
        self.newest = Some(why);
        self.trouble(self.newest);
    }

    /// The newest text of the file is what is in force.
    fn accept(&mut self) {
        self.newest = None;
        self.trouble(None);
    }

    fn trouble(&self, trouble: Option<ConfigTrouble>) {
        self.engine.borrow_mut().config_trouble(trouble);
        if let Some(trouble) = trouble.filter(|_| self.control.is_none()) {
            Teller::line(&trouble.sentence());
        }
    }
}

/// The next changed config; never, where there is none to come.
async fn next_config(configs: Option<&mut mpsc::UnboundedReceiver<Changed>>) -> Option<Changed> {
    match configs {
        Some(configs) => configs.recv().await,
        None => std::future::pending().await,
    }
}

#[cfg(test)]
mod tests;
