//! The variance of a sum whose terms hang together with their neighbours.

/// Variance of the sum of `terms`, whose mean is known to be nothing, from what they scatter: squares, and products of terms up to `lags`
/// apart with weights that fall off in a straight line, so that it is never negative (W. K. Newey, K. D. West, Econometrica 55, 703
/// (1987), from memory). In the square of the terms' unit.
#[must_use]
pub fn variance_of_sum(terms: &[f64], lags: usize) -> f64 {
    let alone: f64 = terms.iter().map(|term| term * term).sum();
    (1..=lags).fold(alone, |variance, lag| {
        let weight = 1.0 - lag as f64 / (lags as f64 + 1.0);
        let pairs = terms.iter().zip(terms.iter().skip(lag));
        variance + 2.0 * weight * pairs.map(|(a, b)| b * a).sum::<f64>()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    /// The mean of what is found over many draws of terms of which each keeps `kept` of the one before, over the true variance of their sum.
    fn found_over_true(kept: f64, lags: usize) -> f64 {
        const TERMS: usize = 200;
        const DRAWS: usize = 2000;
        let mut random = ChaCha8Rng::seed_from_u64(1);
        let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
        let fresh = (1.0 - kept * kept).sqrt();
        let mut found = 0.0;
        for _ in 0..DRAWS {
            let mut now = normal();
            let mut next = || {
                let fresh = kept * now + fresh * normal();
                std::mem::replace(&mut now, fresh)
            };
            let terms: Vec<f64> = (0..TERMS).map(|_| next()).collect();
            found += variance_of_sum(&terms, lags) / DRAWS as f64;
        }
        let apart = |lag: usize| (TERMS - lag) as f64 * kept.powi(lag as i32);
        let all: f64 = (1..TERMS).map(apart).sum();
        found / (TERMS as f64 + 2.0 * all)
    }

    #[test]
    fn terms_that_hang_together_scatter_more_than_their_squares_say() {
        // Alone the squares are right of white terms, and a third of the truth of those that keep half.
        assert!((found_over_true(0.0, 0) - 1.0).abs() < 0.01);
        assert!((found_over_true(0.5, 0) - 1.0 / 3.0).abs() < 0.01);
        // The straight line of weights leaves out what it should: with 12 lags a tenth.
        let share = found_over_true(0.5, 12);
        assert!((0.85..1.0).contains(&share), "{share:.3}");
        assert!((found_over_true(0.0, 12) - 1.0).abs() < 0.02);
    }
}
