//! The working copy of a frame: levels above black as `f32`, and the frame's own noise.

use crate::basics::frame::Frame;

/// Levels above black; a level at or above `clip` is a bound only.
#[derive(Clone, Debug, Default)]
pub(super) struct Grey {
    pub(super) width: usize,
    pub(super) height: usize,
    /// Row after row.
    pub(super) levels: Vec<f32>,
    pub(super) clip: f32,
}

impl Grey {
    /// Takes over a frame; allocates only if the size changes.
    pub(super) fn take(&mut self, frame: &Frame) {
        self.width = frame.width();
        self.height = frame.height();
        self.clip = f32::from(frame.full_scale.saturating_sub(frame.black)).max(1.0);
        let black = f32::from(frame.black);
        self.levels.clear();
        self.levels
            .extend(frame.levels.iter().map(|&level| f32::from(level) - black));
    }

    /// Mirrors the picture at its main diagonal into `other`: rows become columns.
    pub(super) fn transpose_into(&self, other: &mut Self) {
        other.width = self.height;
        other.height = self.width;
        other.clip = self.clip;
        other.levels.resize(self.levels.len(), 0.0);
        const TILE: usize = 16;
        for y0 in (0..self.height).step_by(TILE) {
            for x0 in (0..self.width).step_by(TILE) {
                for y in y0..(y0 + TILE).min(self.height) {
                    for x in x0..(x0 + TILE).min(self.width) {
                        other.levels[x * self.height + y] = self.levels[y * self.width + x];
                    }
                }
            }
        }
    }

    pub(super) fn row(&self, y: usize) -> &[f32] {
        &self.levels[y * self.width..(y + 1) * self.width]
    }

    pub(super) fn mean(&self) -> f64 {
        if self.levels.is_empty() {
            return 0.0;
        }
        // Sums of whole levels over a run this short are exact.
        let sum: f64 = self
            .levels
            .chunks(1024)
            .map(|run| {
                let mut lanes = [0.0_f32; 16];
                let parts = run.chunks_exact(16);
                let rest: f32 = parts.remainder().iter().sum();
                for part in parts {
                    for (lane, level) in lanes.iter_mut().zip(part) {
                        *lane += level;
                    }
                }
                f64::from(lanes.iter().sum::<f32>() + rest)
            })
            .sum();
        sum / self.levels.len() as f64
    }
}

const BINS: usize = 16;

/// Variance of one pixel as a function of its level, estimated from the frame itself.
///
/// The spread of second differences along the columns, where lines are smooth, in bins of the
/// level; robust against structure by a median and a trimmed mean of squares.
#[derive(Clone, Debug, Default)]
pub(super) struct Noise {
    variance: [f32; BINS],
    clip: f32,
    bins: Vec<Vec<f32>>,
}

impl Noise {
    /// Estimates the noise anew; `quantum` is the step of the levels (1, or less for a mean of frames).
    pub(super) fn learn(&mut self, grey: &Grey, quantum: f32) {
        const LAG: usize = 4;
        self.clip = grey.clip;
        self.bins.resize(BINS, Vec::new());
        self.bins.iter_mut().for_each(Vec::clear);
        let floor = (quantum * quantum / 12.0).max(1e-6);
        let pixels = grey.width * grey.height;
        // An odd step visits all columns of a picture with an even number of them.
        let step = (pixels / 30_000).max(1) | 1;
        if grey.height > 2 * LAG {
            let mut i = LAG * grey.width;
            let end = pixels - LAG * grey.width;
            while i < end {
                let (up, here, down) = (
                    grey.levels[i - LAG * grey.width],
                    grey.levels[i],
                    grey.levels[i + LAG * grey.width],
                );
                if up < grey.clip && here < grey.clip && down < grey.clip {
                    let level = (up + here + down) / 3.0;
                    let bin = self.bin(level) as usize;
                    self.bins[bin].push((up - 2.0 * here + down).abs());
                }
                i += step;
            }
        }
        let mut known = [false; BINS];
        for (k, values) in self.bins.iter_mut().enumerate() {
            if values.len() < 40 {
                continue;
            }
            let middle = values.len() / 2;
            let median = *values.select_nth_unstable_by(middle, f32::total_cmp).1;
            let limit = 3.5 * (median / 0.6745) + 1.5 * quantum;
            let (mut sum, mut count) = (0.0_f64, 0.0_f64);
            for &value in values.iter() {
                if value <= limit {
                    sum += f64::from(value * value);
                    count += 1.0;
                }
            }
            self.variance[k] = ((sum / count / 6.0) as f32).max(floor);
            if let Some(known) = known.get_mut(k) {
                *known = true;
            }
        }
        let Some(first) = known.iter().position(|&k| k) else {
            self.variance = [floor.max(quantum * quantum); BINS];
            return;
        };
        let mut last = first;
        for (k, &known) in known.iter().enumerate() {
            if known {
                last = k;
            } else if k < first {
                self.variance[k] = self.variance[first];
            } else {
                // Shot noise: in proportion to the level.
                let ratio = (k as f32 + 0.5) / (last as f32 + 0.5);
                self.variance[k] = self.variance[last] * ratio * ratio;
            }
        }
    }

    /// Bins are equal in the square root of the level.
    fn bin(&self, level: f32) -> f32 {
        ((level.max(0.0) / self.clip).sqrt() * BINS as f32).min(BINS as f32 - 1.0)
    }

    /// Variance of one pixel at this level, levels².
    pub(super) fn variance(&self, level: f32) -> f32 {
        let at = (self.bin(level) - 0.5).clamp(0.0, BINS as f32 - 1.001);
        let k = at as usize;
        let part = at - k as f32;
        self.variance[k] * (1.0 - part) + self.variance[(k + 1).min(BINS - 1)] * part
    }
}
