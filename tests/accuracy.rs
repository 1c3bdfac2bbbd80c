//! How near the measurements come to what is physically possible, as tables: `cargo bench --bench accuracy`.
//!
//! Stills: errors of lines and cross-hairs over the Cramér-Rao bound of their frame, coverage of the stated 95 % intervals,
//! missed lines, and lines seen in frames that hold none. Sweeps: errors of turning points beside those of an
//! observer who is told the table's angle at every frame and fits the same track against it; the same for one and two lines, one to
//! eight passes, white and correlated noise (`-- --turns` for these alone).
//! `LINETURN_STILLS`, `LINETURN_SWEEPS` and `LINETURN_TURNS` say how many of each kind (40, 6 and 24 where they say nothing).
//!
//! `cargo bench --bench accuracy -- --stills FOLDER` writes stills with their truth instead, and what we make of them, for
//! `tests/libraries/compare.py`.

#![expect(clippy::print_stdout, reason = "tables are what it is for")]

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use lineturn::session::{FollowedLine, Frame, WatchOptions, locate_in, watch_frames};
use lineturn::simulate::{Rendering, Scene, passes, scenario_names, scene};
use nalgebra::{DMatrix, DVector};
use practice_stills::{KINDS, Kind, single_frame};
use rendered::Rendered;

mod exported;
mod practice_stills;
mod rendered;

/// Normal deviate of the 95 % interval.
const K95: f64 = 1.96;
/// A found line is the true one if it lies no farther away, px.
const SAME_LINE_PX: f64 = 2.5;
/// Signal-to-noise ratio of the whole line from which on it may not be missed.
const CLEAR: f64 = 10.0;

fn main() {
    // `cargo test` builds and runs benchmarks without this flag: nothing is to be done then.
    if !std::env::args().any(|argument| argument == "--bench") {
        return;
    }
    let mut arguments = std::env::args().skip_while(|argument| argument != "--stills");
    if arguments.next().is_some() {
        let folder = arguments.next().expect("--stills wants a folder");
        exported::write(std::path::Path::new(&folder), count("LINETURN_STILLS", 6));
        return;
    }
    if std::env::args().any(|argument| argument == "--turns") {
        lines_and_passes();
        return;
    }
    stills();
    nothing_there();
    sweeps();
    lines_and_passes();
}

fn count(variable: &str, usual: u64) -> u64 {
    std::env::var(variable)
        .ok()
        .and_then(|value| value.parse().ok())
        .unwrap_or(usual)
}

/// Does all jobs on all cores and gives the results in their order.
fn on_all_cores<T: Send>(jobs: usize, job: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let next = AtomicUsize::new(0);
    let results = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(|| {
                loop {
                    let at = next.fetch_add(1, Ordering::Relaxed);
                    if at >= jobs {
                        break;
                    }
                    let result = job(at);
                    results.lock().expect("no thread broke").push((at, result));
                }
            });
        }
    });
    let mut results = results.into_inner().expect("no thread broke");
    results.sort_by_key(|result| result.0);
    results.into_iter().map(|result| result.1).collect()
}

/// Error over bound and over stated uncertainty.
#[derive(Clone, Copy)]
struct Miss {
    in_bounds: f64,
    in_u: f64,
}

#[derive(Default)]
struct OfStill {
    lines: Vec<Miss>,
    hairs: Vec<Miss>,
    /// Errors of the crossing, px.
    hairs_px: Vec<f64>,
    missed: usize,
    invented: usize,
}

fn still(kind: &Kind, seed: u64) -> OfStill {
    let scene = single_frame(kind, seed);
    let mut frame = Frame::empty();
    let mut rendering: Rendering<'_> = scene.rendering();
    let truth = rendering.next_into(&mut frame).expect("one frame");
    let bounds = scene.bounds(0).expect("one frame");
    let found = locate_in(&frame);
    let y_px = scene.eyepiece.hairs.y_px;
    let mut result = OfStill::default();
    let mut taken = vec![false; found.lines.len()];
    for line in &truth.lines {
        let nearest = found
            .lines
            .iter()
            .enumerate()
            .filter(|(at, _)| !taken[*at])
            .map(|(at, found)| (at, found.at_height(y_px)))
            .min_by(|a, b| {
                let away = |found: f64| (found - line.x_px).abs();
                away(a.1.x_px).total_cmp(&away(b.1.x_px))
            })
            .filter(|(_, found)| (found.x_px - line.x_px).abs() < SAME_LINE_PX);
        let at = line.line - 1;
        match nearest {
            Some((index, found)) => {
                taken[index] = true;
                if line.in_field && bounds.lines_px[at].is_finite() {
                    let error = found.x_px - line.x_px;
                    result.lines.push(Miss {
                        in_bounds: error / bounds.lines_px[at],
                        in_u: error / found.u_px,
                    });
                }
            }
            None if line.in_field && bounds.signal_to_noise[at] > CLEAR => result.missed += 1,
            None => {}
        }
    }
    result.invented = taken.iter().filter(|taken| !**taken).count();
    if let (Some(found), Some(truth)) = (&found.cross_hairs, &truth.cross_hairs) {
        let errors = [
            (found.x_px - truth.x_px, found.u_x_px, bounds.hairs_px[0]),
            (found.y_px - truth.y_px, found.u_y_px, bounds.hairs_px[1]),
        ];
        for (error, u, bound) in errors {
            result.hairs_px.push(error);
            result.hairs.push(Miss {
                in_bounds: error / bound,
                in_u: error / u,
            });
        }
    }
    result
}

fn root_mean_square(values: impl Iterator<Item = f64>) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for value in values {
        sum += value * value;
        count += 1.0;
    }
    (sum / count).sqrt()
}

/// The error in bounds within which two thirds lie, as a standard deviation has it: hardly moved by a few that are far off.
fn typical(misses: &[Miss]) -> f64 {
    let mut sizes: Vec<f64> = misses.iter().map(|miss| miss.in_bounds.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    sizes
        .get((0.683 * sizes.len() as f64) as usize)
        .copied()
        .unwrap_or(f64::NAN)
}

fn covered(misses: &[Miss]) -> f64 {
    100.0 * misses.iter().filter(|miss| miss.in_u.abs() < K95).count() as f64 / misses.len() as f64
}

fn stills() {
    let seeds = count("LINETURN_STILLS", 40);
    println!(
        "Stills, {seeds} of each kind; errors as root mean square over the Cramér-Rao bound of the frame"
    );
    println!(
        "| kind | lines | error / bound, rms | the same, typical | in 95 % | hairs, error / bound, rms | hairs, px, rms | in 95 % | missed | invented |"
    );
    println!("|---|---|---|---|---|---|---|---|---|---|");
    for kind in &KINDS {
        let of_kind = on_all_cores(seeds as usize, |at| still(kind, at as u64 + 1));
        let lines: Vec<Miss> = of_kind
            .iter()
            .flat_map(|s| s.lines.iter().copied())
            .collect();
        let hairs: Vec<Miss> = of_kind
            .iter()
            .flat_map(|s| s.hairs.iter().copied())
            .collect();
        let hairs_px = of_kind.iter().flat_map(|s| s.hairs_px.iter().copied());
        println!(
            "| {} | {} | {:.2} | {:.2} | {:.0} % | {:.2} | {:.4} | {:.0} % | {} | {} |",
            kind.0,
            lines.len(),
            root_mean_square(lines.iter().map(|miss| miss.in_bounds)),
            typical(&lines),
            covered(&lines),
            root_mean_square(hairs.iter().map(|miss| miss.in_bounds)),
            root_mean_square(hairs_px),
            covered(&hairs),
            of_kind.iter().map(|s| s.missed).sum::<usize>(),
            of_kind.iter().map(|s| s.invented).sum::<usize>(),
        );
    }
}

/// Frames with hairs, stray light and noise, and no line.
fn nothing_there() {
    let frames = 25 * count("LINETURN_STILLS", 40);
    let invented = on_all_cores(frames as usize, |at| {
        let names = scenario_names();
        let kind: Kind = ("", names[at % names.len()].0, |scene| {
            scene.bench.lines.clear();
        });
        let mut scene = scene(kind.1, at as u64 + 1).expect("a scenario of the list");
        (kind.2)(&mut scene);
        scene.frame_times_s.truncate(1);
        let mut frame = Frame::empty();
        let _ = scene.rendering().next_into(&mut frame);
        locate_in(&frame).lines.len()
    });
    println!(
        "Frames without any line: {frames}, lines seen in them: {}",
        invented.iter().sum::<usize>()
    );
}

/// Errors of one turning point, px.
#[derive(Clone, Copy)]
struct Turn {
    error_px: f64,
    u_px: f64,
    observer_px: f64,
}

/// Turning points of a sweep, ours and the observer's who is told the table's angle; `None` for one that was not found.
fn turns(scene: &Scene) -> Vec<Option<Turn>> {
    let mut source = Rendered::of(scene);
    let watched = watch_frames(&mut source, &WatchOptions::default(), |_| {})
        .expect("frames that can be watched");
    let truth = scene.truth();
    let shift_px = shift_of_reference(scene, watched.sweep.cross_hairs.as_ref().map(|h| h.x_px));
    truth
        .lines
        .iter()
        .filter(|line| line.turned)
        .map(|line| {
            let true_px = line.x_px + shift_px;
            let found = watched
                .sweep
                .lines
                .iter()
                .filter(|found| found.turned)
                .min_by(|a, b| {
                    let away = |found: &FollowedLine| (found.x_px - true_px).abs();
                    away(a).total_cmp(&away(b))
                })
                .filter(|found| (found.x_px - true_px).abs() < SAME_LINE_PX)?;
            Some(Turn {
                error_px: found.x_px - true_px,
                u_px: found.u_px,
                observer_px: told_the_angle(scene, found, line.table_deg)? - true_px,
            })
        })
        .collect()
}

/// Positions are told in the frame of reference of the longest stretch without a jolt of the camera: the jolts before it that
/// explain where the hairs were found, px.
fn shift_of_reference(scene: &Scene, hairs_px: Option<f64>) -> f64 {
    let mut shifts = vec![0.0];
    for slip in &scene.slips {
        shifts.push(shifts.last().copied().unwrap_or(0.0) + slip.by_px[0]);
    }
    let at_first = scene.eyepiece.hairs.x_px;
    let off = |shift: f64| hairs_px.map_or(shift, |x| x - at_first - shift).abs();
    shifts
        .into_iter()
        .min_by(|a, b| off(*a).total_cmp(&off(*b)))
        .unwrap_or(0.0)
}

/// Extremum of a polynomial of the fourth degree in the table's angle through the track of all passes, px.
///
/// Within 3 degrees of the turn such a polynomial follows the course of a line to 0.001 px; within 4 degrees only to 0.003 px, which is
/// more than the noise leaves. The frames weigh as we say they are known; of the noise the observer is told nothing, and
/// where it is correlated equal weights lose him little, since all that he fits is smooth. He knows nothing of the prism.
fn told_the_angle(scene: &Scene, found: &FollowedLine, turning_deg: f64) -> Option<f64> {
    const TERMS: usize = 5;
    const REACH_DEG: f64 = 3.0;
    let points: Vec<(f64, f64, f64)> = found
        .track
        .iter()
        .map(|point| {
            let truth = scene.frame_truth(point.frame as usize);
            (truth.table_deg - turning_deg, point.x_px, point.u_px)
        })
        .filter(|point| point.0.abs() < REACH_DEG)
        .collect();
    if points.len() < 3 * TERMS {
        return None;
    }
    let mut normal = DMatrix::<f64>::zeros(TERMS, TERMS);
    let mut right = DVector::<f64>::zeros(TERMS);
    for (angle, x_px, u_px) in &points {
        let powers: Vec<f64> = (0..TERMS).map(|k| angle.powi(k as i32)).collect();
        let weight = 1.0 / (u_px * u_px);
        for i in 0..TERMS {
            right[i] += weight * powers[i] * x_px;
            for j in 0..TERMS {
                normal[(i, j)] += weight * powers[i] * powers[j];
            }
        }
    }
    let c = normal.cholesky()?.solve(&right);
    let mut angle = 0.0_f64;
    for _ in 0..20 {
        let slope = c[1] + angle * (2.0 * c[2] + angle * (3.0 * c[3] + angle * 4.0 * c[4]));
        let bend = 2.0 * c[2] + angle * (6.0 * c[3] + angle * 12.0 * c[4]);
        angle -= (slope / bend).clamp(-0.2, 0.2);
    }
    Some(c[0] + angle * (c[1] + angle * (c[2] + angle * (c[3] + angle * c[4]))))
}

/// A row of a table of turning points, in the order of `TURNS_HEAD`.
fn row_of_turns(name: &str, found: &[Option<Turn>]) -> String {
    let all: Vec<Turn> = found.iter().flatten().copied().collect();
    let rms = root_mean_square(all.iter().map(|turn| turn.error_px));
    let mean = all.iter().map(|turn| turn.error_px).sum::<f64>() / all.len() as f64;
    // So far the mean of so many turns strays by chance.
    let chance = rms / (all.len() as f64).sqrt();
    let observer = root_mean_square(all.iter().map(|turn| turn.observer_px));
    let inside = all
        .iter()
        .filter(|turn| turn.error_px.abs() < K95 * turn.u_px)
        .count();
    format!(
        "| {name} | {} | {} | {rms:.4} | {mean:+.4} | {observer:.4} | {:.2} | {:+.2} ± {:.2} | {:.0} % |",
        all.len(),
        found.len() - all.len(),
        rms / observer,
        mean / observer,
        chance / observer,
        100.0 * inside as f64 / all.len() as f64,
    )
}

const TURNS_HEAD: &str =
    "turns | missed | rms | mean | observer, rms | rms / observer | mean / observer | in 95 % |
|---|---|---|---|---|---|---|---|---|";

fn sweeps() {
    let seeds = count("LINETURN_SWEEPS", 6);
    println!(
        "Sweeps, {seeds} of each scenario; errors of turning points in px, beside an observer who is told the table's angle"
    );
    println!("| scenario | {TURNS_HEAD}");
    for (name, _) in scenario_names() {
        let all: Vec<Option<Turn>> = on_all_cores(seeds as usize, |at| {
            turns(&scene(name, at as u64 + 101).expect("a scenario of the list"))
        })
        .into_iter()
        .flatten()
        .collect();
        if !all.is_empty() {
            println!("{}", row_of_turns(name, &all));
        }
    }
}

/// What further lines and passes add, with noise of the positions that is white or hangs together from frame to frame.
///
/// Frames of 320 × 240, so that eight passes of many seeds take minutes; unsteady air of 0.05 px there is 0.1 px at 640 × 480.
fn lines_and_passes() {
    const AIR_PX: f64 = 0.05;
    let seeds = count("LINETURN_TURNS", 24);
    println!("Passes of a calm hand through unsteady air of {AIR_PX} px, {seeds} of each row; px");
    println!("| lines, air, passes | {TURNS_HEAD}");
    for lines in [1, 2] {
        for (air, correlation) in [
            ("white", 0.0),
            ("correlated 0.7", 0.7),
            ("correlated 0.9", 0.9),
        ] {
            for number in [1, 2, 4, 8] {
                let all: Vec<Option<Turn>> = on_all_cores(seeds as usize, |at| {
                    let mut scene =
                        passes(number, lines, at as u64 + 1).in_unsteady_air(AIR_PX, correlation);
                    scene.eyepiece = scene.eyepiece.finer(320, 240);
                    turns(&scene)
                })
                .into_iter()
                .flatten()
                .collect();
                println!(
                    "{}",
                    row_of_turns(&format!("{lines}, {air}, {number}"), &all)
                );
            }
        }
    }
}
