//! The refracting angle of the prism.
//!
//! With the table locked and the light of the collimator falling on both faces of the edge, the angle
//! between the two reflected slit images is twice the refracting angle (Glazebrook and Shaw, Practical Physics).

use crate::basics::fit::chi_squared_probability;
use crate::basics::uncertainty::{Cause, Caution, Measured};
use crate::basics::units::{Angle, folded_deg};

use super::PrismError;

/// Smallest refracting angle that is taken for a prism's, degrees.
pub const SMALLEST_PRISM_ANGLE_DEG: f64 = 1.0;

/// Largest refracting angle that is taken for a prism's, degrees: beyond it a ray passes only below n = 1.155.
pub const LARGEST_PRISM_ANGLE_DEG: f64 = 120.0;

/// Repeats that scatter as much as this by chance with a smaller probability are flagged.
const REPEATS_SIGNIFICANCE: f64 = 0.01;

/// Readings of the slit reflected from both faces, table locked.
#[derive(Clone, Debug)]
pub struct FacePair {
    /// Set of the two rows.
    pub set: String,
    /// Refracting angle from this pair, degrees.
    pub prism_angle_deg: Measured,
}

/// Refracting angle from the two face reflections with the table locked, degrees: half the angle
/// between them. The smaller of the two arcs is taken, so the refracting angle is at most 90 degrees.
///
/// # Errors
/// An angle that no prism for minimum deviation has.
pub fn prism_angle_from_faces(
    face_1_deg: &Measured,
    face_2_deg: &Measured,
    set: &str,
) -> Result<Measured, PrismError> {
    let difference = face_1_deg.minus(face_2_deg);
    let folded = folded_deg(difference.value());
    let half = 0.5 * folded.signum();
    let angle = difference.map(folded.abs() * 0.5, half);
    checked_prism_angle(angle, &format!("the face readings of set {set} give"))
}

/// Checks a refracting angle in degrees; `origin` begins the sentence, such as "the face readings of set 3 give".
///
/// # Errors
/// An angle outside 1 to 120 degrees.
pub fn checked_prism_angle(angle_deg: Measured, origin: &str) -> Result<Measured, PrismError> {
    let value = angle_deg.value();
    if (SMALLEST_PRISM_ANGLE_DEG..=LARGEST_PRISM_ANGLE_DEG).contains(&value) {
        Ok(angle_deg)
    } else {
        Err(PrismError(format!(
            "{origin} a refracting angle of {}, and a prism for minimum deviation has between {SMALLEST_PRISM_ANGLE_DEG}° and {LARGEST_PRISM_ANGLE_DEG}°: check the angle, or that face-1 and face-2 are the two reflections with the table locked",
            Angle::from_degrees(value)
        )))
    }
}

/// Mean of several pairs. Where they scatter more than their uncertainties allow, the scatter is added
/// as a cause of type A so that the uncertainty is that of the mean of the repeats, and a caution is given.
/// None of no pair.
#[must_use]
pub fn combined(pairs: &[FacePair]) -> Option<(Measured, Option<Caution>)> {
    if pairs.is_empty() {
        return None;
    }
    let count = pairs.len() as f64;
    let mean = pairs.iter().map(|p| p.prism_angle_deg.value()).sum::<f64>() / count;
    let inputs: Vec<(&Measured, f64)> = pairs
        .iter()
        .map(|pair| (&pair.prism_angle_deg, 1.0 / count))
        .collect();
    let combined = Measured::combine(mean, &inputs);
    let deviations = pairs.iter().map(|p| p.prism_angle_deg.value() - mean);
    let squares: f64 = deviations.clone().map(|d| d * d).sum();
    let chi_squared: f64 = pairs
        .iter()
        .zip(deviations)
        .map(|(pair, d)| d * d / pair.prism_angle_deg.variance().max(f64::MIN_POSITIVE))
        .sum();
    let by_chance = chi_squared_probability(chi_squared, pairs.len() - 1);
    if by_chance.is_none_or(|p| p >= REPEATS_SIGNIFICANCE) {
        return Some((combined, None));
    }
    let of_mean = squares / (count - 1.0) / count;
    let missing = (of_mean - combined.variance()).max(0.0).sqrt();
    let cause = Cause::type_a("scatter of the repeated refracting angle", count - 1.0);
    let caution = Caution {
        code: "prism-angle-repeats",
        message: format!(
            "the {} pairs of face readings differ by more than their uncertainty, scatter {:.0} seconds of arc: see that the table was locked, and read them again",
            pairs.len(),
            (squares / (count - 1.0)).sqrt() * 3600.0
        ),
    };
    Some((combined.with(&cause, missing), Some(caution)))
}
