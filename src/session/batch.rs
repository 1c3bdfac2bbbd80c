//! Many clips in, the document of each out: a process for each clip, on all cores, so that no clip stops the others, whatever it does to the
//! program: a decoder that panics, overflows its stack or wants all memory takes its own process with it and nothing else.

use std::ffi::OsString;
use std::path::PathBuf;
use std::process::{Command, Output, Stdio};
use std::sync::atomic::{AtomicUsize, Ordering};

use crate::basics::fault::said;

/// Status of a process that had bad input, said in one sentence.
const BAD_INPUT: i32 = 2;
/// Letters of the last words of a process that failed.
const LAST_WORDS: usize = 200;

/// What watches one clip: a program, and what stands before the clip among its arguments.
#[derive(Clone, Debug)]
pub struct ClipProgram {
    /// The program.
    pub path: PathBuf,
    /// Its arguments before the clip.
    pub arguments: Vec<OsString>,
}

/// Watches each clip by `program`, `workers` at a time, and hands its document, or the sentence that says why there is none, to `each` as soon
/// as it is there, with the clip's index; from several threads. A clip is what stands last among the arguments of its process.
pub fn watch_all(
    program: &ClipProgram,
    clips: &[Vec<OsString>],
    workers: usize,
    each: &(dyn Fn(usize, Result<String, String>) + Sync),
) {
    let next = AtomicUsize::new(0);
    std::thread::scope(|scope| {
        for _ in 0..workers.clamp(1, clips.len().max(1)) {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let Some(clip) = clips.get(index) else {
                        break;
                    };
                    each(index, watch_one(program, clip));
                }
            });
        }
    });
}

fn watch_one(program: &ClipProgram, clip: &[OsString]) -> Result<String, String> {
    let name = clip
        .last()
        .map(|name| name.to_string_lossy().into_owned())
        .unwrap_or_default();
    // Its standard input is closed when this process ends, however it ends; then the other one ends, too.
    let output = Command::new(&program.path)
        .args(&program.arguments)
        .args(clip)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .and_then(|mut child| {
            let held = child.stdin.take();
            let output = child.wait_with_output();
            drop(held);
            output
        })
        .map_err(|error| {
            format!("{name}: the process that watches it cannot be started ({error}); close other programs and try again", error = said(&error))
        })?;
    document_of(&name, output)
}

/// The document that a process wrote, if it did.
fn document_of(name: &str, output: Output) -> Result<String, String> {
    let said = String::from_utf8_lossy(&output.stderr);
    let last = said.lines().map(str::trim).rfind(|line| !line.is_empty());
    if output.status.code() == Some(BAD_INPUT)
        && let Some(sentence) = last
    {
        let sentence = sentence.strip_prefix("lineturn: ").unwrap_or(sentence);
        return Err(sentence.to_owned());
    }
    let text = String::from_utf8(output.stdout).unwrap_or_default();
    // A document that is cut off is none.
    if output.status.code().is_some_and(|code| code != PANICKED)
        && serde_json::from_str::<serde::de::IgnoredAny>(&text).is_ok()
    {
        return Ok(text);
    }
    // A panic says on its first line where it was and on the next why; the last ones advise on how to see more.
    let words = said
        .lines()
        .map(str::trim)
        .rfind(|line| !line.is_empty() && !line.starts_with("note:"))
        .map(|line| {
            format!(
                ", its last words: {}",
                line.chars().take(LAST_WORDS).collect::<String>()
            )
        })
        .unwrap_or_default();
    Err(format!(
        "{name}: the program failed over this clip ({}{words}); please send the clip to its authors",
        output.status
    ))
}

/// Status of a process that panicked.
const PANICKED: i32 = 101;

#[cfg(all(test, unix))]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use std::sync::Mutex;

    #[test]
    fn a_clip_that_takes_its_process_with_it_stops_no_other() {
        // Each clip is a line of shell.
        let program = ClipProgram {
            path: "/bin/sh".into(),
            arguments: vec!["-c".into()],
        };
        let clips = [
            "echo '{\"complete\": true}'",
            "kill -ABRT $$",
            "echo \"thread 'main' panicked at x.rs:1:1:\" >&2; echo why >&2; echo 'note: run with' >&2; exit 101",
            "echo '{\"complete\": fal'; exit 3",
            "echo 'lineturn: clip.mp4 is empty; record it again' >&2; exit 2",
            "echo '{}'; kill -KILL $$",
            "echo '{\"complete\": false}'; exit 3",
            // Held until its standard input is closed, which happens when the program ends only.
            "exec 3<&0; sleep 0.2; echo '{\"last\": 1}'",
        ]
        .map(|line| vec![OsString::from(line)]);
        for workers in [1, 3] {
            let answers = Mutex::new(vec![None; clips.len()]);
            watch_all(&program, &clips, workers, &|index, answer| {
                answers.lock().unwrap()[index] = Some(answer);
            });
            let answers: Vec<_> = answers
                .into_inner()
                .unwrap()
                .into_iter()
                .flatten()
                .collect();
            assert_eq!(answers.len(), clips.len());
            let error = |index: usize| answers[index].clone().unwrap_err();
            assert_eq!(answers[0].as_deref(), Ok("{\"complete\": true}\n"));
            assert!(error(1).contains("signal: 6"), "{}", error(1));
            assert!(error(2).contains("its last words: why"), "{}", error(2));
            assert!(error(3).contains("exit status: 3"), "{}", error(3));
            assert_eq!(error(4), "clip.mp4 is empty; record it again");
            assert!(error(5).contains("signal: 9"), "{}", error(5));
            assert_eq!(answers[6].as_deref(), Ok("{\"complete\": false}\n"));
            assert_eq!(answers[7].as_deref(), Ok("{\"last\": 1}\n"));
            assert!(error(1).contains("please send the clip"));
        }
        let program = ClipProgram {
            path: "/nowhere/at/all".into(),
            arguments: Vec::new(),
        };
        watch_all(&program, &clips, 2, &|_, answer| {
            assert!(answer.unwrap_err().contains("cannot be started"));
        });
    }
}
