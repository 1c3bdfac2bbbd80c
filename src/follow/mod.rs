//! Frames in sequence in, where each line turned out.
//!
//! In: what [`crate::find`] saw in every frame (pixels, at the height of the cross-hairs) with the
//! frame's number and time in seconds. Out: a [`Sweep`]: for every line the position of minimum
//! deviation in pixels of the picture and from the cross-hairs, with its standard uncertainty, and
//! every reversal with the reason why it counts or not. Positions are in the frame of reference of
//! the longest stretch without a knock on the camera.
//!
//! Method: sightings are given to lines by least total misfit to their predicted courses. About
//! minimum deviation x = x₀ ± g(t)² with g smooth and going through zero whatever the hand does
//! (the deviation is stationary there by Snell's law), and x₀ is averaged over its marginal likelihood with
//! noise and smoothness taken from the data. Lines of one pass that turn one after another are then measured together, with the
//! hand and the air in common, and specks on the glass are told by the rows of all frames. Reversals are told apart by their place, their shape and
//! whether other lines turned at the same instant.
//!
//! Refuses: a turn with fewer than four good frames on either side, in a gap (darkness), or outside
//! the field of view; a line that never turned has `turned` false and its mean position.
//!
//! Does not belong here: pixels of a frame, circle readings, angles of the telescope.
//!
//! Checked by `turning::tests` (pulls over simulated sweeps), `glass::tests` (specks, uneven pixels), `together::tests` and `air_tests` (lines together, unsteady air), `follow::tests` (whole sweeps with
//! several lines, knocks, darkness, reversals of the hand) and `follow::scenario_tests` (the practice
//! scenes). Where one line was seen to turn only once, a hand that turned back within about 2 px of the
//! minimum cannot be told from minimum deviation for sure; `why` then asks for a second pass.

mod classify;
mod glass;
mod identity;
mod noise;
mod order;
#[cfg(test)]
mod practice;
mod reversals;
mod smooth;
mod steadiness;
mod sweep;
mod together;
mod turning;

use crate::find::{CrossHairs, Picture};
use glass::Glass;
use identity::Identity;
use steadiness::Steadiness;

/// What the follower is told beforehand.
#[derive(Clone, Copy, Debug, Default)]
pub struct Settings {
    /// Side of the picture on which the central image lies; inferred where none is given.
    pub toward: Option<Side>,
    /// Exposure of a frame, s, where it is known: a moving line is smeared to one side of its turning point.
    pub exposure_s: Option<f64>,
    /// Whether the lines are known to stand still: then no place is taken for a turn, however the hand trembles.
    pub at_rest: bool,
}

/// Where a line is in its sweep, while the clip runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// Just seen, or standing still.
    Searching,
    /// On its way.
    Approaching,
    /// Came back from an extreme.
    Turned,
    /// Not seen in this frame.
    Lost,
}

/// One line while the clip runs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineProgress {
    /// Position when last seen, px, as found in that frame.
    pub x_px: f64,
    /// Position from the cross-hairs of the frame, px.
    pub offset_px: Option<f64>,
    /// Velocity, px/s.
    pub velocity_px_s: f64,
    /// What names the line from frame to frame.
    pub name: (u64, u64),
    /// Farthest reach that the line came back from, px; none until it turned.
    pub turned_at_px: Option<f64>,
    /// Where it is in its sweep.
    pub state: State,
}

/// Lines while the clip runs, from left to right. For show only: the answer is that of [`Follower::finish`].
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Progress {
    /// A row a line.
    pub lines: Vec<LineProgress>,
}

/// Follows the lines of a clip; a copy can be put together while the clip goes on.
#[derive(Clone, Debug)]
pub struct Follower {
    settings: Settings,
    identity: Identity,
    steadiness: Steadiness,
    glass: Glass,
    last_time_s: Option<f64>,
    /// Frames that came out of order of time and were left out.
    out_of_order: u64,
    frames: u64,
    lost: u64,
}

impl Follower {
    /// A follower that has seen nothing yet.
    #[must_use]
    pub fn new(settings: Settings) -> Self {
        Self {
            settings,
            identity: Identity::default(),
            steadiness: Steadiness::default(),
            glass: Glass::default(),
            last_time_s: None,
            out_of_order: 0,
            frames: 0,
            lost: 0,
        }
    }

    /// Takes what was found in one frame; `time_s` is the source's own time in seconds and must rise.
    ///
    /// A frame whose time does not rise is left out and counted; the sweep then carries a caution.
    pub fn advance(&mut self, frame: u64, time_s: f64, picture: &Picture) -> Progress {
        if !time_s.is_finite() || self.last_time_s.is_some_and(|last| time_s <= last) {
            self.out_of_order += 1;
            return self.progress(self.last_time_s.unwrap_or(0.0));
        }
        self.last_time_s = Some(time_s);
        self.frames += 1;
        let jump_px = self.steadiness.step(time_s, picture);
        self.glass.take(picture);
        self.identity.step(frame, time_s, &picture.lines, jump_px);
        self.progress(time_s)
    }

    /// Says what share of the next frame's picture is the very frame before: a codec's, which leaves standing what changes little.
    pub fn kept(&mut self, share: f64) {
        self.steadiness.kept(share);
    }

    /// Says that frames were there but could not be read.
    pub fn lost(&mut self, frames: u64) {
        self.lost += frames;
    }

    /// Puts everything together.
    ///
    /// `stacked_cross_hairs` are the cross-hairs as found in the mean of many frames, if the caller made
    /// one; they are used unless the camera was knocked.
    #[must_use]
    pub fn finish(self, stacked_cross_hairs: Option<CrossHairs>) -> Sweep {
        sweep::put_together(self, stacked_cross_hairs)
    }

    fn progress(&self, time_s: f64) -> Progress {
        let hairs = self.steadiness.hairs_now_px();
        let mut lines: Vec<LineProgress> = self
            .identity
            .open
            .iter()
            .filter(|t| t.sightings.len() >= identity::SEEN_TO_BE_A_LINE)
            .filter_map(|t| t.progress(time_s, hairs))
            .collect();
        lines.sort_by(|a, b| a.x_px.total_cmp(&b.x_px));
        Progress { lines }
    }
}

fn sign_of(side: Side) -> f64 {
    match side {
        Side::Left => 1.0,
        Side::Right => -1.0,
    }
}

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

#[cfg(test)]
mod air_tests;
#[cfg(test)]
mod scenario_tests;
#[cfg(test)]
mod tests;
