//! Block-tridiagonal normal equations with a border, solved by elimination.
//!
//! Every frame has a block of three unknowns that goes with those of its neighbours, and all frames go with the few unknowns of the
//! border. Frames are eliminated from both ends towards the middle one: each has to wait for the one before it, and so a processor has
//! two rows of them to work on at once. Blocks of three are inverted by their cofactors, which asks for one division where a triangular
//! decomposition asks for three roots, one after the other; what goes with the border is put together by the library's matrix product.

use nalgebra::{DMatrix, DMatrixView, DVector, Dyn};

pub(super) type Block = [[f64; 3]; 3];

/// Least variance of a covariance, so that a border that nothing shows stays finite.
const LEAST: f64 = 1e-12;

/// The logarithm of a product of many factors, with a logarithm taken only now and then.
#[derive(Clone, Copy, Debug)]
pub(super) struct LogProduct {
    log: f64,
    product: f64,
}

impl LogProduct {
    /// Of no factors.
    pub(super) fn new() -> Self {
        Self {
            log: 0.0,
            product: 1.0,
        }
    }

    /// With one more factor, which is above zero.
    #[inline(always)]
    pub(super) fn take(&mut self, factor: f64) {
        self.product *= factor;
        if !(1e-150..1e150).contains(&self.product) {
            self.log += self.product.ln();
            self.product = 1.0;
        }
    }

    pub(super) fn ln(self) -> f64 {
        self.log + self.product.ln()
    }
}

/// Normal equations of one Gauss-Newton step.
///
/// [`Normal::eliminate`] uses them up.
#[derive(Clone, Debug)]
pub(super) struct Normal {
    /// Blocks of the frames.
    pub(super) diagonal: Vec<Block>,
    /// Block (i-1, i).
    pub(super) above: Vec<Block>,
    /// How the border goes with the frames: a row for each of its unknowns, a column for each of the three of every frame.
    pub(super) edge: DMatrix<f64>,
    /// Block of the border.
    pub(super) corner: DMatrix<f64>,
    pub(super) gradient: DVector<f64>,
    pub(super) gradient_border: DVector<f64>,
    /// What was eliminated: inverses of the pivots times the block that goes with the frame which is eliminated next, and times the edge.
    gain: Vec<Block>,
    weighed: DMatrix<f64>,
}

/// The solution: departures that lead against the gradient.
pub(super) struct Step {
    pub(super) states: Vec<[f64; 3]>,
    pub(super) border: DVector<f64>,
    /// Logarithm of the determinant of all equations.
    pub(super) log_determinant: f64,
    /// Diagonal of the inverse, of the border's first unknowns.
    pub(super) variance: Vec<f64>,
}

/// Inverse of a symmetric block that is positive definite, and its determinant.
#[inline(always)]
fn inverse(m: &Block) -> Option<(Block, f64)> {
    let [[a, b, c], [_, d, e], [_, _, f]] = *m;
    let (df, ef, de) = (d * f - e * e, c * e - b * f, b * e - c * d);
    let minor = a * d - b * b;
    let determinant = a * df + b * ef + c * de;
    if !(a > 0.0 && minor > 0.0 && determinant > 0.0) {
        return None;
    }
    let one = determinant.recip();
    let (xy, xz, yz) = (ef * one, de * one, (b * c - a * e) * one);
    let inverse = [
        [df * one, xy, xz],
        [xy, (a * f - c * c) * one, yz],
        [xz, yz, minor * one],
    ];
    Some((inverse, determinant))
}

#[inline(always)]
fn product(a: &Block, b: &Block) -> Block {
    std::array::from_fn(|i| {
        std::array::from_fn(|j| a[i][0] * b[0][j] + a[i][1] * b[1][j] + a[i][2] * b[2][j])
    })
}

#[inline(always)]
fn transposed(m: &Block) -> Block {
    std::array::from_fn(|i| std::array::from_fn(|j| m[j][i]))
}

/// The part of a vector that belongs to a frame.
#[inline(always)]
fn three_of(values: &[f64], frame: usize) -> [f64; 3] {
    std::array::from_fn(|k| values[3 * frame + k])
}

/// What belongs to one frame, and to another beside it, of values that come in runs of `run` for every frame.
#[inline(always)]
fn both(values: &mut [f64], one: usize, next: usize, run: usize) -> (&[f64], &mut [f64]) {
    if one < next {
        let (before, after) = values.split_at_mut(next * run);
        (&before[one * run..][..run], &mut after[..run])
    } else {
        let (before, after) = values.split_at_mut(one * run);
        (&after[..run], &mut before[next * run..][..run])
    }
}

impl Normal {
    /// For so many frames and unknowns of the border.
    pub(super) fn new(frames: usize, unknowns: usize) -> Self {
        Self {
            diagonal: vec![Block::default(); frames],
            above: vec![Block::default(); frames],
            edge: DMatrix::zeros(unknowns, 3 * frames),
            corner: DMatrix::zeros(unknowns, unknowns),
            gradient: DVector::zeros(3 * frames),
            gradient_border: DVector::zeros(unknowns),
            gain: vec![Block::default(); frames],
            weighed: DMatrix::zeros(unknowns, 3 * frames),
        }
    }

    /// Inverts the pivot of a frame; adds its determinant.
    #[inline(always)]
    fn pivot(&mut self, frame: usize, unknowns: usize, determinant: &mut LogProduct) -> Option<()> {
        let (inverse, of_pivot) = inverse(&self.diagonal[frame])?;
        determinant.take(of_pivot);
        self.diagonal[frame] = inverse;
        let run = 3 * unknowns;
        let edge = &self.edge.as_slice()[frame * run..][..run];
        let weighed = &mut self.weighed.as_mut_slice()[frame * run..][..run];
        let (one, rest) = edge.split_at(unknowns);
        let (two, three) = rest.split_at(unknowns);
        for (out, by) in weighed.chunks_exact_mut(unknowns).zip(&inverse) {
            for s in 0..unknowns {
                out[s] = by[0] * one[s] + by[1] * two[s] + by[2] * three[s];
            }
        }
        let own = three_of(self.gradient.as_slice(), frame);
        let border = self.gradient_border.as_mut_slice();
        for (weighed, own) in weighed.chunks_exact(unknowns).zip(own) {
            for s in 0..unknowns {
                border[s] -= weighed[s] * own;
            }
        }
        if unknowns == 1 {
            let corner = &mut self.corner.as_mut_slice()[0];
            *corner -= weighed[0] * one[0] + weighed[1] * two[0] + weighed[2] * three[0];
        }
        Some(())
    }

    /// Takes a frame whose pivot was inverted out of the equations of the one that is next; `block` is how it goes with that.
    #[inline(always)]
    fn take_out(&mut self, frame: usize, next: usize, block: &Block, unknowns: usize) {
        let gain = product(&self.diagonal[frame], block);
        let pivot = &mut self.diagonal[next];
        // Of a symmetric block the upper half is enough.
        for (i, row) in pivot.iter_mut().enumerate() {
            for (j, value) in row.iter_mut().enumerate().skip(i) {
                *value -=
                    block[0][i] * gain[0][j] + block[1][i] * gain[1][j] + block[2][i] * gain[2][j];
            }
        }
        let (own, other) = both(self.gradient.as_mut_slice(), frame, next, 3);
        for (k, value) in other.iter_mut().enumerate() {
            *value -= gain[0][k] * own[0] + gain[1][k] * own[1] + gain[2][k] * own[2];
        }
        let (own, other) = both(self.edge.as_mut_slice(), frame, next, 3 * unknowns);
        let (one, rest) = own.split_at(unknowns);
        let (two, three) = rest.split_at(unknowns);
        for (k, out) in other.chunks_exact_mut(unknowns).enumerate() {
            let by = [gain[0][k], gain[1][k], gain[2][k]];
            for s in 0..unknowns {
                out[s] -= by[0] * one[s] + by[1] * two[s] + by[2] * three[s];
            }
        }
        self.gain[frame] = gain;
    }

    /// Solves them, with all diagonals larger by the share `damping`; `held` keeps the first unknown of the border where it is, and
    /// `variances` are asked for. `unknowns` are those of the border: where the compiler knows their number it unrolls the loops.
    ///
    /// None if they are not positive definite.
    #[inline(always)]
    pub(super) fn eliminate(
        &mut self,
        unknowns: usize,
        damping: f64,
        held: bool,
        variances: usize,
    ) -> Option<Step> {
        let frames = self.diagonal.len();
        if frames == 0 {
            return None;
        }
        if damping > 0.0 {
            for block in &mut self.diagonal {
                for (k, row) in block.iter_mut().enumerate() {
                    row[k] *= 1.0 + damping;
                }
            }
        }
        let middle = frames / 2;
        let mut determinant = LogProduct::new();
        self.reduce(middle, unknowns, &mut determinant)?;
        for s in 0..unknowns {
            self.corner[(s, s)] += LEAST;
        }
        if held {
            self.corner.row_mut(0).fill(0.0);
            self.corner.column_mut(0).fill(0.0);
            self.corner[(0, 0)] = 1.0;
            self.gradient_border[0] = 0.0;
        }
        let factor = self.corner.clone().cholesky()?;
        let mut log_determinant = determinant.ln();
        log_determinant += 2.0 * factor.l_dirty().diagonal().map(f64::ln).sum();
        let inverse = factor.inverse();
        let variance = (0..variances)
            .map(|k| if held && k == 0 { 0.0 } else { inverse[(k, k)] })
            .collect();
        self.gradient_border.neg_mut();
        let border = if damping > 0.0 {
            for s in 0..unknowns {
                self.corner[(s, s)] *= 1.0 + damping;
            }
            self.corner.clone().cholesky()?.solve(&self.gradient_border)
        } else {
            factor.solve(&self.gradient_border)
        };
        Some(Step {
            states: self.states(middle, unknowns, &border),
            border,
            log_determinant,
            variance,
        })
    }

    /// Takes all frames out of the equations of the border, that in the middle last; multiplies the determinants of their pivots.
    #[inline(always)]
    fn reduce(
        &mut self,
        middle: usize,
        unknowns: usize,
        determinant: &mut LogProduct,
    ) -> Option<()> {
        let frames = self.diagonal.len();
        for front in 0..middle {
            self.pivot(front, unknowns, determinant)?;
            let block = self.above[front + 1];
            let back = frames - 1 - front;
            if back > middle {
                self.pivot(back, unknowns, determinant)?;
                let block = transposed(&self.above[back]);
                self.take_out(back, back - 1, &block, unknowns);
            }
            self.take_out(front, front + 1, &block, unknowns);
        }
        self.pivot(middle, unknowns, determinant)?;
        // With one unknown each pivot did so by itself.
        if unknowns > 1 {
            let weighed: DMatrixView<'_, f64, Dyn, Dyn> =
                DMatrixView::from_slice_with_strides_generic(
                    self.weighed.as_slice(),
                    Dyn(3 * frames),
                    Dyn(unknowns),
                    Dyn(unknowns),
                    Dyn(1),
                );
            self.corner.gemm(-1.0, &self.edge, &weighed, 1.0);
        }
        Some(())
    }

    /// The states of all frames for a solution of the border, from the middle back to both ends.
    #[inline(always)]
    fn states(&mut self, middle: usize, unknowns: usize, border: &DVector<f64>) -> Vec<[f64; 3]> {
        let columns = self.edge.as_slice().chunks_exact(unknowns);
        for (right, column) in self.gradient.as_mut_slice().iter_mut().zip(columns) {
            let by_border = column.iter().zip(border.as_slice());
            *right = -*right - by_border.map(|(edge, border)| edge * border).sum::<f64>();
        }
        self.gain[middle] = Block::default();
        let frames = self.diagonal.len();
        let mut states = vec![[0.0; 3]; frames];
        let right = self.gradient.as_slice();
        let of = |frame: usize, next: [f64; 3]| {
            let (inverse, gain) = (&self.diagonal[frame], &self.gain[frame]);
            let right = three_of(right, frame);
            let dot = |a: &[f64; 3], b: &[f64; 3]| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
            std::array::from_fn(|k| dot(&inverse[k], &right) - dot(&gain[k], &next))
        };
        states[middle] = of(middle, [0.0; 3]);
        for away in 1..=middle {
            if middle + away < frames {
                states[middle + away] = of(middle + away, states[middle + away - 1]);
            }
            states[middle - away] = of(middle - away, states[middle - away + 1]);
        }
        states
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const UNKNOWNS: usize = 4;

    /// Equations that are positive definite, with nothing in them alike.
    fn equations(frames: usize, unknowns: usize) -> Normal {
        let mut normal = Normal::new(frames, unknowns);
        let mut count = 0.0_f64;
        let mut next = || {
            count += 1.0;
            (count * 12.9898).sin()
        };
        for i in 0..frames {
            for a in 0..3 {
                for b in a..3 {
                    let value = next();
                    normal.diagonal[i][a][b] = value;
                    normal.diagonal[i][b][a] = value;
                }
                normal.diagonal[i][a][a] += 12.0;
                for b in 0..3 {
                    normal.above[i][a][b] = 2.0 * next();
                }
                normal.gradient[3 * i + a] = next();
                for s in 0..unknowns {
                    normal.edge[(s, 3 * i + a)] = next();
                }
            }
        }
        for s in 0..unknowns {
            normal.gradient_border[s] = next();
            normal.corner[(s, s)] = 4.0 * frames as f64;
        }
        normal
    }

    /// The same as one matrix with its gradient.
    fn whole(normal: &Normal) -> (DMatrix<f64>, DVector<f64>) {
        let (frames, unknowns) = (normal.diagonal.len(), normal.corner.nrows());
        let n = 3 * frames;
        let mut matrix = DMatrix::zeros(n + unknowns, n + unknowns);
        let mut gradient = DVector::zeros(n + unknowns);
        for i in 0..frames {
            for a in 0..3 {
                for b in 0..3 {
                    matrix[(3 * i + a, 3 * i + b)] = normal.diagonal[i][a][b];
                    if i > 0 {
                        matrix[(3 * i - 3 + a, 3 * i + b)] = normal.above[i][a][b];
                        matrix[(3 * i + b, 3 * i - 3 + a)] = normal.above[i][a][b];
                    }
                }
            }
        }
        gradient.rows_mut(0, n).copy_from(&normal.gradient);
        gradient
            .rows_mut(n, unknowns)
            .copy_from(&normal.gradient_border);
        for s in 0..unknowns {
            for k in 0..n {
                matrix[(n + s, k)] = normal.edge[(s, k)];
                matrix[(k, n + s)] = normal.edge[(s, k)];
            }
            for t in 0..unknowns {
                matrix[(n + s, n + t)] = normal.corner[(s, t)];
            }
        }
        (matrix, gradient)
    }

    /// Against nalgebra's Cholesky decomposition of the whole matrix.
    #[test]
    fn elimination_solves_the_whole_matrix() {
        for (frames, unknowns) in [1, 2, 3, 4, 9, 50]
            .into_iter()
            .flat_map(|frames| [(frames, 1), (frames, UNKNOWNS)])
        {
            let mut normal = equations(frames, unknowns);
            let (matrix, gradient) = whole(&normal);
            let factor = matrix.cholesky().expect("positive definite");
            let solution = factor.solve(&-gradient);
            let inverse = factor.inverse();
            let log_determinant = 2.0 * factor.l().diagonal().map(f64::ln).sum();
            let step = normal
                .eliminate(unknowns, 0.0, false, unknowns)
                .expect("positive definite");
            assert!((step.log_determinant - log_determinant).abs() < 1e-9);
            for (k, value) in step.states.iter().flatten().chain(&step.border).enumerate() {
                assert!(
                    (value - solution[k]).abs() < 1e-10,
                    "{frames} frames, {unknowns} of the border: {value} instead of {} at {k}",
                    solution[k]
                );
            }
            for (s, variance) in step.variance.iter().enumerate() {
                let wanted = inverse[(3 * frames + s, 3 * frames + s)];
                assert!((variance - wanted).abs() < 1e-10);
            }
        }
    }

    /// What is not positive definite has no solution, in whichever frame that is.
    #[test]
    fn what_is_not_positive_definite_is_refused() {
        for frame in [0, 3, 4, 8] {
            let mut normal = equations(9, UNKNOWNS);
            normal.diagonal[frame][1][1] = -1.0;
            assert!(normal.eliminate(UNKNOWNS, 0.0, false, 1).is_none());
        }
    }

    /// With the first unknown of the border held it is that of the matrix without it.
    #[test]
    fn an_unknown_that_is_held_does_not_move() {
        let mut normal = equations(9, UNKNOWNS);
        let (matrix, gradient) = whole(&normal);
        let at = 27;
        let left = matrix.clone().remove_row(at).remove_column(at);
        let solution = left
            .cholesky()
            .expect("positive definite")
            .solve(&-gradient.remove_row(at));
        let step = normal
            .eliminate(UNKNOWNS, 0.0, true, 1)
            .expect("positive definite");
        assert!(step.border[0] == 0.0 && step.variance[0] == 0.0);
        let rest = step
            .states
            .iter()
            .flatten()
            .chain(step.border.iter().skip(1));
        for (value, wanted) in rest.zip(solution.iter()) {
            assert!((value - wanted).abs() < 1e-10);
        }
    }
}
