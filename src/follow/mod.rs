//! Frames in sequence in, where each line turned out; pixels and seconds.

use crate::find::CrossHairs;

/// Side of the picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Towards small x.
    Left,
    /// Towards large x.
    Right,
}

/// One line in one frame, as followed.
#[derive(Clone, Debug, PartialEq)]
pub struct TrackPoint {
    /// Number of the frame.
    pub frame: u64,
    /// Seconds from the first frame.
    pub time_s: f64,
    /// Position at the height of the cross-hairs, px.
    pub x_px: f64,
    /// Standard uncertainty of `x_px`, px.
    pub u_px: f64,
    /// Position from the cross-hairs, px; none where they are not known.
    pub offset_px: Option<f64>,
    /// Highest level as a share of full scale.
    pub level: f64,
    /// Whether any pixel was clipped.
    pub saturated: bool,
}

/// A line that was followed, and the answer for it.
#[derive(Clone, Debug)]
pub struct FollowedLine {
    /// Number of the line, from 1, left to right at its mean position.
    pub line: usize,
    /// Whether it reached minimum deviation.
    pub turned: bool,
    /// How many counted turning points the answer rests on.
    pub passes: usize,
    /// Position of minimum deviation over all counted passes, or the mean position if it never turned, px.
    pub x_px: f64,
    /// The same from the cross-hairs, px.
    pub offset_px: Option<f64>,
    /// Standard uncertainty of `x_px` (of `offset_px` where there is one), px.
    pub u_px: f64,
    /// Every frame in which it was seen.
    pub track: Vec<TrackPoint>,
}

/// One reversal of a line, or another end of its motion that is not minimum deviation.
#[derive(Clone, Debug, PartialEq)]
pub struct TurningPoint {
    /// Number of the line.
    pub line: usize,
    /// Time of the reversal, s.
    pub time_s: f64,
    /// Position, px.
    pub x_px: f64,
    /// Position from the cross-hairs, px.
    pub offset_px: Option<f64>,
    /// Standard uncertainty, px.
    pub u_px: f64,
    /// Whether it is taken for minimum deviation.
    pub counted: bool,
    /// One sentence that says why or why not.
    pub why: String,
}

/// The whole sweep.
#[derive(Clone, Debug)]
pub struct Sweep {
    /// Side on which the central image lies, given or inferred.
    pub toward: Option<Side>,
    /// Cross-hairs of the clip, from all frames.
    pub cross_hairs: Option<CrossHairs>,
    /// The answer, a row a line.
    pub lines: Vec<FollowedLine>,
    /// Every reversal, by time.
    pub turning_points: Vec<TurningPoint>,
    /// What is doubtful: (code, sentence).
    pub cautions: Vec<(String, String)>,
}
