//! Rays through the prism: Snell's law twice, as vectors.
//!
//! Frame of reference: the circle's plane is x–y, z is up, angles run anticlockwise. The collimator
//! sends its axis ray along +x (azimuth 0). A prism that deviates anticlockwise sends it out at a
//! positive azimuth; that azimuth is the deviation.

/// A direction, unit length.
pub(crate) type Direction = [f64; 3];

/// Direction of a ray with azimuth and elevation, both in radians.
pub(crate) fn direction(azimuth_rad: f64, elevation_rad: f64) -> Direction {
    let (sin_e, cos_e) = elevation_rad.sin_cos();
    let (sin_a, cos_a) = azimuth_rad.sin_cos();
    [cos_e * cos_a, cos_e * sin_a, sin_e]
}

/// Azimuth of a direction in the circle's plane, radians in (-π, π].
pub(crate) fn azimuth(d: Direction) -> f64 {
    d[1].atan2(d[0])
}

/// Elevation of a direction above the circle's plane, radians.
pub(crate) fn elevation(d: Direction) -> f64 {
    d[2].atan2(d[0].hypot(d[1]))
}

pub(crate) fn dot(a: Direction, b: Direction) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// Refracts `d` at a plane whose unit normal points the way the light goes.
///
/// `ratio` is the index before over the index behind the plane. `None` is total reflection.
/// Vector form of Snell's law: the component along the plane is multiplied by `ratio`.
pub(crate) fn refract(d: Direction, normal: Direction, ratio: f64) -> Option<Direction> {
    let cos_in = dot(d, normal);
    let cos_out_squared = 1.0 - ratio * ratio * (1.0 - cos_in * cos_in);
    if cos_in <= 0.0 || cos_out_squared <= 0.0 {
        return None;
    }
    let along = cos_out_squared.sqrt() - ratio * cos_in;
    Some(std::array::from_fn(|k| ratio * d[k] + along * normal[k]))
}

/// Reflects `d` at a plane with unit normal `normal`.
pub(crate) fn reflect(d: Direction, normal: Direction) -> Direction {
    let twice = 2.0 * dot(d, normal);
    std::array::from_fn(|k| d[k] - twice * normal[k])
}

/// A prism on its table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prism {
    /// Refracting angle, degrees.
    pub refracting_angle_deg: f64,
    /// How far the normals of the entrance and the exit face lean out of the circle's plane,
    /// arcsec: the levelling error.
    pub lean_arcsec: [f64; 2],
}

impl Prism {
    /// A levelled prism.
    #[must_use]
    pub fn level(refracting_angle_deg: f64) -> Self {
        Self {
            refracting_angle_deg,
            lean_arcsec: [0.0; 2],
        }
    }

    /// Sends a ray through the prism.
    ///
    /// `table_deg` is the angle of incidence of the axis ray, degrees: the table's angle counted
    /// from where the axis ray enters along the normal. `None` where the ray does not get through.
    pub(crate) fn trace(&self, ray: Direction, table_deg: f64, index: f64) -> Option<Direction> {
        let entrance = direction(table_deg.to_radians(), arcsec(self.lean_arcsec[0]));
        let exit = direction(
            (table_deg - self.refracting_angle_deg).to_radians(),
            arcsec(self.lean_arcsec[1]),
        );
        let inside = refract(ray, entrance, 1.0 / index)?;
        refract(inside, exit, index)
    }

    /// Table angle at which a ray that enters with `elevation_rad` is least deviated, degrees, and
    /// that deviation, degrees. `None` if no ray gets through.
    ///
    /// A golden-section search on the trace itself, so that no formula of minimum deviation is used.
    pub(crate) fn least_deviation(&self, elevation_rad: f64, index: f64) -> Option<(f64, f64)> {
        let deviation = |table_deg: f64| {
            self.trace(direction(0.0, elevation_rad), table_deg, index)
                .map_or(f64::INFINITY, azimuth)
        };
        let (mut low, mut high) = (f64::NAN, f64::NAN);
        let mut best = f64::INFINITY;
        for step in 0..180 {
            let table = 0.5 * f64::from(step);
            let here = deviation(table);
            if here < best {
                best = here;
                (low, high) = (table - 0.5, table + 0.5);
            }
        }
        if !best.is_finite() {
            return None;
        }
        let table = golden_minimum(low, high, deviation);
        Some((table, deviation(table).to_degrees()))
    }
}

/// Where `f` is least between `low` and `high`.
///
/// Golden section down to where rounding blurs a minimum, then the vertex of a parabola through
/// three points around it, which reaches further.
pub(crate) fn golden_minimum(mut low: f64, mut high: f64, f: impl Fn(f64) -> f64) -> f64 {
    let share = 0.5 * (5_f64.sqrt() - 1.0);
    let span = high - low;
    let mut a = high - share * (high - low);
    let mut b = low + share * (high - low);
    let (mut f_a, mut f_b) = (f(a), f(b));
    while high - low > 1e-3 * span {
        if f_a < f_b {
            (high, b, f_b) = (b, a, f_a);
            a = high - share * (high - low);
            f_a = f(a);
        } else {
            (low, a, f_a) = (a, b, f_b);
            b = low + share * (high - low);
            f_b = f(b);
        }
    }
    let mut middle = 0.5 * (low + high);
    for step in [1e-2 * span, 2e-3 * span] {
        let (left, centre, right) = (f(middle - step), f(middle), f(middle + step));
        let bend = left - 2.0 * centre + right;
        if bend.is_finite() && bend > 0.0 {
            middle += (0.5 * step * (left - right) / bend).clamp(-step, step);
        }
    }
    middle
}

/// Radians from seconds of arc.
pub(crate) fn arcsec(seconds: f64) -> f64 {
    (seconds / 3600.0).to_radians()
}

/// Seconds of arc from radians.
pub(crate) fn to_arcsec(radians: f64) -> f64 {
    radians.to_degrees() * 3600.0
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use crate::simulate::glass::{F2, GLASSES, Glass};

    const BK7: Glass = GLASSES[1];

    /// Deviations of a 60-degree prism at minimum and at 45, 50, 60, 70 degrees of incidence,
    /// traced alike by two independent open libraries (optiland 0.6.3 and rayoptics 0.9.8).
    const TRACED: [(Glass, f64, f64, [f64; 4]); 4] = [
        (
            BK7,
            656.272_5,
            38.429_136_703_6,
            [
                38.720_093_206_5,
                38.438_411_794_7,
                40.001_140_832_5,
                43.956_032_866_6,
            ],
        ),
        (
            BK7,
            546.074,
            38.815_792_288_2,
            [
                39.139_224_667_2,
                38.821_137_655_1,
                40.349_188_588_9,
                44.292_020_392_5,
            ],
        ),
        (
            F2,
            546.074,
            48.591_488_315_9,
            [
                50.871_775_094_7,
                49.001_778_105_8,
                49.185_606_681_1,
                52.633_572_110_2,
            ],
        ),
        (
            F2,
            435.834_3,
            50.371_844_676_3,
            [
                53.414_045_731_3,
                51.018_133_239_0,
                50.819_010_095_0,
                54.131_012_361_6,
            ],
        ),
    ];

    #[test]
    fn deviations_agree_with_two_other_ray_tracers() {
        let prism = Prism::level(60.0);
        for (glass, wavelength_nm, least, at) in TRACED {
            let index = glass.index(wavelength_nm);
            let (_, found) = prism.least_deviation(0.0, index).unwrap();
            assert!((found - least).abs() < 1e-9, "least {found} {least}");
            for (table, expected) in [45.0, 50.0, 60.0, 70.0].into_iter().zip(at) {
                let out = prism.trace(direction(0.0, 0.0), table, index).unwrap();
                let found = azimuth(out).to_degrees();
                assert!(
                    (found - expected).abs() < 1e-9,
                    "{index} {table}: {found} {expected}"
                );
            }
        }
    }

    #[test]
    fn catalogue_glass_gives_the_traced_deviations_to_the_last_digit() {
        // F2 at the standard lines d and F, coefficients against deviations of the same libraries.
        for (nm, least) in [(587.561_8, 48.195_784_443_2), (486.132_7, 49.380_794_199_2)] {
            let (_, found) = Prism::level(60.0)
                .least_deviation(0.0, F2.index(nm))
                .unwrap();
            assert!((found - least).abs() < 1e-9, "{nm}: {found} {least}");
        }
        let (_, found) = Prism::level(60.0)
            .least_deviation(0.0, GLASSES[2].index(546.074))
            .unwrap();
        assert!((found - 60.258_414_925_2).abs() < 1e-9, "SF10 e: {found}");
    }

    #[test]
    fn skew_rays_agree_with_two_other_ray_tracers() {
        // F2, line e, at the table angle of minimum deviation; shift in arcsec by elevation.
        let index = F2.index(546.074);
        let prism = Prism::level(60.0);
        let table = 54.295_744_157_9;
        let straight = azimuth(prism.trace(direction(0.0, 0.0), table, index).unwrap());
        for (degrees, shift) in [
            (0.5, 13.571),
            (1.0, 54.298),
            (2.0, 217.403),
            (3.0, 489.951),
            (5.0, 1368.100),
        ] {
            let out = prism
                .trace(direction(0.0, f64::to_radians(degrees)), table, index)
                .unwrap();
            let found = to_arcsec(azimuth(out) - straight);
            assert!((found - shift).abs() < 6e-4, "{degrees}: {found} {shift}");
            assert!((elevation(out).to_degrees() - degrees).abs() < 1e-12);
        }
        let out = prism
            .trace(direction(0.0, 2_f64.to_radians()), table, index)
            .unwrap();
        assert!((azimuth(out).to_degrees() - 48.651_878_040_6).abs() < 1e-9);
    }

    #[test]
    fn light_is_shut_in_where_it_should_be() {
        // SF10 at 45 degrees is totally reflected inside (same libraries).
        assert!(
            Prism::level(60.0)
                .trace(direction(0.0, 0.0), 45.0, 1.734_301_497_2)
                .is_none()
        );
    }
}
