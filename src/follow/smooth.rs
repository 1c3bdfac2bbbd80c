//! The inner solver of a turning point: the most likely course of the hand under x = x₀ + g(t)².
//!
//! State (g, ġ) in every frame, chained by an integrated random walk of velocity; observations
//! y = y₀ + g² with noise that may be correlated from frame to frame. Gauss-Newton on the
//! block-tridiagonal normal equations (2×2 blocks, so the cost is proportional to the number of
//! frames) with y₀ as a border. The walk is the continuous-time one of Kalman smoothing
//! (spectral density `q`, covariance q·[d³/3, d²/2; d²/2, d] over an interval d).

/// What the solver is told of the noise and of the hand.
#[derive(Clone, Copy, Debug)]
pub(super) struct Noise {
    /// Factor on the stated uncertainties.
    pub(super) scale: f64,
    /// Correlation of the noise of frames one time unit apart.
    pub(super) correlation: f64,
    /// Intensity of the random acceleration, (px^½)² per time unit³.
    pub(super) intensity: f64,
    /// White error of g from frame to frame: tremor that the frames do not resolve, unsteady time stamps; px^½.
    pub(super) tremor: f64,
}

/// Observations of one pass; the line turns at its smallest y.
#[derive(Clone, Debug, Default)]
pub(super) struct Course {
    /// Times, in units of the usual interval between frames, strictly rising.
    pub(super) time: Vec<f64>,
    /// Positions, px, mirrored where needed so that the turning point is the smallest.
    pub(super) y_px: Vec<f64>,
    /// Stated standard uncertainties, px, already widened for frames that were found bad.
    pub(super) u_px: Vec<f64>,
    /// Square of g as first guessed, px; only sets how much the tremor weighs in each frame.
    pub(super) depth_px: Vec<f64>,
    /// Where the turning point is sought, and a standard deviation, px; anywhere where there is none.
    pub(super) near_px: Option<(f64, f64)>,
}

/// The most likely course for given noise.
#[derive(Clone, Debug)]
pub(super) struct Solution {
    /// Position of the turning point, px (mirrored like `y_px`).
    pub(super) y0_px: f64,
    /// g in every frame, px^½.
    pub(super) g: Vec<f64>,
    /// Velocity of g in every frame, px^½ per time unit.
    pub(super) velocity: Vec<f64>,
    /// Twice the negative logarithm of likelihood and prior, without the terms of normalisation.
    pub(super) cost: f64,
    /// Terms of normalisation that depend on the noise: twice the negative logarithm.
    pub(super) normalisation: f64,
    /// Logarithm of the determinant of the normal equations of the states alone.
    pub(super) log_determinant: f64,
    /// Inverse variance of y₀ after the states are eliminated, 1/px².
    pub(super) information: f64,
}

impl Solution {
    /// Twice the negative logarithm of the evidence (Laplace approximation), y₀ marginalised.
    pub(super) fn minus_two_log_evidence(&self) -> f64 {
        self.minus_two_log_at_y0() + self.information.max(f64::MIN_POSITIVE).ln()
    }

    /// The same with y₀ held at its value: the marginal likelihood of y₀.
    pub(super) fn minus_two_log_at_y0(&self) -> f64 {
        self.cost + self.normalisation + self.log_determinant
    }
}

/// Symmetric 2×2 matrix [a, b; b, c].
#[derive(Clone, Copy, Default)]
struct Sym {
    a: f64,
    b: f64,
    c: f64,
}

impl Sym {
    fn determinant(self) -> f64 {
        self.a * self.c - self.b * self.b
    }

    fn solve(self, r: [f64; 2]) -> [f64; 2] {
        let d = self.determinant();
        [
            (self.c * r[0] - self.b * r[1]) / d,
            (self.a * r[1] - self.b * r[0]) / d,
        ]
    }
}

/// Normal equations of one Gauss-Newton step.
struct Normal {
    diagonal: Vec<Sym>,
    /// Block (i-1, i), row by row.
    above: Vec<[f64; 4]>,
    border: Vec<f64>,
    corner: f64,
    gradient: Vec<[f64; 2]>,
    gradient_y0: f64,
}

/// Working space that is kept between solutions.
pub(super) struct Solver<'a> {
    course: &'a Course,
    normal: Normal,
}

const STEPS: usize = 40;

impl<'a> Solver<'a> {
    pub(super) fn new(course: &'a Course) -> Self {
        let n = course.time.len();
        Self {
            course,
            normal: Normal {
                diagonal: vec![Sym::default(); n],
                above: vec![[0.0; 4]; n],
                border: vec![0.0; n],
                corner: 0.0,
                gradient: vec![[0.0; 2]; n],
                gradient_y0: 0.0,
            },
        }
    }

    /// Finds the most likely course from a start; `fixed` holds y₀ where it is.
    ///
    /// None if the equations break down or do not settle.
    pub(super) fn solve(
        &mut self,
        noise: Noise,
        start: &Solution,
        fixed: bool,
    ) -> Option<Solution> {
        let sigma = self.sigmas(noise);
        let mut now = start.clone();
        now.normalisation = self.normalisation(noise, &sigma);
        now.cost = self.cost(noise, &sigma, now.y0_px, &now.g, &now.velocity);
        let mut damping = 0.0;
        let n = now.g.len();
        for _ in 0..STEPS {
            self.assemble(noise, &sigma, &now);
            let (step, step_y0, log_determinant, information) = self.eliminate(damping, fixed)?;
            if damping == 0.0 {
                now.log_determinant = log_determinant;
                now.information = information;
            }
            let g: Vec<f64> = (0..n).map(|i| now.g[i] + step[i][0]).collect();
            let velocity: Vec<f64> = (0..n).map(|i| now.velocity[i] + step[i][1]).collect();
            let y0_px = now.y0_px + step_y0;
            let cost = self.cost(noise, &sigma, y0_px, &g, &velocity);
            if !cost.is_finite() {
                return None;
            }
            if cost <= now.cost {
                let gain = now.cost - cost;
                now.g = g;
                now.velocity = velocity;
                now.y0_px = y0_px;
                now.cost = cost;
                let undamped = damping == 0.0;
                damping = if damping < 1e-4 { 0.0 } else { damping * 0.1 };
                if gain < 1e-3 && undamped {
                    return Some(now);
                }
            } else if cost - now.cost < 1e-3 && damping == 0.0 {
                return Some(now);
            } else {
                damping = if damping == 0.0 { 1e-3 } else { damping * 10.0 };
                if damping > 1e8 {
                    return None;
                }
            }
        }
        // Still creeping: the determinant is that of the last undamped step, which is close enough.
        (now.information > 0.0).then_some(now)
    }

    /// Variance of g in one frame given all frames, px.
    pub(super) fn variance_of_g(
        &mut self,
        noise: Noise,
        at: &Solution,
        frame: usize,
    ) -> Option<f64> {
        let sigma = self.sigmas(noise);
        self.assemble(noise, &sigma, at);
        for gradient in &mut self.normal.gradient {
            *gradient = [0.0; 2];
        }
        self.normal.gradient_y0 = 0.0;
        self.normal.gradient.get_mut(frame)?[0] = -1.0;
        let (step, ..) = self.eliminate(0.0, false)?;
        step.get(frame).map(|s| s[0]).filter(|v| *v > 0.0)
    }

    fn sigmas(&self, noise: Noise) -> Vec<f64> {
        let c = self.course;
        (0..c.u_px.len())
            .map(|i| {
                let white = noise.scale * c.u_px[i];
                (white * white + 4.0 * c.depth_px[i] * noise.tremor * noise.tremor).sqrt()
            })
            .collect()
    }

    fn normalisation(&self, noise: Noise, sigma: &[f64]) -> f64 {
        let mut sum = 0.0;
        for (i, s) in sigma.iter().enumerate() {
            sum += 2.0 * s.ln();
            if i > 0 {
                let rho = self.correlation(noise, i);
                sum += (1.0 - rho * rho).ln() + 2.0 * noise.intensity.ln();
            }
        }
        sum
    }

    fn correlation(&self, noise: Noise, i: usize) -> f64 {
        if noise.correlation <= 0.0 {
            return 0.0;
        }
        let d = self.course.time[i] - self.course.time[i - 1];
        noise.correlation.powf(d)
    }

    fn cost(&self, noise: Noise, sigma: &[f64], y0: f64, g: &[f64], v: &[f64]) -> f64 {
        let c = self.course;
        let mut sum = c
            .near_px
            .map_or(0.0, |(near, sd)| ((y0 - near) / sd).powi(2));
        let mut z_before = 0.0;
        for i in 0..g.len() {
            let z = (c.y_px[i] - y0 - g[i] * g[i]) / sigma[i];
            if i == 0 {
                sum += z * z;
            } else {
                let rho = self.correlation(noise, i);
                let w = z - rho * z_before;
                sum += w * w / (1.0 - rho * rho);
                let d = c.time[i] - c.time[i - 1];
                let (a, b, e) = walk(noise.intensity, d);
                let p = g[i - 1] + d * v[i - 1] - g[i];
                let r = v[i - 1] - v[i];
                sum += a * p * p + 2.0 * b * p * r + e * r * r;
            }
            z_before = z;
        }
        sum
    }

    fn assemble(&mut self, noise: Noise, sigma: &[f64], now: &Solution) {
        let c = self.course;
        let m = &mut self.normal;
        let (g, v) = (&now.g, &now.velocity);
        (m.corner, m.gradient_y0) = c.near_px.map_or((0.0, 0.0), |(near, sd)| {
            (1.0 / (sd * sd), (now.y0_px - near) / (sd * sd))
        });
        let mut before = (0.0, 0.0, 0.0);
        for i in 0..g.len() {
            m.diagonal[i] = Sym {
                a: 1e-12,
                b: 0.0,
                c: 1e-12,
            };
            m.border[i] = 0.0;
            m.gradient[i] = [0.0; 2];
            m.above[i] = [0.0; 4];
            // z, dz/dg, dz/dy0
            let z = (
                (c.y_px[i] - now.y0_px - g[i] * g[i]) / sigma[i],
                -2.0 * g[i] / sigma[i],
                -1.0 / sigma[i],
            );
            if i == 0 {
                m.diagonal[0].a += z.1 * z.1;
                m.border[0] += z.1 * z.2;
                m.corner += z.2 * z.2;
                m.gradient[0][0] += z.1 * z.0;
                m.gradient_y0 += z.2 * z.0;
            } else {
                let rho = if noise.correlation > 0.0 {
                    noise.correlation.powf(c.time[i] - c.time[i - 1])
                } else {
                    0.0
                };
                let weight = 1.0 / (1.0 - rho * rho);
                let w = z.0 - rho * before.0;
                let (here, there, y0) = (z.1, -rho * before.1, z.2 - rho * before.2);
                m.diagonal[i].a += weight * here * here;
                m.diagonal[i - 1].a += weight * there * there;
                m.above[i][0] += weight * there * here;
                m.border[i] += weight * here * y0;
                m.border[i - 1] += weight * there * y0;
                m.corner += weight * y0 * y0;
                m.gradient[i][0] += weight * here * w;
                m.gradient[i - 1][0] += weight * there * w;
                m.gradient_y0 += weight * y0 * w;
                // the walk: e = F s(i-1) - s(i), F = [1 d; 0 1]
                let d = c.time[i] - c.time[i - 1];
                let (pa, pb, pc) = walk(noise.intensity, d);
                let e = [g[i - 1] + d * v[i - 1] - g[i], v[i - 1] - v[i]];
                let pe = [pa * e[0] + pb * e[1], pb * e[0] + pc * e[1]];
                m.gradient[i][0] -= pe[0];
                m.gradient[i][1] -= pe[1];
                m.gradient[i - 1][0] += pe[0];
                m.gradient[i - 1][1] += d * pe[0] + pe[1];
                m.diagonal[i].a += pa;
                m.diagonal[i].b += pb;
                m.diagonal[i].c += pc;
                m.diagonal[i - 1].a += pa;
                m.diagonal[i - 1].b += d * pa + pb;
                m.diagonal[i - 1].c += d * d * pa + 2.0 * d * pb + pc;
                m.above[i][0] -= pa;
                m.above[i][1] -= pb;
                m.above[i][2] -= d * pa + pb;
                m.above[i][3] -= d * pb + pc;
            }
            before = z;
        }
    }

    /// Step of the states, step of y₀, log determinant of the states, information on y₀.
    fn eliminate(&self, damping: f64, fixed: bool) -> Option<(Vec<[f64; 2]>, f64, f64, f64)> {
        let m = &self.normal;
        let n = m.diagonal.len();
        let mut pivot = Vec::with_capacity(n);
        let mut right: Vec<[f64; 2]> = Vec::with_capacity(n);
        let mut edge: Vec<[f64; 2]> = Vec::with_capacity(n);
        let mut log_determinant = 0.0;
        for i in 0..n {
            let mut d = m.diagonal[i];
            d.a *= 1.0 + damping;
            d.c *= 1.0 + damping;
            let mut r = [-m.gradient[i][0], -m.gradient[i][1]];
            let mut b = [m.border[i], 0.0];
            if i > 0 {
                let o = m.above[i];
                let p: Sym = pivot[i - 1];
                // o^T p^-1 o
                let left = p.solve([o[0], o[2]]);
                let up = p.solve([o[1], o[3]]);
                d.a -= o[0] * left[0] + o[2] * left[1];
                d.b -= o[0] * up[0] + o[2] * up[1];
                d.c -= o[1] * up[0] + o[3] * up[1];
                let pr = p.solve(right[i - 1]);
                r[0] -= o[0] * pr[0] + o[2] * pr[1];
                r[1] -= o[1] * pr[0] + o[3] * pr[1];
                let pb = p.solve(edge[i - 1]);
                b[0] -= o[0] * pb[0] + o[2] * pb[1];
                b[1] -= o[1] * pb[0] + o[3] * pb[1];
            }
            let determinant = d.determinant();
            if !(determinant > 0.0 && d.a > 0.0) {
                return None;
            }
            log_determinant += determinant.ln();
            pivot.push(d);
            right.push(r);
            edge.push(b);
        }
        let mut information = m.corner;
        let mut right_y0 = -m.gradient_y0;
        for i in 0..n {
            let pe = pivot[i].solve(edge[i]);
            information -= edge[i][0] * pe[0] + edge[i][1] * pe[1];
            right_y0 -= right[i][0] * pe[0] + right[i][1] * pe[1];
        }
        let step_y0 = if fixed {
            0.0
        } else if information > 0.0 {
            right_y0 / (information * (1.0 + damping))
        } else {
            return None;
        };
        let mut step = vec![[0.0; 2]; n];
        for i in (0..n).rev() {
            let mut r = [
                right[i][0] - edge[i][0] * step_y0,
                right[i][1] - edge[i][1] * step_y0,
            ];
            if let Some(next) = step.get(i + 1) {
                let o = m.above[i + 1];
                r[0] -= o[0] * next[0] + o[1] * next[1];
                r[1] -= o[2] * next[0] + o[3] * next[1];
            }
            step[i] = pivot[i].solve(r);
        }
        Some((step, step_y0, log_determinant, information))
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
