//! Flags in, calls of `session` out; exit codes are decided here.

/// Runs the program.
#[must_use]
pub fn main() -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}
