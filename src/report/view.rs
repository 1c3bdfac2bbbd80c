//! What the page shows, as plain ready numbers and words: the page itself computes nothing.
//!
//! `u` is always a standard uncertainty (k = 1); `expanded` is for the coverage that [`Coverage`] names.
//! What is not known is `None` or an empty text and stays empty on the page.

use super::budget::Budget;

/// Everything that a report shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PageData {
    /// Title, for instance the name of the table of readings.
    pub title: String,
    /// When the report was made, as it shall be read.
    pub when: String,
    /// Coverage of the expanded uncertainties.
    pub coverage: Coverage,
    /// The results, most important first.
    pub summary: Vec<Quantity>,
    /// What is doubtful about the measurement.
    pub cautions: Vec<Caution>,
    /// A row a measured line.
    pub lines: Vec<LineRow>,
    /// Lines whose wavelength was not given.
    pub unknown_lines: Vec<UnknownLine>,
    /// Which lamp those lines are of, as a sentence; may be empty.
    pub lamps: String,
    /// Index against wavelength.
    pub dispersion: Option<Dispersion>,
    /// What the prism does to wavelengths, a row a line.
    pub resolving: Vec<ResolvingRow>,
    /// A followed line a footage.
    pub tracks: Vec<Track>,
    /// A row a pointing of the telescope.
    pub readings: Vec<Reading>,
    /// Where the uncertainty of each result comes from.
    pub budgets: Vec<Budget>,
    /// Catalogue glasses compared with the measurement, best first.
    pub glasses: Vec<Glass>,
    /// What was done, a paragraph each.
    pub method: Vec<String>,
    /// Program version, files, options: (what, value).
    pub provenance: Vec<(String, String)>,
}

/// Coverage of expanded uncertainties.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Coverage {
    /// Level in per cent, for instance 95.
    pub percent: Option<f64>,
    /// Coverage factor, where it is one for all results.
    pub k: Option<f64>,
}

/// A number with what is known of its uncertainty.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Value {
    /// Nothing.
    #[default]
    Unknown,
    /// A plain number; the unit follows the number and may be empty.
    Number {
        /// The value.
        value: f64,
        /// Standard uncertainty.
        u: Option<f64>,
        /// Expanded uncertainty.
        expanded: Option<f64>,
        /// Unit.
        unit: &'static str,
    },
    /// An angle, shown in degrees, minutes and seconds.
    Angle {
        /// The value in degrees.
        deg: f64,
        /// Standard uncertainty in seconds of arc.
        u_arcsec: Option<f64>,
        /// Expanded uncertainty in seconds of arc.
        expanded_arcsec: Option<f64>,
    },
}

/// One result.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Quantity {
    /// Symbol; what follows an underscore is set as an index, as in `n_d`.
    pub symbol: String,
    /// What it is, in words.
    pub name: String,
    /// The value.
    pub value: Value,
    /// Coverage factor of its expanded uncertainty.
    pub k: Option<f64>,
    /// Effective degrees of freedom, where finite.
    pub degrees_of_freedom: Option<f64>,
    /// Why there is no value, or what to know about it; may be empty.
    pub remark: String,
}

/// A doubt that travels with the numbers.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Caution {
    /// Short code that scripts know.
    pub code: String,
    /// A sentence.
    pub message: String,
}

/// One measured line.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LineRow {
    /// Set of readings.
    pub set: String,
    /// Name of the line.
    pub line: String,
    /// Wavelength in standard air, nm.
    pub wavelength_nm: Option<f64>,
    /// Minimum deviation, an angle.
    pub deviation: Value,
    /// Refractive index.
    pub index: Value,
    /// The same against standard air, where the air of the room is known.
    pub index_standard_air: Value,
    /// The same against vacuum.
    pub index_vacuum: Value,
    /// Measured less fitted index, in 1e-5.
    pub residual_1e5: Option<f64>,
    /// Rows of the table of readings that it rests on.
    pub rows: Vec<String>,
}

/// A line whose wavelength follows from the dispersion.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct UnknownLine {
    /// Name.
    pub line: String,
    /// Wavelength in standard air, nm.
    pub wavelength: Value,
    /// Lines of the lamp table that it may be.
    pub candidates: Vec<String>,
}

/// What the prism does to wavelengths at one line.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ResolvingRow {
    /// Name of the line.
    pub line: String,
    /// Angular dispersion, seconds of arc per nm.
    pub angular_dispersion: Value,
    /// Resolving power of the base that light fills.
    pub resolving_power: Value,
    /// Resolving power that the slit image allows.
    pub slit_resolving_power: Value,
    /// Smallest difference of wavelengths seen apart, nm.
    pub resolved_nm: Value,
}

/// Index against wavelength.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Dispersion {
    /// Formula in words and letters.
    pub model: String,
    /// By what it was chosen, as a sentence; empty where it was asked for.
    pub choice: String,
    /// Coefficients: (name, value with its uncertainty).
    pub coefficients: Vec<(String, Value)>,
    /// Chi-squared of the fit and its degrees of freedom.
    pub chi_squared: Option<(f64, u32)>,
    /// Probability of a chi-squared at least as large, 0…1.
    pub p_value: Option<f64>,
    /// Measured points.
    pub points: Vec<IndexPoint>,
    /// The fit, sampled in order of wavelength.
    pub curve: Vec<CurvePoint>,
    /// Wavelengths at which results are quoted: (name, nm).
    pub guides: Vec<(String, f64)>,
}

/// One measured index.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct IndexPoint {
    /// Name of the line.
    pub line: String,
    /// Wavelength in standard air, nm.
    pub wavelength_nm: f64,
    /// Index.
    pub n: f64,
    /// Expanded uncertainty of `n`.
    pub expanded: Option<f64>,
    /// Measured less fitted, in 1e-5.
    pub residual_1e5: Option<f64>,
    /// Expanded uncertainty in 1e-5 without what all lines share.
    pub residual_expanded_1e5: Option<f64>,
}

/// The fitted curve at one wavelength.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CurvePoint {
    /// Wavelength in standard air, nm.
    pub wavelength_nm: f64,
    /// Index.
    pub n: f64,
    /// Index to be expected: the fit, corrected for what its formula is known to be off.
    pub expected: Option<f64>,
    /// Expanded uncertainty of `expected`.
    pub expanded: Option<f64>,
    /// `expected` less the fit, in 1e-5, and its expanded uncertainty without what all lines share.
    pub expected_1e5: Option<(f64, f64)>,
}

/// A line as it was followed through one piece of footage.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Track {
    /// Footage.
    pub footage: String,
    /// Name of the line.
    pub line: String,
    /// Set of readings that it belongs to.
    pub set: String,
    /// Whether positions are from the cross-hairs; otherwise they are in the picture.
    pub from_cross_hairs: bool,
    /// Positions in the order of time.
    pub points: Vec<TrackPoint>,
    /// Every reversal, by time.
    pub turns: Vec<Turn>,
    /// Position of minimum deviation over all counted passes; none where it never turned.
    pub answer_px: Option<f64>,
    /// Standard uncertainty of `answer_px`.
    pub u_answer_px: Option<f64>,
    /// Expanded uncertainty of `answer_px`.
    pub expanded_answer_px: Option<f64>,
    /// The same as an angle of the telescope, in seconds of arc with its standard uncertainty.
    pub answer_arcsec: Option<(f64, f64)>,
    /// Longest time between two positions that is not a gap, s.
    pub longest_step_s: f64,
    /// Sentences about this footage.
    pub cautions: Vec<Caution>,
}

/// One position of a followed line.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TrackPoint {
    /// Seconds from the first frame.
    pub time_s: f64,
    /// Position, px.
    pub position_px: f64,
    /// Standard uncertainty, px.
    pub u_px: Option<f64>,
}

/// One reversal of a line.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Turn {
    /// When, s from the first frame.
    pub time_s: f64,
    /// The frame nearest to it, counted from 0.
    pub frame: Option<u64>,
    /// Position, px.
    pub position_px: f64,
    /// Standard uncertainty, px.
    pub u_px: Option<f64>,
    /// Whether it is taken for minimum deviation.
    pub counted: bool,
    /// Why or why not.
    pub why: String,
}

/// One pointing of the telescope.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reading {
    /// Row of the table of readings, as people count.
    pub row: String,
    /// Set.
    pub set: String,
    /// What the telescope pointed at.
    pub target: String,
    /// Name of the line.
    pub line: String,
    /// Vernier windows.
    pub windows: Vec<Window>,
    /// Offset of the target from the cross-hairs, s of arc, with its standard uncertainty.
    pub offset_arcsec: Option<(f64, Option<f64>)>,
    /// Reading with the cross-hair on the target.
    pub corrected: Value,
    /// Footage from which the offset came.
    pub footage: String,
    /// Note of the person.
    pub note: String,
}

/// One vernier window.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Window {
    /// As typed.
    pub typed: String,
    /// As understood, degrees.
    pub deg: Option<f64>,
}

/// A catalogue glass beside the measurement.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Glass {
    /// Name in the catalogue.
    pub name: String,
    /// Catalogue index at the d line.
    pub n_d: Option<f64>,
    /// Catalogue Abbe number.
    pub abbe_number: Option<f64>,
    /// Chi-squared of measurement against catalogue.
    pub chi_squared: Option<f64>,
    /// Probability of a chi-squared at least as large, 0…1.
    pub p_value: Option<f64>,
    /// Verdict in words.
    pub verdict: String,
}
