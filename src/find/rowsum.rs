//! Sums over the pixels of one row of a strip: the inner loop of the fit.

use super::axis::HairAt;
use super::grey::Noise;
use super::joint::PROFILE_DOUBT;
use super::shape::TERMS;

/// Columns of a row: amplitude, background, place, slope, slit, blur, place and depth of two hairs.
const ALL: usize = 10;
pub(super) const LANES: usize = 8;
const STEPS: usize = 1024;
/// A dark thread is known to this share of its depth only: where a bright line crosses it, or there is next to no noise, what
/// its profile is off would draw the fit (found on simulated frames without noise).
const THREAD_DOUBT: f32 = 0.01;

/// One over the variance of a pixel as a table of its level; zero where a pixel may be clipped.
#[derive(Clone, Debug, Default)]
pub(super) struct Weights {
    table: Vec<f32>,
    per_level: f32,
    /// The noise that the table holds.
    noise: Noise,
    clip: f32,
}

impl Weights {
    /// Tabulates the noise from black to `clip`; reckoned anew only where it is another one.
    pub(super) fn prepare(&mut self, noise: &Noise, clip: f32) {
        if !self.table.is_empty() && self.clip.to_bits() == clip.to_bits() && self.noise.is(noise) {
            return;
        }
        self.clip = clip;
        self.noise.take_over(noise);
        self.per_level = (STEPS - 1) as f32 / clip;
        self.table.clear();
        self.table.extend((0..STEPS).map(|k| {
            let level = k as f32 / self.per_level;
            let variance = noise.variance(level);
            if level > clip - 2.0 * variance.sqrt() {
                0.0
            } else {
                1.0 / variance
            }
        }));
    }

    /// Weight of a pixel whose level is expected to be `level`.
    #[inline]
    pub(super) fn at(&self, level: f32) -> f32 {
        // Below 2^24 whole numbers are exact, and the conversion by way of i32 is a single instruction.
        let at = (level * self.per_level + 0.5).clamp(0.0, STEPS as f32);
        self.table.get(at as i32 as usize).copied().unwrap_or(0.0)
    }
}

/// Light along one row.
#[derive(Clone, Copy, Debug)]
pub(super) struct RowLight {
    pub(super) amplitude: f32,
    pub(super) background: f32,
    /// Slope of the background, levels per px.
    pub(super) slope: f32,
    /// Place of the axis, px from the first pixel of the row.
    pub(super) x: f32,
    /// Of a dark thread: the light along its lightest quarter. All pixels of a row count alike, with the noise of the light beside
    /// the thread, and of this light at least.
    pub(super) lit: Option<f32>,
}

/// Buffers of one row.
#[derive(Clone, Debug, Default)]
pub(super) struct RowBuffers {
    /// The profile and its derivatives.
    pub(super) terms: [Vec<f32>; TERMS],
    /// Derivatives of the model by each column; filled up with zeros to whole lanes.
    columns: [Vec<f32>; ALL],
    weight: Vec<f32>,
    weighted: Vec<f32>,
    residual: Vec<f32>,
}

impl RowBuffers {
    /// Model, weights, residuals and derivatives of all pixels of a row, from [`Self::terms`].
    #[expect(clippy::too_many_arguments, reason = "the parallel arrays of one row")]
    #[inline]
    pub(super) fn model(
        &mut self,
        light: &RowLight,
        hairs: Option<(&[HairAt], [f32; 4])>,
        level: &[f32],
        other: &[f32],
        count: &[f32],
        weights: &Weights,
        residuals: &mut [f32],
    ) {
        let across = level.len();
        let padded = across.next_multiple_of(LANES);
        for column in &mut self.columns {
            column.resize(padded, 0.0);
            column[across..].fill(0.0);
        }
        for values in [&mut self.weight, &mut self.weighted, &mut self.residual] {
            values.resize(padded, 0.0);
            values[across..].fill(0.0);
        }
        let [p, by_place, by_slit, by_blur] = self.terms.each_ref().map(|t| &t[..across]);
        let [f0, f1, f2, f3, f4, f5, f6, f7, f8, f9] =
            self.columns.each_mut().map(|c| &mut c[..across]);
        let weight = &mut self.weight[..across];
        let residual = &mut self.residual[..across];
        let (other, count) = (&other[..across], &count[..across]);
        let RowLight {
            amplitude,
            background,
            slope,
            x,
            lit,
        } = *light;
        let doubt = (PROFILE_DOUBT * amplitude).powi(2);
        if let Some((hairs, shift)) = hairs {
            for (i, hair) in hairs.iter().enumerate().take(across) {
                let u = i as f32 - x;
                let t = hair.transmission
                    + hair.by_place[0] * shift[0]
                    + hair.by_place[1] * shift[1]
                    + hair.by_depth[0] * shift[2]
                    + hair.by_depth[1] * shift[3];
                let light = amplitude * p[i] + background + slope * u;
                let model = t * light;
                let mut w = count[i] * weights.at(model + other[i]);
                // A hair is known only so well.
                let shade = 0.06 * (1.0 - t) * light;
                w /= 1.0 + w * (shade * shade + doubt);
                weight[i] = w;
                residual[i] = level[i] - model;
                f0[i] = t * p[i];
                f1[i] = t;
                f2[i] = -amplitude * t * by_place[i];
                f3[i] = t * u;
                f4[i] = amplitude * t * by_slit[i];
                f5[i] = amplitude * t * by_blur[i];
                f6[i] = light * hair.by_place[0];
                f7[i] = light * hair.by_place[1];
                f8[i] = light * hair.by_depth[0];
                f9[i] = light * hair.by_depth[1];
            }
        } else {
            f0.copy_from_slice(p);
            f1.fill(1.0);
            for i in 0..across {
                let u = i as f32 - x;
                let model = amplitude * p[i] + background + slope * u;
                residual[i] = level[i] - model;
                f2[i] = -amplitude * by_place[i];
                f3[i] = u;
                f4[i] = amplitude * by_slit[i];
                f5[i] = amplitude * by_blur[i];
            }
            if let Some(lit) = lit {
                // The shade of a thread is not what it is taken for to a share of the light, and the darker pixels of its core,
                // with less noise, would draw the fit to what is off there.
                let per_pixel = weights.at(lit.max(background));
                let doubt = (THREAD_DOUBT * amplitude).powi(2);
                for (weight, &count) in weight.iter_mut().zip(count) {
                    let w = count * per_pixel;
                    *weight = w / (1.0 + w * doubt);
                }
            } else {
                for i in 0..across {
                    let w = count[i] * weights.at(level[i] - residual[i] + other[i]);
                    weight[i] = w / (1.0 + w * doubt);
                }
            }
        }
        for ((out, &r), &w) in residuals.iter_mut().zip(&*residual).zip(&*weight) {
            *out = if w > 0.0 { r * w.sqrt() } else { f32::NAN };
        }
    }

    /// Weighted sums of products of the first `used` columns with each other and with the residuals.
    #[inline]
    pub(super) fn sums(&mut self, used: usize) -> ([[f32; ALL]; ALL], [f32; ALL]) {
        let mut n = [[0.0; ALL]; ALL];
        let mut s = [0.0; ALL];
        for a in 0..used {
            for ((wf, &w), &f) in self
                .weighted
                .iter_mut()
                .zip(&self.weight)
                .zip(&self.columns[a])
            {
                *wf = w * f;
            }
            s[a] = dot(&self.weighted, &self.residual);
            dots(&self.weighted, |k| &self.columns[a + k], &mut n[a][a..used]);
        }
        (n, s)
    }
}

const HALF: usize = LANES / 2;

/// Scalar product; both of the same length, a multiple of [`LANES`].
#[inline]
pub(super) fn dot(a: &[f32], b: &[f32]) -> f32 {
    lanes(a, b).iter().fold(0.0, |sum, lane| sum + lane)
}

/// Sums of every fourth product.
#[inline(always)]
fn lanes(a: &[f32], b: &[f32]) -> [f32; HALF] {
    let (a, b) = (a.as_chunks::<HALF>().0, b.as_chunks::<HALF>().0);
    let b = &b[..a.len()];
    let (mut low, mut high) = ([0.0_f32; HALF], [0.0_f32; HALF]);
    let mut at = 0;
    while at + 1 < a.len() {
        for k in 0..HALF {
            low[k] += a[at][k] * b[at][k];
        }
        for k in 0..HALF {
            high[k] += a[at + 1][k] * b[at + 1][k];
        }
        at += 2;
    }
    for k in 0..HALF {
        low[k] += high[k];
    }
    low
}

/// Scalar products of `a` with some columns at once, each as [`dot`] gives it.
#[inline]
pub(super) fn dots<'a>(a: &[f32], column: impl Fn(usize) -> &'a [f32], out: &mut [f32]) {
    const AT_ONCE: usize = 4;
    let mut outs = out.chunks_exact_mut(AT_ONCE);
    let mut first = 0;
    for out in &mut outs {
        let sums: [[f32; HALF]; AT_ONCE] = std::array::from_fn(|k| lanes(a, column(first + k)));
        // The last steps of all of them side by side.
        let mut together = [0.0; AT_ONCE];
        for k in 0..HALF {
            let row = sums.map(|sum| sum[k]);
            for (sum, value) in together.iter_mut().zip(row) {
                *sum += value;
            }
        }
        out.copy_from_slice(&together);
        first += AT_ONCE;
    }
    for (k, out) in outs.into_remainder().iter_mut().enumerate() {
        *out = dot(a, column(first + k));
    }
}
