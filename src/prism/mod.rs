//! Corrected circle readings in; refracting angle, indices, dispersion and what follows from them out.
//!
//! In: readings in degrees with the cross-hair on the target, each with its causes of uncertainty. Out:
//! refracting angle and minimum deviations in degrees, indices relative to the air around the prism (and to
//! vacuum where the air is given), a dispersion curve over the wavelength in air in µm, n_d, n_F, n_C, the
//! Abbe number, catalogue glasses that fit, and wavelengths of unknown lines in nm in air.
//!
//! Half the angle between the reflections from the two faces is the refracting angle A, the angle between a line
//! at minimum deviation and the central image is D, and n = sin((A + D)/2) / sin(A/2) (Fraunhofer; any textbook
//! of optics, e.g. Born and Wolf, Principles of Optics, 4.7). Every number carries what each independent cause
//! does to it (JCGM 100), so lines that share A are correlated as they should be. The curve is fitted by
//! generalised least squares, and its own departure from real glasses is taken from a glass catalogue.
//!
//! What no reading shows (adjustment left over, the digits of a wavelength, the air of the room) acts as causes of its own
//! (`leftover`). Where the air is given, the curve and all that is read off it are those against standard air. What the prism does
//! to wavelengths, its angular dispersion and resolving power, is in `resolving`.
//!
//! Where readings contradict each other, single slips of a closed list are undone in turn (`slips`); many results for one
//! quantity are brought together in `consensus`, and one bench is followed over time in `drift`.
//!
//! Refuses: a refracting angle outside 1 to 120 degrees, a line without its central image, two central images
//! in a set, A + D of 180 degrees or more, a deviation of 0, an index above 4. A curve that cannot be fitted is
//! left out with its reason; the indices stand.
//!
//! Cautions, a closed list: `prism-angle-repeats`, `prism-angle-twice`, `prism-angle-without-uncertainty`,
//! `shared-central`, `repeats-disagree`, `name-contradicts-wavelength`, `wavelength-rounded`, `dispersion-reversed`,
//! `dispersion-misfit`, `slip-suspected`, `readings-contradict`, `dispersion-unchecked`, `dispersion-extrapolated`, `common-cause-pulled`, `no-dispersion`.
//!
//! Pixels, time, files and circle windows do not belong here.
//!
//! Checked in `tests` of this folder: catalogue indices, published readings and exercises, third-party values
//! for uncertainties and correlations, air tables, derivatives by dual numbers, Monte Carlo against the linear
//! propagation, the coverage of the stated intervals (`stated_intervals_hold_the_truth`) and slips put into clean readings
//! (`single_slips_are_named`) over simulated experiments.

pub mod air;
pub mod apex;
pub mod consensus;
pub mod dispersion;
mod doubts;
pub mod drift;
pub mod glasses;
pub mod index;
pub mod lamps;
pub mod leftover;
pub mod montecarlo;
pub mod reduce;
pub mod resolving;
pub mod slips;
#[cfg(test)]
mod tests;
pub mod unknown;

pub use reduce::{Pointed, PointedAt, ReducedLine, Reduction, ReductionOptions, reduce};

/// Why a table of readings gives no result: one sentence with where and what to do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct PrismError(pub String);
