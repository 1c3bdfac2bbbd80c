//! Wavelengths of lines that came without one.

use crate::basics::uncertainty::Measured;

/// A lamp line that may be the unknown one.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    /// Name of the lamp line.
    pub name: String,
    /// Its wavelength in air, nm.
    pub wavelength_nm: f64,
    /// Distance from the measured wavelength in standard uncertainties.
    pub distance_in_u: f64,
}

/// A line whose wavelength was measured.
#[derive(Clone, Debug)]
pub struct UnknownLine {
    /// Name in the table.
    pub line: String,
    /// Set in which it was read.
    pub set: String,
    /// Minimum deviation, degrees.
    pub deviation_deg: Measured,
    /// Index.
    pub index: Measured,
    /// Wavelength in air, nm, or the sentence that says why there is none.
    pub wavelength_nm: Result<Measured, String>,
    /// Lamp lines that fit, nearest first.
    pub candidates: Vec<Candidate>,
}
