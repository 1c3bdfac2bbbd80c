//! A system ffmpeg, where there is one, for what the embedded readers do not know.
//!
//! It sends the luma plane as YUV4MPEG2 through one pipe and tells the time of every frame in its log;
//! no shell is between us and it, and it may open nothing but the file.

use std::collections::VecDeque;
use std::ffi::OsString;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::Duration;

use super::y4m::{Y4m, range};
use super::{CaptureError, FrameSource, MOST_PIXELS, Next, OpenOptions, SourceInfo, short_name};
use crate::basics::frame::Frame;

/// Longest wait for the next bytes.
const PATIENCE_S: u64 = 20;

/// Bytes of a block between the threads.
const BLOCK: usize = 1 << 16;

/// Layouts whose first plane is a luma that may be taken as it is; others are converted to the first.
const LAYOUTS: &str = "yuv420p|yuvj420p|yuv422p|yuvj422p|yuv444p|yuvj444p|yuv411p|gray|yuv420p10le|yuv422p10le|yuv444p10le|gray10le|yuv420p12le|yuv422p12le|yuv444p12le|gray12le|gray16le";

/// The program on the search path.
pub(super) fn program() -> Option<PathBuf> {
    let name = format!("ffmpeg{}", std::env::consts::EXE_SUFFIX);
    std::env::split_paths(&std::env::var_os("PATH")?)
        .filter(|d| d.is_absolute())
        .map(|d| d.join(&name))
        .find(|p| p.is_file())
}

/// The option that says what becomes of the times of frames, by what `ffmpeg -version` prints: renamed in 5.1, and the old name was taken
/// away later (seen with 5.1 and 9.0).
fn timing_option(version: &str) -> &'static str {
    let number = |text: &str| text.parse::<u32>().ok();
    let told = version.split_whitespace().nth(2).unwrap_or_default();
    let mut parts = told
        .trim_start_matches('n')
        .split(|c: char| !c.is_ascii_digit());
    // What is built from no release has no such number, and is newer as a rule.
    let major = parts.next().and_then(number).unwrap_or(u32::MAX);
    let minor = parts.next().and_then(number).unwrap_or(0);
    if (major, minor) < (5, 1) {
        "-vsync"
    } else {
        "-fps_mode"
    }
}

/// A video that ffmpeg decodes.
pub(super) struct Ffmpeg {
    child: Child,
    frames: Y4m<Blocks>,
    log: Receiver<Line>,
    info: SourceInfo,
    name: String,
    first_time_s: Option<f64>,
    full_range: bool,
    bits: u16,
    tail: VecDeque<String>,
    over: bool,
}

/// What the log says.
enum Line {
    Frame(Told),
    Other(String),
}

/// What the log says of one frame.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Told {
    time_s: Option<f64>,
    full_range: bool,
    hdr: bool,
    bits: u16,
    /// Columns and rows before the frame is sent.
    size: Option<(usize, usize)>,
}

impl Ffmpeg {
    pub(super) fn open(path: &Path) -> Result<Self, CaptureError> {
        let name = path.display().to_string();
        let failed = |what: String| CaptureError::Ffmpeg {
            name: name.clone(),
            what,
        };
        let Some(program) = program() else {
            return Err(failed("it is not installed".to_owned()));
        };
        let version = Command::new(&program)
            .arg("-version")
            .stdin(Stdio::null())
            .output()
            .map_err(|e| failed(e.to_string()))?;
        let timing = timing_option(&String::from_utf8_lossy(&version.stdout));
        Self::start(Command::new(program), timing, path)
    }

    /// `timing`: the option that says what becomes of the frames' times.
    fn start(mut command: Command, timing: &str, path: &Path) -> Result<Self, CaptureError> {
        let name = path.display().to_string();
        let failed = |what: String| CaptureError::Ffmpeg {
            name: name.clone(),
            what,
        };
        let mut address = OsString::from("file:");
        address.push(path.as_os_str());
        command
            .args([
                "-nostdin",
                "-hide_banner",
                "-loglevel",
                "info",
                "-nostats",
                "-protocol_whitelist",
                "file,pipe",
                // Bounds of its memory: the largest piece, the largest frame, and how many frames are under way.
                "-max_alloc",
                "268435456",
                "-threads",
                "2",
                "-max_pixels",
            ])
            .arg(MOST_PIXELS.to_string())
            .arg("-i")
            .arg(address)
            .args([
                "-map",
                "0:v:0",
                "-an",
                "-sn",
                "-dn",
                timing,
                "passthrough",
                "-vf",
            ])
            .arg(format!(
                "format=pix_fmts={LAYOUTS},showinfo=checksum=0,extractplanes=y"
            ))
            .args(["-strict", "-1", "-f", "yuv4mpegpipe", "pipe:1"])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        let mut child = command.spawn().map_err(|e| failed(e.to_string()))?;
        let (Some(output), Some(errors)) = (child.stdout.take(), child.stderr.take()) else {
            return Err(failed("its output cannot be read".to_owned()));
        };
        let log = follow_log(errors);
        let blocks = Blocks::new(output);
        let short = short_name(path);
        let mut tail = VecDeque::new();
        let frames = match Y4m::new(blocks, short.clone(), None, &OpenOptions::default()) {
            Ok(frames) => frames,
            Err(error) => {
                let stalled = is_stall(&error);
                let _ = child.kill();
                let _ = child.wait();
                while let Ok(line) = log.recv_timeout(Duration::from_secs(1)) {
                    remember(&mut tail, line);
                }
                return Err(if stalled {
                    CaptureError::Stalled {
                        name,
                        seconds: PATIENCE_S,
                    }
                } else {
                    failed(last_words(&tail))
                });
            }
        };
        let info = SourceInfo {
            description: format!("{short} (through ffmpeg)"),
            ..frames.info().clone()
        };
        Ok(Self {
            child,
            frames,
            log,
            info,
            name,
            first_time_s: None,
            full_range: false,
            bits: 8,
            tail,
            over: false,
        })
    }

    /// The log's line for the frame that has just come.
    fn time_of_frame(&mut self, number: u64) -> Result<f64, CaptureError> {
        loop {
            match self.log.recv_timeout(Duration::from_secs(PATIENCE_S)) {
                Ok(Line::Frame(Told { hdr: true, .. })) => {
                    return Err(CaptureError::refused(
                        &self.name,
                        "is a recording of high dynamic range",
                        "switch HDR off in the camera and record again",
                    ));
                }
                Ok(Line::Frame(told)) => {
                    // ffmpeg would scale frames of another size to the first without a word.
                    let first = (self.info.width, self.info.height);
                    if let Some((width, height)) = told.size.filter(|size| *size != first) {
                        return Err(CaptureError::SizeChanged {
                            name: format!("{}, frame {number},", self.name),
                            width,
                            height,
                            first_width: first.0,
                            first_height: first.1,
                        });
                    }
                    self.full_range = told.full_range;
                    self.bits = told.bits;
                    let Some(time) = told.time_s else {
                        return Err(CaptureError::Ffmpeg {
                            name: self.name.clone(),
                            what: format!("frame {number} has no time"),
                        });
                    };
                    return Ok(time - *self.first_time_s.get_or_insert(time));
                }
                Ok(other) => remember(&mut self.tail, other),
                Err(_) => {
                    return Err(CaptureError::Ffmpeg {
                        name: self.name.clone(),
                        what: "it did not tell the time of a frame".to_owned(),
                    });
                }
            }
        }
    }

    fn finish(&mut self) -> Result<Next, CaptureError> {
        self.over = true;
        while let Ok(line) = self.log.recv_timeout(Duration::from_secs(2)) {
            remember(&mut self.tail, line);
        }
        let status = self
            .child
            .wait()
            .map_err(|error| CaptureError::io(&self.name, error))?;
        if status.success() {
            Ok(Next::End)
        } else {
            Err(CaptureError::Ffmpeg {
                name: self.name.clone(),
                what: last_words(&self.tail),
            })
        }
    }
}

impl FrameSource for Ffmpeg {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
        if self.over {
            return Ok(Next::End);
        }
        match self.frames.next_into(frame) {
            Ok(Next::Frame) => {
                frame.time_s = self
                    .time_of_frame(frame.number)
                    .inspect_err(|_| self.over = true)?;
                (frame.black, frame.full_scale) = range(self.bits, self.full_range);
                Ok(Next::Frame)
            }
            Ok(_) => self.finish(),
            Err(error) => {
                self.over = true;
                Err(if is_stall(&error) {
                    CaptureError::Stalled {
                        name: self.name.clone(),
                        seconds: PATIENCE_S,
                    }
                } else {
                    error
                })
            }
        }
    }
}

impl Drop for Ffmpeg {
    fn drop(&mut self) {
        // It may have ended by itself; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn is_stall(error: &CaptureError) -> bool {
    matches!(error, CaptureError::Io { error, .. } if error.kind() == std::io::ErrorKind::TimedOut)
}

fn remember(tail: &mut VecDeque<String>, line: Line) {
    if let Line::Other(text) = line {
        tail.push_back(text);
        if tail.len() > 3 {
            tail.pop_front();
        }
    }
}

fn last_words(tail: &VecDeque<String>) -> String {
    if tail.is_empty() {
        "it gave no reason".to_owned()
    } else {
        tail.iter().map(|l| l.trim()).collect::<Vec<_>>().join("; ")
    }
}

/// Reads the log in a thread, so that the pipe never fills.
fn follow_log(errors: impl Read + Send + 'static) -> Receiver<Line> {
    let (give, take) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let mut lines = BufReader::new(errors);
        let mut raw = Vec::new();
        let mut log = Log::default();
        loop {
            raw.clear();
            let read = lines.by_ref().take(1 << 16).read_until(b'\n', &mut raw);
            let text = String::from_utf8_lossy(&raw);
            let (told, over) = match read {
                Ok(n) if n > 0 => (log.read(&text), false),
                _ => (log.waiting.take().map(Line::Frame), true),
            };
            if told.is_some_and(|line| give.send(line).is_err()) || over {
                break;
            }
        }
    });
    take
}

/// Puts together what the log says of a frame: its time stands in one line, its range and transfer
/// in the next, and the unit of its time in a heading before the first.
#[derive(Default)]
struct Log {
    time_base: Option<(f64, f64)>,
    waiting: Option<Told>,
}

impl Log {
    /// Reads a line; what it gives may be the frame of an earlier one.
    fn read(&mut self, text: &str) -> Option<Line> {
        let after = |key: &str| {
            text.split(key)
                .nth(1)
                .map(|t| t.split_whitespace().next().unwrap_or(""))
        };
        if !text.contains("showinfo") {
            return Some(Line::Other(text.trim().to_owned()));
        }
        if let Some(ratio) = after("config in time_base:") {
            self.time_base = ratio
                .trim_end_matches(',')
                .split_once('/')
                .and_then(|(n, d)| Some((n.parse().ok()?, d.parse().ok()?)));
            return None;
        }
        let mut done = None;
        if text.contains(" n:") && text.contains("pts_time:") {
            done = self.waiting.replace(self.frame(&after));
        }
        if let (Some(told), Some(range)) = (&mut self.waiting, after("color_range:")) {
            told.full_range |= range == "pc";
            told.hdr = matches!(after("color_trc:"), Some("smpte2084" | "arib-std-b67"));
            done = done.or(self.waiting.take());
        }
        done.map(Line::Frame)
    }

    fn frame<'a>(&self, after: &impl Fn(&str) -> Option<&'a str>) -> Told {
        let layout = after("fmt:").unwrap_or("");
        // `pts_time` has six digits in all, too few after some minutes: the count of units is exact.
        let exact = self.time_base.and_then(|(units, per_s)| {
            Some(after(" pts:")?.parse::<i64>().ok()? as f64 * units / per_s)
        });
        Told {
            time_s: exact
                .or_else(|| after("pts_time:")?.parse().ok())
                .filter(|t: &f64| t.is_finite()),
            full_range: layout.starts_with("yuvj") || layout.starts_with("gray"),
            hdr: false,
            bits: ["10", "12", "16"]
                .iter()
                .find(|b| layout.contains(&format!("{b}le")))
                .and_then(|b| b.parse().ok())
                .unwrap_or(8),
            size: after(" s:").and_then(|size| {
                let (width, height) = size.split_once('x')?;
                Some((width.parse().ok()?, height.parse().ok()?))
            }),
        }
    }
}

/// The pipe, read by a thread so that waiting for it can end.
struct Blocks {
    full: Receiver<std::io::Result<Vec<u8>>>,
    block: Vec<u8>,
    at: usize,
}

impl Blocks {
    fn new(mut pipe: impl Read + Send + 'static) -> Self {
        let (give, full) = sync_channel(8);
        std::thread::spawn(move || {
            loop {
                let mut block = vec![0; BLOCK];
                let sent = match pipe.read(&mut block) {
                    Ok(n) => {
                        block.truncate(n);
                        give.send(Ok(block)).is_ok() && n > 0
                    }
                    Err(e) => {
                        let _ = give.send(Err(e));
                        false
                    }
                };
                if !sent {
                    break;
                }
            }
        });
        Self {
            full,
            block: Vec::new(),
            at: 0,
        }
    }
}

impl Read for Blocks {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        if self.at >= self.block.len() {
            match self.full.recv_timeout(Duration::from_secs(PATIENCE_S)) {
                Ok(block) => {
                    self.block = block?;
                    self.at = 0;
                }
                Err(RecvTimeoutError::Timeout) => return Err(std::io::ErrorKind::TimedOut.into()),
                Err(RecvTimeoutError::Disconnected) => return Ok(0),
            }
        }
        let rest = self.block.get(self.at..).unwrap_or_default();
        let n = rest.len().min(into.len());
        let (Some(to), Some(from)) = (into.get_mut(..n), rest.get(..n)) else {
            return Ok(0);
        };
        to.copy_from_slice(from);
        self.at += n;
        Ok(n)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lines as ffmpeg 5.1 writes them: the range comes in a line of its own.
    #[test]
    fn log_lines() {
        let mut log = Log::default();
        assert!(
            log.read("[Parsed_showinfo_1 @ 0x55] config in time_base: 1/90000, frame_rate: 25/1")
                .is_none()
        );
        let line = "[Parsed_showinfo_1 @ 0x55] n:   3 pts:111110400 pts_time:1234.56 pos: 9 fmt:yuv420p sar:1/1 s:64x48 i:P iskey:0 type:B ";
        assert!(log.read(line).is_none(), "its range is still to come");
        let range = "[Parsed_showinfo_1 @ 0x55] color_range:pc color_space:bt709 color_primaries:bt709 color_trc:arib-std-b67";
        let Some(Line::Frame(told)) = log.read(range) else {
            panic!("not a frame")
        };
        let expected = Told {
            time_s: Some(111_110_400.0 / 90_000.0),
            full_range: true,
            hdr: true,
            bits: 8,
            size: Some((64, 48)),
        };
        assert_eq!(told, expected);
        assert!(matches!(
            log.read("Error while decoding"),
            Some(Line::Other(_))
        ));
        // A frame whose range never comes is given when the next one begins.
        assert!(log.read(line).is_none());
        assert!(matches!(log.read(line), Some(Line::Frame(_))));
    }

    /// A program that takes ffmpeg's place.
    #[cfg(unix)]
    fn stand_in(script: &str) -> Result<Ffmpeg, CaptureError> {
        let mut command = Command::new("/bin/sh");
        command.args(["-c", script, "stand-in"]);
        Ffmpeg::start(command, "-fps_mode", Path::new("a clip.mkv"))
    }

    #[test]
    fn the_option_is_that_of_the_version() {
        for (version, option) in [
            (
                "ffmpeg version 4.4.2-0ubuntu0.22.04.1 Copyright (c) 2000-2021",
                "-vsync",
            ),
            ("ffmpeg version 5.0.3 Copyright (c) 2000-2022", "-vsync"),
            (
                "ffmpeg version 5.1.9-0+deb12u1 Copyright (c) 2000-2026",
                "-fps_mode",
            ),
            (
                "ffmpeg version n9.0.2-17-g2a571b6068 Copyright (c) 2000-2026",
                "-fps_mode",
            ),
            (
                "ffmpeg version N-109468-gd39b34123d Copyright (c) 2000-2022",
                "-fps_mode",
            ),
            ("", "-fps_mode"),
        ] {
            assert_eq!(timing_option(version), option, "{version}");
        }
    }

    #[cfg(unix)]
    #[test]
    fn its_last_words_are_told() {
        let error = stand_in("echo 'no decoder for that' >&2; exit 1").err();
        let error = error.map(|e| e.to_string()).unwrap_or_default();
        assert!(error.contains("no decoder for that"), "{error}");
        assert!(error.contains("a clip.mkv"), "{error}");
    }

    /// The file's name is one argument behind `-i`, and no option or protocol whatever it looks like.
    #[cfg(unix)]
    #[test]
    fn the_name_is_no_option() {
        let script = r#"while [ "$1" != -i ]; do shift; done; echo "got [$2]" >&2; exit 1"#;
        let error = stand_in(script).err().map(|e| e.to_string());
        assert!(error.is_some_and(|e| e.contains("got [file:a clip.mkv]")));
    }

    /// Dropping the source ends the program, though it would go on for a minute.
    #[cfg(unix)]
    #[test]
    fn dropping_ends_the_program() {
        let begun = std::time::Instant::now();
        let source = stand_in("printf 'YUV4MPEG2 W4 H4 F25:1 Cmono\\n'; exec sleep 60");
        let Ok(source) = source else {
            panic!("it did not start")
        };
        drop(source);
        assert!(begun.elapsed() < Duration::from_secs(15));
    }
}
