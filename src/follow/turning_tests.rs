#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use super::super::practice::{self, Hand};
use super::*;

/// Pulls, errors and the errors of an observer who knows the table's angle in every frame.
struct Tally {
    pulls: Vec<f64>,
    errors_px: Vec<f64>,
    knowing_px: Vec<f64>,
    refused: usize,
}

fn spread(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (
        mean,
        (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt(),
    )
}

fn sweeps(hand: &Hand, count: u64, first: u64) -> Tally {
    let index = 1.62;
    let mut tally = Tally {
        pulls: vec![],
        errors_px: vec![],
        knowing_px: vec![],
        refused: 0,
    };
    for number in 0..count {
        let mut random = practice::generator(first + number);
        let moments = practice::turn_the_table(hand, &mut random);
        let origin = practice::incidence_at_minimum_deg(index);
        let truth = practice::positions_px(hand, index, origin, &moments);
        let seen = practice::seen(hand, &truth, &mut random);
        let samples: Vec<Sample> = seen
            .iter()
            .map(|(i, y)| Sample {
                time_s: moments[*i].time_s,
                y_px: *y,
                u_px: 0.05,
            })
            .collect();
        let near = moments
            .iter()
            .min_by(|a, b| a.theta_deg[3].abs().total_cmp(&b.theta_deg[3].abs()))
            .unwrap()
            .time_s;
        // Knows theta: residuals against the true course average to the offset.
        let known: f64 = seen.iter().map(|(i, y)| y - truth[*i]).sum::<f64>() / seen.len() as f64;
        match measure(&samples, near, None) {
            Ok(turn) => {
                if std::env::var("VERBOSE").is_ok() {
                    println!(
                        "{number} n {} y0 {:.4} u {:.4} S {:.2} rho {:.2} cross {} t {:.3} ({near:.3}) q {:.2e} tr {:.1e} bad {}",
                        samples.len(),
                        turn.y0_px,
                        turn.u_px,
                        turn.noise_scale,
                        turn.correlation,
                        turn.crossings,
                        turn.time_s, turn.debug.0, turn.debug.1, turn.bad_frames
                    );
                }
                tally.pulls.push(turn.y0_px / turn.u_px);
                tally.errors_px.push(turn.y0_px);
                tally.knowing_px.push(known);
            }
            Err(why) => {
                if std::env::var("VERBOSE").is_ok() {
                    println!("{number} {why:?} n {}", samples.len());
                }
                tally.refused += 1
            }
        }
    }
    tally
}

fn report(name: &str, tally: &Tally) -> (f64, f64, f64) {
    let (mean, sd) = spread(&tally.pulls);
    let n = tally.pulls.len() as f64;
    let rms = (tally.errors_px.iter().map(|e| e * e).sum::<f64>() / n).sqrt();
    let knowing = (tally.knowing_px.iter().map(|e| e * e).sum::<f64>() / n).sqrt();
    let covered = tally.pulls.iter().filter(|p| p.abs() < 1.96).count() as f64 / n;
    let worst = tally.pulls.iter().fold(0.0_f64, |a, b| a.max(b.abs()));
    let bias = spread(&tally.errors_px).0;
    println!(
        "{name:28} n {n:4} refused {:3} pull {mean:+.3} ± {sd:.3} worst {worst:.2} covered {:.1} % rms {rms:.4} bias {bias:+.4} knowing {knowing:.4}",
        tally.refused,
        covered * 100.0
    );
    (mean, sd, worst)
}

#[test]
fn pulls_survey() {
    let base = Hand::default();
    let cases: Vec<(&str, Hand)> = vec![
        ("ordinary", base.clone()),
        (
            "calm",
            Hand {
                drift: 0.1,
                tremor_deg: 0.0,
                ..base.clone()
            },
        ),
        (
            "unsteady",
            Hand {
                drift: 0.4,
                drift_s: 0.5,
                tremor_deg: 0.01,
                ..base.clone()
            },
        ),
        (
            "tremor 8 Hz",
            Hand {
                tremor_hz: 8.0,
                tremor_deg: 0.01,
                ..base.clone()
            },
        ),
        (
            "tremor 0.7 Hz",
            Hand {
                tremor_hz: 0.7,
                tremor_deg: 0.05,
                ..base.clone()
            },
        ),
        (
            "sticking",
            Hand {
                sticks_per_s: 1.0,
                ..base.clone()
            },
        ),
        (
            "10 fps",
            Hand {
                frames_per_s: 10.0,
                ..base.clone()
            },
        ),
        (
            "60 fps",
            Hand {
                frames_per_s: 60.0,
                ..base.clone()
            },
        ),
        (
            "jitter",
            Hand {
                jitter: 0.15,
                ..base.clone()
            },
        ),
        (
            "wander",
            Hand {
                wander_px: 0.05,
                ..base.clone()
            },
        ),
        (
            "bad frames",
            Hand {
                bad: 0.05,
                missing: 0.1,
                ..base.clone()
            },
        ),
        (
            "noisy",
            Hand {
                noise_px: 0.15,
                ..base.clone()
            },
        ),
        (
            "quiet",
            Hand {
                noise_px: 0.015,
                ..base.clone()
            },
        ),
        (
            "slow",
            Hand {
                speed_deg_s: 0.2,
                ..base.clone()
            },
        ),
        (
            "fast",
            Hand {
                speed_deg_s: 2.0,
                ..base.clone()
            },
        ),
    ];
    let count = std::env::var("SWEEPS")
        .ok()
        .and_then(|s| s.parse().ok())
        .unwrap_or(100);
    for (name, hand) in cases {
        if let Ok(only) = std::env::var("ONLY") {
            if !name.contains(&only) {
                continue;
            }
        }
        let begin = std::time::Instant::now();
        let tally = sweeps(&hand, count, 1000);
        report(name, &tally);
        println!(
            "   {:.1} ms a sweep",
            begin.elapsed().as_secs_f64() * 1e3 / count as f64
        );
    }
}
