//! Many results for one quantity: what they agree on, how well, and which of them stand out.
//!
//! The consensus is Huber's M-estimate with each result's own uncertainty and one scatter between the results on top,
//! so that one wrong result pulls it little (Huber, Robust Statistics, 1981, from memory; the scatter by the equation of Paule
//! and Mandel, J. Res. NBS 87 (1982) 377, from memory, on the bounded residuals). A result stands out where it lies from the consensus of the
//! others farther than chance brings any of so many.

use crate::basics::fit::{chi_squared_probability, median};
use crate::basics::uncertainty::coverage_factor;

use super::index::Partials;

/// Bound of Huber's function, in standard deviations.
const BOUND: f64 = 1.5;
/// Mean of the square of the bounded residual of a normal number, for [`BOUND`].
const BOUNDED_SQUARE: f64 = 0.778_46;
/// Share of normal numbers within [`BOUND`].
const WITHIN: f64 = 0.866_39;
/// Fewest results for a consensus.
pub const FEWEST: usize = 3;
/// Above so many results, each is left out by a formula and not by a new estimate.
const MANY: usize = 30;
/// Probability that in a class without faults any result is said to stand out.
const FALSE_ALARM: f64 = 0.01;

/// What results agree on.
#[derive(Clone, Debug, PartialEq)]
pub struct Consensus {
    /// Consensus.
    pub value: f64,
    /// Its standard uncertainty.
    pub u: f64,
    /// Standard deviation between the results beyond their own uncertainties.
    pub between: f64,
    /// Chi-squared of the results about it with their own uncertainties alone.
    pub chi_squared: f64,
    /// Probability of a chi-squared at least as large if they measured the same.
    pub p_value: Option<f64>,
    /// Each result less the consensus of the others, in standard uncertainties of that difference, in the order given.
    pub off_in_u: Vec<f64>,
    /// From how many on a result stands out.
    pub stands_out_from: f64,
}

impl Consensus {
    /// Whether a result of the list stands out.
    #[must_use]
    pub fn stands_out(&self, index: usize) -> bool {
        self.off_in_u
            .get(index)
            .is_some_and(|off| off.abs() > self.stands_out_from)
    }
}

/// Consensus of (value, standard uncertainty); none of fewer than [`FEWEST`] or where an uncertainty is not above 0.
#[must_use]
pub fn consensus(results: &[(f64, f64)]) -> Option<Consensus> {
    let usable = |(x, u): &(f64, f64)| x.is_finite() && u.is_finite() && *u > 0.0;
    if results.len() < FEWEST || !results.iter().all(usable) {
        return None;
    }
    let all = estimate(results);
    let without = |index: usize| -> Estimate {
        if results.len() > MANY {
            let Some((x, u)) = results.get(index) else {
                return all;
            };
            let precision = all.weight(*x, *u) / (u * u + all.between.powi(2));
            let left = all.precision - precision;
            return Estimate {
                value: (all.value * all.precision - precision * x) / left,
                ..all
            };
        }
        let others: Vec<(f64, f64)> = results
            .iter()
            .enumerate()
            .filter(|(other, _)| *other != index)
            .map(|(_, result)| *result)
            .collect();
        estimate(&others)
    };
    let off_in_u = results
        .iter()
        .enumerate()
        .map(|(index, (x, u))| {
            let others = without(index);
            (x - others.value) / (u * u + others.u.powi(2) + others.between.powi(2)).sqrt()
        })
        .collect();
    let chi_squared = results
        .iter()
        .map(|(x, u)| ((x - all.value) / u).powi(2))
        .sum();
    Some(Consensus {
        value: all.value,
        u: all.u,
        between: all.between,
        chi_squared,
        p_value: chi_squared_probability(chi_squared, results.len() - 1),
        off_in_u,
        stands_out_from: coverage_factor(
            // The scatter between few results is itself uncertain.
            (results.len() - 2) as f64 * if all.between > 0.0 { 1.0 } else { 4.0 },
            1.0 - FALSE_ALARM / results.len() as f64,
        ),
    })
}

#[derive(Clone, Copy)]
struct Estimate {
    value: f64,
    u: f64,
    between: f64,
    /// Sum of the weighted precisions.
    precision: f64,
}

impl Estimate {
    /// Huber's weight of a result.
    fn weight(&self, x: f64, u: f64) -> f64 {
        let residual = (x - self.value).abs() / u.hypot(self.between);
        if residual <= BOUND {
            1.0
        } else {
            BOUND / residual
        }
    }
}

fn estimate(results: &[(f64, f64)]) -> Estimate {
    const ROUNDS: usize = 40;
    let values: Vec<f64> = results.iter().map(|(x, _)| *x).collect();
    let mut now = Estimate {
        value: median(&values),
        u: 0.0,
        between: 0.0,
        precision: 0.0,
    };
    for _ in 0..ROUNDS {
        now.between = between(results, now.value);
        let (mut sum, mut precision) = (0.0, 0.0);
        for (x, u) in results {
            let p = now.weight(*x, *u) / (u * u + now.between.powi(2));
            sum += p * x;
            precision += p;
        }
        let next = sum / precision;
        let step = (next - now.value).abs();
        now.value = next;
        now.precision = precision;
        let full: f64 = results
            .iter()
            .map(|(_, u)| 1.0 / (u * u + now.between.powi(2)))
            .sum();
        // Variance of an M-estimate: mean square of the bounded residual over the square of the share within the bound.
        now.u = (BOUNDED_SQUARE / (WITHIN * WITHIN) / full).sqrt();
        if step < 1e-6 * now.u {
            break;
        }
    }
    now
}

/// Scatter between the results at which the bounded squares sum up to what they should; 0 where none is needed.
fn between(results: &[(f64, f64)], value: f64) -> f64 {
    const ROUNDS: usize = 40;
    let wanted = BOUNDED_SQUARE * (results.len() - 1) as f64;
    let squares = |tau: f64| -> f64 {
        results
            .iter()
            .map(|(x, u)| {
                let residual = (x - value) / u.hypot(tau);
                (residual * residual).min(BOUND * BOUND)
            })
            .sum()
    };
    if squares(0.0) <= wanted {
        return 0.0;
    }
    let mut high = results
        .iter()
        .map(|(x, _)| (x - value).abs())
        .fold(0.0, f64::max);
    let mut low = 0.0;
    for _ in 0..ROUNDS {
        let middle = 0.5 * (low + high);
        if squares(middle) > wanted {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// The slip of a circle reading that would move an index by so much, in words; none where no usual one does.
///
/// `prism_angle_deg` and `deviation_deg` are those of the result; `common` says that all lines are off alike, so that the
/// refracting angle is to blame, and not one line.
#[must_use]
pub fn likely_slip(
    off: f64,
    u: f64,
    prism_angle_deg: f64,
    deviation_deg: f64,
    common: bool,
) -> Option<String> {
    // A missed half degree or degree, in one window of two or in both.
    const SLIPS: [(f64, &str); 4] = [
        (0.25, "a half-degree mark missed in one window"),
        (
            0.5,
            "a half-degree mark missed in both windows, or a degree in one",
        ),
        (1.0, "a degree misread in both windows"),
        (5.0, "ten degrees misread in one window"),
    ];
    let partials = Partials::at(prism_angle_deg, deviation_deg);
    // Half the angle between the faces is the refracting angle.
    let (slope, where_) = if common {
        (0.5 * partials.by_prism_angle, "of a face")
    } else {
        (partials.by_deviation, "of the line or of its central image")
    };
    let tolerance = 3.0 * u;
    SLIPS
        .iter()
        .map(|(deg, words)| ((off.abs() - (slope * deg).abs()).abs(), *deg, *words))
        .filter(|(miss, deg, _)| *miss <= tolerance && tolerance < 0.4 * (slope * deg).abs())
        .min_by(|one, other| one.0.total_cmp(&other.0))
        .map(|(_, _, words)| format!("{words} {where_}"))
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    fn class(random: &mut ChaCha8Rng, count: usize, between: f64) -> Vec<(f64, f64)> {
        (0..count)
            .map(|k| {
                let u = [1.0, 2.0, 0.5][k % 3];
                let (z, t): (f64, f64) =
                    (StandardNormal.sample(random), StandardNormal.sample(random));
                (z * u + t * between, u)
            })
            .collect()
    }

    #[test]
    fn the_consensus_keeps_its_uncertainty() {
        let mut random = ChaCha8Rng::seed_from_u64(5);
        for (count, between) in [(6, 0.0), (15, 0.0), (15, 2.0), (60, 1.0)] {
            let (mut squares, mut alarms) = (0.0, 0);
            const RUNS: usize = 400;
            for _ in 0..RUNS {
                let found = consensus(&class(&mut random, count, between)).unwrap();
                squares += (found.value / found.u).powi(2);
                alarms += usize::from((0..count).any(|k| found.stands_out(k)));
            }
            let pull = (squares / RUNS as f64).sqrt();
            eprintln!(
                "{count} results, {between} between: pull {pull:.2}, alarms {alarms} of {RUNS}"
            );
            // The standard error of a spread from 400 runs is 3.5 %; a scatter estimated from few results makes it wider.
            assert!((0.8..1.2).contains(&pull), "{pull}");
            assert!(alarms <= RUNS * 4 / 100, "{alarms}");
        }
    }

    #[test]
    fn wrong_results_stand_out_and_pull_little() {
        let mut random = ChaCha8Rng::seed_from_u64(6);
        for count in [6, 12, 40] {
            let mut results = class(&mut random, count, 0.0);
            results[1] = (40.0, 1.0);
            results[4] = (-25.0, 1.0);
            let found = consensus(&results).unwrap();
            assert!(
                found.stands_out(1) && found.stands_out(4) || count == 6,
                "{found:?}"
            );
            assert!(found.value.abs() < 4.0 * found.u, "{found:?}");
        }
        assert_eq!(consensus(&[(1.0, 0.1), (1.1, 0.1)]), None);
        assert_eq!(consensus(&[(1.0, 0.1), (1.1, 0.1), (1.0, 0.0)]), None);
    }

    #[test]
    fn shifts_are_traced_to_slips() {
        // F2, A 60 degrees: dn/dA and dn/dD as in the tests of the index.
        let p = Partials::at(60.0, 48.2);
        let said = likely_slip(0.125 * p.by_prism_angle, 5e-5, 60.0, 48.2, true).unwrap();
        assert!(said.contains("one window of a face"), "{said}");
        let said = likely_slip(-0.5 * p.by_deviation, 5e-5, 60.0, 48.2, false).unwrap();
        assert!(said.contains("both windows"), "{said}");
        assert_eq!(likely_slip(1e-3, 5e-5, 60.0, 48.2, false), None);
        assert_eq!(likely_slip(0.0022, 2e-3, 60.0, 48.2, false), None);
    }
}
