//! The bench in real time on a pseudo-terminal, and the built program on the other end of it.
//!
//! Every wait polls for an event and fails only after [`PATIENCE`], far longer than anything takes.

use std::fs::{self, File};
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{Winsize, tcsetwinsize};
use tempfile::TempDir;

use super::tools;

pub const PATIENCE: Duration = Duration::from_secs(30);

/// How a config of the simulated chip on the port `device` begins.
pub fn head(device: &str) -> String {
    format!(
        r#"format = 1
name = "Simulated chip"
[link.engine]
device = "{device}"
form = "counts"
checksum = "required"
reference = "1.1 V"
"#
    )
}

/// A controller that runs in real time. It ends with its standard input, so it never outlives the test.
pub struct Live {
    child: Child,
    typed: ChildStdin,
    events: Receiver<String>,
    pub port: PathBuf,
}

impl Live {
    /// Starts it with the lines of `script`.
    pub fn start(script: &str) -> Self {
        let mut file = tempfile::NamedTempFile::new().unwrap();
        file.write_all(script.as_bytes()).unwrap();
        let mut child = Command::new(tools::bench())
            .arg(tools::firmware())
            .arg(file.path())
            .arg("--pty")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let typed = child.stdin.take().unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let port = PathBuf::from(lines.next().unwrap().unwrap());
        let (send, events) = channel();
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                if send.send(line).is_err() {
                    break;
                }
            }
        });
        let live = Self { child, typed, events, port };
        // Its first event says that the script was read, so the file may go.
        live.until("a line of the controller", |event| event.contains("\tserial\t"));
        live
    }

    /// Does `what` at once.
    pub fn now(&mut self, what: &str) {
        writeln!(self.typed, "0 {what}").unwrap();
    }

    /// Waits for an event that `fits`, and gives its time in µs and its text.
    #[track_caller]
    pub fn until(&self, what: &str, fits: impl Fn(&str) -> bool) -> (u64, String) {
        let end = Instant::now() + PATIENCE;
        loop {
            match self.events.recv_timeout(end.saturating_duration_since(Instant::now())) {
                Ok(event) if fits(&event) => {
                    let at = event.split('\t').next().unwrap().parse().unwrap();
                    return (at, event);
                }
                Ok(_) => {}
                Err(RecvTimeoutError::Timeout) => panic!("the bench never told of {what}"),
                Err(RecvTimeoutError::Disconnected) => panic!("the bench ended before {what}"),
            }
        }
    }

    /// So many readings go by.
    #[track_caller]
    pub fn readings(&self, count: usize) {
        for _ in 0..count {
            self.until("a reading", |event| event.contains("serial\t{\"s\":"));
        }
    }
}

impl Drop for Live {
    fn drop(&mut self) {
        // It may have ended already, which is what is wanted.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The program in a folder of its own that is also the user's home.
pub struct Seat {
    folder: TempDir,
    drive: Option<Child>,
    seen: Arc<Mutex<vt100::Parser>>,
}

impl Seat {
    /// With that config.
    pub fn new(config: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("kickpanel.toml"), config).unwrap();
        Self { folder, drive: None, seen: Arc::default() }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(Path::new(env!("CARGO_BIN_EXE_kickpanel")));
        command.args(arguments).current_dir(self.folder.path()).env_clear().stdin(Stdio::null());
        command.env("HOME", self.folder.path()).env("LANG", "C.UTF-8");
        for (variable, folder) in [("CONFIG", "settings"), ("DATA", "data"), ("STATE", "state"), ("CACHE", "cache")] {
            command.env(format!("XDG_{variable}_HOME"), self.path(folder));
        }
        command
    }

    /// Starts `drive --no-screen`; what it says goes into the file `said`.
    pub fn drive(&mut self) {
        let said = File::create(self.path("said")).unwrap();
        let mut command = self.command(&["drive", "--no-screen"]);
        self.drive = Some(command.stdout(Stdio::null()).stderr(said).spawn().unwrap());
    }

    /// Starts `wiggle` on a terminal of 80 by 24.
    pub fn wiggle(&mut self) {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        tcsetwinsize(&master, Winsize { ws_col: 80, ws_row: 24, ws_xpixel: 0, ws_ypixel: 0 }).unwrap();
        let name = ptsname(&master, Vec::new()).unwrap();
        let slave = File::options().read(true).write(true).open(name.to_str().unwrap()).unwrap();
        let said = File::create(self.path("said")).unwrap();
        let mut command = self.command(&["wiggle"]);
        command.env("TERM", "xterm-256color").stdin(slave.try_clone().unwrap()).stdout(slave).stderr(said);
        self.drive = Some(command.spawn().unwrap());
        let (mut master, seen) = (File::from(master), Arc::clone(&self.seen));
        // It ends with an error once the last who holds the terminal has ended.
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Ok(count @ 1..) = master.read(&mut buffer) {
                seen.lock().unwrap().process(&buffer[..count]);
            }
        });
    }

    /// Waits until the terminal shows `words`.
    #[track_caller]
    pub fn until_seen(&self, words: &str) {
        let end = Instant::now() + PATIENCE;
        loop {
            let text = self.seen.lock().unwrap().screen().contents();
            if text.contains(words) {
                return;
            }
            assert!(Instant::now() < end, "never seen {words:?}, but: {text}\n{}", self.said());
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Waits until it has said `words`.
    #[track_caller]
    pub fn until_said(&self, words: &str) {
        let end = Instant::now() + PATIENCE;
        while !self.said().contains(words) {
            assert!(Instant::now() < end, "drive never said {words:?}, but: {}", self.said());
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    pub fn said(&self) -> String {
        fs::read_to_string(self.path("said")).unwrap()
    }

    /// Sends the drive a signal that does not end it.
    #[track_caller]
    pub fn send(&self, signal: Signal) {
        kill_process(Pid::from_child(self.drive.as_ref().unwrap()), signal).unwrap();
    }

    /// Sends the drive a signal and waits for its end.
    #[track_caller]
    pub fn end(&mut self, signal: Signal) -> Option<i32> {
        let mut drive = self.drive.take().unwrap();
        kill_process(Pid::from_child(&drive), signal).unwrap();
        drive.wait().unwrap().code()
    }

    /// Runs a verb to its end: status, output, errors.
    pub fn run(&self, arguments: &[&str]) -> (Option<i32>, String, String) {
        let run = self.command(arguments).output().unwrap();
        let text = |bytes| String::from_utf8(bytes).unwrap();
        (run.status.code(), text(run.stdout), text(run.stderr))
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        if let Some(mut drive) = self.drive.take() {
            // It may have ended already, which is what is wanted.
            let _ = drive.kill();
            let _ = drive.wait();
        }
    }
}
