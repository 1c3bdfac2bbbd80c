//! Did the camera stay where it was? Cross-hairs of the whole clip, and jumps of the picture.
//!
//! The cross-hairs are fixed to the telescope and the camera to the eyepiece, so that they stand
//! still while lines move. A jump of the cross-hairs (or of the field of view where no cross-hairs
//! are seen) is a knock on the camera; it cuts the clip into stretches, in each of which the
//! cross-hairs have one position: the mean over its frames, robust, with the scatter taken from the frames.

use crate::find::{CrossHairs, Hair, Picture};

/// Least standard uncertainty of the cross-hairs however many frames are averaged, px: what the
/// pixel grid and the sensor's fixed pattern do to a still thread is the same in every frame (found on simulated footage: 96.6 % of
/// 828 coordinates of crossings lay within 1.96 standard uncertainties).
const FLOOR_PX: f64 = 0.0008;
/// The same as a share of what a single frame states: of its noise that share is the sensor's fixed pattern (found as above, on faint
/// hairs).
const PATTERN_IN_U: f64 = 0.25;
/// Less than this share of pictures that are the same as before is chance.
const LEAST_KEPT: f64 = 0.05;
/// From this share on it is the same picture, given twice.
const REPEATED: f32 = 0.98;
/// What a codec leaves of hairs, which never move, over what single frames state and the share of the picture that it leaves standing
/// (found on coded practice experiments; three codings of differing strength).
const KEPT_IN_U: f64 = 4.5;
/// Values of which can be told whether they wander.
const LEAST_TO_WANDER: usize = 8;
/// Where so many sightings of the hairs are clear, those whose uncertainty is so much larger are left out.
const CLEAR_SIGHTINGS: usize = 5;
const CLEAR_SHARE: f64 = 1.6;
/// Least jump that is taken for a knock, px: by the hairs, by the field of view.
const LEAST_JUMP_PX: f64 = 0.4;
const LEAST_FIELD_JUMP_PX: f64 = 2.0;
/// Frames on either side of a knock from which its size is taken.
const STRETCH_FRAMES: usize = 6;

/// One sighting of the cross-hairs (or of the middle of the field).
#[derive(Clone, Copy, Debug)]
struct Mark {
    time_s: f64,
    x_px: f64,
    y_px: f64,
    u_x_px: f32,
    u_y_px: f32,
}

/// A stretch of the clip without a knock.
#[derive(Clone, Debug)]
pub(super) struct Stretch {
    /// Times of its first and last mark; without end where no knock was before or after it, s.
    pub(super) from_s: f64,
    pub(super) to_s: f64,
    /// Mean position of the mark and its standard uncertainty, px.
    pub(super) x_px: f64,
    pub(super) y_px: f64,
    pub(super) u_x_px: f64,
    pub(super) u_y_px: f64,
    frames: usize,
    /// By what the mark wanders slower than from one sighting to the next, px, as a standard deviation; it does not move.
    pub(super) wander_px: f64,
}

/// What is known of the camera's hold over the clip.
#[derive(Clone, Debug)]
pub(super) struct Hold {
    pub(super) stretches: Vec<Stretch>,
    /// The stretch with most frames, in whose frame of reference positions are reported.
    pub(super) main: usize,
    /// Whether the mark is the cross-hairs (else the middle of the field).
    pub(super) by_hairs: bool,
    pub(super) cross_hairs: Option<CrossHairs>,
    /// Share of the picture that is usually the very frame before; what next to no frames of a sensor are counts as none.
    pub(super) kept: f64,
    /// Left and right edge of the field of view at the height of the hairs, px.
    pub(super) edges_px: Option<(f64, f64)>,
}

impl Hold {
    /// The stretch that holds a time; `None` between the last mark before a knock and the first after it, where nobody knows
    /// whether the camera had moved yet.
    pub(super) fn stretch_at(&self, time_s: f64) -> Option<&Stretch> {
        self.stretches
            .iter()
            .find(|s| (s.from_s..=s.to_s).contains(&time_s))
    }

    /// Whether it is known in which stretch a time lies.
    pub(super) fn knows(&self, time_s: f64) -> bool {
        self.stretches.len() < 2 || self.stretch_at(time_s).is_some()
    }

    /// Makes the hairs as uncertain as what compression leaves in every frame alike, px.
    pub(super) fn doubt_hairs(&mut self, lasting_px: f64) {
        for stretch in &mut self.stretches {
            stretch.u_x_px = stretch.u_x_px.hypot(lasting_px);
            stretch.u_y_px = stretch.u_y_px.hypot(lasting_px);
        }
        if let Some(hairs) = &mut self.cross_hairs {
            hairs.u_x_px = hairs.u_x_px.hypot(lasting_px);
            hairs.u_y_px = hairs.u_y_px.hypot(lasting_px);
        }
    }

    /// Variance of the shift from where the camera stood at a time to where it stood in the main stretch, px².
    pub(super) fn shift_variance(&self, time_s: f64) -> f64 {
        let Some(main) = self.main().filter(|_| self.stretches.len() > 1) else {
            return 0.0;
        };
        match self.stretch_at(time_s) {
            Some(here) if std::ptr::eq(here, main) => 0.0,
            // In the knock itself, the frames on both sides tell of the place.
            here => here.unwrap_or(main).u_x_px.powi(2) + main.u_x_px.powi(2),
        }
    }

    pub(super) fn main(&self) -> Option<&Stretch> {
        self.stretches.get(self.main)
    }
}

/// Collects marks frame by frame.
#[derive(Clone, Debug, Default)]
pub(super) struct Steadiness {
    hairs: Vec<Mark>,
    shapes: Vec<[f32; 9]>,
    fields: Vec<Mark>,
    radii: Vec<f32>,
    kept: Vec<f32>,
    recent: Vec<f64>,
}

impl Steadiness {
    /// Takes the share of a picture that is the very frame before.
    pub(super) fn kept(&mut self, share: f64) {
        self.kept.push(share as f32);
    }

    /// Takes one frame; gives the jump of the picture in x since the frames before, 0 if it stood still.
    pub(super) fn step(&mut self, time_s: f64, picture: &Picture) -> f64 {
        if let Some(field) = &picture.field
            && field.x_px.is_finite()
            && field.radius_px.is_finite()
        {
            self.fields.push(Mark {
                time_s,
                x_px: field.x_px,
                y_px: field.y_px,
                u_x_px: 0.3,
                u_y_px: 0.3,
            });
            self.radii.push(field.radius_px as f32);
        }
        let Some(hairs) = &picture.cross_hairs else {
            return 0.0;
        };
        if !(hairs.x_px.is_finite()
            && hairs.y_px.is_finite()
            && hairs.u_x_px > 0.0
            && hairs.u_y_px > 0.0)
        {
            return 0.0;
        }
        self.hairs.push(Mark {
            time_s,
            x_px: hairs.x_px,
            y_px: hairs.y_px,
            u_x_px: hairs.u_x_px as f32,
            u_y_px: hairs.u_y_px as f32,
        });
        let [a, b] = &hairs.hairs;
        self.shapes.push(
            [
                hairs.rotation_deg,
                a.angle_deg,
                a.bow_per_px,
                a.width_px,
                a.depth,
                b.angle_deg,
                b.bow_per_px,
                b.width_px,
                b.depth,
            ]
            .map(|v| v as f32),
        );
        let mut jump = 0.0;
        if self.recent.len() >= 3 {
            let usual = median(self.recent.clone());
            let here = hairs.x_px - usual;
            if here.abs() > (8.0 * hairs.u_x_px).max(1.0) {
                jump = here;
                self.recent.clear();
            }
        }
        if self.recent.len() >= 5 {
            self.recent.remove(0);
        }
        self.recent.push(hairs.x_px);
        jump
    }

    /// Where the hairs crossed when last seen, px.
    pub(super) fn hairs_now_px(&self) -> Option<f64> {
        self.hairs.last().map(|m| m.x_px)
    }

    /// Puts all frames together. `stacked` is a better sighting of the hairs in the mean of many frames, if the caller has one.
    pub(super) fn finish(self, stacked: Option<CrossHairs>) -> Hold {
        let by_hairs = self.hairs.len() >= 3;
        let kept = usually_kept(&self.kept);
        let stretches = if by_hairs {
            let mut stretches = stretches(&self.hairs, LEAST_JUMP_PX);
            let usual = |u: fn(&Mark) -> f32| {
                median(self.hairs.iter().map(|mark| f64::from(u(mark))).collect())
            };
            let [left_x, left_y] =
                [usual(|m| m.u_x_px), usual(|m| m.u_y_px)].map(|u| KEPT_IN_U * kept * u);
            for stretch in &mut stretches {
                stretch.u_x_px = stretch.u_x_px.hypot(stretch.wander_px).hypot(left_x);
                stretch.u_y_px = stretch.u_y_px.hypot(stretch.wander_px).hypot(left_y);
            }
            stretches
        } else {
            stretches(&self.fields, LEAST_FIELD_JUMP_PX)
        };
        let main = stretches
            .iter()
            .enumerate()
            .max_by_key(|(_, s)| s.frames)
            .map_or(0, |(k, _)| k);
        let mut hold = Hold {
            stretches,
            main,
            by_hairs,
            cross_hairs: None,
            kept,
            edges_px: None,
        };
        if by_hairs && let Some(stretch) = hold.main() {
            let shape = |k: usize| median(self.shapes.iter().map(|s| f64::from(s[k])).collect());
            hold.cross_hairs = Some(CrossHairs {
                x_px: stretch.x_px,
                y_px: stretch.y_px,
                u_x_px: stretch.u_x_px,
                u_y_px: stretch.u_y_px,
                rotation_deg: shape(0),
                hairs: [
                    Hair {
                        angle_deg: shape(1),
                        bow_per_px: shape(2),
                        width_px: shape(3),
                        depth: shape(4),
                    },
                    Hair {
                        angle_deg: shape(5),
                        bow_per_px: shape(6),
                        width_px: shape(7),
                        depth: shape(8),
                    },
                ],
            });
        }
        if let Some(stacked) = stacked
            && hold.stretches.len() <= 1
            && stacked.x_px.is_finite()
            && stacked.y_px.is_finite()
        {
            // The stack sees the same frames with less noise: it replaces the mean of the frames.
            let (u_x, u_y) = (
                stacked.u_x_px.hypot(FLOOR_PX),
                stacked.u_y_px.hypot(FLOOR_PX),
            );
            let (from_s, to_s, frames) = hold
                .stretches
                .first()
                .map_or((f64::NEG_INFINITY, f64::INFINITY, 0), |s| {
                    (s.from_s, s.to_s, s.frames)
                });
            hold.by_hairs = true;
            hold.main = 0;
            hold.stretches = vec![Stretch {
                from_s,
                to_s,
                x_px: stacked.x_px,
                y_px: stacked.y_px,
                u_x_px: u_x,
                u_y_px: u_y,
                frames,
                wander_px: 0.0,
            }];
            hold.cross_hairs = Some(CrossHairs {
                u_x_px: u_x,
                u_y_px: u_y,
                ..stacked
            });
        }
        if !self.fields.is_empty() {
            let x = median(self.fields.iter().map(|m| m.x_px).collect());
            let y = median(self.fields.iter().map(|m| m.y_px).collect());
            let radius = median(self.radii.iter().map(|r| f64::from(*r)).collect());
            let height = hold.cross_hairs.as_ref().map_or(0.0, |c| c.y_px - y);
            let half = (radius * radius - height * height).max(0.0).sqrt();
            hold.edges_px = Some((x - half, x + half));
        }
        hold
    }
}

/// Cuts the marks at jumps and averages each stretch.
fn stretches(marks: &[Mark], least_jump_px: f64) -> Vec<Stretch> {
    if marks.is_empty() {
        return Vec::new();
    }
    let mut cuts = vec![0];
    cut(marks, 0, marks.len(), least_jump_px, &mut cuts);
    cuts.push(marks.len());
    cuts.sort_unstable();
    let last = cuts.len() - 2;
    cuts.windows(2)
        .enumerate()
        .filter_map(|(k, w)| {
            let part = marks.get(w[0]..w[1])?;
            let (x_px, u_x_px) = mean(part, |m| (m.x_px, m.u_x_px));
            let (y_px, u_y_px) = mean(part, |m| (m.y_px, m.u_y_px));
            Some(Stretch {
                from_s: if k == 0 {
                    f64::NEG_INFINITY
                } else {
                    part.first()?.time_s
                },
                to_s: if k == last {
                    f64::INFINITY
                } else {
                    part.last()?.time_s
                },
                x_px,
                y_px,
                u_x_px,
                u_y_px,
                frames: part.len(),
                wander_px: wandering(&[
                    clear(part, |m| (m.x_px, m.u_x_px)).0,
                    clear(part, |m| (m.y_px, m.u_y_px)).0,
                ]),
            })
        })
        .collect()
}

/// Finds the largest lasting jump between `from` and `to`, and cuts there and in the parts.
fn cut(marks: &[Mark], from: usize, to: usize, least_jump_px: f64, cuts: &mut Vec<usize>) {
    if to - from < 2 * STRETCH_FRAMES || cuts.len() > 12 {
        return;
    }
    let part = &marks[from..to];
    let scatter = |f: fn(&Mark) -> f64| {
        1.48 * median(
            part.windows(2)
                .map(|w| (f(&w[1]) - f(&w[0])).abs())
                .collect(),
        ) / 1.41
    };
    let noise = [scatter(|m| m.x_px), scatter(|m| m.y_px)];
    let mut worst = (0.0, 0);
    for i in STRETCH_FRAMES..=part.len() - STRETCH_FRAMES {
        let ratio = [|m: &Mark| m.x_px, |m: &Mark| m.y_px]
            .iter()
            .zip(noise)
            .map(|(f, sd)| {
                let before = median(part[i - STRETCH_FRAMES..i].iter().map(f).collect());
                let after = median(part[i..i + STRETCH_FRAMES].iter().map(f).collect());
                let at_once = f(&part[i]) - f(&part[i - 1]);
                let jump = (after - before).abs();
                // A lasting jump that takes no time: most of it lies between two frames.
                if at_once * (after - before) > 0.3 * jump * jump || part.len() < 4 * STRETCH_FRAMES
                {
                    jump / (5.0 * sd).max(least_jump_px)
                } else {
                    0.0
                }
            })
            .fold(0.0, f64::max);
        let weight = (part[i].x_px - part[i - 1].x_px).hypot(part[i].y_px - part[i - 1].y_px);
        if ratio > 1.0 && weight > worst.0 {
            worst = (weight, i);
        }
    }
    if worst.1 > 0 {
        cuts.push(from + worst.1);
        cut(marks, from, from + worst.1, least_jump_px, cuts);
        cut(marks, from + worst.1, to, least_jump_px, cuts);
    }
}

/// Robust weighted mean with its standard uncertainty: Huber's weights, scatter taken from the
/// residuals if larger than stated, correlation of neighbouring frames allowed for.
fn mean(part: &[Mark], get: fn(&Mark) -> (f64, f32)) -> (f64, f64) {
    let (values, stated) = clear(part, get);
    weighted_mean(&values, &stated)
}

/// The clear sightings among the marks: one coordinate and its standard uncertainties.
fn clear(part: &[Mark], get: fn(&Mark) -> (f64, f32)) -> (Vec<f64>, Vec<f64>) {
    let u_of = |mark: &Mark| f64::from(get(mark).1).max(1e-4);
    let mut sizes: Vec<f64> = part.iter().map(u_of).collect();
    sizes.sort_by(f64::total_cmp);
    // A hair beside a line is seen along its ends only, and what is wrong there is wrong in every such frame.
    let limit = sizes
        .get(CLEAR_SIGHTINGS)
        .map_or(f64::INFINITY, |usual| CLEAR_SHARE * usual);
    part.iter()
        .filter(|mark| u_of(mark) <= limit)
        .map(|mark| (get(mark).0, u_of(mark)))
        .unzip()
}

/// By what coordinates of a thing at rest wander slower than from one sighting to the next, as one standard deviation, px; 0 where
/// chance can make it seem so.
///
/// A codec that codes what changes keeps its errors of what does not change for seconds, or for good: sightings that follow each
/// other agree much better than any of them is right. Of 80 means of coded cross-hairs 95 % lay within 1.96 standard
/// uncertainties with this as a part of them, 84 % without.
fn wandering(coordinates: &[Vec<f64>]) -> f64 {
    let (mut all, mut steps, mut count) = (0.0, 0.0, 0);
    for values in coordinates {
        if values.len() < LEAST_TO_WANDER {
            return 0.0;
        }
        let centre = median(values.clone());
        let away = |v: f64| (v - centre).abs();
        let most = 3.0 * 1.48 * median(values.iter().map(|&v| away(v)).collect());
        let squares: f64 = values.iter().map(|&v| away(v).min(most).powi(2)).sum();
        let step = |w: &[f64]| (w[1] - w[0]).abs().min(most).powi(2) / 2.0;
        all += squares / values.len() as f64;
        steps += values.windows(2).map(step).sum::<f64>() / (values.len() - 1) as f64;
        count += values.len();
    }
    // The ratio of both is known to the square root of their number (J. von Neumann, Ann. Math. Stat. 12, 367 (1941), from memory).
    let by_chance = 1.0 + 2.0 / f64::from(u32::try_from(count).unwrap_or(u32::MAX)).sqrt();
    ((all - by_chance * steps).max(0.0) / coordinates.len().max(1) as f64).sqrt()
}

/// See [`mean`]; also used for lines that stand still.
pub(super) fn weighted_mean(values: &[f64], stated: &[f64]) -> (f64, f64) {
    let mut centre = median(values.to_vec());
    let mut scale = 1.0;
    let mut information = 0.0;
    for _ in 0..8 {
        let z: Vec<f64> = values
            .iter()
            .zip(stated)
            .map(|(v, u)| (v - centre) / u)
            .collect();
        scale = (1.48 * median(z.iter().map(|z| z.abs()).collect())).max(1.0);
        let (mut sum, mut weights) = (0.0, 0.0);
        for ((v, u), z) in values.iter().zip(stated).zip(&z) {
            let w = (1.5 * scale / z.abs().max(1e-12)).min(1.0) / (u * u);
            sum += w * v;
            weights += w;
        }
        if weights > 0.0 {
            centre = sum / weights;
            information = weights;
        }
    }
    let residual: Vec<f64> = values
        .iter()
        .zip(stated)
        .map(|(v, u)| ((v - centre) / (u * scale)).clamp(-3.0, 3.0))
        .collect();
    let power: f64 = residual.iter().map(|r| r * r).sum::<f64>().max(1e-12);
    let rho = (residual.windows(2).map(|w| w[0] * w[1]).sum::<f64>() / power).clamp(0.0, 0.98);
    let variance = scale * scale / information.max(1e-12) * (1.0 + rho) / (1.0 - rho);
    let pattern = PATTERN_IN_U * median(stated.to_vec());
    (centre, variance.sqrt().hypot(FLOOR_PX).hypot(pattern))
}

/// The share that is usually kept of a picture. A camera may give pictures twice: those that are wholly the same say nothing,
/// unless nearly all are.
fn usually_kept(shares: &[f32]) -> f64 {
    let anew = shares.iter().filter(|share| **share < REPEATED);
    let anew: Vec<f64> = anew.map(|share| f64::from(*share)).collect();
    let kept = if 5 * anew.len() < shares.len() {
        median(shares.iter().map(|share| f64::from(*share)).collect())
    } else {
        median(anew)
    };
    if kept < LEAST_KEPT { 0.0 } else { kept }
}

/// Middle value; 0 for none.
pub(super) fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    if n == 0 {
        return 0.0;
    }
    if n % 2 == 1 {
        values[n / 2]
    } else {
        0.5 * (values[n / 2 - 1] + values[n / 2])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    /// Two coordinates of 60 sightings with noise of 0.01 px that lie off for as many sightings as `lasts`, each time by another 0.02 px.
    fn wanders(lasts: usize, random: &mut ChaCha8Rng) -> f64 {
        let mut normal = |sd: f64| {
            let by_chance: f64 = StandardNormal.sample(random);
            sd * by_chance
        };
        let coordinates = [0, 1].map(|_| {
            let mut off = 0.0;
            let sighting = |i: usize| {
                if i.is_multiple_of(lasts) {
                    off = normal(0.02);
                }
                off + normal(0.01)
            };
            (0..60).map(sighting).collect()
        });
        wandering(&coordinates)
    }

    #[test]
    fn pictures_given_twice_are_no_compression() {
        let twice: Vec<f32> = (0..40)
            .map(|k| if k % 2 == 0 { 1.0 } else { 0.0 })
            .collect();
        assert!(usually_kept(&twice) <= 0.0);
        assert!(usually_kept(&[]) <= 0.0);
        assert!((usually_kept(&[0.3, 0.4, 1.0, 0.5]) - 0.4).abs() < 1e-6);
        assert!((usually_kept(&[1.0; 9]) - 1.0).abs() < 1e-6);
    }

    #[test]
    fn what_lasts_is_told_from_noise() {
        let mut random = ChaCha8Rng::seed_from_u64(3);
        let mean = |lasts: usize, random: &mut ChaCha8Rng| {
            (0..200).map(|_| wanders(lasts, random)).sum::<f64>() / 200.0
        };
        let (each, long) = (mean(1, &mut random), mean(15, &mut random));
        assert!(each < 0.001, "{each}");
        assert!((0.013..0.022).contains(&long), "{long}");
    }
}
