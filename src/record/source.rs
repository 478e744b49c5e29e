//! Where the bytes of a recording come from: files, packed files, folders, standard input, memory.
//!
//! Owns finding the parts, unpacking within limits, and what can go wrong with either, told for the user. Out: bytes.
//! Knows nothing of lines. Packed parts are RFC 8878; a window over 8 MiB, which that RFC asks no decoder to hold
//! (section 3.1.1.1.2), is refused.

use std::ffi::OsStr;
use std::fmt;
use std::fs::{self, File};
use std::io::{self, BufReader, Cursor, ErrorKind, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use zstd::zstd_safe::zstd_sys::ZSTD_ErrorCode;

use crate::text;

/// The most bytes that a packed part may unpack to: a part ends after 64 MB.
pub const UNPACKED_MAX: u64 = 80_000_000;
/// The base-2 logarithm of the largest window: 8 MiB.
const WINDOW_LOG_MAX: u32 = 23;
const ZSTD_MAGIC: [u8; 4] = [0x28, 0xB5, 0x2F, 0xFD];
/// Names that a bare capture in a folder may end in; others are taken only when they are named themselves.
const BARE_ENDINGS: [&str; 5] = [".txt", ".log", ".jsonl", ".nmea", ".csv"];

/// How well-known files that are no text begin, and what they are called.
const NOT_TEXT: [(&[u8], &str); 15] = [
    (b"\x1F\x8B", "a gzip file: unpack it first with `gunzip`"),
    (b"\xFD7zXZ", "an xz file: unpack it first with `unxz`"),
    (b"BZh", "a bzip2 file: unpack it first with `bunzip2`"),
    (b"PK\x03\x04", "a zip file or a spreadsheet: unpack it, or save the sheet as text"),
    (b"\xFF\xFE", "UTF-16 text: save it as UTF-8"),
    (b"\xFE\xFF", "UTF-16 text: save it as UTF-8"),
    (b"\x7FELF", "a program"),
    (b"\x89PNG", "a picture"),
    (b"\xFF\xD8\xFF", "a picture"),
    (b"GIF8", "a picture"),
    (b"RIFF", "a picture, a sound or a film"),
    (b"ID3", "a sound"),
    (b"SQLite format 3", "a database"),
    (b"%PDF", "a PDF document"),
    (b"PAR1", "a table in Parquet: the recording it was exported from is needed"),
];

/// What can be read, for whoever named something else.
const ACCEPTED: &str = "What can be read: a recording of kickpanel (.kpr, .kpr.zst), a folder of them, or a text file with the \
                        controller's lines as they came";

/// Whether text that begins so is a config: by its first line that is no comment.
pub(super) fn is_config(sample: &[u8]) -> bool {
    let mut lines = sample.split(|byte| *byte == b'\n').map(<[u8]>::trim_ascii);
    let Some(line) = lines.find(|line| !line.is_empty() && !line.starts_with(b"#")) else { return false };
    let tables: [&[u8]; 6] = [b"[link.", b"[channel.", b"[sensor.", b"[record]", b"[trust]", b"[[page]]"];
    line.strip_prefix(b"format").is_some_and(|rest| rest.trim_ascii_start().starts_with(b"="))
        || tables.into_iter().any(|table| line.starts_with(table))
}

/// Why a recording cannot be read. Each says on which file, what, and what to do.
#[derive(Debug)]
#[expect(missing_docs, reason = "the sentences below say it")]
pub enum ReadError {
    NotThere { path: PathBuf },
    NoRights { path: PathBuf },
    NoRecordings { folder: PathBuf },
    Empty { path: PathBuf },
    NotText { path: PathBuf, what: &'static str },
    Packed { path: PathBuf, why: String },
    CutShort { path: PathBuf },
    WindowTooLarge { path: PathBuf },
    TooLarge { path: PathBuf },
    Newer { path: PathBuf, format: u32 },
    TooMuchInput { limit: usize },
    Io { path: PathBuf, error: io::Error },
}

impl fmt::Display for ReadError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotThere { path } => {
                write!(f, "{}: there is no such file or folder; check the name", shown(path))
            }
            Self::NoRights { path } => {
                write!(f, "{}: this user may not read it; ask its owner, or run `ls -l` to see who may", shown(path))
            }
            Self::NoRecordings { folder } => write!(
                f,
                "{}: no recording in this folder; recordings end in .kpr or .kpr.zst, and a bare capture can be named itself",
                shown(folder)
            ),
            Self::Empty { path } => {
                write!(f, "{}: the file is empty; the power may have gone before anything was written", shown(path))
            }
            Self::NotText { path, what } => {
                write!(f, "{}: this is no recording but {what}. {ACCEPTED}", shown(path))
            }
            Self::Packed { path, why } => write!(
                f,
                "{}: the packed file is damaged ({}); what comes before the damage is used; look for another copy of it",
                shown(path),
                text::safe(why)
            ),
            Self::CutShort { path } => write!(
                f,
                "{}: the packed file ends too soon, as if copying it was broken off; what is there is used; copy it again",
                shown(path)
            ),
            Self::WindowTooLarge { path } => write!(
                f,
                "{}: unpacking it would take more than 8 MiB of memory at once; pack it again with `zstd --ultra -19 --long=23` or less",
                shown(path)
            ),
            Self::TooLarge { path } => write!(
                f,
                "{}: it unpacks to more than 80 MB, the most for one part of a recording; unpack it with `zstd -d` and read the plain file",
                shown(path)
            ),
            Self::Newer { path, format } => write!(
                f,
                "{}: it is of recording format {format}, and this program reads format 1; use the newer kickpanel that wrote it",
                shown(path)
            ),
            Self::TooMuchInput { limit } => write!(
                f,
                "standard input: over {} MB came, the most that is kept in memory for a replay; save it to a file and replay that",
                limit / 1_000_000
            ),
            Self::Io { path, error } => {
                write!(f, "{}: reading failed: {}; check the card or disk", shown(path), text::safe(&error.to_string()))
            }
        }
    }
}

impl std::error::Error for ReadError {}

fn shown(path: &Path) -> String {
    if is_stdin(path) { "standard input".to_owned() } else { text::safe_bytes(path.as_os_str().as_encoded_bytes()) }
}

/// Whether `path` stands for standard input.
pub fn is_stdin(path: &Path) -> bool {
    path.as_os_str() == "-"
}

/// One thing to read, with what its name says of it.
#[derive(Clone, Debug)]
pub(super) struct Place {
    pub path: PathBuf,
    /// Bytes that stand in memory already, in place of the file.
    pub memory: Option<Arc<[u8]>>,
    /// It was named by the user, not found in a folder.
    pub named: bool,
    /// Drive and part by its head, where that says other than the file's name.
    pub told: Option<(u32, u32)>,
}

impl Place {
    /// Drive and part: by the head where that is known to be right, else by the file's name, where it has such a name.
    pub(super) fn number(&self) -> Option<(u32, u32)> {
        self.told.or_else(|| part_number(self.path.file_name()?))
    }
}

/// Drive and part of a name like `000042-01.kpr` or `000042-01.kpr.zst`.
pub(super) fn part_number(name: &OsStr) -> Option<(u32, u32)> {
    let name = name.to_str()?;
    let (drive, rest) = name.split_once('-')?;
    let part = rest.strip_suffix(".kpr").or_else(|| rest.strip_suffix(".kpr.zst"))?;
    let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    if drive.len() != 6 || part.len() < 2 || !digits(drive) || !digits(part) {
        return None;
    }
    Some((drive.parse().ok()?, part.parse().ok()?))
}

/// Everything that `paths` name, in order: files as they are, folders as the recordings in them.
pub(super) fn places(paths: &[PathBuf]) -> Result<Vec<Place>, ReadError> {
    let mut out = Vec::new();
    for path in paths {
        if is_stdin(path) {
            out.push(Place { path: path.clone(), memory: None, named: true, told: None });
            continue;
        }
        let about = fs::metadata(path).map_err(|error| io_error(path, error))?;
        if about.is_dir() {
            out.extend(folder(path)?);
        } else {
            out.push(Place { path: path.clone(), memory: None, named: true, told: None });
        }
    }
    Ok(out)
}

/// The recordings in `folder`, by drive, part and name; a part that is there plain and packed counts once, as the
/// plain one, because that is removed only after the packed one is whole.
fn folder(folder: &Path) -> Result<Vec<Place>, ReadError> {
    let mut names = Vec::new();
    for entry in fs::read_dir(folder).map_err(|error| io_error(folder, error))? {
        let entry = entry.map_err(|error| io_error(folder, error))?;
        if fs::metadata(entry.path()).is_ok_and(|about| about.is_file()) {
            names.push(entry.file_name());
        }
    }
    let ends = |name: &OsStr, ending: &str| name.as_encoded_bytes().ends_with(ending.as_bytes());
    let mut kept: Vec<_> = names.iter().filter(|name| ends(name, ".kpr") || ends(name, ".kpr.zst")).collect();
    if kept.is_empty() {
        let bare = |name: &OsStr| BARE_ENDINGS.iter().any(|ending| ends(name, ending));
        kept = names.iter().filter(|name| bare(name) && !name.as_encoded_bytes().starts_with(b".")).collect();
    }
    if kept.is_empty() {
        return Err(ReadError::NoRecordings { folder: folder.to_owned() });
    }
    crate::order::by(&mut kept, |left, right| {
        let number = part_number(left).cmp(&part_number(right));
        number.then_with(|| left.as_encoded_bytes().cmp(right.as_encoded_bytes()))
    });
    kept.dedup_by(|later, earlier| later.as_encoded_bytes().strip_suffix(b".zst") == Some(earlier.as_encoded_bytes()));
    Ok(kept.into_iter().map(|name| Place { path: folder.join(name), memory: None, named: false, told: None }).collect())
}

fn io_error(path: &Path, error: io::Error) -> ReadError {
    let path = path.to_owned();
    match error.kind() {
        ErrorKind::NotFound | ErrorKind::NotADirectory => ReadError::NotThere { path },
        ErrorKind::PermissionDenied => ReadError::NoRights { path },
        _ => ReadError::Io { path, error },
    }
}

/// The bytes of one place, unpacked.
pub(super) struct Source {
    path: PathBuf,
    bytes: Bytes,
    /// How many bytes may still come.
    left: u64,
}

enum Bytes {
    Plain(Box<dyn Read + Send>),
    Packed(Box<zstd::stream::read::Decoder<'static, BufReader<Box<dyn Read + Send>>>>),
}

impl Source {
    /// Opens `place`. Whether it is packed is told by how it begins, not by its name.
    pub(super) fn open(place: &Place) -> Result<Self, ReadError> {
        let path = place.path.clone();
        let mut raw: Box<dyn Read + Send> = match &place.memory {
            Some(bytes) => Box::new(Cursor::new(Arc::clone(bytes))),
            None if is_stdin(&path) => Box::new(io::stdin()),
            None => Box::new(File::open(&path).map_err(|error| io_error(&path, error))?),
        };
        let mut first = Vec::new();
        raw.by_ref().take(8).read_to_end(&mut first).map_err(|error| io_error(&path, error))?;
        if first.is_empty() {
            return Err(ReadError::Empty { path });
        }
        if let Some((_, what)) = NOT_TEXT.iter().find(|(magic, _)| first.starts_with(magic)) {
            return Err(ReadError::NotText { path, what });
        }
        let packed = first.starts_with(&ZSTD_MAGIC) || path.extension().is_some_and(|ending| ending == "zst");
        let whole: Box<dyn Read + Send> = Box::new(Cursor::new(first).chain(raw));
        if !packed {
            return Ok(Self { path, bytes: Bytes::Plain(whole), left: u64::MAX });
        }
        let decoder = zstd::stream::read::Decoder::new(whole).and_then(|mut decoder| {
            decoder.window_log_max(WINDOW_LOG_MAX)?;
            Ok(decoder)
        });
        match decoder {
            Ok(decoder) => Ok(Self { path, bytes: Bytes::Packed(Box::new(decoder)), left: UNPACKED_MAX }),
            Err(error) => Err(packed_error(&path, error)),
        }
    }

    /// Reads some bytes into `out`; 0 at the end.
    pub(super) fn read(&mut self, out: &mut [u8]) -> Result<usize, ReadError> {
        loop {
            let read = match &mut self.bytes {
                Bytes::Plain(bytes) => bytes.read(out),
                Bytes::Packed(bytes) => bytes.read(out),
            };
            match read {
                Ok(count) => {
                    let over = ReadError::TooLarge { path: self.path.clone() };
                    self.left = self.left.checked_sub(count as u64).ok_or(over)?;
                    return Ok(count);
                }
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) => return Err(self.error(error)),
            }
        }
    }

    fn error(&self, error: io::Error) -> ReadError {
        match self.bytes {
            Bytes::Plain(_) => io_error(&self.path, error),
            Bytes::Packed(_) => packed_error(&self.path, error),
        }
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }
}

fn packed_error(path: &Path, error: io::Error) -> ReadError {
    let path = path.to_owned();
    if error.raw_os_error().is_some() {
        return ReadError::Io { path, error };
    }
    if error.kind() == ErrorKind::UnexpectedEof {
        return ReadError::CutShort { path };
    }
    match error.get_ref().and_then(|error| error.downcast_ref::<zstd::Error>()) {
        Some(known) if known.is(ZSTD_ErrorCode::ZSTD_error_frameParameter_windowTooLarge) => {
            ReadError::WindowTooLarge { path }
        }
        Some(known) => ReadError::Packed { path, why: words(*known).to_owned() },
        None => ReadError::Packed { path, why: error.to_string() },
    }
}

/// What the library found. It is compiled without words of its own, which makes it smaller.
fn words(error: zstd::Error) -> &'static str {
    let known = [
        (ZSTD_ErrorCode::ZSTD_error_prefix_unknown, "no packed data begins where it should"),
        (ZSTD_ErrorCode::ZSTD_error_checksum_wrong, "its checksum is wrong"),
        (ZSTD_ErrorCode::ZSTD_error_corruption_detected, "its data make no sense"),
        (ZSTD_ErrorCode::ZSTD_error_dictionary_wrong, "it was packed with a dictionary"),
        (ZSTD_ErrorCode::ZSTD_error_memory_allocation, "memory is full"),
    ];
    known.into_iter().find(|(kind, _)| error.is(*kind)).map_or("it is not as RFC 8878 has it", |(_, words)| words)
}
