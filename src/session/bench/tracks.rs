//! The tracks of sweeps: whole in a table beside the journal, and in memory as many points as a drawing shows.
//!
//! What is in memory is made in the same way from a sweep that has just ended and from its table after a start, so that a report
//! and the page show the same before and after.

use std::fs::File;
use std::io::BufReader;
use std::path::Path;
use std::sync::Arc;

use super::book::{Book, KeptSweep};
use crate::basics::fault::said;
use crate::follow::{FollowedLine, Sweep, TrackPoint, TurningPoint};
use crate::logbook::journal::{SweptTurn, make_synced, write_synced};
use crate::logbook::track;
use crate::session::Watched;

/// Folder of the tables, below that of the logbook.
const TRACKS: &str = "tracks";
/// Points of one sweep, all its lines together, that are held in memory: at 30 frames a second two lines over two minutes.
const MOST_POINTS: usize = 8000;
/// Sweeps whose points are held in memory, the newest; those before are read from their tables when they are asked for.
const MOST_SWEEPS: usize = 40;

/// Writes the tracks of a sweep beside the journal; gives the table's name below the logbook's folder.
///
/// # Errors
/// One sentence: the disk.
pub(super) fn keep(folder: &Path, number: u64, sweep: &Sweep) -> Result<String, String> {
    let name = format!("{TRACKS}/{number:05}.csv");
    let mut bytes = Vec::new();
    let written = track::write(&sweep.lines, &mut bytes)
        .map_err(std::io::Error::other)
        .and_then(|()| make_synced(&folder.join(TRACKS)))
        .and_then(|()| write_synced(&folder.join(&name), &bytes));
    match written {
        Ok(()) => Ok(name),
        Err(error) => Err(format!(
            "the track of the sweep cannot be kept in {} ({error}), so the sweep is not kept yet; make room on the disk and end it again",
            folder.join(TRACKS).display(),
            error = said(&error)
        )),
    }
}

/// The sweep with no more points than are held in memory.
pub(super) fn thinned(mut sweep: Sweep) -> Sweep {
    let all: usize = sweep.lines.iter().map(|line| line.track.len()).sum();
    let every = all.div_ceil(MOST_POINTS).max(1);
    for line in &mut sweep.lines {
        line.track = line.track.iter().step_by(every).cloned().collect();
    }
    sweep
}

/// Holds no more than the newest sweeps' points.
pub(super) fn forget_old(book: &mut Book) {
    let old = book.sweeps.len().saturating_sub(MOST_SWEEPS);
    for sweep in book.sweeps.iter_mut().take(old) {
        sweep.watched = None;
    }
}

/// Reads the points of the newest sweeps of a logbook that is opened; a table that is gone or damaged leaves its sweep without.
pub(super) fn restore(book: &mut Book, folder: &Path) {
    let old = book.sweeps.len().saturating_sub(MOST_SWEEPS);
    for sweep in book.sweeps.iter_mut().skip(old) {
        sweep.watched = restored(sweep, folder).map(Arc::new);
    }
}

/// A sweep of the journal as it was seen, with the points of its table.
pub(super) fn restored(kept: &KeptSweep, folder: &Path) -> Option<Watched> {
    let name = kept.track.as_deref()?;
    // The journal is a file that anybody may have written in; nothing outside its folder is opened.
    let plain = name.strip_prefix(TRACKS)?.strip_prefix('/')?;
    if plain.contains(['/', '\\']) {
        return None;
    }
    let file = File::open(folder.join(name)).ok()?;
    let mut tracks: Vec<Vec<TrackPoint>> = vec![Vec::new(); kept.lines.len()];
    track::read(BufReader::new(file), |line, point| {
        let of_line = line.checked_sub(1).and_then(|at| tracks.get_mut(at));
        of_line
            .into_iter()
            .for_each(|track| track.push(point.clone()));
    })
    .ok()?;
    let lines = (1..).zip(&kept.lines).zip(tracks);
    let sweep = Sweep {
        toward: None,
        cross_hairs: None,
        lines: lines
            .map(|((line, swept), track)| FollowedLine {
                line,
                turned: swept.turned,
                passes: swept.passes,
                x_px: swept.x_px,
                offset_px: swept.offset_px,
                u_px: swept.u_px,
                track,
            })
            .collect(),
        turning_points: kept.turns.iter().filter_map(turning_point).collect(),
        cautions: Vec::new(),
    };
    Some(Watched {
        description: kept.recording.clone().unwrap_or_default(),
        size_px: (0, 0),
        frames: kept.frames,
        dropped: 0,
        skipped: 0,
        losses: Vec::new(),
        duration_s: kept.times_s.1 - kept.times_s.0,
        angles: vec![None; sweep.lines.len()],
        sweep: thinned(sweep),
        notes: Vec::new(),
        failure: None,
    })
}

fn turning_point(turn: &SweptTurn) -> Option<TurningPoint> {
    Some(TurningPoint {
        line: turn.line?,
        time_s: turn.time_s,
        x_px: turn.x_px?,
        offset_px: turn.offset_px,
        u_px: turn.u_px,
        counted: turn.counted,
        why: turn.why.clone(),
    })
}
