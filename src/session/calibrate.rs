//! Slit pictures at known circle readings in, the camera's scale out.

use std::path::{Path, PathBuf};

use super::footage::{Wanted, measure};
use super::{Caution, SessionError, WatchOptions};
use crate::basics::fault::said;
use crate::basics::units::Angle;
use crate::logbook::bench::{Bench, bench_from_toml};
use crate::logbook::circle::{from_opposite_deg, least_count_shown, window_mean};
use crate::logbook::record::calibration_from_json;
use crate::logbook::scale::{Calibration, ScalePoint, fit_scale};
use crate::logbook::table::{ScaleOffset, Target, read_scale};

/// A scale with what it rests on.
#[derive(Clone, Debug)]
pub struct Calibrated {
    /// The scale.
    pub scale: Calibration,
    /// Its points, in the order of the table.
    pub points: Vec<ScalePoint>,
    /// What is doubtful.
    pub cautions: Vec<Caution>,
}

/// Measures the pictures that a table names and fits the scale; without a least count the step that the readings show is taken.
///
/// # Errors
/// The table, a picture or the fit: one sentence.
pub fn calibrate(
    table: &Path,
    least_count: Option<Angle>,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<Calibrated, SessionError> {
    let rows = read_scale(table)?;
    let wanted: Vec<Wanted> = rows
        .iter()
        .filter_map(|row| match &row.offset {
            ScaleOffset::Frame(frame) => Some(Wanted {
                place: format!("{}, row {}", table.display(), row.row),
                path: beside(table, frame),
                target: Target::Central,
                pick: None,
            }),
            ScaleOffset::Px(_) => None,
        })
        .collect();
    let (measured, mut cautions) = measure(&wanted, &WatchOptions::default(), &|done| {
        progress(done, wanted.len())
    })?;
    let mut measured = measured.into_iter();
    let mut points = Vec::with_capacity(rows.len());
    for row in &rows {
        let (offset_px, u_offset_px) = match row.offset {
            ScaleOffset::Px(offset_px) => (offset_px, None),
            ScaleOffset::Frame(_) => match measured.next() {
                Some(found) => (found.offset_px, Some(found.u_px)),
                None => continue,
            },
        };
        points.push(ScalePoint {
            reading: window_mean(row.window_1, row.window_2),
            offset_px,
            u_offset_px,
            windows: if row.window_2.is_some() { 2 } else { 1 },
            window_difference_deg: row
                .window_2
                .map(|window_2| from_opposite_deg(row.window_1, window_2)),
        });
    }
    let least_count = least_count.unwrap_or_else(|| {
        least_count_shown(
            rows.iter()
                .flat_map(|row| std::iter::once(row.window_1).chain(row.window_2)),
        )
    });
    let scale = fit_scale(&points, least_count)
        .map_err(|error| SessionError::Footage(format!("{}: {error}", table.display())))?;
    cautions.extend(scale.cautions.iter().map(Caution::from));
    Ok(Calibrated {
        scale,
        points,
        cautions,
    })
}

/// Reads a calibration that was saved.
///
/// # Errors
/// The file can't be read or holds no scale.
pub fn read_calibration(path: &Path) -> Result<Calibration, SessionError> {
    let text = std::fs::read_to_string(path).map_err(|error| {
        SessionError::Footage(format!(
            "{} cannot be read as a calibration ({error}); make one with: lineturn scale READINGS.csv --save FILE",
            path.display(),
            error = said(&error)
        ))
    })?;
    Ok(calibration_from_json(&text, &path.display().to_string())?)
}

/// A bench profile, with its camera's calibration read.
#[derive(Clone, Debug, Default)]
pub struct BenchProfile {
    /// What the profile says.
    pub bench: Bench,
    /// The camera's scale, where the profile names one.
    pub scale: Option<Calibration>,
}

/// Reads a bench profile. The camera's scale that it names is read only `with_scale`: before the first calibration there is none.
///
/// # Errors
/// The file or the calibration it names can't be read: one sentence.
pub fn read_bench(path: &Path, with_scale: bool) -> Result<BenchProfile, SessionError> {
    let name = path.display().to_string();
    let text = std::fs::read_to_string(path).map_err(|error| {
        SessionError::Footage(format!(
            "{name} cannot be read as a bench profile ({error}); check the path, or write one like calibration/bench-example.toml",
            error = said(&error)
        ))
    })?;
    let bench = bench_from_toml(&text, &name)?;
    let scale = bench
        .scale
        .as_deref()
        .filter(|_| with_scale)
        .map(|written| read_calibration(&beside(path, written)))
        .transpose()?;
    Ok(BenchProfile { bench, scale })
}

/// A path as written in a table, which counts from the table's own folder.
pub(super) fn beside(table: &Path, written: &str) -> PathBuf {
    table
        .parent()
        .unwrap_or_else(|| Path::new(""))
        .join(written)
}
