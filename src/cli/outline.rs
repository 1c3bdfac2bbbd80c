//! `outline`: its flags checked, its answer put into words, its chapters written.

use super::flags::Outline;
use super::progress::Progress;
use super::run::{checked_fps, profile_of, scale_of, unwritten};
use super::{Answer, CliError};
use crate::report::document::document;
use crate::report::outline as report;
use crate::session::{self, Side, Source, WatchOptions};

pub(super) fn outline(flags: &Outline) -> Result<Answer, CliError> {
    let profile = profile_of(flags.bench.as_deref(), flags.scale.is_none())?;
    let options = WatchOptions {
        toward: flags.toward.map(Side::from),
        fps: checked_fps(flags.fps)?,
        scale: scale_of(flags.scale.as_deref(), &profile)?,
        ..WatchOptions::default()
    };
    let progress = Progress::new("frames");
    let outline = session::outline(&Source::parse(&flags.clip), &options, |come| {
        progress.show(come.frames, come.of);
    })?;
    drop(progress);
    if let Some(path) = &flags.chapters {
        std::fs::write(path, report::chapters(&outline))
            .map_err(|error| unwritten(path, &error))?;
    }
    let complete = outline.failure.is_none();
    let text = if flags.json {
        document(
            "outline",
            complete,
            &outline.cautions,
            report::document_body(&outline),
        )
    } else {
        report::text(&outline)
    };
    Ok(Answer {
        text,
        cautions: outline.cautions,
        complete,
    })
}
