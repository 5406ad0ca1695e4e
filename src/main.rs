//! The door: parse, dispatch, exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    backwall::cli::main()
}
