//! The whole way from pointings to results.

use std::collections::BTreeMap;

use nalgebra::DMatrix;

use crate::basics::uncertainty::{Caution, Measured, covariance_matrix};
use crate::basics::units::{ARCSEC_PER_DEG, Angle, Wavelength};

use super::PrismError;
use super::apex::{
    self, FaceMethod, FacePair, checked_prism_angle, prism_angle_from_faces, radian_hint,
};
use super::dispersion::{
    C_LINE, D_LINE, DispersionFit, DispersionModel, F_LINE, IndexedLine, StandardIndices,
    choose_dispersion, fit_dispersion,
};
use super::doubts::{
    curve_cautions, order_cautions, repeat_cautions, slip_cautions, wavelength_cautions,
};
use super::glasses::{GlassMatch, GlassTable};
use super::index::{deviation, index_at_minimum};
use super::lamps::LampTable;
use super::leftover::{Adjustment, CurveLine, RoomAir, curve_lines};
use super::slips::{Explained, explain};
use super::unknown::{LampMatch, UnknownLine, candidates, likely_lamps, wavelength_of_index};

/// At what the telescope was pointed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PointedAt {
    /// A spectral line at minimum deviation.
    Line,
    /// The slit seen straight.
    Central,
    /// The slit reflected from the first face.
    Face1,
    /// The slit reflected from the second face.
    Face2,
}

/// One corrected pointing of the telescope.
#[derive(Clone, Debug)]
pub struct Pointed {
    /// Row of the table, for messages.
    pub row: usize,
    /// Pointings of one set belong together.
    pub set: String,
    /// At what the telescope was pointed.
    pub target: PointedAt,
    /// Name of the line.
    pub line: Option<String>,
    /// Its wavelength.
    pub wavelength: Option<Wavelength>,
    /// Reading with the cross-hair on the target, degrees, with its causes.
    pub reading_deg: Measured,
    /// The windows as they were read, degrees; empty where they are not known. Only the search for slips looks at them, and whether lines stood in one sweep.
    pub windows_deg: Vec<f64>,
    /// The offset that `reading_deg` contains, degrees.
    pub offset_deg: f64,
    /// What the line's wavelength may be off as it was written, nm: 0 with its uncertainty, one cause for all rows of a line.
    pub wavelength_off_nm: Measured,
}

impl Pointed {
    /// Name of the line, or its wavelength where the table gives none.
    #[must_use]
    pub fn name(&self) -> String {
        match (&self.line, self.wavelength) {
            (Some(line), _) => line.clone(),
            (None, Some(wavelength)) => format!("{:.3} nm", wavelength.in_air_nm()),
            (None, None) => format!("row {}", self.row),
        }
    }
}

/// What is asked besides the table.
#[derive(Clone, Debug, Default)]
pub struct ReductionOptions {
    /// Refracting angle where it is known from elsewhere, degrees, with its uncertainty.
    pub prism_angle_deg: Option<Measured>,
    /// How the face readings were taken.
    pub faces: FaceMethod,
    /// Dispersion model; none lets the data choose.
    pub model: Option<DispersionModel>,
    /// Air around the prism; then indices against vacuum are given too, and the curve is that against standard air.
    pub air: Option<RoomAir>,
    /// Adjustment left over.
    pub adjustment: Adjustment,
}

/// One line with its results.
#[derive(Clone, Debug)]
pub struct ReducedLine {
    /// Name of the line, or its wavelength where the table gives none.
    pub line: String,
    /// Its wavelength.
    pub wavelength: Wavelength,
    /// Set in which it was read.
    pub set: String,
    /// Rows of the table that its deviation rests on: the line, then the central image or the line on the other side.
    pub rows: [usize; 2],
    /// Minimum deviation, degrees, without sign.
    pub deviation_deg: Measured,
    /// Index relative to the air around the prism.
    pub index: Measured,
    /// Index relative to vacuum, where the air was given.
    pub index_absolute: Option<Measured>,
    /// Index relative to standard air, where the air was given: that of the curve.
    pub index_standard_air: Option<Measured>,
    /// Measured index minus dispersion curve; none where there is no curve.
    pub residual: Option<f64>,
}

/// Everything that follows from a table of pointings.
#[derive(Clone, Debug)]
pub struct Reduction {
    /// Refracting angle, degrees.
    pub prism_angle_deg: Measured,
    /// Pairs of face readings that gave it; empty where it was given.
    pub face_pairs: Vec<FacePair>,
    /// Lines of known wavelength, in the order of the table.
    pub lines: Vec<ReducedLine>,
    /// Covariance of the indices of `lines`.
    pub index_covariance: DMatrix<f64>,
    /// `lines` as the curve takes them: against standard air where the air was given, with what their wavelengths may be off.
    pub indexed: Vec<IndexedLine>,
    /// Dispersion curve, or the sentence that says why there is none.
    pub dispersion: Result<DispersionFit, String>,
    /// Indices at the standard lines, and the Abbe number.
    pub standard: Option<StandardIndices>,
    /// Catalogue glasses, best match first.
    pub glasses: Vec<GlassMatch>,
    /// Rows with a line but no wavelength.
    pub unknown_lines: Vec<UnknownLine>,
    /// Which lamp `unknown_lines` are of, the likeliest first; empty for fewer than two of them.
    pub lamps: Vec<LampMatch>,
    /// Single slips that would explain readings that do not fit.
    pub explained: Explained,
    /// What is doubtful; the codes are listed in the head comment of this stage.
    pub cautions: Vec<Caution>,
}

/// Samples of the prediction.
const PREDICTED_AT: u32 = 48;

impl Reduction {
    /// Index to be expected from the shortest to the longest wavelength of the lines and of d, F and C, nm in air: that of the
    /// curve, corrected for what its model is off, with all that is uncertain at each; empty without a curve.
    #[must_use]
    pub fn prediction(&self, glasses: &GlassTable) -> Vec<(f64, Measured)> {
        let Ok(fit) = &self.dispersion else {
            return Vec::new();
        };
        let low = fit.range_nm.0.min(F_LINE.in_air_nm());
        let high = fit.range_nm.1.max(C_LINE.in_air_nm());
        let nm: Vec<f64> = (0..=PREDICTED_AT)
            .map(|k| low + (high - low) * f64::from(k) / f64::from(PREDICTED_AT))
            .collect();
        let at: Vec<Wavelength> = nm.iter().map(|nm| Wavelength::air_nm(*nm)).collect();
        let indices = fit.indices_each_with_departure(&at, &self.indexed, glasses);
        nm.into_iter().zip(indices).collect()
    }
}

/// Reduces corrected pointings.
///
/// # Errors
/// A table that is not complete or contradicts itself, or angles that give no index: one sentence that names the row.
pub fn reduce(
    pointings: &[Pointed],
    options: &ReductionOptions,
    lamps: &LampTable,
    glasses: &GlassTable,
) -> Result<Reduction, PrismError> {
    let mut cautions = Vec::new();
    let (prism_angle_deg, face_pairs) = prism_angle(pointings, options, &mut cautions)?;
    let measured = measured_lines(
        pointings,
        &prism_angle_deg,
        &options.adjustment,
        &mut cautions,
    )
    .map_err(|error| {
        let hint = if face_pairs.is_empty() {
            radian_hint(prism_angle_deg.value())
        } else {
            String::new()
        };
        PrismError(format!("{error}{hint}"))
    })?;
    let mut lines: Vec<ReducedLine> = measured.iter().filter_map(|m| m.known(options)).collect();
    let indexed = indexed_lines(&measured, options);
    let indices: Vec<Measured> = lines.iter().map(|line| line.index.clone()).collect();
    wavelength_cautions(&lines, lamps, &mut cautions);
    order_cautions(&lines, &mut cautions);
    repeat_cautions(&lines, &mut cautions);

    let fitted = match options.model {
        Some(model) => fit_dispersion(&indexed, model),
        None => choose_dispersion(&indexed, glasses),
    };
    // A model that was asked for and cannot be had is an answer that is missing, not a table that is wrong.
    let dispersion = fitted.map_err(|error| error.0);
    match &dispersion {
        Ok(fit) => {
            for (line, residual) in lines.iter_mut().zip(&fit.residuals) {
                line.residual = Some(*residual);
            }
            curve_cautions(fit, &mut cautions);
        }
        Err(why) if !lines.is_empty() => cautions.push(Caution {
            code: "no-dispersion",
            message: format!("there is no dispersion curve: {why}"),
        }),
        Err(_) => {}
    }
    let standard = dispersion
        .as_ref()
        .ok()
        .and_then(|fit| fit.standard(&indexed, glasses));
    let unknown_lines: Vec<UnknownLine> = measured
        .into_iter()
        .filter(|m| m.wavelength.is_none())
        .map(|m| m.unknown(dispersion.as_ref(), &indexed, glasses, lamps, options))
        .collect();
    let wavelengths: Vec<&Measured> = unknown_lines
        .iter()
        .filter_map(|line| line.wavelength_nm.as_ref().ok())
        .collect();
    let likely = likely_lamps(&wavelengths, lamps);
    let explained = explain(pointings, options, lamps, glasses);
    slip_cautions(&explained, &mut cautions);
    Ok(Reduction {
        prism_angle_deg,
        face_pairs,
        explained,
        index_covariance: covariance_matrix(&indices),
        glasses: glasses.compared(&indexed),
        indexed,
        lines,
        dispersion,
        standard,
        unknown_lines,
        lamps: likely,
        cautions,
    })
}

/// The refracting angle: from the face readings, else as given.
pub(super) fn prism_angle(
    pointings: &[Pointed],
    options: &ReductionOptions,
    cautions: &mut Vec<Caution>,
) -> Result<(Measured, Vec<FacePair>), PrismError> {
    let mut sets: BTreeMap<&str, [Option<&Pointed>; 2]> = BTreeMap::new();
    let mut order: Vec<&str> = Vec::new();
    for pointed in pointings {
        let side = match pointed.target {
            PointedAt::Face1 => 0,
            PointedAt::Face2 => 1,
            PointedAt::Line | PointedAt::Central => continue,
        };
        let pair = sets.entry(&pointed.set).or_insert_with(|| {
            order.push(&pointed.set);
            [None, None]
        });
        if pair[side].replace(pointed).is_some() {
            return Err(PrismError(format!(
                "row {}: set {} has this face twice; give a repeat a set of its own",
                pointed.row, pointed.set
            )));
        }
    }
    let pairs = order
        .into_iter()
        .filter_map(|set| sets.get(set).map(|pair| (set, pair)))
        .map(|(set, pair)| match pair {
            [Some(one), Some(other)] => {
                prism_angle_from_faces(&one.reading_deg, &other.reading_deg, set, options.faces)
                    .map(|angle| FacePair {
                        set: set.to_owned(),
                        prism_angle_deg: angle,
                    })
            }
            _ => Err(PrismError(format!(
                "{} only one of face-1 and face-2; add the other with the same set",
                if set.is_empty() {
                    "there is".to_owned()
                } else {
                    format!("set {set} has")
                }
            ))),
        })
        .collect::<Result<Vec<_>, _>>()?;
    match (apex::combined(&pairs), &options.prism_angle_deg) {
        (Some((angle, caution)), given) => {
            cautions.extend(caution);
            if let Some(given) = given {
                let difference = angle.minus(given);
                cautions.push(Caution {
                    code: "prism-angle-twice",
                    message: format!(
                        "the refracting angle is given and there are face rows too; the face rows count, and the given angle differs from them by {:.0} ± {:.0}\": leave one of them out",
                        Angle::from_degrees(difference.value()),
                        difference.u() * ARCSEC_PER_DEG
                    ),
                });
            }
            Ok((angle, pairs))
        }
        (None, Some(given)) => {
            if !(given.u().is_finite() && given.u() < given.value().abs()) {
                return Err(PrismError(format!(
                    "the refracting angle was given as {} with an uncertainty of {} degrees, which is no measurement: give its standard uncertainty, from 0 to well below the angle",
                    Angle::from_degrees(given.value()),
                    given.u()
                )));
            }
            if given.u() <= 0.0 {
                cautions.push(Caution {
                    code: "prism-angle-without-uncertainty",
                    message: "the refracting angle was given without its uncertainty, which counts as 0 here: give it too".to_owned(),
                });
            }
            Ok((checked_prism_angle(given.clone(), "the options give")?, pairs))
        }
        (None, None) => Err(PrismError(
            "the refracting angle is missing: add rows face-1 and face-2, or give it with its uncertainty".to_owned(),
        )),
    }
}

/// The lines of known wavelength as the curve takes them.
pub(super) fn indexed_lines(
    measured: &[MeasuredLine],
    options: &ReductionOptions,
) -> Vec<IndexedLine> {
    curve_lines(
        measured
            .iter()
            .filter_map(|line| {
                let wavelength = line.wavelength?;
                Some(CurveLine {
                    wavelength,
                    index: match &options.air {
                        Some(air) => air.against_standard_air(&line.index, wavelength),
                        None => line.index.clone(),
                    },
                    off_nm: line.wavelength_off_nm.clone(),
                })
            })
            .collect(),
    )
}

/// A line with what was measured of it.
#[derive(Debug)]
pub(super) struct MeasuredLine {
    name: String,
    set: String,
    rows: [usize; 2],
    pub(super) wavelength: Option<Wavelength>,
    wavelength_off_nm: Measured,
    pub(super) deviation_deg: Measured,
    pub(super) index: Measured,
}

impl MeasuredLine {
    fn known(&self, options: &ReductionOptions) -> Option<ReducedLine> {
        self.wavelength.map(|wavelength| ReducedLine {
            line: self.name.clone(),
            wavelength,
            set: self.set.clone(),
            rows: self.rows,
            deviation_deg: self.deviation_deg.clone(),
            index_absolute: options
                .air
                .as_ref()
                .map(|air| air.against_vacuum(&self.index, wavelength)),
            index_standard_air: options
                .air
                .as_ref()
                .map(|air| air.against_standard_air(&self.index, wavelength)),
            index: self.index.clone(),
            residual: None,
        })
    }

    fn unknown(
        self,
        dispersion: Result<&DispersionFit, &String>,
        indexed: &[IndexedLine],
        glasses: &GlassTable,
        lamps: &LampTable,
        options: &ReductionOptions,
    ) -> UnknownLine {
        // The dispersion of air is too small for its wavelength to matter.
        let index = match &options.air {
            Some(air) => air.against_standard_air(&self.index, D_LINE),
            None => self.index.clone(),
        };
        let wavelength_nm = match dispersion {
            Ok(fit) => wavelength_of_index(fit, &index, indexed, glasses),
            Err(why) => Err(format!("there is no dispersion curve: {why}")),
        };
        UnknownLine {
            candidates: wavelength_nm
                .as_ref()
                .map(|nm| candidates(nm, lamps, indexed))
                .unwrap_or_default(),
            line: self.name,
            set: self.set,
            rows: self.rows,
            deviation_deg: self.deviation_deg,
            index: self.index,
            wavelength_nm,
        }
    }

    /// Name of the line.
    pub(super) fn name(&self) -> &str {
        &self.name
    }
}

/// Deviation and index of every line row.
pub(super) fn measured_lines(
    pointings: &[Pointed],
    prism_angle_deg: &Measured,
    adjustment: &Adjustment,
    cautions: &mut Vec<Caution>,
) -> Result<Vec<MeasuredLine>, PrismError> {
    let mut centrals: BTreeMap<&str, &Pointed> = BTreeMap::new();
    for pointed in pointings.iter().filter(|p| p.target == PointedAt::Central) {
        if let Some(first) = centrals.insert(&pointed.set, pointed) {
            return Err(PrismError(format!(
                "rows {} and {} are both the central image of set {}; give each its own set",
                first.row, pointed.row, pointed.set
            )));
        }
    }
    let mut lines_of_set: BTreeMap<&str, Vec<&Pointed>> = BTreeMap::new();
    let lines: Vec<&Pointed> = pointings
        .iter()
        .filter(|p| p.target == PointedAt::Line)
        .collect();
    let measured = lines
        .iter()
        .enumerate()
        .filter_map(|(index, line)| {
            if let Some(central) = centrals.get(line.set.as_str()) {
                lines_of_set.entry(&line.set).or_default().push(line);
                return Some(Ok((
                    *line,
                    central.row,
                    deviation(&line.reading_deg, &central.reading_deg),
                )));
            }
            // Without a central image the line was read on either side: half the angle between the two places.
            let same = |other: &&Pointed| other.set == line.set && other.name() == line.name();
            if lines.iter().take(index).any(same) {
                return None;
            }
            Some(match lines.iter().skip(index + 1).find(|other| same(other)) {
                Some(other) => Ok((
                    *line,
                    other.row,
                    deviation(&line.reading_deg, &other.reading_deg).scaled(0.5),
                )),
                None => Err(PrismError(format!(
                    "row {}: set {} has no central image; read it before the table is touched and add it with the same set, or read {} on the other side too",
                    line.row, line.set, line.name()
                ))),
            })
        })
        .map(|found| {
            let (line, other_row, deviation_deg) = found?;
            let name = format!("row {}, {}", line.row, line.name());
            let deviation_deg = adjustment.deviation(deviation_deg);
            let index = index_at_minimum(prism_angle_deg, &deviation_deg, &name)?;
            Ok(MeasuredLine {
                index: adjustment.index(index),
                name: line.name(),
                set: line.set.clone(),
                rows: [line.row, other_row],
                wavelength: line.wavelength,
                wavelength_off_nm: line.wavelength_off_nm.clone(),
                deviation_deg,
            })
        })
        .collect::<Result<Vec<_>, PrismError>>()?;
    for (set, lines) in lines_of_set {
        // Lines of one sweep stand in one field: the telescope was read once for all of them.
        let one_sweep = lines
            .windows(2)
            .all(|two| matches!(two, [a, b] if !a.windows_deg.is_empty() && a.windows_deg == b.windows_deg));
        if lines.len() > 1 && !one_sweep {
            let names: Vec<String> = lines.iter().map(|line| line.name()).collect();
            cautions.push(Caution {
                code: "shared-central",
                message: format!(
                    "set {set} has one central image for {}: the telescope or the table may have moved between them; read the central image anew for every line",
                    names.join(", ")
                ),
            });
        }
    }
    Ok(measured)
}
