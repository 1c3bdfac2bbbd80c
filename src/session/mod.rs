//! The only place that joins the stages; what the command line (and a page) talks to.
//!
//! Goes in: paths, sources and settings in the user's words. Comes out: plain data, the result types
//! of the stages re-exported here. A session opens sources, hands frames from stage to stage and keeps
//! what was measured when a source fails part-way.
//!
//! It refuses what no stage can judge alone: a picture where a clip is needed, a clip of several lines
//! without a word which one is meant, footage without a camera scale.
//!
//! Formulas, printing and sockets do not belong here.
//!
//! Checked by `tests/simulated_runs.rs` (from footage to index) and `tests/command_line.rs`.

mod stills;
mod sweep;

pub use crate::capture::{CaptureError, Source, SourceInfo};
pub use crate::find::{CrossHairs, FieldOfView, Hair, Line, Picture};
pub use crate::follow::{FollowedLine, Side, Sweep, TrackPoint, TurningPoint};
pub use stills::{LocatedFrame, locate};
pub use sweep::{WatchOptions, Watched, WatchProgress, watch};

/// A sentence for the user about something doubtful, with a code for scripts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Caution {
    /// Short code, words joined by hyphens.
    pub code: String,
    /// One sentence: what is doubtful and what to do.
    pub message: String,
}

impl Caution {
    /// A caution from its code and sentence.
    pub fn new(code: impl Into<String>, message: impl Into<String>) -> Self {
        Self { code: code.into(), message: message.into() }
    }
}

/// The world or the caller is at fault: one sentence that says what, where and what to do.
#[derive(Debug, thiserror::Error)]
pub enum SessionError {
    /// A source could not be read.
    #[error(transparent)]
    Capture(#[from] CaptureError),
    /// Footage that a table names could not serve.
    #[error("{0}")]
    Footage(String),
}
