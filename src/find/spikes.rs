//! Pixels that do not do as their neighbours do: hot and dead ones, and dust on the sensor.
//!
//! Whatever the lenses draw is wider than a pixel. A pixel that is brighter or darker than all eight about it, by more than noise
//! explains, belongs to the sensor; it stays where it is while lines move, so that no average over frames lessens what it does to a line
//! or a hair on it. In single rows a fit strikes it out, but where rows are averaged first it may hide.

use super::grey::{Grey, Noise};

/// A pixel stands out if it differs from the nearest to it in level of all eight about it by so many standard deviations, and clearly so
/// if by so many that it is left out for one frame's sake.
const STANDS_OUT_IN_SD: f32 = 3.0;
const CLEARLY_IN_SD: f32 = 5.0;
/// A pixel gains so much in every look in which it stands out, up to the most, and loses one in every other; what has gained the third is
/// believed to be the sensor's. On the crest of a line noise alone makes one stand out in three looks of a thousand.
const GAIN: u32 = 2;
const MOST: u32 = 12;
const BELIEVED: u32 = 6;
/// Where more than one pixel in so many stands out, that is what the picture is like.
const ONE_IN: usize = 1000;
/// Pixels that are looked over at once.
const RUN: usize = 64;

/// A pixel that stood out.
#[derive(Clone, Copy, Debug)]
struct Spike {
    /// Index along the rows.
    at: u32,
    /// How often it did.
    score: u32,
    /// Whether it did so clearly when it was first seen.
    clear: bool,
}

/// The pixels of a sensor that stand out, with those next to them, into which a camera's processing spreads them.
#[derive(Clone, Debug, Default)]
pub(super) struct Spikes {
    /// In the order of the rows.
    seen: Vec<Spike>,
    here: Vec<Spike>,
    left_out: Vec<u32>,
}

impl Spikes {
    /// Those of another sensor are not these.
    pub(super) fn forget(&mut self) {
        self.seen.clear();
        self.left_out.clear();
    }

    /// Indices of the pixels to be left out, counted along the rows, in rising order.
    pub(super) fn left_out(&self) -> &[u32] {
        &self.left_out
    }

    /// Looks a frame over. What stands out clearly is left out at once, what hardly does once it does so again and again.
    pub(super) fn learn(&mut self, grey: &Grey<'_>, noise: &Noise) {
        self.here.clear();
        for y in 1..grey.height.saturating_sub(1) {
            let row = grey.row(y);
            let inner = row.len().saturating_sub(2);
            for from in (0..inner).step_by(RUN) {
                let run = &row[from..(from + RUN).min(inner) + 2];
                let least = least_of(run, grey, noise);
                let beyond = beyond_both(run);
                if beyond.iter().fold(0, |most, &by| by.max(most)) < least {
                    continue;
                }
                for (k, _) in beyond.iter().enumerate().filter(|by| *by.1 >= least) {
                    self.here.extend(stands_out(grey, noise, from + k + 1, y));
                }
            }
        }
        if self.here.len() * ONE_IN > grey.width * grey.height {
            self.here.clear();
        }
        self.count();
        self.widen(grey.width as u32);
    }

    /// Adds what stood out in this look, and forgets what long did not.
    fn count(&mut self) {
        let here = &mut self.here;
        self.seen.retain_mut(|spike| {
            match here.binary_search_by_key(&spike.at, |now| now.at) {
                Ok(k) => {
                    spike.score = (spike.score + GAIN).min(MOST);
                    here[k].score = 0;
                }
                Err(_) => spike.score -= 1,
            }
            spike.score > 0
        });
        self.seen.extend(here.iter().filter(|now| now.score > 0));
        self.seen.sort_unstable_by_key(|spike| spike.at);
    }

    fn widen(&mut self, width: u32) {
        self.left_out.clear();
        for spike in &self.seen {
            if spike.score >= BELIEVED || spike.clear {
                for row in [spike.at - width, spike.at, spike.at + width] {
                    self.left_out.extend(row - 1..=row + 1);
                }
            }
        }
        self.left_out.sort_unstable();
        self.left_out.dedup();
    }
}

/// By how much a pixel of a run has to differ from those beside it to be worth a look, levels: by noise where the run is darkest.
fn least_of(run: &[u16], grey: &Grey<'_>, noise: &Noise) -> u16 {
    let darkest = run.iter().fold(u16::MAX, |low, &v| low.min(v));
    let least = STANDS_OUT_IN_SD * noise.variance(grey.level(darkest)).sqrt();
    (least.ceil() as u16).max(1)
}

/// By how much the pixels of a run, but for the first and the last, are above both beside them, or below both.
fn beyond_both(run: &[u16]) -> [u16; RUN] {
    let mut beyond = [0; RUN];
    let beside = run.iter().zip(run.iter().skip(2));
    for (by, ((&left, &right), &here)) in beyond.iter_mut().zip(beside.zip(run.iter().skip(1))) {
        let (low, high) = (left.min(right), left.max(right));
        *by = here.saturating_sub(high).max(low.saturating_sub(here));
    }
    beyond
}

/// A pixel that is not on the rim, if it differs from all eight about it by more than noise explains.
fn stands_out(grey: &Grey<'_>, noise: &Noise, x: usize, y: usize) -> Option<Spike> {
    let [above, row, below] = [y - 1, y, y + 1].map(|y| &grey.row(y)[x - 1..=x + 1]);
    let about = || above.iter().chain(below).chain([&row[0], &row[2]]);
    let (low, high) = about().fold((u16::MAX, 0), |(low, high), &v| (low.min(v), high.max(v)));
    let here = row[1];
    let (by, of) = if here > high {
        (here - high, high)
    } else {
        (low.saturating_sub(here), low)
    };
    if by == 0 {
        return None;
    }
    let in_sd = f32::from(by) / noise.variance(grey.level(of)).sqrt();
    (in_sd > STANDS_OUT_IN_SD).then_some(Spike {
        at: (y * grey.width + x) as u32,
        score: GAIN,
        clear: in_sd > CLEARLY_IN_SD,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::basics::frame::Frame;

    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    /// A frame of 200 × 150 px at a level of 40 with noise of 1.5, a line of 3 px, a hair of 2 px and spikes of `height` at `at`.
    #[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
    fn frame(random: u64, at: &[(usize, usize)], height: f64) -> Frame {
        let mut random = ChaCha8Rng::seed_from_u64(random);
        let noise = Normal::new(0.0, 1.5).unwrap();
        let mut frame = Frame::empty();
        frame.resize(200, 150);
        frame.full_scale = 255;
        for y in 0..150 {
            for x in 0..200_usize {
                let line = 120.0 * (-((x as f64 - 60.3) / 1.3).powi(2)).exp();
                let hair = if x.abs_diff(120) < 2 { 0.1 } else { 1.0 };
                let spike = if at.contains(&(x, y)) { height } else { 0.0 };
                let level = (40.0 + line) * hair + spike + noise.sample(&mut random);
                frame.levels[(y, x)] = level.round().clamp(0.0, 255.0) as u16;
            }
        }
        frame
    }

    fn look(spikes: &mut Spikes, frame: &Frame) -> Vec<(usize, usize)> {
        let grey = Grey::of(frame);
        let mut noise = Noise::default();
        noise.learn(&grey, 1.0);
        spikes.learn(&grey, &noise);
        let left_out = spikes.left_out().iter();
        left_out
            .map(|&at| (at as usize % 200, at as usize / 200))
            .collect()
    }

    #[test]
    fn clear_spikes_are_left_out_at_once_with_what_lies_about_them() {
        let left_out = look(
            &mut Spikes::default(),
            &frame(1, &[(30, 20), (90, 100)], 20.0),
        );
        let about = |x: usize, y: usize| {
            (y - 1..=y + 1).flat_map(move |y| (x - 1..=x + 1).map(move |x| (x, y)))
        };
        let expected: Vec<_> = about(30, 20).chain(about(90, 100)).collect();
        assert_eq!(left_out, expected);
        let dead = look(&mut Spikes::default(), &frame(2, &[(30, 20)], -30.0));
        assert_eq!(dead, about(30, 20).collect::<Vec<_>>());
    }

    #[test]
    fn low_spikes_are_left_out_once_they_come_again() {
        let mut spikes = Spikes::default();
        let at = [(30, 20), (90, 100), (160, 75)];
        let looks: Vec<usize> = (0..12)
            .map(|k| look(&mut spikes, &frame(10 + k, &at, 9.5)).len())
            .collect();
        assert!(
            looks[0] < 9 * at.len() && looks[11] == 9 * at.len(),
            "{looks:?}"
        );
    }

    #[test]
    fn lines_hairs_and_noise_are_no_spikes() {
        let mut spikes = Spikes::default();
        for k in 0..30 {
            assert_eq!(look(&mut spikes, &frame(40 + k, &[], 0.0)), vec![]);
        }
    }
}
