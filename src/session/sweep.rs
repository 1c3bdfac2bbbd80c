//! A clip of a turning prism table in, each line's turning point out.

use super::watcher::Watcher;
use super::{Caution, SessionError};
use crate::basics::frame::Frame;
use crate::basics::uncertainty::{Cause, Shape};
use crate::capture::{self, FrameSource, Next, OpenOptions, Source};
use crate::follow::{Settings, Side, Sweep};
use crate::logbook::scale::Calibration;

/// How to watch.
#[derive(Clone, Debug, Default)]
pub struct WatchOptions {
    /// Side on which the central image lies, if known.
    pub toward: Option<Side>,
    /// Frames per second of a folder of pictures without `times.csv`.
    pub fps: Option<f64>,
    /// Camera scale, for offsets in seconds of arc.
    pub scale: Option<Calibration>,
}

/// How far a watch has come.
#[derive(Clone, Copy, Debug)]
pub struct WatchProgress {
    /// Frames looked at.
    pub frames: u64,
    /// Frames that the container announces.
    pub of: Option<u64>,
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
    /// Frames that could not be decoded.
    pub dropped: u64,
    /// Why frames were dropped, one sentence each, the first few.
    pub losses: Vec<String>,
    /// Seconds from the first to the last frame.
    pub duration_s: f64,
    /// Lines and turning points.
    pub sweep: Sweep,
    /// Offset of each line of the sweep as an angle, where a scale was given and the cross-hairs are known.
    pub angles: Vec<Option<LineAngle>>,
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
    progress: impl FnMut(WatchProgress),
) -> Result<Watched, SessionError> {
    let opened = capture::open(
        source,
        &OpenOptions {
            fps: options.fps,
            ..OpenOptions::default()
        },
    )?;
    watch_frames(&mut capture::Decoupled::new(opened)?, options, progress)
}

/// Follows the lines of any stream of frames to its end.
///
/// # Errors
/// As [`watch`].
pub fn watch_frames(
    source: &mut dyn FrameSource,
    options: &WatchOptions,
    mut progress: impl FnMut(WatchProgress),
) -> Result<Watched, SessionError> {
    let of = source.info().frames;
    let description = source.info().description.clone();

    let mut watcher = Watcher::new(Settings {
        toward: options.toward,
        ..Settings::default()
    });
    let mut frame = Frame::empty();
    let mut dropped = 0;
    let mut losses: Vec<String> = Vec::new();
    let failure = loop {
        match source.next_into(&mut frame) {
            Ok(Next::Frame) => watcher.advance(&frame),
            Ok(Next::Lost { frames, why }) => {
                dropped += frames;
                if losses.len() < 8 {
                    losses.push(why);
                }
                watcher.lost(frames);
                continue;
            }
            Ok(Next::End) => break None,
            Err(error) if watcher.frames() == 0 => return Err(error.into()),
            Err(error) => break Some(error.to_string()),
        }
        progress(WatchProgress {
            frames: watcher.frames(),
            of,
        });
    };
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
        losses,
        duration_s,
        sweep,
        angles,
        failure,
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
            .map(|(code, message)| Caution::new(code.clone(), message.clone()))
            .collect();
        if self.dropped > 0 {
            cautions.push(Caution::new(
                "frames-lost",
                format!(
                    "{} of {} frames could not be decoded and were left out: {}",
                    self.dropped,
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
