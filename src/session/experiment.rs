//! A table of readings with its footage in, refracting angle, indices and dispersion out.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::calibrate::beside;
use super::footage::{MeasuredFootage, Seen, Wanted, measure};
use super::{BenchProfile, Caution, SessionError, WatchOptions};
use crate::basics::uncertainty::{Cause, Measured, Shape, mean_of_repeats};
use crate::basics::units::{ARCSEC_PER_DEG, Angle};
use crate::logbook::circle::{CircleData, corrected, least_count_shown, windows_of};
use crate::logbook::scale::Calibration;
use crate::logbook::table::{ReadingRow, Target, read_readings};
use crate::prism::air::AirConditions;
use crate::prism::apex::FaceMethod;
use crate::prism::dispersion::DispersionModel;
use crate::prism::glasses::GlassTable;
use crate::prism::lamps::LampTable;
use crate::prism::leftover::{Adjustment, RoomAir};
use crate::prism::montecarlo::{Compared, compare};
use crate::prism::resolving::{Aperture, Resolving, resolving};
use crate::prism::{self, Pointed, PointedAt, Reduction, ReductionOptions};

/// Standard uncertainty that eccentricity leaves in a reading of one window alone, seconds of arc (common practice, no source).
pub(super) const ECCENTRICITY_ONE_WINDOW_ARCSEC: f64 = 30.0;
/// Key of the random numbers, so that a Monte Carlo check gives the same figures again.
const MONTE_CARLO_KEY: u64 = 1;

/// How to reduce.
#[derive(Clone, Debug, Default)]
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
    /// Standard uncertainty of a reading by the division of the circle.
    pub division: Option<Angle>,
    /// Length of the prism's base that light fills and its standard uncertainty, mm.
    pub base_mm: Option<(f64, f64)>,
    /// Width of the slit image and its standard uncertainty, where no picture of the central image shows it.
    pub slit_width: Option<(Angle, Angle)>,
    /// Standard uncertainty of the tilt between rays and principal section.
    pub levelling: Option<Angle>,
    /// Standard uncertainty of a deviation by collimation left over.
    pub collimation: Option<Angle>,
    /// Name of the bench: noted in the results.
    pub bench: Option<String>,
    /// Day of the measurement as year-month-day: noted in the results.
    pub measured_on: Option<String>,
    /// Temperature of the prism, °C: noted in the results.
    pub prism_temperature_c: Option<f64>,
    /// Air of the room.
    pub air: Option<AirConditions>,
    /// Dispersion model; none lets the data choose.
    pub model: Option<DispersionModel>,
    /// How to watch the clips.
    pub watch: WatchOptions,
    /// Monte Carlo trials, 0 for none.
    pub monte_carlo: u32,
}

impl ReduceOptions {
    /// What a bench profile says of them.
    #[must_use]
    pub fn of_bench(profile: &BenchProfile) -> Self {
        let bench = &profile.bench;
        Self {
            bench: Some(bench.name.clone()).filter(|name| !name.is_empty()),
            scale: profile.scale.clone(),
            prism_angle: bench.prism_angle,
            least_count: bench.least_count,
            eccentricity: bench.eccentricity,
            windows: bench.windows,
            division: bench.division,
            base_mm: bench.base_mm,
            slit_width: bench.slit_width,
            levelling: bench.levelling,
            collimation: bench.collimation,
            ..Self::default()
        }
    }
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
    /// What the prism does to wavelengths at each line; empty without a curve.
    pub resolving: Vec<Resolving>,
    /// Index to be expected over the range of the lines and of d, F and C, with what the curve's model may be off: (nm in air, index).
    pub prediction: Vec<(f64, Measured)>,
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

    reduced(
        table,
        Offsets {
            rows,
            footage,
            offsets,
            cautions,
        },
        options,
    )
}

/// Readings with what their footage showed, an entry a row.
pub(super) struct Offsets {
    /// The readings.
    pub(super) rows: Vec<ReadingRow>,
    /// What the footage of each showed, where there is any.
    pub(super) footage: Vec<Option<MeasuredFootage>>,
    /// Measured offset of each from the cross-hairs, seconds of arc; none where the row's own offset counts.
    pub(super) offsets: Vec<Option<Measured>>,
    /// What is doubtful about them.
    pub(super) cautions: Vec<Caution>,
}

/// Reduces readings whose footage is measured already; `table` is where they stand, for sentences.
///
/// # Errors
/// The angles: one sentence that names the row.
pub(super) fn reduced(
    table: &Path,
    measured: Offsets,
    options: &ReduceOptions,
) -> Result<Experiment, SessionError> {
    let Offsets {
        rows,
        footage,
        offsets,
        mut cautions,
    } = measured;
    let least_count = options
        .least_count
        .unwrap_or_else(|| least_count_shown(windows_of(&rows)));
    let circle = CircleData {
        least_count,
        eccentricity: options
            .eccentricity
            .unwrap_or_else(|| Angle::from_arcseconds(ECCENTRICITY_ONE_WINDOW_ARCSEC)),
        division: options.division.unwrap_or_default(),
        windows: options.windows.unwrap_or(2),
    };
    let read = corrected(&rows, &offsets, &circle);
    cautions.extend(read.cautions.iter().map(Caution::from));
    let lamps = LampTable::embedded()?;
    let glasses = GlassTable::embedded()?;
    let wavelengths = wavelength_errors(&rows, &lamps);
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
            wavelength_off_nm: row
                .wavelength
                .and_then(|w| wavelengths.get(&w.in_air_nm().to_bits()).cloned())
                .unwrap_or_default(),
        })
        .collect();

    let named =
        |error: prism::PrismError| SessionError::Footage(format!("{}: {error}", table.display()));
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
        air: options.air.map(RoomAir::new),
        adjustment: Adjustment::new(
            options.levelling.unwrap_or_default().degrees(),
            options.collimation.unwrap_or_default().degrees(),
        ),
    };
    let reduction = prism::reduce(&pointed, &settings, &lamps, &glasses).map_err(named)?;
    let slit = slit_width(&footage, &rows, options);
    let aperture = Aperture::new(options.base_mm, slit).map_err(named)?;
    let resolving = resolving(&reduction, &aperture, &glasses);
    let prediction = reduction.prediction(&glasses);
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
        resolving,
        prediction,
        monte_carlo,
        least_count,
        options: options.clone(),
        cautions,
        complete,
    })
}

/// What each wavelength of a table may be off, by its bits: the digits with which it is written, and the lamp table's own uncertainty
/// where it is a lamp's line; one cause for all rows of one wavelength.
fn wavelength_errors(rows: &[ReadingRow], lamps: &LampTable) -> BTreeMap<u64, Measured> {
    /// Tables of lamps differ by so much in one line's wavelength, nm.
    const SAME_LINE_NM: f64 = 0.001;
    let mut errors = BTreeMap::new();
    for row in rows {
        let Some(wavelength) = row.wavelength else {
            continue;
        };
        let nm = wavelength.in_air_nm();
        let lamp = lamps
            .nearest(wavelength, 2.0 * row.u_wavelength_nm + SAME_LINE_NM)
            .map_or(0.0, |line| line.u_nm);
        let cause = Cause::type_b(
            format!("wavelength as written, row {}", row.row),
            Shape::Rectangular,
        );
        errors
            .entry(nm.to_bits())
            .or_insert_with(|| Measured::new(0.0, row.u_wavelength_nm.hypot(lamp), &cause));
    }
    errors
}

/// Width of the slit image at half of its height with its standard uncertainty, seconds of arc: as the pictures of the central
/// image show it, else as it was given.
fn slit_width(
    footage: &[Option<MeasuredFootage>],
    rows: &[ReadingRow],
    options: &ReduceOptions,
) -> Option<(f64, f64)> {
    let seen: Vec<f64> = footage
        .iter()
        .zip(rows)
        .filter(|(_, row)| row.target == Target::Central)
        .filter_map(|(found, _)| match found.as_ref() {
            Some(MeasuredFootage {
                seen: Seen::Still(frame),
                line,
                ..
            }) => frame.picture.lines.get(*line).map(|line| line.width_px),
            _ => None,
        })
        .collect();
    let given = options
        .slit_width
        .map(|(width, u)| (width.arcseconds(), u.arcseconds()));
    let Some(scale) = options.scale.as_ref().filter(|_| seen.len() >= 2) else {
        return given;
    };
    let mean = mean_of_repeats(&seen, "width of the slit image")?;
    let per_px = scale.arcsec_per_px().abs();
    // The pictures' scatter, and a scale that is known to a few per mille.
    let width = mean.value() * per_px;
    let spread = mean.u() * (seen.len() as f64).sqrt() * per_px;
    Some((width, spread.hypot(mean.value() * scale.u_arcsec_per_px())))
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
