//! Turning points of simulated hands: pulls, coverage, refusals.

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
        match measure(&samples, near, None, 0.05) {
            Ok(turn) => {
                tally.pulls.push(turn.y0_px / turn.u_px);
                tally.errors_px.push(turn.y0_px);
                tally.knowing_px.push(known);
            }
            Err(_) => tally.refused += 1,
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
    eprintln!(
        "{name:28} n {n:4} refused {:3} pull {mean:+.3} ± {sd:.3} worst {worst:.2} covered {:.1} % rms {rms:.4} bias {bias:+.4} knowing {knowing:.4}",
        tally.refused,
        covered * 100.0
    );
    (mean, sd, worst)
}

/// Pulls over simulated sweeps must be of spread one, for all kinds of hand and camera.
///
/// Limits: spread 0.8 to 1.25 is what we promise over all ordinary sweeps together; single kinds of hand
/// may be less (the uncertainty is then too careful) but not more than 1.3. Wandering positions as large as the
/// white noise, with a memory that one correlation cannot describe, are known to be under-stated (about 1.5): the limit of 1.9 records that fault.
#[test]
fn pulls_have_spread_one_for_all_kinds_of_hand() {
    let mut ordinary = Vec::new();
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
    let count = 22;
    for (name, hand) in cases {
        let tally = sweeps(&hand, count, 1000);
        let (mean, sd, worst) = report(name, &tally);
        assert_eq!(tally.refused, 0, "{name}: refused");
        let limit = if name == "wander" { 1.9 } else { 1.3 };
        assert!(
            sd < limit && mean.abs() < 0.6,
            "{name}: pulls {mean} ± {sd}"
        );
        assert!(worst < 5.0, "{name}: a pull of {worst}");
        if name != "wander" {
            ordinary.extend(tally.pulls);
        }
    }
    let (mean, sd) = spread(&ordinary);
    assert!(ordinary.len() >= 300);
    assert!(mean.abs() < 0.15, "bias of {mean} standard uncertainties");
    assert!((0.8..1.25).contains(&sd), "spread {sd}");
}
