//! Practice footage: pictures of an eyepiece whose answer is known.
//!
//! Goes in: the name of a scenario and a number from which its chance is drawn. Comes out: frames,
//! clips or a whole experiment as files, with their truth: positions in pixels of the final picture
//! ((0, 0) the centre of the top-left pixel, x to the right, y down), times in seconds from the
//! middle of the first exposure, angles in degrees or seconds of arc in the sense of the divided
//! circle.
//!
//! Rays from points of the slit are refracted at both faces of the prism by Snell's law in vector
//! form; telescope and eyepiece map their directions to the picture, where each slit image is drawn
//! as a blurred box, integrated over pixels and over parts of the exposure. A hand with drift,
//! tremor and stick-slip turns the table; a sensor with photon noise, fixed pattern and a gamma takes
//! the picture. Glass and lamp lines are published figures (see `glass`); brightnesses, hands and
//! cameras are invented.
//!
//! Refuses a scenario that it does not know, a format that cannot hold wandering frame times, and
//! H.264 where there is no `ffmpeg`; each in one sentence.
//!
//! Nothing of `find`, `follow`, `logbook` or `prism` belongs here, nor a formula shared with them:
//! a simulation that shares a mistake with the analysis proves nothing. Minimum deviation is found
//! by turning the traced table, not by its formula.
//!
//! Checked against two independent ray tracers, in the circle's plane and out of it, to 1e-9 degrees
//! (`optics::tests::deviations_agree_with_two_other_ray_tracers`,
//! `skew_rays_agree_with_two_other_ray_tracers`); the drawn line against its truth to 0.001 px
//! (`tests::a_clean_line_has_its_centre_of_gravity_on_the_true_axis`); light that a hair shades, which
//! is multiplied in half pixels, against the integral in fiftieths of a pixel
//! (`eyepiece::tests::light_and_hair_are_multiplied_before_the_lens_blurs_them`); light, noise and turns
//! by the tests beside it.
//!
//! Not simulated: the hairs' diffraction, asymmetric aberrations (coma), rolling shutter, a line's
//! own shape (it is taken as sharp), scatter in the prism.

mod bound;
mod camera;
mod demonstration;
mod experiment;
mod eyepiece;
mod film;
mod glass;
mod hand;
mod optics;
mod rendering;
mod scenarios;
mod scene;
mod truth;

pub use bound::FrameBounds;
pub use camera::{Camera, Picture, Sensor};
pub use demonstration::demonstration;
pub use experiment::{ExperimentTruth, write_experiment};
pub use eyepiece::{Eyepiece, Hairs, Speck};
pub use film::{Format, ffmpeg_is_there, write, write_clip, write_still};
pub use glass::{CADMIUM, F2, GLASSES, Glass, HELIUM, LampLine, MERCURY, SODIUM};
pub use hand::{Motion, Move, Unsteadiness};
pub use optics::Prism;
pub use rendering::Rendering;
pub use scenarios::{passes, scenario_names, scene};
pub use scene::{Bench, LampLight, Path, Scene, Slip, Slit};
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
    #[error("{path} cannot be written: {why}; choose another folder or free some space")]
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
            // The system's number means nothing to whoever is to act upon it.
            why: why
                .to_string()
                .split(" (os error")
                .next()
                .unwrap_or_default()
                .to_owned(),
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests;
