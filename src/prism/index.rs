//! Refractive index from refracting angle and minimum deviation.

use crate::basics::uncertainty::Measured;
use crate::basics::units::{Angle, folded_deg};

use super::PrismError;

/// No transparent solid or liquid in the visible has an index above this.
const LARGEST_INDEX: f64 = 4.0;

/// Minimum deviation, degrees without sign: the angle from the central image to the line, whichever
/// side it lies on and also across the zero of the circle.
#[must_use]
pub fn deviation(line_deg: &Measured, central_deg: &Measured) -> Measured {
    let difference = line_deg.minus(central_deg);
    let folded = folded_deg(difference.value());
    difference.map(folded.abs(), if folded < 0.0 { -1.0 } else { 1.0 })
}

/// Index relative to the surrounding air by n = sin((A + D)/2) / sin(A/2), Fraunhofer's relation at
/// minimum deviation; both angles in degrees. `name` names the line in a refusal.
///
/// # Errors
/// Angles that give no real index above 1.
pub fn index_at_minimum(
    prism_angle_deg: &Measured,
    deviation_deg: &Measured,
    name: &str,
) -> Result<Measured, PrismError> {
    let (angle, deviation) = (prism_angle_deg.value(), deviation_deg.value());
    let refused = |what: &str| {
        PrismError(format!(
            "{name}: a deviation of {} with a refracting angle of {} {what}",
            Angle::from_degrees(deviation),
            Angle::from_degrees(angle)
        ))
    };
    if deviation <= 0.0 {
        return Err(refused(
            "means an index of 1 or less: the line and the central image have the same reading, so check that both belong to this set",
        ));
    }
    if angle + deviation >= 180.0 {
        return Err(refused(
            "cannot be, because the two must add up to less than 180°: check the readings of the line and its central image, and that no window was misread",
        ));
    }
    let values = Partials::at(angle, deviation);
    if !values.index.is_finite() || values.index > LARGEST_INDEX {
        return Err(refused(&format!(
            "means an index of {:.3}, more than any transparent material has: check the readings and the refracting angle",
            values.index
        )));
    }
    Ok(Measured::combine(
        values.index,
        &[
            (prism_angle_deg, values.by_prism_angle),
            (deviation_deg, values.by_deviation),
        ],
    ))
}

/// Minimum deviation, degrees, of an index with a refracting angle in degrees; none where the ray does not pass.
#[must_use]
pub fn deviation_at_minimum_deg(prism_angle_deg: f64, index: f64) -> Option<f64> {
    let half_sum = (index * (0.5 * prism_angle_deg).to_radians().sin()).asin();
    half_sum
        .is_finite()
        .then(|| 2.0 * half_sum.to_degrees() - prism_angle_deg)
}

/// Index and its partial derivatives, per degree.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Partials {
    /// Index.
    pub index: f64,
    /// Derivative by the refracting angle, per degree.
    pub by_prism_angle: f64,
    /// Derivative by the deviation, per degree.
    pub by_deviation: f64,
}

impl Partials {
    /// At a refracting angle and a deviation, degrees.
    #[must_use]
    pub fn at(prism_angle_deg: f64, deviation_deg: f64) -> Self {
        let half_prism = 0.5 * prism_angle_deg.to_radians();
        let half_deviation = 0.5 * deviation_deg.to_radians();
        let half_sum = half_prism + half_deviation;
        let per_degree = 1f64.to_radians();
        Self {
            index: half_sum.sin() / half_prism.sin(),
            by_prism_angle: -half_deviation.sin() / (2.0 * half_prism.sin().powi(2)) * per_degree,
            by_deviation: half_sum.cos() / (2.0 * half_prism.sin()) * per_degree,
        }
    }
}
