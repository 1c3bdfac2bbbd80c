//! Tables of circle readings in, angles with their uncertainty out.
//!
//! In: a table of pointings (`table`), a profile of the bench (`bench`), the circle's least count, offsets of lines from the cross-hairs in
//! seconds of arc, or in pixels together with the camera's scale. Out: the reading that the circle would show with the
//! cross-hair on the target, degrees in [0, 360), with its causes of uncertainty; and the scale itself, seconds of
//! arc per pixel with sign.
//!
//! The two windows of a reading are averaged about their being 180 degrees apart, which removes eccentricity to
//! first order; each window carries a rectangular error of half a least count (JCGM 100, 4.3.7); the offset is
//! added with its sign. The scale is a polynomial of the offset, fitted to slit pictures at known readings, with
//! a higher term only where an F test asks for it. What happens at the bench is kept in a journal (`journal`), a record a line, on
//! the disk before it is acknowledged.
//!
//! Refuses: tables with an unreadable cell, a row that is missing or comes twice (one sentence with file, row and
//! column); a folder whose journal another process holds; a scale from fewer than three points or from points that do not spread.
//!
//! Optics, files other than the tables, and pictures do not belong here.
//!
//! Checked in `tests`: published two-window readings across the zero of the circle, tables good and bad as people
//! write them, and simulated scales whose stated uncertainty matches their scatter.

pub mod bench;
pub mod circle;
pub mod journal;
pub mod record;
pub mod scale;
pub mod table;
#[cfg(test)]
mod tests;
pub mod track;
