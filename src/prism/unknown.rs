//! Wavelengths of lines that came without one, from the dispersion curve of the others.

use crate::basics::uncertainty::Measured;
use crate::basics::units::Wavelength;

use super::dispersion::{DispersionFit, IndexedLine};
use super::glasses::GlassTable;
use super::lamps::LampTable;

/// Candidates lie within this many standard uncertainties.
pub const CANDIDATE_IN_U: f64 = 3.0;

/// Candidates listed at most.
const LISTED: usize = 8;

/// How far beyond the measured lines the curve is believed, as a share of the range of 1/λ² that they cover.
const BELIEVED_BEYOND: f64 = 0.5;

/// A lamp line that may be the unknown one.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    /// Name of the lamp line.
    pub name: String,
    /// Its wavelength in air, nm.
    pub wavelength_nm: f64,
    /// Its colour.
    pub colour: String,
    /// Distance from the measured wavelength in standard uncertainties.
    pub distance_in_u: f64,
    /// Whether it is of a lamp of which the table has known lines.
    pub same_lamp: bool,
}

/// A line whose wavelength was measured.
#[derive(Clone, Debug)]
pub struct UnknownLine {
    /// Name in the table.
    pub line: String,
    /// Set in which it was read.
    pub set: String,
    /// Minimum deviation, degrees.
    pub deviation_deg: Measured,
    /// Index.
    pub index: Measured,
    /// Wavelength in air, nm, or the sentence that says why there is none.
    pub wavelength_nm: Result<Measured, String>,
    /// Lamp lines that fit, those of the lamps in use first.
    pub candidates: Vec<Candidate>,
}

/// Wavelength in air, nm, at which the curve has an index. The refracting angle acts alike on the curve
/// and on the index, so most of its uncertainty drops out.
///
/// # Errors
/// A sentence where the index lies off the part of the curve that the lines support.
pub fn wavelength_of_index(
    fit: &DispersionFit,
    index: &Measured,
    lines: &[IndexedLine],
    glasses: &GlassTable,
) -> Result<Measured, String> {
    let x_of_nm = |nm: f64| (1000.0 / nm).powi(2);
    let nm_of_x = |x: f64| 1000.0 / x.sqrt();
    let (red, violet) = (x_of_nm(fit.range_nm.1), x_of_nm(fit.range_nm.0));
    let beyond = BELIEVED_BEYOND * (violet - red);
    let (mut low, mut high) = (
        (red - beyond).max(x_of_nm(900.0)),
        (violet + beyond).min(x_of_nm(330.0)),
    );
    let above = |x: f64| fit.index_at(Wavelength::air_nm(nm_of_x(x))).value() - index.value();
    if !(above(low) <= 0.0 && above(high) >= 0.0) {
        return Err(format!(
            "its index {:.5} lies off the dispersion curve, which the known lines support from {:.0} to {:.0} nm: measure known lines nearer to it",
            index.value(),
            nm_of_x(high),
            nm_of_x(low)
        ));
    }
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if above(middle) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    let nm = nm_of_x(0.5 * (low + high));
    let at = Wavelength::air_nm(nm);
    let slope = fit.slope_per_nm(at);
    let curve = fit
        .indices_with_departure(&[at], lines, glasses)
        .into_iter()
        .next()
        .unwrap_or_else(|| fit.index_at(at));
    if slope.partial_cmp(&0.0) != Some(std::cmp::Ordering::Less) {
        return Err(
            "the dispersion curve does not fall from violet to red there: check the known lines"
                .to_owned(),
        );
    }
    // One step of Newton's method takes in what the model is known to be off.
    let gap = index.minus(&curve);
    Ok(gap.map(nm + gap.value() / slope, 1.0 / slope))
}

/// Lamp lines within three standard uncertainties of a wavelength: those of the lamps whose lines are known first, nearest first.
#[must_use]
pub fn candidates(
    wavelength_nm: &Measured,
    lamps: &LampTable,
    known: &[IndexedLine],
) -> Vec<Candidate> {
    /// A known line is that of a lamp if it lies so near, nm.
    const SAME_LINE_NM: f64 = 0.15;
    let seen: Vec<&str> = known
        .iter()
        .filter_map(|(wavelength, _)| lamps.nearest(*wavelength, SAME_LINE_NM))
        .map(|line| line.lamp.as_str())
        .collect();
    let u = wavelength_nm.u();
    let mut found: Vec<Candidate> = lamps
        .lines
        .iter()
        .filter_map(|line| {
            let nm = line.wavelength.in_air_nm();
            let distance_in_u = (nm - wavelength_nm.value()).abs() / u.hypot(line.u_nm);
            (distance_in_u <= CANDIDATE_IN_U).then(|| Candidate {
                name: line.name(),
                wavelength_nm: nm,
                colour: line.colour.clone(),
                distance_in_u,
                same_lamp: seen.contains(&line.lamp.as_str()),
            })
        })
        .collect();
    found.sort_by(|one, other| {
        other
            .same_lamp
            .cmp(&one.same_lamp)
            .then(one.distance_in_u.total_cmp(&other.distance_in_u))
    });
    found.truncate(LISTED);
    found
}
