//! What a hair that was measured beside the lines tells of the shadow that it casts on them.
//!
//! Beside the lines a hair is a dip of the background with a width and a depth. Its thread, the blur behind it and the share of
//! light that has no shadow in it make up both, and a thread is hardly translucent (common practice, no source): so much is known
//! beforehand, and what a line shows of the hair decides the rest.

use super::Hair;
use super::shadow::{EDGE_PX, HAIR_TERMS, PIXEL, Thread};
use super::shape::{Shape, normal_at};

/// Prior standard deviations: of the place, px; of width and depth of the dip, relative.
const PLACE_PX: f64 = 0.1;
const DIP_WIDTH: f64 = 0.015;
const DIP_DEPTH: f64 = 0.04;
/// What a thread takes of the light of lines, and of the background, in which there is more without shadow, with standard deviations.
const OF_LINES: (f64, f64) = (0.9, 0.1);
const OF_BACKGROUND: (f64, f64) = (0.78, 0.12);
/// No dip is deeper than this share of what the thread takes away.
const DEEPEST: f64 = 0.95;

/// A hair as it is expected to be, and how well that is known.
#[derive(Clone, Debug, Default)]
pub(super) struct Expected {
    thread: Thread,
    /// The hair that it is made from.
    hair: Option<Hair>,
    /// Derivatives of the logarithms of the dip's width and depth by that of the thread's width and by the variance of the blur.
    by_width: [f64; 2],
    by_blur: [f64; 2],
}

/// Logarithms of the full width at half depth and of the depth of the dip that a thread leaves, the latter as a share of what it takes.
fn dip(width_px: f64, blur_px2: f64) -> [f64; 2] {
    let shape = Shape {
        slit_px: width_px,
        blur_px: (blur_px2 + PIXEL + EDGE_PX * EDGE_PX).sqrt(),
    };
    let (below, _) = normal_at((width_px / 2.0 / shape.blur_px) as f32);
    [shape.width_px().ln(), (2.0 * f64::from(below) - 1.0).ln()]
}

impl Expected {
    /// What is expected of this hair; reckoned anew only where it is another one.
    pub(super) fn expect(&mut self, hair: &Hair) {
        if self.hair.as_ref() != Some(hair) {
            *self = Self::of(hair);
        }
    }

    fn of(hair: &Hair) -> Self {
        const HALVINGS: usize = 16;
        const STEP: f64 = 0.02;
        let (dx, dy) = hair.direction();
        let slope = dx / dy;
        let width = hair.width_px.max(1.0);
        let of_background = OF_BACKGROUND.0.max(hair.depth / DEEPEST).min(1.0);
        let depth = (hair.depth / of_background).clamp(0.05, DEEPEST).ln();
        // Of all blurs behind it the one that makes the dip as deep as it is; the width of the thread follows from that of the dip.
        let least = -PIXEL - EDGE_PX * EDGE_PX;
        let mut blur = (least + 0.02, (width / 2.355).powi(2) + least);
        let thread_of = |blur_px2: f64| {
            let mut thread = (0.1 * width, width);
            for _ in 0..HALVINGS {
                let middle = 0.5 * (thread.0 + thread.1);
                if dip(middle, blur_px2)[0] < width.ln() {
                    thread.0 = middle;
                } else {
                    thread.1 = middle;
                }
            }
            thread.0
        };
        for _ in 0..HALVINGS {
            let middle = 0.5 * (blur.0 + blur.1);
            if dip(thread_of(middle), middle)[1] > depth {
                blur.0 = middle;
            } else {
                blur.1 = middle;
            }
        }
        let blur_px2 = blur.0.max(0.1);
        let thread = thread_of(blur_px2);
        let by = |high: [f64; 2], low: [f64; 2]| {
            [0, 1].map(|k: usize| (high[k] - low[k]) / (2.0 * STEP))
        };
        Self {
            hair: Some(hair.clone()),
            thread: Thread {
                // Along a row.
                width_px: thread * slope.hypot(1.0),
                of_lines: OF_LINES.0.max(of_background),
                of_background,
                blur_px2,
                slope,
            },
            by_width: by(
                dip(thread * STEP.exp(), blur_px2),
                dip(thread / STEP.exp(), blur_px2),
            ),
            by_blur: by(dip(thread, blur_px2 + STEP), dip(thread, blur_px2 - STEP)),
        }
    }

    /// What is fitted to it, as it is expected: shift along the rows, change of the logarithm of its width, its shares of the
    /// light of lines and of the background, and the variance of the blur behind it, px².
    pub(super) fn terms(&self) -> [f64; HAIR_TERMS] {
        let Thread {
            of_lines,
            of_background,
            blur_px2,
            ..
        } = self.thread;
        [0.0, 0.0, of_lines, of_background, blur_px2]
    }

    /// dx/dy of the hair.
    pub(super) fn slope(&self) -> f64 {
        self.thread.slope
    }

    /// The hair with what was fitted to it.
    pub(super) fn with(&self, fitted: &[f64; HAIR_TERMS]) -> Thread {
        let [_, wider, of_lines, of_background, blur_px2] = *fitted;
        Thread {
            width_px: self.thread.width_px * wider.exp(),
            of_lines,
            of_background,
            blur_px2,
            slope: self.thread.slope,
        }
    }

    /// What is known: combinations of what is fitted, each with its weight and how far it is off what is expected.
    pub(super) fn known(&self, fitted: &[f64; HAIR_TERMS]) -> [([f64; HAIR_TERMS], f64, f64); 5] {
        let [shift, wider, of_lines, of_background, blur_px2] = *fitted;
        let before = &self.thread;
        let shallower = of_background - before.of_background;
        let softer = blur_px2 - before.blur_px2;
        let by_share = 1.0 / before.of_background;
        let of_width = wider * self.by_width[0] + softer * self.by_blur[0];
        let of_depth = wider * self.by_width[1] + softer * self.by_blur[1] + shallower * by_share;
        let weight = |sd: f64| sd.powi(-2);
        [
            ([1.0, 0.0, 0.0, 0.0, 0.0], weight(PLACE_PX), shift),
            (
                [0.0, self.by_width[0], 0.0, 0.0, self.by_blur[0]],
                weight(DIP_WIDTH),
                of_width,
            ),
            (
                [0.0, self.by_width[1], 0.0, by_share, self.by_blur[1]],
                weight(DIP_DEPTH),
                of_depth,
            ),
            (
                [0.0, 0.0, 1.0, 0.0, 0.0],
                weight(OF_LINES.1),
                of_lines - before.of_lines,
            ),
            (
                [0.0, 0.0, 0.0, 1.0, 0.0],
                weight(OF_BACKGROUND.1),
                shallower,
            ),
        ]
    }
}
