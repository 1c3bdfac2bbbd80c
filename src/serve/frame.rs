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

/// Columns that a picture is shown on where the page does not say how many.
pub(super) const USUAL_WIDE: usize = 1200;
/// A picture has at least this share of the columns that it is shown on: less would be seen as blur.
const LEAST_SHARE: f64 = 0.8;
/// Smallest pictures are made of so many pixels by as many to one.
const MOST_TO_ONE: usize = 8;

/// How many columns of the frame become one of the picture, for a view so many columns wide.
pub(super) fn divisor(frame: &Frame, wide: usize) -> usize {
    let least = (LEAST_SHARE * wide.max(1) as f64).ceil() as usize;
    (frame.width() / least.max(1)).clamp(1, MOST_TO_ONE)
}

/// A frame as it is sent: the length of the sight (4 bytes, little-endian), the sight, the JPEG. What was seen keeps the pixels of the
/// frame, of which `divisor` by `divisor` are one in the picture.
pub(super) fn coded(seen: &SeenFrame, names: &BTreeMap<u64, String>, divisor: usize) -> Vec<u8> {
    let sight = sight(&seen.sight, names, divisor).to_string();
    let length = u32::try_from(sight.len()).unwrap_or(0);
    let mut bytes = length.to_le_bytes().to_vec();
    bytes.extend_from_slice(sight.as_bytes());
    bytes.extend_from_slice(&jpeg(&seen.frame, divisor));
    bytes
}

fn jpeg(frame: &Frame, divisor: usize) -> Vec<u8> {
    let (levels, width, height) = picture(frame, divisor.max(1));
    let mut bytes = Vec::new();
    let size = |length: usize| u32::try_from(length).unwrap_or(0);
    let coded = JpegEncoder::new_with_quality(&mut bytes, QUALITY).encode(
        &levels,
        size(width),
        size(height),
        ExtendedColorType::L8,
    );
    if coded.is_err() {
        // A frame too large for JPEG is shown by its drawing only.
        bytes.clear();
    }
    bytes
}

/// The frame with 8 bits a pixel, rows one after the other, each pixel the mean of `divisor` by `divisor`; columns and rows that do
/// not make a whole one are left out.
fn picture(frame: &Frame, divisor: usize) -> (Vec<u8>, usize, usize) {
    let (width, height) = (frame.width() / divisor, frame.height() / divisor);
    let pixels = (divisor * divisor) as f32;
    let black = pixels * f32::from(frame.black);
    let range = f32::from(frame.full_scale) - f32::from(frame.black);
    let factor = 255.0 / (pixels * range.max(1.0));
    let mut shown = Vec::with_capacity(width * height);
    let mut sums = vec![0_u32; width * divisor];
    for row in 0..height {
        sums.fill(0);
        for levels in frame
            .levels
            .rows()
            .into_iter()
            .skip(row * divisor)
            .take(divisor)
        {
            for (sum, level) in sums.iter_mut().zip(levels) {
                *sum += u32::from(*level);
            }
        }
        shown.extend(sums.chunks_exact(divisor).map(|few| {
            let sum: u32 = few.iter().sum();
            // Rounded down and held between 0 and 255 by the conversion itself.
            ((sum as f32 - black) * factor) as u8
        }));
    }
    (shown, width, height)
}

fn sight(sight: &Sight, names: &BTreeMap<u64, String>, divisor: usize) -> Value {
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
        "divisor": divisor,
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

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    fn frame(width: usize, height: usize, level: impl Fn(usize, usize) -> u16) -> Frame {
        let mut frame = Frame::empty();
        frame.resize(width, height);
        for ((row, column), to) in frame.levels.indexed_iter_mut() {
            *to = level(row, column);
        }
        frame
    }

    #[test]
    fn a_picture_is_no_larger_than_it_is_shown() {
        let of = |width: usize, wide: usize| divisor(&frame(width, 1, |_, _| 0), wide);
        assert_eq!(of(1920, USUAL_WIDE), 2);
        assert_eq!(of(1920, 1600), 1);
        assert_eq!(of(1280, 900), 1);
        assert_eq!(of(640, 600), 1);
        assert_eq!(of(3840, 1200), 4);
        assert_eq!((of(1920, 0), of(1, 1200)), (MOST_TO_ONE, 1));
    }

    #[test]
    fn pixels_of_the_picture_are_means_of_the_frame() {
        let frame = frame(7, 5, |row, column| (10 * row + column) as u16);
        let (levels, width, height) = picture(&frame, 2);
        assert_eq!((width, height), (3, 2));
        // The mean of rows 0, 1 and columns 0, 1 is 5.5, and so on.
        assert_eq!(levels, [5, 7, 9, 25, 27, 29]);
        let (levels, width, height) = picture(&frame, 1);
        assert_eq!((width, height, levels[8]), (7, 5, 11));
    }

    #[test]
    fn black_is_black_and_clipped_is_white() {
        for (black, full_scale) in [(16, 235), (0, 255), (0, 1020), (0, 65535)] {
            let mut frame = frame(4, 2, |row, _| if row == 0 { 0 } else { 65535 });
            (frame.black, frame.full_scale) = (black, full_scale);
            frame.levels[(0, 1)] = black;
            frame.levels[(1, 1)] = full_scale;
            assert_eq!(picture(&frame, 1).0, [0, 0, 0, 0, 255, 255, 255, 255]);
        }
    }
}
