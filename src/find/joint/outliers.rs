//! What no noise explains, and is left out of the fit: single pixels, bands in which a line strays, bands at its ends.

use super::super::lines::Scene;
use super::bands::Bands;
use super::{END_PX, Joint, LEAST_BANDS, Score, Vector, mean_square, moved_px};

/// Residual from which on the pixels of a band are looked at one by one, standard deviations of the usual residual.
const STRIKING: f64 = 5.0;
/// The same for the place of a line in a band.
const STRAY_BAND: f64 = 3.5;
/// The mean square of the residuals of a band over that of the middlemost, from which on it is left out at an end of a line.
const STRANGE_BAND: f64 = 6.0;

impl Joint {
    /// Leaves out pixels that no noise explains (dust, hot pixels); true if there were any.
    pub(super) fn strike_out(&mut self, scene: &Scene<'_>) -> bool {
        let (mut sum, mut count) = (0.0_f32, 0.0_f32);
        for r in self.residuals.iter().filter(|r| r.is_finite()) {
            sum += r.abs();
            count += 1.0;
        }
        if count < 20.0 {
            return false;
        }
        // Mean size of a normal deviate: sqrt(2/pi).
        let usual = (sum / count / 0.797_885).max(1.0);
        let limit = STRIKING as f32 * usual;
        for band in 0..self.bands.count {
            for i in 0..self.bands.across {
                let at = band * self.bands.across + i;
                let here = self.residuals[at];
                let strikes = here.abs() > limit && self.stands_out(band, i, here) > limit;
                if strikes {
                    self.struck.push((band, i));
                }
            }
        }
        for &(band, i) in &self.struck {
            self.bands.without_outliers(band, i, usual, scene);
            if self.known {
                // What they left tells nothing of the profile.
                self.residuals[band * self.bands.across + i] = f32::NAN;
            }
        }
        !self.struck.is_empty()
    }

    /// Leaves out bands in which a line will stand beside its axis, after a step, farther than the scatter of the others explains: a speck
    /// on one flank, too soft to stand out by itself. True if there were any.
    pub(super) fn strike_out_bands(&mut self, step: &Vector) -> bool {
        let mut changed = false;
        for i in 0..self.lines {
            let place = self.lines + 1 + i;
            let away = |of: &Score| {
                let root = of.information[i].max(1e-12).sqrt();
                (of.score[place] / root - moved_px(step, i, of.z) * root).abs()
            };
            let pulls = &mut self.pulls;
            pulls.clear();
            pulls.extend(
                self.scores
                    .iter()
                    .filter(|of| of.information[i] > 0.0)
                    .map(away),
            );
            if pulls.len() < LEAST_BANDS {
                continue;
            }
            let middle = pulls.len() / 2;
            let median = *pulls.select_nth_unstable_by(middle, f64::total_cmp).1;
            // Median of the sizes of normal deviates.
            let limit = STRAY_BAND * (median / 0.6745).max(1.0);
            for of in &self.scores {
                if of.information[i] > 0.0 && away(of) > limit {
                    let across = self.bands.across;
                    let pixels = of.band * across..(of.band + 1) * across;
                    self.bands.good[pixels.clone()].fill(0.0);
                    if self.known {
                        self.residuals[pixels].fill(f32::NAN);
                    }
                    changed = true;
                }
            }
        }
        changed
    }

    /// How far a residual is from those at the same distance from the lines two bands above and below: what is off along
    /// the whole line is the profile, not dust.
    pub(super) fn stands_out(&self, band: usize, i: usize, here: f32) -> f32 {
        let usual = [band.checked_sub(2), Some(band + 2)]
            .into_iter()
            .flatten()
            .filter_map(|b| self.residuals.get(b * self.bands.across + i))
            .filter(|r| r.is_finite())
            .fold((0.0, 0.0), |(sum, count), r| (sum + r, count + 1.0));
        if usual.1 > 0.0 {
            (here - usual.0 / usual.1).abs()
        } else {
            here.abs()
        }
    }

    /// Leaves out bands at the ends of lines in which the pixels are off the model by far more than in others, wherever they put the line:
    /// the rim of the field cuts it obliquely there. True if there were any.
    pub(super) fn strike_out_ends(&mut self) -> bool {
        if self.bands.hair.is_some() {
            // Where a hair ends, or the line on it, is not told yet.
            return false;
        }
        let across = self.bands.across;
        let misfits = &mut self.misfits;
        misfits.clear();
        misfits.extend(self.scores.iter().map(|of| {
            let pixels = of.band * across..(of.band + 1) * across;
            (of.band, mean_square(&self.residuals[pixels]))
        }));
        if misfits.len() < LEAST_BANDS {
            return false;
        }
        let middle = misfits.len() / 2;
        let median = misfits
            .select_nth_unstable_by(middle, |a, b| a.1.total_cmp(&b.1))
            .1
            .1;
        let limit = STRANGE_BAND * median.max(1.0);
        let mut changed = false;
        for &(band, misfit) in &self.misfits {
            if misfit > limit && self.is_at_end(band) {
                let pixels = band * across..(band + 1) * across;
                self.bands.good[pixels.clone()].fill(0.0);
                self.residuals[pixels].fill(f32::NAN);
                changed = true;
            }
        }
        changed
    }

    /// Whether a line begins or ends near this band.
    pub(super) fn is_at_end(&self, band: usize) -> bool {
        let y = self.bands.middle(band);
        self.members[..self.lines].iter().any(|member| {
            let (first, last) = member.rows;
            (y - first as f64).abs().min((y - last as f64).abs()) < END_PX
        })
    }
}

impl Bands {
    /// Averages one pixel of a band anew without what stands out of its column; where the whole column does, it is left out.
    pub(super) fn without_outliers(
        &mut self,
        band: usize,
        i: usize,
        usual: f32,
        scene: &Scene<'_>,
    ) {
        let at = band * self.across + i;
        let Ok(x) = usize::try_from(self.left[band] + i as i32) else {
            return;
        };
        let first = self.first_row + band * self.rows;
        let mut values: Vec<f32> = (first..first + self.rows)
            .filter_map(|y| scene.grey.row(y).get(x).map(|&v| scene.grey.level(v)))
            .filter(|&v| v < scene.grey.clip)
            .collect();
        let all = values.len();
        if all >= 3 {
            values.sort_by(f32::total_cmp);
            let median = values[all / 2];
            let limit = STRIKING as f32 * usual * scene.noise.variance(median).sqrt();
            values.retain(|v| (v - median).abs() <= limit);
        }
        if values.len() == all {
            values.clear();
        }
        let count = values.len() as f32;
        self.good[at] = count;
        self.level[at] = values.iter().sum::<f32>() / count.max(1.0);
    }
}
