//! Whether the telescope moved while the table was free, told from lines that jump together.
//!
//! A turn of the table moves lines along with their distance from each other: near minimum deviation each line's place is a parabola of
//! the table's angle, all with nearly the same curvature, so the distance of two of them is linear in that angle. Lines that jump
//! while their distance goes on as before were moved by something else. Where the cross-hairs jumped with them it was the camera, and
//! the offsets stand; else it was the telescope. One line alone cannot tell a knock from a table that slips.

use std::collections::VecDeque;

use nalgebra::DMatrix;

use super::sight::Sight;
use crate::basics::fit;

/// Frames looked at before and after a jump.
const BEFORE: usize = 14;
const AFTER: usize = 10;
/// Frames that a jump takes at most.
const WITHIN: usize = 3;
const ALL: usize = BEFORE + WITHIN + AFTER;
/// Of the frames on either side a line may be missing in so many.
const MISSING: usize = 2;
/// Frames that lie further apart than this were not shown one after the other, s.
const PAUSE_S: f64 = 0.5;
/// Jumps below this are not told, px.
const JUMP_PX: f64 = 2.0;
/// A line alone jumps by more than this, and by so many times what the motion around it leaves unexplained.
const ALONE_PX: f64 = 5.0;
const ALONE_TIMES: f64 = 25.0;
/// Standard uncertainties beyond which a jump is none of chance.
const IN_U: f64 = 8.0;
/// Place of a line over its distance from another, both by the table: largest that counts, where nothing shows it (the nearest pair
/// of lines that people measure, from the practice scenes).
const STEEPEST: f64 = 100.0;
/// Frames that may pass until the hairs are measured again; they are every sixteenth frame at the latest.
const WAIT: usize = 40;
/// Hairs that moved by this share of a jump moved with the lines.
const WITH_HAIRS: f64 = 0.3;

/// What jumped.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Jump {
    /// Lines together before the hairs, by so many px: the telescope moved.
    Together(f64),
    /// The only line before the hairs, by so many px: the telescope, the slit or the table.
    Alone(f64),
}

impl Jump {
    fn px(self) -> f64 {
        match self {
            Self::Together(px) | Self::Alone(px) => px,
        }
    }
}

/// One frame as far as jumps go.
#[derive(Clone, Debug)]
struct Shown {
    time_s: f64,
    /// Number and place of each line, px.
    lines: Vec<(u64, f64)>,
}

/// Watches lines for jumps.
#[derive(Debug, Default)]
pub(super) struct Jumps {
    shown: VecDeque<Shown>,
    /// A jump that waits for the hairs to be measured again: where they were, px, and the frames since.
    pending: Option<(Jump, f64, usize)>,
    /// Place of the hairs before the frames that are looked at, px.
    hairs_px: VecDeque<f64>,
}

impl Jumps {
    /// Takes a frame; tells a jump some frames after it came.
    pub(super) fn take(&mut self, sight: &Sight) -> Option<Jump> {
        let Some(hairs) = &sight.cross_hairs else {
            // Without hairs nobody can say what moved.
            *self = Self::default();
            return None;
        };
        if self
            .shown
            .back()
            .is_some_and(|last| !(0.0..PAUSE_S).contains(&(sight.time_s - last.time_s)))
        {
            *self = Self::default();
        }
        self.shown.push_back(Shown {
            time_s: sight.time_s,
            lines: sight
                .lines
                .iter()
                .filter_map(|line| Some((line.id?, line.line.x_px)))
                .collect(),
        });
        self.hairs_px.push_back(hairs.x_px);
        if self.shown.len() > ALL {
            self.shown.pop_front();
            self.hairs_px.pop_front();
        }
        if let Some((jump, before_px, waited)) = self.pending.take() {
            let moved = (hairs.x_px - before_px) / jump.px();
            if moved > WITH_HAIRS {
                // The camera was knocked; what is in the frames yet is of the same knock.
                self.shown.clear();
                self.hairs_px.clear();
                return None;
            }
            if waited + 1 >= WAIT {
                self.shown.clear();
                self.hairs_px.clear();
                return Some(jump);
            }
            self.pending = Some((jump, before_px, waited + 1));
            return None;
        }
        let before_px = *self.hairs_px.front()?;
        let jump = self.look()?;
        self.pending = Some((jump, before_px, 0));
        None
    }

    fn look(&self) -> Option<Jump> {
        if self.shown.len() < ALL {
            return None;
        }
        let ids: Vec<u64> = self
            .shown
            .front()?
            .lines
            .iter()
            .map(|(id, _)| *id)
            .collect();
        let steps: Vec<Step> = ids.iter().filter_map(|id| self.step(*id)).collect();
        let seen = self.shown.iter().map(|shown| shown.lines.len()).max()?;
        match &steps[..] {
            [] => None,
            [one] => (seen == 1 && one.is_alone()).then_some(Jump::Alone(one.px)),
            several => {
                let pairs: Vec<(f64, f64)> = several
                    .iter()
                    .enumerate()
                    .flat_map(|(k, a)| several.iter().skip(k + 1).map(move |b| together(a, b)))
                    .collect();
                let (px, _) = pairs
                    .iter()
                    .copied()
                    .filter(|(px, u)| px.abs() > JUMP_PX.max(IN_U * u))
                    .max_by(|a, b| (a.0 / a.1).abs().total_cmp(&(b.0 / b.1).abs()))?;
                let agreed = pairs
                    .iter()
                    .all(|(other, u)| (other - px).abs() < 0.3 * px.abs() + 3.0 * u);
                agreed.then_some(Jump::Together(px))
            }
        }
    }

    /// A line's jump in the middle of the frames at hand, beside a motion that is smooth: a parabola of time.
    fn step(&self, id: u64) -> Option<Step> {
        let middle_s = self.shown.get(BEFORE + WITHIN / 2)?.time_s;
        let (mut early, mut late) = (Vec::new(), Vec::new());
        for (nth, shown) in self.shown.iter().enumerate() {
            let Some((_, x_px)) = shown.lines.iter().find(|(other, _)| *other == id) else {
                continue;
            };
            let point = (shown.time_s - middle_s, *x_px);
            if nth < BEFORE {
                early.push(point);
            } else if nth >= BEFORE + WITHIN {
                late.push(point);
            }
        }
        if early.len() + MISSING < BEFORE || late.len() + MISSING < AFTER {
            return None;
        }
        let before = early.len();
        let points: Vec<(f64, f64)> = early.into_iter().chain(late).collect();
        let design = DMatrix::from_fn(points.len(), 4, |row, column| match column {
            0 => 1.0,
            1 => points[row].0,
            2 => points[row].0.powi(2),
            _ => f64::from(u8::from(row >= before)),
        });
        let places: Vec<f64> = points.iter().map(|(_, x_px)| *x_px).collect();
        let fit = fit::linear(&design, &places, None).ok()?;
        let covariance = fit.covariance_by_residuals()?;
        let u = |k: usize| covariance[(k, k)].max(0.0).sqrt();
        Some(Step {
            px: fit.coefficients[3],
            u_px: u(3),
            velocity_px_s: fit.coefficients[1],
            u_velocity_px_s: u(1),
            scatter_px: fit.residual_deviation()?,
        })
    }
}

/// A line's jump and its motion around it.
#[derive(Clone, Copy, Debug)]
struct Step {
    px: f64,
    u_px: f64,
    velocity_px_s: f64,
    u_velocity_px_s: f64,
    scatter_px: f64,
}

impl Step {
    fn is_alone(&self) -> bool {
        self.px.abs() > ALONE_PX.max(ALONE_TIMES * self.scatter_px).max(IN_U * self.u_px)
    }
}

/// What two lines jumped together, with its standard uncertainty, px: the jump of one less what the jump of their distance says of the
/// table.
fn together(a: &Step, b: &Step) -> (f64, f64) {
    let apart = a.px - b.px;
    let u_apart = a.u_px.hypot(b.u_px);
    let speed = a.velocity_px_s - b.velocity_px_s;
    let u_speed = a.u_velocity_px_s.hypot(b.u_velocity_px_s);
    // Place over distance while the table turns.
    let (steep, u_steep) = if speed.abs() > 5.0 * u_speed {
        let steep = a.velocity_px_s / speed;
        (steep, (a.u_velocity_px_s.hypot(steep * u_speed)) / speed.abs())
    } else {
        (0.0, STEEPEST)
    };
    let by_table = steep * apart;
    let u = [
        a.u_px,
        steep * u_apart,
        u_steep * apart.abs().max(u_apart),
        // The parabolas are no more than nearly alike.
        0.1 * by_table,
    ];
    (
        a.px - by_table,
        u.iter().map(|part| part * part).sum::<f64>().sqrt(),
    )
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use crate::basics::frame::Frame;
    use crate::follow::Settings;
    use crate::session::bench::sight::Numbers;
    use crate::session::watcher::Watcher;
    use crate::simulate::{self, Scene};

    /// What is told of a rendered scene, frame by frame, as the desk would see it.
    fn told(scene: &Scene) -> Vec<(f64, Jump)> {
        let mut watcher = Watcher::new(Settings::default());
        let (mut numbers, mut jumps) = (Numbers::default(), Jumps::default());
        let (mut frame, mut seq) = (Frame::empty(), 0);
        let mut rendering = scene.rendering();
        let mut told = Vec::new();
        while rendering.next_into(&mut frame).is_some() {
            let glimpse = watcher.advance(&frame);
            seq += 1;
            let taken = std::time::SystemTime::UNIX_EPOCH;
            let sight = numbers.sight((seq, taken), &frame, glimpse, false);
            told.extend(jumps.take(&sight).map(|jump| (sight.time_s, jump)));
        }
        told
    }

    /// The scene with the telescope knocked at a share of its length by so many px.
    fn knocked(name: &str, seed: u64, share: f64, by_px: f64) -> (Scene, f64) {
        let mut scene = simulate::scene(name, seed).unwrap();
        let length_s = scene.frame_times_s.last().unwrap() - scene.frame_times_s[0];
        let at_s = scene.frame_times_s[0] + share * length_s;
        let by_arcsec = by_px * scene.eyepiece.arcsec_per_px;
        scene.bench.knocks.push((at_s, by_arcsec));
        (scene, share * length_s)
    }

    #[test]
    fn a_knock_of_the_telescope_is_told_before_the_first_turn() {
        for seed in 0..6 {
            for by_px in [6.0, -12.0] {
                let (scene, at_s) = knocked("several-lines", seed, 0.25, by_px);
                let told = told(&scene);
                println!("several-lines {seed} {by_px}: at {at_s:.2} s, told {told:?}");
                let together: Vec<f64> = told
                    .iter()
                    .filter(|(time_s, _)| (*time_s - at_s).abs() < 4.0)
                    .filter_map(|(_, jump)| match jump {
                        Jump::Together(px) => Some(*px),
                        Jump::Alone(_) => None,
                    })
                    .collect();
                assert_eq!(together.len(), 1, "seed {seed}, {by_px} px: {told:?}");
                assert!((together[0].abs() - f64::abs(by_px)).abs() < 0.25 * f64::abs(by_px));
            }
        }
    }

    #[test]
    fn a_line_alone_that_jumps_is_told_as_doubtful() {
        for seed in 0..3 {
            let (scene, at_s) = knocked("steady", seed, 0.25, 12.0);
            let told = told(&scene);
            println!("steady {seed}: at {at_s:.2} s, told {told:?}");
            assert!(
                matches!(told[..], [(_, Jump::Alone(px))] if (px.abs() - 12.0).abs() < 2.0),
                "{told:?}"
            );
        }
    }

    #[test]
    fn no_practice_scene_is_told_as_a_knock() {
        let seeds: u64 = std::env::var("LINETURN_SEEDS")
            .ok()
            .and_then(|count| count.parse().ok())
            .unwrap_or(1);
        for (name, _) in simulate::scenario_names() {
            for seed in 0..seeds {
                let told = told(&simulate::scene(name, seed).unwrap());
                println!("{name} {seed}: {told:?}");
                assert!(told.is_empty(), "{name}, seed {seed}: {told:?}");
            }
        }
    }
}
