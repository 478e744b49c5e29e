//! Real pseudo-terminals of the kernel: opened by the same function as a port on the USB.

use std::cell::RefCell;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::{Duration, Instant as RealInstant};

use kickpanel::config::LinkId;
use kickpanel::link::pty::{Pty, Tried};
use kickpanel::link::{Outgoing, Port as _, Settings, first_match, open, run};
use kickpanel::state::Trouble;
use kickpanel::time::system::Clock;
use rstest::rstest;
use rustix::fs::{CWD, FileType, Mode, mknodat};
use tokio::io::AsyncReadExt;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

use super::{Keeper, Seen, on_one_thread, until};

const LINK: LinkId = LinkId(0);
const BAUD: u32 = 500_000;

/// A link on a real pseudo-terminal, running.
struct Running {
    keeper: Rc<RefCell<Keeper>>,
    clock: Clock,
    commands: mpsc::Sender<Outgoing>,
    stop: watch::Sender<bool>,
    task: JoinHandle<()>,
}

impl Running {
    fn start(link: LinkId, device: &Path, keeper: &Rc<RefCell<Keeper>>) -> Self {
        let (commands, receiver) = mpsc::channel(8);
        let (stop, stopped) = watch::channel(false);
        let clock = Clock::start();
        let settings = Settings { device: device.to_str().unwrap().to_owned(), baud: BAUD };
        let task = tokio::task::spawn_local(run(link, settings, clock, Rc::clone(keeper), receiver, stopped));
        Self { keeper: Rc::clone(keeper), clock, commands, stop, task }
    }

    fn has(&self, seen: &Seen) -> bool {
        self.count(seen) > 0
    }

    fn count(&self, seen: &Seen) -> usize {
        self.keeper.borrow().told().iter().filter(|told| *told == seen).count()
    }

    async fn end(self) {
        self.stop.send(true).unwrap();
        self.task.await.unwrap();
    }
}

fn up(path: &Path) -> Seen {
    Seen::Up(path.to_path_buf())
}

#[test]
fn a_port_is_opened_raw_for_one_alone_and_read() {
    on_one_thread(false, async {
        let pty = Pty::new().unwrap();
        assert_eq!(pty.try_write(b"nobody is there").unwrap(), Tried::NoReader);
        let mut port = open(pty.slave(), BAUD).unwrap();
        // Bytes that a terminal in its usual mode would swallow, echo or change: CR, LF, ^C, ^D, ^Q, ^S, 0xFF.
        let sent = b"\r\n\x03\x04\x11\x13\x1A\x00\xFF\x7F";
        assert_eq!(pty.try_write(sent).unwrap(), Tried::Bytes(sent.len()));
        let mut buffer = [0; 64];
        let count = port.read(&mut buffer).await.unwrap();
        assert_eq!(&buffer[..count], sent);
        let mut echo = [0; 64];
        assert_eq!(pty.try_read(&mut echo).unwrap(), Tried::NotNow, "nothing is echoed");
    });
}

#[test]
fn a_second_opening_is_busy_and_the_first_keeps_its_lock_and_its_settings() {
    on_one_thread(false, async {
        let pty = Pty::new().unwrap();
        let first = open(pty.slave(), BAUD).unwrap();
        assert_eq!(open(pty.slave(), 9_600).unwrap_err(), Trouble::Busy);
        assert_eq!(open(pty.slave(), 9_600).unwrap_err(), Trouble::Busy, "the failed try took nothing away");
        assert_eq!(pty.settings().unwrap().output_speed(), BAUD);
        drop(first);
        open(pty.slave(), 9_600).unwrap();
    });
}

/// What `sh` answers when it opens `path` as a user whom TIOCEXCL binds (it does not bind root).
fn opened_by_another(path: &Path) -> String {
    let mut command = std::process::Command::new("sh");
    command.arg("-c").arg(": < \"$0\"").arg(path).env("LC_ALL", "C");
    if rustix::process::getuid().is_root() {
        command.uid(65_534);
    }
    String::from_utf8(command.output().unwrap().stderr).unwrap()
}

#[test]
fn a_program_that_asks_for_no_lock_cannot_open_the_port_either() {
    on_one_thread(false, async {
        let pty = Pty::new().unwrap();
        fs::set_permissions(pty.slave(), fs::Permissions::from_mode(0o666)).unwrap();
        assert_eq!(opened_by_another(pty.slave()), "");
        let port = open(pty.slave(), BAUD).unwrap();
        assert_eq!(open(pty.slave(), BAUD).unwrap_err(), Trouble::Busy);
        let answer = opened_by_another(pty.slave());
        assert!(answer.contains("Device or resource busy"), "{answer:?}");
        drop(port);
        assert_eq!(opened_by_another(pty.slave()), "");
    });
}

#[test]
fn closing_a_port_does_not_reset_the_board() {
    on_one_thread(false, async {
        let pty = Pty::new().unwrap();
        assert!(pty.hangs_up_on_close().unwrap(), "the kernel's default, or this test shows nothing");
        let port = open(pty.slave(), BAUD).unwrap();
        assert!(!pty.hangs_up_on_close().unwrap());
        drop(port);
        assert!(!pty.hangs_up_on_close().unwrap());
    });
}

#[rstest]
#[case::satellite(4_800)]
#[case::usual(115_200)]
#[case::own(500_000)]
#[case::odd(74_880)]
#[case::odder(123_457)]
fn any_speed_that_the_kernel_takes_is_set(#[case] baud: u32) {
    on_one_thread(false, async move {
        let pty = Pty::new().unwrap();
        let _port = open(pty.slave(), baud).unwrap();
        assert_eq!(pty.settings().unwrap().output_speed(), baud);
        assert_eq!(pty.settings().unwrap().input_speed(), baud);
    });
}

#[test]
fn speed_0_is_refused_because_it_means_hang_up() {
    on_one_thread(false, async {
        let pty = Pty::new().unwrap();
        assert_eq!(open(pty.slave(), 0).unwrap_err(), Trouble::Failed(22));
    });
}

/// Makes what the case is about inside a folder and gives its path.
type Make = fn(&Path) -> PathBuf;

#[rstest]
#[case::folder(|folder: &Path| folder.to_path_buf(), Trouble::NotAPort)]
#[case::file(|folder: &Path| { let path = folder.join("file"); fs::write(&path, "text").unwrap(); path }, Trouble::NotAPort)]
#[case::named_pipe(|folder: &Path| { let path = folder.join("pipe"); mknodat(CWD, &path, FileType::Fifo, Mode::RUSR | Mode::WUSR, 0).unwrap(); path }, Trouble::NotAPort)]
#[case::socket(|folder: &Path| { let path = folder.join("socket"); drop(std::os::unix::net::UnixListener::bind(&path).unwrap()); path }, Trouble::NotAPort)]
#[case::null(|_: &Path| PathBuf::from("/dev/null"), Trouble::NotAPort)]
#[case::zero(|_: &Path| PathBuf::from("/dev/zero"), Trouble::NotAPort)]
#[case::absent(|folder: &Path| folder.join("absent"), Trouble::NoDevice)]
#[case::below_a_file(|folder: &Path| { fs::write(folder.join("file"), "text").unwrap(); folder.join("file/port") }, Trouble::NoDevice)]
#[case::dangling_link(|folder: &Path| { let path = folder.join("link"); std::os::unix::fs::symlink("/dev/none-such", &path).unwrap(); path }, Trouble::NoDevice)]
#[case::endless_link(|folder: &Path| { let path = folder.join("link"); std::os::unix::fs::symlink(&path, &path).unwrap(); path }, Trouble::Failed(40))]
fn what_is_no_port_is_refused_without_hanging(#[case] make: Make, #[case] trouble: Trouble) {
    on_one_thread(false, async move {
        let folder = tempfile::tempdir().unwrap();
        let began = RealInstant::now();
        assert_eq!(open(&make(folder.path()), BAUD).unwrap_err(), trouble);
        assert!(began.elapsed() < Duration::from_secs(1));
    });
}

#[test]
fn a_pulled_plug_is_told_within_300_ms() {
    on_one_thread(false, async {
        let pty = Pty::new().unwrap();
        let keeper = Keeper::shared();
        let running = Running::start(LINK, pty.slave(), &keeper);
        until(|| running.has(&up(pty.slave()))).await;
        pty.try_write(b"one\n").unwrap();
        until(|| keeper.borrow().bytes(LINK) == b"one\n").await;
        drop(pty);
        let took = until(|| running.has(&Seen::Down(Trouble::Unplugged))).await;
        assert!(took < Duration::from_millis(300), "{took:?}");
        running.end().await;
    });
}

#[test]
fn a_plug_that_is_pulled_right_behind_bytes_is_told_all_the_same() {
    on_one_thread(false, async {
        for round in 0..200 {
            let pty = Pty::new().unwrap();
            let keeper = Keeper::shared();
            let running = Running::start(LINK, pty.slave(), &keeper);
            until(|| running.has(&up(pty.slave()))).await;
            // The reader may see the bytes and the end at once or one after the other. The kernel throws away what was
            // not read before the end, but it must not be that the end is missed.
            for bytes in [&b"half"[..], b" a line"] {
                pty.try_write(bytes).unwrap();
                for _ in 0..round % 6 {
                    tokio::task::yield_now().await;
                }
            }
            drop(pty);
            let took = until(|| running.has(&Seen::Down(Trouble::Unplugged))).await;
            assert!(took < Duration::from_millis(300), "{took:?}");
            assert!(b"half a line".starts_with(&keeper.borrow().bytes(LINK)));
            running.end().await;
        }
    });
}

#[test]
fn a_port_that_is_left_alone_wakes_nobody_until_the_time_is_over_and_then_reads_on() {
    on_one_thread(false, async {
        const PAUSE: Duration = Duration::from_millis(50);
        let pty = Pty::new().unwrap();
        let mut port = open(pty.slave(), BAUD).unwrap();
        let mut buffer = [0; 64];
        for round in 0..3 {
            let began = RealInstant::now();
            port.leave_alone(PAUSE);
            assert_eq!(pty.try_write(b"in the pause").unwrap(), Tried::Bytes(12));
            let count = port.read(&mut buffer).await.unwrap();
            assert!(began.elapsed() >= PAUSE, "round {round}");
            assert_eq!(&buffer[..count], b"in the pause", "round {round}");
            assert_eq!(pty.try_write(b"behind it").unwrap(), Tried::Bytes(9));
            let count = port.read(&mut buffer).await.unwrap();
            assert_eq!(&buffer[..count], b"behind it", "round {round}");
        }
        // Nothing comes in the pause; what comes later is waited for as ever.
        port.leave_alone(Duration::from_millis(1));
        let later = async {
            tokio::time::sleep(Duration::from_millis(20)).await;
            pty.try_write(b"late").unwrap();
        };
        let (count, ()) = tokio::join!(port.read(&mut buffer), later);
        assert_eq!(&buffer[..count.unwrap()], b"late");
        port.leave_alone(PAUSE);
        drop(pty);
        assert_eq!(port.read(&mut buffer).await.unwrap(), 0, "pulled out in the pause");
    });
}

#[test]
fn twenty_replugs_under_changing_names_are_found_by_a_pattern() {
    on_one_thread(false, async {
        let folder = tempfile::tempdir().unwrap();
        let keeper = Keeper::shared();
        let running = Running::start(LINK, &folder.path().join("port-*"), &keeper);
        let mut expected = Vec::new();
        for number in 0..20 {
            let name = folder.path().join(format!("port-{}", number % 2));
            let mut pty = Pty::new().unwrap();
            pty.link_at(&name).unwrap();
            let plugged = up(&name);
            let took = until(|| running.count(&plugged) == number / 2 + 1).await;
            assert!(took < Duration::from_millis(500), "{took:?}");
            let line = format!("line {number}\n");
            pty.try_write(line.as_bytes()).unwrap();
            expected.extend_from_slice(line.as_bytes());
            until(|| keeper.borrow().bytes(LINK) == expected).await;
            let before = running.count(&Seen::Down(Trouble::Unplugged));
            drop(pty);
            let took = until(|| running.count(&Seen::Down(Trouble::Unplugged)) == before + 1).await;
            assert!(took < Duration::from_millis(300), "{took:?}");
            assert!(!name.exists() && fs::symlink_metadata(&name).is_err(), "the link went with its plug");
        }
        running.end().await;
    });
}

#[test]
fn a_lost_port_is_closed_at_once() {
    on_one_thread(false, async {
        let held = |slave: &Path| {
            let folder = fs::read_dir("/proc/self/fd").unwrap();
            folder
                .flatten()
                .filter_map(|entry| fs::read_link(entry.path()).ok())
                .filter(|target| target.to_string_lossy().trim_end_matches(" (deleted)") == slave.to_string_lossy())
                .count()
        };
        let pty = Pty::new().unwrap();
        let slave = pty.slave().to_path_buf();
        // As long as this test holds the slave, no other test gets a pseudo-terminal of the same number.
        let _own = fs::File::open(&slave).unwrap();
        let keeper = Keeper::shared();
        let running = Running::start(LINK, &slave, &keeper);
        until(|| running.has(&up(&slave))).await;
        assert_eq!(held(&slave), 3, "the two of the port, and this test's");
        drop(pty);
        until(|| running.has(&Seen::Down(Trouble::Unplugged))).await;
        assert_eq!(held(&slave), 1);
        running.end().await;
    });
}

#[test]
fn an_unplugged_link_wakes_seldom() {
    on_one_thread(false, async {
        let folder = tempfile::tempdir().unwrap();
        let mut pty = Pty::new().unwrap();
        let name = folder.path().join("port");
        pty.link_at(&name).unwrap();
        let keeper = Keeper::shared();
        let running = Running::start(LINK, &name, &keeper);
        until(|| running.has(&up(&name))).await;
        drop(pty);
        until(|| running.has(&Seen::Down(Trouble::NoDevice))).await;
        let metrics = tokio::runtime::Handle::current().metrics();
        let before = metrics.worker_park_count(0);
        tokio::time::sleep(Duration::from_secs(1)).await;
        let wakes = metrics.worker_park_count(0) - before;
        // Ten tries a second and the timer of this test; a loop that reads nothing for ever makes two million.
        assert!((1..=30).contains(&wakes), "{wakes} wakes in 1 s");
        running.end().await;
    });
}

#[test]
fn four_links_do_not_disturb_each_other_even_if_one_is_mad() {
    on_one_thread(false, async {
        let keeper = Keeper::shared();
        let mut ptys = Vec::new();
        let mut links = Vec::new();
        for number in 0..4 {
            let pty = Pty::new().unwrap();
            links.push(Running::start(LinkId(number), pty.slave(), &keeper));
            until(|| links.last().unwrap().has(&up(pty.slave()))).await;
            ptys.push(pty);
        }
        let mut mad = ptys.remove(3);
        let flood = tokio::task::spawn_local(async move {
            let noise = [0xA5; 4096];
            loop {
                mad.write(&noise).await.unwrap();
                tokio::task::yield_now().await;
            }
        });
        let mut expected = [Vec::new(), Vec::new(), Vec::new()];
        for round in 0..200 {
            for (number, pty) in ptys.iter().enumerate() {
                let line = format!("link {number} round {round}\n");
                pty.try_write(line.as_bytes()).unwrap();
                expected[number].extend_from_slice(line.as_bytes());
            }
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
        let all_came = || (0..3).all(|number| keeper.borrow().bytes(LinkId(number)) == expected[usize::from(number)]);
        until(all_came).await;
        flood.abort();
        assert!(keeper.borrow().bytes(LinkId(3)).len() > 100_000, "the mad one was mad");
        for link in links {
            link.end().await;
        }
    });
}

#[test]
fn commands_reach_the_controller_in_order() {
    on_one_thread(false, async {
        let mut pty = Pty::new().unwrap();
        let keeper = Keeper::shared();
        let running = Running::start(LINK, pty.slave(), &keeper);
        until(|| running.has(&up(pty.slave()))).await;
        for text in ["one\n", "two\n", "three\n"] {
            let command = Outgoing { made: running.clock.now(), bytes: text.as_bytes().to_vec() };
            running.commands.send(command).await.unwrap();
        }
        let mut came = Vec::new();
        let mut buffer = [0; 64];
        while came.len() < 14 {
            let count = pty.read(&mut buffer).await.unwrap();
            came.extend_from_slice(&buffer[..count]);
        }
        assert_eq!(came, b"one\ntwo\nthree\n");
        running.end().await;
    });
}

#[test]
fn the_controllers_side_waits_for_a_reader_and_for_the_next_one() {
    on_one_thread(false, async {
        let mut pty = Pty::new().unwrap();
        assert!(!pty.has_reader().unwrap());
        let slave = pty.slave().to_path_buf();
        let keeper = Keeper::shared();
        for round in 0..3 {
            let running = Running::start(LINK, &slave, &keeper);
            pty.reader().await.unwrap();
            let command = Outgoing { made: running.clock.now(), bytes: b"hello\n".to_vec() };
            until(|| running.count(&up(&slave)) == round + 1).await;
            running.commands.send(command).await.unwrap();
            let mut buffer = [0; 64];
            let count = pty.read(&mut buffer).await.unwrap();
            assert_eq!(&buffer[..count], b"hello\n");
            running.end().await;
            assert!(!pty.has_reader().unwrap());
            assert_eq!(pty.try_read(&mut buffer).unwrap(), Tried::NoReader);
            assert_eq!(pty.try_write(b"lost").unwrap(), Tried::NoReader);
        }
        assert!(keeper.borrow().bytes(LINK).is_empty(), "what was written to nobody came to nobody");
    });
}

#[test]
fn a_link_never_replaces_what_is_no_link() {
    on_one_thread(false, async {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("port");
        fs::write(&path, "mine").unwrap();
        let mut pty = Pty::new().unwrap();
        assert!(pty.link_at(&path).is_err());
        drop(pty);
        assert_eq!(fs::read_to_string(&path).unwrap(), "mine");
    });
}

#[test]
fn the_first_match_in_sorted_order_is_taken_and_dangling_links_are_not() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let pattern = at("usb-*-if0[0-9]");
    let pattern = pattern.to_str().unwrap();
    assert_eq!(first_match(pattern), None);
    assert_eq!(first_match(""), None);
    std::os::unix::fs::symlink("/dev/none-such", at("usb-a-if00")).unwrap();
    assert_eq!(first_match(pattern), None);
    fs::write(at("usb-c-if00"), "").unwrap();
    fs::write(at("usb-b-if01"), "").unwrap();
    assert_eq!(first_match(pattern), Some(at("usb-b-if01")));
    fs::write(at("usb-[x]-if00"), "").unwrap();
    let literal = at("usb-[x]-if00");
    assert_eq!(first_match(literal.to_str().unwrap()), Some(literal.clone()), "a name that exists is no pattern");
    let deep = folder.path().join("n*/p?");
    fs::create_dir_all(at("net")).unwrap();
    assert_eq!(first_match(deep.to_str().unwrap()), None);
    fs::write(at("net").join("p1"), "").unwrap();
    assert_eq!(first_match(deep.to_str().unwrap()), Some(at("net").join("p1")));
}
