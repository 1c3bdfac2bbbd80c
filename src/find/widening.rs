//! How the image of a slit grows wider or narrower from frame to frame.
//!
//! A prism magnifies the slit by cos i₁ cos r₂ / (cos r₁ cos i₂), with the angles of incidence and refraction at its two faces (from
//! memory): 1 at minimum deviation, more on one side of it and less on the other. So the image's width drifts as the table turns, by
//! some per cent between two looks at the whole picture, which is when it is measured. A line that a hair covers on one flank is put
//! off by half of what its width is off. The variance of the profile and its drift are followed by a Kalman filter (R. E. Kalman,
//! J. Basic Eng. 82, 35, 1960; the form for a place and its speed, from memory).

use super::shape::Shape;

/// Relative standard uncertainty of the variance of a profile that is taken over from a picture, and of its drift per frame.
const BEGUN: f64 = 0.01;
const DRIFT: f64 = 0.002;
/// A measured variance is off by this share at least: the profile is not quite that of a slit, and a moving line is blurred.
const MISFIT: f64 = 0.003;
/// By how much the relative drift per frame changes in one frame, standard deviation (of turns by hand; found on simulated sweeps).
const DRIFT_CHANGE: f64 = 3e-4;
/// A measurement farther from what was expected, in standard deviations, means that somebody turned the focus.
const FOCUSED: f64 = 5.0;

/// Variance of a line's profile as it goes from frame to frame.
#[derive(Clone, Copy, Debug)]
pub(super) struct Widening {
    /// In px², and by how much it grows in a frame.
    variance: f64,
    per_frame: f64,
    covariance: [[f64; 2]; 2],
}

impl Widening {
    /// Of a line of which one picture is known.
    pub(super) fn begin(shape: &Shape) -> Self {
        let variance = shape.variance_px2();
        Self::at(variance, (BEGUN * variance).powi(2))
    }

    fn at(variance: f64, u2: f64) -> Self {
        Self {
            variance,
            per_frame: 0.0,
            covariance: [[u2, 0.0], [0.0, (DRIFT * variance).powi(2)]],
        }
    }

    /// A frame goes by.
    pub(super) fn advance(&mut self) {
        let [[a, b], [_, c]] = self.covariance;
        let change = (DRIFT_CHANGE * self.variance).powi(2);
        self.variance += self.per_frame;
        self.covariance = [[a + 2.0 * b + c, b + c], [b + c, c + change]];
    }

    /// Takes what a fit found in this frame, with its variance in px⁴.
    pub(super) fn take(&mut self, shape: &Shape, u2: f64) {
        self.take_variance(shape.variance_px2(), u2);
    }

    fn take_variance(&mut self, found: f64, u2: f64) {
        if !(u2.is_finite() && u2 > 0.0) {
            return;
        }
        let u2 = u2 + (MISFIT * found).powi(2);
        let [[a, b], [_, c]] = self.covariance;
        let (off, all) = (found - self.variance, a + u2);
        if off * off > FOCUSED * FOCUSED * all {
            *self = Self::at(found, u2);
            return;
        }
        self.variance += a / all * off;
        self.per_frame += b / all * off;
        self.covariance = [
            [a * u2 / all, b * u2 / all],
            [b * u2 / all, c - b * b / all],
        ];
    }

    /// The same of a fit that knew beforehand what is known here.
    pub(super) fn take_known(&mut self, shape: &Shape, u2: f64) {
        let before = self.u2();
        // What the fit added to it.
        let alone = (u2.recip() - before.recip()).recip();
        if alone > 0.0 {
            let found = (shape.variance_px2() / u2 - self.variance / before) * alone;
            self.take_variance(found, alone);
        }
    }

    /// Variance of the profile's variance, px⁴.
    pub(super) fn u2(&self) -> f64 {
        self.covariance[0][0]
    }

    /// The shape of the line as it is now, if it was `before` when it was measured: its slit is wider or narrower.
    pub(super) fn shape(&self, before: &Shape) -> Shape {
        before.with_variance(self.variance)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng, rngs::SmallRng};

    const SLIT: Shape = Shape {
        slit_px: 3.0,
        blur_px: 1.5,
    };

    /// A width that drifts evenly, measured every twelfth frame to half a per cent: in between it is known as well as that.
    #[test]
    fn between_two_measurements_a_drift_goes_on() {
        let mut random = SmallRng::seed_from_u64(5);
        let truth = |frame: usize| SLIT.variance_px2() * (1.0 + 0.0025 * frame as f64);
        let u = 0.005 * SLIT.variance_px2();
        let mut widening = Widening::begin(&SLIT);
        let (mut held, mut followed, mut count) = (0.0, 0.0, 0.0);
        let mut last = SLIT;
        for frame in 1..240 {
            widening.advance();
            if frame % 12 == 0 {
                let noise: f64 = (0..12).map(|_| random.random_range(-0.5..0.5)).sum();
                last = SLIT.with_variance(truth(frame) + noise * u);
                widening.take(&last, u * u);
            } else if frame > 48 {
                count += 1.0;
                held += (last.variance_px2() / truth(frame) - 1.0).powi(2);
                followed += (widening.shape(&last).variance_px2() / truth(frame) - 1.0).powi(2);
            }
        }
        let (held, followed) = ((held / count).sqrt(), (followed / count).sqrt());
        assert!(followed < 0.005, "{followed}");
        assert!(followed < 0.6 * held, "{followed} of {held}");
    }

    /// A fit that began with what was known, and one that did not, of the same pixels: both say the same.
    #[test]
    fn what_a_fit_knew_before_is_not_counted_twice() {
        let mut blind = Widening::begin(&SLIT);
        blind.advance();
        let mut informed = blind;
        let (u2, found) = (4e-4_f64, 1.01 * SLIT.variance_px2());
        let before = informed.u2();
        let both = (u2.recip() + before.recip()).recip();
        let mean = (found / u2 + SLIT.variance_px2() / before) * both;
        blind.take(&SLIT.with_variance(found), u2);
        informed.take_known(&SLIT.with_variance(mean), both);
        let off = blind.shape(&SLIT).variance_px2() - informed.shape(&SLIT).variance_px2();
        assert!(off.abs() < 1e-6, "{off}");
        assert!((blind.u2() / informed.u2() - 1.0).abs() < 1e-3);
    }

    #[test]
    fn a_turn_of_the_focus_is_taken_as_it_is() {
        let mut widening = Widening::begin(&SLIT);
        let wide = Shape {
            slit_px: 3.0,
            blur_px: 2.5,
        };
        for _ in 0..12 {
            widening.advance();
        }
        widening.take(&wide, 1e-4);
        let found = widening.shape(&wide);
        assert!((found.variance_px2() - wide.variance_px2()).abs() < 1e-9);
    }

    #[test]
    fn a_slit_that_cannot_be_narrower_leaves_the_blur() {
        let narrow = Shape {
            slit_px: Shape::LEAST_SLIT_PX,
            blur_px: 1.5,
        };
        let found = narrow.with_variance(2.0);
        assert!((found.variance_px2() - 2.0).abs() < 1e-12, "{found:?}");
    }
}
