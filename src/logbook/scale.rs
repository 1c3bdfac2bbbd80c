//! The camera's scale: seconds of arc per pixel, with sign and distortion, from slit pictures at
//! known circle readings.
//!
//! The slit stands still while the telescope turns, so reading + angle of the offset is the same for
//! all points: minus the reading is fitted as a polynomial of the offset in pixels, whose constant
//! term is dropped and whose slope at 0 is the scale.

use nalgebra::DMatrix;

use crate::basics::fit::{FitError, LinearFit, aicc, f_test_probability, median, polynomial};
use crate::basics::uncertainty::{Cause, Caution, Kind, Measured, correlated};
use crate::basics::units::{Angle, CircleReading};

use super::circle::rounding_alike_of;

/// Fewest points of a scale.
pub const FEWEST_POINTS: usize = 3;

/// Points must cover at least this many pixels.
const LEAST_SPREAD_PX: f64 = 2.0;

/// A slope known worse than this share of itself is no scale.
const LARGEST_RELATIVE_U: f64 = 0.2;

/// A distortion term must lower the residuals with at most this probability of chance.
const TERM_SIGNIFICANCE: f64 = 0.01;

/// Readings farther apart than this, degrees, are not one eyepiece's field.
const WIDEST_FIELD_DEG: f64 = 15.0;

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
    /// By how much window 2 differs from 180 degrees past window 1, degrees; none where one window was read.
    pub window_difference_deg: Option<f64>,
}

/// The camera's scale: angle = sum over k of `coefficients[k - 1]` · `offset_px`^k, seconds of arc.
#[derive(Clone, Debug)]
pub struct Calibration {
    /// Seconds of arc per px, per px², per px³; the first is the slope at the cross-hairs, with sign.
    pub coefficients: Vec<f64>,
    /// Covariance of the coefficients.
    pub covariance: DMatrix<f64>,
    /// Degrees of freedom of the covariance; infinite where it rests on the least count alone.
    pub degrees_of_freedom: f64,
    /// Offsets that the points cover, px.
    pub range_px: (f64, f64),
    /// Root mean square of the residuals, seconds of arc.
    pub residual_rms_arcsec: f64,
    /// Number of points.
    pub points: usize,
    /// Residual of each point, seconds of arc, in the order of the input; empty for a scale read from a file.
    pub residuals_arcsec: Vec<f64>,
    /// What is doubtful: `scale-outlier`, `scale-scatter`, `scale-no-check`.
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
    ///
    /// # Errors
    /// A covariance that is none.
    pub fn ready(&self) -> Result<ReadyScale, ScaleError> {
        let kind = if self.degrees_of_freedom.is_finite() {
            Kind::A
        } else {
            Kind::B
        };
        correlated(
            &self.coefficients,
            &self.covariance,
            "scale of the camera",
            kind,
            self.degrees_of_freedom,
        )
        .map(|coefficients| ReadyScale {
            coefficients,
            range_px: self.range_px,
        })
        .ok_or_else(|| {
            ScaleError("the scale's covariance has a negative variance; run scale again".to_owned())
        })
    }
}

/// A scale whose causes exist, so that offsets converted with it are correlated as they should be.
#[derive(Clone, Debug)]
pub struct ReadyScale {
    coefficients: Vec<Measured>,
    range_px: (f64, f64),
}

impl ReadyScale {
    /// The angle of an offset, seconds of arc, with the scale's causes and the offset's own: `u_px` is
    /// its standard uncertainty, `cause` what made it.
    #[must_use]
    pub fn angle_arcsec(&self, offset_px: f64, u_px: f64, cause: &Cause) -> Measured {
        let mut angle = 0.0;
        let mut slope = 0.0;
        let mut terms = Vec::with_capacity(self.coefficients.len());
        for (coefficient, power) in self.coefficients.iter().zip(1i32..) {
            angle += coefficient.value() * offset_px.powi(power);
            slope += coefficient.value() * f64::from(power) * offset_px.powi(power - 1);
            terms.push((coefficient, offset_px.powi(power)));
        }
        Measured::combine(angle, &terms).with(cause, slope * u_px.abs())
    }

    /// A caution where the offset lies outside the range that the points covered.
    #[must_use]
    pub fn outside(&self, offset_px: f64) -> Option<Caution> {
        let (low, high) = self.range_px;
        (offset_px < low || offset_px > high).then(|| Caution {
            code: "outside-scale",
            message: format!(
                "the offset of {offset_px:.1} px lies outside the {low:.1} to {high:.1} px that the scale was measured over: bring the line nearer to the cross-hairs, or measure the scale over more of the field"
            ),
        })
    }
}

/// Fits the scale. The readings carry the least count (rectangular) beside the offsets' own
/// uncertainty; where the residuals scatter more than that, the covariance grows with them.
///
/// # Errors
/// Fewer than three points, points that do not spread, or a fit that fails.
pub fn fit_scale(points: &[ScalePoint], least_count: Angle) -> Result<Calibration, ScaleError> {
    if points.len() < FEWEST_POINTS {
        return Err(ScaleError(format!(
            "{} points do not make a scale: take the slit at three or more circle readings",
            points.len()
        )));
    }
    if points.iter().any(|point| !point.offset_px.is_finite()) {
        return Err(ScaleError(
            "an offset is not a finite number; correct or delete that row".to_owned(),
        ));
    }
    let offsets_px: Vec<f64> = points.iter().map(|point| point.offset_px).collect();
    let low = offsets_px.iter().copied().fold(f64::INFINITY, f64::min);
    let high = offsets_px.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if high - low < LEAST_SPREAD_PX {
        return Err(ScaleError(format!(
            "the slit images lie within {:.2} px of each other: turn the telescope so that they spread over the field",
            high - low
        )));
    }
    let angles_arcsec = angles_from_first(points)?;
    let best = best_polynomial(points, &offsets_px, &angles_arcsec, least_count)?;
    finished(points, best, least_count, (low, high))
}

/// Minus the readings, seconds of arc from the first.
fn angles_from_first(points: &[ScalePoint]) -> Result<Vec<f64>, ScaleError> {
    let Some(first) = points.first() else {
        return Ok(Vec::new());
    };
    points
        .iter()
        .enumerate()
        .map(|(index, point)| {
            let turned = point.reading - first.reading;
            if turned.abs().degrees() > WIDEST_FIELD_DEG {
                return Err(ScaleError(format!(
                    "reading {} of the scale, {}, is {} away from the first, more than an eyepiece shows: correct or delete that row",
                    index + 1,
                    point.reading,
                    turned
                )));
            }
            Ok(-turned.arcseconds())
        })
        .collect()
}

/// Standard uncertainty of each point's angle for a slope, seconds of arc. The rounding of two windows counts as common as far
/// as their differences show it, as for the rows of a table.
fn sigma_of(points: &[ScalePoint], least_count: Angle, slope: f64) -> Vec<f64> {
    let differences: Vec<f64> = points
        .iter()
        .filter_map(|point| point.window_difference_deg)
        .collect();
    let alike = rounding_alike_of(&differences, least_count);
    points
        .iter()
        .map(|point| {
            let u_window = least_count.abs().arcseconds() / 12f64.sqrt();
            let alike = if point.windows > 1 { alike } else { 0.0 };
            let independent = (1.0 - alike) / f64::from(point.windows.max(1));
            let u_reading = u_window * (alike + independent).sqrt();
            let u_offset = slope * point.u_offset_px.unwrap_or(0.0);
            u_reading.hypot(u_offset).max(1e-6)
        })
        .collect()
}

/// The polynomial without needless terms: a higher one must pass the F test and lower the criterion.
fn best_polynomial(
    points: &[ScalePoint],
    offsets_px: &[f64],
    angles_arcsec: &[f64],
    least_count: Angle,
) -> Result<LinearFit, ScaleError> {
    const HIGHEST_DEGREE: usize = 3;
    let failed = |error: FitError| ScaleError(format!("the scale cannot be fitted: {error}"));
    let slope = polynomial(offsets_px, angles_arcsec, None, 1)
        .map_err(failed)?
        .coefficients[1];
    let sigma = sigma_of(points, least_count, slope);
    let mut best = polynomial(offsets_px, angles_arcsec, Some(&sigma), 1).map_err(failed)?;
    for degree in 2..=HIGHEST_DEGREE.min(points.len().saturating_sub(3)) {
        let Ok(higher) = polynomial(offsets_px, angles_arcsec, Some(&sigma), degree) else {
            continue;
        };
        let added = higher.coefficients.len() - best.coefficients.len();
        let significant = f_test_probability(
            best.chi_squared,
            higher.chi_squared,
            added,
            higher.degrees_of_freedom,
        )
        .is_some_and(|p| p < TERM_SIGNIFICANCE);
        let count = points.len();
        let lower = match (
            aicc(best.chi_squared, count, best.coefficients.len()),
            aicc(higher.chi_squared, count, higher.coefficients.len()),
        ) {
            (Some(before), Some(after)) => after < before,
            _ => false,
        };
        if significant && lower {
            best = higher;
        }
    }
    Ok(best)
}

/// The calibration from the fit that was chosen.
fn finished(
    points: &[ScalePoint],
    fit: LinearFit,
    least_count: Angle,
    range_px: (f64, f64),
) -> Result<Calibration, ScaleError> {
    let count = points.len() as f64;
    let terms = fit.coefficients.len() - 1;
    let mut cautions = Vec::new();
    let mut covariance = fit.covariance.view((1, 1), (terms, terms)).into_owned();
    let mut degrees_of_freedom = f64::INFINITY;
    if let Some(excess) = fit.residual_deviation().filter(|excess| *excess > 1.0) {
        covariance *= excess * excess;
        degrees_of_freedom = fit.degrees_of_freedom as f64;
        if excess > 3.0 {
            cautions.push(Caution {
                code: "scale-scatter",
                message: format!(
                    "the points of the scale scatter {excess:.1} times as much as a least count of {} allows: look for a slip in a reading",
                    least_count
                ),
            });
        }
    }
    let slope = fit.coefficients[1];
    let u_slope = covariance[(0, 0)].sqrt();
    if !slope.is_finite() || slope == 0.0 || u_slope > LARGEST_RELATIVE_U * slope.abs() {
        return Err(ScaleError(format!(
            "the points do not fix the scale ({slope:.4} ± {u_slope:.4} seconds of arc per pixel): spread the slit images over more of the field"
        )));
    }
    let residuals_arcsec: Vec<f64> = fit.residuals.iter().copied().collect();
    let typical = 1.4826 * median(&residuals_arcsec.iter().map(|r| r.abs()).collect::<Vec<_>>());
    let noticeable = (4.0 * typical).max(DOUBTFUL_IN_LEAST_COUNTS * least_count.abs().arcseconds());
    for (index, residual) in residuals_arcsec.iter().enumerate() {
        if residual.abs() > noticeable {
            cautions.push(Caution {
                code: "scale-outlier",
                message: format!(
                    "point {} of the scale (reading {}) lies {residual:.0} seconds of arc off the others: read it again or delete it",
                    index + 1,
                    points[index].reading
                ),
            });
        }
    }
    if fit.degrees_of_freedom < 2 {
        cautions.push(Caution {
            code: "scale-no-check",
            message: "so few points hardly check each other or show distortion: take five or more"
                .to_owned(),
        });
    }
    Ok(Calibration {
        coefficients: fit.coefficients.iter().skip(1).copied().collect(),
        covariance,
        degrees_of_freedom,
        range_px,
        residual_rms_arcsec: (residuals_arcsec.iter().map(|r| r * r).sum::<f64>() / count).sqrt(),
        points: points.len(),
        residuals_arcsec,
        cautions,
    })
}

/// A residual below this many least counts is not called an outlier.
const DOUBTFUL_IN_LEAST_COUNTS: f64 = 2.0;
