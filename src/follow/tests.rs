//! Tests of this stage.

#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use super::practice::{self, Hand};
use super::*;
use crate::find::{FieldOfView, FixedPattern, Hair, Line};
use rand::RngExt;

/// A sweep as the eyepiece would show it.
#[derive(Clone, Debug)]
struct Scene {
    hand: Hand,
    /// Refractive index, width in px and light of every line.
    lines: Vec<(f64, f64, f64)>,
    /// Index whose minimum lies at `centre_px`.
    centred_on: f64,
    centre_px: f64,
    toward: Side,
    told: bool,
    hairs: bool,
    /// From one frame in which the hairs are measured to the next.
    hairs_apart: usize,
    /// Times of darkness, s.
    dark: Vec<(f64, f64)>,
    /// A knock: time and shift, s and px.
    knock: Option<(f64, f64, f64)>,
    /// Chance of a false sighting in a frame.
    ghosts: f64,
}

const RADIUS_PX: f64 = 600.0;
const HAIR_X_PX: f64 = 637.3;

impl Default for Scene {
    fn default() -> Self {
        Self {
            hand: Hand {
                noise_px: 0.04,
                ..Hand::default()
            },
            lines: vec![(1.62408, 5.0, 4000.0)],
            centred_on: 1.62408,
            centre_px: 620.0,
            toward: Side::Left,
            told: true,
            hairs: true,
            hairs_apart: 1,
            dark: vec![],
            knock: None,
            ghosts: 0.0,
        }
    }
}

struct Shown {
    sweep: Sweep,
    /// True place of minimum deviation of every line, left to right, px, before any knock.
    truth_px: Vec<f64>,
    duration_s: f64,
    frames: usize,
}

pub(super) fn line_at(x_px: f64, u_px: f64, width_px: f64, flux: f64) -> Line {
    Line {
        x_px,
        u_px,
        y_ref_px: 480.0,
        tilt_deg: 1.2,
        curvature_per_px: 1e-5,
        covariance: [[u_px * u_px, 0.0, 0.0], [0.0, 1e-8, 0.0], [0.0, 0.0, 1e-12]],
        width_px,
        peak_level: 0.5,
        slit_px: 2.0,
        blur_px: 1.5,
        flux,
        signal_to_noise: 80.0,
        saturated: false,
        under_hair: false,
        lasting_px: 0.0,
        fixed_pattern: FixedPattern::default(),
        rows: (100, 860),
    }
}

fn show(scene: &Scene, number: u64) -> Shown {
    let hand = &scene.hand;
    let mut random = practice::generator(number);
    let moments = practice::turn_the_table(hand, &mut random);
    let origin = practice::incidence_at_minimum_deg(scene.centred_on);
    let least = |n: f64| practice::deviation_deg(n, practice::incidence_at_minimum_deg(n));
    let side = sign_of(scene.toward);
    let place = |n: f64, from_minimum: f64| {
        scene.centre_px
            + side * ((least(n) - least(scene.centred_on)) * hand.px_per_deg + from_minimum)
    };
    let courses: Vec<Vec<f64>> = scene
        .lines
        .iter()
        .map(|(n, _, _)| practice::positions_px(hand, *n, origin, &moments))
        .collect();
    let seen: Vec<Vec<(usize, f64)>> = courses
        .iter()
        .map(|c| practice::seen(hand, c, &mut random))
        .collect();
    let mut follower = Follower::new(Settings {
        toward: scene.told.then_some(scene.toward),
        ..Settings::default()
    });
    let mut next = vec![0; scene.lines.len()];
    for (i, moment) in moments.iter().enumerate() {
        let t = moment.time_s;
        let (dx, dy) = match scene.knock {
            Some((when, dx, dy)) if t >= when => (dx, dy),
            _ => (0.0, 0.0),
        };
        let dark = scene.dark.iter().any(|d| t >= d.0 && t < d.1);
        let mut picture = Picture {
            mean_level: if dark { 0.0 } else { 0.1 },
            ..Picture::default()
        };
        if !dark {
            picture.field = Some(FieldOfView {
                x_px: 640.0 + dx + 0.2 * practice::normal(&mut random),
                y_px: 480.0 + dy + 0.2 * practice::normal(&mut random),
                radius_px: RADIUS_PX,
            });
            if scene.hairs && i % scene.hairs_apart == 0 {
                picture.cross_hairs = Some(CrossHairs {
                    x_px: HAIR_X_PX + dx + 0.03 * practice::normal(&mut random),
                    y_px: 480.6 + dy + 0.03 * practice::normal(&mut random),
                    u_x_px: 0.03,
                    u_y_px: 0.03,
                    rotation_deg: 0.4,
                    hairs: [
                        Hair {
                            angle_deg: 0.4,
                            bow_per_px: 0.0,
                            width_px: 2.0,
                            depth: 0.8,
                        },
                        Hair {
                            angle_deg: -89.6,
                            bow_per_px: 0.0,
                            width_px: 2.0,
                            depth: 0.8,
                        },
                    ],
                });
            }
        }
        for (k, (n, width, flux)) in scene.lines.iter().enumerate() {
            if seen[k].get(next[k]).is_some_and(|s| s.0 == i) {
                let x = place(*n, seen[k][next[k]].1) + dx;
                next[k] += 1;
                if !dark && (x - 640.0 - dx).abs() < RADIUS_PX - 6.0 {
                    let w = width * (1.0 + 0.03 * practice::normal(&mut random));
                    let f = flux * (1.0 + 0.1 * practice::normal(&mut random));
                    // The axis leans: position at y = 480, turning point at the hair's height.
                    let mut line = line_at(x, 0.04, w, f);
                    let d = 480.6 + dy - line.y_ref_px;
                    line.x_px -= line.tilt_deg.to_radians().tan() * d + 0.5e-5 * d * d;
                    picture.lines.push(line);
                }
            }
        }
        if random.random::<f64>() < scene.ghosts {
            picture
                .lines
                .push(line_at(random.random_range(60.0..1220.0), 0.2, 4.0, 800.0));
        }
        picture.lines.sort_by(|a, b| a.x_px.total_cmp(&b.x_px));
        follower.advance(i as u64, t, &picture);
    }
    let mut truth_px: Vec<f64> = scene.lines.iter().map(|(n, _, _)| place(*n, 0.0)).collect();
    truth_px.sort_by(f64::total_cmp);
    Shown {
        sweep: follower.finish(None),
        truth_px,
        duration_s: moments.last().map_or(0.0, |m| m.time_s),
        frames: moments.len(),
    }
}

fn describe(shown: &Shown) -> String {
    let mut text = format!(
        "{} frames, {:.2} s, toward {:?}, truth {:.2?}\n",
        shown.frames, shown.duration_s, shown.sweep.toward, shown.truth_px
    );
    for l in &shown.sweep.lines {
        text += &format!(
            "  line {} turned {} passes {} x {:.3} offset {:.3?} u {:.4} seen {}\n",
            l.line,
            l.turned,
            l.passes,
            l.x_px,
            l.offset_px,
            l.u_px,
            l.track.len()
        );
    }
    for p in &shown.sweep.turning_points {
        text += &format!(
            "    line {} t {:.2} x {:.2} u {:.3} counted {} {}\n",
            p.line, p.time_s, p.x_px, p.u_px, p.counted, p.why
        );
    }
    for c in &shown.sweep.cautions {
        text += &format!("  {}: {}\n", c.0, c.1);
    }
    text
}

/// Lines of mercury in a flint like SCHOTT F2: 546, 577 and 579 nm, roughly.
fn three_lines() -> Vec<(f64, f64, f64)> {
    vec![
        (1.62408, 5.0, 6000.0),
        (1.62083, 5.0, 2500.0),
        (1.62060, 5.0, 2700.0),
    ]
}

#[derive(Default)]
struct Count {
    sweeps: usize,
    missed: usize,
    wrong: usize,
    pulls: Vec<f64>,
    milliseconds: f64,
}

/// Runs a scene many times: every line must turn `passes` times, near the truth, and nothing else may count.
fn tally(name: &str, scene: &Scene, turns: bool, passes: usize, count: u64) -> Count {
    let mut result = Count::default();
    for number in 0..count {
        let begin = std::time::Instant::now();
        let shown = show(scene, 5000 + number);
        result.milliseconds += begin.elapsed().as_secs_f64() * 1e3;
        result.sweeps += 1;
        let mut bad = false;
        if turns {
            let ok = shown.sweep.lines.len() == shown.truth_px.len()
                && shown
                    .sweep
                    .lines
                    .iter()
                    .all(|l| l.turned && l.passes == passes);
            if !ok {
                result.missed += 1;
                bad = true;
            } else {
                for (line, truth) in shown.sweep.lines.iter().zip(&shown.truth_px) {
                    let shift = match scene.knock {
                        // Offsets do not move with the camera.
                        Some(_) | None => line.offset_px.map(|o| o - (truth - HAIR_X_PX)),
                    }
                    .unwrap_or(line.x_px - truth);
                    let pull = shift / line.u_px;
                    result.pulls.push(pull);
                    if pull.abs() > 5.0 {
                        bad = true;
                    }
                }
            }
        }
        let false_ones = shown
            .sweep
            .turning_points
            .iter()
            .filter(|p| p.counted)
            .filter(|p| {
                !turns
                    || (scene.knock.is_none()
                        && shown.truth_px.iter().all(|t| (t - p.x_px).abs() > 1.0))
            })
            .count();
        if false_ones > 0 {
            result.wrong += 1;
            bad = true;
        }
        if bad {
            eprintln!("--- {name} {number}\n{}", describe(&shown));
        }
    }
    let n = result.pulls.len().max(1) as f64;
    let mean = result.pulls.iter().sum::<f64>() / n;
    let sd = (result.pulls.iter().map(|p| (p - mean).powi(2)).sum::<f64>() / n).sqrt();
    let worst = result.pulls.iter().fold(0.0_f64, |a, b| a.max(b.abs()));
    eprintln!(
        "{name:32} {:4} sweeps, missed {:3}, wrong {:3}, pulls {mean:+.2} ± {sd:.2}, worst {worst:.2}, {:.0} ms each",
        result.sweeps,
        result.missed,
        result.wrong,
        result.milliseconds / result.sweeps as f64
    );
    result
}

#[test]
fn scenes_are_told_apart() {
    let base = Scene::default();
    let hand = |stations: &[f64]| Hand {
        stations_deg: stations.to_vec(),
        noise_px: 0.04,
        ..Hand::default()
    };
    let with = |stations: &[f64]| Scene {
        hand: hand(stations),
        ..base.clone()
    };
    let count = 4;
    let scenes: Vec<(&str, Scene, bool, usize)> = vec![
        ("one line, one pass", with(&[-1.6, 1.6]), true, 1),
        (
            "to the right",
            Scene {
                toward: Side::Right,
                ..with(&[-1.6, 1.6])
            },
            true,
            1,
        ),
        (
            "not told",
            Scene {
                told: false,
                ..with(&[-1.6, 1.6])
            },
            true,
            1,
        ),
        (
            "three lines",
            Scene {
                lines: three_lines(),
                ..with(&[-1.6, 1.6])
            },
            true,
            1,
        ),
        (
            "three lines, not told",
            Scene {
                told: false,
                lines: three_lines(),
                ..with(&[-1.6, 1.6])
            },
            true,
            1,
        ),
        (
            "three passes",
            Scene {
                lines: three_lines(),
                ..with(&[-1.6, 1.4, -1.3, 1.6])
            },
            true,
            3,
        ),
        (
            "three passes, not told",
            Scene {
                told: false,
                ..with(&[-1.6, 1.4, -1.3, 1.6])
            },
            true,
            3,
        ),
        ("hand only, one line", with(&[-2.0, -0.7, -2.0]), false, 0),
        ("hand only, close", with(&[-1.6, -0.4, -1.6]), false, 0),
        (
            "hand only, not told",
            Scene {
                told: false,
                ..with(&[-2.0, -0.7, -2.0])
            },
            false,
            0,
        ),
        (
            "hand only, three lines",
            Scene {
                lines: three_lines(),
                ..with(&[-2.0, -0.7, -2.0])
            },
            false,
            0,
        ),
        ("hand only, away side", with(&[-0.6, -2.0, -0.6]), false, 0),
        (
            "hand first, then minimum",
            with(&[-2.0, -0.7, -1.8, 1.6]),
            true,
            1,
        ),
        (
            "leaves the field and returns",
            with(&[-1.6, 2.4, -1.6]),
            true,
            2,
        ),
        (
            "dark before the turn",
            Scene {
                dark: vec![(0.8, 1.4)],
                ..with(&[-1.6, 1.6])
            },
            true,
            1,
        ),
        (
            "knock",
            Scene {
                lines: three_lines(),
                knock: Some((4.2, 6.3, 2.0)),
                ..with(&[-1.6, 1.6])
            },
            true,
            1,
        ),
        (
            "ghosts and bad frames",
            Scene {
                lines: three_lines(),
                ghosts: 0.2,
                hand: Hand {
                    bad: 0.03,
                    missing: 0.08,
                    ..hand(&[-1.6, 1.6])
                },
                ..base.clone()
            },
            true,
            1,
        ),
        (
            "no hairs",
            Scene {
                hairs: false,
                ..with(&[-1.6, 1.6])
            },
            true,
            1,
        ),
        (
            "10 a second, fast",
            Scene {
                lines: three_lines(),
                hand: Hand {
                    frames_per_s: 10.0,
                    speed_deg_s: 1.0,
                    ..hand(&[-1.6, 1.6])
                },
                ..base.clone()
            },
            true,
            1,
        ),
        (
            "sticking",
            Scene {
                lines: three_lines(),
                hand: Hand {
                    sticks_per_s: 1.0,
                    ..hand(&[-1.6, 1.6])
                },
                ..base.clone()
            },
            true,
            1,
        ),
        (
            "dark at the turn",
            Scene {
                dark: vec![(1.2, 4.4)],
                ..with(&[-1.6, 1.6])
            },
            false,
            0,
        ),
    ];
    for (name, scene, turns, passes) in scenes {
        let result = tally(name, &scene, turns, passes, count);
        // One line, one reversal: a hand that turns back within 2 px of the minimum cannot be told for sure.
        let allowed = match name {
            "hand only, close" => 3,
            "sticking" | "ghosts and bad frames" => 1,
            _ => 0,
        };
        assert!(result.missed <= allowed, "{name}: {} missed", result.missed);
        assert!(result.wrong <= allowed, "{name}: {} wrong", result.wrong);
        let worst = result.pulls.iter().fold(0.0_f64, |a, b| a.max(b.abs()));
        assert!(worst < 5.0, "{name}: a pull of {worst}");
    }
}

/// Between two fits of the hairs nobody knows whether the camera was knocked already, and a line that turns there stands still.
#[test]
fn a_knock_while_the_line_turns_spoils_no_turning_point() {
    let calm = Scene {
        hairs_apart: 4,
        ..Scene::default()
    };
    let turns = |shown: &Shown| -> Vec<TurningPoint> {
        let points = shown.sweep.turning_points.iter();
        points.filter(|point| point.counted).cloned().collect()
    };
    for number in 0..12 {
        let undisturbed = turns(&show(&calm, number));
        let when_s = undisturbed[0].time_s + 0.02 * (number as f64 - 6.0);
        let knocked = show(
            &Scene {
                knock: Some((when_s, -2.8, 2.2)),
                ..calm.clone()
            },
            number,
        );
        let found = turns(&knocked);
        assert_eq!(found.len(), undisturbed.len(), "{}", describe(&knocked));
        for point in found {
            let error = point.offset_px.unwrap() - (knocked.truth_px[0] - HAIR_X_PX);
            assert!(error.abs() < 4.0 * point.u_px, "{number}: {error} px off");
        }
    }
}

/// A line about 500 px, that comes `depth_px` to the left and goes back smoothly, held by a hand that trembles by some tenths of a
/// pixel from frame to frame.
fn held(settings: Settings, depth_px: f64, number: u64) -> Sweep {
    const FRAMES: u64 = 60;
    let mut random = practice::generator(number);
    let mut follower = Follower::new(settings);
    let mut tremble_px = 0.0;
    for i in 0..FRAMES {
        tremble_px = 0.4 * tremble_px + 0.3 * practice::normal(&mut random);
        let from_turn = (2 * i) as f64 / FRAMES as f64 - 1.0;
        // The mean of this over all frames is nothing.
        let way_px = depth_px * (from_turn * from_turn - 1.0 / 3.0);
        let picture = Picture {
            lines: vec![line_at(500.0 + way_px + tremble_px, 0.003, 5.0, 4000.0)],
            ..Picture::default()
        };
        follower.advance(i, i as f64 / 25.0, &picture);
    }
    follower.finish(None)
}

fn turned(settings: Settings, depth_px: f64) -> usize {
    (0..200)
        .filter(|number| held(settings, depth_px, *number).lines[0].turned)
        .count()
}

#[test]
fn a_hand_that_trembles_does_not_turn_the_table() {
    for toward in [None, Some(Side::Left)] {
        let settings = Settings {
            toward,
            ..Settings::default()
        };
        let count = turned(settings, 0.0);
        assert_eq!(count, 0, "of 200, the side of the central image {toward:?}");
    }
}

#[test]
fn a_line_known_to_stand_still_stands_at_its_mean_place() {
    const DEPTH_PX: f64 = 60.0;
    let told = Settings {
        toward: Some(Side::Left),
        ..Settings::default()
    };
    // What would mostly be taken for a turn …
    let count = turned(told, DEPTH_PX);
    assert!(count > 150, "{count} of 200");
    // … is none where nothing moves.
    let at_rest = Settings {
        at_rest: true,
        ..told
    };
    for number in 0..50 {
        let sweep = held(at_rest, DEPTH_PX, number);
        assert!(!sweep.lines[0].turned);
        let error = sweep.lines[0].x_px - 500.0;
        // 60 frames, each correlated with the one before.
        assert!(error.abs() < 0.3, "{number}: {error} px");
    }
}
