//! Least squares: lines, polynomials, general linear models, small nonlinear models.

use nalgebra::{DMatrix, DVector};

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

/// A linear fit.
#[derive(Clone, Debug)]
pub struct LinearFit {
    /// Coefficients.
    pub coefficients: DVector<f64>,
    /// Covariance of the coefficients for the given uncertainties (not scaled by the residuals).
    pub covariance: DMatrix<f64>,
    /// Ordinate minus model.
    pub residuals: DVector<f64>,
    /// Sum of squares of the residuals in units of their uncertainty.
    pub chi_squared: f64,
    /// Points less coefficients.
    pub degrees_of_freedom: usize,
}
