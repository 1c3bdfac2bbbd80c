//! Least squares: straight lines, polynomials, general linear models, small nonlinear curves.
//!
//! Linear fits go through QR of the weighted design with its columns brought to unit length (Björck,
//! Numerical Methods for Least Squares Problems, 1996, section 2.4), polynomials on a centred and
//! scaled abscissa. Nonlinear fits use Levenberg and Marquardt's method with analytic gradients (Moré 1978).
//! Checked against the certified values of NIST's Statistical Reference Datasets in `tests`.

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::storage::Owned;
use nalgebra::{DMatrix, DVector, Dyn};
use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor};

/// Why a fit gives no result.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FitError {
    /// Fewer points than coefficients.
    #[error("{points} points cannot fix {coefficients} coefficients")]
    TooFew {
        /// Number of points.
        points: usize,
        /// Number of coefficients.
        coefficients: usize,
    },
    /// Lists of different length.
    #[error("abscissae, ordinates and uncertainties must be of one length")]
    Shape,
    /// A number is not finite, or an uncertainty is not above 0.
    #[error("a number is not finite, or an uncertainty is not above 0")]
    Number,
    /// The points do not fix the coefficients.
    #[error("the points do not fix the coefficients: they lie too close together")]
    Singular,
    /// The iteration stopped without a minimum.
    #[error("the fit did not converge: {0}")]
    NotConverged(String),
}

/// A linear fit, coefficients = estimator · ordinates.
#[derive(Clone, Debug)]
pub struct LinearFit {
    /// Coefficients.
    pub coefficients: DVector<f64>,
    /// Covariance of the coefficients for the given uncertainties (not scaled by the residuals).
    pub covariance: DMatrix<f64>,
    /// The linear map from ordinates to coefficients, shape (coefficients, points): carries causes through.
    pub estimator: DMatrix<f64>,
    /// Ordinate minus model.
    pub residuals: DVector<f64>,
    /// Sum of squares of the residuals in units of their uncertainty, by the full covariance where one was given.
    pub chi_squared: f64,
    /// Points less coefficients.
    pub degrees_of_freedom: usize,
}

impl LinearFit {
    /// Standard deviation of a point in units of the given uncertainty; none without degrees of freedom.
    #[must_use]
    pub fn residual_deviation(&self) -> Option<f64> {
        (self.degrees_of_freedom > 0)
            .then(|| (self.chi_squared / self.degrees_of_freedom as f64).sqrt())
    }

    /// Covariance for uncertainties known only up to a common factor, which the residuals give; none
    /// without degrees of freedom.
    #[must_use]
    pub fn covariance_by_residuals(&self) -> Option<DMatrix<f64>> {
        self.residual_deviation()
            .map(|s| &self.covariance * (s * s))
    }
}

/// Fits ordinate = design · coefficients. `sigma` holds standard uncertainties; none weighs all points
/// alike with uncertainty 1.
///
/// # Errors
/// Shapes that differ, bad numbers, too few points, or columns that cannot be told apart.
pub fn linear(
    design: &DMatrix<f64>,
    ordinates: &[f64],
    sigma: Option<&[f64]>,
) -> Result<LinearFit, FitError> {
    let points = design.nrows();
    if let Some(sigma) = sigma {
        if sigma.len() != points {
            return Err(FitError::Shape);
        }
        if sigma.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
            return Err(FitError::Number);
        }
    }
    let weights = DVector::from_fn(points, |i, _| sigma.map_or(1.0, |sigma| 1.0 / sigma[i]));
    whitened(design, ordinates, &Whitener::Weights(weights))
}

/// Generalised least squares with a full covariance of the ordinates, whitened by its Cholesky factor.
///
/// # Errors
/// As for [`linear`]; a covariance that is not positive definite is [`FitError::Singular`].
pub fn generalised(
    design: &DMatrix<f64>,
    ordinates: &[f64],
    covariance: &DMatrix<f64>,
) -> Result<LinearFit, FitError> {
    let points = design.nrows();
    if covariance.shape() != (points, points) {
        return Err(FitError::Shape);
    }
    if covariance.iter().any(|entry| !entry.is_finite()) {
        return Err(FitError::Number);
    }
    let factor = covariance.clone().cholesky().ok_or(FitError::Singular)?.l();
    let whitener = factor
        .solve_lower_triangular(&DMatrix::identity(points, points))
        .ok_or(FitError::Singular)?;
    whitened(design, ordinates, &Whitener::Full(whitener))
}

/// Generalised least squares where the covariance is diag(`own_sigma`²) + `shared` · `shared`ᵀ: every
/// column of `shared`, shape (points, causes), is what one standard deviation of a common cause does.
///
/// The causes are fitted beside the coefficients with a prior of unit width, so the covariance, which is
/// nearly singular where a common cause is much larger than the points' own scatter, is never formed or
/// inverted. The answer is that of [`generalised`]. Also returns the causes' fitted size in standard deviations.
///
/// # Errors
/// As for [`linear`].
pub fn with_shared_causes(
    design: &DMatrix<f64>,
    ordinates: &[f64],
    own_sigma: &[f64],
    shared: &DMatrix<f64>,
) -> Result<(LinearFit, DVector<f64>), FitError> {
    let (points, coefficients) = design.shape();
    let causes = shared.ncols();
    if shared.nrows() != points || own_sigma.len() != points || ordinates.len() != points {
        return Err(FitError::Shape);
    }
    if own_sigma.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
        return Err(FitError::Number);
    }
    if points < coefficients {
        return Err(FitError::TooFew {
            points,
            coefficients,
        });
    }
    let wide = DMatrix::from_fn(points + causes, coefficients + causes, |i, j| {
        match (i < points, j < coefficients) {
            (true, true) => design[(i, j)] / own_sigma[i],
            (true, false) => shared[(i, j - coefficients)] / own_sigma[i],
            (false, true) => 0.0,
            (false, false) => f64::from(u8::from(i - points == j - coefficients)),
        }
    });
    let long: Vec<f64> = (0..points + causes)
        .map(|i| {
            if i < points {
                ordinates[i] / own_sigma[i]
            } else {
                0.0
            }
        })
        .collect();
    let fit = linear(&wide, &long, None)?;
    let estimator = DMatrix::from_fn(coefficients, points, |i, j| {
        fit.estimator[(i, j)] / own_sigma[j]
    });
    let values = fit.coefficients.rows(0, coefficients).into_owned();
    let model = design * &values;
    Ok((
        LinearFit {
            covariance: fit
                .covariance
                .view((0, 0), (coefficients, coefficients))
                .into_owned(),
            estimator,
            residuals: DVector::from_fn(points, |i, _| ordinates[i] - model[i]),
            chi_squared: fit.chi_squared,
            degrees_of_freedom: points - coefficients,
            coefficients: values,
        },
        fit.coefficients.rows(coefficients, causes).into_owned(),
    ))
}

/// Chi-squared of residuals whose covariance is diag(`own_sigma`²) + `shared` · `sharedᵀ`, without
/// forming or inverting it.
///
/// # Errors
/// As for [`linear`].
pub fn chi_squared_with_shared(
    residuals: &[f64],
    own_sigma: &[f64],
    shared: &DMatrix<f64>,
) -> Result<f64, FitError> {
    let (points, causes) = shared.shape();
    if residuals.len() != points || own_sigma.len() != points {
        return Err(FitError::Shape);
    }
    if own_sigma.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
        return Err(FitError::Number);
    }
    let standardised: Vec<f64> = residuals
        .iter()
        .zip(own_sigma)
        .map(|(r, s)| r / s)
        .collect();
    if causes == 0 {
        return Ok(standardised.iter().map(|r| r * r).sum());
    }
    let wide = DMatrix::from_fn(points + causes, causes, |i, j| {
        if i < points {
            shared[(i, j)] / own_sigma[i]
        } else {
            f64::from(u8::from(i - points == j))
        }
    });
    let mut long = standardised;
    long.resize(points + causes, 0.0);
    Ok(linear(&wide, &long, None)?.chi_squared)
}

/// What makes the rows of a fit independent and of unit variance.
enum Whitener {
    /// One factor a row.
    Weights(DVector<f64>),
    /// A lower triangular matrix.
    Full(DMatrix<f64>),
}

impl Whitener {
    fn applied(&self, matrix: &DMatrix<f64>) -> DMatrix<f64> {
        match self {
            Self::Weights(weights) => {
                let mut rows = matrix.clone();
                for mut column in rows.column_iter_mut() {
                    column.component_mul_assign(weights);
                }
                rows
            }
            Self::Full(full) => full * matrix,
        }
    }
}

/// The QR solution for rows made independent by `whitener`.
fn whitened(
    design: &DMatrix<f64>,
    ordinates: &[f64],
    whitener: &Whitener,
) -> Result<LinearFit, FitError> {
    let (points, coefficients) = design.shape();
    if ordinates.len() != points {
        return Err(FitError::Shape);
    }
    if points < coefficients || coefficients == 0 {
        return Err(FitError::TooFew {
            points,
            coefficients,
        });
    }
    if design.iter().chain(ordinates).any(|x| !x.is_finite()) {
        return Err(FitError::Number);
    }
    let ordinates = DVector::from_column_slice(ordinates);
    let mut white_design = whitener.applied(design);
    let white_ordinates = whitener
        .applied(&DMatrix::from_column_slice(points, 1, ordinates.as_slice()))
        .column(0)
        .into_owned();
    let lengths: Vec<f64> = white_design.column_iter().map(|c| c.norm()).collect();
    for (mut column, length) in white_design.column_iter_mut().zip(&lengths) {
        if !(length.is_finite() && *length > 0.0) {
            return Err(FitError::Singular);
        }
        column /= *length;
    }
    let qr = white_design.clone().qr();
    let (q, r) = (qr.q(), qr.r());
    let diagonal = r.diagonal().map(f64::abs);
    if diagonal.min() < 1e-14 * diagonal.max() {
        return Err(FitError::Singular);
    }
    let mut inverse = r
        .solve_upper_triangular(&DMatrix::identity(coefficients, coefficients))
        .ok_or(FitError::Singular)?;
    let mut values = r
        .solve_upper_triangular(&(q.transpose() * &white_ordinates))
        .ok_or(FitError::Singular)?;
    // One step of refinement with the residuals.
    let correction = q.transpose() * (&white_ordinates - &white_design * &values);
    values += r
        .solve_upper_triangular(&correction)
        .ok_or(FitError::Singular)?;
    let chi_squared = (&white_ordinates - &white_design * &values).norm_squared();
    for (row, length) in lengths.iter().enumerate() {
        values[row] /= length;
        inverse.row_mut(row).scale_mut(1.0 / length);
    }
    let mut estimator = &inverse * q.transpose();
    match whitener {
        Whitener::Weights(weights) => {
            for (mut column, weight) in estimator.column_iter_mut().zip(weights.iter()) {
                column *= *weight;
            }
        }
        Whitener::Full(full) => estimator *= full,
    }
    Ok(LinearFit {
        covariance: &inverse * inverse.transpose(),
        estimator,
        residuals: &ordinates - design * &values,
        chi_squared,
        degrees_of_freedom: points - coefficients,
        coefficients: values,
    })
}

/// Fits a polynomial of the given degree; coefficients from the constant term up. The abscissa is
/// centred and scaled to ±1 for the work and the coefficients are brought back.
///
/// # Errors
/// As for [`linear`].
pub fn polynomial(
    abscissae: &[f64],
    ordinates: &[f64],
    sigma: Option<&[f64]>,
    degree: usize,
) -> Result<LinearFit, FitError> {
    if abscissae.len() != ordinates.len() {
        return Err(FitError::Shape);
    }
    if abscissae.iter().any(|x| !x.is_finite()) {
        return Err(FitError::Number);
    }
    let low = abscissae.iter().copied().fold(f64::INFINITY, f64::min);
    let high = abscissae.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let (centre, half) = (0.5 * (low + high), 0.5 * (high - low));
    if degree > 0 && half.partial_cmp(&0.0) != Some(std::cmp::Ordering::Greater) {
        return Err(FitError::Singular);
    }
    let half = if half > 0.0 { half } else { 1.0 };
    let design = DMatrix::from_fn(abscissae.len(), degree + 1, |i, power| {
        ((abscissae[i] - centre) / half).powi(power as i32)
    });
    let mut fit = linear(&design, ordinates, sigma)?;
    // ((x - centre)/half)^k in powers of x, by the binomial theorem.
    let mut back = DMatrix::zeros(degree + 1, degree + 1);
    for column in 0..=degree {
        let mut binomial = 1.0;
        for row in 0..=column {
            back[(row, column)] =
                binomial * (-centre).powi((column - row) as i32) / half.powi(column as i32);
            binomial *= (column - row) as f64 / (row + 1) as f64;
        }
    }
    fit.coefficients = &back * &fit.coefficients;
    fit.covariance = &back * &fit.covariance * back.transpose();
    fit.estimator = &back * &fit.estimator;
    Ok(fit)
}

/// Fits a straight line: intercept, then slope.
///
/// # Errors
/// As for [`linear`].
pub fn straight_line(
    abscissae: &[f64],
    ordinates: &[f64],
    sigma: Option<&[f64]>,
) -> Result<LinearFit, FitError> {
    polynomial(abscissae, ordinates, sigma, 1)
}

/// A straight line that outliers pull only with limited force.
#[derive(Clone, Debug)]
pub struct RobustLine {
    /// The last weighted fit: intercept, then slope.
    pub fit: LinearFit,
    /// Weight of each point, 1 where it counts in full.
    pub weights: Vec<f64>,
    /// Scale of the residuals, from their median absolute deviation, in units of `sigma`.
    pub scale: f64,
}

/// Fits a straight line with Huber's weights (Huber, Ann. Math. Stat. 35 (1964) 73; k = 1.345).
///
/// # Errors
/// As for [`linear`].
pub fn robust_line(
    abscissae: &[f64],
    ordinates: &[f64],
    sigma: Option<&[f64]>,
) -> Result<RobustLine, FitError> {
    const HUBER_K: f64 = 1.345;
    const ROUNDS: usize = 50;
    let points = abscissae.len();
    let own: Vec<f64> = sigma.map_or_else(|| vec![1.0; points], <[f64]>::to_vec);
    let mut fit = straight_line(abscissae, ordinates, Some(&own))?;
    let mut weights = vec![1.0; points];
    let mut scale = 0.0;
    for _ in 0..ROUNDS {
        let standardised: Vec<f64> = fit.residuals.iter().zip(&own).map(|(r, s)| r / s).collect();
        scale = 1.4826 * median(&standardised.iter().map(|r| r.abs()).collect::<Vec<_>>());
        if scale <= 0.0 {
            break;
        }
        let next: Vec<f64> = standardised
            .iter()
            .map(|r| (HUBER_K * scale / r.abs()).min(1.0))
            .collect();
        let change = next
            .iter()
            .zip(&weights)
            .map(|(a, b)| (a - b).abs())
            .fold(0.0, f64::max);
        weights = next;
        let widened: Vec<f64> = own
            .iter()
            .zip(&weights)
            .map(|(s, w)| s / w.sqrt())
            .collect();
        fit = straight_line(abscissae, ordinates, Some(&widened))?;
        if change < 1e-9 {
            break;
        }
    }
    Ok(RobustLine {
        fit,
        weights,
        scale,
    })
}

/// Median; 0 of nothing.
#[must_use]
pub fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    match (sorted.get(middle), sorted.len() % 2) {
        (None, _) => 0.0,
        (Some(upper), 1) => *upper,
        (Some(upper), _) => 0.5 * (upper + sorted[middle - 1]),
    }
}

/// A curve with parameters and its gradient by them.
pub trait Curve {
    /// Ordinate at an abscissa.
    fn value(&self, parameters: &DVector<f64>, abscissa: f64) -> f64;
    /// Derivatives of the ordinate by the parameters.
    fn gradient(&self, parameters: &DVector<f64>, abscissa: f64) -> DVector<f64>;
}

/// A nonlinear fit that reached a minimum.
#[derive(Clone, Debug)]
pub struct NonlinearFit {
    /// Parameters.
    pub parameters: DVector<f64>,
    /// Their covariance for the given uncertainties (not scaled by the residuals).
    pub covariance: DMatrix<f64>,
    /// Ordinate minus curve.
    pub residuals: DVector<f64>,
    /// Sum of squares of the residuals in units of their uncertainty.
    pub chi_squared: f64,
    /// Points less parameters.
    pub degrees_of_freedom: usize,
    /// How it ended, in words.
    pub ended: String,
}

struct Problem<'a, C> {
    curve: &'a C,
    abscissae: &'a [f64],
    ordinates: &'a [f64],
    sigma: Vec<f64>,
    parameters: DVector<f64>,
}

impl<C: Curve> LeastSquaresProblem<f64, Dyn, Dyn> for Problem<'_, C> {
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, parameters: &DVector<f64>) {
        self.parameters.copy_from(parameters);
    }

    fn params(&self) -> DVector<f64> {
        self.parameters.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        let residuals = DVector::from_fn(self.abscissae.len(), |i, _| {
            (self.curve.value(&self.parameters, self.abscissae[i]) - self.ordinates[i])
                / self.sigma[i]
        });
        residuals.iter().all(|r| r.is_finite()).then_some(residuals)
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let mut jacobian = DMatrix::zeros(self.abscissae.len(), self.parameters.len());
        for (i, (x, sigma)) in self.abscissae.iter().zip(&self.sigma).enumerate() {
            let gradient = self.curve.gradient(&self.parameters, *x);
            jacobian.row_mut(i).tr_copy_from(&(gradient / *sigma));
        }
        jacobian.iter().all(|j| j.is_finite()).then_some(jacobian)
    }
}

/// Fits a curve from a starting point.
///
/// # Errors
/// As for [`linear`], and [`FitError::NotConverged`] with the reason.
pub fn nonlinear(
    curve: &impl Curve,
    abscissae: &[f64],
    ordinates: &[f64],
    sigma: Option<&[f64]>,
    start: &[f64],
) -> Result<NonlinearFit, FitError> {
    let points = abscissae.len();
    if ordinates.len() != points || sigma.is_some_and(|sigma| sigma.len() != points) {
        return Err(FitError::Shape);
    }
    if points < start.len() || start.is_empty() {
        return Err(FitError::TooFew {
            points,
            coefficients: start.len(),
        });
    }
    let sigma = sigma.map_or_else(|| vec![1.0; points], <[f64]>::to_vec);
    if abscissae
        .iter()
        .chain(ordinates)
        .chain(start)
        .any(|x| !x.is_finite())
        || sigma.iter().any(|s| !(s.is_finite() && *s > 0.0))
    {
        return Err(FitError::Number);
    }
    let problem = Problem {
        curve,
        abscissae,
        ordinates,
        sigma,
        parameters: DVector::from_column_slice(start),
    };
    let (problem, report) = LevenbergMarquardt::new()
        .with_patience(400)
        .minimize(problem);
    let ended = format!("{:?}", report.termination);
    // At an exact fit the method may stop for want of further progress: that is a minimum as well.
    let stalled = matches!(
        report.termination,
        levenberg_marquardt::TerminationReason::NoImprovementPossible(_)
    );
    if !report.termination.was_successful() && !stalled {
        return Err(FitError::NotConverged(ended));
    }
    let problem = polished(problem);
    let jacobian = problem.jacobian().ok_or(FitError::Number)?;
    let standardised = problem.residuals().ok_or(FitError::Number)?;
    let zero = vec![0.0; points];
    let curvature = linear(&jacobian, &zero, None)?;
    Ok(NonlinearFit {
        covariance: curvature.covariance,
        chi_squared: standardised.norm_squared(),
        residuals: DVector::from_fn(points, |i, _| -standardised[i] * problem.sigma[i]),
        degrees_of_freedom: points - start.len(),
        parameters: problem.parameters,
        ended,
    })
}

/// Steps of Gauss and Newton from where the method ended: it ends where chi-squared no longer falls, which leaves half of the
/// digits of the parameters, and these steps look for where its derivatives vanish.
fn polished<C: Curve>(mut problem: Problem<'_, C>) -> Problem<'_, C> {
    const STEPS: usize = 4;
    /// Chi-squared may rise by its own rounding.
    const ROUNDING: f64 = 1e-12;
    for _ in 0..STEPS {
        let (Some(jacobian), Some(residuals)) = (problem.jacobian(), problem.residuals()) else {
            break;
        };
        let wanted: Vec<f64> = residuals.iter().map(|residual| -residual).collect();
        let Ok(step) = linear(&jacobian, &wanted, None) else {
            break;
        };
        let before = problem.parameters.clone();
        problem.set_params(&(&before + &step.coefficients));
        let falls = problem.residuals().is_some_and(|after| {
            after.norm_squared() <= residuals.norm_squared() * (1.0 + ROUNDING)
        });
        if !falls {
            problem.set_params(&before);
            break;
        }
    }
    problem
}

/// Probability that chi-squared is at least as large by chance; none without degrees of freedom.
#[must_use]
pub fn chi_squared_probability(chi_squared: f64, degrees_of_freedom: usize) -> Option<f64> {
    if degrees_of_freedom == 0 || !chi_squared.is_finite() {
        return None;
    }
    ChiSquared::new(degrees_of_freedom as f64)
        .ok()
        .map(|distribution| distribution.sf(chi_squared.max(0.0)))
}

/// Probability that adding `added` coefficients lowers the sum of squares this much by chance; none
/// without degrees of freedom in the larger model.
#[must_use]
pub fn f_test_probability(
    smaller_chi_squared: f64,
    larger_chi_squared: f64,
    added: usize,
    larger_degrees_of_freedom: usize,
) -> Option<f64> {
    if added == 0 || larger_degrees_of_freedom == 0 || larger_chi_squared <= 0.0 {
        return None;
    }
    let f = (smaller_chi_squared - larger_chi_squared).max(0.0)
        / added as f64
        / (larger_chi_squared / larger_degrees_of_freedom as f64);
    FisherSnedecor::new(added as f64, larger_degrees_of_freedom as f64)
        .ok()
        .map(|distribution| distribution.sf(f))
}

/// Akaike's criterion with the correction for small samples, for known uncertainties (Hurvich and
/// Tsai, Biometrika 76 (1989) 297); none where points - coefficients < 2.
#[must_use]
pub fn aicc(chi_squared: f64, points: usize, coefficients: usize) -> Option<f64> {
    let spare = points.checked_sub(coefficients + 1)?;
    if spare == 0 {
        return None;
    }
    let k = coefficients as f64;
    Some(chi_squared + 2.0 * k + 2.0 * k * (k + 1.0) / spare as f64)
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    /// A file of NIST's Statistical Reference Datasets (tests/fixtures/strd/README.md).
    struct Reference {
        certified: Vec<(f64, f64)>,
        starts: Vec<Vec<f64>>,
        rows: Vec<Vec<f64>>,
        residual_sum: Option<f64>,
        residual_deviation: Option<f64>,
    }

    fn numbers(line: &str) -> Vec<f64> {
        line.split_whitespace()
            .filter_map(|word| word.parse().ok())
            .collect()
    }

    fn reference(text: &str) -> Reference {
        let mut certified = Vec::new();
        let mut starts = vec![Vec::new(), Vec::new()];
        let mut rows = Vec::new();
        let mut in_data = false;
        let (mut residual_sum, mut residual_deviation) = (None, None);
        let mut after_residual = false;
        for line in text.lines() {
            let words: Vec<&str> = line.split_whitespace().collect();
            if line.starts_with("Data:") && words.get(1) == Some(&"y") {
                in_data = true;
                continue;
            }
            if in_data {
                let row = numbers(line);
                if row.len() >= 2 {
                    rows.push(row);
                }
                continue;
            }
            match words.as_slice() {
                [name, value, deviation] if name.starts_with('B') && name.len() <= 3 => {
                    if let (Ok(value), Ok(deviation)) = (value.parse(), deviation.parse()) {
                        certified.push((value, deviation));
                    }
                }
                [name, "=", one, two, value, deviation] if name.starts_with('b') => {
                    starts[0].push(one.parse().unwrap());
                    starts[1].push(two.parse().unwrap());
                    certified.push((value.parse().unwrap(), deviation.parse().unwrap()));
                }
                ["Residual", "Sum", "of", "Squares:", value] => residual_sum = value.parse().ok(),
                ["Residual"] => after_residual = true,
                ["Standard", "Deviation", value] if after_residual => {
                    residual_deviation = value.parse().ok();
                }
                _ => {}
            }
        }
        assert!(!certified.is_empty() && !rows.is_empty());
        Reference {
            certified,
            starts,
            rows,
            residual_sum,
            residual_deviation,
        }
    }

    /// Correct digits of a result.
    fn digits(found: f64, certified: f64) -> f64 {
        let error = if certified == 0.0 {
            found.abs()
        } else {
            ((found - certified) / certified).abs()
        };
        -error.max(1e-16).log10()
    }

    fn columns(reference: &Reference) -> (Vec<f64>, Vec<f64>) {
        (
            reference.rows.iter().map(|row| row[1]).collect(),
            reference.rows.iter().map(|row| row[0]).collect(),
        )
    }

    /// Linear NIST sets; what double precision reaches is 12, 12, 9, 7 and 7 digits, so these bars leave a margin of some.
    #[test]
    fn polynomials_of_the_statistical_reference_datasets() {
        for (text, degree, bar) in [
            (
                include_str!("../../tests/fixtures/strd/Norris.dat"),
                1,
                11.0,
            ),
            (
                include_str!("../../tests/fixtures/strd/Pontius.dat"),
                2,
                10.0,
            ),
            (
                include_str!("../../tests/fixtures/strd/Wampler1.dat"),
                5,
                8.0,
            ),
            (
                include_str!("../../tests/fixtures/strd/Wampler5.dat"),
                5,
                6.0,
            ),
            (include_str!("../../tests/fixtures/strd/Filip.dat"), 10, 6.0),
        ] {
            let reference = reference(text);
            let (x, y) = columns(&reference);
            let fit = polynomial(&x, &y, None, degree).unwrap();
            let covariance = fit.covariance_by_residuals().unwrap();
            assert_eq!(reference.certified.len(), degree + 1);
            for (power, (value, deviation)) in reference.certified.iter().enumerate() {
                let found = digits(fit.coefficients[power], *value);
                assert!(
                    found >= bar,
                    "degree {degree}, power {power}: {found:.1} digits"
                );
                if *deviation > 0.0 {
                    let found = digits(covariance[(power, power)].sqrt(), *deviation);
                    assert!(
                        found >= bar.min(9.0),
                        "degree {degree}, deviation {power}: {found:.1} digits"
                    );
                }
            }
            if let Some(s) = reference.residual_deviation.filter(|s| *s > 0.0) {
                assert!(digits(fit.residual_deviation().unwrap(), s) >= 8.0);
            }
        }
    }

    /// Longley's collinear set with six predictors.
    #[test]
    fn longley_of_the_statistical_reference_datasets() {
        let reference = reference(include_str!("../../tests/fixtures/strd/Longley.dat"));
        let y: Vec<f64> = reference.rows.iter().map(|row| row[0]).collect();
        let design = DMatrix::from_fn(
            y.len(),
            7,
            |i, j| if j == 0 { 1.0 } else { reference.rows[i][j] },
        );
        let fit = linear(&design, &y, None).unwrap();
        for (power, (value, _)) in reference.certified.iter().enumerate() {
            assert!(digits(fit.coefficients[power], *value) > 9.0);
        }
        assert!(
            digits(
                fit.residual_deviation().unwrap(),
                reference.residual_deviation.unwrap()
            ) > 9.0
        );
    }

    /// b1 exp(-b2 x) and two Gaussian lines.
    struct TwoLines;

    impl Curve for TwoLines {
        fn value(&self, b: &DVector<f64>, x: f64) -> f64 {
            b[0] * (-b[1] * x).exp()
                + b[2] * (-((x - b[3]) / b[4]).powi(2)).exp()
                + b[5] * (-((x - b[6]) / b[7]).powi(2)).exp()
        }

        fn gradient(&self, b: &DVector<f64>, x: f64) -> DVector<f64> {
            let decay = (-b[1] * x).exp();
            let line = |height: f64, centre: f64, width: f64| {
                let u = (x - centre) / width;
                let g = (-u * u).exp();
                [
                    g,
                    2.0 * height * g * u / width,
                    2.0 * height * g * u * u / width,
                ]
            };
            let one = line(b[2], b[3], b[4]);
            let two = line(b[5], b[6], b[7]);
            DVector::from_vec(vec![
                decay,
                -b[0] * x * decay,
                one[0],
                one[1],
                one[2],
                two[0],
                two[1],
                two[2],
            ])
        }
    }

    /// b1/b2 exp(-((x - b3)/b2)²/2).
    struct OneLine;

    impl Curve for OneLine {
        fn value(&self, b: &DVector<f64>, x: f64) -> f64 {
            b[0] / b[1] * (-0.5 * ((x - b[2]) / b[1]).powi(2)).exp()
        }

        fn gradient(&self, b: &DVector<f64>, x: f64) -> DVector<f64> {
            let u = (x - b[2]) / b[1];
            let y = self.value(b, x);
            DVector::from_vec(vec![y / b[0], y * (u * u - 1.0) / b[1], y * u / b[1]])
        }
    }

    fn check_nonlinear(curve: &impl Curve, text: &str) {
        let reference = reference(text);
        let (x, y) = columns(&reference);
        let mut least = (f64::INFINITY, f64::INFINITY);
        for start in &reference.starts {
            let fit = nonlinear(curve, &x, &y, None, start).unwrap();
            let s = (fit.chi_squared / fit.degrees_of_freedom as f64).sqrt();
            assert!(digits(fit.chi_squared, reference.residual_sum.unwrap()) > 8.0);
            for (k, (value, deviation)) in reference.certified.iter().enumerate() {
                let found = digits(fit.parameters[k], *value);
                least.0 = found.min(least.0);
                assert!(found >= 8.0, "b{}: {found:.1} digits", k + 1);
                let found = digits(fit.covariance[(k, k)].sqrt() * s, *deviation);
                least.1 = found.min(least.1);
                assert!(found >= 8.0, "deviation of b{}: {found:.1} digits", k + 1);
            }
        }
        eprintln!(
            "least digits: parameters {:.1}, deviations {:.1}",
            least.0, least.1
        );
    }

    /// Nonlinear NIST sets nearest to spectral lines, from both certified starts: 8 digits in parameters and in deviations.
    #[test]
    fn lines_of_the_statistical_reference_datasets() {
        check_nonlinear(
            &TwoLines,
            include_str!("../../tests/fixtures/strd/Gauss1.dat"),
        );
        check_nonlinear(
            &TwoLines,
            include_str!("../../tests/fixtures/strd/Gauss2.dat"),
        );
        check_nonlinear(
            &TwoLines,
            include_str!("../../tests/fixtures/strd/Gauss3.dat"),
        );
        check_nonlinear(
            &OneLine,
            include_str!("../../tests/fixtures/strd/Eckerle4.dat"),
        );
    }

    /// JCGM 100, example H.3 (thermometer); data from memory of the document, results as in PyPI suncal 1.7.1
    /// (test/test_curvefit.py) and recomputed to more digits.
    #[test]
    fn thermometer_of_the_guide() {
        let t = [
            21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511,
        ];
        let b = [
            -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160,
        ];
        let x: Vec<f64> = t.iter().map(|t| t - 20.0).collect();
        let fit = straight_line(&x, &b, None).unwrap();
        let covariance = fit.covariance_by_residuals().unwrap();
        let close = |found: f64, wanted: f64| {
            assert!((found - wanted).abs() < 1e-9, "{found} is not {wanted}")
        };
        close(fit.coefficients[0], -0.171_203_790_13);
        close(fit.coefficients[1], 0.002_182_697_74);
        close(covariance[(0, 0)].sqrt(), 0.002_877_597_84);
        close(covariance[(1, 1)].sqrt(), 0.000_667_938_77);
        close(fit.residual_deviation().unwrap(), 0.003_497_563_96);
        let at_30 = crate::basics::uncertainty::correlated(
            fit.coefficients.as_slice(),
            &covariance,
            "calibration",
            crate::basics::uncertainty::Kind::A,
            9.0,
        )
        .unwrap();
        let correction = at_30[0].plus(&at_30[1].scaled(10.0));
        assert!((at_30[0].correlation(&at_30[1]).unwrap() + 0.930_429_6).abs() < 1e-7);
        assert!((correction.value() + 0.149_376_81).abs() < 1e-8);
        assert!((correction.u() - 0.004_138_60).abs() < 1e-8);
        assert!((correction.degrees_of_freedom() - 9.0).abs() < 1e-9);
    }

    /// The solution with common causes is that of the full covariance, and holds where that is nearly singular.
    #[test]
    fn common_causes_as_full_covariance() {
        let x = [0.1, 0.9, 2.3, 3.1, 4.7];
        let y = [1.02, 1.93, 3.35, 4.01, 5.80];
        let own = [0.02, 0.03, 0.025, 0.04, 0.02];
        let design = DMatrix::from_fn(5, 2, |i, j| if j == 0 { 1.0 } else { x[i] });
        let cause = DMatrix::from_fn(5, 1, |i, _| 0.3 + 0.1 * x[i] * x[i]);
        let covariance = DMatrix::from_fn(5, 5, |i, j| {
            cause[(i, 0)] * cause[(j, 0)] + if i == j { own[i] * own[i] } else { 0.0 }
        });
        let full = generalised(&design, &y, &covariance).unwrap();
        let (short, _) = with_shared_causes(&design, &y, &own, &cause).unwrap();
        assert!((&full.coefficients - &short.coefficients).norm() < 1e-10);
        assert!((&full.covariance - &short.covariance).norm() < 1e-10);
        assert!((&full.estimator - &short.estimator).norm() < 1e-9);
        assert!((full.chi_squared - short.chi_squared).abs() < 1e-8);
        let residuals: Vec<f64> = full.residuals.iter().copied().collect();
        let alone = chi_squared_with_shared(&residuals, &own, &cause).unwrap();
        assert!((alone - full.chi_squared).abs() < 1e-8);
        // A cause in the span of the design, ten million times the scatter: the fit must not notice it in the slope.
        let huge = DMatrix::from_element(5, 1, 3e5);
        let (fit, pulls) = with_shared_causes(&design, &y, &own, &huge).unwrap();
        let free = linear(&design, &y, Some(&own)).unwrap();
        assert!((fit.coefficients[1] - free.coefficients[1]).abs() < 1e-8);
        assert!((fit.covariance[(1, 1)] / free.covariance[(1, 1)] - 1.0).abs() < 1e-6);
        assert!((fit.covariance[(0, 0)].sqrt() / 3e5 - 1.0).abs() < 1e-6);
        assert!(pulls[0].abs() < 1e-3);
    }

    /// Pulls of a weighted line have spread 1; a robust line shrugs off what drags the plain one away.
    #[test]
    fn lines_hold_their_stated_uncertainty() {
        const RUNS: usize = 2000;
        let mut random = ChaCha8Rng::seed_from_u64(11);
        let x: Vec<f64> = (0..12)
            .map(|i| 37.3 + 1.7 * f64::from(i) + 0.3 * f64::from(i * i % 5))
            .collect();
        let sigma: Vec<f64> = (0..12).map(|i| 0.2 + 0.05 * f64::from(i % 4)).collect();
        let mut squares = 0.0;
        for _ in 0..RUNS {
            let y: Vec<f64> = x
                .iter()
                .zip(&sigma)
                .map(|(x, s)| {
                    let noise: f64 = StandardNormal.sample(&mut random);
                    -3.1 + 0.77 * x + s * noise
                })
                .collect();
            let fit = straight_line(&x, &y, Some(&sigma)).unwrap();
            squares += (fit.coefficients[1] - 0.77).powi(2) / fit.covariance[(1, 1)];
        }
        let variance = squares / RUNS as f64;
        // The variance of RUNS pulls has the standard error sqrt(2/RUNS).
        assert!(
            (variance - 1.0).abs() < 4.0 * (2.0 / RUNS as f64).sqrt(),
            "{variance}"
        );
        let mut y: Vec<f64> = x
            .iter()
            .enumerate()
            .map(|(i, x)| -3.1 + 0.77 * x + 0.05 * (i as f64 * 2.1).sin())
            .collect();
        y[3] += 40.0;
        let plain = straight_line(&x, &y, None).unwrap();
        let robust = robust_line(&x, &y, None).unwrap();
        assert!((plain.coefficients[1] - 0.77).abs() > 0.2);
        assert!((robust.fit.coefficients[1] - 0.77).abs() < 0.01);
        assert!(robust.weights[3] < 0.02);
    }

    #[test]
    fn what_cannot_be_fitted_is_refused() {
        assert!(matches!(
            straight_line(&[1.0], &[1.0], None),
            Err(FitError::TooFew { .. } | FitError::Singular)
        ));
        assert_eq!(
            straight_line(&[1.0, 1.0, 1.0], &[1.0, 2.0, 3.0], None).unwrap_err(),
            FitError::Singular
        );
        assert_eq!(
            straight_line(&[1.0, 2.0], &[1.0, f64::NAN], None).unwrap_err(),
            FitError::Number
        );
        assert_eq!(
            straight_line(&[1.0, 2.0], &[1.0, 2.0], Some(&[1.0, 0.0])).unwrap_err(),
            FitError::Number
        );
        assert_eq!(
            straight_line(&[1.0, 2.0], &[1.0], None).unwrap_err(),
            FitError::Shape
        );
        assert!(aicc(1.0, 3, 2).is_none());
        assert!(chi_squared_probability(1.0, 0).is_none());
    }
}
