//! The program: hands its arguments to the command line and the answer to the system.

use std::process::ExitCode;

fn main() -> ExitCode {
    kickpanel::cli::main()
}
