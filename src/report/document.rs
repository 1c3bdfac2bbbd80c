//! The documents that scripts read: one JSON document a command.
//!
//! Only the types of this file are serialised. A field that is not known is null, never 0.

use std::path::Path;

use serde::Serialize;
use serde_json::{Value, json};

use super::budget::Evaluation;
use super::from::budgets;
use crate::basics::units::ARCSEC_PER_DEG;
use crate::session::{
    Calibrated, CalibrationRecord, Caution, CrossHairs, Demonstration, Experiment, FollowedLine,
    Line, LineAngle, LocatedFrame, Measured, ReducedLine, Resolving, Side, TurningPoint,
    WarningRecord, Watched,
};

/// Coverage of the fields that begin with `U_`.
const COVERAGE: f64 = 0.95;

/// Version of the documents; raised when a field changes its meaning or goes.
const SCHEMA: u32 = 1;

/// The fields that every document starts with.
#[derive(Serialize)]
struct Document<'a, Body: Serialize> {
    lineturn: &'static str,
    kind: &'a str,
    schema: u32,
    complete: bool,
    warnings: Vec<Warning<'a>>,
    #[serde(flatten)]
    body: Body,
}

#[derive(Serialize)]
struct Warning<'a> {
    code: &'a str,
    message: &'a str,
}

/// A document as text, with the fields that all share in front of `body`.
///
/// `body` must serialise to a JSON object.
#[must_use]
pub fn document(kind: &str, complete: bool, cautions: &[Caution], body: Value) -> String {
    let document = Document {
        lineturn: env!("CARGO_PKG_VERSION"),
        kind,
        schema: SCHEMA,
        complete,
        warnings: cautions
            .iter()
            .map(|caution| Warning {
                code: &caution.code,
                message: &caution.message,
            })
            .collect(),
        body,
    };
    serde_json::to_string_pretty(&document)
        .unwrap_or_else(|error| json!({ "error": error.to_string() }).to_string())
}

/// The body of `locate`.
#[must_use]
pub fn located(frames: &[LocatedFrame]) -> Value {
    json!({
        "frames": frames.iter().map(|frame| json!({
            "frame": frame.path.display().to_string(),
            "width": frame.width,
            "height": frame.height,
            "cross_hairs": frame.picture.cross_hairs.as_ref().map(cross_hairs),
            "lines": frame.picture.lines.iter()
                .map(|found| line(found, frame.picture.cross_hairs.as_ref()))
                .collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
    })
}

/// The body of `watch`.
#[must_use]
pub fn watched(watched: &Watched) -> Value {
    let sweep = &watched.sweep;
    json!({
        "source": watched.description,
        "frames": watched.frames,
        "dropped": watched.dropped,
        "duration_s": watched.duration_s,
        "toward": sweep.toward.map(side),
        "cross_hairs": sweep.cross_hairs.as_ref().map(cross_hairs),
        "lines": followed_lines(&sweep.lines, &watched.angles),
        "turning_points": reversals(&sweep.turning_points),
    })
}

/// Followed lines with their offsets as angles, where a scale was given.
pub(super) fn followed_lines(lines: &[FollowedLine], angles: &[Option<LineAngle>]) -> Vec<Value> {
    let lines = lines.iter().zip(angles);
    lines
        .map(|(followed, angle)| {
            json!({
                "line": followed.line,
                "turned": followed.turned,
                "passes": followed.passes,
                "x_px": followed.x_px,
                "offset_px": followed.offset_px,
                "u_px": followed.u_px,
                "offset_arcsec": angle.map(|angle| angle.offset_arcsec),
                "u_arcsec": angle.map(|angle| angle.u_arcsec),
            })
        })
        .collect()
}

/// Places at which lines reversed, with why they count as minimum deviation or do not.
pub(super) fn reversals(points: &[TurningPoint]) -> Vec<Value> {
    let points = points.iter();
    points
        .map(|point| {
            json!({
                "line": point.line,
                "t_s": point.time_s,
                "x_px": point.x_px,
                "offset_px": point.offset_px,
                "u_px": point.u_px,
                "counted": point.counted,
                "why": point.why,
            })
        })
        .collect()
}

/// A side of the picture in the words of the documents.
#[must_use]
pub fn side(side: Side) -> &'static str {
    match side {
        Side::Left => "left",
        Side::Right => "right",
    }
}

fn cross_hairs(hairs: &CrossHairs) -> Value {
    json!({
        "x_px": hairs.x_px,
        "y_px": hairs.y_px,
        "u_x_px": hairs.u_x_px,
        "u_y_px": hairs.u_y_px,
        "rotation_deg": hairs.rotation_deg,
    })
}

fn line(line: &Line, hairs: Option<&CrossHairs>) -> Value {
    json!({
        "x_px": line.x_px,
        "u_px": line.u_px,
        "y_ref_px": line.y_ref_px,
        "offset_px": hairs.map(|hairs| line.x_px - hairs.x_px),
        "tilt_deg": line.tilt_deg,
        "curvature_per_px": line.curvature_per_px,
        "width_px": line.width_px,
        "peak_level": line.peak_level,
        "signal_to_noise": line.signal_to_noise,
        "saturated": line.saturated,
        "under_hair": line.under_hair,
    })
}

/// The document of `scale`: at once a calibration for `--scale`.
#[must_use]
pub fn calibrated(calibrated: &Calibrated) -> String {
    let mut record = CalibrationRecord::from(&calibrated.scale);
    record.warnings = calibrated
        .cautions
        .iter()
        .map(|caution| WarningRecord {
            code: caution.code.clone(),
            message: caution.message.clone(),
        })
        .collect();
    serde_json::to_string_pretty(&record)
        .unwrap_or_else(|error| json!({ "error": error.to_string() }).to_string())
}

/// The body of `reduce`.
#[must_use]
pub fn reduced(experiment: &Experiment) -> Value {
    let reduction = &experiment.reduction;
    let covariance: Vec<Vec<f64>> = reduction
        .index_covariance
        .row_iter()
        .map(|row| row.iter().copied().collect())
        .collect();
    let mut body = json!({
        "readings": experiment.table.display().to_string(),
        "prism_angle_deg": reduction.prism_angle_deg.value(),
        "u_prism_angle_arcsec": reduction.prism_angle_deg.u() * ARCSEC_PER_DEG,
        "lines": reduction.lines.iter()
            .map(|line| reduced_line(line, &experiment.resolving))
            .collect::<Vec<_>>(),
        "index_covariance": covariance,
        "dispersion": reduction.dispersion.as_ref().ok().map(|fit| json!({
            "model": fit.model.name(),
            "chosen_by_data": fit.chosen,
            "coefficients": fit.coefficients.iter().map(Measured::value).collect::<Vec<_>>(),
            "covariance": fit.covariance.row_iter()
                .map(|row| row.iter().copied().collect::<Vec<f64>>())
                .collect::<Vec<_>>(),
            "chi_squared": fit.chi_squared,
            "degrees_of_freedom": fit.degrees_of_freedom,
            "p_value": fit.p_value,
            "aicc": fit.aicc,
            "u_measured_n_F_minus_n_C": fit.worth.map(|worth| worth.u_measured),
            "u_departure_n_F_minus_n_C": fit.worth.map(|worth| worth.u_departure),
            "range_nm": [fit.range_nm.0, fit.range_nm.1],
        })),
        "slips": reduction.explained.slips.iter().map(|slip| json!({
            "slip": slip.kind.code(),
            "rows": slip.rows,
            "message": slip.sentence,
            "chi_squared": slip.chi_squared,
            "p_value": slip.p_value,
        })).collect::<Vec<_>>(),
        "consistency": {
            "chi_squared": reduction.explained.chi_squared,
            "degrees_of_freedom": reduction.explained.degrees_of_freedom,
            "contradicts": reduction.explained.wrong,
        },
        "glasses": reduction.glasses.iter().map(|glass| json!({
            "name": glass.name,
            "n_d": glass.n_d,
            "abbe_number": glass.abbe_number,
            "chi_squared": glass.chi_squared,
            "p_value": glass.p_value,
            "possible": glass.possible,
        })).collect::<Vec<_>>(),
        "unknown_lines": reduction.unknown_lines.iter().map(|line| json!({
            "line": line.line,
            "set": line.set,
            "rows": line.rows,
            "deviation_deg": line.deviation_deg.value(),
            "u_deviation_arcsec": line.deviation_deg.u() * ARCSEC_PER_DEG,
            "n": line.index.value(),
            "u_n": line.index.u(),
            "wavelength_nm": line.wavelength_nm.as_ref().ok().map(Measured::value),
            "u_wavelength_nm": line.wavelength_nm.as_ref().ok().map(Measured::u),
            "candidates": line.candidates.iter().map(|candidate| json!({
                "line": candidate.name,
                "wavelength_nm": candidate.wavelength_nm,
                "distance_in_u": candidate.distance_in_u,
                "same_lamp": candidate.same_lamp,
            })).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
    });
    body["lamps"] = reduction
        .lamps
        .iter()
        .map(|lamp| {
            json!({
                "lamp": lamp.lamp,
                "lines_matched": lamp.matched,
                "probability": lamp.probability,
            })
        })
        .collect();
    let u = |of: Option<&Measured>| json!(of.map(Measured::u));
    let value = |of: Option<&Measured>| json!(of.map(Measured::value));
    body["resolving"] = experiment
        .resolving
        .iter()
        .map(|line| {
            let angular = Some(&line.angular_dispersion_arcsec_per_nm);
            json!({
                "line": line.line,
                "wavelength_nm": line.wavelength.in_air_nm(),
                "angular_dispersion_arcsec_per_nm": value(angular),
                "u_angular_dispersion_arcsec_per_nm": u(angular),
                "resolving_power": value(line.resolving_power.as_ref()),
                "u_resolving_power": u(line.resolving_power.as_ref()),
                "slit_resolving_power": value(line.slit_resolving_power.as_ref()),
                "u_slit_resolving_power": u(line.slit_resolving_power.as_ref()),
                "resolved_nm": value(line.resolved_nm.as_ref()),
                "u_resolved_nm": u(line.resolved_nm.as_ref()),
            })
        })
        .collect();
    body["bench"] = json!(experiment.options.bench);
    body["measured_on"] = json!(experiment.options.measured_on);
    body["prism_temperature_c"] = json!(experiment.options.prism_temperature_c);
    body["air"] = json!(experiment.options.air.map(|air| json!({
        "temperature_c": air.temperature_c(),
        "u_temperature_c": air.u_temperature_c(),
        "pressure_pa": air.pressure_pa(),
        "u_pressure_pa": air.u_pressure_pa(),
        "relative_humidity": air.relative_humidity(),
    })));
    let standard = reduction.standard.as_ref();
    body["coverage"] = json!(COVERAGE);
    body["budgets"] = budgets(reduction)
        .iter()
        .map(|budget| {
            (
                budget.of.clone(),
                budget
                    .causes
                    .iter()
                    .map(|cause| {
                        json!({
                            "cause": cause.name,
                            "type": cause.evaluation.map(|kind| match kind {
                                Evaluation::A => "A",
                                Evaluation::B => "B",
                            }),
                            "degrees_of_freedom": cause.degrees_of_freedom,
                            "contribution": cause.contribution,
                            "unit": budget.unit,
                            "share": cause.share,
                            "remedy": cause.remedy,
                        })
                    })
                    .collect::<Value>(),
            )
        })
        .collect::<serde_json::Map<String, Value>>()
        .into();
    let principal = standard.map(|standard| standard.n_f.minus(&standard.n_c));
    let results = [
        ("n_F_minus_n_C", principal.as_ref()),
        ("n_d", standard.map(|standard| &standard.n_d)),
        ("n_F", standard.map(|standard| &standard.n_f)),
        ("n_C", standard.map(|standard| &standard.n_c)),
        (
            "abbe_number",
            standard.and_then(|standard| standard.abbe_number.as_ref()),
        ),
        ("n_e", standard.map(|standard| &standard.n_e)),
        (
            "abbe_number_e",
            standard.and_then(|standard| standard.abbe_number_e.as_ref()),
        ),
        (
            "partial_dispersion_g_F",
            standard.and_then(|standard| standard.partial_dispersion_g_f.as_ref()),
        ),
    ];
    for (name, result) in results {
        body[name] = json!(result.map(Measured::value));
        body[format!("u_{name}")] = json!(result.map(Measured::u));
        body[format!("U_{name}")] = json!(result.map(|m| m.expanded(COVERAGE)));
        body[format!("k_{name}")] = json!(result.map(|m| m.coverage_factor(COVERAGE)));
        body[format!("degrees_of_freedom_{name}")] = json!(
            result
                .map(Measured::degrees_of_freedom)
                .filter(|freedom| freedom.is_finite())
        );
    }
    if !experiment.monte_carlo.is_empty() {
        body["monte_carlo"] = experiment
            .monte_carlo
            .iter()
            .map(|compared| {
                json!({
                    "result": compared.name,
                    "value": compared.value,
                    "u": compared.u,
                    "mean": compared.sampled.mean,
                    "standard_deviation": compared.sampled.standard_deviation,
                    "linear_holds": compared.linear_holds,
                    "interval_95": [compared.interval().0, compared.interval().1],
                    "shortest_95": [compared.sampled.shortest.0, compared.sampled.shortest.1],
                })
            })
            .collect();
    }
    body
}

/// The body of `demo`: that of `reduce`, with the truth of the frames.
#[must_use]
pub fn demonstrated(demonstration: &Demonstration, report: &Path) -> Value {
    let mut body = reduced(&demonstration.experiment);
    body["arcsec_per_px"] = json!(demonstration.calibrated.scale.arcsec_per_px());
    body["u_arcsec_per_px"] = json!(demonstration.calibrated.scale.u_arcsec_per_px());
    body["report"] = json!(report.display().to_string());
    body["report_pdf"] = json!(report.with_extension("pdf").display().to_string());
    body["compared"] = demonstration
        .deviations
        .iter()
        .map(|deviation| {
            json!({
                "result": deviation.name,
                "measured": deviation.measured,
                "u": deviation.u,
                "truth": deviation.truth,
                "difference_in_u": deviation.in_u(),
            })
        })
        .collect();
    body
}

/// The body of `practice`.
#[must_use]
pub fn practice(scenario: &str, seed: u64, footage: &Path, truth: &Path) -> Value {
    json!({
        "scenario": scenario,
        "seed": seed,
        "footage": footage.display().to_string(),
        "truth": truth.display().to_string(),
    })
}

/// The body of `practice --list`.
#[must_use]
pub fn scenarios(scenarios: &[(&str, &str)]) -> Value {
    json!({
        "scenarios": scenarios.iter().map(|(name, what)| json!({ "scenario": name, "shows": what })).collect::<Vec<_>>(),
    })
}

fn reduced_line(line: &ReducedLine, resolving: &[Resolving]) -> Value {
    // Lines of one wavelength share a row there.
    let nm = line.wavelength.in_air_nm();
    let angular = resolving
        .iter()
        .find(|row| (row.wavelength.in_air_nm() - nm).abs() <= 1e-3)
        .map(|row| &row.angular_dispersion_arcsec_per_nm);
    json!({
        "line": line.line,
        "wavelength_nm": line.wavelength.in_air_nm(),
        "set": line.set,
        "rows": line.rows,
        "deviation_deg": line.deviation_deg.value(),
        "u_deviation_arcsec": line.deviation_deg.u() * ARCSEC_PER_DEG,
        "n": line.index.value(),
        "u_n": line.index.u(),
        "n_absolute": line.index_absolute.as_ref().map(Measured::value),
        "u_n_absolute": line.index_absolute.as_ref().map(Measured::u),
        "n_standard_air": line.index_standard_air.as_ref().map(Measured::value),
        "u_n_standard_air": line.index_standard_air.as_ref().map(Measured::u),
        "residual": line.residual,
        "angular_dispersion_arcsec_per_nm": angular.map(Measured::value),
        "u_angular_dispersion_arcsec_per_nm": angular.map(Measured::u),
    })
}
