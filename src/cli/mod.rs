//! Flags in, checked settings and calls of `session` out; exit codes and the two output streams are decided here.
//!
//! Standard output gets the answer, as text or, with `--json`, as one document and nothing else; progress, cautions and
//! errors go to standard error. Exit status: 0 it ran, 2 bad usage or bad input, 3 a source failed part-way and
//! what was measured is printed.
//!
//! Measuring and computing do not belong here.
//!
//! Checked by `tests/command_line.rs`.

mod batch;
mod bench;
mod flags;
mod live;
mod outline;
mod progress;
mod run;
mod usage;

use std::io::Write;
use std::process::ExitCode;

use clap::Parser;
use clap::error::ErrorKind;

use crate::report::text;
use crate::session::{Caution, SessionError};
use flags::{Command, Flags};

/// Bad usage or bad input.
const BAD_INPUT: u8 = 2;
/// The source failed part-way; what was measured is printed.
const INCOMPLETE: u8 = 3;

/// What a command has to say.
struct Answer {
    /// For standard output.
    text: String,
    /// For standard error, where the text is not a document that holds them.
    cautions: Vec<Caution>,
    /// Whether the source was read to its end.
    complete: bool,
}

/// Why a command has no answer: one sentence.
#[derive(Debug, thiserror::Error)]
enum CliError {
    #[error(transparent)]
    Session(#[from] SessionError),
    #[error(transparent)]
    Simulate(#[from] crate::simulate::SimulateError),
    #[error("{0}")]
    Usage(String),
}

/// Runs the program.
#[must_use]
pub fn main() -> ExitCode {
    let flags = match Flags::try_parse() {
        Ok(flags) => flags,
        Err(error) => {
            // Help and version are answers, all else is bad usage. A closed pipe is the reader's choice.
            let shown = match error.kind() {
                ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => Some(ExitCode::SUCCESS),
                ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand => {
                    Some(ExitCode::from(BAD_INPUT))
                }
                _ => None,
            };
            if let Some(status) = shown {
                let _ = error.print();
                return status;
            }
            let _ = writeln!(
                std::io::stderr(),
                "lineturn: {}",
                usage::sentence(&error, std::env::args().skip(1))
            );
            return ExitCode::from(BAD_INPUT);
        }
    };
    let answer = match flags.command {
        Command::Demo(flags) => run::demo(&flags),
        Command::Locate(flags) => run::locate(&flags),
        Command::Watch(flags) => run::watch(&flags),
        Command::Cameras(flags) => live::cameras(&flags),
        Command::Bench(flags) => bench::bench(&flags),
        Command::CameraProcess(flags) => return crate::session::camera_process(&flags.task),
        Command::ClipProcess(flags) => batch::watch_clip(&flags),
        Command::Scale(flags) => run::scale(&flags),
        Command::Reduce(flags) => run::reduce(&flags),
        Command::Outline(flags) => outline::outline(&flags),
        Command::Class(flags) => run::class(&flags),
        Command::Practice(flags) => run::practice(&flags),
    };
    match answer {
        Ok(answer) => {
            let _ = std::io::stderr().write_all(text::cautions(&answer.cautions).as_bytes());
            let mut out = std::io::stdout().lock();
            let text = answer.text.trim_end();
            if !text.is_empty() {
                // Whoever closed standard output early does not want the rest.
                let _ = out
                    .write_all(text.as_bytes())
                    .and_then(|()| out.write_all(b"\n"));
            }
            let _ = out.flush();
            if answer.complete {
                ExitCode::SUCCESS
            } else {
                ExitCode::from(INCOMPLETE)
            }
        }
        Err(error) => {
            let _ = writeln!(std::io::stderr(), "lineturn: {error}");
            ExitCode::from(BAD_INPUT)
        }
    }
}
