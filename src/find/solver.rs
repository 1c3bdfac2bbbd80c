//! Normal equations of which only some parameters are fitted: Cholesky's decomposition of those alone.

use nalgebra::{SMatrix, SVector};

/// The lower triangle of the decomposition; parameters that hang together with no other stand by themselves.
#[derive(Clone, Debug)]
pub(super) struct Solver<const N: usize> {
    /// Row after row, of the parameters that are fitted.
    factor: [[f64; N]; N],
    fitted: [usize; N],
    count: usize,
    /// One over the diagonal of the others; 0 for those that are fitted.
    alone: [f64; N],
}

impl<const N: usize> Solver<N> {
    /// Decomposes a symmetric matrix, of which off the diagonal only what lies between parameters of `fitted` is looked at; `None`
    /// if it is not positive definite.
    pub(super) fn new(
        normal: &SMatrix<f64, N, N>,
        fitted: impl Iterator<Item = usize>,
    ) -> Option<Self> {
        let mut solver = Self {
            factor: [[0.0; N]; N],
            fitted: [0; N],
            count: 0,
            alone: normal.diagonal().map(f64::recip).into(),
        };
        for parameter in fitted {
            solver.alone[parameter] = 0.0;
            solver.fitted[solver.count] = parameter;
            solver.count += 1;
        }
        let factor = &mut solver.factor;
        for i in 0..solver.count {
            for j in 0..=i {
                let product = (0..j).map(|k| factor[i][k] * factor[j][k]).sum::<f64>();
                let left = normal[(solver.fitted[i], solver.fitted[j])] - product;
                if i > j {
                    factor[i][j] = left / factor[j][j];
                } else if left > 0.0 {
                    factor[i][i] = left.sqrt();
                } else {
                    return None;
                }
            }
        }
        Some(solver)
    }

    /// The solution for a right-hand side.
    pub(super) fn solve(&self, right: &SVector<f64, N>) -> SVector<f64, N> {
        let mut result = SVector::from_fn(|k, _| self.alone[k] * right[k]);
        let mut values = [0.0; N];
        for i in 0..self.count {
            let row = &self.factor[i];
            let known = (0..i).map(|k| row[k] * values[k]).sum::<f64>();
            values[i] = (right[self.fitted[i]] - known) / row[i];
        }
        for i in (0..self.count).rev() {
            let known = (i + 1..self.count)
                .map(|k| self.factor[k][i] * values[k])
                .sum::<f64>();
            values[i] = (values[i] - known) / self.factor[i][i];
            result[self.fitted[i]] = values[i];
        }
        result
    }

    /// The inverse of the matrix.
    pub(super) fn inverse(&self) -> SMatrix<f64, N, N> {
        let mut inverse = SMatrix::from_diagonal(&self.alone.into());
        for &parameter in &self.fitted[..self.count] {
            let mut unit = SVector::zeros();
            unit[parameter] = 1.0;
            inverse.set_column(parameter, &self.solve(&unit));
        }
        inverse
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against nalgebra's decomposition of the whole matrix.
    #[test]
    fn what_is_not_fitted_stands_by_itself() {
        type Matrix = SMatrix<f64, 6, 6>;
        let fitted = [4, 1, 2];
        let mut normal = Matrix::identity() * 3.0;
        for (i, a) in fitted.into_iter().enumerate() {
            for (j, b) in fitted.into_iter().enumerate() {
                normal[(a, b)] += 1.0 / (i + j + 1) as f64;
            }
        }
        let right = SVector::<f64, 6>::from_fn(|k, _| k as f64 - 1.5);
        let whole = normal.cholesky().expect("positive definite");
        let solver = Solver::new(&normal, fitted.into_iter()).expect("positive definite");
        assert!((solver.solve(&right) - whole.solve(&right)).norm() < 1e-12);
        assert!((solver.inverse() - whole.inverse()).norm() < 1e-12);
    }

    #[test]
    fn what_is_not_positive_definite_is_refused() {
        let mut normal = SMatrix::<f64, 3, 3>::identity();
        (normal[(0, 1)], normal[(1, 0)]) = (2.0, 2.0);
        assert!(Solver::new(&normal, [0, 1].into_iter()).is_none());
    }
}
