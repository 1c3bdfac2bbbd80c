//! Steps of the fit: how far they may go, and when another would be next to nothing.

use super::super::axis::SETTLED;
use super::super::shadow::HAIR_TERMS;
use super::super::shape::Shape;
use super::super::solver::Solver;
use super::{HAIR_PLACE_PX, Joint, MOST_LINES, Matrix, OF_HAIR, PARAMETERS, Vector};

/// Of a line whose profile is known such pixels and bands are looked for once a step is less than the root of this times the one after
/// which the fit has settled.
const CLOSE: f64 = 16.0;
/// A step of so many standard uncertainties leaves little in the residuals beside what independent pixels do.
const UNTOLD: f64 = 2.0;
/// The same where an earlier frame told how far the profile is off, so that residuals tell only how much the bands scatter: the mean
/// square of so small a step is some per cent of theirs.
const UNTOLD_AGAIN: f64 = 4.0;
/// In place of [`SETTLED`] on a hair of which no earlier frame told: what the fit has not come to yet would pass for a lopsided profile.
const SETTLED_ON_HAIR: f64 = 0.003;
/// Slit and blur are no wider, px.
const MOST_SLIT_PX: f64 = 90.0;
const MOST_BLUR_PX: f64 = 30.0;

impl Joint {
    /// The step that solves the normal equations with slit and blur within their limits.
    ///
    /// Where one of them would go too far it stops at its limit, and all others are solved anew with it there. Were it only cut off,
    /// they would make up for a change that does not come: of a slit that is narrow against the blur next to nothing is seen, so that
    /// it is asked for changes of many pixels, with a blur to match, and the fit never comes to rest.
    pub(super) fn step_within(
        &self,
        normal: &Matrix,
        score: &Vector,
        solver: &Solver<PARAMETERS>,
    ) -> Option<Vector> {
        let slit = 3 * MOST_LINES + 2;
        if self.known || !self.is_narrow() {
            // Slit and blur are told apart well.
            let mut step = solver.solve(score);
            let most = self.most_change_px();
            step[slit] = step[slit].clamp(-most, most);
            step[slit + 1] = step[slit + 1].clamp(-most / 2.0, most / 2.0);
            return Some(step);
        }
        let mut normal = *normal;
        let mut step = if self.slit_score < 0.0 {
            // The profile follows the square of a slit that is narrow against the blur. Where the pixels ask for a narrower one, that
            // bends their misfit more than the products of derivatives say; without it what was known of the slit before and the
            // pixels push it to and fro.
            normal[(slit, slit)] -= self.slit_score / self.members[0].shape.slit_px;
            self.solver(&normal)?.solve(score)
        } else {
            solver.solve(score)
        };
        let limits = self.limits();
        let mut held: Vec<(usize, f64)> = Vec::with_capacity(limits.len());
        loop {
            // How far beyond its limit a parameter would go, as a share of what it may.
            let beyond = |&(k, (low, high)): &(usize, (f64, f64))| {
                let over = (step[k] - high).max(low - step[k]);
                let limit = step[k].clamp(low, high);
                (over > 0.0 && held.iter().all(|held| held.0 != k))
                    .then(|| (k, limit, over / (high - low).max(1e-9)))
            };
            // The one that goes farthest first: it may have drawn the other with it.
            let worst = limits
                .iter()
                .filter_map(beyond)
                .max_by(|a, b| a.2.total_cmp(&b.2));
            let Some((k, limit, _)) = worst else {
                return Some(step);
            };
            held.push((k, limit));
            let mut right = *score;
            for &(k, limit) in &held {
                right -= normal.column(k) * limit;
            }
            let free = self
                .fitted_parameters()
                .filter(|&k| held.iter().all(|held| held.0 != k));
            step = Solver::new(&normal, free)?.solve(&right);
            for &(k, limit) in &held {
                step[k] = limit;
            }
        }
    }

    /// How far a step may change slit and blur: by no more than what keeps the picture of them true, and to the ends of the range in
    /// which each of them is kept. Of shapes that differ the one with most room counts.
    pub(super) fn limits(&self) -> [(usize, (f64, f64)); 2] {
        let members = &self.members[..self.lines];
        let most = self.most_change_px();
        let room = |of: &dyn Fn(&Shape, f64) -> (f64, f64), most: f64| {
            members
                .iter()
                .map(|member| of(&member.shape, most))
                .fold((0.0_f64, 0.0_f64), |a, b| (a.0.min(b.0), a.1.max(b.1)))
        };
        let by_square = self.steps_by_square();
        let slit = |shape: &Shape, most: f64| {
            let step = |px: f64| {
                let linear = px - shape.slit_px;
                if by_square {
                    linear * (px + shape.slit_px) / (2.0 * shape.slit_px)
                } else {
                    linear
                }
            };
            let (low, high) = (shape.slit_px - most, shape.slit_px + most);
            (
                step(low.max(Shape::LEAST_SLIT_PX)),
                step(high.min(MOST_SLIT_PX)),
            )
        };
        let blur = |shape: &Shape, most: f64| {
            let (low, high) = (shape.blur_px - most, shape.blur_px + most);
            (
                low.max(Shape::LEAST_BLUR_PX) - shape.blur_px,
                high.min(MOST_BLUR_PX) - shape.blur_px,
            )
        };
        let at = 3 * MOST_LINES + 2;
        [(at, room(&slit, most)), (at + 1, room(&blur, most / 2.0))]
    }

    /// Whether the slit is narrow against the blur: the profile follows its square then, and shows next to nothing of it.
    pub(super) fn is_narrow(&self) -> bool {
        let Shape { slit_px, blur_px } = self.members[0].shape;
        slit_px < blur_px
    }

    /// Whether a step of the slit is one of its square: a narrow one that the pixels want wider is soon seen better.
    pub(super) fn steps_by_square(&self) -> bool {
        self.is_narrow() && self.slit_score > 0.0
    }

    /// How much one step changes the slit at most, px; the blur by half as much.
    pub(super) fn most_change_px(&self) -> f64 {
        let widths = self.members[..self.lines].iter();
        0.25 * widths
            .map(|m| m.shape.width_px())
            .fold(f64::INFINITY, f64::min)
    }

    /// Whether after this step another would be next to nothing: it would go with the square of this one over the blur. `u_px` are the
    /// uncertainties of the lines' places.
    pub(super) fn is_last(&self, step: &Vector, u_px: &[f64; MOST_LINES]) -> bool {
        let of_all = self.shape_step_px(step);
        (0..self.lines).all(|k| {
            let own = step[3 * k].abs() + step[3 * k + 1].abs() + step[3 * k + 2].abs() / 2.0;
            (own + of_all).powi(2) < self.next_to_nothing_px2(k, u_px)
        })
    }

    /// Whether this step is so small that what is off by more than noise is told from what it will take away.
    pub(super) fn is_close(&self, step: &Vector, u_px: &[f64; MOST_LINES]) -> bool {
        let of_all = self.shape_step_px(step);
        (0..self.lines).all(|k| {
            let square = (self.move_px(step, k) + of_all).powi(2);
            square < CLOSE * self.next_to_nothing_px2(k, u_px)
        })
    }

    /// Whether this step is so small that what it will take away does not pass for a lopsided profile.
    pub(super) fn is_told(&self, step: &Vector, u_px: &[f64; MOST_LINES]) -> bool {
        let most = if self.told { UNTOLD_AGAIN } else { UNTOLD };
        (0..self.lines).all(|k| self.move_px(step, k) < most * u_px[k])
    }

    /// Square of a step of line `k` after which the next is next to nothing, px².
    pub(super) fn next_to_nothing_px2(&self, k: usize, u_px: &[f64; MOST_LINES]) -> f64 {
        let new_hair = self.bands.hair.is_some() && self.hair_before.is_none();
        let settled = if new_hair { SETTLED_ON_HAIR } else { SETTLED };
        settled * self.members[k].shape.blur_px.max(Shape::LEAST_BLUR_PX) * u_px[k]
    }

    /// How far a step changes what all lines have in common, px.
    pub(super) fn shape_step_px(&self, step: &Vector) -> f64 {
        // Of a slit that is narrow against the blur the profile shows as much less.
        let Shape { slit_px, blur_px } = self.members[0].shape;
        let slit = step[3 * MOST_LINES + 2] * (slit_px / blur_px).min(1.0);
        let shape = slit.hypot(step[3 * MOST_LINES + 3]);
        let hair = step[OF_HAIR].abs() + step[OF_HAIR + HAIR_TERMS].abs();
        shape + hair
    }

    /// How far a step moves line `k`: root mean square along it, by Simpson's rule.
    pub(super) fn move_px(&self, step: &Vector, k: usize) -> f64 {
        let (first, last) = self.members[k].rows;
        let (from, to) = (
            (first as f64 - self.frame.0) / self.frame.1,
            (last as f64 - self.frame.0) / self.frame.1,
        );
        let square = |z: f64| moved_px(step, k, z).powi(2);
        ((square(from) + 4.0 * square((from + to) / 2.0) + square(to)) / 6.0).sqrt()
    }

    /// Moves the parameters, and carries the light of every band along.
    pub(super) fn take_step(&mut self, mut step: Vector, frame: (f64, f64)) {
        let k = self.lines;
        for (i, member) in self.members[..k].iter_mut().enumerate() {
            let width = member.shape.width_px();
            let own = [step[3 * i], step[3 * i + 1], step[3 * i + 2]];
            let most = own[0].abs().max(own[1].abs()).max(own[2].abs() / 2.0);
            let damp = if most > 0.5 * width {
                0.5 * width / most
            } else {
                1.0
            };
            for power in 0..3 {
                step[3 * i + power] *= damp;
                member.axis[power] += step[3 * i + power];
            }
        }
        let at = 3 * MOST_LINES;
        self.slope[0] += step[at];
        self.slope[1] += step[at + 1];
        let by_square = self.steps_by_square();
        for member in &mut self.members[..k] {
            let shape = &mut member.shape;
            let slit_px = shape.slit_px + step[at + 2];
            shape.slit_px = if by_square {
                (shape.slit_px * (slit_px + step[at + 2])).max(0.0).sqrt()
            } else {
                slit_px
            }
            .clamp(Shape::LEAST_SLIT_PX, MOST_SLIT_PX);
            shape.blur_px =
                (shape.blur_px + step[at + 3]).clamp(Shape::LEAST_BLUR_PX, MOST_BLUR_PX);
        }
        if self.bands.hair.is_some() {
            let bound = 6.0 * HAIR_PLACE_PX;
            self.hair[0] = (self.hair[0] + step[at + 4]).clamp(-bound, bound);
            self.hair_turn_px =
                (self.hair_turn_px + step[at + 4 + HAIR_TERMS]).clamp(-bound, bound);
            self.hair[1] = (self.hair[1] + step[at + 5]).clamp(-0.3, 0.3);
            self.hair[2] = (self.hair[2] + step[at + 6]).clamp(0.4, 1.1);
            self.hair[3] = (self.hair[3] + step[at + 7]).clamp(0.05, 1.1);
            self.hair[4] = (self.hair[4] + step[at + 8]).clamp(0.02, 20.0);
        }
        for band in 0..self.bands.count {
            let z = (self.bands.middle(band) - frame.0) / frame.1;
            let lean = &self.lean[band];
            let mut moved = [0.0; MOST_LINES + 1];
            let mut carry = |column: usize, by: f64| {
                for (moved, lean) in moved.iter_mut().zip(&lean[column]) {
                    *moved += lean * by;
                }
            };
            for i in 0..k {
                carry(k + 1 + i, moved_px(&step, i, z));
            }
            carry(2 * k + 1, step[at] + step[at + 1] * z);
            let mut column = 2 * k + 2;
            if !self.shape_known {
                carry(column, step[at + 2]);
                carry(column + 1, step[at + 3]);
                column += 2;
            }
            if self.bands.hair.is_some() {
                carry(column, step[at + 4 + HAIR_TERMS] * z);
                for term in 0..HAIR_TERMS {
                    carry(column + term, step[at + 4 + term]);
                }
            }
            for (member, moved) in self.members[..k].iter_mut().zip(moved) {
                member.raw[band] -= moved;
            }
            self.background[band] -= moved[k];
        }
    }
}

/// By how much a step moves the axis of line `k` at the height `z`, px.
pub(super) fn moved_px(step: &Vector, k: usize, z: f64) -> f64 {
    let powers = [1.0, z, z * z / 2.0];
    (0..3)
        .map(|power| step[3 * k + power] * powers[power])
        .sum()
}
