//! The whole chain drawn instead of linearised.

use crate::basics::uncertainty::Sampled;

use super::PrismError;
use super::reduce::{Pointed, ReductionOptions};

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

/// Draws all causes of the pointings and repeats the reduction with each draw.
///
/// # Errors
/// A table that gives no result.
pub fn compare(
    pointings: &[Pointed],
    options: &ReductionOptions,
    draws: usize,
    key: u64,
) -> Result<Vec<Compared>, PrismError> {
    let _ = (pointings, options, draws, key);
    Err(PrismError("not written yet".to_owned()))
}
