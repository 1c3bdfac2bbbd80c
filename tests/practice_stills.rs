//! The kinds of practice stills on which accuracy is measured, and the one frame that a still of a kind shows.

use lineturn::simulate::{Scene, Speck, scene};

/// Lines of a still that is not to show one under a hair are farther from it than this, px.
const CLEAR_OF_HAIR_PX: f64 = 15.0;

/// A kind of still: the scenario it is taken from, and what is changed.
pub(crate) type Kind = (&'static str, &'static str, fn(&mut Scene));

pub(crate) const KINDS: [Kind; 16] = [
    ("easy", "steady", |_| {}),
    ("four lines", "several-lines", |_| {}),
    ("saturated core", "saturated", |_| {}),
    ("under a hair", "under-hair", |_| {}),
    ("under a hair, saturated", "under-hair", |scene| {
        scene.light.line *= 2.5;
    }),
    ("close doublet", "doublet", |_| {}),
    ("closest pair", "sodium-pair", |_| {}),
    ("faint", "faint", |_| {}),
    ("tilted", "steady", |scene| scene.bench.slit.lean_deg = 6.0),
    ("diagonal hairs", "diagonal-hairs", |_| {}),
    ("no hairs", "no-hairs", |_| {}),
    ("hot pixels", "steady", |scene| {
        scene.camera.hot_share = 1e-3
    }),
    ("dust", "steady", dusty),
    ("uneven light", "steady", |scene| {
        scene.eyepiece.unevenness = 0.35;
        scene.eyepiece.vignetting = 0.4;
    }),
    ("colour, gamma", "bayer-gamma", |_| {}),
    ("JPEG", "compressed", |_| {}),
];

fn dusty(scene: &mut Scene) {
    let seed = scene.seed as f64;
    let eyepiece = &mut scene.eyepiece;
    for k in 0..40 {
        // Places and sizes without a pattern that a line could have.
        let a = (f64::from(k) * 12.9898 + seed * 3.1).sin() * 43758.5453;
        let b = (f64::from(k) * 78.233 + seed * 1.7).sin() * 12543.123;
        eyepiece.specks.push(Speck {
            x_px: a.rem_euclid(1.0) * eyepiece.width as f64,
            y_px: b.rem_euclid(1.0) * eyepiece.height as f64,
            sigma_px: 0.7 + 2.0 * (a + b).rem_euclid(1.0),
            depth: 0.1 + 0.5 * (a - b).rem_euclid(1.0),
        });
    }
}

/// One frame of a scene: of one under whose hair a line is to lie, the frame in which it lies there.
pub(crate) fn single_frame(kind: &Kind, seed: u64) -> Scene {
    let mut scene = scene(kind.1, seed).expect("a scenario of the list");
    (kind.2)(&mut scene);
    let frames = scene.frames();
    let seen = |frame: usize| {
        let truth = scene.frame_truth(frame);
        let clear =
            |offset_px: f64| offset_px.abs() > CLEAR_OF_HAIR_PX || truth.cross_hairs.is_none();
        truth.light > 0.3
            && truth.lines.iter().any(|line| line.in_field)
            && truth.lines.iter().all(|line| clear(line.offset_px))
    };
    let first = (seed as usize * 37) % frames;
    let mut chosen = (0..frames)
        .map(|step| (first + step) % frames)
        .find(|&frame| seen(frame))
        .unwrap_or(first);
    if kind.1 == "under-hair" {
        let away = |frame: usize| {
            let truth = scene.frame_truth(frame);
            let nearest = truth.lines.iter().map(|line| line.offset_px.abs());
            nearest.fold(f64::INFINITY, f64::min)
        };
        // Somewhere on the hair, not always on its middle.
        let wanted = 0.5 * (seed % 7) as f64;
        chosen = (0..frames)
            .min_by(|&a, &b| {
                (away(a) - wanted)
                    .abs()
                    .total_cmp(&(away(b) - wanted).abs())
            })
            .unwrap_or(chosen);
    }
    scene.frame_times_s = vec![scene.frame_times_s[chosen]];
    scene
}
