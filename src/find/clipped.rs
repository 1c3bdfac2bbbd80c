//! Where a fit of a line whose core is clipped begins: its flanks alone hold its place, and a fit that begins with a wrong
//! height does not find them.
//!
//! The middle between the two flanks of a row is a point of the axis, whatever is clipped between them. The mean of all flanks,
//! by their distance from that axis, has a height, a slit and a blur that explain it best; those are tried one by one.

use nalgebra::{Matrix3, Vector3};

use super::lines::{Draft, Scene};
use super::shape::Shape;

/// Rows whose core is clipped, at least, and as a share of all rows.
const LEAST_ROWS: usize = 20;
const LEAST_SHARE: f64 = 0.3;
/// Pixels beside each other that are clipped in such a row.
const LEAST_RUN: usize = 2;
/// Height of a flank at which its place is read, as a share of the clipping level.
const AT_SHARE: f32 = 0.6;
/// A hair within so many of its widths disturbs a flank.
const HAIR_WIDTHS: f64 = 2.0;
/// Rows farther from the axis than this many times the usual distance are left out.
const STRAY: f64 = 4.0;
/// Cells of the mean flank: per pixel, and their number.
const PER_PX: f64 = 2.0;
const CELLS: usize = 64;
/// Values of blur and slit that are tried.
const BLURS: usize = 24;
const SLITS: usize = 32;
/// Misfits within this factor, and this difference, count as alike.
const AS_WELL: f64 = 1.5;
/// A flank is known to this share of its level.
const DOUBT: f64 = 0.02;

/// The two flanks of one row.
struct Row {
    y: f64,
    middle: f64,
    width: f64,
}

impl Draft {
    /// Sets axis and shape from the flanks of a clipped line; leaves them as they are where the core is not clipped.
    pub(super) fn begin_at_flanks(&mut self, scene: &Scene<'_>) {
        let mut rows = self.clipped_rows(scene);
        let all = self.span().1 + 1 - self.span().0;
        let enough =
            |rows: &[Row]| rows.len() >= LEAST_ROWS && rows.len() as f64 > LEAST_SHARE * all as f64;
        let Some(mut axis) = enough(&rows).then(|| self.axis_through(&rows)).flatten() else {
            return;
        };
        for _ in 0..4 {
            let away = |row: &Row| (row.middle - at(axis, self.z(row.y))).abs();
            let mut sizes: Vec<f64> = rows.iter().map(away).collect();
            sizes.sort_by(f64::total_cmp);
            let usual = sizes[sizes.len() / 2].max(0.05);
            let before = rows.len();
            rows.retain(|row| away(row) < STRAY * usual);
            if !enough(&rows) {
                return;
            }
            let Some(better) = self.axis_through(&rows) else {
                return;
            };
            axis = better;
            if rows.len() == before {
                break;
            }
        }
        let width = rows.iter().map(|row| row.width).sum::<f64>() / rows.len() as f64;
        let Some(shape) = shape_of(&self.flank(scene, &rows, axis), width, scene) else {
            return;
        };
        self.thread.axis = axis;
        self.thread.shape = shape;
        self.clipped = true;
    }

    fn z(&self, y: f64) -> f64 {
        (y - self.thread.y_ref) / self.thread.scale
    }

    /// Rows with a clipped core near the axis, and where their flanks are.
    fn clipped_rows(&self, scene: &Scene<'_>) -> Vec<Row> {
        let reach = 2.0 * self.thread.shape.width_px() + 10.0;
        let grey = &scene.grey;
        let at = AT_SHARE * grey.clip;
        let (first, last) = self.span();
        (first..=last.min(grey.height - 1))
            .filter_map(|y| {
                let x = self.thread.x_at(y as f64);
                let from = (x - reach).max(0.0) as usize;
                let to = ((x + reach).max(0.0) as usize).min(grey.width - 1);
                if from + 4 > to {
                    return None;
                }
                let row = &grey.row(y)[from..=to];
                let clipped = |i: &usize| grey.level(row[*i]) >= grey.clip;
                // The run nearest to the axis.
                let inside = (0..row.len()).filter(clipped).min_by(|a, b| {
                    let away = |i: usize| ((from + i) as f64 - x).abs();
                    away(*a).total_cmp(&away(*b))
                })?;
                let left = (0..inside).rev().find(|i| !clipped(i))?;
                let right = (inside..row.len()).find(|i| !clipped(i))?;
                if right - left - 1 < LEAST_RUN {
                    return None;
                }
                // From either end outwards to where the level falls below the mark.
                let edge = |outside: usize, step: isize| {
                    let mut here = outside as isize;
                    let mut before = grey.clip;
                    loop {
                        let level = grey.level(*row.get(usize::try_from(here).ok()?)?);
                        if level < at {
                            let part = f64::from((before - at) / (before - level).max(1e-3));
                            return Some(here as f64 - step as f64 * (1.0 - part));
                        }
                        before = level;
                        here += step;
                    }
                };
                let (low, high) = (edge(left, -1)?, edge(right, 1)?);
                let place = |i: f64| from as f64 + i;
                let near_hair = scene.hairs.is_some_and(|cross| {
                    (0..2).any(|h| {
                        let reach = HAIR_WIDTHS * cross.hairs[h].width_px;
                        [low, (low + high) / 2.0, high]
                            .iter()
                            .any(|&i| cross.distance_px(h, place(i), y as f64).abs() < reach)
                    })
                });
                (!near_hair).then(|| Row {
                    y: y as f64,
                    middle: place((low + high) / 2.0),
                    width: high - low,
                })
            })
            .collect()
    }

    /// Axis through the middles, least squares.
    fn axis_through(&self, rows: &[Row]) -> Option<[f64; 3]> {
        let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
        for row in rows {
            let z = self.z(row.y);
            let powers = Vector3::new(1.0, z, z * z / 2.0);
            normal += powers * powers.transpose();
            right += powers * row.middle;
        }
        // Rows that span little tell no bow.
        normal[(2, 2)] += 1e-2;
        let axis = normal.cholesky()?.solve(&right);
        Some([axis[0], axis[1], axis[2]])
    }

    /// Sum of the levels that are not clipped and their number, by their distance from the axis.
    fn flank(&self, scene: &Scene<'_>, rows: &[Row], axis: [f64; 3]) -> [(f64, f64); CELLS] {
        let mut cells = [(0.0, 0.0); CELLS];
        let mut clipped = [0.0_f64; CELLS];
        let reach = CELLS as f64 / PER_PX;
        for row in rows {
            let x = at(axis, self.z(row.y));
            let from = (x - reach).ceil().max(0.0) as usize;
            let levels = scene.grey.row(row.y as usize).iter().enumerate().skip(from);
            for (i, &level) in levels.take_while(|(i, _)| (*i as f64) < x + reach) {
                let cell = ((i as f64 - x).abs() * PER_PX) as usize;
                let hidden = scene.hairs.is_some_and(|cross| {
                    (0..2).any(|h| {
                        cross.distance_px(h, i as f64, row.y).abs()
                            < HAIR_WIDTHS * cross.hairs[h].width_px
                    })
                });
                let level = scene.grey.level(level);
                if cell >= CELLS || hidden {
                    continue;
                }
                if level >= scene.grey.clip {
                    clipped[cell] += 1.0;
                } else {
                    cells[cell].0 += f64::from(level);
                    cells[cell].1 += 1.0;
                }
            }
        }
        // A cell with clipped pixels among its own is a bound, too.
        for (cell, clipped) in cells.iter_mut().zip(clipped) {
            if clipped > 0.02 * (cell.1 + clipped) {
                *cell = (0.0, 0.0);
            }
        }
        cells
    }
}

fn at(axis: [f64; 3], z: f64) -> f64 {
    axis[0] + z * (axis[1] + z / 2.0 * axis[2])
}

/// The shape whose flank is that of the cells, for a core that is clipped over about `width_px`.
fn shape_of(cells: &[(f64, f64); CELLS], width_px: f64, scene: &Scene<'_>) -> Option<Shape> {
    let clip = f64::from(scene.grey.clip);
    // Misfit, height and shape.
    let mut tried: Vec<(f64, f64, Shape)> = Vec::with_capacity(BLURS * SLITS);
    for b in 0..BLURS {
        let blur_px = 0.5 * 1.1_f64.powi(b as i32);
        for s in 0..SLITS {
            let slit_px = Shape::LEAST_SLIT_PX + (width_px + 1.0) * s as f64 / SLITS as f64;
            let shape = Shape { slit_px, blur_px };
            let drawn = shape.drawn();
            let (mut a, mut ab, mut bb, mut ra, mut rb, mut rr) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
            for (k, &(sum, count)) in cells.iter().enumerate() {
                if count < 1.0 {
                    continue;
                }
                let level = sum / count;
                let p = f64::from(drawn.at(((k as f64 + 0.5) / PER_PX) as f32).value);
                let variance = f64::from(scene.noise.variance(level as f32)) / count;
                let w = 1.0 / (variance + (DOUBT * level.max(1.0)).powi(2));
                a += w * p * p;
                ab += w * p;
                bb += w;
                ra += w * p * level;
                rb += w * level;
                rr += w * level * level;
            }
            let determinant = a * bb - ab * ab;
            if determinant <= 1e-12 * a * bb {
                continue;
            }
            let height = (bb * ra - ab * rb) / determinant;
            let ground = (a * rb - ab * ra) / determinant;
            let misfit = rr - height * ra - ground * rb;
            let possible = height + ground > 0.9 * clip && height < 1e3 * clip;
            if possible {
                tried.push((misfit, height, shape));
            }
        }
    }
    let least = tried.iter().map(|one| one.0).reduce(f64::min)?;
    // Of those that explain the flank as well the lowest: higher ones make much of its foot.
    tried
        .iter()
        .filter(|one| one.0 < AS_WELL * least + AS_WELL)
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|one| one.2)
}
