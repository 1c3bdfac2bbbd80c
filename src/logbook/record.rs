//! The calibration document on disk: its serialisable types, apart from the working ones.

use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

use super::scale::{Calibration, ScaleError};

/// A caution on disk.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct WarningRecord {
    /// Short name for scripts.
    pub code: String,
    /// One sentence for people.
    pub message: String,
}

/// One term of the scale: `arcsec` · `offset_px`^`power`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TermRecord {
    /// Power of the offset in px.
    pub power: usize,
    /// Coefficient, seconds of arc per px^power.
    pub arcsec: f64,
    /// Its standard uncertainty.
    pub u_arcsec: f64,
}

/// The document that `scale --json` prints and `--scale` reads.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CalibrationRecord {
    /// Version of the program that wrote it.
    pub lineturn: String,
    /// Always "scale".
    pub kind: String,
    /// Always 1.
    pub schema: u32,
    /// Whether it is complete.
    pub complete: bool,
    /// What is doubtful.
    pub warnings: Vec<WarningRecord>,
    /// Slope at the cross-hairs, with sign.
    pub arcsec_per_px: f64,
    /// Its standard uncertainty.
    pub u_arcsec_per_px: f64,
    /// All terms, the slope first; further ones correct for distortion.
    pub terms: Vec<TermRecord>,
    /// Covariance of the terms, in their order.
    #[serde(default)]
    pub terms_covariance: Vec<Vec<f64>>,
    /// Degrees of freedom of the covariance; missing where they are unlimited.
    #[serde(default)]
    pub degrees_of_freedom: Option<f64>,
    /// Offsets that the points cover, px.
    pub range_px: [f64; 2],
    /// Root mean square of the residuals.
    pub residual_rms_arcsec: f64,
    /// Number of points.
    pub points: usize,
}

impl From<&Calibration> for CalibrationRecord {
    fn from(scale: &Calibration) -> Self {
        let variance = |i: usize| scale.covariance.get((i, i)).copied().unwrap_or(0.0);
        Self {
            lineturn: env!("CARGO_PKG_VERSION").to_owned(),
            kind: "scale".to_owned(),
            schema: 1,
            complete: true,
            warnings: scale
                .cautions
                .iter()
                .map(|caution| WarningRecord {
                    code: caution.code.to_owned(),
                    message: caution.message.clone(),
                })
                .collect(),
            arcsec_per_px: scale.arcsec_per_px(),
            u_arcsec_per_px: scale.u_arcsec_per_px(),
            terms: scale
                .coefficients
                .iter()
                .enumerate()
                .map(|(i, coefficient)| TermRecord {
                    power: i + 1,
                    arcsec: *coefficient,
                    u_arcsec: variance(i).sqrt(),
                })
                .collect(),
            terms_covariance: scale
                .covariance
                .row_iter()
                .map(|row| row.iter().copied().collect())
                .collect(),
            degrees_of_freedom: Some(scale.degrees_of_freedom).filter(|dof| dof.is_finite()),
            range_px: [scale.range_px.0, scale.range_px.1],
            residual_rms_arcsec: scale.residual_rms_arcsec,
            points: scale.points,
        }
    }
}

/// Reads a calibration document; `name` is the file's name for messages.
///
/// # Errors
/// One sentence where the text is no such document or holds numbers that make no scale.
pub fn calibration_from_json(text: &str, name: &str) -> Result<Calibration, ScaleError> {
    let wrong = |what: &str| {
        ScaleError(format!(
            "{name} is no calibration ({what}); make one with: lineturn scale READINGS.csv --save FILE"
        ))
    };
    let text = text.trim_start_matches('\u{feff}');
    let record: CalibrationRecord =
        serde_json::from_str(text).map_err(|error| wrong(&error.to_string()))?;
    if record.kind != "scale" {
        return Err(wrong(&format!("its kind is \"{}\"", record.kind)));
    }
    if record.schema != 1 {
        return Err(wrong(&format!(
            "its schema is {}, this program reads 1",
            record.schema
        )));
    }
    let count = record.terms.len();
    if count == 0 || count > 6 {
        return Err(wrong("it needs one to six terms"));
    }
    let in_order = record
        .terms
        .iter()
        .enumerate()
        .all(|(i, term)| term.power == i + 1);
    if !in_order {
        return Err(wrong("its terms are not the powers 1, 2, 3… in order"));
    }
    let slope = record.terms.first().map_or(0.0, |term| term.arcsec);
    if slope == 0.0 || (slope - record.arcsec_per_px).abs() > 1e-9 * slope.abs() {
        return Err(wrong(
            "the first term and arcsec_per_px must be the same number, not 0",
        ));
    }
    let covariance = if record.terms_covariance.is_empty() {
        DMatrix::from_fn(count, count, |i, j| {
            if i == j {
                record.terms[i].u_arcsec.powi(2)
            } else {
                0.0
            }
        })
    } else {
        if record.terms_covariance.len() != count
            || record.terms_covariance.iter().any(|row| row.len() != count)
        {
            return Err(wrong(
                "terms_covariance does not have one row and column for each term",
            ));
        }
        DMatrix::from_fn(count, count, |i, j| record.terms_covariance[i][j])
    };
    let [low, high] = record.range_px;
    if low >= high {
        return Err(wrong("range_px does not go from low to high"));
    }
    let degrees_of_freedom = record.degrees_of_freedom.unwrap_or(f64::INFINITY);
    if degrees_of_freedom < 1.0 {
        return Err(wrong("degrees_of_freedom is below 1"));
    }
    let calibration = Calibration {
        coefficients: record.terms.iter().map(|term| term.arcsec).collect(),
        covariance,
        degrees_of_freedom,
        range_px: (low, high),
        residual_rms_arcsec: record.residual_rms_arcsec,
        points: record.points,
        residuals_arcsec: Vec::new(),
        cautions: Vec::new(),
    };
    calibration
        .ready()
        .map_err(|_| wrong("its covariance is not that of real numbers"))?;
    Ok(calibration)
}
