//! Corrected circle readings in; refracting angle, indices, dispersion and what follows from them out.
//!
//! To come: the rest of this comment.

pub mod air;
pub mod apex;
pub mod dispersion;
pub mod glasses;
pub mod index;
pub mod lamps;
pub mod montecarlo;
pub mod reduce;
pub mod unknown;

pub use crate::basics::uncertainty::Caution;
pub use reduce::{Pointed, PointedAt, Reduction, ReductionOptions, reduce};

/// Why a table of readings gives no result: one sentence with where and what to do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct PrismError(pub String);
