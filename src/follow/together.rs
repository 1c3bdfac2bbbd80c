//! What all lines of a pass say together, and all passes of a line.
//!
//! Lines that are seen in the same frames share the hand and the air: y = y₀ₖ + fₖ(g)² + a for line k, where fₖ is nearly g, but
//! somewhat offset, since they turn one after another. Their differences hold no air and nearly tell the table's angle, so that the
//! turning points are known almost as well as if it were read. Which places are turning points is not asked here: that is
//! decided line by line before, and what is found here only moves places within their uncertainties.
//!
//! Passes of a line are taken as independent but for the air's size and correlation, which are the same in all of them
//! ([`super::noise`]): how far they differ says which air there is.

use super::noise::{self, Given, Search};
use super::smooth::{Course, Row, SHAPE, Solution, Solver};
use super::steadiness::median;
use super::turning::Turn;

/// A place that lines together put farther from where it was alone, in standard deviations of the difference, is not believed.
const FARTHEST_IN_SD: f64 = 2.5;
/// Frames farther off than so many standard deviations weigh less.
const FAR_IN_SD: f64 = 3.5;
/// Lines whose g differs by less move so much alike that together they say no more than each alone, px^½.
const APART: f64 = 0.2;
/// Fewest frames in which two lines must have been seen together.
const FEWEST_FRAMES: usize = 12;

/// What the lines of a pass say together.
pub(super) struct Together {
    /// Their turning points for every cell of the air's grid that the pass does not rule out.
    pub(super) cells: Vec<Option<Given>>,
    /// Whether what is said of each line goes with what it says alone; where it does not, that stands.
    pub(super) believed: Vec<bool>,
}

/// The turning points of one pass of several lines over the air's grid, in the order of `turns` and mirrored as these; none where the lines
/// do not fit together.
pub(super) fn one_pass(turns: &[&Turn]) -> Option<Together> {
    let first = turns.first()?;
    let unit_s = first.gap_s.1;
    let mut times_s: Vec<f64> = turns.iter().flat_map(|t| &t.times_s).copied().collect();
    times_s.sort_by(f64::total_cmp);
    times_s.dedup_by(|a, b| (*a - *b).abs() < 1e-3 * unit_s);
    let place_of = |time_s: f64| times_s.partition_point(|t| *t < time_s - 1e-3 * unit_s);
    let places: Vec<Vec<usize>> = turns
        .iter()
        .map(|turn| turn.times_s.iter().map(|t| place_of(*t)).collect())
        .collect();
    let n = times_s.len();
    let mut g = vec![f64::NAN; n];
    for (at, value) in places.first()?.iter().zip(&first.g) {
        g[*at] = *value;
    }
    // How much later each line turns.
    let mut border: Vec<f64> = turns.iter().map(|t| t.fit.best.y0_px()).collect();
    for (turn, places) in turns.iter().zip(&places).skip(1) {
        let apart: Vec<f64> = places
            .iter()
            .zip(&turn.g)
            .map(|(at, of_line)| of_line - g[*at])
            .filter(|apart| apart.is_finite())
            .collect();
        if apart.len() < FEWEST_FRAMES {
            return None;
        }
        border.extend([median(apart), 1.0]);
        border.extend([0.0; SHAPE - 2]);
    }
    let lines = turns.len();
    let offsets = border[lines..].iter().step_by(SHAPE);
    if offsets.fold(0.0, |far: f64, o| far.max(o.abs())) < APART {
        return None;
    }
    for (k, (turn, places)) in turns.iter().zip(&places).enumerate().skip(1) {
        let offset = border[lines + SHAPE * (k - 1)];
        for (at, of_line) in places.iter().zip(&turn.g) {
            if g[*at].is_nan() {
                g[*at] = of_line - offset;
            }
        }
    }
    let time: Vec<f64> = times_s.iter().map(|t| t / unit_s).collect();
    let velocity = (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(2), (i + 2).min(n - 1));
            (g[b] - g[a]) / (time[b] - time[a])
        })
        .collect();
    let mut best = Solution::start(border, g, velocity);
    let spread = |places: &[usize], values: &[f64], other: f64| {
        let mut all = vec![other; n];
        for (at, value) in places.iter().zip(values) {
            all[*at] = *value;
        }
        all
    };
    let mut course = Course {
        time,
        rows: turns
            .iter()
            .zip(&places)
            .filter_map(|(turn, places)| {
                let row = turn.fit.course.rows.first()?;
                Some(Row {
                    y_px: spread(places, &row.y_px, 0.0),
                    u_px: spread(places, &row.u_px, f64::INFINITY),
                    slope: Vec::new(),
                })
            })
            .collect(),
        near_px: None,
    };
    let mut stated: Vec<Vec<f64>> = turns
        .iter()
        .zip(&places)
        .map(|(turn, places)| spread(places, &turn.fit.stated, f64::INFINITY))
        .collect();
    let mut hyper = first.fit.hyper;
    for search in [Search::Far, Search::Near] {
        for (k, row) in course.rows.iter_mut().enumerate() {
            row.slope = best
                .g
                .iter()
                .map(|g| {
                    let (f, slope) = best.of_line(k, *g);
                    2.0 * f * slope
                })
                .collect();
        }
        best = noise::optimise(&course, &mut hyper, best, search)?;
        reweigh(&mut course, &mut stated, &best, hyper.noise());
    }
    best = Solver::new(&course).solve(hyper.noise(), &best, false)?;
    // Where lines scatter more together than each alone, they share less than is thought here.
    let alone = turns.iter().map(|t| t.fit.hyper.noise().scale);
    let excess = hyper.noise().scale / alone.fold(1.0, f64::max);
    let wider = excess.max(1.0).powi(2);
    let mut cells = noise::over_air(&course, hyper, &best);

    for given in cells.iter_mut().flatten() {
        for ((place, variance), turn) in given.lines.iter_mut().zip(turns) {
            *place -= turn.blur_px.0;
            *variance = wider * *variance + turn.blur_px.1 * turn.blur_px.1;
        }
    }
    // What a line alone says of such air departs from what all say by the root of the difference of their variances (J. A. Hausman,
    // Econometrica 46, 1251, 1978); a line that departs by far more is measured wrongly in many frames, or is not of this hand.
    let believed: Vec<bool> = turns
        .iter()
        .enumerate()
        .map(|(k, turn)| {
            let of_line = |given: &Given, line: usize, height: f64| {
                let (place, variance) = given.lines[line];
                (height, place, variance)
            };
            let (all, alone): (Vec<_>, Vec<_>) = cells
                .iter()
                .zip(&turn.cells)
                .enumerate()
                .filter_map(|(at, (all, alone))| {
                    let (all, alone) = (all.as_ref()?, alone.as_ref()?);
                    let height = all.minus_two_log + noise::asked_of_cell(at, false);
                    Some((of_line(all, k, height), of_line(alone, 0, height)))
                })
                .unzip();
            let (Some(all), Some(alone)) = (noise::mixture(&all), noise::mixture(&alone)) else {
                return false;
            };
            let gained = (alone.1 - all.1).max(0.25 * alone.1);
            (all.0 - alone.0).abs() < FARTHEST_IN_SD * gained.sqrt()
        })
        .collect();
    if believed.iter().filter(|b| **b).count() < 2 {
        return None;
    }
    Some(Together { cells, believed })
}

/// Weights of frames by what is left of each line's misfit once the tremor that all share is taken off: a line that scatters
/// more than it states is taken as less certain, and frames that stand off more so.
fn reweigh(course: &mut Course, stated: &mut [Vec<f64>], best: &Solution, noise: noise::Noise) {
    let misfit = |course: &Course, k: usize, i: usize| {
        let f = best.of_line(k, best.g[i]).0;
        course.rows[k].y_px[i] - best.border[k] - f * f - best.air_px[i]
    };
    let tremor: Vec<f64> = (0..course.time.len())
        .map(|i| {
            let (mut sum, mut weights) = (0.0, noise.tremor.powi(-2));
            for (k, row) in course.rows.iter().enumerate() {
                let weight = row.slope[i] * (noise.scale * row.u_px[i]).powi(-2);
                sum += weight * misfit(course, k, i);
                weights += weight * row.slope[i];
            }
            sum / weights
        })
        .collect();
    for (k, stated) in stated.iter_mut().enumerate() {
        let left: Vec<f64> = (0..stated.len())
            .map(|i| {
                let off = misfit(course, k, i) - course.rows[k].slope[i] * tremor[i];
                off / (noise.scale * stated[i])
            })
            .collect();
        let seen = left.iter().zip(stated.iter()).filter(|s| s.1.is_finite());
        let scatter = 1.48 * median(seen.map(|s| s.0.abs()).collect());
        let factor = scatter.max(1.0);
        for ((u, left), row_u) in stated.iter_mut().zip(left).zip(&mut course.rows[k].u_px) {
            let z = (left / factor).abs();
            *u *= factor;
            *row_u = if z > FAR_IN_SD {
                *u * z * z / FAR_IN_SD
            } else {
                *u
            };
        }
    }
}

/// A pass of a line as measured, in the picture.
#[derive(Clone, Debug)]
pub(super) struct Measured {
    /// Place and standard uncertainty, px.
    pub(super) x_px: f64,
    pub(super) u_px: f64,
    /// The part of the uncertainty that all passes have in common, px.
    pub(super) lasting_px: f64,
    /// Whether no other line was measured with it.
    pub(super) alone: bool,
    /// (Twice the negative logarithm of the likelihood, place, variance) for every cell of the air's grid that is not ruled out.
    pub(super) cells: Vec<Option<(f64, f64, f64)>>,
}

/// What all passes of a line say.
#[derive(Clone, Copy, Debug)]
pub(super) struct Mean {
    pub(super) x_px: f64,
    /// Standard uncertainty, px.
    pub(super) u_px: f64,
    /// How likely it is that more than the noise of single frames moved the line.
    pub(super) unsteady: f64,
    /// The factor by which the uncertainty was widened because they disagree.
    pub(super) widened: Option<f64>,
}

/// Mean of the passes.
///
/// In every cell of the air's grid it is the mean by inverse variances; the cell weighs as much as the passes, and how well they agree,
/// make it likely. The factor is Birge's ratio (R. T. Birge, Physical Review 40, 207, 1932), applied only if chance would
/// give so large a sum of squares in fewer than one case in a hundred.
pub(super) fn all_passes(passes: &[Measured]) -> Mean {
    let cells = passes.iter().map(|p| p.cells.len()).min().unwrap_or(0);
    let alone = passes.iter().all(|p| p.alone);
    let (mut squares, mut unsteady) = (Vec::new(), Vec::new());
    let parts: Vec<(f64, f64, f64)> = (0..cells)
        .filter_map(|at| {
            let of_cell: Vec<(f64, f64, f64)> = passes
                .iter()
                .map(|pass| pass.cells[at])
                .collect::<Option<_>>()?;
            let weights: f64 = of_cell.iter().map(|p| p.2.recip()).sum();
            let mean = of_cell.iter().map(|p| p.1 / p.2).sum::<f64>() / weights;
            let chi_squared: f64 = of_cell.iter().map(|p| (p.1 - mean).powi(2) / p.2).sum();
            let height: f64 = of_cell.iter().map(|p| p.0 + p.2.ln()).sum();
            let height = height + chi_squared + weights.ln() + noise::asked_of_cell(at, alone);
            squares.push((height, chi_squared, 1.0));
            unsteady.push((height, f64::from(u8::from(noise::is_unsteady(at))), 1.0));
            Some((height, mean, weights.recip()))
        })
        .collect();
    let own = |p: &Measured| (p.u_px * p.u_px - p.lasting_px * p.lasting_px).max(1e-12);
    let weights: f64 = passes.iter().map(|p| own(p).recip()).sum();
    let weighted = |value: fn(&Measured) -> f64| {
        passes.iter().map(|p| value(p) / own(p)).sum::<f64>() / weights
    };
    let common = weighted(|p| p.lasting_px);
    // Where the passes rule out every cell between them, they stand as each says for itself.
    let (mean, variance) =
        noise::mixture(&parts).unwrap_or((weighted(|p| p.x_px), weights.recip()));
    let u_px = (variance + common * common).sqrt();
    let freedom = passes.len() as f64 - 1.0;
    let by_itself = |p: &Measured| (p.x_px - mean).powi(2) / own(p);
    let chi_squared = match noise::mixture(&squares) {
        // What any air explains is no disagreement.
        Some((squares, _)) => squares,
        None => passes.iter().map(by_itself).sum(),
    };
    let widened = (by_chance(chi_squared, freedom) < 0.01).then(|| (chi_squared / freedom).sqrt());
    Mean {
        x_px: mean,
        u_px: u_px * widened.unwrap_or(1.0),
        unsteady: noise::mixture(&unsteady).map_or(1.0, |share| share.0),
        widened,
    }
}

/// How often chance makes a sum of squares at least so large.
fn by_chance(chi_squared: f64, freedom: f64) -> f64 {
    use statrs::distribution::{ChiSquared, ContinuousCDF};
    ChiSquared::new(freedom).map_or(1.0, |law| 1.0 - law.cdf(chi_squared))
}

#[cfg(test)]
#[path = "together_tests.rs"]
mod tests;
