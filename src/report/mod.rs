//! Results in, words for people and documents for scripts out. Computes nothing.
//!
//! Values and uncertainties are rounded together by one rule ([`rounded`](crate::session::rounded)); expanded
//! uncertainties exist only here, with their coverage said. What is not known stays empty.
//!
//! Measurement, files and exit codes do not belong here.
//!
//! Checked by `tests/command_line.rs`, and by `tests/browser` for the page.

pub mod budget;
pub mod cameras;
pub mod class;
mod curve;
pub mod document;
mod figures;
pub mod from;
pub mod live;
mod method;
pub mod outline;
pub mod page;
pub mod plot;
pub mod print;
#[cfg(test)]
mod sample;
pub mod table;
pub mod text;
pub mod view;
mod write;
