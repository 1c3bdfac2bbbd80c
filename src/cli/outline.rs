//! `outline`: its flags checked, its answer put into words, its chapters written.

use super::flags::Outline;
use super::progress::Progress;
use super::run::{of_footage, unwritten};
use super::{Answer, CliError};
use crate::report::document::document;
use crate::report::outline as report;
use crate::session::{self, Source};

pub(super) fn outline(flags: &Outline) -> Result<Answer, CliError> {
    let options = of_footage(&flags.footage, &flags.offsets)?;
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
