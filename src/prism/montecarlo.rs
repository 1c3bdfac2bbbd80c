//! The whole chain drawn instead of linearised (JCGM 101): checks the linear propagation on the data at hand.

use crate::basics::uncertainty::{Drawer, Measured, Sampled, linear_interval_holds, sampled};
use crate::basics::units::Wavelength;

use super::PrismError;
use super::dispersion::{
    C_LINE, D_LINE, DispersionModel, F_LINE, choose_dispersion, fit_dispersion,
};
use super::glasses::GlassTable;
use super::reduce::{Pointed, ReductionOptions, indexed_lines, measured_lines, prism_angle};

/// One result by both ways.
#[derive(Clone, Debug)]
pub struct Compared {
    /// Name of the result, such as `n_d` or a line's name.
    pub name: String,
    /// Value of the linear propagation.
    pub value: f64,
    /// Standard uncertainty of the linear propagation.
    pub u: f64,
    /// Half the interval of the linear propagation, coverage [`COVERAGE`].
    pub expanded: f64,
    /// What the draws say.
    pub sampled: Sampled,
    /// Whether the interval of the linear propagation agrees with that of the draws; otherwise the draws count.
    pub linear_holds: bool,
}

impl Compared {
    /// The interval that counts, coverage [`COVERAGE`]: linear where it agrees with the draws, drawn otherwise.
    #[must_use]
    pub fn interval(&self) -> (f64, f64) {
        if self.linear_holds {
            (self.value - self.expanded, self.value + self.expanded)
        } else {
            self.sampled.symmetric
        }
    }
}

/// Draws that may give no result, as a share: more say that the result itself is doubtful.
const FAILED_DRAWS: f64 = 0.01;

/// Coverage probability of the intervals.
pub const COVERAGE: f64 = 0.95;

/// Draws all causes of the pointings and of the given refracting angle, and repeats the reduction with
/// each draw: the index of every line, then n_d, n_F, n_C and the Abbe number where there is a curve. What the
/// dispersion model may be off is drawn with the rest. At least 100 draws; the same `key` gives the same draws.
///
/// # Errors
/// A table that gives no result, or more than one draw in a hundred that gives none.
pub fn compare(
    pointings: &[Pointed],
    options: &ReductionOptions,
    draws: usize,
    key: u64,
) -> Result<Vec<Compared>, PrismError> {
    let linear = chain(pointings, options, None, None)?;
    let inputs = pointings
        .iter()
        .map(|pointed| &pointed.reading_deg)
        .chain(pointings.iter().map(|pointed| &pointed.wavelength_off_nm))
        .chain(&options.prism_angle_deg)
        .chain(&options.adjustment.collimation_deg)
        .chain(&options.adjustment.tilt_squared)
        .chain(&linear.corrections);
    let mut drawer = Drawer::new(inputs, key);
    let mut columns: Vec<Vec<f64>> = vec![Vec::with_capacity(draws); linear.results.len()];
    let mut failed = 0_u32;
    let mut moved = pointings.to_vec();
    let mut moved_options = options.clone();
    for _ in 0..draws {
        let draw = drawer.draw();
        let redrawn = |number: &Measured| number.shifted(number.drawn(&draw) - number.value());
        for (target, source) in moved.iter_mut().zip(pointings) {
            target.reading_deg = redrawn(&source.reading_deg);
            target.wavelength_off_nm = redrawn(&source.wavelength_off_nm);
        }
        moved_options.prism_angle_deg = options.prism_angle_deg.as_ref().map(redrawn);
        let adjustment = &options.adjustment;
        moved_options.adjustment.collimation_deg = adjustment.collimation_deg.as_ref().map(redrawn);
        moved_options.adjustment.tilt_squared = adjustment.tilt_squared.as_ref().map(redrawn);
        let corrections: Vec<Measured> = linear
            .corrections
            .iter()
            .map(|correction| Measured::exact(correction.drawn(&draw)))
            .collect();
        let drawn = chain(&moved, &moved_options, linear.model, Some(&corrections));
        let results = match drawn {
            Ok(drawn) if drawn.results.len() == columns.len() => drawn.results,
            Ok(_) => {
                failed += 1;
                continue;
            }
            Err(error) => {
                failed += 1;
                if f64::from(failed) > FAILED_DRAWS * draws as f64 {
                    return Err(PrismError(format!(
                        "the draws of the Monte Carlo check leave what the readings allow ({error}): they are too uncertain for a result"
                    )));
                }
                continue;
            }
        };
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
            let expanded = result.expanded(COVERAGE);
            Ok(Compared {
                name,
                value: result.value(),
                u: result.u(),
                expanded,
                linear_holds: linear_interval_holds(result.value(), result.u(), expanded, &sampled),
                sampled,
            })
        })
        .collect()
}

struct Chain {
    model: Option<DispersionModel>,
    /// What is added to the curve at d, F and C for real glasses.
    corrections: Vec<Measured>,
    results: Vec<(String, Measured)>,
}

/// From pointings to named results. Without a model one is chosen where the lines allow, without corrections of the
/// curve they are found from the glasses.
fn chain(
    pointings: &[Pointed],
    options: &ReductionOptions,
    model: Option<DispersionModel>,
    corrections: Option<&[Measured]>,
) -> Result<Chain, PrismError> {
    let mut cautions = Vec::new();
    let (prism_angle_deg, _) = prism_angle(pointings, options, &mut cautions)?;
    let measured = measured_lines(
        pointings,
        &prism_angle_deg,
        &options.adjustment,
        &mut cautions,
    )?;
    let indexed = indexed_lines(&measured, options);
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
            corrections: Vec::new(),
            results,
        });
    };
    const AT: [Wavelength; 3] = [D_LINE, F_LINE, C_LINE];
    let curve = AT.map(|line| fit.index_at(line));
    let corrections = match corrections {
        Some(given) => given.to_vec(),
        None => fit
            .indices_with_departure(&AT, &indexed, &GlassTable::embedded()?)
            .iter()
            .zip(&curve)
            .map(|(corrected, plain)| corrected.minus(plain))
            .collect(),
    };
    let indices: Vec<Measured> = curve
        .iter()
        .zip(&corrections)
        .map(|(plain, correction)| plain.plus(correction))
        .collect();
    let Ok([n_d, n_f, n_c]) = <[Measured; 3]>::try_from(indices) else {
        return Err(PrismError(
            "the curve has no index at d, F and C".to_owned(),
        ));
    };
    let abbe_number = n_d.shifted(-1.0).divided_by(&n_f.minus(&n_c));
    results.extend([
        ("n_d".to_owned(), n_d),
        ("n_F".to_owned(), n_f),
        ("n_C".to_owned(), n_c),
    ]);
    results.extend(abbe_number.map(|v| ("abbe_number".to_owned(), v)));
    Ok(Chain {
        model: Some(fit.model),
        corrections,
        results,
    })
}
