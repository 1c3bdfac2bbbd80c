//! How far a codec held a line back where it turned.
//!
//! A codec draws anew only what changed by enough. A line that moves is drawn late, at a distance L behind where it is; one that
//! turns is left standing short of its turning point by L, until it has come back by as much on the other side. With the true way
//! x₀ + a t² the drawn one is x₀ + L + a t² before, stands at x₀ + L for the time T = √(2 L / a), and is x₀ - L + a t² after, so that
//! L = a T² / 2 (own derivation, after coded footage of simulated sweeps).

use super::turning::Sample;

/// Sightings that differ by less than this share of what single frames state show one picture, drawn once.
const STANDS: f64 = 0.3;
/// Steps one after the other that chance hardly makes so small.
const FEWEST_STEPS: usize = 4;
/// Only about the turn, s; a hand that rests there is not taken for a codec beyond so many standard uncertainties of single frames.
const ABOUT_TURN_S: f64 = 0.8;
const MOST_IN_U: f64 = 8.0;
/// The bend is taken from this far on either side of where the line stood: so many times as long, and at least so far, s.
const TIMES: f64 = 2.0;
const LEAST_S: f64 = 0.3;

/// How far short of its turning point at `turn_s` a line was left standing, px; 0 where it was not. Samples are mirrored, so that the
/// line turns at its least place.
pub(super) fn short_px(samples: &[Sample], turn_s: f64) -> f64 {
    let about = |s: &Sample| (s.time_s - turn_s).abs() < ABOUT_TURN_S;
    let from = samples.iter().position(about).unwrap_or(samples.len());
    let part = &samples[from..];
    let part = &part[..part.iter().take_while(|s| about(s)).count()];
    let stands =
        |w: &[Sample]| (w[1].y_px - w[0].y_px).abs() < STANDS * 0.5 * (w[0].u_px + w[1].u_px);
    let mut longest: &[Sample] = &[];
    let mut begun = 0;
    for end in 1..=part.len() {
        if end == part.len() || !stands(&part[end - 1..=end]) {
            if end - begun > longest.len() {
                longest = &part[begun..end];
            }
            begun = end;
        }
    }
    let (Some(first), Some(last)) = (longest.first(), longest.last()) else {
        return 0.0;
    };
    if longest.len() <= FEWEST_STEPS {
        return 0.0;
    }
    let lasted_s = last.time_s - first.time_s;
    let middle_s = first.time_s + lasted_s / 2.0;
    let away_s = (TIMES * lasted_s).max(LEAST_S);
    let (Some(before), Some(after)) = (
        place_at(samples, middle_s - away_s),
        place_at(samples, middle_s + away_s),
    ) else {
        return 0.0;
    };
    let stood_px = 0.5 * (first.y_px + last.y_px);
    let bend = (0.5 * (before + after) - stood_px) / (away_s * away_s - lasted_s * lasted_s / 4.0);
    let most = MOST_IN_U * 0.5 * (first.u_px + last.u_px);
    (bend * lasted_s * lasted_s / 2.0).clamp(0.0, most)
}

/// Where the line was at a time, between the two sightings about it; `None` outside all of them.
fn place_at(samples: &[Sample], time_s: f64) -> Option<f64> {
    let after = samples.partition_point(|s| s.time_s < time_s);
    let (a, b) = (samples.get(after.checked_sub(1)?)?, samples.get(after)?);
    let share = (time_s - a.time_s) / (b.time_s - a.time_s).max(1e-9);
    Some(a.y_px + share * (b.y_px - a.y_px))
}

#[cfg(test)]
mod tests {
    use super::*;

    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    const U_PX: f64 = 0.06;

    /// A line that turns at 2 s, drawn anew when it has moved by `held_px`, with noise of single frames.
    fn seen(held_px: f64, noise_px: f64) -> Vec<Sample> {
        let mut random = ChaCha8Rng::seed_from_u64(9);
        let mut drawn = f64::INFINITY;
        (0..100)
            .map(|frame| {
                let time_s = 0.04 * f64::from(frame);
                let way = 12.0 * (time_s - 2.0).powi(2);
                drawn = if drawn.is_finite() {
                    drawn.clamp(way - held_px, way + held_px)
                } else {
                    way
                };
                let by_chance: f64 = StandardNormal.sample(&mut random);
                Sample {
                    time_s,
                    y_px: drawn + noise_px * by_chance,
                    u_px: U_PX,
                }
            })
            .collect()
    }

    #[test]
    fn a_line_that_is_held_back_is_short_by_as_much() {
        for held_px in [0.2, 0.3, 0.45] {
            let short = short_px(&seen(held_px, 0.004), 2.0);
            assert!(
                (0.6 * held_px..1.5 * held_px).contains(&short),
                "{short} {held_px}"
            );
        }
    }

    #[test]
    fn a_line_with_the_noise_that_frames_state_is_not_held() {
        let short = short_px(&seen(0.0, U_PX), 2.0);
        assert!(short <= 0.0, "{short}");
    }
}
