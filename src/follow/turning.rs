//! One pass through a turning point: positions in time in, the place where the line turned out.
//!
//! Near minimum deviation a line stands at x = x₀ ± k (θ − θ₀)², where θ is the angle of the prism
//! table (Snell's law; any textbook of optics). The hand turns θ as it likes, so we write
//! x = x₀ ± g(t)² with g any smooth function of time that goes through zero: what the hand does, and
//! every smooth departure from the parabola, goes into g, and x₀ is left alone. How smooth g is and how
//! noisy the positions are is taken from the data by marginal likelihood, first with white noise alone, by
//! which the kind of turn is judged, then over what the air may be ([`super::noise`]); x₀ is averaged over
//! its marginal likelihood, not read off its peak.

use super::noise::{self, Given, Hyper, Search};
use super::smooth::{Course, Noise, Row, Solution, Solver};

/// One sighting of the line in the pass.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sample {
    pub(super) time_s: f64,
    /// Position, mirrored so that the turning point is the smallest, px.
    pub(super) y_px: f64,
    pub(super) u_px: f64,
}

/// The turning point of one pass.
#[derive(Clone, Debug)]
pub(super) struct Turn {
    /// Place of the turning point, mirrored like the samples, px.
    pub(super) y0_px: f64,
    /// Its standard uncertainty, px.
    pub(super) u_px: f64,
    /// The same without any air that lasts, px: what passes are compared by, lest doubt makes unlike places alike.
    pub(super) u_fit_px: f64,
    /// When the line turned, s.
    pub(super) time_s: f64,
    /// Standard uncertainty of that time, s.
    pub(super) u_time_s: f64,
    /// Times of the frames, s.
    pub(super) times_s: Vec<f64>,
    /// Square root of the distance from the turning point with the sign of the side, px^½.
    pub(super) g: Vec<f64>,
    /// Its velocity, px^½/s.
    pub(super) velocity: Vec<f64>,
    /// Factor by which the noise is larger than stated.
    pub(super) noise_scale: f64,
    /// Longest interval between the two frames about the turning point, s, and the usual one.
    pub(super) gap_s: (f64, f64),
    /// How far from the turning point the line was at the edges of that interval, px.
    pub(super) gap_depth_px: f64,
    /// Frames that were found bad and weigh little.
    pub(super) bad_frames: usize,
    /// By how much the line's motion during an exposure moved the turning point, which was taken off, and how well that is known, px.
    pub(super) blur_px: (f64, f64),
    /// The turning point for every cell of the air's grid that the pass does not rule out.
    pub(super) cells: Vec<Option<Given>>,
    /// What it was read from, with air that lasts.
    pub(super) fit: Fit,
}

/// A course as it was fitted.
#[derive(Clone, Debug)]
pub(super) struct Fit {
    pub(super) course: Course,
    /// Stated standard uncertainties of the frames, px.
    pub(super) stated: Vec<f64>,
    pub(super) hyper: Hyper,
    pub(super) best: Solution,
}

/// Why no turning point can be given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum NoTurn {
    /// Too few frames before it or after it.
    TooFew,
    /// The course of the line cannot be explained by a turn.
    NoFit,
}

/// Fewest frames on either side of a turning point.
pub(super) const FEWEST_FRAMES: usize = 4;
/// Most frames that enter one pass; those nearest to the turning point are kept.
const MOST_FRAMES: usize = 420;
/// How near to the smallest position the turning point is held where the search slipped away from it, px.
const HELD_NEAR_PX: f64 = 3.0;

/// Measures the turning point of one pass.
///
/// `samples` in rising time; `near_s` is about when the line turns. `exposure_s` is the exposure where
/// it is known: a moving line is smeared over ġ²·exposure²/12 to one side. `usual_u_px` is the usual stated uncertainty of all lines, in
/// which the air is told.
pub(super) fn measure(
    samples: &[Sample],
    near_s: f64,
    exposure_s: Option<f64>,
    usual_u_px: f64,
) -> Result<Turn, NoTurn> {
    let samples = nearest(samples, near_s);
    if samples.len() < 2 * FEWEST_FRAMES {
        return Err(NoTurn::TooFew);
    }
    let unit_s = usual_interval_s(samples);
    let (course, stated) = course_of(samples, unit_s);
    let (course, hyper, best) = likeliest(&course, &stated, usual_u_px).ok_or(NoTurn::NoFit)?;
    let noise = hyper.noise();
    let (_, variance) = over_y0(&mut Solver::new(&course), noise, &best).ok_or(NoTurn::NoFit)?;
    let crossings = crossings(&course.time, &best.g);
    let at = middle_of(&crossings).ok_or(NoTurn::NoFit)?;
    let good = |i: &usize| course.rows[0].u_px[*i] < 3.0 * stated[*i];
    let frames = course.time.len();
    let before = course.time.iter().filter(|t| **t < at.0).count();
    let (good_before, good_after) = (
        (0..before).filter(good).count(),
        (before..frames).filter(good).count(),
    );
    if good_before < FEWEST_FRAMES || good_after < FEWEST_FRAMES {
        return Err(NoTurn::TooFew);
    }
    // What the air may be takes longest to ask, and is not asked of what is no turn.
    let (airy, through_air, mut cells) = through_air(&course, hyper, &best);
    let speed = at.2.abs().max(1e-12);
    let u_g = Solver::new(&course)
        .variance_of_g(noise, &best, at.1)
        .ok_or(NoTurn::NoFit)?
        .sqrt();
    let blur_px = smear(speed / unit_s, unit_s, exposure_s);
    for (place, variance) in cells.iter_mut().flatten().flat_map(|c| &mut c.lines) {
        *place -= blur_px.0;
        *variance += blur_px.1 * blur_px.1;
    }
    let (y0_px, all_variance) = over_all_air(&cells).ok_or(NoTurn::NoFit)?;
    let (widest, gap_depth_px) = widest_gap(&course.time, &best.g, &crossings);
    Ok(Turn {
        y0_px,
        u_px: all_variance.sqrt(),
        u_fit_px: variance.sqrt(),
        blur_px,
        cells,
        time_s: at.0 * unit_s,
        u_time_s: (u_g / speed * unit_s).hypot(0.1 * unit_s),
        times_s: course.time.iter().map(|t| t * unit_s).collect(),
        velocity: best.velocity.iter().map(|v| v / unit_s).collect(),
        g: best.g,
        noise_scale: noise.scale,
        gap_s: (widest * unit_s, unit_s),
        gap_depth_px,
        bad_frames: frames - good_before - good_after,
        fit: Fit {
            course,
            stated,
            hyper: airy,
            best: through_air,
        },
    })
}

/// The samples as a course, in which those that stand alone weigh next to nothing, and what they state, px.
fn course_of(samples: &[Sample], unit_s: f64) -> (Course, Vec<f64>) {
    let stated: Vec<f64> = samples.iter().map(|s| s.u_px.max(1e-4)).collect();
    let mut row = Row {
        y_px: samples.iter().map(|s| s.y_px).collect(),
        u_px: stated.clone(),
        slope: Vec::new(),
    };
    for i in spikes(&row) {
        row.u_px[i] *= 1e3;
    }
    let course = Course {
        time: samples.iter().map(|s| s.time_s / unit_s).collect(),
        rows: vec![row],
        near_px: None,
    };
    (course, stated)
}

/// The likeliest course from all starts, with its noise and the weights of its frames.
fn likeliest(
    course: &Course,
    stated: &[f64],
    usual_u_px: f64,
) -> Option<(Course, Hyper, Solution)> {
    let evidence = |settled: &(Course, Hyper, Solution)| settled.2.minus_two_log_evidence();
    let turns =
        |settled: &(Course, Hyper, Solution)| !crossings(&settled.0.time, &settled.2.g).is_empty();
    let starts = first_guesses(course);
    let mut settled: Vec<(Course, Hyper, Solution)> = starts
        .iter()
        .filter_map(|start| settle(course.clone(), stated, start.clone(), usual_u_px))
        .collect();
    if !settled.iter().any(turns) {
        // The search can slip over the edge of a turn into a course that never reaches its turning point.
        let held = starts.into_iter().filter_map(|start| {
            let mut course = course.clone();
            course.near_px = Some((start.y0_px(), HELD_NEAR_PX));
            settle(course, stated, start, usual_u_px)
        });
        settled.extend(held);
    }
    settled
        .into_iter()
        .min_by(|a, b| evidence(a).total_cmp(&evidence(b)))
}

/// The likeliest course with air that lasts, its noise, and the turning point for every cell of the air's grid.
fn through_air(
    course: &Course,
    hyper: Hyper,
    best: &Solution,
) -> (Hyper, Solution, Vec<Option<Given>>) {
    let mut airy = hyper.with_air();
    let (airy, through_air) = match noise::optimise(course, &mut airy, best.clone(), Search::Far) {
        Some(found) => (airy, found),
        None => (hyper, best.clone()),
    };
    let mut cells = noise::over_air(course, airy, &through_air);
    // The likelihood of y₀ is not quite that of a Gaussian: what its shape adds is much the same everywhere about its peak.
    if let Some((mean, variance)) = over_y0(&mut Solver::new(course), airy.noise(), &through_air) {
        let sd = through_air.variance.first().map_or(0.0, |v| v.sqrt());
        let (shift, wider) = ((mean - through_air.y0_px()) / sd, variance / (sd * sd));
        for (place, variance) in cells.iter_mut().flatten().flat_map(|c| &mut c.lines) {
            *place += shift * variance.sqrt();
            *variance *= wider;
        }
    }
    noise::narrow(&mut cells);
    (airy, through_air, cells)
}

/// Place and variance of a line that is alone, over all cells of the air's grid.
fn over_all_air(cells: &[Option<Given>]) -> Option<(f64, f64)> {
    let parts: Vec<(f64, f64, f64)> = cells
        .iter()
        .enumerate()
        .filter_map(|(at, cell)| {
            let cell = cell.as_ref()?;
            let (place, variance) = *cell.lines.first()?;
            let height = cell.minus_two_log + noise::asked_of_cell(at, true);
            Some((height, place, variance))
        })
        .collect();
    noise::mixture(&parts)
}

/// Course, noise and weights of the frames, settled together from a start.
fn settle(
    mut course: Course,
    stated: &[f64],
    start: Solution,
    usual_u_px: f64,
) -> Option<(Course, Hyper, Solution)> {
    course.rows[0].slope = start.g.iter().map(|g| 2.0 * g).collect();
    let mut hyper = noise::first_hyper(&start, &course, usual_u_px);
    let mut solver = Solver::new(&course);
    let mut best = solver.solve(hyper.noise(), &start, false);
    for _ in 0..3 {
        let Some(now) = &best else { break };
        let mut noise = hyper.noise();
        noise.scale = robust_scale(&course, stated, now);
        reweigh(&mut course, stated, now, noise);
        best = Solver::new(&course).solve(hyper.noise(), now, false);
    }
    let mut best = noise::optimise(&course, &mut hyper, best.unwrap_or(start), Search::Far)?;
    for _ in 0..2 {
        let mut noise = hyper.noise();
        noise.scale = robust_scale(&course, stated, &best);
        let changed = reweigh(&mut course, stated, &best, noise);
        course.rows[0].slope = best.g.iter().map(|g| 2.0 * g).collect();
        if !changed {
            break;
        }
        best = noise::optimise(&course, &mut hyper, best, Search::Far)?;
    }
    Some((course, hyper, best))
}

/// What a line's motion during the exposure adds to the turning point, and how well that is known, px.
///
/// The mean of (ġτ)² over an exposure T is ġ²T²/12. Where T is not known, it is taken as anything from
/// none to the whole interval between frames with equal probability, so that T² has mean 1/3 and
/// standard deviation 0.298 of the interval squared.
fn smear(speed_per_s: f64, interval_s: f64, exposure_s: Option<f64>) -> (f64, f64) {
    let of = |seconds: f64| (speed_per_s * seconds).powi(2) / 12.0;
    match exposure_s {
        Some(seconds) => (of(seconds), 0.1 * of(seconds)),
        None => (of(interval_s) / 3.0, 0.298 * of(interval_s)),
    }
}

fn nearest(samples: &[Sample], near_s: f64) -> &[Sample] {
    if samples.len() <= MOST_FRAMES {
        return samples;
    }
    let centre = samples.partition_point(|s| s.time_s < near_s);
    let first = centre
        .saturating_sub(MOST_FRAMES / 2)
        .min(samples.len() - MOST_FRAMES);
    samples.get(first..first + MOST_FRAMES).unwrap_or(samples)
}

fn usual(values: &[f64]) -> f64 {
    share_below(values, 0.5)
}

/// The value below which such a share of the values lies; 0 for none.
fn share_below(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let at = (share * sorted.len() as f64) as usize;
    sorted.get(at).copied().unwrap_or(0.0)
}

fn usual_interval_s(samples: &[Sample]) -> f64 {
    let steps: Vec<f64> = samples
        .windows(2)
        .map(|w| w[1].time_s - w[0].time_s)
        .collect();
    usual(&steps).max(1e-6)
}

/// Frames that stand alone away from both neighbours.
fn spikes(row: &Row) -> Vec<usize> {
    let y = &row.y_px;
    let n = y.len();
    let mut found = Vec::new();
    if n < 7 {
        return found;
    }
    let mut y = y.clone();
    let departure =
        |y: &[f64], i: usize| y[i] - (4.0 * (y[i - 1] + y[i + 1]) - y[i - 2] - y[i + 2]) / 6.0;
    let all: Vec<f64> = (2..n - 2).map(|i| departure(&y, i).abs()).collect();
    let usual_departure = usual(&all);
    for _ in 0..n / 4 {
        let worst = (2..n - 2)
            .map(|i| {
                (
                    i,
                    departure(&y, i).abs() / (12.0 * usual_departure).max(8.0 * row.u_px[i]),
                )
            })
            .max_by(|a, b| a.1.total_cmp(&b.1));
        match worst {
            Some((i, ratio)) if ratio > 1.0 => {
                found.push(i);
                y[i] -= departure(&y, i);
            }
            _ => break,
        }
    }
    found
}

/// Courses from which to start: signs of the square root that make it smoothest, likeliest first.
fn first_guesses(course: &Course) -> Vec<Solution> {
    let (row, n) = (&course.rows[0], course.time.len());
    let good: Vec<usize> = (0..n).filter(|i| row.u_px[*i] < 1.0).collect();
    let u = usual(&row.u_px);
    let lowest = good
        .iter()
        .map(|i| row.y_px[*i])
        .fold(f64::INFINITY, f64::min);
    let near = good
        .iter()
        .filter(|i| row.y_px[**i] < lowest + 3.0 * u)
        .count();
    // The lowest of `near` draws lies about sqrt(2 ln near) standard deviations below their mean.
    let y0_px = lowest + u * (2.0 * (near.max(1) as f64).ln()).sqrt().max(0.3);
    let mut root: Vec<f64> = row
        .y_px
        .iter()
        .map(|y| (y - y0_px).max(0.0).sqrt())
        .collect();
    for i in 1..n.saturating_sub(1) {
        if row.u_px[i] > 1.0 {
            root[i] = 0.5 * (root[i - 1] + root[i + 1]);
        }
    }
    let (coarse, bin_of) = coarser(course, &root, y0_px);
    let coarse_root: Vec<f64> = coarse.rows[0]
        .y_px
        .iter()
        .map(|y| (y - y0_px).max(0.0).sqrt())
        .collect();
    let spread = |signs: Vec<f64>| -> Vec<f64> { bin_of.iter().map(|b| signs[*b]).collect() };
    let (odd, odd_roughness) = smoothest_signs(&coarse, &coarse_root, Flips::Odd, 0.0);
    let (even, even_roughness) = smoothest_signs(&coarse, &coarse_root, Flips::Even, 0.0);
    // A bad frame at the turn looks like a leap, and a jerky hand may make one look smooth: then the fits decide.
    let (walking, _) = smoothest_signs(&coarse, &coarse_root, Flips::Odd, LEAP);
    let differs = walking != odd;
    let (odd, even) = (spread(odd), spread(even));
    let mut starts = vec![odd];
    if even_roughness < odd_roughness - 12.0 {
        starts.insert(0, even);
    } else if even_roughness < odd_roughness - 4.0 {
        starts.push(even);
    }
    if differs {
        starts.push(spread(walking));
    }
    starts
        .into_iter()
        .map(|sign| {
            let g: Vec<f64> = (0..n).map(|i| sign[i] * root[i]).collect();
            let velocity = (0..n)
                .map(|i| {
                    let (a, b) = (i.saturating_sub(2), (i + 2).min(n - 1));
                    (g[b] - g[a]) / (course.time[b] - course.time[a])
                })
                .collect();
            Solution::start(vec![y0_px], g, velocity)
        })
        .collect()
}

/// Neighbouring frames put together so that the line moves by more than its noise from one to the next:
/// only then does the smoothness of its course tell the sign. Gives the bin of every frame, too.
fn coarser(course: &Course, root: &[f64], y0_px: f64) -> (Course, Vec<usize>) {
    let (row, n) = (&course.rows[0], root.len());
    let u = usual(&row.u_px);
    let steps: Vec<f64> = root.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
    let wanted = (1.5 * u.sqrt()).max(0.3);
    let per_bin = ((wanted / usual(&steps).max(1e-6)).round().max(1.0) as usize)
        .min(n / 14)
        .max(1);
    let mut coarse = Course {
        rows: vec![Row::default()],
        ..Course::default()
    };
    let mut bin_of = vec![0; n];
    let mut first = 0;
    while first < n {
        let mut last = first;
        while last + 1 < n
            && last + 1 < first + per_bin
            && course.time[last + 1] - course.time[last] < 3.0
        {
            last += 1;
        }
        let (mut sum, mut time, mut weights) = (0.0, 0.0, 0.0);
        for (i, bin) in bin_of.iter_mut().enumerate().take(last + 1).skip(first) {
            let weight = row.u_px[i].powi(-2);
            sum += weight * (row.y_px[i] - y0_px);
            time += weight * course.time[i];
            weights += weight;
            *bin = coarse.time.len();
        }
        coarse.time.push(time / weights);
        coarse.rows[0].y_px.push(y0_px + sum / weights);
        coarse.rows[0].u_px.push(weights.sqrt().recip());
        first = last + 1;
    }
    (coarse, bin_of)
}

/// The hand does not go faster than so many times the speed that it stays below in nine tenths of a pass; what it costs to say that it did.
const FASTER: f64 = 3.0;
const LEAP: f64 = 8.0;

/// How often the sign may change along a pass.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Flips {
    /// Once, three times, …: the line went through the minimum for good.
    Odd,
    /// Twice, four times, …: the line went through and came back.
    Even,
}

/// Signs that make the course of ±root smoothest, and how rough that course is: dynamic programming
/// over the signs of two neighbouring frames and the class of the number of changes so far.
fn smoothest_signs(course: &Course, root: &[f64], flips: Flips, leap: f64) -> (Vec<f64>, f64) {
    const SIGNS: [f64; 2] = [-1.0, 1.0];
    // Class of changes so far: none, odd, even but not none.
    const AFTER_CHANGE: [usize; 3] = [1, 2, 1];
    let (time, n) = (&course.time, root.len());
    if n < 3 {
        return (vec![1.0; n], f64::INFINITY);
    }
    // A change of speed by a fifth is usual, but not of a speed that only a needless change of sign makes.
    let steps: Vec<f64> = (1..n)
        .map(|i| (root[i] - root[i - 1]).abs() / (time[i] - time[i - 1]))
        .collect();
    let fast = (3.0 * usual(&steps)).powi(2);
    let fastest = FASTER * share_below(&steps, 0.9);
    let error = |i: usize| {
        let u = course.rows[0].u_px[i].min(1.0);
        u / (2.0 * root[i] + u.sqrt())
    };
    // Index: class, sign of frame i-1, sign of frame i. It starts with a minus.
    let mut cost = [[[f64::INFINITY; 2]; 2]; 3];
    cost[0][0][0] = 0.0;
    cost[1][0][1] = 0.0;
    let mut from = vec![[[[(0_u8, 0_u8); 2]; 2]; 3]; n];
    for i in 2..n {
        let (d1, d2) = (time[i - 1] - time[i - 2], time[i] - time[i - 1]);
        let floor = (error(i) / d2).powi(2)
            + (error(i - 1) * (1.0 / d1 + 1.0 / d2)).powi(2)
            + (error(i - 2) / d1).powi(2)
            + 1e-8;
        let mut next = [[[f64::INFINITY; 2]; 2]; 3];
        for (class, a, b) in combinations() {
            let so_far = cost[class][a][b];
            if so_far.is_infinite() {
                continue;
            }
            let v1 = (SIGNS[b] * root[i - 1] - SIGNS[a] * root[i - 2]) / d1;
            for c in 0..2 {
                let v2 = (SIGNS[c] * root[i] - SIGNS[b] * root[i - 1]) / d2;
                let usual_change = 0.04 * (v1 * v1).min(v2 * v2).min(fast);
                let bend = (v2 - v1).powi(2) / (floor + usual_change);
                // The hand cannot get from one side to the other between two frames that lie far from the turning point.
                let leap = if b != c && v2.abs() > fastest {
                    leap
                } else {
                    0.0
                };
                let total = so_far + (1.0 + bend).ln() + leap;
                let then = if b == c { class } else { AFTER_CHANGE[class] };
                if total < next[then][b][c] {
                    next[then][b][c] = total;
                    from[i][then][b][c] = (
                        u8::from(class == 1) + 2 * u8::from(class == 2),
                        u8::from(a == 1),
                    );
                }
            }
        }
        cost = next;
    }
    let class = match flips {
        Flips::Odd => 1,
        Flips::Even => 2,
    };
    let (mut b, mut c) = (0, 0);
    for (k, p, q) in combinations() {
        if k == class && cost[k][p][q] < cost[class][b][c] {
            (b, c) = (p, q);
        }
    }
    let roughness = cost[class][b][c];
    let mut sign = vec![-1.0; n];
    let mut state = (class, b, c);
    sign[n - 1] = SIGNS[c];
    for i in (2..n).rev() {
        sign[i - 1] = SIGNS[state.1];
        let (k, a) = from[i][state.0][state.1][state.2];
        state = (usize::from(k), usize::from(a), state.1);
        sign[i - 2] = SIGNS[state.1];
    }
    (sign, roughness)
}

fn combinations() -> impl Iterator<Item = (usize, usize, usize)> {
    (0..12).map(|k| (k / 4, (k / 2) % 2, k % 2))
}

/// Factor on the stated uncertainties from the middle half of the misfits, at least 1.
fn robust_scale(course: &Course, stated: &[f64], now: &Solution) -> f64 {
    let misfits: Vec<f64> = (0..stated.len())
        .map(|i| {
            (course.rows[0].y_px[i] - now.y0_px() - now.g[i] * now.g[i] - now.air_px[i]).abs()
                / stated[i]
        })
        .collect();
    (1.48 * usual(&misfits)).max(1.0)
}

/// Widens the uncertainty of frames that lie more than three standard deviations off; true if anything
/// changed by much.
fn reweigh(course: &mut Course, stated: &[f64], best: &Solution, noise: Noise) -> bool {
    let mut changed = false;
    let (y0_px, row) = (best.y0_px(), &mut course.rows[0]);
    for (i, stated_u) in stated.iter().enumerate() {
        let sigma = (noise.scale * stated_u).hypot(row.slope[i] * noise.tremor);
        let z = (row.y_px[i] - y0_px - best.g[i] * best.g[i] - best.air_px[i]) / sigma;
        // Redescending: the farther off, the less it pulls, so that bad frames do not pass for noise.
        let widened = if z.abs() > 3.0 {
            sigma * z * z / (3.0 * noise.scale)
        } else {
            *stated_u
        };
        if (widened / row.u_px[i]).ln().abs() > 0.1 {
            changed = true;
        }
        row.u_px[i] = widened;
    }
    changed
}

/// Mean and variance of y₀ for given noise, from its marginal likelihood on a grid.
fn over_y0(solver: &mut Solver<'_>, noise: Noise, peak: &Solution) -> Option<(f64, f64)> {
    let sd = peak.variance.first()?.sqrt();
    if !sd.is_finite() {
        return None;
    }
    let mut reference = None;
    let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
    for direction in [1.0, -1.0] {
        let mut from = peak.clone();
        let begin = if direction > 0.0 { 0 } else { 1 };
        for k in begin..9 {
            let offset = direction * 0.75 * f64::from(k) * sd;
            let mut start = from.clone();
            start.border[0] = peak.y0_px() + offset;
            let Some(here) = solver.solve(noise, &start, true) else {
                break;
            };
            let height = here.minus_two_log_evidence();
            let reference = *reference.get_or_insert(height);
            let weight = (-0.5 * (height - reference)).exp();
            if !weight.is_finite() {
                break;
            }
            sum += weight;
            first += weight * offset;
            second += weight * offset * offset;
            if weight < 1e-3 {
                break;
            }
            from = here;
        }
    }
    if sum.is_nan() || sum <= 0.0 {
        return None;
    }
    let mean = first / sum;
    Some((peak.y0_px() + mean, (second / sum - mean * mean).max(0.0)))
}

/// Where g goes through zero: (time, frame before, velocity).
type Crossing = (f64, usize, f64);

/// The crossing nearest to the middle of all.
fn middle_of(crossings: &[Crossing]) -> Option<Crossing> {
    let (first, last) = (crossings.first()?, crossings.last()?);
    let middle = 0.5 * (first.0 + last.0);
    crossings
        .iter()
        .copied()
        .min_by(|a, b| (a.0 - middle).abs().total_cmp(&(b.0 - middle).abs()))
}

/// The longest interval in which g goes through zero, in usual intervals, and how far the line was from its turning point at its
/// edges, px.
fn widest_gap(time: &[f64], g: &[f64], crossings: &[Crossing]) -> (f64, f64) {
    crossings
        .iter()
        .filter_map(|&(_, at, _)| {
            let (a, b) = (g.get(at)?, g.get(at + 1)?);
            Some((time.get(at + 1)? - time.get(at)?, (a * a).max(b * b)))
        })
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .unwrap_or((0.0, 0.0))
}

/// All of them, by time.
fn crossings(time: &[f64], g: &[f64]) -> Vec<Crossing> {
    let mut found = Vec::new();
    for i in 1..g.len() {
        if g[i - 1] * g[i] < 0.0 {
            let d = time[i] - time[i - 1];
            let speed = (g[i] - g[i - 1]) / d;
            found.push((time[i - 1] + d * g[i - 1] / (g[i - 1] - g[i]), i - 1, speed));
        }
    }
    found
}

#[cfg(test)]
#[path = "turning_tests.rs"]
mod tests;
