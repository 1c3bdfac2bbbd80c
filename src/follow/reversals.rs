//! Where a line went to and fro: its extremes, left and right, in order of time.
//!
//! An extreme counts once the line has come back from it by more than noise can do (a hysteresis).

use super::Side;
use super::steadiness::median;

/// A line that goes no farther than so many times what it leaps from frame to frame trembles with the hand that holds the table,
/// and does not turn.
const TREMBLE: f64 = 8.0;
/// Leaps are looked at over the pass, and over at least so many sightings on both sides of its end.
const AROUND: usize = 20;

/// A line's course in the frame of reference of the main stretch.
#[derive(Clone, Debug, Default)]
pub(super) struct Course {
    pub(super) time_s: Vec<f64>,
    pub(super) x_px: Vec<f64>,
    pub(super) u_px: Vec<f64>,
}

/// A place where a line came back.
#[derive(Clone, Copy, Debug)]
pub(super) struct Extreme {
    pub(super) side: Side,
    /// Number of the sighting.
    pub(super) at: usize,
    pub(super) x_px: f64,
    /// How far the line was from here at its farthest before it came and after it left, px.
    pub(super) depth_px: (f64, f64),
}

impl Course {
    /// Standard deviation of a position as the frames show it, px; not more than a few times what is stated.
    pub(super) fn noise_px(&self) -> f64 {
        let stated = median(self.u_px.clone());
        leaps_px(&self.x_px).clamp(stated, 3.0 * stated.max(1e-6))
    }

    /// Positions with single bad frames taken out.
    fn smoothed(&self) -> Vec<f64> {
        let n = self.x_px.len();
        (0..n)
            .map(|i| {
                if i == 0 || i + 1 == n {
                    self.x_px[i]
                } else {
                    median(vec![self.x_px[i - 1], self.x_px[i], self.x_px[i + 1]])
                }
            })
            .collect()
    }

    /// All extremes, left and right in turn.
    pub(super) fn extremes(&self) -> Vec<Extreme> {
        let x = self.smoothed();
        let threshold = (10.0 * self.noise_px()).max(0.6);
        let mut found: Vec<Extreme> = Vec::new();
        let (Some(&first), n) = (x.first(), x.len()) else {
            return found;
        };
        let (mut low, mut high) = ((0, first), (0, first));
        let mut heading: Option<Side> = None;
        for (i, &here) in x.iter().enumerate() {
            if here < low.1 {
                low = (i, here);
            }
            if here > high.1 {
                high = (i, here);
            }
            let turned = match heading {
                None if here > low.1 + threshold => Some((Side::Left, low)),
                None if here < high.1 - threshold => Some((Side::Right, high)),
                Some(Side::Left) if here > low.1 + threshold => Some((Side::Left, low)),
                Some(Side::Right) if here < high.1 - threshold => Some((Side::Right, high)),
                _ => None,
            };
            if let Some((side, at)) = turned {
                // What has been passed before the first heading is known is the begin of the clip, unless
                // the line had come from the other side by as much.
                let came = x[..=at.0]
                    .iter()
                    .map(|v| (v - at.1).abs())
                    .fold(0.0, f64::max);
                if heading.is_some() || came > threshold {
                    found.push(Extreme {
                        side,
                        at: at.0,
                        x_px: at.1,
                        depth_px: (0.0, 0.0),
                    });
                }
                heading = Some(match side {
                    Side::Left => Side::Right,
                    Side::Right => Side::Left,
                });
                (low, high) = ((i, here), (i, here));
            }
        }
        let ends: Vec<usize> = found.iter().map(|e| e.at).collect();
        for (k, extreme) in found.iter_mut().enumerate() {
            let from = if k == 0 { 0 } else { ends[k - 1] };
            let to = ends.get(k + 1).copied().unwrap_or(n - 1);
            let farthest = |range: &[f64]| {
                range
                    .iter()
                    .map(|v| (v - extreme.x_px).abs())
                    .fold(0.0, f64::max)
            };
            extreme.depth_px = (
                farthest(&x[from..=extreme.at]),
                farthest(&x[extreme.at..=to]),
            );
        }
        found
    }
}

/// Standard deviation of a position as its neighbours in time show it, px.
fn leaps_px(x_px: &[f64]) -> f64 {
    let bends = x_px
        .windows(3)
        .map(|w| (w[1] - 0.5 * (w[0] + w[2])).abs())
        .collect();
    1.48 * median(bends) / 1.22
}

/// One or more extremes of one side with hardly any way between them: a single pass with an unsteady hand.
#[derive(Clone, Debug)]
pub(super) struct Pass {
    /// First and last sighting that belong to the pass.
    pub(super) from: usize,
    pub(super) to: usize,
    /// Sighting at the farthest reach.
    pub(super) at: usize,
    /// How far the line was away before and after, px.
    pub(super) depth_px: (f64, f64),
}

/// Groups the extremes of one side into passes; a hand that trembles makes none.
pub(super) fn passes(course: &Course, extremes: &[Extreme], side: Side) -> Vec<Pass> {
    let sign = super::sign_of(side);
    let last = course.x_px.len().saturating_sub(1);
    let mut found: Vec<Pass> = Vec::new();
    for (k, extreme) in extremes.iter().enumerate() {
        if extreme.side != side {
            continue;
        }
        let from = k
            .checked_sub(1)
            .and_then(|b| extremes.get(b))
            .map_or(0, |e| e.at);
        let to = extremes.get(k + 1).map_or(last, |e| e.at);
        if let Some(before) = found.last_mut() {
            let between = extreme.depth_px.0.min(before.depth_px.1);
            let outer = before.depth_px.0.max(extreme.depth_px.1);
            if between < (0.08 * outer).max(3.0) && between < 0.5 * outer {
                if sign * course.x_px[extreme.at] < sign * course.x_px[before.at] {
                    before.at = extreme.at;
                }
                before.to = to;
                before.depth_px = (
                    before.depth_px.0.max(extreme.depth_px.0),
                    extreme.depth_px.1.max(before.depth_px.1),
                );
                continue;
            }
        }
        found.push(Pass {
            from,
            to,
            at: extreme.at,
            depth_px: extreme.depth_px,
        });
    }
    found.retain(|pass| {
        let depth_px = pass.depth_px.0.min(pass.depth_px.1);
        let from = pass.from.min(pass.at.saturating_sub(AROUND));
        let to = pass.to.max(pass.at + AROUND).min(last);
        depth_px > TREMBLE * leaps_px(&course.x_px[from..=to])
    });
    found
}
