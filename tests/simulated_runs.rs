//! Practice footage through the whole chain, frame by frame and without files: every turning point found and none
//! invented, each within its uncertainty of the truth, and the uncertainties neither too small nor too large.
//!
//! Each scenario is run with as many seeds as the environment variable `LINETURN_SEEDS` says (1 where it says nothing);
//! what must pass before a change lands runs enough of them for 300 sweeps.

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use lineturn::session::{WatchOptions, Watched, watch_frames};
use lineturn::simulate::{SceneTruth, scenario_names, scene};

use crate::rendered::Rendered;

/// A found line is the true one if it lies no farther away, px: less than half the distance of the closest pair.
const SAME_LINE_PX: f64 = 3.0;
/// No result may lie farther from the truth, standard uncertainties.
const FARTHEST_IN_U: f64 = 3.0;
/// Sweeps from which on the spread of the pulls is a fair question.
const ENOUGH_SWEEPS: usize = 100;

fn watched(name: &str, seed: u64) -> (SceneTruth, Watched) {
    let scene = scene(name, seed).expect("a scenario of the list");
    let mut source = Rendered::of(&scene);
    let watched = watch_frames(&mut source, &WatchOptions::default(), |_| {})
        .expect("frames that can be watched");
    (scene.truth(), watched)
}

/// What a sweep's result and its truth have to say to each other.
#[derive(Debug, Default)]
struct Verdict {
    /// (found - true)/u of each line that turned.
    pulls: Vec<f64>,
    /// Faults, in words.
    faults: Vec<String>,
}

/// Compares both ways: a turn that is missed, one that is invented, one in the wrong place.
fn compare(truth: &SceneTruth, watched: &Watched) -> Verdict {
    let mut verdict = Verdict::default();
    let place = format!("{} {}", truth.scenario, truth.seed);
    let with_hairs = truth.cross_hairs.is_some();
    let mut taken = vec![false; watched.sweep.lines.len()];
    for line in &truth.lines {
        let true_px = if with_hairs {
            line.offset_px
        } else {
            line.x_px
        };
        let found = watched
            .sweep
            .lines
            .iter()
            .enumerate()
            .filter(|(index, found)| !taken[*index] && found.turned == line.turned)
            .filter_map(|(index, found)| {
                let px = if with_hairs {
                    found.offset_px?
                } else {
                    found.x_px
                };
                Some((index, (px - true_px) / found.u_px, (px - true_px).abs()))
            })
            .min_by(|a, b| a.2.total_cmp(&b.2));
        if !line.turned {
            continue;
        }
        match found.filter(|found| found.2 < SAME_LINE_PX) {
            None => {
                let seen: Vec<String> = watched
                    .sweep
                    .lines
                    .iter()
                    .map(|found| {
                        format!(
                            "{:.2} turned {}",
                            found.offset_px.unwrap_or(found.x_px),
                            found.turned
                        )
                    })
                    .collect();
                let whys: Vec<&str> = watched
                    .sweep
                    .turning_points
                    .iter()
                    .map(|point| point.why.as_str())
                    .collect();
                verdict.faults.push(format!(
                    "{place}: missed the turn of {} at {true_px:.2} px; seen: {seen:?}; {whys:?}",
                    line.name
                ));
            }
            Some((index, pull, _)) => {
                taken[index] = true;
                verdict.pulls.push(pull);
                if pull.abs() > FARTHEST_IN_U {
                    verdict.faults.push(format!(
                        "{place}: {} lies {pull:.1} u from the truth (u = {:.4} px)",
                        line.name, watched.sweep.lines[index].u_px
                    ));
                }
            }
        }
    }
    for (found, taken) in watched.sweep.lines.iter().zip(taken) {
        // A turn that is true but hardly lit is not asked for; found, it must be right.
        let hardly_seen = truth
            .turning_points
            .iter()
            .filter(|turn| turn.counted && !turn.seen)
            .filter_map(|turn| {
                Some(if with_hairs {
                    found.offset_px? - turn.offset_px
                } else {
                    found.x_px - turn.x_px
                })
            })
            .find(|apart_px| apart_px.abs() < FARTHEST_IN_U * found.u_px);
        if found.turned && !taken && hardly_seen.is_none() {
            verdict.faults.push(format!(
                "{place}: line {} at {:.2} px is said to have turned, and none did there",
                found.line,
                found.offset_px.unwrap_or(found.x_px)
            ));
        }
    }
    verdict
}

fn all_verdicts(seeds: u64) -> Vec<(String, Verdict)> {
    let jobs: Vec<(String, u64)> = scenario_names()
        .iter()
        .flat_map(|(name, _)| (1..=seeds).map(|seed| ((*name).to_owned(), seed)))
        .collect();
    let next = AtomicUsize::new(0);
    let verdicts = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(|| {
                while let Some((name, seed)) = jobs.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let (truth, watched) = watched(name, *seed);
                    let verdict = compare(&truth, &watched);
                    verdicts
                        .lock()
                        .expect("no thread broke")
                        .push((name.clone(), verdict));
                }
            });
        }
    });
    verdicts.into_inner().expect("no thread broke")
}

#[test]
fn no_turn_is_missed_or_invented_and_uncertainties_are_true() {
    let seeds = std::env::var("LINETURN_SEEDS")
        .ok()
        .and_then(|seeds| seeds.parse().ok())
        .unwrap_or(1);
    let verdicts = all_verdicts(seeds);
    let mut table = String::new();
    for (name, _) in scenario_names() {
        let of: Vec<&Verdict> = verdicts
            .iter()
            .filter(|(other, _)| other == name)
            .map(|(_, verdict)| verdict)
            .collect();
        let pulls: Vec<f64> = of
            .iter()
            .flat_map(|verdict| verdict.pulls.iter().copied())
            .collect();
        let (mean, spread) = mean_and_spread(&pulls);
        let faults: usize = of.iter().map(|verdict| verdict.faults.len()).sum();
        table.push_str(&format!(
            "{name:26} {} sweeps, {} turns, pull {mean:+.2} ± {spread:.2}, {faults} faults\n",
            of.len(),
            pulls.len()
        ));
    }
    let pulls: Vec<f64> = verdicts
        .iter()
        .flat_map(|(_, verdict)| verdict.pulls.iter().copied())
        .collect();
    let faults: Vec<&String> = verdicts
        .iter()
        .flat_map(|(_, verdict)| &verdict.faults)
        .collect();
    let (mean, spread) = mean_and_spread(&pulls);
    println!(
        "{table}all: {} turns, pull {mean:+.3} ± {spread:.3}, {} faults",
        pulls.len(),
        faults.len()
    );
    for fault in &faults {
        println!("{fault}");
    }
    assert!(faults.is_empty(), "{} faults, see above", faults.len());
    if verdicts.len() >= ENOUGH_SWEEPS {
        assert!(
            (0.8..=1.25).contains(&spread),
            "spread of the pulls {spread:.3}"
        );
        assert!(mean.abs() < 0.2, "mean of the pulls {mean:.3}");
    }
}

/// What went wrong once, among seeds beyond those that every run of all scenarios sees.
/// A hair beside the centre of what the lenses distort is a bow, and a straight line through it misses the crossing by a third of the bow.
#[test]
fn hairs_that_the_lenses_bow_cross_where_they_cross() {
    for seed in 1..=4 {
        let mut scene = scene("steady", seed).expect("a scenario of the list");
        let eyepiece = &mut scene.eyepiece;
        eyepiece.distortion_per_px2 = if seed % 2 == 0 { 1e-7 } else { -1e-7 };
        eyepiece.hairs.x_px = eyepiece.centre_px[0] + 15.0;
        eyepiece.hairs.y_px = eyepiece.centre_px[1] - 15.0;
        let mut source = Rendered::of(&scene);
        let watched = watch_frames(&mut source, &WatchOptions::default(), |_| {})
            .expect("frames that can be watched");
        let found = watched.sweep.cross_hairs.expect("hairs are seen");
        let truth = scene.truth().cross_hairs.expect("hairs are there");
        let away = (found.x_px - truth.x_px).hypot(found.y_px - truth.y_px);
        assert!(away < 0.012, "{seed}: {away:.4} px");
    }
}

#[test]
fn sweeps_that_failed_once_are_measured() {
    for (name, seed) in [
        // The camera is knocked in the frames in which the line turns.
        ("bump", 32),
        // In the dark a hair was taken for a line, and the line that was followed was given up for it.
        ("darkness", 33),
        // The hand is a little quicker where the lines turn, and the lines were said to have turned with it.
        ("sodium-pair", 43),
        // The hand's jerks were taken for a leap across the minimum, far from where the line turned.
        ("hand-reverses-short", 703),
    ] {
        let (truth, watched) = watched(name, seed);
        let faults = compare(&truth, &watched).faults;
        assert!(faults.is_empty(), "{faults:?}");
    }
}

/// In this clip a hot pixel lies on the flank of a hair, where it made the hair appear 0.014 px from where it is.
#[test]
fn a_hot_pixel_on_the_flank_of_a_hair_does_not_move_it() {
    let (truth, watched) = watched("leaves-field", 703);
    let (Some(hairs), Some(seen)) = (truth.cross_hairs, watched.sweep.cross_hairs) else {
        panic!("no hairs");
    };
    let off_px = (seen.x_px - hairs.x_px).hypot(seen.y_px - hairs.y_px);
    assert!(off_px < 0.004, "{off_px:.4} px");
}

/// The bands at the ends of a known line, where the slit ends, once made single frames appear two to three times as uncertain as they are,
/// so that only those that were looked at with fresh eyes counted.
#[test]
fn frames_are_about_as_certain_as_their_light_allows() {
    for seed in 1..=2 {
        let scene = scene("steady", seed).expect("a scenario of the list");
        let watched = watched("steady", seed).1;
        let mut over_bound: Vec<f64> = watched.sweep.lines[0]
            .track
            .iter()
            .step_by(11)
            .filter_map(|point| {
                let bounds = scene.bounds(usize::try_from(point.frame).ok()?)?;
                Some(point.u_px / bounds.lines_px[0])
            })
            .filter(|ratio| ratio.is_finite())
            .collect();
        over_bound.sort_by(f64::total_cmp);
        let usual = over_bound[over_bound.len() / 2];
        assert!((0.8..1.7).contains(&usual), "seed {seed}: {usual:.2}");
    }
}

fn mean_and_spread(pulls: &[f64]) -> (f64, f64) {
    let count = pulls.len().max(1) as f64;
    let mean = pulls.iter().sum::<f64>() / count;
    (
        mean,
        (pulls.iter().map(|pull| (pull - mean).powi(2)).sum::<f64>() / (count - 1.0).max(1.0))
            .sqrt(),
    )
}

#[test]
fn the_comparison_sees_a_missed_an_invented_and_a_shifted_turn() {
    let (truth, good) = watched("steady", 1);
    assert!(
        compare(&truth, &good).faults.is_empty(),
        "{:?}",
        compare(&truth, &good).faults
    );
    let mut missed = good.clone();
    missed.sweep.lines[0].turned = false;
    assert_eq!(compare(&truth, &missed).faults.len(), 1);
    let mut invented = good.clone();
    let mut other = invented.sweep.lines[0].clone();
    other.offset_px = other.offset_px.map(|offset| offset + 40.0);
    invented.sweep.lines.push(other);
    assert_eq!(compare(&truth, &invented).faults.len(), 1);
    let mut shifted = good;
    shifted.sweep.lines[0].offset_px = shifted.sweep.lines[0]
        .offset_px
        .map(|offset| offset + 5.0 * shifted.sweep.lines[0].u_px + 0.1);
    assert_eq!(compare(&truth, &shifted).faults.len(), 1);
}
