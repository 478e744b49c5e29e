//! Recordings played back.
mod feed;
pub use feed::{Fed, Feed};
