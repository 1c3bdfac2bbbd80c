//! The report as one self-contained HTML page: no scripts, nothing fetched, printable on A4 and letter paper.
//!
//! The result comes first, then what it rests on, so that a reader can stop early and a grader can go on.
//! Every text that comes from a file is escaped.

use std::fmt::Write as _;

use super::budget;
use super::figures;
use super::plot::{self, Format, Shape, escape};
use super::view::{
    Caution, Glass, LineRow, PageData, Quantity, Reading, ResolvingRow, Track, UnknownLine, Value,
};
use super::write::{
    number, pair, percent, sentence_with_symbols, symbol, u_alone, value_alone, with_expanded,
};

const STYLE: &str = include_str!("page.css");

/// Cautions for the laboratory: (heading, sentence). Common practice, no source; local rules go first.
const SAFETY: [(&str, &str); 5] = [
    (
        "Mercury and cadmium lamps, ultraviolet",
        "Do not look into an unshielded lamp: it radiates ultraviolet. Both metals are poisonous; if a bulb breaks, \
         leave it alone, keep others away, air the room and fetch the person in charge.",
    ),
    (
        "Hot lamp",
        "The lamp and its housing stay hot long after they are switched off. Let them cool before you move or change them.",
    ),
    (
        "High voltage",
        "Discharge lamps run on voltages that can kill. Only the person in charge opens a supply or changes a tube, with the plug out.",
    ),
    (
        "Sun and lasers",
        "Never point the telescope or the collimator at the sun or at a laser, neither for the eye nor for the camera.",
    ),
    (
        "Glass",
        "Hold the prism by its ground faces; a chipped edge cuts.",
    ),
];

/// The page as a string in UTF-8.
#[must_use]
pub fn page(data: &PageData) -> String {
    let mut out = String::with_capacity(64 * 1024);
    head(&mut out, data);
    out.push_str("<main>");
    result(&mut out, data);
    cautions(&mut out, &data.cautions);
    lines(&mut out, data);
    dispersion(&mut out, data);
    tracks(&mut out, &data.tracks);
    readings(&mut out, &data.readings);
    budgets(&mut out, data);
    glasses(&mut out, &data.glasses);
    method(&mut out, data);
    safety(&mut out);
    provenance(&mut out, &data.provenance);
    out.push_str("</main></body></html>\n");
    out
}

/// A page with a body of its own in the style of the report.
#[must_use]
pub(super) fn shell(
    title: &str,
    kind: &str,
    when: &str,
    body: &str,
    provenance_list: &[(String, String)],
) -> String {
    let mut out = String::with_capacity(64 * 1024);
    top(&mut out, title, kind, when);
    out.push_str("</header><main>");
    out.push_str(body);
    provenance(&mut out, provenance_list);
    out.push_str("</main></body></html>\n");
    out
}

/// Everything up to the date, inside the header.
fn top(out: &mut String, title: &str, kind: &str, when: &str) {
    let title = escape(title);
    let kind = escape(kind);
    let _ = write!(
        out,
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"/>\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\
         <meta name=\"color-scheme\" content=\"light dark\"/>\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'\"/>\
         <link rel=\"icon\" href=\"data:,\"/>\
         <title>{title}</title><style>{STYLE}</style></head><body><header>\
         <p class=\"kind\">{kind}</p><h1>{title}</h1>"
    );
    if !when.is_empty() {
        let _ = write!(out, "<p class=\"when\">{}</p>", escape(when));
    }
}

fn head(out: &mut String, data: &PageData) {
    let title = if data.title.is_empty() {
        "Prism spectrometer"
    } else {
        data.title.as_str()
    };
    top(
        out,
        title,
        "Prism spectrometer, minimum deviation",
        &data.when,
    );
    out.push_str(
        "<p class=\"by-hand\"><span>Name</span><span>Group</span><span>Date</span></p>\
         <nav aria-label=\"Contents\"><a href=\"#result\">Result</a> <a href=\"#lines\">Lines</a> \
         <a href=\"#dispersion\">Dispersion</a> <a href=\"#tracks\">Tracks</a> <a href=\"#readings\">Readings</a> \
         <a href=\"#budget\">Uncertainty</a> <a href=\"#glasses\">Glasses</a> <a href=\"#method\">Method</a> \
         <a href=\"#safety\">Safety</a> <a href=\"#provenance\">Provenance</a></nav></header>",
    );
}

fn open(out: &mut String, id: &str, heading: &str) {
    let _ = write!(
        out,
        "<section id=\"{id}\" aria-labelledby=\"{id}-h\"><h2 id=\"{id}-h\">{heading}</h2>"
    );
}

fn nothing(out: &mut String, says: &str) {
    let _ = write!(out, "<p class=\"nothing\">{says}</p>");
}

fn result(out: &mut String, data: &PageData) {
    open(out, "result", "Result");
    if data.summary.is_empty() {
        nothing(
            out,
            "Nothing could be computed from these readings; the cautions say why.",
        );
    } else {
        out.push_str("<dl class=\"results\">");
        let coverage_factors_differ = data.coverage.k.or_else(|| common_factor(data)).is_none();
        for (i, q) in data.summary.iter().enumerate() {
            quantity(out, q, i == 0, coverage_factors_differ);
        }
        out.push_str("</dl>");
        let _ = write!(out, "<p class=\"rule\">{}</p>", rule(data));
    }
    out.push_str("</section>");
}

fn quantity(out: &mut String, q: &Quantity, first: bool, with_factor: bool) {
    let value = with_expanded(&q.value);
    let has_expanded = matches!(
        q.value,
        Value::Number {
            expanded: Some(_),
            ..
        } | Value::Angle {
            expanded_arcsec: Some(_),
            ..
        }
    );
    let mut notes: Vec<String> = Vec::new();
    if value.is_empty() {
        if q.remark.is_empty() {
            notes.push("not known".to_owned());
        }
    } else if !has_expanded {
        notes.push("uncertainty not known".to_owned());
    } else {
        if let Some(k) = q.k.filter(|k| k.is_finite() && with_factor) {
            notes.push(format!("k = {}", factor(k)));
        }
        if let Some(d) = q.degrees_of_freedom.filter(|d| *d < budget::MANY_DEGREES) {
            notes.push(format!("{d:.0} effective degrees of freedom"));
        }
    }
    if !q.remark.is_empty() {
        notes.push(escape(&q.remark));
    }
    let _ = write!(
        out,
        "<div{}><dt><span class=\"symbol\">{}</span><span class=\"name\">{}</span></dt><dd><span class=\"value\">{}</span>",
        if first { " class=\"first\"" } else { "" },
        symbol(&q.symbol),
        escape(&q.name),
        if value.is_empty() { "\u{2014}" } else { &value },
    );
    if !notes.is_empty() {
        let _ = write!(out, "<span class=\"note\">{}</span>", notes.join("; "));
    }
    out.push_str("</dd></div>");
}

fn rule(data: &PageData) -> String {
    let level = match data.coverage.percent.filter(|p| p.is_finite()) {
        Some(p) => format!("for a coverage of {}", percent(p / 100.0)),
        None => "whose coverage is not given".to_owned(),
    };
    let k = match data
        .coverage
        .k
        .or_else(|| common_factor(data))
        .filter(|k| k.is_finite())
    {
        Some(k) => format!(" (coverage factor k = {})", factor(k)),
        None => " (its coverage factor k stands beside each)".to_owned(),
    };
    format!(
        "What follows \u{b1} is the expanded uncertainty {level}{k}. Elsewhere on this page <i>u</i> is a standard \
         uncertainty (k = 1). Every uncertainty is rounded to two significant digits and its value to the same decimal place."
    )
}

/// The coverage factor of all results, where it is the same to two decimals.
fn common_factor(data: &PageData) -> Option<f64> {
    let mut factors = data.summary.iter().filter_map(|q| q.k);
    let first = factors.next()?;
    factors.all(|k| factor(k) == factor(first)).then_some(first)
}

/// A coverage factor: two decimals, none where it was set to a whole number and did not come out so.
fn factor(k: f64) -> String {
    if (k - k.round()).abs() < 1e-9 {
        format!("{k:.0}")
    } else {
        format!("{k:.2}")
    }
}

fn cautions(out: &mut String, list: &[Caution]) {
    if list.is_empty() {
        return;
    }
    open(out, "cautions", "Cautions about this measurement");
    caution_list(out, list);
    out.push_str("</section>");
}

fn caution_list(out: &mut String, list: &[Caution]) {
    out.push_str("<ul class=\"cautions\">");
    // What is to be done is said once, after the last of those for which it is the same.
    let alike = |c: &Caution, other: Option<&Caution>| {
        other.is_some_and(|other| {
            let advice = |c: &Caution| {
                c.message
                    .split_once("; ")
                    .map(|(_, advice)| advice.to_owned())
            };
            other.code == c.code && advice(c).is_some() && advice(other) == advice(c)
        })
    };
    for (at, c) in list.iter().enumerate() {
        let before = at.checked_sub(1).and_then(|before| list.get(before));
        let says = match c.message.split_once("; ") {
            Some((what, _)) if alike(c, list.get(at + 1)) => sentence(what),
            Some((what, advice)) if alike(c, before) => {
                format!(
                    "{} For all of these: {}.",
                    sentence(what),
                    advice.trim_end_matches('.')
                )
            }
            _ => sentence(&c.message),
        };
        let _ = write!(out, "<li>{}", sentence_with_symbols(&says));
        if !c.code.is_empty() {
            let _ = write!(out, " <code>{}</code>", escape(&c.code));
        }
        out.push_str("</li>");
    }
    out.push_str("</ul>");
}

/// A message as a sentence of its own: a capital in front where a word stands there, and a full stop.
fn sentence(message: &str) -> String {
    let message = message.trim();
    let plain = message
        .split_whitespace()
        .next()
        .is_some_and(|word| word.chars().all(|c| c.is_ascii_lowercase()));
    let mut letters = message.chars();
    let mut text = match letters.next() {
        Some(first) if plain => first.to_ascii_uppercase().to_string() + letters.as_str(),
        _ => message.to_owned(),
    };
    if !text.is_empty() && !text.ends_with(['.', '!', '?']) {
        text.push('.');
    }
    text
}

/// Opens a table that scrolls sideways where it is too wide; its element and the table end with `</table></div>`.
pub(super) fn scroll(out: &mut String, name: &str, class: &str) {
    let _ = write!(
        out,
        "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"{name}\"><table class=\"{class}\">"
    );
}

fn cell(out: &mut String, class: &str, text: &str) {
    if class.is_empty() {
        let _ = write!(out, "<td>{text}</td>");
    } else {
        let _ = write!(out, "<td class=\"{class}\">{text}</td>");
    }
}

fn lines(out: &mut String, data: &PageData) {
    open(out, "lines", "Lines");
    if data.lines.is_empty() {
        nothing(
            out,
            "No line has both a reading and a reading of the central image.",
        );
    } else {
        scroll(out, "Table of lines", "lines");
        let air = data.lines.iter().any(|l| l.index_vacuum != Value::Unknown);
        let air_head = if air {
            "<th scope=\"col\" class=\"num\"><i>n</i>, standard air</th><th scope=\"col\" class=\"num\"><i>n</i>, vacuum</th>"
        } else {
            ""
        };
        let _ = write!(
            out,
            "<thead><tr><th scope=\"col\">Line</th><th scope=\"col\" class=\"num\">\u{3bb}, nm</th>\
             <th scope=\"col\" class=\"num\"><i>n</i></th><th scope=\"col\" class=\"num\"><i>u</i>(<i>n</i>)</th>{air_head}\
             <th scope=\"col\" class=\"num\">minimum deviation</th><th scope=\"col\" class=\"num\"><i>u</i></th>\
             <th scope=\"col\" class=\"num\">measured \u{2212} fitted, 10\u{207b}\u{2075}</th>\
             <th scope=\"col\">Set</th><th scope=\"col\">Rows</th></tr></thead><tbody>",
        );
        for row in &data.lines {
            line_row(out, row, air);
        }
        out.push_str("</tbody></table></div>");
        out.push_str(
            "<p class=\"rule\">Wavelengths in standard air. The lines share the refracting angle, so their indices are correlated: \
             differences between them are better known than the column <i>u</i>(<i>n</i>) suggests. Rows: those of the table of readings that a \
             line rests on.</p>",
        );
    }
    unknown_lines(out, &data.unknown_lines, &data.lamps);
    out.push_str("</section>");
}

fn line_row(out: &mut String, row: &LineRow, air: bool) {
    let _ = write!(out, "<tr><th scope=\"row\">{}</th>", escape(&row.line));
    let nm = row
        .wavelength_nm
        .filter(|v| v.is_finite())
        .map_or_else(String::new, |v| format!("{v:.3}"));
    cell(out, "num", &nm);
    cell(out, "num", &value_alone(&row.index));
    cell(out, "num", &u_alone(&row.index));
    if air {
        cell(out, "num", &value_alone(&row.index_standard_air));
        cell(out, "num", &value_alone(&row.index_vacuum));
    }
    cell(out, "num", &value_alone(&row.deviation));
    cell(out, "num", &u_alone(&row.deviation));
    cell(out, "num", &residual(row.residual_1e5));
    cell(out, "", &escape(&row.set));
    let rows: Vec<String> = row
        .rows
        .iter()
        .map(|row| format!("<a href=\"#row-{0}\">{0}</a>", escape(row)))
        .collect();
    cell(out, "", &rows.join(", "));
    out.push_str("</tr>");
}

fn residual(value: Option<f64>) -> String {
    value
        .filter(|v| v.is_finite())
        .map_or_else(String::new, |v| {
            let text = plot::typographic(&format!("{v:.1}"));
            if text.starts_with('\u{2212}') || v.abs() < 0.05 {
                text
            } else {
                format!("+{text}")
            }
        })
}

fn unknown_lines(out: &mut String, list: &[UnknownLine], lamps: &str) {
    if list.is_empty() {
        return;
    }
    out.push_str("<h3>Lines without a given wavelength</h3>");
    scroll(out, "Lines without a given wavelength", "unknown");
    out.push_str(
        "<thead><tr><th scope=\"col\">Line</th><th scope=\"col\" class=\"num\">\u{3bb} from the dispersion, nm</th>\
         <th scope=\"col\" class=\"num\"><i>u</i>, nm</th><th scope=\"col\">may be</th></tr></thead><tbody>",
    );
    for line in list {
        let _ = write!(out, "<tr><th scope=\"row\">{}</th>", escape(&line.line));
        cell(out, "num", &value_alone(&line.wavelength));
        cell(out, "num", &u_alone(&line.wavelength));
        cell(out, "", &escape(&line.candidates.join(", ")));
        out.push_str("</tr>");
    }
    out.push_str("</tbody></table></div>");
    if !lamps.is_empty() {
        let _ = write!(out, "<p>{}.</p>", escape(lamps));
    }
}

fn dispersion(out: &mut String, page: &PageData) {
    let coverage = &page.coverage;
    open(out, "dispersion", "Dispersion");
    let Some(data) = &page.dispersion else {
        nothing(
            out,
            "No dispersion: it needs indices of at least two wavelengths.",
        );
        out.push_str("</section>");
        return;
    };
    let level = coverage.percent.map_or_else(String::new, |p| {
        format!(", {} coverage", percent(p / 100.0))
    });
    let _ = write!(
        out,
        "<figure>{}<figcaption>{} measured index, with its expanded uncertainty{level}. Solid line: fit. Shaded band: where the index \
         is to be expected, what the formula of the fit is off for real glasses taken in. Dotted: wavelengths at which results are \
         quoted. The lower plot has the same abscissa; its bars and its band leave out what all lines share.</figcaption></figure>",
        plot::both(&figures::dispersion(data)),
        plot::key(Shape::Disc),
    );
    if !data.model.is_empty() {
        let _ = write!(
            out,
            "<p>Fitted: <b class=\"formula\">{}</b>.",
            escape(&data.model)
        );
        if !data.choice.is_empty() {
            let _ = write!(out, " {}", sentence_with_symbols(&data.choice));
        }
        if let Some((chi, freedom)) = data.chi_squared.filter(|c| c.0.is_finite()) {
            let _ = write!(
                out,
                " \u{3c7}\u{b2} = {chi:.1} with {freedom} degrees of freedom"
            );
            if let Some(p) = data.p_value.filter(|p| p.is_finite()) {
                let _ = write!(
                    out,
                    "; if the model and the uncertainties are right, a value at least as large comes up with a probability of {}",
                    percent(p)
                );
            }
            out.push('.');
        }
        out.push_str("</p>");
    }
    if !data.coefficients.is_empty() {
        scroll(out, "Coefficients of the dispersion", "coefficients");
        out.push_str(
            "<thead><tr><th scope=\"col\">Coefficient</th><th scope=\"col\" class=\"num\">value</th>\
             <th scope=\"col\" class=\"num\"><i>u</i></th><th scope=\"col\">unit</th></tr></thead><tbody>",
        );
        for (name, value) in &data.coefficients {
            let unit = match value {
                Value::Number { unit, .. } => unit,
                _ => "",
            };
            let _ = write!(out, "<tr><th scope=\"row\">{}</th>", symbol(name));
            cell(out, "num", &value_alone(value));
            cell(out, "num", &u_alone(value));
            cell(out, "", &escape(unit));
            out.push_str("</tr>");
        }
        out.push_str("</tbody></table></div>");
    }
    resolving(out, &page.resolving);
    out.push_str("</section>");
}

fn resolving(out: &mut String, list: &[ResolvingRow]) {
    if list.is_empty() {
        return;
    }
    let any =
        |value: &dyn Fn(&ResolvingRow) -> &Value| list.iter().any(|r| *value(r) != Value::Unknown);
    let base = any(&|r| &r.resolving_power);
    let slit = any(&|r| &r.slit_resolving_power);
    out.push_str("<h3>What the prism does to wavelengths</h3>");
    scroll(out, "Angular dispersion and resolving power", "resolving");
    out.push_str(
        "<thead><tr><th scope=\"col\">Line</th><th scope=\"col\" class=\"num\">|d\u{3b4}/d\u{3bb}|, \u{2033}/nm</th>\
         <th scope=\"col\" class=\"num\"><i>u</i></th>",
    );
    if base {
        out.push_str("<th scope=\"col\" class=\"num\"><i>R</i></th><th scope=\"col\" class=\"num\"><i>u</i></th>");
    }
    if slit {
        out.push_str("<th scope=\"col\" class=\"num\"><i>R</i><sub>slit</sub></th><th scope=\"col\" class=\"num\"><i>u</i></th>");
    }
    if base || slit {
        out.push_str("<th scope=\"col\" class=\"num\">\u{394}\u{3bb}, nm</th><th scope=\"col\" class=\"num\"><i>u</i></th>");
    }
    out.push_str("</tr></thead><tbody>");
    for row in list {
        let _ = write!(out, "<tr><th scope=\"row\">{}</th>", escape(&row.line));
        let mut both = |value: &Value| {
            cell(out, "num", &value_alone(value));
            cell(out, "num", &u_alone(value));
        };
        both(&row.angular_dispersion);
        if base {
            both(&row.resolving_power);
        }
        if slit {
            both(&row.slit_resolving_power);
        }
        if base || slit {
            both(&row.resolved_nm);
        }
        out.push_str("</tr>");
    }
    out.push_str("</tbody></table></div><p class=\"rule\">");
    out.push_str(match (base, slit) {
        (true, true) => "<i>R</i> = \u{3bb}/\u{394}\u{3bb} of the base that light fills, <i>R</i><sub>slit</sub> what the width of the slit image allows; \u{394}\u{3bb} follows from the smaller one.",
        (true, false) => "<i>R</i> = \u{3bb}/\u{394}\u{3bb} of the base that light fills; a wide slit separates less.",
        (false, true) => "<i>R</i><sub>slit</sub> = \u{3bb}/\u{394}\u{3bb}, what the width of the slit image allows. What the prism itself allows follows from the length of its base, which was not given.",
        (false, false) => "The resolving power follows from the length of the prism\u{2019}s base that light fills, which was not given.",
    });
    out.push_str("</p>");
}

fn tracks(out: &mut String, list: &[Track]) {
    open(out, "tracks", "Tracks and turning points");
    if list.is_empty() {
        nothing(
            out,
            "No footage was followed: the offsets were given, or the cross-hair was set on the line by eye.",
        );
        out.push_str("</section>");
        return;
    }
    let _ = write!(
        out,
        "<p class=\"rule\">{} counted: taken for minimum deviation. {} not counted: the line turned or ended there for another reason. \
         Hatched: a gap without positions. Horizontal line and shaded band: final value with its expanded uncertainty. \
         Bars of single positions: standard uncertainty.</p>",
        plot::key(Shape::Diamond),
        plot::key(Shape::CrossedSquare)
    );
    for (i, track) in list.iter().enumerate() {
        one_track(out, track, &format!("track-{}", i + 1));
    }
    out.push_str("</section>");
}

fn one_track(out: &mut String, track: &Track, id: &str) {
    let mut heading = if track.line.is_empty() {
        "Line without a name".to_owned()
    } else {
        format!("Line {}", track.line)
    };
    if !track.set.is_empty() {
        let _ = write!(heading, ", set {}", track.set);
    }
    let _ = write!(
        out,
        "<article><h3 id=\"{id}-h\">{} <span class=\"source\">{}</span></h3><p>{}</p><figure>{}",
        escape(&heading),
        escape(&track.footage),
        answer(track),
        plot::both(&figures::track(track, id))
    );
    let counted: Vec<_> = track
        .turns
        .iter()
        .enumerate()
        .filter(|(_, t)| t.counted)
        .collect();
    if !counted.is_empty() {
        out.push_str("<div class=\"beside\">");
        for (i, turn) in counted.iter().take(figures::ENLARGED) {
            let number = i + 1;
            let figure = figures::near_turn(track, number, turn, &format!("{id}-turn-{number}"));
            let _ = write!(
                out,
                "<div class=\"plot\">{}</div>",
                plot::draw(&figure, Format::Narrow)
            );
        }
        out.push_str("</div>");
    }
    if counted.len() > figures::ENLARGED {
        let _ = write!(
            out,
            "<figcaption>The first {} of {} counted turning points are enlarged.</figcaption>",
            figures::ENLARGED,
            counted.len()
        );
    }
    out.push_str("</figure>");
    if !track.turns.is_empty() {
        out.push_str("<ol class=\"turns\">");
        for turn in &track.turns {
            let shape = if turn.counted {
                Shape::Diamond
            } else {
                Shape::CrossedSquare
            };
            let place = position(turn.position_px, turn.u_px);
            let time = if turn.time_s.is_finite() {
                match turn.frame {
                    Some(frame) => format!("{:.2} s, frame {frame}, ", turn.time_s),
                    None => format!("{:.2} s, ", turn.time_s),
                }
            } else {
                String::new()
            };
            let _ = write!(
                out,
                "<li>{} <b>{}</b>: {time}{place}. {}</li>",
                plot::key(shape),
                figures::word(turn),
                escape(&without_verdict(&turn.why))
            );
        }
        out.push_str("</ol>");
    }
    if !track.cautions.is_empty() {
        caution_list(out, &track.cautions);
    }
    out.push_str("</article>");
}

/// The reason of a reversal without the verdict that stands before it already, as a sentence.
fn without_verdict(why: &str) -> String {
    let reason = why
        .strip_prefix("Counted: ")
        .or_else(|| why.strip_prefix("Not counted: "))
        .unwrap_or(why);
    let mut letters = reason.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// What the track ends in, as HTML.
fn answer(track: &Track) -> String {
    let passes = track.turns.iter().filter(|t| t.counted).count();
    let Some(px) = track.answer_px.filter(|v| v.is_finite()) else {
        return "The line was followed but has no turning point that counts, so it gives no minimum deviation.".to_owned();
    };
    let mut says = format!(
        "Minimum deviation at an {} of <b>{}</b>",
        figures::position_name(track),
        position(px, track.u_answer_px)
    );
    if !track.from_cross_hairs {
        says = says.replacen(" at an position", " at a position", 1);
    }
    if let Some((arcsec, u)) = track.answer_arcsec
        && let Some((v, u)) = pair(arcsec, u)
    {
        let _ = write!(
            says,
            ", that is {v}\u{2033} with <i>u</i> = {u}\u{2033} of the telescope"
        );
    }
    let _ = match passes {
        0 => write!(says, "."),
        1 => write!(says, ", from one pass."),
        n => write!(says, ", from {n} passes."),
    };
    says
}

fn position(px: f64, u_px: Option<f64>) -> String {
    match u_px.and_then(|u| pair(px, u)) {
        Some((v, u)) => format!("{v}\u{a0}px (<i>u</i>\u{a0}=\u{a0}{u}\u{a0}px)"),
        None => format!("{}\u{a0}px (uncertainty not known)", number(px, 5)),
    }
}

/// Letters of a line's name that a column has room for.
const SHORT_NAME: usize = 12;

fn readings(out: &mut String, list: &[Reading]) {
    open(out, "readings", "Readings");
    if list.is_empty() {
        nothing(out, "There are no readings.");
        out.push_str("</section>");
        return;
    }
    let windows = list.iter().map(|r| r.windows.len()).max().unwrap_or(0);
    let typed = list
        .iter()
        .flat_map(|r| &r.windows)
        .any(|w| !w.typed.is_empty());
    let _ = write!(
        out,
        "<p class=\"rule\">{} The corrected reading is what the circle would show with the cross-hair on the target.</p>",
        if typed {
            "Upper figure: as typed. Lower figure: as understood."
        } else {
            "Readings as the program understood them."
        }
    );
    scroll(out, "Table of readings", "readings");
    out.push_str(
        "<thead><tr><th scope=\"col\">Row</th><th scope=\"col\">Set</th><th scope=\"col\">Target</th><th scope=\"col\">Line</th>",
    );
    for i in 0..windows {
        let _ = write!(out, "<th scope=\"col\" class=\"num\">window {}</th>", i + 1);
    }
    out.push_str(
        "<th scope=\"col\" class=\"num\">offset,\u{a0}\u{2033}</th><th scope=\"col\" class=\"num\"><i>u</i>,\u{a0}\u{2033}</th>\
         <th scope=\"col\" class=\"num\">corrected</th><th scope=\"col\">Footage</th><th scope=\"col\">Note</th></tr></thead><tbody>",
    );
    for r in list {
        let _ = write!(
            out,
            "<tr id=\"row-{0}\"><th scope=\"row\">{0}</th>",
            escape(&r.row)
        );
        cell(out, "", &escape(&r.set));
        cell(out, "", &escape(&r.target));
        // A short name stays on one line.
        let line = if r.line.chars().count() <= SHORT_NAME {
            r.line.replace(' ', "\u{a0}")
        } else {
            r.line.clone()
        };
        cell(out, "", &escape(&line));
        for i in 0..windows {
            let text = r.windows.get(i).map_or_else(String::new, |w| {
                let understood = w.deg.map_or_else(String::new, |d| super::write::dms(d, 0));
                if w.typed.is_empty() {
                    understood
                } else {
                    format!(
                        "<span class=\"typed\">{}</span><span class=\"understood\">{understood}</span>",
                        escape(&w.typed)
                    )
                }
            });
            cell(out, "num", &text);
        }
        let (offset, u) = match r.offset_arcsec {
            Some((v, Some(u))) => pair(v, u).unwrap_or_else(|| (number(v, 5), String::new())),
            Some((v, None)) => (number(v, 5), String::new()),
            None => (String::new(), String::new()),
        };
        cell(out, "num", &offset);
        cell(out, "num", &u);
        cell(out, "num", &value_alone(&r.corrected));
        cell(out, "free", &escape(&r.footage));
        cell(out, "free", &escape(&r.note));
        out.push_str("</tr>");
    }
    out.push_str("</tbody></table></div></section>");
}

fn budgets(out: &mut String, data: &PageData) {
    open(out, "budget", "Where the uncertainty comes from");
    if data.budgets.is_empty() {
        nothing(out, "There is no error budget, because there is no result.");
    }
    for b in &data.budgets {
        if let Some(says) = budget::improve_first(b) {
            let _ = write!(
                out,
                "<div class=\"improve\"><h3>What to improve first for {}</h3><p>{}</p></div>",
                symbol(&b.of),
                escape(&says)
            );
        }
        out.push_str(&budget::table(b));
    }
    out.push_str("</section>");
}

fn glasses(out: &mut String, list: &[Glass]) {
    open(out, "glasses", "Comparison with catalogue glasses");
    if list.is_empty() {
        nothing(
            out,
            "No comparison: it needs an index at the d line and a dispersion.",
        );
        out.push_str("</section>");
        return;
    }
    scroll(out, "Catalogue glasses", "glasses");
    out.push_str(
        "<thead><tr><th scope=\"col\">Glass</th><th scope=\"col\" class=\"num\"><i>n</i><sub>d</sub></th>\
         <th scope=\"col\" class=\"num\">Abbe number</th><th scope=\"col\" class=\"num\">\u{3c7}\u{b2}</th>\
         <th scope=\"col\" class=\"num\">probability</th><th scope=\"col\">Verdict</th></tr></thead><tbody>",
    );
    let fixed = |v: Option<f64>, decimals: usize| {
        v.filter(|v| v.is_finite())
            .map_or_else(String::new, |v| format!("{v:.decimals$}"))
    };
    for g in list {
        let _ = write!(out, "<tr><th scope=\"row\">{}</th>", escape(&g.name));
        cell(out, "num", &fixed(g.n_d, 5));
        cell(out, "num", &fixed(g.abbe_number, 2));
        let chi = g.chi_squared.map_or_else(String::new, |v| number(v, 3));
        cell(out, "num", &chi);
        let p = g.p_value.map_or_else(String::new, percent);
        cell(out, "num", &escape(&p));
        cell(out, "", &escape(&g.verdict));
        out.push_str("</tr>");
    }
    out.push_str(
        "</tbody></table></div><p class=\"rule\">Probability: how often a difference at least as large would come up if the prism \
         were of this glass. A high one does not prove the name: several makers sell nearly the same glass, and a melt may \
         differ from the catalogue by several units of the fourth decimal. This measurement cannot tell apart the glasses marked possible.</p></section>",
    );
}

fn method(out: &mut String, data: &PageData) {
    open(out, "method", "What was done");
    if data.method.is_empty() {
        nothing(out, "No description was given.");
    }
    for paragraph in &data.method {
        let _ = write!(out, "<p>{}</p>", sentence_with_symbols(paragraph));
    }
    out.push_str("</section>");
}

fn safety(out: &mut String) {
    open(out, "safety", "Safety at the bench");
    out.push_str(
        "<p>The rules of your laboratory go before anything on this page.</p><ul class=\"safety\">",
    );
    for (what, says) in SAFETY {
        let _ = write!(out, "<li><b>{what}.</b> {says}</li>");
    }
    out.push_str("</ul></section>");
}

fn provenance(out: &mut String, list: &[(String, String)]) {
    open(out, "provenance", "Provenance");
    if list.is_empty() {
        nothing(out, "Nothing was recorded.");
    } else {
        out.push_str("<dl class=\"provenance\">");
        for (what, value) in list {
            let _ = write!(
                out,
                "<div><dt>{}</dt><dd>{}</dd></div>",
                escape(what),
                escape(value)
            );
        }
        out.push_str("</dl>");
    }
    out.push_str("</section>");
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use crate::report::sample;

    /// Tags of a page or drawing must close in the order in which they open, attributes must be quoted and
    /// identifiers unique; says what is wrong first.
    pub(crate) fn faults(text: &str) -> Option<String> {
        let mut open: Vec<&str> = Vec::new();
        let mut ids: Vec<String> = Vec::new();
        let mut rest = text;
        while let Some(at) = rest.find('<') {
            let before = &rest[..at];
            if before.contains('>') {
                return Some(format!("a bare > in {before:?}"));
            }
            let end = match rest[at..].find('>') {
                Some(e) => at + e,
                None => return Some("a tag that does not end".to_owned()),
            };
            let tag = &rest[at + 1..end];
            rest = &rest[end + 1..];
            if tag.starts_with("!DOCTYPE") {
                continue;
            }
            if let Some(name) = tag.strip_prefix('/') {
                match open.pop() {
                    Some(o) if o == name => {}
                    o => return Some(format!("</{name}> closes {o:?}")),
                }
                continue;
            }
            if !tag.matches('"').count().is_multiple_of(2) || tag.contains('<') {
                return Some(format!("quotes of <{tag}>"));
            }
            let name = tag.split([' ', '/']).next().unwrap_or("");
            if name.is_empty() {
                return Some(format!("a tag without a name: <{tag}>"));
            }
            if let Some(id) = tag.split(" id=\"").nth(1).and_then(|t| t.split('"').next()) {
                if ids.iter().any(|i| i == id) {
                    return Some(format!("identifier {id} twice"));
                }
                ids.push(id.to_owned());
            }
            if name == "style" {
                let end = rest.find("</style>").unwrap();
                if rest[..end].contains(['<', '&']) {
                    return Some("markup in the style sheet".to_owned());
                }
                rest = &rest[end..];
            }
            if !tag.ends_with('/') {
                open.push(name);
            }
        }
        for reference in text
            .split("url(#")
            .skip(1)
            .filter_map(|t| t.split(')').next())
        {
            if !ids.iter().any(|i| i == reference) {
                return Some(format!("nothing is called {reference}"));
            }
        }
        for href in text
            .split("href=\"#")
            .skip(1)
            .filter_map(|t| t.split('"').next())
        {
            if !ids.iter().any(|i| i == href) {
                return Some(format!("nothing to go to at {href}"));
            }
        }
        open.pop().map(|o| format!("<{o}> stays open"))
    }

    #[test]
    fn advice_that_cautions_share_is_given_once() {
        let caution = |code: &str, message: &str| Caution {
            code: code.to_owned(),
            message: message.to_owned(),
        };
        let mut page = String::new();
        caution_list(
            &mut page,
            &[
                caution("shake", "row 2: it shakes; hold it"),
                caution("shake", "row 3: it shakes twice; hold it"),
                caution("dark", "row 3: it is dark; hold it"),
            ],
        );
        assert_eq!(
            page,
            "<ul class=\"cautions\"><li>Row 2: it shakes. <code>shake</code></li>\
             <li>Row 3: it shakes twice. For all of these: hold it. <code>shake</code></li>\
             <li>Row 3: it is dark; hold it. <code>dark</code></li></ul>"
        );
    }

    #[test]
    fn a_verdict_is_said_once() {
        assert_eq!(without_verdict("Not counted: the hand."), "The hand.");
        assert_eq!(without_verdict("the hand"), "The hand");
        assert_eq!(without_verdict(""), "");
    }

    #[test]
    fn the_full_page_is_well_formed_and_can_be_kept() {
        let text = page(&sample::full());
        assert_eq!(faults(&text), None);
        // For a look with a browser: name a file and the page is written there.
        if let Some(path) = std::env::var_os("LINETURN_SAMPLE_REPORT") {
            std::fs::write(path, &text).unwrap();
        }
    }

    #[test]
    fn the_check_of_form_finds_faults() {
        assert_eq!(faults("<p>a<br/></p>"), None);
        for bad in [
            "<p>a",
            "<p><b>a</p></b>",
            "<p>1 < 2</p>",
            "<p id=\"a\"></p><p id=\"a\"></p>",
            "<a href=\"#x\">x</a>",
            "<p class=\"a></p>",
            "a > b<br/>",
        ] {
            assert!(faults(bad).is_some(), "{bad}");
        }
    }

    #[test]
    fn nothing_is_fetched_and_nothing_runs() {
        let text = page(&sample::full());
        for bad in [
            "http:",
            "https:",
            "//",
            "<script",
            "@import",
            "src=",
            "javascript:",
            " onload",
            "url(\"",
        ] {
            assert!(!text.contains(bad), "the page contains {bad}");
        }
    }

    #[test]
    fn an_empty_page_says_in_words_what_is_missing() {
        let text = page(&PageData::default());
        assert_eq!(faults(&text), None);
        for says in [
            "Nothing could be computed",
            "No line has both",
            "No dispersion",
            "No footage was followed",
            "There are no readings",
            "There is no error budget",
        ] {
            assert!(text.contains(says), "{says}");
        }
        assert!(!text.contains("NaN") && !text.contains("inf"));
    }

    #[test]
    fn markup_from_files_is_shown_and_not_obeyed() {
        let nasty = "</td><script>alert('x')</script>&amp;\"\u{0}\u{1b}";
        let mut data = sample::full();
        nasty.clone_into(&mut data.title);
        nasty.clone_into(&mut data.when);
        data.summary[0].remark = nasty.to_owned();
        data.summary[0].symbol = nasty.to_owned();
        data.summary[0].name = nasty.to_owned();
        data.cautions[0].message = nasty.to_owned();
        data.cautions[0].code = nasty.to_owned();
        data.lines[0].line = nasty.to_owned();
        data.lines[0].set = nasty.to_owned();
        data.unknown_lines[0].line = nasty.to_owned();
        data.unknown_lines[0].candidates = vec![nasty.to_owned()];
        let dispersion = data.dispersion.as_mut().unwrap();
        dispersion.model = nasty.to_owned();
        dispersion.points[0].line = nasty.to_owned();
        dispersion.guides[0].0 = nasty.to_owned();
        dispersion.coefficients[0].0 = nasty.to_owned();
        data.tracks[0].footage = nasty.to_owned();
        data.tracks[0].line = nasty.to_owned();
        data.tracks[0].set = nasty.to_owned();
        data.tracks[0].turns[0].why = nasty.to_owned();
        data.tracks[0].cautions[0].message = nasty.to_owned();
        data.readings[0].row = nasty.to_owned();
        data.readings[0].target = nasty.to_owned();
        data.readings[0].windows[0].typed = nasty.to_owned();
        data.readings[0].footage = nasty.to_owned();
        data.readings[0].note = nasty.to_owned();
        data.budgets[0].of = nasty.to_owned();
        data.budgets[0].unit = nasty.to_owned();
        data.budgets[0].causes[1].name = nasty.to_owned();
        data.budgets[0].causes[1].own_u = nasty.to_owned();
        data.budgets[0].causes[1].remedy = nasty.to_owned();
        data.glasses[0].name = nasty.to_owned();
        data.glasses[0].verdict = nasty.to_owned();
        data.method[0] = nasty.to_owned();
        data.provenance[0] = (nasty.to_owned(), nasty.to_owned());
        let text = page(&data);
        assert_eq!(faults(&text), None);
        assert!(!text.contains("<script") && !text.contains('\u{0}') && !text.contains('\u{1b}'));
        assert!(text.matches("&lt;script&gt;").count() >= 33);
    }

    #[test]
    fn what_is_not_known_stays_empty() {
        let row = LineRow {
            line: "e".to_owned(),
            index: Value::Number {
                value: 1.5,
                u: None,
                expanded: None,
                unit: "",
            },
            ..LineRow::default()
        };
        let mut out = String::new();
        line_row(&mut out, &row, false);
        assert_eq!(
            out,
            "<tr><th scope=\"row\">e</th><td class=\"num\"></td><td class=\"num\">1.50000</td><td class=\"num\"></td>\
             <td class=\"num\"></td><td class=\"num\"></td><td class=\"num\"></td><td></td><td></td></tr>"
        );
    }

    #[test]
    fn a_value_without_uncertainty_says_so() {
        let mut data = sample::full();
        data.summary[0].value = Value::Number {
            value: 1.62,
            u: None,
            expanded: None,
            unit: "",
        };
        assert!(page(&data).contains("uncertainty not known"));
    }

    #[test]
    fn numbers_that_are_none_reach_no_drawing_and_no_table() {
        let mut data = sample::full();
        for (i, bad) in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY]
            .into_iter()
            .enumerate()
        {
            let dispersion = data.dispersion.as_mut().unwrap();
            dispersion.points[i].n = bad;
            dispersion.points[i].expanded = Some(bad);
            dispersion.points[i + 1].residual_1e5 = Some(bad);
            dispersion.points[i + 2].residual_expanded_1e5 = Some(bad);
            dispersion.curve[5 * i].n = bad;
            dispersion.curve[5 * i + 1].expanded = Some(bad);
            dispersion.curve[5 * i + 2].wavelength_nm = bad;
            dispersion.guides[i].1 = bad;
            let track = &mut data.tracks[0];
            track.points[10 * i].position_px = bad;
            track.points[10 * i + 1].time_s = bad;
            track.points[10 * i + 2].u_px = Some(bad);
            track.turns[i].position_px = bad;
            track.turns[i + 1].time_s = bad;
            track.turns[i].u_px = Some(bad);
            track.answer_px = Some(bad);
            track.expanded_answer_px = Some(bad);
            data.lines[i].wavelength_nm = Some(bad);
            data.lines[i].residual_1e5 = Some(bad);
            data.budgets[0].causes[i].share = bad;
            data.budgets[0].causes[i].contribution = bad;
            data.glasses[i].chi_squared = Some(bad);
            data.readings[i].offset_arcsec = Some((bad, Some(bad)));
            data.summary[i].value = Value::Angle {
                deg: bad,
                u_arcsec: Some(bad),
                expanded_arcsec: Some(bad),
            };
            let text = page(&data);
            assert_eq!(faults(&text), None);
            let body = &text[text.find("<main>").unwrap()..];
            assert!(!body.contains("NaN"), "NaN with {bad}");
            assert!(!body.contains("inf"), "infinity with {bad}");
        }
    }

    #[test]
    fn turning_points_differ_by_shape_and_word() {
        let text = page(&sample::full());
        assert!(text.contains(">1 counted</text>") && text.contains(">2 not counted</text>"));
        assert!(text.contains("class=\"diamond\"") && text.contains("class=\"crossed\""));
        assert!(text.contains(">gap 2.7 s</text>"));
    }
}
