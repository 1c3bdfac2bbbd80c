//! Lines and hairs as geometry: where they are at a height, how far a pixel is from them.

use super::shape::dip;
use super::{CrossHairs, Hair, Line};

/// A hair farther from the vertical is told by what lies above and below it.
const LEVEL_FROM_DEG: f64 = 70.0;
/// A hair whose cosine with the vertical is larger crosses a row rather than running along it.
const CROSSES_ROWS: f64 = 0.34;

impl Line {
    /// Where the axis is at the height `y_px`, px.
    #[must_use]
    pub fn x_at(&self, y_px: f64) -> f64 {
        let dy = y_px - self.y_ref_px;
        self.x_px + self.tilt_deg.to_radians().tan() * dy + self.curvature_per_px / 2.0 * dy * dy
    }

    /// Whether an upright hair lies on it or close to it anywhere.
    pub(crate) fn is_beside(&self, cross: &CrossHairs) -> bool {
        const UPRIGHT_DEG: f64 = 26.0;
        let near = |h: usize, y: usize| {
            let hair = &cross.hairs[h];
            let away_px = cross.distance_px(h, self.x_at(y as f64), y as f64);
            hair.angle_deg.abs() < UPRIGHT_DEG && away_px.abs() < self.width_px + hair.width_px
        };
        let rows = [self.rows.0, (self.rows.0 + self.rows.1) / 2, self.rows.1];
        rows.into_iter().any(|y| near(0, y) || near(1, y))
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

    /// How far its bow takes it from its tangent at the crossing at a distance along it from there, px; positive to the right of (below)
    /// the tangent, as [`CrossHairs::distance_px`] has it.
    #[must_use]
    pub fn aside_px(&self, along_px: f64) -> f64 {
        self.bow_to_normal() / 2.0 * along_px * along_px
    }

    /// Its curvature towards the normal (-dy, dx) of its direction (dx, dy), 1/px.
    fn bow_to_normal(&self) -> f64 {
        if self.angle_deg < -LEVEL_FROM_DEG {
            -self.bow_per_px
        } else {
            self.bow_per_px
        }
    }

    /// A hair whose tangent at the crossing has the direction (dx, dy) and whose curvature towards (-dy, dx) is `bow_to_normal`, 1/px.
    pub(super) fn along(
        (dx, dy): (f64, f64),
        bow_to_normal: f64,
        width_px: f64,
        depth: f64,
    ) -> Self {
        let angle = dx.atan2(-dy).to_degrees();
        let turned = angle > 90.0 || angle <= -90.0;
        let mut hair = Self {
            angle_deg: of_a_straight_line_deg(angle),
            bow_per_px: if turned {
                -bow_to_normal
            } else {
                bow_to_normal
            },
            width_px,
            depth,
        };
        hair.bow_per_px = hair.bow_to_normal();
        hair
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
        let hair = &self.hairs[which.min(1)];
        let (dx, dy) = hair.direction();
        let (x, y) = (x_px - self.x_px, y_px - self.y_px);
        x * -dy + y * dx - hair.aside_px(x * dx + y * dy)
    }

    /// Both hairs, ready to be asked about many pixels.
    pub(super) fn leans(&self) -> [Lean; 2] {
        [0, 1].map(|which: usize| {
            let (dx, dy) = self.hairs[which].direction();
            Lean {
                by_x: -dy,
                by_y: dx,
                at: self.x_px * dy - self.y_px * dx,
                from: -self.x_px * dx - self.y_px * dy,
                half_bow: self.hairs[which].bow_to_normal() / 2.0,
            }
        })
    }

    /// Where hair `which` (0 or 1) is at the height `y_px`; `None` if the hair is level.
    #[must_use]
    pub fn x_at(&self, which: usize, y_px: f64) -> Option<f64> {
        let hair = &self.hairs[which.min(1)];
        let (dx, dy) = hair.direction();
        let along = (y_px - self.y_px) / dy;
        (dy.abs() > 1e-6).then(|| self.x_px + along * dx - hair.aside_px(along) / dy)
    }
}

/// A hair: the distance of a pixel from it without an angle in sight.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lean {
    by_x: f64,
    by_y: f64,
    at: f64,
    /// Where along it the crossing is, and half its curvature.
    from: f64,
    half_bow: f64,
}

impl Lean {
    /// As [`CrossHairs::distance_px`].
    #[inline]
    pub(super) fn distance_px(&self, x_px: f64, y_px: f64) -> f64 {
        let along = self.by_y * x_px - self.by_x * y_px + self.from;
        self.by_x * x_px + self.by_y * y_px + self.at - self.half_bow * along * along
    }

    /// The distance of the first pixel of a run of `count` along a row, px, the hair taken as straight within the run.
    #[inline]
    pub(super) fn at_start_px(&self, left_px: f64, count: usize, y_px: f64) -> f64 {
        // An upright hair crosses the run, a level one runs along it: there its middle stands for all.
        let x = if self.by_x.abs() > CROSSES_ROWS {
            -(self.by_y * y_px + self.at) / self.by_x
        } else {
            left_px + count as f64 / 2.0
        };
        let along = self.by_y * x - self.by_x * y_px + self.from;
        self.by_x * left_px + self.by_y * y_px + self.at - self.half_bow * along * along
    }
}

/// The angle of a line without a direction: within half a turn, degrees in (-90, 90].
pub(crate) fn of_a_straight_line_deg(angle_deg: f64) -> f64 {
    if angle_deg > 90.0 {
        angle_deg - 180.0
    } else if angle_deg <= -90.0 {
        angle_deg + 180.0
    } else {
        angle_deg
    }
}
