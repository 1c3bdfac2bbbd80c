//! The whole way from pointings to results.

use nalgebra::DMatrix;

use crate::basics::uncertainty::Measured;
use crate::basics::units::Wavelength;

use super::air::AirConditions;
use super::apex::FacePair;
use super::dispersion::{DispersionFit, DispersionModel, StandardIndices};
use super::glasses::{GlassMatch, GlassTable};
use super::lamps::LampTable;
use super::unknown::UnknownLine;
use super::{Caution, PrismError};

/// At what the telescope was pointed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PointedAt {
    /// A spectral line at minimum deviation.
    Line,
    /// The slit seen straight.
    Central,
    /// The slit reflected from the first face.
    Face1,
    /// The slit reflected from the second face.
    Face2,
}

/// One corrected pointing of the telescope.
#[derive(Clone, Debug)]
pub struct Pointed {
    /// Row of the table, for messages.
    pub row: usize,
    /// Pointings of one set belong together.
    pub set: String,
    /// At what the telescope was pointed.
    pub target: PointedAt,
    /// Name of the line.
    pub line: Option<String>,
    /// Its wavelength.
    pub wavelength: Option<Wavelength>,
    /// Reading with the cross-hair on the target, degrees, with its causes.
    pub reading_deg: Measured,
}

/// What is asked besides the table.
#[derive(Clone, Debug, Default)]
pub struct ReductionOptions {
    /// Refracting angle where it is known from elsewhere, degrees, with its uncertainty.
    pub prism_angle_deg: Option<Measured>,
    /// Dispersion model; none lets the data choose.
    pub model: Option<DispersionModel>,
    /// Air around the prism; then `absolute` results are given too.
    pub air: Option<AirConditions>,
}

/// One line with its results.
#[derive(Clone, Debug)]
pub struct ReducedLine {
    /// Name of the line, or its wavelength where the table gives none.
    pub line: String,
    /// Its wavelength; none for an unknown line.
    pub wavelength: Option<Wavelength>,
    /// Set in which it was read.
    pub set: String,
    /// Minimum deviation, degrees, without sign.
    pub deviation_deg: Measured,
    /// Index relative to the air around the prism.
    pub index: Measured,
    /// Index relative to vacuum, where the air was given.
    pub index_absolute: Option<Measured>,
    /// Measured index minus dispersion curve; none where the line took no part in the fit.
    pub residual: Option<f64>,
}

/// Everything that follows from a table of pointings.
#[derive(Clone, Debug)]
pub struct Reduction {
    /// Refracting angle, degrees.
    pub prism_angle_deg: Measured,
    /// Pairs of face readings that gave it; empty where it was given.
    pub face_pairs: Vec<FacePair>,
    /// Lines of known wavelength, in the order of the table.
    pub lines: Vec<ReducedLine>,
    /// Covariance of the indices of `lines`.
    pub index_covariance: DMatrix<f64>,
    /// Dispersion curve, or the sentence that says why there is none.
    pub dispersion: Result<DispersionFit, String>,
    /// Indices at the standard lines, and the Abbe number.
    pub standard: Option<StandardIndices>,
    /// Catalogue glasses, best match first.
    pub glasses: Vec<GlassMatch>,
    /// Rows with a line but no wavelength.
    pub unknown_lines: Vec<UnknownLine>,
    /// What is doubtful.
    pub cautions: Vec<Caution>,
}

/// Reduces corrected pointings.
///
/// # Errors
/// A table that is not complete or contradicts itself, or angles that give no index: one sentence that names the row.
pub fn reduce(
    pointings: &[Pointed],
    options: &ReductionOptions,
    lamps: &LampTable,
    glasses: &GlassTable,
) -> Result<Reduction, PrismError> {
    let _ = (pointings, options, lamps, glasses);
    Err(PrismError("not written yet".to_owned()))
}
