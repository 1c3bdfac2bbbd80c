//! The dispersion curve n(wavelength) and what is read off it.
//!
//! The lines share the refracting angle, so their indices are strongly correlated. The fit is generalised
//! least squares with that full covariance, solved with the common causes as extra unknowns of unit
//! width (`basics::fit::with_shared_causes`), which stays exact where the covariance is nearly singular.
//! Coefficients are linear in the indices, so every cause is carried on to n_d and the Abbe number.
//!
//! No short formula follows a real glass exactly. What the model itself may be off at d, F and C is found
//! by fitting it to exact catalogue indices of similar glasses at the same lines, and enters as a cause of type B.

use nalgebra::{DMatrix, DVector};

use crate::basics::fit::{FitError, LinearFit, aicc, chi_squared_probability, with_shared_causes};
use crate::basics::uncertainty::{
    Kind, Measured, correlated, covariance_matrix, own_and_shared, values_of,
};
use crate::basics::units::Wavelength;

use super::PrismError;
use super::glasses::{Glass, GlassTable};

/// Fraunhofer's d, 587.5618 nm in air (as used by glass catalogues).
pub const D_LINE: Wavelength = Wavelength::air_nm(587.5618);
/// Fraunhofer's F, 486.1327 nm in air.
pub const F_LINE: Wavelength = Wavelength::air_nm(486.1327);
/// Fraunhofer's C, 656.2725 nm in air.
pub const C_LINE: Wavelength = Wavelength::air_nm(656.2725);

/// An index is never weighed as known better than this: the formulas and tables stop there.
pub const INDEX_FLOOR: f64 = 1e-8;

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

    /// Number of coefficients.
    #[must_use]
    pub fn coefficients(self) -> usize {
        match self {
            Self::Cauchy { terms } => terms,
            Self::Sellmeier1 => 2,
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

    /// Index at a wavelength.
    #[must_use]
    pub fn value(self, coefficients: &DVector<f64>, wavelength: Wavelength) -> f64 {
        let x = per_um_squared(wavelength);
        match self {
            Self::Cauchy { .. } => coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c),
            Self::Sellmeier1 => (1.0 + coefficients[0] / (1.0 - coefficients[1] * x)).sqrt(),
        }
    }

    /// Derivatives of the index by the coefficients.
    #[must_use]
    pub fn gradient(self, coefficients: &DVector<f64>, wavelength: Wavelength) -> DVector<f64> {
        let x = per_um_squared(wavelength);
        match self {
            Self::Cauchy { terms } => DVector::from_fn(terms, |k, _| x.powi(k as i32)),
            Self::Sellmeier1 => {
                let n = self.value(coefficients, wavelength);
                let rest = 1.0 - coefficients[1] * x;
                DVector::from_vec(vec![
                    1.0 / (2.0 * n * rest),
                    coefficients[0] * x / (2.0 * n * rest * rest),
                ])
            }
        }
    }

    /// Derivative of the index by the wavelength in air, per nm.
    #[must_use]
    pub fn slope_per_nm(self, coefficients: &DVector<f64>, wavelength: Wavelength) -> f64 {
        let nm = wavelength.in_air_nm();
        let x = per_um_squared(wavelength);
        let by_x = match self {
            Self::Cauchy { .. } => coefficients
                .iter()
                .enumerate()
                .skip(1)
                .map(|(k, c)| c * k as f64 * x.powi(k as i32 - 1))
                .sum::<f64>(),
            Self::Sellmeier1 => {
                let rest = 1.0 - coefficients[1] * x;
                coefficients[0] * coefficients[1]
                    / (2.0 * self.value(coefficients, wavelength) * rest * rest)
            }
        };
        -2.0 * x / nm * by_x
    }
}

/// 1/λ² with λ in µm in air.
fn per_um_squared(wavelength: Wavelength) -> f64 {
    (1000.0 / wavelength.in_air_nm()).powi(2)
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
    /// By how many of its standard deviations the fit moves the common cause that it moves most, such as the
    /// refracting angle; 0 without common causes.
    pub largest_pull: f64,
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

/// Lines with their indices, as the fit takes them.
pub type IndexedLine = (Wavelength, Measured);

/// Fits one model.
///
/// # Errors
/// Too few different wavelengths, or indices that the model cannot follow.
pub fn fit_dispersion(
    lines: &[IndexedLine],
    model: DispersionModel,
) -> Result<DispersionFit, PrismError> {
    let needed = model.coefficients();
    let different = different_wavelengths(lines);
    if different < needed {
        return Err(PrismError(format!(
            "{} needs at least {needed} different wavelengths and there are {different}: measure more lines or take a simpler model",
            model.name()
        )));
    }
    let indices: Vec<Measured> = lines.iter().map(|(_, index)| index.clone()).collect();
    let wavelengths: Vec<Wavelength> = lines.iter().map(|(w, _)| *w).collect();
    let (own, shared) = own_and_shared(&indices);
    let own: Vec<f64> = own.iter().map(|u| u.max(INDEX_FLOOR)).collect();
    let values = values_of(&indices);
    let solved = solve(model, &wavelengths, &values, &own, &shared)?;
    let coefficients: Vec<Measured> = solved
        .fit
        .coefficients
        .iter()
        .zip(solved.fit.estimator.row_iter())
        .map(|(value, row)| {
            let inputs: Vec<(&Measured, f64)> = indices.iter().zip(row.iter().copied()).collect();
            Measured::combine(*value, &inputs)
        })
        .collect();
    let nm = |w: &Wavelength| w.in_air_nm();
    Ok(DispersionFit {
        model,
        chosen: false,
        covariance: covariance_matrix(&coefficients),
        coefficients,
        chi_squared: solved.fit.chi_squared,
        degrees_of_freedom: solved.fit.degrees_of_freedom,
        p_value: chi_squared_probability(solved.fit.chi_squared, solved.fit.degrees_of_freedom),
        aicc: aicc(solved.fit.chi_squared, different, needed),
        residuals: solved.fit.residuals.iter().copied().collect(),
        range_nm: (
            wavelengths.iter().map(nm).fold(f64::INFINITY, f64::min),
            wavelengths.iter().map(nm).fold(f64::NEG_INFINITY, f64::max),
        ),
        largest_pull: solved.pulls.iter().map(|t| t.abs()).fold(0.0, f64::max),
    })
}

/// Fits all models that the lines can bear and takes the one with the lowest AICc; with too few lines for
/// the criterion, the simple model with the lower chi-squared, Sellmeier's before Cauchy's where neither is tested.
///
/// # Errors
/// Fewer than two different wavelengths, or no model that fits at all.
pub fn choose_dispersion(lines: &[IndexedLine]) -> Result<DispersionFit, PrismError> {
    let mut best: Option<DispersionFit> = None;
    let mut first_error = None;
    for model in DispersionModel::ALL {
        let fit = match fit_dispersion(lines, model) {
            Ok(fit) => fit,
            Err(error) => {
                first_error.get_or_insert(error);
                continue;
            }
        };
        let better = match &best {
            None => true,
            Some(best) => match (fit.aicc, best.aicc) {
                (Some(new), Some(old)) => new < old,
                (None, None) => {
                    fit.model.coefficients() == best.model.coefficients()
                        && fit.degrees_of_freedom > 0
                        && fit.chi_squared < best.chi_squared
                }
                (Some(_), None) | (None, Some(_)) => false,
            },
        };
        if better {
            best = Some(fit);
        }
    }
    best.map(|mut fit| {
        fit.chosen = true;
        fit
    })
    .ok_or_else(|| {
        first_error.unwrap_or_else(|| PrismError("there are no lines to fit".to_owned()))
    })
}

/// Number of different wavelengths; such as lie within 0.001 nm count once.
fn different_wavelengths(lines: &[IndexedLine]) -> usize {
    let mut nm: Vec<f64> = lines.iter().map(|(w, _)| w.in_air_nm()).collect();
    nm.sort_by(f64::total_cmp);
    nm.dedup_by(|one, other| (*one - *other).abs() < 1e-3);
    nm.len()
}

struct Solved {
    fit: LinearFit,
    pulls: DVector<f64>,
}

/// Fits the model to indices; the one-term Sellmeier curve by Gauss and Newton's method from the exact
/// linear relation of 1/(n² - 1) and 1/λ².
fn solve(
    model: DispersionModel,
    wavelengths: &[Wavelength],
    indices: &DVector<f64>,
    own: &[f64],
    shared: &DMatrix<f64>,
) -> Result<Solved, PrismError> {
    const ROUNDS: usize = 30;
    let failed = |error: FitError| {
        PrismError(format!(
            "{} cannot follow these indices: {error}",
            model.name()
        ))
    };
    let design_at = |coefficients: &DVector<f64>| {
        DMatrix::from_fn(wavelengths.len(), model.coefficients(), |row, column| {
            model.gradient(coefficients, wavelengths[row])[column]
        })
    };
    if matches!(model, DispersionModel::Cauchy { .. }) {
        let design = design_at(&DVector::zeros(model.coefficients()));
        let (fit, pulls) =
            with_shared_causes(&design, indices.as_slice(), own, shared).map_err(failed)?;
        return Ok(Solved { fit, pulls });
    }
    let mut coefficients = sellmeier_start(wavelengths, indices).map_err(failed)?;
    for _ in 0..ROUNDS {
        let design = design_at(&coefficients);
        let curve = DVector::from_fn(wavelengths.len(), |row, _| {
            model.value(&coefficients, wavelengths[row])
        });
        // Linear about the present curve: indices - curve + design · coefficients.
        let ordinates = indices - curve + &design * &coefficients;
        let (mut fit, pulls) =
            with_shared_causes(&design, ordinates.as_slice(), own, shared).map_err(failed)?;
        let change = (&fit.coefficients - &coefficients).norm() / coefficients.norm();
        coefficients.copy_from(&fit.coefficients);
        if !plausible_sellmeier(&coefficients, wavelengths) {
            break;
        }
        if change < 1e-12 {
            fit.residuals = DVector::from_fn(wavelengths.len(), |row, _| {
                indices[row] - model.value(&coefficients, wavelengths[row])
            });
            return Ok(Solved { fit, pulls });
        }
    }
    Err(PrismError(
        "sellmeier-1 cannot follow these indices: they do not fall smoothly from violet to red; check that the lines are named rightly".to_owned(),
    ))
}

/// Numerator above 0 and the resonance on the far side of the violet, so that the root is real at all lines.
fn plausible_sellmeier(coefficients: &DVector<f64>, wavelengths: &[Wavelength]) -> bool {
    coefficients[0] > 0.0
        && wavelengths
            .iter()
            .all(|w| 1.0 - coefficients[1] * per_um_squared(*w) > 0.0)
}

/// B and C from the straight line 1/(n² - 1) = 1/B - (C/B)/λ².
fn sellmeier_start(
    wavelengths: &[Wavelength],
    indices: &DVector<f64>,
) -> Result<DVector<f64>, FitError> {
    let x: Vec<f64> = wavelengths.iter().map(|w| per_um_squared(*w)).collect();
    let y: Vec<f64> = indices.iter().map(|n| 1.0 / (n * n - 1.0)).collect();
    let line = crate::basics::fit::straight_line(&x, &y, None)?;
    let (intercept, slope) = (line.coefficients[0], line.coefficients[1]);
    Ok(DVector::from_vec(vec![1.0 / intercept, -slope / intercept]))
}

impl DispersionFit {
    /// Index at a wavelength, with all causes of the measurement.
    #[must_use]
    pub fn index_at(&self, wavelength: Wavelength) -> Measured {
        let values = values_of(&self.coefficients);
        let gradient = self.model.gradient(&values, wavelength);
        let inputs: Vec<(&Measured, f64)> = self
            .coefficients
            .iter()
            .zip(gradient.iter().copied())
            .collect();
        Measured::combine(self.model.value(&values, wavelength), &inputs)
    }

    /// Derivative of the index by the wavelength in air, per nm.
    #[must_use]
    pub fn slope_per_nm(&self, wavelength: Wavelength) -> f64 {
        self.model
            .slope_per_nm(&values_of(&self.coefficients), wavelength)
    }

    /// Indices at wavelengths, with what the model itself may be off there as a further cause. `lines` are
    /// those of the fit; without similar glasses the model counts as exact.
    #[must_use]
    pub fn indices_with_departure(
        &self,
        at: &[Wavelength],
        lines: &[IndexedLine],
        glasses: &GlassTable,
    ) -> Vec<Measured> {
        let measured: Vec<Measured> = at.iter().map(|w| self.index_at(*w)).collect();
        let departure = self.departures(at, lines, glasses).and_then(|moments| {
            correlated(
                &vec![0.0; at.len()],
                &moments,
                "dispersion model against real glasses",
                Kind::B,
                f64::INFINITY,
            )
        });
        match departure {
            Some(departure) => measured
                .iter()
                .zip(&departure)
                .map(|(index, off)| index.plus(off))
                .collect(),
            None => measured,
        }
    }

    /// Second moments, about zero, of prediction minus truth when the model is fitted to exact catalogue
    /// indices of glasses like this one at the same lines with the same weights.
    fn departures(
        &self,
        at: &[Wavelength],
        lines: &[IndexedLine],
        glasses: &GlassTable,
    ) -> Option<DMatrix<f64>> {
        let indices: Vec<Measured> = lines.iter().map(|(_, index)| index.clone()).collect();
        let wavelengths: Vec<Wavelength> = lines.iter().map(|(w, _)| *w).collect();
        let (own, shared) = own_and_shared(&indices);
        let own: Vec<f64> = own.iter().map(|u| u.max(INDEX_FLOOR)).collect();
        let mut moments = DMatrix::zeros(at.len(), at.len());
        let mut count = 0usize;
        for glass in self.similar(glasses) {
            let exact = DVector::from_fn(wavelengths.len(), |row, _| glass.index(wavelengths[row]));
            let Ok(solved) = solve(self.model, &wavelengths, &exact, &own, &shared) else {
                continue;
            };
            let off = DVector::from_fn(at.len(), |row, _| {
                self.model.value(&solved.fit.coefficients, at[row]) - glass.index(at[row])
            });
            moments += &off * off.transpose();
            count += 1;
        }
        (count > 0).then(|| moments / count as f64)
    }

    /// Catalogue glasses whose index and dispersion are near; at least the nearest three.
    fn similar<'a>(&self, glasses: &'a GlassTable) -> Vec<&'a Glass> {
        const NEAR_INDEX: f64 = 0.06;
        const NEAR_DISPERSION: f64 = 0.2;
        const FEWEST: usize = 3;
        let n_d = self.index_at(D_LINE).value();
        let dispersion = self.index_at(F_LINE).value() - self.index_at(C_LINE).value();
        let mut by_distance: Vec<(f64, &Glass)> = glasses
            .glasses
            .iter()
            .map(|glass| {
                let index = (glass.index(D_LINE) - n_d) / NEAR_INDEX;
                let relative = (glass.principal_dispersion() / dispersion - 1.0) / NEAR_DISPERSION;
                (index.hypot(relative), glass)
            })
            .filter(|(distance, _)| distance.is_finite())
            .collect();
        by_distance.sort_by(|one, other| one.0.total_cmp(&other.0));
        let near = by_distance.iter().filter(|(d, _)| *d <= 1.0).count();
        by_distance
            .into_iter()
            .take(near.max(FEWEST))
            .map(|(_, glass)| glass)
            .collect()
    }

    /// Indices at d, F and C and the Abbe number, with what the model itself may be off.
    #[must_use]
    pub fn standard(&self, lines: &[IndexedLine], glasses: &GlassTable) -> Option<StandardIndices> {
        let indices = self.indices_with_departure(&[D_LINE, F_LINE, C_LINE], lines, glasses);
        let [n_d, n_f, n_c] = <[Measured; 3]>::try_from(indices).ok()?;
        let dispersion = n_f.minus(&n_c);
        // A dispersion that is not clearly above 0 gives no Abbe number.
        let abbe_number = (dispersion.value() > 3.0 * dispersion.u())
            .then(|| n_d.shifted(-1.0).divided_by(&dispersion))
            .flatten();
        Some(StandardIndices {
            n_d,
            n_f,
            n_c,
            abbe_number,
        })
    }
}
