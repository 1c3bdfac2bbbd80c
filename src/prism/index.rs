//! Refractive index from refracting angle and minimum deviation.

use crate::basics::uncertainty::Measured;

use super::PrismError;

/// Index by n = sin((A + D)/2) / sin(A/2); both angles in degrees.
///
/// # Errors
/// Angles that give no real index above 1.
pub fn index_at_minimum(
    prism_angle_deg: &Measured,
    deviation_deg: &Measured,
    name: &str,
) -> Result<Measured, PrismError> {
    let _ = (prism_angle_deg, deviation_deg, name);
    Err(PrismError("not written yet".to_owned()))
}
