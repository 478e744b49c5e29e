//! Calibration against a gauge that is trusted: pairs, the fit through them, and the config that follows.
//!
//! Owns when a raw value is steady enough, the fits, the edit of the config text that leaves every other byte alone, and
//! its safe writing. In: readings, what the gauge says, the text of the config. Out: a [`Proposal`] with the new text,
//! and words about it. What is written is loaded first and must mean the old config with nothing but that changed.

mod edit;
mod fit;
mod gather;
mod propose;
mod replace;
mod session;
mod words;

pub use edit::{Table, with_calibration, with_curve};
pub use fit::{Line, line, steinhart_hart};
pub use gather::{LOOKS, Mean, SPAN, Scale, Taken, Unsteady, Window};
pub use propose::{Change, Pair, Proposal, Refusal, Wanted, bare, propose};
pub use replace::{Folder, Replaced, Unwritten, folder_of, replace};
pub use session::{Ended, Live, listen, reading};
pub use words::{caution, lines, unsteady};
