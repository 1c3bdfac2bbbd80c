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
/// Frames that a jump takes at most; while it is looked for, lines that were lost by it may be missing for [`BLIND_S`] more.
const WITHIN: usize = 3;
const BLIND_S: f64 = 0.6;
/// Frames that are remembered.
const REMEMBERED: usize = 60;
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
/// A line's light changes by less than this factor within a second, unless the lamp goes out.
const SAME_LIGHT: f64 = 2.0;
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
    hairs_px: f64,
    /// Lines from left to right.
    lines: Vec<ShownLine>,
}

#[derive(Clone, Copy, Debug)]
struct ShownLine {
    id: Option<u64>,
    x_px: f64,
    flux: f64,
}

/// Watches lines for jumps.
#[derive(Debug, Default)]
pub(super) struct Jumps {
    shown: VecDeque<Shown>,
    /// A jump that waits for the hairs to be measured again: where they were, px, and the frames since.
    pending: Option<(Jump, f64, usize)>,
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
        if let Some((jump, before_px, waited)) = self.pending.take() {
            let moved = (hairs.x_px - before_px) / jump.px();
            // Hairs that moved with the lines are a camera that was knocked.
            if moved > WITH_HAIRS {
                return None;
            }
            if waited >= WAIT {
                return Some(jump);
            }
            self.pending = Some((jump, before_px, waited + 1));
            return None;
        }
        self.shown.push_back(Shown {
            time_s: sight.time_s,
            hairs_px: hairs.x_px,
            lines: sight
                .lines
                .iter()
                .map(|line| ShownLine {
                    id: line.id,
                    x_px: line.line.x_px,
                    flux: line.line.flux,
                })
                .collect(),
        });
        if self.shown.len() > REMEMBERED {
            self.shown.pop_front();
        }
        let (jump, before_px) = self.look()?;
        self.pending = Some((jump, before_px, 0));
        self.shown.clear();
        None
    }

    /// The jump behind the newest frames, and where the hairs were before it, px.
    fn look(&self) -> Option<(Jump, f64)> {
        // Lines that are lost by a jump get new numbers, so they are told apart by their order.
        let count = self.shown.back()?.lines.len();
        let alike: Vec<&Shown> = self
            .shown
            .iter()
            .rev()
            .filter(|shown| shown.lines.len() == count)
            .take(BEFORE + WITHIN + AFTER)
            .collect();
        if count == 0 || alike.len() < BEFORE + AFTER {
            return None;
        }
        let (after, rest) = alike.split_at(AFTER);
        // A jump that made the lines vanish took the frames without them.
        let gap_s = |rest: &[&Shown]| Some(after.last()?.time_s - rest.first()?.time_s);
        let step_s = (after.first()?.time_s - after.last()?.time_s) / (AFTER - 1) as f64;
        let skipped = if gap_s(rest)? > 2.5 * step_s {
            0
        } else {
            WITHIN
        };
        let before = rest.get(skipped..skipped + BEFORE)?;
        let whole_s = before.first()?.time_s - before.last()?.time_s;
        if gap_s(before)? > BLIND_S || whole_s > 2.0 * step_s * BEFORE as f64 {
            return None;
        }
        let around = Around {
            frames: before.iter().chain(after).copied().collect(),
            middle_s: 0.5 * (after.last()?.time_s + before.first()?.time_s),
        };
        if !(0..count).all(|nth| same_light(before, after, nth)) {
            return None;
        }
        let jump = if count == 1 {
            let alone = around.step(|shown| shown.lines[0].x_px)?;
            alone.is_alone().then_some(Jump::Alone(alone.px))?
        } else if ranks_hold(before, after) {
            together(count, &around)?
        } else {
            return None;
        };
        Some((jump, before.first()?.hairs_px))
    }
}

/// Whether a line has the light after that it had before: in the dark other things are taken for lines.
fn same_light(before: &[&Shown], after: &[&Shown], nth: usize) -> bool {
    let flux = |shown: &[&Shown]| shown.iter().map(|s| s.lines[nth].flux).sum::<f64>();
    let ratio = flux(after) * before.len() as f64 / (flux(before) * after.len() as f64);
    (SAME_LIGHT.recip()..SAME_LIGHT).contains(&ratio)
}

/// Whether no line is at another place in the order than before, as when one leaves the field and one enters.
fn ranks_hold(before: &[&Shown], after: &[&Shown]) -> bool {
    let (Some(old), Some(new)) = (before.first(), after.first()) else {
        return false;
    };
    let rank = |shown: &Shown, id: u64| shown.lines.iter().position(|line| line.id == Some(id));
    old.lines
        .iter()
        .filter_map(|line| line.id)
        .all(|id| rank(new, id).is_none_or(|now| Some(now) == rank(old, id)))
}

/// What so many lines jumped together: that of the two that tell it best, where no others say otherwise.
fn together(count: usize, around: &Around<'_>) -> Option<Jump> {
    let pairs: Vec<(f64, f64)> = (0..count)
        .flat_map(|a| (a + 1..count).map(move |b| (a, b)))
        .filter_map(|(a, b)| pair(a, b, around))
        .collect();
    let (px, _) = pairs
        .iter()
        .copied()
        .filter(|(px, u)| px.abs() > JUMP_PX.max(IN_U * u))
        .max_by(|a, b| (a.0 / a.1).abs().total_cmp(&(b.0 / b.1).abs()))?;
    pairs
        .iter()
        .all(|(other, u)| (other - px).abs() < 0.3 * px.abs() + 3.0 * u)
        .then_some(Jump::Together(px))
}

/// What two lines jumped together with its standard uncertainty, px: the jump of one less what the distance of both says of the table.
/// What a hand does in between moves both along with the table, so it falls out of this, too.
fn pair(a: usize, b: usize, around: &Around<'_>) -> Option<(f64, f64)> {
    let one = around.step(|shown| shown.lines[a].x_px)?;
    let apart = around.step(|shown| shown.lines[a].x_px - shown.lines[b].x_px)?;
    // Place over distance while the table turns.
    let known = apart.velocity_px_s.abs() > 5.0 * apart.u_velocity_px_s;
    let (steep, u_steep) = if known {
        let steep = one.velocity_px_s / apart.velocity_px_s;
        let u = one.u_velocity_px_s.hypot(steep * apart.u_velocity_px_s);
        (steep, u / apart.velocity_px_s.abs())
    } else {
        (0.0, STEEPEST)
    };
    let both = around.step(|shown| {
        let (x_px, other_px) = (shown.lines[a].x_px, shown.lines[b].x_px);
        x_px - steep * (x_px - other_px)
    })?;
    let u = [
        both.u_px,
        u_steep * apart.px.abs().max(apart.u_px),
        // The parabolas are no more than nearly alike.
        0.1 * steep * apart.px,
    ];
    Some((
        both.px,
        u.iter().map(|part| part * part).sum::<f64>().sqrt(),
    ))
}

/// A jump beside a motion that is smooth, a parabola of time.
#[derive(Clone, Copy, Debug)]
struct Step {
    px: f64,
    u_px: f64,
    velocity_px_s: f64,
    u_velocity_px_s: f64,
    /// What the parabola leaves of each place.
    scatter_px: f64,
}

impl Step {
    fn is_alone(&self) -> bool {
        self.px.abs()
            > ALONE_PX
                .max(ALONE_TIMES * self.scatter_px)
                .max(IN_U * self.u_px)
    }
}

/// Frames before and after the time of a jump.
struct Around<'a> {
    frames: Vec<&'a Shown>,
    middle_s: f64,
}

impl Around<'_> {
    /// The jump of something that each frame shows.
    fn step(&self, of: impl Fn(&Shown) -> f64) -> Option<Step> {
        let times_s: Vec<f64> = self
            .frames
            .iter()
            .map(|shown| shown.time_s - self.middle_s)
            .collect();
        let design = DMatrix::from_fn(times_s.len(), 4, |row, column| match column {
            0 => 1.0,
            1 => times_s[row],
            2 => times_s[row].powi(2),
            _ => f64::from(u8::from(times_s[row] > 0.0)),
        });
        let places: Vec<f64> = self.frames.iter().map(|shown| of(shown)).collect();
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

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use crate::basics::frame::Frame;
    use crate::follow::Settings;
    use crate::session::bench::sight::Numbers;
    use crate::session::watcher::Watcher;
    use crate::simulate::{self, Motion, Move, Scene, Unsteadiness};
    use rand::SeedableRng;

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
        for seed in 0..3 {
            for by_px in [6.0, -12.0] {
                let (scene, at_s) = knocked("several-lines", seed, 0.25, by_px);
                let told = told(&scene);
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
        for seed in 0..2 {
            let (scene, _) = knocked("steady", seed, 0.25, 12.0);
            let told = told(&scene);
            assert!(
                matches!(told[..], [(_, Jump::Alone(px))] if (px.abs() - 12.0).abs() < 2.0),
                "{told:?}"
            );
        }
    }

    /// A table that sticks and slips, and one that is jerked on by a quarter of a degree, move all lines, but not alike.
    #[test]
    fn a_table_that_slips_is_no_telescope_that_moved() {
        for seed in 0..2 {
            for jerk_deg in [0.0, 0.25] {
                let mut scene = simulate::scene("several-lines", seed).unwrap();
                let length_s = scene.frame_times_s.last().unwrap() - scene.frame_times_s[0];
                let from_deg = scene.motion.angle_deg(0.0);
                let way = (scene.motion.angle_deg(length_s) - from_deg).signum();
                let turn = |by_deg: f64, speed_deg_per_s| Move::Turn {
                    to_deg: from_deg + way * by_deg,
                    speed_deg_per_s,
                };
                let plan = [
                    Move::Rest { for_s: 0.3 },
                    turn(2.2, 1.1),
                    turn(2.2 + jerk_deg, 20.0),
                    turn(8.0, 1.1),
                ];
                let sticky = Unsteadiness {
                    stick_deg: 0.15,
                    ..Unsteadiness::ROUGH
                };
                let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
                scene.motion = Motion::of_plan(from_deg, &plan, sticky, &mut random);
                let told = told(&scene);
                assert!(told.is_empty(), "seed {seed}, {jerk_deg}: {told:?}");
            }
        }
    }

    #[test]
    fn no_practice_scene_is_told_as_a_knock() {
        let seeds: u64 = std::env::var("LINETURN_SEEDS")
            .ok()
            .and_then(|count| count.parse().ok())
            .unwrap_or(1);
        let names = simulate::scenario_names();
        let sweeps = names
            .iter()
            .flat_map(|(name, _)| (0..seeds).map(move |seed| (name, seed)));
        let sweeps = std::sync::Mutex::new(sweeps);
        let next = || sweeps.lock().unwrap().next();
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        std::thread::scope(|scope| {
            for _ in 0..cores {
                scope.spawn(|| {
                    while let Some((name, seed)) = next() {
                        let told = told(&simulate::scene(name, seed).unwrap());
                        assert!(told.is_empty(), "{name}, seed {seed}: {told:?}");
                    }
                });
            }
        });
    }
}
