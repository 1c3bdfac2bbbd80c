//! What the terminal shows.

use std::fmt::Write;
use std::path::Path;

use comfy_table::{
    CellAlignment, ColumnConstraint, ContentArrangement, LineStyle, Table, TableStyle,
};

use super::document::side;
use crate::basics::units::ARCSEC_PER_DEG;
use crate::session::{
    Calibrated, Caution, Demonstration, Experiment, LocatedFrame, Measured, Reduction, Resolving,
    Watched, rounded,
};

/// Columns of a terminal that tables keep to.
const WIDTH: u16 = 80;
/// Probability that an interval of this report is said to hold.
const COVERAGE: f64 = 0.95;

/// Cross-hairs and lines of still pictures.
#[must_use]
pub fn located(frames: &[LocatedFrame]) -> String {
    let mut text = String::new();
    for frame in frames {
        let _ = writeln!(
            text,
            "{} ({} × {} px)",
            frame.path.display(),
            frame.width,
            frame.height
        );
        let hairs = frame.picture.cross_hairs.as_ref();
        match hairs {
            Some(hairs) => {
                let _ = writeln!(
                    text,
                    "  cross-hairs at x = {} px, y = {} px, turned by {:.2}°",
                    plus_minus(hairs.x_px, hairs.u_x_px),
                    plus_minus(hairs.y_px, hairs.u_y_px),
                    hairs.rotation_deg
                );
            }
            None => text.push_str("  no cross-hairs to be seen\n"),
        }
        if frame.picture.lines.is_empty() {
            text.push_str("  no line to be seen\n\n");
            continue;
        }
        let mut table = table(&[
            "line",
            "x / px",
            "offset / px",
            "tilt / °",
            "width / px",
            "peak",
            "S/N",
        ]);
        // Below the table: eight columns do not fit a terminal.
        let mut remarks = String::new();
        for (index, line) in frame.picture.lines.iter().enumerate() {
            let offset = hairs
                .map(|hairs| plus_minus(line.x_px - hairs.x_px, line.u_px.hypot(hairs.u_x_px)));
            let is = match (line.saturated, line.under_hair) {
                (true, true) => "saturated, and under the hair",
                (true, false) => "saturated",
                (false, true) => "under the hair",
                (false, false) => "",
            };
            if !is.is_empty() {
                let _ = writeln!(remarks, "line {} is {is}", index + 1);
            }
            table.add_row([
                (index + 1).to_string(),
                plus_minus(line.x_px, line.u_px),
                offset.unwrap_or_default(),
                format!("{:.2}", line.tilt_deg),
                format!("{:.1}", line.width_px),
                format!("{:.0} %", 100.0 * line.peak_level),
                format!("{:.0}", line.signal_to_noise),
            ]);
        }
        let _ = writeln!(text, "{table}\n{remarks}");
    }
    text
}

/// Lines and turning points of a clip.
#[must_use]
pub fn watched(watched: &Watched) -> String {
    let sweep = &watched.sweep;
    let mut text = format!(
        "{}: {} frames of {} × {} px, {:.2} s",
        watched.description,
        watched.frames,
        watched.size_px.0,
        watched.size_px.1,
        watched.duration_s
    );
    if watched.dropped > 0 {
        let _ = write!(text, ", {} lost", watched.dropped);
    }
    text.push('\n');
    match &sweep.cross_hairs {
        Some(hairs) => {
            let _ = writeln!(
                text,
                "cross-hairs at x = {} px, y = {} px",
                plus_minus(hairs.x_px, hairs.u_x_px),
                plus_minus(hairs.y_px, hairs.u_y_px)
            );
        }
        None => text.push_str("no cross-hairs to be seen: positions are given, offsets are not\n"),
    }
    match sweep.toward {
        Some(toward) => {
            let _ = writeln!(text, "the central image lies to the {}", side(toward));
        }
        None => text.push_str("the side of the central image is not known; say it with --toward\n"),
    }
    if sweep.lines.is_empty() {
        text.push_str("no line was seen\n");
        return text;
    }
    // Without a camera scale there are no angles, and no column of them.
    let scaled = watched.angles.iter().any(Option::is_some);
    let mut heads = vec!["line", "turned", "passes", "x / px", "offset / px"];
    heads.extend(scaled.then_some("offset / ″"));
    let mut lines = table(&heads);
    for (line, angle) in sweep.lines.iter().zip(&watched.angles) {
        let mut row = vec![
            line.line.to_string(),
            if line.turned { "yes" } else { "no" }.to_owned(),
            line.passes.to_string(),
            plus_minus(line.x_px, line.u_px),
            line.offset_px
                .map(|offset| plus_minus(offset, line.u_px))
                .unwrap_or_default(),
        ];
        if scaled {
            row.push(
                angle
                    .map(|angle| plus_minus(angle.offset_arcsec, angle.u_arcsec))
                    .unwrap_or_default(),
            );
        }
        lines.add_row(row);
    }
    let _ = writeln!(
        text,
        "\nMinimum deviation (standard uncertainty after ±)\n{lines}"
    );
    if !sweep.turning_points.is_empty() {
        let mut points = table(&["line", "t / s", "x / px", "counted", "why"]);
        for point in &sweep.turning_points {
            points.add_row([
                point.line.to_string(),
                format!("{:.2}", point.time_s),
                plus_minus(point.x_px, point.u_px),
                if point.counted { "yes" } else { "no" }.to_owned(),
                point.why.clone(),
            ]);
        }
        let _ = writeln!(text, "\nReversals\n{points}");
    }
    text
}

/// A camera scale.
#[must_use]
pub fn calibrated(calibrated: &Calibrated) -> String {
    let scale = &calibrated.scale;
    let mut text = format!(
        "{} ″ per px at the cross-hairs, from {} points between {:.0} px and {:.0} px; residuals {:.1} ″ RMS\n",
        plus_minus(scale.arcsec_per_px(), scale.u_arcsec_per_px()),
        scale.points,
        scale.range_px.0,
        scale.range_px.1,
        scale.residual_rms_arcsec
    );
    if scale.coefficients.len() > 1 {
        let _ = writeln!(
            text,
            "distortion is corrected up to the power {} of the offset",
            scale.coefficients.len()
        );
    }
    let mut points = table(&["point", "reading / °", "offset / px", "residual / ″"]);
    for (index, point) in calibrated.points.iter().enumerate() {
        points.add_row([
            (index + 1).to_string(),
            format!("{:.5}", point.reading.degrees()),
            point.u_offset_px.map_or_else(
                || format!("{:.2}", point.offset_px),
                |u| plus_minus(point.offset_px, u),
            ),
            scale
                .residuals_arcsec
                .get(index)
                .map(|residual| format!("{residual:+.1}"))
                .unwrap_or_default(),
        ]);
    }
    let _ = writeln!(text, "{points}");
    text
}

/// A whole experiment.
#[must_use]
pub fn reduced(experiment: &Experiment) -> String {
    let reduction = &experiment.reduction;
    let mut text = format!(
        "Refracting angle A = {}°  (u = {:.1} ″)\n\n",
        plus_minus(
            reduction.prism_angle_deg.value(),
            reduction.prism_angle_deg.u()
        ),
        reduction.prism_angle_deg.u() * ARCSEC_PER_DEG
    );
    let mut lines = table(&[
        "line",
        "λ / nm",
        "set",
        "deviation / °",
        "u / ″",
        "n ± u",
        "off / 10⁻⁵",
    ]);
    for line in &reduction.lines {
        lines.add_row([
            line.line.clone(),
            format!("{:.3}", line.wavelength.in_air_nm()),
            line.set.clone(),
            format!("{:.5}", line.deviation_deg.value()),
            format!("{:.1}", line.deviation_deg.u() * ARCSEC_PER_DEG),
            measured(&line.index),
            line.residual
                .map(|residual| format!("{:+.1}", residual * 1e5))
                .unwrap_or_default(),
        ]);
    }
    let _ = writeln!(
        text,
        "Lines at minimum deviation (u: standard uncertainty; off: measured − fitted n)\n{lines}\n"
    );
    match &reduction.dispersion {
        Ok(fit) => {
            let _ = writeln!(
                text,
                "Dispersion: {}{}, chi-squared {:.2} with {} degrees of freedom",
                fit.model.name(),
                if fit.chosen { " (chosen)" } else { "" },
                fit.chi_squared,
                fit.degrees_of_freedom
            );
        }
        Err(why) => {
            let _ = writeln!(text, "No dispersion curve: {why}");
        }
    }
    if let Some(standard) = &reduction.standard {
        let mut results = table(&["result", "value ± u", "95 % interval"]);
        let rows = [
            ("n_d (587.56 nm)", Some(&standard.n_d)),
            ("n_F (486.13 nm)", Some(&standard.n_f)),
            ("n_C (656.27 nm)", Some(&standard.n_c)),
            ("Abbe number V_d", standard.abbe_number.as_ref()),
            ("n_e (546.07 nm)", Some(&standard.n_e)),
            ("Abbe number V_e", standard.abbe_number_e.as_ref()),
            ("P_g,F", standard.partial_dispersion_g_f.as_ref()),
        ];
        for (name, value) in rows
            .into_iter()
            .filter_map(|(name, value)| value.map(|value| (name, value)))
        {
            results.add_row([name.to_owned(), measured(value), interval(value)]);
        }
        let _ = writeln!(text, "{results}\n");
    }
    if !experiment.resolving.is_empty() {
        let _ = writeln!(text, "{}\n", resolving(&experiment.resolving));
    }
    if !experiment.monte_carlo.is_empty() {
        let mut compared = table(&["result", "u, linear", "u, draws", "95 % from", "to", "by"]);
        for row in &experiment.monte_carlo {
            compared.add_row([
                row.name.clone(),
                format!("{:.2e}", row.u),
                format!("{:.2e}", row.sampled.standard_deviation),
                rounded(row.interval().0, row.u).0,
                rounded(row.interval().1, row.u).0,
                if row.linear_holds { "linear" } else { "draws" }.to_owned(),
            ]);
        }
        let _ = writeln!(
            text,
            "Monte Carlo check (where the linear interval does not hold to one digit, the draws count)\n{compared}\n"
        );
    }
    for line in &reduction.unknown_lines {
        match &line.wavelength_nm {
            Ok(wavelength) => {
                let candidates: Vec<String> = line
                    .candidates
                    .iter()
                    .take(3)
                    .map(|candidate| {
                        format!("{} ({:.3} nm)", candidate.name, candidate.wavelength_nm)
                    })
                    .collect();
                let _ = writeln!(
                    text,
                    "Unknown line {}: n = {}, λ = {} nm{}{}",
                    line.line,
                    measured(&line.index),
                    measured(wavelength),
                    if candidates.is_empty() {
                        ""
                    } else {
                        "; near it: "
                    },
                    candidates.join(", ")
                );
            }
            Err(why) => {
                let _ = writeln!(
                    text,
                    "Unknown line {}: n = {}; {why}",
                    line.line,
                    measured(&line.index)
                );
            }
        }
    }
    if let Some(says) = lamps(reduction) {
        let _ = writeln!(text, "{says}");
    }
    let alike: Vec<String> = reduction
        .glasses
        .iter()
        .filter(|glass| glass.possible)
        .take(6)
        .map(|glass| format!("{} (p = {:.2})", glass.name, glass.p_value))
        .collect();
    if !alike.is_empty() {
        let _ = writeln!(
            text,
            "Glasses that this measurement cannot tell from the prism's: {}",
            alike.join(", ")
        );
    } else if let Some(nearest) = reduction.glasses.first() {
        let _ = writeln!(
            text,
            "No glass of the table fits; the nearest is {} (p = {:.1e})",
            nearest.name, nearest.p_value
        );
    }
    text
}

/// Angular dispersion and, where they are known, the resolving powers.
fn resolving(lines: &[Resolving]) -> String {
    type Column = (&'static str, fn(&Resolving) -> Option<&Measured>);
    let columns: [Column; 3] = [
        ("R", |line| line.resolving_power.as_ref()),
        ("R, slit", |line| line.slit_resolving_power.as_ref()),
        ("Δλ / nm", |line| line.resolved_nm.as_ref()),
    ];
    let known: Vec<&Column> = columns
        .iter()
        .filter(|(_, of)| lines.iter().any(|line| of(line).is_some()))
        .collect();
    let mut header = vec!["line", "dδ/dλ, ″ per nm"];
    header.extend(known.iter().map(|(name, _)| *name));
    let mut rows = table(&header);
    for line in lines {
        let mut cells = vec![
            line.line.clone(),
            measured(&line.angular_dispersion_arcsec_per_nm),
        ];
        cells.extend(
            known
                .iter()
                .map(|(_, of)| of(line).map(measured).unwrap_or_default()),
        );
        rows.add_row(cells);
    }
    format!(
        "Angular dispersion and resolving power{}\n{rows}",
        if known.is_empty() {
            " (R follows from the base that light fills: --base-mm)"
        } else {
            " (R: of the base that light fills; R, slit: of the slit image; Δλ: of the smaller one)"
        }
    )
}

/// Which lamp the lines without a wavelength are of, as a sentence; none where there are too few.
pub(super) fn lamps(reduction: &Reduction) -> Option<String> {
    let first = reduction.lamps.first()?;
    let of: Vec<String> = reduction
        .lamps
        .iter()
        .take(3)
        .map(|lamp| {
            format!(
                "{} ({} of {} lines, probability {:.2})",
                lamp.lamp,
                lamp.matched,
                reduction.unknown_lines.len(),
                lamp.probability
            )
        })
        .collect();
    Some(format!(
        "The lines without a wavelength are {} of the lamp {}",
        if first.probability >= 0.95 {
            "very likely"
        } else {
            "perhaps"
        },
        of.join(", or ")
    ))
}

/// The demonstration, with how far each result lies from the truth.
#[must_use]
pub fn demonstrated(demonstration: &Demonstration, report: &Path) -> String {
    let mut text = reduced(&demonstration.experiment);
    let mut compared = table(&["result", "measured ± u", "truth", "error / u"]);
    for deviation in &demonstration.deviations {
        let (value, u) = rounded(deviation.measured, deviation.u);
        let decimals = value
            .split_once('.')
            .map_or(0, |(_, decimals)| decimals.len());
        compared.add_row([
            deviation.name.clone(),
            format!("{value} ± {u}"),
            format!("{:.decimals$}", deviation.truth),
            format!("{:+.2}", deviation.in_u()),
        ]);
    }
    let _ = writeln!(
        text,
        "\nAgainst the truth of the simulated frames\n{compared}\n"
    );
    let _ = write!(
        text,
        "Frames: {}\nReport: {} and {}",
        demonstration.folder.display(),
        report.display(),
        report.with_extension("pdf").display()
    );
    text
}

/// The scenarios of practice footage.
#[must_use]
pub fn scenarios(scenarios: &[(&str, &str)]) -> String {
    let mut list = table(&["scenario", "what it shows"]);
    for (name, what) in scenarios {
        list.add_row([name, what]);
    }
    list.to_string()
}

/// Cautions, one a line, for standard error.
#[must_use]
pub fn cautions(cautions: &[Caution]) -> String {
    cautions.iter().fold(String::new(), |mut text, caution| {
        let _ = writeln!(text, "caution: {}", caution.message);
        text
    })
}

/// Value ± standard uncertainty, rounded together.
#[must_use]
pub fn plus_minus(value: f64, u: f64) -> String {
    let (value, u) = rounded(value, u);
    format!("{value} ± {u}")
}

/// Value ± standard uncertainty of a result.
#[must_use]
pub fn measured(result: &Measured) -> String {
    plus_minus(result.value(), result.u())
}

fn interval(result: &Measured) -> String {
    let (value, expanded) = rounded(result.value(), result.expanded(COVERAGE));
    format!("{value} ± {expanded}")
}

/// An empty table in the terminal's style: numbers to the right, words to the left.
pub(crate) fn table(header: &[&str]) -> Table {
    let mut table = Table::new();
    table
        .load_style(TableStyle::new().header_separator(LineStyle::none().fill('─').junction('─')))
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(WIDTH);
    table.set_header(header.iter().copied());
    for (index, name) in header.iter().enumerate() {
        let words = [
            "why",
            "scenario",
            "what it shows",
            "remark",
            "result",
            "line",
            "turned",
            "counted",
            "set",
            "by",
        ]
        .contains(name);
        if let Some(column) = table.column_mut(index) {
            column.set_padding((0, 1));
            if !["why", "what it shows", "remark"].contains(name) {
                // A number or a name on two lines is none.
                column.set_constraint(ColumnConstraint::ContentWidth);
            }
            column.set_cell_alignment(if words {
                CellAlignment::Left
            } else {
                CellAlignment::Right
            });
        }
    }
    table
}
