//! Each command: its flags checked, its session called, its answer put into words.

use std::fs::File;
use std::path::Path;

use super::flags::{
    Class, Demo, FootageFlags, Locate, OffsetFlags, PaperFlag, Practice, PracticeFormat, Reduce,
    Scale, Toward, Watch,
};
use super::progress::Progress;
use super::{Answer, CliError, batch, live};
use crate::basics::fault::said;
use crate::report::print::{self, Paper};
use crate::report::{class as class_report, document, from, page, table, text};
use crate::session::{
    self, AirConditions, Angle, BenchProfile, Caution, DispersionModel, Experiment, FaceMethod,
    ReduceOptions, Side, Source, WatchOptions, Watched,
};
use crate::simulate::{self, Format};

/// Largest least count that a divided circle has, seconds of arc: a whole degree.
const LARGEST_LEAST_COUNT_ARCSEC: f64 = 3600.0;
/// Largest standard uncertainty of a refracting angle that is believed, seconds of arc: a degree.
const LARGEST_U_PRISM_ANGLE_ARCSEC: f64 = 3600.0;

pub(super) fn locate(flags: &Locate) -> Result<Answer, CliError> {
    let progress = Progress::new("pictures");
    let total = flags.frames.len() as u64;
    let frames = session::locate(&flags.frames, |done| {
        progress.show(done as u64, Some(total))
    })?;
    let text = if flags.json {
        document::document("locate", true, &[], document::located(&frames))
    } else {
        text::located(&frames)
    };
    Ok(Answer {
        text,
        cautions: Vec::new(),
        complete: true,
    })
}

pub(super) fn watch(flags: &Watch) -> Result<Answer, CliError> {
    let [source] = flags.sources.as_slice() else {
        return batch::watch_many(flags);
    };
    if flags.json_dir.is_some() {
        return batch::watch_many(flags);
    }
    watch_one(flags, source)
}

pub(super) fn watch_options(flags: &Watch) -> Result<WatchOptions, CliError> {
    Ok(WatchOptions {
        seconds: checked_seconds(flags.seconds)?,
        camera: live::camera_wish(
            &flags.camera,
            flags.sources.iter().map(|s| Source::parse(s)),
        )?,
        certificate: live::certificate(&flags.camera)?,
        record: flags.record.clone(),
        ..of_footage(&flags.footage, &flags.offsets)?
    })
}

/// What the flags that all commands over footage share ask for.
pub(super) fn of_footage(
    footage: &FootageFlags,
    offsets: &OffsetFlags,
) -> Result<WatchOptions, CliError> {
    let scale = offsets.scale.as_deref();
    let profile = profile_of(offsets.bench.as_deref(), scale.is_none())?;
    Ok(WatchOptions {
        toward: footage.toward.map(Side::from),
        fps: checked_fps(footage.fps)?,
        scale: scale_of(scale, &profile)?,
        ..WatchOptions::default()
    })
}

fn watch_one(flags: &Watch, source: &str) -> Result<Answer, CliError> {
    let source = Source::parse(source);
    let options = live::ended_by_the_user(&source, watch_options(flags)?)?;
    let progress = Progress::new("frames");
    let watched = session::watch(&source, &options, |come| {
        if let Some(note) = come.note {
            progress.say(note);
        } else if come.frames == 1 && options.stop.is_some() && options.seconds.is_none() {
            progress.say(live::WATCHING);
        }
        progress.show(come.frames, come.of);
    })?;
    drop(progress);
    if let Some(path) = &flags.track {
        write_csv(path, |file| {
            session::track::write(&watched.sweep.lines, file)
        })?;
    }
    let cautions = cautions_of(&watched);
    let complete = watched.failure.is_none();
    Ok(if flags.json {
        Answer {
            text: document::document("watch", complete, &cautions, document::watched(&watched)),
            cautions,
            complete,
        }
    } else {
        Answer {
            text: text::watched(&watched),
            cautions,
            complete,
        }
    })
}

/// What is doubtful about footage, first that its source failed.
pub(super) fn cautions_of(watched: &Watched) -> Vec<Caution> {
    let failure = watched
        .failure
        .iter()
        .map(|failure| Caution::new("source-failed", failure.clone()));
    failure.chain(watched.cautions()).collect()
}

pub(super) fn scale(flags: &Scale) -> Result<Answer, CliError> {
    let profile = profile_of(flags.bench.as_deref(), false)?;
    let progress = Progress::new("pictures");
    let calibrated = session::calibrate(
        &flags.readings,
        least_count(flags.least_count)?.or(profile.bench.least_count),
        &|done, of| {
            progress.show(done as u64, Some(of as u64));
        },
    )?;
    drop(progress);
    let document = document::calibrated(&calibrated);
    if let Some(path) = &flags.save {
        std::fs::write(path, format!("{document}\n")).map_err(|error| unwritten(path, &error))?;
    }
    let text = if flags.json {
        document
    } else {
        text::calibrated(&calibrated)
    };
    Ok(Answer {
        text,
        cautions: calibrated.cautions,
        complete: true,
    })
}

pub(super) fn reduce(flags: &Reduce) -> Result<Answer, CliError> {
    let options = reduce_options(flags)?;
    let progress = Progress::new("footage");
    let experiment = session::reduce(&flags.readings, &options, &|done, of| {
        progress.show(done as u64, Some(of as u64));
    })?;
    drop(progress);
    if !flags.report.is_empty() {
        let page = report_page(&experiment, &bench_said(flags.bench.as_deref())?);
        for path in &flags.report {
            write_page(path, &page, flags.paper.into())?;
        }
    }
    if let Some(path) = &flags.csv {
        write_csv(path, |file| table::lines(&experiment, file))?;
    }
    let text = if flags.json {
        document::document(
            "reduce",
            experiment.complete,
            &experiment.cautions,
            document::reduced(&experiment),
        )
    } else {
        text::reduced(&experiment)
    };
    Ok(Answer {
        text,
        complete: experiment.complete,
        cautions: experiment.cautions,
    })
}

pub(super) fn class(flags: &Class) -> Result<Answer, CliError> {
    let progress = Progress::new("results");
    let class = session::class(&flags.paths, &|done, of| {
        progress.show(done as u64, Some(of as u64));
    })?;
    drop(progress);
    if !flags.report.is_empty() {
        let page = class_report::page(&class, &today(), &[command_said()]);
        for path in &flags.report {
            write_page(path, &page, flags.paper.into())?;
        }
    }
    if let Some(path) = &flags.csv {
        write_csv(path, |file| class_report::csv(&class, file))?;
    }
    let cautions = class_report::cautions(&class);
    let text = if flags.json {
        document::document("class", true, &cautions, class_report::document(&class))
    } else {
        class_report::text(&class)
    };
    Ok(Answer {
        text,
        cautions,
        complete: true,
    })
}

/// Quality of motion JPEG, 1 to 100.
const JPEG_QUALITY: u8 = 90;
/// Rate factor of H.264: lower is better.
const H264_RATE_FACTOR: u8 = 18;

pub(super) fn practice(flags: &Practice) -> Result<Answer, CliError> {
    if flags.list {
        let scenarios = simulate::scenario_names();
        let text = if flags.json {
            document::document("practice", true, &[], document::scenarios(&scenarios))
        } else {
            text::scenarios(&scenarios)
        };
        return Ok(Answer {
            text,
            cautions: Vec::new(),
            complete: true,
        });
    }
    let Some(dir) = &flags.dir else {
        return Err(CliError::Usage(
            "practice needs a folder for its footage: give DIR, or --list to see the scenarios"
                .to_owned(),
        ));
    };
    let format = match flags.format {
        PracticeFormat::Png => Format::Png,
        PracticeFormat::Mjpeg => Format::MotionJpeg(JPEG_QUALITY),
        PracticeFormat::Y4m => Format::Y4m,
        PracticeFormat::H264 => Format::H264(H264_RATE_FACTOR),
    };
    let made = if flags.experiment {
        // A folder of pictures is the default of a single sweep; an experiment takes the best clips that can be written here.
        simulate::write_experiment(dir, flags.seed, (format != Format::Png).then_some(format))?;
        dir.join("readings.csv")
    } else if flags.demonstration {
        simulate::write(&simulate::demonstration(flags.seed), dir, format)?
    } else {
        simulate::write(&simulate::scene(&flags.scenario, flags.seed)?, dir, format)?
    };
    let text = if flags.json {
        let scenario = if flags.experiment {
            "experiment"
        } else if flags.demonstration {
            "demonstration"
        } else {
            flags.scenario.as_str()
        };
        document::document(
            "practice",
            true,
            &[],
            document::practice(scenario, flags.seed, &made, &dir.join("truth.json")),
        )
    } else if flags.experiment {
        format!(
            "The experiment is in {0}. Measure it with:\n  lineturn scale {0}/scale.csv --least-count 30 --save {0}/scale.json\n  lineturn reduce {0}/readings.csv --least-count 30 --scale {0}/scale.json --report {0}/report.html\nIts truth is in {0}/truth.json.",
            dir.display()
        )
    } else {
        format!(
            "Footage: {}\nTruth:   {}",
            made.display(),
            dir.join("truth.json").display()
        )
    };
    Ok(Answer {
        text,
        cautions: Vec::new(),
        complete: true,
    })
}

pub(super) fn demo(flags: &Demo) -> Result<Answer, CliError> {
    let progress = Progress::new("footage");
    let demonstration = session::demonstrate(&flags.dir, &|done, of| {
        progress.show(done as u64, Some(of as u64))
    })?;
    drop(progress);
    let report = flags.dir.join("report.html");
    let page = report_page(
        &demonstration.experiment,
        &bench_said(Some(&flags.dir.join("bench.toml")))?,
    );
    for path in [&report, &report.with_extension("pdf")] {
        write_page(path, &page, Paper::default())?;
    }
    // So that the frames can be measured again by hand, as the bench profile beside them says.
    let scale = flags.dir.join("scale.json");
    let calibration = document::calibrated(&demonstration.calibrated);
    std::fs::write(&scale, format!("{calibration}\n"))
        .map_err(|error| unwritten(&scale, &error))?;
    let cautions = demonstration.experiment.cautions.clone();
    let text = if flags.json {
        document::document(
            "demo",
            demonstration.experiment.complete,
            &cautions,
            document::demonstrated(&demonstration, &report),
        )
    } else {
        text::demonstrated(&demonstration, &report)
    };
    Ok(Answer {
        text,
        complete: demonstration.experiment.complete,
        cautions,
    })
}

/// What the report says of the bench: (what, value).
fn bench_said(path: Option<&Path>) -> Result<Vec<(String, String)>, CliError> {
    let Some(path) = path else {
        return Ok(Vec::new());
    };
    let bench = session::read_bench(path, false)?.bench;
    let mut says = vec![bench.name.clone(), format!("profile {}", path.display())];
    says.extend(
        bench
            .increases
            .map(|sense| format!("readings grow {}", sense.word())),
    );
    says.retain(|part| !part.is_empty());
    Ok(vec![("bench".to_owned(), says.join("; "))])
}

/// The command as typed, less the program's own path, which says nothing of the measurement.
fn command_said() -> (String, String) {
    let command = std::env::args().skip(1).collect::<Vec<_>>().join(" ");
    ("command".to_owned(), format!("lineturn {command}"))
}

fn today() -> String {
    jiff::Timestamp::now()
        .to_string()
        .chars()
        .take_while(|&letter| letter != 'T')
        .collect()
}

/// The report of an experiment, as a page.
fn report_page(experiment: &Experiment, bench: &[(String, String)]) -> String {
    let mut provenance = bench.to_vec();
    provenance.push(command_said());
    page::page(&from::page_from(experiment, &today(), &provenance))
}

/// Writes a page as it is, or as PDF where the file's name ends so.
fn write_page(path: &Path, page: &str, paper: Paper) -> Result<(), CliError> {
    let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase());
    let bytes = match ending.as_deref() {
        Some("pdf") => print::pdf(page, paper)
            .map_err(|why| CliError::Usage(format!("{}: {why}", path.display())))?,
        Some("html" | "htm") => page.as_bytes().to_vec(),
        _ => {
            return Err(CliError::Usage(format!(
                "{}: a report ends in .html or .pdf; name it so",
                path.display()
            )));
        }
    };
    std::fs::write(path, bytes).map_err(|error| unwritten(path, &error))
}

/// The bench profile that was named, or an empty one.
pub(super) fn profile_of(path: Option<&Path>, with_scale: bool) -> Result<BenchProfile, CliError> {
    Ok(match path {
        Some(path) => session::read_bench(path, with_scale)?,
        None => BenchProfile::default(),
    })
}

/// The camera's scale: as the flag names it, else that of the bench.
pub(super) fn scale_of(
    path: Option<&Path>,
    profile: &BenchProfile,
) -> Result<Option<session::Calibration>, CliError> {
    Ok(match path {
        Some(path) => Some(session::read_calibration(path)?),
        None => profile.scale.clone(),
    })
}

fn reduce_options(flags: &Reduce) -> Result<ReduceOptions, CliError> {
    let profile = profile_of(flags.bench.as_deref(), flags.scale.is_none())?;
    let bench = &profile.bench;
    let prism_angle = match (&flags.prism_angle, flags.u_prism_angle) {
        (Some(angle), Some(u)) => {
            let angle = Angle::parse(angle)
                .map_err(|error| CliError::Usage(format!("--prism-angle: {error}")))?;
            if !(u > 0.0 && u <= LARGEST_U_PRISM_ANGLE_ARCSEC) {
                return Err(CliError::Usage(format!(
                    "--u-prism-angle: {u} is no standard uncertainty; give seconds of arc above 0 and up to {LARGEST_U_PRISM_ANGLE_ARCSEC}"
                )));
            }
            Some((angle, Angle::from_arcseconds(u)))
        }
        _ => bench.prism_angle,
    };
    let air = flags
        .air
        .as_deref()
        .map(AirConditions::parse)
        .transpose()
        .map_err(|error| CliError::Usage(format!("--air: {error}")))?;
    let air = match (air, flags.u_air.as_deref()) {
        (Some(air), Some(u)) => Some(
            air.with_uncertainties(u)
                .map_err(|error| CliError::Usage(format!("--u-air: {error}")))?,
        ),
        (air, _) => air,
    };
    if let Some(celsius) = flags.prism_temperature
        && !(-100.0..=500.0).contains(&celsius)
    {
        return Err(CliError::Usage(format!(
            "--prism-temperature: {celsius} °C is no prism's; give degrees Celsius, such as 21.5"
        )));
    }
    let base_mm = match (flags.base_mm, flags.u_base_mm) {
        (Some(base), Some(u)) if base > 0.0 && base <= 1000.0 && u >= 0.0 && u < base => {
            Some((base, u))
        }
        (Some(base), Some(u)) => {
            return Err(CliError::Usage(format!(
                "--base-mm: a base of {base} mm with a standard uncertainty of {u} mm cannot be; give mm above 0 and up to 1000, and an uncertainty from 0 to well below it"
            )));
        }
        _ => bench.base_mm,
    };
    Ok(ReduceOptions {
        scale: scale_of(flags.scale.as_deref(), &profile)?,
        prism_angle,
        faces: FaceMethod::parse(&flags.faces)
            .map_err(|error| CliError::Usage(format!("--faces: {error}")))?,
        least_count: least_count(flags.least_count)?.or(bench.least_count),
        base_mm,
        measured_on: checked_day(flags.measured_on.as_deref())?,
        prism_temperature_c: flags.prism_temperature,
        air,
        model: flags
            .model
            .as_deref()
            .map(DispersionModel::parse)
            .transpose()
            .map_err(|error| CliError::Usage(format!("--model: {error}")))?,
        watch: WatchOptions {
            toward: flags.footage.toward.map(Side::from),
            fps: checked_fps(flags.footage.fps)?,
            ..WatchOptions::default()
        },
        monte_carlo: checked_draws(flags.monte_carlo)?,
        ..ReduceOptions::of_bench(&profile)
    })
}

/// A day as year-month-day.
fn checked_day(day: Option<&str>) -> Result<Option<String>, CliError> {
    day.map(|text| {
        text.trim()
            .parse::<jiff::civil::Date>()
            .map(|date| date.to_string())
            .map_err(|_| {
                CliError::Usage(format!(
                    "--measured-on: \"{text}\" is no day; write year-month-day, such as 2026-11-25"
                ))
            })
    })
    .transpose()
}

/// Draws of a Monte Carlo check, 0 for none.
fn checked_draws(draws: Option<u32>) -> Result<u32, CliError> {
    /// Fewer say nothing of an interval of 95 %.
    const FEWEST: u32 = 100;
    match draws {
        Some(draws) if draws < FEWEST => Err(CliError::Usage(format!(
            "--monte-carlo: {draws} draws are too few for an interval; give at least {FEWEST}, such as 20000"
        ))),
        draws => Ok(draws.unwrap_or(0)),
    }
}

impl From<PaperFlag> for Paper {
    fn from(paper: PaperFlag) -> Self {
        match paper {
            PaperFlag::A4 => Self::A4,
            PaperFlag::Letter => Self::Letter,
        }
    }
}

impl From<Toward> for Side {
    fn from(toward: Toward) -> Self {
        match toward {
            Toward::Left => Self::Left,
            Toward::Right => Self::Right,
        }
    }
}

pub(super) fn checked_fps(fps: Option<f64>) -> Result<Option<f64>, CliError> {
    match fps {
        Some(fps) if !(fps.is_finite() && fps > 0.0 && fps <= 10_000.0) => Err(CliError::Usage(
            format!("--fps: {fps} is no frame rate; give frames per second, such as 25"),
        )),
        fps => Ok(fps),
    }
}

fn checked_seconds(seconds: Option<f64>) -> Result<Option<f64>, CliError> {
    match seconds {
        Some(seconds) if !(seconds.is_finite() && seconds > 0.0) => Err(CliError::Usage(format!(
            "--seconds: {seconds} is no time to watch; give seconds, such as 40"
        ))),
        seconds => Ok(seconds),
    }
}

fn least_count(arcsec: Option<f64>) -> Result<Option<Angle>, CliError> {
    let Some(arcsec) = arcsec else {
        return Ok(None);
    };
    if arcsec.is_finite() && arcsec > 0.0 && arcsec <= LARGEST_LEAST_COUNT_ARCSEC {
        Ok(Some(Angle::from_arcseconds(arcsec)))
    } else {
        Err(CliError::Usage(format!(
            "--least-count: {arcsec} is no least count; give seconds of arc, such as 60 for one minute"
        )))
    }
}

fn write_csv(
    path: &Path,
    write: impl FnOnce(File) -> Result<(), csv::Error>,
) -> Result<(), CliError> {
    let file = File::create(path).map_err(|error| unwritten(path, &error))?;
    write(file).map_err(|error| match error.into_kind() {
        csv::ErrorKind::Io(error) => unwritten(path, &error),
        other => CliError::Usage(format!("{} cannot be written: {other:?}", path.display())),
    })
}

pub(super) fn unwritten(path: &Path, error: &std::io::Error) -> CliError {
    CliError::Usage(format!(
        "{} cannot be written: {}; choose another place",
        path.display(),
        said(error)
    ))
}
