//! A measured number: its value and what each independent cause does to it.
//!
//! Propagation follows the GUM (JCGM 100:2008, section 5): a [`Measured`] holds, for every named
//! independent [`Cause`], the change of the value per one standard deviation of that cause. Sums,
//! products and functions combine those changes linearly, so correlations and the budget come by
//! themselves. Monte Carlo draws the causes instead (JCGM 101:2008, sections 6 and 7).

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use nalgebra::{DMatrix, DVector};
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal, StudentT};
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// How a standard uncertainty was found (GUM 4.2 and 4.3).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// By statistics of repeated observations.
    A,
    /// By other knowledge: a least count, a certificate, a data sheet.
    B,
}

/// Distribution from which a cause is drawn in a Monte Carlo run (JCGM 101, section 6.4).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// Normal; drawn as Student's t where the degrees of freedom are finite.
    Normal,
    /// Rectangular, as from a least count.
    Rectangular,
    /// Triangular, as from the difference of two rectangular ones.
    Triangular,
}

/// An independent reason why a number may be off. Made once where it arises, cloned wherever it acts.
#[derive(Clone, Debug)]
pub struct Cause(Arc<CauseData>);

#[derive(Debug)]
struct CauseData {
    id: u64,
    family: u64,
    name: String,
    kind: Kind,
    shape: Shape,
    degrees_of_freedom: f64,
}

/// Something doubtful about a number that is given all the same; it travels with the number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Caution {
    /// Short name for scripts, from the closed list of its stage.
    pub code: &'static str,
    /// One sentence for people: what, where, what to do.
    pub message: String,
}

static NEXT_ID: AtomicU64 = AtomicU64::new(1);

impl Cause {
    /// A cause found by statistics with the given degrees of freedom.
    #[must_use]
    pub fn type_a(name: impl Into<String>, degrees_of_freedom: f64) -> Self {
        Self::new(name, Kind::A, Shape::Normal, degrees_of_freedom, None)
    }

    /// A cause known from elsewhere, with unlimited degrees of freedom.
    #[must_use]
    pub fn type_b(name: impl Into<String>, shape: Shape) -> Self {
        Self::new(name, Kind::B, shape, f64::INFINITY, None)
    }

    fn new(
        name: impl Into<String>,
        kind: Kind,
        shape: Shape,
        degrees_of_freedom: f64,
        family: Option<u64>,
    ) -> Self {
        let id = NEXT_ID.fetch_add(1, Ordering::Relaxed);
        Self(Arc::new(CauseData {
            id,
            family: family.unwrap_or(id),
            name: name.into(),
            kind,
            shape,
            degrees_of_freedom,
        }))
    }

    /// Number that no other cause has.
    #[must_use]
    pub fn id(&self) -> u64 {
        self.0.id
    }

    /// Name for people.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.0.name
    }

    /// Type A or B.
    #[must_use]
    pub fn kind(&self) -> Kind {
        self.0.kind
    }

    /// Degrees of freedom of its standard uncertainty; infinite where it is taken as known.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> f64 {
        self.0.degrees_of_freedom
    }

    /// Distribution for Monte Carlo.
    #[must_use]
    pub fn shape(&self) -> Shape {
        self.0.shape
    }
}

/// A value with what each independent cause does to it. Always standard uncertainties (k = 1).
#[derive(Clone, Debug, Default)]
pub struct Measured {
    value: f64,
    /// Change of the value per standard deviation of the cause, with sign; by cause id.
    parts: BTreeMap<u64, (Cause, f64)>,
}

/// One row of an uncertainty budget.
#[derive(Clone, Debug)]
pub struct BudgetRow {
    /// The cause.
    pub cause: Cause,
    /// Change of the value per standard deviation of the cause, with sign, in the value's unit.
    pub contribution: f64,
    /// Share of the variance, 0 to 1.
    pub share: f64,
}

impl Measured {
    /// A number without uncertainty, such as a definition.
    #[must_use]
    pub fn exact(value: f64) -> Self {
        Self {
            value,
            parts: BTreeMap::new(),
        }
    }

    /// A number with one cause; `u` is its standard uncertainty in the value's unit (its sign is ignored).
    #[must_use]
    pub fn new(value: f64, u: f64, cause: &Cause) -> Self {
        Self::exact(value).with(cause, u.abs())
    }

    /// The same value with one more effect: `contribution` is the change per standard deviation of
    /// the cause. Effects of the same cause add with their signs.
    #[must_use]
    pub fn with(mut self, cause: &Cause, contribution: f64) -> Self {
        self.add_part(cause, contribution);
        self
    }

    fn add_part(&mut self, cause: &Cause, contribution: f64) {
        if contribution != 0.0 {
            self.parts
                .entry(cause.id())
                .or_insert_with(|| (cause.clone(), 0.0))
                .1 += contribution;
        }
    }

    /// The value.
    #[must_use]
    pub fn value(&self) -> f64 {
        self.value
    }

    /// Combined standard uncertainty (GUM equation 10).
    #[must_use]
    pub fn u(&self) -> f64 {
        self.variance().sqrt()
    }

    /// Square of the combined standard uncertainty.
    #[must_use]
    pub fn variance(&self) -> f64 {
        self.parts.values().map(|(_, part)| part * part).sum()
    }

    /// Causes with the change of the value per standard deviation of each.
    pub fn parts(&self) -> impl Iterator<Item = (&Cause, f64)> {
        self.parts.values().map(|(cause, part)| (cause, *part))
    }

    /// What one cause does to the value; 0 where it does nothing.
    #[must_use]
    pub fn part(&self, cause: &Cause) -> f64 {
        self.parts.get(&cause.id()).map_or(0.0, |(_, part)| *part)
    }

    /// A function of several measured numbers: its value and its partial derivative by each (GUM equation 13).
    #[must_use]
    pub fn combine(value: f64, inputs: &[(&Self, f64)]) -> Self {
        let mut result = Self::exact(value);
        for (input, partial) in inputs {
            for (cause, part) in input.parts() {
                result.add_part(cause, partial * part);
            }
        }
        result
    }

    /// A function of one measured number: its value and derivative there.
    #[must_use]
    pub fn map(&self, value: f64, derivative: f64) -> Self {
        Self::combine(value, &[(self, derivative)])
    }

    /// Sum.
    #[must_use]
    pub fn plus(&self, other: &Self) -> Self {
        Self::combine(self.value + other.value, &[(self, 1.0), (other, 1.0)])
    }

    /// Difference.
    #[must_use]
    pub fn minus(&self, other: &Self) -> Self {
        Self::combine(self.value - other.value, &[(self, 1.0), (other, -1.0)])
    }

    /// Multiple by an exact factor.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        self.map(self.value * factor, factor)
    }

    /// Shifted by an exact amount.
    #[must_use]
    pub fn shifted(&self, by: f64) -> Self {
        self.map(self.value + by, 1.0)
    }

    /// Product.
    #[must_use]
    pub fn times(&self, other: &Self) -> Self {
        Self::combine(
            self.value * other.value,
            &[(self, other.value), (other, self.value)],
        )
    }

    /// Quotient; none where the divisor is 0.
    #[must_use]
    pub fn divided_by(&self, other: &Self) -> Option<Self> {
        let quotient = self.value / other.value;
        quotient.is_finite().then(|| {
            Self::combine(
                quotient,
                &[(self, 1.0 / other.value), (other, -quotient / other.value)],
            )
        })
    }

    /// Covariance of two numbers: what their common causes do to both.
    #[must_use]
    pub fn covariance(&self, other: &Self) -> f64 {
        self.parts
            .iter()
            .filter_map(|(id, (_, part))| other.parts.get(id).map(|(_, theirs)| part * theirs))
            .sum()
    }

    /// Correlation coefficient; none where one of them is exact.
    #[must_use]
    pub fn correlation(&self, other: &Self) -> Option<f64> {
        let scale = self.u() * other.u();
        (scale > 0.0).then(|| self.covariance(other) / scale)
    }

    /// Effective degrees of freedom by Welch and Satterthwaite (GUM G.4). Causes that come from one
    /// statistic, such as the coefficients of one fit, count as one term.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> f64 {
        let mut families: BTreeMap<u64, (f64, f64)> = BTreeMap::new();
        for (cause, part) in self.parts() {
            let family = families
                .entry(cause.0.family)
                .or_insert((0.0, cause.degrees_of_freedom()));
            family.0 += part * part;
        }
        let denominator: f64 = families
            .values()
            .filter(|(_, degrees_of_freedom)| degrees_of_freedom.is_finite())
            .map(|(variance, degrees_of_freedom)| variance * variance / degrees_of_freedom)
            .sum();
        let variance = self.variance();
        if denominator > 0.0 {
            variance * variance / denominator
        } else {
            f64::INFINITY
        }
    }

    /// Coverage factor for a probability such as 0.95 from t with the effective degrees of freedom.
    #[must_use]
    pub fn coverage_factor(&self, probability: f64) -> f64 {
        coverage_factor(self.degrees_of_freedom(), probability)
    }

    /// Expanded uncertainty for a probability such as 0.95.
    #[must_use]
    pub fn expanded(&self, probability: f64) -> f64 {
        self.coverage_factor(probability) * self.u()
    }

    /// The uncertainty budget, largest contribution first. Shares add up to 1.
    #[must_use]
    pub fn budget(&self) -> Vec<BudgetRow> {
        let variance = self.variance();
        let mut rows: Vec<BudgetRow> = self
            .parts()
            .filter(|(_, part)| *part != 0.0)
            .map(|(cause, part)| BudgetRow {
                cause: cause.clone(),
                contribution: part,
                share: part * part / variance,
            })
            .collect();
        rows.sort_by(|one, other| other.share.total_cmp(&one.share));
        rows
    }

    /// The value that this number would have had with the causes as drawn (linear in the causes).
    #[must_use]
    pub fn drawn(&self, draw: &Draw) -> f64 {
        self.value
            + self
                .parts()
                .map(|(cause, part)| part * draw.of(cause))
                .sum::<f64>()
    }
}

/// Coverage factor of a two-sided interval from t with the given degrees of freedom (GUM G.3); none of
/// the degrees below 1 occur in practice, and they are taken as 1.
#[must_use]
pub fn coverage_factor(degrees_of_freedom: f64, probability: f64) -> f64 {
    let upper = 0.5 + 0.5 * probability.clamp(0.0, 1.0 - 1e-12);
    let normal = || Normal::standard().inverse_cdf(upper);
    if degrees_of_freedom > 1e6 {
        return normal();
    }
    StudentsT::new(0.0, 1.0, degrees_of_freedom.max(1.0))
        .map_or_else(|_| normal(), |t| t.inverse_cdf(upper))
}

/// Covariance matrix of several numbers.
#[must_use]
pub fn covariance_matrix(values: &[Measured]) -> DMatrix<f64> {
    DMatrix::from_fn(values.len(), values.len(), |row, column| {
        values[row].covariance(&values[column])
    })
}

/// Splits the uncertainties of several numbers: the standard uncertainty by causes that act on that
/// number alone, one entry a number, and what each common cause does, shape (numbers, common causes).
#[must_use]
pub fn own_and_shared(values: &[Measured]) -> (Vec<f64>, DMatrix<f64>) {
    let mut uses: BTreeMap<u64, (usize, &Cause)> = BTreeMap::new();
    for value in values {
        for (cause, part) in value.parts() {
            if part != 0.0 {
                uses.entry(cause.id()).or_insert((0, cause)).0 += 1;
            }
        }
    }
    let common: Vec<&Cause> = uses
        .values()
        .filter(|(count, _)| *count > 1)
        .map(|(_, cause)| *cause)
        .collect();
    let shared = DMatrix::from_fn(values.len(), common.len(), |row, column| {
        values[row].part(common[column])
    });
    let own = values
        .iter()
        .enumerate()
        .map(|(row, value)| {
            let together: f64 = shared.row(row).iter().map(|part| part * part).sum();
            (value.variance() - together).max(0.0).sqrt()
        })
        .collect();
    (own, shared)
}

/// Numbers whose covariance is known, as combinations of new independent causes of one family, by
/// the eigenvectors of the correlation matrix. None where shapes differ or the matrix is no covariance.
#[must_use]
pub fn correlated(
    values: &[f64],
    covariance: &DMatrix<f64>,
    name: &str,
    kind: Kind,
    degrees_of_freedom: f64,
) -> Option<Vec<Measured>> {
    let count = values.len();
    if covariance.shape() != (count, count) || covariance.iter().any(|entry| !entry.is_finite()) {
        return None;
    }
    let scales: Vec<f64> = (0..count).map(|i| covariance[(i, i)].sqrt()).collect();
    if scales.iter().any(|scale| !scale.is_finite()) {
        return None;
    }
    let unit = |scale: f64| if scale > 0.0 { scale } else { 1.0 };
    let correlation = DMatrix::from_fn(count, count, |i, j| {
        0.5 * (covariance[(i, j)] + covariance[(j, i)]) / (unit(scales[i]) * unit(scales[j]))
    });
    let eigen = correlation.symmetric_eigen();
    let mut measured: Vec<Measured> = values.iter().map(|value| Measured::exact(*value)).collect();
    let mut family = None;
    for (index, eigenvalue) in eigen.eigenvalues.iter().enumerate() {
        if *eigenvalue < -1e-6 {
            return None;
        }
        let cause = Cause::new(name, kind, Shape::Normal, degrees_of_freedom, family);
        family = Some(cause.0.family);
        let size = eigenvalue.max(0.0).sqrt();
        for (row, number) in measured.iter_mut().enumerate() {
            number.add_part(
                &cause,
                scales[row] * size * eigen.eigenvectors[(row, index)],
            );
        }
    }
    Some(measured)
}

/// Mean of repeated independent observations with the standard uncertainty of the mean (GUM 4.2.3);
/// none below two observations.
#[must_use]
pub fn mean_of_repeats(observations: &[f64], name: &str) -> Option<Measured> {
    if observations.len() < 2 {
        return None;
    }
    let count = observations.len() as f64;
    let mean = observations.iter().sum::<f64>() / count;
    let squares: f64 = observations.iter().map(|x| (x - mean).powi(2)).sum();
    let u = (squares / (count - 1.0) / count).sqrt();
    Some(Measured::new(mean, u, &Cause::type_a(name, count - 1.0)))
}

/// One draw of all causes, in standard deviations of each.
#[derive(Clone, Debug, Default)]
pub struct Draw(BTreeMap<u64, f64>);

impl Draw {
    /// What was drawn for a cause; 0 for one that was not drawn.
    #[must_use]
    pub fn of(&self, cause: &Cause) -> f64 {
        self.0.get(&cause.id()).copied().unwrap_or(0.0)
    }
}

/// Draws causes reproducibly.
#[derive(Debug)]
pub struct Drawer {
    causes: Vec<Cause>,
    random: ChaCha8Rng,
}

impl Drawer {
    /// For all causes of the given numbers; `key` makes the run reproducible.
    #[must_use]
    pub fn new<'a>(numbers: impl IntoIterator<Item = &'a Measured>, key: u64) -> Self {
        let mut causes: BTreeMap<u64, Cause> = BTreeMap::new();
        for number in numbers {
            for (cause, _) in number.parts() {
                causes.insert(cause.id(), cause.clone());
            }
        }
        Self {
            causes: causes.into_values().collect(),
            random: ChaCha8Rng::seed_from_u64(key),
        }
    }

    /// The next draw.
    pub fn draw(&mut self) -> Draw {
        let random = &mut self.random;
        Draw(
            self.causes
                .iter()
                .map(|cause| (cause.id(), deviate(cause, random)))
                .collect(),
        )
    }
}

/// A deviate of a cause in units of its standard uncertainty (JCGM 101, 6.4).
fn deviate(cause: &Cause, random: &mut impl Rng) -> f64 {
    match cause.shape() {
        Shape::Rectangular => (random.random::<f64>() * 2.0 - 1.0) * 3f64.sqrt(),
        Shape::Triangular => (random.random::<f64>() - random.random::<f64>()) * 6f64.sqrt(),
        Shape::Normal => match StudentT::new(cause.degrees_of_freedom()) {
            Ok(t) if cause.degrees_of_freedom() < 1e6 => t.sample(random),
            _ => StandardNormal.sample(random),
        },
    }
}

/// What a Monte Carlo run says about one number.
#[derive(Clone, Debug, PartialEq)]
pub struct Sampled {
    /// Mean.
    pub mean: f64,
    /// Standard deviation.
    pub standard_deviation: f64,
    /// Standard error of `standard_deviation`, from the fourth moment.
    pub standard_error_of_deviation: f64,
    /// Limits of the shortest interval that holds the asked share.
    pub shortest: (f64, f64),
    /// Limits of the interval with equal tails.
    pub symmetric: (f64, f64),
    /// Number of draws.
    pub draws: usize,
}

/// Summary of drawn values for a coverage probability (JCGM 101, 7.5 to 7.7); none below 100 values.
#[must_use]
pub fn sampled(values: &[f64], probability: f64) -> Option<Sampled> {
    let draws = values.len();
    if draws < 100 || values.iter().any(|value| !value.is_finite()) {
        return None;
    }
    let count = draws as f64;
    let mean = values.iter().sum::<f64>() / count;
    let moment = |power: i32| values.iter().map(|x| (x - mean).powi(power)).sum::<f64>() / count;
    let variance = moment(2);
    let standard_deviation = (variance * count / (count - 1.0)).sqrt();
    let spread_of_variance = ((moment(4) - variance * variance).max(0.0) / count).sqrt();
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let held = ((probability.clamp(0.0, 1.0) * count) as usize).min(draws - 1);
    let start = (0..draws - held)
        .min_by(|one, other| {
            (sorted[one + held] - sorted[*one]).total_cmp(&(sorted[other + held] - sorted[*other]))
        })
        .unwrap_or(0);
    let low = (draws - held) / 2;
    Some(Sampled {
        mean,
        standard_deviation,
        standard_error_of_deviation: if standard_deviation > 0.0 {
            spread_of_variance / (2.0 * standard_deviation)
        } else {
            0.0
        },
        shortest: (sorted[start], sorted[start + held]),
        symmetric: (sorted[low], sorted[low + held]),
        draws,
    })
}

/// Whether the interval value ± `expanded` of the linear propagation agrees with the drawn one with equal tails, both for
/// the same coverage, to one significant digit of `u` (JCGM 101, 8.1: both ends within half a unit of that digit).
#[must_use]
pub fn linear_interval_holds(value: f64, u: f64, expanded: f64, drawn: &Sampled) -> bool {
    if !(u.is_finite() && u > 0.0) {
        return false;
    }
    let mut place = u.log10().floor();
    // 0.96 is 1 to one digit.
    if (u / 10f64.powf(place)).round() >= 10.0 {
        place += 1.0;
    }
    let tolerance = 0.5 * 10f64.powf(place);
    let (low, high) = drawn.symmetric;
    (value - expanded - low).abs() <= tolerance && (value + expanded - high).abs() <= tolerance
}

/// Value and standard uncertainty as text: the uncertainty to two significant digits, the value to
/// the same decimal place (GUM 7.2.6). The one rounding rule of the program.
#[must_use]
pub fn rounded(value: f64, u: f64) -> (String, String) {
    if !(u.is_finite() && u > 0.0 && value.is_finite()) {
        return (format!("{value}"), format!("{u}"));
    }
    let mut place = u.log10().floor() as i32 - 1;
    // 0.0996 rounds up to 0.10: one place less.
    if (u / 10f64.powi(place)).round() >= 100.0 {
        place += 1;
    }
    if place >= 0 {
        let step = 10f64.powi(place);
        (
            format!("{:.0}", (value / step).round() * step),
            format!("{:.0}", (u / step).round() * step),
        )
    } else {
        let decimals = place.unsigned_abs() as usize;
        (format!("{value:.decimals$}"), format!("{u:.decimals$}"))
    }
}

impl std::fmt::Display for Measured {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (value, u) = rounded(self.value, self.u());
        write!(f, "{value} ± {u}")
    }
}

/// Values of several numbers as a vector.
#[must_use]
pub fn values_of(numbers: &[Measured]) -> DVector<f64> {
    DVector::from_iterator(numbers.len(), numbers.iter().map(Measured::value))
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    fn near(found: f64, wanted: f64, tolerance: f64, what: &str) {
        assert!(
            (found - wanted).abs() <= tolerance,
            "{what}: {found} is not {wanted}"
        );
    }

    /// JCGM 100, example H.1 (end gauge); inputs and model from memory of the document, results as recomputed
    /// with PyPI GTC 1.5.1: l 50000838.0 nm, u 31.7051, nu 16.6446, U99 92.604.
    #[test]
    fn end_gauge_of_the_guide() {
        let type_a =
            |name: &str, u: f64, dof: f64| Measured::new(0.0, u, &Cause::type_a(name, dof));
        let standard = type_a("standard", 25.0, 18.0).shifted(50_000_623.0);
        let difference = type_a("repeats", 5.8, 24.0)
            .plus(&type_a("comparator, random", 3.9, 5.0))
            .plus(&type_a("comparator, systematic", 6.7, 8.0))
            .shifted(215.0);
        let expansion = Measured::new(
            11.5e-6,
            1.2e-6,
            &Cause::type_b("expansion", Shape::Rectangular),
        );
        let temperature = Measured::new(-0.1, 0.41, &Cause::type_b("temperature", Shape::Normal));
        let expansion_difference = type_a("difference of expansion", 0.58e-6, 50.0);
        let temperature_difference = type_a("difference of temperature", 0.029, 2.0);
        let ls = standard.value();
        let length = Measured::combine(
            50_000_838.0,
            &[
                (&standard, 1.0),
                (&difference, 1.0),
                (&expansion, 0.0),
                (&temperature, 0.0),
                (&expansion_difference, -ls * temperature.value()),
                (&temperature_difference, -ls * expansion.value()),
            ],
        );
        near(difference.u(), 9.7, 0.05, "u(d), GUM");
        // The document rounds the inputs that are written here.
        near(difference.degrees_of_freedom(), 25.6, 0.2, "nu(d), GUM");
        near(length.u(), 32.0, 0.5, "u, GUM");
        near(length.u(), 31.7051, 5e-4, "u");
        near(length.degrees_of_freedom(), 16.6446, 1e-3, "nu");
        // GTC and the document cut nu down to 16; here t is taken at nu itself.
        near(
            coverage_factor(16.0, 0.99) * length.u(),
            92.604,
            2e-3,
            "U99",
        );
        near(
            coverage_factor(16.0, 0.99) * length.u(),
            93.0,
            0.5,
            "U99, GUM",
        );
        near(coverage_factor(16.0, 0.99), 2.92, 0.005, "t99(16), GUM");
        let shares: f64 = length.budget().iter().map(|row| row.share).sum();
        near(shares, 1.0, 1e-12, "shares");
    }

    /// JCGM 100, example H.2 (resistance and reactance); data from memory of the document, results as in
    /// PyPI suncal 1.7.1 (test/test_GUMH2.csv, test_examples.py) and recomputed to more digits.
    #[test]
    fn simultaneous_readings_of_the_guide() {
        let v = [5.007, 4.994, 5.005, 4.990, 4.999];
        let i = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3];
        let phi = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433];
        let mean = |x: &[f64]| x.iter().sum::<f64>() / 5.0;
        let all = [&v[..], &i[..], &phi[..]];
        let means: Vec<f64> = all.iter().map(|x| mean(x)).collect();
        let covariance = DMatrix::from_fn(3, 3, |a, b| {
            (0..5)
                .map(|k| (all[a][k] - means[a]) * (all[b][k] - means[b]))
                .sum::<f64>()
                / 20.0
        });
        let m = correlated(&means, &covariance, "repeats", Kind::A, 4.0).unwrap();
        near(m[0].correlation(&m[1]).unwrap(), -0.355_311, 1e-5, "r(V,I)");
        near(
            m[0].correlation(&m[2]).unwrap(),
            0.857_624,
            1e-5,
            "r(V,phi)",
        );
        near(
            m[1].correlation(&m[2]).unwrap(),
            -0.645_111,
            1e-5,
            "r(I,phi)",
        );
        let z = m[0].divided_by(&m[1]).unwrap();
        let angle = m[2].value();
        let r = z.times(&m[2].map(angle.cos(), -angle.sin()));
        let x = z.times(&m[2].map(angle.sin(), angle.cos()));
        for (found, value, u) in [
            (&r, 127.732_169_93, 0.071_071_41),
            (&x, 219.846_511_91, 0.295_581_68),
            (&z, 254.259_701_95, 0.236_336_13),
        ] {
            near(found.value(), value, 1e-7, "value");
            near(found.u(), u, 1e-7, "u");
            near(
                found.degrees_of_freedom(),
                4.0,
                1e-9,
                "one statistic has its own nu",
            );
        }
        near(r.correlation(&x).unwrap(), -0.588_430, 1e-5, "r(R,X)");
        near(r.correlation(&z).unwrap(), -0.485_259, 1e-5, "r(R,Z)");
        near(x.correlation(&z).unwrap(), 0.992_512, 1e-5, "r(X,Z)");
    }

    /// JCGM 100, table G.2; cells as in PyPI suncal 1.7.1 (test/test_ttable.py).
    #[test]
    fn coverage_factors_of_the_guide() {
        for (dof, wanted) in [
            (1.0, [1.84, 12.71, 63.66, 235.8]),
            (10.0, [1.05, 2.23, 3.17, 3.96]),
            (20.0, [1.03, 2.09, 2.85, 3.42]),
        ] {
            for (p, t) in [0.6827, 0.95, 0.99, 0.9973].into_iter().zip(wanted) {
                let half_digit = if t > 100.0 { 0.05 } else { 0.005 };
                near(coverage_factor(dof, p), t, half_digit + 1e-9, "t");
            }
        }
    }

    /// Welch and Satterthwaite: 0.57 with 9 degrees and 0.25 without limit give 12.8 (PyPI suncal 1.7.1, test_examples.py).
    #[test]
    fn effective_degrees_of_freedom() {
        let sum = Measured::new(0.0, 0.57, &Cause::type_a("repeats", 9.0)).plus(&Measured::new(
            0.0,
            0.25,
            &Cause::type_b("data sheet", Shape::Normal),
        ));
        near(sum.degrees_of_freedom(), 12.8, 0.05, "nu");
    }

    /// JCGM 101, 9.2: sums of four inputs of unit width; half widths of the 95 % interval as in PyPI suncal 1.7.1.
    #[test]
    fn monte_carlo_of_the_supplement() {
        const DRAWS: usize = 200_000;
        let half_width = |shape: Shape, us: [f64; 4]| {
            let inputs: Vec<Measured> = us
                .iter()
                .map(|u| Measured::new(0.0, *u, &Cause::type_b("input", shape)))
                .collect();
            let sum = inputs
                .iter()
                .fold(Measured::exact(0.0), |sum, input| sum.plus(input));
            let mut drawer = Drawer::new(&inputs, 7);
            let values: Vec<f64> = (0..DRAWS).map(|_| sum.drawn(&drawer.draw())).collect();
            let found = sampled(&values, 0.95).unwrap();
            near(
                found.standard_deviation,
                sum.u(),
                5.0 * found.standard_error_of_deviation,
                "deviation",
            );
            0.5 * (found.symmetric.1 - found.symmetric.0)
        };
        // Standard error of a half width here is about 0.008 units.
        near(half_width(Shape::Normal, [1.0; 4]), 3.92, 0.04, "9.2.2");
        near(
            half_width(Shape::Rectangular, [1.0; 4]),
            3.88,
            0.04,
            "9.2.3",
        );
        near(
            half_width(Shape::Rectangular, [1.0, 1.0, 1.0, 10.0]),
            17.0,
            0.12,
            "9.2.4",
        );
    }

    /// JCGM 101, 9.3 (calibration of a mass) and 9.4 (mismatch of a power meter); models and inputs from memory of the
    /// document, results from memory: mass 1.234 mg, u 0.0754, 95 % from 1.083 to 1.382, linear u 0.0539; mismatch with x1 = 0,
    /// 0.010, 0.050: mean 50, 150, 2551, u 50, 112, 502, 95 % from 0, 0, 1590 to 150, 367, 3543 (in 1e-6).
    #[test]
    fn where_the_linear_propagation_fails() {
        const DRAWS: usize = 200_000;
        let rectangular = |name: &str, low: f64, high: f64| {
            Measured::new(
                0.5 * (low + high),
                (high - low) / 12f64.sqrt(),
                &Cause::type_b(name, Shape::Rectangular),
            )
        };
        let normal =
            |name: &str, x: f64, u: f64| Measured::new(x, u, &Cause::type_b(name, Shape::Normal));
        let inputs = [
            normal("reference weight", 100_000.0, 0.050),
            normal("difference", 1.234, 0.020),
            rectangular("air", 1.10, 1.30),
            rectangular("density of the weight", 7000.0, 9000.0),
            rectangular("density of the reference", 7950.0, 8050.0),
        ];
        let mass = |x: &[f64]| {
            (x[0] + x[1]) * (1.0 + (x[2] - 1.2) * (1.0 / x[3] - 1.0 / x[4])) - 100_000.0
        };
        let run = |inputs: &[Measured], model: &dyn Fn(&[f64]) -> f64| {
            let mut drawer = Drawer::new(inputs, 11);
            let values: Vec<f64> = (0..DRAWS)
                .map(|_| {
                    let draw = drawer.draw();
                    let x: Vec<f64> = inputs.iter().map(|input| input.drawn(&draw)).collect();
                    model(&x)
                })
                .collect();
            sampled(&values, 0.95).unwrap()
        };
        let found = run(&inputs, &mass);
        near(found.mean, 1.234, 0.001, "mass");
        near(found.standard_deviation, 0.0754, 0.0006, "u of the mass");
        near(found.shortest.0, 1.083, 0.006, "low");
        near(found.shortest.1, 1.382, 0.006, "high");
        // Air and densities act only together: their linear terms vanish.
        let linear = 0.050f64.hypot(0.020);
        near(linear, 0.0539, 5e-5, "linear u");
        assert!(!linear_interval_holds(1.234, linear, 1.96 * linear, &found));

        for (x1, mean, u, low, high) in [
            (0.0, 50.0, 50.0, 0.0, 150.0),
            (0.010, 150.0, 112.0, 0.0, 367.0),
            (0.050, 2551.0, 502.0, 1590.0, 3543.0),
        ] {
            let inputs = [
                normal("real part", x1, 0.005),
                normal("imaginary part", 0.0, 0.005),
            ];
            let found = run(&inputs, &|x| 1e6 * (x[0] * x[0] + x[1] * x[1]));
            near(found.mean, mean, 0.01 * mean, "mismatch");
            near(found.standard_deviation, u, 0.015 * u, "u of the mismatch");
            near(found.shortest.0, low, 0.03 * u, "low end");
            near(found.shortest.1, high, 0.03 * u, "high end");
            let linear = 1e6 * 2.0 * x1 * 0.005;
            let holds = linear_interval_holds(1e6 * x1 * x1, linear, 1.96 * linear, &found);
            assert!(!holds, "x1 = {x1}");
        }
        // A sum of normal inputs is what the linear propagation is for.
        let sum = run(&[normal("a", 0.0, 1.0), normal("b", 0.0, 1.0)], &|x| {
            x[0] + x[1]
        });
        assert!(linear_interval_holds(
            0.0,
            2f64.sqrt(),
            1.96 * 2f64.sqrt(),
            &sum
        ));
    }

    #[test]
    fn drawn_causes_have_their_width() {
        const DRAWS: usize = 100_000;
        for (cause, wanted) in [
            (Cause::type_b("rectangular", Shape::Rectangular), 1.0),
            (Cause::type_b("triangular", Shape::Triangular), 1.0),
            // Student's t with 5 degrees has the variance 5/3.
            (Cause::type_a("repeats", 5.0), (5.0f64 / 3.0).sqrt()),
        ] {
            let number = Measured::new(2.0, 0.5, &cause);
            let mut drawer = Drawer::new([&number], 3);
            let values: Vec<f64> = (0..DRAWS).map(|_| number.drawn(&drawer.draw())).collect();
            let found = sampled(&values, 0.95).unwrap();
            near(
                found.mean,
                2.0,
                5.0 * 0.5 * wanted / (DRAWS as f64).sqrt(),
                "mean",
            );
            near(
                found.standard_deviation,
                0.5 * wanted,
                6.0 * found.standard_error_of_deviation,
                cause.name(),
            );
        }
    }

    /// A shared cause leaves differences and stays in sums.
    #[test]
    fn shared_causes_correlate() {
        let shared = Cause::type_b("shared", Shape::Normal);
        let own = Cause::type_b("own", Shape::Normal);
        let one = Measured::new(3.0, 0.4, &shared);
        let other = Measured::new(5.0, 0.4, &shared).with(&own, 0.3);
        near(one.minus(&other).u(), 0.3, 1e-12, "difference");
        near(one.plus(&other).u(), (0.64f64 + 0.09).sqrt(), 1e-12, "sum");
        near(one.correlation(&other).unwrap(), 0.8, 1e-12, "correlation");
        near(one.minus(&one).u(), 0.0, 0.0, "itself");
        let (own_u, common) = own_and_shared(&[one.clone(), other.clone()]);
        near(own_u[0], 0.0, 1e-9, "own");
        near(own_u[1], 0.3, 1e-9, "own");
        assert_eq!(common.shape(), (2, 1));
        assert!(one.divided_by(&Measured::exact(0.0)).is_none());
    }

    #[test]
    fn a_matrix_that_is_no_covariance_is_refused() {
        let bad = DMatrix::from_row_slice(2, 2, &[1.0, 2.0, 2.0, 1.0]);
        assert!(correlated(&[0.0, 0.0], &bad, "bad", Kind::A, 3.0).is_none());
        let negative = DMatrix::from_row_slice(1, 1, &[-1.0]);
        assert!(correlated(&[0.0], &negative, "bad", Kind::A, 3.0).is_none());
    }

    /// JCGM 100, 7.2.6: the uncertainty to two digits, the value to the same place.
    #[test]
    fn rounding_to_the_uncertainty() {
        let text = |value, u| rounded(value, u);
        let pair = |a: &str, b: &str| (a.to_owned(), b.to_owned());
        assert_eq!(text(1.620_040_137, 0.000_292_4), pair("1.62004", "0.00029"));
        assert_eq!(text(10.057_62, 0.0272), pair("10.058", "0.027"));
        assert_eq!(text(0.5, 0.0996), pair("0.50", "0.10"));
        assert_eq!(text(12_345.0, 678.0), pair("12350", "680"));
        assert_eq!(text(36.366_491, 0.512_49), pair("36.37", "0.51"));
    }
}
