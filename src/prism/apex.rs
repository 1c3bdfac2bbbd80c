//! The refracting angle of the prism.
//!
//! With the table locked and the light of the collimator falling on both faces of the edge, the angle
//! between the two reflected slit images is twice the refracting angle; with the telescope locked, the turn of the table from
//! one face's reflection on the hair to the other's is 180 degrees less the refracting angle (both: Glazebrook and
//! Shaw, Practical Physics). The same holds of the two normals found by autocollimation (common practice, no source).

use crate::basics::fit::{chi_squared_probability, median};
use crate::basics::uncertainty::{Cause, Caution, Measured};
use crate::basics::units::{Angle, folded_deg};

use super::PrismError;

/// Smallest refracting angle that is taken for a prism's, degrees.
pub const SMALLEST_PRISM_ANGLE_DEG: f64 = 1.0;

/// Largest refracting angle that is taken for a prism's, degrees: beyond it a ray passes only below n = 1.155.
pub const LARGEST_PRISM_ANGLE_DEG: f64 = 120.0;

/// Repeats that scatter as much as this by chance with a smaller probability are flagged.
const REPEATS_SIGNIFICANCE: f64 = 0.01;

/// How the two face readings of a pair were taken.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FaceMethod {
    /// Table locked, telescope moved from one reflected slit image to the other.
    #[default]
    Reflections,
    /// Telescope locked, table turned from one face's reflection to the other's; the readings are the table's.
    TableTurn,
    /// The normals of the two faces by autocollimation, whichever of table and telescope turned.
    Autocollimation,
}

impl FaceMethod {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Reflections, Self::TableTurn, Self::Autocollimation];

    /// Name as on the command line.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Reflections => "reflections",
            Self::TableTurn => "table-turn",
            Self::Autocollimation => "autocollimation",
        }
    }

    /// Reads a name as on the command line.
    ///
    /// # Errors
    /// A sentence that quotes the name and lists the ways.
    pub fn parse(name: &str) -> Result<Self, PrismError> {
        Self::ALL
            .into_iter()
            .find(|method| method.name() == name.trim().to_ascii_lowercase())
            .ok_or_else(|| {
                PrismError(format!(
                    "\"{name}\" is no way to read the faces: use reflections, table-turn or autocollimation"
                ))
            })
    }
}

/// The two readings of the faces, and the refracting angle that they give.
#[derive(Clone, Debug)]
pub struct FacePair {
    /// Set of the two rows.
    pub set: String,
    /// Refracting angle from this pair, degrees.
    pub prism_angle_deg: Measured,
}

/// Refracting angle from the two face readings, degrees: half the angle between the reflections with the table locked,
/// else what the turn lacks to 180 degrees. The smaller of the two arcs is taken, so the angle from reflections is at most 90 degrees.
///
/// # Errors
/// An angle that no prism for minimum deviation has.
pub fn prism_angle_from_faces(
    face_1_deg: &Measured,
    face_2_deg: &Measured,
    set: &str,
    method: FaceMethod,
) -> Result<Measured, PrismError> {
    let difference = face_1_deg.minus(face_2_deg);
    let folded = folded_deg(difference.value());
    let angle = match method {
        FaceMethod::Reflections => difference.map(folded.abs() * 0.5, 0.5 * folded.signum()),
        FaceMethod::TableTurn | FaceMethod::Autocollimation => {
            difference.map(180.0 - folded.abs(), -folded.signum())
        }
    };
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
            "{origin} a refracting angle of {}, and a prism for minimum deviation has between {SMALLEST_PRISM_ANGLE_DEG}° and {LARGEST_PRISM_ANGLE_DEG}°: check the angle, or that face-1 and face-2 are the two reflections with the table locked{}",
            Angle::from_degrees(value),
            radian_hint(value)
        )))
    }
}

/// Degrees that an angle would have if its number was in radians; none where that would be no usual prism.
#[must_use]
pub fn degrees_if_radians(value: f64) -> Option<f64> {
    /// Refracting angles of usual prisms, degrees (common practice, no source).
    const USUAL_DEG: std::ops::RangeInclusive<f64> = 5.0..=LARGEST_PRISM_ANGLE_DEG;
    Some(value.to_degrees()).filter(|deg| USUAL_DEG.contains(deg))
}

/// Words to add to a sentence about a refracting angle that looks like radians; empty where it does not.
#[must_use]
pub fn radian_hint(value: f64) -> String {
    degrees_if_radians(value).map_or_else(String::new, |deg| {
        format!("; {value:.4} in radians would be {deg:.2}°: angles are given in degrees")
    })
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
            "the {} pairs of face readings differ by more than their uncertainty, scatter {:.0} seconds of arc{}: see that nothing moved in between, and read them again; none was left out",
            pairs.len(),
            (squares / (count - 1.0)).sqrt() * 3600.0,
            odd_one(pairs).unwrap_or_default()
        ),
    };
    Some((combined.with(&cause, missing), Some(caution)))
}

/// Names the one pair without which the others agree; none where there is no such pair.
fn odd_one(pairs: &[FacePair]) -> Option<String> {
    const FEWEST: usize = 4;
    if pairs.len() < FEWEST {
        return None;
    }
    let values: Vec<f64> = pairs.iter().map(|p| p.prism_angle_deg.value()).collect();
    let middle = median(&values);
    let (odd, off) = pairs
        .iter()
        .map(|pair| (pair, pair.prism_angle_deg.value() - middle))
        .max_by(|one, other| one.1.abs().total_cmp(&other.1.abs()))?;
    let others: Vec<&FacePair> = pairs.iter().filter(|pair| pair.set != odd.set).collect();
    let mean = others
        .iter()
        .map(|p| p.prism_angle_deg.value())
        .sum::<f64>()
        / others.len() as f64;
    let chi_squared: f64 = others
        .iter()
        .map(|p| {
            (p.prism_angle_deg.value() - mean).powi(2)
                / p.prism_angle_deg.variance().max(f64::MIN_POSITIVE)
        })
        .sum();
    chi_squared_probability(chi_squared, others.len().saturating_sub(1))
        .is_some_and(|p| p >= REPEATS_SIGNIFICANCE)
        .then(|| {
            format!(
                "; the others agree without set {}, which lies {} off",
                odd.set,
                Angle::from_degrees(off)
            )
        })
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use crate::basics::uncertainty::Shape;

    fn reading(deg: f64) -> Measured {
        Measured::new(deg, 10.0 / 3600.0, &Cause::type_b("reading", Shape::Normal))
    }

    /// Glazebrook and Shaw, Practical Physics (online edition, page 091_04): the same prism with the table locked, 2A by the
    /// telescope, mean 60 7 40, and with the telescope locked, 180 less the table's turn, mean 60 8 00. Their readings of the circle
    /// are not printed; these give the printed angles.
    #[test]
    fn both_ways_of_the_book() {
        let deg = |d: f64, m: f64, s: f64| d + m / 60.0 + s / 3600.0;
        for (method, one, other, wanted) in [
            (
                FaceMethod::Reflections,
                10.0 + deg(120.0, 15.0, 20.0),
                10.0,
                deg(60.0, 7.0, 40.0),
            ),
            (
                FaceMethod::Reflections,
                350.0 + deg(120.0, 15.0, 20.0) - 360.0,
                350.0,
                deg(60.0, 7.0, 40.0),
            ),
            (
                FaceMethod::TableTurn,
                300.0,
                300.0 + deg(119.0, 52.0, 0.0) - 360.0,
                deg(60.0, 8.0, 0.0),
            ),
            (
                FaceMethod::Autocollimation,
                5.0,
                5.0 + deg(119.0, 52.0, 0.0),
                deg(60.0, 8.0, 0.0),
            ),
        ] {
            let (one, other) = (reading(one), reading(other));
            let angle = prism_angle_from_faces(&one, &other, "A", method).unwrap();
            assert!(
                (angle.value() - wanted).abs() < 1e-9,
                "{method:?}: {}",
                angle.value()
            );
            let factor = if method == FaceMethod::Reflections {
                0.5
            } else {
                1.0
            };
            let u = factor * 2f64.sqrt() * 10.0 / 3600.0;
            assert!((angle.u() - u).abs() < 1e-12);
            assert_eq!(FaceMethod::parse(method.name()), Ok(method));
        }
        assert!(
            FaceMethod::parse("mirror")
                .unwrap_err()
                .0
                .contains("table-turn")
        );
    }

    #[test]
    fn an_odd_repeat_is_named_and_kept() {
        let pair = |set: &str, deg: f64| FacePair {
            set: set.to_owned(),
            prism_angle_deg: reading(deg),
        };
        let pairs = [
            pair("a", 60.0),
            pair("b", 60.002),
            pair("c", 60.05),
            pair("d", 59.999),
        ];
        let (angle, caution) = combined(&pairs).unwrap();
        let said = caution.unwrap().message;
        assert!(
            said.contains("set c") && said.contains("none was left out"),
            "{said}"
        );
        assert!((angle.value() - 60.012_75).abs() < 1e-9 && angle.u() > 0.01);
    }
}
