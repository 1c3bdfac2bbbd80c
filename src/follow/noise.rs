//! What the noise of a pass may be: how unsteady the hand, how large the noise of single frames, and what air or shake moves all
//! lines of a frame alike and lasts from one frame to the next.
//!
//! One line that turns once hardly tells slow air from the hand: within a second about the turn both look like a course that wanders.
//! So the air's size and correlation are not fitted but laid out on a grid: for each of its cells the likelihood of the pass is
//! followed to its peak over all else, and gives the turning point with the variance that such air leaves it. What is known in the end
//! is the mixture of all cells, weighed by likelihood and by what is thought of the air beforehand ([`asked_of_cell`]). Further passes are weighed cell by
//! cell, too: the air is taken as the same in all of them.
//!
//! Assumed: noise that the finder states is white and its scale known to a third; all that scatters beyond it is one process whose
//! correlation falls exponentially; the hand's speed is a random walk and its tremor white. A tremor of some hertz is neither, and is taken
//! for a rougher walk, which hides slow air.

use std::sync::Mutex;

pub(super) use super::smooth::Noise;
use super::smooth::{Course, Solution, Solver};
use super::steadiness::median;

/// Correlations of the air from one frame to the next that are weighed against each other, the one with which the search begins
/// first.
const CORRELATIONS: [f64; 5] = [0.0, 0.4, 0.7, 0.85, 0.95];
/// The air is sought from the least up in so many steps, as logarithms in usual stated uncertainties.
const AIRS: usize = 10;
const LEAST_AIR: f64 = -2.1;
const AIR_STEP: f64 = 0.6;
/// What is so much less likely is not looked at, as twice the logarithm.
const FAR_BELOW: f64 = 10.0;
/// With which correlation the search begins.
const USUAL_CORRELATION: f64 = 0.6;
/// What is thought of the noise beforehand: standard deviation of the logarithm of the scale; mean and standard deviation of the
/// logarithm of the air in stated uncertainties.
const SCALE_SD: f64 = 0.3;
const AIR: (f64, f64) = (-3.0, 3.0);
/// The same where lines were seen together, which tells most of it.
const AIR_TOGETHER: (f64, f64) = (1.0, 1.5);
/// How much likelier than any other correlation none is where a line is alone, as twice the logarithm. One pass of one line does not tell
/// steady air from slow air, so this decides which of both has intervals that hold: with 6 they are right in steady air and white noise and hold
/// half to four fifths in slow air; for nine tenths there they would have to be three to five times as wide in steady air (found on simulated
/// sweeps).
const WHITE: f64 = 6.0;
/// The scale where what kind of turn it is is asked: air that lasts would explain a hand that turned back as well, so all that scatters
/// is taken as white there.
const SCALE_SD_STILL: f64 = 0.8;
const AIR_SD_STILL: f64 = 0.1;
/// Where one line is alone, so much of the variance that is left without any air is real: a walk of the hand's speed that takes in its
/// tremor, too, is rougher than the hand (found on simulated sweeps without air: errors were 0.55 to 0.85 of what was stated).
const REAL: f64 = 0.85;

/// Logarithms of the noise, on which the likelihood is well behaved, with their priors; and its correlation.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hyper {
    /// Of the scale, the air in usual stated uncertainties, the intensity and the tremor.
    pub(super) value: [f64; 4],
    prior: [(f64, f64); 4],
    /// Usual stated uncertainty, px.
    usual_u_px: f64,
    correlation: f64,
}

impl Hyper {
    pub(super) fn noise(&self) -> Noise {
        let [scale, air, intensity, tremor] = self.value;
        Noise {
            scale: scale.exp(),
            air_px: self.usual_u_px * air.exp(),
            correlation: self.correlation,
            intensity: intensity.exp(),
            tremor: tremor.exp(),
        }
    }

    /// The same with air that lasts; how likely its size is is asked where the grid is put together.
    pub(super) fn with_air(mut self) -> Self {
        self.value[0] = 0.0;
        self.value[1] = 0.0;
        self.prior[0] = (0.0, SCALE_SD);
        self.prior[1] = (0.0, f64::INFINITY);
        self
    }

    fn penalty(&self) -> f64 {
        self.value
            .iter()
            .zip(&self.prior)
            .map(|(v, (mean, sd))| ((v - mean) / sd).powi(2))
            .sum()
    }
}

/// Where the search for the noise starts, from the coarse course: the hand's speed and how it changes.
pub(super) fn first_hyper(start: &Solution, course: &Course, usual_u_px: f64) -> Hyper {
    let n = start.g.len();
    let stride = (n / 24).max(1);
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len().max(1) as f64;
    let coarse: Vec<(f64, f64)> = course
        .time
        .chunks(stride)
        .zip(start.g.chunks(stride))
        .map(|(time, g)| (mean(time), mean(g)))
        .collect();
    let velocity: Vec<f64> = coarse
        .windows(2)
        .map(|w| (w[1].1 - w[0].1) / (w[1].0 - w[0].0))
        .collect();
    let speed = median(velocity.iter().map(|v| v.abs()).collect()).max(1e-4);
    let bends: Vec<f64> = velocity.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
    let bend = (1.48 * median(bends)).max(0.03 * speed);
    let intensity = (1.5 * bend * bend / stride as f64).ln();
    let tremor = (0.01 * speed).ln();
    Hyper {
        value: [0.0, LEAST_AIR, intensity, tremor],
        prior: [
            (0.0, SCALE_SD_STILL),
            (LEAST_AIR, AIR_SD_STILL),
            (intensity, 3.0),
            (tremor + 1.0, 2.0),
        ],
        usual_u_px,
        correlation: USUAL_CORRELATION,
    }
}

/// How far the noise is sought from where it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Search {
    /// Over all hills of the likelihood.
    Far,
    /// On the hill where it is.
    Near,
}

/// Moves the noise to the peak of its marginal likelihood (simplex search) and solves there.
pub(super) fn optimise(
    course: &Course,
    hyper: &mut Hyper,
    start: Solution,
    search: Search,
) -> Option<Solution> {
    let mut solver = Solver::new(course);
    let mut best_solution = solver.solve(hyper.noise(), &start, false);
    if best_solution.is_none() {
        // A stiffer or softer hand, or larger noise than stated, may get the search going.
        for (larger, softer) in [
            (0.0, 2.0),
            (0.0, -2.0),
            (0.0, 4.0),
            (1.5, 0.0),
            (1.5, 3.0),
            (3.0, 2.0),
        ] {
            let mut other = *hyper;
            other.value[0] += larger;
            other.value[2] += softer;
            best_solution = solver.solve(other.noise(), &start, false);
            if best_solution.is_some() {
                *hyper = other;
                break;
            }
        }
    }
    let mut kept = best_solution?;
    let mut kept_value = kept.minus_two_log_evidence() + hyper.penalty();
    let mut kept_at = hyper.value;
    let template = *hyper;
    let mut evaluate = |value: [f64; 4]| {
        let mut trial = template;
        trial.value = value;
        match solver.solve(trial.noise(), &kept, false) {
            Some(solution) => {
                let height = solution.minus_two_log_evidence() + trial.penalty();
                if height < kept_value {
                    kept_value = height;
                    kept_at = value;
                    kept = solution;
                }
                height
            }
            None => f64::INFINITY,
        }
    };
    // The likelihood has several hills: noise of the positions, an unsteady hand and tremor explain
    // nearly the same. The search starts on the highest of a coarse grid.
    let [scale, air, intensity, tremor] = hyper.value;
    let mut begin = (hyper.value, f64::INFINITY);
    let begins: &[(f64, f64)] = match search {
        Search::Far if hyper.prior[1].1 > 1.0 => &[(scale, air), (0.0, -1.5), (0.0, 1.5)],
        Search::Far => &[(scale, air)],
        Search::Near => &[],
    };
    for &(s, a) in begins {
        for q in [0.0, 2.5] {
            for t in [0.0, 3.5] {
                let value = [s, a, intensity + q, tremor + t];
                let height = evaluate(value);
                if height < begin.1 {
                    begin = (value, height);
                }
            }
        }
    }
    let (spread, calls) = match search {
        Search::Far => ([0.25, 0.6, 0.7, 0.8], 60),
        Search::Near => ([0.15, 0.4, 0.5, 0.5], 30),
    };
    hyper.value = simplex(&mut evaluate, begin.0, spread, calls);
    // Where the simplex ended there may be no solution by a hair's breadth: then the best one on its way stands.
    if let Some(solution) = solver.solve(hyper.noise(), &kept, false) {
        return Some(solution);
    }
    hyper.value = kept_at;
    Some(kept)
}

/// Nelder and Mead's downhill simplex (The Computer Journal 7, 308, 1965), for four variables.
fn simplex(
    height: &mut dyn FnMut([f64; 4]) -> f64,
    start: [f64; 4],
    spread: [f64; 4],
    most_calls: usize,
) -> [f64; 4] {
    let mut corners: Vec<([f64; 4], f64)> = Vec::with_capacity(5);
    corners.push((start, height(start)));
    for k in 0..4 {
        let mut corner = start;
        corner[k] += spread[k];
        corners.push((corner, height(corner)));
    }
    let mut calls = 5;
    while calls < most_calls {
        corners.sort_by(|a, b| a.1.total_cmp(&b.1));
        let (best, worst) = (corners[0].1, corners[4].1);
        if worst - best < 0.02 {
            break;
        }
        let mut centre = [0.0; 4];
        for corner in &corners[..4] {
            for (c, v) in centre.iter_mut().zip(corner.0) {
                *c += 0.25 * v;
            }
        }
        let along = |factor: f64| {
            let mut point = [0.0; 4];
            for k in 0..4 {
                point[k] = centre[k] + factor * (corners[4].0[k] - centre[k]);
            }
            point
        };
        let reflected = along(-1.0);
        let reflected_height = height(reflected);
        calls += 1;
        if reflected_height < best {
            let expanded = along(-2.0);
            let expanded_height = height(expanded);
            calls += 1;
            corners[4] = if expanded_height < reflected_height {
                (expanded, expanded_height)
            } else {
                (reflected, reflected_height)
            };
        } else if reflected_height < corners[3].1 {
            corners[4] = (reflected, reflected_height);
        } else {
            let inner = along(if reflected_height < worst { -0.5 } else { 0.5 });
            let inner_height = height(inner);
            calls += 1;
            if inner_height < worst.min(reflected_height) {
                corners[4] = (inner, inner_height);
            } else {
                let anchor = corners[0].0;
                for corner in corners.iter_mut().skip(1) {
                    for (c, a) in corner.0.iter_mut().zip(anchor) {
                        *c = 0.5 * (*c + a);
                    }
                    corner.1 = height(corner.0);
                }
                calls += 4;
            }
        }
    }
    corners.sort_by(|a, b| a.1.total_cmp(&b.1));
    corners[0].0
}

/// What a pass says if the air is that of one cell of the grid.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Given {
    /// Twice the negative logarithm of the likelihood of the pass.
    pub(super) minus_two_log: f64,
    /// Places of the turning points of all lines, mirrored like the samples, px, and their variances, px².
    pub(super) lines: Vec<(f64, f64)>,
}

/// Grid of what the air may be: its correlation from frame to frame, and its logarithm in usual stated uncertainties.
fn cell(at: usize) -> (f64, f64) {
    let air = LEAST_AIR + AIR_STEP * (at % AIRS) as f64;
    (CORRELATIONS[at / AIRS], air)
}

/// Whether the air of a cell moves lines by more than the noise of single frames.
pub(super) fn is_unsteady(at: usize) -> bool {
    cell(at).1 > 0.0
}

/// Twice the negative logarithm of what is thought of a cell beforehand, of a line that is alone or of lines together.
pub(super) fn asked_of_cell(at: usize, alone: bool) -> f64 {
    let (correlation, air) = cell(at);
    if !alone {
        return ((air - AIR_TOGETHER.0) / AIR_TOGETHER.1).powi(2);
    }
    let white = if correlation > 0.0 { WHITE } else { 0.0 };
    ((air - AIR.0) / AIR.1).powi(2) + white
}

/// Takes off what is too wide in the variances of a line that is alone.
pub(super) fn narrow(cells: &mut [Option<Given>]) {
    let variances = || cells.iter().flatten().flat_map(|given| &given.lines);
    let least = variances().map(|l| l.1).fold(f64::INFINITY, f64::min);
    for (_, variance) in cells
        .iter_mut()
        .flatten()
        .flat_map(|given| &mut given.lines)
    {
        *variance -= (1.0 - REAL) * least;
    }
}

/// Mean and variance of what is a mixture, from (twice the negative logarithm of the weight, mean, variance) of its parts.
pub(super) fn mixture(parts: &[(f64, f64, f64)]) -> Option<(f64, f64)> {
    let lowest = parts.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
    let weights: Vec<f64> = parts
        .iter()
        .map(|p| (-0.5 * (p.0 - lowest)).exp())
        .collect();
    let total: f64 = weights.iter().sum();
    if total.is_nan() || total <= 0.0 {
        return None;
    }
    let over = |value: &dyn Fn(&(f64, f64, f64)) -> f64| {
        let sum: f64 = parts.iter().zip(&weights).map(|(p, w)| w * value(p)).sum();
        sum / total
    };
    let mean = over(&|p| p.1);
    let variance = over(&|p| p.2 + (p.1 - mean).powi(2));
    (variance.is_finite() && variance > 0.0).then_some((mean, variance))
}

/// The turning points for every cell of the air's grid that the pass does not rule out.
///
/// Every correlation is looked at by itself, from the course that is likeliest of all; as many threads as there are cores share them.
pub(super) fn over_air(course: &Course, hyper: Hyper, best: &Solution) -> Vec<Option<Given>> {
    let mut cells = vec![None; CORRELATIONS.len() * AIRS];
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let rows = Mutex::new(cells.chunks_mut(AIRS).enumerate());
    let next = || rows.lock().ok().and_then(|mut rows| rows.next());
    std::thread::scope(|scope| {
        for _ in 0..cores.min(CORRELATIONS.len()) {
            scope.spawn(|| {
                let mut solver = Solver::new(course);
                while let Some((row, cells)) = next() {
                    over_sizes(&mut solver, row, hyper, best, cells);
                }
            });
        }
    });
    cells
}

/// The same for all sizes of the air of one correlation, up and down from the likeliest.
fn over_sizes(
    solver: &mut Solver<'_>,
    row: usize,
    hyper: Hyper,
    best: &Solution,
    cells: &mut [Option<Given>],
) {
    let mut lowest = best.minus_two_log_evidence() + hyper.penalty();
    let likeliest = ((hyper.value[1] - LEAST_AIR) / AIR_STEP).round();
    let first = (likeliest.max(0.0) as usize).min(AIRS - 1);
    let mut here = (hyper, best.clone(), f64::INFINITY, Bends::default());
    for up in [true, false] {
        let mut now = (here.0, here.1.clone());
        let mut bends = here.3;
        let sizes: &mut dyn Iterator<Item = usize> = if up {
            &mut (first..AIRS)
        } else {
            &mut (0..first).rev()
        };
        for k in sizes {
            (now.0.correlation, now.0.value[1]) = cell(row * AIRS + k);
            let Some((given, then, solution)) = descend(solver, now.0, &now.1, &mut bends) else {
                break;
            };
            let height = given.minus_two_log;
            lowest = lowest.min(height);
            now = (then, solution);
            if height < here.2 {
                here = (now.0, now.1.clone(), height, bends);
            }
            cells[k] = Some(given);
            if height > lowest + FAR_BELOW {
                break;
            }
        }
    }
}

/// How twice the negative logarithm of the likelihood bends along tremor, intensity and scale: its second differences over the
/// steps of [`ALONG`], as the last cell that was looked at showed them.
type Bends = [Option<f64>; 3];

/// Along what the likelihood is followed to its peak, as a place in [`Hyper::value`], and in which steps.
const ALONG: [(usize, f64); 3] = [(3, 0.4), (2, 0.5), (0, 0.15)];
/// Where a neighbour's bend would ask for more steps than this, its own is looked at.
const FAR_STEPS: f64 = 1.5;

/// Follows the likelihood of all but the air to its peak, a step at a time along each of them.
fn descend(
    solver: &mut Solver<'_>,
    hyper: Hyper,
    start: &Solution,
    bends: &mut Bends,
) -> Option<(Given, Hyper, Solution)> {
    let mut at = hyper;
    let mut best = solver.solve(at.noise(), start, false)?;
    let mut height = best.minus_two_log_evidence() + at.penalty();
    for ((k, step), bend_before) in ALONG.into_iter().zip(bends) {
        let mut along = |by: f64| {
            let mut other = at;
            other.value[k] += by;
            let peak = solver.solve(other.noise(), &best, false)?;
            Some((peak.minus_two_log_evidence() + other.penalty(), other, peak))
        };
        let Some(more) = along(step) else {
            *bend_before = None;
            continue;
        };
        // From one cell to the next the hill keeps its shape, so that two places on it tell where its peak is.
        let by_shape = bend_before.map(|bend| step * (0.5 - (more.0 - height) / bend));
        let found = match by_shape.filter(|by| by.abs() < FAR_STEPS * step) {
            Some(by) => vec![along(by), Some(more)],
            None => {
                let Some(less) = along(-step) else {
                    *bend_before = None;
                    continue;
                };
                let bend = less.0 + more.0 - 2.0 * height;
                *bend_before = (bend > 0.0).then_some(bend);
                let by = if bend > 0.0 {
                    (0.5 * step * (less.0 - more.0) / bend).clamp(-3.0 * step, 3.0 * step)
                } else if less.0 < more.0 {
                    -step
                } else {
                    step
                };
                vec![along(by), Some(less), Some(more)]
            }
        };
        for found in found.into_iter().flatten() {
            if found.0 < height {
                (height, at, best) = found;
            }
        }
    }
    let given = Given {
        minus_two_log: height,
        lines: best
            .border
            .iter()
            .copied()
            .zip(best.variance.iter().copied())
            .collect(),
    };
    Some((given, at, best))
}
