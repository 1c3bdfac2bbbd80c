//! The whole chain drawn instead of linearised (JCGM 101): checks the linear propagation on the data at hand.

use crate::basics::uncertainty::{Drawer, Measured, Sampled, sampled};

use super::PrismError;
use super::dispersion::{
    C_LINE, D_LINE, DispersionModel, F_LINE, IndexedLine, choose_dispersion, fit_dispersion,
};
use super::glasses::GlassTable;
use super::reduce::{Pointed, ReductionOptions, measured_lines, prism_angle};

/// One result by both ways.
#[derive(Clone, Debug)]
pub struct Compared {
    /// Name of the result, such as `n_d` or a line's name.
    pub name: String,
    /// Value of the linear propagation.
    pub value: f64,
    /// Standard uncertainty of the linear propagation.
    pub u: f64,
    /// What the draws say.
    pub sampled: Sampled,
}

/// Coverage probability of the intervals.
pub const COVERAGE: f64 = 0.95;

/// Draws all causes of the pointings and of the given refracting angle, and repeats the reduction with
/// each draw: the index of every line, then n_d, n_F, n_C and the Abbe number where there is a curve. What the
/// dispersion model may be off is left out of both ways. At least 100 draws; the same `key` gives the same draws.
///
/// # Errors
/// A table that gives no result, with or without the draws.
pub fn compare(
    pointings: &[Pointed],
    options: &ReductionOptions,
    draws: usize,
    key: u64,
) -> Result<Vec<Compared>, PrismError> {
    let linear = chain(pointings, options, None)?;
    let inputs = pointings
        .iter()
        .map(|pointed| &pointed.reading_deg)
        .chain(&options.prism_angle_deg);
    let mut drawer = Drawer::new(inputs, key);
    let mut columns: Vec<Vec<f64>> = vec![Vec::with_capacity(draws); linear.results.len()];
    let mut moved = pointings.to_vec();
    let mut moved_options = options.clone();
    for _ in 0..draws {
        let draw = drawer.draw();
        let redrawn = |number: &Measured| number.shifted(number.drawn(&draw) - number.value());
        for (target, source) in moved.iter_mut().zip(pointings) {
            target.reading_deg = redrawn(&source.reading_deg);
        }
        moved_options.prism_angle_deg = options.prism_angle_deg.as_ref().map(redrawn);
        let results = chain(&moved, &moved_options, linear.model)?.results;
        for (column, (_, result)) in columns.iter_mut().zip(&results) {
            column.push(result.value());
        }
    }
    linear
        .results
        .into_iter()
        .zip(&columns)
        .map(|((name, result), column)| {
            let sampled = sampled(column, COVERAGE).ok_or_else(|| {
                PrismError("at least 100 draws with finite results are needed".to_owned())
            })?;
            Ok(Compared {
                name,
                value: result.value(),
                u: result.u(),
                sampled,
            })
        })
        .collect()
}

struct Chain {
    model: Option<DispersionModel>,
    results: Vec<(String, Measured)>,
}

/// From pointings to named results. Without a model one is chosen where the lines allow.
fn chain(
    pointings: &[Pointed],
    options: &ReductionOptions,
    model: Option<DispersionModel>,
) -> Result<Chain, PrismError> {
    let mut cautions = Vec::new();
    let (prism_angle_deg, _) = prism_angle(pointings, options, &mut cautions)?;
    let measured = measured_lines(pointings, &prism_angle_deg, &mut cautions)?;
    let indexed: Vec<IndexedLine> = measured
        .iter()
        .filter_map(|line| line.wavelength.map(|w| (w, line.index.clone())))
        .collect();
    let mut results: Vec<(String, Measured)> = measured
        .iter()
        .map(|line| (line.name().to_owned(), line.index.clone()))
        .collect();
    let fitted = match model.or(options.model) {
        Some(model) => fit_dispersion(&indexed, model),
        None => choose_dispersion(&indexed, &GlassTable::embedded()?),
    };
    let Ok(fit) = fitted else {
        return Ok(Chain {
            model: None,
            results,
        });
    };
    let [n_d, n_f, n_c] = [D_LINE, F_LINE, C_LINE].map(|line| fit.index_at(line));
    let abbe_number = n_d.shifted(-1.0).divided_by(&n_f.minus(&n_c));
    results.extend([
        ("n_d".to_owned(), n_d),
        ("n_F".to_owned(), n_f),
        ("n_C".to_owned(), n_c),
    ]);
    results.extend(abbe_number.map(|v| ("abbe_number".to_owned(), v)));
    Ok(Chain {
        model: Some(fit.model),
        results,
    })
}
