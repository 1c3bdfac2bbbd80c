//! Footage that a table of readings names: each clip or picture in, the line's offset from the cross-hairs out.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use super::stills::{LocatedFrame, locate_one};
use super::sweep::{WatchOptions, Watched, watch};
use super::{Caution, SessionError};
use crate::capture::Source;
use crate::find::{CrossHairs, Finder};
use crate::logbook::table::Target;

/// What one row of a table wants measured.
#[derive(Clone, Debug)]
pub(super) struct Wanted {
    /// The table and its row, for sentences: `readings.csv, row 4`.
    pub(super) place: String,
    /// The footage, resolved.
    pub(super) path: PathBuf,
    /// At what the telescope was pointed.
    pub(super) target: Target,
    /// Which line, from the left.
    pub(super) pick: Option<usize>,
}

/// What was seen in one piece of footage.
#[derive(Clone, Debug)]
pub enum Seen {
    /// A still picture.
    Still(Box<LocatedFrame>),
    /// A clip.
    Clip(Arc<Watched>),
}

/// One piece of footage, measured.
#[derive(Clone, Debug)]
pub struct MeasuredFootage {
    /// The footage, as opened.
    pub path: PathBuf,
    /// What was seen in it.
    pub seen: Seen,
    /// Index, from 0, of the line that was taken.
    pub line: usize,
    /// Offset of the line from the cross-hairs, px.
    pub offset_px: f64,
    /// Its standard uncertainty, px.
    pub u_px: f64,
}

impl MeasuredFootage {
    /// Whether the source ended before its end.
    pub(super) fn failed(&self) -> bool {
        matches!(&self.seen, Seen::Clip(watched) if watched.failure.is_some())
    }
}

/// Measures all footage, on all cores; the order of the answers is that of `wanted`.
///
/// # Errors
/// The first row whose footage can't serve, with its place and what to do.
pub(super) fn measure(
    wanted: &[Wanted],
    options: &WatchOptions,
    progress: &(dyn Fn(usize) + Sync),
) -> Result<(Vec<MeasuredFootage>, Vec<Caution>), SessionError> {
    // Two lines of one clip are two rows of the table and one clip to watch.
    let mut once: Vec<&Wanted> = Vec::new();
    for want in wanted {
        if !once.iter().any(|other| other.path == want.path) {
            once.push(want);
        }
    }
    let mut seen_once = Vec::with_capacity(once.len());
    for (want, seen) in once.iter().zip(look_at_all(&once, options, progress)) {
        seen_once
            .push(seen.map_err(|error| SessionError::Footage(format!("{}: {error}", want.place)))?);
    }
    let looked: Vec<Seen> = wanted
        .iter()
        .filter_map(|want| {
            let at = once.iter().position(|other| other.path == want.path)?;
            seen_once.get(at).cloned()
        })
        .collect();
    let pooled = pooled_hairs(&looked);
    let mut cautions = Vec::new();
    let mut measured = Vec::with_capacity(looked.len());
    for (want, mut seen) in wanted.iter().zip(looked) {
        if let (Seen::Still(frame), Some(hairs)) = (&seen, &pooled) {
            // The hairs are fixed to the camera: all footage together knows them better than one picture, above all
            // one in which a line hides them. A picture that contradicts the others keeps its own.
            let own = frame.picture.cross_hairs.as_ref();
            if own.is_none_or(|own| own.u_x_px > hairs.u_x_px && agree(own, hairs)) {
                if own.is_none() {
                    cautions.push(borrowed(want));
                }
                seen = Seen::Still(Box::new(locate_one(
                    &mut Finder::new(),
                    &want.path,
                    Some(hairs),
                )?));
            }
        }
        measured.push(offset(want, seen, pooled.as_ref(), &mut cautions)?);
    }
    Ok((measured, cautions))
}

/// Looks at each piece of footage, several at a time.
fn look_at_all(
    wanted: &[&Wanted],
    options: &WatchOptions,
    progress: &(dyn Fn(usize) + Sync),
) -> Vec<Result<Seen, SessionError>> {
    let next = AtomicUsize::new(0);
    let finished = AtomicUsize::new(0);
    let answers: Vec<Mutex<Option<Result<Seen, SessionError>>>> =
        wanted.iter().map(|_| Mutex::new(None)).collect();
    let workers = std::thread::available_parallelism()
        .map_or(1, usize::from)
        .min(wanted.len().max(1));
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| {
                let mut finder = Finder::new();
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let (Some(want), Some(answer)) = (wanted.get(index), answers.get(index)) else {
                        break;
                    };
                    let seen = look(want, options, &mut finder);
                    *answer
                        .lock()
                        .unwrap_or_else(std::sync::PoisonError::into_inner) = Some(seen);
                    progress(finished.fetch_add(1, Ordering::Relaxed) + 1);
                }
            });
        }
    });
    answers
        .into_iter()
        .map(|answer| {
            answer
                .into_inner()
                .unwrap_or_else(std::sync::PoisonError::into_inner)
                .unwrap_or_else(|| {
                    Err(SessionError::Footage(
                        "the footage was not looked at".to_owned(),
                    ))
                })
        })
        .collect()
}

fn look(want: &Wanted, options: &WatchOptions, finder: &mut Finder) -> Result<Seen, SessionError> {
    if is_picture(&want.path) {
        return Ok(Seen::Still(Box::new(locate_one(finder, &want.path, None)?)));
    }
    let watched = watch(&Source::Path(want.path.clone()), options, |_| {})?;
    Ok(Seen::Clip(Arc::new(watched)))
}

/// Whether a path is to be read as one still picture: by the ending of its name, since a file of that name that is no picture
/// is to be refused as one.
fn is_picture(path: &Path) -> bool {
    path.is_file()
        && path
            .extension()
            .and_then(|extension| extension.to_str())
            .is_some_and(|extension| {
                ["png", "jpg", "jpeg", "tif", "tiff"]
                    .contains(&extension.to_ascii_lowercase().as_str())
            })
}

/// Crossings that lie farther apart than this many standard uncertainties belong to different places of the camera.
const SAME_PLACE_IN_U: f64 = 5.0;
/// Error that a single fit of the hairs may have beyond its uncertainty, px.
const HAIR_MISFIT_PX: f64 = 0.02;

/// Whether two sightings of the cross-hairs are of the same place.
fn agree(a: &CrossHairs, b: &CrossHairs) -> bool {
    let within = |difference: f64, u: f64, v: f64| {
        difference.abs()
            < SAME_PLACE_IN_U * (u * u + v * v + HAIR_MISFIT_PX * HAIR_MISFIT_PX).sqrt()
    };
    within(a.x_px - b.x_px, a.u_x_px, b.u_x_px) && within(a.y_px - b.y_px, a.u_y_px, b.u_y_px)
}

/// Cross-hairs from all footage together, by inverse variance over those that agree with the median.
fn pooled_hairs(seen: &[Seen]) -> Option<CrossHairs> {
    let all: Vec<&CrossHairs> = seen
        .iter()
        .filter_map(|seen| match seen {
            Seen::Still(frame) => frame.picture.cross_hairs.as_ref(),
            Seen::Clip(watched) => watched.sweep.cross_hairs.as_ref(),
        })
        .collect();
    let median = |get: fn(&CrossHairs) -> f64| {
        let mut values: Vec<f64> = all.iter().map(|hairs| get(hairs)).collect();
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    let middle = CrossHairs {
        x_px: median(|hairs| hairs.x_px)?,
        y_px: median(|hairs| hairs.y_px)?,
        u_x_px: 0.0,
        u_y_px: 0.0,
        ..(**all.first()?).clone()
    };
    let agreed: Vec<&CrossHairs> = all
        .into_iter()
        .filter(|hairs| agree(hairs, &middle))
        .collect();
    let best = agreed.iter().min_by(|a, b| a.u_x_px.total_cmp(&b.u_x_px))?;
    let mean = |get: fn(&CrossHairs) -> (f64, f64)| {
        let (sum, weights) = agreed
            .iter()
            .map(|hairs| get(hairs))
            .fold((0.0, 0.0), |(sum, weights), (value, u)| {
                (sum + value / (u * u), weights + 1.0 / (u * u))
            });
        // Sightings of one picture share its pattern: their mean is no better than a share of the misfit.
        let floor = HAIR_MISFIT_PX / (agreed.len() as f64).sqrt();
        (sum / weights, weights.recip().sqrt().max(0.2 * floor))
    };
    let (x_px, u_x_px) = mean(|hairs| (hairs.x_px, hairs.u_x_px));
    let (y_px, u_y_px) = mean(|hairs| (hairs.y_px, hairs.u_y_px));
    Some(CrossHairs {
        x_px,
        y_px,
        u_x_px,
        u_y_px,
        ..(*best).clone()
    })
}

fn offset(
    want: &Wanted,
    seen: Seen,
    pooled: Option<&CrossHairs>,
    cautions: &mut Vec<Caution>,
) -> Result<MeasuredFootage, SessionError> {
    let name = want.path.display();
    let refused = |sentence: String| SessionError::Footage(format!("{}: {sentence}", want.place));
    let positions: Vec<f64> = match &seen {
        Seen::Still(frame) => frame.picture.lines.iter().map(|line| line.x_px).collect(),
        Seen::Clip(watched) => watched.sweep.lines.iter().map(|line| line.x_px).collect(),
    };
    let list = || {
        positions
            .iter()
            .enumerate()
            .map(|(index, x)| format!("{} at x = {x:.1} px", index + 1))
            .collect::<Vec<_>>()
            .join(", ")
    };
    let index = match (positions.len(), want.pick) {
        (0, _) => {
            return Err(refused(format!(
                "no line is to be seen in {name}; check that the slit is lit and sharp, or name other footage"
            )));
        }
        (1, None) => 0,
        (_, Some(pick)) if (1..=positions.len()).contains(&pick) => pick - 1,
        (seen, Some(pick)) => {
            return Err(refused(format!(
                "pick is {pick}, but {seen} lines are seen in {name}: {}; give the number of one of them",
                list()
            )));
        }
        (seen, None) => {
            return Err(refused(format!(
                "{seen} lines are seen in {name}: {}; say which by its number from the left in the column pick",
                list()
            )));
        }
    };
    let (offset_px, u_px) = match &seen {
        Seen::Still(frame) => {
            if want.target == Target::Line {
                cautions.push(Caution::new(
                    "line-from-still",
                    format!(
                        "{}: {name} is a still picture, so that the line stood at minimum deviation is taken on trust; a clip of the sweep would show it",
                        want.place
                    ),
                ));
            }
            frame.picture.cross_hairs.as_ref().and_then(|hairs| still_offset(frame, index, hairs))
        }
        Seen::Clip(watched) => {
            let Some(line) = watched.sweep.lines.get(index) else {
                return Err(refused(format!("line {} is not in {name}", index + 1)));
            };
            if want.target == Target::Line && !line.turned {
                let reasons: Vec<&str> = watched
                    .sweep
                    .turning_points
                    .iter()
                    .filter(|point| point.line == line.line)
                    .map(|point| point.why.as_str())
                    .collect();
                return Err(refused(format!(
                    "line {} of {name} never reached its turning point{}{}; film the sweep again, through the turn and back",
                    line.line,
                    if reasons.is_empty() { "" } else { ": " },
                    reasons.join(" ").trim_end_matches('.'),
                )));
            }
            match (line.offset_px, pooled) {
                (Some(offset_px), _) => Some((offset_px, line.u_px)),
                (None, Some(hairs)) => {
                    cautions.push(borrowed(want));
                    Some((line.x_px - hairs.x_px, line.u_px.hypot(hairs.u_x_px)))
                }
                (None, None) => None,
            }
        }
    }
    .ok_or_else(|| {
        refused(format!(
            "no cross-hairs are to be seen in {name} nor in other footage of the table; give the hairs some stray light, focus the eyepiece on them and film again"
        ))
    })?;
    if let Seen::Clip(watched) = &seen {
        if let Some(failure) = &watched.failure {
            cautions.push(Caution::new(
                "source-failed",
                if failure.contains("what came before") {
                    format!("{}: {failure}", want.place)
                } else {
                    format!("{}: {failure}; what came before was used", want.place)
                },
            ));
        }
        // That the side was taken from the turns themselves is told where a clip is watched alone; in a table the turning
        // points show it.
        cautions.extend(
            watched
                .cautions()
                .into_iter()
                .filter(|caution| caution.code != "side-inferred")
                .map(|caution| Caution {
                    message: format!("{}: {}", want.place, caution.message),
                    ..caution
                }),
        );
    }
    Ok(MeasuredFootage {
        path: want.path.clone(),
        seen,
        line: index,
        offset_px,
        u_px,
    })
}

fn borrowed(want: &Wanted) -> Caution {
    Caution::new(
        "hairs-borrowed",
        format!(
            "{}: the cross-hairs can't be measured in {}; their place is taken from the other footage of the table",
            want.place,
            want.path.display()
        ),
    )
}

/// Offset of a line of a still from the cross-hairs at their height, px, with its standard uncertainty.
fn still_offset(frame: &LocatedFrame, index: usize, hairs: &CrossHairs) -> Option<(f64, f64)> {
    let line = frame.picture.lines.get(index)?.at_height(hairs.y_px);
    let slope = line.tilt_deg.to_radians().tan();
    let u_px = (line.u_px.powi(2) + hairs.u_x_px.powi(2) + (slope * hairs.u_y_px).powi(2)).sqrt();
    Some((line.x_px - hairs.x_px, u_px))
}
