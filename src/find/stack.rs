//! A longer exposure: hairs that one frame is too dark for.

use super::CrossHairs;
use super::grey::Grey;
use super::look::Finder;
use crate::basics::frame::Frame;

/// Mean of many frames of the same size; lines may move meanwhile, hairs stay.
#[derive(Clone, Debug, Default)]
pub struct Stack {
    width: usize,
    height: usize,
    clip: f32,
    count: u32,
    sum: Vec<f32>,
}

impl Stack {
    /// An empty stack.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a frame; one of another size or range starts the stack anew.
    pub fn add(&mut self, frame: &Frame) {
        let clip = f32::from(frame.full_scale.saturating_sub(frame.black)).max(1.0);
        let same = self.width == frame.width()
            && self.height == frame.height()
            && (self.clip - clip).abs() < 0.5;
        if !same || self.count == 0 {
            self.width = frame.width();
            self.height = frame.height();
            self.clip = clip;
            self.count = 0;
            self.sum.clear();
            self.sum.resize(self.width * self.height, 0.0);
        }
        let black = f32::from(frame.black);
        for (sum, &level) in self.sum.iter_mut().zip(frame.levels.iter()) {
            *sum += f32::from(level) - black;
        }
        self.count += 1;
    }

    /// The cross-hairs in the mean of the frames, or `None` where they cannot be seen.
    pub fn cross_hairs(&self, finder: &mut Finder) -> Option<CrossHairs> {
        if self.count == 0 || self.width < 16 || self.height < 16 {
            return None;
        }
        // The sums fit into 16 bits, if need be on a smaller scale; light below black keeps its sign.
        const ROOM: f32 = 65_000.0;
        let top = self.count as f32 * self.clip;
        let scale = (ROOM / top).min(1.0);
        let mut mean = Frame::empty();
        mean.resize(self.width, self.height);
        mean.black = 256;
        mean.full_scale = mean.black + (top * scale) as u16;
        for (level, sum) in mean.levels.iter_mut().zip(&self.sum) {
            *level = (sum * scale + f32::from(mean.black)).round() as u16;
        }
        let grey = Grey::of(&mean).without(finder.spikes.left_out());
        finder
            .noise
            .learn(&grey, (self.count as f32).sqrt() * scale);
        finder.hairs.one_frame = false;
        finder
            .hairs
            .run(&grey, &finder.noise, None, &[], &mut finder.bench)
    }
}
