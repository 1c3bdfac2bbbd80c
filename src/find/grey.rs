//! A frame as the finder reads it: levels above black, and the frame's own noise. Nothing is copied.

use super::FieldOfView;
use crate::basics::frame::Frame;

/// Samples of a frame; a level at or above `clip` is a bound only.
#[derive(Clone, Copy, Debug)]
pub(super) struct Grey<'a> {
    pub(super) width: usize,
    pub(super) height: usize,
    /// Row after row, black not taken off.
    samples: &'a [u16],
    black: f32,
    /// Level above black from which on a pixel is clipped.
    pub(super) clip: f32,
    /// Pixels that tell nothing, as indices along the rows, in rising order.
    left_out: &'a [u32],
    /// Centre and radius of the disc to which the field stop leaves its full light, px.
    clear: Option<(f64, f64, f64)>,
}

/// The rim of the field is out of focus: so much of the radius, and so much more in px, is not lit fully. Common practice, no source.
const RIM_SHARE: f64 = 0.025;
const RIM_PX: f64 = 1.0;

impl<'a> Grey<'a> {
    /// The levels of a frame; one that is not laid out row after row counts as empty.
    pub(super) fn of(frame: &'a Frame) -> Self {
        let samples = frame.levels.as_slice().unwrap_or(&[]);
        let whole = !samples.is_empty();
        Self {
            width: if whole { frame.width() } else { 0 },
            height: if whole { frame.height() } else { 0 },
            samples,
            black: f32::from(frame.black),
            clip: f32::from(frame.full_scale.saturating_sub(frame.black)).max(1.0),
            left_out: &[],
            clear: None,
        }
    }

    /// The same without these pixels, given as indices along the rows, in rising order: no fit counts them.
    pub(super) fn without(self, left_out: &'a [u32]) -> Self {
        Self { left_out, ..self }
    }

    /// The same with the field stop known.
    pub(super) fn within(self, field: Option<&FieldOfView>) -> Self {
        let clear = field.map(|field| {
            let rim = RIM_SHARE * field.radius_px + RIM_PX;
            (field.x_px, field.y_px, field.radius_px - rim)
        });
        Self { clear, ..self }
    }

    /// Whether the rim of the field leaves a row clear from one place to another, px.
    pub(super) fn is_clear(&self, y: usize, (from, to): (f64, f64)) -> bool {
        self.clear.is_none_or(|(x, middle, radius)| {
            let away = (x - from).abs().max((to - x).abs());
            away.hypot(y as f64 - middle) < radius
        })
    }

    /// Columns of a row that are left out, of those given.
    #[inline]
    pub(super) fn left_out(
        &self,
        y: usize,
        columns: std::ops::Range<usize>,
    ) -> impl Iterator<Item = usize> + use<'a> {
        let row = y * self.width;
        let first = |column: usize| {
            let end = (row + column) as u32;
            self.left_out.partition_point(|&at| at < end)
        };
        let range = if self.left_out.is_empty() {
            0..0
        } else {
            first(columns.start)..first(columns.end)
        };
        self.left_out[range]
            .iter()
            .map(move |&at| at as usize - row)
    }

    /// Samples of one row.
    pub(super) fn row(&self, y: usize) -> &'a [u16] {
        &self.samples[y * self.width..(y + 1) * self.width]
    }

    /// The columns from `left` on, as far as they lie in the picture.
    fn columns(&self, left: i32, count: usize) -> std::ops::Range<usize> {
        let last = self.width as i64;
        let from = i64::from(left).clamp(0, last);
        let to = (i64::from(left) + count as i64).clamp(from, last);
        from as usize..to as usize
    }

    /// Adds the levels of a row from the column `left` on to `sums`, and 1 to `counts`, where a pixel lies in the picture, is not
    /// clipped and not left out.
    #[inline]
    pub(super) fn add_row(&self, y: usize, left: i32, sums: &mut [f32], counts: &mut [f32]) {
        let columns = self.columns(left, sums.len());
        if columns.is_empty() {
            return;
        }
        let from = (columns.start as i64 - i64::from(left)) as usize;
        let to = from + columns.len();
        let cells = sums[from..to].iter_mut().zip(&mut counts[from..to]);
        let row = self.row(y);
        for ((sum, count), &v) in cells.zip(&row[columns.clone()]) {
            let (level, good) = self.level_and_good(v);
            *sum += good * level;
            *count += good;
        }
        let first = columns.start;
        for x in self.left_out(y, columns) {
            let (level, good) = self.level_and_good(row[x]);
            sums[from + x - first] -= good * level;
            counts[from + x - first] -= good;
        }
    }

    /// Mean levels of the cells of `size` pixels squared that lie side by side from the row `y` on, from left to right, behind
    /// what is in `out`; `sums` is a buffer.
    pub(super) fn cells(&self, y: usize, size: usize, sums: &mut Vec<u32>, out: &mut Vec<f32>) {
        sums.clear();
        sums.resize(self.width, 0);
        for y in y..y + size {
            for (sum, &v) in sums.iter_mut().zip(self.row(y)) {
                *sum += u32::from(v);
            }
        }
        let pixels = (size * size) as f32;
        let black = self.black * pixels;
        let cells = sums.chunks_exact(size);
        out.extend(cells.map(|cell| (cell.iter().sum::<u32>() as f32 - black) / pixels));
    }

    /// Level above black of a sample, and 1 unless it is clipped.
    #[inline]
    fn level_and_good(&self, sample: u16) -> (f32, f32) {
        let level = self.level(sample);
        (level, if level < self.clip { 1.0 } else { 0.0 })
    }

    /// Level above black of a sample.
    #[inline]
    pub(super) fn level(&self, sample: u16) -> f32 {
        f32::from(sample) - self.black
    }

    /// Difference of one 8-bit level of the source: compression leaves steps of that order. Sums of three planes have
    /// three to a level; sources with more bits have none of their own.
    pub(super) fn step(&self) -> f64 {
        let levels = f64::from(self.clip) + f64::from(self.black);
        if !(256.0..=3.0 * 255.0).contains(&levels) {
            1.0
        } else {
            levels / 255.0
        }
    }

    /// Mean level above black of the square that reaches `reach` px about a place, as far as it lies in the picture.
    pub(super) fn mean_about(&self, x: f64, y: f64, reach: f64) -> f64 {
        let range = |at: f64, size: usize| {
            let last = size as f64;
            (at - reach).clamp(0.0, last) as usize..(at + reach + 1.0).clamp(0.0, last) as usize
        };
        let columns = range(x, self.width);
        let (mut sum, mut count) = (0.0, 0.0_f64);
        for y in range(y, self.height) {
            for &v in &self.row(y)[columns.clone()] {
                sum += f64::from(self.level(v));
                count += 1.0;
            }
        }
        sum / count.max(1.0)
    }

    /// Mean level above black, of every eighth row.
    pub(super) fn mean(&self) -> f64 {
        const EVERY: usize = 8;
        if self.samples.is_empty() {
            return 0.0;
        }
        let rows = self.height.div_ceil(EVERY);
        let sum: u64 = (0..self.height)
            .step_by(EVERY)
            .map(|y| {
                // A row of 16-bit samples fits into 32 bits up to 65 537 columns.
                let runs = self.row(y).chunks(65_536);
                runs.map(|run| u64::from(run.iter().map(|&v| u32::from(v)).sum::<u32>()))
                    .sum::<u64>()
            })
            .sum();
        sum as f64 / (rows * self.width) as f64 - f64::from(self.black)
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
    pub(super) fn learn(&mut self, grey: &Grey<'_>, quantum: f32) {
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
            let at = |i: usize| grey.samples.get(i).map_or(0.0, |&v| grey.level(v));
            while i < end {
                let (up, here, down) = (at(i - LAG * grey.width), at(i), at(i + LAG * grey.width));
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

    /// Whether it gives the same variance at every level.
    pub(super) fn is(&self, other: &Self) -> bool {
        let bits = |of: &Self| (of.variance.map(f32::to_bits), of.clip.to_bits());
        bits(self) == bits(other)
    }

    /// Becomes as `other`, as far as variances go.
    pub(super) fn take_over(&mut self, other: &Self) {
        self.variance = other.variance;
        self.clip = other.clip;
    }

    /// Bins are equal in the square root of the level.
    fn bin(&self, level: f32) -> f32 {
        ((level.max(0.0) / self.clip).sqrt() * BINS as f32).min(BINS as f32 - 1.0)
    }

    /// The least that [`Self::variance`] gives at any level, levels².
    pub(super) fn least_variance(&self) -> f32 {
        self.variance.iter().copied().fold(f32::INFINITY, f32::min)
    }

    /// Variance of one pixel at this level, levels².
    pub(super) fn variance(&self, level: f32) -> f32 {
        let at = (self.bin(level) - 0.5).clamp(0.0, BINS as f32 - 1.001);
        let k = at as usize;
        let part = at - k as f32;
        self.variance[k] * (1.0 - part) + self.variance[(k + 1).min(BINS - 1)] * part
    }
}
