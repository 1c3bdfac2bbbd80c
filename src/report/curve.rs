//! The dispersion as the report shows it: formula, coefficients, points, curve and the band in which the index is to be expected.

use std::collections::BTreeSet;

use super::from::{COVERAGE, known, number};
use super::view::{CurvePoint, Dispersion, IndexPoint};
use crate::basics::uncertainty::{Measured, own_and_shared};
use crate::basics::units::Wavelength;
use crate::session::{DispersionFit, DispersionModel, Experiment};

/// Wavelengths at which glass catalogues quote: (name, nm in air).
const QUOTED: [(&str, f64); 3] = [("F", 486.1327), ("d", 587.5618), ("C", 656.2725)];

/// The dispersion of an experiment; none without lines.
pub(super) fn dispersion(experiment: &Experiment) -> Option<Dispersion> {
    let reduction = &experiment.reduction;
    if reduction.lines.is_empty() {
        return None;
    }
    let indices: Vec<Measured> = reduction.indexed.iter().map(|l| l.1.clone()).collect();
    let (own, _) = own_and_shared(&indices);
    let points = reduction
        .lines
        .iter()
        .zip(indices.iter().zip(own))
        .map(|(line, (index, own))| {
            // Of few effective degrees of freedom, the bars take the factor of the whole index.
            let k = index.coverage_factor(COVERAGE);
            IndexPoint {
                line: line.line.clone(),
                wavelength_nm: line.wavelength.in_air_nm(),
                n: index.value(),
                expanded: known(index.expanded(COVERAGE)),
                residual_1e5: line.residual.map(|r| r * 1e5),
                residual_expanded_1e5: known(k * own * 1e5),
            }
        })
        .collect();
    let mut shown = Dispersion {
        points,
        guides: QUOTED
            .iter()
            .map(|(name, nm)| ((*name).to_owned(), *nm))
            .collect(),
        ..Dispersion::default()
    };
    if let Ok(fit) = &reduction.dispersion {
        fitted(&mut shown, fit);
        let shared = shared_by_lines(&indices);
        shown.curve = experiment
            .prediction
            .iter()
            .map(|(nm, expected)| {
                let n = fit.index_at(Wavelength::air_nm(*nm)).value();
                let apart = known(expected.coverage_factor(COVERAGE) * without(expected, &shared));
                CurvePoint {
                    wavelength_nm: *nm,
                    n,
                    expected: Some(expected.value()),
                    expanded: known(expected.expanded(COVERAGE)),
                    expected_1e5: apart.map(|u| (1e5 * (expected.value() - n), 1e5 * u)),
                }
            })
            .collect();
    }
    Some(shown)
}

/// Numbers of the causes that act on more than one line.
fn shared_by_lines(indices: &[Measured]) -> BTreeSet<u64> {
    let mut seen = BTreeSet::new();
    indices
        .iter()
        .flat_map(|index| index.parts().map(|(cause, _)| cause.id()))
        .filter(|id| !seen.insert(*id))
        .collect()
}

/// Standard uncertainty by all causes but these.
fn without(number: &Measured, causes: &BTreeSet<u64>) -> f64 {
    number
        .parts()
        .filter(|(cause, _)| !causes.contains(&cause.id()))
        .map(|(_, part)| part * part)
        .sum::<f64>()
        .sqrt()
}

fn fitted(shown: &mut Dispersion, fit: &DispersionFit) {
    let (model, names): (&str, &[(&str, &'static str)]) = match fit.model {
        DispersionModel::Cauchy { terms: 2 } => ("n = A + B/\u{3bb}\u{b2}", &CAUCHY),
        DispersionModel::Cauchy { terms: 3 } => {
            ("n = A + B/\u{3bb}\u{b2} + C/\u{3bb}\u{2074}", &CAUCHY)
        }
        DispersionModel::Cauchy { .. } => (
            "n = A + B/\u{3bb}\u{b2} + C/\u{3bb}\u{2074} + D/\u{3bb}\u{2076}",
            &CAUCHY,
        ),
        DispersionModel::Hartmann => (
            "n = A + B/(\u{3bb} \u{2212} C)",
            &[("A", ""), ("B", "\u{b5}m"), ("C", "\u{b5}m")],
        ),
        DispersionModel::Sellmeier1 => (
            "n\u{b2} = 1 + B \u{3bb}\u{b2}/(\u{3bb}\u{b2} \u{2212} C)",
            &[("B", ""), ("C", "\u{b5}m\u{b2}")],
        ),
        DispersionModel::Sellmeier { terms: 2 } => (
            "n\u{b2} = 1 + the sum of two terms B \u{3bb}\u{b2}/(\u{3bb}\u{b2} \u{2212} C)",
            &[
                ("B1", ""),
                ("B2", ""),
                ("C1", "\u{b5}m\u{b2}"),
                ("C2", "\u{b5}m\u{b2}"),
            ],
        ),
        DispersionModel::Sellmeier { .. } => (
            "n\u{b2} = 1 + the sum of three terms B \u{3bb}\u{b2}/(\u{3bb}\u{b2} \u{2212} C)",
            &[
                ("B1", ""),
                ("B2", ""),
                ("B3", ""),
                ("C1", "\u{b5}m\u{b2}"),
                ("C2", "\u{b5}m\u{b2}"),
                ("C3", "\u{b5}m\u{b2}"),
            ],
        ),
    };
    shown.model = format!("{model}, \u{3bb} in \u{b5}m in standard air");
    if fit.chosen {
        shown.choice = match &fit.worth {
            Some(worth) => format!(
                "Chosen among the formulas for the smallest error of n_F \u{2212} n_C to be expected: u = {} from the measurement, and {} by which \
                 single glasses like this one differ from the formula.",
                super::write::number(worth.u_measured, 2),
                super::write::number(worth.u_departure, 2)
            ),
            None => "Chosen by Akaike\u{2019}s criterion with the correction for small samples."
                .to_owned(),
        };
    }
    shown.coefficients = names
        .iter()
        .zip(&fit.coefficients)
        .map(|((name, unit), m)| ((*name).to_owned(), number(m, unit)))
        .collect();
    shown.chi_squared = u32::try_from(fit.degrees_of_freedom)
        .ok()
        .filter(|d| *d > 0)
        .map(|d| (fit.chi_squared, d));
    shown.p_value = fit.p_value;
}

const CAUCHY: [(&str, &str); 4] = [
    ("A", ""),
    ("B", "\u{b5}m\u{b2}"),
    ("C", "\u{b5}m\u{2074}"),
    ("D", "\u{b5}m\u{2076}"),
];
