//! The dispersion curve n(wavelength) and what is read off it.
//!
//! The lines share the refracting angle, so their indices are strongly correlated. The fit is generalised
//! least squares with that full covariance, solved with the common causes as extra unknowns of unit
//! width (`basics::fit::with_shared_causes`), which stays exact where the covariance is nearly singular.
//! Coefficients are linear in the indices, so every cause is carried on to n_d and the Abbe number.
//!
//! No short formula follows a real glass exactly. What the model itself is off at d, F and C is found by fitting
//! it to exact catalogue indices of similar glasses at the same lines: what is common to them is corrected (a known
//! effect is no uncertainty: JCGM 100, 3.2.3), and by how much single glasses differ enters as a cause of type B.

use nalgebra::{DMatrix, DVector};

use crate::basics::fit::{
    Curve, FitError, LinearFit, aicc, chi_squared_probability, nonlinear, with_shared_causes,
};
use crate::basics::uncertainty::{
    Cause, Kind, Measured, correlated, covariance_matrix, own_and_shared, values_of,
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

/// e of glass catalogues, 546.0740 nm in air.
pub const E_LINE: Wavelength = Wavelength::air_nm(546.0740);
/// F' of glass catalogues, cadmium, 479.9914 nm in air.
pub const F_PRIME_LINE: Wavelength = Wavelength::air_nm(479.9914);
/// C' of glass catalogues, cadmium, 643.8469 nm in air.
pub const C_PRIME_LINE: Wavelength = Wavelength::air_nm(643.8469);
/// g of glass catalogues, mercury, 435.8343 nm in air.
pub const G_LINE: Wavelength = Wavelength::air_nm(435.8343);

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
    /// n² = 1 + sum of B λ² / (λ² - C) over `terms`, 2 or 3; λ in µm in air. Coefficients are all B, then all C in µm².
    Sellmeier {
        /// Number of terms, 2 or 3.
        terms: usize,
    },
    /// n = A + B / (λ - C); λ in µm in air.
    Hartmann,
}

impl DispersionModel {
    /// Models among which the lines choose, simplest first. Sellmeier curves with several terms are fitted on request only: lines
    /// in the visible hardly ever determine them.
    pub const CHOSEN_FROM: [Self; 5] = [
        Self::Sellmeier1,
        Self::Cauchy { terms: 2 },
        Self::Hartmann,
        Self::Cauchy { terms: 3 },
        Self::Cauchy { terms: 4 },
    ];

    /// All models.
    pub const ALL: [Self; 7] = [
        Self::Sellmeier1,
        Self::Cauchy { terms: 2 },
        Self::Hartmann,
        Self::Cauchy { terms: 3 },
        Self::Cauchy { terms: 4 },
        Self::Sellmeier { terms: 2 },
        Self::Sellmeier { terms: 3 },
    ];

    /// Name as on the command line: `cauchy-2`, `cauchy-3`, `cauchy-4`, `sellmeier-1`, `sellmeier-2`,
    /// `sellmeier-3`, `hartmann`.
    #[must_use]
    pub fn name(self) -> String {
        match self {
            Self::Cauchy { terms } => format!("cauchy-{terms}"),
            Self::Sellmeier1 => "sellmeier-1".to_owned(),
            Self::Sellmeier { terms } => format!("sellmeier-{terms}"),
            Self::Hartmann => "hartmann".to_owned(),
        }
    }

    /// Number of coefficients.
    #[must_use]
    pub fn coefficients(self) -> usize {
        match self {
            Self::Cauchy { terms } => terms,
            Self::Sellmeier1 => 2,
            Self::Sellmeier { terms } => 2 * terms,
            Self::Hartmann => 3,
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
                    "there is no dispersion model \"{name}\": use cauchy-2, cauchy-3, cauchy-4, sellmeier-1, sellmeier-2, sellmeier-3 or hartmann"
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
            Self::Sellmeier { terms } => {
                let sum: f64 = (0..terms)
                    .map(|k| coefficients[k] / (1.0 - coefficients[terms + k] * x))
                    .sum();
                (1.0 + sum).sqrt()
            }
            Self::Hartmann => {
                coefficients[0] + coefficients[1] / (um(wavelength) - coefficients[2])
            }
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
            Self::Sellmeier { terms } => {
                let n = self.value(coefficients, wavelength);
                DVector::from_fn(2 * terms, |row, _| {
                    let k = row % terms;
                    let rest = 1.0 - coefficients[terms + k] * x;
                    if row < terms {
                        1.0 / (2.0 * n * rest)
                    } else {
                        coefficients[k] * x / (2.0 * n * rest * rest)
                    }
                })
            }
            Self::Hartmann => {
                let rest = um(wavelength) - coefficients[2];
                DVector::from_vec(vec![1.0, 1.0 / rest, coefficients[1] / (rest * rest)])
            }
        }
    }

    /// Derivative of the index by the wavelength in air, per nm.
    #[must_use]
    pub fn slope_per_nm(self, coefficients: &DVector<f64>, wavelength: Wavelength) -> f64 {
        let nm = wavelength.in_air_nm();
        let x = per_um_squared(wavelength);
        if self == Self::Hartmann {
            let rest = um(wavelength) - coefficients[2];
            return -1e-3 * coefficients[1] / (rest * rest);
        }
        let by_x = match self {
            Self::Hartmann => 0.0,
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
            Self::Sellmeier { terms } => {
                let sum: f64 = (0..terms)
                    .map(|k| {
                        let rest = 1.0 - coefficients[terms + k] * x;
                        coefficients[k] * coefficients[terms + k] / (rest * rest)
                    })
                    .sum();
                sum / (2.0 * self.value(coefficients, wavelength))
            }
        };
        -2.0 * x / nm * by_x
    }
}

/// 1/λ² with λ in µm in air.
fn per_um_squared(wavelength: Wavelength) -> f64 {
    (1000.0 / wavelength.in_air_nm()).powi(2)
}

/// λ in µm in air.
fn um(wavelength: Wavelength) -> f64 {
    wavelength.in_air_nm() / 1000.0
}

/// A fitted dispersion curve.
#[derive(Clone, Debug)]
pub struct DispersionFit {
    /// The model.
    pub model: DispersionModel,
    /// Whether the data chose it.
    pub chosen: bool,
    /// Coefficients with all causes; Cauchy in µm^(2k), Sellmeier all B (no unit), then all C (µm²), Hartmann A (no unit), B and C (µm).
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
    /// How well the model gives n_F - n_C; none where it was not compared with glasses.
    pub worth: Option<ModelWorth>,
}

/// Standard uncertainties of n_F - n_C that go with a model.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ModelWorth {
    /// From the measurement.
    pub u_measured: f64,
    /// By how much single glasses like this one differ from the model, after its known departure is corrected.
    pub u_departure: f64,
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
    /// At e, 546.0740 nm.
    pub n_e: Measured,
    /// (n_e - 1) / (n_F' - n_C').
    pub abbe_number_e: Option<Measured>,
    /// Relative partial dispersion (n_g - n_F) / (n_F - n_C).
    pub partial_dispersion_g_f: Option<Measured>,
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
    if let Some((wavelength, index)) = lines.iter().find(|(wavelength, index)| {
        let nm = wavelength.in_air_nm();
        !(nm.is_finite() && nm > 0.0 && index.value().is_finite() && index.u().is_finite())
    }) {
        return Err(PrismError(format!(
            "the line at {} nm has an index of {} with an uncertainty of {}, which no curve can use: correct its row",
            wavelength.in_air_nm(),
            index.value(),
            index.u()
        )));
    }
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
        worth: None,
    })
}

/// All models to choose from that the lines can bear, simplest first, each with what it is worth for n_F - n_C.
#[must_use]
pub fn fit_all(lines: &[IndexedLine], glasses: &GlassTable) -> Vec<DispersionFit> {
    DispersionModel::CHOSEN_FROM
        .into_iter()
        .filter_map(|model| fit_dispersion(lines, model).ok())
        .map(|mut fit| {
            fit.worth = fit.worth(lines, glasses);
            fit
        })
        .collect()
}

/// Takes the model that promises the smallest error of n_F - n_C: the square of the measurement's uncertainty and
/// four times that of what real glasses differ from the model. The factor keeps the part that is the same in every
/// repeat of one glass small, so that intervals hold for each glass and not only for the average of all.
/// Models that the lines contradict are left out while there are others; without similar glasses Akaike's
/// criterion with the correction for small samples decides, and with too few lines for that the simplest model.
///
/// # Errors
/// Fewer than two different wavelengths, or no model that fits at all.
pub fn choose_dispersion(
    lines: &[IndexedLine],
    glasses: &GlassTable,
) -> Result<DispersionFit, PrismError> {
    let fits = fit_all(lines, glasses);
    let Some(chosen) = chosen_of(&fits) else {
        return Err(fit_dispersion(lines, DispersionModel::CHOSEN_FROM[0])
            .err()
            .unwrap_or_else(|| PrismError("there are no lines to fit".to_owned())));
    };
    let mut fit = chosen.clone();
    fit.chosen = true;
    Ok(fit)
}

/// The fit that [`choose_dispersion`] takes.
fn chosen_of(fits: &[DispersionFit]) -> Option<&DispersionFit> {
    /// A model with a smaller probability than this is contradicted by the lines.
    const CONTRADICTED: f64 = 1e-3;
    let stands = |fit: &&DispersionFit| fit.p_value.is_none_or(|p| p >= CONTRADICTED);
    let mut left: Vec<&DispersionFit> = fits.iter().filter(stands).collect();
    if left.is_empty() {
        left = fits.iter().collect();
    }
    let by = |key: &dyn Fn(&DispersionFit) -> Option<f64>| {
        left.iter()
            .filter_map(|fit| key(fit).map(|key| (key, *fit)))
            .min_by(|one, other| one.0.total_cmp(&other.0))
            .map(|(_, fit)| fit)
    };
    by(&|fit| {
        fit.worth
            .map(|worth| worth.u_measured.powi(2) + 4.0 * worth.u_departure.powi(2))
    })
    .or_else(|| by(&|fit| fit.aicc))
    .or_else(|| left.first().copied())
}

/// Chi-squared, with its degrees of freedom, of lines against what glass can do: two coefficients of Cauchy's curve are free,
/// and its departure from glasses of that index and dispersion is taken from the table, with its scatter. None below
/// three different wavelengths or without glasses. Indices and dispersions that no material of the table comes near are
/// counted as a large misfit too.
#[must_use]
pub fn misfit_from_glass(lines: &[IndexedLine], glasses: &GlassTable) -> Option<(f64, usize)> {
    /// Distance from the nearest material, in the units of [`DispersionFit::distance`], that is far from all glass.
    const FAR: f64 = 2.0;
    /// Chi-squared of what is far from all glass.
    const FAR_MISFIT: f64 = 30.0;
    /// By how much the scatter of the glasses of the table is widened for a material outside it: twice, as a variance.
    const OUTSIDE: f64 = 4.0;
    let model = DispersionModel::Cauchy { terms: 2 };
    if different_wavelengths(lines) <= model.coefficients() {
        return None;
    }
    let fit = fit_dispersion(lines, model).ok()?;
    let wavelengths: Vec<Wavelength> = lines.iter().map(|(w, _)| *w).collect();
    let departure = fit.departures(&wavelengths, lines, glasses)?;
    let indices: Vec<Measured> = lines.iter().map(|(_, index)| index.clone()).collect();
    let (own, shared) = own_and_shared(&indices);
    let own: Vec<f64> = own.iter().map(|u| u.max(INDEX_FLOOR)).collect();
    let ordinates = values_of(&indices) + &departure.mean;
    let eigen = departure.scatter.symmetric_eigen();
    let mut columns: Vec<DVector<f64>> = shared.column_iter().map(|c| c.into_owned()).collect();
    for (value, vector) in eigen
        .eigenvalues
        .iter()
        .zip(eigen.eigenvectors.column_iter())
    {
        if *value > 1e-20 {
            columns.push(vector * (OUTSIDE * value).sqrt());
        }
    }
    let together = if columns.is_empty() {
        DMatrix::zeros(lines.len(), 0)
    } else {
        DMatrix::from_columns(&columns)
    };
    let design = DMatrix::from_fn(lines.len(), 2, |row, column| {
        per_um_squared(wavelengths[row]).powi(column as i32)
    });
    let (solved, _) = with_shared_causes(&design, ordinates.as_slice(), &own, &together).ok()?;
    let nearest = glasses
        .glasses
        .iter()
        .map(|glass| fit.distance(glass))
        .fold(f64::INFINITY, f64::min);
    let far = if nearest > FAR { FAR_MISFIT } else { 0.0 };
    Some((solved.chi_squared + far, solved.degrees_of_freedom))
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

/// Fits the model to indices; curves that are not linear in their coefficients by Gauss and Newton's method from
/// a curve through the lines.
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
    if let DispersionModel::Sellmeier { terms } = model {
        return solve_sellmeier(terms, wavelengths, indices, own, shared);
    }
    let mut coefficients = match model {
        DispersionModel::Hartmann => hartmann_start(wavelengths, indices),
        _ => sellmeier_start(wavelengths, indices),
    }
    .map_err(failed)?;
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
        if !plausible(model, &coefficients, wavelengths) {
            break;
        }
        if change < 1e-12 {
            fit.residuals = DVector::from_fn(wavelengths.len(), |row, _| {
                indices[row] - model.value(&coefficients, wavelengths[row])
            });
            return Ok(Solved { fit, pulls });
        }
    }
    Err(PrismError(format!(
        "{} cannot follow these indices: they do not fall smoothly from violet to red; check that the lines are named rightly",
        model.name()
    )))
}

/// Lines as points of a curve: the abscissa is the number of the line, and after the lines come the common causes, each a point
/// of its own at 0 with unit width. That makes least squares with independent points generalised least squares.
struct WithCauses<'a> {
    model: DispersionModel,
    wavelengths: &'a [Wavelength],
    shared: &'a DMatrix<f64>,
}

impl WithCauses<'_> {
    fn split(&self, parameters: &DVector<f64>) -> (DVector<f64>, DVector<f64>) {
        let count = self.model.coefficients();
        (
            parameters.rows(0, count).into_owned(),
            parameters.rows(count, self.shared.ncols()).into_owned(),
        )
    }
}

impl Curve for WithCauses<'_> {
    fn value(&self, parameters: &DVector<f64>, abscissa: f64) -> f64 {
        let (coefficients, pulls) = self.split(parameters);
        let row = abscissa as usize;
        match self.wavelengths.get(row) {
            Some(wavelength) => {
                self.model.value(&coefficients, *wavelength)
                    + (self.shared.row(row) * pulls)[(0, 0)]
            }
            None => pulls[row - self.wavelengths.len()],
        }
    }

    fn gradient(&self, parameters: &DVector<f64>, abscissa: f64) -> DVector<f64> {
        let (coefficients, _) = self.split(parameters);
        let count = coefficients.len();
        let row = abscissa as usize;
        let mut gradient = DVector::zeros(parameters.len());
        match self.wavelengths.get(row) {
            Some(wavelength) => {
                gradient
                    .rows_mut(0, count)
                    .copy_from(&self.model.gradient(&coefficients, *wavelength));
                for (cause, by) in self.shared.row(row).iter().enumerate() {
                    gradient[count + cause] = *by;
                }
            }
            None => gradient[count + row - self.wavelengths.len()] = 1.0,
        }
        gradient
    }
}

/// Fits a Sellmeier curve with several terms by Levenberg and Marquardt's method from the catalogue glasses nearest to the lines, and
/// refuses where a coefficient is not known better than by [`LARGEST_RELATIVE_U`]: then the linear propagation is void.
fn solve_sellmeier(
    terms: usize,
    wavelengths: &[Wavelength],
    indices: &DVector<f64>,
    own: &[f64],
    shared: &DMatrix<f64>,
) -> Result<Solved, PrismError> {
    /// Catalogue glasses from which the fit starts.
    const STARTS: usize = 4;
    let model = DispersionModel::Sellmeier { terms };
    let undetermined = |why: String| {
        PrismError(format!(
            "these lines do not determine {}: {why}; measure lines farther into the violet and the red, or take sellmeier-1 or a cauchy model",
            model.name()
        ))
    };
    let rms = |start: &DVector<f64>| {
        let squares: f64 = wavelengths
            .iter()
            .zip(indices.iter())
            .map(|(w, n)| (model.value(start, *w) - n).powi(2))
            .sum();
        if squares.is_finite() {
            squares
        } else {
            f64::INFINITY
        }
    };
    let mut starts: Vec<DVector<f64>> = GlassTable::embedded()?
        .glasses
        .iter()
        .filter_map(|glass| sellmeier_of_glass(glass, terms))
        .collect();
    starts.sort_by(|one, other| rms(one).total_cmp(&rms(other)));
    let count = wavelengths.len() + shared.ncols();
    let abscissae: Vec<f64> = (0..count).map(|k| k as f64).collect();
    let padded = |values: &mut dyn Iterator<Item = f64>, rest: f64| {
        values
            .chain(std::iter::repeat(rest))
            .take(count)
            .collect::<Vec<f64>>()
    };
    let ordinates = padded(&mut indices.iter().copied(), 0.0);
    let sigma = padded(&mut own.iter().copied(), 1.0);
    let curve = WithCauses {
        model,
        wavelengths,
        shared,
    };
    let mut best: Option<(f64, DVector<f64>)> = None;
    let mut failure = "the fit finds no minimum".to_owned();
    for start in starts.iter().take(STARTS) {
        let padded_start: Vec<f64> = start
            .iter()
            .copied()
            .chain(std::iter::repeat_n(0.0, shared.ncols()))
            .collect();
        match nonlinear(&curve, &abscissae, &ordinates, Some(&sigma), &padded_start) {
            Ok(fit) => {
                if best
                    .as_ref()
                    .is_none_or(|(least, _)| fit.chi_squared < *least)
                {
                    best = Some((fit.chi_squared, curve.split(&fit.parameters).0));
                }
            }
            Err(error) => failure = error.to_string(),
        }
    }
    let Some((_, coefficients)) = best else {
        return Err(undetermined(failure));
    };
    let smooth = wavelengths.iter().all(|w| {
        let slope = model.slope_per_nm(&coefficients, *w);
        slope < 0.0 && model.value(&coefficients, *w) > 1.0
    });
    if !smooth {
        return Err(undetermined(
            "the best curve does not fall smoothly from violet to red".to_owned(),
        ));
    }
    let design = DMatrix::from_fn(wavelengths.len(), model.coefficients(), |row, column| {
        model.gradient(&coefficients, wavelengths[row])[column]
    });
    let residuals = DVector::from_fn(wavelengths.len(), |row, _| {
        indices[row] - model.value(&coefficients, wavelengths[row])
    });
    let ordinates = &residuals + &design * &coefficients;
    let (mut fit, pulls) = with_shared_causes(&design, ordinates.as_slice(), own, shared)
        .map_err(|error| undetermined(error.to_string()))?;
    for k in 0..model.coefficients() {
        let u = fit.covariance[(k, k)].sqrt();
        if u.partial_cmp(&(LARGEST_RELATIVE_U * coefficients[k].abs()))
            != Some(std::cmp::Ordering::Less)
        {
            let name = if k < terms { "B" } else { "C" };
            return Err(undetermined(format!(
                "its coefficient {name}{} would be {:.3e} with a standard uncertainty of {u:.1e}",
                k % terms + 1,
                coefficients[k]
            )));
        }
    }
    fit.coefficients = coefficients;
    fit.residuals = residuals;
    Ok(Solved { fit, pulls })
}

/// A coefficient of a Sellmeier curve with several terms must be known better than this share of itself.
const LARGEST_RELATIVE_U: f64 = 0.5;

/// Sellmeier coefficients of a catalogue glass brought to a number of terms: the two nearest resonances in the ultraviolet are
/// joined where there are too many. None where the glass has too few.
fn sellmeier_of_glass(glass: &Glass, terms: usize) -> Option<DVector<f64>> {
    let mut pairs: Vec<(f64, f64)> = glass
        .b
        .iter()
        .copied()
        .zip(glass.c_um2.iter().copied())
        .collect();
    pairs.sort_by(|one, other| one.1.total_cmp(&other.1));
    while pairs.len() > terms {
        let (one, other) = (pairs.remove(0), *pairs.first()?);
        let b = one.0 + other.0;
        *pairs.first_mut()? = (b, (one.0 * one.1 + other.0 * other.1) / b);
    }
    (pairs.len() == terms).then(|| {
        DVector::from_iterator(
            2 * terms,
            pairs
                .iter()
                .map(|pair| pair.0)
                .chain(pairs.iter().map(|pair| pair.1)),
        )
    })
}

/// Numerator above 0 and the resonance on the far side of the violet, so that the curve is real and smooth at all lines.
fn plausible(
    model: DispersionModel,
    coefficients: &DVector<f64>,
    wavelengths: &[Wavelength],
) -> bool {
    if model == DispersionModel::Hartmann {
        return coefficients[1] > 0.0 && wavelengths.iter().all(|w| um(*w) > coefficients[2]);
    }
    coefficients[0] > 0.0
        && wavelengths
            .iter()
            .all(|w| 1.0 - coefficients[1] * per_um_squared(*w) > 0.0)
}

/// A, B and C of the curve through the reddest, the most violet and a line between them.
fn hartmann_start(
    wavelengths: &[Wavelength],
    indices: &DVector<f64>,
) -> Result<DVector<f64>, FitError> {
    let mut points: Vec<(f64, f64)> = wavelengths
        .iter()
        .map(|w| um(*w))
        .zip(indices.iter().copied())
        .collect();
    points.sort_by(|one, other| one.0.total_cmp(&other.0));
    let (Some(violet), Some(red)) = (points.first().copied(), points.last().copied()) else {
        return Err(FitError::Number);
    };
    // The line nearest to the middle of the range keeps the three apart.
    let middle = 0.5 * (violet.0 + red.0);
    let Some(between) = points
        .iter()
        .copied()
        .min_by(|one, other| (one.0 - middle).abs().total_cmp(&(other.0 - middle).abs()))
    else {
        return Err(FitError::Number);
    };
    // (n1 - n2)(l1 - c)(l2 - c) = B (l2 - l1), twice: linear in c once B is gone.
    let first = (violet.1 - between.1) / (between.0 - violet.0);
    let second = (between.1 - red.1) / (red.0 - between.0);
    let c = (first * violet.0 - second * red.0) / (first - second);
    let b = first * (violet.0 - c) * (between.0 - c);
    let a = violet.1 - b / (violet.0 - c);
    let start = DVector::from_vec(vec![a, b, c]);
    if start.iter().all(|x| x.is_finite()) {
        Ok(start)
    } else {
        Err(FitError::Number)
    }
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

/// What a model is off at some wavelengths.
struct Departure {
    /// Expected prediction minus truth.
    mean: DVector<f64>,
    /// Covariance of what is left.
    scatter: DMatrix<f64>,
    /// Degrees of freedom of `scatter`.
    degrees_of_freedom: f64,
}

impl Departure {
    /// Expectation at the origin of `places` (index and relative dispersion from the measured glass) by a plane through
    /// the departures of the glasses there, or their mean where they are few; none of no glass.
    fn expected(places: &[[f64; 2]], offs: &[DVector<f64>]) -> Option<Self> {
        /// Glasses needed for a plane.
        const PLANE_FROM: usize = 8;
        let wide = offs.first()?.len();
        let count = offs.len();
        let terms = if count >= PLANE_FROM { 3 } else { 1 };
        let design = DMatrix::from_fn(count, terms, |row, column| match column {
            0 => 1.0,
            _ => places[row][column - 1],
        });
        let values = DMatrix::from_fn(count, wide, |row, column| offs[row][column]);
        let inverse = (design.transpose() * &design).try_inverse()?;
        let coefficients = &inverse * design.transpose() * &values;
        let left = &values - &design * &coefficients;
        // A glass that is not in the table differs from the plane as those in it do, and the plane is uncertain itself.
        // One glass says nothing of the scatter: then its whole departure counts.
        let scatter = if count > terms {
            left.transpose() * &left * ((1.0 + inverse[(0, 0)]) / (count - terms) as f64)
        } else {
            values.transpose() * &values / count as f64
        };
        Some(Self {
            mean: coefficients.row(0).transpose(),
            scatter,
            degrees_of_freedom: count.saturating_sub(terms).max(1) as f64,
        })
    }
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

    /// Indices at wavelengths, corrected for what the model itself is off there, with what remains unknown of
    /// that as a further cause. `lines` are those of the fit; without similar glasses the model counts as exact.
    ///
    /// A departure that is known is corrected and not counted as an uncertainty (JCGM 100, 3.2.3 and 6.3.1 note).
    #[must_use]
    pub fn indices_with_departure(
        &self,
        at: &[Wavelength],
        lines: &[IndexedLine],
        glasses: &GlassTable,
    ) -> Vec<Measured> {
        let measured: Vec<Measured> = at.iter().map(|w| self.index_at(*w)).collect();
        let departure = self.departures(at, lines, glasses).and_then(|departure| {
            correlated(
                departure.mean.as_slice(),
                &departure.scatter,
                "dispersion model against real glasses",
                Kind::B,
                departure.degrees_of_freedom,
            )
        });
        match departure {
            Some(departure) => measured
                .iter()
                .zip(&departure)
                .map(|(index, off)| index.minus(off))
                .collect(),
            None => measured,
        }
    }

    /// As [`indices_with_departure`](Self::indices_with_departure), each by itself: what the model may be off is one cause an
    /// index, so that their correlation is lost and many of them cost little.
    #[must_use]
    pub fn indices_each_with_departure(
        &self,
        at: &[Wavelength],
        lines: &[IndexedLine],
        glasses: &GlassTable,
    ) -> Vec<Measured> {
        let departure = self.departures(at, lines, glasses);
        at.iter()
            .enumerate()
            .map(|(k, wavelength)| {
                let index = self.index_at(*wavelength);
                let Some(off) = &departure else { return index };
                let cause = Cause::type_a(
                    "dispersion model against real glasses",
                    off.degrees_of_freedom,
                );
                index
                    .shifted(-off.mean[k])
                    .with(&cause, off.scatter[(k, k)].max(0.0).sqrt())
            })
            .collect()
    }

    /// How well the model gives n_F - n_C; none without similar glasses.
    fn worth(&self, lines: &[IndexedLine], glasses: &GlassTable) -> Option<ModelWorth> {
        let measured = self.index_at(F_LINE).minus(&self.index_at(C_LINE));
        let departure = self.departures(&[F_LINE, C_LINE], lines, glasses)?;
        let s = &departure.scatter;
        let variance = s[(0, 0)] + s[(1, 1)] - 2.0 * s[(0, 1)];
        Some(ModelWorth {
            u_measured: measured.u(),
            u_departure: variance.max(0.0).sqrt(),
        })
    }

    /// Prediction minus truth when the model is fitted to exact catalogue indices of glasses like this one at
    /// the same lines with the same weights: what to expect for this glass, and how far single glasses differ from it.
    fn departures(
        &self,
        at: &[Wavelength],
        lines: &[IndexedLine],
        glasses: &GlassTable,
    ) -> Option<Departure> {
        let indices: Vec<Measured> = lines.iter().map(|(_, index)| index.clone()).collect();
        let wavelengths: Vec<Wavelength> = lines.iter().map(|(w, _)| *w).collect();
        let (own, shared) = own_and_shared(&indices);
        let own: Vec<f64> = own.iter().map(|u| u.max(INDEX_FLOOR)).collect();
        let n_d = self.index_at(D_LINE).value();
        let dispersion = self.index_at(F_LINE).value() - self.index_at(C_LINE).value();
        let mut places: Vec<[f64; 2]> = Vec::new();
        let mut offs: Vec<DVector<f64>> = Vec::new();
        for glass in self.similar(glasses) {
            let exact = DVector::from_fn(wavelengths.len(), |row, _| glass.index(wavelengths[row]));
            let Ok(solved) = solve(self.model, &wavelengths, &exact, &own, &shared) else {
                continue;
            };
            offs.push(DVector::from_fn(at.len(), |row, _| {
                self.model.value(&solved.fit.coefficients, at[row]) - glass.index(at[row])
            }));
            // The glass as the model sees it, as for the measured one.
            let seen = |w: Wavelength| self.model.value(&solved.fit.coefficients, w);
            places.push([
                seen(D_LINE) - n_d,
                (seen(F_LINE) - seen(C_LINE)) / dispersion - 1.0,
            ]);
        }
        Departure::expected(&places, &offs)
    }

    /// How far a glass is from this curve: 1 is near.
    fn distance(&self, glass: &Glass) -> f64 {
        const NEAR_INDEX: f64 = 0.06;
        const NEAR_DISPERSION: f64 = 0.2;
        let values = values_of(&self.coefficients);
        let n = |w: Wavelength| self.model.value(&values, w);
        let index = (glass.index(D_LINE) - n(D_LINE)) / NEAR_INDEX;
        let dispersion = n(F_LINE) - n(C_LINE);
        let relative = (glass.principal_dispersion() / dispersion - 1.0) / NEAR_DISPERSION;
        index.hypot(relative)
    }

    /// Catalogue glasses whose index and dispersion are near; at least the nearest three.
    fn similar<'a>(&self, glasses: &'a GlassTable) -> Vec<&'a Glass> {
        const FEWEST: usize = 3;
        let mut by_distance: Vec<(f64, &Glass)> = glasses
            .glasses
            .iter()
            .map(|glass| (self.distance(glass), glass))
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
        let at = [
            D_LINE,
            F_LINE,
            C_LINE,
            E_LINE,
            F_PRIME_LINE,
            C_PRIME_LINE,
            G_LINE,
        ];
        let indices = self.indices_with_departure(&at, lines, glasses);
        let [n_d, n_f, n_c, n_e, n_f_prime, n_c_prime, n_g] =
            <[Measured; 7]>::try_from(indices).ok()?;
        // A dispersion that is not clearly above 0 gives no Abbe number.
        let over = |top: Measured, dispersion: &Measured| {
            (dispersion.value() > 3.0 * dispersion.u())
                .then(|| top.divided_by(dispersion))
                .flatten()
        };
        let dispersion = n_f.minus(&n_c);
        let abbe_number = over(n_d.shifted(-1.0), &dispersion);
        let abbe_number_e = over(n_e.shifted(-1.0), &n_f_prime.minus(&n_c_prime));
        let partial_dispersion_g_f = over(n_g.minus(&n_f), &dispersion);
        Some(StandardIndices {
            n_d,
            n_f,
            n_c,
            abbe_number,
            n_e,
            abbe_number_e,
            partial_dispersion_g_f,
        })
    }
}
