//! From a candidate to a measured line: its rows, its neighbours, its covariance.

use super::along::Along;
use super::axis::{Bench, HairAt, Rules, Strip, Thread, rows_together};
use super::detect::Candidate;
use super::geometry::Lean;
use super::grey::{Grey, Noise};
use super::shape::Shape;
use super::{CrossHairs, FixedPattern, Line};

/// A line is kept from this signal-to-noise ratio on.
pub(super) const LEAST_SIGNAL_TO_NOISE: f64 = 6.0;
/// The same for one that nobody knew yet and that is shorter than this share of the picture, or leans more (tangent), as a
/// slit hardly does: there are more places for such patterns of noise and compression.
const UNLIKELY_SIGNAL_TO_NOISE: f64 = 10.0;
const SHORT_SHARE: f64 = 0.3;
const STEEP: f64 = 0.15;
/// From this signal-to-noise ratio on a line is no pattern of noise.
pub(super) const CLEAR_SIGNAL_TO_NOISE: f64 = 40.0;
/// Uncertainty of a place over that of a Gaussian line of the same width in white noise, at most.
const MOST_VAGUE: f64 = 4.0;
/// Bow over height, at most: the prism bends lines by no more than a percent or two, the rim of the field is bent more.
const MOST_BOW: f64 = 0.06;
/// Uncertainty of a place over the line's width, at most.
const NO_PLACE: f64 = 0.5;
/// Mean height of a line above its background, steps of the source, at least.
const LEAST_STEPS: f64 = 0.75;
/// A line stands above what is darkest on either side of it by this share of its height at least.
const STANDS_OUT: f64 = 0.3;
/// Height of a summit and depth of the valley beside it, as a share of the highest light, at least.
const SUMMIT_SHARE: f64 = 0.08;
/// Error that the shade of a hair along the whole line leaves, as a share of the line's width: the shade's profile is
/// known to some per cent only (found on simulated frames, in which a hair moves across a line).
const SHADE_SHARE: f64 = 0.0025;
/// The same of a line whose profile is known from frames in which no hair lay beside it (found on simulated sweeps: twelve of
/// `under-hair`, eight of `several-lines`).
const KNOWN_SHADE_SHARE: f64 = 0.0006;
/// The same of a core that is clipped: the flanks that are left are seen where they are steepest, and so is what the profile is off
/// there (found on a hundred simulated stills, which lay 1.24 times as far off as stated without it).
const CLIPPED_SHARE: f64 = 0.00012;
/// Light of which a hair leaves less than this share is not reckoned back.
const LEAST_PASS: f64 = 0.3;
/// Prior standard deviation of slit and blur of a clipped line, as a share of its width.
pub(super) const CLIPPED_SHAPE_SHARE: f64 = 0.02;
/// A hair nearer to the vertical than this runs along a line, degrees.
const ALONG_DEG: f64 = 30.0;
const LEAST_ROWS: usize = 20;
/// Rows with less than this share of the usual information tell nothing.
const LEAST_TOLD: f64 = 0.02;
/// What changes slowly along a line is looked at in every so many rows.
const ROWS_LOOKED_AT: usize = 4;
const MOST_WIDTH_PX: f64 = 48.0;
/// A line no wider than this many widths of a hair cannot be told from a hair that is shallower than it is taken to be.
const HAIR_WIDTHS: f64 = 1.2;
/// What is lighter than its surroundings by this factor all along either side of a hair is no hair that is shallower.
const SHINES: f64 = 1.15;

/// A line under measurement.
#[derive(Clone, Debug)]
pub(super) struct Draft {
    pub(super) thread: Thread,
    pub(super) first_row: usize,
    pub(super) rows: usize,
    pub(super) alive: bool,
    /// Whether the fit stands for exactly these rows, without neighbours.
    pub(super) fresh: bool,
    /// Whether the core is clipped along the line: its flanks tell no shape that a fit could find by steps, so that it stays
    /// near the one it begins with.
    pub(super) clipped: bool,
    /// Whether the ends are those of an earlier look, which this look need not follow outwards.
    ends_known: bool,
    /// What the last fit, or one of an earlier frame, told of its profile.
    pub(super) told: Option<Told>,
    /// Variance of the profile's variance as it is known before the fit, px⁴.
    pub(super) u2_variance: Option<f64>,
    /// Its shape in an earlier frame, by which a fit holds where a hair lies on it.
    pub(super) shape_before: Option<Shape>,
    /// What the frame before left known of a hair along it.
    pub(super) hair_before: Option<Along>,
    /// Whether it was seen in an earlier frame with no hair beside it: then it is not what a hair leaves, wherever it goes.
    pub(super) seen_clear: bool,
}

/// What a fit told of a line's profile, which changes little from one frame to the next.
#[derive(Clone, Copy, Debug)]
pub(super) struct Told {
    /// How far the profile is off, as a share of its height.
    pub(super) doubt: f32,
    /// What a lopsided one leaves, px: see [`Line::lasting_px`].
    pub(super) lasting_px: f64,
    /// A hair along the line, if there was one.
    pub(super) hair: Option<Along>,
    /// Variance of the profile's variance, px⁴, if that was fitted.
    pub(super) u2_variance: Option<f64>,
}

/// What a line is measured with.
pub(super) struct Scene<'a> {
    pub(super) grey: Grey<'a>,
    pub(super) noise: &'a Noise,
    pub(super) hairs: Option<&'a CrossHairs>,
    pub(super) y_ref: f64,
}

impl Draft {
    pub(super) fn from_candidate(c: &Candidate, scene: &Scene<'_>) -> Self {
        let scale = (scene.grey.height as f64 / 2.0).max(1.0);
        let axis = [c.x_at(scene.y_ref), c.tangent * scale, 0.0];
        let thread = Thread::new(scene.y_ref, scale, axis, Shape::of_width(c.width.max(2.0)));
        Self::begun(thread, c.rows.0, c.rows.1 + 1 - c.rows.0)
    }

    /// A draft of which nothing else is known yet.
    fn begun(thread: Thread, first_row: usize, rows: usize) -> Self {
        Self {
            thread,
            first_row,
            rows,
            alive: true,
            fresh: false,
            clipped: false,
            ends_known: false,
            told: None,
            u2_variance: None,
            shape_before: None,
            hair_before: None,
            seen_clear: false,
        }
    }

    /// A line of an earlier look, moved sideways to `x_px` at the height `y_px`.
    pub(super) fn from_line(line: &Line, x_px: f64, y_px: f64, scene: &Scene<'_>) -> Self {
        let scale = (scene.grey.height as f64 / 2.0).max(1.0);
        let here = line.at_height(scene.y_ref);
        let axis = [
            here.x_px + x_px - line.x_at(y_px),
            here.tilt_deg.to_radians().tan() * scale,
            line.curvature_per_px * scale * scale,
        ];
        let first_row = line.rows.0;
        let last_row = line.rows.1.min(scene.grey.height - 1);
        let shape = Shape {
            slit_px: line.slit_px,
            blur_px: line.blur_px,
        };
        let thread = Thread::new(scene.y_ref, scale, axis, shape);
        Self {
            clipped: line.saturated,
            ends_known: true,
            ..Self::begun(thread, first_row, (last_row + 1).saturating_sub(first_row))
        }
    }

    /// A line of an earlier frame, whose shape is known from there.
    pub(super) fn from_frame_before(line: &Line, x_px: f64, y_px: f64, scene: &Scene<'_>) -> Self {
        let mut draft = Self::from_line(line, x_px, y_px, scene);
        draft.shape_before = Some(draft.thread.shape);
        draft
    }

    /// Whether a candidate lies on this line along most of the rows that both have, which must be half of the candidate's.
    pub(super) fn explains(&self, c: &Candidate) -> bool {
        const LOOKS: usize = 5;
        let reach = 0.3 * self.thread.shape.width_px() + 0.5;
        let (first, last) = self.span();
        let (from, to) = (first.max(c.rows.0), last.min(c.rows.1));
        if !self.alive || to < from || 2 * (to - from) < c.rows.1 - c.rows.0 {
            return false;
        }
        let hits = (0..LOOKS)
            .filter(|&i| {
                let share = (i as f64 + 0.5) / LOOKS as f64;
                let y = from as f64 + (to - from) as f64 * share;
                (self.thread.x_at(y) - c.x_at(y)).abs() < reach
            })
            .count();
        hits + 1 >= LOOKS
    }

    /// The line as a place of the search, as broad as it is.
    pub(super) fn place(&self) -> Candidate {
        let (first, last) = self.span();
        let (top, bottom) = (
            self.thread.x_at(first as f64),
            self.thread.x_at(last as f64),
        );
        Candidate {
            x_mid: 0.5 * (top + bottom),
            tangent: (bottom - top) / (last - first).max(1) as f64,
            width: self.thread.shape.width_px(),
            rows: (first, last),
            z: f32::INFINITY,
        }
    }

    /// Whether nothing else has a summit close to it.
    pub(super) fn is_alone(&self, scene: &Scene<'_>) -> bool {
        let near = 0.3 * self.thread.shape.width_px() + 0.5;
        matches!(self.summits(scene)[..], [place] if place.abs() < near)
    }

    fn rules(iterations: usize) -> Rules {
        Rules {
            dark: false,
            bow_px: 12.0,
            shape_share: 0.35,
            hair_place_px: 0.1,
            hair_depth: 0.08,
            iterations,
        }
    }

    /// Summits of the light across the line, straightened along its axis: distances from the axis, px. More than
    /// one where the line has a close neighbour, or is two lines that were taken for one.
    pub(super) fn summits(&self, scene: &Scene<'_>) -> Vec<f64> {
        let reach = (2.0 * self.thread.shape.width_px() + 12.0).min(60.0);
        let bins = (2.0 * reach) as usize + 1;
        let mut sums = vec![0_u64; bins];
        let mut counts = vec![0_u32; bins];
        let hairs = scene.hairs.map(|cross| {
            let reach = [0, 1].map(|h: usize| 1.5 * cross.hairs[h].width_px + 1.0);
            (cross.leans(), reach)
        });
        for r in 0..self.rows {
            let y = self.first_row + r;
            let x = self.thread.x_at(y as f64);
            let from = (x - reach).ceil().max(0.0) as usize;
            let to = ((x + reach).floor().max(-1.0) + 1.0).min(scene.grey.width as f64) as usize;
            if from >= to {
                continue;
            }
            // Rounded: none lies below nothing.
            let bin = (from as f64 - x + reach + 0.5) as usize;
            let row = &scene.grey.row(y)[from..to];
            let cells = sums[bin..].iter_mut().zip(&mut counts[bin..]);
            let away =
                |lean: &Lean, column: usize| lean.distance_px((from + column) as f64, y as f64);
            // A hair that is on the same side of both ends, and farther than it may bow between them, hides nothing of the row.
            let reaches = hairs.filter(|(leans, reach)| {
                (0..2).any(|h| {
                    let (left, right) = (away(&leans[h], 0), away(&leans[h], row.len() - 1));
                    let beyond = reach[h] + MOST_SAGITTA_PX;
                    left.min(right) < beyond && left.max(right) > -beyond
                })
            });
            if let Some((leans, reach)) = reaches {
                for (column, ((sum, count), &level)) in cells.zip(row).enumerate() {
                    let hidden = (0..2).any(|h| away(&leans[h], column).abs() < reach[h]);
                    if !hidden {
                        *sum += u64::from(level);
                        *count += 1;
                    }
                }
            } else {
                for ((sum, count), &level) in cells.zip(row) {
                    *sum += u64::from(level);
                    *count += 1;
                }
            }
        }
        let black = f64::from(scene.grey.level(0));
        // Where a hair hides most of a column, nothing can be said of it: the profile ends there on either side.
        let enough = 0.3 * self.rows as f64;
        let known: Vec<Option<f64>> = sums
            .iter()
            .zip(&counts)
            .map(|(&sum, &count)| {
                let count = f64::from(count);
                (count > enough).then(|| sum as f64 / count + black)
            })
            .collect();
        let top = known
            .iter()
            .flatten()
            .fold(f64::NEG_INFINITY, |a, &b| a.max(b));
        let low = known.iter().flatten().fold(f64::INFINITY, |a, &b| a.min(b));
        let mut summits: Vec<(f64, f64)> = Vec::new();
        let mut valley = f64::INFINITY;
        for window in 1..bins.saturating_sub(1) {
            let (Some(before), Some(here), Some(after)) =
                (known[window - 1], known[window], known[window + 1])
            else {
                valley = f64::INFINITY;
                continue;
            };
            valley = valley.min(here);
            let count = f64::from(counts[window]);
            let noise = (f64::from(scene.noise.variance(here as f32)) / count).sqrt();
            let least = (SUMMIT_SHARE * (top - low))
                .max(8.0 * noise)
                .max(2.0 * LEAST_STEPS * scene.grey.step());
            if here < before || here <= after || here - low < least {
                continue;
            }
            let bend = before - 2.0 * here + after;
            let place = window as f64
                + if bend < 0.0 {
                    0.5 * (before - after) / bend
                } else {
                    0.0
                }
                - reach;
            match summits.last_mut() {
                // No valley between them: one summit, the higher.
                Some(last) if last.1.min(here) - valley < least => {
                    if here > last.1 {
                        *last = (place, here);
                        valley = here;
                    }
                }
                _ => {
                    summits.push((place, here));
                    valley = here;
                }
            }
        }
        summits.into_iter().map(|summit| summit.0).collect()
    }

    /// A line as this one, `away_px` beside it and no wider than `width_px`.
    pub(super) fn beside(&self, away_px: f64, width_px: f64) -> Self {
        let mut other = self.clone();
        other.thread.axis[0] += away_px;
        other.thread.shape = Shape::of_width(width_px.min(self.thread.shape.width_px()).max(1.5));
        other.fresh = false;
        other.alive = true;
        other
    }

    /// Width and slit-to-blur ratio from the mean profile along the axis.
    fn shape_from_profile(&mut self, scene: &Scene<'_>) {
        let reach = (1.6 * self.thread.shape.width_px() + 6.0).min(90.0);
        let bins = (4.0 * reach) as usize + 1;
        let mut sum = vec![(0.0_f64, 0.0_f64); bins];
        for r in 0..self.rows {
            let y = self.first_row + r;
            let x = self.thread.x_at(y as f64);
            let row = scene.grey.row(y);
            let from = (x - reach).ceil().max(0.0) as usize;
            let to = ((x + reach).floor().max(-1.0) + 1.0).min(scene.grey.width as f64) as usize;
            let first = ((from as f64 - x + reach) * 2.0 + 0.5) as usize;
            let cells = sum.iter_mut().skip(first).step_by(2);
            let levels = row.iter().take(to).skip(from);
            for (cell, &level) in cells.zip(levels) {
                cell.0 += f64::from(scene.grey.level(level));
                cell.1 += 1.0;
            }
        }
        let value = |k: usize| (sum[k].1 > 0.0).then(|| sum[k].0 / sum[k].1);
        let middle = bins / 2;
        let core = (self.thread.shape.width_px() * 0.5) as usize + 2;
        let top = (middle.saturating_sub(core)..=(middle + core).min(bins - 1))
            .filter_map(|k| value(k).map(|v| (k, v)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        let Some((peak, top)) = top else { return };
        let floor = |range: std::ops::Range<usize>| {
            range.filter_map(value).fold(f64::INFINITY, |a, b| a.min(b))
        };
        let (left, right) = (floor(0..peak), floor(peak + 1..bins));
        let base = left.max(right);
        if !base.is_finite() || top <= base {
            return;
        }
        let cross = |level: f64, step: isize| {
            let mut k = peak as isize;
            let mut before = (0.0, top);
            loop {
                k += step;
                if k < 0 || k >= bins as isize {
                    return None;
                }
                if let Some(v) = value(k as usize) {
                    let place = (k - peak as isize).abs() as f64 / 2.0;
                    if v <= level {
                        let part = (before.1 - level) / (before.1 - v).max(1e-9);
                        return Some(before.0 + part * (place - before.0));
                    }
                    before = (place, v);
                }
            }
        };
        let at = |share: f64| {
            let level = base + share * (top - base);
            match (cross(level, -1), cross(level, 1)) {
                (Some(a), Some(b)) => Some((a, b)),
                _ => None,
            }
        };
        if let Some((a, b)) = at(0.5) {
            let width = (a + b).clamp(1.2, 80.0);
            if width > 1.5 * MOST_WIDTH_PX || 0.8 * (top - base) < swelling(width) * base {
                self.alive = false;
                return;
            }
            self.thread.shape = Shape::of_width(width);
            let shift = (peak as f64 - middle as f64) / 2.0 + (b - a) / 2.0;
            self.thread.axis[0] += shift.clamp(-width, width);
            // Sharp flanks: a wide slit.
            if let (Some((a8, b8)), Some((a2, b2))) = (at(0.8), at(0.2)) {
                let flank = ((a2 - a8) + (b2 - b8)) / 2.0;
                // 20 % to 80 % of a blurred edge takes 1.683 standard deviations.
                let blur = (flank / 1.683).clamp(0.45, width / 2.2);
                if blur < 0.3 * width {
                    self.thread.shape = Shape {
                        slit_px: width,
                        blur_px: blur,
                    };
                } else {
                    self.thread.shape = Shape {
                        slit_px: 0.6 * width,
                        blur_px: 0.38 * width,
                    };
                }
            }
        }
    }

    /// Cuts the strip out of the frame and takes the neighbours off.
    fn cut(
        &mut self,
        scene: &Scene<'_>,
        neighbours: &[Thread],
        spans: &[(usize, usize)],
        strip: &mut Strip,
    ) {
        let width = self.thread.shape.width_px();
        let half = (1.15 * width + 1.6 * self.thread.shape.blur_px + 4.0).min(110.0);
        let h = scene.grey.height;
        self.rows = self.rows.min(h - self.first_row.min(h));
        let across = (2.0 * half).ceil() as usize + 1;
        let ends = [self.first_row, self.first_row + self.rows];
        let steep = ends.map(|y| self.thread.slope_at(y as f64).abs());
        let per_row = rows_together(h, width, steep[0].max(steep[1]));
        strip.begin((self.first_row, self.rows), per_row, across);
        for r in 0..strip.rows {
            let x = self.thread.x_at(strip.y(r));
            let left = (x - half).round().clamp(-1e6, 1e6) as i32;
            strip.left.push(left);
            strip.add_rows(r, left, &scene.grey);
            let free = scene
                .hairs
                .is_none_or(|cross| !shade(strip, r, left, cross));
            strip.free.push(free);
        }
        strip.divide();
        for (other, span) in neighbours.iter().zip(spans) {
            let reach = other.shape.width_px() + 4.0 * other.shape.blur_px;
            let drawn = other.shape.drawn();
            for r in 0..strip.rows {
                let y = strip.y(r);
                let row = y as usize;
                if row < span.0 || row > span.1 {
                    continue;
                }
                let x = other.x_at(y) - f64::from(strip.left[r]);
                if x < -reach || x > across as f64 + reach {
                    continue;
                }
                // A span that was trimmed since the fit has rows without an amplitude.
                let Some(&amplitude) = other.amplitude.get(row - span.0) else {
                    continue;
                };
                let amplitude = amplitude as f32;
                let from = (x - reach).max(0.0) as usize;
                let to = ((x + reach).max(0.0) as usize + 1).min(across);
                for i in from..to {
                    let at = r * across + i;
                    let light = amplitude
                        * drawn.at(i as f32 - x as f32).value
                        * strip.hair[at].transmission;
                    strip.level[at] -= light;
                    strip.other[at] += light;
                }
            }
        }
    }

    /// Rows over which the line really reaches, from its smoothed amplitudes.
    fn reach(&self) -> Option<(usize, usize)> {
        let rows = self.rows;
        let half = 5_usize;
        // A step of the mean for all rows after the other, so that many rows are done at once.
        let information = &self.thread.information[..rows];
        let light: Vec<f64> = information
            .iter()
            .zip(&self.thread.raw[..rows])
            .map(|(information, raw)| information * raw)
            .collect();
        let mut sums = vec![0.0_f64; rows];
        let mut weights = vec![0.0_f64; rows];
        for k in 0..2 * half + 1 {
            // Row r takes row r + k - half.
            let to = half.saturating_sub(k).min(rows);
            let from = k.saturating_sub(half).min(rows);
            for (sum, light) in sums[to..].iter_mut().zip(&light[from..]) {
                *sum += light;
            }
            for (weight, information) in weights[to..].iter_mut().zip(&information[from..]) {
                *weight += information;
            }
        }
        let level: Vec<(f64, f64)> = sums
            .into_iter()
            .zip(&weights)
            .map(|(sum, &weight)| {
                if weight > 0.0 {
                    (sum / weight, sum / weight.sqrt())
                } else {
                    (0.0, 0.0)
                }
            })
            .collect();
        let mut lights: Vec<f64> = level.iter().map(|l| l.0).collect();
        let at = (rows * 3 / 4).min(rows - 1);
        let strong = *lights.select_nth_unstable_by(at, f64::total_cmp).1;
        if strong <= 0.0 {
            return None;
        }
        let total: f64 = level.iter().map(|l| l.1).sum();
        let faint = total / (rows as f64).sqrt() < 40.0;
        let limit = if faint { 0.3 } else { 0.2 } * strong;
        let present = |r: usize| level[r].0 > limit && (faint || level[r].1 > 2.5);
        // Rows of which hairs, dust or clipping leave next to nothing neither belong to it nor end it.
        let told = weights.iter().sum::<f64>() / rows as f64;
        let is_told = |r: usize| weights[r] > LEAST_TOLD * told;
        // The longest run, gaps of hairs bridged.
        let gap = if faint { 60 } else { 30 };
        let mut best: Option<(usize, usize)> = None;
        let mut run: Option<(usize, usize)> = None;
        let mut dark = 0;
        for r in 0..rows {
            if present(r) {
                run = Some(match run {
                    Some((a, _)) if dark < gap => (a, r),
                    _ => (r, r),
                });
                dark = 0;
                if let Some((a, b)) = run
                    && best.is_none_or(|(c, d)| b - a > d - c)
                {
                    best = Some((a, b));
                }
            } else if is_told(r) {
                dark += 1;
            }
        }
        let (a, b) = best?;
        // The smoothing reached beyond the ends.
        let (a, b) = (
            if a == 0 { 0 } else { a + half / 2 },
            if b + 1 == rows {
                b
            } else {
                b.saturating_sub(half / 2)
            },
        );
        (b > a).then_some((self.first_row + a, self.first_row + b))
    }

    /// One round: cut, fit, and find the ends. Sets `alive` to false if nothing is there.
    pub(super) fn measure(
        &mut self,
        scene: &Scene<'_>,
        neighbours: &[Thread],
        spans: &[(usize, usize)],
        iterations: usize,
        bench: &mut Bench,
    ) {
        let mut strip = std::mem::take(&mut bench.strip);
        self.cut(scene, neighbours, spans, &mut strip);
        let mut rules = Self::rules(iterations);
        if self.clipped {
            rules.shape_share = CLIPPED_SHAPE_SHARE;
        }
        self.alive = self.rows >= 8
            && self
                .thread
                .fit(&mut strip, scene.noise, scene.grey.clip, &rules, bench);
        self.thread.row_by_row(&strip);
        bench.strip = strip;
    }

    /// Follows the line to both ends from the rows where it was first seen.
    ///
    /// `neighbours` with their rows are taken off first; beside them the profile is not read anew. It ends on one of `others` that is
    /// too long to be a piece of it: then nothing new is there.
    pub(super) fn grow(
        &mut self,
        scene: &Scene<'_>,
        (neighbours, spans): (&[Thread], &[(usize, usize)]),
        others: &[Self],
        bench: &mut Bench,
    ) {
        if neighbours.is_empty() {
            self.shape_from_profile(scene);
            self.begin_at_flanks(scene);
        }
        if !self.alive {
            return;
        }
        for round in 0..7 {
            self.measure(
                scene,
                neighbours,
                spans,
                if round == 0 { 4 } else { 2 },
                bench,
            );
            let width = self.thread.shape.width_px();
            self.alive &= width < 1.5 * MOST_WIDTH_PX && !self.is_glow(0.8 * width);
            if !self.alive {
                return;
            }
            let place = self.place();
            let known =
                |other: &Self| 2 * other.rows >= scene.grey.height && other.explains(&place);
            if others.iter().any(known) {
                self.alive = false;
                return;
            }
            let Some((a, b)) = self.reach() else {
                self.alive = false;
                return;
            };
            let (first, last) = (self.first_row, self.first_row + self.rows - 1);
            let more = (self.rows / 2).max(24);
            let bottom = scene.grey.height - 1;
            let up = if a <= first + 8 && first > 0 && !self.ends_known {
                first.saturating_sub(more)
            } else {
                a
            };
            let down = if b + 8 >= last && last < bottom && !self.ends_known {
                (last + more).min(bottom)
            } else {
                b
            };
            let grown = up < first || down > last;
            self.fresh =
                neighbours.is_empty() && (up, down) == (first, last) && self.thread.settled;
            self.first_row = up;
            self.rows = down + 1 - up;
            if self.rows < 12 {
                self.alive = false;
                return;
            }
            if !grown {
                break;
            }
        }
    }

    /// Takes in some rows more at either end.
    pub(super) fn extend(&mut self, rows: usize, scene: &Scene<'_>) {
        let (first, last) = self.span();
        self.first_row = first.saturating_sub(rows);
        let end = (last + rows).min(scene.grey.height - 1);
        self.rows = (end + 1).saturating_sub(self.first_row);
    }

    /// Drops rows at which the line cannot be seen; for the last round.
    pub(super) fn trim(&mut self) {
        if let Some((a, b)) = self.reach() {
            let (before, kept) = (a - self.first_row, b + 1 - a);
            let thread = &mut self.thread;
            for values in [
                &mut thread.amplitude,
                &mut thread.raw,
                &mut thread.information,
                &mut thread.background,
            ] {
                values.drain(..before.min(values.len()));
                values.truncate(kept);
            }
            self.first_row = a;
            self.rows = kept;
        } else {
            self.alive = false;
        }
    }

    pub(super) fn span(&self) -> (usize, usize) {
        (self.first_row, (self.first_row + self.rows).max(1) - 1)
    }

    /// Mean amplitude and mean background over the rows.
    fn mean_light(&self) -> (f64, f64) {
        let n = self.rows.max(1) as f64;
        (
            self.thread.amplitude.iter().sum::<f64>() / n,
            self.thread.background.iter().sum::<f64>() / n,
        )
    }

    /// A wide swelling of a few per cent is vignetting or stray light, not a line.
    fn is_glow(&self, width: f64) -> bool {
        let (amplitude, background) = self.mean_light();
        amplitude < swelling(width) * background
    }

    /// Share of the line's rows on which a hair that runs along it lies over or right beside it. What a hair across the line
    /// takes from one flank it takes from the other a few rows on.
    fn share_beside_hair(&self, scene: &Scene<'_>, width: f64) -> f64 {
        let Some(cross) = scene.hairs else { return 0.0 };
        let (first, last) = self.span();
        let leans = cross.leans();
        let rows = (first..last + 1).step_by(ROWS_LOOKED_AT);
        let all = rows.len().max(1);
        let hits = rows
            .filter(|&y| {
                let x = self.thread.x_at(y as f64);
                (0..2).any(|h| {
                    let reach = cross.hairs[h].width_px + 0.6 * width;
                    cross.hairs[h].angle_deg.abs() < ALONG_DEG
                        && leans[h].distance_px(x, y as f64).abs() < reach
                })
            })
            .count();
        hits as f64 / all as f64
    }

    /// Steps of the order of a single level are left by compression, along the edges of its blocks.
    fn is_step_of_levels(&self, scene: &Scene<'_>) -> bool {
        let least = if self.is_short(scene) {
            2.0 * LEAST_STEPS
        } else {
            LEAST_STEPS
        };
        self.mean_light().0 < least * scene.grey.step()
    }

    /// Whether nobody knew it yet and it is short: a patch of noise or compression looks like that.
    fn is_short(&self, scene: &Scene<'_>) -> bool {
        !self.ends_known && (self.rows as f64) < SHORT_SHARE * scene.grey.height as f64
    }

    /// Whether it is darker on both sides than on the line: the rim of the field is a step, and no line.
    pub(super) fn stands_out(&self, scene: &Scene<'_>) -> bool {
        let width = self.thread.shape.width_px();
        let reach = (1.6 * width + 6.0).min(90.0);
        let bins = (2.0 * reach) as usize + 1;
        let mut sums = vec![(0.0_f64, 0_u32); bins];
        let leans = scene.hairs.map(CrossHairs::leans);
        for y in (self.first_row..self.first_row + self.rows).step_by(ROWS_LOOKED_AT) {
            let x = self.thread.x_at(y as f64);
            let from = (x - reach).ceil().max(0.0) as usize;
            let row = scene.grey.row(y).iter().enumerate().skip(from);
            for (column, &level) in row.take_while(|(column, _)| *column as f64 <= x + reach) {
                let pass = leans.zip(scene.hairs).map_or(1.0, |(leans, cross)| {
                    let pass = |h: usize| {
                        let away = leans[h].distance_px(column as f64, y as f64);
                        cross.hairs[h].transmission(away)
                    };
                    pass(0) * pass(1)
                });
                if let Some(sum) = sums.get_mut((column as f64 - x + reach) as usize)
                    && pass > LEAST_PASS
                {
                    sum.0 += f64::from(scene.grey.level(level)) / pass;
                    sum.1 += 1;
                }
            }
        }
        let mean = |bin: usize| {
            let sum = sums[bin];
            (sum.1 > 0).then(|| sum.0 / f64::from(sum.1))
        };
        let core = (0.5 * width) as usize + 1;
        let middle = reach as usize;
        let (from, to) = (middle.saturating_sub(core), (middle + core).min(bins - 1));
        let least = |range: std::ops::Range<usize>| range.filter_map(mean).reduce(f64::min);
        let top = (from..to + 1).filter_map(mean).reduce(f64::max);
        let floors = [least(0..from), least(to + 1..bins)];
        let floor = floors.into_iter().flatten().reduce(f64::max);
        // Where hairs or the picture's edge hide it, nothing is said against the line.
        let (Some(top), Some(floor)) = (top, floor) else {
            return true;
        };
        let clip = f64::from(scene.grey.clip);
        top - floor > STANDS_OUT * self.mean_light().0.min(clip - floor)
    }

    /// What a slightly wrong shade of a hair leaves along it is no line.
    pub(super) fn is_rim_of_hair(&self, scene: &Scene<'_>, width: f64) -> bool {
        let Some(cross) = scene.hairs else {
            return false;
        };
        let leans = cross.leans();
        (0..2).any(|h| {
            let hair = &cross.hairs[h];
            let reach = 2.0 * hair.width_px + width / 2.0 + 1.0;
            let aside = 2.0 * hair.width_px + width;
            let (mut beside, mut count) = (0, 0);
            let (mut here, mut around) = ((0.0, 0), [(0.0, 0); 2]);
            let (mut on_hair, mut by_hair) = ((0.0, 0), (0.0, 0));
            for y in (self.first_row..self.first_row + self.rows).step_by(ROWS_LOOKED_AT) {
                let x = self.thread.x_at(y as f64);
                let from_hair = leans[h].distance_px(x, y as f64);
                count += 1;
                if from_hair.abs() > reach {
                    continue;
                }
                beside += 1;
                let row = scene.grey.row(y);
                let level = |x: f64| {
                    let column = x.round();
                    (column >= 0.0)
                        .then(|| row.get(column as usize))
                        .flatten()
                        .map(|&v| f64::from(scene.grey.level(v)))
                };
                if from_hair.abs() < 0.5 * hair.width_px
                    && let Some(v) = level(x)
                {
                    on_hair.0 += v;
                    on_hair.1 += 1;
                }
                for side in [-hair.width_px, hair.width_px] {
                    if let Some(v) = level(x - from_hair + side) {
                        by_hair.0 += v;
                        by_hair.1 += 1;
                    }
                }
                let pass = hair.transmission(from_hair);
                if pass > LEAST_PASS
                    && let Some(v) = level(x)
                {
                    here.0 += v / pass;
                    here.1 += 1;
                }
                for (side, offset) in around.iter_mut().zip([-aside, aside]) {
                    if let Some(v) = level(x + offset) {
                        side.0 += v;
                        side.1 += 1;
                    }
                }
            }
            let mean = |of: (f64, i32)| (of.1 > 0).then(|| of.0 / f64::from(of.1));
            let (Some(left), Some(right)) = (mean(around[0]), mean(around[1])) else {
                return false;
            };
            let floor = left.min(right);
            // No broader than the hair, on it all along, and no lighter than its surroundings: where there is less light, or more
            // without shadow, a hair is shallower than it was, and taking its shade off leaves too much. What shines on either
            // side of the hair is no such thing, however dark its middle.
            if width < HAIR_WIDTHS * hair.width_px
                && on_hair.1 * 2 > count
                && mean(by_hair).is_some_and(|raw| raw < SHINES * left.max(right))
                && mean(on_hair)
                    .is_some_and(|raw| raw < left.max(right) + LEAST_STEPS * scene.grey.step())
            {
                return true;
            }
            // Sharpening leaves a faint halo that reaches farther than the shade.
            let faint = if width < 3.0 * hair.width_px {
                1.35
            } else {
                1.12
            };
            beside * 2 > count
                && width < 5.0 * hair.width_px
                && mean(here).is_some_and(|here| here < faint * floor)
        })
    }

    /// The result, or `None` if this is no line.
    pub(super) fn line(&self, scene: &Scene<'_>) -> Option<Line> {
        self.line_on_hair(scene)
            .filter(|line| self.seen_clear || !self.is_rim_of_hair(scene, line.width_px))
    }

    /// The same of a line of which it is known that it is not what a hair leaves.
    pub(super) fn line_on_hair(&self, scene: &Scene<'_>) -> Option<Line> {
        let thread = &self.thread;
        // Rows that were taken in since the last fit have no light yet.
        if !self.alive || self.rows < LEAST_ROWS || thread.raw.len() < self.rows {
            return None;
        }
        let width = thread.shape.width_px();
        let area = thread.shape.area_px();
        let (mut flux, mut variance, mut matched, mut peak) = (0.0, 0.0, 0.0, 0.0_f64);
        // A row of which hairs or clipping leave next to nothing is told by its neighbours.
        let least_information =
            LEAST_TOLD * thread.information.iter().sum::<f64>() / self.rows as f64;
        for r in 0..self.rows {
            if thread.information[r] <= least_information {
                flux += thread.amplitude[r] * area;
            } else {
                flux += thread.raw[r] * area;
                variance += area * area / thread.information[r];
                matched += thread.amplitude[r] * thread.raw[r] * thread.information[r];
                peak = peak.max(thread.amplitude[r] + thread.background[r]);
            }
        }
        // Correlated pixels make the flux as uncertain as they make the place.
        let scale = thread.inflation.max(thread.residual_scale).max(1.0);
        let signal_to_noise = (flux / variance.sqrt() / scale).min(matched.max(0.0).sqrt() / scale);
        let rows = self.rows as f64;
        let covariance_z = thread.covariance;
        let u = covariance_z[(0, 0)].max(0.0).sqrt();
        let tangent = thread.axis[1] / thread.scale;
        let middle = (self.first_row as f64) + rows / 2.0;
        let x_mid = thread.x_at(middle);
        let bow = thread.axis[2].abs() / 2.0 * (rows / 2.0 / thread.scale).powi(2);
        // What is seen with this much light has a place to match; a pattern of noise or compression has none.
        let vague = signal_to_noise < CLEAR_SIGNAL_TO_NOISE
            && u > MOST_VAGUE * width / (2.355 * signal_to_noise);
        let unlikely = self.is_short(scene) || !self.ends_known && tangent.abs() > STEEP;
        let least = if unlikely {
            UNLIKELY_SIGNAL_TO_NOISE
        } else {
            LEAST_SIGNAL_TO_NOISE
        };
        if signal_to_noise < least
            || signal_to_noise.is_nan()
            || vague
            || !u.is_finite()
            || width > MOST_WIDTH_PX
            || self.is_glow(width)
            || self.is_step_of_levels(scene)
            || width < 1.0
            || rows < 2.2 * width
            || tangent.abs() > 0.31
            || bow > MOST_BOW * rows
            || x_mid < 1.0
            || x_mid > scene.grey.width as f64 - 2.0
        {
            return None;
        }
        let clipped = (0..self.rows).any(|r| {
            let y = self.first_row + r;
            let x = thread.x_at(y as f64);
            let row = scene.grey.row(y);
            let to = ((x + width / 2.0 + 1.0).max(0.0) as usize).min(row.len());
            let from = ((x - width / 2.0).max(0.0) as usize).min(to);
            // The highest first, so that many pixels are done at once.
            let highest = row[from..to].iter().fold(0, |a, &b| a.max(b));
            to > from && scene.grey.level(highest) >= scene.grey.clip
        });
        let under_hair = scene.hairs.is_some_and(|cross| {
            let near = (0.02 * scene.grey.height as f64).max(4.0);
            [-near, -near / 2.0, 0.0, near / 2.0, near]
                .iter()
                .any(|dy| {
                    let y = scene.y_ref + dy;
                    let x = thread.x_at(y);
                    (0..2).any(|h| {
                        let reach = cross.hairs[h].width_px / 2.0 + width / 2.0;
                        // The level hair covers every line at this height, which says nothing.
                        cross.hairs[h].angle_deg.abs() < 60.0
                            && cross.distance_px(h, x, y).abs() < reach
                    })
                })
        });
        let by = [1.0, 1.0 / thread.scale, 1.0 / (thread.scale * thread.scale)];
        let mut covariance = [[0.0; 3]; 3];
        for (i, row) in covariance.iter_mut().enumerate() {
            for (j, cell) in row.iter_mut().enumerate() {
                *cell = covariance_z[(i, j)] * by[i] * by[j];
            }
        }
        let (first, last) = self.span();
        let of_clipping = if clipped { CLIPPED_SHARE * width } else { 0.0 };
        let shade_share = if self.seen_clear {
            KNOWN_SHADE_SHARE
        } else {
            SHADE_SHARE
        };
        let lasting_px = (shade_share * width * self.share_beside_hair(scene, width))
            .hypot(thread.lasting_px)
            .hypot(of_clipping);
        covariance[0][0] += lasting_px * lasting_px;
        // What cannot be told to half its width is no line that anybody sees.
        if u.hypot(lasting_px) > NO_PLACE * width {
            return None;
        }
        Some(Line {
            x_px: thread.axis[0],
            u_px: u.hypot(lasting_px),
            lasting_px,
            fixed_pattern: FixedPattern::default(),
            y_ref_px: scene.y_ref,
            tilt_deg: tangent.atan().to_degrees(),
            curvature_per_px: thread.axis[2] * by[2],
            covariance,
            width_px: width,
            slit_px: thread.shape.slit_px,
            blur_px: thread.shape.blur_px,
            peak_level: if clipped {
                1.0
            } else {
                (peak / f64::from(scene.grey.clip)).clamp(0.0, 1.0)
            },
            flux,
            signal_to_noise,
            saturated: clipped,
            under_hair,
            rows: (first, last),
        })
    }
}

/// How far a hair bows between the ends of the run of pixels about a line, 120 at most, px.
const MOST_SAGITTA_PX: f64 = 1.0;

/// Share of the background that a swelling of this width must exceed to be a line.
fn swelling(width: f64) -> f64 {
    if width > 15.0 {
        0.06 * (width / 15.0)
    } else {
        0.0
    }
}

/// Mean of what the hairs do to the pixels of a row of the strip; true if any of them touches it.
fn shade(strip: &mut Strip, row: usize, left: i32, cross: &CrossHairs) -> bool {
    let rows = strip.rows_of(row);
    let share = 1.0 / rows.len().max(1) as f32;
    let leans = cross.leans();
    let mut touched = false;
    for y in rows {
        let mut lean = [(0.0, 0.0); 2];
        let mut start = [0.0; 2];
        let mut here = false;
        for (h, hair) in cross.hairs.iter().enumerate() {
            let (dx, dy) = hair.direction();
            lean[h] = (-dy, dx);
            let reach = 1.6 * hair.width_px + 1.0;
            start[h] = leans[h].at_start_px(f64::from(left), strip.across, y as f64);
            let end = start[h] + lean[h].0 * strip.across as f64;
            here |= start[h].min(end) < reach && start[h].max(end) > -reach;
        }
        if !here {
            continue;
        }
        touched = true;
        let cells = &mut strip.hair[row * strip.across..(row + 1) * strip.across];
        for (i, cell) in cells.iter_mut().enumerate() {
            let at = hair_at(cross, &start, &lean, i);
            cell.transmission -= share * (1.0 - at.transmission);
            for h in 0..2 {
                cell.by_place[h] += share * at.by_place[h];
                cell.by_depth[h] += share * at.by_depth[h];
            }
        }
    }
    touched
}

fn hair_at(cross: &CrossHairs, start: &[f64; 2], lean: &[(f64, f64); 2], i: usize) -> HairAt {
    let mut out = HairAt::NONE;
    let mut share = [1.0_f64; 2];
    let mut by = [(0.0, 0.0); 2];
    for h in 0..2 {
        let d = start[h] + lean[h].0 * i as f64;
        let hair = &cross.hairs[h];
        let k = 4.0 * std::f64::consts::LN_2 / (hair.width_px * hair.width_px).max(0.01);
        let exponent = k * d * d;
        if exponent > 20.0 {
            continue;
        }
        let dip = (-exponent).exp();
        share[h] = 1.0 - hair.depth * dip;
        // d(transmission)/d(place of the hair) and d/d(depth).
        by[h] = (-hair.depth * 2.0 * k * d * dip, -dip);
    }
    out.transmission = (share[0] * share[1]) as f32;
    for h in 0..2 {
        out.by_place[h] = (by[h].0 * share[1 - h]) as f32;
        out.by_depth[h] = (by[h].1 * share[1 - h]) as f32;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    const ROWS: usize = 200;

    /// A line of the height 50 in the rows from 20 to 180, of which `told` says how much is known.
    fn draft(told: impl Fn(usize) -> f64) -> Draft {
        let shape = Shape::of_width(5.0);
        let mut thread = Thread::new(100.0, 100.0, [50.0, 0.0, 0.0], shape);
        let light = |row: usize| {
            if (20..180).contains(&row) { 50.0 } else { 0.0 }
        };
        thread.information = (0..ROWS).map(told).collect();
        thread.raw = (0..ROWS).map(light).collect();
        thread.amplitude.clone_from(&thread.raw);
        Draft {
            ends_known: true,
            ..Draft::begun(thread, 0, ROWS)
        }
    }

    /// Dust, or a hair that crosses at a small angle, hides many rows: the line goes on behind it, however it looks there.
    #[test]
    fn rows_of_which_nothing_is_known_do_not_end_a_line() {
        let hidden = 60..120;
        let mut spoiled = draft(|row| if hidden.contains(&row) { 0.0 } else { 1.0 });
        spoiled.thread.raw[hidden].fill(-3.0);
        let (first, last) = spoiled.reach().expect("a line");
        assert!((18..=24).contains(&first), "{first}");
        assert!((176..=182).contains(&last), "{last}");
        // Where it is known to be dark it ends.
        let mut broken = draft(|_| 1.0);
        broken.thread.raw[60..120].fill(0.0);
        let (first, last) = broken.reach().expect("a line");
        assert!(
            (18..=24).contains(&first) && (56..=64).contains(&last)
                || (116..=124).contains(&first) && (176..=182).contains(&last),
            "{first} to {last}"
        );
    }
}
