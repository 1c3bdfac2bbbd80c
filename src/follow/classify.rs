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

use super::turning::Turn;

/// Odds beyond which a single piece of evidence is not believed any further.
const MOST: f64 = 8.0;

/// Slope of log speed of g against log |g|: 0 for a steady hand through minimum deviation, towards -1
/// where the hand turned back at speed. None if the pass is too short to tell.
pub(super) fn speed_slope(turn: &Turn, noise_px: f64) -> Option<f64> {
    let speeds: Vec<f64> = turn.velocity.iter().map(|v| v.abs()).collect();
    let usual = super::steadiness::median(speeds.clone());
    let reach = |side: f64| turn.g.iter().map(|g| g * side).fold(0.0, f64::max);
    let farthest = reach(1.0).min(reach(-1.0));
    let nearest = (6.0 * noise_px).max(0.1).sqrt();
    if farthest < 2.5 * nearest {
        return None;
    }
    let shells = ((farthest / nearest).ln() / 0.5).floor().clamp(2.0, 8.0) as usize;
    let ratio = (farthest / nearest).powf(1.0 / shells as f64);
    let (mut n, mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for side in [-1.0, 1.0] {
        for k in 0..shells {
            let low = nearest * ratio.powi(k as i32);
            let high = low * ratio;
            // Way over time in the shell, rests of the hand left out.
            let (mut way, mut time) = (0.0, 0.0);
            for i in 1..turn.g.len() {
                let (a, b) = (side * turn.g[i - 1], side * turn.g[i]);
                let middle = 0.5 * (a + b);
                if middle >= low && middle < high && speeds[i] > 0.15 * usual {
                    way += (b - a).abs();
                    time += turn.times_s[i] - turn.times_s[i - 1];
                }
            }
            if time > 0.0 && way > 0.0 {
                let (x, y) = ((low * high).sqrt().ln(), (way / time).ln());
                n += 1.0;
                sx += x;
                sy += y;
                sxx += x * x;
                sxy += x * y;
            }
        }
    }
    let spread = sxx - sx * sx / n;
    (n >= 4.0 && spread > 0.3).then(|| (sxy - sx * sy / n) / spread)
}

/// Odds from the shape.
pub(super) fn from_shape(slope: Option<f64>) -> f64 {
    let Some(slope) = slope else { return 0.0 };
    let minimum = (slope / 0.22).powi(2);
    let hand = ((slope.max(-0.8) + 0.8) / 0.25).powi(2);
    (0.5 * (minimum - hand)).clamp(-MOST, MOST)
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
