//! Readings as they stand in, scale, refracting angle, indices and dispersion out, by the same steps as for a table.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::book::{Book, KeptReading, ReadingKind};
use crate::basics::uncertainty::{Cause, Measured, Shape};
use crate::basics::units::Angle;
use crate::logbook::circle::{
    CircleData, corrected, from_opposite_deg, least_count_shown, window_mean, windows_of,
};
use crate::logbook::scale::{Calibration, FEWEST_POINTS, ScalePoint, fit_scale};
use crate::logbook::table::{ReadingRow, Target};
use crate::prism::apex::prism_angle_from_faces;
use crate::prism::lamps::LampTable;
use crate::session::experiment::{ECCENTRICITY_ONE_WINDOW_ARCSEC, Offsets, reduced};
use crate::session::footage::{MeasuredFootage, Seen};
use crate::session::{BenchProfile, Caution, Experiment, ReduceOptions, SessionError};

/// Standard uncertainty of a refracting angle that was typed without one, seconds of arc (common practice, no source).
pub const U_TYPED_PRISM_ANGLE_ARCSEC: f64 = 30.0;
/// Name of the table of readings, for sentences and for the download.
pub(super) const TABLE: &str = "readings.csv";

/// A sentence of the calculator, which speaks of rows of a table, for a page that shows readings of the same numbers.
#[must_use]
pub fn in_readings(sentence: &str) -> String {
    sentence
        .replace(&format!("{TABLE}, row"), "row")
        .replace("rows ", "readings ")
        .replace("row ", "reading ")
}

/// What follows from the readings up to now.
#[derive(Clone, Debug, Default)]
pub struct Results {
    /// The camera's scale: from the scale readings, else as the bench profile gives it.
    pub scale: Option<Calibration>,
    /// Why there is none.
    pub scale_why_not: Option<String>,
    /// Refracting angle, degrees.
    pub prism_angle_deg: Option<Measured>,
    /// The experiment.
    pub experiment: Option<Arc<Experiment>>,
    /// Why there is none.
    pub why_not: Option<String>,
    /// What is doubtful beside what the experiment says.
    pub cautions: Vec<Caution>,
    /// Offset of each reading with its standard uncertainty, seconds of arc, by the number of the reading.
    pub offsets_arcsec: std::collections::BTreeMap<u64, (f64, f64)>,
}

/// Computes all of it anew.
pub(super) fn results(book: &Book, profile: &BenchProfile, folder: &Path) -> Results {
    let mut results = Results::default();
    match scale(book, profile) {
        Ok(scale) => results.scale = scale,
        Err(why) => results.scale_why_not = Some(why),
    }
    if results.scale.is_none() {
        results.scale = profile.scale.clone();
    }
    if let Err(error) = reduce_into(&mut results, book, profile, folder) {
        let table = folder.join(TABLE);
        let place = format!("{}: ", table.display());
        let said = error.to_string();
        results.why_not = Some(said.strip_prefix(&place).unwrap_or(&said).to_owned());
    }
    results
}

fn reduce_into(
    results: &mut Results,
    book: &Book,
    profile: &BenchProfile,
    folder: &Path,
) -> Result<(), SessionError> {
    let mut options = ReduceOptions::of_bench(profile);
    options.scale.clone_from(&results.scale);
    options.measured_on = book
        .readings
        .first()
        .and_then(|reading| reading.at.get(..10))
        .map(str::to_owned);
    if let Some(typed) = &book.setup.refracting_angle {
        let angle = Angle::parse(typed)
            .map_err(|error| SessionError::Footage(format!("the refracting angle: {error}")))?;
        let u_typed = book.setup.u_refracting_angle_arcsec;
        let u_arcsec = u_typed.unwrap_or(U_TYPED_PRISM_ANGLE_ARCSEC);
        options.prism_angle = Some((angle, Angle::from_arcseconds(u_arcsec)));
        if u_typed.is_none() {
            results.cautions.push(Caution::new(
                "prism-angle-typed",
                format!("the refracting angle was typed; its standard uncertainty is taken as {u_arcsec:.0} seconds of arc: type it beside the angle, or read both faces to know it better"),
            ));
        }
    }
    let lamps = LampTable::embedded()?;
    let scale = results.scale.as_ref().map(Calibration::ready).transpose()?;
    let angle_of = |reading: &KeptReading| {
        let (offset_px, u_px) = reading.offset_px()?;
        let cause = Cause::type_b(
            format!("line against cross-hairs, row {}", reading.id),
            Shape::Normal,
        );
        Some(scale.as_ref()?.angle_arcsec(offset_px, u_px, &cause))
    };
    let rows = book.rows(&lamps);
    let mut measured = Offsets {
        rows: Vec::new(),
        footage: Vec::new(),
        offsets: Vec::new(),
        cautions: Vec::new(),
    };
    for reading in &book.readings {
        if let Some(angle) = angle_of(reading) {
            results
                .offsets_arcsec
                .insert(reading.id, (angle.value(), angle.u()));
        }
    }
    let mut without_scale = 0;
    for row in rows {
        let Some(reading) = book.readings.iter().find(|r| r.id == row.row as u64) else {
            continue;
        };
        let offset = angle_of(reading);
        without_scale += usize::from(reading.entry.offset_px.is_some() && offset.is_none());
        if let (Some(scale), Some((offset_px, _))) = (&scale, reading.offset_px())
            && let Some(outside) = scale.outside(offset_px)
        {
            measured.cautions.push(Caution::new(
                outside.code,
                format!(
                    "{}, row {}: {}",
                    folder.join(TABLE).display(),
                    row.row,
                    outside.message
                ),
            ));
        }
        measured.footage.push(footage(book, reading, folder));
        measured.offsets.push(offset);
        measured.rows.push(row);
    }
    if without_scale > 0 {
        return Err(SessionError::Footage(format!(
            "{without_scale} offsets are in pixels and the camera's scale is not known: take the slit at {FEWEST_POINTS} or more circle readings (step: camera scale)"
        )));
    }
    results.prism_angle_deg = faces(&measured, &options).or_else(|| {
        options.prism_angle.map(|(angle, u)| {
            let cause = Cause::type_b("refracting angle as given", Shape::Normal);
            Measured::new(angle.degrees(), u.degrees(), &cause)
        })
    });
    if !measured.rows.iter().any(|row| row.target == Target::Line) {
        return Err(SessionError::Footage(
            "no line has been read together with its central image yet".to_owned(),
        ));
    }
    if results.prism_angle_deg.is_none() {
        return Err(SessionError::Footage(
            "the refracting angle is not known yet: read the reflections from both faces, or give it with the experiment".to_owned(),
        ));
    }
    let experiment = reduced(&folder.join(TABLE), measured, &options)?;
    results.prism_angle_deg = Some(experiment.reduction.prism_angle_deg.clone());
    results.experiment = Some(Arc::new(experiment));
    Ok(())
}

/// The scale of the scale readings; none where there are too few to ask for it.
fn scale(book: &Book, profile: &BenchProfile) -> Result<Option<Calibration>, String> {
    let points = scale_points(book.counted(ReadingKind::Scale));
    if points.len() < FEWEST_POINTS {
        return Ok(None);
    }
    let least_count = profile.bench.least_count.unwrap_or_else(|| {
        least_count_shown(
            book.counted(ReadingKind::Scale)
                .flat_map(|r| std::iter::once(r.window_1).chain(r.window_2)),
        )
    });
    fit_scale(&points, least_count)
        .map(Some)
        .map_err(|error| error.0)
}

/// Scale readings as points.
pub(super) fn scale_points<'a>(readings: impl Iterator<Item = &'a KeptReading>) -> Vec<ScalePoint> {
    readings
        .filter_map(|reading| {
            let (offset_px, u_px) = reading.offset_px()?;
            Some(ScalePoint {
                reading: window_mean(reading.window_1, reading.window_2),
                offset_px,
                u_offset_px: Some(u_px),
                windows: if reading.window_2.is_some() { 2 } else { 1 },
                window_difference_deg: reading
                    .window_2
                    .map(|window_2| from_opposite_deg(reading.window_1, window_2)),
            })
        })
        .collect()
}

/// Refracting angle of the last pair of faces, degrees.
fn faces(measured: &Offsets, options: &ReduceOptions) -> Option<Measured> {
    let rows: &[ReadingRow] = &measured.rows;
    let circle = CircleData {
        least_count: options
            .least_count
            .unwrap_or_else(|| least_count_shown(windows_of(rows))),
        eccentricity: options
            .eccentricity
            .unwrap_or_else(|| Angle::from_arcseconds(ECCENTRICITY_ONE_WINDOW_ARCSEC)),
        division: options.division.unwrap_or_default(),
        windows: options.windows.unwrap_or(2),
    };
    let read = corrected(rows, &measured.offsets, &circle);
    let last = |target: Target| {
        rows.iter()
            .zip(&read.pointings)
            .rfind(|(row, _)| row.target == target)
            .map(|(_, pointing)| &pointing.reading_deg)
    };
    prism_angle_from_faces(
        last(Target::Face1)?,
        last(Target::Face2)?,
        "A",
        options.faces,
    )
    .ok()
}

/// What the sweep of a reading showed, as long as the program remembers it.
fn footage(book: &Book, reading: &KeptReading, folder: &Path) -> Option<MeasuredFootage> {
    let (offset_px, u_px) = reading.offset_px()?;
    let sweep = book
        .sweeps
        .iter()
        .find(|sweep| Some(sweep.id) == reading.entry.sweep)?;
    let watched = sweep.watched.as_ref()?;
    let line = watched.sweep.lines.iter().position(|line| {
        line.offset_px
            .is_some_and(|offset| (offset - offset_px).abs() < 1e-6)
    })?;
    let path: PathBuf = sweep.recording.as_ref().map_or_else(
        || folder.join(format!("sweep {}", sweep.id)),
        |name| folder.join(name),
    );
    Some(MeasuredFootage {
        path,
        seen: Seen::Clip(Arc::clone(watched)),
        line,
        offset_px,
        u_px,
    })
}
