//! Lines and hairs as geometry: where they are at a height, how far a pixel is from them.

use super::shape::dip;
use super::{CrossHairs, Hair, Line};

impl Line {
    /// Where the axis is at the height `y_px`, px.
    #[must_use]
    pub fn x_at(&self, y_px: f64) -> f64 {
        let dy = y_px - self.y_ref_px;
        self.x_px + self.tilt_deg.to_radians().tan() * dy + self.curvature_per_px / 2.0 * dy * dy
    }

    /// The same line referred to another height, with its covariance carried along.
    #[must_use]
    pub fn at_height(&self, y_px: f64) -> Self {
        let dy = y_px - self.y_ref_px;
        let carry = [[1.0, dy, dy * dy / 2.0], [0.0, 1.0, dy], [0.0, 0.0, 1.0]];
        let mut covariance = [[0.0; 3]; 3];
        for (i, row) in covariance.iter_mut().enumerate() {
            for (j, cell) in row.iter_mut().enumerate() {
                for k in 0..3 {
                    for l in 0..3 {
                        *cell += carry[i][k] * self.covariance[k][l] * carry[j][l];
                    }
                }
            }
        }
        let tangent = self.tilt_deg.to_radians().tan() + self.curvature_per_px * dy;
        Self {
            x_px: self.x_at(y_px),
            u_px: covariance[0][0].max(0.0).sqrt(),
            y_ref_px: y_px,
            tilt_deg: tangent.atan().to_degrees(),
            covariance,
            ..self.clone()
        }
    }
}

impl Hair {
    /// Unit vector along the hair, pointing up in the picture (y negative), `(x, y)`.
    #[must_use]
    pub fn direction(&self) -> (f64, f64) {
        let angle = self.angle_deg.to_radians();
        (angle.sin(), -angle.cos())
    }

    /// Share of the light that passes at a distance from the middle of the hair.
    #[must_use]
    pub fn transmission(&self, distance_px: f64) -> f64 {
        let shade = dip((distance_px / self.width_px.max(0.1)) as f32);
        1.0 - self.depth * f64::from(shade)
    }
}

impl CrossHairs {
    /// Distance of a pixel from hair `which` (0 or 1), px; positive to the right of (below) the hair.
    #[must_use]
    pub fn distance_px(&self, which: usize, x_px: f64, y_px: f64) -> f64 {
        let (dx, dy) = self.hairs[which.min(1)].direction();
        (x_px - self.x_px) * -dy + (y_px - self.y_px) * dx
    }

    /// Both hairs, ready to be asked about many pixels.
    pub(super) fn leans(&self) -> [Lean; 2] {
        [0, 1].map(|which: usize| {
            let (dx, dy) = self.hairs[which].direction();
            Lean {
                by_x: -dy,
                by_y: dx,
                at: self.x_px * dy - self.y_px * dx,
            }
        })
    }

    /// Where hair `which` (0 or 1) is at the height `y_px`; `None` if the hair is level.
    #[must_use]
    pub fn x_at(&self, which: usize, y_px: f64) -> Option<f64> {
        let (dx, dy) = self.hairs[which.min(1)].direction();
        (dy.abs() > 1e-6).then(|| self.x_px + (y_px - self.y_px) * dx / dy)
    }
}

/// A hair as a straight line: the distance of a pixel from it without an angle in sight.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lean {
    by_x: f64,
    by_y: f64,
    at: f64,
}

impl Lean {
    /// As [`CrossHairs::distance_px`].
    #[inline]
    pub(super) fn distance_px(&self, x_px: f64, y_px: f64) -> f64 {
        self.by_x * x_px + self.by_y * y_px + self.at
    }
}
