//! Reading tables: the columns of `reduce` and of `scale`, with every refusal naming file, row and column.

use std::path::Path;

use crate::basics::units::{CircleReading, Wavelength};

/// Why a table of readings is refused: one sentence with file, row, column and what to do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct TableError(pub String);

/// At what the telescope was pointed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Target {
    /// A spectral line at minimum deviation.
    Line,
    /// The slit seen straight.
    Central,
    /// The slit reflected from the first face.
    Face1,
    /// The slit reflected from the second face.
    Face2,
}

/// One pointing of the telescope.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadingRow {
    /// Row of the file, the header being row 1.
    pub row: usize,
    /// Rows of one set belong together.
    pub set: String,
    /// At what the telescope was pointed.
    pub target: Target,
    /// Name of the line.
    pub line: Option<String>,
    /// Its wavelength.
    pub wavelength: Option<Wavelength>,
    /// First window.
    pub window_1: CircleReading,
    /// Second window.
    pub window_2: Option<CircleReading>,
    /// Offset of the line from the cross-hairs, seconds of arc.
    pub offset_arcsec: Option<f64>,
    /// Its standard uncertainty.
    pub u_offset_arcsec: Option<f64>,
    /// Clip, folder or picture from which the offset is measured; path beside the table, as written.
    pub footage: Option<String>,
    /// Which line of the footage, numbered from the left.
    pub pick: Option<usize>,
    /// Remark.
    pub note: Option<String>,
}

/// What a row of a scale table gives for the position.
#[derive(Clone, Debug, PartialEq)]
pub enum ScaleOffset {
    /// A picture, path beside the table, as written.
    Frame(String),
    /// Offset of the slit image from the cross-hairs, px.
    Px(f64),
}

/// One picture of the slit at a known circle reading.
#[derive(Clone, Debug, PartialEq)]
pub struct ScaleRow {
    /// Row of the file, the header being row 1.
    pub row: usize,
    /// First window.
    pub window_1: CircleReading,
    /// Second window.
    pub window_2: Option<CircleReading>,
    /// Where the slit image was.
    pub offset: ScaleOffset,
}

/// Reads a `reduce` table from a file.
///
/// # Errors
/// One sentence that names file, row and column.
pub fn read_readings(path: &Path) -> Result<Vec<ReadingRow>, TableError> {
    let bytes = std::fs::read(path)
        .map_err(|error| TableError(format!("cannot read {}: {error}", path.display())))?;
    readings_from_bytes(&bytes, &path.display().to_string())
}

/// Reads a `reduce` table from bytes; `name` is the file's name for messages.
///
/// # Errors
/// One sentence that names file, row and column.
pub fn readings_from_bytes(bytes: &[u8], name: &str) -> Result<Vec<ReadingRow>, TableError> {
    let _ = bytes;
    Err(TableError(format!("{name}: not written yet")))
}

/// Reads a `scale` table from a file.
///
/// # Errors
/// One sentence that names file, row and column.
pub fn read_scale(path: &Path) -> Result<Vec<ScaleRow>, TableError> {
    let bytes = std::fs::read(path)
        .map_err(|error| TableError(format!("cannot read {}: {error}", path.display())))?;
    scale_from_bytes(&bytes, &path.display().to_string())
}

/// Reads a `scale` table from bytes; `name` is the file's name for messages.
///
/// # Errors
/// One sentence that names file, row and column.
pub fn scale_from_bytes(bytes: &[u8], name: &str) -> Result<Vec<ScaleRow>, TableError> {
    let _ = bytes;
    Err(TableError(format!("{name}: not written yet")))
}
