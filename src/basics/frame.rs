//! One picture of the eyepiece.
//!
//! Pixel convention, here and everywhere: (0, 0) is the centre of the top-left pixel, x to the
//! right, y down, so pixel `(column, row)` covers `column ± 0.5`, `row ± 0.5`.

use ndarray::{Array2, ArrayView2};

/// Grey levels of one frame with the time at which it was taken.
///
/// Levels are those of the source, untouched: no gamma is undone, no range stretched. A colour
/// picture is stored as the sum of its planes, and a pixel of which any plane is clipped is stored
/// at `full_scale`, so "at or above `full_scale`" always means "clipped: a bound, not a measurement".
#[derive(Clone, Debug)]
pub struct Frame {
    /// Shape (rows, columns), standard layout.
    pub levels: Array2<u16>,
    /// Level of no light: 0, or 16 for video of limited range.
    pub black: u16,
    /// Level from which on a pixel is clipped.
    pub full_scale: u16,
    /// Seconds from the first frame of the source, by the source's own time stamps.
    pub time_s: f64,
    /// Number of the frame in its source, from 0; numbers of lost frames are skipped.
    pub number: u64,
}

impl Frame {
    /// An empty frame, to be filled by a source.
    #[must_use]
    pub fn empty() -> Self {
        Self {
            levels: Array2::zeros((0, 0)),
            black: 0,
            full_scale: 255,
            time_s: 0.0,
            number: 0,
        }
    }

    /// Columns.
    #[must_use]
    pub fn width(&self) -> usize {
        self.levels.ncols()
    }

    /// Rows.
    #[must_use]
    pub fn height(&self) -> usize {
        self.levels.nrows()
    }

    /// The grey levels, shape (rows, columns).
    #[must_use]
    pub fn view(&self) -> ArrayView2<'_, u16> {
        self.levels.view()
    }

    /// Gives the frame a new size; allocates only if the size changes. The levels are left as they are.
    pub fn resize(&mut self, width: usize, height: usize) {
        if self.levels.dim() != (height, width) {
            self.levels = Array2::zeros((height, width));
        }
    }

    /// A level as a share of the full scale, 0 at black and 1 where clipping starts.
    #[must_use]
    pub fn share_of_full_scale(&self, level: f64) -> f64 {
        (level - f64::from(self.black)) / f64::from(self.full_scale - self.black)
    }
}
