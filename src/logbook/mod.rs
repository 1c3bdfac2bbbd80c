//! Tables of circle readings in, angles with their uncertainty out.
//!
//! To come: the rest of this comment.

pub mod circle;
pub mod record;
pub mod scale;
pub mod table;

pub use crate::basics::uncertainty::Caution;
