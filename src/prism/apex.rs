//! The refracting angle of the prism.

use crate::basics::uncertainty::Measured;

use super::PrismError;

/// Readings of the slit reflected from both faces, table locked.
#[derive(Clone, Debug)]
pub struct FacePair {
    /// Set of the two rows.
    pub set: String,
    /// Refracting angle from this pair, degrees.
    pub prism_angle_deg: Measured,
}

/// Refracting angle from the two face reflections with the table locked, degrees: half the angle between them.
///
/// # Errors
/// An angle that no prism for minimum deviation has.
pub fn prism_angle_from_faces(
    face_1_deg: &Measured,
    face_2_deg: &Measured,
    set: &str,
) -> Result<Measured, PrismError> {
    let _ = (face_1_deg, face_2_deg, set);
    Err(PrismError("not written yet".to_owned()))
}
