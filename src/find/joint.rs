//! Weighted least squares for lines that stand near each other, together: the fit that gives the final positions.
//!
//! Model of a pixel: level = T (Σ A_k(y) P_k(x - X_k(y)) + B(y) + (s0 + s1 z)(x - x_m)), as in [`axis`](super::axis) but with all
//! lines of a group at once, so that the light of a neighbour is part of the model and of the covariance. Rows are averaged
//! in small bands first: within a band an axis moves by a fraction of a pixel, which widens the profile a little (that is in
//! the model) and moves nothing. Where an upright hair lies on a line, bands are lower and its place and depth are fitted
//! too, within what is known of them. Amplitudes and background of every band are projected out.
//! Covariance as in [`axis`](super::axis): scaled by what the scores of the bands really scatter.

use std::ops::Range;

use nalgebra::{SMatrix, SVector};

use super::along::{Along, Information, TERMS, Taken, Terms};
use super::axis::{SETTLED, rows_together, scatter, smooth_amplitudes, without_mean};
use super::flanks::{Flanks, lasting_px};
use super::likeness::Likeness;
use super::lines::{CLIPPED_SHAPE_SHARE, Draft, Scene, Told};
use super::rowsum::{LANES, Weights, dot, dots};
use super::shadow::{Even, HAIR_TERMS, Lit, Shadow, Wanted};
use super::shape::{ProfileTable, Shape, dip};
use super::solver::Solver;
use super::thread::Expected;
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
/// Residual from which on the pixels of a band are looked at one by one, standard deviations of the usual residual.
const STRIKING: f64 = 5.0;
/// The same for the place of a line in a band, and bands that are needed to tell.
const STRAY_BAND: f64 = 3.5;
const LEAST_BANDS: usize = 24;
/// The mean square of the residuals of a band over that of the middlemost, from which on it is left out, and how near the end of a line it
/// lies then, px.
const STRANGE_BAND: f64 = 6.0;
const END_PX: f64 = 24.0;
/// A band at an end of a line that has less than this share of the light of those so many bands farther in, by so many standard
/// uncertainties, does not belong to it.
const DARKER: f64 = 0.9;
const DARKER_IN_U: f64 = 4.0;
const FARTHER_IN: Range<usize> = 2..5;
/// Of a line whose profile is known such pixels and bands are looked for once a step is less than the root of this times the one after
/// which the fit has settled.
const CLOSE: f64 = 16.0;
/// A step of so many standard uncertainties leaves little in the residuals beside what independent pixels do.
const UNTOLD: f64 = 2.0;
/// The same where an earlier frame told how far the profile is off, so that residuals tell only how much the bands scatter: the mean
/// square of so small a step is some per cent of theirs.
const UNTOLD_AGAIN: f64 = 4.0;
/// Product of the runs of a hair and a line within a band, at most, px²: what it does to their mean product is in the model to
/// first order.
const RUN_TOGETHER_PX2: f64 = 0.1;
/// A profile is known to this share of its height only: a slit image has wings that a blurred box has not, and where there is
/// next to no noise they would draw the fit (found on a lamp frame of 16 bits).
pub(super) const PROFILE_DOUBT: f32 = 0.001;
/// Where the pixels show that a profile is off by so many times what it was taken to be, the fit goes on with what they show.
const MORE_DOUBT: f32 = 1.5;
/// Where the fit ends and it turns out to be less than this share of what it was taken to be, the fit goes on with that, for so many
/// steps at most.
const LESS_DOUBT: f32 = 0.5;
const ROUNDS_AGAIN: usize = 4;
/// A hair is known to this share of its shade only.
const SHADE_DOUBT: f32 = 0.06;
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
/// Slit and blur are no wider, px.
const MOST_SLIT_PX: f64 = 90.0;
const MOST_BLUR_PX: f64 = 30.0;
/// A band on a hair whose light differs from the mean about it by so many standard uncertainties has a light of its own.
const OWN_LIGHT_IN_U: f64 = 4.0;
/// Farther from its middle than this many widths a line has no light to speak of.
const LIT_WIDTHS: f64 = 1.3;
/// The shadow of a hair that is fitted is known to this share only.
const SHADOW_DOUBT: f32 = 0.01;

/// How the lights of a band go with its other columns.
type Lean = [[f64; MOST_LINES + 1]; COLUMNS];
const NO_LEAN: Lean = [[0.0; MOST_LINES + 1]; COLUMNS];

type Matrix = SMatrix<f64, PARAMETERS, PARAMETERS>;
type Vector = SVector<f64, PARAMETERS>;

/// One line of the group.
#[derive(Clone, Debug, Default)]
struct Member {
    axis: [f64; 3],
    shape: Shape,
    /// Per band: smooth amplitude, raw amplitude, information of the raw one.
    amplitude: Vec<f64>,
    raw: Vec<f64>,
    information: Vec<f64>,
    /// First and last row.
    rows: (usize, usize),
    /// Its bands that are lit as those farther in are.
    lit: Range<usize>,
    profile: ProfileTable,
    /// The shape as it is drawn: widened by what the axis runs within a band.
    drawn: Shape,
}

/// The pixels about the group, band after band.
#[derive(Clone, Debug, Default)]
struct Bands {
    first_row: usize,
    last_row: usize,
    /// Rows averaged in a band.
    rows: usize,
    count: usize,
    /// Pixels of a band, filled up to whole lanes.
    across: usize,
    /// Column of the first pixel of every band.
    left: Vec<i32>,
    /// Mean level of the good pixels, their number, and mean transmission of the hairs.
    level: Vec<f32>,
    good: Vec<f32>,
    pass: Vec<f32>,
    /// Share of the light that one hair takes from a band.
    shade: Vec<f32>,
    /// The pixels of every band that a hair shades.
    shaded: Vec<Range<usize>>,
    /// The hair that is fitted, if any.
    hair: Option<usize>,
    /// That hair as it is known from elsewhere, and where it is in every band, px from the first pixel.
    thread: Expected,
    hair_x: Vec<f64>,
}

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
                let at = 3 * MOST_LINES + 4;
                self.hair_u_px = inverse[(at, at)].max(0.0).sqrt();
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

    /// The step that solves the normal equations with slit and blur within their limits.
    ///
    /// Where one of them would go too far it stops at its limit, and all others are solved anew with it there. Were it only cut off,
    /// they would make up for a change that does not come: of a slit that is narrow against the blur next to nothing is seen, so that
    /// it is asked for changes of many pixels, with a blur to match, and the fit never comes to rest.
    fn step_within(
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
    fn limits(&self) -> [(usize, (f64, f64)); 2] {
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
    fn is_narrow(&self) -> bool {
        let Shape { slit_px, blur_px } = self.members[0].shape;
        slit_px < blur_px
    }

    /// Whether a step of the slit is one of its square: a narrow one that the pixels want wider is soon seen better.
    fn steps_by_square(&self) -> bool {
        self.is_narrow() && self.slit_score > 0.0
    }

    /// How much one step changes the slit at most, px; the blur by half as much.
    fn most_change_px(&self) -> f64 {
        let widths = self.members[..self.lines].iter();
        0.25 * widths
            .map(|m| m.shape.width_px())
            .fold(f64::INFINITY, f64::min)
    }

    /// Whether after this step another would be next to nothing: it would go with the square of this one over the blur. `u_px` are the
    /// uncertainties of the lines' places.
    fn is_last(&self, step: &Vector, u_px: &[f64; MOST_LINES]) -> bool {
        let of_all = self.shape_step_px(step);
        (0..self.lines).all(|k| {
            let own = step[3 * k].abs() + step[3 * k + 1].abs() + step[3 * k + 2].abs() / 2.0;
            (own + of_all).powi(2) < self.next_to_nothing_px2(k, u_px)
        })
    }

    /// Whether this step is so small that what is off by more than noise is told from what it will take away.
    fn is_close(&self, step: &Vector, u_px: &[f64; MOST_LINES]) -> bool {
        let of_all = self.shape_step_px(step);
        (0..self.lines).all(|k| {
            let square = (self.move_px(step, k) + of_all).powi(2);
            square < CLOSE * self.next_to_nothing_px2(k, u_px)
        })
    }

    /// Whether this step is so small that what it will take away does not pass for a lopsided profile.
    fn is_told(&self, step: &Vector, u_px: &[f64; MOST_LINES]) -> bool {
        let most = if self.told { UNTOLD_AGAIN } else { UNTOLD };
        (0..self.lines).all(|k| self.move_px(step, k) < most * u_px[k])
    }

    /// Square of a step of line `k` after which the next is next to nothing, px².
    fn next_to_nothing_px2(&self, k: usize, u_px: &[f64; MOST_LINES]) -> f64 {
        SETTLED * self.members[k].shape.blur_px.max(Shape::LEAST_BLUR_PX) * u_px[k]
    }

    /// How far a step changes what all lines have in common, px.
    fn shape_step_px(&self, step: &Vector) -> f64 {
        // Of a slit that is narrow against the blur the profile shows as much less.
        let Shape { slit_px, blur_px } = self.members[0].shape;
        let slit = step[3 * MOST_LINES + 2] * (slit_px / blur_px).min(1.0);
        let shape = slit.hypot(step[3 * MOST_LINES + 3]);
        let hair = step[3 * MOST_LINES + 4].abs() + step[3 * MOST_LINES + 3 + HAIR_TERMS].abs();
        shape + hair
    }

    /// How far a step moves line `k`: root mean square along it, by Simpson's rule.
    fn move_px(&self, step: &Vector, k: usize) -> f64 {
        let (first, last) = self.members[k].rows;
        let (from, to) = (
            (first as f64 - self.frame.0) / self.frame.1,
            (last as f64 - self.frame.0) / self.frame.1,
        );
        let square = |z: f64| moved_px(step, k, z).powi(2);
        ((square(from) + 4.0 * square((from + to) / 2.0) + square(to)) / 6.0).sqrt()
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

    /// Averages the pixels about the group in bands. False if there are too few.
    fn cut(&mut self, scene: &Scene<'_>, frame: (f64, f64)) -> bool {
        let (width, height) = (scene.grey.width, scene.grey.height);
        let members = &self.members[..self.lines];
        let bands = &mut self.bands;
        bands.first_row = members.iter().map(|m| m.rows.0).min().unwrap_or(0);
        bands.last_row = members
            .iter()
            .map(|m| m.rows.1)
            .max()
            .unwrap_or(0)
            .min(height - 1);
        if bands.last_row < bands.first_row + 8 {
            return false;
        }
        let reach =
            |m: &Member| (1.15 * m.shape.width_px() + 1.6 * m.shape.blur_px + 4.0).min(110.0);
        let halves: [f64; MOST_LINES] = std::array::from_fn(|k| members.get(k).map_or(0.0, reach));
        let span_at = |y: f64| {
            members.iter().zip(&halves).fold(
                (f64::INFINITY, f64::NEG_INFINITY),
                |(low, high), (m, half)| {
                    let x = m.x_at(y, frame);
                    (low.min(x - half), high.max(x + half))
                },
            )
        };
        // An upright hair whose shadow falls on the light of the lines along much of their height is fitted with them; one beside
        // them shades the background only, and is taken as it is known.
        let lit_at = |y: f64, margin: f64, x: f64| {
            members
                .iter()
                .any(|m| (m.x_at(y, frame) - x).abs() < LIT_WIDTHS * m.shape.width_px() + margin)
        };
        bands.hair = scene.hairs.and_then(|cross| {
            (0..2).find(|&h| {
                cross.hairs[h].angle_deg.abs() < 45.0
                    && (0..5)
                        .filter(|&i| {
                            let rows = (bands.last_row - bands.first_row) as f64;
                            let y = bands.first_row as f64 + rows * f64::from(i) / 4.0;
                            let margin = 0.8 * cross.hairs[h].width_px + 1.0;
                            cross.x_at(h, y).is_some_and(|x| lit_at(y, margin, x))
                        })
                        .count()
                        >= 2
            })
        });
        let steep = members.iter().fold(0.0_f64, |steep, m| {
            let ends = [bands.first_row, bands.last_row].map(|y| m.slope_at(y as f64, frame).abs());
            steep.max(ends[0]).max(ends[1])
        });
        let narrow = members
            .iter()
            .map(|m| m.shape.width_px())
            .fold(f64::INFINITY, f64::min);
        bands.rows = rows_together(height, narrow, steep);
        if let (Some(h), Some(cross)) = (bands.hair, scene.hairs) {
            let (dx, dy) = cross.hairs[h].direction();
            bands.thread.expect(&cross.hairs[h]);
            let lean = (dx / dy).abs().max(1e-4);
            // The hair's run within a band stays a small share of its width, and what hair and line run together small against
            // the widths of both.
            let by_width = 0.15 * cross.hairs[h].width_px / lean;
            let together = (RUN_TOGETHER_PX2 / (lean * steep.max(1e-4))).sqrt();
            let most = by_width.min(together) as usize;
            bands.rows = bands.rows.min(most.max(1));
        }
        bands.count = (bands.last_row + 1 - bands.first_row) / bands.rows;
        bands.last_row = bands.first_row + bands.count * bands.rows - 1;
        bands.left.clear();
        let mut across = 0.0_f64;
        for b in 0..bands.count {
            let (low, high) = span_at(bands.middle(b));
            bands.left.push(low.floor().clamp(-1e6, 1e6) as i32);
            across = across.max(high - low.floor());
        }
        bands.across = ((across.ceil() as usize) + 1).next_multiple_of(LANES);
        if bands.across > width + 256 {
            return false;
        }
        let pixels = bands.count * bands.across;
        for values in [&mut bands.level, &mut bands.good] {
            values.clear();
            values.resize(pixels, 0.0);
        }
        bands.pass.clear();
        bands.pass.resize(pixels, 1.0);
        bands.shaded.clear();
        bands.hair_x.clear();
        for b in 0..bands.count {
            let crossing = bands.hair.zip(scene.hairs);
            let at = crossing.and_then(|(h, cross)| cross.x_at(h, bands.middle(b)));
            bands
                .hair_x
                .push(at.map_or(f64::INFINITY, |x| x - f64::from(bands.left[b])));
            let shaded = bands.average(b, scene);
            bands.shaded.push(shaded);
        }
        true
    }

    fn prepare_profiles(&mut self, frame: (f64, f64)) {
        let rows = self.bands.rows as f64;
        let middle = (self.bands.first_row + self.bands.last_row) as f64 / 2.0;
        for member in &mut self.members[..self.lines] {
            // Within a band the axis runs over slope x rows: a box, as wide as this.
            let run = member.slope_at(middle, frame) * rows;
            let blur = member.shape.blur_px.max(Shape::LEAST_BLUR_PX);
            let widened = Shape {
                slit_px: member.shape.slit_px,
                blur_px: (blur * blur + run * run * (1.0 - 1.0 / (rows * rows)) / 12.0).sqrt(),
            };
            member.profile.prepare(&widened, self.bands.across);
            member.drawn = widened;
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

/// By how much a step moves the axis of line `k` at the height `z`, px.
fn moved_px(step: &Vector, k: usize, z: f64) -> f64 {
    let powers = [1.0, z, z * z / 2.0];
    (0..3)
        .map(|power| step[3 * k + power] * powers[power])
        .sum()
}

fn take_off(from: &mut [f32], taken: &[f32]) {
    for (value, taken) in from.iter_mut().zip(taken) {
        *value -= taken;
    }
}

impl Member {
    fn x_at(&self, y: f64, (y_ref, scale): (f64, f64)) -> f64 {
        let z = (y - y_ref) / scale;
        self.axis[0] + z * (self.axis[1] + z / 2.0 * self.axis[2])
    }

    /// dx/dy.
    fn slope_at(&self, y: f64, (y_ref, scale): (f64, f64)) -> f64 {
        (self.axis[1] + (y - y_ref) / scale * self.axis[2]) / scale
    }

    /// Drops the rows at which the rim of the field cuts the line: it runs obliquely across its ends, and what it leaves of them
    /// lies beside the axis. A line that would lose most of its rows stays as it is.
    fn keep_off_rim(&mut self, scene: &Scene<'_>, frame: (f64, f64)) {
        let half = 0.5 * self.shape.slit_px + 3.0 * self.shape.blur_px;
        let is_clear = |y: &usize| {
            let x = self.x_at(*y as f64, frame);
            scene.grey.is_clear(*y, (x - half, x + half))
        };
        let (first, last) = self.rows;
        let ends = (
            (first..=last).find(is_clear),
            (first..=last).rev().find(is_clear),
        );
        if let (Some(from), Some(to)) = ends
            && 2 * (to - from) > last - first
        {
            self.rows = (from, to);
        }
    }

    /// How many bands at an end, at most so many, have less light than those farther in; the bands are given from the end inwards.
    fn dark_end(&self, inward: &mut dyn Iterator<Item = usize>, most: usize) -> usize {
        let bands: Vec<usize> = inward.take(most + FARTHER_IN.end).collect();
        let mut dark = 0;
        for (at, &band) in bands.iter().enumerate().take(most) {
            let (mut light, mut weight) = (0.0, 0.0);
            for &other in bands
                .iter()
                .skip(at + FARTHER_IN.start)
                .take(FARTHER_IN.len())
            {
                light += self.information[other] * self.raw[other];
                weight += self.information[other];
            }
            let own = self.information[band];
            if own <= 0.0 || weight <= 0.0 {
                continue;
            }
            let short = DARKER * light / weight - self.raw[band];
            let variance = own.recip() + DARKER * DARKER / weight;
            if short > 0.0 && short * short > DARKER_IN_U * DARKER_IN_U * variance {
                dark = at + 1;
            }
        }
        dark
    }

    /// Whether it has light in a band, whose middle is at this height.
    fn shines_in(&self, band: usize, y: f64) -> bool {
        self.reaches(y) && self.lit.contains(&band)
    }

    fn reaches(&self, y: f64) -> bool {
        y >= self.rows.0 as f64 - 0.5 && y <= self.rows.1 as f64 + 0.5
    }
}

impl Bands {
    /// Height of the middle of a band, px.
    fn middle(&self, band: usize) -> f64 {
        (self.first_row + band * self.rows) as f64 + (self.rows as f64 - 1.0) / 2.0
    }

    /// Averages one band; gives the pixels that a hair shades.
    fn average(&mut self, band: usize, scene: &Scene<'_>) -> Range<usize> {
        let left = self.left[band];
        let span = band * self.across..(band + 1) * self.across;
        let level = &mut self.level[span.clone()];
        let good = &mut self.good[span.clone()];
        let first = self.first_row + band * self.rows;
        for y in first..first + self.rows {
            scene.grey.add_row(y, left, level, good);
        }
        for (sum, &count) in level.iter_mut().zip(&*good) {
            *sum /= count.max(1.0);
        }
        self.shade(band, first, left, scene)
    }

    /// Mean transmission of the hairs over one band; gives the pixels that they shade.
    fn shade(&mut self, band: usize, first: usize, left: i32, scene: &Scene<'_>) -> Range<usize> {
        let mut shaded = (self.across, 0);
        let Some(cross) = scene.hairs else {
            return 0..0;
        };
        let span = band * self.across..(band + 1) * self.across;
        let leans = cross.leans();
        for (h, lean) in leans.into_iter().enumerate() {
            let hair = &cross.hairs[h];
            let by_x = -hair.direction().1;
            let reach = 1.6 * hair.width_px + 1.0;
            let (width, depth) = (hair.width_px.max(0.1) as f32, hair.depth as f32);
            let share = 1.0 / self.rows as f32;
            let mut here = false;
            for y in first..first + self.rows {
                let at = lean.at_start_px(f64::from(left), self.across, y as f64);
                let end = at + by_x * self.across as f64;
                if at.min(end) > reach || at.max(end) < -reach {
                    continue;
                }
                if !here {
                    here = true;
                    self.shade.clear();
                    self.shade.resize(self.across, 0.0);
                }
                // Only where it can reach.
                let ends = [(reach - at) / by_x, (-reach - at) / by_x];
                let (from, to) = if by_x.abs() > 1e-3 {
                    let from = ends[0].min(ends[1]).floor().max(0.0) as usize;
                    (from, (ends[0].max(ends[1]).max(-1.0) + 2.0) as usize)
                } else {
                    (0, self.across)
                };
                for i in from..to.min(self.across) {
                    let away = at + by_x * i as f64;
                    if away.abs() >= reach {
                        continue;
                    }
                    shaded = (shaded.0.min(i), shaded.1.max(i + 1));
                    if self.hair != Some(h) {
                        self.shade[i] += share * depth * dip(away as f32 / width);
                    }
                }
            }
            // The shadow of the hair that is fitted is reckoned anew in every step.
            if here && self.hair != Some(h) {
                for (pass, shade) in self.pass[span.clone()].iter_mut().zip(&self.shade) {
                    *pass *= 1.0 - shade;
                }
            }
        }
        shaded.0.min(shaded.1)..shaded.1
    }
}

impl Joint {
    /// Columns of a band for what is fitted, without the residual: amplitudes and background first.
    fn column_count(&self) -> usize {
        let shape = if self.shape_known { 0 } else { 2 };
        let hair = if self.bands.hair.is_some() {
            HAIR_TERMS
        } else {
            0
        };
        2 * self.lines + 2 + shape + hair
    }

    /// Amplitudes and background of every band, with axes and shapes as they stand.
    fn first_light(&mut self, frame: (f64, f64)) {
        let count = self.bands.count;
        for member in &mut self.members[..self.lines] {
            for values in [
                &mut member.amplitude,
                &mut member.raw,
                &mut member.information,
            ] {
                values.clear();
                values.resize(count, 0.0);
            }
            member.lit = 0..count;
        }
        self.background.clear();
        self.background.resize(count, 0.0);
        self.prepare_shadow();
        let mut products = self.take_products();
        for b in 0..count {
            if !self.draw(b, frame, true) {
                continue;
            }
            // Only the columns of the lights: what comes behind them is not looked at.
            let residual = self.column_count();
            self.sums(b, self.lines + 1, residual, &mut products);
            let _ = self.project(b, &products, self.lines + 1);
        }
        self.products = products;
        self.smooth_lights();
    }

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
                    member.dark_end(&mut all.clone(), most),
                    member.dark_end(&mut all.clone().rev(), most),
                );
                member.lit = all.start + ends.0..all.end - ends.1;
                left_out |= member.lit != all;
            }
        }
        if left_out {
            self.smooth_lights();
        }
    }

    /// Smooths the raw amplitudes of all lines along them.
    fn smooth_lights(&mut self) {
        for member in &mut self.members[..self.lines] {
            member.amplitude.copy_from_slice(&member.raw);
            let lit = member.lit.clone();
            smooth_amplitudes(
                &member.raw[lit.clone()],
                &member.information[lit.clone()],
                &mut member.amplitude[lit.clone()],
                &mut self.smooth,
            );
            if self.bands.hair.is_none() {
                continue;
            }
            // Where a line begins or ends its light is not that of its neighbours. Elsewhere such bands are left out of the fit; on a hair
            // too much of what says where it is would go with them.
            for band in lit {
                let (raw, information) = (member.raw[band], member.information[band]);
                let smooth = &mut member.amplitude[band];
                if (raw - *smooth).powi(2) * information > OWN_LIGHT_IN_U.powi(2) {
                    *smooth = raw;
                }
            }
        }
    }

    /// The hair as it stands, and the lines behind it.
    fn prepare_shadow(&mut self) {
        if self.bands.hair.is_none() {
            return;
        }
        self.shadow.of(&self.bands.thread.with(&self.hair));
        let blur_px2 = self.hair[4];
        self.behind_hair.clear();
        let members = self.members[..self.lines].iter();
        self.behind_hair
            .extend(members.map(|member| Lit::new(&member.drawn, blur_px2)));
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
            let clear = self.bands.shaded.get(*b).is_some_and(Range::is_empty);
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

    /// Model, weights, residuals and columns of one band. False if no line's profile reaches it.
    ///
    /// `first`: no light is known yet; the weights come from the levels themselves.
    fn draw(&mut self, band: usize, frame: (f64, f64), first: bool) -> bool {
        let columns = self.column_count();
        let bands = &self.bands;
        let across = bands.across;
        let y = bands.middle(band);
        let z = (y - frame.0) / frame.1;
        let left = f64::from(bands.left[band]);
        let k = self.lines;
        self.columns.resize((columns + 1) * across, 0.0);
        self.weight.resize(across, 0.0);
        let mut middle = 0.0;
        let mut seen = false;
        let (lights, rest) = self.columns.split_at_mut(k * across);
        let (background, rest) = rest.split_at_mut(across);
        let (places, rest) = rest.split_at_mut(k * across);
        let (slope, rest) = rest.split_at_mut(across);
        let (shape, rest) = rest.split_at_mut(if self.shape_known { 0 } else { 2 * across });
        let (hair, residual) = rest.split_at_mut(if bands.hair.is_some() {
            HAIR_TERMS * across
        } else {
            0
        });
        shape.fill(0.0);
        residual.fill(0.0);
        for (i, member) in self.members[..k].iter().enumerate() {
            let x = member.x_at(y, frame) - left;
            middle += x / k as f64;
            let light = &mut lights[i * across..(i + 1) * across];
            let place = &mut places[i * across..(i + 1) * across];
            let profile = if member.shines_in(band, y) {
                member.profile.at(x as f32, across)
            } else {
                None
            };
            let Some(profile) = profile else {
                light.fill(0.0);
                place.fill(0.0);
                continue;
            };
            seen = true;
            let amplitude = member.amplitude[band] as f32;
            profile.each(0, light, |light, p| *light = p);
            for (sum, light) in residual.iter_mut().zip(&*light) {
                *sum += amplitude * light;
            }
            if first {
                place.fill(0.0);
                continue;
            }
            profile.each(1, place, |place, by| *place = -amplitude * by);
            for (term, out) in shape.chunks_exact_mut(across).enumerate() {
                profile.each(2 + term, out, |out, by| *out += amplitude * by);
            }
        }
        if !seen {
            return false;
        }
        let level_background = self.background[band] as f32;
        let fall = (self.slope[0] + self.slope[1] * z) as f32;
        let alike = self.alike.0 as f32;
        for (i, ((column, even), light)) in slope
            .iter_mut()
            .zip(background.iter_mut())
            .zip(residual.iter_mut())
            .enumerate()
        {
            let away = i as f32 - middle as f32;
            *even = 1.0 + fall * away;
            *column = (alike * *light + level_background) * away;
            *light += level_background + fall * *column;
        }
        // `residual` holds the light of the model now.
        let pixels = band * across..(band + 1) * across;
        let level = &bands.level[pixels.clone()];
        let good = &bands.good[pixels.clone()];
        let bright: f64 = self.members[..k].iter().map(|m| m.amplitude[band]).sum();
        let doubt = (self.profile_doubt * bright as f32).powi(2);
        let shaded = bands.shaded[band].clone();
        for clear in [0..shaded.start, shaded.end..across] {
            let weight = &mut self.weight[clear.clone()];
            let light = &mut residual[clear.clone()];
            let (level, good) = (&level[clear.clone()], &good[clear]);
            // Looking up and reckoning are loops of their own, so that the second is done on many pixels at once.
            for (w, &level) in weight.iter_mut().zip(if first { level } else { &*light }) {
                *w = self.weights.at(level);
            }
            for (((w, light), &level), &good) in weight.iter_mut().zip(light).zip(level).zip(good) {
                *w *= good;
                *w /= 1.0 + *w * doubt;
                *light = level - *light;
            }
        }
        hair.fill(0.0);
        let cast = bands.hair.is_some() && !shaded.is_empty();
        if cast {
            self.lit.clear();
            let rows = bands.rows as f64;
            let run = bands.thread.slope() * (rows * rows - 1.0) / 12.0;
            let lit = self.members[..k].iter().zip(&self.behind_hair);
            self.lit.extend(lit.map(|(member, lit)| {
                member.shines_in(band, y).then(|| Lit {
                    x: (member.x_at(y, frame) - left) as f32,
                    amplitude: member.amplitude[band] as f32,
                    together: (run * member.slope_at(y, frame)) as f32,
                    ..*lit
                })
            }));
            let even = Even {
                background: level_background,
                fall,
                alike,
                middle: middle as f32,
            };
            let x = bands.hair_x[band] + self.hair[0] + z * self.hair_turn_px;
            let wanted = match (first, self.shape_known) {
                (true, _) => Wanted::Lights,
                (false, true) => Wanted::ShapeKnown,
                (false, false) => Wanted::All,
            };
            self.shadow
                .cast(x, (shaded.start, shaded.end), &self.lit, &even, wanted);
        }
        // The same where a hair shades: each column by itself, so that it is done on many pixels at once.
        let pass = &bands.pass[pixels.clone()][shaded.clone()];
        self.stopped.clear();
        if cast {
            let shadow = &self.shadow;
            self.stopped.extend_from_slice(shadow.light());
            for (j, (light, place)) in lights
                .chunks_exact_mut(across)
                .zip(places.chunks_exact_mut(across))
                .enumerate()
            {
                let [taken, by_place] = shadow.line(j);
                take_off(&mut light[shaded.clone()], taken);
                if !first {
                    take_off(&mut place[shaded.clone()], by_place);
                }
            }
            let [even, by_fall] = shadow.background();
            take_off(&mut background[shaded.clone()], even);
            if !first {
                take_off(&mut slope[shaded.clone()], by_fall);
                for (term, out) in shape.chunks_exact_mut(across).enumerate() {
                    take_off(&mut out[shaded.clone()], shadow.shape(term));
                }
                for (term, out) in hair.chunks_exact_mut(across).enumerate() {
                    take_off(&mut out[shaded.clone()], shadow.by_hair(term));
                }
            }
        } else {
            self.stopped.resize(shaded.len(), 0.0);
        }
        for column in lights
            .chunks_exact_mut(across)
            .chain(places.chunks_exact_mut(across))
            .chain(shape.chunks_exact_mut(across))
            .chain(hair.chunks_exact_mut(across))
            .chain([&mut *background, &mut *slope])
        {
            for (out, pass) in column[shaded.clone()].iter_mut().zip(pass) {
                *out *= pass;
            }
        }
        let weight = &mut self.weight[shaded.clone()];
        let light = &mut residual[shaded.clone()];
        let (level, good) = (&level[shaded.clone()], &good[shaded.clone()]);
        let background = &background[shaded];
        for (((w, &level), (light, pass)), stopped) in weight
            .iter_mut()
            .zip(level)
            .zip(light.iter().zip(pass))
            .zip(&self.stopped)
        {
            let model = pass * (light - stopped);
            *w = self.weights.at(if first { level } else { model });
        }
        for (((w, light), (&level, &good)), (&pass, &stopped)) in weight
            .iter_mut()
            .zip(light)
            .zip(level.iter().zip(good))
            .zip(pass.iter().zip(&self.stopped))
        {
            let model = pass * (*light - stopped);
            let doubted = if first { level } else { *light };
            let shade = SHADE_DOUBT * (1.0 - pass) * doubted + SHADOW_DOUBT * stopped;
            *w *= good;
            *w /= 1.0 + *w * (shade * shade + doubt);
            *light = level - model;
        }
        if first {
            for (w, &background) in weight.iter_mut().zip(background) {
                if background < 0.3 {
                    *w = 0.0;
                }
            }
        }
        if !first {
            let residuals = &mut self.residuals[pixels.clone()];
            let roots = &mut self.roots[pixels];
            for (((out, root), &r), &w) in residuals
                .iter_mut()
                .zip(roots)
                .zip(&*residual)
                .zip(&self.weight)
            {
                *root = w.sqrt();
                let residual = r * *root;
                *out = if w > 0.0 { residual } else { f32::NAN };
            }
        }
        true
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

    /// Weighted sums of products of the first columns with each other and, behind them, with the residual, which is the
    /// column `residual`: upper triangle.
    fn sums(&mut self, band: usize, columns: usize, residual: usize, sums: &mut [[f32; COLUMNS]]) {
        let across = self.bands.across;
        self.weighted.resize(across, 0.0);
        // What is fitted to a hair has no light outside its shadow.
        let of_hair = if self.bands.hair.is_some() && columns == residual {
            columns - HAIR_TERMS
        } else {
            columns
        };
        let shaded = &self.bands.shaded[band];
        let lit = if shaded.is_empty() {
            0..0
        } else {
            shaded.start / LANES * LANES..shaded.end.next_multiple_of(LANES).min(across)
        };
        for (a, row) in sums.iter_mut().enumerate().take(columns) {
            let whole = if a < of_hair { 0..across } else { lit.clone() };
            let column = |n: usize, pixels: &Range<usize>| {
                &self.columns[n * across + pixels.start..n * across + pixels.end]
            };
            let weighted = &mut self.weighted[whole.clone()];
            let weight = &self.weight[whole.clone()];
            for ((out, w), v) in weighted.iter_mut().zip(weight).zip(column(a, &whole)) {
                *out = w * v;
            }
            dots(
                &self.weighted[whole.clone()],
                |b| column(a + b, &whole),
                &mut row[a..of_hair.max(a)],
            );
            let from = a.max(of_hair);
            dots(
                &self.weighted[lit.clone()],
                |b| column(from + b, &lit),
                &mut row[from..columns],
            );
            row[columns] = dot(&self.weighted[whole.clone()], column(residual, &whole));
        }
    }

    /// The buffer of [`Self::sums`], to be given back.
    fn take_products(&mut self) -> Vec<[f32; COLUMNS]> {
        let mut products = std::mem::take(&mut self.products);
        products.resize(COLUMNS, [0.0; COLUMNS]);
        products
    }

    /// Projects amplitudes and background of a band out: renews them, and gives the score of the other columns.
    /// `None` if the band cannot tell them apart.
    fn project(
        &mut self,
        band: usize,
        sums: &[[f32; COLUMNS]],
        columns: usize,
    ) -> Option<[f64; COLUMNS]> {
        match self.lines {
            1 => self.project_of::<2>(band, sums, columns),
            2 => self.project_of::<3>(band, sums, columns),
            3 => self.project_of::<4>(band, sums, columns),
            _ => self.project_of::<{ MOST_LINES + 1 }>(band, sums, columns),
        }
    }

    /// The same for `LIGHTS` - 1 lines.
    fn project_of<const LIGHTS: usize>(
        &mut self,
        band: usize,
        sums: &[[f32; COLUMNS]],
        columns: usize,
    ) -> Option<[f64; COLUMNS]> {
        let mut matrix = SMatrix::<f64, LIGHTS, LIGHTS>::identity();
        let mut right = SVector::<f64, LIGHTS>::zeros();
        let mut seen = [true; LIGHTS];
        for a in 0..LIGHTS {
            seen[a] = sums[a][a] > 0.0;
            right[a] = f64::from(sums[a][columns]);
            for b in a..LIGHTS {
                let value = f64::from(sums[a][b]);
                matrix[(a, b)] = value;
                matrix[(b, a)] = value;
            }
            if !seen[a] {
                matrix[(a, a)] = 1.0;
            }
        }
        let whole: SVector<f64, LIGHTS> = matrix.diagonal();
        let solver = matrix.cholesky()?;
        let factor = solver.l_dirty();
        let told = (0..LIGHTS).all(|a| factor[(a, a)].powi(2) > 1e-5 * whole[a]);
        if !seen[self.lines] || !told {
            for member in &mut self.members[..self.lines] {
                member.information[band] = 0.0;
            }
            return None;
        }
        let inverse = solver.inverse();
        let found = inverse * right;
        for (a, member) in self.members[..self.lines].iter_mut().enumerate() {
            member.raw[band] = member.amplitude[band] + found[a];
            member.information[band] = if seen[a] {
                inverse[(a, a)].recip()
            } else {
                0.0
            };
        }
        self.background[band] += found[self.lines];
        let mut score = [0.0; COLUMNS];
        for c in LIGHTS..columns {
            let mut column = SVector::<f64, LIGHTS>::zeros();
            for l in 0..LIGHTS {
                column[l] = f64::from(sums[l][c]);
            }
            let lean = inverse * column;
            score[c] = f64::from(sums[c][columns]) - lean.dot(&right);
            if let Some(slot) = self.lean.get_mut(band) {
                slot[c][..LIGHTS].copy_from_slice(lean.as_slice());
            }
        }
        Some(score)
    }

    /// Moves the parameters, and carries the light of every band along.
    fn take_step(&mut self, mut step: Vector, frame: (f64, f64)) {
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

    /// Leaves out pixels that no noise explains (dust, hot pixels); true if there were any.
    fn strike_out(&mut self, scene: &Scene<'_>) -> bool {
        let (mut sum, mut count) = (0.0_f32, 0.0_f32);
        for r in self.residuals.iter().filter(|r| r.is_finite()) {
            sum += r.abs();
            count += 1.0;
        }
        if count < 20.0 {
            return false;
        }
        // Mean size of a normal deviate: sqrt(2/pi).
        let usual = (sum / count / 0.797_885).max(1.0);
        let limit = STRIKING as f32 * usual;
        for band in 0..self.bands.count {
            for i in 0..self.bands.across {
                let at = band * self.bands.across + i;
                let here = self.residuals[at];
                let strikes = here.abs() > limit && self.stands_out(band, i, here) > limit;
                if strikes {
                    self.struck.push((band, i));
                }
            }
        }
        for &(band, i) in &self.struck {
            self.bands.without_outliers(band, i, usual, scene);
            if self.known {
                // What they left tells nothing of the profile.
                self.residuals[band * self.bands.across + i] = f32::NAN;
            }
        }
        !self.struck.is_empty()
    }

    /// Leaves out bands in which a line will stand beside its axis, after a step, farther than the scatter of the others explains: a speck
    /// on one flank, too soft to stand out by itself. True if there were any.
    fn strike_out_bands(&mut self, step: &Vector) -> bool {
        let mut changed = false;
        for i in 0..self.lines {
            let place = self.lines + 1 + i;
            let away = |of: &Score| {
                let root = of.information[i].max(1e-12).sqrt();
                (of.score[place] / root - moved_px(step, i, of.z) * root).abs()
            };
            let pulls = &mut self.pulls;
            pulls.clear();
            pulls.extend(
                self.scores
                    .iter()
                    .filter(|of| of.information[i] > 0.0)
                    .map(away),
            );
            if pulls.len() < LEAST_BANDS {
                continue;
            }
            let middle = pulls.len() / 2;
            let median = *pulls.select_nth_unstable_by(middle, f64::total_cmp).1;
            // Median of the sizes of normal deviates.
            let limit = STRAY_BAND * (median / 0.6745).max(1.0);
            for of in &self.scores {
                if of.information[i] > 0.0 && away(of) > limit {
                    let across = self.bands.across;
                    let pixels = of.band * across..(of.band + 1) * across;
                    self.bands.good[pixels.clone()].fill(0.0);
                    if self.known {
                        self.residuals[pixels].fill(f32::NAN);
                    }
                    changed = true;
                }
            }
        }
        changed
    }

    /// How far a residual is from those at the same distance from the lines two bands above and below: what is off along
    /// the whole line is the profile, not dust.
    fn stands_out(&self, band: usize, i: usize, here: f32) -> f32 {
        let usual = [band.checked_sub(2), Some(band + 2)]
            .into_iter()
            .flatten()
            .filter_map(|b| self.residuals.get(b * self.bands.across + i))
            .filter(|r| r.is_finite())
            .fold((0.0, 0.0), |(sum, count), r| (sum + r, count + 1.0));
        if usual.1 > 0.0 {
            (here - usual.0 / usual.1).abs()
        } else {
            here.abs()
        }
    }

    /// Leaves out bands at the ends of lines in which the pixels are off the model by far more than in others, wherever they put the line:
    /// the rim of the field cuts it obliquely there. True if there were any.
    fn strike_out_ends(&mut self) -> bool {
        if self.bands.hair.is_some() {
            // Where a hair ends, or the line on it, is not told yet.
            return false;
        }
        let across = self.bands.across;
        let misfits = &mut self.misfits;
        misfits.clear();
        misfits.extend(self.scores.iter().map(|of| {
            let pixels = of.band * across..(of.band + 1) * across;
            (of.band, mean_square(&self.residuals[pixels]))
        }));
        if misfits.len() < LEAST_BANDS {
            return false;
        }
        let middle = misfits.len() / 2;
        let median = misfits
            .select_nth_unstable_by(middle, |a, b| a.1.total_cmp(&b.1))
            .1
            .1;
        let limit = STRANGE_BAND * median.max(1.0);
        let mut changed = false;
        for &(band, misfit) in &self.misfits {
            if misfit > limit && self.is_at_end(band) {
                let pixels = band * across..(band + 1) * across;
                self.bands.good[pixels.clone()].fill(0.0);
                self.residuals[pixels].fill(f32::NAN);
                changed = true;
            }
        }
        changed
    }

    /// Whether a line begins or ends near this band.
    fn is_at_end(&self, band: usize) -> bool {
        let y = self.bands.middle(band);
        self.members[..self.lines].iter().any(|member| {
            let (first, last) = member.rows;
            (y - first as f64).abs().min((y - last as f64).abs()) < END_PX
        })
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

impl Bands {
    /// Averages one pixel of a band anew without what stands out of its column; where the whole column does, it is left out.
    fn without_outliers(&mut self, band: usize, i: usize, usual: f32, scene: &Scene<'_>) {
        let at = band * self.across + i;
        let Ok(x) = usize::try_from(self.left[band] + i as i32) else {
            return;
        };
        let first = self.first_row + band * self.rows;
        let mut values: Vec<f32> = (first..first + self.rows)
            .filter_map(|y| scene.grey.row(y).get(x).map(|&v| scene.grey.level(v)))
            .filter(|&v| v < scene.grey.clip)
            .collect();
        let all = values.len();
        if all >= 3 {
            values.sort_by(f32::total_cmp);
            let median = values[all / 2];
            let limit = STRIKING as f32 * usual * scene.noise.variance(median).sqrt();
            values.retain(|v| (v - median).abs() <= limit);
        }
        if values.len() == all {
            values.clear();
        }
        let count = values.len() as f32;
        self.good[at] = count;
        self.level[at] = values.iter().sum::<f32>() / count.max(1.0);
    }
}
