//! What no reading shows: adjustment left over, wavelengths as they were written, the air of the room.
//!
//! Each is a number of value 0 (or 1) with one cause, so that it acts on all lines alike where it is the same for all,
//! appears in the budget under its name and is drawn in a Monte Carlo run.

use crate::basics::fit::polynomial;
use crate::basics::uncertainty::{Cause, Measured, Shape};
use crate::basics::units::{Wavelength, standard_air_index};

use super::air::AirConditions;
use super::dispersion::IndexedLine;

/// Adjustment that is left over, as whoever adjusted the spectrometer judges it.
#[derive(Clone, Debug, Default)]
pub struct Adjustment {
    /// What collimation left over does to every deviation, degrees: 0 with its uncertainty.
    pub collimation_deg: Option<Measured>,
    /// Square of the tilt of the rays against the prism's principal section, radians squared: 0 with its uncertainty.
    pub tilt_squared: Option<Measured>,
}

impl Adjustment {
    /// From the standard uncertainty of the tilt between rays and principal section (levelling of the table, height of the
    /// slit's middle), and from that of a deviation because collimator or telescope is not set to infinity, degrees; 0 is none.
    #[must_use]
    pub fn new(levelling_deg: f64, collimation_deg: f64) -> Self {
        let of = |u: f64, name: &str| {
            (u > 0.0).then(|| Measured::new(0.0, u, &Cause::type_b(name, Shape::Normal)))
        };
        // Of a normal tilt, the fourth moment is three times the square of the second.
        let tilt = levelling_deg.to_radians();
        Self {
            collimation_deg: of(collimation_deg, "collimation left over"),
            tilt_squared: of(3f64.sqrt() * tilt * tilt, "levelling left over"),
        }
    }

    /// A deviation in degrees with what collimation left over does to it.
    #[must_use]
    pub fn deviation(&self, deviation_deg: Measured) -> Measured {
        match &self.collimation_deg {
            Some(off) => deviation_deg.plus(off),
            None => deviation_deg,
        }
    }

    /// An index with what a tilt does to it: a prism bends rays that are tilted by ρ as one whose index squared is
    /// larger by (n² - 1) tan² ρ (Bravais; from memory), so n seems larger by (n² - 1) ρ² / (2 n).
    #[must_use]
    pub fn index(&self, index: Measured) -> Measured {
        let n = index.value();
        match &self.tilt_squared {
            Some(squared) => index.plus(&squared.scaled(0.5 * (n * n - 1.0) / n)),
            None => index,
        }
    }
}

/// The air of a room, known as well as its thermometer and barometer tell.
#[derive(Clone, Debug)]
pub struct RoomAir {
    conditions: AirConditions,
    temperature: Cause,
    pressure: Cause,
}

impl RoomAir {
    /// The air with its causes of uncertainty.
    #[must_use]
    pub fn new(conditions: AirConditions) -> Self {
        Self {
            conditions,
            temperature: Cause::type_b("temperature of the air", Shape::Normal),
            pressure: Cause::type_b("pressure of the air", Shape::Normal),
        }
    }

    /// Its index at a wavelength.
    #[must_use]
    pub fn index(&self, wavelength: Wavelength) -> Measured {
        let value = self.conditions.index(wavelength);
        let (by_kelvin, by_pascal) = self.conditions.index_changes(wavelength);
        Measured::exact(value)
            .with(
                &self.temperature,
                by_kelvin * self.conditions.u_temperature_c(),
            )
            .with(&self.pressure, by_pascal * self.conditions.u_pressure_pa())
    }

    /// Index against vacuum of an index against this air.
    #[must_use]
    pub fn against_vacuum(&self, index: &Measured, wavelength: Wavelength) -> Measured {
        index.times(&self.index(wavelength))
    }

    /// Index against standard air (15 °C, 101 325 Pa, dry) of an index against this air.
    #[must_use]
    pub fn against_standard_air(&self, index: &Measured, wavelength: Wavelength) -> Measured {
        let standard = standard_air_index(wavelength.in_vacuum_nm());
        self.against_vacuum(index, wavelength)
            .scaled(1.0 / standard)
    }
}

/// A line for the curve: its wavelength, its index, and what its wavelength as written may be off, nm.
pub(super) struct CurveLine {
    /// Wavelength as written.
    pub(super) wavelength: Wavelength,
    /// Index at the line.
    pub(super) index: Measured,
    /// True wavelength less the written one, nm: 0 with its uncertainty.
    pub(super) off_nm: Measured,
}

/// Lines as the curve takes them: an error of the wavelength is one of the index at the wavelength as written, as the slope
/// of the curve has it. The slope is that of Cauchy's curve with two terms through all lines; one line alone has none.
pub(super) fn curve_lines(lines: Vec<CurveLine>) -> Vec<IndexedLine> {
    let per_square = |w: Wavelength| (1000.0 / w.in_air_nm()).powi(2);
    let x: Vec<f64> = lines
        .iter()
        .map(|line| per_square(line.wavelength))
        .collect();
    let n: Vec<f64> = lines.iter().map(|line| line.index.value()).collect();
    let some = lines.iter().any(|line| line.off_nm.u() > 0.0);
    let by_square = if some {
        polynomial(&x, &n, None, 1)
            .ok()
            .and_then(|fit| fit.coefficients.get(1).copied())
            .filter(|slope| slope.is_finite())
            .unwrap_or(0.0)
    } else {
        0.0
    };
    lines
        .into_iter()
        .map(|line| {
            let slope_per_nm =
                -2.0 * by_square * per_square(line.wavelength) / line.wavelength.in_air_nm();
            let index = line.index.minus(&line.off_nm.scaled(slope_per_nm));
            (line.wavelength, index)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tilt_makes_the_index_look_larger() {
        // Bravais for a tilt of 10 minutes of arc: the whole formula against its first term.
        let n: f64 = 1.62;
        let tilt = (10.0_f64 / 60.0).to_radians();
        let seen = (n * n + (n * n - 1.0) * tilt.tan().powi(2)).sqrt();
        let adjustment = Adjustment::new(10.0 / 60.0, 0.0);
        let index = adjustment.index(Measured::exact(n));
        let expected = 3f64.sqrt() * (seen - n);
        assert!((index.u() / expected - 1.0).abs() < 1e-4, "{}", index.u());
        assert!(adjustment.collimation_deg.is_none());
        let none = Adjustment::new(0.0, 0.0).index(Measured::exact(n));
        assert!(none.u() <= 0.0);
    }

    #[test]
    fn a_wavelength_in_whole_nanometres_counts() {
        let line = |nm: f64, u: f64| CurveLine {
            wavelength: Wavelength::air_nm(nm),
            index: Measured::exact(1.6 + 8e-3 * (1000.0 / nm).powi(2)),
            off_nm: Measured::new(
                0.0,
                u,
                &Cause::type_b("wavelength as written", Shape::Rectangular),
            ),
        };
        let lines = curve_lines(vec![
            line(405.0, 0.29),
            line(546.07, 0.0029),
            line(656.3, 0.0),
        ]);
        // dn/dλ = -2 B/λ³ with B in nm².
        let slope = |nm: f64| 2.0 * 8e-3 * 1e6 / nm.powi(3);
        let u: Vec<f64> = lines.iter().map(|(_, n)| n.u()).collect();
        assert!((u[0] / (0.29 * slope(405.0)) - 1.0).abs() < 1e-6, "{u:?}");
        assert!(
            (u[1] / (0.0029 * slope(546.07)) - 1.0).abs() < 1e-6,
            "{u:?}"
        );
        assert!(u[2] <= 0.0);
    }

    /// Room air at half the pressure of standard air: the index against standard air is smaller by half the refractivity.
    #[test]
    fn thin_air_is_reduced_to_standard_air() {
        let at = Wavelength::air_nm(546.0740);
        let half = AirConditions::new(15.0, 50_662.5)
            .map(|air| RoomAir::new(air).against_standard_air(&Measured::exact(1.62), at));
        let refractivity = standard_air_index(at.in_vacuum_nm()) - 1.0;
        let off = half.map(|n| n.value() - 1.62 * (1.0 - 0.5 * refractivity));
        assert!(off.is_ok_and(|off| off.abs() < 2e-7));
    }
}
