//! The rendered picture against its own truth, measured with means that no other stage uses.

use super::*;
use crate::basics::frame::Frame;

/// A scene without noise, hairs, specks or uneven light, in 16 bits.
fn clean(name: &str, seed: u64) -> Scene {
    let mut scene = scene(name, seed).unwrap();
    scene.camera = Camera {
        noisy: false,
        bits: 16,
        black_share: 0.0,
        ..Camera::measuring()
    };
    scene.eyepiece.hairs.width_px = 0.0;
    scene.eyepiece.specks.clear();
    scene.eyepiece.vignetting = 0.0;
    scene.eyepiece.unevenness = 0.0;
    scene.eyepiece.radius_px = 2000.0;
    scene.light = LampLight {
        glow: 0.0,
        ..LampLight::steady(0.5, 0.0)
    };
    scene
}

/// Centre of gravity of a row of a picture, and its sum.
fn row_moments(rendering: &Rendering<'_>, row: usize) -> (f64, f64) {
    let picture = rendering.picture();
    let levels = &picture.levels[row * picture.width..(row + 1) * picture.width];
    let sum: f64 = levels.iter().map(|v| f64::from(*v)).sum();
    let first: f64 = levels
        .iter()
        .enumerate()
        .map(|(x, v)| x as f64 * f64::from(*v))
        .sum();
    (first / sum, sum)
}

#[test]
fn a_clean_line_has_its_centre_of_gravity_on_the_true_axis() {
    for (name, seed) in [
        ("steady", 1),
        ("steady", 2),
        ("diagonal-hairs", 3),
        ("two-passes", 4),
        ("faint", 5),
    ] {
        let mut scene = clean(name, seed);
        scene.frame_times_s = scene.frame_times_s.into_iter().step_by(9).collect();
        let mut rendering = scene.rendering();
        let mut checked = 0;
        while let Some(truth) = rendering.next_picture() {
            let Some(line) = truth.lines.first() else {
                continue;
            };
            if !(60.0..580.0).contains(&line.x_px) {
                continue;
            }
            checked += 1;
            let reference = scene.eyepiece.hairs.y_px;
            for row in [
                reference.round() as usize - 90,
                reference.round() as usize,
                reference.round() as usize + 90,
            ] {
                let dy = row as f64 - reference;
                let axis = line.x_px
                    + line.tilt_deg.to_radians().tan() * dy
                    + 0.5 * line.curvature_per_px * dy * dy;
                let (found, _) = row_moments(&rendering, row);
                // Away from the reference height the third order, left out of the truth, is let in.
                let bound = if row == reference.round() as usize {
                    1e-3
                } else {
                    6e-3
                };
                assert!(
                    (found - axis).abs() < bound,
                    "{name} {} {row}: {found} {axis}",
                    truth.frame
                );
            }
        }
        assert!(checked > 5, "{name}: {checked}");
    }
}

#[test]
fn light_is_kept_wherever_the_line_stands() {
    // Brightness times the image's width is the light in a row; both are known.
    let mut scene = clean("steady", 7);
    scene.light.walk = 0.0;
    scene.eyepiece.distortion_per_px2 = 0.0;
    scene.eyepiece.roll_deg = 0.0;
    scene.bench.slit.lean_deg = 0.0;
    // A straight slit image has its own width: no prism that widens it.
    scene.bench.path = Path::Straight;
    let width_px = scene.bench.slit.width_arcsec / scene.eyepiece.arcsec_per_px;
    scene.frame_times_s = vec![0.0];
    for telescope_arcsec in [-700.0, -3.3, 0.0, 411.7] {
        scene.bench.telescope_deg = telescope_arcsec / 3600.0;
        let mut rendering = scene.rendering();
        rendering.next_picture().unwrap();
        let (_, sum) = row_moments(&rendering, 240);
        let share = sum / (65535.0 * 0.5 * width_px);
        assert!((share - 1.0).abs() < 1e-3, "{telescope_arcsec}: {share}");
    }
}

#[test]
fn noise_is_that_of_photons_and_electronics() {
    let mut scene = clean("steady", 1);
    scene.bench.lines.clear();
    scene.camera.noisy = true;
    scene.camera.gain_spread = 0.0;
    scene.camera.hot_share = 0.0;
    for stray in [0.05, 0.3, 0.7] {
        scene.light.stray = stray;
        let mut rendering = scene.rendering();
        rendering.next_picture().unwrap();
        let first = rendering.picture().levels.clone();
        rendering.next_picture().unwrap();
        let second = &rendering.picture().levels;
        // The difference of two frames is free of the fixed pattern.
        let n = first.len() as f64;
        let difference: Vec<f64> = first
            .iter()
            .zip(second)
            .map(|(a, b)| f64::from(*a) - f64::from(*b))
            .collect();
        let mean: f64 = difference.iter().sum::<f64>() / n;
        let variance =
            difference.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (2.0 * (n - 1.0));
        let well = scene.camera.full_well_e;
        let expected =
            (stray * well + scene.camera.read_noise_e.powi(2)) * (65535.0 / well).powi(2);
        // 307 200 pixels know a variance to 0.26 per cent; the bound is four times that.
        assert!(
            (variance / expected - 1.0).abs() < 0.0105,
            "{stray}: {}",
            variance / expected
        );
    }
}

#[test]
fn the_same_number_gives_the_same_footage_and_another_gives_another() {
    for name in ["steady", "compressed", "exposure-hunting"] {
        let frames = |seed: u64| {
            let scene = scene(name, seed).unwrap();
            let mut rendering = scene.rendering();
            let mut frame = Frame::empty();
            let mut kept = Vec::new();
            for _ in 0..3 {
                let truth = rendering.next_into(&mut frame).unwrap();
                kept.push((frame.levels.clone(), serde_json::to_string(&truth).unwrap()));
            }
            kept
        };
        assert!(frames(11) == frames(11), "{name}");
        assert!(frames(11) != frames(12), "{name}");
    }
}

#[test]
fn a_turn_of_the_truth_is_the_extreme_of_the_track() {
    for (name, seed) in [
        ("steady", 1),
        ("under-hair", 2),
        ("doublet", 3),
        ("several-lines", 4),
        ("sodium-pair", 5),
        ("diagonal-hairs", 6),
    ] {
        let mut scene = scene(name, seed).unwrap();
        scene.exposure_s = 0.0;
        let truth = scene.truth();
        let frames = scene.frame_truths();
        assert_eq!(truth.lines.len(), scene.bench.lines.len(), "{name}");
        for line in &truth.lines {
            assert!(line.turned && line.passes == 1, "{name}: {line:?}");
            let track = frames
                .iter()
                .flat_map(|f| &f.lines)
                .filter(|l| l.line == line.line);
            let (least, most) = track.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), l| {
                (a.min(l.x_px), b.max(l.x_px))
            });
            let extreme = if truth.toward == "left" { least } else { most };
            // A frame may miss the turn by half an interval; the line is that flat there.
            assert!(
                (extreme - line.x_px).abs() < 0.02,
                "{name} {}: {extreme} {}",
                line.line,
                line.x_px
            );
            let beyond = if truth.toward == "left" {
                line.x_px - extreme
            } else {
                extreme - line.x_px
            };
            assert!(
                beyond < 1e-6,
                "{name}: the track goes beyond its turn by {beyond}"
            );
        }
        let xs: Vec<f64> = truth.lines.iter().map(|l| l.x_px).collect();
        assert!(xs.is_sorted(), "{name}: {xs:?}");
    }
}

#[test]
fn the_hand_s_own_reversals_are_told_from_minimum_deviation() {
    for seed in 0..12 {
        let count = |name: &str| {
            let truth = scene(name, seed).unwrap().truth();
            let turns = truth.turning_points.iter().filter(|t| t.line == 1);
            let (minima, hand): (Vec<_>, Vec<_>) = turns.partition(|t| t.counted);
            (minima.len(), hand.len(), truth.lines[0].turned)
        };
        assert_eq!(count("steady"), (1, 0, true), "{seed}");
        assert_eq!(count("hand-reverses-short"), (2, 3, true), "{seed}");
        assert_eq!(count("hand-reverses-beyond"), (2, 1, true), "{seed}");
        assert_eq!(count("only-reversal-by-hand"), (0, 1, false), "{seed}");
        assert_eq!(count("never-turned"), (0, 0, false), "{seed}");
        assert_eq!(count("two-passes"), (2, 1, true), "{seed}");
        assert_eq!(count("three-passes-creep-free"), (3, 2, true), "{seed}");
    }
}

#[test]
fn every_scenario_shows_its_first_line_and_keeps_its_promise() {
    assert!(scenario_names().len() >= 14);
    for (name, _) in scenario_names() {
        for seed in [1, 2, 3] {
            let scene = scene(name, seed).unwrap();
            let truth = scene.truth();
            assert!(
                (60..700).contains(&scene.frames()),
                "{name} {seed}: {} frames",
                scene.frames()
            );
            let line = &truth.lines[0];
            assert!(
                (60.0..580.0).contains(&line.x_px),
                "{name} {seed}: {}",
                line.x_px
            );
            let turn_seen = truth.turning_points.iter().any(|t| t.seen);
            assert!(
                turn_seen || name == "never-turned" || name == "darkness",
                "{name} {seed}"
            );
            let kinds: Vec<&str> = truth.events.iter().map(|e| e.kind).collect();
            let promised = match name {
                "leaves-field" => Some("outside the field"),
                "bump" => Some("slip of the camera"),
                "darkness" => Some("darkness"),
                "cloth" => Some("shade"),
                "telescope-creeps" => Some("telescope creep"),
                _ => None,
            };
            assert!(
                promised.is_none_or(|kind| kinds.contains(&kind)),
                "{name} {seed}: {kinds:?}"
            );
        }
    }
    let message = scene("stedy", 1).unwrap_err().to_string();
    assert!(
        message.contains("stedy") && message.contains("steady"),
        "{message}"
    );
}

#[test]
fn readings_and_offsets_of_the_experiment_add_up_to_the_true_deviations() {
    let folder = tempfile::tempdir().unwrap();
    let truth = experiment::experiment_without_clips(folder.path(), 5).unwrap();
    assert!(truth.lines.len() >= 5);
    for pointing in &truth.pointings {
        // Sign and size of the scale; the eyepiece's distortion is left out of it.
        let plain = pointing.offset_px * truth.arcsec_per_px;
        let distorted = (pointing.offset_arcsec - plain).abs();
        assert!(
            distorted < 0.2 + 0.012 * plain.abs(),
            "{pointing:?} {plain}"
        );
    }
    for line in &truth.lines {
        let of = |target: &str, footage: &str| {
            truth
                .pointings
                .iter()
                .find(|p| {
                    p.target == target
                        && p.set == line.set
                        && (footage.is_empty() || (p.offset_px - line.offset_px).abs() < 1e-9)
                })
                .unwrap()
        };
        let (on, straight) = (of("line", "own"), of("central", ""));
        let difference = (on.reading_deg + on.offset_arcsec / 3600.0)
            - (straight.reading_deg + straight.offset_arcsec / 3600.0);
        let difference = (difference - 360.0 * (difference / 360.0).round()).abs();
        assert!(
            (difference - line.deviation_deg).abs() < 1e-9,
            "{}: {difference} {}",
            line.line,
            line.deviation_deg
        );
        // The index by the formula of minimum deviation (Fraunhofer), which the trace does not use.
        let half = 0.5 * truth.prism_angle_deg.to_radians();
        let n = (half + 0.5 * line.deviation_deg.to_radians()).sin() / half.sin();
        assert!((n - line.n).abs() < 3e-6, "{}: {n} {}", line.line, line.n);
    }
    let face = |target: &str| {
        let p = truth.pointings.iter().find(|p| p.target == target).unwrap();
        p.reading_deg + p.offset_arcsec / 3600.0
    };
    let twice = (face("face-1") - face("face-2")).rem_euclid(360.0);
    let twice = twice.min(360.0 - twice);
    assert!(
        (twice - 2.0 * truth.prism_angle_deg).abs() < 0.3 / 3600.0,
        "{twice} {}",
        truth.prism_angle_deg
    );
    // The table as a reader of comma-separated values sees it.
    let mut table = csv::Reader::from_path(folder.path().join("readings.csv")).unwrap();
    let rows: Vec<csv::StringRecord> = table.records().collect::<Result<_, _>>().unwrap();
    assert_eq!(rows.len(), 2 + 5 + truth.lines.len());
    assert!(
        rows.iter()
            .all(|r| r[4].ends_with('"') && r[4].contains('°'))
    );
}

#[test]
fn clips_hold_every_frame() {
    let folder = tempfile::tempdir().unwrap();
    let mut scene = scene("bayer-gamma", 1).unwrap();
    scene.frame_times_s.truncate(4);
    let avi = write(&scene, &folder.path().join("avi"), Format::MotionJpeg(90)).unwrap();
    let bytes = std::fs::read(avi).unwrap();
    assert!(bytes.starts_with(b"RIFF"));
    assert_eq!(
        u32::from_le_bytes(bytes[4..8].try_into().unwrap()) as usize,
        bytes.len() - 8
    );
    let y4m = write(&scene, &folder.path().join("y4m"), Format::Y4m).unwrap();
    let bytes = std::fs::read(y4m).unwrap();
    let head = bytes.iter().position(|b| *b == b'\n').unwrap() + 1;
    assert_eq!(bytes.len() - head, 4 * (6 + 640 * 480 * 3 / 2));
    let pictures = write(&scene, &folder.path().join("png"), Format::Png).unwrap();
    assert!(pictures.join("frame-0003.png").exists() && pictures.join("times.csv").exists());
    let truth: serde_json::Value =
        serde_json::from_slice(&std::fs::read(pictures.join("truth.json")).unwrap()).unwrap();
    assert_eq!(truth["frames"].as_array().unwrap().len(), 4);
    scene.frames_per_s = None;
    let refused = write(&scene, &folder.path().join("refused"), Format::Y4m).unwrap_err();
    assert!(refused.to_string().contains("wander"), "{refused}");
}

#[test]
fn hairs_lie_where_the_truth_says_and_lean_as_it_says() {
    for (rotation_deg, seed) in [(0.0, 1), (1.7, 2), (-12.0, 3), (40.0, 4)] {
        let mut scene = clean("steady", seed);
        scene.bench.lines.clear();
        scene.light.stray = 0.5;
        scene.eyepiece.distortion_per_px2 = 0.0;
        scene.eyepiece.hairs.width_px = 3.0;
        scene.eyepiece.hairs.depth = 0.9;
        scene.eyepiece.hairs.rotation_deg = rotation_deg;
        let (picture, truth) = scene.still(0.0).unwrap();
        let hairs = truth.cross_hairs.unwrap();
        let bright = 0.5 * 65535.0;
        for row in [
            hairs.y_px.round() as usize - 70,
            hairs.y_px.round() as usize + 70,
        ] {
            // Its upper end leans to the right by the rotation.
            let expected =
                hairs.x_px + (hairs.y_px - row as f64) * f64::to_radians(rotation_deg).tan();
            let (mut dark, mut moment) = (0.0, 0.0);
            for column in expected.round() as usize - 12..=expected.round() as usize + 12 {
                let missing = bright - f64::from(picture.levels[row * picture.width + column]);
                dark += missing;
                moment += missing * column as f64;
            }
            let found = moment / dark;
            assert!(
                (found - expected).abs() < 5e-3,
                "{rotation_deg} {row}: {found} {expected}"
            );
            // A thread of 3 px that takes 0.9, cut at a slant.
            let width = dark / bright / 0.9 * f64::to_radians(rotation_deg).cos();
            assert!((width - 3.0).abs() < 0.02, "{rotation_deg}: {width}");
        }
    }
}

#[test]
fn motion_blur_is_the_mean_over_the_open_shutter() {
    // The light of a blurred frame is the mean of many sharp ones, and so is its true position.
    let mut scene = clean("steady", 3);
    scene.exposure_s = 0.04;
    let truths = scene.frame_truths();
    let fastest = truths
        .iter()
        .filter(|t| t.lines.len() == 1)
        .max_by(|a, b| a.lines[0].moved_px.total_cmp(&b.lines[0].moved_px))
        .unwrap();
    assert!(fastest.lines[0].moved_px > 1.5, "{:?}", fastest.lines[0]);
    let middle = scene.frame_times_s[fastest.frame as usize];
    scene.exposure_s = 0.0;
    scene.frame_times_s = (0..400)
        .map(|k| middle + 0.04 * ((f64::from(k) + 0.5) / 400.0 - 0.5))
        .collect();
    let sharp = scene.frame_truths();
    let mean = sharp.iter().map(|t| t.lines[0].x_px).sum::<f64>() / 400.0;
    let found = fastest.lines[0].x_px;
    assert!((found - mean).abs() < 4e-3, "{found} {mean}");
}

#[test]
fn stills_keep_their_depth_and_colour() {
    let folder = tempfile::tempdir().unwrap();
    let mut grey = scene("steady", 2).unwrap();
    grey.camera.bits = 12;
    let (picture, _) = grey.still(4.0).unwrap();
    let file = folder.path().join("grey.png");
    write_still(&picture, &file).unwrap();
    let read = image::open(&file).unwrap();
    assert_eq!(read.color(), image::ColorType::L16);
    let brightest = picture.levels.iter().max().unwrap();
    let expected = (f64::from(*brightest) * 65535.0 / 4095.0).round() as u16;
    assert_eq!(
        read.into_luma16().into_raw().into_iter().max().unwrap(),
        expected
    );
    let (picture, _) = scene("bayer-gamma", 2).unwrap().still(4.0).unwrap();
    let file = folder.path().join("colour.png");
    write_still(&picture, &file).unwrap();
    assert_eq!(image::open(&file).unwrap().color(), image::ColorType::Rgb8);
}

#[test]
fn a_finer_camera_shows_the_same_eyepiece() {
    let coarse = scene("steady", 4).expect("a scenario of the list");
    let mut fine = coarse.clone();
    fine.eyepiece = coarse.eyepiece.finer(1920, 1080);
    let (a, b) = (coarse.frame_truth(3), fine.frame_truth(3));
    let ratio = 1080.0 / 480.0;
    for (a, b) in a.lines.iter().zip(&b.lines) {
        assert!((b.offset_px - ratio * a.offset_px).abs() < 1e-6 * ratio);
        assert!((b.tilt_deg - a.tilt_deg).abs() < 1e-6);
    }
    let hairs = (a.cross_hairs.expect("hairs"), b.cross_hairs.expect("hairs"));
    assert!((hairs.1.y_px - ((hairs.0.y_px + 0.5) * ratio - 0.5)).abs() < 1e-9);
}
