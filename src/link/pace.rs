//! How long a port may be left alone in the middle of a line.
//!
//! A line comes in many small pieces, and to wake for each of them costs more than all else that is done with the line.
//! Owns what was learned of a link: how soon after its first piece a line ends at the earliest. In: bytes, and when they
//! came. Out: a pause that is over before the line is. Waits for nothing itself, and believes no setting: a USB device
//! may be far faster than the speed that it was set to.

use std::time::Duration;

use tokio::time::Instant;

/// A pause is over so long before the line can end; what comes then is waited for piece by piece.
const SPARE: Duration = Duration::from_micros(300);
/// A shorter pause saves nothing.
const LEAST: Duration = Duration::from_micros(700);
/// A longer one is not made: when lines become shorter all at once, the first few are late by no more than this.
const MOST: Duration = Duration::from_millis(4);
/// With each line the span grows by so much, unless the line itself was shorter.
const GROWTH: Duration = Duration::from_micros(20);
/// A line that ended during a pause takes so much off the span: at most one in fifty lines is late, seldom by over 1 ms.
const STEP_BACK: Duration = Duration::from_millis(1);

/// What was learned since the port was opened.
#[derive(Clone, Debug)]
pub struct Pace {
    /// From the first piece of a line to its end at the earliest. Begins at nothing.
    span: Duration,
    /// When the first piece of the line at hand came.
    began: Instant,
    /// Bytes of the line at hand, so far.
    begun: usize,
    /// Bytes of the line before.
    length: usize,
    /// The line at hand began with much of it: it comes in few pieces, or is read late. No pause.
    quick: bool,
    /// The last read was to be followed by a pause.
    paused: bool,
}

impl Pace {
    /// A port at the beginning of a line, of which nothing is known.
    pub const fn starting(now: Instant) -> Self {
        Self { span: Duration::ZERO, began: now, begun: 0, length: 0, quick: false, paused: false }
    }

    /// `bytes` came, and were read at `now`. Gives for how long nothing needs to be read.
    pub fn took(&mut self, now: Instant, bytes: &[u8]) -> Option<Duration> {
        let paused = std::mem::take(&mut self.paused);
        for part in bytes.split_inclusive(|byte| *byte == b'\n') {
            let is_first = self.begun == 0;
            self.begun = self.begun.saturating_add(part.len());
            if part.ends_with(b"\n") {
                if !is_first {
                    self.learn(now, paused);
                }
                self.length = std::mem::take(&mut self.begun);
            } else if is_first {
                self.began = now;
                self.quick = part.len() > self.length / 4;
            }
        }
        let pause = self.pause(now);
        self.paused = pause.is_some();
        pause
    }

    /// A line of several pieces ended.
    fn learn(&mut self, now: Instant, paused: bool) {
        self.span =
            if paused { self.span.saturating_sub(STEP_BACK) } else { (now - self.began).min(self.span + GROWTH) };
    }

    fn pause(&self, now: Instant) -> Option<Duration> {
        if self.begun == 0 || self.quick {
            return None;
        }
        let left = (self.began + self.span).saturating_duration_since(now).saturating_sub(SPARE);
        (left >= LEAST).then_some(left.min(MOST))
    }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    const LINES: usize = 1000;

    /// What came of reading lines: wakes, and by how much each end was read late.
    struct Outcome {
        wakes: Vec<u32>,
        late: Vec<Duration>,
    }

    impl Outcome {
        fn late(&self, from: usize) -> usize {
            self.late[from..].iter().filter(|late| !late.is_zero()).count()
        }

        fn most_wakes(&self, from: usize) -> u32 {
            self.wakes[from..].iter().copied().max().unwrap_or(0)
        }
    }

    /// Reads lines that begin every 20 ms, each as its pieces: bytes, and how long after the line's beginning they come.
    fn read(line: impl Fn(usize) -> Vec<(usize, Duration)>) -> Outcome {
        let start = Instant::now();
        let mut pace = Pace::starting(start);
        let (mut wakes, mut late) = (Vec::new(), Vec::new());
        for index in 0..LINES {
            let began = start + Duration::from_millis(20) * u32::try_from(index).unwrap();
            let pieces = line(index);
            let end = began + pieces.last().unwrap().1;
            let (mut next, mut woken, mut free) = (0, 0, began);
            while next < pieces.len() {
                let now = free.max(began + pieces[next].1);
                let mut bytes = Vec::new();
                while next < pieces.len() && began + pieces[next].1 <= now {
                    bytes.resize(bytes.len() + pieces[next].0, b'x');
                    next += 1;
                }
                if next == pieces.len() {
                    *bytes.last_mut().unwrap() = b'\n';
                    late.push(now - end);
                }
                woken += 1;
                free = now + pace.took(now, &bytes).unwrap_or_default();
            }
            wakes.push(woken);
        }
        Outcome { wakes, late }
    }

    /// `length` bytes in pieces of `size`, each so many microseconds behind the one before.
    fn pieces(length: usize, size: usize, apart_us: u64) -> Vec<(usize, Duration)> {
        let count = length.div_ceil(size);
        (0..count)
            .map(|piece| {
                let bytes = size.min(length - piece * size);
                (bytes, Duration::from_micros(apart_us * u64::try_from(piece).unwrap()))
            })
            .collect()
    }

    #[test]
    fn a_line_in_twelve_pieces_takes_three_wakes_once_it_is_known_and_is_never_late() {
        let outcome = read(|_| pieces(187, 16, 320));
        assert_eq!(outcome.wakes[..20], [12; 20], "at first nothing is known");
        assert_eq!(outcome.most_wakes(200), 3);
        assert_eq!(outcome.late(0), 0);
    }

    #[test]
    fn lines_whose_length_varies_are_never_late() {
        let outcome = read(|index| pieces(175 + index * 7 % 14, 16, 320));
        assert!(outcome.most_wakes(200) <= 5, "{}", outcome.most_wakes(200));
        assert_eq!(outcome.late(0), 0);
    }

    #[rstest]
    #[case::whole(187, 187, 0, 1)]
    #[case::packets_of_a_fast_device(187, 64, 50, 3)]
    #[case::pieces_of_a_fast_device(187, 16, 60, 12)]
    #[case::gathered_by_an_adapter(187, 62, 1_240, 4)]
    fn what_comes_in_few_or_quick_pieces_is_never_left_alone(
        #[case] length: usize,
        #[case] size: usize,
        #[case] apart_us: u64,
        #[case] wakes: u32,
    ) {
        let outcome = read(|_| pieces(length, size, apart_us));
        assert_eq!((outcome.wakes[0], outcome.wakes[LINES - 1]), (wakes, wakes));
        assert_eq!(outcome.late(0), 0);
    }

    #[test]
    fn a_slow_line_is_left_alone_again_and_again() {
        // 60 bytes, one by one, at 115,200 baud.
        let outcome = read(|_| pieces(60, 1, 87));
        assert_eq!(outcome.most_wakes(400), 7);
        assert_eq!(outcome.late(0), 0);
    }

    #[test]
    fn lines_that_become_shorter_are_late_by_4_ms_at_most_and_only_a_few_times() {
        let outcome = read(|index| pieces(if index < 500 { 187 } else { 60 }, 8, 160));
        assert_eq!(outcome.late(0), outcome.late(500), "none before");
        assert!((1..=4).contains(&outcome.late(0)), "{}", outcome.late(0));
        assert!(outcome.late.iter().all(|late| *late <= MOST));
    }

    #[test]
    fn a_short_line_now_and_then_is_late_by_a_millisecond_and_seldom() {
        let outcome = read(|index| pieces(if index % 10 == 9 { 100 } else { 187 }, 16, 320));
        // From its first to its last piece a short line takes 1.92 ms.
        assert!(outcome.late(200) <= (LINES - 200) / 50, "{}", outcome.late(200));
        assert!(outcome.late[200..].iter().all(|late| *late <= Duration::from_millis(2)));
    }

    #[test]
    fn a_backlog_teaches_nothing_and_asks_for_no_pause() {
        let start = Instant::now();
        let mut pace = Pace::starting(start);
        assert_eq!(pace.took(start, b"one\ntwo\nthree\n"), None);
        assert_eq!(pace.took(start + Duration::from_secs(1), b"half"), None);
        assert_eq!(pace.span, Duration::ZERO);
    }

    #[test]
    fn bytes_without_end_ask_for_no_pause() {
        let start = Instant::now();
        let mut pace = Pace::starting(start);
        for read in 0..100_000 {
            assert_eq!(pace.took(start + Duration::from_micros(read * 320), &[b'x'; 16]), None);
        }
    }
}
