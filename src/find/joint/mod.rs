//! Weighted least squares for lines that stand near each other, together: the fit that gives the final positions.
//!
//! Model of a pixel: level = T (Σ A_k(y) P_k(x - X_k(y)) + B(y) + (s0 + s1 z)(x - x_m)), as in [`axis`](super::axis) but with all
//! lines of a group at once, so that the light of a neighbour is part of the model and of the covariance. Rows are averaged
//! in small bands first: within a band an axis moves by a fraction of a pixel, which widens the profile a little (that is in
//! the model) and moves nothing. Where an upright hair lies on a line, bands are lower and its place and depth are fitted
//! too, within what is known of them. Amplitudes and background of every band are projected out.
//! Covariance as in [`axis`](super::axis): scaled by what the scores of the bands really scatter.

mod bands;
mod model;
mod outliers;
mod steps;

use nalgebra::{SMatrix, SVector};

use self::bands::{Bands, Member};
use self::steps::moved_px;
use super::along::{Along, Information, TERMS, Taken, Terms};
use super::axis::{scatter, without_mean};
use super::flanks::{Flanks, lasting_px};
use super::likeness::Likeness;
use super::lines::{CLIPPED_SHAPE_SHARE, Draft, Scene, Told};
use super::rowsum::Weights;
use super::shadow::{HAIR_TERMS, Lit, Shadow};
use super::shape::Shape;
use super::solver::Solver;
use super::{Line, RowOffset};

/// Lines that are fitted together, at most.
pub(super) const MOST_LINES: usize = 4;
/// Lines farther apart than their profiles reach, and this, do not disturb each other, px.
pub(super) const APART_PX: f64 = 4.0;
/// Axis (3) of every line, fall of the light (2), slit and blur, what is fitted to a hair, and its turn.
const PARAMETERS: usize = 3 * MOST_LINES + 5 + HAIR_TERMS;
/// The first of what is fitted to a hair among them.
const OF_HAIR: usize = 3 * MOST_LINES + 4;
/// Columns of a band: amplitudes, background, places, fall, slit, blur, hair, residual.
const COLUMNS: usize = 2 * MOST_LINES + 5 + HAIR_TERMS;
/// Neighbours whose widths differ by less than this factor have the same shape.
const ALIKE: f64 = 1.6;
/// A misfit of this share of the height means that neighbours were begun wrongly, or are not what they were taken for.
const ASTRAY: f64 = 0.03;
/// Lines with a valley between them are no wider than this share of their distance; and no line is narrower than this, px.
const VALLEY: f64 = 0.65;
const LEAST_WIDTH_PX: f64 = 1.5;
/// Fewest bands that tell what is usual among them.
const LEAST_BANDS: usize = 24;
/// How near the end of a line bands are looked at with suspicion, px.
const END_PX: f64 = 24.0;
/// A profile is known to this share of its height only: a slit image has wings that a blurred box has not, and where there is
/// next to no noise they would draw the fit (found on a lamp frame of 16 bits).
pub(super) const PROFILE_DOUBT: f32 = 0.001;
/// Where the pixels show that a profile is off by so many times what it was taken to be, the fit goes on with what they show.
const MORE_DOUBT: f32 = 1.5;
/// Where the fit ends and it turns out to be less than this share of what it was taken to be, the fit goes on with that, for so many
/// steps at most.
const LESS_DOUBT: f32 = 0.5;
const ROUNDS_AGAIN: usize = 4;
/// What is known of the share of the background's fall that lines follow before anything is seen: mean and standard deviation.
const BEFORE: (f64, f64) = (0.5, 0.5);
/// Variance of what is read along a line over what its scatter gives.
const UNEVEN_SLIT: f64 = 4.0;
/// Prior standard deviation of how much the light falls off sideways, as a share, over half the height of the picture.
const FALL: f64 = 0.2;
/// Prior standard deviations: bow of an axis at z = 1, px; slit and blur, relative; a hair's place, px, and depth.
const BOW_PX: f64 = 12.0;
const SHAPE_SHARE: f64 = 0.35;
const HAIR_PLACE_PX: f64 = 0.1;
const HAIR_TURN_PX: f64 = 0.1;
/// What is not known of a hair that frames before have seen is off by the same for some frames, which are less certain together than
/// each by itself: so many times its share of the variance of a line is added to it (found on 36 simulated sweeps of `under-hair`).
const HAIR_LASTS: f64 = 2.0;
/// What is not to change is held to this, px.
const HELD_PX: f64 = 1e-3;

/// How the lights of a band go with its other columns.
type Lean = [[f64; MOST_LINES + 1]; COLUMNS];
const NO_LEAN: Lean = [[0.0; MOST_LINES + 1]; COLUMNS];

type Matrix = SMatrix<f64, PARAMETERS, PARAMETERS>;
type Vector = SVector<f64, PARAMETERS>;

/// What one band says.
#[derive(Clone, Debug)]
struct Score {
    band: usize,
    z: f64,
    /// Of every column.
    score: [f64; COLUMNS],
    /// Information about the place of every line.
    information: [f64; MOST_LINES],
}

/// The joint fit and its buffers.
#[derive(Clone, Debug, Default)]
pub(super) struct Joint {
    members: [Member; MOST_LINES],
    lines: usize,
    bands: Bands,
    background: Vec<f64>,
    /// How the background falls off sideways, as a share of it per px, at z = 0 and with z.
    slope: [f64; 2],
    /// Share of that which the light of the lines follows, with its uncertainty.
    alike: (f64, f64),
    /// Shift of the hair along the rows, change of the logarithm of its width, its shares of the light of lines and
    /// of the background, and the variance of the blur behind it, px².
    hair: [f64; HAIR_TERMS],
    /// And its turn: shift at z = 1 more than at z = 0, px.
    hair_turn_px: f64,
    /// What it is taken for, and what is known of what is fitted to it from the frame before, if anything is.
    taken: Option<Taken>,
    hair_before: Option<(Terms, Information)>,
    /// Height at which axes are told, and the scale of z, px.
    frame: (f64, f64),
    hair_u_px: f64,
    columns: Vec<f32>,
    weight: Vec<f32>,
    weighted: Vec<f32>,
    /// Weighted sums of products of columns of one band: upper triangle, and behind it those with the residual.
    products: Vec<[f32; COLUMNS]>,
    /// Residuals over their standard deviation; not a number where a pixel does not count.
    residuals: Vec<f32>,
    /// Bands with the mean squares of their residuals.
    misfits: Vec<(usize, f64)>,
    /// One over the standard deviation of every pixel; 0 where it does not count.
    roots: Vec<f32>,
    shadow: Shadow,
    /// Light that it takes from the shaded pixels of a band.
    stopped: Vec<f32>,
    lit: Vec<Option<Lit>>,
    /// The light of every line behind the hair, wherever it is.
    behind_hair: Vec<Lit>,
    scores: Vec<Score>,
    lean: Vec<Lean>,
    weights: Weights,
    smooth: Vec<(f64, f64)>,
    flanks: Flanks,
    /// The share of its height to which a profile is known here, and what the pixels say of it.
    profile_doubt: f32,
    likeness: Likeness,
    /// What lopsided profiles leave of every line as long as they are not doubted, px.
    lasting_px: [f64; MOST_LINES],
    /// Whether this and the doubt are those of an earlier frame.
    told: bool,
    pulls: Vec<f64>,
    /// What the bands of every fit of this frame say, with the place of its line where it is told, px.
    rows: Vec<(f64, RowOffset)>,
    /// Band and pixel of what was left out last.
    struck: Vec<(usize, usize)>,
    /// Score of the slit by the pixels alone.
    slit_score: f64,
    /// Whether slit and blur are known from earlier frames, how well the variance of the profile is if it is fitted nevertheless, px²,
    /// and whether slit and blur are taken as they are.
    known: bool,
    u_variance_px2: Option<f64>,
    shape_known: bool,
    seen_before: bool,
    /// Whether the core of any of the lines is clipped.
    clipped: bool,
    /// Parameter, column and power of z of everything that is fitted.
    fitted: Vec<(usize, usize, usize)>,
}

/// How a fit is done.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rules {
    /// Steps, at most.
    pub(super) iterations: usize,
    /// Slit and blur are those of the drafts and not fitted.
    pub(super) shape_known: bool,
    /// Slit and blur were fitted in earlier frames: where a hair or clipping spoils the view they stay near that.
    pub(super) seen_before: bool,
    /// The profile is what it is taken for, so that what the fit leaves tells whether something is missing in the picture of it.
    pub(super) profile_trusted: bool,
}

/// Whether shapes are so much alike that they may be images of one slit; `one` is any of them.
fn alike(shapes: impl Iterator<Item = Shape>, one: &Shape) -> bool {
    let width = one.width_px();
    let (low, high) = shapes.fold((width, width), |(low, high), shape| {
        (low.min(shape.width_px()), high.max(shape.width_px()))
    });
    high <= ALIKE * low
}

impl Joint {
    /// Fits the lines `group` of `drafts` together and writes the result back to them.
    ///
    /// False if the pixels cannot decide it; the drafts are then as they were.
    pub(super) fn fit(
        &mut self,
        drafts: &mut [Draft],
        group: &[usize],
        scene: &Scene<'_>,
        rules: Rules,
    ) -> bool {
        if group.len() < 2 || rules.shape_known {
            return self.fit_as_begun(drafts, group, scene, rules);
        }
        let begun: Vec<Draft> = group
            .iter()
            .filter_map(|&i| drafts.get(i))
            .cloned()
            .collect();
        let fits = self.fit_as_begun(drafts, group, scene, rules);
        // Neighbours that were measured with a part of each other's light begin unlike each other, or too wide. If what they
        // become is unlike what the pixels show, it is tried whether they are narrower images of one slit.
        let shapes = begun.iter().map(|draft| draft.thread.shape);
        let most = if begun
            .iter()
            .any(|one| !alike(shapes.clone(), &one.thread.shape))
        {
            f64::from(MORE_DOUBT * PROFILE_DOUBT)
        } else {
            ASTRAY
        };
        let misfit = self.likeness.misfit();
        if fits && misfit < most {
            return true;
        }
        let mut places: Vec<f64> = begun
            .iter()
            .map(|draft| draft.thread.x_at(scene.y_ref))
            .collect();
        places.sort_by(f64::total_cmp);
        let nearest = places
            .windows(2)
            .map(|pair| pair[1] - pair[0])
            .fold(f64::INFINITY, f64::min);
        let narrowest = shapes
            .min_by(|a, b| a.width_px().total_cmp(&b.width_px()))
            .unwrap_or_default();
        let shape = if narrowest.width_px() > VALLEY * nearest {
            Shape::of_width((VALLEY * nearest).max(LEAST_WIDTH_PX))
        } else {
            narrowest
        };
        let begin_anew = |drafts: &mut [Draft]| {
            for (&i, draft) in group.iter().zip(&begun) {
                drafts[i].clone_from(draft);
            }
        };
        begin_anew(drafts);
        for &i in group {
            drafts[i].thread.shape = shape;
        }
        let narrower = self.fit_as_begun(drafts, group, scene, rules);
        if narrower && (!fits || self.likeness.misfit() < misfit) {
            return true;
        }
        begin_anew(drafts);
        fits && self.fit_as_begun(drafts, group, scene, rules)
    }

    /// The fit from the shapes that the drafts have.
    fn fit_as_begun(
        &mut self,
        drafts: &mut [Draft],
        group: &[usize],
        scene: &Scene<'_>,
        rules: Rules,
    ) -> bool {
        let iterations = rules.iterations;
        self.known = rules.shape_known;
        self.seen_before = rules.seen_before;
        self.lines = group.len().min(MOST_LINES);
        if self.lines == 0 {
            return false;
        }
        for (member, &i) in self.members.iter_mut().zip(group) {
            let Some(draft) = drafts.get(i) else {
                return false;
            };
            member.axis = draft.thread.axis;
            member.shape = draft.thread.shape;
            member.rows = draft.span();
            member.keep_off_rim(scene, draft.thread.frame());
        }
        self.clipped = group.iter().any(|&i| drafts[i].clipped);
        self.share_shape();
        let frame = drafts[group[0]].thread.frame();
        self.frame = frame;
        if !self.cut(scene, frame) {
            return false;
        }
        if self.bands.hair.is_some() {
            // A hair hides what would tell the slit from the blur.
            for (member, &i) in self.members.iter_mut().zip(group) {
                if let Some(before) = drafts[i].shape_before {
                    member.shape = before;
                    self.seen_before = true;
                }
            }
        }
        // A line that a hair covers on one flank lies as far off as half of what its width is off.
        self.u_variance_px2 = (self.known && self.bands.hair.is_some())
            .then(|| drafts[group[0]].u2_variance)
            .flatten()
            .map(f64::sqrt);
        self.shape_known = self.known && self.u_variance_px2.is_none();
        let starts: [Shape; MOST_LINES] = std::array::from_fn(|k| self.members[k].shape);
        self.weights.prepare(scene.noise, scene.grey.clip);
        self.slope = [0.0; 2];
        self.alike = BEFORE;
        self.begin_hair(group.iter().filter_map(|&i| drafts[i].hair_before), scene);
        self.prepare_profiles(frame);
        self.profile_doubt = PROFILE_DOUBT;
        self.lasting_px = [0.0; MOST_LINES];
        self.first_light(frame);
        if self.known {
            // The rows of a line that was not looked at before are found as it is measured.
            self.keep_to_light();
        }
        self.alike = self.falls_alike();
        let (mut struck, mut bands_struck, mut doubted_again) = (false, false, false);
        // Where an earlier frame told how far the profile is off, that is not asked again.
        self.told = self.known && !self.clipped && group.iter().all(|&i| drafts[i].told.is_some());
        let mut doubted = self.told;
        if self.told {
            for (k, told) in group.iter().filter_map(|&i| drafts[i].told).enumerate() {
                self.profile_doubt = self.profile_doubt.max(told.doubt);
                self.lasting_px[k] = told.lasting_px;
            }
        }
        let mut last = iterations;
        for round in 0..=iterations + ROUNDS_AGAIN {
            if round > 0 && !self.shape_known {
                self.prepare_profiles(frame);
            }
            let (normal, score) = self.normal_equations(frame, &starts);
            let Some(solver) = self.solver(&normal) else {
                return false;
            };
            let Some(step) = self.step_within(&normal, &score, &solver) else {
                return false;
            };
            if !step.iter().all(|v| v.is_finite()) {
                return false;
            }
            let u_px: [f64; MOST_LINES] = std::array::from_fn(|i| {
                let mut unit = Vector::zeros();
                unit[3 * i] = 1.0;
                let variance = if i < self.lines {
                    solver.solve(&unit)[3 * i]
                } else {
                    0.0
                };
                variance.max(0.0).sqrt()
            });
            let small = self.is_last(&step, &u_px);
            // Of a known profile what no noise explains stands out before the place is known to the last.
            let close = small || self.known && self.is_close(&step, &u_px);
            let due = (close || round + 2 >= last) && !struck;
            self.struck.clear();
            let mut changed = due && self.strike_out(scene);
            struck |= changed;
            if close && !bands_struck {
                bands_struck = true;
                changed |= self.strike_out_bands(&step);
                changed |= self.strike_out_ends();
            }
            // When all else is done, or, of a line whose shape is known, by what was not just left out; of a clipped line only the flanks
            // are seen, which are steep.
            let near = small && (self.known || !changed) || round + 2 >= last;
            if near && !doubted && !rules.profile_trusted && !self.clipped {
                doubted = true;
                let doubt = self.profile_misfit(frame);
                if doubt > MORE_DOUBT * self.profile_doubt {
                    // What was just left out does not count.
                    let (struck, good) = (&self.struck, &self.bands.good);
                    let across = self.bands.across;
                    let all = !self.known;
                    self.scores.retain(|of| {
                        let left_out = good[of.band * across..(of.band + 1) * across]
                            .iter()
                            .all(|&good| good <= 0.0);
                        all || !left_out && struck.iter().all(|&(band, _)| band != of.band)
                    });
                    self.keep_lasting(&solver.inverse(), frame);
                    self.profile_doubt = doubt;
                    changed = true;
                }
            } else if doubted && !doubted_again && !self.known && (small || round == last) {
                doubted_again = true;
                // The first look was at a fit that was not near its end yet, as it may not be where there is next to no noise.
                let doubt = self.profile_misfit(frame).max(PROFILE_DOUBT);
                if doubt < LESS_DOUBT * self.profile_doubt {
                    self.keep_lasting(&solver.inverse(), frame);
                    self.profile_doubt = doubt;
                    changed = true;
                    last = iterations + ROUNDS_AGAIN;
                }
            }
            self.take_step(step, frame);
            self.smooth_lights();
            let settled = small && !changed && (!self.known || self.is_told(&step, &u_px));
            if settled || round == last {
                // Residuals and covariance are those of where the fit ended, or of a place so near that nothing is
                // to be told from it.
                let solver = if settled {
                    solver
                } else {
                    self.prepare_profiles(frame);
                    let (normal, _) = self.normal_equations(frame, &starts);
                    let Some(solver) = self.solver(&normal) else {
                        return false;
                    };
                    solver
                };
                let inverse = solver.inverse();
                self.hair_u_px = inverse[(OF_HAIR, OF_HAIR)].max(0.0).sqrt();
                self.write_back(drafts, group, &inverse, settled);
                break;
            }
        }
        self.members[..self.lines]
            .iter()
            .all(|m| m.axis.iter().all(|v| v.is_finite()))
    }

    /// A hair begins as it is expected to be, or as it was found along these lines in the frame before.
    fn begin_hair(&mut self, mut before: impl Iterator<Item = Along>, scene: &Scene<'_>) {
        self.hair = self.bands.thread.terms();
        self.hair_turn_px = 0.0;
        self.taken = self.bands.hair.zip(scene.hairs).and_then(|(hair, cross)| {
            Some(Taken {
                hair,
                thread: self.bands.thread.with(&self.hair),
                x_px: cross.x_at(hair, self.frame.0)?,
                y_px: self.frame.0,
                scale: self.frame.1,
            })
        });
        let taken = self.taken;
        self.hair_before = taken.and_then(|taken| before.find_map(|one| one.expected(&taken)));
        if let Some((terms, _)) = self.hair_before {
            self.hair.copy_from_slice(&terms[..HAIR_TERMS]);
            self.hair_turn_px = terms[HAIR_TERMS];
        }
    }

    /// What is fitted to the hair, and its turn.
    fn hair_terms(&self) -> Terms {
        let mut terms = [self.hair_turn_px; TERMS];
        terms[..HAIR_TERMS].copy_from_slice(&self.hair);
        terms
    }

    /// What the fit made of the hair, for the next frame.
    fn hair_along(&self, covariance: &Matrix, residual_scale: f64) -> Option<Along> {
        let scale = residual_scale.powi(2).max(1.0);
        let known = covariance.fixed_view::<TERMS, TERMS>(OF_HAIR, OF_HAIR) * scale;
        let taken = self.taken?;
        Some(Along::new(&taken, &self.hair_terms(), known))
    }

    /// The decomposition of the normal matrix, of what is fitted alone.
    fn solver(&self, normal: &Matrix) -> Option<Solver<PARAMETERS>> {
        Solver::new(normal, self.fitted_parameters())
    }

    fn fitted_parameters(&self) -> impl Iterator<Item = usize> {
        let mut parameters = [false; PARAMETERS];
        for &(parameter, ..) in &self.fitted {
            parameters[parameter] = true;
        }
        (0..PARAMETERS).filter(move |&k| parameters[k])
    }

    /// A new frame begins: nothing was fitted in it yet.
    pub(super) fn begin_frame(&mut self) {
        self.rows.clear();
    }

    /// What the rows of these lines said where they were fitted in this frame.
    pub(super) fn rows_of(&self, lines: &[Line], out: &mut Vec<RowOffset>) {
        out.clear();
        let is = |line: &Line, x_px: f64| line.x_px.to_bits() == x_px.to_bits();
        out.extend(self.rows.iter().filter_map(|&(x_px, row)| {
            let line = lines.iter().position(|line| is(line, x_px))?;
            Some(RowOffset { line, ..row })
        }));
    }

    /// Mean square of the residuals of the last fit, in variances of the noise.
    pub(super) fn misfit(&self) -> f64 {
        mean_square(&self.residuals)
    }

    /// How far the last fit moved an upright hair along the row `y_px`, with the standard uncertainty of that where the lines are
    /// told, px, and by how much it turned the hair (dx/dy); nothing of it without one.
    pub(super) fn hair_moved(&self, y_px: f64) -> (f64, f64, f64) {
        let (y_ref, scale) = self.frame;
        let turned = self.hair_turn_px / scale.max(1.0);
        (
            self.hair[0] + (y_px - y_ref) * turned,
            self.hair_u_px,
            turned,
        )
    }

    /// Neighbours are images of the same slit through the same lenses: they begin with the same shape, unless they look
    /// so different that one of them is something else.
    fn share_shape(&mut self) {
        let members = &mut self.members[..self.lines];
        let shapes = members.iter().map(|m| m.shape);
        if !members
            .first()
            .is_some_and(|first| alike(shapes, &first.shape))
        {
            return;
        }
        let count = members.len() as f64;
        let slit_px = members.iter().map(|m| m.shape.slit_px).sum::<f64>() / count;
        let blur_px = members.iter().map(|m| m.shape.blur_px).sum::<f64>() / count;
        for member in members {
            member.shape = Shape { slit_px, blur_px };
        }
    }
}

/// Mean of the squares of what counts of these residuals.
fn mean_square(residuals: &[f32]) -> f64 {
    let (sum, count) = residuals
        .iter()
        .filter(|r| r.is_finite())
        .fold((0.0, 0.0_f64), |(sum, count), &r| {
            (sum + f64::from(r * r), count + 1.0)
        });
    sum / count.max(1.0)
}

/// Variance of a profile's variance, px⁴.
fn variance_of_variance(covariance: &Matrix, shape: &Shape) -> f64 {
    let slit = 3 * MOST_LINES + 2;
    let by = [shape.slit_px / 6.0, 2.0 * shape.blur_px];
    let row =
        |i: usize| by[0] * covariance[(slit + i, slit)] + by[1] * covariance[(slit + i, slit + 1)];
    by[0] * row(0) + by[1] * row(1)
}

impl Joint {
    /// Leaves out the bands at either end of a line that have less light than those farther in, by more than noise: there the slit ends,
    /// or the field stop cuts the line, obliquely mostly, and light that is smoothed along the line is drawn out beyond it.
    fn keep_to_light(&mut self) {
        let (first_row, rows) = (self.bands.first_row, self.bands.rows);
        let most = (END_PX as usize / rows).max(1);
        let mut left_out = false;
        for member in &mut self.members[..self.lines] {
            let band_of = |row: usize| row.saturating_sub(first_row) / rows;
            let all = band_of(member.rows.0)..(band_of(member.rows.1) + 1).min(self.bands.count);
            if all.len() >= LEAST_BANDS {
                let ends = (
                    member.dark_end(all.clone(), most),
                    member.dark_end(all.clone().rev(), most),
                );
                member.lit = all.start + ends.0..all.end - ends.1;
                left_out |= member.lit != all;
            }
        }
        if left_out {
            self.smooth_lights();
        }
    }

    /// How much of the background's fall the light of the lines follows, and its uncertainty: all of it where optics take
    /// away light, nothing where stray light is uneven itself. Along the brightest line both are seen: the logarithm of its
    /// light against that of the background, by a straight line; before that nothing is known.
    fn falls_alike(&self) -> (f64, f64) {
        let flux = |m: &Member| m.raw.iter().sum::<f64>();
        let brightest = self.members[..self.lines]
            .iter()
            .max_by(|a, b| flux(a).total_cmp(&flux(b)));
        let Some(member) = brightest else {
            return BEFORE;
        };
        let usual = flux(member) / member.raw.len().max(1) as f64;
        // Its ends fall off by themselves, and beside a hair neither is seen well.
        let inside = |b: &usize| {
            let y = self.bands.middle(*b);
            let margin = 0.08 * (member.rows.1 - member.rows.0) as f64;
            let ends = (member.rows.0 as f64 + margin, member.rows.1 as f64 - margin);
            let clear = self
                .bands
                .shaded
                .get(*b)
                .is_some_and(std::ops::Range::is_empty);
            y > ends.0
                && y < ends.1
                && clear
                && member.raw[*b] > (0.3 * usual).max(0.0)
                && self.background[*b] > 1.0
        };
        let points: Vec<(f64, f64, f64)> = (0..member.raw.len())
            .filter(inside)
            .map(|b| {
                let light = member.raw[b];
                let weight = member.information[b] * light * light;
                (self.background[b].ln(), light.ln(), weight)
            })
            .collect();
        if points.len() < LEAST_BANDS {
            return BEFORE;
        }
        let (mut n, mut sx, mut sy) = (0.0, 0.0, 0.0);
        for (x, y, w) in &points {
            n += w;
            sx += w * x;
            sy += w * y;
        }
        let (mx, my) = (sx / n.max(1e-12), sy / n.max(1e-12));
        let (mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0);
        for (x, y, w) in &points {
            sxx += w * (x - mx).powi(2);
            sxy += w * (x - mx) * (y - my);
            syy += w * (y - my).powi(2);
        }
        if sxx <= 0.0 {
            return BEFORE;
        }
        let share = sxy / sxx;
        let left = (syy - share * sxy).max(0.0) / (points.len() as f64 - 2.0);
        // The slit itself may be lit unevenly along its height, which hangs together from band to band.
        let told = 1.0 / (UNEVEN_SLIT * left.max(1.0) / sxx);
        let before = BEFORE.1.powi(-2);
        let mean = (told * share + before * BEFORE.0) / (told + before);
        (mean.clamp(0.0, 1.0), (told + before).sqrt().recip())
    }

    /// Normal matrix and score of all parameters; those that are not fitted have a 1 in the diagonal.
    fn normal_equations(
        &mut self,
        frame: (f64, f64),
        starts: &[Shape; MOST_LINES],
    ) -> (Matrix, Vector) {
        let mut normal = Matrix::zeros();
        let mut score = Vector::zeros();
        let k = self.lines;
        let mut prior = |at: usize, deviation: f64, sd: f64| {
            normal[(at, at)] += 1.0 / (sd * sd);
            score[at] -= deviation / (sd * sd);
        };
        for (i, member) in self.members[..k].iter().enumerate() {
            prior(3 * i + 1, 0.0, 0.4 * frame.1);
            prior(3 * i + 2, member.axis[2], BOW_PX);
        }
        for i in 3 * k..3 * MOST_LINES {
            prior(i, 0.0, 1.0);
        }
        let (slope, shape, hair) = (3 * MOST_LINES, 3 * MOST_LINES + 2, OF_HAIR);
        let fall_sd = FALL / frame.1 / self.alike.0.max(0.2);
        prior(slope, self.slope[0], fall_sd);
        prior(slope + 1, self.slope[1], fall_sd);
        let share = if self.clipped || self.seen_before && self.bands.hair.is_some() {
            CLIPPED_SHAPE_SHARE
        } else {
            SHAPE_SHARE
        };
        let [slit_sd, blur_sd] = match self.u_variance_px2 {
            // Of both the one of which more is seen.
            Some(u) if starts[0].slit_px > starts[0].blur_px => {
                [6.0 * u / starts[0].slit_px, HELD_PX]
            }
            Some(u) => [HELD_PX, 0.5 * u / starts[0].blur_px],
            None => [1.0, 0.5].map(|by| by * share * starts[0].width_px().max(0.5)),
        };
        prior(
            shape,
            self.members[0].shape.slit_px - starts[0].slit_px,
            slit_sd,
        );
        prior(
            shape + 1,
            self.members[0].shape.blur_px - starts[0].blur_px,
            blur_sd,
        );
        if let Some((before, information)) = self.hair_before {
            let now = self.hair_terms();
            for i in 0..TERMS {
                for j in 0..TERMS {
                    normal[(hair + i, hair + j)] += information[(i, j)];
                    score[hair + i] -= information[(i, j)] * (now[j] - before[j]);
                }
            }
        } else if self.bands.hair.is_some() {
            prior(hair + HAIR_TERMS, self.hair_turn_px, HAIR_TURN_PX);
            for (row, weight, off) in self.bands.thread.known(&self.hair) {
                for (i, by) in row.iter().enumerate() {
                    score[hair + i] -= weight * by * off;
                    for (j, with) in row.iter().enumerate() {
                        normal[(hair + i, hair + j)] += weight * by * with;
                    }
                }
            }
        } else {
            for i in 0..TERMS {
                normal[(hair + i, hair + i)] += 1.0;
            }
        }
        let known_before = score[shape];
        let mut fitted = std::mem::take(&mut self.fitted);
        fitted.clear();
        let nuisance = k + 1;
        for i in 0..k {
            fitted.extend((0..3).map(|power| (3 * i + power, nuisance + i, power)));
        }
        fitted.extend([(slope, nuisance + k, 0), (slope + 1, nuisance + k, 1)]);
        let mut column = nuisance + k + 1;
        if !self.shape_known {
            fitted.extend([(shape, column, 0), (shape + 1, column + 1, 0)]);
            column += 2;
        }
        if self.bands.hair.is_some() {
            fitted.extend((0..HAIR_TERMS).map(|term| (hair + term, column + term, 0)));
            fitted.push((hair + HAIR_TERMS, column, 1));
        }
        let columns = self.column_count();
        self.scores.clear();
        let pixels = self.bands.count * self.bands.across;
        self.residuals.resize(pixels, f32::NAN);
        self.roots.resize(pixels, 0.0);
        self.lean.resize(self.bands.count, NO_LEAN);
        self.prepare_shadow();
        let mut sums = self.take_products();
        for b in 0..self.bands.count {
            if !self.draw(b, frame, false) {
                let pixels = b * self.bands.across..(b + 1) * self.bands.across;
                self.residuals[pixels.clone()].fill(f32::NAN);
                self.roots[pixels].fill(0.0);
                self.lean[b] = NO_LEAN;
                continue;
            }
            self.sums(b, columns, columns, &mut sums);
            let projected = self.project(b, &sums, columns);
            let Some(band_score) = projected else {
                self.lean[b] = NO_LEAN;
                continue;
            };
            let z = (self.bands.middle(b) - frame.0) / frame.1;
            let powers = [1.0, z, z * z / 2.0];
            let lean = &self.lean[b];
            for (at, &(i, a, by)) in fitted.iter().enumerate() {
                score[i] += band_score[a] * powers[by];
                for &(j, c, with) in &fitted[at..] {
                    let mut value = f64::from(sums[a.min(c)][a.max(c)]);
                    for (l, lean) in lean[a].iter().enumerate().take(nuisance) {
                        value -= lean * f64::from(sums[l][c]);
                    }
                    let value = value * powers[by] * powers[with];
                    normal[(i, j)] += value;
                    if i != j {
                        normal[(j, i)] += value;
                    }
                }
            }
            let mut information = [0.0; MOST_LINES];
            for (i, information) in information.iter_mut().enumerate().take(k) {
                let a = nuisance + i;
                let known = lean[a].iter().zip(&sums[..]).take(nuisance);
                *information = f64::from(sums[a][a])
                    - known
                        .map(|(lean, sums)| lean * f64::from(sums[a]))
                        .sum::<f64>();
            }
            self.scores.push(Score {
                band: b,
                z,
                score: band_score,
                information,
            });
        }
        self.fitted = fitted;
        self.products = sums;
        self.slit_score = score[shape] - known_before;
        (normal, score)
    }

    /// How far the profiles are off what the pixels show, as a share of the height: from the residuals about each line that no hair
    /// shades; see [`Likeness`].
    fn profile_misfit(&mut self, frame: (f64, f64)) -> f32 {
        self.likeness.begin();
        let across = self.bands.across;
        for member in &self.members[..self.lines] {
            let reach = 1.1 * member.shape.width_px() + 1.0;
            for (band, shaded) in self.bands.shaded.iter().enumerate() {
                let y = self.bands.middle(band);
                let height = member.amplitude[band];
                if !member.reaches(y) || height <= 0.0 {
                    continue;
                }
                let x = member.x_at(y, frame) - f64::from(self.bands.left[band]);
                let from = (x - reach).ceil().max(0.0) as usize;
                let to = ((x + reach).floor().max(0.0) as usize + 1).min(across);
                for i in (from..to).filter(|i| !shaded.contains(i)) {
                    let at = band * across + i;
                    let (residual, root) = (self.residuals[at], f64::from(self.roots[at]));
                    if residual.is_finite() {
                        self.likeness
                            .take(i as f64 - x, f64::from(residual), root * height);
                    }
                }
            }
        }
        self.likeness.misfit() as f32
    }

    /// Standard deviation of the residuals in that of the noise.
    fn residual_scale(&self) -> f64 {
        let (mut squares, mut count) = (0.0, 0.0_f64);
        for &r in self.residuals.iter().filter(|r| r.is_finite()) {
            squares += f64::from(r * r);
            count += 1.0;
        }
        let used = (self.lines + 1) as f64 * self.scores.len() as f64;
        (squares / (count - used).max(count / 4.0).max(1.0)).sqrt()
    }

    /// Keeps what lopsided profiles leave now: once they are doubted their misfit counts as noise and shows less.
    fn keep_lasting(&mut self, covariance: &Matrix, frame: (f64, f64)) {
        let residual_scale = self.residual_scale();
        for i in 0..self.lines {
            let inflation = self.inflation(i, covariance, residual_scale);
            let naive = covariance[(3 * i, 3 * i)].max(0.0).sqrt();
            self.lasting_px[i] = lasting_px(naive, inflation, self.lopsided(i, frame));
        }
    }

    /// Gives the drafts their new axes, light and covariance.
    fn write_back(
        &mut self,
        drafts: &mut [Draft],
        group: &[usize],
        covariance: &Matrix,
        settled: bool,
    ) {
        let frame = drafts[group[0]].thread.frame();
        let residual_scale = self.residual_scale();
        let hair = self.hair_along(covariance, residual_scale);
        for (i, &index) in group.iter().enumerate().take(self.lines) {
            let inflation = self.inflation(i, covariance, residual_scale);
            let naive = covariance[(3 * i, 3 * i)].max(0.0).sqrt();
            // The greater of two frames' would be too large on the average.
            let lasting = if self.told {
                self.lasting_px[i]
            } else {
                let lopsided = self.lopsided(i, frame);
                lasting_px(naive, inflation, lopsided).max(self.lasting_px[i])
            };
            let member = &self.members[i];
            let Some(draft) = drafts.get_mut(index) else {
                continue;
            };
            let (first, last) = (
                member.rows.0.max(self.bands.first_row),
                member.rows.1.min(self.bands.last_row),
            );
            let thread = &mut draft.thread;
            thread.axis = member.axis;
            thread.shape = member.shape;
            thread.slope = self.slope;
            let per_row = 1.0 / self.bands.rows as f64;
            let bands = (first..=last).map(|y| (y - self.bands.first_row) / self.bands.rows);
            let fill = |out: &mut Vec<f64>, of: &[f64], by: f64| {
                out.clear();
                out.extend(bands.clone().map(|b| of[b] * by));
            };
            fill(&mut thread.amplitude, &member.amplitude, 1.0);
            fill(&mut thread.raw, &member.raw, 1.0);
            fill(&mut thread.information, &member.information, per_row);
            fill(&mut thread.background, &self.background, 1.0);
            for a in 0..3 {
                for b in 0..3 {
                    thread.covariance[(a, b)] =
                        covariance[(3 * i + a, 3 * i + b)] * inflation * inflation;
                }
            }
            let by_hair = HAIR_LASTS * self.by_hair(i, covariance) * inflation * inflation;
            thread.covariance[(0, 0)] += by_hair;
            if self.bands.hair.is_none() {
                let place = self.lines + 1 + i;
                let scores = self.scores.iter();
                self.rows
                    .extend(scores.filter(|of| of.information[i] > 0.0).map(|of| {
                        let weight = of.information[i];
                        let row = RowOffset {
                            line: 0,
                            y_px: self.bands.middle(of.band) as f32,
                            away_px: (of.score[place] / weight) as f32,
                            weight: weight as f32,
                        };
                        (member.axis[0], row)
                    }));
            }
            thread.inflation = inflation;
            // A fall that the line follows more or less than it is taken to moves its middle by the variance of its profile.
            let by_fall = self.alike.1 * self.slope[0].abs() * thread.shape.variance_px2();
            thread.lasting_px = lasting.hypot(by_fall);
            thread.residual_scale = residual_scale;
            thread.settled = settled;
            draft.told = Some(Told {
                doubt: self.profile_doubt,
                lasting_px: lasting,
                hair,
                u2_variance: (!self.shape_known).then(|| {
                    residual_scale.powi(2).max(1.0)
                        * variance_of_variance(covariance, &thread.shape)
                }),
            });
            draft.first_row = first;
            draft.rows = last + 1 - first;
            draft.fresh = true;
        }
    }

    /// What of the variance of the place of line `i` is there because of what is not known of a hair that frames before have seen, px².
    fn by_hair(&self, i: usize, covariance: &Matrix) -> f64 {
        let hair = covariance.fixed_view::<TERMS, TERMS>(OF_HAIR, OF_HAIR);
        let place = covariance.fixed_view::<TERMS, 1>(OF_HAIR, 3 * i);
        let known = self
            .hair_before
            .and_then(|_| hair.into_owned().try_inverse());
        let variance = known.map_or(0.0, |known| (place.transpose() * known * place)[(0, 0)]);
        variance.clamp(0.0, covariance[(3 * i, 3 * i)])
    }

    /// Scatter of what the bands say of the place of line `i`, over what independent pixels would give.
    fn inflation(&mut self, i: usize, covariance: &Matrix, residual_scale: f64) -> f64 {
        let lever = covariance.column(3 * i);
        let pulls = &mut self.pulls;
        pulls.clear();
        for Score { score, z, .. } in &self.scores {
            let powers = [1.0, *z, z * z / 2.0];
            let pull = self
                .fitted
                .iter()
                .map(|&(parameter, column, power)| lever[parameter] * score[column] * powers[power])
                .sum();
            pulls.push(pull);
        }
        without_mean(pulls);
        scatter(pulls, covariance[(3 * i, 3 * i)], residual_scale).sqrt()
    }
}

impl Joint {
    /// How lopsided the residuals about line `i` are; see [`Flanks`].
    fn lopsided(&mut self, i: usize, frame: (f64, f64)) -> f64 {
        let member = &self.members[i];
        let nearest = (0..self.lines)
            .filter(|&j| j != i)
            .map(|j| (self.members[j].axis[0] - member.axis[0]).abs())
            .fold(f64::INFINITY, f64::min);
        let reach = (1.1 * member.shape.width_px() + 1.0).min(0.5 * nearest);
        if !self.flanks.begin(reach) {
            return 1.0;
        }
        let across = self.bands.across;
        for b in 0..self.bands.count {
            let y = self.bands.middle(b);
            if !member.reaches(y) {
                continue;
            }
            let x = member.x_at(y, frame) - f64::from(self.bands.left[b]);
            let from = (x - reach).ceil().max(0.0) as usize;
            let to = ((x + reach).floor().max(0.0) as usize + 1).min(across);
            let row = &self.residuals[b * across..(b + 1) * across];
            for (k, &residual) in row.iter().enumerate().take(to).skip(from) {
                self.flanks.take(k as f64 - x, residual);
            }
        }
        self.flanks.lopsided()
    }
}
