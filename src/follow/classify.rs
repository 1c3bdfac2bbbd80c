//! Minimum deviation, or only the hand that turned back?
//!
//! Evidence, as logarithms of odds for "the hand turned back":
//! 1. Shape. Past minimum deviation the hand goes on, so that g = ±√(distance) runs through zero at the
//!    hand's usual speed. Where the hand reverses at speed, the distance grows in proportion to time, and
//!    g seems to shoot through zero: its speed falls as 1/g on both sides.
//! 2. Other lines. At a reversal of the hand all lines turn at the same instant; minima of lines apart
//!    in the picture come one after another, since the incidence at minimum differs by half the
//!    difference of deviation (symmetrical passage).
//! 3. Other passes. Minimum deviation is the same place each time; the hand stops anywhere.
//! 4. Steadiness. A minimum is passed smoothly; where the hand turned back of a sudden no smooth course fits, and the positions seem to
//!    scatter by far more than single frames state.

use super::turning::Turn;

/// Odds beyond which a single piece of evidence is not believed any further.
const MOST: f64 = 8.0;

/// How long the line took from one distance to the next on one side of the turn, rests left out.
#[derive(Clone, Copy, Debug)]
struct Shell {
    /// Distances from the extreme, as √px.
    low: f64,
    high: f64,
    seconds: f64,
}

/// Relative standard deviation of the hand's speed from shell to shell. No source: with it and the times below 562 turns of rendered
/// sweeps, 131 of them the hand's, were told best by their shape.
const UNSTEADINESS: f64 = 0.28;
/// Times that a hand takes to reverse, s. No source, found likewise.
const REVERSALS_S: [f64; 3] = [0.25, 0.45, 0.8];
/// How far short of minimum deviation a hand may turn back in the field of view, as the root of the line's distance, √px.
const FARTHEST_SHORT: f64 = 20.0;
const RATIO_OF_SHORTS: f64 = 1.4;

/// Scatter of the positions about the course that was fitted, over what single frames state, from which on it speaks for a sudden end of
/// the course. No source: of some ninety turns through minimum deviation of rendered sweeps one was beyond 3.5 (5.6), of 18 of the hand
/// eight were at 7 to 29.
const SUDDEN: f64 = 3.0;
/// Shake, too, scatters positions: no more than this is made of it.
const MOST_OF_SUDDEN: f64 = 2.0;

/// Odds from how steadily the course was followed.
pub(super) fn from_steadiness(turn: &Turn) -> f64 {
    (turn.noise_scale / SUDDEN).ln().clamp(0.0, MOST_OF_SUDDEN)
}

/// Odds from the shape: how well a steady hand that went through minimum deviation, or one that turned
/// back short of it, explains the times at which the line was at growing distances from its extreme.
pub(super) fn from_shape(turn: &Turn, noise_px: f64) -> f64 {
    let shells = shells(turn, noise_px);
    if shells.len() < 4 {
        return 0.0;
    }
    let (minimum, speed) = misfit(&shells, 0.0, 0.0);
    // A hand turns back anywhere: likelihoods over how far that was, of which any is as probable as any other.
    let mut hand = 0.0;
    for reversal_s in REVERSALS_S {
        // Shorter of the minimum than this the two courses are the same.
        let mut short = (0.6 * speed * reversal_s).max(0.35);
        while short < FARTHEST_SHORT {
            let to = (RATIO_OF_SHORTS * short).min(FARTHEST_SHORT);
            let likelihood = (0.5 * (minimum - misfit(&shells, short, reversal_s).0)).min(50.0);
            hand += likelihood.exp() * (to - short) / FARTHEST_SHORT / REVERSALS_S.len() as f64;
            short = to;
        }
    }
    hand.max(f64::MIN_POSITIVE).ln().clamp(-MOST, MOST)
}

/// Twice the negative logarithm of the likelihood of the shells' times, and the speed of g that fits best.
///
/// `short` is the square root of the distance from the extreme to the true minimum (0: it is the
/// minimum), so that the table's angle goes as √(y + short²); the hand reverses in `reversal_s`.
fn misfit(shells: &[Shell], short: f64, reversal_s: f64) -> (f64, f64) {
    let way = |root: f64| (root * root + short * short).sqrt() - short;
    let after = |root: f64, speed: f64| {
        let cruise = way(root) / speed;
        if 4.0 * cruise < reversal_s {
            (cruise * reversal_s).sqrt()
        } else {
            cruise + 0.25 * reversal_s
        }
    };
    let mut speed = {
        let all_way: f64 = shells.iter().map(|s| way(s.high) - way(s.low)).sum();
        let all_time: f64 = shells.iter().map(|s| s.seconds).sum();
        all_way / all_time
    };
    let departure = |shell: &Shell, speed: f64| {
        let expected = after(shell.high, speed) - after(shell.low, speed);
        (shell.seconds / expected.max(1e-9)).ln()
    };
    let mut sum = 0.0;
    for _ in 0..4 {
        let departures: Vec<f64> = shells.iter().map(|s| departure(s, speed)).collect();
        sum = departures
            .iter()
            .map(|d| 5.0 * (1.0 + d * d / (4.0 * UNSTEADINESS * UNSTEADINESS)).ln())
            .sum();
        speed *= (-super::steadiness::median(departures)).exp();
    }
    (sum, speed)
}

fn shells(turn: &Turn, noise_px: f64) -> Vec<Shell> {
    let usual = super::steadiness::median(turn.velocity.iter().map(|v| v.abs()).collect());
    let nearest = (6.0 * noise_px).max(0.1).sqrt();
    let mut found = Vec::new();
    for side in [-1.0, 1.0] {
        let farthest = turn.g.iter().map(|g| g * side).fold(0.0, f64::max);
        let count = ((farthest / nearest).max(1.0).ln() / 0.45).floor().min(9.0) as usize;
        let ratio = (farthest / nearest)
            .max(1.0)
            .powf(1.0 / count.max(1) as f64);
        for k in 0..count {
            let low = nearest * ratio.powi(i32::try_from(k).unwrap_or(0));
            let high = low * ratio;
            let (mut way, mut seconds) = (0.0, 0.0);
            for i in 1..turn.g.len() {
                let (a, b) = (side * turn.g[i - 1], side * turn.g[i]);
                let (lower, upper) = (a.min(b).max(low), a.max(b).min(high));
                let speed = 0.5 * (turn.velocity[i - 1].abs() + turn.velocity[i].abs());
                if upper > lower && speed > 0.15 * usual {
                    let share = (upper - lower) / (a - b).abs().max(1e-9);
                    way += upper - lower;
                    seconds += share * (turn.times_s[i] - turn.times_s[i - 1]);
                }
            }
            // Where the hand went to and fro, the way is longer than the shell: the time for once through.
            if way > 0.5 * (high - low) && seconds > 0.0 {
                found.push(Shell {
                    low,
                    high,
                    seconds: seconds * (high - low) / way,
                });
            }
        }
    }
    found
}

/// A turn of one line, with what is needed to compare it with those of others.
#[derive(Clone, Copy, Debug)]
pub(super) struct Moment {
    pub(super) time_s: f64,
    pub(super) u_time_s: f64,
    pub(super) x_px: f64,
    /// Usual speed of g about the turn, px^½/s.
    pub(super) speed: f64,
}

impl Moment {
    pub(super) fn of(turn: &Turn, x_px: f64) -> Self {
        Self {
            time_s: turn.time_s,
            u_time_s: turn.u_time_s,
            x_px,
            speed: super::steadiness::median(turn.velocity.iter().map(|v| v.abs()).collect()),
        }
    }
}

/// Odds from the moments at which two lines turned.
///
/// Lines Δx apart reach their minima with a difference of g of ½ Δx √(k s), where k = 0.017 /deg is the
/// usual curvature of the deviation (difference of deviation in degrees over the square of that of
/// incidence; 60 degree prisms of n 1.5 to 1.75: 0.015 to 0.021, computed from Snell's law) and s the
/// scale in degrees a pixel, here 0.0005 to 0.01.
pub(super) fn from_two(a: Moment, b: Moment) -> f64 {
    let apart_s = (a.time_s - b.time_s).abs();
    let u_s = a.u_time_s.hypot(b.u_time_s);
    let speed = 0.5 * (a.speed + b.speed);
    let apart_px = (a.x_px - b.x_px).abs();
    let least_g = 0.5 * apart_px * (0.017_f64 * 0.0005).sqrt();
    let most_g = 0.5 * apart_px * (0.017_f64 * 0.01).sqrt();
    let (g, u_g) = (apart_s * speed, u_s * speed);
    if g > 5.0 * u_g && g > 0.4 * least_g {
        return if g < 3.0 * most_g { -6.0 } else { -2.0 };
    }
    if least_g > 6.0 * u_g && g < 0.3 * least_g {
        return 6.0;
    }
    0.0
}
