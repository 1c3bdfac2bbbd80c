//! The words that every stage speaks: frames, units, uncertainties, fits.
//!
//! A sixth file comes here only if at least two stages need it and it knows nothing of files,
//! screens, settings or the clock.

pub mod fit;
pub mod frame;
pub mod uncertainty;
pub mod units;
