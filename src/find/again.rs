//! Lines of an earlier frame found again in the next one: only their surroundings are looked at.
//!
//! The light about a cluster of lines is summed along their axes, as they were, to one profile; the shift at which the
//! profile of the earlier frame fits it best says where the cluster went. From there all its lines are fitted
//! together ([`joint`](super::joint)). What does not look as it did sends the finder back to the whole picture.

use nalgebra::{SMatrix, SVector};

use super::joint::{Joint, Rules};
use super::lines::{Draft, Scene, Told};
use super::shape::Shape;
use super::widening::Widening;
use super::{CrossHairs, Line};

/// How far a line may be from where it is expected, px.
const REACH_PX: f64 = 40.0;
/// Lines nearer than this move together from one frame to the next, px.
const TOGETHER_PX: f64 = 48.0;
/// Steps of the search for the place of a cluster to less than a pixel, how far from its lines light is looked at in it, in their
/// widths, and how far it goes, px.
const FINER: usize = 2;
const FINER_WIDTHS: f64 = 1.5;
const FINER_REACH_PX: f64 = 1.0;
/// Share of the profile's variation that the earlier one must explain.
const ALIKE: f64 = 0.5;
/// A place this near to the expected one that explains this share is the line: nothing farther is looked at.
const NEAR_PX: usize = 12;
const CLEARLY_ALIKE: f32 = 0.8;
/// A line whose light or width changed by more than this factor is looked at with fresh eyes.
const CHANGED: f64 = 2.0;
/// Rows beyond the ends of a line that are looked at: the field stop cuts it elsewhere when it moves.
pub(super) const MORE_ROWS: usize = 10;
/// Iterations of the fit.
const ITERATIONS: usize = 4;
/// A line that was measured anew beside others in the same frame has the same variance but for this share.
const SAME: f64 = 0.1;

/// Buffers of the search for known lines.
#[derive(Clone, Debug, Default)]
pub(super) struct Again {
    sum: Vec<f32>,
    count: Vec<f32>,
    drafts: Vec<Draft>,
    used: Vec<f32>,
    /// What the lines of the last frame told of their profiles, in the lines' order; and the same of this frame.
    told: Vec<Profile>,
    telling: Vec<Profile>,
    /// How the lines of a cluster widen.
    widening: Vec<Widening>,
}

/// What is known of the profile of a line.
#[derive(Clone, Copy, Debug)]
struct Profile {
    /// Where the line was and what it looked like, by which it is known again.
    x_px: f64,
    shape: Shape,
    told: Told,
    widening: Widening,
    /// Whether it was seen in this or an earlier frame with no hair beside it.
    seen_clear: bool,
}

impl Profile {
    /// Whether it is that of a line that is expected there and was last seen with this shape.
    fn is_of(&self, x_px: f64, shape: &Shape) -> bool {
        let ratio = self.shape.variance_px2() / shape.variance_px2();
        (self.x_px - x_px).abs() < REACH_PX && (ratio - 1.0).abs() < SAME
    }
}

impl Again {
    /// The known lines in this frame; `None` if any of them cannot be recognised.
    ///
    /// `shape_known`: blur and slit are not fitted, for only focusing changes the one and the other grows evenly; nor is it asked how
    /// far their profiles are off where the frame before told it.
    pub(super) fn run(
        &mut self,
        scene: &Scene<'_>,
        known: &[Line],
        joint: &mut Joint,
        shape_known: bool,
    ) -> Option<Vec<Line>> {
        let rules = Rules {
            iterations: ITERATIONS,
            shape_known,
            seen_before: true,
            profile_trusted: false,
        };
        let mut lines = Vec::with_capacity(known.len());
        self.telling.clear();
        let mut from = 0;
        while from < known.len() {
            let mut to = from + 1;
            while to < known.len() && known[to].x_px - known[to - 1].x_px < TOGETHER_PX {
                to += 1;
            }
            let cluster = &known[from..to];
            let shift_px = self.shift_px(scene, cluster)?;
            self.drafts.clear();
            self.widening.clear();
            for (line, at) in cluster.iter().zip(from..) {
                let y = line.y_ref_px;
                let mut draft = Draft::from_line(line, line.x_at(y) + shift_px, y, scene);
                draft.extend(MORE_ROWS, scene);
                let shape = draft.thread.shape;
                let before = self.told.get(at);
                let told = before.filter(|before| shape_known && before.shape == shape);
                draft.told = told.map(|before| before.told);
                let same = before.filter(|before| before.is_of(line.x_px, &shape));
                let mut widening = same.map_or_else(|| Widening::begin(&shape), |of| of.widening);
                widening.advance();
                draft.thread.shape = widening.shape(&shape);
                draft.u2_variance = Some(widening.u2());
                draft.hair_before = same.and_then(|of| of.told.hair);
                draft.seen_clear = same.is_some_and(|of| of.seen_clear);
                self.widening.push(widening);
                self.drafts.push(draft);
            }
            for part in super::look::groups(&self.drafts, scene) {
                if !joint.fit(&mut self.drafts, &part, scene, rules) {
                    return None;
                }
            }
            let drafts = self.drafts.iter_mut().zip(&mut self.widening);
            for ((draft, widening), before) in drafts.zip(cluster) {
                draft.trim();
                let shape = draft.thread.shape;
                let line = draft.line(scene).filter(|line| is_alike(line, before))?;
                if let Some(told) = draft.told {
                    match told.u2_variance {
                        Some(u2) if shape_known => widening.take_known(&shape, u2),
                        Some(u2) => widening.take(&shape, u2),
                        None => {}
                    }
                    self.telling.push(Profile {
                        x_px: line.x_px,
                        shape,
                        told,
                        widening: *widening,
                        seen_clear: draft.seen_clear
                            || scene.hairs.is_some_and(|cross| !line.is_beside(cross)),
                    });
                }
                lines.push(line);
            }
            from = to;
        }
        let in_order = lines
            .windows(2)
            .all(|pair| pair[1].x_px - pair[0].x_px > 0.3 * pair[0].width_px.min(pair[1].width_px));
        std::mem::swap(&mut self.told, &mut self.telling);
        in_order.then_some(lines)
    }

    /// How far a cluster is from where it is expected, px, to about half a pixel.
    fn shift_px(&mut self, scene: &Scene<'_>, cluster: &[Line]) -> Option<f64> {
        let (first, last) = (cluster.first()?, cluster.last()?);
        let widest = cluster.iter().fold(0.0_f64, |w, line| w.max(line.width_px));
        let margin = REACH_PX + 1.5 * widest + 2.0;
        let from = (first.x_px - margin).floor();
        let run = (last.x_px - first.x_px + 2.0 * margin).ceil() as usize + 1;
        // Straightened along the axis of the brightest line.
        let guide = cluster
            .iter()
            .max_by(|a, b| a.flux.total_cmp(&b.flux))
            .unwrap_or(first);
        self.sum.clear();
        self.sum.resize(run, 0.0);
        self.count.clear();
        self.count.resize(run, 0.0);
        let width = scene.grey.width as i64;
        let step = ((guide.rows.1.saturating_sub(guide.rows.0)) / 160).max(1);
        let mut rows = 0.0_f32;
        let mut rounded = 0.0;
        for y in (guide.rows.0..=guide.rows.1.min(scene.grey.height - 1)).step_by(step) {
            rows += 1.0;
            let bend = guide.x_at(y as f64) - guide.x_px;
            let left = (from + bend).round() as i64;
            rounded += left as f64 - from - bend;
            let row = scene.grey.row(y);
            let begin = (-left).clamp(0, run as i64) as usize;
            let end = (width - left).clamp(0, run as i64) as usize;
            if begin >= end {
                continue;
            }
            let levels = &row[(left + begin as i64) as usize..(left + end as i64) as usize];
            for (sum, level) in self.sum[begin..end].iter_mut().zip(levels) {
                *sum += scene.grey.level(*level);
            }
            for count in &mut self.count[begin..end] {
                *count += 1.0;
            }
            if let Some(cross) = scene.hairs {
                self.take_out_hairs(cross, y, left, begin, levels, scene);
            }
        }
        for (sum, count) in self.sum.iter_mut().zip(&mut self.count) {
            if *count > 0.3 * rows {
                *sum /= *count;
                *count = 1.0;
            } else {
                *count = 0.0;
            }
        }
        // On the whole, the rows were laid on each other this far to the right of where they belong.
        let about_px = self.best_shift(cluster, from)?;
        let shift_px = self.shift_by_shape(cluster, from, about_px);
        Some(shift_px + rounded / f64::from(rows.max(1.0)))
    }

    fn take_out_hairs(
        &mut self,
        cross: &CrossHairs,
        y: usize,
        left: i64,
        begin: usize,
        levels: &[u16],
        scene: &Scene<'_>,
    ) {
        for (h, hair) in cross.hairs.iter().enumerate() {
            let reach = 0.9 * hair.width_px;
            let (dx, dy) = hair.direction();
            let at = (left as f64 + begin as f64 - cross.x_px) * -dy + (y as f64 - cross.y_px) * dx;
            // A level hair hides the whole row alike, which changes no profile.
            if dy.abs() < 0.2 || h > 1 {
                continue;
            }
            let (a, b) = ((-reach - at) / -dy, (reach - at) / -dy);
            let low = a.min(b).ceil().clamp(0.0, levels.len() as f64) as usize;
            let high = (a.max(b).floor() + 1.0).clamp(0.0, levels.len() as f64) as usize;
            let hidden = levels.get(low..high).unwrap_or(&[]);
            for (i, &level) in (begin + low..).zip(hidden) {
                self.sum[i] -= scene.grey.level(level);
                self.count[i] -= 1.0;
            }
        }
    }

    /// The shift at which a sum of the cluster's profiles explains most of the light that was gathered.
    fn best_shift(&mut self, cluster: &[Line], from: f64) -> Option<f64> {
        let reach = REACH_PX as isize;
        let widest = cluster.iter().fold(0.0_f64, |w, line| w.max(line.width_px));
        let (low, high) = (cluster.first()?.x_px, cluster.last()?.x_px);
        let half = 1.5 * widest + 2.0;
        let run = (high - low + 2.0 * half).ceil() as usize;
        let begin = low - half;
        self.used.clear();
        self.used.extend((0..run).map(|i| {
            let x = begin + i as f64;
            cluster
                .iter()
                .map(|line| {
                    let d = (x - line.x_px) / line.width_px;
                    let rows = (line.rows.1 + 1).saturating_sub(line.rows.0).max(1) as f64;
                    let height = line.flux / rows / line.width_px;
                    height * (-4.0 * std::f64::consts::LN_2 * d * d).exp()
                })
                .sum::<f64>() as f32
        }));
        let mut scores = [f32::NEG_INFINITY; 2 * REACH_PX as usize + 1];
        let start = (begin - from).round() as isize;
        // It is mostly where it is expected: only if it is not, everywhere is looked at.
        for near in [NEAR_PX as isize, reach] {
            for (k, score) in scores.iter_mut().enumerate() {
                let shift = k as isize - reach;
                if shift.abs() > near || score.is_finite() {
                    continue;
                }
                // What lies nearer to where the line is expected is the likelier one.
                let away = shift as f32 / reach as f32;
                *score =
                    self.likeness(start + shift).unwrap_or(f32::NEG_INFINITY) - 0.25 * away * away;
            }
            let best = scores.iter().fold(f32::NEG_INFINITY, |a, &b| a.max(b));
            let edges = [reach - near, reach + near].map(|k| scores[k as usize]);
            if best > CLEARLY_ALIKE && best > edges[0].max(edges[1]) {
                break;
            }
        }
        let best = (0..scores.len()).max_by(|&a, &b| scores[a].total_cmp(&scores[b]))?;
        if f64::from(scores[best]) < ALIKE {
            return None;
        }
        let shift = best as f64 - reach as f64;
        let neighbours = (best > 0).then(|| (scores[best - 1], scores.get(best + 1).copied()));
        let part = match neighbours {
            Some((before, Some(after))) if before.is_finite() && after.is_finite() => {
                let bend = f64::from(before - 2.0 * scores[best] + after);
                if bend < -1e-9 {
                    (0.5 * f64::from(before - after) / bend).clamp(-0.5, 0.5)
                } else {
                    0.0
                }
            }
            _ => 0.0,
        };
        Some(shift + part + (start as f64 - (begin - from)))
    }
}

impl Again {
    /// The shift to some hundredths of a pixel: by least squares of the gathered light with the profiles that the lines had, whose height,
    /// and the background with its slope, are fitted, too. What is not near `about_px` is not believed.
    fn shift_by_shape(&self, cluster: &[Line], from: f64, about_px: f64) -> f64 {
        let mut shift_px = about_px;
        for _ in 0..FINER {
            let mut normal = SMatrix::<f64, 4, 4>::zeros();
            let mut score = SVector::<f64, 4>::zeros();
            let middle = 0.5 * (cluster[0].x_px + cluster[cluster.len() - 1].x_px) + shift_px;
            for (i, (&level, &there)) in self.sum.iter().zip(&self.count).enumerate() {
                let x = from + i as f64;
                let (mut value, mut by_shift, mut seen) = (0.0, 0.0, false);
                for line in cluster {
                    let away = x - line.x_px - shift_px;
                    if away.abs() > FINER_WIDTHS * line.width_px {
                        continue;
                    }
                    seen = true;
                    let shape = Shape {
                        slit_px: line.slit_px,
                        blur_px: line.blur_px,
                    };
                    let at = shape.drawn().at(away as f32);
                    let rows = (line.rows.1 + 1).saturating_sub(line.rows.0).max(1) as f64;
                    let height = line.flux / rows / shape.area_px();
                    value += height * f64::from(at.value);
                    by_shift -= height * f64::from(at.by_place);
                }
                if !seen || there <= 0.0 {
                    continue;
                }
                let column = SVector::from([value, by_shift, 1.0, x - middle]);
                normal += column * column.transpose();
                score += column * f64::from(level);
            }
            let Some(found) = normal.cholesky().map(|normal| normal.solve(&score)) else {
                return about_px;
            };
            shift_px += found[1] / found[0];
            let near = (shift_px - about_px).abs() < FINER_REACH_PX;
            if found[0] <= 0.0 || !near {
                return about_px;
            }
        }
        shift_px
    }

    /// Share of the variation of the gathered light that the expected profile explains, begun at `start`; `None` where too
    /// little is seen or the light goes the other way.
    fn likeness(&self, start: isize) -> Option<f32> {
        let skip = usize::try_from(-start).unwrap_or(0);
        let at = usize::try_from(start).unwrap_or(0);
        let used = self.used.get(skip..)?;
        let (sum, count) = (self.sum.get(at..)?, self.count.get(at..)?);
        const LANES: usize = 4;
        let mut lanes = [[0.0_f32; LANES]; 6];
        let mut take = |lane: usize, x: f32, y: f32, there: f32| {
            let (tx, ty) = (there * x, there * y);
            for (sum, value) in lanes
                .iter_mut()
                .zip([there, tx, ty, tx * x, tx * y, ty * y])
            {
                sum[lane] += value;
            }
        };
        for ((x, y), there) in used
            .chunks(LANES)
            .zip(sum.chunks(LANES))
            .zip(count.chunks(LANES))
        {
            for (lane, ((&x, &y), &there)) in x.iter().zip(y).zip(there).enumerate() {
                take(lane, x, y, there);
            }
        }
        let [n, sx, sy, sxx, sxy, syy] = lanes.map(|lane| lane.iter().sum::<f32>());
        if n < 0.4 * self.used.len() as f32 {
            return None;
        }
        let (vx, vy) = (sxx - sx * sx / n, syy - sy * sy / n);
        let cov = sxy - sx * sy / n;
        (vx > 0.0 && vy > 0.0 && cov > 0.0).then(|| cov * cov / (vx * vy))
    }
}

/// Whether a line looks as it did a frame ago.
fn is_alike(line: &Line, before: &Line) -> bool {
    let near = |a: f64, b: f64| a < CHANGED * b && b < CHANGED * a;
    near(line.flux, before.flux)
        && (line.tilt_deg - before.tilt_deg).abs() < 3.0
        && line.u_px < 4.0 * before.u_px + 0.05
}
