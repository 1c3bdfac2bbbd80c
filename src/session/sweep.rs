//! A clip of a turning prism table in, each line's turning point out.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use super::watcher::Watcher;
use super::{Caution, SessionError};
use crate::basics::frame::Frame;
use crate::basics::uncertainty::{Cause, Shape};
use crate::capture::camera::CameraWish;
use crate::capture::{self, Fingerprint, FrameSource, Next, OpenOptions, Source};
use crate::follow::{Settings, Side, Sweep};
use crate::logbook::scale::Calibration;

/// Time between two sentences about a silence that lasts.
const BETWEEN_WORDS: Duration = Duration::from_secs(5);
/// Sentences about the source that are kept for the answer.
const MOST_NOTES: usize = 16;

/// How to watch.
#[derive(Clone, Debug, Default)]
pub struct WatchOptions {
    /// Side on which the central image lies, if known.
    pub toward: Option<Side>,
    /// Frames per second of a folder of pictures without `times.csv`.
    pub fps: Option<f64>,
    /// Camera scale, for offsets in seconds of arc.
    pub scale: Option<Calibration>,
    /// Seconds after the first frame at which to end; none watches to the end of the source.
    pub seconds: Option<f64>,
    /// Ends the watch when somebody sets it, as if the source had ended.
    pub stop: Option<Arc<AtomicBool>>,
    /// What is wished of a camera.
    pub camera: CameraWish,
    /// The only certificate that an `https://` server may show.
    pub certificate: Option<Fingerprint>,
    /// Records a live source into this file while it is measured.
    pub record: Option<PathBuf>,
}

/// How far a watch has come.
#[derive(Clone, Copy, Debug)]
pub struct WatchProgress<'a> {
    /// Frames looked at.
    pub frames: u64,
    /// Frames that the container announces.
    pub of: Option<u64>,
    /// One sentence for the user, where something happened to the source.
    pub note: Option<&'a str>,
}

/// An offset from the cross-hairs as an angle of the telescope.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineAngle {
    /// Circle reading + this = the reading with the cross-hair on the line, seconds of arc.
    pub offset_arcsec: f64,
    /// Its standard uncertainty, seconds of arc.
    pub u_arcsec: f64,
}

/// What was seen in a clip.
#[derive(Clone, Debug)]
pub struct Watched {
    /// What the source says of itself.
    pub description: String,
    /// Columns and rows.
    pub size_px: (usize, usize),
    /// Frames looked at.
    pub frames: u64,
    /// Frames that are missing: lost by the camera, not to be decoded, or passed over.
    pub dropped: u64,
    /// Of these, frames that came while the program was busy.
    pub skipped: u64,
    /// Why frames were dropped, one sentence each, the first few.
    pub losses: Vec<String>,
    /// Seconds from the first to the last frame.
    pub duration_s: f64,
    /// Lines and turning points.
    pub sweep: Sweep,
    /// Offset of each line of the sweep as an angle, where a scale was given and the cross-hairs are known.
    pub angles: Vec<Option<LineAngle>>,
    /// What the source had to tell.
    pub notes: Vec<Caution>,
    /// Why the source ended before its end, if it did; what was seen before stands.
    pub failure: Option<String>,
}

/// Follows the lines of `source` to its end.
///
/// # Errors
/// The source could not be opened, or failed before its first frame. A later failure is told in [`Watched::failure`].
pub fn watch(
    source: &Source,
    options: &WatchOptions,
    progress: impl FnMut(WatchProgress<'_>),
) -> Result<Watched, SessionError> {
    let mut opened = opened(source, options)?;
    if let Some(path) = &options.record {
        opened.record_to(path)?;
    }
    // Live sources have a thread of their own; another queue would only delay them.
    if matches!(source, Source::Camera(_) | Source::Network(_)) {
        return watch_frames(&mut *opened, options, progress);
    }
    watch_frames(&mut capture::Decoupled::new(opened)?, options, progress)
}

/// As [`watch`], all in one thread: where several clips are watched at once, decoding ahead gains nothing.
///
/// # Errors
/// As [`watch`].
pub fn watch_alone(source: &Source, options: &WatchOptions) -> Result<Watched, SessionError> {
    watch_frames(&mut *opened(source, options)?, options, |_| {})
}

pub(super) fn opened(
    source: &Source,
    options: &WatchOptions,
) -> Result<Box<dyn FrameSource>, SessionError> {
    Ok(capture::open(
        source,
        &OpenOptions {
            fps: options.fps,
            camera: options.camera.clone(),
            certificate: options.certificate,
            ..OpenOptions::default()
        },
    )?)
}

/// Follows the lines of any stream of frames to its end.
///
/// # Errors
/// As [`watch`].
pub fn watch_frames(
    source: &mut dyn FrameSource,
    options: &WatchOptions,
    mut progress: impl FnMut(WatchProgress<'_>),
) -> Result<Watched, SessionError> {
    let of = source.info().frames;
    let description = source.info().description.clone();

    let mut watcher = Watcher::new(Settings {
        toward: options.toward,
        ..Settings::default()
    });
    let mut frame = Frame::empty();
    let (mut dropped, mut skipped) = (0, 0);
    let mut losses: Vec<String> = Vec::new();
    let mut notes: Vec<Caution> = Vec::new();
    let begun = Instant::now();
    let mut last_word: Option<Instant> = None;
    let failure = loop {
        if options
            .stop
            .as_ref()
            .is_some_and(|stop| stop.load(Ordering::Relaxed))
        {
            break None;
        }
        match source.next_into(&mut frame) {
            Ok(Next::Frame) => {}
            Ok(Next::Lost { frames, why }) => {
                dropped += frames;
                if losses.len() < 8 {
                    losses.push(why);
                }
                watcher.lost(frames);
                continue;
            }
            Ok(Next::Skipped { frames }) => {
                dropped += frames;
                skipped += frames;
                watcher.passed_over(frames);
                continue;
            }
            Ok(Next::Waiting { why }) => {
                if options
                    .seconds
                    .is_some_and(|seconds| begun.elapsed().as_secs_f64() >= seconds)
                {
                    break None;
                }
                if let Some(why) = why
                    && last_word.is_none_or(|word| word.elapsed() >= BETWEEN_WORDS)
                {
                    last_word = Some(Instant::now());
                    progress(WatchProgress {
                        frames: watcher.frames(),
                        of,
                        note: Some(&why),
                    });
                }
                continue;
            }
            Ok(Next::Note { code, message }) => {
                progress(WatchProgress {
                    frames: watcher.frames(),
                    of,
                    note: Some(&message),
                });
                let note = Caution::new(code, message);
                if notes.len() < MOST_NOTES && !notes.contains(&note) {
                    notes.push(note);
                }
                continue;
            }
            Ok(Next::End) => break None,
            Err(error) if watcher.frames() == 0 => return Err(error.into()),
            Err(error) => break Some(error.to_string()),
        }
        if options
            .seconds
            .is_some_and(|seconds| watcher.frames() > 0 && frame.time_s >= seconds)
        {
            break None;
        }
        if let Some(sentence) = source.record_last(&frame) {
            progress(WatchProgress {
                frames: watcher.frames(),
                of,
                note: Some(&sentence),
            });
            notes.push(Caution::new("recording-ended", sentence));
        }
        watcher.advance(&frame);
        progress(WatchProgress {
            frames: watcher.frames(),
            of,
            note: None,
        });
    };
    if watcher.frames() == 0 && (options.stop.is_some() || options.seconds.is_some()) {
        return Err(SessionError::Footage(format!(
            "{description} gave no frame before the end; see that its stream runs, or watch for longer"
        )));
    }
    let (frames, duration_s) = (watcher.frames(), watcher.last_s());
    let sweep = watcher.finish();
    let scale = options.scale.as_ref().map(Calibration::ready).transpose()?;
    let angles = sweep
        .lines
        .iter()
        .map(|line| {
            let angle = scale.as_ref()?.angle_arcsec(
                line.offset_px?,
                line.u_px,
                &Cause::type_b("line against cross-hairs", Shape::Normal),
            );
            Some(LineAngle {
                offset_arcsec: angle.value(),
                u_arcsec: angle.u(),
            })
        })
        .collect();
    Ok(Watched {
        description,
        size_px: (frame.width(), frame.height()),
        frames,
        dropped,
        skipped,
        losses,
        notes,
        duration_s,
        sweep,
        angles,
        failure,
    })
}

/// A sentence as a part of one, so that the name of a file and a row can stand before it.
fn as_part(sentence: &str) -> String {
    let mut letters = sentence.trim_end_matches('.').chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_lowercase().chain(letters).collect()
    })
}

impl Watched {
    /// What is doubtful about the clip, in sentences.
    #[must_use]
    pub fn cautions(&self) -> Vec<Caution> {
        let mut cautions: Vec<Caution> = self
            .sweep
            .cautions
            .iter()
            .map(|(code, message)| Caution::new(code.clone(), as_part(message)))
            .collect();
        cautions.extend(self.notes.iter().cloned());
        if self.skipped > 0 {
            cautions.push(Caution::new(
                "frames-passed-over",
                format!(
                    "{} of {} frames came faster than they could be measured and were passed over: the times of the others are right; a smaller --mode gives more frames a second",
                    self.skipped,
                    self.dropped + self.frames,
                ),
            ));
        }
        if self.dropped > self.skipped {
            cautions.push(Caution::new(
                "frames-lost",
                format!(
                    "{} of {} frames could not be decoded and were left out: {}",
                    self.dropped - self.skipped,
                    self.dropped + self.frames,
                    self.losses.join("; ")
                ),
            ));
        }
        if self.sweep.lines.is_empty() {
            cautions.push(Caution::new(
                "no-line",
                format!(
                    "no line was seen in {}: check that the slit is lit and in focus",
                    self.description
                ),
            ));
        }
        cautions
    }
}
