//! A line and an upright hair that lie over or beside each other, measured together.
//!
//! Model of a row: G * (A P (1 - E H) + (B + s d) (1 - D H)), with the line's profile P (a box, blurred by the telescope), the
//! hair's H (a box with soft edges), its depth E in the line's light and D in the background, of which a part may come from
//! behind the hair and casts no shadow, and the blur G of eyepiece, lens and pixels, which comes behind the
//! hair and so acts on the product: two blurred profiles multiplied are not the same where both have edges. Amplitude A and
//! background B of every row are projected out; places, shapes and the slope s of the background are common.
//! Weighted least squares, linearised (common practice, no source); the covariance is scaled by the scatter of the
//! rows' scores (W. K. Newey, K. D. West, Econometrica 55, 703 (1987), from memory).
//!
//! Only for a hair within [`MOST_TURNED`] of the line: a row is taken as a section across both.

use nalgebra::{SMatrix, SVector};
use statrs::function::erf::erf;

use super::grey::{Grey, Noise};
use super::{CrossHairs, Line};

/// Difference of dx/dy between hair and line, at most.
const MOST_TURNED: f64 = 0.1;
/// Points of the focal plane per pixel.
const FINE: usize = 3;
const ROUNDS: usize = 12;
/// Standard deviation of a row's amplitude from that of its neighbours, relative.
const UNEVEN: f64 = 0.05;
/// Rows on each side over which amplitudes are averaged.
const NEIGHBOURS: usize = 8;
/// Rows at an end of a line in which its light comes up.
const END_ROWS: usize = 8;
/// Standard deviation of a pixel's model, as a share of the light that the hair takes away: what the profile of the
/// hair's edges leaves.
const DOUBT: f64 = 0.01;

/// Share of a line's light that a hair takes away, and its standard deviation: threads and engraved lines are nearly
/// opaque (common practice, no source).
const OPACITY: (f64, f64) = (0.92, 0.1);

const COMMON: usize = 14;
/// Columns of a row: line place, slit, blur; hair place, width, edge, depth in the background; blur behind; slope;
/// depth in the line.
const COLUMNS: usize = 10;
type Matrix = SMatrix<f64, COMMON, COMMON>;
type Vector = SVector<f64, COMMON>;
/// Column and power of z of every common parameter.
const PLACE: [(usize, i32); COMMON] = [
    (0, 0),
    (0, 1),
    (0, 2),
    (1, 0),
    (2, 0),
    (3, 0),
    (3, 1),
    (4, 0),
    (5, 0),
    (6, 0),
    (7, 0),
    (8, 0),
    (8, 1),
    (9, 0),
];
const SLIT: usize = 3;
const TELESCOPE: usize = 4;
const HAIR: usize = 5;
const THICK: usize = 7;
const EDGE: usize = 8;
const DEPTH: usize = 9;
const BEHIND: usize = 10;
const SLOPE: usize = 11;
const OPAQUE: usize = 13;

/// Line and cross-hairs after the joint fit; `cross` has the level hair's place as before.
#[derive(Clone, Debug)]
pub(super) struct Both {
    pub(super) line: Line,
    pub(super) cross: CrossHairs,
}

/// Whether the hair is so near to the line that either spoils the other.
pub(super) fn near(cross: &CrossHairs, line: &Line) -> bool {
    let (dx, dy) = cross.hairs[0].direction();
    if dy.abs() < 0.9 || (dx / dy - line.tilt_deg.to_radians().tan()).abs() > MOST_TURNED {
        return false;
    }
    let reach = 2.0 * (cross.hairs[0].width_px + line.width_px) + 4.0;
    (0..=8).any(|k| {
        let y = line.rows.0 as f64 + (line.rows.1 - line.rows.0) as f64 * f64::from(k) / 8.0;
        cross.distance_px(0, line.x_at(y), y).abs() < reach
    })
}

/// Fits both; `fixed` keeps the hair where it is said to be, within its uncertainty, and returns it unchanged.
///
/// `None` where the pixels cannot decide, or where the fit leaves what it started from.
pub(super) fn measure(
    grey: &Grey,
    noise: &Noise,
    cross: &CrossHairs,
    line: &Line,
    others: &[Line],
    fixed: bool,
) -> Option<Both> {
    let mut fit = Fit::start(grey, cross, line, others, fixed)?;
    fit.run(noise, grey.clip)?;
    #[cfg(test)]
    if std::env::var("SHOW_JOINT").is_ok() {
        eprintln!(
            "    start {:.3?}\n    fit   {:.3?} misfit {:.2} u {:.4} {:.4} rows {}",
            fit.start,
            fit.at,
            fit.misfit,
            fit.covariance[(0, 0)].sqrt(),
            fit.covariance[(HAIR, HAIR)].sqrt(),
            fit.rows.len()
        );
    }
    fit.result(cross, line, fixed)
}

struct Row {
    y: usize,
    left: i32,
    good: Vec<bool>,
    level: Vec<f32>,
    /// Whether the line shines here.
    lit: bool,
    amplitude: f64,
    raw: f64,
    information: f64,
    background: f64,
}

struct Fit {
    y_ref: f64,
    scale: f64,
    across: usize,
    rows: Vec<Row>,
    start: [f64; COMMON],
    at: [f64; COMMON],
    prior: [f64; COMMON],
    covariance: Matrix,
    scores: Vec<([f64; COLUMNS], f64)>,
    residuals: Vec<f32>,
    misfit: f64,
}

impl Fit {
    fn start(
        grey: &Grey,
        cross: &CrossHairs,
        line: &Line,
        others: &[Line],
        fixed: bool,
    ) -> Option<Self> {
        let hair = &cross.hairs[0];
        let (y_ref, scale) = (line.y_ref_px, (grey.height as f64 / 2.0).max(1.0));
        let (dx, dy) = hair.direction();
        let thick = hair.width_px;
        let behind = (0.28 * thick).clamp(0.6, 3.0);
        let blur = 0.3 * line.width_px;
        let start = [
            line.x_px,
            line.tilt_deg.to_radians().tan() * scale,
            line.curvature_per_px * scale * scale,
            0.8 * line.width_px,
            (blur * blur - behind * behind).max(0.36).sqrt(),
            cross.x_at(0, y_ref)?,
            dx / dy * scale,
            thick,
            0.5,
            hair.depth.clamp(0.05, 1.0),
            behind,
            0.0,
            0.0,
            OPACITY.0,
        ];
        let loose = 0.3 * thick;
        let prior = [
            1e3,
            0.4 * scale,
            12.0,
            0.5 * line.width_px,
            0.4 * line.width_px,
            if fixed { cross.u_x_px.max(1e-4) } else { 1e3 },
            if fixed { cross.u_x_px.max(1e-4) } else { scale },
            loose,
            0.25,
            0.3,
            0.5 * loose + 0.3,
            1e3,
            1e3,
            OPACITY.1,
        ];
        let half = 1.2 * line.width_px.max(thick) + 5.0;
        let mut fit = Self {
            y_ref,
            scale,
            across: 0,
            rows: Vec::new(),
            start,
            at: start,
            prior,
            covariance: Matrix::identity(),
            scores: Vec::new(),
            residuals: Vec::new(),
            misfit: 1.0,
        };
        let mut spans = Vec::with_capacity(grey.height);
        for y in 0..grey.height {
            // The other hair crosses here.
            let h = fit.hair_at(y as f64);
            let l = line.x_at(y as f64);
            let inside = y >= line.rows.0 + 2 && y + 2 <= line.rows.1;
            let outside = y + END_ROWS < line.rows.0 || y > line.rows.1 + END_ROWS;
            if !(inside || outside) {
                continue;
            }
            let (from, to) = if inside { (h.min(l), h.max(l)) } else { (h, h) };
            spans.push((y, from - half, to + half, inside));
        }
        fit.across = spans
            .iter()
            .map(|s| (s.2 - s.1).ceil() as usize + 1)
            .max()?
            .min(110);
        for (y, from, to, lit) in spans {
            let left = ((from + to - fit.across as f64) / 2.0)
                .round()
                .clamp(-1e6, 1e6) as i32;
            let picture = grey.row(y);
            let mut level = Vec::with_capacity(fit.across);
            let mut good = Vec::with_capacity(fit.across);
            for i in 0..fit.across {
                let column = left + i as i32;
                let x = f64::from(column);
                let value = usize::try_from(column)
                    .ok()
                    .and_then(|c| picture.get(c))
                    .copied();
                level.push(value.unwrap_or(0.0));
                let crossed =
                    cross.distance_px(1, x, y as f64).abs() < 1.6 * cross.hairs[1].width_px + 2.0;
                let foreign = others.iter().any(|o| {
                    y + 6 >= o.rows.0
                        && y <= o.rows.1 + 6
                        && (o.x_at(y as f64) - x).abs() < 1.5 * o.width_px + 1.0
                });
                good.push(!crossed && !foreign && value.is_some_and(|v| v < grey.clip));
            }
            let seen = good.iter().filter(|g| **g).count();
            if 2 * seen < fit.across {
                continue;
            }
            let mean = level
                .iter()
                .zip(&good)
                .filter(|v| *v.1)
                .map(|v| f64::from(*v.0))
                .sum::<f64>()
                / seen as f64;
            fit.rows.push(Row {
                y,
                left,
                good,
                level,
                lit,
                amplitude: 0.0,
                raw: 0.0,
                information: 0.0,
                background: mean,
            });
        }
        (fit.rows.len() > 40).then_some(fit)
    }

    fn z(&self, y: f64) -> f64 {
        (y - self.y_ref) / self.scale
    }

    fn line_at(&self, y: f64) -> f64 {
        let z = self.z(y);
        self.at[0] + z * (self.at[1] + z / 2.0 * self.at[2])
    }

    fn hair_at(&self, y: f64) -> f64 {
        self.at[HAIR] + self.z(y) * self.at[HAIR + 1]
    }

    fn run(&mut self, noise: &Noise, clip: f32) -> Option<()> {
        // The light first, with places and shapes as they are said to be.
        for _ in 0..2 {
            self.pass(noise, clip)?;
            self.smooth();
        }
        let mut settled = false;
        for round in 0..=ROUNDS {
            let (normal, score) = self.pass(noise, clip)?;
            let solver = normal.cholesky()?;
            if settled || round == ROUNDS {
                self.covariance = solver.inverse();
                break;
            }
            let step = solver.solve(&score);
            if !step.iter().all(|v| v.is_finite()) {
                return None;
            }
            let size = step.dot(&score);
            let most = step[0]
                .abs()
                .max(step[HAIR].abs())
                .max(step[1].abs())
                .max(step[HAIR + 1].abs());
            let damp = (0.7 / most).min(1.0);
            for k in 0..COMMON {
                let limit = match k {
                    SLIT | TELESCOPE | THICK | BEHIND => 0.3 * self.at[k].max(0.5),
                    EDGE | DEPTH | OPAQUE => 0.15,
                    _ => f64::INFINITY,
                };
                self.at[k] += damp * step[k].clamp(-limit, limit);
            }
            self.at[SLIT] = self.at[SLIT].clamp(0.3, 90.0);
            self.at[TELESCOPE] = self.at[TELESCOPE].clamp(0.4, 30.0);
            self.at[THICK] = self.at[THICK].clamp(0.3, 20.0);
            self.at[EDGE] = self.at[EDGE].clamp(0.35, 3.0);
            self.at[DEPTH] = self.at[DEPTH].clamp(0.02, 1.05);
            self.at[OPAQUE] = self.at[OPAQUE].clamp(0.02, 1.05);
            self.at[BEHIND] = self.at[BEHIND].clamp(0.4, 8.0);
            self.smooth();
            if round == 3 || round == 6 {
                self.strike_out();
            }
            settled = round > 6 && size < 0.02;
        }
        self.scale_covariance();
        Some(())
    }

    /// Normal equations over all rows, with amplitude and background of every row renewed.
    fn pass(&mut self, noise: &Noise, clip: f32) -> Option<(Matrix, Vector)> {
        let mut normal = Matrix::zeros();
        let mut score = Vector::zeros();
        for k in 0..COMMON {
            let weight = 1.0 / (self.prior[k] * self.prior[k]);
            normal[(k, k)] += weight;
            score[k] -= weight * (self.at[k] - self.start[k]);
        }
        let kernel = Kernel::new(self.at[BEHIND]);
        self.scores.clear();
        self.residuals.clear();
        self.residuals
            .resize(self.rows.len() * self.across, f32::NAN);
        let mut focal = vec![[0.0_f32; COLUMNS + 2]; self.across * FINE + 2 * kernel.reach + 1];
        for r in 0..self.rows.len() {
            let (block, row_score) = self.row(r, &kernel, &mut focal, noise, clip);
            let z = self.z(self.rows[r].y as f64);
            for (i, &(a, p)) in PLACE.iter().enumerate() {
                let by = power(p, z);
                score[i] += row_score[a] * by;
                for (j, &(b, q)) in PLACE.iter().enumerate() {
                    normal[(i, j)] += block[a][b] * by * power(q, z);
                }
            }
            self.scores.push((row_score, z));
        }
        normal
            .iter()
            .all(|v| v.is_finite())
            .then_some((normal, score))
    }

    fn row(
        &mut self,
        r: usize,
        kernel: &Kernel,
        focal: &mut [[f32; COLUMNS + 2]],
        noise: &Noise,
        clip: f32,
    ) -> ([[f64; COLUMNS]; COLUMNS], [f64; COLUMNS]) {
        let y = self.rows[r].y as f64;
        let z = self.z(y);
        let left = f64::from(self.rows[r].left);
        let (line, hair) = (self.line_at(y) - left, self.hair_at(y) - left);
        let row = &mut self.rows[r];
        let slope = self.at[SLOPE] + z * self.at[SLOPE + 1];
        let (depth, opaque) = (self.at[DEPTH], self.at[OPAQUE]);
        let reach = kernel.reach as f64 / FINE as f64;
        let line_reach = 0.5 * self.at[SLIT] + 5.0 * self.at[TELESCOPE];
        let hair_reach = 0.5 * self.at[THICK] + 5.0 * self.at[EDGE];
        for (k, out) in focal.iter_mut().enumerate() {
            let x = k as f64 / FINE as f64 - reach;
            let (u, v) = (x - line, x - hair);
            let p = if row.lit && u.abs() < line_reach {
                edges(u, self.at[SLIT], self.at[TELESCOPE])
            } else {
                [0.0; 4]
            };
            let h = if v.abs() < hair_reach {
                edges(v, self.at[THICK], self.at[EDGE])
            } else {
                [0.0; 4]
            };
            let (pass, through) = (1.0 - depth * h[0], 1.0 - opaque * h[0]);
            let (light, ground) = (row.amplitude * p[0], row.background + slope * v);
            let shade = opaque * light + depth * ground;
            let values = [
                through * p[0],
                pass,
                -row.amplitude * through * p[1],
                row.amplitude * through * p[2],
                row.amplitude * through * p[3],
                shade * h[1] - slope * pass,
                -shade * h[2],
                -shade * h[3],
                -ground * h[0],
                // All light; its derivative by the blur behind the hair is taken from the kernel below.
                light * through + ground * pass,
                pass * v,
                -light * h[0],
            ];
            for (o, value) in out.iter_mut().zip(values) {
                *o = value as f32;
            }
        }
        let mut n = [[0.0_f64; COLUMNS + 2]; COLUMNS + 2];
        let mut s = [0.0_f64; COLUMNS + 2];
        for i in 0..self.across {
            if !row.good[i] {
                continue;
            }
            let window = &focal[i * FINE..=i * FINE + 2 * kernel.reach];
            let mut f = [0.0_f32; COLUMNS + 2];
            let mut model = 0.0_f32;
            let mut blurred = 0.0_f32;
            for ((cell, &g), &by) in window.iter().zip(&kernel.value).zip(&kernel.by_blur) {
                for (sum, value) in f.iter_mut().zip(cell) {
                    *sum += g * value;
                }
                model += g * cell[9];
                blurred += by * cell[9];
            }
            f[9] = blurred;
            let variance = noise.variance(model);
            if model > clip - 2.0 * variance.sqrt() {
                continue;
            }
            let shaded = DOUBT as f32 * (1.0 - f[1]) * (row.background as f32).max(model);
            let weight = 1.0 / (variance + shaded * shaded);
            let residual = row.level[i] - model;
            self.residuals[r * self.across + i] = residual * weight.sqrt();
            for a in 0..COLUMNS + 2 {
                let wf = f64::from(weight * f[a]);
                s[a] += wf * f64::from(residual);
                for b in a..COLUMNS + 2 {
                    n[a][b] += wf * f64::from(f[b]);
                }
            }
        }
        let mut block = [[0.0; COLUMNS]; COLUMNS];
        let mut score = [0.0; COLUMNS];
        if n[1][1] <= 0.0 {
            row.information = 0.0;
            return (block, score);
        }
        row.information = if row.lit {
            (n[0][0] - n[0][1] * n[0][1] / n[1][1]).max(0.0)
        } else {
            0.0
        };
        let stiff = if row.lit && row.amplitude > 0.0 {
            1.0 / (UNEVEN * row.amplitude).powi(2)
        } else {
            0.0
        };
        let (b, c) = (n[0][1], n[1][1]);
        let a = n[0][0] + stiff;
        let determinant = a * c - b * b;
        let two = row.lit && determinant > 1e-9 * a * c;
        let solve = |p: f64, q: f64| {
            if two {
                ((c * p - b * q) / determinant, (a * q - b * p) / determinant)
            } else {
                (0.0, q / c)
            }
        };
        // The amplitude that the row by itself asks for, for the mean over rows.
        let bare = n[0][0] * c - b * b;
        if row.lit && bare > 1e-9 * n[0][0] * c {
            row.raw = row.amplitude + (c * s[0] - b * s[1]) / bare;
        } else {
            row.information = 0.0;
        }
        let step = solve(s[0], s[1]);
        for k in 0..COLUMNS {
            let q = solve(n[0][k + 2], n[1][k + 2]);
            score[k] = s[k + 2] - q.0 * s[0] - q.1 * s[1];
            for l in k..COLUMNS {
                let value = n[k + 2][l + 2] - q.0 * n[0][l + 2] - q.1 * n[1][l + 2];
                block[k][l] = value;
                block[l][k] = value;
            }
        }
        row.background += step.1;
        (block, score)
    }

    /// Means of the amplitudes over neighbouring rows.
    fn smooth(&mut self) {
        let raw: Vec<(f64, f64)> = self
            .rows
            .iter()
            .map(|r| (r.information * r.raw, r.information))
            .collect();
        let total: f64 = raw.iter().map(|r| r.1).sum();
        let mean = raw.iter().map(|r| r.0).sum::<f64>() / total.max(1e-30);
        let faint = 0.02 * total / raw.len().max(1) as f64;
        for k in 0..self.rows.len() {
            if !self.rows[k].lit {
                continue;
            }
            let (from, to) = (
                k.saturating_sub(NEIGHBOURS),
                (k + NEIGHBOURS + 1).min(raw.len()),
            );
            // The mean of all counts where the hair hides a stretch of the line.
            let (mut sum, mut weight) = (faint * mean, faint);
            for r in &raw[from..to] {
                sum += r.0;
                weight += r.1;
            }
            self.rows[k].amplitude = (sum / weight.max(1e-30)).max(0.0);
        }
    }

    /// Strikes out pixels whose residual no noise explains.
    fn strike_out(&mut self) {
        let mut sizes: Vec<f32> = self
            .residuals
            .iter()
            .filter(|r| r.is_finite())
            .map(|r| r.abs())
            .collect();
        if sizes.len() < 20 {
            return;
        }
        let middle = sizes.len() / 2;
        let median = *sizes.select_nth_unstable_by(middle, f32::total_cmp).1;
        let limit = 6.0 * (median / 0.6745).max(1.0);
        for (row, residuals) in self.rows.iter_mut().zip(self.residuals.chunks(self.across)) {
            for (good, residual) in row.good.iter_mut().zip(residuals) {
                *good &= residual.is_nan() || residual.abs() <= limit;
            }
        }
    }

    /// Compares the scatter of the rows' scores with what independent pixels would give, for line, hair and their distance.
    fn scale_covariance(&mut self) {
        let (mut squares, mut count) = (0.0, 0.0_f64);
        for r in self.residuals.iter().filter(|r| r.is_finite()) {
            squares += f64::from(r * r);
            count += 1.0;
        }
        self.misfit = (squares
            / (count - 2.0 * self.rows.len() as f64)
                .max(count / 4.0)
                .max(1.0))
        .sqrt();
        let rows = self.scores.len();
        let lags = (rows / 24).clamp(2, 12);
        let mut factor = 0.6 * self.misfit * self.misfit;
        for (line, hair) in [(1.0, 0.0), (0.0, 1.0), (1.0, -1.0)] {
            let lever = self.covariance.column(0) * line + self.covariance.column(HAIR) * hair;
            let naive = (lever[0] * line + lever[HAIR] * hair).max(1e-30);
            let pulls: Vec<f64> = self
                .scores
                .iter()
                .map(|(score, z)| {
                    PLACE
                        .iter()
                        .enumerate()
                        .map(|(i, &(c, p))| lever[i] * score[c] * power(p, *z))
                        .sum()
                })
                .collect();
            let mut variance: f64 = pulls.iter().map(|q| q * q).sum();
            for lag in 1..=lags {
                let weight = 1.0 - lag as f64 / (lags as f64 + 1.0);
                variance +=
                    2.0 * weight * (lag..rows).map(|r| pulls[r] * pulls[r - lag]).sum::<f64>();
            }
            let (n, few) = (rows as f64, 8.0 * lags as f64);
            let seen = variance.max(0.0) / naive;
            factor = factor.max((seen * n + self.misfit * self.misfit * few) / (n + few));
        }
        self.covariance *= factor;
    }

    fn result(&self, cross: &CrossHairs, line: &Line, fixed: bool) -> Option<Both> {
        let c = &self.covariance;
        let moved = |k: usize| (self.at[k] - self.start[k]).abs();
        let (u, v) = (c[(0, 0)].sqrt(), c[(HAIR, HAIR)].sqrt());
        let width = blurred_width(self.at[SLIT], self.at[TELESCOPE].hypot(self.at[BEHIND]));
        let thick = blurred_width(self.at[THICK], self.at[EDGE].hypot(self.at[BEHIND]));
        if !(u > 0.0 && v > 0.0 && u < 1.0 && v < 1.0)
            || moved(0) > 0.5 * line.width_px + 0.5
            || moved(HAIR) > 0.5 * cross.hairs[0].width_px + 0.5
            || !(0.08..=1.04).contains(&self.at[DEPTH])
            || !(0.5..2.0).contains(&(width / line.width_px))
            || !(0.5..2.0).contains(&(thick / cross.hairs[0].width_px))
        {
            return None;
        }
        let mut measured = line.clone();
        let by = [1.0, 1.0 / self.scale, 1.0 / (self.scale * self.scale)];
        measured.x_px = self.at[0];
        measured.u_px = u;
        measured.tilt_deg = (self.at[1] / self.scale).atan().to_degrees();
        measured.curvature_per_px = self.at[2] * by[2];
        measured.width_px = width;
        measured.shade_px = 0.0;
        for i in 0..3 {
            for j in 0..3 {
                measured.covariance[i][j] = c[(i, j)] * by[i] * by[j];
            }
        }
        if fixed {
            return Some(Both {
                line: measured,
                cross: cross.clone(),
            });
        }
        // Crossing of the new upright hair with the level hair, which stays.
        let slope = self.at[HAIR + 1] / self.scale;
        let (ex, ey) = cross.hairs[1].direction();
        let (mut x, mut y) = (cross.x_px, cross.y_px);
        for _ in 0..4 {
            x = self.at[HAIR] + slope * (y - self.y_ref);
            y = cross.y_px + (x - cross.x_px) * ey / ex;
        }
        let z = self.z(y);
        let var =
            (c[(HAIR, HAIR)] + 2.0 * z * c[(HAIR, HAIR + 1)] + z * z * c[(HAIR + 1, HAIR + 1)])
                .max(0.0);
        let mut hairs = cross.clone();
        (hairs.x_px, hairs.y_px) = (x, y);
        hairs.u_x_px = var.sqrt().hypot(slope * cross.u_y_px);
        hairs.hairs[0].angle_deg = -slope.atan().to_degrees();
        hairs.hairs[0].width_px = thick;
        // As it is seen, behind the blur.
        let behind = self.at[EDGE].hypot(self.at[BEHIND]);
        hairs.hairs[0].depth = (self.at[DEPTH] * edges(0.0, self.at[THICK], behind)[0]).min(1.0);
        hairs.rotation_deg = hairs.hairs[0].angle_deg.clamp(-45.0, 45.0);
        (x.is_finite() && y.is_finite()).then_some(Both {
            line: measured.at_height(y),
            cross: hairs,
        })
    }
}

/// A box of a width with edges blurred by a standard deviation, at a place from its middle: value (1 far inside a wide
/// box), and derivatives by place, width and blur.
fn edges(place: f64, width: f64, blur: f64) -> [f64; 4] {
    let (a, b) = ((place + width / 2.0) / blur, (place - width / 2.0) / blur);
    let density = |t: f64| (-t * t / 2.0).exp() / std::f64::consts::TAU.sqrt();
    let below = |t: f64| 0.5 * (1.0 + erf(t / std::f64::consts::SQRT_2));
    let (p, q) = (density(a), density(b));
    [
        below(a) - below(b),
        (p - q) / blur,
        0.5 * (p + q) / blur,
        -(a * p - b * q) / blur,
    ]
}

/// Full width at half of its height of a box blurred by a Gaussian, px.
fn blurred_width(width: f64, blur: f64) -> f64 {
    let top = edges(0.0, width, blur)[0];
    let (mut low, mut high) = (0.0, width + 3.0 * blur);
    for _ in 0..30 {
        let middle = (low + high) / 2.0;
        if edges(middle, width, blur)[0] > 0.5 * top {
            low = middle;
        } else {
            high = middle;
        }
    }
    low + high
}

/// The blur behind the hair on the points of the focal plane.
struct Kernel {
    reach: usize,
    value: Vec<f32>,
    by_blur: Vec<f32>,
}

impl Kernel {
    fn new(blur: f64) -> Self {
        let reach = (4.5 * blur * FINE as f64).ceil() as usize;
        let at = |k: usize| (k as f64 - reach as f64) / FINE as f64 / blur;
        let mut value: Vec<f64> = (0..=2 * reach)
            .map(|k| (-0.5 * at(k) * at(k)).exp())
            .collect();
        let sum: f64 = value.iter().sum();
        value.iter_mut().for_each(|v| *v /= sum);
        let by_blur = (0..=2 * reach)
            .map(|k| (value[k] * (at(k) * at(k) - 1.0) / blur) as f32)
            .collect();
        Self {
            reach,
            value: value.iter().map(|&v| v as f32).collect(),
            by_blur,
        }
    }
}

fn power(which: i32, z: f64) -> f64 {
    match which {
        0 => 1.0,
        1 => z,
        _ => z * z / 2.0,
    }
}
