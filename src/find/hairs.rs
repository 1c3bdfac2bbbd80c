//! Cross-hairs: coarse direction by the Hough transform of dark valleys, then a fit along each hair.
//!
//! Hough transform: R. O. Duda, P. E. Hart, Comm. ACM 15, 11 (1972), from memory; here imageproc's.

use image::{GrayImage, Luma};
use imageproc::hough::{LineDetectionOptions, detect_lines};

use super::axis::{Bench, LIT_SHARE, Rules, Strip, Thread, drawn_depth, rows_together};
use super::grey::{Grey, Noise};
use super::shape::Shape;
use super::{CrossHairs, Hair, Line};

/// Straight places to try, at most.
const MOST_TRIED: usize = 14;
/// Straight places across a hair that is seen alone, at most.
const MOST_CROSSING: usize = 3;
/// Steps of the slope of a straight place, steps that a hair leans from the square on another, and steps and pixels (of half
/// the picture) that it is moved to where it is darkest: the Hough transform knows whole degrees.
const SLOPE_STEP: f64 = 0.006;
const MOST_ASKEW: i32 = 8;
const TURNS: i32 = 3;
const SHIFTS: i32 = 2;
/// A valley is darker than pixels of half the picture that are so far from it.
const REACH: usize = 4;
/// A line whose light ends closer to a hair than this many widths of the hair spoils its rows; one that may have moved since it was
/// measured does so within two widths and this more, px.
const CLOSE_WIDTHS: f64 = 1.4;
const BESIDE_PX: f64 = 5.0;
/// A fit that moved a hair by less than this need not cut it out anew, px.
const AS_CUT_PX: f64 = 0.5;
/// A known hair that is seen farther than this from where it was is fitted anew where it is, px.
const ELSEWHERE_PX: f64 = 1.0;
/// A hair is begun with the shape of an earlier frame where the logarithm of the ratio of their widths is less than this.
const SAME_WIDTH: f64 = 0.1;
/// Logarithms of the ratios of widths and depths of two hairs of one cross, at most: both are spun from one thread.
/// One that is blurred by more than the other, as compression does, is as much wider as it is shallower, but for the third of these.
const UNLIKE: [f64; 3] = [0.4, 0.5, 0.3];
/// The same of hairs that were measured well; what a line does to one that lies on it is seen by this.
const LIKE: [f64; 3] = [0.2, 0.3, 0.0];
/// Less than this share of the picture's mean light comes through no eyepiece.
const DARK_SHARE: f64 = 0.5;
/// Light is looked for so far about the place where hairs cross, px.
const LOOK_ABOUT_PX: f64 = 10.0;
/// Hairs cross no farther beyond the end of what is seen of either than this share of that.
const BEYOND: f64 = 0.3;
/// Standard uncertainty of the place of a hair that was measured beside a line as if there were none, px.
const BESIDE_LINE_PX: f64 = 0.1;
/// Distortion bows a hair that does not go through its centre: prior standard deviation of how far each end lies off its tangent, as a share
/// of its half length. A distortion of 1 % at the rim does so much to a hair that passes the centre by a twentieth of its half length.
const BOW: f64 = 5e-4;
/// The same where one frame has to tell: what lies beside a hair bends it, too (0.1 and 0.5 thousandths were worse on simulated frames).
const ONE_BOW: f64 = 6e-5;
/// What lines near a hair and the profile it is taken to have leave of its place in a single frame, as a share of its width
/// (found on simulated frames without noise).
const MISFIT: f64 = 0.0008;
/// Depth over its standard deviation from which a hair counts as seen.
const LEAST_SIGNIFICANCE: f64 = 8.0;

/// Buffers of the search for hairs.
#[derive(Clone, Debug, Default)]
pub(super) struct HairSearch {
    /// The picture at half its size.
    half: Vec<f32>,
    /// How much darker each of its pixels is than both its surroundings, as a share of their light: across an upright hair,
    /// and across a level one.
    dips: [Vec<f32>; 2],
    /// The cross of the last search, and its hairs.
    pair: Option<(CrossHairs, [Found; 2])>,
    /// The clearest hair of the last search that found no cross of two hairs that are alike.
    pub(super) alone: Option<Found>,
    /// Of one row: the light about every pixel, across an upright hair and across a level one, and by how much the greater of
    /// both is above what makes a valley of it.
    light: [Vec<f32>; 2],
    excess: Vec<f32>,
    sums: Vec<u32>,
    strip: Strip,
    /// The shapes with which the hairs of the last frames were found, the level one first.
    shapes: [Option<Shape>; 2],
    /// Whether the hairs are told by this frame alone. Those of a clip are a mean of its frames, to which `follow` adds what lasts
    /// in all of them.
    pub(super) one_frame: bool,
}

/// A point and the unit vector along a straight place.
type Straight = ((f64, f64), (f64, f64));

/// A dark straight thread that passed all tests.
#[derive(Clone, Copy, Debug)]
pub(super) struct Found {
    /// A point on it, the unit vector along it there, pointing up or right, and its curvature to the normal (-y, x) of that, 1/px.
    pub(super) point: (f64, f64),
    pub(super) along: (f64, f64),
    pub(super) bow: f64,
    /// Covariance of (shift to the normal at the point in px, its change along the hair in rad, curvature in 1/px).
    pub(super) covariance: [[f64; 3]; 3],
    pub(super) width: f64,
    pub(super) depth: f64,
    pub(super) significance: f64,
    /// From where to where its shadow is seen, px along it from the point.
    pub(super) seen: (f64, f64),
}

impl Found {
    /// How far a point lies from it, px.
    fn away_px(&self, point: (f64, f64)) -> f64 {
        let (x, y) = (point.0 - self.point.0, point.1 - self.point.1);
        let along = x * self.along.0 + y * self.along.1;
        (y * self.along.0 - x * self.along.1 - self.bow / 2.0 * along * along).abs()
    }

    /// Its place at a distance along it from its point, px, and the vector along it there.
    fn at(&self, along: f64) -> ((f64, f64), (f64, f64)) {
        let (dx, dy) = self.along;
        let (aside, turn) = (self.bow / 2.0 * along * along, self.bow * along);
        (
            (
                self.point.0 + along * dx - aside * dy,
                self.point.1 + along * dy + aside * dx,
            ),
            (dx - turn * dy, dy + turn * dx),
        )
    }

    /// Variance of its shift to the normal at a distance along it from its point, px².
    fn variance_at(&self, along: f64) -> f64 {
        let by = [1.0, along, along * along / 2.0];
        let row = |i: usize| (0..3).map(|j| by[j] * self.covariance[i][j]).sum::<f64>();
        (0..3).map(|i| by[i] * row(i)).sum()
    }
}

impl HairSearch {
    /// The cross-hairs of the picture, or `None` where two crossing hairs cannot be seen.
    pub(super) fn run(
        &mut self,
        grey: &Grey<'_>,
        noise: &Noise,
        known: Option<&CrossHairs>,
        lines: &[Line],
        bench: &mut Bench,
    ) -> Option<CrossHairs> {
        let (w, h) = (grey.width, grey.height);
        if w < 48 || h < 48 {
            return None;
        }
        let mut found: Vec<Found> = Vec::new();
        self.alone = None;
        self.pair = None;
        if let Some(cross) = known {
            for hair in &cross.hairs {
                found.extend(self.known_hair(grey, noise, cross, hair, lines, bench));
            }
        } else {
            for (point, along) in self.directions(grey, noise) {
                if let Some(f) = self.follow(grey, noise, point, along, 4.0, lines, bench) {
                    found.push(f);
                }
            }
            // One alone: the other crosses it.
            let clearest = found
                .iter()
                .max_by(|a, b| a.significance.total_cmp(&b.significance))
                .copied();
            if let Some(one) = clearest
                && best_pair(&found, grey, &LIKE).is_none()
            {
                for (point, along) in self.crossing(&one, w / 2, h / 2) {
                    let width = one.width;
                    let clear = self.follow(grey, noise, point, along, width, lines, bench);
                    // Beside a line all along, it is measured as if there were none, and known less well.
                    let other = clear.or_else(|| {
                        let close = self.follow(grey, noise, point, along, width, &[], bench);
                        close.map(|mut close| {
                            close.covariance[0][0] += BESIDE_LINE_PX * BESIDE_LINE_PX;
                            close
                        })
                    });
                    found.extend(other);
                }
                if best_pair(&found, grey, &LIKE).is_none() {
                    self.alone = Some(one);
                }
            }
        }
        self.cross_of(&found, grey)
    }

    /// The cross that was found last, its upright hair measured again beside other lines; lines spoil no level hair.
    pub(super) fn run_again(
        &mut self,
        grey: &Grey<'_>,
        noise: &Noise,
        cross: &CrossHairs,
        lines: &[Line],
        bench: &mut Bench,
    ) -> Option<CrossHairs> {
        let is_same = |last: &CrossHairs| {
            let place = |cross: &CrossHairs| [cross.x_px, cross.y_px].map(f64::to_bits);
            place(last) == place(cross)
        };
        let Some((_, pair)) = self.pair.take().filter(|(last, _)| is_same(last)) else {
            return self.run(grey, noise, Some(cross), lines, bench);
        };
        let mut found = Vec::new();
        for (one, hair) in pair.iter().zip(&cross.hairs) {
            found.extend(if is_upright(one.along) {
                self.known_hair(grey, noise, cross, hair, lines, bench)
            } else {
                Some(*one)
            });
        }
        self.cross_of(&found, grey)
    }

    fn cross_of(&mut self, found: &[Found], grey: &Grey<'_>) -> Option<CrossHairs> {
        self.pair = best_pair(found, grey, &UNLIKE);
        self.pair.as_ref().map(|(cross, _)| cross.clone())
    }

    /// A hair of a known cross where it is now; `None` where it is not seen, or is spoilt by a line beside or under it.
    fn known_hair(
        &mut self,
        grey: &Grey<'_>,
        noise: &Noise,
        cross: &CrossHairs,
        hair: &Hair,
        lines: &[Line],
        bench: &mut Bench,
    ) -> Option<Found> {
        let along = hair.direction();
        let point = (cross.x_px, cross.y_px);
        let width = hair.width_px;
        let mut seen = self.follow(grey, noise, point, along, width, lines, bench);
        if let Some(elsewhere) = seen.filter(|f| f.away_px(point) > ELSEWHERE_PX) {
            // The camera was knocked: what lay about its old place is in its shape.
            let (point, along) = (elsewhere.point, elsewhere.along);
            seen = self.follow(grey, noise, point, along, width, lines, bench);
        }
        // A line beside or under the hair can spoil the fit: then the known hair is better.
        seen.filter(|f| (f.width / width.max(0.1)).ln().abs() < 0.3)
    }

    /// Where the dips along straight places across a hair are deepest, the deepest first; `w` and `h` of half the picture.
    fn crossing(&self, one: &Found, w: usize, h: usize) -> Vec<Straight> {
        let upright = one.along.1.abs() <= one.along.0.abs();
        // The direction across it, as a slope along the rows of an upright hair or the columns of a level one.
        let square = if upright {
            -one.along.1 / one.along.0
        } else {
            -one.along.0 / one.along.1
        };
        let slopes: Vec<f64> = (-MOST_ASKEW..=MOST_ASKEW)
            .map(|k| square + f64::from(k) * SLOPE_STEP)
            .collect();
        let across = if upright { w } else { h };
        let mut depths: Vec<(f32, f64, f64)> = (0..across)
            .filter_map(|x| {
                let deepest = slopes
                    .iter()
                    .map(|&slope| (self.depth_along(upright, x as f64, slope, w, h), slope))
                    .max_by(|a, b| a.0.total_cmp(&b.0))?;
                Some((deepest.0, x as f64, deepest.1))
            })
            .collect();
        depths.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut places: Vec<(f64, f64)> = Vec::new();
        for (_, x, slope) in depths {
            if places.iter().all(|place| (place.0 - x).abs() > 3.0) {
                places.push((x, slope));
            }
            if places.len() == MOST_CROSSING {
                break;
            }
        }
        places
            .into_iter()
            .map(|(x, slope)| whole(straight(upright, x, slope, w, h)))
            .collect()
    }

    /// Mean dip along a straight place that is at `at` in the middle of its run.
    fn depth_along(&self, upright: bool, at: f64, slope: f64, w: usize, h: usize) -> f32 {
        let (length, across) = if upright { (h, w) } else { (w, h) };
        let dips = &self.dips[usize::from(!upright)];
        let mut sum = 0.0;
        for k in 0..length {
            let x = (at + slope * (k as f64 - length as f64 / 2.0)).round();
            if x >= 0.0 && (x as usize) < across {
                let pixel = if upright {
                    k * w + x as usize
                } else {
                    x as usize * w + k
                };
                sum += dips.get(pixel).copied().unwrap_or(0.0);
            }
        }
        sum / length as f32
    }

    /// A straight place moved and turned a little to where the dips along it are deepest; of the picture at half its size.
    fn deepest_near(&self, point: (f64, f64), along: (f64, f64), w: usize, h: usize) -> Straight {
        let upright = along.1.abs() > along.0.abs();
        let (middle, slope) = if upright {
            let slope = along.0 / along.1;
            (point.0 + slope * (h as f64 / 2.0 - point.1), slope)
        } else {
            let slope = along.1 / along.0;
            (point.1 + slope * (w as f64 / 2.0 - point.0), slope)
        };
        let mut best = (f32::NEG_INFINITY, middle, slope);
        for turn in -TURNS..=TURNS {
            let slope = slope + f64::from(turn) * SLOPE_STEP;
            for shift in -SHIFTS..=SHIFTS {
                let at = middle + f64::from(shift);
                let depth = self.depth_along(upright, at, slope, w, h);
                if depth > best.0 {
                    best = (depth, at, slope);
                }
            }
        }
        let (_, at, slope) = best;
        straight(upright, at, slope, w, h)
    }

    /// Straight chains of dark valleys: a point and a direction for each, the richest first.
    fn directions(&mut self, grey: &Grey<'_>, noise: &Noise) -> Vec<Straight> {
        let (w, h) = (grey.width / 2, grey.height / 2);
        let half = &mut self.half;
        half.clear();
        for y in 0..h {
            grey.cells(2 * y, 2, &mut self.sums, half);
        }
        let (Ok(w32), Ok(h32)) = (u32::try_from(w), u32::try_from(h)) else {
            return Vec::new();
        };
        for dips in &mut self.dips {
            dips.clear();
            dips.resize(w * h, 0.0);
        }
        let mut valleys = GrayImage::new(w32, h32);
        let mut points: Vec<(f64, f64)> = Vec::new();
        // No pixel's limit is lower than this above it; whole rows are compared with that first.
        let least = 3.0 * (noise.least_variance().sqrt() * 0.6) * (1.0 - 1e-5);
        for y in REACH..h.saturating_sub(REACH) {
            for (dips, step) in self.dips.iter_mut().zip([1, w]) {
                valley_row(
                    half,
                    y * w,
                    w,
                    step,
                    dips,
                    &mut self.light[usize::from(step > 1)],
                );
            }
            let here = &half[y * w + REACH..(y + 1) * w - REACH];
            let lights = self.light[0].iter().zip(&self.light[1]);
            self.excess.clear();
            self.excess
                .extend(here.iter().zip(lights).map(|(&here, (&a, &b))| {
                    let light = if a > b { a } else { b };
                    let share = 0.06 * here;
                    light - (here + if share > least { share } else { least })
                }));
            const AT_ONCE: usize = 16;
            for (block, excess) in self.excess.chunks(AT_ONCE).enumerate() {
                if !excess.iter().fold(false, |any, &e| any | (e >= 0.0)) {
                    continue;
                }
                for i in block * AT_ONCE..block * AT_ONCE + excess.len() {
                    let at = y * w + REACH + i;
                    let here = half[at];
                    let sd = noise.variance(here).sqrt() * 0.6;
                    let limit = here + (3.0 * sd).max(0.06 * here);
                    let deep = [1, w].into_iter().zip(&self.light).any(|(step, light)| {
                        light[i] > limit && half[at - step] >= here && half[at + step] >= here
                    });
                    if deep {
                        let x = REACH + i;
                        valleys.put_pixel(x as u32, y as u32, Luma([255]));
                        points.push((x as f64, y as f64));
                    }
                }
            }
        }
        // A frame that is all valleys shows no hair.
        if points.len() < 20 || points.len() > w * h / 4 {
            return Vec::new();
        }
        let options = LineDetectionOptions {
            vote_threshold: (w.min(h) as u32 / 8).max(10),
            suppression_radius: 6,
        };
        type Scored = (usize, (f64, f64), (f64, f64));
        let mut scored: Vec<Scored> = detect_lines(&valleys, options)
            .iter()
            .map(|polar| {
                let angle = f64::from(polar.angle_in_degrees).to_radians();
                let normal = (angle.cos(), angle.sin());
                let r = f64::from(polar.r);
                let score = points
                    .iter()
                    .filter(|p| (p.0 * normal.0 + p.1 * normal.1 - r).abs() < 2.0)
                    .count();
                let middle = (w as f64 / 2.0, h as f64 / 2.0);
                let away = r - middle.0 * normal.0 - middle.1 * normal.1;
                let point = (middle.0 + away * normal.0, middle.1 + away * normal.1);
                (score, point, (-normal.1, normal.0))
            })
            .collect();
        scored.sort_by_key(|s| std::cmp::Reverse(s.0));
        scored.truncate(MOST_TRIED);
        scored
            .into_iter()
            .map(|(_, point, along)| whole(self.deepest_near(point, along, w, h)))
            .collect()
    }

    /// Fits one hair along its whole length; `None` unless it is dark, thin and long.
    #[expect(
        clippy::too_many_arguments,
        reason = "one call from each of two places"
    )]
    fn follow(
        &mut self,
        grey: &Grey<'_>,
        noise: &Noise,
        point: (f64, f64),
        along: (f64, f64),
        width: f64,
        lines: &[Line],
        bench: &mut Bench,
    ) -> Option<Found> {
        let upright = is_upright(along);
        let (at, slope, length) = if upright {
            ((point.0, point.1), along.0 / along.1, grey.height)
        } else {
            ((point.1, point.0), along.1 / along.0, grey.width)
        };
        let y_ref = length as f64 / 2.0;
        let scale = y_ref.max(1.0);
        let axis = [at.0 + slope * (y_ref - at.1), slope * scale, 0.0];
        let lean = (1.0 + slope * slope).sqrt();
        let as_before = self.shapes[usize::from(upright)].filter(|shape| {
            !self.one_frame && (shape.width_px() / (width * lean)).ln().abs() < SAME_WIDTH
        });
        let shape = as_before.unwrap_or_else(|| Shape::of_width(width * lean));
        let mut thread = Thread::new(y_ref, scale, axis, shape);
        for round in 0..3 {
            let before = thread.axis;
            let width = thread.shape.width_px();
            // What is not known to be a hair is taken as straight at first.
            let bow = match (self.one_frame, round) {
                (false, _) => BOW,
                (true, 0) => 0.0,
                (true, _) => ONE_BOW,
            };
            // Lines of this very frame are where they are said to be.
            let beside_px = if self.one_frame {
                CLOSE_WIDTHS * width
            } else {
                2.0 * width + BESIDE_PX
            };
            let lines = upright.then_some((lines, beside_px));
            cut(&mut self.strip, &thread, grey, lines);
            let rules = Rules {
                dark: true,
                bow_px: scale * bow,
                shape_share: 0.4,
                hair_place_px: 1e-3,
                hair_depth: 1e-3,
                iterations: match (self.one_frame, round) {
                    (false, _) => 6,
                    (true, 0) => 4,
                    (true, _) => 2,
                },
            };
            if !thread.fit(&mut self.strip, noise, grey.clip, &rules, bench) {
                return None;
            }
            let moved = (thread.axis[0] - before[0]).abs() + (thread.axis[1] - before[1]).abs();
            // What is struck out of a strip stands in one that is cut anew, so that it need not come to rest either.
            if bow > 0.0 && (thread.settled || !self.one_frame) && moved < AS_CUT_PX {
                break;
            }
        }
        let depth = drawn_depth(&thread);
        let width = thread.shape.width_px() / lean;
        let (significance, ends) = significance(&thread, depth)?;
        self.shapes[usize::from(upright)] = Some(thread.shape);
        if !(0.08..=1.15).contains(&depth) || !(1.0..=10.0).contains(&width) {
            return None;
        }
        let c = thread.covariance;
        if c[(0, 0)].is_nan() || c[(0, 0)] <= 0.0 || c[(0, 0)].sqrt() > 2.0 {
            return None;
        }
        let slope = thread.axis[1] / scale;
        let lean = (1.0 + slope * slope).sqrt();
        let lasting = if self.one_frame {
            thread.lasting_px.hypot(MISFIT * width)
        } else {
            0.0
        };
        // Rows run down, and along an upright hair is up.
        let down = if upright { -1.0 } else { 1.0 };
        // From x = a + b z + c z² along rows or columns to the shift across the hair, its change along the hair and its curvature.
        let by = [
            lean.recip(),
            down / (scale * lean.powi(2)),
            2.0 / (scale * scale * lean.powi(3)),
        ];
        let mut covariance: [[f64; 3]; 3] =
            std::array::from_fn(|i| std::array::from_fn(|j| by[i] * by[j] * c[(i, j)]));
        covariance[0][0] += (lasting * by[0]).powi(2);
        let from_middle = |share: f64| (share - 0.5) * length as f64 * lean;
        let seen = if upright {
            (-from_middle(ends.1), -from_middle(ends.0))
        } else {
            (from_middle(ends.0), from_middle(ends.1))
        };
        let (point, along) = if upright {
            ((thread.axis[0], y_ref), (-slope / lean, -1.0 / lean))
        } else {
            ((y_ref, thread.axis[0]), (1.0 / lean, slope / lean))
        };
        Some(Found {
            point,
            along,
            bow: by[2] * thread.axis[2],
            covariance,
            width,
            depth: depth.min(1.0),
            significance,
            seen,
        })
    }
}

/// The light about the pixels of the row that begins at `row` of a picture of `w` columns, `step` from pixel to pixel, and how much
/// darker each pixel is than that.
fn valley_row(
    half: &[f32],
    row: usize,
    w: usize,
    step: usize,
    dips: &mut [f32],
    light: &mut Vec<f32>,
) {
    let count = w - 2 * REACH;
    let at = row + REACH;
    let run = |from: usize| &half[from..from + count];
    let [far_before, before, here, after, far_after] = [
        run(at - REACH * step),
        run(at - 2 * step),
        run(at),
        run(at + 2 * step),
        run(at + REACH * step),
    ];
    light.resize(count, 0.0);
    let light = &mut light[..count];
    let dips = &mut dips[at..at + count];
    let less = |a: f32, b: f32| if a < b { a } else { b };
    let more = |a: f32, b: f32| if a > b { a } else { b };
    for i in 0..count {
        let near = less(before[i], after[i]);
        let about = more(near, less(far_before[i], far_after[i]));
        light[i] = about;
        dips[i] = less(more(1.0 - here[i] / more(about, 1.0), 0.0), 1.0);
    }
}

/// Cuts the surroundings of a hair out of the picture: row by row for an upright one, without what `lines` hide of it and without rows
/// in which the light of one ends closer to it than the distance beside them, px; column by column for one that is not (`None`).
fn cut(strip: &mut Strip, thread: &Thread, grey: &Grey<'_>, lines: Option<(&[Line], f64)>) {
    let width = thread.shape.width_px();
    let half = (1.6 * width + 4.0).min(40.0);
    let length = if lines.is_some() {
        grey.height
    } else {
        grey.width
    };
    // What a hair runs within a mean of rows makes it look shallower: half of what is allowed for a line.
    let steep = 2.0 * thread.slope_at(thread.frame().0).abs();
    let per_row = rows_together(length, width, steep);
    let across = (2.0 * half).ceil() as usize + 1;
    strip.begin((0, length), per_row, across);
    for r in 0..strip.rows {
        let y = strip.y(r);
        let x = thread.x_at(y);
        let left = (x - half).round().clamp(-1e6, 1e6) as i32;
        strip.left.push(left);
        strip.free.push(true);
        let Some((lines, beside_px)) = lines else {
            strip.add_columns(r, left, grey);
            continue;
        };
        // Right beside a line its light and the hair's shade cannot be told apart: such a row says nothing.
        let reaches = |line: &Line, more: f64| {
            y + more >= line.rows.0 as f64 && y <= line.rows.1 as f64 + more
        };
        let beside = lines.iter().any(|line| {
            reaches(line, 6.0) && (line.x_at(y) - x).abs() < 1.5 * line.width_px + beside_px
        });
        if beside {
            continue;
        }
        strip.add_rows(r, left, grey);
        // An upright hair is seen beside the lines.
        for line in lines.iter().filter(|line| reaches(line, 4.0)) {
            let reach = 1.5 * line.width_px + 1.0;
            let at = line.x_at(y) - f64::from(left);
            let from = (at - reach).ceil().clamp(0.0, across as f64) as usize;
            let to = ((at + reach).floor() + 1.0).clamp(0.0, across as f64) as usize;
            strip.count[r * across..(r + 1) * across][from..to.max(from)].fill(0.0);
        }
    }
    strip.divide();
}

/// Depth over its uncertainty, and the shares of the run between which the dip is seen; `None` unless the dip is there along the whole hair, as far as light shows it.
fn significance(thread: &Thread, depth: f64) -> Option<(f64, (f64, f64))> {
    const PARTS: usize = 16;
    let rows = thread.raw.len();
    let run_of = |part: usize| part * rows / PARTS..(part + 1) * rows / PARTS;
    // Light that did not come through the eyepiece casts no shadow: where it is much darker than along the lightest quarter of
    // the hair, beyond the field stop, no dip is asked for. A hair that runs askew may have most of its run there. Rows that
    // were left out beside a line say nothing of the light.
    let lights: [Option<f64>; PARTS] = std::array::from_fn(|part| {
        let seen = run_of(part).filter(|&r| thread.information[r] > 0.0);
        let (sum, count) = seen.fold((0.0, 0), |(sum, count), r| {
            (sum + thread.background[r].max(0.0), count + 1)
        });
        (count > 0).then(|| sum / f64::from(count))
    });
    let mut sorted: Vec<f64> = lights.iter().flatten().copied().collect();
    sorted.sort_by(f64::total_cmp);
    let least_light = LIT_SHARE * sorted.get(sorted.len() * 3 / 4).copied()?;
    let (mut all, mut told, mut dark) = (0.0, 0, 0);
    let mut ends = (PARTS, 0);
    for (part, light) in lights.into_iter().enumerate() {
        let (mut top, mut bottom) = (0.0, 0.0);
        for r in run_of(part) {
            let light = thread.background[r].max(0.0);
            top -= thread.information[r] * thread.raw[r] * light;
            bottom += thread.information[r] * light * light;
        }
        all += bottom;
        // Can this part tell a hair of this depth from none?
        if bottom > 0.0
            && depth * bottom.sqrt() > 4.0
            && light.is_some_and(|light| light >= least_light)
        {
            told += 1;
            if top / bottom > 0.5 * depth {
                dark += 1;
                ends = (ends.0.min(part), ends.1.max(part));
            }
        }
    }
    let scale = thread.residual_scale.max(1.0);
    let significance = depth * all.sqrt() / scale;
    (told >= 2
        && dark * 10 >= told * 8
        && ends.1 >= ends.0 + 3
        && significance > LEAST_SIGNIFICANCE)
        .then(|| {
            let share = |part: usize| part as f64 / PARTS as f64;
            (significance, (share(ends.0), share(ends.1 + 1)))
        })
}

/// Whether a hair along this unit vector is read row by row; all others are read column by column.
fn is_upright(along: (f64, f64)) -> bool {
    along.1.abs() > 0.9
}

/// The straight place at `at` in the middle of its run, with that slope along it; `w` and `h` of the picture.
fn straight(upright: bool, at: f64, slope: f64, w: usize, h: usize) -> Straight {
    let lean = slope.hypot(1.0);
    if upright {
        ((at, h as f64 / 2.0), (slope / lean, 1.0 / lean))
    } else {
        ((w as f64 / 2.0, at), (1.0 / lean, slope / lean))
    }
}

/// A place of the picture at half its size in the whole picture.
fn whole((point, along): Straight) -> Straight {
    ((2.0 * point.0 + 0.5, 2.0 * point.1 + 0.5), along)
}

/// The clearest cross that any two of them make whose widths and depths are no more `unlike` than that.
/// Those two come with it, the more upright one first.
pub(super) fn best_pair(
    found: &[Found],
    grey: &Grey<'_>,
    unlike: &[f64; 3],
) -> Option<(CrossHairs, [Found; 2])> {
    let (w, h) = (grey.width, grey.height);
    let mean = grey.mean();
    let mut best: Option<(f64, CrossHairs, [Found; 2])> = None;
    for (i, a) in found.iter().enumerate() {
        for b in &found[i + 1..] {
            let sine = a.along.0 * b.along.1 - a.along.1 * b.along.0;
            if sine.abs() < 0.87 {
                continue;
            }
            // Both are spun from one thread.
            let [wider, deeper] = [(a.width / b.width).ln(), (a.depth / b.depth).ln()];
            let blurred = wider * deeper < 0.0 && (wider + deeper).abs() < unlike[2];
            if wider.abs() > unlike[0] || deeper.abs() > unlike[1] && !blurred {
                continue;
            }
            let (s, t) = crossing_of(a, b);
            let ((x, y), along_a) = a.at(s);
            let (_, along_b) = b.at(t);
            if !(x > 0.0 && y > 0.0 && x < w as f64 && y < h as f64) {
                continue;
            }
            // Hairs cross where light comes through the eyepiece; what is drawn by the rim of the field crosses beyond it.
            if grey.mean_about(x, y, LOOK_ABOUT_PX) < DARK_SHARE * mean {
                continue;
            }
            // Nor do they cross beyond the end of either.
            let crosses = |f: &Found, along: f64| {
                let more = BEYOND * (f.seen.1 - f.seen.0);
                along > f.seen.0 - more && along < f.seen.1 + more
            };
            if !crosses(a, s) || !crosses(b, t) {
                continue;
            }
            // A shift of a hair across itself moves the crossing along the other hair.
            let (va, vb) = (a.variance_at(s), b.variance_at(t));
            let moved = |along: fn((f64, f64)) -> f64| {
                let squares = va * along(along_b).powi(2) + vb * along(along_a).powi(2);
                squares.sqrt() / sine.abs()
            };
            let (u_x, u_y) = (moved(|along| along.0), moved(|along| along.1));
            if !(u_x.is_finite() && u_y.is_finite()) || u_x.max(u_y) > 3.0 {
                continue;
            }
            let mut one = Hair::along(along_a, a.bow, a.width, a.depth);
            let mut two = Hair::along(along_b, b.bow, b.width, b.depth);
            let mut pair = [*a, *b];
            if two.angle_deg.abs() < one.angle_deg.abs() {
                std::mem::swap(&mut one, &mut two);
                pair.swap(0, 1);
            }
            let score = a.significance.min(b.significance) * sine.abs().powi(4);
            if best.as_ref().is_none_or(|best| score > best.0) {
                best = Some((
                    score,
                    CrossHairs {
                        x_px: x,
                        y_px: y,
                        u_x_px: u_x,
                        u_y_px: u_y,
                        rotation_deg: one.angle_deg.clamp(-45.0, 45.0),
                        hairs: [one, two],
                    },
                    pair,
                ));
            }
        }
    }
    best.map(|(_, cross, pair)| (cross, pair))
}

/// Where two hairs cross, as distances along each from its point, px.
fn crossing_of(a: &Found, b: &Found) -> (f64, f64) {
    // Newton's steps; the first is exact for straight hairs.
    const STEPS: usize = 3;
    let (mut s, mut t) = (0.0, 0.0);
    for _ in 0..STEPS {
        let ((pa, along_a), (pb, along_b)) = (a.at(s), b.at(t));
        let sine = along_a.0 * along_b.1 - along_a.1 * along_b.0;
        let (dx, dy) = (pb.0 - pa.0, pb.1 - pa.1);
        s += (dx * along_b.1 - dy * along_b.0) / sine;
        t += (dx * along_a.1 - dy * along_a.0) / sine;
    }
    (s, t)
}
