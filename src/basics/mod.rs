//! The words that every stage speaks: frames, units, uncertainties, fits, scatter, and what the system refuses.
//!
//! A seventh file comes here only if at least two stages need it and it knows nothing of files,
//! screens, settings or the clock.

pub mod fault;
pub mod fit;
pub mod frame;
pub mod scatter;
pub mod uncertainty;
pub mod units;
