//! An empty folder with the program in it: a clean environment, output, errors and status of a run.

use std::fs::{self, File};
use std::path::PathBuf;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::process::{Pid, PidfdFlags, Signal, kill_process, pidfd_open};
use tempfile::TempDir;

/// Longer than anything here takes on a busy machine; reached only where a test fails.
pub const PATIENCE: Duration = Duration::from_secs(20);

/// An empty folder that is also the user's home.
pub struct Bench {
    folder: TempDir,
}

/// What came of a run.
#[derive(Debug)]
pub struct Ran {
    pub status: Option<i32>,
    pub out: String,
    pub err: String,
}

impl Ran {
    /// It ended with `status`, wrote nothing to standard output, and `err` word for word to standard error.
    #[track_caller]
    pub fn refused(&self, status: i32, err: &str) {
        assert_eq!((self.status, self.out.as_str(), self.err.as_str()), (Some(status), "", err));
    }

    /// It ended with 0 and wrote nothing to standard error.
    #[track_caller]
    pub fn done(self) -> String {
        assert_eq!((self.status, self.err.as_str()), (Some(0), ""), "{}", self.out);
        self.out
    }
}

impl Bench {
    pub fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    /// The path of `name` in the folder.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The same as text.
    pub fn name(&self, name: &str) -> String {
        self.path(name).to_str().unwrap().to_owned()
    }

    pub fn write(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(&path, bytes).unwrap();
        path
    }

    pub fn read(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).unwrap()
    }

    /// Puts `text` in place of the file `name` in one stroke, as a careful editor does.
    pub fn replace(&self, name: &str, text: &str) {
        let new = self.write("new", text);
        fs::rename(new, self.path(name)).unwrap();
    }

    /// The names in `folder`, sorted.
    pub fn names(&self, folder: &str) -> Vec<String> {
        let entries = fs::read_dir(self.path(folder)).into_iter().flatten();
        let mut names: Vec<_> = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    /// The program in this folder, with nothing of the environment that the tests run in.
    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_kickpanel"));
        self.dress(&mut command);
        command.args(arguments);
        command
    }

    /// Gives `command` this folder and a clean environment.
    pub fn dress(&self, command: &mut Command) {
        command.current_dir(self.folder.path()).env_clear().stdin(Stdio::null());
        command.env("HOME", self.folder.path()).env("LANG", "C.UTF-8");
        for (variable, folder) in [("CONFIG", "settings"), ("DATA", "data"), ("STATE", "state"), ("CACHE", "cache")] {
            command.env(format!("XDG_{variable}_HOME"), self.path(folder));
        }
    }

    /// Runs it to its end.
    #[track_caller]
    pub fn run(&self, arguments: &[&str]) -> Ran {
        Self::finish(self.command(arguments))
    }

    /// The same with the bytes of the file `input` on standard input.
    #[track_caller]
    pub fn run_fed(&self, arguments: &[&str], input: &str) -> Ran {
        let mut command = self.command(arguments);
        command.stdin(File::open(self.path(input)).unwrap());
        Self::finish(command)
    }

    #[track_caller]
    pub fn finish(mut command: Command) -> Ran {
        // Files, not pipes: nothing that is written can hold up what is looked at.
        let (out, err) = (tempfile::NamedTempFile::new().unwrap(), tempfile::NamedTempFile::new().unwrap());
        command.stdout(out.reopen().unwrap()).stderr(err.reopen().unwrap());
        let status = Running::start(&mut command).ended().code();
        let text = |file: &tempfile::NamedTempFile| String::from_utf8(fs::read(file.path()).unwrap()).unwrap();
        Ran { status, out: text(&out), err: text(&err) }
    }
}

/// A process that is ended with the test, whatever becomes of it.
pub struct Running(Child);

impl Running {
    #[track_caller]
    pub fn start(command: &mut Command) -> Self {
        Self(command.spawn().unwrap())
    }

    pub fn id(&self) -> u32 {
        self.0.id()
    }

    pub fn send(&self, signal: Signal) {
        kill_process(Pid::from_child(&self.0), signal).unwrap();
    }

    /// Whether it has ended, after waiting for that for a moment.
    pub fn has_ended(&self) -> bool {
        let process = pidfd_open(Pid::from_child(&self.0), PidfdFlags::empty()).unwrap();
        let moment = Timespec::try_from(Duration::from_millis(20)).unwrap();
        poll(&mut [PollFd::new(&process, PollFlags::IN)], Some(&moment)).unwrap() > 0
    }

    /// Waits for its end.
    #[track_caller]
    pub fn ended(&mut self) -> ExitStatus {
        let end = Instant::now() + PATIENCE;
        while !self.has_ended() {
            assert!(Instant::now() < end, "the program does not end");
        }
        self.0.wait().unwrap()
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // It may have ended already, which is what is wanted.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Waits until `holds`, looking often.
#[track_caller]
pub fn until(what: &str, mut holds: impl FnMut() -> bool) {
    let end = Instant::now() + PATIENCE;
    while !holds() {
        assert!(Instant::now() < end, "did not come true: {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}
