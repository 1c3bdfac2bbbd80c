//! What stands still in the picture and moves lines: specks on the glass, uneven pixels.
//!
//! About its turning point a line stands on the same pixels in every pass, and what is the same in all frames no average lessens. But a
//! speck covers few rows of a line. The rows of all frames in which a line stood at a place, laid over each other, tell by how much
//! they put it beside its axis to far less than the noise of one frame: rows that stray are left out, which moves the axis to where the
//! others put it, and what the others scatter beyond their noise says how well that is known. Weighted least squares with a
//! parabola along the line, rows rejected by the median of their pulls (common practice, no source); the scatter of neighbouring rows
//! together ([`variance_of_sum`]).

use nalgebra::{Matrix3, Vector3};

use super::steadiness::median;
use crate::basics::scatter::variance_of_sum;
use crate::find::Picture;

/// Size of a cell across the lines and along them, px.
const ACROSS_PX: f64 = 1.0;
const ALONG_PX: f64 = 8.0;
/// Places no farther than this from one are looked at with it, px.
const NEAR_PX: f64 = 1.0;
/// Rows that stray by more than so many times what the middlemost do are left out, and no more than this share of all.
const STRAY: f64 = 3.5;
const MOST_LEFT_OUT: f64 = 0.3;
const FEWEST_CELLS: usize = 12;
const ROUNDS: usize = 8;
/// Unit of heights in the fit, px.
const HEIGHT_PX: f64 = 100.0;
/// Neighbours whose scatter is taken together.
const LAGS: usize = 3;
/// Cells beyond are not kept: no picture is so large.
const MOST_PLACES: usize = 8192;

/// What the rows of lines say of one cell of the picture: sums of their weights, 1/px², and of what they say, 1/px.
#[derive(Clone, Copy, Debug, Default)]
struct Cell {
    weight: f32,
    sum: f32,
}

impl Cell {
    fn add(&mut self, other: Self) {
        self.weight += other.weight;
        self.sum += other.sum;
    }
}

/// The cells of some rows of a line, one after the other: their height, and what they say.
#[derive(Clone, Copy, Debug)]
struct Rows {
    /// In [`HEIGHT_PX`] from where the line is told.
    t: f64,
    weight: f64,
    away_px: f64,
}

/// Rows of lines that stood at the same place, in all frames.
#[derive(Clone, Debug, Default)]
pub(super) struct Glass {
    /// Along the line at every place.
    places: Vec<Vec<Cell>>,
    /// Sum of the heights at which lines were told, px, and their number.
    heights_px: (f64, f64),
}

/// What stands still does to a line at a place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Shift {
    /// To be added to the position of the line, px.
    pub(super) px: f64,
    /// Standard uncertainty that is left, px.
    pub(super) u_px: f64,
}

impl Glass {
    /// Takes the rows of all lines of one frame.
    pub(super) fn take(&mut self, picture: &Picture) {
        for line in &picture.lines {
            self.heights_px.0 += line.y_ref_px;
            self.heights_px.1 += 1.0;
        }
        for row in &picture.rows {
            let Some(line) = picture.lines.get(row.line) else {
                continue;
            };
            let (place, height) = (line.x_px / ACROSS_PX, f64::from(row.y_px) / ALONG_PX);
            if !(0.0..MOST_PLACES as f64).contains(&place) || height.is_nan() || height < 0.0 {
                continue;
            }
            let (place, height) = (place as usize, height as usize);
            if self.places.len() <= place {
                self.places.resize(place + 1, Vec::new());
            }
            let column = &mut self.places[place];
            if column.len() <= height {
                column.resize(height + 1, Cell::default());
            }
            column[height].add(Cell {
                weight: row.weight,
                sum: row.weight * row.away_px,
            });
        }
    }

    /// What it does to a line at this place, where lines are told; `None` where too little was seen.
    pub(super) fn at(&self, x_px: f64) -> Option<Shift> {
        let rows = self.rows_near(x_px);
        if rows.len() < FEWEST_CELLS {
            return None;
        }
        let mut used = vec![true; rows.len()];
        let (plain, mut inverse) = parabola(&rows, &used)?;
        let mut fit = plain;
        for _ in 0..ROUNDS {
            let now = not_stray(&rows, &used, &fit);
            if now == used {
                break;
            }
            used = now;
            (fit, inverse) = parabola(&rows, &used)?;
        }
        let fixed = scatter(&rows, &used, &fit, &inverse) - inverse[(0, 0)];
        Some(Shift {
            px: fit[0] - plain[0],
            u_px: fixed.max(0.0).sqrt(),
        })
    }

    fn rows_near(&self, x_px: f64) -> Vec<Rows> {
        let place = |x_px: f64| (x_px / ACROSS_PX).max(0.0) as usize;
        let from = place(x_px - NEAR_PX).min(self.places.len());
        let to = (place(x_px + NEAR_PX) + 1).clamp(from, self.places.len());
        let columns = &self.places[from..to];
        let told_px = self.heights_px.0 / self.heights_px.1.max(1.0);
        let highest = columns.iter().map(Vec::len).max().unwrap_or(0);
        let cells = (0..highest).map(|height| {
            let mut all = Cell::default();
            for &cell in columns.iter().filter_map(|column| column.get(height)) {
                all.add(cell);
            }
            (height, all)
        });
        cells
            .filter(|(_, cell)| cell.weight > 0.0)
            .map(|(height, cell)| Rows {
                t: ((height as f64 + 0.5) * ALONG_PX - told_px) / HEIGHT_PX,
                weight: f64::from(cell.weight),
                away_px: f64::from(cell.sum / cell.weight),
            })
            .collect()
    }
}

/// Which rows do not stray from a fit, by the middlemost pull of those that are used now.
fn not_stray(rows: &[Rows], used: &[bool], fit: &Vector3<f64>) -> Vec<bool> {
    let pulls: Vec<f64> = rows
        .iter()
        .map(|row| (row.away_px - of(fit, row.t)).abs() * row.weight.sqrt())
        .collect();
    let of_used = pulls.iter().zip(used).filter(|pull| *pull.1);
    // Median of the sizes of normal deviates.
    let usual = median(of_used.map(|pull| *pull.0).collect()) / 0.6745;
    let limit = STRAY * usual.max(1.0);
    let mut strays: Vec<usize> = (0..pulls.len()).filter(|&k| pulls[k] >= limit).collect();
    strays.sort_by(|&a, &b| pulls[b].total_cmp(&pulls[a]));
    strays.truncate((MOST_LEFT_OUT * pulls.len() as f64) as usize);
    let mut now = vec![true; pulls.len()];
    for stray in strays {
        now[stray] = false;
    }
    now
}

/// Variance of the place where lines are told by what the rows really scatter about a fit, px².
fn scatter(rows: &[Rows], used: &[bool], fit: &Vector3<f64>, inverse: &Matrix3<f64>) -> f64 {
    let pull = |(row, used): (&Rows, &bool)| {
        let lever = row.weight * (inverse * powers(row.t))[0];
        if *used {
            lever * (row.away_px - of(fit, row.t))
        } else {
            0.0
        }
    };
    let pulls: Vec<f64> = rows.iter().zip(used).map(pull).collect();
    let count = used.iter().filter(|used| **used).count() as f64;
    variance_of_sum(&pulls, LAGS) * count / (count - 3.0).max(count / 2.0)
}

fn powers(t: f64) -> Vector3<f64> {
    Vector3::new(1.0, t, t * t)
}

fn of(fit: &Vector3<f64>, t: f64) -> f64 {
    fit.dot(&powers(t))
}

/// The parabola through the rows that are used, and the inverse of its normal matrix.
fn parabola(rows: &[Rows], used: &[bool]) -> Option<(Vector3<f64>, Matrix3<f64>)> {
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    for (row, _) in rows.iter().zip(used).filter(|row| *row.1) {
        let powers = powers(row.t);
        normal += row.weight * powers * powers.transpose();
        right += row.weight * row.away_px * powers;
    }
    let inverse = normal.try_inverse()?;
    Some((inverse * right, inverse))
}

#[cfg(test)]
mod tests {
    use super::*;

    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    use crate::find::RowOffset;
    use crate::follow::tests::line_at;

    const PLACE_PX: f64 = 300.4;
    const NOISE_PX: f64 = 0.02;
    const ROWS: usize = 70;

    /// Deviates of this standard deviation.
    fn normal(random: &mut ChaCha8Rng, sd: f64) -> f64 {
        let deviate: f64 = StandardNormal.sample(random);
        sd * deviate
    }

    /// 40 frames of a line that stands, and by how much what stands still moves it, px: the pixels of a row by `sensor_px`, and a speck those
    /// of 24 px of the height by `speck_px`.
    fn standing(seed: u64, sensor_px: f64, speck_px: f64) -> (Glass, f64) {
        let random = &mut ChaCha8Rng::seed_from_u64(seed);
        let fixed: Vec<f64> = (0..ROWS)
            .map(|row| {
                let speck = if (30..36).contains(&row) {
                    speck_px
                } else {
                    0.0
                };
                normal(random, sensor_px) + speck
            })
            .collect();
        let height = |row: usize| 100.0 + 4.0 * row as f64;
        // What the fit of a frame makes of them: a parabola of its own, told at the middle of the height.
        let told_px = height(ROWS / 2);
        let rows: Vec<Rows> = fixed
            .iter()
            .enumerate()
            .map(|(row, &away_px)| Rows {
                t: (height(row) - told_px) / HEIGHT_PX,
                weight: NOISE_PX.powi(-2),
                away_px,
            })
            .collect();
        let moved = parabola(&rows, &[true; ROWS]).expect("rows").0;
        let mut glass = Glass::default();
        for _ in 0..40 {
            let mut picture = Picture::default();
            let mut line = line_at(PLACE_PX + normal(random, 0.3), 0.003, 4.0, 1e5);
            line.y_ref_px = told_px;
            picture.lines.push(line);
            picture
                .rows
                .extend(rows.iter().enumerate().map(|(k, row)| RowOffset {
                    line: 0,
                    y_px: height(k) as f32,
                    away_px: (row.away_px - of(&moved, row.t) + normal(random, NOISE_PX)) as f32,
                    weight: row.weight as f32,
                }));
            glass.take(&picture);
        }
        (glass, moved[0])
    }

    #[test]
    fn a_speck_no_longer_moves_a_line() {
        for seed in 1..=20 {
            // Within the noise of one frame, beyond that of all of them.
            let (glass, moved_px) = standing(seed, 0.0, 0.04);
            assert!(moved_px > 0.003, "{moved_px}");
            let shift = glass.at(PLACE_PX).expect("frames were seen");
            assert!((shift.px + moved_px).abs() < 0.001, "{seed}: {shift:?}");
        }
    }

    /// By the standard deviation of rows that are as uneven as pixels make them, told from 400 places.
    #[test]
    fn what_uneven_pixels_do_is_told() {
        let (mut squares, mut told) = (0.0, 0.0);
        for seed in 1..=400 {
            let (glass, moved_px) = standing(seed, 0.01, 0.0);
            let shift = glass.at(PLACE_PX).expect("frames were seen");
            squares += (moved_px + shift.px).powi(2);
            told += shift.u_px.powi(2);
        }
        let ratio = (squares / told).sqrt();
        assert!((0.8..1.25).contains(&ratio), "{ratio}");
    }

    #[test]
    fn where_no_line_stood_nothing_is_told() {
        let (glass, _) = standing(1, 0.0, 0.04);
        for x_px in [PLACE_PX - 20.0, PLACE_PX + 20.0, -5.0, 1e9, f64::NAN] {
            assert_eq!(glass.at(x_px), None, "{x_px}");
        }
        assert_eq!(Glass::default().at(PLACE_PX), None);
    }
}
