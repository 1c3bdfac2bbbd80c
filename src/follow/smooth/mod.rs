//! The inner solver of a turning point: the most likely course of the hand under x = x₀ + g(t)².
//!
//! State (g, ġ, a) in every frame: g and its velocity are chained by an integrated random walk of velocity
//! (the continuous-time one of Kalman smoothing: spectral density `q`, covariance q·[d³/3, d²/2; d²/2, d] over an interval d);
//! a is what moves all lines of the frame alike and lasts from frame to frame (air, shake), chained by a stationary process whose
//! correlation falls as ρ^d. Observations of line k are y = y₀ₖ + fₖ(g)² + a with white noise, where f₀ = g and further lines
//! have a polynomial of the fourth degree, fₖ = oₖ + bₖ g + cₖ g² + dₖ g³ + eₖ g⁴. Gauss-Newton on the block-tridiagonal normal equations (3×3 blocks, so the cost is
//! proportional to the number of frames) with y₀ and the shapes of all lines as a border.

mod elimination;

use elimination::{LogProduct, Normal, Step};

/// What the solver is told of the noise and of the hand.
#[derive(Clone, Copy, Debug)]
pub(super) struct Noise {
    /// Factor on the stated uncertainties, which are white.
    pub(super) scale: f64,
    /// Standard deviation of what moves all lines alike and lasts, px.
    pub(super) air_px: f64,
    /// Its correlation from one time unit to the next.
    pub(super) correlation: f64,
    /// Intensity of the random acceleration, (px^½)² per time unit³.
    pub(super) intensity: f64,
    /// White error of g from frame to frame: tremor that the frames do not resolve, unsteady time stamps; px^½.
    pub(super) tremor: f64,
}

/// Observations of one line; it turns at its smallest y.
#[derive(Clone, Debug, Default)]
pub(super) struct Row {
    /// Positions, px, mirrored where needed so that the turning point is the smallest.
    pub(super) y_px: Vec<f64>,
    /// Stated standard uncertainties, px, already widened for frames that were found bad; infinite where the line was not seen.
    pub(super) u_px: Vec<f64>,
    /// Slope of y over g as first guessed, px^½; only sets how much the tremor weighs in each frame.
    pub(super) slope: Vec<f64>,
}

/// Observations of one pass.
#[derive(Clone, Debug, Default)]
pub(super) struct Course {
    /// Times, in units of the usual interval between frames, strictly rising.
    pub(super) time: Vec<f64>,
    /// Lines that were seen in the pass, one at least.
    pub(super) rows: Vec<Row>,
    /// Where the turning point of the first line is sought, and a standard deviation, px; anywhere where there is none.
    pub(super) near_px: Option<(f64, f64)>,
}

/// The most likely course for given noise.
#[derive(Clone, Debug)]
pub(super) struct Solution {
    /// Positions of the turning points, px (mirrored like `y_px`), then (o, b, c, d, e) of each further line.
    pub(super) border: Vec<f64>,
    /// g in every frame, px^½.
    pub(super) g: Vec<f64>,
    /// Velocity of g in every frame, px^½ per time unit.
    pub(super) velocity: Vec<f64>,
    /// What moves all lines alike in every frame, px.
    pub(super) air_px: Vec<f64>,
    /// Twice the negative logarithm of likelihood and prior, without the terms of normalisation.
    pub(super) cost: f64,
    /// Terms of normalisation that depend on the noise: twice the negative logarithm.
    pub(super) normalisation: f64,
    /// Logarithm of the determinant of the normal equations of the states and of the border's free part.
    pub(super) log_determinant: f64,
    /// Variances of the turning points, px²; zero for one that was held.
    pub(super) variance: Vec<f64>,
}

impl Solution {
    /// A course from which to start, without any air.
    pub(super) fn start(border: Vec<f64>, g: Vec<f64>, velocity: Vec<f64>) -> Self {
        Self {
            air_px: vec![0.0; g.len()],
            border,
            g,
            velocity,
            cost: 0.0,
            normalisation: 0.0,
            log_determinant: 0.0,
            variance: Vec::new(),
        }
    }

    /// Turning point of the first line, px.
    pub(super) fn y0_px(&self) -> f64 {
        self.border.first().copied().unwrap_or(0.0)
    }

    /// Twice the negative logarithm of the evidence (Laplace approximation), all that was not held marginalised.
    pub(super) fn minus_two_log_evidence(&self) -> f64 {
        self.cost + self.normalisation + self.log_determinant
    }

    /// f of a line at g, and its derivative.
    pub(super) fn of_line(&self, line: usize, g: f64) -> (f64, f64) {
        of_line(&self.border, self.lines(), line, g)
    }

    fn lines(&self) -> usize {
        self.border.len().div_ceil(SHAPE + 1)
    }
}

/// Unknowns of a further line's shape.
pub(super) const SHAPE: usize = 5;
/// What they are beforehand, mean and standard deviation: lines of one prism turn within a field of view of each other, and the
/// course of each is nearly that of the first (by Snell's law b differs from 1 by less than 0.02 and c is less than 0.001 /px^½).
const SHAPES: [(f64, f64); SHAPE] = [
    (0.0, 10.0),
    (1.0, 0.1),
    (0.0, 0.01),
    (0.0, 0.001),
    (0.0, 1e-4),
];

fn of_line(border: &[f64], lines: usize, line: usize, g: f64) -> (f64, f64) {
    if line == 0 {
        return (g, 1.0);
    }
    let first = lines + SHAPE * (line - 1);
    // Horner's rule, with the derivative along.
    border[first..first + SHAPE]
        .iter()
        .rev()
        .fold((0.0, 0.0), |(f, slope), c| (f * g + c, slope * g + f))
}

/// How many unknowns the border of so many lines has.
fn unknowns(lines: usize) -> usize {
    lines + SHAPE * lines.saturating_sub(1)
}

/// The same work for any number of lines, but for the usual ones with loops whose lengths the compiler knows.
macro_rules! for_each_count {
    ($count:expr, |$lines:ident| $work:expr) => {
        match $count {
            1 => {
                let $lines = 1;
                $work
            }
            2 => {
                let $lines = 2;
                $work
            }
            3 => {
                let $lines = 3;
                $work
            }
            $lines => $work,
        }
    };
}

/// How many unknowns of the border a line has: the first gives the others' courses their shape, and has none.
fn of_own(line: usize) -> usize {
    if line > 0 { 1 + SHAPE } else { 1 }
}

/// Where they stand in the border: the turning point, then its shape.
fn unknown(lines: usize, line: usize, k: usize) -> usize {
    match k {
        0 => line,
        _ => lines + SHAPE * (line - 1) + k - 1,
    }
}

/// A line in one frame: what is left of it, and its slopes over g and over its own unknowns of the border.
#[derive(Clone, Copy, Default)]
struct AtLine {
    residual: f64,
    over_g: f64,
    over_border: [f64; 1 + SHAPE],
}

/// Sums of weighed products of the slopes of two lines over the border.
type Square = [[f64; 1 + SHAPE]; 1 + SHAPE];

/// How a frame goes with the one before it, for a given noise.
#[derive(Clone, Copy, Debug, Default)]
struct Link {
    /// Interval, time units.
    interval: f64,
    /// Correlation of the air, and its inverse variance given that of the frame before.
    correlation: f64,
    air: f64,
    /// Inverse covariance of the walk, as (gg, gv, vv).
    walk: (f64, f64, f64),
}

/// Working space that is kept between solutions.
pub(super) struct Solver<'a> {
    course: &'a Course,
    normal: Normal,
    /// Residual weights of a frame's lines, row by row, frame after frame, and the logarithm of the covariance's determinant.
    weights: Vec<f64>,
    log_covariance: f64,
    /// Of every frame; of the first the air alone.
    links: Vec<Link>,
    /// For every pair of lines, of which the second is not after the first.
    squares: Vec<Square>,
}

const STEPS: usize = 40;

impl<'a> Solver<'a> {
    pub(super) fn new(course: &'a Course) -> Self {
        let (n, lines) = (course.time.len(), course.rows.len());
        Self {
            course,
            normal: Normal::new(n, unknowns(lines)),
            weights: vec![0.0; n * lines * lines],
            log_covariance: 0.0,
            links: vec![Link::default(); n],
            squares: vec![Square::default(); lines * lines],
        }
    }

    /// Finds the most likely course from a start; `held` keeps the first line's y₀ where it is.
    ///
    /// None if the equations break down or do not settle.
    pub(super) fn solve(&mut self, noise: Noise, start: &Solution, held: bool) -> Option<Solution> {
        self.weigh(noise);
        self.link(noise);
        let mut now = start.clone();
        now.normalisation = self.normalisation(noise);
        now.cost = self.cost(&now);
        now.variance.clear();
        let mut damping = 0.0;
        for _ in 0..STEPS {
            self.assemble(&now);
            let step = self.eliminate(damping, held)?;
            if damping == 0.0 {
                now.log_determinant = step.log_determinant;
                now.variance.clone_from(&step.variance);
            }
            let mut next = now.clone();
            for (i, s) in step.states.iter().enumerate() {
                next.g[i] += s[0];
                next.velocity[i] += s[1];
                next.air_px[i] += s[2];
            }
            for (value, s) in next.border.iter_mut().zip(step.border.iter()) {
                *value += s;
            }
            next.cost = self.cost(&next);
            if !next.cost.is_finite() {
                return None;
            }
            if next.cost <= now.cost {
                let gain = now.cost - next.cost;
                now = next;
                let undamped = damping == 0.0;
                damping = if damping < 1e-4 { 0.0 } else { damping * 0.1 };
                if gain < 1e-3 && undamped {
                    return Some(now);
                }
            } else if next.cost - now.cost < 1e-3 && damping == 0.0 {
                return Some(now);
            } else {
                damping = if damping == 0.0 { 1e-3 } else { damping * 10.0 };
                if damping > 1e8 {
                    return None;
                }
            }
        }
        // Still creeping: the determinant is that of the last undamped step, which is close enough.
        (!now.variance.is_empty()).then_some(now)
    }

    /// Variance of g in one frame given all frames, px.
    pub(super) fn variance_of_g(
        &mut self,
        noise: Noise,
        at: &Solution,
        frame: usize,
    ) -> Option<f64> {
        self.weigh(noise);
        self.link(noise);
        self.assemble(at);
        self.normal.gradient.fill(0.0);
        self.normal.gradient_border.fill(0.0);
        *self.normal.gradient.get_mut(3 * frame)? = -1.0;
        let step = self.eliminate(0.0, false)?;
        step.states.get(frame).map(|s| s[0]).filter(|v| *v > 0.0)
    }

    /// Inverse covariance of the lines of every frame: white noise of each, and the tremor that they share.
    fn weigh(&mut self, noise: Noise) {
        let lines = self.course.rows.len();
        let mut covariance = LogProduct::new();
        for (i, weights) in self.weights.chunks_exact_mut(lines * lines).enumerate() {
            weights.fill(0.0);
            let mut shared = noise.tremor.powi(-2);
            let white = |row: &Row| (noise.scale * row.u_px[i]).powi(-2);
            for row in &self.course.rows {
                let own = white(row);
                if own > 0.0 {
                    shared += row.slope[i] * row.slope[i] * own;
                    covariance.take(own.recip());
                }
            }
            covariance.take(shared);
            for (a, row) in self.course.rows.iter().enumerate() {
                weights[a * lines + a] = white(row);
                for (b, other) in self.course.rows.iter().enumerate() {
                    weights[a * lines + b] -=
                        white(row) * row.slope[i] * other.slope[i] * white(other) / shared;
                }
            }
        }
        let frames = self.course.time.len() as f64;
        self.log_covariance = covariance.ln() + 2.0 * frames * noise.tremor.ln();
    }

    /// How every frame goes with the one before it.
    fn link(&mut self, noise: Noise) {
        let air = noise.air_px.powi(-2);
        let link = |interval: f64| {
            let correlation = if noise.correlation > 0.0 {
                noise.correlation.powf(interval)
            } else {
                0.0
            };
            Link {
                interval,
                correlation,
                air: air / (1.0 - correlation * correlation),
                walk: walk(noise.intensity, interval),
            }
        };
        if let Some(first) = self.links.first_mut() {
            first.air = air;
        }
        let intervals = self.course.time.windows(2).map(|pair| pair[1] - pair[0]);
        // Mostly frames follow one another evenly.
        let mut same = link(1.0);
        for (place, interval) in self.links.iter_mut().skip(1).zip(intervals) {
            if (interval - same.interval).abs() > 1e-9 {
                same = link(interval);
            }
            *place = same;
        }
    }

    fn normalisation(&self, noise: Noise) -> f64 {
        let mut precision = LogProduct::new();
        for link in &self.links {
            precision.take(link.air);
        }
        let walks = self.links.len().saturating_sub(1) as f64;
        self.log_covariance + 2.0 * walks * noise.intensity.ln() - precision.ln()
    }

    /// What is asked of the border beforehand: (unknown, departure, inverse variance).
    fn asked<'b>(&'b self, border: &'b [f64]) -> impl Iterator<Item = (usize, f64, f64)> + 'b {
        let lines = self.course.rows.len();
        let near = self
            .course
            .near_px
            .map(|(near, sd)| (0, border[0] - near, sd.powi(-2)));
        let shapes = (lines..border.len()).map(move |k| {
            let (mean, sd) = SHAPES[(k - lines) % SHAPE];
            (k, border[k] - mean, sd.powi(-2))
        });
        near.into_iter().chain(shapes)
    }

    fn cost(&self, at: &Solution) -> f64 {
        for_each_count!(self.course.rows.len(), |lines| self.cost_of(lines, at))
    }

    #[inline(always)]
    fn cost_of(&self, lines: usize, at: &Solution) -> f64 {
        let c = self.course;
        let mut sum: f64 = self
            .asked(&at.border)
            .map(|(_, off, w)| w * off * off)
            .sum();
        let (g, v, a) = (&at.g, &at.velocity, &at.air_px);
        let mut residual = vec![0.0; lines];
        for (i, weights) in self.weights.chunks_exact(lines * lines).enumerate() {
            for (k, r) in residual.iter_mut().enumerate() {
                let f = of_line(&at.border, lines, k, g[i]).0;
                *r = c.rows[k].y_px[i] - at.border[k] - f * f - a[i];
            }
            for (row, r) in weights.chunks_exact(lines).zip(&residual) {
                sum += r * row.iter().zip(&residual).map(|(w, s)| w * s).sum::<f64>();
            }
            let link = &self.links[i];
            if i == 0 {
                sum += link.air * a[0] * a[0];
            } else {
                sum += link.air * (a[i] - link.correlation * a[i - 1]).powi(2);
                let (pa, pb, pc) = link.walk;
                let p = g[i - 1] + link.interval * v[i - 1] - g[i];
                let r = v[i - 1] - v[i];
                sum += pa * p * p + 2.0 * pb * p * r + pc * r * r;
            }
        }
        sum
    }

    fn assemble(&mut self, now: &Solution) {
        for_each_count!(self.course.rows.len(), |lines| self.assemble_of(lines, now));
    }

    #[inline(always)]
    fn assemble_of(&mut self, lines: usize, now: &Solution) {
        let c = self.course;
        let unknowns = unknowns(lines);
        let (g, v, a) = (&now.g, &now.velocity, &now.air_px);
        let asked: Vec<(usize, f64, f64)> = self.asked(&now.border).collect();
        let m = &mut self.normal;
        m.corner.fill(0.0);
        m.gradient_border.fill(0.0);
        for (k, off, weight) in asked {
            m.corner[(k, k)] += weight;
            m.gradient_border[k] += weight * off;
        }
        let mut at_lines = vec![AtLine::default(); lines];
        self.squares.fill(Square::default());
        for i in 0..g.len() {
            let mut here = [[1e-12, 0.0, 0.0], [0.0, 1e-12, 0.0], [0.0, 0.0, 1e-12]];
            let mut gradient = [0.0; 3];
            for (k, line) in at_lines.iter_mut().enumerate() {
                let (f, slope) = of_line(&now.border, lines, k, g[i]);
                line.residual = c.rows[k].y_px[i] - now.border[k] - f * f - a[i];
                line.over_g = 2.0 * f * slope;
                line.over_border[0] = 1.0;
                let mut power = 2.0 * f;
                for slope in &mut line.over_border[1..] {
                    *slope = power;
                    power *= g[i];
                }
            }
            let weights = &self.weights[i * lines * lines..(i + 1) * lines * lines];
            // Of g, its velocity and the air.
            let edge = &mut m.edge.as_mut_slice()[3 * unknowns * i..][..3 * unknowns];
            edge[unknowns..2 * unknowns].fill(0.0);
            for (p, weights) in weights.chunks_exact(lines).enumerate() {
                let (mut over_g, mut weight, mut off) = (0.0, 0.0, 0.0);
                for (w, other) in weights.iter().zip(&at_lines) {
                    over_g += w * other.over_g;
                    weight += w;
                    off += w * other.residual;
                }
                let line = &at_lines[p];
                here[0][0] += over_g * line.over_g;
                here[0][2] += weight * line.over_g;
                here[2][2] += weight;
                gradient[0] -= off * line.over_g;
                gradient[2] -= off;
                for (k, slope) in line.over_border[..of_own(p)].iter().enumerate() {
                    let at = unknown(lines, p, k);
                    edge[at] = over_g * slope;
                    edge[2 * unknowns + at] = weight * slope;
                    m.gradient_border[at] -= off * slope;
                }
                for (q, w) in weights.iter().enumerate().take(p + 1) {
                    let rows = self.squares[p * lines + q].iter_mut();
                    for (row, slope) in rows.zip(&at_lines[q].over_border[..of_own(q)]) {
                        let slope = w * slope;
                        for (sum, other) in row.iter_mut().zip(&line.over_border) {
                            *sum += slope * other;
                        }
                    }
                }
            }
            here[2][0] = here[0][2];
            let link = &self.links[i];
            if i == 0 {
                here[2][2] += link.air;
                gradient[2] += link.air * a[0];
            } else {
                let (rho, w) = (link.correlation, link.air);
                let off = a[i] - rho * a[i - 1];
                here[2][2] += w;
                gradient[2] += w * off;
                let before = &mut m.diagonal[i - 1];
                before[2][2] += w * rho * rho;
                m.gradient[3 * i - 1] -= w * rho * off;
                // the walk: e = F s(i-1) - s(i), F = [1 d; 0 1]
                let d = link.interval;
                let (pa, pb, pc) = link.walk;
                let e = [g[i - 1] + d * v[i - 1] - g[i], v[i - 1] - v[i]];
                let pe = [pa * e[0] + pb * e[1], pb * e[0] + pc * e[1]];
                gradient[0] -= pe[0];
                gradient[1] -= pe[1];
                m.gradient[3 * i - 3] += pe[0];
                m.gradient[3 * i - 2] += d * pe[0] + pe[1];
                here[0][0] += pa;
                here[0][1] += pb;
                here[1][0] += pb;
                here[1][1] += pc;
                before[0][0] += pa;
                before[0][1] += d * pa + pb;
                before[1][0] += d * pa + pb;
                before[1][1] += d * d * pa + 2.0 * d * pb + pc;
                m.above[i] = [
                    [-pa, -pb, 0.0],
                    [-d * pa - pb, -d * pb - pc, 0.0],
                    [0.0, 0.0, -w * rho],
                ];
            }
            m.diagonal[i] = here;
            m.gradient.as_mut_slice()[3 * i..3 * i + 3].copy_from_slice(&gradient);
        }
        for p in 0..lines {
            for q in 0..=p {
                let square = &self.squares[p * lines + q];
                for (row, of_row) in square[..of_own(q)].iter().enumerate() {
                    for (column, sum) in of_row[..of_own(p)].iter().enumerate() {
                        let (row, column) = (unknown(lines, q, row), unknown(lines, p, column));
                        m.corner[(row, column)] += sum;
                        if p != q {
                            m.corner[(column, row)] += sum;
                        }
                    }
                }
            }
        }
    }

    fn eliminate(&mut self, damping: f64, held: bool) -> Option<Step> {
        for_each_count!(self.course.rows.len(), |lines| self.normal.eliminate(
            unknowns(lines),
            damping,
            held,
            lines
        ))
    }
}

/// Inverse covariance of the walk over an interval `d`, as (gg, gv, vv).
fn walk(intensity: f64, d: f64) -> (f64, f64, f64) {
    (
        12.0 / (intensity * d * d * d),
        -6.0 / (intensity * d * d),
        4.0 / (intensity * d),
    )
}
