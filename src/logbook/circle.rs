//! Reading a divided circle: two windows, least count, and the offset of the line from the cross-hair.
//!
//! The sign convention, here and nowhere else: circle reading + offset = the reading that the circle
//! would show with the cross-hair on the line.

use crate::basics::fit::median;
use crate::basics::uncertainty::{Cause, Caution, Measured, Shape};
use crate::basics::units::{ARCSEC_PER_DEG, Angle, CircleReading, folded_deg};

use super::table::ReadingRow;

/// Windows that disagree by more least counts than this are flagged. Between two good readings the
/// difference varies by one or two (common practice, no source); four leaves room for eccentricity of the vernier plate.
pub const DISAGREEMENT_IN_LEAST_COUNTS: f64 = 4.0;

/// Largest least count that is assumed where none is given: one minute of arc, the usual vernier (common practice, no source).
const USUAL_LEAST_COUNT_ARCSEC: f64 = 60.0;

/// Smallest least count that is believed from the readings alone, seconds of arc.
const FINEST_SHOWN_ARCSEC: f64 = 1.0;

/// What is known of the circle.
#[derive(Clone, Debug, PartialEq)]
pub struct CircleData {
    /// Smallest step that the vernier or scale gives.
    pub least_count: Angle,
    /// Standard uncertainty left by eccentricity where only one window was read; two windows cancel it to first order.
    pub eccentricity: Angle,
    /// Standard uncertainty of the mean of the windows by the circle's division and what eccentricity two windows leave; 0 where it is not known.
    pub division: Angle,
    /// Windows that the circle has; with one, that a row gives no second is not worth a word.
    pub windows: usize,
}

/// A pointing of the telescope after correction.
#[derive(Clone, Debug)]
pub struct Pointing {
    /// The reading that the circle would show with the cross-hair on the line, degrees in [0, 360) with its causes.
    pub reading_deg: Measured,
}

/// All pointings of a table, in its order, with what is doubtful about them.
#[derive(Clone, Debug)]
pub struct CircleRead {
    /// One for each row.
    pub pointings: Vec<Pointing>,
    /// What is doubtful: `windows-disagree`, `windows-not-opposite`, `single-window`, `offset-without-uncertainty`.
    pub cautions: Vec<Caution>,
}

/// Offset of a line from the cross-hairs for one row, as an angle in seconds of arc with its causes.
pub type OffsetArcsec = Measured;

/// Corrects all rows of a table. `offsets_arcsec` holds one entry a row: the measured offset where
/// footage gave it, none where the row's own offset column counts; a shorter list means none.
///
/// Each window read carries its own rectangular error of half a least count to either side, standard
/// uncertainty least count / √12 (GUM 4.3.7 and F.2.2.1).
#[must_use]
pub fn corrected(
    rows: &[ReadingRow],
    offsets_arcsec: &[Option<OffsetArcsec>],
    circle: &CircleData,
) -> CircleRead {
    let mut cautions = window_cautions(rows, circle);
    let alike = rounding_alike(rows, circle.least_count);
    let pointings = rows
        .iter()
        .enumerate()
        .map(|(index, row)| {
            let mean = mean_with_causes(row, circle, alike);
            let offset_deg = match offsets_arcsec.get(index) {
                Some(Some(offset)) => offset.scaled(1.0 / ARCSEC_PER_DEG),
                _ => own_offset_deg(row, &mut cautions),
            };
            let sum = mean.plus(&offset_deg);
            let reading = CircleReading::from_degrees(sum.value()).degrees();
            Pointing {
                reading_deg: sum.map(reading, 1.0),
            }
        })
        .collect();
    CircleRead {
        pointings,
        cautions,
    }
}

/// Mean of the two windows: the reading of window 1 plus half of what window 2 differs from the opposite of it.
#[must_use]
pub fn window_mean(window_1: CircleReading, window_2: Option<CircleReading>) -> CircleReading {
    window_2.map_or(window_1, |window_2| {
        window_1 + Angle::from_degrees(0.5 * from_opposite_deg(window_1, window_2))
    })
}

/// Least count that the readings show, at most one minute of arc and at least one second: the largest
/// step of which all windows are multiples.
#[must_use]
pub fn least_count_shown(readings: impl IntoIterator<Item = CircleReading>) -> Angle {
    const STEPS_PER_ARCSEC: f64 = 100.0;
    let mut step = (USUAL_LEAST_COUNT_ARCSEC * STEPS_PER_ARCSEC) as u64;
    for reading in readings {
        let steps = (reading.degrees() * ARCSEC_PER_DEG * STEPS_PER_ARCSEC).round() as u64;
        step = common_divisor(step, steps);
    }
    Angle::from_arcseconds((step as f64 / STEPS_PER_ARCSEC).max(FINEST_SHOWN_ARCSEC))
}

/// Readings of both windows of all rows, for [`least_count_shown`].
pub fn windows_of(rows: &[ReadingRow]) -> impl Iterator<Item = CircleReading> {
    rows.iter()
        .flat_map(|row| std::iter::once(row.window_1).chain(row.window_2))
}

fn common_divisor(one: u64, other: u64) -> u64 {
    if other == 0 {
        one
    } else {
        common_divisor(other, one % other)
    }
}

/// By how much window 2 differs from 180 degrees past window 1, degrees in (-180, 180].
pub(crate) fn from_opposite_deg(window_1: CircleReading, window_2: CircleReading) -> f64 {
    folded_deg(window_2.degrees() - window_1.degrees() - 180.0)
}

/// Correlation, 0 to 1, of the rounding of the two windows over a table. On a circle with little eccentricity
/// both verniers coincide at the same mark, and the mean of two windows is no better than one: then the difference between
/// them is nearly the same in all rows, while independent rounding spreads it with the variance least count²/6.
fn rounding_alike(rows: &[ReadingRow], least_count: Angle) -> f64 {
    let differences: Vec<f64> = rows
        .iter()
        .filter_map(|row| {
            row.window_2
                .map(|other| from_opposite_deg(row.window_1, other))
        })
        .collect();
    rounding_alike_of(&differences, least_count)
}

/// As [`rounding_alike`] for the windows' differences from 180 degrees, degrees.
pub(super) fn rounding_alike_of(differences_deg: &[f64], least_count: Angle) -> f64 {
    /// Fewer rows say nothing of the spread.
    const FEWEST_ROWS: usize = 4;
    let Some(reference) = differences_deg.first().copied() else {
        return 0.0;
    };
    let independent = least_count.abs().degrees().powi(2) / 6.0;
    if differences_deg.len() < FEWEST_ROWS || independent <= 0.0 {
        return 0.0;
    }
    let folded: Vec<f64> = differences_deg
        .iter()
        .map(|difference| folded_deg(difference - reference))
        .collect();
    let count = folded.len() as f64;
    let mean = folded.iter().sum::<f64>() / count;
    let variance = folded.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (count - 1.0);
    (1.0 - variance / independent).clamp(0.0, 1.0)
}

/// Mean of the windows of a row, degrees, with one cause for each window and one for what their rounding has in common.
fn mean_with_causes(row: &ReadingRow, circle: &CircleData, alike: f64) -> Measured {
    let u_window_deg = circle.least_count.abs().degrees() / 12f64.sqrt();
    let mean = Measured::exact(window_mean(row.window_1, row.window_2).degrees());
    let windows = if row.window_2.is_some() { 2 } else { 1 };
    let alike = if windows == 2 { alike } else { 0.0 };
    let mut mean = (1..=windows).fold(mean, |mean, window| {
        let cause = Cause::type_b(
            format!(
                "least count of the circle, row {}, window {window}",
                row.row
            ),
            Shape::Rectangular,
        );
        mean.with(
            &cause,
            (1.0 - alike).sqrt() * u_window_deg / f64::from(windows),
        )
    });
    if alike > 0.0 {
        let cause = Cause::type_b(
            format!("least count of the circle, row {}, both windows", row.row),
            Shape::Rectangular,
        );
        mean = mean.with(&cause, alike.sqrt() * u_window_deg);
    }
    if circle.division.abs().degrees() > 0.0 {
        let cause = Cause::type_b(
            format!("division of the circle, row {}", row.row),
            Shape::Normal,
        );
        mean = mean.with(&cause, circle.division.abs().degrees());
    }
    if windows == 1 {
        let cause = Cause::type_b(
            format!("eccentricity of the circle, row {}", row.row),
            Shape::Normal,
        );
        mean = mean.with(&cause, circle.eccentricity.degrees());
    }
    mean
}

/// The offset that the row itself gives, degrees.
fn own_offset_deg(row: &ReadingRow, cautions: &mut Vec<Caution>) -> Measured {
    let Some(offset) = row.offset_arcsec else {
        return Measured::exact(0.0);
    };
    let Some(u) = row.u_offset_arcsec else {
        cautions.push(Caution {
            code: "offset-without-uncertainty",
            message: format!(
                "row {} gives an offset without its uncertainty, which counts as 0 here: fill in u_offset_arcsec",
                row.row
            ),
        });
        return Measured::exact(offset / ARCSEC_PER_DEG);
    };
    let cause = Cause::type_b(
        format!("offset of the line from the cross-hair, row {}", row.row),
        Shape::Normal,
    );
    Measured::new(offset / ARCSEC_PER_DEG, u / ARCSEC_PER_DEG, &cause)
}

/// What the two windows say about the readings.
fn window_cautions(rows: &[ReadingRow], circle: &CircleData) -> Vec<Caution> {
    let least_count = circle.least_count;
    let mut cautions = Vec::new();
    let differences: Vec<(usize, f64)> = rows
        .iter()
        .filter_map(|row| {
            row.window_2
                .map(|window_2| (row.row, from_opposite_deg(row.window_1, window_2)))
        })
        .collect();
    let single: Vec<String> = rows
        .iter()
        .filter(|row| row.window_2.is_none())
        .map(|row| row.row.to_string())
        .collect();
    if !single.is_empty() && circle.windows > 1 {
        cautions.push(Caution {
            code: "single-window",
            message: format!(
                "only one window was read in row {}: the circle's eccentricity is not cancelled there; read both windows",
                single.join(", ")
            ),
        });
    }
    // Differences lie near one constant; they are folded about the first so that the median makes sense.
    let Some((_, reference)) = differences.first().copied() else {
        return cautions;
    };
    let folded: Vec<f64> = differences
        .iter()
        .map(|(_, difference)| folded_deg(difference - reference))
        .collect();
    let middle = median(&folded);
    let constant = folded_deg(reference + middle);
    if constant.abs() > 1.0 {
        cautions.push(Caution {
            code: "windows-not-opposite",
            message: format!(
                "the two windows differ from 180° by {} throughout: check that window_2 is the opposite window",
                Angle::from_degrees(constant)
            ),
        });
    }
    let allowed_deg = DISAGREEMENT_IN_LEAST_COUNTS * least_count.abs().degrees();
    for ((row, _), difference) in differences.iter().zip(&folded) {
        let disagreement = difference - middle;
        if disagreement.abs() > allowed_deg {
            cautions.push(Caution {
                code: "windows-disagree",
                message: format!(
                    "the windows of row {row} disagree by {} with the other rows{}: read it again",
                    Angle::from_degrees(disagreement),
                    slip_hint(disagreement, least_count)
                ),
            });
        }
    }
    cautions
}

/// Names the slip that a disagreement looks like.
fn slip_hint(disagreement_deg: f64, least_count: Angle) -> &'static str {
    let near = |slip_deg: f64| {
        (disagreement_deg.abs() - slip_deg).abs() <= 2.0 * least_count.abs().degrees()
    };
    if near(0.5) {
        ", like a missed half-degree mark"
    } else if near(1.0) {
        ", like a misread degree"
    } else if near(10.0) {
        ", like a misread ten degrees"
    } else {
        ""
    }
}
