//! A table of readings with its footage in, refracting angle, indices and dispersion out.

use std::path::{Path, PathBuf};

use super::calibrate::beside;
use super::footage::{MeasuredFootage, Wanted, measure};
use super::{Caution, SessionError, WatchOptions};
use crate::basics::uncertainty::{Cause, Measured, Shape};
use crate::basics::units::{ARCSEC_PER_DEG, Angle};
use crate::logbook::circle::{CircleData, corrected, least_count_shown, windows_of};
use crate::logbook::scale::Calibration;
use crate::logbook::table::{ReadingRow, Target, read_readings};
use crate::prism::air::AirConditions;
use crate::prism::apex::FaceMethod;
use crate::prism::dispersion::DispersionModel;
use crate::prism::glasses::GlassTable;
use crate::prism::lamps::LampTable;
use crate::prism::montecarlo::{Compared, compare};
use crate::prism::{self, Pointed, PointedAt, Reduction, ReductionOptions};

/// Standard uncertainty that eccentricity leaves in a reading of one window alone, seconds of arc (common practice, no source).
const ECCENTRICITY_ONE_WINDOW_ARCSEC: f64 = 30.0;
/// Key of the random numbers, so that a Monte Carlo check gives the same figures again.
const MONTE_CARLO_KEY: u64 = 1;

/// How to reduce.
#[derive(Clone, Debug)]
pub struct ReduceOptions {
    /// Camera scale, needed where the table names footage.
    pub scale: Option<Calibration>,
    /// Refracting angle and its standard uncertainty, where the table has no face rows.
    pub prism_angle: Option<(Angle, Angle)>,
    /// How the face readings were taken.
    pub faces: FaceMethod,
    /// Least count of each window; none takes the step that the readings show.
    pub least_count: Option<Angle>,
    /// Standard uncertainty left where only one window was read; none takes 30 seconds of arc.
    pub eccentricity: Option<Angle>,
    /// Windows of the circle; none takes two.
    pub windows: Option<usize>,
    /// Air of the room.
    pub air: Option<AirConditions>,
    /// Dispersion model; none lets the data choose.
    pub model: Option<DispersionModel>,
    /// How to watch the clips.
    pub watch: WatchOptions,
    /// Monte Carlo trials, 0 for none.
    pub monte_carlo: u32,
}

/// One row of the table, with what was made of it.
#[derive(Clone, Debug)]
pub struct ReducedRow {
    /// The row as read.
    pub row: ReadingRow,
    /// What its footage showed.
    pub footage: Option<MeasuredFootage>,
    /// Offset from the cross-hairs, seconds of arc.
    pub offset_arcsec: Option<Measured>,
    /// Reading with the hair on the target, degrees.
    pub reading_deg: Measured,
}

/// A whole experiment.
#[derive(Clone, Debug)]
pub struct Experiment {
    /// The table.
    pub table: PathBuf,
    /// Its rows.
    pub rows: Vec<ReducedRow>,
    /// What follows from them.
    pub reduction: Reduction,
    /// Linear propagation beside Monte Carlo, where it was asked for.
    pub monte_carlo: Vec<Compared>,
    /// Least count of each window, given or as the readings show it.
    pub least_count: Angle,
    /// How it was reduced.
    pub options: ReduceOptions,
    /// What is doubtful.
    pub cautions: Vec<Caution>,
    /// Whether every source was read to its end.
    pub complete: bool,
}

/// Measures the footage of a table and reduces it.
///
/// # Errors
/// The table, its footage or the angles: one sentence that names the row.
pub fn reduce(
    table: &Path,
    options: &ReduceOptions,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<Experiment, SessionError> {
    let rows = read_readings(table)?;
    let place = |row: &ReadingRow| format!("{}, row {}", table.display(), row.row);
    let wanted: Vec<Wanted> = rows
        .iter()
        .filter_map(|row| {
            row.footage.as_ref().map(|written| Wanted {
                place: place(row),
                path: beside(table, written),
                target: row.target,
                pick: row.pick,
            })
        })
        .collect();
    if let (Some(first), None) = (wanted.first(), &options.scale) {
        return Err(SessionError::Footage(format!(
            "{} names footage, whose offsets need the camera's scale: give --scale FILE (made by: lineturn scale READINGS.csv --save FILE), or fill offset_arcsec",
            first.place
        )));
    }
    let (measured, mut cautions) = measure(&wanted, &options.watch, &|done| {
        progress(done, wanted.len())
    })?;

    let scale = options.scale.as_ref().map(Calibration::ready).transpose()?;
    let mut measured = measured.into_iter();
    let mut footage: Vec<Option<MeasuredFootage>> = Vec::with_capacity(rows.len());
    let mut offsets: Vec<Option<Measured>> = Vec::with_capacity(rows.len());
    for row in &rows {
        let found = row.footage.as_ref().and_then(|_| measured.next());
        let offset = match (&found, &scale) {
            (Some(found), Some(scale)) => {
                if let Some(outside) = scale.outside(found.offset_px) {
                    cautions.push(Caution::new(
                        outside.code,
                        format!("{}: {}", place(row), outside.message),
                    ));
                }
                let cause = Cause::type_b(
                    format!("line against cross-hairs, row {}", row.row),
                    Shape::Normal,
                );
                Some(scale.angle_arcsec(found.offset_px, found.u_px, &cause))
            }
            _ => None,
        };
        footage.push(found);
        offsets.push(offset);
    }

    let least_count = options
        .least_count
        .unwrap_or_else(|| least_count_shown(windows_of(&rows)));
    let circle = CircleData {
        least_count,
        eccentricity: options
            .eccentricity
            .unwrap_or_else(|| Angle::from_arcseconds(ECCENTRICITY_ONE_WINDOW_ARCSEC)),
        windows: options.windows.unwrap_or(2),
    };
    let read = corrected(&rows, &offsets, &circle);
    cautions.extend(read.cautions.iter().map(Caution::from));
    let pointed: Vec<Pointed> = rows
        .iter()
        .zip(&read.pointings)
        .zip(&offsets)
        .map(|((row, pointing), offset)| Pointed {
            row: row.row,
            set: row.set.clone(),
            target: match row.target {
                Target::Line => PointedAt::Line,
                Target::Central => PointedAt::Central,
                Target::Face1 => PointedAt::Face1,
                Target::Face2 => PointedAt::Face2,
            },
            line: row.line.clone(),
            wavelength: row.wavelength,
            reading_deg: pointing.reading_deg.clone(),
            windows_deg: std::iter::once(row.window_1)
                .chain(row.window_2)
                .map(|window| window.degrees())
                .collect(),
            offset_deg: match offset {
                Some(offset) => offset.value() / ARCSEC_PER_DEG,
                None => row.offset_arcsec.unwrap_or(0.0) / ARCSEC_PER_DEG,
            },
        })
        .collect();

    let named =
        |error: prism::PrismError| SessionError::Footage(format!("{}: {error}", table.display()));
    let lamps = LampTable::embedded()?;
    let glasses = GlassTable::embedded()?;
    let settings = ReductionOptions {
        prism_angle_deg: options.prism_angle.map(|(angle, u)| {
            Measured::new(
                angle.degrees(),
                u.degrees(),
                &Cause::type_b("refracting angle as given", Shape::Normal),
            )
        }),
        faces: options.faces,
        model: options.model,
        air: options.air,
    };
    let reduction = prism::reduce(&pointed, &settings, &lamps, &glasses).map_err(named)?;
    let monte_carlo = match options.monte_carlo {
        0 => Vec::new(),
        trials => compare(&pointed, &settings, trials as usize, MONTE_CARLO_KEY).map_err(named)?,
    };
    cautions.extend(reduction.cautions.iter().map(Caution::from));
    let mut cautions = grouped(cautions, table);
    // A reading that is wrong makes all other doubts idle.
    cautions.sort_by_key(|caution| {
        !matches!(
            caution.code.as_str(),
            "slip-suspected" | "readings-contradict"
        )
    });

    let complete = footage.iter().flatten().all(|found| !found.failed());
    let rows = rows
        .into_iter()
        .zip(footage)
        .zip(offsets)
        .zip(read.pointings)
        .map(|(((row, footage), offset_arcsec), pointing)| ReducedRow {
            row,
            footage,
            offset_arcsec,
            reading_deg: pointing.reading_deg,
        })
        .collect();
    Ok(Experiment {
        table: table.to_owned(),
        rows,
        reduction,
        monte_carlo,
        least_count,
        options: options.clone(),
        cautions,
        complete,
    })
}

/// Cautions that say the same of several rows, as rows that share a clip do, as one that names them all.
fn grouped(cautions: Vec<Caution>, table: &Path) -> Vec<Caution> {
    let prefix = format!("{}, row ", table.display());
    let split = |message: &str| -> Option<(String, String)> {
        let (row, what) = message.strip_prefix(&prefix)?.split_once(": ")?;
        row.chars()
            .all(|digit| digit.is_ascii_digit())
            .then(|| (row.to_owned(), what.to_owned()))
    };
    // (code, sentence without its place, rows); no rows: the sentence stays as it is.
    let mut groups: Vec<(String, String, Vec<String>)> = Vec::new();
    for caution in cautions {
        let (rows, what) = match split(&caution.message) {
            Some((row, what)) => (vec![row], what),
            None => (Vec::new(), caution.message),
        };
        match groups
            .iter_mut()
            .find(|(code, said, _)| *code == caution.code && *said == what)
        {
            Some((_, _, all)) => all.extend(
                rows.into_iter()
                    .filter(|row| !all.contains(row))
                    .collect::<Vec<_>>(),
            ),
            None => groups.push((caution.code, what, rows)),
        }
    }
    groups
        .into_iter()
        .map(|(code, what, rows)| {
            let message = match rows.as_slice() {
                [] => what,
                [row] => format!("{prefix}{row}: {what}"),
                [first @ .., last] => format!(
                    "{}, rows {} and {last}: {what}",
                    table.display(),
                    first.join(", ")
                ),
            };
            Caution { code, message }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_said_of_several_rows_is_said_once() {
        let table = Path::new("bench/readings.csv");
        let say = |message: &str| Caution::new("scatter", message);
        let found = grouped(
            vec![
                say("bench/readings.csv, row 5: the line shakes"),
                say("bench/readings.csv, row 5: the lamp flickers"),
                say("bench/readings.csv, row 6: the line shakes"),
                say("bench/readings.csv, row 9: the line shakes"),
                say("the lines cover 405 to 579 nm"),
                Caution::new("other", "bench/readings.csv, row 7: the line shakes"),
            ],
            table,
        );
        let said: Vec<&str> = found.iter().map(|c| c.message.as_str()).collect();
        assert_eq!(
            said,
            [
                "bench/readings.csv, rows 5, 6 and 9: the line shakes",
                "bench/readings.csv, row 5: the lamp flickers",
                "the lines cover 405 to 579 nm",
                "bench/readings.csv, row 7: the line shakes",
            ]
        );
    }
}
