//! Frames for those who watch: a JPEG picture, coded once however many ask, with what was seen in it.

use jpeg_encoder::{ColorType, Encoder};
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
    let size = |length: usize| u16::try_from(length).unwrap_or(0);
    let coded = Encoder::new(&mut bytes, QUALITY).encode(
        &levels,
        size(width),
        size(height),
        ColorType::Luma,
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
    let levels = frame.levels.as_standard_layout();
    let levels = levels.as_slice().unwrap_or_default();
    // The number is known when the program is made, so that many pixels are summed at a time.
    let shown = match divisor {
        1 => means::<1>(frame, levels),
        2 => means::<2>(frame, levels),
        3 => means::<3>(frame, levels),
        4 => means::<4>(frame, levels),
        5 => means::<5>(frame, levels),
        6 => means::<6>(frame, levels),
        7 => means::<7>(frame, levels),
        _ => means::<MOST_TO_ONE>(frame, levels),
    };
    (shown, frame.width() / divisor, frame.height() / divisor)
}

/// Means of `N` by `N` pixels from black to full scale, as 0 to 255, rounded down.
fn means<const N: usize>(frame: &Frame, levels: &[u16]) -> Vec<u8> {
    let (width, height) = (frame.width() / N, frame.height() / N);
    let pixels = (N * N) as u32;
    let black = pixels * u32::from(frame.black);
    let range = u64::from(pixels) * u64::from(frame.full_scale.saturating_sub(frame.black).max(1));
    // In units of 2^-32 and rounded up, so that a level that is clipped is white.
    let factor = (255_u64 << 32).div_ceil(range);
    let mut shown = Vec::with_capacity(width * height);
    let mut sums = vec![0_u32; width * N];
    for rows in levels.chunks_exact((frame.width() * N).max(1)) {
        sums.fill(0);
        for row in rows.chunks_exact(frame.width()) {
            for (sum, level) in sums.iter_mut().zip(row) {
                *sum += u32::from(*level);
            }
        }
        let (few, _) = sums.as_chunks::<N>();
        shown.extend(few.iter().map(|few| {
            let above = few.iter().sum::<u32>().saturating_sub(black);
            ((u64::from(above) * factor) >> 32).min(255) as u8
        }));
    }
    shown
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
    fn a_picture_of_every_size_is_the_mean_rounded_down() {
        let frame = frame(67, 41, |row, column| {
            ((row * 37 + column * 101) % 256) as u16
        });
        for divisor in 1..=MOST_TO_ONE {
            let (levels, width, height) = picture(&frame, divisor);
            assert_eq!((width, height), (67 / divisor, 41 / divisor));
            assert_eq!(levels.len(), width * height);
            for (at, level) in levels.iter().enumerate() {
                let (row, column) = (at / width * divisor, at % width * divisor);
                let sum: usize = (row..row + divisor)
                    .flat_map(|row| (column..column + divisor).map(move |column| (row, column)))
                    .map(|at| usize::from(frame.levels[at]))
                    .sum();
                assert_eq!(
                    usize::from(*level),
                    sum / (divisor * divisor),
                    "{divisor}: {at}"
                );
            }
        }
    }

    #[test]
    fn a_coded_picture_is_read_by_another_decoder() {
        let frame = frame(320, 240, |row, column| ((row + column) / 3) as u16);
        let coded = jpeg(&frame, 2);
        let read = image::load_from_memory_with_format(&coded, image::ImageFormat::Jpeg)
            .unwrap()
            .to_luma8();
        assert_eq!(read.dimensions(), (160, 120));
        let (levels, ..) = picture(&frame, 2);
        for (read, level) in read.as_raw().iter().zip(levels) {
            assert!(read.abs_diff(level) <= 4, "{read} {level}");
        }
        // Larger than JPEG can be: no picture.
        assert!(jpeg(&self::frame(70_000, 1, |_, _| 0), 1).is_empty());
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
