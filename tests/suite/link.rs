//! Checks of the link room against the outside: real pseudo-terminals of the kernel, and a scripted port for what no
//! pseudo-terminal can be made to do.

mod explain;
mod pieces;
mod real;
mod scripted;

use std::cell::RefCell;
use std::future::Future;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::Duration;

use kickpanel::config::LinkId;
use kickpanel::link::{Event, Sink};
use kickpanel::state::Trouble;
use kickpanel::time::Stamp;
use tokio::time::Instant;

/// An event, owned.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Seen {
    Up(PathBuf),
    Bytes(Vec<u8>),
    Sent(Vec<u8>),
    Down(Trouble),
    Silent,
}

/// Keeps every event with the instant on tokio's clock, which tests may pause.
#[derive(Debug, Default)]
struct Keeper {
    seen: Vec<(LinkId, Instant, Seen)>,
}

impl Sink for Keeper {
    fn event(&mut self, link: LinkId, _now: Stamp, event: Event<'_>) {
        let seen = match event {
            Event::Up { device } => Seen::Up(device.to_path_buf()),
            Event::Bytes(bytes) => Seen::Bytes(bytes.to_vec()),
            Event::Sent(bytes) => Seen::Sent(bytes.to_vec()),
            Event::Down(trouble) => Seen::Down(trouble),
            Event::Silent => Seen::Silent,
        };
        self.seen.push((link, Instant::now(), seen));
    }
}

impl Keeper {
    fn shared() -> Rc<RefCell<Self>> {
        Rc::default()
    }

    /// All events but bytes.
    fn told(&self) -> Vec<Seen> {
        self.seen.iter().map(|(_, _, seen)| seen.clone()).filter(|seen| !matches!(seen, Seen::Bytes(_))).collect()
    }

    /// All bytes of `link`, joined.
    fn bytes(&self, link: LinkId) -> Vec<u8> {
        let mut all = Vec::new();
        for (of, _, seen) in &self.seen {
            if let Seen::Bytes(bytes) = seen
                && *of == link
            {
                all.extend_from_slice(bytes);
            }
        }
        all
    }
}

/// Runs `test` on one thread, with room for local tasks; `paused` stops tokio's clock, which then leaps to the next timer.
fn on_one_thread(paused: bool, test: impl Future<Output = ()>) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().start_paused(paused).build().unwrap();
    tokio::task::LocalSet::new().block_on(&runtime, test);
}

/// Waits until `holds`, for at most 5 s of real time; each look is a turn of the runtime, not a guess at a time.
#[track_caller]
fn until(holds: impl Fn() -> bool) -> impl Future<Output = Duration> {
    let place = std::panic::Location::caller();
    async move {
        let began = Instant::now();
        while !holds() {
            assert!(began.elapsed() < Duration::from_secs(5), "did not come true: {place}");
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
        began.elapsed()
    }
}

fn device() -> PathBuf {
    Path::new("/dev/scripted").to_path_buf()
}
