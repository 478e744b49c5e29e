//! Decoded values of recordings as text for other programs: one row for each reading line.
//!
//! Owns the two row formats and the summary of what was read. In: a recording and a model. Out: bytes to any writer.
//! The values come from the same pipeline that drives the screen; nothing is computed here.

mod row;
mod summary;
mod walk;

pub use row::{Csv, Format, Jsonl, Rows};
pub use summary::Summary;
pub use walk::{Options, run};
