//! The program: hands its arguments to the command line and its answer to the system.

fn main() {}
