//! The words that every stage speaks: frames, units, uncertainties, fits, and what the system refuses; and what differs between
//! versions of the program that reads and writes footage.
//!
//! A seventh file comes here only if at least two stages need it and it knows nothing of files,
//! screens, settings or the clock.

pub mod fault;
pub mod ffmpeg;
pub mod fit;
pub mod frame;
pub mod uncertainty;
pub mod units;
