//! Lines that turn in the same pass measure the table's angle for each other.
//!
//! All of them hang on one hand: where g is that of one line, that of another is a smooth function of it (an offset, since it
//! turns earlier or later, a scale, and a small bend; both are smooth functions of the table's angle). So all positions of a pass are fitted
//! together: y = y₀ + p(g)² for each line, p a polynomial that is g itself for the first, g(t) an integrated random walk of velocity
//! with tremor as it was found line by line. Generalised least squares (Aitken 1935) about the courses of the single fits, g marginalised, a few
//! Gauss-Newton steps; dense, since tremor that two lines share ties all their frames.

use nalgebra::{DMatrix, DVector};

use super::turning::Turn;

/// A turning point as all lines together tell it: place, mirrored like the samples, and its standard uncertainty, px.
#[derive(Clone, Copy, Debug)]
pub(super) struct Joined {
    pub(super) y0_px: f64,
    pub(super) u_px: f64,
}

/// Powers of g by which a further line's g is told: offset, scale, and two of its bend.
const POWERS: usize = 4;
/// Most positions that are fitted together; those nearest to the turns are kept.
const MOST: usize = 900;
const STEPS: usize = 5;
/// Positions that scatter so many times more than stated do so from unsteady air, shake or compression, and all lines alike: then the
/// second line is no second witness.
const SCATTER_ALIKE: f64 = 1.6;

/// One position: line, time, place, its standard uncertainty.
struct Point {
    line: usize,
    time: f64,
    y_px: f64,
    u_px: f64,
}

/// The turns of one pass, measured together; `None` where they do not fit together.
pub(super) fn measure(turns: &[&Turn]) -> Option<Vec<Joined>> {
    let lines = turns.len();
    let first = turns.first()?;
    if turns.iter().any(|turn| turn.noise.scale > SCATTER_ALIKE) {
        return None;
    }
    let unit_s = first.gap_s.1;
    let middle_s = turns.iter().map(|turn| turn.time_s).sum::<f64>() / lines as f64;
    let mut points: Vec<Point> = Vec::new();
    let mut courses: Vec<Vec<(f64, f64)>> = Vec::new();
    for (line, turn) in turns.iter().enumerate() {
        let mut course = Vec::new();
        for (i, &time_s) in turn.times_s.iter().enumerate() {
            let time = (time_s - middle_s) / unit_s;
            course.push((time, *turn.g.get(i)?));
            points.push(Point {
                line,
                time,
                y_px: *turn.y_px.get(i)?,
                u_px: turn.noise.scale * turn.u_frames_px.get(i)?,
            });
        }
        courses.push(course);
    }
    points.sort_by(|a, b| a.time.abs().total_cmp(&b.time.abs()));
    points.truncate(MOST);
    points.sort_by(|a, b| {
        (a.line, a.time)
            .partial_cmp(&(b.line, b.time))
            .unwrap_or(std::cmp::Ordering::Equal)
    });
    let n = points.len();
    let mut g: Vec<f64> = points
        .iter()
        .map(|point| at(courses.first().map_or(&[], Vec::as_slice), point.time))
        .collect::<Option<_>>()?;
    let largest = g.iter().fold(1e-6_f64, |most, g| most.max(g.abs()));
    // p of each line from its own course, where that is known well.
    let mut maps: Vec<[f64; POWERS]> = Vec::new();
    for (line, course) in courses.iter().enumerate() {
        maps.push(if line == 0 {
            [0.0, largest, 0.0, 0.0]
        } else {
            mapped(course, &courses[0], largest)?
        });
    }
    let mean = |of: &dyn Fn(&Turn) -> f64| {
        (turns.iter().map(|turn| of(turn).ln()).sum::<f64>() / lines as f64).exp()
    };
    let intensity = mean(&|turn| turn.noise.intensity);
    let tremor = mean(&|turn| turn.noise.tremor);
    let start = points.iter().map(|p| p.time).fold(f64::INFINITY, f64::min);
    let hand = DMatrix::from_fn(n, n, |i, j| {
        let (a, b) = (points[i].time - start, points[j].time - start);
        let (s, l) = (a.min(b), a.max(b));
        // Integrated random walk of velocity (Wiener process integrated once).
        let walk = intensity * s * s * (l / 2.0 - s / 6.0);
        walk + if (a - b).abs() < 0.25 {
            tremor * tremor
        } else {
            0.0
        }
    });
    let own = DMatrix::from_fn(n, n, |i, j| {
        let (a, b) = (&points[i], &points[j]);
        if a.line != b.line {
            return 0.0;
        }
        let correlation = turns[a.line].noise.correlation;
        a.u_px
            * b.u_px
            * if i == j {
                1.0
            } else {
                correlation.powf((a.time - b.time).abs())
            }
    });
    let unknowns = lines + 2 + POWERS * (lines - 1);
    let mut result = None;
    for _ in 0..STEPS {
        let p: Vec<f64> = (0..n)
            .map(|i| polynomial(&maps[points[i].line], g[i] / largest))
            .collect();
        let slope: Vec<f64> = (0..n)
            .map(|i| {
                let [_, scale, bend, twist] = maps[points[i].line];
                let x = g[i] / largest;
                2.0 * p[i] * (scale + x * (2.0 * bend + x * 3.0 * twist)) / largest
            })
            .collect();
        let right = DVector::from_fn(n, |i, _| points[i].y_px - p[i] * p[i] + slope[i] * g[i]);
        let design = DMatrix::from_fn(n, unknowns, |i, k| {
            let line = points[i].line;
            if k < lines {
                f64::from(u8::from(k == line))
            } else if k < lines + 2 {
                slope[i]
                    * if k == lines {
                        1.0
                    } else {
                        points[i].time / 100.0
                    }
            } else {
                let (other, power) = ((k - lines - 2) / POWERS + 1, (k - lines - 2) % POWERS);
                if other == line {
                    2.0 * p[i] * (g[i] / largest).powi(power as i32)
                } else {
                    0.0
                }
            }
        });
        let covariance = DMatrix::from_fn(n, n, |i, j| {
            slope[i] * hand[(i, j)] * slope[j] + own[(i, j)]
        });
        let solver = covariance.cholesky()?;
        let weighted = solver.solve(&design);
        let inverse = (design.transpose() * &weighted).cholesky()?.inverse();
        let found = &inverse * (weighted.transpose() * &right);
        let misfit = &right - &design * &found;
        let pulled = solver.solve(&misfit);
        let chi_squared = misfit.dot(&pulled) / (n as f64 - unknowns as f64).max(1.0);
        let pull = DVector::from_fn(n, |i, _| slope[i] * pulled[i]);
        let moved = &hand * pull;
        for i in 0..n {
            g[i] = found[lines] + found[lines + 1] * points[i].time / 100.0 + moved[i];
        }
        for other in 1..lines {
            for power in 0..POWERS {
                maps[other][power] += found[lines + 2 + (other - 1) * POWERS + power];
            }
        }
        result = Some((found, inverse, chi_squared));
    }
    let (found, inverse, chi_squared) = result?;
    let wider = chi_squared.max(1.0).sqrt();
    (0..lines)
        .map(|line| {
            let (smear_px, u_smear_px) = turns[line].smear_px;
            let u_px = (inverse[(line, line)].max(0.0).sqrt() * wider).hypot(u_smear_px);
            let y0_px = found[line] - smear_px;
            (y0_px.is_finite() && u_px.is_finite() && u_px > 0.0).then_some(Joined { y0_px, u_px })
        })
        .collect()
}

fn polynomial(map: &[f64; POWERS], x: f64) -> f64 {
    map.iter().rev().fold(0.0, |sum, c| sum * x + c)
}

/// A course at a time, between frames and a little beyond its ends by straight lines.
fn at(course: &[(f64, f64)], time: f64) -> Option<f64> {
    let i = course
        .partition_point(|c| c.0 < time)
        .clamp(1, course.len().checked_sub(1)?.max(1));
    let (a, b) = (course.get(i - 1)?, course.get(i)?);
    Some(a.1 + (b.1 - a.1) * (time - a.0) / (b.0 - a.0))
}

/// Least squares of a line's course as a polynomial of the first line's, each over the largest value of the latter.
fn mapped(course: &[(f64, f64)], first: &[(f64, f64)], largest: f64) -> Option<[f64; POWERS]> {
    let mut normal = DMatrix::<f64>::zeros(POWERS, POWERS);
    let mut right = DVector::<f64>::zeros(POWERS);
    for &(time, g) in course {
        let x = at(first, time)? / largest;
        for i in 0..POWERS {
            right[i] += g * g * x.powi(i as i32) * g;
            for j in 0..POWERS {
                normal[(i, j)] += g * g * x.powi((i + j) as i32);
            }
        }
    }
    let solved = normal.cholesky()?.solve(&right);
    Some(std::array::from_fn(|k| solved[k]))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

    use super::super::practice::{self, Hand};
    use super::super::turning::{self, Sample};

    /// Two lines under one hand: together they are known better than alone by as much as they then claim, each within its uncertainty.
    #[test]
    fn a_second_line_makes_the_first_better_known() {
        let hand = Hand::default();
        let indices = [1.62, 1.61];
        let origin = practice::incidence_at_minimum_deg(indices[0]);
        let (mut alone, mut together, mut pulls) = (0.0_f64, 0.0_f64, Vec::new());
        for number in 0..30 {
            let mut random = practice::generator(500 + number);
            let moments = practice::turn_the_table(&hand, &mut random);
            let turns: Vec<turning::Turn> = indices
                .iter()
                .map(|&index| {
                    let truth = practice::positions_px(&hand, index, origin, &moments);
                    let samples: Vec<Sample> = practice::seen(&hand, &truth, &mut random)
                        .iter()
                        .map(|(i, y)| Sample {
                            time_s: moments[*i].time_s,
                            y_px: *y,
                            u_px: hand.noise_px,
                        })
                        .collect();
                    let lowest = samples.iter().min_by(|a, b| a.y_px.total_cmp(&b.y_px));
                    turning::measure(&samples, lowest.unwrap().time_s, None).unwrap()
                })
                .collect();
            let joined = super::measure(&turns.iter().collect::<Vec<_>>()).unwrap();
            for (turn, joined) in turns.iter().zip(joined) {
                alone += turn.y0_px.powi(2);
                together += joined.y0_px.powi(2);
                pulls.push(joined.y0_px / joined.u_px);
            }
        }
        let count = pulls.len() as f64;
        let spread = (pulls.iter().map(|p| p * p).sum::<f64>() / count).sqrt();
        let (alone, together) = ((alone / count).sqrt(), (together / count).sqrt());
        eprintln!("alone {alone:.4} px, together {together:.4} px, pulls {spread:.2}");
        assert!(together < 0.85 * alone, "{together} against {alone} px");
        assert!(spread < 1.3, "pulls of {spread}");
    }
}
