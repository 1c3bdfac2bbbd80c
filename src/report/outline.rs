//! The steps of a demonstration: as text, as a document, and as chapters in WebVTT (W3C, "WebVTT: The Web Video Text Tracks Format").

use std::fmt::Write;

use serde_json::{Value, json};

use super::document::{followed_lines, reversals, side};
use super::text::{plus_minus, table};
use crate::session::{Outline, Step, StepKind};

/// The body of `outline`.
#[must_use]
pub fn document_body(outline: &Outline) -> Value {
    json!({
        "source": outline.description,
        "frames": outline.frames,
        "dropped": outline.dropped,
        "duration_s": outline.duration_s,
        "steps": outline.steps.iter().map(|step| json!({
            "step": code(step.kind),
            "from_s": step.from_s,
            "to_s": step.to_s,
            "says": sentence(step),
            "left": step.left.map(side),
            "lines": followed_lines(&step.lines, &step.angles),
            "turning_points": reversals(&step.turning_points),
        })).collect::<Vec<_>>(),
    })
}

/// The steps as a table, and the reversals below it.
#[must_use]
pub fn text(outline: &Outline) -> String {
    let mut text = format!(
        "{}: {} frames, {:.2} s\n",
        outline.description, outline.frames, outline.duration_s
    );
    let mut steps = table(&["from / s", "to / s", "what it shows"]);
    for step in &outline.steps {
        steps.add_row([
            format!("{:.2}", step.from_s),
            format!("{:.2}", step.to_s),
            sentence(step),
        ]);
    }
    let _ = writeln!(text, "{steps}");
    let points = || outline.steps.iter().flat_map(|step| &step.turning_points);
    if points().next().is_some() {
        let mut reversals = table(&["t / s", "line", "x / px", "counted", "why"]);
        for point in points() {
            reversals.add_row([
                format!("{:.2}", point.time_s),
                point.line.to_string(),
                plus_minus(point.x_px, point.u_px),
                if point.counted { "yes" } else { "no" }.to_owned(),
                point.why.clone(),
            ]);
        }
        let _ = writeln!(
            text,
            "\nReversals (standard uncertainty after ±)\n{reversals}"
        );
    }
    text
}

/// The steps as chapters of a WebVTT file.
#[must_use]
pub fn chapters(outline: &Outline) -> String {
    let mut text = "WEBVTT\n".to_owned();
    for (nth, step) in outline.steps.iter().enumerate() {
        // A cue has to end after it begins.
        let to_s = step.to_s.max(step.from_s + 0.001);
        let _ = write!(
            text,
            "\n{}\n{} --> {}\n{}\n",
            nth + 1,
            clock(step.from_s),
            clock(to_s),
            sentence(step)
        );
    }
    text
}

fn clock(seconds: f64) -> String {
    let ms = (seconds.max(0.0) * 1000.0).round() as u64;
    format!(
        "{:02}:{:02}:{:02}.{:03}",
        ms / 3_600_000,
        ms / 60_000 % 60,
        ms / 1000 % 60,
        ms % 1000
    )
}

/// The word of a step for scripts.
fn code(kind: StepKind) -> &'static str {
    match kind {
        StepKind::Dark => "dark",
        StepKind::NothingInView => "nothing-in-view",
        StepKind::Telescope => "telescope",
        StepKind::Still => "still",
        StepKind::Table => "table",
        StepKind::Moved => "moved",
    }
}

/// A step in one line of plain text.
fn sentence(step: &Step) -> String {
    let mut text = match step.kind {
        StepKind::Dark => "the picture is dark".to_owned(),
        StepKind::NothingInView => "nothing in view".to_owned(),
        StepKind::Telescope => "telescope swung".to_owned(),
        StepKind::Moved => "a line moved, by telescope or table".to_owned(),
        StepKind::Still => still(step),
        StepKind::Table => {
            let counted = step.turning_points.iter().filter(|point| point.counted);
            let others = step.turning_points.iter().filter(|point| !point.counted);
            let mut text = match counted.count() {
                0 => "table turned, no turning point".to_owned(),
                1 => "table turned, 1 turning point".to_owned(),
                many => format!("table turned, {many} turning points"),
            };
            match others.count() {
                0 => {}
                1 => text.push_str(", 1 reversal that does not count"),
                many => {
                    let _ = write!(text, ", {many} reversals that do not count");
                }
            }
            text
        }
    };
    if let Some(left) = step.left {
        let _ = write!(text, "; a line left the field on the {}", side(left));
    }
    text
}

/// Where lines stand, from the hair where there is one.
fn still(step: &Step) -> String {
    let places: Vec<String> = step
        .lines
        .iter()
        .zip(&step.angles)
        .map(|(line, angle)| match (angle, line.offset_px) {
            (Some(angle), _) => format!("{}″", plus_minus(angle.offset_arcsec, angle.u_arcsec)),
            (None, Some(offset)) => format!("{} px", plus_minus(offset, line.u_px)),
            (None, None) => format!("x = {} px", plus_minus(line.x_px, line.u_px)),
        })
        .collect();
    let from = if step.lines.iter().any(|line| line.offset_px.is_some()) {
        " from the hair"
    } else {
        ""
    };
    let who = match places.len() {
        1 => "a line stands still".to_owned(),
        many => format!("{many} lines stand still"),
    };
    format!("{who}, {}{from}", places.join("; "))
}
