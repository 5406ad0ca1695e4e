//! The command line: one file a command.
pub mod simulate;

pub fn main() -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}
