//! One frame in, what is in it out: cross-hairs, field of view, lines; all in pixels of the frame.
//!
//! Lines are searched by sums along sheared columns, the hairs by the Hough transform of dark valleys; lines that
//! stand near each other are then measured together, by weighted least squares over all their pixels (`joint`), and a line
//! known from the frame before is looked for only about where it is expected (`again`). The weights come from the noise of
//! the frame itself; the covariance is scaled by what the rows of a line really scatter, and what a lopsided misfit leaves
//! is told apart, for no average lessens it.
//!
//! No line is given below a signal-to-noise ratio of 6, none wider than 48 px, shorter than 20 rows
//! or steeper than 17 degrees; no cross-hairs unless two crossing hairs are seen in this frame.
//!
//! Time, earlier frames and angles of the circle do not belong here; what an earlier frame taught
//! comes in as [`Known`].
//!
//! Checked by `find::tests` on frames rendered there: spread of (found - true)/u, bias under a
//! moving hair, false and missed lines, clipped lines, doublets, frames with nothing in them.

mod again;
mod along;
mod axis;
mod clipped;
mod detect;
mod field;
mod flanks;
mod geometry;
mod grey;
mod hairs;
mod hidden;
mod joint;
mod kept;
mod likeness;
mod lines;
mod look;
mod pattern;
mod radon;
mod rowsum;
mod shadow;
mod shape;
mod solver;
mod spikes;
mod stack;
#[cfg(test)]
mod tests;
mod thread;
mod widening;

pub(crate) use geometry::of_a_straight_line_deg;
pub use kept::Kept;
pub use look::{Finder, Known};
pub use pattern::FixedPattern;
pub use stack::Stack;

/// The two cross-hairs of the telescope, as seen in the frame.
#[derive(Clone, Debug, PartialEq)]
pub struct CrossHairs {
    /// Where the hairs cross, px.
    pub x_px: f64,
    /// Where the hairs cross, px.
    pub y_px: f64,
    /// Standard uncertainty of `x_px`, px.
    pub u_x_px: f64,
    /// Standard uncertainty of `y_px`, px.
    pub u_y_px: f64,
    /// How far the cross is turned from upright, degrees in (-45, 45], positive when the upper end
    /// of the more upright hair leans to the right.
    pub rotation_deg: f64,
    /// The two hairs, the more upright one first.
    pub hairs: [Hair; 2],
}

/// One hair: a dark thread, straight but for what the distortion of the lenses behind it makes of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Hair {
    /// Angle of the hair from the vertical where the hairs cross, degrees in (-90, 90], positive when its upper end leans to the
    /// right.
    pub angle_deg: f64,
    /// Its curvature, 1/px: positive where its ends lie to the right of its tangent at the crossing, or below that of a level hair.
    pub bow_per_px: f64,
    /// Full width at half depth, px.
    pub width_px: f64,
    /// Share of the light that it takes away in its middle, 0 to 1.
    pub depth: f64,
}

/// The bright disc of the eyepiece's field stop.
#[derive(Clone, Debug, PartialEq)]
pub struct FieldOfView {
    /// Centre, px.
    pub x_px: f64,
    /// Centre, px.
    pub y_px: f64,
    /// Radius, px.
    pub radius_px: f64,
}

/// A slit image or spectral line.
///
/// Its axis is x(y) = `x_px` + tan(`tilt_deg`) (y - `y_ref_px`) + `curvature_per_px`/2 (y - `y_ref_px`)².
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Where the axis crosses the height `y_ref_px`, px.
    pub x_px: f64,
    /// Standard uncertainty of `x_px`, px.
    pub u_px: f64,
    /// Height of the cross-hairs' intersection, or the middle of the field where none are known, px.
    pub y_ref_px: f64,
    /// dx/dy of the axis at `y_ref_px` as an angle, degrees; positive when the lower end lies to the right.
    pub tilt_deg: f64,
    /// d²x/dy² of the axis, 1/px.
    pub curvature_per_px: f64,
    /// Covariance of (x at `y_ref_px` in px, dx/dy, d²x/dy² in 1/px).
    pub covariance: [[f64; 3]; 3],
    /// Full width at half maximum across the line, px.
    pub width_px: f64,
    /// Its profile is a box of this width, px, the image of the slit …
    pub slit_px: f64,
    /// … blurred by a Gaussian of this standard deviation, px.
    pub blur_px: f64,
    /// Highest level of the line's profile above black, as a share of full scale.
    pub peak_level: f64,
    /// Light of the line above its background, summed over its rows, levels.
    pub flux: f64,
    /// Flux over its standard uncertainty.
    pub signal_to_noise: f64,
    /// Whether any pixel of the line is clipped.
    pub saturated: bool,
    /// Part of `u_px` that the shade of a hair along the line and a lopsided profile (compression, sharpening, coma) leave, px:
    /// an error that stays the same from frame to frame while the line stands there, so that no average lessens it.
    pub lasting_px: f64,
    /// How much of the noise about it is that of the frame before; nothing unless it stood on the same pixels there.
    pub fixed_pattern: FixedPattern,
    /// Whether a hair covers the line's axis anywhere near `y_ref_px`, so that the axis there is seen only beside it.
    pub under_hair: bool,
    /// First and last row of the line that was used.
    pub rows: (usize, usize),
}

/// Where some rows of a line put it, beside its axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RowOffset {
    /// Which of the picture's lines.
    pub line: usize,
    /// Their middle, px.
    pub y_px: f32,
    /// How far to the right of the axis they put the line, px.
    pub away_px: f32,
    /// One over the variance of that by the noise of the pixels, 1/px².
    pub weight: f32,
}

/// All that was found in one frame.
#[derive(Clone, Debug, Default)]
pub struct Picture {
    /// The cross-hairs, where they can be seen.
    pub cross_hairs: Option<CrossHairs>,
    /// The field stop, where it can be seen.
    pub field: Option<FieldOfView>,
    /// Lines from left to right.
    pub lines: Vec<Line>,
    /// What rows of lines that no hair lies on say of them; filled by [`Finder::compare`].
    pub rows: Vec<RowOffset>,
    /// Mean level above black in the field, as a share of full scale: tells darkness.
    pub mean_level: f64,
}
