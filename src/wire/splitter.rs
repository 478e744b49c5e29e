//! Bytes in any chunking become whole lines.
//!
//! Owns the line that has begun and not ended. In: bytes as they come. Out: lines without LF and without the CR before
//! it. Never holds more than [`LINE_MAX`] bytes, copies nothing where a whole line lies in one chunk, decodes nothing.

use super::LINE_MAX;

/// What the splitter hands out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Piece<'a> {
    /// A whole line, without its LF and without a CR before it. May be empty.
    Line(&'a [u8]),
    /// The first [`LINE_MAX`] bytes of a line that is longer with its LF. They alone are too long again, so that a
    /// recording of them replays as what it was. The rest of the line is passed over.
    TooLong(&'a [u8]),
}

/// Cuts a stream of bytes at each LF.
#[derive(Clone, Debug, Default)]
pub struct Splitter {
    /// The beginning of a line that has not ended; always shorter than [`LINE_MAX`].
    begun: Vec<u8>,
    /// The line was too long: everything up to the next LF is passed over.
    passing_over: bool,
}

impl Splitter {
    /// A splitter at the beginning of a line. Takes its memory at once.
    pub fn new() -> Self {
        Self { begun: Vec::with_capacity(LINE_MAX), passing_over: false }
    }

    /// The link was (re)opened: what was begun never ends.
    pub fn reset(&mut self) {
        self.begun.clear();
        self.passing_over = false;
    }

    /// Takes `bytes` and hands out what they complete, in order.
    pub fn push(&mut self, mut bytes: &[u8], each: &mut dyn FnMut(Piece<'_>)) {
        while let Some(end) = find_lf(bytes) {
            self.end_line(&bytes[..end], each);
            bytes = &bytes[end + 1..];
        }
        self.go_on(bytes, each);
    }

    /// `bytes` end the line that was begun.
    fn end_line(&mut self, bytes: &[u8], each: &mut dyn FnMut(Piece<'_>)) {
        if !self.passing_over && self.begun.is_empty() && bytes.len() < LINE_MAX {
            each(Piece::Line(without_cr(bytes)));
            return;
        }
        self.go_on(bytes, each);
        if !self.passing_over {
            each(Piece::Line(without_cr(&self.begun)));
        }
        self.reset();
    }

    /// `bytes` without any LF belong to the line that was begun.
    fn go_on(&mut self, bytes: &[u8], each: &mut dyn FnMut(Piece<'_>)) {
        if self.passing_over {
            return;
        }
        let room = LINE_MAX - self.begun.len();
        self.begun.extend_from_slice(&bytes[..bytes.len().min(room)]);
        if self.begun.len() == LINE_MAX {
            each(Piece::TooLong(&self.begun));
            self.begun.clear();
            self.passing_over = true;
        }
    }
}

fn without_cr(line: &[u8]) -> &[u8] {
    line.strip_suffix(b"\r").unwrap_or(line)
}

/// Where the first LF is. Looks at 32 bytes at once, which the compiler turns into vector instructions.
fn find_lf(bytes: &[u8]) -> Option<usize> {
    let (chunks, rest) = bytes.as_chunks::<32>();
    let is_lf = |&byte: &u8| byte == b'\n';
    let whole = chunks.iter().position(|chunk| chunk.iter().fold(false, |any, byte| any | is_lf(byte)));
    match whole {
        Some(chunk) => chunks[chunk].iter().position(is_lf).map(|place| chunk * 32 + place),
        None => rest.iter().position(is_lf).map(|place| chunks.len() * 32 + place),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rstest::rstest;

    use super::*;

    /// What comes out of `chunks`, one text for each piece; a line that is too long has a `!` ahead of its length.
    fn pieces<'a>(chunks: impl IntoIterator<Item = &'a [u8]>) -> Vec<String> {
        let mut splitter = Splitter::new();
        let mut out = Vec::new();
        for chunk in chunks {
            splitter.push(chunk, &mut |piece| {
                out.push(match piece {
                    Piece::Line(line) => format!("{:?}", line.escape_ascii().to_string()),
                    Piece::TooLong(line) => format!("!{} {:?}", line.len(), line.escape_ascii().to_string()),
                });
            });
            assert!(splitter.begun.len() < LINE_MAX && splitter.begun.capacity() == LINE_MAX);
        }
        out
    }

    #[rstest]
    #[case::plain(b"a\nb\n", &["\"a\"", "\"b\""])]
    #[case::cr(b"a\r\nb\r\r\n", &["\"a\"", "\"b\\\\r\""])]
    #[case::empty(b"\n\r\n", &["\"\"", "\"\""])]
    #[case::no_lf_at_the_end(b"a\nb", &["\"a\""])]
    #[case::cr_only(b"a\rb\r", &[])]
    fn lines_end_with_lf(#[case] bytes: &[u8], #[case] expected: &[&str]) {
        assert_eq!(pieces([bytes]), expected);
    }

    #[rstest]
    #[case::longest(1023, false)]
    #[case::one_more(1024, true)]
    #[case::far_more(100_000, true)]
    fn a_line_may_have_1024_bytes_with_its_lf(#[case] length: usize, #[case] too_long: bool) {
        let mut bytes = vec![b'x'; length];
        bytes.extend_from_slice(b"\nnext\n");
        for size in [1, 7, 1023, 1024, 1025, bytes.len()] {
            let out = pieces(bytes.chunks(size));
            assert_eq!(out.len(), 2);
            assert_eq!(out[0].starts_with("!1024 "), too_long, "{size}");
            assert_eq!(out[1], "\"next\"");
        }
    }

    #[test]
    fn ten_megabytes_without_lf_are_one_line_that_is_too_long() {
        let chunk = vec![0xFF; 65_536];
        let out = pieces(std::iter::repeat_n(&chunk[..], 160));
        assert_eq!(out.len(), 1);
    }

    #[test]
    fn a_reset_forgets_what_was_begun() {
        let mut splitter = Splitter::new();
        let mut lines = Vec::new();
        let mut each = |piece: Piece<'_>| lines.push(format!("{piece:?}"));
        splitter.push(b"half", &mut each);
        splitter.reset();
        splitter.push(b"a\n", &mut each);
        splitter.push(&[b'x'; 2000], &mut each);
        splitter.reset();
        splitter.push(b"b\n", &mut each);
        assert_eq!(lines.len(), 3);
        assert_eq!((lines[0].as_str(), lines[2].as_str()), ("Line([97])", "Line([98])"));
    }

    #[test]
    fn an_lf_is_found_at_every_place() {
        for length in 0..100 {
            for place in 0..length {
                let mut bytes = vec![b'x'; length];
                bytes[place] = b'\n';
                bytes[length - 1] = b'\n';
                assert_eq!(find_lf(&bytes), Some(place));
            }
            assert_eq!(find_lf(&vec![0x8A; length]), None);
        }
    }

    proptest! {
        #[test]
        fn any_chunking_gives_what_one_piece_gives(
            bytes in proptest::collection::vec(prop_oneof![Just(b'\n'), Just(b'\r'), any::<u8>()], 0..300),
            long in 0..3000_usize,
            cuts in proptest::collection::vec(1..200_usize, 1..20),
        ) {
            let mut all = bytes.clone();
            all.extend(std::iter::repeat_n(b'y', long));
            all.extend_from_slice(&bytes);
            let mut chunks = Vec::new();
            let mut rest = &all[..];
            for cut in cuts.iter().cycle() {
                if rest.is_empty() { break; }
                let (chunk, others) = rest.split_at((*cut).min(rest.len()));
                chunks.push(chunk);
                rest = others;
            }
            prop_assert_eq!(pieces(chunks), pieces([&all[..]]));
        }
    }
}
