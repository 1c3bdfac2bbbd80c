//! What is known of a hair that lies along a line, from frame to frame.
//!
//! In one frame the place of a line on a hair and the shape of the shadow on it are hardly told apart; but the hair stays what and where
//! it is while the line moves. So what a frame leaves known of it, with its covariance, is where the fit of the next one begins: a
//! Kalman filter (R. E. Kalman, J. Basic Eng. 82, 35, 1960) whose state does not move, and is forgotten slowly.

use nalgebra::SMatrix;

use super::shadow::{HAIR_TERMS, Thread};

/// What is fitted to a hair, and its turn.
pub(super) const TERMS: usize = HAIR_TERMS + 1;
/// How much of it is forgotten from frame to frame, standard deviations: of its place in px, of the logarithm of its width, of its shares
/// of the light of lines and of the background, of the blur behind it in px², and of its turn in px. A line that moves shows the hair in
/// another light.
const FORGOTTEN: [f64; TERMS] = [0.002, 0.002, 0.003, 0.003, 0.006, 0.002];
/// A hair that is measured so far from where it lay on the line is not where it was, px.
const MOVED_PX: f64 = 0.3;

pub(super) type Terms = [f64; TERMS];
pub(super) type Information = SMatrix<f64, TERMS, TERMS>;

/// Where a hair is taken to be, and what it is taken for, before it is fitted.
#[derive(Clone, Copy, Debug)]
pub(super) struct Taken {
    /// Which of the hairs.
    pub(super) hair: usize,
    pub(super) thread: Thread,
    /// Where it lies at the height `y_px`, px.
    pub(super) x_px: f64,
    pub(super) y_px: f64,
    /// Height over which its turn is told, px.
    pub(super) scale: f64,
}

/// A hair as it was found along a line.
#[derive(Clone, Copy, Debug)]
pub(super) struct Along {
    found: Taken,
    covariance: Information,
}

impl Along {
    /// A hair that was taken for this and is fitted so: the terms of [`Thread`], and its turn over the height of the scale in px, with their
    /// covariance.
    pub(super) fn new(taken: &Taken, fitted: &Terms, covariance: Information) -> Self {
        let [shift_px, wider, of_lines, of_background, blur_px2, turn_px] = *fitted;
        let thread = Thread {
            width_px: taken.thread.width_px * wider.exp(),
            of_lines,
            of_background,
            blur_px2,
            slope: taken.thread.slope + turn_px / taken.scale,
        };
        let found = Taken {
            thread,
            x_px: taken.x_px + shift_px,
            ..*taken
        };
        Self { found, covariance }
    }

    /// The same for the next frame: what is expected of its fit, if the hair is taken for this there, and how well that is known. `None`
    /// where it is no longer the hair that it was.
    pub(super) fn expected(&self, taken: &Taken) -> Option<(Terms, Information)> {
        let found = &self.found;
        let x_px = found.x_px + (taken.y_px - found.y_px) * found.thread.slope;
        let shift_px = x_px - taken.x_px;
        if found.hair != taken.hair || shift_px.abs() > MOVED_PX {
            return None;
        }
        let terms = [
            shift_px,
            (found.thread.width_px / taken.thread.width_px).ln(),
            found.thread.of_lines,
            found.thread.of_background,
            found.thread.blur_px2,
            (found.thread.slope - taken.thread.slope) * taken.scale,
        ];
        let mut covariance = self.covariance;
        for (k, forgotten) in FORGOTTEN.into_iter().enumerate() {
            covariance[(k, k)] += forgotten * forgotten;
        }
        let information = covariance.try_inverse()?;
        let finite = terms
            .iter()
            .chain(information.iter())
            .all(|v| v.is_finite());
        finite.then_some((terms, information))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::SVector;
    use rand::SeedableRng;
    use rand::rngs::SmallRng;
    use rand_distr::{Distribution, StandardNormal};

    const TAKEN: Taken = Taken {
        hair: 0,
        thread: Thread {
            width_px: 3.0,
            of_lines: 0.9,
            of_background: 0.8,
            blur_px2: 0.8,
            slope: 0.1,
        },
        x_px: 320.0,
        y_px: 240.0,
        scale: 240.0,
    };

    /// Frames that each see the hair with some noise, joined as the fit joins them: what is known after many is right within what is said,
    /// and far better than what one of them says.
    #[test]
    fn many_frames_know_a_hair_better_than_one() {
        const FRAMES: usize = 12;
        const NOISE: [f64; TERMS] = [0.02, 0.02, 0.03, 0.03, 0.05, 0.02];
        let truth = [0.05, -0.02, 0.85, 0.7, 0.9, 0.03];
        let mut random = SmallRng::seed_from_u64(7);
        let (mut pulls, mut count) = (0.0, 0.0);
        for _ in 0..40 {
            let mut known: Option<(Terms, Information)> = None;
            let mut along = None;
            for _ in 0..FRAMES {
                let mut information = Information::zeros();
                let mut right = SVector::<f64, TERMS>::zeros();
                for k in 0..TERMS {
                    let noise: f64 = StandardNormal.sample(&mut random);
                    information[(k, k)] = NOISE[k].powi(-2);
                    right[k] = (truth[k] + NOISE[k] * noise) * information[(k, k)];
                }
                if let Some((before, weight)) = known {
                    information += weight;
                    right += weight * SVector::from(before);
                }
                let covariance = information.try_inverse().expect("a sum of weights");
                let found: Terms = (covariance * right).into();
                let one = Along::new(&TAKEN, &found, covariance);
                known = one.expected(&TAKEN);
                along = Some((found, covariance));
            }
            let (found, covariance) = along.expect("some frames");
            for k in 0..TERMS {
                let u = covariance[(k, k)].sqrt();
                assert!(u < 0.6 * NOISE[k], "{u} of {}", NOISE[k]);
                pulls += ((found[k] - truth[k]) / u).powi(2);
                count += 1.0;
            }
        }
        let pulls: f64 = pulls / count;
        assert!(pulls > 0.6 && pulls < 1.2, "{pulls}");
    }

    /// It stays where it is when it is measured a little elsewhere beside the line, and is forgotten where it was moved.
    #[test]
    fn a_hair_stays_until_it_is_moved() {
        let fitted = [0.02, 0.1, 0.9, 0.75, 0.8, 0.012];
        let along = Along::new(&TAKEN, &fitted, Information::identity() * 1e-4);
        let elsewhere = |x_px: f64| Taken {
            x_px: TAKEN.x_px + x_px,
            y_px: TAKEN.y_px + 10.0,
            thread: Thread {
                width_px: 3.1,
                slope: 0.101,
                ..TAKEN.thread
            },
            ..TAKEN
        };
        let (terms, information) = along.expected(&elsewhere(1.05)).expect("still there");
        // Ten rows lower the hair lies 1.0005 px farther.
        let expected = [
            0.02 + 1.0005 - 1.05,
            0.1 + (3.0_f64 / 3.1).ln(),
            0.9,
            0.75,
            0.8,
            0.012 - 0.24,
        ];
        for (k, (found, expected)) in terms.into_iter().zip(expected).enumerate() {
            assert!((found - expected).abs() < 1e-9, "{k}: {found}");
        }
        assert!(information[(0, 0)] < 1e4 && information[(0, 0)] > 9e3);
        assert!(along.expected(&elsewhere(1.5)).is_none());
        let other = Taken { hair: 1, ..TAKEN };
        assert!(along.expected(&other).is_none());
    }
}
