//! A bench profile: what is true of one spectrometer, so that it need not be typed with every command.
//!
//! TOML, all entries optional; an entry that is not known is refused, because a misspelt one would be forgotten silently.

use serde::Deserialize;

use crate::basics::units::Angle;

/// Largest least count of a divided circle, seconds of arc: a whole degree.
const LARGEST_LEAST_COUNT_ARCSEC: f64 = 3600.0;

/// Why a bench profile can't be used: one sentence that names the file and the entry.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct BenchError(pub String);

/// Sense in which the readings of the circle grow, seen from above.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Sense {
    /// Against the hands of a clock.
    Anticlockwise,
    /// With the hands of a clock.
    Clockwise,
}

impl Sense {
    /// The word of the profile.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Anticlockwise => "anticlockwise",
            Self::Clockwise => "clockwise",
        }
    }
}

/// What is known of one spectrometer.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Bench {
    /// Its name.
    pub name: String,
    /// Smallest step of the vernier.
    pub least_count: Option<Angle>,
    /// Windows read at each pointing, 1 or 2.
    pub windows: Option<usize>,
    /// Sense in which readings grow; it goes into the report.
    pub increases: Option<Sense>,
    /// Standard uncertainty left where only one window is read.
    pub eccentricity: Option<Angle>,
    /// Standard uncertainty of a reading by the circle's division and what eccentricity two windows leave.
    pub division: Option<Angle>,
    /// Refracting angle of its prism and the standard uncertainty.
    pub prism_angle: Option<(Angle, Angle)>,
    /// Length of the prism's base that light fills and its standard uncertainty, mm.
    pub base_mm: Option<(f64, f64)>,
    /// Width of the slit image at half of its height and its standard uncertainty, where no picture shows it.
    pub slit_width: Option<(Angle, Angle)>,
    /// Standard uncertainty of the tilt between the rays and the prism's principal section.
    pub levelling: Option<Angle>,
    /// Standard uncertainty of a deviation because collimator and telescope are not set to infinity exactly.
    pub collimation: Option<Angle>,
    /// Calibration of its camera, as written: a path beside the profile.
    pub scale: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct BenchRecord {
    #[serde(default)]
    name: String,
    #[serde(default)]
    circle: CircleRecord,
    #[serde(default)]
    prism: PrismRecord,
    #[serde(default)]
    slit: SlitRecord,
    #[serde(default)]
    adjustment: AdjustmentRecord,
    #[serde(default)]
    camera: CameraRecord,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct CircleRecord {
    least_count_arcsec: Option<f64>,
    windows: Option<usize>,
    increases: Option<Sense>,
    eccentricity_arcsec: Option<f64>,
    division_arcsec: Option<f64>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct PrismRecord {
    angle: Option<String>,
    u_angle_arcsec: Option<f64>,
    base_mm: Option<f64>,
    u_base_mm: Option<f64>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct SlitRecord {
    width_arcsec: Option<f64>,
    u_width_arcsec: Option<f64>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct AdjustmentRecord {
    levelling_arcsec: Option<f64>,
    collimation_arcsec: Option<f64>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct CameraRecord {
    scale: Option<String>,
}

/// Reads a profile from TOML text; `name` names the file in sentences.
///
/// # Errors
/// An entry that is not known or can't be: a sentence with the file, the line or the entry, and what is allowed.
pub fn bench_from_toml(text: &str, name: &str) -> Result<Bench, BenchError> {
    let record: BenchRecord =
        toml::from_str(text.trim_start_matches('\u{feff}')).map_err(|error| {
            let line = error
                .span()
                .and_then(|span| text.get(..span.start))
                .map_or_else(String::new, |before| {
                    format!(", line {},", before.matches('\n').count() + 1)
                });
            BenchError(format!(
                "{name}{line} is no bench profile ({}); write it like calibration/bench-example.toml",
                error.message().replace('\n', " ")
            ))
        })?;
    let wrong = |entry: &str, what: String| BenchError(format!("{name}: {entry} {what}"));
    let circle = record.circle;
    let above_zero = |entry: &str, value: Option<f64>| match value {
        Some(value) if !(value > 0.0 && value <= LARGEST_LEAST_COUNT_ARCSEC) => Err(wrong(
            entry,
            format!(
                "= {value}: give seconds of arc above 0 and up to {LARGEST_LEAST_COUNT_ARCSEC}, such as 60"
            ),
        )),
        value => Ok(value.map(Angle::from_arcseconds)),
    };
    if let Some(windows) = circle.windows.filter(|windows| !(1..=2).contains(windows)) {
        return Err(wrong("circle.windows", format!("= {windows}: give 1 or 2")));
    }
    // Two entries that only make sense together.
    let both = |entry: &str, value: Option<f64>, u: Option<f64>| {
        let name = entry.rsplit('.').next().unwrap_or(entry);
        match (value, u) {
            (None, None) => Ok(None),
            (Some(value), Some(u)) if value > 0.0 && value.is_finite() && u >= 0.0 && u < value => {
                Ok(Some((value, u)))
            }
            (Some(value), Some(u)) => Err(wrong(
                entry,
                format!(
                    "= {value} with u_{name} = {u}: give a number above 0 and a standard uncertainty from 0 to well below it"
                ),
            )),
            _ => Err(wrong(
                entry,
                format!("and u_{name} belong together: give both, or none"),
            )),
        }
    };
    let prism_angle = match (record.prism.angle, record.prism.u_angle_arcsec) {
        (None, None) => None,
        (Some(angle), Some(u)) => {
            let angle =
                Angle::parse(&angle).map_err(|error| wrong("prism.angle", format!(": {error}")))?;
            above_zero("prism.u_angle_arcsec", Some(u))?.map(|u| (angle, u))
        }
        (Some(_), None) => {
            return Err(wrong(
                "prism.angle",
                "comes without prism.u_angle_arcsec: add its standard uncertainty".to_owned(),
            ));
        }
        (None, Some(_)) => {
            return Err(wrong(
                "prism.u_angle_arcsec",
                "comes without prism.angle: add the refracting angle".to_owned(),
            ));
        }
    };
    Ok(Bench {
        name: record.name,
        least_count: above_zero("circle.least_count_arcsec", circle.least_count_arcsec)?,
        windows: circle.windows,
        increases: circle.increases,
        eccentricity: above_zero("circle.eccentricity_arcsec", circle.eccentricity_arcsec)?,
        division: above_zero("circle.division_arcsec", circle.division_arcsec)?,
        prism_angle,
        base_mm: both(
            "prism.base_mm",
            record.prism.base_mm,
            record.prism.u_base_mm,
        )?,
        slit_width: both(
            "slit.width_arcsec",
            record.slit.width_arcsec,
            record.slit.u_width_arcsec,
        )?
        .map(|(width, u)| (Angle::from_arcseconds(width), Angle::from_arcseconds(u))),
        levelling: above_zero(
            "adjustment.levelling_arcsec",
            record.adjustment.levelling_arcsec,
        )?,
        collimation: above_zero(
            "adjustment.collimation_arcsec",
            record.adjustment.collimation_arcsec,
        )?,
        scale: record.camera.scale,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn the_example_is_read() {
        let bench = bench_from_toml(
            include_str!("../../calibration/bench-example.toml"),
            "bench.toml",
        )
        .unwrap();
        assert_eq!(bench.windows, Some(2));
        assert_eq!(bench.increases, Some(Sense::Anticlockwise));
        assert!((bench.least_count.unwrap().arcseconds() - 60.0).abs() < 1e-9);
        assert_eq!(bench.scale.as_deref(), Some("scale.json"));
        assert_eq!(bench_from_toml("", "bench.toml").unwrap(), Bench::default());
    }

    #[test]
    fn what_is_wrong_is_named() {
        for (text, parts) in [
            ("[circle]\nleast_count = 60", ["line 2", "least_count"]),
            (
                "[circle]\nleast_count_arcsec = 0",
                ["circle.least_count_arcsec", "above 0"],
            ),
            (
                "[circle]\nleast_count_arcsec = nan",
                ["circle.least_count_arcsec", "above 0"],
            ),
            ("[circle]\nwindows = 3", ["circle.windows", "1 or 2"]),
            (
                "[circle]\nincreases = \"left\"",
                ["line 2", "anticlockwise"],
            ),
            (
                "[prism]\nangle = \"60°\"",
                ["prism.angle", "u_angle_arcsec"],
            ),
            (
                "[prism]\nangle = \"sixty\"\nu_angle_arcsec = 5",
                ["prism.angle", "sixty"],
            ),
            ("[camera", ["line 1", "bench.toml"]),
            ("[prism]\nbase_mm = 30.0", ["prism.base_mm", "u_base_mm"]),
            (
                "[prism]\nbase_mm = -30.0\nu_base_mm = 1.0",
                ["prism.base_mm", "above 0"],
            ),
            (
                "[prism]\nbase_mm = 30.0\nu_base_mm = nan",
                ["prism.base_mm", "well below"],
            ),
            (
                "[slit]\nwidth_arcsec = 30.0\nu_width_arcsec = -1.0",
                ["slit.width_arcsec", "from 0"],
            ),
            (
                "[adjustment]\nlevelling_arcsec = -60.0",
                ["adjustment.levelling_arcsec", "above 0"],
            ),
            (
                "[adjustment]\ncollimation_arcsec = inf",
                ["adjustment.collimation_arcsec", "above 0"],
            ),
            (
                "[circle]\ndivision_arcsec = 1e9",
                ["circle.division_arcsec", "up to 3600"],
            ),
        ] {
            let said = bench_from_toml(text, "bench.toml").unwrap_err().0;
            assert!(
                said.starts_with("bench.toml") && !said.contains('\n'),
                "{said}"
            );
            for part in parts {
                assert!(said.contains(part), "{said} lacks {part}");
            }
        }
    }
}
