//! SKELETON.
fn main() {}
