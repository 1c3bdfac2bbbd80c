//! Two lines of one hand through slow air, and passes that differ.

#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use super::super::practice::{self, Hand};
use super::super::turning::{self, Sample};
use super::*;

const WHITE_PX: f64 = 0.01;
const AIR_PX: f64 = 0.05;
const CORRELATION: f64 = 0.8;
/// Mercury lines in flint, 546 and 579 nm.
const INDICES: [f64; 2] = [1.62408, 1.62060];

/// One pass of both lines: errors of each alone and together, and what is stated together, px; none where they do not fit together.
fn pass(number: u64) -> Option<Vec<(f64, f64, f64)>> {
    let hand = Hand {
        px_per_deg: 300.0,
        ..Hand::default()
    };
    let mut random = practice::generator(number);
    let moments = practice::turn_the_table(&hand, &mut random);
    let origin = practice::incidence_at_minimum_deg(INDICES[0]);
    let mut air_px = AIR_PX * practice::normal(&mut random);
    let air: Vec<f64> = moments
        .iter()
        .map(|_| {
            let drive = (1.0 - CORRELATION * CORRELATION).sqrt() * practice::normal(&mut random);
            air_px = CORRELATION * air_px + AIR_PX * drive;
            air_px
        })
        .collect();
    let turns: Vec<Turn> = INDICES
        .iter()
        .map(|index| {
            let truth = practice::positions_px(&hand, *index, origin, &moments);
            let samples: Vec<Sample> = moments
                .iter()
                .zip(truth.iter().zip(&air))
                .map(|(moment, (y, air))| Sample {
                    time_s: moment.time_s,
                    y_px: y + air + WHITE_PX * practice::normal(&mut random),
                    u_px: WHITE_PX,
                })
                .collect();
            let lowest = samples
                .iter()
                .min_by(|a, b| a.y_px.total_cmp(&b.y_px))
                .unwrap();
            turning::measure(&samples, lowest.time_s, None, WHITE_PX).unwrap()
        })
        .collect();
    let both: Vec<&Turn> = turns.iter().collect();
    let cells = one_pass(&both)?.cells;
    let of_lines = (0..turns.len())
        .map(|line| {
            let cells = cells
                .iter()
                .map(|cell| {
                    let given = cell.as_ref()?;
                    let (place, variance) = given.lines[line];
                    Some((given.minus_two_log, place, variance))
                })
                .collect();
            let Mean { x_px, u_px, .. } = all_passes(&[Measured {
                x_px: 0.0,
                u_px: 1.0,
                lasting_px: 0.0,
                alone: false,
                cells,
            }]);
            (turns[line].y0_px, x_px, u_px)
        })
        .collect();
    Some(of_lines)
}

/// Over a hundred sweeps errors together are 0.68 of those alone, and 1.7 times what is stated: of a hand that trembles slowly slow
/// air is known to be under-stated. The limit of 2.5 over 24 sweeps records that fault.
#[test]
fn two_lines_together_are_known_better_than_each_alone() {
    let fitted: Vec<Vec<(f64, f64, f64)>> = (300..324).filter_map(pass).collect();
    assert!(fitted.len() >= 19, "{} of 24 fit together", fitted.len());
    let all: Vec<(f64, f64, f64)> = fitted.into_iter().flatten().collect();
    let n = all.len() as f64;
    let rms = |value: fn(&(f64, f64, f64)) -> f64| {
        (all.iter().map(|p| value(p).powi(2)).sum::<f64>() / n).sqrt()
    };
    let (alone, together, pulls) = (rms(|p| p.0), rms(|p| p.1), rms(|p| p.1 / p.2));
    eprintln!("alone {alone:.4} px, together {together:.4} px, pulls {pulls:.2}");
    assert!(together < 0.85 * alone, "{together} px, {alone} px alone");
    assert!((0.5..2.5).contains(&pulls), "pulls of {pulls}");
}

#[test]
fn passes_that_differ_tell_of_air() {
    // Two cells of the grid: no air, where each pass is known to 0.01 px, and air that leaves it 0.1 px.
    let pass = |x_px: f64| Measured {
        x_px,
        u_px: 0.03,
        lasting_px: 0.0,
        alone: false,
        cells: vec![Some((0.0, x_px, 0.01 * 0.01)), Some((0.0, x_px, 0.1 * 0.1))],
    };
    let u_px = |apart_px: f64| all_passes(&[pass(0.0), pass(apart_px)]).u_px;
    assert!(u_px(0.1) > 2.0 * u_px(0.005));
    // The mean by inverse variances where both are alike.
    assert!((all_passes(&[pass(0.0), pass(0.1)]).x_px - 0.05).abs() < 1e-9);
}
