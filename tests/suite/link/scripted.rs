//! A scripted port plays every fault at every place; tokio's clock is paused, so minutes pass at once.

use std::cell::{Cell, RefCell};
use std::collections::VecDeque;
use std::io;
use std::path::PathBuf;
use std::pin::Pin;
use std::rc::Rc;
use std::task::{Context, Poll, Waker};
use std::time::Duration;

use kickpanel::config::LinkId;
use kickpanel::link::{Outgoing, Port, run_with};
use kickpanel::state::Trouble;
use kickpanel::time::Stamp;
use kickpanel::time::system::Clock;
use rstest::rstest;
use rustix::io::Errno;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep};

use super::{Keeper, Seen, device, on_one_thread};

const LINK: LinkId = LinkId(0);

/// One answer of a scripted port to a read.
#[derive(Clone, Debug)]
enum Answer {
    Bytes(Vec<u8>),
    Nothing,
    Error(Errno),
}

/// What a scripted port does with a write.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Writes {
    /// Takes at most so many bytes at once.
    Take(usize),
    /// Takes so many bytes in all, then never again.
    BlockAfter(usize),
    Fail(Errno),
}

/// Plays answers in order, then is silent.
#[derive(Debug)]
struct Script {
    answers: VecDeque<Answer>,
    writes: Rc<Cell<Writes>>,
    written: Rc<RefCell<Vec<u8>>>,
    unsent: Rc<Cell<usize>>,
    discarded: Rc<Cell<u32>>,
    waker: Option<Waker>,
}

impl Script {
    fn reading(answers: impl IntoIterator<Item = Answer>) -> Self {
        Self {
            answers: answers.into_iter().collect(),
            writes: Rc::new(Cell::new(Writes::Take(usize::MAX))),
            written: Rc::default(),
            unsent: Rc::default(),
            discarded: Rc::default(),
            waker: None,
        }
    }
}

impl Port for Script {
    fn unsent(&self) -> usize {
        self.unsent.get()
    }

    fn discard(&mut self) {
        self.unsent.set(0);
        self.discarded.set(self.discarded.get() + 1);
    }
}

impl AsyncRead for Script {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, room: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        match self.answers.pop_front() {
            Some(Answer::Bytes(bytes)) => {
                let count = bytes.len().min(room.remaining());
                room.put_slice(&bytes[..count]);
                if count < bytes.len() {
                    self.answers.push_front(Answer::Bytes(bytes[count..].to_vec()));
                }
                Poll::Ready(Ok(()))
            }
            Some(Answer::Nothing) => Poll::Ready(Ok(())),
            Some(Answer::Error(errno)) => Poll::Ready(Err(errno.into())),
            None => {
                self.waker = Some(cx.waker().clone());
                Poll::Pending
            }
        }
    }
}

impl AsyncWrite for Script {
    fn poll_write(self: Pin<&mut Self>, _cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let room = match self.writes.get() {
            Writes::Take(most) => most,
            Writes::Fail(errno) => return Poll::Ready(Err(errno.into())),
            Writes::BlockAfter(0) => return Poll::Pending,
            Writes::BlockAfter(left) => left,
        };
        let count = bytes.len().min(room);
        if let Writes::BlockAfter(left) = self.writes.get() {
            self.writes.set(Writes::BlockAfter(left - count));
        }
        self.written.borrow_mut().extend_from_slice(&bytes[..count]);
        Poll::Ready(Ok(count))
    }

    fn poll_flush(self: Pin<&mut Self>, _cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        panic!("a port is never flushed: the system call blocks the whole thread");
    }

    fn poll_shutdown(self: Pin<&mut Self>, _cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        panic!("a port is never shut down: that flushes it");
    }
}

/// One try to open: a port, or why not.
type Try = Result<Script, Trouble>;

/// A link over scripted ports, running.
struct Bench {
    keeper: Rc<RefCell<Keeper>>,
    tries: Rc<RefCell<Vec<Instant>>>,
    clock: Clock,
    commands: Option<mpsc::Sender<Outgoing>>,
    stop: watch::Sender<bool>,
    task: JoinHandle<()>,
    began: Instant,
}

impl Bench {
    /// Each try to open takes the next of `script`; after the last, nothing is there.
    fn start(script: impl IntoIterator<Item = Try>) -> Self {
        let mut script: VecDeque<Try> = script.into_iter().collect();
        let keeper = Keeper::shared();
        let tries: Rc<RefCell<Vec<Instant>>> = Rc::default();
        let clock = Clock::start();
        let (commands, receiver) = mpsc::channel(8);
        let (stop, stopped) = watch::channel(false);
        let counted = Rc::clone(&tries);
        let open = move || -> Result<(PathBuf, Script), Trouble> {
            counted.borrow_mut().push(Instant::now());
            script.pop_front().unwrap_or(Err(Trouble::NoDevice)).map(|port| (device(), port))
        };
        let task = tokio::task::spawn_local(run_with(LINK, open, clock, Rc::clone(&keeper), receiver, stopped));
        Self { keeper, tries, clock, commands: Some(commands), stop, task, began: Instant::now() }
    }

    fn told(&self) -> Vec<Seen> {
        self.keeper.borrow().told()
    }

    fn tries(&self) -> usize {
        self.tries.borrow().len()
    }

    /// Sends `text` as decided `age_ms` ago.
    fn send(&self, text: &str, age_ms: i64) {
        let made = self.clock.now().after(-age_ms * 1_000);
        let command = Outgoing { made, bytes: text.as_bytes().to_vec() };
        self.commands.as_ref().unwrap().try_send(command).unwrap();
    }

    async fn end(self) -> Rc<RefCell<Keeper>> {
        self.stop.send(true).unwrap();
        self.task.await.unwrap();
        self.keeper
    }
}

/// 200 bytes that are all different from their neighbours.
fn exchange() -> Vec<u8> {
    (0..200).collect()
}

fn up() -> Seen {
    Seen::Up(device())
}

#[rstest]
#[case::interrupted(Errno::INTR)]
#[case::not_now(Errno::AGAIN)]
fn a_passing_error_at_any_of_200_places_loses_nothing(#[case] errno: Errno) {
    on_one_thread(true, async move {
        for place in 0..=200 {
            let all = exchange();
            let answers =
                [Answer::Bytes(all[..place].to_vec()), Answer::Error(errno), Answer::Bytes(all[place..].to_vec())];
            let answers =
                answers.into_iter().filter(|answer| !matches!(answer, Answer::Bytes(bytes) if bytes.is_empty()));
            let bench = Bench::start([Ok(Script::reading(answers))]);
            sleep(Duration::from_millis(1)).await;
            assert_eq!(bench.told(), [up()], "place {place}");
            assert_eq!(bench.end().await.borrow().bytes(LINK), all, "place {place}");
        }
    });
}

#[rstest]
#[case::nothing(Answer::Nothing, Trouble::Unplugged)]
#[case::input_output(Answer::Error(Errno::IO), Trouble::Unplugged)]
#[case::no_such_device(Answer::Error(Errno::NODEV), Trouble::Unplugged)]
#[case::no_such_address(Answer::Error(Errno::NXIO), Trouble::Unplugged)]
#[case::bad_descriptor(Answer::Error(Errno::BADF), Trouble::Failed(9))]
#[case::invalid(Answer::Error(Errno::INVAL), Trouble::Failed(22))]
#[case::no_memory(Answer::Error(Errno::NOMEM), Trouble::Failed(12))]
#[case::timed_out(Answer::Error(Errno::TIMEDOUT), Trouble::Failed(110))]
#[case::protocol(Answer::Error(Errno::PROTO), Trouble::Failed(71))]
fn a_lost_port_at_any_of_200_places_is_told_once_and_opened_again(#[case] fault: Answer, #[case] trouble: Trouble) {
    on_one_thread(true, async move {
        for place in 0..=200 {
            let all = exchange();
            let mut before = vec![Answer::Bytes(all[..place].to_vec()), fault.clone()];
            before.retain(|answer| !matches!(answer, Answer::Bytes(bytes) if bytes.is_empty()));
            let after = [Answer::Bytes(b"again".to_vec())];
            let bench = Bench::start([Ok(Script::reading(before)), Ok(Script::reading(after))]);
            sleep(Duration::from_millis(150)).await;
            assert_eq!(bench.told(), [up(), Seen::Down(trouble), up()], "place {place}");
            let mut expected = all[..place].to_vec();
            expected.extend_from_slice(b"again");
            assert_eq!(bench.end().await.borrow().bytes(LINK), expected, "place {place}");
        }
    });
}

#[test]
fn bytes_come_one_by_one_or_64_kib_at_once_in_order() {
    on_one_thread(true, async {
        let single = exchange().into_iter().map(|byte| Answer::Bytes(vec![byte]));
        let large: Vec<u8> = (0..200_000_u32).map(|number| u8::try_from(number % 251).unwrap()).collect();
        let bench = Bench::start([Ok(Script::reading(single.chain([Answer::Bytes(large.clone())])))]);
        sleep(Duration::from_millis(1)).await;
        let keeper = bench.end().await;
        let mut expected = exchange();
        expected.extend_from_slice(&large);
        assert_eq!(keeper.borrow().bytes(LINK), expected);
        let longest = keeper
            .borrow()
            .seen
            .iter()
            .map(|(_, _, seen)| if let Seen::Bytes(bytes) = seen { bytes.len() } else { 0 })
            .max();
        assert_eq!(longest, Some(65_536));
    });
}

#[test]
fn an_absent_port_is_tried_every_100_ms_for_10_s_and_then_once_a_second_and_told_once() {
    on_one_thread(true, async {
        let bench = Bench::start([]);
        sleep(Duration::from_millis(9_950)).await;
        assert_eq!(bench.tries(), 100);
        sleep(Duration::from_secs(60)).await;
        assert_eq!(bench.tries(), 160, "60 tries in the next 60 s");
        assert_eq!(bench.told(), [Seen::Down(Trouble::NoDevice)]);
        // A whole day: 86,400 s more, 86,400 tries more, and still one word.
        sleep(Duration::from_hours(24)).await;
        assert_eq!(bench.tries(), 160 + 86_400);
        assert_eq!(bench.told().len(), 1);
        bench.end().await;
    });
}

#[test]
fn each_change_of_the_reason_is_told_once() {
    on_one_thread(true, async {
        let no = |trouble, count| std::iter::repeat_n(trouble, count).map(Err);
        let script = no(Trouble::NoDevice, 3)
            .chain(no(Trouble::NoRights, 2))
            .chain(no(Trouble::Busy, 4))
            .chain([Ok(Script::reading([Answer::Nothing]))])
            .chain(no(Trouble::NoDevice, 2))
            .chain([Ok(Script::reading([]))]);
        let bench = Bench::start(script);
        sleep(Duration::from_secs(2)).await;
        let down = Seen::Down;
        assert_eq!(
            bench.told(),
            [
                down(Trouble::NoDevice),
                down(Trouble::NoRights),
                down(Trouble::Busy),
                up(),
                down(Trouble::Unplugged),
                down(Trouble::NoDevice),
                up()
            ]
        );
        bench.end().await;
    });
}

#[test]
fn a_port_that_opens_and_is_gone_at_once_is_tried_ever_more_seldom() {
    on_one_thread(true, async {
        let bench = Bench::start((0..10_000).map(|_| Ok(Script::reading([Answer::Nothing]))));
        sleep(Duration::from_millis(70_050)).await;
        assert_eq!(bench.tries(), 161);
        bench.end().await;
    });
}

#[test]
fn a_port_that_was_silent_for_an_hour_and_goes_is_looked_for_densely() {
    on_one_thread(true, async {
        let quiet = || Ok(Script::reading([]));
        let bench = Bench::start([Ok(Script::reading([Answer::Bytes(vec![1])])), quiet(), quiet(), quiet()]);
        // Reopened after 30, 60, 120 s; then after 120 s more nothing is there.
        sleep(Duration::from_millis(330_950)).await;
        assert_eq!(bench.tries(), 4 + 10);
        bench.end().await;
    });
}

#[test]
fn a_silent_port_is_told_once_at_5_s_and_opened_again_after_30_60_120_120_s() {
    on_one_thread(true, async {
        let bench = Bench::start((0..10).map(|_| Ok(Script::reading([]))));
        sleep(Duration::from_millis(4_990)).await;
        assert_eq!(bench.told(), [up()]);
        sleep(Duration::from_millis(20)).await;
        assert_eq!(bench.told(), [up(), Seen::Silent]);
        sleep(Duration::from_secs(24)).await;
        assert_eq!(bench.tries(), 1, "not opened again within 29 s");
        sleep(Duration::from_secs(400)).await;
        let times: Vec<_> = bench.tries.borrow().iter().map(|at| at.duration_since(bench.began).as_secs()).collect();
        assert_eq!(times, [0, 30, 90, 210, 330]);
        assert_eq!(bench.told(), [up(), Seen::Silent], "one word in seven minutes");
        bench.end().await;
    });
}

#[test]
fn a_silent_port_that_speaks_after_it_was_opened_again_is_up_with_its_first_bytes() {
    on_one_thread(true, async {
        let speaks = Script::reading([Answer::Bytes(b"a".to_vec())]);
        let bench = Bench::start([Ok(Script::reading([])), Ok(speaks)]);
        sleep(Duration::from_secs(31)).await;
        let seen: Vec<_> = bench.keeper.borrow().seen.iter().map(|(_, _, seen)| seen.clone()).collect();
        assert_eq!(seen, [up(), Seen::Silent, up(), Seen::Bytes(b"a".to_vec())]);
        bench.end().await;
    });
}

#[test]
fn a_fresh_command_goes_out_whole_and_is_told() {
    on_one_thread(true, async {
        let port = Script::reading([]);
        port.writes.set(Writes::Take(3));
        let written = Rc::clone(&port.written);
        let bench = Bench::start([Ok(port)]);
        sleep(Duration::from_millis(1)).await;
        bench.send("{\"ask\":\"hello\"}\n", 0);
        sleep(Duration::from_millis(1)).await;
        assert_eq!(*written.borrow(), b"{\"ask\":\"hello\"}\n");
        assert_eq!(bench.told(), [up(), Seen::Sent(b"{\"ask\":\"hello\"}\n".to_vec())]);
        bench.end().await;
    });
}

#[rstest]
#[case::fresh(190, b"set\n".as_slice())]
#[case::old(201, b"".as_slice())]
#[case::very_old(10_000, b"".as_slice())]
fn a_command_over_200_ms_old_is_not_written(#[case] age_ms: i64, #[case] expected: &[u8]) {
    on_one_thread(true, async move {
        let port = Script::reading([]);
        let written = Rc::clone(&port.written);
        let bench = Bench::start([Ok(port)]);
        sleep(Duration::from_millis(1)).await;
        bench.send("set\n", age_ms);
        sleep(Duration::from_millis(1)).await;
        assert_eq!(*written.borrow(), expected);
        bench.end().await;
    });
}

#[test]
fn commands_for_a_port_that_is_away_are_thrown_away() {
    on_one_thread(true, async {
        let port = Script::reading([]);
        let written = Rc::clone(&port.written);
        let bench = Bench::start([Err(Trouble::NoDevice), Ok(port)]);
        for number in 0..8 {
            bench.send(&format!("{number}\n"), 0);
        }
        sleep(Duration::from_millis(50)).await;
        bench.send("the channel has room again\n", 0);
        sleep(Duration::from_millis(100)).await;
        assert_eq!(bench.told(), [Seen::Down(Trouble::NoDevice), up()]);
        assert!(written.borrow().is_empty());
        bench.end().await;
    });
}

#[test]
fn a_write_that_blocks_is_given_up_after_200_ms_and_reading_goes_on_meanwhile() {
    on_one_thread(true, async {
        let port = Script::reading([]);
        port.writes.set(Writes::BlockAfter(2));
        let written = Rc::clone(&port.written);
        let bench = Bench::start([Ok(port)]);
        sleep(Duration::from_millis(1)).await;
        bench.send("first\n", 0);
        sleep(Duration::from_millis(190)).await;
        bench.send("second\n", 0);
        sleep(Duration::from_millis(500)).await;
        assert_eq!(*written.borrow(), b"fi");
        assert_eq!(bench.told(), [up()], "nothing was sent whole, and the link is still there");
        bench.end().await;
    });
}

#[test]
fn bytes_that_come_while_a_write_blocks_are_handed_on_at_once() {
    on_one_thread(true, async {
        let answers = exchange().into_iter().map(|byte| Answer::Bytes(vec![byte]));
        let port = Script::reading(answers);
        port.writes.set(Writes::BlockAfter(0));
        let bench = Bench::start([Ok(port)]);
        bench.send("blocked\n", 0);
        sleep(Duration::from_millis(1)).await;
        assert_eq!(bench.keeper.borrow().bytes(LINK), exchange());
        bench.end().await;
    });
}

#[test]
fn a_command_after_a_torn_one_begins_with_a_line_feed() {
    on_one_thread(true, async {
        let port = Script::reading([]);
        let (written, writes) = (Rc::clone(&port.written), Rc::clone(&port.writes));
        writes.set(Writes::BlockAfter(2));
        let bench = Bench::start([Ok(port)]);
        sleep(Duration::from_millis(1)).await;
        bench.send("first\n", 0);
        sleep(Duration::from_millis(300)).await;
        writes.set(Writes::Take(1));
        bench.send("second\n", 0);
        sleep(Duration::from_millis(1)).await;
        bench.send("third\n", 0);
        sleep(Duration::from_millis(1)).await;
        assert_eq!(*written.borrow(), b"fi\nsecond\nthird\n");
        let sent = |text: &str| Seen::Sent(text.as_bytes().to_vec());
        assert_eq!(bench.told(), [up(), sent("second\n"), sent("third\n")]);
        bench.end().await;
    });
}

#[test]
fn what_has_not_left_the_port_for_200_ms_is_thrown_away_before_the_next_command() {
    on_one_thread(true, async {
        let port = Script::reading([]);
        let (written, unsent, discarded) =
            (Rc::clone(&port.written), Rc::clone(&port.unsent), Rc::clone(&port.discarded));
        let bench = Bench::start([Ok(port)]);
        sleep(Duration::from_millis(1)).await;
        bench.send("one\n", 0);
        sleep(Duration::from_millis(100)).await;
        unsent.set(4);
        bench.send("two\n", 0);
        sleep(Duration::from_millis(199)).await;
        assert_eq!(discarded.get(), 0, "100 ms after the first it may still be on its way");
        sleep(Duration::from_millis(10)).await;
        bench.send("three\n", 0);
        sleep(Duration::from_millis(1)).await;
        assert_eq!(discarded.get(), 1);
        assert_eq!(*written.borrow(), b"one\ntwo\n\nthree\n", "the LF ends what was cut off");
        bench.end().await;
    });
}

#[rstest]
#[case::gone(Errno::IO, true)]
#[case::passing(Errno::AGAIN, false)]
fn a_failing_write_loses_the_link_only_where_the_port_is_gone(#[case] errno: Errno, #[case] lost: bool) {
    on_one_thread(true, async move {
        let port = Script::reading([]);
        port.writes.set(if lost { Writes::Fail(errno) } else { Writes::Take(0) });
        let bench = Bench::start([Ok(port)]);
        sleep(Duration::from_millis(1)).await;
        bench.send("set\n", 0);
        sleep(Duration::from_millis(50)).await;
        let expected = if lost { vec![up(), Seen::Down(Trouble::Unplugged)] } else { vec![up()] };
        assert_eq!(bench.told(), expected);
        bench.end().await;
    });
}

#[test]
fn at_the_end_waiting_commands_still_go_out() {
    on_one_thread(true, async {
        let port = Script::reading([]);
        let written = Rc::clone(&port.written);
        let bench = Bench::start([Ok(port)]);
        sleep(Duration::from_millis(1)).await;
        bench.send("off 1\n", 0);
        bench.send("too old\n", 300);
        bench.send("off 2\n", 0);
        bench.end().await;
        assert_eq!(*written.borrow(), b"off 1\noff 2\n");
    });
}

#[test]
fn at_the_end_a_port_that_does_not_drain_delays_by_at_most_200_ms() {
    on_one_thread(true, async {
        let port = Script::reading([]);
        port.writes.set(Writes::BlockAfter(0));
        port.unsent.set(100);
        let discarded = Rc::clone(&port.discarded);
        let bench = Bench::start([Ok(port)]);
        sleep(Duration::from_millis(1)).await;
        bench.send("off\n", 0);
        let began = Instant::now();
        bench.end().await;
        assert!(began.elapsed() <= Duration::from_millis(201), "{:?}", began.elapsed());
        assert_eq!(discarded.get(), 1);
    });
}

#[test]
fn the_link_goes_on_when_nobody_can_send_commands_any_more() {
    on_one_thread(true, async {
        let script = [Ok(Script::reading([Answer::Nothing])), Ok(Script::reading([]))];
        let mut bench = Bench::start(script);
        bench.commands = None;
        sleep(Duration::from_millis(150)).await;
        assert_eq!(bench.told(), [up(), Seen::Down(Trouble::Unplugged), up()]);
        bench.end().await;
    });
}

#[test]
fn the_link_ends_when_nobody_can_stop_it_any_more() {
    on_one_thread(true, async {
        let bench = Bench::start([Ok(Script::reading([]))]);
        sleep(Duration::from_millis(1)).await;
        drop(bench.stop);
        bench.task.await.unwrap();
    });
}

#[test]
fn stamps_are_on_the_clock_that_was_handed_in() {
    on_one_thread(true, async {
        let bench = Bench::start([Ok(Script::reading([]))]);
        sleep(Duration::from_millis(1)).await;
        assert!(bench.clock.now() >= Stamp(0));
        bench.end().await;
    });
}
