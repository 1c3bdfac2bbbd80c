//! How far a profile is from what the pixels show: the mean of the residuals at every distance from the axis.
//!
//! A slit image is no blurred box where a lamp's light is not monochromatic, a lens has coma or a coder has been at work. Such a
//! misfit is the same along the whole line and does not average out; pixels must not count more than it allows, or those that have
//! next to no noise of their own draw the fit.

/// Cells per pixel away from the axis, and the farthest distance, px.
const PER_PX: f64 = 2.0;
const REACH_PX: f64 = 60.0;
const CELLS: usize = (2.0 * REACH_PX * PER_PX) as usize;
/// Residuals that a cell needs to be told.
const LEAST: f64 = 20.0;

/// Sums of residuals by their distance from the axis.
#[derive(Clone, Debug, Default)]
pub(super) struct Likeness {
    cells: Vec<Cell>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Cell {
    weight: f64,
    sum: f64,
    count: f64,
}

impl Likeness {
    /// Starts anew.
    pub(super) fn begin(&mut self) {
        self.cells.clear();
        self.cells.resize(CELLS, Cell::default());
    }

    /// Takes a residual over its standard deviation, `away_px` to the right of the axis, of a line of so many standard deviations' height.
    pub(super) fn take(&mut self, away_px: f64, residual: f64, height: f64) {
        let at = (away_px + REACH_PX) * PER_PX;
        if let Some(cell) = self.cells.get_mut(at.max(0.0) as usize) {
            cell.weight += height * height;
            cell.sum += residual * height;
            cell.count += 1.0;
        }
    }

    /// Root mean square of the mean residual over all distances, without what noise makes of it; as a share of the line's height.
    pub(super) fn misfit(&self) -> f64 {
        let told = self.cells.iter().filter(|cell| cell.count >= LEAST);
        let (sum, count) = told.fold((0.0, 0.0), |(sum, count), cell| {
            let mean = cell.sum / cell.weight;
            (sum + mean * mean - cell.weight.recip(), count + 1.0)
        });
        if count < 4.0 {
            0.0
        } else {
            (sum / count).max(0.0).sqrt()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    /// Residuals of 200 bands about a line whose profile is off by `share`, up and down, with noise of the standard deviation `noise`.
    fn seen(share: f64, noise: f64) -> f64 {
        let mut random = ChaCha8Rng::seed_from_u64(5);
        let mut likeness = Likeness::default();
        likeness.begin();
        for band in 0..200 {
            for i in -6_i32..=6 {
                let away_px = f64::from(i) + 0.01 * f64::from(band);
                let even = away_px.floor().rem_euclid(2.0) < 0.5;
                let off = if even { share } else { -share };
                let by_chance: f64 = StandardNormal.sample(&mut random);
                likeness.take(away_px, off / noise + by_chance, 1.0 / noise);
            }
        }
        likeness.misfit()
    }

    #[test]
    fn a_misfit_is_told_from_noise() {
        assert!(seen(0.0, 0.05) < 0.004);
        let misfit = seen(0.03, 0.05);
        assert!((0.025..0.035).contains(&misfit), "{misfit}");
    }

    #[test]
    fn few_residuals_tell_nothing() {
        let mut likeness = Likeness::default();
        likeness.begin();
        for _ in 0..5 {
            likeness.take(0.0, 1e3, 1e3);
        }
        assert!(likeness.misfit() <= 0.0);
    }
}
