//! The camera's scale: seconds of arc per pixel, with sign and distortion, from slit pictures at
//! known circle readings.

use nalgebra::DMatrix;

use crate::basics::uncertainty::{Cause, Measured};
use crate::basics::units::{Angle, CircleReading};

use super::Caution;

/// Why there is no scale, or why it does not serve for an offset.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct ScaleError(pub String);

/// One picture of the slit.
#[derive(Clone, Debug, PartialEq)]
pub struct ScalePoint {
    /// Mean circle reading of the windows.
    pub reading: CircleReading,
    /// Offset of the slit image from the cross-hairs, px.
    pub offset_px: f64,
    /// Standard uncertainty of the offset, px; none where it is not known.
    pub u_offset_px: Option<f64>,
    /// Windows that were read, 1 or 2.
    pub windows: u8,
}

/// The camera's scale. angle = sum over k of `coefficients[k - 1]` · offset_px^k, seconds of arc.
#[derive(Clone, Debug)]
pub struct Calibration {
    /// Seconds of arc per px, per px², per px³; the first is the slope at the cross-hairs, with sign.
    pub coefficients: Vec<f64>,
    /// Covariance of the coefficients.
    pub covariance: DMatrix<f64>,
    /// Degrees of freedom of the fit.
    pub degrees_of_freedom: f64,
    /// Offsets that the points cover, px.
    pub range_px: (f64, f64),
    /// Root mean square of the residuals, seconds of arc.
    pub residual_rms_arcsec: f64,
    /// Number of points.
    pub points: usize,
    /// Residual of each point, seconds of arc, in the order of the input; empty for a scale read from a file.
    pub residuals_arcsec: Vec<f64>,
    /// What is doubtful.
    pub cautions: Vec<Caution>,
}

impl Calibration {
    /// Slope at the cross-hairs, seconds of arc per px, with sign.
    #[must_use]
    pub fn arcsec_per_px(&self) -> f64 {
        self.coefficients.first().copied().unwrap_or(0.0)
    }

    /// Standard uncertainty of the slope.
    #[must_use]
    pub fn u_arcsec_per_px(&self) -> f64 {
        self.covariance.get((0, 0)).map_or(0.0, |v| v.sqrt())
    }

    /// The scale with its causes made, for use on several offsets that share them.
    #[must_use]
    pub fn ready(&self) -> ReadyScale {
        ReadyScale {
            coefficients: Vec::new(),
            range_px: self.range_px,
        }
    }
}

/// A scale whose causes exist, so that offsets converted with it are correlated as they should be.
#[derive(Clone, Debug)]
pub struct ReadyScale {
    coefficients: Vec<Measured>,
    range_px: (f64, f64),
}

impl ReadyScale {
    /// The angle of an offset, seconds of arc, with the scale's causes and the offset's own.
    #[must_use]
    pub fn angle_arcsec(&self, offset_px: f64, u_px: f64, cause: &Cause) -> Measured {
        let _ = (&self.coefficients, offset_px, u_px);
        Measured::exact(0.0).with(cause, 0.0)
    }

    /// A caution where the offset lies outside the range that the points covered.
    #[must_use]
    pub fn outside(&self, offset_px: f64) -> Option<Caution> {
        let _ = (self.range_px, offset_px);
        None
    }
}

/// Fits the scale.
///
/// # Errors
/// Fewer than three points, points that do not spread, or a fit that fails.
pub fn fit_scale(points: &[ScalePoint], least_count: Angle) -> Result<Calibration, ScaleError> {
    let _ = (points, least_count);
    Err(ScaleError("not written yet".to_owned()))
}
