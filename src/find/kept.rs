//! How much of a picture is the very picture before: what a codec did not draw anew.
//!
//! A sensor's noise changes every pixel of every frame. Where runs of pixels are the same to the last level in two frames, a codec that
//! codes differences left them standing, as it does with what changes little (H.264, HEVC). What it left keeps the errors with which it
//! was drawn, so that they do not average out over frames, and what moves slowly lies behind.

use crate::basics::frame::Frame;

/// Pixels of a run: a macroblock of H.264 is as wide.
const RUN: usize = 16;
/// Rows from one that is looked at to the next, at least, and how many are looked at of a larger picture, about.
const ROWS_APART: usize = 9;
const ROWS: usize = 54;
/// A run whose pixels differ by less than this, levels, may be the same in two frames because nothing is there.
const LEAST_SPREAD: u16 = 2;
/// Runs that are needed to tell.
const LEAST_RUNS: usize = 20;

/// The rows of the frame before.
#[derive(Clone, Debug, Default)]
pub struct Kept {
    width: usize,
    height: usize,
    before: Vec<u16>,
}

impl Kept {
    /// Share of the runs of this frame that are those of the frame before; `None` for the first, for one of another size and where
    /// there is too little to see.
    pub fn share(&mut self, frame: &Frame) -> Option<f64> {
        let (width, height) = (frame.width(), frame.height());
        let comparable = (self.width, self.height) == (width, height);
        (self.width, self.height) = (width, height);
        let row_size = width / RUN * RUN;
        // Odd, so that they do not all lie in the same row of such a block.
        let apart = (height / ROWS).max(ROWS_APART) | 1;
        let rows = height.div_ceil(apart);
        self.before.resize(rows * row_size, 0);
        let (mut same, mut told) = (0_usize, 0_usize);
        for (at, y) in (0..height).step_by(apart).enumerate() {
            let row = frame.levels.row(y);
            let row = row.as_slice().and_then(|row| row.get(..row_size))?;
            let kept = &mut self.before[at * row_size..(at + 1) * row_size];
            for (run, before) in row.chunks_exact(RUN).zip(kept.chunks_exact(RUN)) {
                let (low, high) = ends(run);
                if high < low + LEAST_SPREAD || high >= frame.full_scale {
                    continue;
                }
                told += 1;
                same += usize::from(run == before);
            }
            kept.copy_from_slice(row);
        }
        (comparable && told >= LEAST_RUNS).then(|| same as f64 / told as f64)
    }
}

/// Lowest and highest level of a run.
fn ends(run: &[u16]) -> (u16, u16) {
    // Of signed numbers all processors take the less or the greater of many at once.
    const MIDDLE: u16 = 1 << 15;
    let signed = run.iter().map(|level| (level ^ MIDDLE).cast_signed());
    let (low, high) = signed.fold((i16::MAX, i16::MIN), |(low, high), level| {
        (low.min(level), high.max(level))
    });
    [low, high]
        .map(|level| level.cast_unsigned() ^ MIDDLE)
        .into()
}

#[cfg(test)]
mod tests {
    use super::*;

    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// A frame of 160 × 120 px whose left `kept` columns are those that `seed` gives and whose others are new.
    fn frame(kept: usize, seed: u64) -> Frame {
        let mut frame = Frame::empty();
        frame.resize(160, 120);
        frame.full_scale = 255;
        let mut old = ChaCha8Rng::seed_from_u64(1);
        let mut new = ChaCha8Rng::seed_from_u64(seed);
        for y in 0..120 {
            for x in 0..160 {
                let levels = (old.random_range(20..60), new.random_range(20..60));
                frame.levels[(y, x)] = if x < kept { levels.0 } else { levels.1 };
            }
        }
        frame
    }

    #[test]
    fn what_was_not_drawn_anew_is_counted() {
        let mut kept = Kept::default();
        assert_eq!(kept.share(&frame(80, 2)), None);
        let half = kept.share(&frame(80, 3)).unwrap_or_default();
        assert!((half - 0.5).abs() < 1e-9, "{half}");
        let none = kept.share(&frame(0, 4)).unwrap_or(1.0);
        assert!(none < 1e-9, "{none}");
    }

    #[test]
    fn where_nothing_is_to_be_seen_nothing_is_told() {
        let mut kept = Kept::default();
        let mut dark = frame(0, 2);
        dark.levels.fill(3);
        assert_eq!(kept.share(&dark), None);
        assert_eq!(kept.share(&dark), None);
    }
}
