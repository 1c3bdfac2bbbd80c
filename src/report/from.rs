//! From an experiment to what its page shows: names, order and words, no results of its own.
//!
//! Causes that differ only by the row of the table they act on are shown together in the error budget, as the
//! root of the sum of their squares, because a person can only do something about all of them.

use std::path::Path;

use super::budget::{Budget, Cause, Evaluation};
use super::view::{
    Caution, Coverage, CurvePoint, Dispersion, Glass, IndexPoint, LineRow, PageData, Quantity,
    Reading, Track, TrackPoint, Turn, UnknownLine, Value, Window,
};
use crate::basics::uncertainty::{Kind, Measured, own_and_shared};
use crate::basics::units::{ARCSEC_PER_DEG, Wavelength};
use crate::session::{
    DispersionFit, DispersionModel, Experiment, FaceMethod, FollowedLine, ReducedRow, Reduction,
    Seen, Sweep,
};

/// Level of the expanded uncertainties of the page.
const COVERAGE: f64 = 0.95;
/// Samples of the fitted curve.
const CURVE_SAMPLES: u32 = 96;
/// A step of more than so many typical steps is a gap.
const GAP_STEPS: f64 = 2.5;
/// Wavelengths at which glass catalogues quote: (name, nm in air).
const QUOTED: [(&str, f64); 3] = [("F", 486.1327), ("d", 587.5618), ("C", 656.2725)];

/// The page of an experiment; `when` is the date as it shall be read, `provenance` adds to what the experiment
/// itself knows: (what, value), such as the command line.
#[must_use]
pub fn page_from(experiment: &Experiment, when: &str, provenance: &[(String, String)]) -> PageData {
    let reduction = &experiment.reduction;
    let table = experiment.table.display().to_string();
    let results = results(reduction);
    PageData {
        title: title(&experiment.table),
        when: when.to_owned(),
        coverage: Coverage {
            percent: Some(100.0 * COVERAGE),
            k: None,
        },
        summary: results.iter().map(|r| quantity(r, reduction)).collect(),
        cautions: experiment
            .cautions
            .iter()
            .map(|c| Caution {
                code: c.code.clone(),
                message: c.message.clone(),
            })
            .collect(),
        lines: lines(reduction),
        unknown_lines: unknown_lines(reduction),
        dispersion: dispersion(reduction),
        tracks: experiment.rows.iter().filter_map(track).collect(),
        readings: experiment.rows.iter().map(reading).collect(),
        // Those of the other indices say the same as that of n_d.
        budgets: budgets(reduction)
            .into_iter()
            .filter(|budget| ["n_d", "V_d", "A"].contains(&budget.of.as_str()))
            .collect(),
        glasses: glasses(reduction),
        method: method(experiment),
        provenance: [
            (
                "program".to_owned(),
                format!("lineturn {}", env!("CARGO_PKG_VERSION")),
            ),
            ("readings".to_owned(), table),
        ]
        .into_iter()
        .chain(footage_files(experiment))
        .chain(provenance.iter().cloned())
        .collect(),
    }
}

/// What was measured, and of what: the table's own name, or that of its folder where the table has the usual name.
fn title(table: &Path) -> String {
    const USUAL: &str = "readings";
    const MEASURED: &str = "Refractive index of a prism";
    let whole = std::path::absolute(table).unwrap_or_else(|_| table.to_owned());
    let name =
        |part: Option<&std::ffi::OsStr>| part.map(|name| name.to_string_lossy().into_owned());
    let own = name(whole.file_stem()).filter(|stem| !stem.eq_ignore_ascii_case(USUAL));
    match own.or_else(|| name(whole.parent().and_then(Path::file_name))) {
        Some(name) => format!("{MEASURED}: {name}"),
        None => MEASURED.to_owned(),
    }
}

/// One result of the summary.
struct ResultRow<'a> {
    symbol: &'static str,
    name: &'static str,
    angle: bool,
    value: Option<&'a Measured>,
}

fn results(reduction: &Reduction) -> Vec<ResultRow<'_>> {
    let standard = reduction.standard.as_ref();
    let row = |symbol, name, value| ResultRow {
        symbol,
        name,
        angle: false,
        value,
    };
    vec![
        row(
            "n_d",
            "refractive index at 587.56 nm",
            standard.map(|s| &s.n_d),
        ),
        row(
            "n_F",
            "refractive index at 486.13 nm",
            standard.map(|s| &s.n_f),
        ),
        row(
            "n_C",
            "refractive index at 656.27 nm",
            standard.map(|s| &s.n_c),
        ),
        row(
            "V_d",
            "Abbe number",
            standard.and_then(|s| s.abbe_number.as_ref()),
        ),
        row(
            "n_e",
            "refractive index at 546.07 nm",
            standard.map(|s| &s.n_e),
        ),
        row(
            "V_e",
            "Abbe number at e, with F\u{2032} and C\u{2032}",
            standard.and_then(|s| s.abbe_number_e.as_ref()),
        ),
        row(
            "P_g,F",
            "relative partial dispersion of g and F",
            standard.and_then(|s| s.partial_dispersion_g_f.as_ref()),
        ),
        ResultRow {
            symbol: "A",
            name: "refracting angle of the prism",
            angle: true,
            value: Some(&reduction.prism_angle_deg),
        },
    ]
}

fn quantity(row: &ResultRow<'_>, reduction: &Reduction) -> Quantity {
    let remark = match (row.value, &reduction.dispersion) {
        (None, Err(why)) => why.clone(),
        _ => String::new(),
    };
    Quantity {
        symbol: row.symbol.to_owned(),
        name: row.name.to_owned(),
        value: row.value.map_or(Value::Unknown, |m| {
            if row.angle { angle(m) } else { number(m, "") }
        }),
        k: row.value.map(|m| m.coverage_factor(COVERAGE)),
        degrees_of_freedom: row
            .value
            .map(Measured::degrees_of_freedom)
            .filter(|d| d.is_finite()),
        remark,
    }
}

fn known(u: f64) -> Option<f64> {
    (u.is_finite() && u > 0.0).then_some(u)
}

fn number(m: &Measured, unit: &'static str) -> Value {
    Value::Number {
        value: m.value(),
        u: known(m.u()),
        expanded: known(m.expanded(COVERAGE)),
        unit,
    }
}

fn angle(deg: &Measured) -> Value {
    Value::Angle {
        deg: deg.value(),
        u_arcsec: known(deg.u() * ARCSEC_PER_DEG),
        expanded_arcsec: known(deg.expanded(COVERAGE) * ARCSEC_PER_DEG),
    }
}

fn lines(reduction: &Reduction) -> Vec<LineRow> {
    reduction
        .lines
        .iter()
        .map(|line| LineRow {
            set: line.set.clone(),
            line: line.line.clone(),
            wavelength_nm: Some(line.wavelength.in_air_nm()),
            deviation: angle(&line.deviation_deg),
            index: number(&line.index, ""),
            residual_1e5: line.residual.map(|r| r * 1e5),
        })
        .collect()
}

fn unknown_lines(reduction: &Reduction) -> Vec<UnknownLine> {
    reduction
        .unknown_lines
        .iter()
        .map(|line| UnknownLine {
            line: line.line.clone(),
            wavelength: line
                .wavelength_nm
                .as_ref()
                .map_or(Value::Unknown, |m| number(m, "nm")),
            candidates: match &line.wavelength_nm {
                Ok(_) => line
                    .candidates
                    .iter()
                    .map(|c| format!("{} ({:.3} nm)", c.name, c.wavelength_nm))
                    .collect(),
                Err(why) => vec![why.clone()],
            },
        })
        .collect()
}

fn dispersion(reduction: &Reduction) -> Option<Dispersion> {
    if reduction.lines.is_empty() {
        return None;
    }
    let indices: Vec<Measured> = reduction.lines.iter().map(|l| l.index.clone()).collect();
    let (own, _) = own_and_shared(&indices);
    let points = reduction
        .lines
        .iter()
        .zip(own)
        .map(|(line, own)| {
            // Of few effective degrees of freedom, the bars take the factor of the whole index.
            let k = line.index.coverage_factor(COVERAGE);
            IndexPoint {
                line: line.line.clone(),
                wavelength_nm: line.wavelength.in_air_nm(),
                n: line.index.value(),
                expanded: known(line.index.expanded(COVERAGE)),
                residual_1e5: line.residual.map(|r| r * 1e5),
                residual_expanded_1e5: known(k * own * 1e5),
            }
        })
        .collect();
    let mut shown = Dispersion {
        points,
        guides: QUOTED
            .iter()
            .map(|(name, nm)| ((*name).to_owned(), *nm))
            .collect(),
        ..Dispersion::default()
    };
    if let Ok(fit) = &reduction.dispersion {
        fitted(&mut shown, fit);
    }
    Some(shown)
}

fn fitted(shown: &mut Dispersion, fit: &DispersionFit) {
    let (model, names): (&str, &[(&str, &'static str)]) = match fit.model {
        DispersionModel::Cauchy { terms: 2 } => ("n = A + B/\u{3bb}\u{b2}", &CAUCHY),
        DispersionModel::Cauchy { terms: 3 } => {
            ("n = A + B/\u{3bb}\u{b2} + C/\u{3bb}\u{2074}", &CAUCHY)
        }
        DispersionModel::Cauchy { .. } => (
            "n = A + B/\u{3bb}\u{b2} + C/\u{3bb}\u{2074} + D/\u{3bb}\u{2076}",
            &CAUCHY,
        ),
        DispersionModel::Hartmann => (
            "n = A + B/(\u{3bb} \u{2212} C)",
            &[("A", ""), ("B", "\u{b5}m"), ("C", "\u{b5}m")],
        ),
        DispersionModel::Sellmeier1 => (
            "n\u{b2} = 1 + B \u{3bb}\u{b2}/(\u{3bb}\u{b2} \u{2212} C)",
            &[("B", ""), ("C", "\u{b5}m\u{b2}")],
        ),
        DispersionModel::Sellmeier { terms: 2 } => (
            "n\u{b2} = 1 + the sum of two terms B \u{3bb}\u{b2}/(\u{3bb}\u{b2} \u{2212} C)",
            &[
                ("B1", ""),
                ("B2", ""),
                ("C1", "\u{b5}m\u{b2}"),
                ("C2", "\u{b5}m\u{b2}"),
            ],
        ),
        DispersionModel::Sellmeier { .. } => (
            "n\u{b2} = 1 + the sum of three terms B \u{3bb}\u{b2}/(\u{3bb}\u{b2} \u{2212} C)",
            &[
                ("B1", ""),
                ("B2", ""),
                ("B3", ""),
                ("C1", "\u{b5}m\u{b2}"),
                ("C2", "\u{b5}m\u{b2}"),
                ("C3", "\u{b5}m\u{b2}"),
            ],
        ),
    };
    shown.model = format!(
        "{model}, \u{3bb} in \u{b5}m in standard air{}",
        if fit.chosen {
            "; chosen for the smallest error of n_F \u{2212} n_C to be expected"
        } else {
            ""
        }
    );
    shown.coefficients = names
        .iter()
        .zip(&fit.coefficients)
        .map(|((name, unit), m)| ((*name).to_owned(), number(m, unit)))
        .collect();
    shown.chi_squared = u32::try_from(fit.degrees_of_freedom)
        .ok()
        .filter(|d| *d > 0)
        .map(|d| (fit.chi_squared, d));
    shown.p_value = fit.p_value;
    let (lo, hi) = fit.range_nm;
    let lo = QUOTED.iter().map(|q| q.1).fold(lo, f64::min);
    let hi = QUOTED.iter().map(|q| q.1).fold(hi, f64::max);
    shown.curve = (0..=CURVE_SAMPLES)
        .map(|i| {
            let nm = lo + (hi - lo) * f64::from(i) / f64::from(CURVE_SAMPLES);
            let n = fit.index_at(Wavelength::air_nm(nm));
            CurvePoint {
                wavelength_nm: nm,
                n: n.value(),
                expanded: known(n.expanded(COVERAGE)),
            }
        })
        .collect();
}

const CAUCHY: [(&str, &str); 4] = [
    ("A", ""),
    ("B", "\u{b5}m\u{b2}"),
    ("C", "\u{b5}m\u{2074}"),
    ("D", "\u{b5}m\u{2076}"),
];

fn track(row: &ReducedRow) -> Option<Track> {
    let footage = row.footage.as_ref()?;
    let Seen::Clip(watched) = &footage.seen else {
        return None;
    };
    let line = watched.sweep.lines.get(footage.line)?;
    let mut shown = followed(&watched.sweep, line);
    shown.footage = footage.path.display().to_string();
    shown.set.clone_from(&row.row.set);
    shown.line = row.row.line.clone().unwrap_or_default();
    shown.answer_arcsec = row
        .offset_arcsec
        .as_ref()
        .filter(|_| line.turned)
        .map(|m| (m.value(), m.u()));
    // The cautions of the clip stand at the top of the page with the row that they concern, and not again here.
    Some(shown)
}

/// A followed line without what only the table of readings knows.
fn followed(sweep: &Sweep, line: &FollowedLine) -> Track {
    let from_cross_hairs = line.offset_px.is_some();
    let place = |x_px: f64, offset_px: Option<f64>| {
        if from_cross_hairs {
            offset_px
        } else {
            Some(x_px)
        }
    };
    let points: Vec<TrackPoint> = line
        .track
        .iter()
        .filter_map(|p| {
            Some(TrackPoint {
                time_s: p.time_s,
                position_px: place(p.x_px, p.offset_px)?,
                u_px: known(p.u_px),
            })
        })
        .collect();
    let mut steps: Vec<f64> = points
        .iter()
        .zip(points.iter().skip(1))
        .map(|(a, b)| b.time_s - a.time_s)
        .filter(|s| s.is_finite())
        .collect();
    steps.sort_by(f64::total_cmp);
    let typical = steps.get(steps.len() / 2).copied().unwrap_or(0.0);
    let answer_px = if line.turned {
        place(line.x_px, line.offset_px)
    } else {
        None
    };
    Track {
        from_cross_hairs,
        points,
        turns: sweep
            .turning_points
            .iter()
            .filter(|t| t.line == line.line)
            .filter_map(|t| {
                Some(Turn {
                    time_s: t.time_s,
                    position_px: place(t.x_px, t.offset_px)?,
                    u_px: known(t.u_px),
                    counted: t.counted,
                    why: t.why.clone(),
                })
            })
            .collect(),
        answer_px,
        u_answer_px: answer_px.and(known(line.u_px)),
        // The follower gives no degrees of freedom: the factor of a normal distribution for 95 %.
        expanded_answer_px: answer_px.and(known(
            crate::basics::uncertainty::coverage_factor(f64::INFINITY, COVERAGE) * line.u_px,
        )),
        longest_step_s: GAP_STEPS * typical,
        ..Track::default()
    }
}

fn reading(row: &ReducedRow) -> Reading {
    let r = &row.row;
    Reading {
        row: r.row.to_string(),
        set: r.set.clone(),
        target: r.target.word().to_owned(),
        line: r.line.clone().unwrap_or_default(),
        windows: std::iter::once(r.window_1)
            .chain(r.window_2)
            .zip(&r.windows_typed)
            .map(|(understood, typed)| Window {
                typed: typed.clone(),
                deg: Some(understood.degrees()),
            })
            .collect(),
        offset_arcsec: match (&row.offset_arcsec, r.offset_arcsec) {
            (Some(m), _) => Some((m.value(), known(m.u()))),
            (None, Some(v)) => Some((v, r.u_offset_arcsec.and_then(known))),
            (None, None) => None,
        },
        corrected: angle(&row.reading_deg),
        footage: r.footage.clone().unwrap_or_default(),
        note: r.note.clone().unwrap_or_default(),
    }
}

fn glasses(reduction: &Reduction) -> Vec<Glass> {
    reduction
        .glasses
        .iter()
        .map(|g| Glass {
            name: g.name.clone(),
            n_d: Some(g.n_d),
            abbe_number: Some(g.abbe_number),
            chi_squared: Some(g.chi_squared),
            p_value: Some(g.p_value),
            verdict: if g.possible {
                "possible".to_owned()
            } else {
                "excluded".to_owned()
            },
        })
        .collect()
}

/// The error budgets of all results, the largest cause first.
pub(super) fn budgets(reduction: &Reduction) -> Vec<Budget> {
    results(reduction)
        .iter()
        .filter_map(budget)
        .map(|mut budget| {
            budget.causes.sort_by(|a, b| b.share.total_cmp(&a.share));
            budget
        })
        .collect()
}

fn budget(row: &ResultRow<'_>) -> Option<Budget> {
    let value = row.value.filter(|m| m.u() > 0.0)?;
    let (unit, factor) = if row.angle {
        ("\u{2033}", ARCSEC_PER_DEG)
    } else {
        ("", 1.0)
    };
    let mut groups: Vec<(Cause, u32)> = Vec::new();
    for part in value.budget() {
        let full = part.cause.name();
        let name = full.split_once(", row").map_or(full, |(kind, _)| kind);
        let contribution = part.contribution * factor;
        match groups.iter_mut().find(|(c, _)| c.name == name) {
            Some((cause, count)) => {
                cause.contribution = cause.contribution.hypot(contribution);
                cause.share += part.share;
                *count += 1;
            }
            None => groups.push((
                Cause {
                    name: name.to_owned(),
                    evaluation: Some(match part.cause.kind() {
                        Kind::A => Evaluation::A,
                        Kind::B => Evaluation::B,
                    }),
                    own_u: String::new(),
                    degrees_of_freedom: Some(part.cause.degrees_of_freedom())
                        .filter(|d| d.is_finite()),
                    contribution,
                    share: part.share,
                    remedy: remedy(name).to_owned(),
                },
                1,
            )),
        }
    }
    Some(Budget {
        of: row.symbol.to_owned(),
        unit: unit.to_owned(),
        combined_u: Some(value.u() * factor),
        degrees_of_freedom: Some(value.degrees_of_freedom()).filter(|d| d.is_finite()),
        causes: groups
            .into_iter()
            .map(|(mut cause, count)| {
                if count > 1 {
                    cause.name = format!("{} ({count} of them)", cause.name);
                }
                cause
            })
            .collect(),
    })
}

/// What a person can do about a cause; common practice, no source.
fn remedy(cause: &str) -> &'static str {
    const KNOWN: [(&str, &str); 6] = [
        (
            "least count",
            "Read more often, each time after setting the telescope anew, or use a circle with a finer vernier.",
        ),
        ("eccentricity", "Read both windows every time."),
        (
            "refracting angle",
            "Measure the refracting angle again on other parts of the circle and take the mean.",
        ),
        (
            "scale of the camera",
            "Bring the cross-hair nearer to the line before the sweep, so that the offset is small, or measure the scale with more pictures.",
        ),
        (
            "cross-hair",
            "Sharpen slit and hairs, brighten the line, and make more passes through the turn.",
        ),
        (
            "dispersion",
            "Add lines, above all near the wavelength at which the index is quoted.",
        ),
    ];
    KNOWN
        .iter()
        .find(|(word, _)| cause.contains(word))
        .map_or("", |(_, what)| what)
}

fn method(experiment: &Experiment) -> Vec<String> {
    let reduction = &experiment.reduction;
    let mut paragraphs = vec![if reduction.face_pairs.is_empty() {
        "The refracting angle A was given.".to_owned()
    } else {
        format!(
            "The refracting angle A is {}, the mean of {}.",
            match experiment.options.faces {
                FaceMethod::Reflections =>
                    "half the angle between the slit images reflected from the two faces, table locked",
                FaceMethod::TableTurn =>
                    "180\u{b0} less the turn of the table from one face's reflection to the other's, telescope locked",
                FaceMethod::Autocollimation =>
                    "180\u{b0} less the angle between the normals of the two faces, found by autocollimation",
            },
            match reduction.face_pairs.len() {
                1 => "one pair of readings".to_owned(),
                n => format!("{n} pairs of readings"),
            }
        )
    }];
    paragraphs.push(
        "The minimum deviation \u{3b4} of a line is the difference of its corrected circle reading and that of the central \
         image of the same set. A corrected reading is the mean of the windows plus the offset of the target from the \
         cross-hairs. The refractive index, relative to the air around the prism, is n = sin((A + \u{3b4})/2)/sin(A/2)."
            .to_owned(),
    );
    let clips = experiment
        .rows
        .iter()
        .filter(|r| r.footage.is_some())
        .count();
    if clips > 0 {
        paragraphs.push(format!(
            "{clips} offsets were measured in footage. Of a sweep, only a place where the line turned while the table went \
             on in one direction counts as minimum deviation; the section on tracks gives each reversal and the reason why \
             it counts or not."
        ));
    }
    match &reduction.dispersion {
        Ok(fit) => paragraphs.push(format!(
            "The curve {} was fitted to {} lines with the full covariance of their indices, {}; n_d, n_F, n_C and the Abbe \
             number are read off it.",
            fit.model.name(),
            fit.residuals.len(),
            if fit.chosen {
                "chosen among the models for the smallest error of n_F \u{2212} n_C to be expected, from the measurement and from what real glasses differ from the model"
            } else {
                "as asked for"
            }
        )),
        Err(why) => paragraphs.push(format!("No dispersion curve was fitted: {why}")),
    }
    paragraphs.push(
        "Uncertainties were propagated linearly from independent causes, each acting on all results that it touches, so that \
         correlations are kept (JCGM 100:2008). Coverage factors come from Student's t with the effective degrees of freedom."
            .to_owned(),
    );
    for compared in &experiment.monte_carlo {
        let (value, u) = crate::basics::uncertainty::rounded(compared.value, compared.u);
        let (_, drawn) = crate::basics::uncertainty::rounded(
            compared.value,
            compared.sampled.standard_deviation,
        );
        let (low, high) = compared.interval();
        let (low, _) = crate::basics::uncertainty::rounded(low, compared.u);
        let (high, _) = crate::basics::uncertainty::rounded(high, compared.u);
        paragraphs.push(format!(
            "Checked with {} draws (JCGM 101): {} = {value}, u = {u} by linear propagation, {drawn} by the draws. {} {:.0} % interval from {low} to {high}.",
            compared.sampled.draws,
            compared.name,
            if compared.linear_holds {
                "The linear interval holds:"
            } else {
                "The linear interval does not hold to one digit, so that of the draws counts:"
            },
            100.0 * COVERAGE
        ));
    }
    paragraphs
}

fn footage_files(experiment: &Experiment) -> Vec<(String, String)> {
    let mut files: Vec<String> = Vec::new();
    for path in experiment.rows.iter().filter_map(|r| r.footage.as_ref()) {
        let path = path.path.display().to_string();
        if !files.contains(&path) {
            files.push(path);
        }
    }
    if files.is_empty() {
        Vec::new()
    } else {
        vec![("footage".to_owned(), files.join(", "))]
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use crate::basics::uncertainty::{Cause as Source, Shape};
    use crate::session::{TrackPoint as Seen, TurningPoint};

    #[test]
    fn the_title_says_what_was_measured() {
        for (table, wanted) in [
            (
                "bench-3/readings.csv",
                "Refractive index of a prism: bench-3",
            ),
            (
                "bench-3/flint, group 4.csv",
                "Refractive index of a prism: flint, group 4",
            ),
        ] {
            assert_eq!(title(Path::new(table)), wanted);
        }
    }

    #[test]
    fn causes_that_differ_by_row_stand_together() {
        let mut n = Measured::exact(1.62);
        for row in 2..6 {
            let cause = Source::type_b(
                format!("least count of the circle, row {row}, window 1"),
                Shape::Rectangular,
            );
            n = n.with(&cause, if row % 2 == 0 { 3e-5 } else { -3e-5 });
        }
        n = n.with(&Source::type_a("refracting angle", 7.0), 8e-5);
        let row = ResultRow {
            symbol: "n_d",
            name: "",
            angle: false,
            value: Some(&n),
        };
        let shown = budget(&row).unwrap();
        let names: Vec<&str> = shown.causes.iter().map(|c| c.name.as_str()).collect();
        assert_eq!(
            names,
            ["refracting angle", "least count of the circle (4 of them)"]
        );
        assert!((shown.causes[1].contribution - 6e-5).abs() < 1e-15);
        assert!((shown.causes[0].share - 0.64).abs() < 1e-12);
        assert!((shown.causes[1].share - 0.36).abs() < 1e-12);
        assert!((shown.combined_u.unwrap() - 1e-4).abs() < 1e-15);
        assert!(!shown.causes[1].remedy.is_empty());
    }

    #[test]
    fn an_exact_number_has_no_budget_and_no_uncertainty() {
        let exact = Measured::exact(60.0);
        let row = ResultRow {
            symbol: "A",
            name: "",
            angle: true,
            value: Some(&exact),
        };
        assert_eq!(budget(&row), None);
        assert_eq!(
            angle(&exact),
            Value::Angle {
                deg: 60.0,
                u_arcsec: None,
                expanded_arcsec: None
            }
        );
    }

    fn sweep(turned: bool, hairs: bool) -> Sweep {
        let place = |x: f64| hairs.then_some(x - 300.0);
        Sweep {
            toward: None,
            cross_hairs: None,
            lines: vec![FollowedLine {
                line: 2,
                turned,
                passes: usize::from(turned),
                x_px: 310.0,
                offset_px: place(310.0),
                u_px: 0.02,
                track: [0_u32, 1, 2, 3, 9, 10]
                    .into_iter()
                    .map(|i| Seen {
                        frame: u64::from(i),
                        time_s: 0.1 * f64::from(i),
                        x_px: 310.0 + f64::from(i),
                        u_px: 0.1,
                        offset_px: place(310.0 + f64::from(i)),
                        level: 0.5,
                        saturated: false,
                    })
                    .collect(),
            }],
            turning_points: [(1, true), (2, turned), (2, false)]
                .into_iter()
                .map(|(line, counted)| TurningPoint {
                    line,
                    time_s: 0.2,
                    x_px: 310.0,
                    offset_px: place(310.0),
                    u_px: 0.02,
                    counted,
                    why: "reason".to_owned(),
                })
                .collect(),
            cautions: Vec::new(),
        }
    }

    #[test]
    fn a_track_shows_its_own_turning_points_and_its_gap() {
        let sweep = sweep(true, true);
        let shown = followed(&sweep, &sweep.lines[0]);
        assert_eq!(shown.turns.len(), 2);
        assert_eq!(shown.answer_px, Some(10.0));
        // Coverage 95 % of a normal distribution.
        assert!((shown.expanded_answer_px.unwrap() - 1.959_964 * 0.02).abs() < 1e-7);
        let gaps: Vec<_> = super::super::figures::gaps(&shown).collect();
        assert_eq!(gaps.len(), 1);
        assert!((gaps[0].0 - 0.3).abs() < 1e-12 && (gaps[0].1 - 0.9).abs() < 1e-12);
    }

    #[test]
    fn a_line_that_never_turned_has_no_answer() {
        let sweep = sweep(false, true);
        let shown = followed(&sweep, &sweep.lines[0]);
        assert_eq!(
            (shown.answer_px, shown.u_answer_px, shown.expanded_answer_px),
            (None, None, None)
        );
    }

    #[test]
    fn without_hairs_positions_are_those_of_the_picture() {
        let sweep = sweep(true, false);
        let shown = followed(&sweep, &sweep.lines[0]);
        assert!(!shown.from_cross_hairs);
        assert_eq!(shown.answer_px, Some(310.0));
        assert_eq!(shown.points[0].position_px.to_bits(), 310.0_f64.to_bits());
    }
}
