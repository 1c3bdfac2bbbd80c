//! Many clips: a document for each in a folder, clips that are done left alone, and a summary.

use std::collections::HashSet;
use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::UNIX_EPOCH;

use serde_json::{Value, json};

use super::flags::{ClipProcess, Toward, Watch};
use super::progress::Progress;
use super::run::{cautions_of, watch_options};
use super::{Answer, CliError};
use crate::basics::fault::said;
use crate::report::{document, text};
use crate::session::{self, Caution, ClipProgram, Source};

/// One clip of a batch.
struct Clip {
    path: PathBuf,
    /// Its document.
    document: PathBuf,
    /// What the document must have been made of to be the clip's still.
    made_of: Value,
}

/// Watches many clips into a folder of documents.
pub(super) fn watch_many(flags: &Watch) -> Result<Answer, CliError> {
    // What is wrong with the flags is said once, and not for each clip.
    watch_options(flags)?;
    let Some(folder) = &flags.json_dir else {
        return Err(CliError::Usage(format!(
            "{} sources were given; give one, or --json-dir DIR for a document of each",
            flags.sources.len()
        )));
    };
    if flags.jobs == Some(0) {
        return Err(CliError::Usage(
            "--jobs: 0 is no number of clips; give 1 or more".to_owned(),
        ));
    }
    std::fs::create_dir_all(folder).map_err(|error| {
        CliError::Usage(format!(
            "{} cannot be made ({error}); give another folder with --json-dir",
            folder.display(),
            error = said(&error)
        ))
    })?;
    let clips = clips(flags, folder)?;
    let answers: Vec<Mutex<Option<Value>>> = clips
        .iter()
        .map(|clip| Mutex::new(done_before(clip)))
        .collect();
    let todo: Vec<usize> = (0..clips.len())
        .filter(|&at| {
            answers
                .get(at)
                .is_some_and(|answer| locked(answer).is_none())
        })
        .collect();
    let kept = clips.len() - todo.len();
    let program = clip_program(flags)?;
    let clips_to_watch: Vec<Vec<OsString>> = todo
        .iter()
        .filter_map(|&at| clips.get(at))
        .map(|clip| {
            vec![
                "--made-of".into(),
                clip.made_of.to_string().into(),
                "--".into(),
                clip.path.clone().into(),
            ]
        })
        .collect();
    let workers = flags
        .jobs
        .unwrap_or_else(|| std::thread::available_parallelism().map_or(1, usize::from));
    let progress = Progress::new("clips");
    let finished = AtomicU64::new(kept as u64);
    let unwritten: Mutex<Option<CliError>> = Mutex::new(None);
    session::watch_all(&program, &clips_to_watch, workers, &|index, seen| {
        let Some((clip, answer)) = todo
            .get(index)
            .and_then(|&at| clips.get(at).zip(answers.get(at)))
        else {
            return;
        };
        let made = seen.unwrap_or_else(|sentence| failed(clip, sentence));
        if let Err(error) = write_whole(&clip.document, &made) {
            *locked(&unwritten) = Some(error);
        }
        *locked(answer) = serde_json::from_str(&made).ok();
        progress.show(
            finished.fetch_add(1, Ordering::Relaxed) + 1,
            Some(clips.len() as u64),
        );
    });
    drop(progress);
    if let Some(error) = locked(&unwritten).take() {
        return Err(error);
    }
    let answers: Vec<Value> = answers
        .into_iter()
        .map(|answer| {
            let answer = answer
                .into_inner()
                .unwrap_or_else(std::sync::PoisonError::into_inner);
            answer.unwrap_or(Value::Null)
        })
        .collect();
    Ok(summary(flags, &clips, &answers, kept))
}

fn locked<T>(of: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    of.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

/// The clips with the names of their documents, which differ even where names in different folders are the same.
fn clips(flags: &Watch, folder: &Path) -> Result<Vec<Clip>, CliError> {
    // A calibration is part of what a document was made of.
    let text = |path: &Option<PathBuf>| {
        path.as_ref()
            .and_then(|path| std::fs::read_to_string(path).ok())
    };
    let options = format!(
        "{:?} {:?} {:?} {:?} {:?}",
        flags.footage.toward,
        flags.footage.fps,
        flags.seconds,
        text(&flags.offsets.scale),
        text(&flags.offsets.bench)
    );
    let mut taken = HashSet::new();
    let mut clips = Vec::new();
    for source in &flags.sources {
        let Source::Path(path) = Source::parse(source) else {
            return Err(CliError::Usage(format!(
                "{} is no clip; --json-dir takes recorded footage only",
                source.split("://").next().unwrap_or_default()
            )));
        };
        let name = path.file_name().map_or_else(
            || "clip".to_owned(),
            |name| name.to_string_lossy().into_owned(),
        );
        let mut document = format!("{name}.json");
        let mut count = 1;
        while !taken.insert(document.to_lowercase()) {
            count += 1;
            document = format!("{name}-{count}.json");
        }
        let meta = std::fs::metadata(&path).ok();
        // Whole nanoseconds: a fraction does not come back from JSON to the last digit.
        let modified_ns = meta
            .as_ref()
            .and_then(|meta| meta.modified().ok())
            .and_then(|time| time.duration_since(UNIX_EPOCH).ok())
            .and_then(|time| u64::try_from(time.as_nanos()).ok());
        clips.push(Clip {
            document: folder.join(document),
            made_of: json!({
                "clip": path.display().to_string(),
                "bytes": meta.map(|meta| meta.len()),
                "modified_ns": modified_ns,
                "options": options,
            }),
            path,
        });
    }
    Ok(clips)
}

/// The document of a clip that was watched to its end before, by this version, with these options.
fn done_before(clip: &Clip) -> Option<Value> {
    let text = std::fs::read_to_string(&clip.document).ok()?;
    let document: Value = serde_json::from_str(&text).ok()?;
    (document[MADE_OF] == clip.made_of
        && document["lineturn"] == env!("CARGO_PKG_VERSION")
        && document["complete"] == true)
        .then_some(document)
}

/// The document of a clip that could not be read, with the sentence that says why.
fn failed(clip: &Clip, sentence: String) -> String {
    let why = Caution::new("source-failed", sentence);
    let mut text = document::document(
        "watch",
        false,
        &[why],
        json!({ MADE_OF: clip.made_of.clone() }),
    );
    text.push('\n');
    text
}

/// Name of the field that says what a document was made of.
const MADE_OF: &str = "made_of";

/// What watches one clip: this program, with the flags that count for each.
fn clip_program(flags: &Watch) -> Result<ClipProgram, CliError> {
    let path = std::env::current_exe().map_err(|error| {
        CliError::Usage(format!(
            "the clips cannot be watched because the program does not find itself ({error}); install it again",
            error = said(&error)
        ))
    })?;
    let toward = flags.footage.toward.map(|side| match side {
        Toward::Left => "left",
        Toward::Right => "right",
    });
    let number = |number: Option<f64>| number.map(|number| number.to_string().into());
    let file = |path: &Option<PathBuf>| path.clone().map(OsString::from);
    let values: [(&str, Option<OsString>); 5] = [
        ("--toward", toward.map(OsString::from)),
        ("--fps", number(flags.footage.fps)),
        ("--seconds", number(flags.seconds)),
        ("--scale", file(&flags.offsets.scale)),
        ("--bench", file(&flags.offsets.bench)),
    ];
    let mut arguments = vec!["clip-process".into()];
    for (flag, value) in values {
        if let Some(value) = value {
            arguments.extend([flag.into(), value]);
        }
    }
    Ok(ClipProgram { path, arguments })
}

/// The process of one clip: prints its document. It ends with the program that started it, which holds its standard input open.
pub(super) fn watch_clip(flags: &ClipProcess) -> Result<Answer, CliError> {
    session::end_with_standard_input();
    let [source] = flags.watch.sources.as_slice() else {
        return Err(CliError::Usage("one clip at a time".to_owned()));
    };
    let watched = session::watch_alone(&Source::parse(source), &watch_options(&flags.watch)?)?;
    let cautions = cautions_of(&watched);
    let mut body = document::watched(&watched);
    if let Some(fields) = body.as_object_mut() {
        let made_of = serde_json::from_str(&flags.made_of).unwrap_or(Value::Null);
        fields.insert(MADE_OF.to_owned(), made_of);
    }
    let complete = watched.failure.is_none();
    Ok(Answer {
        text: document::document("watch", complete, &cautions, body),
        cautions,
        complete,
    })
}

/// Writes a document so that it is whole or not there.
fn write_whole(path: &Path, document: &str) -> Result<(), CliError> {
    let mut part = path.as_os_str().to_owned();
    part.push(".part");
    std::fs::write(&part, document)
        .and_then(|()| std::fs::rename(&part, path))
        .map_err(|error| {
            CliError::Usage(format!(
                "{} cannot be written ({error}); make room, or give another folder with --json-dir",
                path.display(),
                error = said(&error)
            ))
        })
}

fn summary(flags: &Watch, clips: &[Clip], answers: &[Value], kept: usize) -> Answer {
    let mut failed = 0;
    let mut rows = Vec::new();
    // Sentences are too long for a column.
    let mut whys: Vec<String> = Vec::new();
    let mut table = text::table(&[
        "clip",
        "frames",
        "line",
        "turned",
        "x / px",
        "offset / px",
        "remark",
    ]);
    for (clip, answer) in clips.iter().zip(answers) {
        let complete = answer["complete"] == true;
        failed += usize::from(!complete);
        let why = answer["warnings"]
            .as_array()
            .into_iter()
            .flatten()
            .find(|warning| warning["code"] == "source-failed")
            .and_then(|warning| warning["message"].as_str())
            .unwrap_or_default();
        rows.push(json!({
            "clip": clip.path.display().to_string(),
            "document": clip.document.display().to_string(),
            "complete": complete,
            "frames": answer["frames"],
            "lines": answer["lines"],
            "why": (!complete).then_some(why),
        }));
        let name = clip.path.file_name().map_or_else(
            || clip.path.display().to_string(),
            |name| name.to_string_lossy().into_owned(),
        );
        let frames = answer["frames"]
            .as_u64()
            .map_or_else(String::new, |n| n.to_string());
        let lines = answer["lines"].as_array().map_or(&[][..], Vec::as_slice);
        for line in lines {
            let number = |field: &str| line[field].as_f64();
            let shown = |value: Option<f64>| match (value, number("u_px")) {
                (Some(value), Some(u)) => text::plus_minus(value, u),
                _ => String::new(),
            };
            table.add_row([
                name.clone(),
                frames.clone(),
                line["line"].to_string(),
                if line["turned"] == true { "yes" } else { "no" }.to_owned(),
                shown(number("x_px")),
                shown(number("offset_px")),
                String::new(),
            ]);
        }
        if lines.is_empty() || !complete {
            if !why.is_empty() {
                whys.push(why.to_owned());
            }
            let remark = if complete {
                "no line was seen"
            } else {
                "failed"
            };
            table.add_row([
                name,
                frames,
                String::new(),
                String::new(),
                String::new(),
                String::new(),
                remark.to_owned(),
            ]);
        }
    }
    let mut cautions = Vec::new();
    if failed > 0 {
        cautions.push(Caution::new(
            "clips-failed",
            format!(
                "{failed} of {} clips could not be watched to the end; the same command tries these again and keeps the others",
                clips.len()
            ),
        ));
    }
    let text = if flags.json {
        document::document(
            "watch",
            failed == 0,
            &cautions,
            json!({ "kept": kept, "failed": failed, "clips": rows }),
        )
    } else {
        let again = if kept > 0 {
            format!(", {kept} of them done before")
        } else {
            String::new()
        };
        let whys: String = whys.iter().map(|why| format!("{why}\n")).collect();
        format!(
            "{table}\n{whys}{} clip{}{again}, {failed} failed; documents in {}",
            clips.len(),
            if clips.len() == 1 { "" } else { "s" },
            flags
                .json_dir
                .as_deref()
                .unwrap_or_else(|| Path::new(""))
                .display()
        )
    };
    Answer {
        text,
        cautions,
        complete: failed == 0,
    }
}
