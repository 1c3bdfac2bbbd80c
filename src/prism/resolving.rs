//! What the prism does to wavelengths at each line: angular dispersion and resolving power as it is used.
//!
//! dδ/dλ = (dn/dλ) / (dn/dδ), from Fraunhofer's relation; R = λ/Δλ = b |dn/dλ|, where b is the length of glass that the
//! longest ray passes less that of the shortest, the whole base where light fills the prism (Rayleigh, Phil. Mag. 8
//! (1879) 261 and 477; from memory). A slit image of the angular width w sets its own limit, λ |dδ/dλ| / w.
//! The slope is that of the curve corrected for real glasses, so that its model counts in the uncertainty.

use crate::basics::uncertainty::{Cause, Measured, Shape};
use crate::basics::units::{ARCSEC_PER_DEG, Wavelength};

use super::PrismError;
use super::glasses::GlassTable;
use super::reduce::Reduction;

/// Half the step over which the slope of the curve is taken, nm. The error of the third order is below 1e-4 of the slope.
const STEP_NM: f64 = 1.0;

/// The base of the prism as light fills it, and the slit image. Given by who knows the instrument.
#[derive(Clone, Debug, Default)]
pub struct Aperture {
    /// Length of the base that light fills, mm.
    pub base_mm: Option<Measured>,
    /// Width of the slit image at half of its height, seconds of arc.
    pub slit_arcsec: Option<Measured>,
}

/// Largest base that is believed, mm.
const LARGEST_BASE_MM: f64 = 1000.0;
/// Largest width of a slit image that is believed, seconds of arc.
const WIDEST_SLIT_ARCSEC: f64 = 7200.0;

impl Aperture {
    /// From the base and the slit's width with their standard uncertainties, mm and seconds of arc.
    ///
    /// # Errors
    /// A length, width or uncertainty that is none: a sentence.
    pub fn new(
        base_mm: Option<(f64, f64)>,
        slit_arcsec: Option<(f64, f64)>,
    ) -> Result<Self, PrismError> {
        let checked = |given: Option<(f64, f64)>, what: &str, unit: &str, most: f64| match given {
            None => Ok(None),
            Some((value, u))
                if value > 0.0 && value <= most && u >= 0.0 && u.is_finite() && u < value =>
            {
                Ok(Some(Measured::new(
                    value,
                    u,
                    &Cause::type_b(what, Shape::Normal),
                )))
            }
            Some((value, u)) => Err(PrismError(format!(
                "the {what} was given as {value} {unit} with an uncertainty of {u} {unit}: give {unit} above 0 and up to {most}, and an uncertainty from 0 to well below it"
            ))),
        };
        Ok(Self {
            base_mm: checked(base_mm, "length of the prism's base", "mm", LARGEST_BASE_MM)?,
            slit_arcsec: checked(
                slit_arcsec,
                "width of the slit image",
                "seconds of arc",
                WIDEST_SLIT_ARCSEC,
            )?,
        })
    }
}

/// What the prism does to wavelengths at one line.
#[derive(Clone, Debug)]
pub struct Resolving {
    /// Name of the line.
    pub line: String,
    /// Its wavelength.
    pub wavelength: Wavelength,
    /// By how much the minimum deviation falls per nm, seconds of arc per nm.
    pub angular_dispersion_arcsec_per_nm: Measured,
    /// Resolving power λ/Δλ that diffraction allows; none where the base is not known.
    pub resolving_power: Option<Measured>,
    /// Resolving power that the slit allows; none where its width is not known.
    pub slit_resolving_power: Option<Measured>,
    /// Smallest difference of two wavelengths that are seen apart, nm, by the smaller of the two powers.
    pub resolved_nm: Option<Measured>,
}

/// Angular dispersion and resolving power at every line of a reduction, repeats of a line once; empty without a curve.
#[must_use]
pub fn resolving(
    reduction: &Reduction,
    aperture: &Aperture,
    glasses: &GlassTable,
) -> Vec<Resolving> {
    let Ok(fit) = &reduction.dispersion else {
        return Vec::new();
    };
    let mut lines: Vec<&super::ReducedLine> = Vec::new();
    for line in &reduction.lines {
        let nm = line.wavelength.in_air_nm();
        if lines
            .iter()
            .all(|other| (other.wavelength.in_air_nm() - nm).abs() > 1e-3)
        {
            lines.push(line);
        }
    }
    let places: Vec<Wavelength> = lines
        .iter()
        .flat_map(|line| {
            let nm = line.wavelength.in_air_nm();
            [nm + STEP_NM, nm - STEP_NM].map(Wavelength::air_nm)
        })
        .collect();
    let indices = fit.indices_with_departure(&places, &reduction.indexed, glasses);
    lines
        .iter()
        .zip(indices.chunks_exact(2))
        .filter_map(|(line, pair)| {
            let [red, blue] = pair else { return None };
            let slope_per_nm = blue.minus(red).scaled(0.5 / STEP_NM);
            let nm = line.wavelength.in_air_nm();
            let angular = angular_dispersion(
                &slope_per_nm,
                &reduction.prism_angle_deg,
                &line.deviation_deg,
            )?;
            let power = aperture
                .base_mm
                .as_ref()
                .map(|base| base.scaled(1e6).times(&slope_per_nm));
            let by_slit = aperture
                .slit_arcsec
                .as_ref()
                .and_then(|width| angular.scaled(nm).divided_by(width));
            let smaller = match (&power, &by_slit) {
                (Some(one), Some(other)) if one.value() <= other.value() => Some(one),
                (Some(_), Some(other)) => Some(other),
                (one, other) => one.as_ref().or(other.as_ref()),
            };
            Some(Resolving {
                line: line.line.clone(),
                wavelength: line.wavelength,
                resolved_nm: smaller.and_then(|power| Measured::exact(nm).divided_by(power)),
                angular_dispersion_arcsec_per_nm: angular,
                resolving_power: power,
                slit_resolving_power: by_slit,
            })
        })
        .collect()
}

/// |dδ/dλ| in seconds of arc per nm, from |dn/dλ| per nm: divided by dn/dδ = cos((A + δ)/2) / (2 sin(A/2)).
fn angular_dispersion(
    slope_per_nm: &Measured,
    prism_angle_deg: &Measured,
    deviation_deg: &Measured,
) -> Option<Measured> {
    let half_prism = 0.5 * prism_angle_deg.value().to_radians();
    let half_sum = half_prism + 0.5 * deviation_deg.value().to_radians();
    let by_deviation = half_sum.cos() / (2.0 * half_prism.sin());
    let per_deg = 1f64.to_radians();
    // Partial derivatives of dn/dδ.
    let by_angle = -(half_sum - half_prism).cos() / (4.0 * half_prism.sin().powi(2)) * per_deg;
    let by_own = -half_sum.sin() / (4.0 * half_prism.sin()) * per_deg;
    let divisor = Measured::combine(
        by_deviation,
        &[(prism_angle_deg, by_angle), (deviation_deg, by_own)],
    );
    Some(
        slope_per_nm
            .divided_by(&divisor)?
            .scaled(1f64.to_degrees() * ARCSEC_PER_DEG),
    )
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::super::index::deviation_at_minimum_deg;
    use super::*;

    /// The derivatives of dn/dδ against differences of the deviation itself.
    #[test]
    fn angular_dispersion_is_the_derivative_of_the_deviation() {
        let angle = |deg: f64, u: f64| Measured::new(deg, u, &Cause::type_b("x", Shape::Normal));
        let (a, n, slope) = (60.0, 1.62, 1.1e-4);
        let deviation = |a: f64, n: f64| deviation_at_minimum_deg(a, n).unwrap();
        let of = |a: f64, d: f64| {
            angular_dispersion(
                &Measured::exact(slope),
                &Measured::exact(a),
                &Measured::exact(d),
            )
            .unwrap()
            .value()
        };
        let d = deviation(a, n);
        let difference = (deviation(a, n + slope) - deviation(a, n - slope)) / 2.0 * 3600.0;
        assert!((of(a, d) / difference - 1.0).abs() < 1e-6);
        // Sensitivities to the angle and to the deviation.
        let step = 1e-4;
        let by_a = (of(a + step, d) - of(a - step, d)) / (2.0 * step);
        let by_d = (of(a, d + step) - of(a, d - step)) / (2.0 * step);
        let u =
            angular_dispersion(&Measured::exact(slope), &angle(a, 0.1), &angle(d, 0.2)).unwrap();
        assert!(
            (u.u() / (0.1 * by_a).hypot(0.2 * by_d) - 1.0).abs() < 1e-6,
            "{}",
            u.u()
        );
    }

    #[test]
    fn lengths_that_are_none_are_refused() {
        for base in [
            (0.0, 0.1),
            (-30.0, 0.1),
            (f64::NAN, 0.1),
            (30.0, -0.1),
            (30.0, f64::NAN),
            (30.0, 40.0),
            (1e9, 1.0),
        ] {
            let said = Aperture::new(Some(base), None).unwrap_err().0;
            assert!(said.contains("base") && said.contains("mm"), "{said}");
            assert!(Aperture::new(None, Some(base)).is_err() || base.0 > 0.0);
        }
        assert!(Aperture::new(Some((30.0, 0.5)), Some((40.0, 2.0))).is_ok());
    }
}
