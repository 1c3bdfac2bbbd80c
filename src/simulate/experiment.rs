//! A whole experiment of our own invention: "Bench 3" of a teaching laboratory.
//!
//! A mercury lamp behind colour filters, a 60-degree prism of light flint, a circle read at two
//! windows to 30 seconds of arc. The telescope stays locked during each sweep and is not set on the
//! line; the central image is read anew for every line, because turning the table drags the zero.

use std::fs;
use std::path::Path as FilePath;

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde::Serialize;

use super::SimulateError;
use super::film::{Format, ffmpeg_is_there, write_clip, write_still};
use super::glass::{LampLine, MERCURY};
use super::hand::{Motion, Move};
use super::optics::to_arcsec;
use super::scenarios::Draft;
use super::scene::{Path, Scene, chance};
use super::truth::SceneTruth;

/// What the circle is divided to, arcsec.
const LEAST_COUNT_ARCSEC: f64 = 30.0;
/// Standard deviation of a reader's estimate before it is rounded, arcsec. Invented.
const READING_ERROR_ARCSEC: f64 = 8.0;

/// One pointing of the telescope.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PointingTruth {
    /// Set of the pointing; empty for the scale run.
    pub set: String,
    /// `line`, `central`, `face-1`, `face-2` or `scale`.
    pub target: &'static str,
    /// Footage, relative to the experiment's folder.
    pub footage: String,
    /// Circle reading that a perfect circle would show, degrees.
    pub reading_deg: f64,
    /// Where the line turned, or the slit image stood, from the hairs, px.
    pub offset_px: f64,
    /// The same as an angle with the circle's sign, arcsec: reading + offset is the direction.
    pub offset_arcsec: f64,
    /// Whole truth of the sweep, for clips.
    pub sweep: Option<SceneTruth>,
}

/// A line of the experiment.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ExperimentLine {
    /// Name in the table.
    pub line: String,
    /// Wavelength in standard air, nm.
    pub wavelength_nm: f64,
    /// Set.
    pub set: String,
    /// Index of the glass at that wavelength.
    pub n: f64,
    /// Minimum deviation at the height of the hairs, degrees.
    pub deviation_deg: f64,
    /// Offset of minimum deviation from the hairs, px.
    pub offset_px: f64,
    /// The same as an angle, arcsec, with the circle's sign.
    pub offset_arcsec: f64,
}

/// What is true of an experiment.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ExperimentTruth {
    /// Version of the program that rendered it.
    pub lineturn: &'static str,
    /// `practice experiment`.
    pub kind: &'static str,
    /// Number from which all chance in it was drawn.
    pub seed: u64,
    /// Where it is said to take place.
    pub bench: &'static str,
    /// Glass of the prism.
    pub glass: String,
    /// Refracting angle, degrees.
    pub prism_angle_deg: f64,
    /// Scale at the hairs, arcsec per pixel, with sign.
    pub arcsec_per_px: f64,
    /// Least count of the circle, arcsec.
    pub least_count_arcsec: f64,
    /// Eccentricity of the circle, arcsec; the two windows cancel it.
    pub eccentricity_arcsec: f64,
    /// The lines.
    pub lines: Vec<ExperimentLine>,
    /// Every pointing.
    pub pointings: Vec<PointingTruth>,
}

/// The divided circle with its reader.
struct Circle {
    zero_deg: f64,
    eccentricity_arcsec: f64,
    eccentric_at_deg: f64,
    rng: ChaCha8Rng,
}

impl Circle {
    /// Texts of both windows while the circle truly stands at `reading_deg`.
    fn read(&mut self, reading_deg: f64) -> [String; 2] {
        [0.0, 180.0].map(|window| {
            let place = reading_deg + window;
            let phase = (place - self.eccentric_at_deg).to_radians();
            let error: f64 = StandardNormal.sample(&mut self.rng);
            let shown_arcsec = place * 3600.0
                + self.eccentricity_arcsec * phase.sin()
                + READING_ERROR_ARCSEC * error;
            reading_text(shown_arcsec)
        })
    }
}

/// A reading as people write it, rounded to the least count: `127°34'30"`.
fn reading_text(arcsec: f64) -> String {
    let counts = (arcsec / LEAST_COUNT_ARCSEC).round() as i64;
    let seconds = (counts * LEAST_COUNT_ARCSEC as i64).rem_euclid(360 * 3600);
    format!(
        "{}°{:02}'{:02}\"",
        seconds / 3600,
        seconds / 60 % 60,
        seconds % 60
    )
}

/// The bench while the experiment goes on.
struct Laboratory {
    base: Draft,
    circle: Circle,
    folder: std::path::PathBuf,
    clip: (Option<Format>, &'static str),
    pointings: Vec<PointingTruth>,
    readings: Vec<[String; 9]>,
    lines: Vec<ExperimentLine>,
}

/// Renders the experiment into `folder`: `readings.csv`, `scale.csv`, clips, stills, `truth.json`.
///
/// `clips` is the format of the sweeps; without one H.264 is taken where the machine has `ffmpeg`,
/// else motion JPEG.
///
/// # Errors
/// A file cannot be written, or the clip format is PNG.
pub fn write_experiment(
    folder: &FilePath,
    seed: u64,
    clips: Option<Format>,
) -> Result<ExperimentTruth, SimulateError> {
    let format = clips.unwrap_or(if ffmpeg_is_there() {
        Format::H264(14)
    } else {
        Format::MotionJpeg(85)
    });
    let ending = match format {
        Format::H264(_) => "mp4",
        Format::MotionJpeg(_) => "avi",
        Format::Y4m => "y4m",
        Format::Png => {
            return Err(SimulateError::Other(
                "an experiment keeps its sweeps as clips; ask for h264, mjpeg or y4m instead of png"
                    .to_owned(),
            ));
        }
    };
    carry_out(folder, seed, (Some(format), ending))
}

/// The experiment's tables, stills and truth, its sweeps left out.
#[cfg(test)]
pub(crate) fn experiment_without_clips(
    folder: &FilePath,
    seed: u64,
) -> Result<ExperimentTruth, SimulateError> {
    carry_out(folder, seed, (None, "mp4"))
}

fn carry_out(
    folder: &FilePath,
    seed: u64,
    clip: (Option<Format>, &'static str),
) -> Result<ExperimentTruth, SimulateError> {
    fs::create_dir_all(folder).map_err(|e| SimulateError::file(folder, &e))?;
    let mut laboratory = Laboratory::new(folder, seed, clip);
    laboratory.scale_run()?;
    laboratory.faces()?;
    let jobs: [(&str, &[LampLine], &str, f64); 5] = [
        ("1", &MERCURY[5..7], "yellow filter", 1.5),
        ("2", &MERCURY[4..5], "green filter", 0.6),
        ("3", &MERCURY[3..4], "blue-green filter, faint", 5.0),
        ("4", &MERCURY[2..3], "blue filter", 0.8),
        ("5", &MERCURY[0..1], "violet filter", 1.2),
    ];
    for (set, lines, note, brightness) in jobs {
        laboratory.line(set, lines, note, brightness)?;
    }
    laboratory.finish(seed)
}

impl Laboratory {
    fn new(folder: &FilePath, seed: u64, clip: (Option<Format>, &'static str)) -> Self {
        let mut base = Draft::new("bench-3", "a sweep of the experiment at Bench 3", seed);
        let mut rng = chance(seed, 3);
        base.scene.light.walk = 0.1;
        base.scene.light.stray = 0.14;
        base.scene.camera.full_well_e = 6000.0;
        if let Path::Through(prism) = &mut base.scene.bench.path {
            prism.lean_arcsec = [rng.random_range(-25.0..25.0), rng.random_range(-25.0..25.0)];
        }
        Self {
            base,
            circle: Circle {
                zero_deg: rng.random_range(20.0..340.0),
                eccentricity_arcsec: rng.random_range(20.0..70.0),
                eccentric_at_deg: rng.random_range(0.0..360.0),
                rng,
            },
            folder: folder.to_path_buf(),
            clip,
            pointings: Vec::new(),
            readings: Vec::new(),
            lines: Vec::new(),
        }
    }

    /// A scene of a slit image that stands still while the telescope's hairs are `offset_px` off it.
    fn still_scene(&mut self, path: Path, offset_px: f64) -> Scene {
        let mut scene = self.base.scene.clone();
        scene.bench.path = path;
        scene.bench.lines = vec![MERCURY[4]];
        scene.light.line = 0.55;
        scene.seed = self.circle.rng.random();
        scene.motion = Motion::still(0.0, 0.0);
        scene.frame_times_s = vec![0.0];
        scene.bench.telescope_deg = 0.0;
        let direct = scene
            .bench
            .azimuth_at_hairs(0.0, MERCURY[4].wavelength_nm)
            .unwrap_or(0.0);
        let eyepiece = &scene.eyepiece;
        scene.bench.telescope_deg =
            direct.to_degrees() - eyepiece.x_sign * offset_px * eyepiece.arcsec_per_px / 3600.0;
        scene
    }

    /// Renders a still, reads the circle, and gives the texts of the windows.
    fn still(
        &mut self,
        scene: &Scene,
        set: &str,
        target: &'static str,
        zero_deg: f64,
        footage: &str,
    ) -> Result<[String; 2], SimulateError> {
        let mut rendering = scene.rendering();
        let truth = rendering.next_picture();
        let file = self.folder.join(footage);
        write_still(rendering.picture(), &file)?;
        let offset_px = truth
            .and_then(|t| t.lines.first().map(|l| l.offset_px))
            .ok_or_else(|| {
                SimulateError::Other(format!("{footage}: the slit image is outside the picture"))
            })?;
        let wavelength_nm = MERCURY[4].wavelength_nm;
        let direction = scene
            .bench
            .azimuth_at_hairs(0.0, wavelength_nm)
            .unwrap_or(0.0);
        let reading_deg = (zero_deg + scene.bench.telescope_deg).rem_euclid(360.0);
        self.pointings.push(PointingTruth {
            set: set.to_owned(),
            target,
            footage: footage.to_owned(),
            reading_deg,
            offset_px,
            offset_arcsec: fold(to_arcsec(direction) - scene.bench.telescope_deg * 3600.0),
            sweep: None,
        });
        Ok(self.circle.read(reading_deg))
    }

    /// Nine slit pictures across the field at known readings.
    fn scale_run(&mut self) -> Result<(), SimulateError> {
        let zero_deg = self.circle.zero_deg;
        let reach = 0.8 * self.base.scene.eyepiece.radius_px;
        let file = self.folder.join("scale.csv");
        let mut table = csv::Writer::from_path(&file).map_err(|e| table_error(&file, &e))?;
        table
            .write_record(["window_1", "window_2", "frame"])
            .map_err(|e| table_error(&file, &e))?;
        for k in 0..9 {
            let jitter = self.circle.rng.random_range(-6.0..6.0);
            let offset_px = reach * (f64::from(k) / 4.0 - 1.0) + jitter;
            let scene = self.still_scene(Path::Straight, offset_px);
            let name = format!("scale-{}.png", k + 1);
            let [first, second] = self.still(&scene, "", "scale", zero_deg, &name)?;
            table
                .write_record([first, second, name])
                .map_err(|e| table_error(&file, &e))?;
        }
        table.flush().map_err(|e| SimulateError::file(&file, &e))
    }

    /// The slit reflected from the two faces, the prism's edge towards the collimator.
    fn faces(&mut self) -> Result<(), SimulateError> {
        let Path::Through(prism) = self.base.scene.bench.path else {
            return Ok(());
        };
        let zero_deg = self.circle.zero_deg + self.drag_deg();
        let edge_deg = self.circle.rng.random_range(-2.0..2.0);
        let half_deg = 0.5 * prism.refracting_angle_deg;
        for (target, side, lean_arcsec) in [
            ("face-1", 1.0, prism.lean_arcsec[0]),
            ("face-2", -1.0, prism.lean_arcsec[1]),
        ] {
            let path = Path::Reflected {
                normal_deg: edge_deg + side * (half_deg + 90.0),
                lean_arcsec,
            };
            let offset_px = self.circle.rng.random_range(-40.0..40.0);
            let scene = self.still_scene(path, offset_px);
            let name = format!("{target}.png");
            let windows = self.still(&scene, "A", target, zero_deg, &name)?;
            self.row(
                "A",
                target,
                None,
                windows,
                &name,
                "",
                "edge towards the collimator",
            );
        }
        Ok(())
    }

    /// How far the zero was dragged along since the last set, degrees.
    fn drag_deg(&mut self) -> f64 {
        self.circle.rng.random_range(-90.0..90.0) / 3600.0
    }

    /// Central image, then a sweep over one line or a close pair.
    fn line(
        &mut self,
        set: &str,
        lines: &[LampLine],
        note: &str,
        brightness: f64,
    ) -> Result<(), SimulateError> {
        let zero_deg = self.circle.zero_deg + self.drag_deg();
        let central_px = self.circle.rng.random_range(-35.0..35.0);
        let scene = self.still_scene(Path::Straight, central_px);
        let name = format!("central-{set}.png");
        let windows = self.still(&scene, set, "central", zero_deg, &name)?;
        self.row(
            set,
            "central",
            None,
            windows,
            &name,
            "",
            "before the table was touched",
        );

        let scene = self.sweep_scene(set, lines, brightness);
        let clip = format!("line-{set}.{}", self.clip.1);
        if let Some(format) = self.clip.0 {
            write_clip(&scene, &self.folder.join(&clip), format)?;
        }
        let truth = scene.truth();
        let reading_deg = (zero_deg + scene.bench.telescope_deg).rem_euclid(360.0);
        let windows = self.circle.read(reading_deg);
        for line in &truth.lines {
            let pick = if truth.lines.len() > 1 {
                line.line.to_string()
            } else {
                String::new()
            };
            self.lines.push(ExperimentLine {
                line: line.name.clone(),
                wavelength_nm: line.wavelength_nm,
                set: set.to_owned(),
                n: line.n,
                deviation_deg: line.deviation_deg,
                offset_px: line.offset_px,
                offset_arcsec: line.offset_arcsec,
            });
            self.pointings.push(PointingTruth {
                set: set.to_owned(),
                target: "line",
                footage: clip.clone(),
                reading_deg,
                offset_px: line.offset_px,
                offset_arcsec: line.offset_arcsec,
                sweep: Some(truth.clone()),
            });
            let named = Some((line.name.as_str(), line.wavelength_nm));
            self.row(set, "line", named, windows.clone(), &clip, &pick, note);
        }
        Ok(())
    }

    fn sweep_scene(&mut self, set: &str, lines: &[LampLine], brightness: f64) -> Scene {
        let rng = &mut self.circle.rng;
        let way = if rng.random::<bool>() { 1.0 } else { -1.0 };
        let mut scene = self.base.scene.clone();
        scene.name = format!("bench-3 set {set}");
        scene.seed = rng.random();
        scene.bench.lines = lines.to_vec();
        scene.light.line = brightness;
        scene.light.phases = std::array::from_fn(|_| rng.random_range(0.0..std::f64::consts::TAU));
        let pair = lines.len() > 1;
        if pair {
            scene.bench.slit.width_arcsec = 24.0;
        }
        let mut draft = self.base.with(scene, chance(rng.random(), 5));
        draft.start_deg = way * rng.random_range(4.2..5.0);
        draft.aim_px = rng.random_range(-130.0..-15.0);
        draft.plan = vec![
            Move::Rest { for_s: 0.4 },
            Move::Turn {
                to_deg: -way * rng.random_range(3.8..4.6),
                speed_deg_per_s: rng.random_range(0.95..1.25),
            },
            Move::Rest { for_s: 0.3 },
        ];
        draft.finish()
    }

    #[expect(
        clippy::too_many_arguments,
        reason = "a row of the table has that many cells"
    )]
    fn row(
        &mut self,
        set: &str,
        target: &str,
        line: Option<(&str, f64)>,
        [window_1, window_2]: [String; 2],
        footage: &str,
        pick: &str,
        note: &str,
    ) {
        self.readings.push([
            set.to_owned(),
            target.to_owned(),
            line.map_or(String::new(), |l| l.0.to_owned()),
            line.map_or(String::new(), |l| l.1.to_string()),
            window_1,
            window_2,
            footage.to_owned(),
            pick.to_owned(),
            note.to_owned(),
        ]);
    }

    fn finish(self, seed: u64) -> Result<ExperimentTruth, SimulateError> {
        let file = self.folder.join("readings.csv");
        let mut table = csv::Writer::from_path(&file).map_err(|e| table_error(&file, &e))?;
        let head = [
            "set",
            "target",
            "line",
            "wavelength_nm",
            "window_1",
            "window_2",
            "footage",
            "pick",
            "note",
        ];
        table
            .write_record(head)
            .map_err(|e| table_error(&file, &e))?;
        for row in &self.readings {
            table
                .write_record(row)
                .map_err(|e| table_error(&file, &e))?;
        }
        table.flush().map_err(|e| SimulateError::file(&file, &e))?;
        let scene = &self.base.scene;
        let truth = ExperimentTruth {
            lineturn: env!("CARGO_PKG_VERSION"),
            kind: "practice experiment",
            seed,
            bench: "Bench 3 of an invented teaching laboratory, mercury lamp",
            glass: scene.bench.glass.name.to_owned(),
            prism_angle_deg: scene.bench.prism().map_or(0.0, |p| p.refracting_angle_deg),
            arcsec_per_px: scene.eyepiece.x_sign * scene.eyepiece.arcsec_per_px,
            least_count_arcsec: LEAST_COUNT_ARCSEC,
            eccentricity_arcsec: self.circle.eccentricity_arcsec,
            lines: self.lines,
            pointings: self.pointings,
        };
        let file = self.folder.join("truth.json");
        let text = serde_json::to_string_pretty(&truth).map_err(|e| {
            SimulateError::Other(format!("the truth cannot be written as JSON: {e}"))
        })?;
        fs::write(&file, text + "\n").map_err(|e| SimulateError::file(&file, &e))?;
        Ok(truth)
    }
}

/// An angle folded into half a turn to either side, arcsec.
fn fold(arcsec: f64) -> f64 {
    let turn = 360.0 * 3600.0;
    arcsec - turn * (arcsec / turn).round()
}

fn table_error(file: &FilePath, why: &csv::Error) -> SimulateError {
    SimulateError::Other(format!(
        "{}: the table cannot be written: {why}; choose another folder or free some space",
        file.display()
    ))
}
