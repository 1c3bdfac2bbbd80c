//! Practice footage: pictures of an eyepiece whose answer is known.
//!
//! Goes in: the name of a scenario and a number from which its chance is drawn. Comes out: frames,
//! clips or a whole experiment as files, with the true positions in pixels of the final picture
//! ((0, 0) the centre of the top-left pixel, y down), times in seconds from the first frame, and
//! angles in the sense of the divided circle.

mod camera;
mod experiment;
mod eyepiece;
mod film;
mod glass;
mod hand;
mod optics;
mod scenarios;
mod scene;
mod truth;

pub use camera::{Camera, Picture, Sensor};
pub use experiment::{ExperimentTruth, write_experiment};
pub use eyepiece::{Eyepiece, Hairs, Speck};
pub use film::{Format, ffmpeg_is_there, write, write_clip, write_still};
pub use glass::{CADMIUM, F2, GLASSES, Glass, HELIUM, LampLine, MERCURY, SODIUM};
pub use hand::{Motion, Move, Unsteadiness};
pub use optics::Prism;
pub use scenarios::{scenario_names, scene};
pub use scene::{Bench, LampLight, Path, Rendering, Scene, Slip, Slit};
pub use truth::{
    EventTruth, FieldTruth, FrameTruth, HairsTruth, LineInFrame, LineTruth, SceneTruth, TruthFile,
    TurnTruth,
};

/// Why practice footage could not be made.
#[derive(Debug, thiserror::Error)]
pub enum SimulateError {
    /// The scenario is not known.
    #[error("there is no scenario \"{name}\"; known are: {known}")]
    UnknownScenario {
        /// What was asked for.
        name: String,
        /// What there is.
        known: String,
    },
    /// A file or folder cannot be written.
    #[error("{path}: cannot be written: {why}; choose another folder or free some space")]
    File {
        /// The file or folder.
        path: String,
        /// What the system says.
        why: String,
    },
    /// Anything else, in one sentence.
    #[error("{0}")]
    Other(String),
}

impl SimulateError {
    fn file(path: &std::path::Path, why: &std::io::Error) -> Self {
        Self::File {
            path: path.display().to_string(),
            why: why.to_string(),
        }
    }
}
