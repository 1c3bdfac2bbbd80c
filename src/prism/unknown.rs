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
    /// Rows of the table that its deviation rests on.
    pub rows: [usize; 2],
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

/// How well a lamp explains the lines that came without a wavelength.
#[derive(Clone, Debug, PartialEq)]
pub struct LampMatch {
    /// Lamp: `Hg`, `Na`, `He`…
    pub lamp: String,
    /// How many of the lines are within three standard uncertainties of one of its lines.
    pub matched: usize,
    /// Probability of this lamp among all of the table and none of them, all alike before the lines were seen.
    pub probability: f64,
}

/// Which lamp a set of lines without names is of, the likeliest first; empty for fewer than two lines.
///
/// Each line is of a lamp with a chance of 0.95, then any of the lamp's lines with the same chance, or anywhere in the
/// visible; of no lamp of the table it is anywhere in the visible (Bayes' theorem). What the wavelengths have in common
/// through the curve is not taken into account, so that probabilities near 0 and 1 are overstated a little.
#[must_use]
pub fn likely_lamps(wavelengths_nm: &[&Measured], lamps: &LampTable) -> Vec<LampMatch> {
    const OF_THE_LAMP: f64 = 0.95;
    const VISIBLE_NM: f64 = 380.0;
    const FEWEST: usize = 2;
    const LEAST: f64 = 1e-3;
    if wavelengths_nm.len() < FEWEST {
        return Vec::new();
    }
    let mut names: Vec<&str> = lamps.lines.iter().map(|line| line.lamp.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    let anywhere = 1.0 / VISIBLE_NM;
    let nobody = wavelengths_nm.len() as f64 * anywhere.ln();
    let mut found: Vec<(LampMatch, f64)> = names
        .into_iter()
        .map(|name| {
            let lines: Vec<_> = lamps.lines.iter().filter(|l| l.lamp == name).collect();
            let mut log_likelihood = 0.0;
            let mut matched = 0;
            for nm in wavelengths_nm {
                let mut density = 0.0;
                let mut nearest = f64::INFINITY;
                for line in &lines {
                    let u = nm.u().hypot(line.u_nm).max(1e-4);
                    let off = (nm.value() - line.wavelength.in_air_nm()) / u;
                    nearest = nearest.min(off.abs());
                    density += (-0.5 * off * off).exp() / (u * std::f64::consts::TAU.sqrt());
                }
                matched += usize::from(nearest <= CANDIDATE_IN_U);
                density /= lines.len() as f64;
                log_likelihood += (OF_THE_LAMP * density + (1.0 - OF_THE_LAMP) * anywhere).ln();
            }
            let lamp = name.to_owned();
            (
                LampMatch {
                    lamp,
                    matched,
                    probability: 0.0,
                },
                log_likelihood,
            )
        })
        .collect();
    let best = found.iter().map(|(_, log)| *log).fold(nobody, f64::max);
    let total: f64 =
        (nobody - best).exp() + found.iter().map(|(_, log)| (log - best).exp()).sum::<f64>();
    for (lamp, log) in &mut found {
        lamp.probability = (*log - best).exp() / total;
    }
    let mut likely: Vec<LampMatch> = found
        .into_iter()
        .map(|(lamp, _)| lamp)
        .filter(|lamp| lamp.matched > 0 && lamp.probability >= LEAST)
        .collect();
    likely.sort_by(|one, other| other.probability.total_cmp(&one.probability));
    likely
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
