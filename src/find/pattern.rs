//! Fixed-pattern noise: how much of what the pixels about a line scatter is the same in the next frame.
//!
//! Gains and offsets differ from pixel to pixel of a sensor, and a codec may leave noise standing as it drew it. Both scatter the pixels
//! of one frame as photons do, but what they do to a line that stands still, as it does about its turning point, no number of frames
//! lessens. While a line hardly moves, second differences along it, which nothing that lenses draw shows, are compared from one frame to
//! the next, weighed by what each pixel tells of the line's place; the share of fixed-pattern noise is the correlation of both (as in the
//! two-frame method of photon transfer, J. R. Janesick, Photon Transfer, SPIE Press 2007, from memory).

use super::grey::{Grey, Noise};
use super::{CrossHairs, Line};

/// Rows from one to the next of a second difference: a codec or a colour sensor's processing ties nearer ones together.
const LAG: usize = 2;
/// Rows that are looked at: every eighth, and of a high picture about so many.
const ROWS_APART: usize = 8;
const ROWS: usize = 64;
/// A line that moved by less stands on the same pixels, px.
const HARDLY_PX: f64 = 0.5;
/// Second differences beyond so many standard deviations are specks or hot pixels.
const MOST_IN_SD: f32 = 5.0;
/// Pixels that are needed to tell: with so many the share is known to 0.03 or better.
const FEWEST_PIXELS: u64 = 1000;

/// Products of second differences of two frames, and mean of their squares, both weighed and summed.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct FixedPattern {
    /// Sum of products.
    pub products: f64,
    /// Sum of mean squares.
    pub squares: f64,
    /// Number of pixels.
    pub pixels: u64,
}

impl FixedPattern {
    /// Both of these together.
    #[must_use]
    pub fn with(self, other: Self) -> Self {
        Self {
            products: self.products + other.products,
            squares: self.squares + other.squares,
            pixels: self.pixels + other.pixels,
        }
    }

    /// Share of fixed-pattern noise in the variance of the pixels, 0 to 1; `None` where too few were compared to tell.
    #[must_use]
    pub fn share(self) -> Option<f64> {
        let told = self.pixels >= FEWEST_PIXELS && self.squares > 0.0;
        told.then(|| (self.products / self.squares).clamp(0.0, 1.0))
    }
}

/// Second differences about one line.
#[derive(Clone, Debug, Default)]
struct Strip {
    x_px: f64,
    /// The first of the rows, counted in their distance, which the height of the picture gives.
    first: usize,
    /// First column of every row.
    left: Vec<usize>,
    across: usize,
    /// Row after row; not finite where a pixel tells nothing.
    differences: Vec<f32>,
    /// What a difference tells of the line's place, over its variance.
    weights: Vec<f32>,
}

/// Strips about the lines of this frame and the one before.
#[derive(Clone, Debug, Default)]
pub(super) struct Pattern {
    before: Vec<Strip>,
    now: Vec<Strip>,
}

impl Pattern {
    /// Notes in every line what it has in common with the frame before, where there is such a line at its place.
    pub(super) fn learn(
        &mut self,
        grey: &Grey<'_>,
        noise: &Noise,
        hairs: Option<&CrossHairs>,
        lines: &mut [Line],
    ) {
        std::mem::swap(&mut self.before, &mut self.now);
        self.now.resize(lines.len(), Strip::default());
        for (line, strip) in lines.iter_mut().zip(&mut self.now) {
            strip.x_px = line.x_px;
            let near = |before: &&Strip| (before.x_px - line.x_px).abs() < HARDLY_PX;
            if let Some(before) = self.before.iter().find(near) {
                strip.cut(grey, noise, hairs, line);
                line.fixed_pattern = strip.compared(before);
            } else {
                // A line that runs is not worth the time.
                strip.left.clear();
            }
        }
    }
}

impl Strip {
    fn cut(&mut self, grey: &Grey<'_>, noise: &Noise, hairs: Option<&CrossHairs>, line: &Line) {
        let half = line.width_px;
        self.across = (2.0 * half).ceil() as usize + 1;
        self.left.clear();
        self.differences.clear();
        self.weights.clear();
        let apart = ROWS_APART.max(grey.height / ROWS);
        self.first = (line.rows.0 + LAG).div_ceil(apart);
        let last = (line.rows.1 + 1).min(grey.height).saturating_sub(LAG);
        for y in (self.first * apart..last).step_by(apart) {
            let left = (line.x_at(y as f64) - half).max(1.0) as usize;
            let left = left.min(grey.width.saturating_sub(1));
            self.left.push(left);
            self.add_row(grey, noise, y, left);
            if let Some(cross) = hairs {
                self.leave_out_hairs(cross, y, left);
            }
        }
    }

    fn add_row(&mut self, grey: &Grey<'_>, noise: &Noise, y: usize, left: usize) {
        let from = self.differences.len();
        self.differences.resize(from + self.across, f32::NAN);
        self.weights.resize(from + self.across, 0.0);
        let columns = left..(left + self.across).min(grey.width.saturating_sub(1));
        let rows = [y - LAG, y, y + LAG];
        let [above, row, below] = rows.map(|y| grey.row(y));
        for (k, x) in columns.clone().enumerate() {
            let [up, here, down] = [above, row, below].map(|row| grey.level(row[x]));
            if up.max(here).max(down) >= grey.clip {
                continue;
            }
            let slope = |row: &[u16]| grey.level(row[x + 1]) - grey.level(row[x - 1]);
            let slope = slope(above) + slope(row) + slope(below);
            let variance = noise.variance((up + here + down) / 3.0);
            let difference = up - 2.0 * here + down;
            // Of three pixels, one of them twice.
            if difference * difference < MOST_IN_SD * MOST_IN_SD * 6.0 * variance {
                self.differences[from + k] = difference;
                self.weights[from + k] = (slope / variance).powi(2);
            }
        }
        for y in rows {
            for x in grey.left_out(y, columns.clone()) {
                self.differences[from + x - left] = f32::NAN;
            }
        }
    }

    /// Leaves out the differences of the last row that a hair shades: it stands still, too.
    fn leave_out_hairs(&mut self, cross: &CrossHairs, y: usize, left: usize) {
        let from = self.differences.len() - self.across;
        for (hair, lean) in cross.hairs.iter().zip(cross.leans()) {
            // All three rows of a difference.
            let reach = 1.5 * hair.width_px + LAG as f64 * hair.direction().0.abs();
            for (k, difference) in self.differences[from..].iter_mut().enumerate() {
                if lean.distance_px((left + k) as f64, y as f64).abs() < reach {
                    *difference = f32::NAN;
                }
            }
        }
    }

    fn compared(&self, before: &Self) -> FixedPattern {
        let mut pattern = FixedPattern::default();
        for (r, &left) in self.left.iter().enumerate() {
            let Some(other) = (self.first + r).checked_sub(before.first) else {
                continue;
            };
            let Some(&left_before) = before.left.get(other) else {
                continue;
            };
            let begin = left.max(left_before);
            let end = (left + self.across).min(left_before + before.across);
            if end <= begin {
                continue;
            }
            let run = |row: usize, across: usize, left: usize| {
                let from = row * across + begin - left;
                from..from + end - begin
            };
            let here = run(r, self.across, left);
            let there = run(other, before.across, left_before);
            let pixels = self.differences[here.clone()]
                .iter()
                .zip(&before.differences[there])
                .zip(&self.weights[here]);
            for ((a, b), weight) in pixels {
                if a.is_finite() && b.is_finite() {
                    pattern.products += f64::from(weight * a * b);
                    pattern.squares += f64::from(0.5 * weight * (a * a + b * b));
                    pattern.pixels += 1;
                }
            }
        }
        pattern
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::basics::frame::Frame;
    use crate::find::{Finder, Known};

    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    /// A frame of 200 × 150 px with a line of 4.7 px at `x_px` whose tangent is `lean`, noise of 5 levels that is new and of `fixed` levels
    /// that is not.
    #[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
    fn frame(random: u64, x_px: f64, lean: f64, fixed: f64) -> Frame {
        let mut new = ChaCha8Rng::seed_from_u64(random);
        let mut old = ChaCha8Rng::seed_from_u64(7);
        let new_noise = Normal::new(0.0, 5.0).unwrap();
        let old_noise = Normal::new(0.0, fixed).unwrap();
        let mut frame = Frame::empty();
        frame.resize(200, 150);
        frame.full_scale = 1023;
        frame.number = random;
        for y in 0..150 {
            for x in 0..200 {
                let d = (x as f64 - x_px - lean * (y as f64 - 75.0)) / 2.0;
                let level = 80.0 + 600.0 * (-0.5 * d * d).exp();
                let noise = new_noise.sample(&mut new) + old_noise.sample(&mut old);
                frame.levels[(y, x)] = (level + noise).round().clamp(0.0, 1023.0) as u16;
            }
        }
        frame
    }

    /// What the lines of frames at these places, and with these tangents, have in common with the frames before.
    fn together(places: &[(f64, f64)], fixed: f64) -> FixedPattern {
        let mut finder = Finder::new();
        let mut all = FixedPattern::default();
        for (number, &(x_px, lean)) in (1..).zip(places) {
            let frame = frame(number, x_px, lean, fixed);
            let mut picture = finder.look(&frame, &Known::default());
            finder.compare(&frame, &mut picture);
            all = picture
                .lines
                .iter()
                .fold(all, |all, line| all.with(line.fixed_pattern));
        }
        all
    }

    #[test]
    fn the_share_of_fixed_pattern_noise_is_found() {
        let still = [(100.3, 0.03); 24];
        for fixed in [0.0, 2.5, 5.0, 10.0] {
            let all = together(&still, fixed);
            let expected = fixed * fixed / (25.0 + fixed * fixed);
            let share = all.share().unwrap_or(f64::NAN);
            // Of each of 3000 pixels as good as one comparison is independent.
            assert!(all.pixels > 3000, "{}", all.pixels);
            assert!((share - expected).abs() < 0.07, "{share} for {expected}");
        }
    }

    #[test]
    fn a_line_that_moves_on_is_not_compared() {
        let all = together(&[90.0, 92.0, 94.0, 96.0].map(|x_px| (x_px, 0.03)), 5.0);
        assert_eq!((all.pixels, all.share()), (0, None));
    }

    #[test]
    fn of_a_line_that_was_turned_only_what_is_on_the_same_pixels_is_compared() {
        let straight = together(&[(100.3, 0.0); 4], 5.0).pixels;
        let turned = together(&[0.25, -0.25, 0.25, -0.25].map(|lean| (100.3, lean)), 5.0).pixels;
        assert!(
            turned > 0 && 5 * turned < 3 * straight,
            "{turned} of {straight}"
        );
    }

    #[test]
    fn a_line_at_the_edge_of_the_picture_is_compared_where_it_is_seen() {
        for x_px in [0.5, 3.0, 196.5, 199.0] {
            let all = together(&[(x_px, 0.1); 3], 5.0);
            assert!(all.squares.is_finite() && all.products.abs() <= all.squares);
        }
    }
}
