//! The documents that scripts read: one JSON document a command.
//!
//! Only the types of this file are serialised. A field that is not known is null, never 0.

use serde::Serialize;
use serde_json::{Value, json};

use crate::session::{Caution, CrossHairs, Line, LocatedFrame, Side, Watched};

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
        warnings: cautions.iter().map(|caution| Warning { code: &caution.code, message: &caution.message }).collect(),
        body,
    };
    serde_json::to_string_pretty(&document).unwrap_or_else(|error| json!({ "error": error.to_string() }).to_string())
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
        "lines": sweep.lines.iter().zip(&watched.angles).map(|(followed, angle)| json!({
            "line": followed.line,
            "turned": followed.turned,
            "passes": followed.passes,
            "x_px": followed.x_px,
            "offset_px": followed.offset_px,
            "u_px": followed.u_px,
            "offset_arcsec": angle.map(|angle| angle.offset_arcsec),
            "u_arcsec": angle.map(|angle| angle.u_arcsec),
        })).collect::<Vec<_>>(),
        "turning_points": sweep.turning_points.iter().map(|point| json!({
            "line": point.line,
            "t_s": point.time_s,
            "x_px": point.x_px,
            "offset_px": point.offset_px,
            "u_px": point.u_px,
            "counted": point.counted,
            "why": point.why,
        })).collect::<Vec<_>>(),
    })
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
