//! Weighted least squares for one thread, bright (a line) or dark (a hair), over all its pixels.
//!
//! Model of a pixel: level = T (A(y) P(x - X(y)) + B(y) + (s0 + s1 z)(x - X(y))), with the axis
//! X(y) = x0 + x1 z + x2 z²/2, z = (y - y_ref)/half height, the profile P of [`Shape`] and the
//! transmission T of known hairs. Amplitude and background of every row are projected out; axis,
//! shape and slope are common. Standard linearised least squares (common practice, no source).
//! The covariance is scaled by what the scores of the rows really scatter, with their
//! correlation from row to row ([`variance_of_sum`]).

use super::flanks::{Flanks, lasting_px};
use nalgebra::{SMatrix, SVector};

use super::grey::{Grey, Noise};
use super::rowsum::{RowBuffers, RowLight, Weights};
use super::shape::{ProfileTable, Shape};
use crate::basics::scatter::variance_of_sum;

/// The fit has settled when what the next step would be, which goes with the square of this one over the blur, is a small
/// share of the uncertainty of the place (found on rendered lines: a step of 0.08 px is followed by one of 0.0002 px).
pub(super) const SETTLED: f64 = 0.3;
/// A dark thread that takes away less than this share of the light after two rounds is none.
const LEAST_DIP: f64 = 0.02;

/// Common parameters: axis (3), slope of the background (2), slit, blur, and place and depth of two hairs.
pub(super) const PARAMETERS: usize = 11;
pub(super) type Matrix = SMatrix<f64, PARAMETERS, PARAMETERS>;
type Vector = SVector<f64, PARAMETERS>;
/// Columns of one row: place, slope, slit, blur, place and depth of two hairs.
const COLUMNS: usize = 8;

/// The pixels around an axis, in rows straightened to whole pixels; a row of the strip is the mean of some rows of the picture.
#[derive(Clone, Debug, Default)]
pub(super) struct Strip {
    /// First row of the picture, and number of its rows.
    pub(super) first_row: usize,
    pub(super) picture_rows: usize,
    /// Rows of the picture in a row of the strip; the last may have fewer.
    pub(super) per_row: usize,
    pub(super) rows: usize,
    /// Pixels per row.
    pub(super) across: usize,
    /// Column of the first pixel of every row.
    pub(super) left: Vec<i32>,
    /// Mean levels with other lines taken off.
    pub(super) level: Vec<f32>,
    /// Light of other lines, for the noise.
    pub(super) other: Vec<f32>,
    /// Pixels of the picture in the mean: 0 where all are outside, clipped or struck out.
    pub(super) count: Vec<f32>,
    /// Transmission of hairs, and its derivatives by the place and the depth of each hair.
    pub(super) hair: Vec<HairAt>,
    /// Rows that no hair touches.
    pub(super) free: Vec<bool>,
}

impl Strip {
    /// Begins a strip anew: sizes set, nothing in it.
    pub(super) fn begin(&mut self, rows: (usize, usize), per_row: usize, across: usize) {
        self.first_row = rows.0;
        self.picture_rows = rows.1;
        self.per_row = per_row.max(1);
        self.rows = rows.1.div_ceil(self.per_row);
        self.across = across;
        self.left.clear();
        self.free.clear();
        let pixels = self.rows * across;
        for values in [&mut self.level, &mut self.other, &mut self.count] {
            values.clear();
            values.resize(pixels, 0.0);
        }
        self.hair.clear();
        self.hair.resize(pixels, HairAt::NONE);
    }

    /// Rows of the picture that make up a row of the strip.
    pub(super) fn rows_of(&self, row: usize) -> std::ops::Range<usize> {
        let from = row * self.per_row;
        let to = (from + self.per_row).min(self.picture_rows);
        self.first_row + from..self.first_row + to
    }

    /// Height of the middle of a row, px.
    pub(super) fn y(&self, row: usize) -> f64 {
        let rows = self.rows_of(row);
        (rows.start + rows.end) as f64 / 2.0 - 0.5
    }

    /// Adds up the rows of the picture that make up a row of the strip.
    pub(super) fn add_rows(&mut self, row: usize, left: i32, grey: &Grey<'_>) {
        let cells = row * self.across..(row + 1) * self.across;
        for y in self.rows_of(row) {
            let sums = &mut self.level[cells.clone()];
            grey.add_row(y, left, sums, &mut self.count[cells.clone()]);
        }
    }

    /// The same where rows of the strip are columns of the picture.
    pub(super) fn add_columns(&mut self, row: usize, top: i32, grey: &Grey<'_>) {
        let columns = self.rows_of(row);
        let from = top.max(0) as usize;
        let to = (i64::from(top) + self.across as i64).clamp(0, grey.height as i64) as usize;
        // Of a column that is clipped or left out anywhere nothing counts: what is left of it stands for a part of the profile only, in a
        // mean with columns that are lighter or darker.
        let mut whole = [true; MOST_TOGETHER];
        for y in from..to {
            for (whole, &v) in whole.iter_mut().zip(&grey.row(y)[columns.clone()]) {
                *whole &= grey.level(v) < grey.clip;
            }
            for x in grey.left_out(y, columns.clone()) {
                whole[x - columns.start] = false;
            }
        }
        for y in from..to {
            let (mut sum, mut count) = (0.0, 0.0);
            for (&whole, &v) in whole.iter().zip(&grey.row(y)[columns.clone()]) {
                let good = f32::from(u8::from(whole));
                sum += good * grey.level(v);
                count += good;
            }
            let at = row * self.across + (y as i64 - i64::from(top)) as usize;
            self.level[at] = sum;
            self.count[at] = count;
        }
    }

    /// Sums to means.
    pub(super) fn divide(&mut self) {
        for (level, &count) in self.level.iter_mut().zip(&self.count) {
            *level /= count.max(1.0);
        }
    }
}

/// Rows or columns that are averaged, at most.
const MOST_TOGETHER: usize = 8;

/// Rows of a picture of this height that may be averaged: an axis moves by a small share of its width within them.
pub(super) fn rows_together(height: usize, width_px: f64, steep: f64) -> usize {
    const BANDS: usize = 120;
    let most = (0.3 * width_px / steep.max(1e-3)) as usize;
    (height / BANDS).clamp(1, MOST_TOGETHER).min(most.max(1))
}

/// What known hairs do to one pixel.
#[derive(Clone, Copy, Debug)]
pub(super) struct HairAt {
    pub(super) transmission: f32,
    pub(super) by_place: [f32; 2],
    pub(super) by_depth: [f32; 2],
}

impl HairAt {
    pub(super) const NONE: Self = Self {
        transmission: 1.0,
        by_place: [0.0; 2],
        by_depth: [0.0; 2],
    };
}

/// Axis, profile and light of a thread.
#[derive(Clone, Debug)]
pub(super) struct Thread {
    pub(super) y_ref: f64,
    /// Half height, the scale of z.
    pub(super) scale: f64,
    /// x, dx/dz, d²x/dz².
    pub(super) axis: [f64; 3],
    pub(super) slope: [f64; 2],
    pub(super) shape: Shape,
    /// Per row of the strip: smooth amplitude, raw amplitude, its information, background.
    pub(super) amplitude: Vec<f64>,
    pub(super) raw: Vec<f64>,
    pub(super) information: Vec<f64>,
    pub(super) background: Vec<f64>,
    /// Shift of hairs against where they were said to be, and of their depth.
    pub(super) hairs: [f64; 4],
    pub(super) covariance: Matrix,
    /// Standard deviation of residuals over what the noise of pixels alone gives.
    pub(super) residual_scale: f64,
    /// Share of what u is larger than from independent pixels alone.
    pub(super) inflation: f64,
    /// What a lopsided misfit of the profile leaves, the same in every frame while the thread stands there, px.
    pub(super) lasting_px: f64,
    /// Whether the last step of the fit was far below its uncertainty.
    pub(super) settled: bool,
    /// Of a dark thread: the light along its lightest quarter, levels.
    lit: Option<f32>,
}

/// What is fitted, and how stiff.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rules {
    pub(super) dark: bool,
    /// Prior standard deviations of x2 (px at z = 1), slit and blur (relative), hair place and depth.
    pub(super) bow_px: f64,
    pub(super) shape_share: f64,
    pub(super) hair_place_px: f64,
    pub(super) hair_depth: f64,
    pub(super) iterations: usize,
}

/// Buffers of the fit.
#[derive(Clone, Debug, Default)]
pub(super) struct Bench {
    /// The strip that is being worked on.
    pub(super) strip: Strip,
    scores: Vec<([f64; COLUMNS], f64)>,
    /// Residuals over their standard deviation; not a number where a pixel does not count.
    residuals: Vec<f32>,
    sizes: Vec<f32>,
    flanks: Flanks,
    /// How amplitude and background of a row go with its columns.
    lean: Vec<[(f64, f64); COLUMNS]>,
    smooth: Vec<(f64, f64)>,
    pulls: Vec<f64>,
    weights: Weights,
    profile: ProfileTable,
    row: RowBuffers,
}

impl Thread {
    pub(super) fn new(y_ref: f64, scale: f64, axis: [f64; 3], shape: Shape) -> Self {
        Self {
            y_ref,
            scale,
            axis,
            slope: [0.0; 2],
            shape,
            amplitude: Vec::new(),
            raw: Vec::new(),
            information: Vec::new(),
            background: Vec::new(),
            hairs: [0.0; 4],
            covariance: Matrix::identity(),
            residual_scale: 1.0,
            inflation: 1.0,
            lasting_px: 0.0,
            settled: false,
            lit: None,
        }
    }

    pub(super) fn z(&self, y: f64) -> f64 {
        (y - self.y_ref) / self.scale
    }

    /// Height at which the axis is told, px, and the scale of z, px.
    pub(super) fn frame(&self) -> (f64, f64) {
        (self.y_ref, self.scale)
    }

    /// dx/dy.
    pub(super) fn slope_at(&self, y: f64) -> f64 {
        (self.axis[1] + self.z(y) * self.axis[2]) / self.scale
    }

    pub(super) fn x_at(&self, y: f64) -> f64 {
        let z = self.z(y);
        self.axis[0] + z * (self.axis[1] + z / 2.0 * self.axis[2])
    }

    /// Gives every row of the picture the light of its row of the strip.
    pub(super) fn row_by_row(&mut self, strip: &Strip) {
        if strip.per_row == 1 {
            return;
        }
        for (values, share) in [
            (&mut self.amplitude, 1.0),
            (&mut self.raw, 1.0),
            (&mut self.information, 1.0 / strip.per_row as f64),
            (&mut self.background, 1.0),
        ] {
            let rows = 0..strip.picture_rows;
            let wide =
                rows.map(|row| share * values.get(row / strip.per_row).copied().unwrap_or(0.0));
            *values = wide.collect();
        }
    }

    /// Fits the thread to the strip. False if the pixels cannot decide it.
    pub(super) fn fit(
        &mut self,
        strip: &mut Strip,
        noise: &Noise,
        clip: f32,
        rules: &Rules,
        bench: &mut Bench,
    ) -> bool {
        let start = self.shape;
        let slit_sd = rules.shape_share * start.width_px().max(0.5);
        self.amplitude.resize(strip.rows, 0.0);
        self.raw.resize(strip.rows, 0.0);
        self.information.resize(strip.rows, 0.0);
        self.background.resize(strip.rows, 0.0);
        bench.weights.prepare(noise, clip);
        self.first_light(strip, rules, bench);
        bench.residuals.resize(strip.level.len(), 0.0);
        bench.lean.clear();
        bench.lean.resize(strip.rows, [(0.0, 0.0); COLUMNS]);
        self.settled = false;
        for round in 0..=rules.iterations {
            // Residuals and covariance are those of where the fit ended.
            let last = self.settled || round == rules.iterations;
            bench.profile.prepare(&self.shape, strip.across);
            let mut normal = [[0.0; PARAMETERS]; PARAMETERS];
            let mut score = Vector::zeros();
            // Priors.
            let mut prior = |k: usize, deviation: f64, sd: f64| {
                let weight = 1.0 / (sd * sd);
                normal[k][k] += weight;
                score[k] -= weight * deviation;
            };
            prior(1, 0.0, 0.4 * self.scale);
            prior(2, self.axis[2], rules.bow_px.max(1e-6));
            prior(5, self.shape.slit_px - start.slit_px, slit_sd);
            prior(6, self.shape.blur_px - start.blur_px, 0.5 * slit_sd);
            for h in 0..2 {
                prior(7 + h, self.hairs[h], rules.hair_place_px);
                prior(9 + h, self.hairs[2 + h], rules.hair_depth);
            }
            prior(3, 0.0, 1e4);
            prior(4, 0.0, 1e4);
            bench.scores.clear();
            for r in 0..strip.rows {
                let z = self.z(strip.y(r));
                let (block, row_score) = self.row(strip, r, bench);
                if self.information[r] > 0.0 {
                    let used = if strip.free[r] { 7 } else { PARAMETERS };
                    spread(&block, z, used, &mut normal);
                    spread_score(&row_score, z, &mut score);
                }
                bench.scores.push((row_score, z));
            }
            let normal = Matrix::from_fn(|i, j| normal[i.min(j)][i.max(j)]);
            let Some(solver) = normal.cholesky() else {
                return false;
            };
            if last {
                self.covariance = solver.inverse();
                self.scale_covariance(strip, rules, bench);
                break;
            }
            let step = solver.solve(&score);
            if !step.iter().all(|v| v.is_finite()) {
                return false;
            }
            let mut unit = Vector::zeros();
            unit[0] = 1.0;
            let u_place = solver.solve(&unit)[0].max(0.0).sqrt();
            let size = step[0].abs() + step[1].abs() + step[2].abs() / 2.0;
            let size = size + step[5].hypot(step[6]) + step[7].hypot(step[8]);
            let blur = self.shape.blur_px.max(Shape::LEAST_BLUR_PX);
            let small = size * size < SETTLED * blur * u_place;
            let width = self.shape.width_px();
            let most = step[0].abs().max(step[1].abs()).max(step[2].abs() / 2.0);
            let damp = if most > 0.5 * width {
                0.5 * width / most
            } else {
                1.0
            };
            let mut step = step;
            for k in 0..3 {
                step[k] *= damp;
                self.axis[k] += step[k];
            }
            self.slope[0] += step[3];
            self.slope[1] += step[4];
            let limit = 0.25 * width;
            let before = self.shape;
            self.shape.slit_px = (self.shape.slit_px + step[5].clamp(-limit, limit))
                .clamp(Shape::LEAST_SLIT_PX, 90.0);
            self.shape.blur_px = (self.shape.blur_px + step[6].clamp(-limit / 2.0, limit / 2.0))
                .clamp(Shape::LEAST_BLUR_PX, 30.0);
            step[5] = self.shape.slit_px - before.slit_px;
            step[6] = self.shape.blur_px - before.blur_px;
            self.follow_step(strip, &step, &bench.lean);
            for k in 0..4 {
                self.hairs[k] += step[7 + k];
            }
            let bound = 6.0 * rules.hair_place_px;
            for k in 0..2 {
                self.hairs[k] = self.hairs[k].clamp(-bound, bound);
                self.hairs[2 + k] = self.hairs[2 + k].clamp(-0.5, 0.5);
            }
            if rules.dark {
                let depth = drawn_depth(self);
                if round > 0 && depth < LEAST_DIP {
                    return false;
                }
                self.dark_amplitude(depth);
            } else {
                self.smooth_amplitude(bench);
            }
            if small || round + 2 >= rules.iterations {
                let struck = strike_out(strip, bench);
                self.settled = small && struck * 2000 <= strip.count.len();
                if self.settled && struck == 0 {
                    // Residuals and covariance are those of a place so near that nothing is to be told from it.
                    self.covariance = solver.inverse();
                    self.scale_covariance(strip, rules, bench);
                    break;
                }
            }
        }
        self.axis.iter().all(|v| v.is_finite())
    }

    /// Carries the light of every row along with a step of the common parameters.
    fn follow_step(&mut self, strip: &Strip, step: &Vector, lean: &[[(f64, f64); COLUMNS]]) {
        for (r, lean) in lean.iter().enumerate() {
            if self.information[r] <= 0.0 {
                continue;
            }
            let z = self.z(strip.y(r));
            let powers = [1.0, z, z * z / 2.0];
            for (&(column, by), by_step) in PLACE.iter().zip(step.iter()) {
                self.raw[r] -= lean[column].0 * by_step * powers[by];
                self.background[r] -= lean[column].1 * by_step * powers[by];
            }
        }
    }

    /// Normal block and score of one row after amplitude and background are projected out;
    /// renews raw amplitude and background, and leaves residuals over their standard deviation.
    fn row(
        &mut self,
        strip: &Strip,
        r: usize,
        bench: &mut Bench,
    ) -> ([[f64; COLUMNS]; COLUMNS], [f64; COLUMNS]) {
        let mut block = [[0.0; COLUMNS]; COLUMNS];
        let mut score = [0.0; COLUMNS];
        let y = strip.y(r);
        let z = self.z(y);
        let x = (self.x_at(y) - f64::from(strip.left[r])) as f32;
        let pixels = r * strip.across..(r + 1) * strip.across;
        let residuals = &mut bench.residuals[pixels.clone()];
        let buffers = &mut bench.row;
        if !bench.profile.read(x, strip.across, &mut buffers.terms) {
            residuals.fill(f32::NAN);
            self.information[r] = 0.0;
            return (block, score);
        }
        let light = RowLight {
            amplitude: self.amplitude[r] as f32,
            background: self.background[r] as f32,
            slope: (self.slope[0] + self.slope[1] * z) as f32,
            x,
            lit: self.lit,
        };
        let used = if strip.free[r] { 4 } else { COLUMNS };
        let hairs =
            (!strip.free[r]).then(|| (&strip.hair[pixels.clone()], self.hairs.map(|h| h as f32)));
        buffers.model(
            &light,
            hairs,
            &strip.level[pixels.clone()],
            &strip.other[pixels.clone()],
            &strip.count[pixels],
            &bench.weights,
            residuals,
        );
        let (n, s) = buffers.sums(used + 2);
        let (a, b, c) = (f64::from(n[0][0]), f64::from(n[0][1]), f64::from(n[1][1]));
        let determinant = a * c - b * b;
        if c <= 0.0 || determinant <= 1e-6 * a * c {
            self.information[r] = 0.0;
            return (block, score);
        }
        self.information[r] = determinant / c;
        let (s0, s1) = (f64::from(s[0]), f64::from(s[1]));
        let d_amplitude = (c * s0 - b * s1) / determinant;
        let d_background = (a * s1 - b * s0) / determinant;
        self.raw[r] = self.amplitude[r] + d_amplitude;
        self.background[r] += d_background;
        let mut q = [(0.0, 0.0); COLUMNS];
        for k in 0..used {
            let (n0, n1) = (f64::from(n[0][k + 2]), f64::from(n[1][k + 2]));
            q[k] = (
                (c * n0 - b * n1) / determinant,
                (a * n1 - b * n0) / determinant,
            );
            score[k] = f64::from(s[k + 2]) - q[k].0 * s0 - q[k].1 * s1;
        }
        bench.lean[r] = q;
        for k in 0..used {
            for l in k..used {
                let value = f64::from(n[k + 2][l + 2])
                    - q[k].0 * f64::from(n[0][l + 2])
                    - q[k].1 * f64::from(n[1][l + 2]);
                block[k][l] = value;
            }
        }
        (block, score)
    }

    /// Amplitude and background of every row for the axis and shape as they stand.
    fn first_light(&mut self, strip: &Strip, rules: &Rules, bench: &mut Bench) {
        bench.profile.prepare(&self.shape, strip.across);
        for r in 0..strip.rows {
            let y = strip.y(r);
            let x = (self.x_at(y) - f64::from(strip.left[r])) as f32;
            let (mut a, mut b, mut c, mut s0, mut s1) = (0.0, 0.0, 0.0, 0.0, 0.0);
            let seen = bench.profile.read(x, strip.across, &mut bench.row.terms);
            let pixels = r * strip.across..(r + 1) * strip.across;
            if seen {
                let profile = bench.row.terms[0].iter();
                for ((at, &p), &level) in pixels.clone().zip(profile).zip(&strip.level[pixels]) {
                    let t = strip.hair[at].transmission;
                    let count = strip.count[at];
                    if count <= 0.0 || t < 0.3 {
                        continue;
                    }
                    let p = p * t;
                    let w = count * bench.weights.at(level + strip.other[at]);
                    a += w * p * p;
                    b += w * p * t;
                    c += w * t * t;
                    s0 += w * p * level;
                    s1 += w * t * level;
                }
            }
            let determinant = a * c - b * b;
            if c <= 0.0 || determinant <= 1e-5 * a * c {
                self.information[r] = 0.0;
                self.raw[r] = 0.0;
                self.background[r] = if c > 0.0 { f64::from(s1 / c) } else { 0.0 };
                continue;
            }
            self.information[r] = f64::from(determinant / c);
            self.raw[r] = f64::from((c * s0 - b * s1) / determinant);
            self.background[r] = f64::from((a * s1 - b * s0) / determinant);
        }
        if rules.dark {
            self.dark_amplitude(drawn_depth(self));
        } else {
            self.smooth_amplitude(bench);
        }
    }

    fn dark_amplitude(&mut self, depth: f64) {
        let least = least_light(self);
        self.lit = Some((least / LIT_SHARE) as f32);
        for (amplitude, &light) in self.amplitude.iter_mut().zip(&self.background) {
            *amplitude = if light >= least { -depth * light } else { 0.0 };
        }
    }

    /// Means of the raw amplitudes over as many rows as the noise asks for.
    fn smooth_amplitude(&mut self, bench: &mut Bench) {
        smooth_amplitudes(
            &self.raw,
            &self.information,
            &mut self.amplitude,
            &mut bench.smooth,
        );
    }

    /// Compares the scatter of the rows' scores with what independent pixels would give.
    fn scale_covariance(&mut self, strip: &Strip, rules: &Rules, bench: &mut Bench) {
        bench.sizes.clear();
        bench.sizes.extend(
            bench
                .residuals
                .iter()
                .filter(|r| r.is_finite())
                .map(|r| r.abs()),
        );
        if bench.sizes.len() > 20 {
            let count = bench.sizes.len() as f64;
            let squares: f64 = bench.sizes.iter().map(|&r| f64::from(r * r)).sum();
            // Two degrees of freedom of every row are used up.
            let free = (count - 2.0 * strip.rows as f64).max(count / 4.0);
            self.residual_scale = (squares / free).sqrt();
        }
        let mut lever = Vector::zeros();
        for k in 0..PARAMETERS {
            lever[k] = self.covariance[(k, 0)];
        }
        let pulls = &mut bench.pulls;
        pulls.clear();
        for (score, z) in &bench.scores {
            let mut wide = Vector::zeros();
            spread_score(score, *z, &mut wide);
            pulls.push(lever.dot(&wide));
        }
        without_mean(pulls);
        let factor = scatter(pulls, self.covariance[(0, 0)], self.residual_scale);
        self.inflation = factor.sqrt();
        if rules.dark {
            self.lasting_px = lasting_px(
                self.covariance[(0, 0)].sqrt(),
                self.inflation,
                self.lopsided(strip, bench),
            );
        }
        self.covariance *= factor;
    }

    /// How lopsided the residuals about the axis are; see [`Flanks`].
    fn lopsided(&self, strip: &Strip, bench: &mut Bench) -> f64 {
        let Bench {
            flanks, residuals, ..
        } = bench;
        let reach = 1.1 * self.shape.width_px() + 1.0;
        if !flanks.begin(reach) {
            return 1.0;
        }
        for (r, row) in residuals
            .chunks_exact(strip.across)
            .enumerate()
            .take(strip.rows)
        {
            let x = self.x_at(strip.y(r)) - f64::from(strip.left[r]);
            for (column, &residual) in row.iter().enumerate() {
                let away = column as f64 - x;
                if away.abs() < reach {
                    flanks.take(away, residual);
                }
            }
        }
        flanks.lopsided()
    }
}

/// The pulls of the rows add up to the last step, which is taken already.
pub(super) fn without_mean(pulls: &mut [f64]) {
    let mean = pulls.iter().sum::<f64>() / pulls.len().max(1) as f64;
    pulls.iter_mut().for_each(|pull| *pull -= mean);
}

/// What the pulls of the rows on a place scatter, with their correlation from row to row, over the variance `naive` that
/// independent pixels would give; few rows lean on the scatter of the pixels.
pub(super) fn scatter(pulls: &[f64], naive: f64, residual_scale: f64) -> f64 {
    let naive = naive.max(1e-30);
    let rows = pulls.len();
    let lags = (rows / 24).clamp(2, 12);
    let variance = variance_of_sum(pulls, lags);
    let n = rows as f64;
    let seen = variance.max(0.0) / naive * n / (n - 4.0).max(n / 2.0);
    let pixels = residual_scale * residual_scale;
    let few = 8.0 * lags as f64;
    ((seen * n + pixels * few) / (n + few)).max(0.6 * pixels)
}

/// Means of raw amplitudes over as many rows as their noise asks for: a signal-to-noise ratio of 12.
pub(super) fn smooth_amplitudes(
    raw: &[f64],
    information: &[f64],
    smooth: &mut [f64],
    sums: &mut Vec<(f64, f64)>,
) {
    let rows = raw.len();
    let (mut sum, mut weight) = (0.0, 0.0);
    sums.clear();
    sums.push((0.0, 0.0));
    for (raw, information) in raw.iter().zip(information) {
        sum += information * raw;
        weight += information;
        sums.push((sum, weight));
    }
    if weight <= 0.0 {
        smooth.fill(0.0);
        return;
    }
    let mean = sum / weight;
    let per_row = (mean * mean * weight / rows as f64).max(1e-9);
    let half = ((144.0 / per_row / 2.0).ceil() as usize).clamp(2, 40);
    for (r, smooth) in smooth.iter_mut().enumerate() {
        let (from, to) = (r.saturating_sub(half), (r + half + 1).min(rows));
        let (a, b) = (sums[from], sums[to]);
        *smooth = if b.1 - a.1 > 1e-12 * weight {
            (b.0 - a.0) / (b.1 - a.1)
        } else {
            mean
        };
    }
}

/// A hair casts a shadow where there is this share of the light of its lightest quarter.
pub(super) const LIT_SHARE: f64 = 0.4;

/// Light below which a row lies beyond the field stop, where a hair casts no shadow: a share of that of the lightest quarter.
fn least_light(thread: &Thread) -> f64 {
    let mut lights: Vec<f64> = thread
        .background
        .iter()
        .zip(&thread.information)
        .filter(|row| *row.1 > 0.0)
        .map(|row| *row.0)
        .collect();
    if lights.is_empty() {
        return 0.0;
    }
    let at = lights.len() * 3 / 4;
    let light = *lights.select_nth_unstable_by(at, f64::total_cmp).1;
    (LIT_SHARE * light).max(0.0)
}

/// Depth of a hair from the raw amplitudes and backgrounds of its rows.
pub(super) fn drawn_depth(thread: &Thread) -> f64 {
    let (mut top, mut bottom) = (0.0, 0.0);
    let least = least_light(thread);
    for r in 0..thread.raw.len() {
        let light = thread.background[r].max(0.0);
        if light < least {
            continue;
        }
        top -= thread.information[r] * thread.raw[r] * light;
        bottom += thread.information[r] * light * light;
    }
    if bottom > 0.0 {
        (top / bottom).clamp(-1.0, 1.2)
    } else {
        0.0
    }
}

/// Strikes out pixels whose residual no noise explains: dust, hot pixels.
/// Gives their number.
fn strike_out(strip: &mut Strip, bench: &mut Bench) -> usize {
    bench.sizes.clear();
    bench.sizes.extend(
        bench
            .residuals
            .iter()
            .filter(|r| r.is_finite())
            .map(|r| r.abs()),
    );
    if bench.sizes.len() < 20 {
        return 0;
    }
    let middle = bench.sizes.len() / 2;
    let median = *bench.sizes.select_nth_unstable_by(middle, f32::total_cmp).1;
    let limit = 5.5 * (median / 0.6745).max(1.0);
    let mut struck = 0;
    for (count, residual) in strip.count.iter_mut().zip(&bench.residuals) {
        if *count > 0.0 && residual.abs() > limit {
            *count = 0.0;
            struck += 1;
        }
    }
    struck
}

/// Which column of a row a parameter belongs to, and the power of z with which it enters.
const PLACE: [(usize, usize); PARAMETERS] = [
    (0, 0),
    (0, 1),
    (0, 2),
    (1, 0),
    (1, 1),
    (2, 0),
    (3, 0),
    (4, 0),
    (5, 0),
    (6, 0),
    (7, 0),
];

/// Adds the block of one row to the upper triangle of the normal matrix, as far as `used` parameters.
#[inline]
fn spread(
    block: &[[f64; COLUMNS]; COLUMNS],
    z: f64,
    used: usize,
    normal: &mut [[f64; PARAMETERS]; PARAMETERS],
) {
    let powers = [1.0, z, z * z / 2.0];
    for (i, &(column, by)) in PLACE.iter().enumerate().take(used) {
        for (j, &(other, with)) in PLACE.iter().enumerate().take(used).skip(i) {
            normal[i][j] += block[column][other] * powers[by] * powers[with];
        }
    }
}

fn spread_score(score: &[f64; COLUMNS], z: f64, wide: &mut Vector) {
    let powers = [1.0, z, z * z / 2.0];
    for (i, &(column, by)) in PLACE.iter().enumerate() {
        wide[i] += score[column] * powers[by];
    }
}
