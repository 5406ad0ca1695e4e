//! The command line: one file a command.

pub mod ports;
pub mod profile;

pub fn main() -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}
