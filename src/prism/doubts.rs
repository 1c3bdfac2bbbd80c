//! What is doubtful about a reduction: wavelengths that are not those of their lines, lines out of order, repeats that do not
//! agree, curves that the lines do not follow, slips. Each is a sentence with what, where and what to do.

use crate::basics::fit::chi_squared_probability;
use crate::basics::uncertainty::{Caution, Measured};
use crate::basics::units::Angle;

use super::dispersion::{C_LINE, DispersionFit, F_LINE};
use super::lamps::LampTable;
use super::reduce::ReducedLine;
use super::slips::Explained;

/// A given wavelength is compared with a lamp line this near, nm.
const SAME_LINE_WITHIN_NM: f64 = 0.15;

/// A given wavelength may differ this much from the lamp table without a word, nm: rounding, isotopes, edition of the tables.
const WAVELENGTH_ROUNDING_NM: f64 = 0.012;

/// Misfits with a smaller probability of chance are flagged.
const MISFIT_SIGNIFICANCE: f64 = 0.01;

/// Wavelengths that are near a lamp line but not on it, or that contradict the line's name.
pub(super) fn wavelength_cautions(
    lines: &[ReducedLine],
    lamps: &LampTable,
    cautions: &mut Vec<Caution>,
) {
    for line in lines {
        let given = line.wavelength.in_air_nm();
        if let Some(named) = lamps.named(&line.line) {
            let meant = named.wavelength.in_air_nm();
            if (meant - given).abs() > SAME_LINE_WITHIN_NM {
                cautions.push(Caution {
                    code: "name-contradicts-wavelength",
                    message: format!(
                        "the line \"{}\" is given at {given:.3} nm, but the lamp table has {} at {meant:.4} nm: correct the name or the wavelength",
                        line.line,
                        named.name()
                    ),
                });
                continue;
            }
        }
        let Some(near) = lamps.nearest(line.wavelength, SAME_LINE_WITHIN_NM) else {
            continue;
        };
        let table = near.wavelength.in_air_nm();
        if (table - given).abs() > WAVELENGTH_ROUNDING_NM {
            cautions.push(Caution {
                code: "wavelength-rounded",
                message: format!(
                    "the line \"{}\" is given at {given} nm; if it is {}, its wavelength in air is {table:.4} nm: write all decimals",
                    line.line,
                    near.name()
                ),
            });
        }
    }
}

/// Lines of which the redder is clearly refracted more.
pub(super) fn order_cautions(lines: &[ReducedLine], cautions: &mut Vec<Caution>) {
    const CLEARLY_IN_U: f64 = 4.0;
    let mut by_wavelength: Vec<&ReducedLine> = lines.iter().collect();
    by_wavelength.sort_by(|one, other| {
        one.wavelength
            .in_air_nm()
            .total_cmp(&other.wavelength.in_air_nm())
    });
    for pair in by_wavelength.windows(2) {
        let [bluer, redder] = pair else { continue };
        let rise = redder.index.minus(&bluer.index);
        let same = (redder.wavelength.in_air_nm() - bluer.wavelength.in_air_nm()).abs() < 1e-3;
        if !same && rise.value() > CLEARLY_IN_U * rise.u() {
            cautions.push(Caution {
                code: "dispersion-reversed",
                message: format!(
                    "{} is redder than {} but deviated more: the lines are mixed up, or a reading is wrong",
                    redder.line, bluer.line
                ),
            });
        }
    }
}

/// Repeats of one line in several sets that do not agree.
pub(super) fn repeat_cautions(lines: &[ReducedLine], cautions: &mut Vec<Caution>) {
    let mut done: Vec<f64> = Vec::new();
    for line in lines {
        let nm = line.wavelength.in_air_nm();
        if done.iter().any(|other| (other - nm).abs() < 1e-3) {
            continue;
        }
        done.push(nm);
        let repeats: Vec<&Measured> = lines
            .iter()
            .filter(|other| (other.wavelength.in_air_nm() - nm).abs() < 1e-3)
            .map(|other| &other.deviation_deg)
            .collect();
        let count = repeats.len() as f64;
        let mean = repeats.iter().map(|d| d.value()).sum::<f64>() / count;
        let chi_squared: f64 = repeats
            .iter()
            .map(|d| (d.value() - mean).powi(2) / d.variance().max(f64::MIN_POSITIVE))
            .sum();
        let by_chance = chi_squared_probability(chi_squared, repeats.len() - 1);
        if by_chance.is_some_and(|p| p < MISFIT_SIGNIFICANCE) {
            let low = repeats
                .iter()
                .map(|d| d.value())
                .fold(f64::INFINITY, f64::min);
            let high = repeats
                .iter()
                .map(|d| d.value())
                .fold(f64::NEG_INFINITY, f64::max);
            cautions.push(Caution {
                code: "repeats-disagree",
                message: format!(
                    "the {} deviations of {} spread over {}, more than their uncertainty allows: one of them is not at minimum deviation or misread",
                    repeats.len(),
                    line.line,
                    Angle::from_degrees(high - low)
                ),
            });
        }
    }
}

/// What the search for slips says.
pub(super) fn slip_cautions(explained: &Explained, cautions: &mut Vec<Caution>) {
    for slip in &explained.slips {
        cautions.push(Caution {
            code: "slip-suspected",
            message: slip.sentence.clone(),
        });
    }
    if explained.wrong && explained.slips.is_empty() {
        cautions.push(Caution {
            code: "readings-contradict",
            message: "the readings do not fit each other, and no single slip of the usual kinds explains it: there are two, a line was not at minimum deviation, or the table or the camera moved".to_owned(),
        });
    }
}

/// What the fit of the curve says.
pub(super) fn curve_cautions(fit: &DispersionFit, cautions: &mut Vec<Caution>) {
    const STRONG_PULL: f64 = 2.5;
    const BEYOND_NM: f64 = 15.0;
    match fit.p_value {
        None => cautions.push(Caution {
            code: "dispersion-unchecked",
            message: format!(
                "{} passes through all lines because there are no more lines than coefficients: measure further lines to check it",
                fit.model.name()
            ),
        }),
        Some(p) if p < MISFIT_SIGNIFICANCE => cautions.push(Caution {
            code: "dispersion-misfit",
            message: format!(
                "the lines do not lie on {} within their uncertainties (chi-squared {:.1} with {} degrees of freedom): a line is misnamed or misread, was not at minimum deviation, or the model has too few terms",
                fit.model.name(),
                fit.chi_squared,
                fit.degrees_of_freedom
            ),
        }),
        Some(_) => {}
    }
    if fit.largest_pull > STRONG_PULL {
        cautions.push(Caution {
            code: "common-cause-pulled",
            message: format!(
                "the curve would fit better with a common cause, such as the refracting angle, {:.1} standard uncertainties off: check the refracting angle",
                fit.largest_pull
            ),
        });
    }
    let (low, high) = fit.range_nm;
    let needed = (F_LINE.in_air_nm(), C_LINE.in_air_nm());
    if low > needed.0 + BEYOND_NM || high < needed.1 - BEYOND_NM {
        cautions.push(Caution {
            code: "dispersion-extrapolated",
            message: format!(
                "the lines cover {low:.0} to {high:.0} nm, but the Abbe number needs {:.0} to {:.0} nm: it rests on the curve beyond the lines, so measure lines farther out",
                needed.0, needed.1
            ),
        });
    }
}
