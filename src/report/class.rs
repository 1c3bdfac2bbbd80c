//! Many benches side by side: as text, as a CSV table, as a document and as a page.
//!
//! Values and verdicts come ready from the session.

use std::fmt::Write as _;
use std::io::Write;

use serde_json::{Value, json};

use super::page::{scroll, shell};
use super::plot::{self, Figure, Item, Panel, Point, Shape, escape};
use super::text::{plus_minus, table};
use super::write::{number, pair, symbol};
use crate::basics::uncertainty::coverage_factor;
use crate::session::{BenchOverTime, Caution, Class, ClassBench, Consensus, refusal};

/// Coverage of the bars of the plot.
const COVERAGE: f64 = 0.95;
/// Benches of which the terminal shows all; of more, those that stand out.
const SHOWN: usize = 40;

fn with_u(pair: Option<(f64, f64)>) -> String {
    pair.map_or_else(|| "\u{2014}".to_owned(), |(value, u)| plus_minus(value, u))
}

fn off(value: Option<f64>) -> String {
    value.map_or_else(String::new, |off| {
        // What rounds to nothing has no sign.
        if off.abs() < 0.05 {
            "0.0".to_owned()
        } else {
            format!("{off:+.1}")
        }
    })
}

fn agreed(name: &str, consensus: Option<&Consensus>) -> Option<String> {
    let found = consensus?;
    let mut says = format!(
        "{name} = {} (standard uncertainty) from {} benches",
        plus_minus(found.value, found.u),
        found.off_in_u.len()
    );
    if found.between > 0.0 {
        let _ = write!(
            says,
            "; they scatter by {} beyond their own uncertainties",
            number(found.between, 2)
        );
    }
    Some(says)
}

/// The sentences of the consensus.
fn sentences(class: &Class) -> Vec<String> {
    let mut says: Vec<String> = [
        agreed("n_d", class.n_d.as_ref()),
        agreed("V_d", class.abbe_number.as_ref()),
    ]
    .into_iter()
    .flatten()
    .collect();
    if says.is_empty() {
        says.push(
            "There are fewer than three results, so there is no consensus and nobody stands out."
                .to_owned(),
        );
    }
    says
}

/// What the terminal shows.
#[must_use]
pub fn text(class: &Class) -> String {
    let mut out = String::new();
    let all = class.benches.len() <= SHOWN;
    let mut rows = table(&[
        "bench", "n_d ± u", "off / u", "V_d ± u", "off / u", "remark",
    ]);
    for (place, bench) in class.benches.iter().enumerate() {
        if !(all || bench.stands_out) {
            continue;
        }
        rows.add_row([
            bench.name.clone(),
            with_u(bench.n_d),
            off(class.n_d_off_in_u(place)),
            with_u(bench.abbe_number),
            off(class.abbe_number_off_in_u(place)),
            if bench.stands_out { "stands out" } else { "" }.to_owned(),
        ]);
    }
    if !all {
        let _ = writeln!(
            out,
            "{} benches; here those that stand out, all of them with --csv FILE or --report FILE.html",
            class.benches.len()
        );
    }
    let _ = writeln!(out, "{rows}\n");
    for sentence in sentences(class) {
        let _ = writeln!(out, "{sentence}");
    }
    for bench in class.benches.iter().filter(|bench| bench.stands_out) {
        let _ = writeln!(out, "{} stands out: {}", bench.name, remark(bench));
    }
    if !class.over_time.is_empty() {
        let mut rows = table(&[
            "bench",
            "days",
            "from",
            "to",
            "n_d − consensus",
            "change in 30 days",
            "remark",
        ]);
        for bench in &class.over_time {
            rows.add_row(over_time_cells(bench));
        }
        let _ = writeln!(out, "\nBenches that were measured on several days\n{rows}");
    }
    out
}

/// A bench over time as the cells of its row.
fn over_time_cells(bench: &BenchOverTime) -> [String; 7] {
    const DAYS: f64 = 30.0;
    let day = |result: Option<&(String, usize)>| result.map_or_else(String::new, |r| r.0.clone());
    [
        bench.bench.clone(),
        bench.results.len().to_string(),
        day(bench.results.first()),
        day(bench.results.last()),
        with_u(Some(bench.drift.offset)),
        with_u(
            bench
                .drift
                .per_day
                .map(|(slope, u)| (DAYS * slope, DAYS * u)),
        ),
        if bench.drift.drifts { "drifts" } else { "" }.to_owned(),
    ]
}

/// What is said of benches over time, as a section of the page.
fn over_time(class: &Class) -> String {
    if class.over_time.is_empty() {
        return String::new();
    }
    let mut body = "<section id=\"time\"><h2>Benches over time</h2><figure>".to_owned()
        + &plot::both(&days(class))
        + "</figure>";
    scroll(&mut body, "Benches over time", "benches");
    body.push_str(
        "<thead><tr><th scope=\"col\">Bench</th><th scope=\"col\" class=\"num\">results</th><th scope=\"col\">from</th>\
         <th scope=\"col\">to</th><th scope=\"col\" class=\"num\"><i>n</i><sub>d</sub> \u{2212} consensus</th>\
         <th scope=\"col\" class=\"num\">change in 30 days</th><th scope=\"col\">Remark</th></tr></thead><tbody>",
    );
    for bench in &class.over_time {
        let [name, count, from, to, offset, change, remark] =
            over_time_cells(bench).map(|cell| plot::typographic(&escape(&cell)));
        let _ = write!(
            body,
            "<tr><th scope=\"row\">{name}</th><td class=\"num\">{count}</td><td>{from}</td><td>{to}</td><td class=\"num\">{offset}</td>\
             <td class=\"num\">{change}</td><td>{remark}</td></tr>"
        );
    }
    let _ = write!(
        body,
        "</tbody></table></div><p class=\"rule\">{} a result, {} one of a bench that drifts: whose change is more than three of its standard \
         uncertainties, which follow \u{b1} here.</p></section>",
        plot::key(Shape::Disc),
        plot::key(Shape::CrossedSquare)
    );
    body
}

/// Results of the benches over time against the days since the first of them.
fn days(class: &Class) -> Figure {
    let k = coverage_factor(f64::INFINITY, COVERAGE);
    let mut items = Vec::new();
    if let Some(agreed) = &class.n_d {
        items.push(Item::Level {
            y: agreed.value,
            half_width: Some(k * agreed.u),
            label: String::new(),
        });
    }
    for bench in &class.over_time {
        let last = bench.results.len();
        let points: Vec<Point> = bench
            .results
            .iter()
            .enumerate()
            .filter_map(|(place, (_, at))| {
                let found = class.benches.get(*at)?;
                let (y, u) = found.n_d?;
                Some(Point {
                    x: bench.days.get(place).copied()?,
                    y,
                    bar: Some(k * u),
                    label: if place + 1 == last {
                        bench.bench.clone()
                    } else {
                        String::new()
                    },
                })
            })
            .collect();
        items.push(Item::Curve(points.iter().map(|p| (p.x, p.y)).collect()));
        items.push(Item::Points {
            shape: if bench.drift.drifts {
                Shape::CrossedSquare
            } else {
                Shape::Disc
            },
            points,
        });
    }
    Figure {
        id: "class-days".to_owned(),
        title: "Index at d of benches over time".to_owned(),
        description: format!("{} benches on several days.", class.over_time.len()),
        x_label: "days since the first result".to_owned(),
        x_range: None,
        x_whole: true,
        panels: vec![Panel {
            y_label: "index at d".to_owned(),
            height: 220.0,
            y_range: None,
            items,
            when_empty: "No bench was measured on several days.".to_owned(),
        }],
    }
}

fn remark(bench: &ClassBench) -> String {
    bench.likely.clone().unwrap_or_else(|| {
        "no single slip of reading explains it; look at its refracting angle, its prism and its turning points"
            .to_owned()
    })
}

/// Files without a result, as cautions.
#[must_use]
pub fn cautions(class: &Class) -> Vec<Caution> {
    class
        .refused
        .iter()
        .map(|(path, why)| Caution::new("no-result", refusal(path, why)))
        .collect()
}

/// The body of `class --json`.
#[must_use]
pub fn document(class: &Class) -> Value {
    let value = |pair: Option<(f64, f64)>| pair.map(|p| p.0);
    let u = |pair: Option<(f64, f64)>| pair.map(|p| p.1);
    let consensus = |of: Option<&Consensus>| {
        of.map(|c| {
            json!({
                "value": c.value,
                "u": c.u,
                "between": c.between,
                "chi_squared": c.chi_squared,
                "p_value": c.p_value,
                "benches": c.off_in_u.len(),
                "stands_out_from_in_u": c.stands_out_from,
            })
        })
    };
    json!({
        "benches": class.benches.iter().enumerate().map(|(place, bench)| json!({
            "bench": bench.name,
            "measured_on": bench.date,
            "file": bench.path.display().to_string(),
            "n_d": value(bench.n_d),
            "u_n_d": u(bench.n_d),
            "n_d_off_in_u": class.n_d_off_in_u(place),
            "abbe_number": value(bench.abbe_number),
            "u_abbe_number": u(bench.abbe_number),
            "abbe_number_off_in_u": class.abbe_number_off_in_u(place),
            "prism_angle_deg": value(bench.prism_angle),
            "u_prism_angle_arcsec": u(bench.prism_angle),
            "lines": bench.lines.iter().map(|line| json!({
                "line": line.line,
                "wavelength_nm": line.wavelength_nm,
                "n": line.n.0,
                "u_n": line.n.1,
            })).collect::<Vec<_>>(),
            "cautions": bench.cautions,
            "slips": bench.slips,
            "stands_out": bench.stands_out,
            "likely": bench.likely,
        })).collect::<Vec<_>>(),
        "over_time": class.over_time.iter().map(|bench| json!({
            "bench": bench.bench,
            "results": bench.results.iter().map(|(date, place)| json!({
                "measured_on": date,
                "n_d": class.benches.get(*place).and_then(|b| value(b.n_d)),
                "u_n_d": class.benches.get(*place).and_then(|b| u(b.n_d)),
            })).collect::<Vec<_>>(),
            "n_d_offset": bench.drift.offset.0,
            "u_n_d_offset": bench.drift.offset.1,
            "n_d_change_per_day": value(bench.drift.per_day),
            "u_n_d_change_per_day": u(bench.drift.per_day),
            "drifts": bench.drift.drifts,
        })).collect::<Vec<_>>(),
        "consensus": {
            "n_d": consensus(class.n_d.as_ref()),
            "abbe_number": consensus(class.abbe_number.as_ref()),
        },
        "refused": class.refused.iter().map(|(path, why)| json!({
            "file": path.display().to_string(),
            "why": why,
        })).collect::<Vec<_>>(),
    })
}

/// The table, one row a bench; what is not known stays empty.
///
/// # Errors
/// The writer fails.
pub fn csv(class: &Class, to: impl Write) -> Result<(), csv::Error> {
    let mut writer = csv::Writer::from_writer(to);
    writer.write_record([
        "bench",
        "file",
        "measured_on",
        "n_d",
        "u_n_d",
        "n_d_off_in_u",
        "abbe_number",
        "u_abbe_number",
        "abbe_number_off_in_u",
        "prism_angle_deg",
        "u_prism_angle_arcsec",
        "stands_out",
        "likely",
    ])?;
    let text = |number: Option<f64>| number.map_or_else(String::new, |number| number.to_string());
    for (place, bench) in class.benches.iter().enumerate() {
        writer.write_record([
            bench.name.clone(),
            bench.path.display().to_string(),
            bench.date.clone().unwrap_or_default(),
            text(bench.n_d.map(|p| p.0)),
            text(bench.n_d.map(|p| p.1)),
            text(class.n_d_off_in_u(place)),
            text(bench.abbe_number.map(|p| p.0)),
            text(bench.abbe_number.map(|p| p.1)),
            text(class.abbe_number_off_in_u(place)),
            text(bench.prism_angle.map(|p| p.0)),
            text(bench.prism_angle.map(|p| p.1)),
            bench.stands_out.to_string(),
            bench.likely.clone().unwrap_or_default(),
        ])?;
    }
    writer.flush()?;
    Ok(())
}

/// The page.
#[must_use]
pub fn page(class: &Class, when: &str, provenance: &[(String, String)]) -> String {
    let mut body = String::new();
    body.push_str("<section id=\"agreed\"><h2>What the class agrees on</h2>");
    for sentence in sentences(class) {
        let (name, rest) = match sentence.split_once(" = ") {
            Some((name, rest)) => (format!("{} = ", symbol(name)), rest),
            None => (String::new(), sentence.as_str()),
        };
        let _ = write!(body, "<p>{name}{}.</p>", escape(rest.trim_end_matches('.')));
    }
    for (figure, shown) in [
        (
            figure("n_d", "index at d", class, &|b| b.n_d, class.n_d.as_ref()),
            class.benches_with_n_d.len(),
        ),
        (
            figure(
                "V_d",
                "Abbe number",
                class,
                &|b| b.abbe_number,
                class.abbe_number.as_ref(),
            ),
            class.benches_with_abbe_number.len(),
        ),
    ] {
        if shown > 0 {
            let _ = write!(body, "<figure>{}</figure>", plot::both(&figure));
        }
    }
    let _ = write!(
        body,
        "<p class=\"rule\">{} a bench, in the order of the table; {} a bench that stands out. Bars: expanded uncertainty, 95\u{a0}% coverage. \
         Dashed line and band: consensus with its own expanded uncertainty.</p></section>",
        plot::key(Shape::Disc),
        plot::key(Shape::CrossedSquare)
    );
    body.push_str("<section id=\"benches\"><h2>Benches</h2>");
    scroll(&mut body, "Table of benches", "benches");
    body.push_str(
        "<thead><tr><th scope=\"col\">No.</th><th scope=\"col\">Bench</th><th scope=\"col\" class=\"num\"><i>n</i><sub>d</sub></th>\
         <th scope=\"col\" class=\"num\"><i>u</i></th><th scope=\"col\" class=\"num\">off, <i>u</i></th>\
         <th scope=\"col\" class=\"num\"><i>V</i><sub>d</sub></th><th scope=\"col\" class=\"num\"><i>u</i></th>\
         <th scope=\"col\" class=\"num\">off, <i>u</i></th><th scope=\"col\">Remark</th></tr></thead><tbody>",
    );
    for (place, bench) in class.benches.iter().enumerate() {
        let rounded = |p: Option<(f64, f64)>| p.and_then(|(v, u)| pair(v, u)).unwrap_or_default();
        let (n, u_n) = rounded(bench.n_d);
        let (v, u_v) = rounded(bench.abbe_number);
        let remark = if bench.stands_out {
            format!("<b>stands out</b>: {}", escape(&remark(bench)))
        } else {
            String::new()
        };
        let _ = write!(
            body,
            "<tr><td>{}</td><th scope=\"row\">{}</th><td class=\"num\">{n}</td><td class=\"num\">{u_n}</td><td class=\"num\">{}</td>\
             <td class=\"num\">{v}</td><td class=\"num\">{u_v}</td><td class=\"num\">{}</td><td class=\"free\">{remark}</td></tr>",
            place + 1,
            escape(&bench.name),
            plot::typographic(&off(class.n_d_off_in_u(place))),
            plot::typographic(&off(class.abbe_number_off_in_u(place))),
        );
    }
    body.push_str("</tbody></table></div><p class=\"rule\">Off: result less the consensus of the others, in standard uncertainties of that difference.</p></section>");
    body.push_str(&over_time(class));
    if !class.refused.is_empty() {
        body.push_str("<section id=\"refused\"><h2>Files without a result</h2><ul>");
        for (path, why) in &class.refused {
            let _ = write!(body, "<li>{}</li>", escape(&refusal(path, why)));
        }
        body.push_str("</ul></section>");
    }
    shell(
        "Prisms of a class, side by side",
        "Prism spectrometer, minimum deviation",
        when,
        &body,
        provenance,
    )
}

fn figure(
    symbol: &str,
    name: &str,
    class: &Class,
    value: &dyn Fn(&ClassBench) -> Option<(f64, f64)>,
    consensus: Option<&Consensus>,
) -> Figure {
    let k = coverage_factor(f64::INFINITY, COVERAGE);
    let points = |out: bool| -> Vec<Point> {
        class
            .benches
            .iter()
            .enumerate()
            .filter(|(_, bench)| bench.stands_out == out)
            .filter_map(|(place, bench)| {
                let (y, u) = value(bench)?;
                Some(Point {
                    x: (place + 1) as f64,
                    y,
                    bar: Some(k * u),
                    label: if out {
                        bench.name.clone()
                    } else {
                        String::new()
                    },
                })
            })
            .collect()
    };
    let mut items = Vec::new();
    if let Some(agreed) = consensus {
        items.push(Item::Level {
            y: agreed.value,
            half_width: Some(k * agreed.u),
            label: String::new(),
        });
    }
    items.push(Item::Points {
        shape: Shape::Disc,
        points: points(false),
    });
    items.push(Item::Points {
        shape: Shape::CrossedSquare,
        points: points(true),
    });
    Figure {
        id: format!("class-{}", symbol.replace('_', "-").to_lowercase()),
        title: format!("{name} of every bench"),
        description: format!(
            "{name} with expanded uncertainty of {} benches and their consensus.",
            class.benches.len()
        ),
        x_label: "bench, number in the table".to_owned(),
        x_range: Some((0.5, class.benches.len() as f64 + 0.5)),
        x_whole: true,
        panels: vec![Panel {
            y_label: name.to_owned(),
            height: 220.0,
            y_range: None,
            items,
            when_empty: format!("No bench has an {name}."),
        }],
    }
}
