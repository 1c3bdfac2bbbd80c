//! Tracks for the tests: a hand that turns a prism, and what a camera would make of it.
//!
//! Written apart from the estimator: the deviation is Snell's law at both faces, the hand is drawn
//! from random numbers, and nothing here is used outside tests.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// How the hand and the camera behave.
#[derive(Clone, Debug)]
pub(super) struct Hand {
    pub(super) frames_per_s: f64,
    /// Jitter of the frame interval, share of it.
    pub(super) jitter: f64,
    /// Usual speed of the table, degrees a second.
    pub(super) speed_deg_s: f64,
    /// Relative standard deviation of the speed and the time over which it forgets.
    pub(super) drift: f64,
    pub(super) drift_s: f64,
    /// Tremor, degrees, and its frequency.
    pub(super) tremor_deg: f64,
    pub(super) tremor_hz: f64,
    /// Chance a second that the table sticks, and how long.
    pub(super) sticks_per_s: f64,
    pub(super) stick_s: f64,
    /// Angles from minimum to which the hand turns one after another, degrees; it starts at the first.
    pub(super) stations_deg: Vec<f64>,
    /// Time that a reversal of the hand takes, s.
    pub(super) reversal_s: f64,
    /// Share of the frame interval that the shutter is open.
    pub(super) exposure: f64,
    /// White noise and correlated noise of a position, px; correlation of neighbouring frames.
    pub(super) noise_px: f64,
    pub(super) wander_px: f64,
    pub(super) wander_correlation: f64,
    /// Share of frames that are far off, and by how much.
    pub(super) bad: f64,
    pub(super) bad_px: f64,
    /// Share of frames that are missing.
    pub(super) missing: f64,
    /// Pixels a degree of deviation.
    pub(super) px_per_deg: f64,
}

impl Default for Hand {
    fn default() -> Self {
        Self {
            frames_per_s: 30.0,
            jitter: 0.02,
            speed_deg_s: 0.6,
            drift: 0.25,
            drift_s: 1.0,
            tremor_deg: 0.004,
            tremor_hz: 3.0,
            sticks_per_s: 0.0,
            stick_s: 0.15,
            stations_deg: vec![-2.0, 2.0],
            reversal_s: 0.3,
            exposure: 0.5,
            noise_px: 0.05,
            wander_px: 0.0,
            wander_correlation: 0.7,
            bad: 0.0,
            bad_px: 3.0,
            missing: 0.0,
            px_per_deg: 600.0,
        }
    }
}

/// A frame: time and angle of the table over the exposure (several instants).
#[derive(Clone, Debug)]
pub(super) struct Moment {
    pub(super) time_s: f64,
    pub(super) theta_deg: Vec<f64>,
}

const REFRACTING_ANGLE_DEG: f64 = 60.0;

/// Deviation of a prism of 60 degrees, degrees: Snell's law at the two faces.
pub(super) fn deviation_deg(index: f64, incidence_deg: f64) -> f64 {
    let apex = REFRACTING_ANGLE_DEG.to_radians();
    let i = incidence_deg.to_radians();
    let inside = (i.sin() / index).asin();
    let out = (index * (apex - inside).sin()).asin();
    (i + out - apex).to_degrees()
}

/// Incidence at minimum deviation, degrees (the symmetric passage).
pub(super) fn incidence_at_minimum_deg(index: f64) -> f64 {
    (index * (REFRACTING_ANGLE_DEG / 2.0).to_radians().sin())
        .asin()
        .to_degrees()
}

pub(super) fn generator(number: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(number)
}

pub(super) fn normal(random: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(random)
}

/// The frames of a sweep with the table's angle.
pub(super) fn turn_the_table(hand: &Hand, random: &mut ChaCha8Rng) -> Vec<Moment> {
    let step_s = 0.001;
    let mut theta = hand.stations_deg[0];
    let mut station = 1;
    let mut drift = 0.0;
    let mut direction = (hand.stations_deg[1] - theta).signum();
    let mut along = direction;
    let phase: f64 = random.random_range(0.0..std::f64::consts::TAU);
    let mut stuck_s = 0.0;
    let mut owed = 0.0;
    let mut course = Vec::new();
    let mut time = 0.0;
    while station < hand.stations_deg.len() && time < 200.0 {
        drift += -drift * step_s / hand.drift_s
            + hand.drift * (2.0 * step_s / hand.drift_s).sqrt() * normal(random);
        if (hand.stations_deg[station] - theta) * direction <= 0.0 {
            station += 1;
            if station < hand.stations_deg.len() {
                direction = (hand.stations_deg[station] - theta).signum();
            }
        }
        along += (direction - along).clamp(
            -step_s * 2.0 / hand.reversal_s,
            step_s * 2.0 / hand.reversal_s,
        );
        let velocity = hand.speed_deg_s * along * (1.0 + drift).max(0.05);
        if stuck_s > 0.0 {
            stuck_s -= step_s;
            owed += velocity * step_s;
        } else {
            theta += velocity * step_s + owed * 0.05;
            owed *= 0.95;
            if random.random::<f64>() < hand.sticks_per_s * step_s {
                stuck_s = hand.stick_s * random.random_range(0.3..1.7);
            }
        }
        let tremor = hand.tremor_deg
            * (std::f64::consts::TAU * hand.tremor_hz * time + phase).sin()
            + 0.5
                * hand.tremor_deg
                * (std::f64::consts::TAU * 0.41 * hand.tremor_hz * time + 2.0 * phase).sin();
        course.push(theta + tremor);
        time += step_s;
    }
    let mut moments = Vec::new();
    let interval = 1.0 / hand.frames_per_s;
    let mut t: f64 = random.random_range(0.0..interval);
    while t + interval < time {
        let theta_deg = (0..7)
            .map(|k| {
                let at = t + hand.exposure * interval * (f64::from(k) / 6.0 - 0.5);
                course[((at / step_s).max(0.0) as usize).min(course.len() - 1)]
            })
            .collect();
        moments.push(Moment {
            time_s: t,
            theta_deg,
        });
        t += interval * (1.0 + hand.jitter * normal(random)).max(0.2);
    }
    moments
}

/// Position of a line from that of its minimum at every moment, px: larger deviation at larger x.
pub(super) fn positions_px(
    hand: &Hand,
    index: f64,
    origin_deg: f64,
    moments: &[Moment],
) -> Vec<f64> {
    let at_minimum = incidence_at_minimum_deg(index);
    let least = deviation_deg(index, at_minimum);
    moments
        .iter()
        .map(|m| {
            m.theta_deg
                .iter()
                .map(|theta| (deviation_deg(index, origin_deg + theta) - least) * hand.px_per_deg)
                .sum::<f64>()
                / m.theta_deg.len() as f64
        })
        .collect()
}

/// What the camera reports: (frame, position) with noise, bad and missing frames.
pub(super) fn seen(hand: &Hand, truth_px: &[f64], random: &mut ChaCha8Rng) -> Vec<(usize, f64)> {
    let mut wander = hand.wander_px * normal(random);
    let mut out = Vec::new();
    for (i, x) in truth_px.iter().enumerate() {
        let rho = hand.wander_correlation;
        wander = rho * wander + hand.wander_px * (1.0 - rho * rho).sqrt() * normal(random);
        let mut position = x + wander + hand.noise_px * normal(random);
        if random.random::<f64>() < hand.bad {
            position += hand.bad_px * normal(random);
        }
        if random.random::<f64>() >= hand.missing {
            out.push((i, position));
        }
    }
    out
}
