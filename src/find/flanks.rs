//! Whether what a fit leaves is lopsided: the same along the whole thread and of opposite sense on its two flanks.
//!
//! A profile that is off in the same way on both flanks moves nothing; one that is lopsided moves the thread, and the part
//! of it that looks like a move is not in the residuals any more. A lopsided error of unknown shape has as much power in that
//! direction as in any other, so what is left tells how large it was.

/// Cells per pixel away from the axis.
const PER_PX: f64 = 2.0;
/// Residuals that a cell needs to be told.
const LEAST: f64 = 10.0;

/// Sums of residuals by their distance from the axis, right flank minus left flank.
#[derive(Clone, Debug, Default)]
pub(super) struct Flanks {
    cells: Vec<(f64, f64)>,
}

impl Flanks {
    /// Starts anew, for distances up to `reach_px`. False if that is too little to tell anything.
    pub(super) fn begin(&mut self, reach_px: f64) -> bool {
        let count = (reach_px.max(0.0) * PER_PX) as usize;
        self.cells.clear();
        self.cells.resize(count, (0.0, 0.0));
        count >= 3
    }

    /// Takes a residual over its standard deviation, `away_px` to the right of the axis; not a number counts as none.
    pub(super) fn take(&mut self, away_px: f64, residual: f32) {
        let cell = self.cells.get_mut((away_px.abs() * PER_PX) as usize);
        if let Some(cell) = cell.filter(|_| residual.is_finite()) {
            cell.0 += f64::from(residual) * away_px.signum();
            cell.1 += 1.0;
        }
    }

    /// Chi-squared per degree of freedom: 1 for independent residuals, and where nothing can be told.
    pub(super) fn lopsided(&self) -> f64 {
        let told = self.cells.iter().filter(|cell| cell.1 > LEAST);
        let (sum, count) = told.fold((0.0, 0.0), |(sum, count), cell| {
            (sum + cell.0 * cell.0 / cell.1, count + 1.0)
        });
        // One degree of freedom went into the place.
        if count < 3.0 {
            1.0
        } else {
            sum / (count - 1.0)
        }
    }
}

/// Standard uncertainty that a lopsided misfit leaves, px, for a place whose uncertainty from independent pixels is `naive_px`
/// and whose rows scatter `inflation` times more than those.
pub(super) fn lasting_px(naive_px: f64, inflation: f64, lopsided: f64) -> f64 {
    naive_px * (lopsided - 1.5 * inflation * inflation).max(0.0).sqrt()
}
