//! Many clips in, what was seen in each out: on all cores, and no clip stops the others.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};

use super::SessionError;
use super::sweep::{WatchOptions, Watched, watch_alone};
use crate::capture::Source;

/// Watches each clip, `workers` at a time, and hands each answer to `each` as soon as it is there, with the clip's index; from several threads.
pub fn watch_all(
    clips: &[PathBuf],
    options: &WatchOptions,
    workers: usize,
    each: &(dyn Fn(usize, Result<Watched, SessionError>) + Sync),
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
                    let source = Source::Path(clip.clone());
                    // A decoder that panics over one clip must not take the night's work with it.
                    let seen = catch_unwind(AssertUnwindSafe(|| watch_alone(&source, options)))
                        .unwrap_or_else(|_| {
                            Err(SessionError::Footage(format!(
                                "{}: the program failed over this clip; please send it to its authors",
                                clip.display()
                            )))
                        });
                    each(index, seen);
                }
            });
        }
    });
}
