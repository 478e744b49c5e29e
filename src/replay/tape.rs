//! A recording that can be opened again and again: what a player needs to go back.
//!
//! Owns the paths, and standard input once it was read. The only file of this room that reads.

use std::io::{self, Read};
use std::path::PathBuf;
use std::sync::Arc;

use crate::record::source::is_stdin;
use crate::record::{ReadError, Recording};

/// The most bytes of standard input that are kept in memory.
pub const INPUT_MAX: usize = 256_000_000;

/// What is to be played.
#[derive(Clone, Debug)]
pub struct Tape {
    paths: Vec<PathBuf>,
    input: Option<Arc<[u8]>>,
}

impl Tape {
    /// What `paths` name. Where `-` is among them, standard input is read to its end, since it comes only once.
    pub fn new(paths: Vec<PathBuf>) -> Result<Self, ReadError> {
        let input = if paths.iter().any(|path| is_stdin(path)) { Some(whole(io::stdin(), INPUT_MAX)?) } else { None };
        Ok(Self { paths, input })
    }

    /// Opens it at its beginning.
    pub fn open(&self) -> Result<Recording, ReadError> {
        match &self.input {
            Some(input) => Recording::open_with_input(&self.paths, input),
            None => Recording::open(&self.paths),
        }
    }
}

fn whole(input: impl Read, limit: usize) -> Result<Arc<[u8]>, ReadError> {
    let mut bytes = Vec::new();
    let read = input.take(limit as u64 + 1).read_to_end(&mut bytes);
    read.map_err(|error| ReadError::Io { path: "-".into(), error })?;
    if bytes.len() > limit { Err(ReadError::TooMuchInput { limit }) } else { Ok(bytes.into()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn standard_input_is_kept_up_to_its_limit() {
        assert_eq!(whole(&b"0123456789"[..], 10).unwrap().len(), 10);
        let error = whole(io::repeat(b'x'), 2_000_000).unwrap_err().to_string();
        let says = "standard input: over 2 MB came, the most that is kept in memory for a replay; save it to a file and replay that";
        assert_eq!(error, says);
    }
}
