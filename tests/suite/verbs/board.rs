//! A controller's board on a pseudo-terminal: fifty signed readings a second from a thread of its own, until it is
//! unplugged.

use std::fmt::Write as _;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use kickpanel::link::pty::{Pty, Tried};
use kickpanel::wire::seal;

/// From one reading to the next on the board's own clock, µs.
const STEP: u32 = 20_000;

/// A board that is plugged in; dropping it pulls it out.
pub struct Board {
    members: Arc<Mutex<String>>,
    /// Number of the newest reading that somebody heard whole; −1 before the first.
    heard: Arc<AtomicI64>,
    /// How many readings it tried to say.
    sent: Arc<AtomicI64>,
    /// Each reading that somebody heard whole, with when it went out.
    log: Arc<Mutex<Vec<(i64, Instant)>>>,
    stop: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

/// Within it a thread of its own may use a port.
pub fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap()
}

/// A port at `path` that anybody may open. To be called within a [`runtime`].
pub fn port_at(path: &Path) -> Pty {
    let mut pty = Pty::new().unwrap();
    fs::set_permissions(pty.slave(), fs::Permissions::from_mode(0o666)).unwrap();
    pty.link_at(path).unwrap();
    pty
}

impl Board {
    /// Plugs a board in at `path`, which says `members` in every reading.
    pub fn at(path: &Path, members: &str) -> Self {
        let (stop, stopped) = channel();
        let (ready, wait) = channel();
        let members = Arc::new(Mutex::new(members.to_owned()));
        let (heard, sent) = (Arc::new(AtomicI64::new(-1)), Arc::new(AtomicI64::new(0)));
        let log = Arc::new(Mutex::new(Vec::new()));
        let (path, says, counts) = (path.to_owned(), Arc::clone(&members), Arc::clone(&heard));
        let (logs, tries) = (Arc::clone(&log), Arc::clone(&sent));
        let thread = std::thread::spawn(move || {
            let runtime = runtime();
            let _within = runtime.enter();
            let pty = port_at(&path);
            ready.send(()).unwrap();
            let mut number = 0_u16;
            while stopped.recv_timeout(Duration::from_millis(20)) == Err(RecvTimeoutError::Timeout) {
                // What the computer asks is taken and not answered: the wire must not fill up.
                while let Ok(Tried::Bytes(1..)) = pty.try_read(&mut [0; 256]) {}
                let members = says.lock().unwrap().clone();
                if members.is_empty() {
                    continue;
                }
                let line = reading(number, &members);
                if write_whole(&pty, line.as_bytes()) {
                    logs.lock().unwrap().push((i64::from(number), Instant::now()));
                    counts.store(i64::from(number), Ordering::SeqCst);
                }
                number += 1;
                tries.store(i64::from(number), Ordering::SeqCst);
            }
        });
        wait.recv().unwrap();
        Self { members, heard, sent, log, stop: Some(stop), thread: Some(thread) }
    }

    /// Says `members` from now on; nothing at all where they are empty.
    pub fn say(&self, members: &str) {
        members.clone_into(&mut self.members.lock().unwrap());
    }

    /// The number of the newest reading that was heard.
    pub fn heard(&self) -> i64 {
        self.heard.load(Ordering::SeqCst)
    }

    /// How many readings it tried to say, heard or not.
    pub fn sent(&self) -> i64 {
        self.sent.load(Ordering::SeqCst)
    }

    /// The numbers from `first` to `last` that were heard.
    pub fn heard_within(&self, first: i64, last: i64) -> Vec<i64> {
        self.log.lock().unwrap().iter().map(|(number, _)| *number).filter(|at| (first..=last).contains(at)).collect()
    }

    /// When the first reading went out that was heard and has this number or a higher one.
    pub fn heard_at(&self, number: i64) -> Option<Instant> {
        self.log.lock().unwrap().iter().find(|(heard, _)| *heard >= number).map(|(_, at)| *at)
    }
}

/// Writes all of `line` once a part of it went: where a program gets no turn for long, its port is full at any byte. False
/// where nobody has it open, or it is full to begin with.
fn write_whole(pty: &Pty, line: &[u8]) -> bool {
    let mut rest = line;
    while !rest.is_empty() {
        match pty.try_write(rest).unwrap() {
            Tried::Bytes(count) => rest = &rest[count..],
            Tried::NotNow if rest.len() < line.len() => std::thread::sleep(Duration::from_millis(1)),
            Tried::NotNow | Tried::NoReader => return false,
        }
    }
    true
}

impl Drop for Board {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            // Where the board itself failed, the test has failed by waiting for it.
            let _ = thread.join();
        }
    }
}

/// A signed reading with its LF.
pub fn reading(number: u16, members: &str) -> String {
    let mut line = String::new();
    write!(line, "{{\"s\":{number},\"t\":{},{members}", u32::from(number) * STEP).unwrap();
    seal(&mut line);
    line.push('\n');
    line
}

/// Oil at 4.0 bar with the config of [`config`]: a1 at 512 of 1024 is half of the supply, and 2.5 V of 5 V lie in the
/// middle between 0.5 V and 4.5 V, so at half of 8 bar.
pub const FOUR_BAR: &str = "\"ref\":225,\"a1\":512";
/// 6.0 bar: 717 of 1024 of 5 V are 3.50 V, three quarters of the way from 0.5 V to 4.5 V.
pub const SIX_BAR: &str = "\"ref\":225,\"a1\":717";

/// A config with one link and one channel, oil.
pub fn config(device: &str) -> String {
    format!(
        "format = 1\nname = \"Bench\"\n[link.engine]\ndevice = \"{device}\"\nform = \"counts\"\n\
         checksum = \"required\"\nreference = \"1.1 V\"\n{CHANNEL}"
    )
}

/// The same channel without a head.
pub const CHANNEL: &str = r#"
[channel.oil]
label = "Oil pressure"
input = "a1"
sensor = { kind = "linear", from = ["0.5 V", "4.5 V"], to = ["0 bar", "8 bar"], ratiometric = "5 V" }
unit = "bar"
span = [0, 8]
digits = 1
[[page]]
name = "Bench"
rows = [[{ show = "oil", as = "trend", last = "10 s" }]]
"#;
