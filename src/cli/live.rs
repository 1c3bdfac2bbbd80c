//! Cameras on the command line: what is wished of them, how a live watch ends, and their list.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::flags::{CameraFlags, Cameras};
use super::{Answer, CliError};
use crate::report::cameras::{cameras_document, cameras_text};
use crate::report::document::document;
use crate::session::{self, CameraWish, Caution, ControlName, Fingerprint, Source, WatchOptions};

/// Status of a program that Ctrl-C ended, as shells have it.
const INTERRUPTED: i32 = 130;

/// The flags as a wish of the cameras among the sources.
///
/// # Errors
/// A value that is none, or a flag that nothing of the sources can follow.
pub(super) fn camera_wish(
    flags: &CameraFlags,
    sources: impl IntoIterator<Item = Source>,
) -> Result<CameraWish, CliError> {
    let given = [
        ("--mode", flags.mode.is_some()),
        ("--exposure", flags.exposure.is_some()),
        ("--gain", flags.gain.is_some()),
        ("--white-balance", flags.white_balance.is_some()),
        ("--focus", flags.focus.is_some()),
        ("--automatic", flags.automatic),
    ];
    let for_cameras = given.iter().find(|(_, given)| *given).map(|(name, _)| name);
    if let Some(name) = for_cameras
        && !sources
            .into_iter()
            .any(|source| matches!(source, Source::Camera(_)))
    {
        return Err(CliError::Usage(format!(
            "{name} sets a camera of this machine, and none is the source; leave it out, or give camera:N"
        )));
    }
    let mut wish = CameraWish {
        automatic: flags.automatic,
        ..CameraWish::default()
    };
    if let Some(mode) = &flags.mode {
        wish = wish
            .with_mode(mode)
            .map_err(|error| CliError::Usage(format!("--mode: {error}")))?;
    }
    let values = [
        (ControlName::Exposure, flags.exposure),
        (ControlName::Gain, flags.gain),
        (ControlName::WhiteBalance, flags.white_balance),
        (ControlName::Focus, flags.focus),
    ];
    wish.values = values
        .into_iter()
        .filter_map(|(control, value)| Some((control, value?)))
        .collect();
    Ok(wish)
}

/// The certificate that counts, where one was named.
pub(super) fn certificate(flags: &CameraFlags) -> Result<Option<Fingerprint>, CliError> {
    flags
        .certificate
        .as_deref()
        .map(Fingerprint::parse)
        .transpose()
        .map_err(|error| CliError::Usage(format!("--certificate: {error}")))
}

/// Said when the first frame of a live source was looked at that has no other end.
pub(super) const WATCHING: &str = "watching; Ctrl-C ends and prints what was measured";

/// Lets Ctrl-C end a live source in good order; a second one ends the program at once. Recorded footage ends as any program does.
pub(super) fn ended_by_the_user(
    source: &Source,
    options: WatchOptions,
) -> Result<WatchOptions, CliError> {
    if !matches!(source, Source::Camera(_) | Source::Network(_)) {
        return Ok(options);
    }
    let stop = Arc::new(AtomicBool::new(false));
    let set = Arc::clone(&stop);
    ctrlc::set_handler(move || {
        if set.swap(true, Ordering::Relaxed) {
            std::process::exit(INTERRUPTED);
        }
    })
    .map_err(|error| {
        CliError::Usage(format!(
            "Ctrl-C cannot be heard ({error}); start the program from a terminal"
        ))
    })?;
    Ok(WatchOptions {
        stop: Some(stop),
        ..options
    })
}

/// Lists the cameras.
pub(super) fn cameras(flags: &Cameras) -> Result<Answer, CliError> {
    let cameras = session::cameras().map_err(session::SessionError::from)?;
    let cautions: Vec<Caution> = cameras
        .iter()
        .filter_map(|camera| Some(Caution::new("camera-unusable", camera.trouble.clone()?)))
        .collect();
    let text = if flags.json {
        document("cameras", true, &cautions, cameras_document(&cameras))
    } else {
        cameras_text(&cameras)
    };
    Ok(Answer {
        text,
        cautions,
        complete: true,
    })
}
