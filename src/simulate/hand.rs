//! The hand that turns the prism table: what it means to do, and what it does.
//!
//! A plan of moves and pauses becomes the hand's angle with a drifting speed and a tremor; the
//! table hangs on the hand through friction, so it sticks and slips.

use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Time step of the table's motion, s.
const STEP_S: f64 = 0.001;

/// One thing that the hand means to do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Move {
    /// Turn the table to an angle at a speed.
    Turn {
        /// Table angle to reach, degrees.
        to_deg: f64,
        /// Speed, degrees per second, positive.
        speed_deg_per_s: f64,
    },
    /// Hold still.
    Rest {
        /// How long, s.
        for_s: f64,
    },
}

/// How unsteady the hand is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unsteadiness {
    /// Relative standard deviation of the speed's slow drift.
    pub drift: f64,
    /// Standard deviation of the tremor, degrees of table angle.
    pub tremor_deg: f64,
    /// Centre of the tremor's band, Hz.
    pub tremor_hz: f64,
    /// How far the hand gets ahead before the table lets go, degrees; 0 for a table that follows.
    pub stick_deg: f64,
}

impl Unsteadiness {
    /// A motor instead of a hand.
    pub const NONE: Self = Self {
        drift: 0.0,
        tremor_deg: 0.0,
        tremor_hz: 8.0,
        stick_deg: 0.0,
    };
    /// A practised hand.
    pub const CALM: Self = Self {
        drift: 0.12,
        tremor_deg: 0.006,
        tremor_hz: 7.0,
        stick_deg: 0.008,
    };
    /// A student's hand on a dry table.
    pub const ROUGH: Self = Self {
        drift: 0.35,
        tremor_deg: 0.025,
        tremor_hz: 5.0,
        stick_deg: 0.06,
    };
}

/// The table's angle over time.
#[derive(Clone, Debug)]
pub struct Motion {
    /// Table angles, degrees, every `STEP_S` from time 0.
    angles_deg: Vec<f64>,
    /// Times at which the hand turned back, s, with the table angle there, degrees.
    pub(crate) turned_back: Vec<(f64, f64)>,
}

impl Motion {
    /// Lets the hand carry out a plan.
    ///
    /// Starts at rest at `from_deg`; where the plan ends the hand rests.
    pub(crate) fn of_plan(
        from_deg: f64,
        plan: &[Move],
        unsteadiness: Unsteadiness,
        rng: &mut ChaCha8Rng,
    ) -> Self {
        let mut normal = || -> f64 { StandardNormal.sample(rng) };
        let mut angles_deg = vec![from_deg];
        let mut hand = from_deg; // where the hand is without its tremor
        let mut speed = 0.0;
        let mut drift = 0.0;
        let (mut tremor, mut tremor_rate) = (0.0, 0.0);
        let mut table = from_deg;
        let mut sliding = false;
        let pulse = std::f64::consts::TAU * unsteadiness.tremor_hz;
        let damping = 0.35 * pulse;
        // A damped oscillator driven by white noise of density q has variance q²/(2 damping pulse²).
        let drive = unsteadiness.tremor_deg * pulse * (2.0 * damping).sqrt();
        for intent in plan {
            let (target, wanted, mut rest_s) = match *intent {
                Move::Turn {
                    to_deg,
                    speed_deg_per_s,
                } => (
                    Some(to_deg),
                    speed_deg_per_s.abs().max(1e-3) * (to_deg - hand).signum(),
                    0.0,
                ),
                Move::Rest { for_s } => (None, 0.0, for_s),
            };
            loop {
                let arrived = match target {
                    Some(target) => (target - hand) * wanted.signum() <= 0.0,
                    None => rest_s <= 0.0,
                };
                if arrived || angles_deg.len() > 600_000 {
                    break;
                }
                rest_s -= STEP_S;
                // Slow drift: correlation time 0.8 s.
                drift += -drift * STEP_S / 0.8 + (2.0 * STEP_S / 0.8_f64).sqrt() * normal();
                let pace = (1.0 + unsteadiness.drift * drift).max(0.05);
                speed += (wanted * pace - speed) * STEP_S / 0.08;
                hand += speed * STEP_S;
                tremor_rate += (-pulse * pulse * tremor - 2.0 * damping * 0.5 * tremor_rate)
                    * STEP_S
                    + drive * STEP_S.sqrt() * normal();
                tremor += tremor_rate * STEP_S;
                let ahead = hand + tremor - table;
                if unsteadiness.stick_deg <= 0.0 {
                    table = hand + tremor;
                } else {
                    if ahead.abs() > unsteadiness.stick_deg {
                        sliding = true;
                    }
                    if sliding {
                        table += ahead * STEP_S / 0.03;
                        if ahead.abs() < 0.15 * unsteadiness.stick_deg {
                            sliding = false;
                        }
                    }
                }
                angles_deg.push(table);
            }
        }
        let mut motion = Self {
            angles_deg,
            turned_back: Vec::new(),
        };
        motion.turned_back = motion.find_turned_back(0.25 + 4.0 * unsteadiness.tremor_deg);
        motion
    }

    /// A table that nobody touches.
    pub(crate) fn still(at_deg: f64, for_s: f64) -> Self {
        Self {
            angles_deg: vec![at_deg; (for_s / STEP_S) as usize + 2],
            turned_back: Vec::new(),
        }
    }

    /// How long the motion lasts, s.
    pub(crate) fn duration_s(&self) -> f64 {
        STEP_S * (self.angles_deg.len().saturating_sub(1)) as f64
    }

    /// Table angle at a time, degrees; held before the start and behind the end.
    pub(crate) fn angle_deg(&self, time_s: f64) -> f64 {
        let place = (time_s / STEP_S).max(0.0);
        let index = place as usize;
        let last = self.angles_deg.last().copied().unwrap_or(0.0);
        match (self.angles_deg.get(index), self.angles_deg.get(index + 1)) {
            (Some(a), Some(b)) => a + (b - a) * (place - index as f64),
            _ => last,
        }
    }

    /// Times at which the table passed an angle, s; a pass counts when the table comes from more
    /// than `margin_deg` on one side and gets as far on the other, and its time is the middle of
    /// the first and the last crossing in between.
    pub(crate) fn passes(&self, angle_deg: f64, margin_deg: f64) -> Vec<f64> {
        let mut passes = Vec::new();
        let mut side = 0.0_f64;
        let mut first: Option<f64> = None;
        let mut last = 0.0;
        let mut before = self.angles_deg.first().copied().unwrap_or(0.0) - angle_deg;
        for (index, angle) in self.angles_deg.iter().enumerate() {
            let here = angle - angle_deg;
            if here * before < 0.0 || (here == 0.0 && before != 0.0) {
                let time = STEP_S * (index as f64 - here.abs() / (here.abs() + before.abs()));
                first.get_or_insert(time);
                last = time;
            }
            if here.abs() > margin_deg {
                if side != 0.0
                    && here.signum() != side.signum()
                    && let Some(first) = first
                {
                    passes.push(0.5 * (first + last));
                }
                side = here;
                first = None;
            }
            before = here;
        }
        passes
    }

    /// Reversals of the table of more than `least_deg` on both sides.
    fn find_turned_back(&self, least_deg: f64) -> Vec<(f64, f64)> {
        let mut found = Vec::new();
        let start = self.angles_deg.first().copied().unwrap_or(0.0);
        let (mut high, mut low) = ((0, start), (0, start));
        let mut direction = 0;
        for (index, &angle) in self.angles_deg.iter().enumerate() {
            if angle > high.1 {
                high = (index, angle);
            }
            if angle < low.1 {
                low = (index, angle);
            }
            if direction >= 0 && angle < high.1 - least_deg {
                if direction > 0 {
                    found.push((STEP_S * high.0 as f64, high.1));
                }
                direction = -1;
                low = (index, angle);
            } else if direction <= 0 && angle > low.1 + least_deg {
                if direction < 0 {
                    found.push((STEP_S * low.0 as f64, low.1));
                }
                direction = 1;
                high = (index, angle);
            }
        }
        found
    }
}
