//! empty
