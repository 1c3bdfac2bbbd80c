//! From an experiment to what its page shows: names, order and words, no results of its own.
//!
//! Causes that differ only by the row of the table they act on are shown together in the error budget, as the
//! root of the sum of their squares, because a person can only do something about all of them.

use std::path::Path;

use super::budget::{Budget, Cause, Evaluation};
use super::view::{
    Caution, Coverage, Glass, LineRow, PageData, Quantity, Reading, ResolvingRow, Track,
    TrackPoint, Turn, UnknownLine, Value, Window,
};
use super::{curve, method};
use crate::basics::uncertainty::{Kind, Measured};
use crate::basics::units::ARCSEC_PER_DEG;
use crate::session::{Experiment, FollowedLine, ReducedRow, Reduction, Resolving, Seen, Sweep};

/// Level of the expanded uncertainties of the page.
pub(super) const COVERAGE: f64 = 0.95;
/// A step of more than so many typical steps is a gap.
const GAP_STEPS: f64 = 2.5;
/// The page of an experiment; `when` is the date as it shall be read, `provenance` adds to what the experiment
/// itself knows: (what, value), such as the command line.
#[must_use]
pub fn page_from(experiment: &Experiment, when: &str, provenance: &[(String, String)]) -> PageData {
    let reduction = &experiment.reduction;
    let table = experiment.table.display().to_string();
    let file_name = experiment
        .table
        .file_name()
        .map_or_else(|| table.clone(), |name| name.to_string_lossy().into_owned());
    let results = results(reduction);
    PageData {
        title: title(&experiment.table),
        when: match &experiment.options.measured_on {
            Some(day) => format!("measured {day}, reported {when}"),
            None => when.to_owned(),
        },
        coverage: Coverage {
            percent: Some(100.0 * COVERAGE),
            k: None,
        },
        summary: results.iter().map(|r| quantity(r, experiment)).collect(),
        cautions: experiment
            .cautions
            .iter()
            .map(|c| Caution {
                code: c.code.clone(),
                // The way to the table stands under the provenance.
                message: c.message.replace(&table, &file_name),
            })
            .collect(),
        lines: lines(reduction),
        unknown_lines: unknown_lines(reduction),
        lamps: super::text::lamps(reduction).unwrap_or_default(),
        dispersion: curve::dispersion(experiment),
        resolving: experiment.resolving.iter().map(resolving).collect(),
        tracks: experiment.rows.iter().filter_map(track).collect(),
        readings: experiment.rows.iter().map(reading).collect(),
        // Those of the other indices say the same as that of n_d.
        budgets: budgets(reduction)
            .into_iter()
            .filter(|budget| ["n_d", "V_d", "A"].contains(&budget.of.as_str()))
            .collect(),
        glasses: glasses(reduction),
        method: method::paragraphs(experiment),
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

fn quantity(row: &ResultRow<'_>, experiment: &Experiment) -> Quantity {
    let remark = match (row.value, &experiment.reduction.dispersion) {
        (None, Err(why)) => why.clone(),
        _ => drawn_instead(row, experiment).unwrap_or_default(),
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

/// Where a Monte Carlo run showed that the linear interval does not hold, the one that counts.
fn drawn_instead(row: &ResultRow<'_>, experiment: &Experiment) -> Option<String> {
    let name = match row.symbol {
        "V_d" => "abbe_number",
        symbol => symbol,
    };
    let compared = experiment
        .monte_carlo
        .iter()
        .find(|compared| compared.name == name && !compared.linear_holds)?;
    let (low, high) = compared.interval();
    let text = |x: f64| crate::basics::uncertainty::rounded(x, compared.u).0;
    Some(format!(
        "the linear interval does not hold: that of {} draws counts, {:.0} % from {} to {}",
        compared.sampled.draws,
        100.0 * COVERAGE,
        text(low),
        text(high)
    ))
}

fn resolving(line: &Resolving) -> ResolvingRow {
    let shown = |of: Option<&Measured>| of.map_or(Value::Unknown, |m| number(m, ""));
    ResolvingRow {
        line: line.line.clone(),
        angular_dispersion: number(&line.angular_dispersion_arcsec_per_nm, ""),
        resolving_power: shown(line.resolving_power.as_ref()),
        slit_resolving_power: shown(line.slit_resolving_power.as_ref()),
        resolved_nm: shown(line.resolved_nm.as_ref()),
    }
}

pub(super) fn known(u: f64) -> Option<f64> {
    (u.is_finite() && u > 0.0).then_some(u)
}

pub(super) fn number(m: &Measured, unit: &'static str) -> Value {
    Value::Number {
        value: m.value(),
        u: known(m.u()),
        expanded: known(m.expanded(COVERAGE)),
        unit,
    }
}

pub(super) fn angle(deg: &Measured) -> Value {
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
            index_standard_air: line
                .index_standard_air
                .as_ref()
                .map_or(Value::Unknown, |n| number(n, "")),
            index_vacuum: line
                .index_absolute
                .as_ref()
                .map_or(Value::Unknown, |n| number(n, "")),
            residual_1e5: line.residual.map(|r| r * 1e5),
            rows: line.rows.iter().map(usize::to_string).collect(),
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

fn track(row: &ReducedRow) -> Option<Track> {
    let footage = row.footage.as_ref()?;
    let Seen::Clip(watched) = &footage.seen else {
        return None;
    };
    let line = watched.sweep.lines.get(footage.line)?;
    let mut shown = followed(&watched.sweep, line);
    shown.footage = row
        .row
        .footage
        .clone()
        .unwrap_or_else(|| footage.path.display().to_string());
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
                    frame: line
                        .track
                        .iter()
                        .min_by(|one, other| {
                            let off = |p: &&crate::session::TrackPoint| (p.time_s - t.time_s).abs();
                            off(one).total_cmp(&off(other))
                        })
                        .map(|point| point.frame),
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
                    cause.name = format!("{} ({count} causes)", cause.name);
                }
                cause
            })
            .collect(),
    })
}

/// What a person can do about a cause; common practice, no source.
fn remedy(cause: &str) -> &'static str {
    const KNOWN: [(&str, &str); 11] = [
        (
            "least count",
            "Read more often, each time after setting the telescope anew, or use a circle with a finer vernier.",
        ),
        ("eccentricity", "Read both windows every time."),
        (
            "division of the circle",
            "Repeat the measurement on other parts of the circle: turn the circle against the telescope between repeats.",
        ),
        (
            "wavelength",
            "Write the wavelengths with all their decimals.",
        ),
        (
            "levelling",
            "Level the table by the reflections from both faces, and use the middle of the slit's height.",
        ),
        (
            "collimation",
            "Set the telescope to infinity on something far away, then the collimator by the telescope.",
        ),
        (
            "of the air",
            "Read thermometer and barometer beside the spectrometer.",
        ),
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

fn footage_files(experiment: &Experiment) -> Vec<(String, String)> {
    let mut files: Vec<String> = Vec::new();
    for path in experiment.rows.iter().filter_map(|r| r.footage.as_ref()) {
        // Where the table lies is said once.
        let path = experiment
            .table
            .parent()
            .and_then(|folder| path.path.strip_prefix(folder).ok())
            .unwrap_or(&path.path)
            .display()
            .to_string();
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
            ["refracting angle", "least count of the circle (4 causes)"]
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
