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

mod batch;
pub mod bench;
mod calibrate;
mod class;
mod demo;
mod experiment;
mod footage;
mod outline;
mod over_time;
mod stills;
mod sweep;
mod watcher;

pub use crate::basics::frame::Frame;
pub use crate::basics::uncertainty::{Cause, Measured, Shape, rounded};
pub use crate::basics::units::{Angle, CircleReading, Wavelength};
pub use crate::capture::camera::{
    CameraDescription, CameraWish, Control, ControlName, Mode, PixelFormat, camera_process, cameras,
};
pub use crate::capture::{
    CaptureError, Fingerprint, FrameSource, Next, OpenOptions, Source, SourceInfo,
    end_with_standard_input, open as open_source,
};
pub use crate::find::{CrossHairs, FieldOfView, Hair, Line, Picture};
pub use crate::follow::{FollowedLine, Side, Sweep, TrackPoint, TurningPoint};
pub use crate::logbook::bench::{Bench, Sense};
pub use crate::logbook::record::{CalibrationRecord, WarningRecord};
pub use crate::logbook::scale::{Calibration, ReadyScale, ScalePoint};
pub use crate::logbook::table::{ReadingRow, Target};
pub use crate::logbook::track;
pub use crate::prism::Reduction;
pub use crate::prism::air::AirConditions;
pub use crate::prism::apex::FaceMethod;
pub use crate::prism::consensus::Consensus;
pub use crate::prism::dispersion::{DispersionFit, DispersionModel, StandardIndices};
pub use crate::prism::montecarlo::Compared;
pub use crate::prism::reduce::ReducedLine;
pub use crate::prism::resolving::Resolving;
pub use batch::{ClipProgram, watch_all};
pub use calibrate::{BenchProfile, Calibrated, calibrate, read_bench, read_calibration};
pub use class::{BenchOverTime, Class, ClassBench, ClassLine, class, refusal};
pub use demo::{Demonstration, Deviation, demonstrate};
pub use experiment::{Experiment, ReduceOptions, ReducedRow, reduce};
pub use footage::{MeasuredFootage, Seen};
pub use outline::{Outline, Step, StepKind, outline};
pub use stills::{LocatedFrame, locate, locate_in};
pub use sweep::{
    LineAngle, WatchOptions, WatchProgress, Watched, watch, watch_alone, watch_frames,
};

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
        Self {
            code: code.into(),
            message: message.into(),
        }
    }
}

impl From<&crate::basics::uncertainty::Caution> for Caution {
    fn from(caution: &crate::basics::uncertainty::Caution) -> Self {
        Self::new(caution.code, caution.message.clone())
    }
}

/// The world or the caller is at fault: one sentence that says what, where and what to do.
#[derive(Debug, thiserror::Error)]
pub enum SessionError {
    /// A source could not be read.
    #[error(transparent)]
    Capture(#[from] CaptureError),
    /// A table of readings could not be read.
    #[error(transparent)]
    Table(#[from] crate::logbook::table::TableError),
    /// A calibration could not be read.
    #[error(transparent)]
    Scale(#[from] crate::logbook::scale::ScaleError),
    /// A bench profile could not be used.
    #[error(transparent)]
    Bench(#[from] crate::logbook::bench::BenchError),
    /// Angles that give no result.
    #[error(transparent)]
    Prism(#[from] crate::prism::PrismError),
    /// Footage that a table names could not serve, or the table as a whole.
    #[error("{0}")]
    Footage(String),
}
