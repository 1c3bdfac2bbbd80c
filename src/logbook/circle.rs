//! Reading a divided circle: two windows, least count, and the offset of the line from the cross-hair.

use crate::basics::uncertainty::Measured;
use crate::basics::units::{Angle, CircleReading};

use super::Caution;
use super::table::ReadingRow;

/// What is known of the circle.
#[derive(Clone, Debug, PartialEq)]
pub struct CircleData {
    /// Smallest step that the vernier or scale gives.
    pub least_count: Angle,
    /// Standard uncertainty left by eccentricity where only one window was read.
    pub eccentricity: Angle,
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
    /// What is doubtful.
    pub cautions: Vec<Caution>,
}

/// Offset of a line from the cross-hairs for one row, as an angle in seconds of arc with its causes.
pub type OffsetArcsec = Measured;

/// Corrects all rows of a table. `offsets_arcsec` holds one entry a row: the measured offset where
/// footage gave it, none where the row's own offset column counts.
#[must_use]
pub fn corrected(
    rows: &[ReadingRow],
    offsets_arcsec: &[Option<OffsetArcsec>],
    circle: &CircleData,
) -> CircleRead {
    let _ = (rows, offsets_arcsec, circle);
    CircleRead {
        pointings: Vec::new(),
        cautions: Vec::new(),
    }
}

/// Mean of the two windows: the reading of window 1 plus half of what window 2 differs from it by
/// more than 180 degrees.
#[must_use]
pub fn window_mean(window_1: CircleReading, window_2: Option<CircleReading>) -> CircleReading {
    let _ = window_2;
    window_1
}

/// Least count that a table of readings shows, at most one minute of arc.
#[must_use]
pub fn least_count_shown(rows: &[ReadingRow]) -> Angle {
    let _ = rows;
    Angle::from_arcseconds(60.0)
}
