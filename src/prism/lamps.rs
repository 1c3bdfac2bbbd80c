//! Lines of spectral lamps, from `calibration/lamps.toml`.

use serde::Deserialize;

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
    /// Source of the wavelength, as explained in the table.
    pub source: String,
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

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TableRecord {
    line: Vec<LineRecord>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LineRecord {
    lamp: String,
    vacuum_nm: f64,
    air_nm: f64,
    u_nm: f64,
    intensity: Option<f64>,
    colour: String,
    letter: Option<String>,
    source: String,
}

/// Written air wavelengths may differ this much from the conversion, nm: half their last digit.
const AIR_ROUNDING_NM: f64 = 0.000_051;

impl LampTable {
    /// The table that comes with the program.
    ///
    /// # Errors
    /// None in practice: a test reads it.
    pub fn embedded() -> Result<Self, PrismError> {
        Self::parse(LAMPS_TOML)
    }

    /// Reads a table from TOML text.
    ///
    /// # Errors
    /// A sentence that names the line that is wrong.
    pub fn parse(text: &str) -> Result<Self, PrismError> {
        let record: TableRecord = toml::from_str(text)
            .map_err(|error| PrismError(format!("the lamp table cannot be read: {error}")))?;
        let mut lines = record
            .line
            .into_iter()
            .map(|line| {
                let wrong = |what: &str| {
                    PrismError(format!(
                        "lamp table, {} {}: {what}",
                        line.lamp, line.vacuum_nm
                    ))
                };
                if !(200.0..2000.0).contains(&line.vacuum_nm) {
                    return Err(wrong("vacuum_nm must be 200 to 2000 nm"));
                }
                if !(line.u_nm > 0.0 && line.u_nm < 1.0) {
                    return Err(wrong("u_nm must be above 0 and below 1 nm"));
                }
                let wavelength = Wavelength::vacuum_nm(line.vacuum_nm);
                if (wavelength.in_air_nm() - line.air_nm).abs() > AIR_ROUNDING_NM {
                    return Err(wrong("air_nm does not belong to vacuum_nm"));
                }
                Ok(LampLine {
                    wavelength,
                    lamp: line.lamp,
                    letter: line.letter,
                    u_nm: line.u_nm,
                    colour: line.colour,
                    intensity: line.intensity,
                    source: line.source,
                })
            })
            .collect::<Result<Vec<_>, _>>()?;
        lines.sort_by(|one, other| {
            one.wavelength
                .in_air_nm()
                .total_cmp(&other.wavelength.in_air_nm())
        });
        Ok(Self { lines })
    }

    /// The line nearest to a wavelength, within a distance in nm.
    #[must_use]
    pub fn nearest(&self, wavelength: Wavelength, within_nm: f64) -> Option<&LampLine> {
        let distance =
            |line: &LampLine| (line.wavelength.in_air_nm() - wavelength.in_air_nm()).abs();
        self.lines
            .iter()
            .filter(|line| distance(line) <= within_nm)
            .min_by(|one, other| distance(one).total_cmp(&distance(other)))
    }

    /// The line that a name means: `Hg 546.07`, `Hg e`, `e`, `D1`. None where it means no line or several.
    #[must_use]
    pub fn named(&self, name: &str) -> Option<&LampLine> {
        let words: Vec<&str> = name.split_whitespace().collect();
        let (lamp, rest) = match words.as_slice() {
            [one] => (None, *one),
            [lamp, rest] => (Some(*lamp), *rest),
            _ => return None,
        };
        let of_lamp =
            |line: &&LampLine| lamp.is_none_or(|lamp| line.lamp.eq_ignore_ascii_case(lamp));
        let by_letter: Vec<&LampLine> = self
            .lines
            .iter()
            .filter(of_lamp)
            .filter(|line| line.letter.as_deref() == Some(rest))
            .collect();
        if let [only] = by_letter.as_slice() {
            return Some(only);
        }
        let nm: f64 = rest.trim_end_matches("nm").parse().ok()?;
        let decimals = rest
            .split_once('.')
            .map_or(0, |(_, d)| d.trim_end_matches("nm").len());
        // Written to so many decimals, it means any line that rounds, or is cut, to it.
        let half = 1.01 * 10f64.powi(-i32::try_from(decimals.min(9)).unwrap_or(9));
        let near: Vec<&LampLine> = self
            .lines
            .iter()
            .filter(of_lamp)
            .filter(|line| (line.wavelength.in_air_nm() - nm).abs() < half)
            .collect();
        match near.as_slice() {
            [only] if lamp.is_some() => Some(only),
            _ => None,
        }
    }
}
