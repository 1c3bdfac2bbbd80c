//! Frames with a known truth, drawn here with a renderer of its own.

#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use statrs::function::erf::erf;

use super::*;
use crate::basics::frame::Frame;

/// One slit image of a scene: place at the middle row, dx/dy, d²x/dy², slit, blur, height of the light.
#[derive(Clone, Copy)]
struct Slit {
    x: f64,
    tangent: f64,
    bow: f64,
    slit: f64,
    blur: f64,
    level: f64,
}

/// A scene in electrons per pixel; `gain` electrons per level.
#[derive(Clone)]
struct Scene {
    width: usize,
    height: usize,
    slits: Vec<Slit>,
    glow: f64,
    /// Share of the light that is lost half a picture's width from its middle; it grows with the square of the distance.
    fall: f64,
    /// Radius of the field stop, px; the light of the room alone comes from beyond.
    stop_px: f64,
    /// Crossing (x, y), rotation in degrees, width and depth of both hairs.
    hairs: Option<(f64, f64, f64, f64, f64)>,
    gain: f64,
    read: f64,
    /// Steps of the camera's levels to one of 8 bits: 1, or 256 with 16 bits.
    steps: u16,
    rows: (usize, usize),
    random: u64,
}

impl Scene {
    fn new(random: u64) -> Self {
        Self {
            width: 320,
            height: 240,
            slits: Vec::new(),
            glow: 8.0,
            fall: 0.3,
            stop_px: f64::INFINITY,
            hairs: None,
            gain: 20.0,
            read: 1.2,
            steps: 1,
            rows: (0, 10_000),
            random,
        }
    }

    /// A hair: an opaque or half-clear box blurred by 0.8 px.
    fn shade(&self, x: f64, y: f64) -> f64 {
        let Some((cx, cy, turn, width, depth)) = self.hairs else {
            return 1.0;
        };
        let (sin, cos) = turn.to_radians().sin_cos();
        let (dx, dy) = (x - cx, y - cy);
        let dip = |d: f64| {
            let b = 0.8 * std::f64::consts::SQRT_2;
            0.5 * (erf((d + width / 2.0) / b) - erf((d - width / 2.0) / b))
        };
        (1.0 - depth * dip(dx * cos + dy * sin)) * (1.0 - depth * dip(-dx * sin + dy * cos))
    }

    fn draw(&self) -> Frame {
        let mut random = ChaCha8Rng::seed_from_u64(self.random);
        let unit = Normal::new(0.0, 1.0).unwrap();
        let mut frame = Frame::empty();
        frame.resize(self.width, self.height);
        let steps = f64::from(self.steps);
        frame.full_scale = (256 * u32::from(self.steps) - 1) as u16;
        let (mx, my) = (self.width as f64 / 2.0, (self.height as f64 - 1.0) / 2.0);
        for y in 0..self.height {
            for x in 0..self.width {
                let r2 = ((x as f64 - mx).powi(2) + (y as f64 - my).powi(2)) / (mx * mx);
                let mut light = self.glow;
                if y >= self.rows.0 && y <= self.rows.1 {
                    for s in &self.slits {
                        let dy = y as f64 - my;
                        let u = x as f64 - s.x - s.tangent * dy - s.bow / 2.0 * dy * dy;
                        let b = s.blur * std::f64::consts::SQRT_2;
                        light += s.level
                            * 0.5
                            * (erf((u + s.slit / 2.0) / b) - erf((u - s.slit / 2.0) / b));
                    }
                }
                light *= (1.0 - self.fall * r2).max(0.0) * self.shade(x as f64, y as f64);
                if r2 * mx * mx > self.stop_px * self.stop_px {
                    light = 0.15 * self.glow;
                }
                let sd = (light / self.gain + self.read * self.read).sqrt();
                let level = steps * (light + sd * unit.sample(&mut random));
                frame.levels[(y, x)] = level.round().clamp(0.0, f64::from(frame.full_scale)) as u16;
            }
        }
        frame
    }

    /// The same through a camera of 16 bits that has next to no noise.
    fn with_little_noise(self) -> Self {
        Self {
            gain: 2000.0,
            read: 0.03,
            steps: 256,
            ..self
        }
    }

    fn y_mid(&self) -> f64 {
        (self.height as f64 - 1.0) / 2.0
    }
}

fn slit(x: f64, level: f64) -> Slit {
    Slit {
        x,
        tangent: 0.03,
        bow: 1e-4,
        slit: 3.0,
        blur: 1.2,
        level,
    }
}

/// Mean and spread of numbers.
fn spread(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let square = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
    (mean, square.sqrt())
}

/// Pulls and errors of the only line over frames of a scene that `make` gives.
fn pulls(frames: u64, make: impl Fn(u64) -> Scene) -> (Vec<f64>, Vec<f64>) {
    let mut finder = Finder::new();
    let (mut pulls, mut errors) = (Vec::new(), Vec::new());
    for k in 0..frames {
        let scene = make(k);
        let picture = finder.look(&scene.draw(), &Known::default());
        assert_eq!(picture.lines.len(), 1, "frame {k}: {:?}", picture.lines);
        let line = picture.lines[0].at_height(scene.y_mid());
        pulls.push((line.x_px - scene.slits[0].x) / line.u_px);
        errors.push(line.x_px - scene.slits[0].x);
    }
    (pulls, errors)
}

fn check(name: &str, frames: u64, make: impl Fn(u64) -> Scene) {
    let (pulls, errors) = pulls(frames, make);
    let (mean, sd) = spread(&pulls);
    let rms = (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt();
    eprintln!("{name}: pull mean {mean:.2} sd {sd:.2}, rms {rms:.4} px");
    // Spread of a sample of n pulls: 1 ± 1/sqrt(2 n); three times that and 10 % for the estimate of u.
    let n = frames as f64;
    assert!(
        (0.9 - 2.0 / (2.0 * n).sqrt()..1.1 + 3.0 / (2.0 * n).sqrt()).contains(&sd),
        "{name}: {sd}"
    );
    assert!(mean.abs() < 4.0 / n.sqrt(), "{name}: mean pull {mean}");
}

#[test]
fn uncertainty_of_a_bright_line_is_true() {
    check("bright", 100, |k| Scene {
        slits: vec![slit(150.0 + 0.137 * k as f64, 90.0)],
        ..Scene::new(k)
    });
}

#[test]
fn uncertainty_of_a_faint_line_is_true() {
    check("faint", 100, |k| Scene {
        slits: vec![slit(150.0 + 0.137 * k as f64, 3.0)],
        ..Scene::new(1000 + k)
    });
}

#[test]
fn uncertainty_of_a_clipped_line_is_true() {
    check("clipped", 60, |k| Scene {
        slits: vec![slit(150.0 + 0.137 * k as f64, 900.0)],
        ..Scene::new(2000 + k)
    });
}

#[test]
fn uncertainty_of_a_wide_short_line_is_true() {
    check("wide and short", 60, |k| Scene {
        slits: vec![Slit {
            slit: 14.0,
            ..slit(150.0 + 0.137 * k as f64, 20.0)
        }],
        rows: (70, 170),
        ..Scene::new(3000 + k)
    });
}

/// At its place the light falls off by 0.5 % a pixel, which moves the middle of its profile by 0.011 px.
#[test]
fn light_that_falls_off_sideways_moves_no_line() {
    let (_, errors) = pulls(40, |k| Scene {
        slits: vec![Slit {
            tangent: 0.0,
            bow: 0.0,
            ..slit(260.0 + 0.137 * k as f64, 150.0)
        }],
        glow: 25.0,
        fall: 0.5,
        gain: 100.0,
        ..Scene::new(2500 + k)
    });
    let (mean, _) = spread(&errors);
    eprintln!("light that falls off: {mean:.4} px");
    assert!(mean.abs() < 0.003, "{mean:.4} px");
}

/// The rim runs across the ends of such a line at 50 degrees, and takes the light of its outer flank first.
#[test]
fn a_field_stop_that_cuts_the_ends_obliquely_moves_no_line() {
    let (_, errors) = pulls(40, |k| Scene {
        slits: vec![Slit {
            tangent: 0.0,
            bow: 0.0,
            slit: 6.0,
            ..slit(80.0 + 0.137 * k as f64, 150.0)
        }],
        glow: 25.0,
        fall: 0.0,
        stop_px: 105.0,
        gain: 100.0,
        ..Scene::new(2600 + k)
    });
    let (mean, _) = spread(&errors);
    eprintln!("ends cut obliquely: {mean:.4} px");
    assert!(mean.abs() < 0.002, "{mean:.4} px");
}

/// The height of a line that is clipped three- to eightfold is in its flanks only, and beside a hair one of them is shaded.
#[test]
fn a_line_that_is_clipped_many_times_is_found_beside_a_hair() {
    let mut finder = Finder::new();
    for k in 0..12_u32 {
        let scene = Scene {
            slits: vec![Slit {
                slit: 6.0,
                ..slit(150.3, 800.0 + 110.0 * f64::from(k))
            }],
            hairs: Some((133.0 + 0.3 * f64::from(k), 121.0, 0.7, 2.5, 0.8)),
            glow: 30.0,
            ..Scene::new(2600 + u64::from(k))
        };
        let picture = finder.look(&scene.draw(), &Known::default());
        let near = |line: &Line| (line.at_height(scene.y_mid()).x_px - 150.3).abs() < 0.05;
        assert!(
            picture.lines.len() == 1 && near(&picture.lines[0]),
            "{k}: {:?}",
            picture.lines
        );
    }
}

/// Such a line lights nothing as far away as the hair, whose rows were left out nevertheless: it was sought elsewhere, and found there.
#[test]
fn a_hair_beside_a_line_that_is_clipped_many_times_is_where_it_is() {
    let mut finder = Finder::new();
    for k in 0..12_u32 {
        let x = 133.0 + 0.3 * f64::from(k);
        let scene = Scene {
            slits: vec![Slit {
                slit: 6.0,
                ..slit(150.3, 800.0 + 110.0 * f64::from(k))
            }],
            hairs: Some((x, 121.0, 0.7, 2.5, 0.8)),
            glow: 30.0,
            ..Scene::new(2600 + u64::from(k))
        };
        let picture = finder.look(&scene.draw(), &Known::default());
        let cross = picture.cross_hairs.expect("hairs are there");
        assert!((cross.x_px - x).abs() < 0.05, "{k}: {} px", cross.x_px - x);
    }
}

/// A hair that lies askew runs beyond the field stop for much of its length, where it casts no shadow.
#[test]
fn hairs_that_lie_askew_in_a_round_field_are_found() {
    let mut finder = Finder::new();
    for k in 0..12_u32 {
        let turn = 34.0 + f64::from(k);
        let scene = Scene {
            hairs: Some((163.0, 118.4, turn, 2.5, 0.9)),
            glow: 30.0,
            stop_px: 105.0,
            ..Scene::new(2700 + u64::from(k))
        };
        let picture = finder.look(&scene.draw(), &Known::default());
        let cross = picture.cross_hairs.expect("a cross that is there");
        let away = (cross.x_px - 163.0).hypot(cross.y_px - 118.4);
        assert!(away < 0.2, "turned by {turn} degrees: {away:.3} px off");
        assert!(
            (cross.hairs[0].depth - cross.hairs[1].depth).abs() < 0.1,
            "{:?}",
            cross.hairs
        );
    }
}

/// A wide line at 150.3 px with an upright hair that crosses the middle of the picture's height at `x`.
fn with_hair_at(x: f64, k: u32) -> Scene {
    Scene {
        slits: vec![Slit {
            tangent: 0.01,
            slit: 6.0,
            ..slit(150.3, 60.0)
        }],
        hairs: Some((x, 121.0, 0.5, 2.5, 0.8)),
        glow: 30.0,
        ..Scene::new(4000 + u64::from(k))
    }
}

/// In one frame of which nothing is known, an upright hair on the line is found with it.
#[test]
fn a_hair_on_a_line_of_a_single_frame_is_no_gap_between_two_lines() {
    let mut finder = Finder::new();
    let (mut beyond, mut far, mut torn) = (0, 0, 0);
    for k in 0..60u32 {
        let scene = with_hair_at(138.0 + 0.41 * f64::from(k), k);
        let picture = finder.look(&scene.draw(), &Known::default());
        let [line] = &picture.lines[..] else {
            torn += 1;
            continue;
        };
        let line = line.at_height(scene.y_mid());
        let error = (line.x_px - 150.3).abs();
        beyond += u32::from(error > 3.0 * line.u_px);
        far += u32::from(error > 0.2);
    }
    eprintln!("hair on the line: {torn} of 60 torn, {far} far off, {beyond} beyond 3 u");
    assert!(torn + far <= 3, "{torn} torn and {far} far off of 60");
    assert!(beyond <= 3, "{beyond} of 60 lie beyond 3 u");
}

#[test]
fn a_field_that_fills_a_third_of_the_picture_is_found() {
    let scene = Scene {
        slits: vec![slit(150.3, 60.0)],
        glow: 30.0,
        stop_px: 90.0,
        ..Scene::new(4700)
    };
    let picture = Finder::new().look(&scene.draw(), &Known::default());
    let field = picture.field.expect("a field stop");
    let away = (field.x_px - 160.0).hypot(field.y_px - scene.y_mid());
    assert!(
        away < 2.0 && (field.radius_px - 90.0).abs() < 3.0,
        "{field:?}"
    );
    assert_eq!(picture.lines.len(), 1, "{:?}", picture.lines);
}

/// With the hair's place known, a line under it is measured to a share of its width.
#[test]
fn a_known_hair_moving_across_the_line_shifts_it_little() {
    let mut finder = Finder::new();
    // The hairs as one frame shows them where no line is near.
    let apart = (0..20)
        .find_map(|k| {
            let scene = with_hair_at(230.0, k);
            finder.look(&scene.draw(), &Known::default()).cross_hairs
        })
        .expect("hairs far from the line");
    let mut errors = Vec::new();
    for k in 0..60u32 {
        let x = 138.0 + 0.41 * f64::from(k);
        let scene = with_hair_at(x, k);
        let mut cross = apart.clone();
        cross.x_px += x - 230.0;
        let known = Known {
            cross_hairs: Some(cross),
            hairs_fixed: true,
            ..Known::default()
        };
        let picture = finder.look(&scene.draw(), &known);
        let line = picture
            .lines
            .iter()
            .min_by(|a, b| (a.x_px - 150.3).abs().total_cmp(&(b.x_px - 150.3).abs()))
            .expect("a line");
        errors.push((
            line.at_height(scene.y_mid()).x_px - 150.3,
            line.at_height(scene.y_mid()).u_px,
        ));
    }
    let worst = errors.iter().map(|e| e.0.abs()).fold(0.0, f64::max);
    let beyond = errors.iter().filter(|e| e.0.abs() > 3.0 * e.1).count();
    eprintln!("hair across the line: worst {worst:.3} px, {beyond} of 60 beyond 3 u");
    assert!(worst < 0.15, "{worst}");
    assert!(beyond <= 3, "{beyond} of 60 lie beyond 3 u");
}

#[test]
fn hairs_are_found_with_true_uncertainty() {
    for turn in [0.7, 12.0, 40.0] {
        let mut finder = Finder::new();
        let (mut px, mut py) = (Vec::new(), Vec::new());
        for k in 0..30 {
            let at = (163.0 + 0.31 * f64::from(k), 117.0 + 0.17 * f64::from(k));
            let scene = Scene {
                slits: vec![slit(80.0, 60.0)],
                hairs: Some((at.0, at.1, turn, 2.5, 0.8)),
                glow: 30.0,
                ..Scene::new(5000 + k as u64)
            };
            let picture = finder.look(&scene.draw(), &Known::default());
            let cross = picture
                .cross_hairs
                .unwrap_or_else(|| panic!("turn {turn}, frame {k}: none"));
            px.push((cross.x_px - at.0) / cross.u_x_px);
            py.push((cross.y_px - at.1) / cross.u_y_px);
        }
        let ((mx, sx), (my, sy)) = (spread(&px), spread(&py));
        eprintln!("hairs turned {turn}: x {mx:.2} {sx:.2}, y {my:.2} {sy:.2}");
        for (mean, sd) in [(mx, sx), (my, sy)] {
            assert!(
                (0.65..1.45).contains(&sd) && mean.abs() < 0.75,
                "turn {turn}: {mean} {sd}"
            );
        }
    }
}

/// What a camera adds to every level is no light, and a hair shades none of it.
#[test]
fn in_the_dark_a_known_hair_is_no_line() {
    let mut finder = Finder::new();
    let lit = with_hair_at(230.0, 1);
    let known = Known {
        cross_hairs: finder.look(&lit.draw(), &Known::default()).cross_hairs,
        hairs_fixed: true,
        ..Known::default()
    };
    assert!(known.cross_hairs.is_some());
    for k in 0..40 {
        let dark = Scene {
            glow: 4.0,
            fall: 0.0,
            read: 0.25,
            gain: 1e6,
            ..Scene::new(6200 + k)
        };
        let lines = finder.look(&dark.draw(), &known).lines;
        assert!(lines.is_empty(), "frame {k}: {lines:?}");
    }
}

#[test]
fn nothing_is_found_in_noise() {
    let mut finder = Finder::new();
    for k in 0..40 {
        let picture = finder.look(
            &Scene {
                glow: f64::from(k),
                ..Scene::new(6000 + k as u64)
            }
            .draw(),
            &Known::default(),
        );
        assert!(
            picture.lines.is_empty() && picture.cross_hairs.is_none(),
            "frame {k}: {picture:?}"
        );
    }
}

#[test]
fn both_lines_of_a_doublet_are_found() {
    let mut finder = Finder::new();
    let (mut left, mut right) = (Vec::new(), Vec::new());
    for k in 0..40 {
        let x = 140.0 + 0.23 * f64::from(k);
        let scene = Scene {
            slits: vec![slit(x, 60.0), slit(x + 11.0, 30.0)],
            ..Scene::new(7000 + k as u64)
        };
        let lines = finder.look(&scene.draw(), &Known::default()).lines;
        assert_eq!(lines.len(), 2, "frame {k}: {lines:?}");
        left.push((lines[0].x_px - x) / lines[0].u_px);
        right.push((lines[1].x_px - x - 11.0) / lines[1].u_px);
    }
    for side in [&left, &right] {
        let (mean, sd) = spread(side);
        eprintln!("doublet: {mean:.2} {sd:.2}");
        assert!((0.7..1.45).contains(&sd) && mean.abs() < 0.8, "{mean} {sd}");
    }
}

/// Neighbours that an earlier look left unlike each other, each with a part of the other's light: images of one slit are alike.
#[test]
fn neighbours_that_begin_unlike_end_alike() {
    for k in 0..20 {
        let x = 140.0 + 0.23 * f64::from(k);
        let scene = Scene {
            slits: vec![slit(x, 60.0), slit(x + 6.1, 55.0)],
            ..Scene::new(7100 + k as u64)
        }
        .with_little_noise();
        let frame = scene.draw();
        let mut finder = Finder::new();
        let mut lines = finder.look(&frame, &Known::default()).lines;
        assert_eq!(lines.len(), 2, "frame {k}: {lines:?}");
        (lines[0].slit_px, lines[0].blur_px, lines[0].width_px) = (0.74, 2.99, 7.0);
        (lines[1].slit_px, lines[1].blur_px, lines[1].width_px) = (3.59, 0.42, 3.6);
        lines[0].x_px += 0.55;
        lines[1].x_px += 0.4;
        let known = Known {
            lines,
            everywhere: true,
            ..Known::default()
        };
        let lines = finder.look(&frame, &known).lines;
        let off: Vec<f64> = [x, x + 6.1]
            .iter()
            .zip(&lines)
            .map(|(x, l)| l.x_px - x)
            .collect();
        let unlike = (lines[0].width_px / lines[1].width_px).ln().abs();
        assert!(
            lines.len() == 2 && off.iter().all(|off| off.abs() < 0.03) && unlike < 0.1,
            "frame {k}: {off:?} px off, {lines:?}"
        );
    }
}

/// A patch of light is none unless it is nearly as clear as the line beside it, or as high as the field lets it be.
#[test]
fn short_patches_beside_a_clear_line_are_no_lines() {
    let scene = Scene {
        slits: vec![slit(150.2, 150.0)],
        ..Scene::new(5)
    };
    let line = Finder::new()
        .look(&scene.draw(), &Known::default())
        .lines
        .remove(0);
    let patch = |x_px: f64, rows: (usize, usize), clearness: f64| Line {
        x_px,
        rows,
        signal_to_noise: clearness * line.signal_to_noise,
        ..line.clone()
    };
    let field = FieldOfView {
        x_px: 160.0,
        y_px: 120.0,
        radius_px: 110.0,
    };
    let mut lines = vec![
        line.clone(),
        patch(60.0, (100, 120), 0.05),
        patch(61.0, (100, 120), 0.5),
        patch(62.0, (70, 170), 0.05),
        patch(265.0, (105, 135), 0.05),
    ];
    look::without_scraps(&mut lines, Some(&field));
    let left: Vec<f64> = lines.iter().map(|line| line.x_px.round()).collect();
    assert_eq!(left, [150.0, 61.0, 62.0, 265.0]);
}

fn line_with_a_wing(x: f64, k: u32) -> Scene {
    let wing = Slit {
        slit: 3.0,
        ..slit(x - 4.0, 12.0)
    };
    Scene {
        slits: vec![slit(x, 150.0), wing],
        ..Scene::new(800 + u64::from(k))
    }
}

/// Of a line with wings blur alone makes nearly the best picture: the slit ends narrow, and the fit comes to rest there, wherever
/// it began; more steps change nothing.
#[test]
fn a_fit_with_the_narrowest_slit_comes_to_rest() {
    for k in 0..12_u32 {
        let x = 150.2 + 0.17 * f64::from(k);
        let scene = line_with_a_wing(x, k).with_little_noise();
        let frame = scene.draw();
        let mut noise = grey::Noise::default();
        let grey = grey::Grey::of(&frame);
        noise.learn(&grey, 1.0);
        let seen = lines::Scene {
            grey,
            noise: &noise,
            hairs: None,
            y_ref: scene.y_mid(),
        };
        let line = Finder::new()
            .look(&frame, &Known::default())
            .lines
            .remove(0);
        for (slit_px, blur_px) in [(0.3, 3.3), (0.3, 1.2), (2.5, 2.5), (6.0, 0.8)] {
            let after = |iterations: usize| {
                let mut draft = lines::Draft::from_line(&line, x, scene.y_mid(), &seen);
                draft.thread.shape = shape::Shape { slit_px, blur_px };
                let rules = joint::Rules {
                    iterations,
                    shape_known: false,
                    seen_before: false,
                    profile_trusted: false,
                };
                let mut drafts = [draft];
                assert!(joint::Joint::default().fit(&mut drafts, &[0], &seen, rules));
                let [draft] = drafts;
                draft.thread
            };
            let (few, many) = (after(14), after(40));
            let began = format!("{k} from {slit_px} {blur_px}");
            assert!(few.settled && many.settled, "{began}");
            let apart = few.axis[0] - many.axis[0];
            let u = few.covariance[(0, 0)].sqrt();
            assert!(apart.abs() < 0.1 * u, "{began}: {apart} px apart, u {u}");
        }
    }
}

/// A lamp's line has wings that a slit image has not. Where there is next to no noise they would draw the fit, and its place
/// would depend on the camera.
#[test]
fn a_line_with_a_wing_lies_where_it_does_whatever_the_noise() {
    for k in 0..60_u32 {
        let x = 150.2 + 0.17 * f64::from(k);
        let scene = line_with_a_wing(x, k);
        let place = |scene: &Scene| {
            let lines = Finder::new().look(&scene.draw(), &Known::default()).lines;
            assert_eq!(lines.len(), 1, "{k}: {lines:?}");
            let line = lines[0].at_height(scene.y_mid());
            (line.x_px, line.u_px)
        };
        let (noisy, u_noisy) = place(&scene);
        let (clear, u_clear) = place(&scene.with_little_noise());
        let apart = noisy - clear;
        assert!(apart.abs() < 0.08, "{k}: {apart} px apart");
        for (found, u) in [(noisy, u_noisy), (clear, u_clear)] {
            assert!((found - x).abs() < 3.0 * u, "{k}: {} px, u {u}", found - x);
        }
    }
}

#[test]
fn frames_with_nothing_to_see_end_in_an_empty_picture() {
    let mut finder = Finder::new();
    for (w, h) in [
        (0, 0),
        (1, 1),
        (8, 8),
        (17, 16),
        (1, 400),
        (400, 1),
        (64, 48),
        (320, 240),
    ] {
        for level in [0_u16, 100, 255] {
            let mut frame = Frame::empty();
            frame.resize(w, h);
            frame.levels.fill(level);
            let picture = finder.look(&frame, &Known::default());
            assert!(
                picture.lines.is_empty() && picture.cross_hairs.is_none(),
                "{w} {h} {level}: {picture:?}"
            );
        }
    }
}

#[test]
fn a_faint_line_is_seldom_missed() {
    let mut finder = Finder::new();
    let (mut seen, mut told) = (0, 0.0);
    for k in 0..30 {
        let scene = Scene {
            // 1.2 levels on the mean of its rows.
            slits: vec![slit(100.0 + 3.1 * f64::from(k), 1.33)],
            ..Scene::new(8000 + k as u64)
        };
        let frame = scene.draw();
        let picture = finder.look(&frame, &Known::default());
        if let [line] = picture.lines.as_slice() {
            seen += 1;
            told += line.signal_to_noise;
            assert!(
                (line.at_height(scene.y_mid()).x_px - scene.slits[0].x).abs()
                    < 5.0 * line.u_px + 0.5,
                "{line:?}"
            );
        }
    }
    eprintln!(
        "faint: {seen} of 30 seen, mean signal-to-noise ratio {:.1}",
        told / f64::from(seen.max(1))
    );
    assert!(seen >= 29);
}

/// All that is asked about a bowed hair agrees on where it is, however it leans and whichever way round its direction is told.
#[test]
fn a_bowed_hair_is_in_one_place() {
    for angle_deg in [-89.0_f64, -40.0, 0.6, 40.0, 75.0, 90.0] {
        let turn = angle_deg.to_radians();
        let (dx, dy) = (turn.sin(), -turn.cos());
        let bow = 4e-6;
        let hair = Hair::along((dx, dy), bow, 2.5, 0.8);
        let told_backwards = Hair::along((-dx, -dy), -bow, 2.5, 0.8);
        assert!((hair.bow_per_px - told_backwards.bow_per_px).abs() < 1e-12);
        let cross = CrossHairs {
            x_px: 300.0,
            y_px: 200.0,
            u_x_px: 0.01,
            u_y_px: 0.01,
            rotation_deg: 0.0,
            hairs: [hair.clone(), hair],
        };
        for along in [-180.0, 60.0, 180.0] {
            let aside = bow / 2.0 * along * along;
            let (x, y) = (
                300.0 + along * dx - aside * dy,
                200.0 + along * dy + aside * dx,
            );
            let away = cross.distance_px(0, x, y);
            assert!(away.abs() < 1e-3, "{angle_deg}: {away:.5} px");
            assert!((cross.leans()[1].distance_px(x, y) - away).abs() < 1e-9);
            assert!((cross.leans()[0].at_start_px(x, 0, y) - away).abs() < 2e-3);
            if angle_deg.abs() < 60.0 {
                let off = cross.x_at(0, y).unwrap() - x;
                assert!(off.abs() < 2e-3, "{angle_deg}: {off:.5} px");
            }
        }
    }
}
