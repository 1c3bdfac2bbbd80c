//! One bench over time: how far its results lie from the consensus, and whether that changes.

use crate::basics::fit::straight_line;

use super::consensus::FEWEST;

/// A change of more standard uncertainties than this is one.
const DRIFTS_FROM_U: f64 = 3.0;

/// A bench's results against a common value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drift {
    /// Weighted mean of the results less the common value, and its standard uncertainty.
    pub offset: (f64, f64),
    /// Change per day and its standard uncertainty; none of fewer than three results, or all of one day.
    pub per_day: Option<(f64, f64)>,
    /// Whether the change is more than three standard uncertainties.
    pub drifts: bool,
}

/// Of results as (day, value, standard uncertainty) against a common value and its standard uncertainty; none of fewer than two.
///
/// The line is fitted by weighted least squares with the stated uncertainties. What a bench's results have in common, such
/// as a refracting angle measured once, makes the offset less certain than it says and leaves the change as it is.
#[must_use]
pub fn drift(results: &[(f64, f64, f64)], common: (f64, f64)) -> Option<Drift> {
    let usable = |(day, x, u): &(f64, f64, f64)| {
        day.is_finite() && x.is_finite() && u.is_finite() && *u > 0.0
    };
    if results.len() < 2 || !results.iter().all(usable) {
        return None;
    }
    let weight: f64 = results.iter().map(|(_, _, u)| u.powi(-2)).sum();
    let mean = results.iter().map(|(_, x, u)| x / (u * u)).sum::<f64>() / weight;
    let middle = results.iter().map(|(day, _, _)| day).sum::<f64>() / results.len() as f64;
    let days: Vec<f64> = results.iter().map(|(day, _, _)| day - middle).collect();
    let values: Vec<f64> = results.iter().map(|(_, x, _)| x - common.0).collect();
    let sigma: Vec<f64> = results.iter().map(|(_, _, u)| *u).collect();
    let spread = days.iter().any(|day| day.abs() > 0.5);
    let per_day = (results.len() >= FEWEST && spread)
        .then(|| straight_line(&days, &values, Some(&sigma)).ok())
        .flatten()
        .and_then(|fit| {
            let slope = fit.coefficients.get(1).copied()?;
            let u = fit.covariance.get((1, 1)).copied()?.sqrt();
            (slope.is_finite() && u.is_finite() && u > 0.0).then_some((slope, u))
        });
    Some(Drift {
        offset: (mean - common.0, weight.sqrt().recip().hypot(common.1)),
        per_day,
        drifts: per_day.is_some_and(|(slope, u)| slope.abs() > DRIFTS_FROM_U * u),
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;

    /// Over many benches: the stated uncertainty of the change is right, drifts are found, and none is invented.
    #[test]
    fn a_drifting_bench_is_told_from_a_steady_one() {
        let mut random = ChaCha8Rng::seed_from_u64(5);
        let mut squares = 0.0;
        let (mut found, mut invented) = (0, 0);
        const RUNS: usize = 1000;
        for run in 0..RUNS {
            let true_slope = if run % 2 == 0 { 0.0 } else { 4e-6 };
            let results: Vec<(f64, f64, f64)> = (0..8)
                .map(|k| {
                    let day = 9.0 * f64::from(k);
                    let u = [3e-5, 6e-5][k as usize % 2];
                    let z: f64 = StandardNormal.sample(&mut random);
                    (day, 1.62 + 2e-5 + true_slope * day + u * z, u)
                })
                .collect();
            let seen = drift(&results, (1.62, 1e-6)).unwrap();
            let (slope, u) = seen.per_day.unwrap();
            squares += ((slope - true_slope) / u).powi(2);
            if run % 2 == 0 {
                invented += usize::from(seen.drifts);
            } else {
                found += usize::from(seen.drifts);
            }
        }
        let pull = (squares / RUNS as f64).sqrt();
        assert!((0.93..1.07).contains(&pull), "{pull}");
        assert!(
            invented <= 6 && found > 480,
            "{invented} invented, {found} found"
        );
    }

    #[test]
    fn what_says_nothing_of_time_gives_no_change() {
        let one_day = [(3.0, 1.62, 1e-5), (3.0, 1.6201, 1e-5), (3.0, 1.6199, 1e-5)];
        let seen = drift(&one_day, (1.62, 0.0)).unwrap();
        assert!(seen.per_day.is_none() && !seen.drifts && seen.offset.0.abs() < 1e-9);
        assert!(drift(&one_day[..1], (1.62, 0.0)).is_none());
        assert!(drift(&[(1.0, f64::NAN, 1.0), (2.0, 1.0, 1.0)], (1.0, 0.0)).is_none());
        assert!(drift(&[(1.0, 1.0, 0.0), (2.0, 1.0, 1.0)], (1.0, 0.0)).is_none());
    }
}
