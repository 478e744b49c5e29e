//! Decoded values of recordings as text for other programs: one row for each reading line.
//!
//! Owns the columns, the two row formats and the summary of what was read. In: a recording and its configs. Out: bytes to any writer.
//! The values come from the same pipeline that drives the screen; nothing is computed here.

mod alarms;
mod columns;
mod row;
mod summary;
mod walk;

pub use alarms::{AlarmsRead, alarms};
pub use columns::{Column, Columns};
pub use row::{Csv, Format, Jsonl, Rows};
pub use summary::Summary;
pub use walk::{Exported, Options, run};
