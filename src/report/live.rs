//! Results as they grow, for a page that is redrawn with every reading: figures with their rounding done.

use serde_json::{Value as Json, json};

use super::budget::by_share;
use super::from::{self, COVERAGE};
use super::view::{PageData, Value};
use super::write::{dms, number, pair, percent, with_expanded};
use crate::basics::uncertainty::Measured;
use crate::session::Experiment;

/// Causes of the budget that are sent; the others are summed up in the report.
const CAUSES: usize = 8;
/// Glasses that are sent.
const GLASSES: usize = 8;

/// What the figures of [`results`] mean by ±.
pub const COVERAGE_SAID: &str = "± is the expanded uncertainty for 95 %.";

/// All results of an experiment.
#[must_use]
pub fn results(experiment: &Experiment) -> Json {
    let page = from::page_from(experiment, "", &[]);
    let reduction = &experiment.reduction;
    let lines: Vec<Json> = reduction
        .lines
        .iter()
        .zip(&page.lines)
        .map(|(line, row)| {
            json!({
                "name": line.line,
                "set": line.set,
                "wavelength_nm": line.wavelength.in_air_nm(),
                "deviation": with_expanded(&row.deviation),
                "n": line.index.value(),
                "u_n": line.index.u(),
                "expanded_n": line.index.expanded(COVERAGE),
                "n_text": with_expanded(&row.index),
                "residual": line.residual,
                "residual_1e5_text": row.residual_1e5.map(|r| number(r, 2)),
                "readings": line.rows,
            })
        })
        .collect();
    let standard: Vec<Json> = page
        .summary
        .iter()
        .filter(|quantity| quantity.symbol != "A" && !matches!(quantity.value, Value::Unknown))
        .map(|quantity| json!({ "label": quantity.symbol, "name": quantity.name, "text": with_expanded(&quantity.value) }))
        .collect();
    json!({
        "lines": lines,
        "curve": curve(&page),
        "standard": standard,
        "budget": budget(&page),
        "improve_first": page.budgets.first().and_then(super::budget::improve_first),
        "glasses": glasses(&page),
        "refracting_angle": angle_with_expanded(&reduction.prism_angle_deg),
        "cautions": experiment.cautions.iter().zip(&page.cautions).map(|(_, shown)| json!({ "code": shown.code, "message": shown.message })).collect::<Vec<_>>(),
        "coverage": COVERAGE_SAID,
        "why_not": null,
    })
}

fn curve(page: &PageData) -> Json {
    let Some(dispersion) = &page.dispersion else {
        return Json::Null;
    };
    let points: Vec<Json> = dispersion
        .curve
        .iter()
        .map(|point| {
            let middle = point.expected.unwrap_or(point.n);
            let half = point.expanded.unwrap_or(0.0);
            json!([point.wavelength_nm, point.n, middle - half, middle + half])
        })
        .collect();
    let measured: Vec<Json> = dispersion
        .points
        .iter()
        .map(|point| {
            json!({
                "name": point.line,
                "wavelength_nm": point.wavelength_nm,
                "n": point.n,
                "expanded": point.expanded,
                "residual_1e5": point.residual_1e5,
                "residual_expanded_1e5": point.residual_expanded_1e5,
            })
        })
        .collect();
    json!({
        "name": dispersion.model,
        "points": points,
        "measured": measured,
        "chi_squared": dispersion.chi_squared,
        "p": dispersion.p_value,
    })
}

fn budget(page: &PageData) -> Json {
    let Some(budget) = page
        .budgets
        .iter()
        .find(|budget| budget.of == "n_d")
        .or_else(|| page.budgets.first())
    else {
        return json!([]);
    };
    by_share(budget)
        .into_iter()
        .take(CAUSES)
        .map(|cause| {
            json!({
                "of": budget.of,
                "cause": cause.name,
                "share": cause.share,
                "text": format!("{} of the variance of {}", percent(cause.share), budget.of),
                "remedy": cause.remedy,
            })
        })
        .collect()
}

fn glasses(page: &PageData) -> Json {
    page.glasses
        .iter()
        .take(GLASSES)
        .map(|glass| {
            json!({
                "name": glass.name,
                "p": glass.p_value,
                "say": format!("{}{}", glass.verdict, glass.p_value.map_or_else(String::new, |p| format!(", probability {}", percent(p)))),
            })
        })
        .collect()
}

/// An angle in degrees with its expanded uncertainty.
#[must_use]
pub fn angle_with_expanded(degrees: &Measured) -> String {
    with_expanded(&from::angle(degrees))
}

/// A number with its expanded uncertainty.
#[must_use]
pub fn number_with_expanded(value: &Measured) -> String {
    with_expanded(&from::number(value, ""))
}

/// A value with its standard uncertainty, a unit behind each.
#[must_use]
pub fn with_standard(value: f64, u: f64, unit: &str) -> String {
    pair(value, u).map_or_else(
        || format!("{}{unit}", number(value, 4)),
        |(value, u)| format!("{value}{unit} ± {u}{unit}"),
    )
}

/// A circle reading as it was understood, to the second.
#[must_use]
pub fn reading(degrees: f64) -> String {
    dms(degrees, 0)
}
