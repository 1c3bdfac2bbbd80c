//! The experiment that comes with the program: unpacked, measured from its pixels, compared with its truth.

use std::path::{Path, PathBuf};

use rust_embed::RustEmbed;
use serde_json::Value;

use super::SessionError;
use super::calibrate::{Calibrated, calibrate, read_bench};
use super::experiment::{Experiment, ReduceOptions, reduce};
use crate::basics::fault::said;
use crate::prism::dispersion::D_LINE;
use crate::prism::glasses::GlassTable;

/// The frames of the demonstration, as they lie in the folder of the same name.
#[derive(RustEmbed)]
#[folder = "sample-frames/bench-3"]
struct SampleFrames;

/// A result beside its truth.
#[derive(Clone, Debug)]
pub struct Deviation {
    /// Which result.
    pub name: String,
    /// As measured.
    pub measured: f64,
    /// Its standard uncertainty.
    pub u: f64,
    /// As simulated.
    pub truth: f64,
}

impl Deviation {
    /// Measured less true, in standard uncertainties.
    #[must_use]
    pub fn in_u(&self) -> f64 {
        (self.measured - self.truth) / self.u
    }
}

/// The demonstration, measured.
#[derive(Clone, Debug)]
pub struct Demonstration {
    /// Where the frames were unpacked.
    pub folder: PathBuf,
    /// The camera's scale.
    pub calibrated: Calibrated,
    /// The experiment.
    pub experiment: Experiment,
    /// Results beside their truth.
    pub deviations: Vec<Deviation>,
}

/// Unpacks the experiment into `folder`, measures it and compares it with its truth.
///
/// # Errors
/// The folder can't be written, or what any step of the experiment says.
pub fn demonstrate(
    folder: &Path,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<Demonstration, SessionError> {
    unpack(folder)?;
    let truth = read_truth(&folder.join("truth.json"))?;
    let profile = read_bench(&folder.join("bench.toml"), false)?;
    let calibrated = calibrate(
        &folder.join("scale.csv"),
        profile.bench.least_count,
        progress,
    )?;
    let options = ReduceOptions {
        scale: Some(calibrated.scale.clone()),
        ..ReduceOptions::of_bench(&profile)
    };
    let experiment = reduce(&folder.join("readings.csv"), &options, progress)?;
    let deviations = compared(&calibrated, &experiment, &truth)?;
    Ok(Demonstration {
        folder: folder.to_owned(),
        calibrated,
        experiment,
        deviations,
    })
}

fn unpack(folder: &Path) -> Result<(), SessionError> {
    for name in SampleFrames::iter() {
        let path = folder.join(name.as_ref());
        let write = || -> std::io::Result<()> {
            if let Some(parent) = path.parent() {
                std::fs::create_dir_all(parent)?;
            }
            let Some(file) = SampleFrames::get(&name) else {
                return Ok(());
            };
            std::fs::write(&path, &file.data)
        };
        write().map_err(|error| {
            SessionError::Footage(format!(
                "{} cannot be written ({error}); give another folder with --dir",
                path.display(),
                error = said(&error)
            ))
        })?;
    }
    Ok(())
}

fn read_truth(path: &Path) -> Result<Value, SessionError> {
    let wrong = |error: String| {
        SessionError::Footage(format!("{}: is no truth file ({error})", path.display()))
    };
    let text = std::fs::read_to_string(path).map_err(|error| wrong(error.to_string()))?;
    serde_json::from_str(&text).map_err(|error| wrong(error.to_string()))
}

fn number(truth: &Value, field: &str) -> Result<f64, SessionError> {
    truth[field]
        .as_f64()
        .ok_or_else(|| SessionError::Footage(format!("the truth file has no number {field}")))
}

fn compared(
    calibrated: &Calibrated,
    experiment: &Experiment,
    truth: &Value,
) -> Result<Vec<Deviation>, SessionError> {
    let reduction = &experiment.reduction;
    let mut deviations = vec![
        Deviation {
            name: "camera scale, ″ per px".to_owned(),
            measured: calibrated.scale.arcsec_per_px(),
            u: calibrated.scale.u_arcsec_per_px(),
            truth: number(truth, "arcsec_per_px")?,
        },
        Deviation {
            name: "refracting angle, °".to_owned(),
            measured: reduction.prism_angle_deg.value(),
            u: reduction.prism_angle_deg.u(),
            truth: number(truth, "prism_angle_deg")?,
        },
    ];
    let lines = truth["lines"].as_array().map_or(&[][..], Vec::as_slice);
    for line in &reduction.lines {
        let Some(true_line) = lines
            .iter()
            .find(|truth| truth["set"] == line.set.as_str() && truth["line"] == line.line.as_str())
        else {
            continue;
        };
        deviations.push(Deviation {
            name: format!("n of {}", line.line),
            measured: line.index.value(),
            u: line.index.u(),
            truth: number(true_line, "n")?,
        });
    }
    let glasses = GlassTable::embedded()?;
    let glass = glasses
        .glasses
        .iter()
        .find(|glass| truth["glass"] == glass.name.as_str());
    if let (Some(glass), Some(standard)) = (glass, &reduction.standard) {
        let dispersion = standard.n_f.minus(&standard.n_c);
        let found = [
            ("n_d", Some(&standard.n_d), glass.index(D_LINE)),
            ("n_F − n_C", Some(&dispersion), glass.principal_dispersion()),
            (
                "Abbe number V_d",
                standard.abbe_number.as_ref(),
                glass.abbe_number(),
            ),
        ];
        deviations.extend(found.into_iter().filter_map(|(name, measured, truth)| {
            measured.map(|measured| Deviation {
                name: name.to_owned(),
                measured: measured.value(),
                u: measured.u(),
                truth,
            })
        }));
    }
    Ok(deviations)
}
