//! The inner solver of a turning point: the most likely course of the hand under x = x₀ + g(t)².
//!
//! State (g, ġ, a) in every frame: g and its velocity are chained by an integrated random walk of velocity
//! (the continuous-time one of Kalman smoothing: spectral density `q`, covariance q·[d³/3, d²/2; d²/2, d] over an interval d);
//! a is what moves all lines of the frame alike and lasts from frame to frame (air, shake), chained by a stationary process whose
//! correlation falls as ρ^d. Observations of line k are y = y₀ₖ + fₖ(g)² + a with white noise, where f₀ = g and further lines
//! have a polynomial of the fourth degree, fₖ = oₖ + bₖ g + cₖ g² + dₖ g³ + eₖ g⁴. Gauss-Newton on the block-tridiagonal normal equations (3×3 blocks, so the cost is
//! proportional to the number of frames) with y₀ and the shapes of all lines as a border.

use nalgebra::{DMatrix, DVector};

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
/// Least variance of a covariance, so that a border that the lines do not show stays finite.
const LEAST: f64 = 1e-12;

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

/// A lower triangle with rows (0), (1, 2), (3, 4, 5), its diagonal inverted.
type Triangle = [f64; 6];
type Block = [[f64; 3]; 3];

fn cholesky(m: &Block) -> Option<Triangle> {
    let root = |v: f64| (v > 0.0).then(|| v.sqrt().recip());
    let a = root(m[0][0])?;
    let b = m[1][0] * a;
    let c = root(m[1][1] - b * b)?;
    let d = m[2][0] * a;
    let e = (m[2][1] - d * b) * c;
    let f = root(m[2][2] - d * d - e * e)?;
    Some([a, b, c, d, e, f])
}

fn forward(l: &Triangle, r: [f64; 3]) -> [f64; 3] {
    let x = r[0] * l[0];
    let y = (r[1] - l[1] * x) * l[2];
    [x, y, (r[2] - l[3] * x - l[4] * y) * l[5]]
}

fn backward(l: &Triangle, r: [f64; 3]) -> [f64; 3] {
    let z = r[2] * l[5];
    let y = (r[1] - l[4] * z) * l[2];
    [(r[0] - l[1] * y - l[3] * z) * l[0], y, z]
}

fn dot(a: &[f64; 3], b: &[f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// The part of a column that belongs to a frame.
fn three(column: &[f64], frame: usize) -> [f64; 3] {
    std::array::from_fn(|k| column[3 * frame + k])
}

/// Normal equations of one Gauss-Newton step.
struct Normal {
    diagonal: Vec<Block>,
    /// Block (i-1, i).
    above: Vec<Block>,
    /// Blocks of the border, one for every unknown in every frame.
    edge: Vec<[f64; 3]>,
    corner: DMatrix<f64>,
    gradient: Vec<[f64; 3]>,
    gradient_border: DVector<f64>,
}

struct Step {
    states: Vec<[f64; 3]>,
    border: DVector<f64>,
    log_determinant: f64,
    variance: Vec<f64>,
}

/// Working space that is kept between solutions.
pub(super) struct Solver<'a> {
    course: &'a Course,
    normal: Normal,
    /// Residual weights of a frame's lines, row by row, frame after frame, and the logarithm of the covariance's determinant.
    weights: Vec<f64>,
    log_covariance: f64,
    /// For every pair of lines, of which the second is not after the first.
    squares: Vec<Square>,
    // Elimination: triangles, and what is left of the blocks above, the gradient and the border.
    pivot: Vec<Triangle>,
    left: Vec<Block>,
    right: DVector<f64>,
    /// A column for every unknown of the border.
    rim: DMatrix<f64>,
}

const STEPS: usize = 40;

impl<'a> Solver<'a> {
    pub(super) fn new(course: &'a Course) -> Self {
        let (n, lines) = (course.time.len(), course.rows.len());
        let unknowns = unknowns(lines);
        Self {
            course,
            normal: Normal {
                diagonal: vec![Block::default(); n],
                above: vec![Block::default(); n],
                edge: vec![[0.0; 3]; n * unknowns],
                corner: DMatrix::zeros(unknowns, unknowns),
                gradient: vec![[0.0; 3]; n],
                gradient_border: DVector::zeros(unknowns),
            },
            weights: vec![0.0; n * lines * lines],
            log_covariance: 0.0,
            squares: vec![Square::default(); lines * lines],
            pivot: vec![Triangle::default(); n],
            left: vec![Block::default(); n],
            right: DVector::zeros(3 * n),
            rim: DMatrix::zeros(3 * n, unknowns),
        }
    }

    /// Finds the most likely course from a start; `held` keeps the first line's y₀ where it is.
    ///
    /// None if the equations break down or do not settle.
    pub(super) fn solve(&mut self, noise: Noise, start: &Solution, held: bool) -> Option<Solution> {
        self.weigh(noise);
        let mut now = start.clone();
        now.normalisation = self.normalisation(noise);
        now.cost = self.cost(noise, &now);
        now.variance.clear();
        let mut damping = 0.0;
        for _ in 0..STEPS {
            self.assemble(noise, &now);
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
            next.cost = self.cost(noise, &next);
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
        self.assemble(noise, at);
        self.normal.gradient.fill([0.0; 3]);
        self.normal.gradient_border.fill(0.0);
        self.normal.gradient.get_mut(frame)?[0] = -1.0;
        let step = self.eliminate(0.0, false)?;
        step.states.get(frame).map(|s| s[0]).filter(|v| *v > 0.0)
    }

    /// Inverse covariance of the lines of every frame: white noise of each, and the tremor that they share.
    fn weigh(&mut self, noise: Noise) {
        let lines = self.course.rows.len();
        self.log_covariance = 0.0;
        for (i, weights) in self.weights.chunks_exact_mut(lines * lines).enumerate() {
            weights.fill(0.0);
            let mut shared = noise.tremor.powi(-2);
            let mut log_covariance = 2.0 * noise.tremor.ln();
            let white = |row: &Row| (noise.scale * row.u_px[i]).powi(-2);
            for row in &self.course.rows {
                let own = white(row);
                if own > 0.0 {
                    shared += row.slope[i] * row.slope[i] * own;
                    log_covariance -= own.ln();
                }
            }
            self.log_covariance += log_covariance + shared.ln();
            for (a, row) in self.course.rows.iter().enumerate() {
                weights[a * lines + a] = white(row);
                for (b, other) in self.course.rows.iter().enumerate() {
                    weights[a * lines + b] -=
                        white(row) * row.slope[i] * other.slope[i] * white(other) / shared;
                }
            }
        }
    }

    fn normalisation(&self, noise: Noise) -> f64 {
        let mut sum = self.log_covariance + 2.0 * noise.air_px.ln();
        for i in 1..self.course.time.len() {
            let rho = self.correlation(noise, i);
            sum += (noise.air_px * noise.air_px * (1.0 - rho * rho)).ln();
            sum += 2.0 * noise.intensity.ln();
        }
        sum
    }

    fn correlation(&self, noise: Noise, i: usize) -> f64 {
        let d = self.course.time[i] - self.course.time[i - 1];
        if noise.correlation <= 0.0 {
            0.0
        } else if (d - 1.0).abs() < 1e-9 {
            noise.correlation
        } else {
            noise.correlation.powf(d)
        }
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

    fn cost(&self, noise: Noise, at: &Solution) -> f64 {
        for_each_count!(self.course.rows.len(), |lines| self
            .cost_of(lines, noise, at))
    }

    #[inline(always)]
    fn cost_of(&self, lines: usize, noise: Noise, at: &Solution) -> f64 {
        let c = self.course;
        let mut sum: f64 = self
            .asked(&at.border)
            .map(|(_, off, w)| w * off * off)
            .sum();
        let air = noise.air_px.powi(-2);
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
            if i == 0 {
                sum += air * a[0] * a[0];
            } else {
                let rho = self.correlation(noise, i);
                sum += air * (a[i] - rho * a[i - 1]).powi(2) / (1.0 - rho * rho);
                let d = c.time[i] - c.time[i - 1];
                let (pa, pb, pc) = walk(noise.intensity, d);
                let p = g[i - 1] + d * v[i - 1] - g[i];
                let r = v[i - 1] - v[i];
                sum += pa * p * p + 2.0 * pb * p * r + pc * r * r;
            }
        }
        sum
    }

    fn assemble(&mut self, noise: Noise, now: &Solution) {
        for_each_count!(self.course.rows.len(), |lines| self
            .assemble_of(lines, noise, now));
    }

    #[inline(always)]
    fn assemble_of(&mut self, lines: usize, noise: Noise, now: &Solution) {
        let c = self.course;
        let unknowns = unknowns(lines);
        let (g, v, a) = (&now.g, &now.velocity, &now.air_px);
        let asked: Vec<(usize, f64, f64)> = self.asked(&now.border).collect();
        let correlations: Vec<f64> = (0..g.len())
            .map(|i| {
                if i == 0 {
                    0.0
                } else {
                    self.correlation(noise, i)
                }
            })
            .collect();
        let m = &mut self.normal;
        m.corner.fill(0.0);
        m.gradient_border.fill(0.0);
        for (k, off, weight) in asked {
            m.corner[(k, k)] += weight;
            m.gradient_border[k] += weight * off;
        }
        let air = noise.air_px.powi(-2);
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
            let edge = &mut m.edge[i * unknowns..(i + 1) * unknowns];
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
                    edge[at] = [over_g * slope, 0.0, weight * slope];
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
            if i == 0 {
                here[2][2] += air;
                gradient[2] += air * a[0];
            } else {
                let rho = correlations[i];
                let w = air / (1.0 - rho * rho);
                let off = a[i] - rho * a[i - 1];
                here[2][2] += w;
                gradient[2] += w * off;
                let before = &mut m.diagonal[i - 1];
                before[2][2] += w * rho * rho;
                m.gradient[i - 1][2] -= w * rho * off;
                // the walk: e = F s(i-1) - s(i), F = [1 d; 0 1]
                let d = c.time[i] - c.time[i - 1];
                let (pa, pb, pc) = walk(noise.intensity, d);
                let e = [g[i - 1] + d * v[i - 1] - g[i], v[i - 1] - v[i]];
                let pe = [pa * e[0] + pb * e[1], pb * e[0] + pc * e[1]];
                gradient[0] -= pe[0];
                gradient[1] -= pe[1];
                m.gradient[i - 1][0] += pe[0];
                m.gradient[i - 1][1] += d * pe[0] + pe[1];
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
            m.gradient[i] = gradient;
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
        for_each_count!(self.course.rows.len(), |lines| self
            .eliminate_of(lines, damping, held))
    }

    #[inline(always)]
    fn eliminate_of(&mut self, lines: usize, damping: f64, held: bool) -> Option<Step> {
        let m = &self.normal;
        let n = m.diagonal.len();
        let unknowns = unknowns(lines);
        let (mut log_determinant, mut product) = (0.0, 1.0_f64);
        let mut corner = m.corner.clone();
        let mut right_border = -&m.gradient_border;
        for i in 0..n {
            let mut d = m.diagonal[i];
            for (k, row) in d.iter_mut().enumerate() {
                row[k] *= 1.0 + damping;
            }
            let mut r = m.gradient[i].map(|v| -v);
            if i > 0 {
                let o = &m.above[i];
                let l = &self.pivot[i - 1];
                // Columns of L⁻¹ O.
                let columns: Block =
                    std::array::from_fn(|k| forward(l, [o[0][k], o[1][k], o[2][k]]));
                let before = three(self.right.as_slice(), i - 1);
                for a in 0..3 {
                    for b in 0..3 {
                        d[a][b] -= dot(&columns[a], &columns[b]);
                    }
                    r[a] -= dot(&columns[a], &before);
                }
                self.left[i] = columns;
            }
            let l = cholesky(&d)?;
            product *= l[0] * l[2] * l[5];
            if !(1e-150..1e150).contains(&product) {
                log_determinant -= 2.0 * product.ln();
                product = 1.0;
            }
            self.pivot[i] = l;
            self.right.as_mut_slice()[3 * i..3 * i + 3].copy_from_slice(&forward(&l, r));
            let columns = self.rim.as_mut_slice().chunks_exact_mut(3 * n);
            for (column, edge) in columns.zip(&m.edge[i * unknowns..]) {
                let mut rim = *edge;
                if i > 0 {
                    let before = three(column, i - 1);
                    for (value, left) in rim.iter_mut().zip(&self.left[i]) {
                        *value -= dot(left, &before);
                    }
                }
                column[3 * i..3 * i + 3].copy_from_slice(&forward(&l, rim));
            }
        }
        log_determinant -= 2.0 * product.ln();
        for s in 0..unknowns {
            let rim = self.rim.column(s);
            right_border[s] -= rim.dot(&self.right);
            for t in 0..=s {
                corner[(s, t)] -= rim.dot(&self.rim.column(t));
                corner[(t, s)] = corner[(s, t)];
            }
            corner[(s, s)] += LEAST;
        }
        if held {
            corner.row_mut(0).fill(0.0);
            corner.column_mut(0).fill(0.0);
            corner[(0, 0)] = 1.0;
            right_border[0] = 0.0;
        }
        let factor = corner.clone().cholesky()?;
        log_determinant += 2.0 * factor.l_dirty().diagonal().map(f64::ln).sum();
        let inverse = factor.inverse();
        let variance = (0..self.course.rows.len())
            .map(|k| if held && k == 0 { 0.0 } else { inverse[(k, k)] })
            .collect();
        let border = if damping > 0.0 {
            for s in 0..unknowns {
                corner[(s, s)] *= 1.0 + damping;
            }
            corner.cholesky()?.solve(&right_border)
        } else {
            factor.solve(&right_border)
        };
        let right = &self.right - &self.rim * &border;
        let mut states = vec![[0.0; 3]; n];
        for i in (0..n).rev() {
            let mut r = three(right.as_slice(), i);
            if let Some(next) = states.get(i + 1) {
                for (column, step) in self.left[i + 1].iter().zip(next) {
                    for (value, e) in r.iter_mut().zip(column) {
                        *value -= e * step;
                    }
                }
            }
            states[i] = backward(&self.pivot[i], r);
        }
        Some(Step {
            states,
            border,
            log_determinant,
            variance,
        })
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
