//! Frames for those who watch: a JPEG picture, coded once however many ask, with what was seen in it.

use image::ExtendedColorType;
use image::codecs::jpeg::JpegEncoder;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::time::UNIX_EPOCH;

use crate::session::Frame;
use crate::session::bench::{SeenFrame, Sight};

/// Quality of the pictures that are shown; nothing is measured in them.
const QUALITY: u8 = 80;

/// A frame as it is sent: the length of the sight (4 bytes, little-endian), the sight, the JPEG.
pub(super) fn coded(seen: &SeenFrame, names: &BTreeMap<u64, String>) -> Vec<u8> {
    let sight = sight(&seen.sight, names).to_string();
    let length = u32::try_from(sight.len()).unwrap_or(0);
    let mut bytes = length.to_le_bytes().to_vec();
    bytes.extend_from_slice(sight.as_bytes());
    bytes.extend_from_slice(&jpeg(&seen.frame));
    bytes
}

fn jpeg(frame: &Frame) -> Vec<u8> {
    let black = u32::from(frame.black);
    let range = u32::from(frame.full_scale).saturating_sub(black).max(1);
    let shown = |level: u16| {
        let above = u32::from(level).saturating_sub(black).min(range);
        u8::try_from(above * 255 / range).unwrap_or(255)
    };
    let few: Vec<u8> = (0..=255).map(shown).collect();
    let levels: Vec<u8> = frame
        .levels
        .iter()
        .map(|level| {
            few.get(usize::from(*level))
                .copied()
                .unwrap_or_else(|| shown(*level))
        })
        .collect();
    let mut bytes = Vec::new();
    let size = |length: usize| u32::try_from(length).unwrap_or(0);
    let coded = JpegEncoder::new_with_quality(&mut bytes, QUALITY).encode(
        &levels,
        size(frame.width()),
        size(frame.height()),
        ExtendedColorType::L8,
    );
    if coded.is_err() {
        // A frame too large for JPEG is shown by its drawing only.
        bytes.clear();
    }
    bytes
}

fn sight(sight: &Sight, names: &BTreeMap<u64, String>) -> Value {
    let taken_ms = sight
        .taken
        .duration_since(UNIX_EPOCH)
        .map_or(0.0, |since| since.as_secs_f64() * 1e3);
    let lines: Vec<Value> = sight
        .lines
        .iter()
        .map(|seen| {
            let line = &seen.line;
            json!({
                "id": seen.id,
                "name": seen.id.and_then(|id| names.get(&id)),
                "x_px": line.x_px,
                "y_ref_px": line.y_ref_px,
                "tilt_deg": line.tilt_deg,
                "curvature_per_px": line.curvature_per_px,
                "width_px": line.width_px,
                "top_px": line.rows.0,
                "bottom_px": line.rows.1,
                "peak_level": line.peak_level,
                "saturated": line.saturated,
                "under_hair": line.under_hair,
                "offset_px": seen.offset_px.map(|(offset_px, _)| offset_px),
                "u_px": seen.offset_px.map_or(line.u_px, |(_, u_px)| u_px),
            })
        })
        .collect();
    let brightest = sight
        .lines
        .iter()
        .map(|line| line.line.peak_level)
        .fold(sight.stray_level, f64::max);
    json!({
        "seq": sight.seq,
        "t_s": sight.time_s,
        "taken_ms": taken_ms,
        "width": sight.width,
        "height": sight.height,
        "cross_hairs": sight.cross_hairs.as_ref().map(|hairs| json!({
            "x_px": hairs.x_px,
            "y_px": hairs.y_px,
            "rotation_deg": hairs.rotation_deg,
            "u_x_px": hairs.u_x_px,
            "hairs": hairs.hairs.iter().map(|hair| json!({ "angle_deg": hair.angle_deg, "width_px": hair.width_px })).collect::<Vec<_>>(),
        })),
        "field": sight.field.as_ref().map(|field| json!({
            "x_px": field.x_px,
            "y_px": field.y_px,
            "radius_px": field.radius_px,
        })),
        "lines": lines,
        "levels": { "stray": sight.stray_level, "brightest": brightest },
    })
}
