//! The pixels about a group of lines in bands of rows, and the lines themselves.

use std::ops::Range;

use super::super::axis::rows_together;
use super::super::lines::Scene;
use super::super::rowsum::LANES;
use super::super::shape::{ProfileTable, Shape, dip};
use super::super::thread::Expected;
use super::{Joint, MOST_LINES};

/// Product of the runs of a hair and a line within a band, at most, px²: what it does to their mean product is in the model to
/// first order.
const RUN_TOGETHER_PX2: f64 = 0.1;
/// Farther from its middle than this many widths a line has no light to speak of.
const LIT_WIDTHS: f64 = 1.3;
/// A band at an end of a line that has less than this share of the light of those so many bands farther in, by so many standard
/// uncertainties, does not belong to it.
const DARKER: f64 = 0.9;
const DARKER_IN_U: f64 = 4.0;
const FARTHER_IN: Range<usize> = 2..5;

/// One line of the group.
#[derive(Clone, Debug, Default)]
pub(super) struct Member {
    pub(super) axis: [f64; 3],
    pub(super) shape: Shape,
    /// Per band: smooth amplitude, raw amplitude, information of the raw one.
    pub(super) amplitude: Vec<f64>,
    pub(super) raw: Vec<f64>,
    pub(super) information: Vec<f64>,
    /// First and last row.
    pub(super) rows: (usize, usize),
    /// Its bands that are lit as those farther in are.
    pub(super) lit: Range<usize>,
    pub(super) profile: ProfileTable,
    /// The shape as it is drawn: widened by what the axis runs within a band.
    pub(super) drawn: Shape,
}

/// The pixels about the group, band after band.
#[derive(Clone, Debug, Default)]
pub(super) struct Bands {
    pub(super) first_row: usize,
    pub(super) last_row: usize,
    /// Rows averaged in a band.
    pub(super) rows: usize,
    pub(super) count: usize,
    /// Pixels of a band, filled up to whole lanes.
    pub(super) across: usize,
    /// Column of the first pixel of every band.
    pub(super) left: Vec<i32>,
    /// Mean level of the good pixels, their number, and mean transmission of the hairs.
    pub(super) level: Vec<f32>,
    pub(super) good: Vec<f32>,
    pub(super) pass: Vec<f32>,
    /// Share of the light that one hair takes from a band.
    pub(super) shade: Vec<f32>,
    /// The pixels of every band that a hair shades.
    pub(super) shaded: Vec<Range<usize>>,
    /// The hair that is fitted, if any.
    pub(super) hair: Option<usize>,
    /// That hair as it is known from elsewhere, and where it is in every band, px from the first pixel.
    pub(super) thread: Expected,
    pub(super) hair_x: Vec<f64>,
}

impl Joint {
    /// Averages the pixels about the group in bands. False if there are too few.
    pub(super) fn cut(&mut self, scene: &Scene<'_>, frame: (f64, f64)) -> bool {
        let (width, height) = (scene.grey.width, scene.grey.height);
        let members = &self.members[..self.lines];
        let bands = &mut self.bands;
        bands.first_row = members.iter().map(|m| m.rows.0).min().unwrap_or(0);
        bands.last_row = members
            .iter()
            .map(|m| m.rows.1)
            .max()
            .unwrap_or(0)
            .min(height - 1);
        if bands.last_row < bands.first_row + 8 {
            return false;
        }
        let reach =
            |m: &Member| (1.15 * m.shape.width_px() + 1.6 * m.shape.blur_px + 4.0).min(110.0);
        let halves: [f64; MOST_LINES] = std::array::from_fn(|k| members.get(k).map_or(0.0, reach));
        let span_at = |y: f64| {
            members.iter().zip(&halves).fold(
                (f64::INFINITY, f64::NEG_INFINITY),
                |(low, high), (m, half)| {
                    let x = m.x_at(y, frame);
                    (low.min(x - half), high.max(x + half))
                },
            )
        };
        // An upright hair whose shadow falls on the light of the lines along much of their height is fitted with them; one beside
        // them shades the background only, and is taken as it is known.
        let lit_at = |y: f64, margin: f64, x: f64| {
            members
                .iter()
                .any(|m| (m.x_at(y, frame) - x).abs() < LIT_WIDTHS * m.shape.width_px() + margin)
        };
        bands.hair = scene.hairs.and_then(|cross| {
            (0..2).find(|&h| {
                cross.hairs[h].angle_deg.abs() < 45.0
                    && (0..5)
                        .filter(|&i| {
                            let rows = (bands.last_row - bands.first_row) as f64;
                            let y = bands.first_row as f64 + rows * f64::from(i) / 4.0;
                            let margin = 0.8 * cross.hairs[h].width_px + 1.0;
                            cross.x_at(h, y).is_some_and(|x| lit_at(y, margin, x))
                        })
                        .count()
                        >= 2
            })
        });
        let steep = members.iter().fold(0.0_f64, |steep, m| {
            let ends = [bands.first_row, bands.last_row].map(|y| m.slope_at(y as f64, frame).abs());
            steep.max(ends[0]).max(ends[1])
        });
        let narrow = members
            .iter()
            .map(|m| m.shape.width_px())
            .fold(f64::INFINITY, f64::min);
        bands.rows = rows_together(height, narrow, steep);
        if let (Some(h), Some(cross)) = (bands.hair, scene.hairs) {
            let (dx, dy) = cross.hairs[h].direction();
            bands.thread.expect(&cross.hairs[h]);
            let lean = (dx / dy).abs().max(1e-4);
            // The hair's run within a band stays a small share of its width, and what hair and line run together small against
            // the widths of both.
            let by_width = 0.15 * cross.hairs[h].width_px / lean;
            let together = (RUN_TOGETHER_PX2 / (lean * steep.max(1e-4))).sqrt();
            let most = by_width.min(together) as usize;
            bands.rows = bands.rows.min(most.max(1));
        }
        bands.count = (bands.last_row + 1 - bands.first_row) / bands.rows;
        bands.last_row = bands.first_row + bands.count * bands.rows - 1;
        bands.left.clear();
        let mut across = 0.0_f64;
        for b in 0..bands.count {
            let (low, high) = span_at(bands.middle(b));
            bands.left.push(low.floor().clamp(-1e6, 1e6) as i32);
            across = across.max(high - low.floor());
        }
        bands.across = ((across.ceil() as usize) + 1).next_multiple_of(LANES);
        if bands.across > width + 256 {
            return false;
        }
        let pixels = bands.count * bands.across;
        for values in [&mut bands.level, &mut bands.good] {
            values.clear();
            values.resize(pixels, 0.0);
        }
        bands.pass.clear();
        bands.pass.resize(pixels, 1.0);
        bands.shaded.clear();
        bands.hair_x.clear();
        for b in 0..bands.count {
            let crossing = bands.hair.zip(scene.hairs);
            let at = crossing.and_then(|(h, cross)| cross.x_at(h, bands.middle(b)));
            bands
                .hair_x
                .push(at.map_or(f64::INFINITY, |x| x - f64::from(bands.left[b])));
            let shaded = bands.average(b, scene);
            bands.shaded.push(shaded);
        }
        true
    }

    pub(super) fn prepare_profiles(&mut self, frame: (f64, f64)) {
        let rows = self.bands.rows as f64;
        let middle = (self.bands.first_row + self.bands.last_row) as f64 / 2.0;
        for member in &mut self.members[..self.lines] {
            // Within a band the axis runs over slope x rows: a box, as wide as this.
            let run = member.slope_at(middle, frame) * rows;
            let blur = member.shape.blur_px.max(Shape::LEAST_BLUR_PX);
            let widened = Shape {
                slit_px: member.shape.slit_px,
                blur_px: (blur * blur + run * run * (1.0 - 1.0 / (rows * rows)) / 12.0).sqrt(),
            };
            member.profile.prepare(&widened, self.bands.across);
            member.drawn = widened;
        }
    }
}

impl Member {
    pub(super) fn x_at(&self, y: f64, (y_ref, scale): (f64, f64)) -> f64 {
        let z = (y - y_ref) / scale;
        self.axis[0] + z * (self.axis[1] + z / 2.0 * self.axis[2])
    }

    /// dx/dy.
    pub(super) fn slope_at(&self, y: f64, (y_ref, scale): (f64, f64)) -> f64 {
        (self.axis[1] + (y - y_ref) / scale * self.axis[2]) / scale
    }

    /// Drops the rows at which the rim of the field cuts the line: it runs obliquely across its ends, and what it leaves of them
    /// lies beside the axis. A line that would lose most of its rows stays as it is.
    pub(super) fn keep_off_rim(&mut self, scene: &Scene<'_>, frame: (f64, f64)) {
        let half = 0.5 * self.shape.slit_px + 3.0 * self.shape.blur_px;
        let is_clear = |y: &usize| {
            let x = self.x_at(*y as f64, frame);
            scene.grey.is_clear(*y, (x - half, x + half))
        };
        let (first, last) = self.rows;
        let ends = (
            (first..=last).find(is_clear),
            (first..=last).rev().find(is_clear),
        );
        if let (Some(from), Some(to)) = ends
            && 2 * (to - from) > last - first
        {
            self.rows = (from, to);
        }
    }

    /// How many bands at an end, at most so many, have less light than those farther in; the bands are given from the end inwards.
    pub(super) fn dark_end(
        &self,
        inward: impl Iterator<Item = usize> + Clone,
        most: usize,
    ) -> usize {
        let mut dark = 0;
        for (at, band) in inward.clone().enumerate().take(most) {
            let (mut light, mut weight) = (0.0, 0.0);
            let farther_in = inward.clone().skip(at + FARTHER_IN.start);
            for other in farther_in.take(FARTHER_IN.len()) {
                light += self.information[other] * self.raw[other];
                weight += self.information[other];
            }
            let own = self.information[band];
            if own <= 0.0 || weight <= 0.0 {
                continue;
            }
            let short = DARKER * light / weight - self.raw[band];
            let variance = own.recip() + DARKER * DARKER / weight;
            if short > 0.0 && short * short > DARKER_IN_U * DARKER_IN_U * variance {
                dark = at + 1;
            }
        }
        dark
    }

    /// Whether it has light in a band, whose middle is at this height.
    pub(super) fn shines_in(&self, band: usize, y: f64) -> bool {
        self.reaches(y) && self.lit.contains(&band)
    }

    pub(super) fn reaches(&self, y: f64) -> bool {
        y >= self.rows.0 as f64 - 0.5 && y <= self.rows.1 as f64 + 0.5
    }
}

impl Bands {
    /// Height of the middle of a band, px.
    pub(super) fn middle(&self, band: usize) -> f64 {
        (self.first_row + band * self.rows) as f64 + (self.rows as f64 - 1.0) / 2.0
    }

    /// Averages one band; gives the pixels that a hair shades.
    pub(super) fn average(&mut self, band: usize, scene: &Scene<'_>) -> Range<usize> {
        let left = self.left[band];
        let span = band * self.across..(band + 1) * self.across;
        let level = &mut self.level[span.clone()];
        let good = &mut self.good[span.clone()];
        let first = self.first_row + band * self.rows;
        for y in first..first + self.rows {
            scene.grey.add_row(y, left, level, good);
        }
        for (sum, &count) in level.iter_mut().zip(&*good) {
            *sum /= count.max(1.0);
        }
        self.shade(band, first, left, scene)
    }

    /// Mean transmission of the hairs over one band; gives the pixels that they shade.
    pub(super) fn shade(
        &mut self,
        band: usize,
        first: usize,
        left: i32,
        scene: &Scene<'_>,
    ) -> Range<usize> {
        let mut shaded = (self.across, 0);
        let Some(cross) = scene.hairs else {
            return 0..0;
        };
        let span = band * self.across..(band + 1) * self.across;
        let leans = cross.leans();
        for (h, lean) in leans.into_iter().enumerate() {
            let hair = &cross.hairs[h];
            let by_x = -hair.direction().1;
            let reach = 1.6 * hair.width_px + 1.0;
            let (width, depth) = (hair.width_px.max(0.1) as f32, hair.depth as f32);
            let share = 1.0 / self.rows as f32;
            let mut here = false;
            for y in first..first + self.rows {
                let at = lean.at_start_px(f64::from(left), self.across, y as f64);
                let end = at + by_x * self.across as f64;
                if at.min(end) > reach || at.max(end) < -reach {
                    continue;
                }
                if !here {
                    here = true;
                    self.shade.clear();
                    self.shade.resize(self.across, 0.0);
                }
                // Only where it can reach.
                let ends = [(reach - at) / by_x, (-reach - at) / by_x];
                let (from, to) = if by_x.abs() > 1e-3 {
                    let from = ends[0].min(ends[1]).floor().max(0.0) as usize;
                    (from, (ends[0].max(ends[1]).max(-1.0) + 2.0) as usize)
                } else {
                    (0, self.across)
                };
                for i in from..to.min(self.across) {
                    let away = at + by_x * i as f64;
                    if away.abs() >= reach {
                        continue;
                    }
                    shaded = (shaded.0.min(i), shaded.1.max(i + 1));
                    if self.hair != Some(h) {
                        self.shade[i] += share * depth * dip(away as f32 / width);
                    }
                }
            }
            // The shadow of the hair that is fitted is reckoned anew in every step.
            if here && self.hair != Some(h) {
                for (pass, shade) in self.pass[span.clone()].iter_mut().zip(&self.shade) {
                    *pass *= 1.0 - shade;
                }
            }
        }
        shaded.0.min(shaded.1)..shaded.1
    }
}
