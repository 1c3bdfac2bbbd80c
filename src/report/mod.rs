//! To come.

pub mod budget;
mod figures;
pub mod page;
pub mod plot;
#[cfg(test)]
mod sample;
pub mod view;
mod write;
