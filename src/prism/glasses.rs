//! Comparison with catalogue glasses, from `calibration/glasses.toml`.
//!
//! The measured indices are compared with each material's catalogue curve by chi-squared with their full
//! covariance, widened by what a piece of that name may differ: one shift of all indices and one stretch
//! of its dispersion. Glasses that stay probable cannot be told apart by this measurement.

use nalgebra::DMatrix;
use serde::Deserialize;

use crate::basics::fit::{chi_squared_probability, chi_squared_with_shared};
use crate::basics::uncertainty::{Measured, own_and_shared};
use crate::basics::units::{Wavelength, standard_air_index};

use super::PrismError;
use super::dispersion::{C_LINE, D_LINE, F_LINE, INDEX_FLOOR};

/// Text of the table that comes with the program.
pub const GLASSES_TOML: &str = include_str!("../../calibration/glasses.toml");

/// A glass is a match while chi-squared is at least as large by chance with this probability.
pub const MATCH_PROBABILITY: f64 = 0.05;

/// Glasses listed at most.
const LISTED: usize = 10;

/// Glasses listed in any case, so that a measurement that fits none shows what is nearest.
const LISTED_ALWAYS: usize = 3;

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
    /// Whether the formula gives the index relative to vacuum at a vacuum wavelength.
    pub absolute: bool,
    /// Standard uncertainty of the index of a piece of that name, common to all wavelengths.
    pub u_n: f64,
    /// Relative standard uncertainty of its dispersion.
    pub u_dispersion: f64,
}

impl Glass {
    /// Index relative to standard air by the Sellmeier formula n² = 1 + sum of b λ² / (λ² - c).
    #[must_use]
    pub fn index(&self, wavelength: Wavelength) -> f64 {
        let nm = if self.absolute {
            wavelength.in_vacuum_nm()
        } else {
            wavelength.in_air_nm()
        };
        let squared = (nm / 1000.0).powi(2);
        let sum: f64 = self
            .b
            .iter()
            .zip(&self.c_um2)
            .map(|(b, c)| b * squared / (squared - c))
            .sum();
        let index = (1.0 + sum).sqrt();
        if self.absolute {
            index / standard_air_index(nm)
        } else {
            index
        }
    }

    /// n_F - n_C.
    #[must_use]
    pub fn principal_dispersion(&self) -> f64 {
        self.index(F_LINE) - self.index(C_LINE)
    }

    /// Abbe number (n_d - 1) / (n_F - n_C).
    #[must_use]
    pub fn abbe_number(&self) -> f64 {
        (self.index(D_LINE) - 1.0) / self.principal_dispersion()
    }
}

/// The catalogue.
#[derive(Clone, Debug, PartialEq)]
pub struct GlassTable {
    /// The materials.
    pub glasses: Vec<Glass>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TableRecord {
    glass: Vec<GlassRecord>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct GlassRecord {
    name: String,
    b: Vec<f64>,
    c_um2: Vec<f64>,
    #[serde(default)]
    absolute: bool,
    u_n: f64,
    u_dispersion: f64,
    source: String,
}

impl GlassTable {
    /// The table that comes with the program.
    ///
    /// # Errors
    /// None in practice: a test reads it.
    pub fn embedded() -> Result<Self, PrismError> {
        Self::parse(GLASSES_TOML)
    }

    /// Reads a table from TOML text.
    ///
    /// # Errors
    /// A sentence that names the entry that is wrong.
    pub fn parse(text: &str) -> Result<Self, PrismError> {
        let record: TableRecord = toml::from_str(text)
            .map_err(|error| PrismError(format!("the glass table cannot be read: {error}")))?;
        let glasses = record
            .glass
            .into_iter()
            .map(|entry| {
                let wrong = |what: &str| PrismError(format!("glass table, {}: {what}", entry.name));
                if entry.b.is_empty() || entry.b.len() != entry.c_um2.len() {
                    return Err(wrong("b and c_um2 must have the same number of entries"));
                }
                if !(entry.u_n > 0.0 && entry.u_dispersion > 0.0) {
                    return Err(wrong("u_n and u_dispersion must be above 0"));
                }
                let glass = Glass {
                    name: entry.name.clone(),
                    source: entry.source.clone(),
                    b: entry.b.clone(),
                    c_um2: entry.c_um2.clone(),
                    absolute: entry.absolute,
                    u_n: entry.u_n,
                    u_dispersion: entry.u_dispersion,
                };
                let falls = glass.index(D_LINE) > 1.0 && glass.principal_dispersion() > 0.0;
                if !falls {
                    return Err(wrong(
                        "its curve does not give an index above 1 that falls from F to C",
                    ));
                }
                Ok(glass)
            })
            .collect::<Result<Vec<_>, _>>()?;
        Ok(Self { glasses })
    }

    /// Compares measured indices with all materials, best match first. Empty without lines.
    #[must_use]
    pub fn compared(&self, lines: &[(Wavelength, Measured)]) -> Vec<GlassMatch> {
        if lines.is_empty() {
            return Vec::new();
        }
        let indices: Vec<Measured> = lines.iter().map(|(_, index)| index.clone()).collect();
        let (own, shared) = own_and_shared(&indices);
        let own: Vec<f64> = own.iter().map(|u| u.max(INDEX_FLOOR)).collect();
        let mut matches: Vec<GlassMatch> = self
            .glasses
            .iter()
            .filter_map(|glass| match_of(glass, lines, &own, &shared))
            .collect();
        matches.sort_by(|one, other| one.chi_squared.total_cmp(&other.chi_squared));
        let listed = matches
            .iter()
            .take(LISTED)
            .filter(|found| found.p_value >= 1e-3)
            .count();
        matches.truncate(listed.max(LISTED_ALWAYS));
        matches
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
    /// Chi-squared over all lines with full covariance and the piece's tolerance.
    pub chi_squared: f64,
    /// Number of lines compared.
    pub degrees_of_freedom: usize,
    /// Probability of a chi-squared at least as large.
    pub p_value: f64,
    /// Whether the prism may be of this glass: all glasses so marked cannot be told apart by this measurement.
    pub possible: bool,
}

fn match_of(
    glass: &Glass,
    lines: &[(Wavelength, Measured)],
    own: &[f64],
    shared: &DMatrix<f64>,
) -> Option<GlassMatch> {
    let n_d = glass.index(D_LINE);
    let catalogue: Vec<f64> = lines.iter().map(|(w, _)| glass.index(*w)).collect();
    let residuals: Vec<f64> = lines
        .iter()
        .zip(&catalogue)
        .map(|((_, index), n)| index.value() - n)
        .collect();
    let causes = shared.ncols();
    let widened = DMatrix::from_fn(lines.len(), causes + 2, |row, column| {
        if column < causes {
            shared[(row, column)]
        } else if column == causes {
            glass.u_n
        } else {
            (catalogue[row] - n_d) * glass.u_dispersion
        }
    });
    // A stretch of the dispersion does nothing to lines at d alone: such a column is left out.
    let useful: Vec<usize> = (0..widened.ncols())
        .filter(|column| widened.column(*column).norm() > 0.0)
        .collect();
    let chi_squared =
        chi_squared_with_shared(&residuals, own, &widened.select_columns(&useful)).ok()?;
    let p_value = chi_squared_probability(chi_squared, lines.len())?;
    Some(GlassMatch {
        name: glass.name.clone(),
        n_d,
        abbe_number: glass.abbe_number(),
        chi_squared,
        degrees_of_freedom: lines.len(),
        p_value,
        possible: p_value >= MATCH_PROBABILITY,
    })
}
