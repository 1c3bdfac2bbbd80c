//! The bench page: its flags, its address, the browser, and its end.

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::json;
use tokio::sync::watch;

use super::flags::Bench;
use super::{Answer, CliError, live, run};
use crate::report::document::document;
use crate::serve::{self, Addresses, ServeOptions};
use crate::session::bench::{CLIP_LIMIT_BYTES, DeskOptions};
use crate::session::{BenchProfile, OpenOptions, Side, Source};

/// Status of a program that Ctrl-C ended, as shells have it.
const INTERRUPTED: i32 = 130;

/// The profile, with its camera's scale where that was measured already: the page is where it is measured for the first time, too.
fn profile(path: Option<&Path>) -> Result<BenchProfile, CliError> {
    let without = run::profile_of(path, false)?;
    let (Some(path), Some(written)) = (path, &without.bench.scale) else {
        return Ok(without);
    };
    let there = path
        .parent()
        .unwrap_or_else(|| Path::new(""))
        .join(written)
        .exists();
    if there {
        return run::profile_of(Some(path), true);
    }
    // Only said; without standard error nobody hears it.
    let _ = writeln!(
        std::io::stderr(),
        "lineturn: {} names {written} as the camera's scale, which is not there yet: measure it on the page",
        path.display()
    );
    Ok(without)
}

/// Serves the page until Ctrl-C.
pub(super) fn bench(flags: &Bench) -> Result<Answer, CliError> {
    let source = flags.source.as_deref().map(Source::parse);
    let options = ServeOptions {
        desk: DeskOptions {
            open: OpenOptions {
                fps: run::checked_fps(flags.footage.fps)?,
                camera: live::camera_wish(&flags.camera, source.clone())?,
                certificate: live::certificate(&flags.camera)?,
                ..OpenOptions::default()
            },
            source,
            toward: flags.footage.toward.map(Side::from),
            logbook: flags.logbook.clone(),
            profile: profile(flags.bench.as_deref())?,
            clip_limit_bytes: CLIP_LIMIT_BYTES,
        },
        port: flags.port,
        share: flags.share,
    };
    let (stop, stopped) = watch::channel(false);
    ctrlc::set_handler(move || {
        if stop.send_replace(true) {
            std::process::exit(INTERRUPTED);
        }
    })
    .map_err(|error| {
        CliError::Usage(format!(
            "Ctrl-C cannot be heard ({error}); start the program from a terminal"
        ))
    })?;
    serve::serve(options, stopped, |addresses| {
        if flags.json {
            print(&format!("{}\n", document_of(addresses, &flags.logbook)));
        } else {
            print(&said(addresses));
        }
        if !flags.no_open {
            open_in_browser(&addresses.operator);
        }
    })?;
    Ok(Answer {
        text: if flags.json {
            String::new()
        } else {
            "The bench is closed; all that was kept is in its logbook.".to_owned()
        },
        cautions: Vec::new(),
        complete: true,
    })
}

/// Where the page is, for scripts.
fn document_of(addresses: &Addresses, logbook: &Path) -> String {
    document(
        "bench",
        true,
        &[],
        json!({
            "address": addresses.operator,
            "viewer_address": addresses.viewer,
            "logbook": logbook.display().to_string(),
        }),
    )
}

/// Where the page is, for people.
fn said(addresses: &Addresses) -> String {
    let mut text = format!("The bench page: {}\n", addresses.operator);
    if let Some(viewer) = &addresses.viewer {
        text += &format!(
            "That address may change things: keep it to yourself. To look only: {viewer}\n"
        );
    }
    if let Some(code) = &addresses.code {
        text += code;
        text += "\n";
    }
    text += "Ctrl-C ends.\n";
    text
}

fn print(text: &str) {
    // Whoever closed standard output does not want the address.
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(text.as_bytes()).and_then(|()| out.flush());
}

/// Asks the system to show an address; where it cannot, the address is printed anyway.
fn open_in_browser(address: &str) {
    let mut command = if cfg!(target_os = "macos") {
        Command::new("open")
    } else if cfg!(target_os = "windows") {
        let mut command = Command::new("explorer");
        command.arg(address);
        return start(command);
    } else {
        Command::new("xdg-open")
    };
    command.arg(address);
    start(command);
}

fn start(mut command: Command) {
    let started = command
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
    if let Ok(mut child) = started {
        // So that it does not stay as a dead process until the bench ends.
        std::thread::spawn(move || child.wait());
    }
}
