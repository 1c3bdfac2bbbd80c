//! What is true of practice footage, frame by frame and over the whole sweep.

use serde::Serialize;

/// Where the hairs cross in a frame.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct HairsTruth {
    /// Crossing, px.
    pub x_px: f64,
    /// Crossing, px.
    pub y_px: f64,
    /// Turn from upright, degrees, positive when the upper end leans to the right.
    pub rotation_deg: f64,
    /// Thickness of a thread, px.
    pub width_px: f64,
    /// Share of the light that a thread takes away.
    pub depth: f64,
}

/// The field stop.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct FieldTruth {
    /// Centre, px.
    pub x_px: f64,
    /// Centre, px.
    pub y_px: f64,
    /// Radius, px.
    pub radius_px: f64,
}

/// A line in a frame, averaged over the exposure as the sensor averages it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct LineInFrame {
    /// Number of the line in [`SceneTruth::lines`], from 1.
    pub line: usize,
    /// Where the axis crosses the height of the hairs, px.
    pub x_px: f64,
    /// The same from the hairs, px.
    pub offset_px: f64,
    /// dx/dy of the axis there as an angle, degrees, positive when the lower end lies to the right.
    pub tilt_deg: f64,
    /// d²x/dy² of the axis there, 1/px.
    pub curvature_per_px: f64,
    /// How far it moved while the shutter was open, px.
    pub moved_px: f64,
    /// Brightness of a wide slit in this line before the hairs and the blur, share of the full well.
    pub brightness: f64,
    /// Whether the axis at the height of the hairs lies inside the field stop.
    pub in_field: bool,
}

/// A frame.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FrameTruth {
    /// Number, from 0.
    pub frame: u64,
    /// Middle of the exposure, s from the middle of the first frame's.
    pub t_s: f64,
    /// Table angle in the middle of the exposure (angle of incidence of the axis ray), degrees.
    pub table_deg: f64,
    /// The hairs.
    pub cross_hairs: Option<HairsTruth>,
    /// Lines whose light reaches the picture.
    pub lines: Vec<LineInFrame>,
    /// Brightness of all light against its beginning; 0 in darkness.
    pub light: f64,
}

/// One reversal of a line.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TurnTruth {
    /// Number of the line.
    pub line: usize,
    /// When, s.
    pub t_s: f64,
    /// Where, px.
    pub x_px: f64,
    /// The same from the hairs, px.
    pub offset_px: f64,
    /// `minimum deviation`, or `hand` where the hand turned back.
    pub kind: &'static str,
    /// Whether it is minimum deviation.
    pub counted: bool,
    /// Whether the line was inside the field stop and lit.
    pub seen: bool,
}

/// What is true of a line over the sweep.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LineTruth {
    /// Number, from 1, from left to right at minimum deviation.
    pub line: usize,
    /// Element and line.
    pub name: String,
    /// Wavelength in standard air, nm.
    pub wavelength_nm: f64,
    /// Index of the glass.
    pub n: f64,
    /// Whether it reached minimum deviation where it could be seen.
    pub turned: bool,
    /// How many times.
    pub passes: usize,
    /// Position of minimum deviation at the height of the hairs, px, before any slip or creep.
    pub x_px: f64,
    /// The same from the hairs, px; with telescope creep, the mean over the passes.
    pub offset_px: f64,
    /// The same as an angle, arcsec: circle reading + offset is the direction of the line.
    pub offset_arcsec: f64,
    /// Table angle of minimum deviation, degrees.
    pub table_deg: f64,
    /// Minimum deviation for the ray at the height of the hairs, degrees.
    pub deviation_deg: f64,
}

/// Something that is not a turn of a line but may be taken for one.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct EventTruth {
    /// `slip of the camera`, `darkness`, `shade`, `outside the field`, `telescope creep`, `swing of the telescope`.
    pub kind: &'static str,
    /// Line concerned, if one.
    pub line: Option<usize>,
    /// Beginning, s.
    pub t_s: f64,
    /// End, s; equal to the beginning for a jolt.
    pub until_s: f64,
}

/// What is true of a whole scene.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SceneTruth {
    /// Version of the program that rendered it.
    pub lineturn: &'static str,
    /// `practice`.
    pub kind: &'static str,
    /// Name of the scenario.
    pub scenario: String,
    /// What it shows.
    pub description: String,
    /// Number from which all chance in it was drawn.
    pub seed: u64,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Glass of the prism.
    pub glass: String,
    /// Refracting angle, degrees.
    pub prism_angle_deg: f64,
    /// Scale at the hairs, arcsec per pixel, with sign: positive if larger circle angles lie right.
    pub arcsec_per_px: f64,
    /// Side of the picture on which the central image lies: `left` or `right`.
    pub toward: &'static str,
    /// The hairs at the beginning.
    pub cross_hairs: Option<HairsTruth>,
    /// The field stop at the beginning.
    pub field: FieldTruth,
    /// The lines.
    pub lines: Vec<LineTruth>,
    /// All reversals, by time.
    pub turning_points: Vec<TurnTruth>,
    /// What else happened.
    pub events: Vec<EventTruth>,
}

/// A truth file: the scene and its frames.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TruthFile {
    /// The scene.
    #[serde(flatten)]
    pub scene: SceneTruth,
    /// The frames.
    pub frames: Vec<FrameTruth>,
}
