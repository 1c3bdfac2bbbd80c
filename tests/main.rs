//! What is tested from outside the modules, and where it belongs:
//!
//! - `order`: which stage may use which, head comments, words that may not appear in the tree.
//! - `bench`: the built program as the server of the bench page: a whole experiment, kills, keys, slow browsers.
//! - `command_line`: the built program: output, documents, exit status, the sentence for each bad input.
//! - `live_sources`: the built program with network cameras, cameras, recordings, Ctrl-C, and with many clips at once.
//! - `simulated_runs`: practice footage through the whole chain: turning points, pulls, indices.
//! - `stills`: single practice stills that were measured wrongly once.
//! - `known_frames`: the experiment that comes with the program, from pixels to index, against its truth.
//! - `second_implementation`: ten random experiments against a general library for uncertainties.
//! - `outline`: the built program on practice footage of a whole demonstration: steps, times, offsets, turning points.
//! - `outside_lines`: lines of pictures that a general library measured too, and of a real lamp frame that another program measured.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test may say what it saw and stop at the first surprise"
)]

mod bench;
mod command_line;
mod known_frames;
mod live_sources;
mod order;
mod outline;
mod outside_lines;
mod practice_stills;
mod rendered;
mod second_implementation;
mod simulated_runs;
mod stills;
mod support;
