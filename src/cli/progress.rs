//! A progress bar on standard error, only on a terminal and only when the work takes long.

use std::io::{IsTerminal, Write};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Work that is done sooner than this shows no bar.
const PATIENCE: Duration = Duration::from_millis(400);

/// Shows how far work has come; may be shared between threads.
pub(super) struct Progress {
    started: Instant,
    what: &'static str,
    bar: Mutex<Option<ProgressBar>>,
}

impl Progress {
    /// A bar for `what`, not yet shown.
    pub(super) fn new(what: &'static str) -> Self {
        Self {
            started: Instant::now(),
            what,
            bar: Mutex::new(None),
        }
    }

    /// `done` of `of` are done; of an unknown number where `of` is none.
    pub(super) fn show(&self, done: u64, of: Option<u64>) {
        if self.started.elapsed() < PATIENCE || !std::io::stderr().is_terminal() {
            return;
        }
        let Ok(mut bar) = self.bar.lock() else { return };
        let bar = bar.get_or_insert_with(|| {
            let bar = ProgressBar::with_draw_target(of, ProgressDrawTarget::stderr_with_hz(8));
            let template = if of.is_some() {
                "{msg} {bar:30} {pos}/{len} {eta}"
            } else {
                "{msg} {pos} {elapsed}"
            };
            if let Ok(style) = ProgressStyle::with_template(template) {
                bar.set_style(style);
            }
            bar.with_message(self.what)
        });
        bar.set_position(done);
    }
}

impl Progress {
    /// Says something that happened on the way, above the bar where there is one.
    pub(super) fn say(&self, sentence: &str) {
        let line = format!("lineturn: {sentence}");
        if let Ok(Some(bar)) = self.bar.lock().as_deref() {
            bar.suspend(|| writeln!(std::io::stderr(), "{line}").unwrap_or(()));
        } else {
            let _ = writeln!(std::io::stderr(), "{line}");
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if let Ok(Some(bar)) = self.bar.get_mut().map(|bar| bar.as_mut()) {
            bar.finish_and_clear();
        }
    }
}
