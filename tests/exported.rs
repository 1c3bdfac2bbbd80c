//! Practice stills as files, with what is true of them, their bounds, and what we found and how long that took: for programs
//! that measure the same pictures by other means.

use std::path::Path;
use std::time::Instant;

use lineturn::session::{Frame, Picture, locate_in};
use lineturn::simulate::{FrameBounds, FrameTruth, Scene, write_still};
use serde_json::{Value, json};

use crate::practice_stills::{KINDS, single_frame};

/// Looks at a frame that are timed; the shortest one counts, which nothing else on the machine held up.
const TIMED: usize = 7;
/// Rows this near the rim of the field are not a line's, px.
const RIM_PX: f64 = 6.0;

/// Writes `seeds` stills of every kind and `stills.json` into a folder, one after the other in one thread.
pub(crate) fn write(folder: &Path, seeds: u64) {
    std::fs::create_dir_all(folder).expect("a folder that can be written");
    let mut all = Vec::new();
    for (number, kind) in KINDS.iter().enumerate() {
        for seed in 1..=seeds {
            let scene = single_frame(kind, seed);
            let file = format!("{number:02}-{seed}.png");
            let mut frame = Frame::empty();
            let mut rendering = scene.rendering();
            let truth = rendering.next_into(&mut frame).expect("one frame");
            write_still(rendering.picture(), &folder.join(&file)).expect("a file");
            let bounds = scene.bounds(0).expect("one frame");
            let mut milliseconds = f64::INFINITY;
            let mut found = locate_in(&frame);
            for _ in 0..TIMED {
                let begin = Instant::now();
                found = std::hint::black_box(locate_in(std::hint::black_box(&frame)));
                milliseconds = milliseconds.min(begin.elapsed().as_secs_f64() * 1e3);
            }
            all.push(json!({
                "kind": kind.0,
                "seed": seed,
                "file": file,
                "camera": camera(&scene),
                "lines": lines(&scene, &truth, &bounds),
                "hairs": hairs(&truth, &bounds),
                "ours": ours(&found, scene.eyepiece.hairs.y_px, milliseconds),
            }));
        }
    }
    let document = json!({ "lineturn": env!("CARGO_PKG_VERSION"), "stills": all });
    let text = serde_json::to_string_pretty(&document).expect("plain values");
    std::fs::write(folder.join("stills.json"), text).expect("a file");
}

fn camera(scene: &Scene) -> Value {
    let camera = &scene.camera;
    json!({
        "full_well_e": camera.full_well_e,
        "read_noise_e": camera.read_noise_e,
        "gain_spread": camera.gain_spread,
        "black_share": camera.black_share,
        "gamma": camera.gamma,
    })
}

/// The lines in the field whose place the frame shows at all; rows are those that the slit image covers inside the field.
fn lines(scene: &Scene, truth: &FrameTruth, bounds: &FrameBounds) -> Vec<Value> {
    let eyepiece = &scene.eyepiece;
    let slit = &scene.bench.slit;
    let away_px = |arcsec: f64| eyepiece.y_sign * arcsec / eyepiece.arcsec_per_px;
    let middle_px = eyepiece.hairs.y_px + away_px(-scene.bench.telescope_elevation_arcsec);
    let half_px = away_px(slit.half_height_arcsec).abs() - RIM_PX;
    truth
        .lines
        .iter()
        .filter(|line| line.in_field && bounds.lines_px[line.line - 1].is_finite())
        .map(|line| {
            let aside_px = line.x_px - eyepiece.centre_px[0];
            let reach_px = (eyepiece.radius_px.powi(2) - aside_px.powi(2))
                .max(0.0)
                .sqrt()
                - RIM_PX;
            json!({
                "x_px": line.x_px,
                "y_px": eyepiece.hairs.y_px,
                "slope": line.tilt_deg.to_radians().tan(),
                "curvature_per_px": line.curvature_per_px,
                "bound_px": bounds.lines_px[line.line - 1],
                "signal_to_noise": bounds.signal_to_noise[line.line - 1],
                "rows": [
                    (middle_px - half_px).max(eyepiece.centre_px[1] - reach_px).max(0.0),
                    (middle_px + half_px).min(eyepiece.centre_px[1] + reach_px).min(eyepiece.height as f64 - 1.0),
                ],
            })
        })
        .collect()
}

fn hairs(truth: &FrameTruth, bounds: &FrameBounds) -> Option<Value> {
    truth.cross_hairs.map(|hairs| {
        json!({
            "x_px": hairs.x_px,
            "y_px": hairs.y_px,
            "rotation_deg": hairs.rotation_deg,
            "width_px": hairs.width_px,
            "depth": hairs.depth,
            "bounds_px": bounds.hairs_px,
        })
    })
}

fn ours(found: &Picture, y_px: f64, milliseconds: f64) -> Value {
    let lines: Vec<Value> = found
        .lines
        .iter()
        .map(|line| line.at_height(y_px))
        .map(|line| json!({ "x_px": line.x_px, "u_px": line.u_px }))
        .collect();
    let hairs = found.cross_hairs.as_ref().map(|hairs| {
        json!({ "x_px": hairs.x_px, "y_px": hairs.y_px, "u_x_px": hairs.u_x_px, "u_y_px": hairs.u_y_px })
    });
    json!({ "lines": lines, "hairs": hairs, "milliseconds": milliseconds })
}
