//! Turning points of spectral lines, measured through the eyepiece of a prism spectrometer.
//!
//! The data flow one way:
//!
//! ```text
//! capture   frames of the eyepiece, with the source's own times
//!   -> find      cross-hairs, field of view and lines of one frame, in pixels
//!   -> follow    lines through the sweep of the prism table, and where each turned
//!   -> logbook   circle readings, camera scale: pixels become angles
//!   -> prism     refracting angle, minimum deviation, index, dispersion
//!   -> report    text, JSON, CSV and a page for people
//! ```
//!
//! `basics` holds the words that every stage speaks, `session` alone joins the stages, `simulate`
//! renders practice footage with an optics of its own, `serve` shows a live experiment to browsers, `cli` turns flags into calls of `session`.

pub mod basics;
mod capture;
pub mod cli;
mod find;
mod follow;
mod logbook;
mod prism;
pub mod report;
mod serve;
pub mod session;
pub mod simulate;
