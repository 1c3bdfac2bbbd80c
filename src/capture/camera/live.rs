//! The measuring side of a camera: starts its process, keeps the newest frames, notices silence, and replaces the process when it fails.

use std::collections::VecDeque;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use super::pixels::{self, Layout};
use super::wire::{self, Hello, Locked, Message};
use super::{BUILT_IN, CameraDescription, CameraWish, Mode, Task};
use crate::basics::fault::said;
use crate::basics::frame::Frame;
use crate::capture::newest::{self, Arrived, Delivery, Newest, SILENCE_TOLD, told_of_silence};
use crate::capture::record::{Coding, Recording};
use crate::capture::{CaptureError, FrameSource, Next, SourceInfo};

/// How long a caller waits at most before it is told that nothing came.
const WAIT: Duration = Duration::from_millis(250);
/// Silence of the process after which it is taken for hung and replaced.
const PROCESS_HUNG: Duration = Duration::from_secs(3);
/// Silence after which the measurement ends: nobody comes to plug the camera in again.
const PATIENCE: Duration = Duration::from_secs(30);
/// Pause before the process is replaced.
const BEFORE_RESTART: Duration = Duration::from_millis(300);
/// Longest time that a description of all cameras takes, and that the opening of one is silent.
const LIST_TIMEOUT: Duration = Duration::from_secs(10);

/// How the camera's process is started.
#[derive(Clone, Debug)]
struct Program {
    path: PathBuf,
    /// What stands before the task.
    arguments: Vec<String>,
}

impl Program {
    /// This program.
    fn own() -> Result<Self, CaptureError> {
        let path = std::env::current_exe().map_err(|error| {
            CaptureError::Camera(format!(
                "the camera process cannot be started because the program does not find itself ({error}); install it again",
                error = said(&error)
            ))
        })?;
        Ok(Self {
            path,
            arguments: vec!["camera-process".to_owned()],
        })
    }

    fn start(&self, task: &Task) -> Result<Child, CaptureError> {
        let failed = |error: String| {
            CaptureError::Camera(format!(
                "the camera process cannot be started ({error}); close other programs and try again"
            ))
        };
        let task = serde_json::to_string(task).map_err(|error| failed(error.to_string()))?;
        Command::new(&self.path)
            .args(&self.arguments)
            .arg(task)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .map_err(|error| failed(error.to_string()))
    }
}

/// What a camera tells beside frames and notes.
enum Told {
    Hello(Box<Hello>),
    Failed(String),
}

type Event = newest::Event<Told>;

#[derive(Default)]
struct State {
    queue: Newest<Told>,
    /// When the process last said anything.
    last_word: Option<Instant>,
    /// When the last frame came, whole or faulty.
    last_frame: Option<Instant>,
    /// Why the camera is silent, if it said so.
    gone: Option<String>,
    child: Option<Child>,
    closing: bool,
}

#[derive(Default)]
struct Shared {
    state: Mutex<State>,
    ready: Condvar,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn push(&self, event: Event) {
        self.lock().queue.push(event);
        self.ready.notify_all();
    }
}

/// A camera that streams.
pub(super) struct Live {
    info: SourceInfo,
    /// As the user named it.
    name: String,
    layout: Layout,
    shared: Arc<Shared>,
    delivery: Delivery,
    notes: VecDeque<(String, String)>,
    opened: Instant,
    /// Whether the present silence was told.
    silence_told: bool,
    over: bool,
}

/// Opens `camera:NAME`.
///
/// # Errors
/// One sentence: why the camera cannot be used, and the cure.
pub(in crate::capture) fn open(
    name: &str,
    wish: &CameraWish,
) -> Result<Box<dyn FrameSource>, CaptureError> {
    if !BUILT_IN {
        return Err(CaptureError::NoCamera {
            name: name.to_owned(),
        });
    }
    // Testers can take the way of other systems through a variable, which spares users an option.
    let through_nokhwa = std::env::var_os("LINETURN_CAMERA_THROUGH_NOKHWA").is_some();
    Live::start(Program::own()?, name, wish, through_nokhwa).map(|live| Box::new(live) as _)
}

/// Descriptions of all cameras, from the camera process.
pub(super) fn list() -> Result<Vec<CameraDescription>, CaptureError> {
    let mut child = Program::own()?.start(&Task::List)?;
    let (give, take) = std::sync::mpsc::channel();
    let out = child.stdout.take();
    std::thread::spawn(move || {
        let mut body = Vec::new();
        let message = out.and_then(|mut out| wire::receive(&mut out, &mut body).ok().flatten());
        let _ = give.send(message);
    });
    let message = take.recv_timeout(LIST_TIMEOUT).ok().flatten();
    let said = if message.is_none() {
        let _ = child.kill();
        last_words(&mut child)
    } else {
        String::new()
    };
    reap(child);
    match message {
        Some(Message::List(cameras)) => Ok(cameras),
        Some(Message::Failed(text)) => Err(CaptureError::Camera(text)),
        _ => Err(CaptureError::Camera(format!(
            "the cameras could not be listed because the camera process gave no answer{said}; unplug cameras one by one to find the one that blocks it"
        ))),
    }
}

/// Lets a process end in a thread of its own: one that hangs in a driver would hold up whoever waits for it.
fn reap(mut child: Child) {
    drop(child.stdin.take());
    std::thread::spawn(move || {
        let _ = child.kill();
        let _ = child.wait();
    });
}

/// The last line that a process wrote to its standard error, in brackets, or nothing.
fn last_words(child: &mut Child) -> String {
    let mut said = Vec::new();
    if let Some(err) = child.stderr.take() {
        let _ = err.take(1 << 14).read_to_end(&mut said);
    }
    let said = String::from_utf8_lossy(&said);
    // A panic says where on its first line and why on the next; the last ones advise on how to see more.
    said.lines()
        .map(str::trim)
        .rfind(|line| !line.is_empty() && !line.starts_with("note:"))
        .map(|line| format!(" ({})", line.chars().take(200).collect::<String>()))
        .unwrap_or_default()
}

impl Live {
    fn start(
        program: Program,
        name: &str,
        wish: &CameraWish,
        through_nokhwa: bool,
    ) -> Result<Self, CaptureError> {
        let shared = Arc::new(Shared::default());
        let started = Instant::now();
        let task = (name.to_owned(), wish.clone(), through_nokhwa);
        let of_reader = Arc::clone(&shared);
        std::thread::Builder::new()
            .name("camera".to_owned())
            .spawn(move || keep_running(&of_reader, &program, &task, started))
            .map_err(|error| CaptureError::io(&format!("camera:{name}"), error))?;
        let mut live = Self {
            info: SourceInfo {
                description: format!("camera:{name}"),
                width: 0,
                height: 0,
                frames: None,
            },
            name: format!("camera:{name}"),
            layout: Layout::packed(
                Mode {
                    format: super::PixelFormat::Grey,
                    width: 0,
                    height: 0,
                    interval: (0, 0),
                },
                false,
            ),
            shared,
            delivery: Delivery::default(),
            notes: VecDeque::new(),
            opened: started,
            silence_told: false,
            over: false,
        };
        // What is known of the camera comes first, or why it cannot be had.
        loop {
            match live.wait() {
                Some(Event::Other(Told::Hello(hello))) => {
                    live.hello(&hello);
                    live.opened = Instant::now();
                    return Ok(live);
                }
                Some(Event::Other(Told::Failed(text))) => return Err(CaptureError::Camera(text)),
                Some(Event::Note(code, text)) => live.notes.push_back((code, text)),
                Some(Event::Frame(_)) => {}
                None if started.elapsed() > 3 * LIST_TIMEOUT => {
                    return Err(CaptureError::Stalled {
                        name: live.name.clone(),
                        seconds: 3 * LIST_TIMEOUT.as_secs(),
                    });
                }
                None => {}
            }
        }
    }

    fn hello(&mut self, hello: &Hello) {
        self.layout = hello.layout;
        let mode = hello.layout.mode;
        self.name = format!("camera:{} ({})", hello.index, hello.name);
        self.info.description = format!("camera:{} ({}, {mode})", hello.index, hello.name);
        (self.info.width, self.info.height) = (mode.width as usize, mode.height as usize);
        if let Some(note) = unlocked(&self.name, &hello.locked) {
            self.notes.push_back(("camera-not-locked".to_owned(), note));
        }
    }

    /// The next event, or none after a short wait.
    fn wait(&mut self) -> Option<Event> {
        if let Some(arrived) = self.delivery.stashed() {
            return Some(Event::Frame(arrived));
        }
        let mut state = self.shared.lock();
        if state.queue.is_empty() {
            (state, _) = self
                .shared
                .ready
                .wait_timeout_while(state, WAIT, |state| state.queue.is_empty())
                .unwrap_or_else(PoisonError::into_inner);
        }
        let event = state.queue.pop();
        // A process that has not said anything yet may have to wait for a busy machine.
        let patience = if self.info.width == 0 {
            LIST_TIMEOUT
        } else {
            PROCESS_HUNG
        };
        if event.is_none()
            && state
                .last_word
                .is_some_and(|word| word.elapsed() > patience)
        {
            // The reader sees the end of the pipe and starts another.
            if let Some(child) = &mut state.child {
                let _ = child.kill();
            }
            state.last_word = None;
        }
        event
    }

    /// How long no frame came, whether or not earlier ones still wait to be measured.
    fn silence(&self) -> Duration {
        let last = self.shared.lock().last_frame;
        last.unwrap_or(self.opened).elapsed()
    }

    /// What to say while nothing comes.
    fn waiting(&mut self) -> Result<Next, CaptureError> {
        let silent = told_of_silence(&self.name, self.silence(), PATIENCE)
            .inspect_err(|_| self.over = true)?;
        self.silence_told = silent.is_some();
        let why = silent.map(|silent| self.shared.lock().gone.clone().unwrap_or(silent));
        Ok(Next::Waiting { why })
    }
}

impl FrameSource for Live {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
        if self.over {
            return Ok(Next::End);
        }
        if let Some((code, message)) = self.notes.pop_front() {
            return Ok(Next::Note { code, message });
        }
        if let Some(note) = self.delivery.note_on_times(&self.name) {
            return Ok(note);
        }
        // A silence is told at once, even while frames from before it are still being measured.
        let silent = self.silence() > SILENCE_TOLD;
        if silent && !self.silence_told {
            return self.waiting();
        }
        self.silence_told = silent;
        match self.wait() {
            None => self.waiting(),
            Some(Event::Note(code, message)) => Ok(Next::Note { code, message }),
            Some(Event::Other(Told::Failed(text))) => {
                self.over = true;
                Err(CaptureError::Camera(text))
            }
            Some(Event::Other(Told::Hello(hello))) => {
                if hello.layout.mode != self.layout.mode {
                    self.over = true;
                    return Err(CaptureError::Camera(format!(
                        "{} came back as {} and not as {}; start anew",
                        self.name, hello.layout.mode, self.layout.mode
                    )));
                }
                self.layout = hello.layout;
                self.shared.lock().gone = None;
                Ok(Next::Waiting { why: None })
            }
            Some(Event::Frame(arrived)) => {
                let layout = self.layout;
                let delivered =
                    self.delivery
                        .deliver(&self.name, arrived, frame, |data, jpeg, frame| {
                            pixels::fill(&layout, data, jpeg, frame)
                        });
                if let Some(buffer) = delivered.buffer {
                    self.shared.lock().queue.give_back(buffer);
                }
                Ok(delivered.next)
            }
        }
    }

    fn record_to(&mut self, path: &Path) -> Result<(), CaptureError> {
        let mode = self.layout.mode;
        let coding = if mode.format == super::PixelFormat::MotionJpeg {
            Coding::Jpeg
        } else {
            Coding::Raw
        };
        let fps = Some(mode.fps()).filter(|&fps| fps > 0.0);
        let size = (self.info.width, self.info.height);
        let recording = Recording::create(path, coding, size, fps.unwrap_or(NOMINAL_FPS))?;
        self.delivery.record_to(recording);
        Ok(())
    }

    fn end_recording(&mut self) {
        self.delivery.end_recording();
    }

    fn record_last(&mut self, frame: &Frame) -> Option<String> {
        self.delivery.record_last(frame)
    }
}

/// Rate that a recording names where the camera does not say its own; only players heed it.
const NOMINAL_FPS: f64 = 30.0;

impl Drop for Live {
    fn drop(&mut self) {
        let mut state = self.shared.lock();
        state.closing = true;
        if let Some(child) = state.child.take() {
            reap(child);
        }
    }
}

/// One sentence about the controls that are not locked, or not as asked; none where all is well.
fn unlocked(name: &str, locked: &[Locked]) -> Option<String> {
    let words = |which: &dyn Fn(&Locked) -> bool| -> String {
        locked
            .iter()
            .filter(|lock| which(lock))
            .map(|lock| lock.control.words())
            .collect::<Vec<_>>()
            .join(", ")
    };
    let missing = words(&|lock| !lock.there);
    let free = words(&|lock| lock.there && !lock.locked);
    let mut parts = Vec::new();
    for lock in locked {
        if let (Some(asked), Some(value), true) = (lock.asked, lock.value, lock.there)
            && asked != value
        {
            parts.push(format!(
                "took {value} and not {asked} for its {}",
                lock.control.words()
            ));
        }
    }
    if !missing.is_empty() {
        parts.push(format!("has no control of its {missing}"));
    }
    if !free.is_empty() {
        parts.push(format!("goes on changing its {free} by itself"));
    }
    (!parts.is_empty()).then(|| {
        format!(
            "{name} {}: watch that the brightness stands still while the lamp does",
            parts.join("; it ")
        )
    })
}

/// Runs the camera's process, and another when it ends, until the stream is closed.
fn keep_running(
    shared: &Shared,
    program: &Program,
    (camera, wish, through_nokhwa): &(String, CameraWish, bool),
    started: Instant,
) {
    let mut again: Option<Box<Hello>> = None;
    loop {
        // Another process takes up where the last one was, in mode and in controls.
        let mut wish = wish.clone();
        if let Some(hello) = &again {
            wish.values.extend(
                hello
                    .locked
                    .iter()
                    .filter_map(|lock| Some((lock.control, lock.value?))),
            );
        }
        let task = Task::Stream {
            camera: camera.clone(),
            wish,
            again: again.as_ref().map(|hello| hello.layout.mode),
            through_nokhwa: *through_nokhwa,
        };
        let mut child = match program.start(&task) {
            Ok(child) => child,
            Err(error) => return shared.push(Event::Other(Told::Failed(error.to_string()))),
        };
        let out = child.stdout.take();
        {
            let mut state = shared.lock();
            if state.closing {
                return reap(child);
            }
            state.last_word = Some(Instant::now());
            state.child = Some(child);
        }
        let ended = out.and_then(|mut out| relay(shared, &mut out, started, camera));
        let (closing, child) = {
            let mut state = shared.lock();
            (state.closing, state.child.take())
        };
        let Some(mut child) = child.filter(|_| !closing) else {
            return;
        };
        let _ = child.kill();
        let said = last_words(&mut child);
        reap(child);
        match ended {
            Some(Ended::Failed) => return,
            Some(Ended::Early(Some(hello))) => again = Some(hello),
            _ if again.is_none() => {
                return shared.push(Event::Other(Told::Failed(format!(
                    "camera:{camera} gave nothing because the camera process ended{said}; plug the camera in again and try once more"
                ))));
            }
            _ => {}
        }
        shared.push(Event::Note(
            "camera-restarted".to_owned(),
            format!("camera:{camera}: the camera process ended{said} and was started again"),
        ));
        std::thread::sleep(BEFORE_RESTART);
    }
}

/// How a camera's process ended.
enum Ended {
    /// It said why, and nothing more will come.
    Failed,
    /// It did not say; with what it said when it started to stream, if it did.
    Early(Option<Box<Hello>>),
}

/// Passes messages on until the pipe ends.
fn relay(shared: &Shared, out: &mut dyn Read, started: Instant, camera: &str) -> Option<Ended> {
    let mut greeting = None;
    let mut body = Vec::new();
    loop {
        let message = match wire::receive(out, &mut body) {
            Ok(Some(message)) => message,
            Ok(None) | Err(_) => return Some(Ended::Early(greeting)),
        };
        let arrival = started.elapsed();
        let mut state = shared.lock();
        state.last_word = Some(Instant::now());
        if matches!(message, Message::Frame { .. } | Message::Faulty { .. }) {
            state.last_frame = Some(Instant::now());
        }
        match message {
            Message::Frame {
                lost_before,
                stamp_ns,
            } => {
                state.gone = None;
                let spare = state.queue.buffer();
                let data = std::mem::replace(&mut body, spare);
                state.queue.push(Event::Frame(Arrived {
                    data: Ok(data),
                    lost_before: u64::from(lost_before),
                    skipped_before: 0,
                    stamp: (stamp_ns > 0).then(|| Duration::from_nanos(stamp_ns)),
                    arrival,
                }));
            }
            Message::Faulty { lost_before, why } => state.queue.push(Event::Frame(Arrived {
                data: Err(why),
                lost_before: u64::from(lost_before),
                skipped_before: 0,
                stamp: None,
                arrival,
            })),
            Message::Hello(hello) => {
                greeting = Some(hello.clone());
                state.queue.push(Event::Other(Told::Hello(hello)));
            }
            Message::Note(code, text) => state.queue.push(Event::Note(code, text)),
            Message::Gone(text) => {
                state.gone = Some(text.clone());
                state
                    .queue
                    .push(Event::Note("camera-gone".to_owned(), text));
            }
            Message::Alive => continue,
            Message::List(_) => {
                state.queue.push(Event::Other(Told::Failed(format!(
                    "camera:{camera} answered strangely"
                ))));
            }
            Message::Failed(text) => {
                state.queue.push(Event::Other(Told::Failed(text)));
                drop(state);
                shared.ready.notify_all();
                return Some(Ended::Failed);
            }
        }
        drop(state);
        shared.ready.notify_all();
    }
}

#[cfg(test)]
#[cfg(unix)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::super::PixelFormat;
    use super::*;

    const MODE: Mode = Mode {
        format: PixelFormat::Grey,
        width: 4,
        height: 2,
        interval: (1, 30),
    };

    fn hello() -> Vec<u8> {
        let mut bytes = Vec::new();
        let hello = Hello {
            index: 0,
            name: "pretended".to_owned(),
            identity: "nowhere".to_owned(),
            layout: Layout::packed(MODE, true),
            locked: Vec::new(),
        };
        wire::send(&mut bytes, &Message::Hello(Box::new(hello))).unwrap();
        bytes
    }

    fn frame(lost: u32, n: u64) -> Vec<u8> {
        let mut bytes = Vec::new();
        wire::send_frame(
            &mut bytes,
            lost,
            n,
            1_000_000_000 + n * 33_000_000,
            &[n as u8; 8],
        )
        .unwrap();
        bytes
    }

    /// A process that plays the given script of the shell; `$DIR` is a folder of its own with the given files.
    fn pretended(folder: &std::path::Path, files: &[(&str, Vec<u8>)], script: &str) -> Program {
        for (name, bytes) in files {
            std::fs::write(folder.join(name), bytes).unwrap();
        }
        Program {
            path: "/bin/sh".into(),
            arguments: vec![
                "-c".to_owned(),
                format!("cd '{}'; {script}", folder.display()),
            ],
        }
    }

    fn start(program: Program) -> Result<Live, CaptureError> {
        Live::start(program, "0", &CameraWish::default(), false)
    }

    /// Everything until `end`, as short words, with the longest time that one call took.
    fn words(live: &mut Live, until: &str, patience: Duration) -> (Vec<String>, Duration) {
        let begun = Instant::now();
        let mut longest = Duration::ZERO;
        let mut words = Vec::new();
        let mut frame = Frame::empty();
        while begun.elapsed() < patience {
            let asked = Instant::now();
            let next = live.next_into(&mut frame);
            longest = longest.max(asked.elapsed());
            let word = match next {
                Ok(Next::Frame) => {
                    assert!(
                        frame
                            .levels
                            .iter()
                            .all(|&level| level == frame.levels[[0, 0]])
                    );
                    format!("frame {} of {}", frame.number, frame.levels[[0, 0]])
                }
                Ok(Next::Lost { frames, .. }) => format!("lost {frames}"),
                Ok(Next::Skipped { frames }) => format!("skipped {frames}"),
                Ok(Next::Note { code, .. }) => code,
                Ok(Next::Waiting { why: None }) => continue,
                Ok(Next::Waiting { why: Some(why) }) => format!("waiting: {why}"),
                Ok(Next::End) => "end".to_owned(),
                Err(error) => format!("error: {error}"),
            };
            let over = word.contains(until);
            if words.last() != Some(&word) {
                words.push(word);
            }
            if over {
                break;
            }
        }
        (words, longest)
    }

    #[test]
    fn frames_keep_their_order_and_gaps_their_number() {
        let folder = tempfile::tempdir().unwrap();
        let mut stream = hello();
        stream.extend(frame(0, 0));
        stream.extend(frame(2, 3));
        wire::send(
            &mut stream,
            &Message::Faulty {
                lost_before: 0,
                why: "is faulty".to_owned(),
            },
        )
        .unwrap();
        let mut short = Vec::new();
        wire::send_frame(&mut short, 0, 5, 0, &[1; 7]).unwrap();
        stream.extend(short);
        let program = pretended(folder.path(), &[("stream", stream)], "cat stream; sleep 20");
        let mut live = start(program).unwrap();
        assert_eq!(live.info().width, 4);
        let (words, _) = words(&mut live, "waiting", Duration::from_secs(4));
        assert_eq!(
            words.iter().take(5).map(String::as_str).collect::<Vec<_>>(),
            [
                "frame 0 of 0",
                "lost 2",
                "frame 3 of 3",
                "lost 1",
                "times-of-arrival"
            ],
            "{words:?}"
        );
    }

    #[test]
    fn a_slow_reader_gets_the_newest_frames_and_the_count_of_the_others() {
        let folder = tempfile::tempdir().unwrap();
        let mut stream = hello();
        for n in 0..100 {
            stream.extend(frame(u32::from(n == 50), n));
        }
        let program = pretended(folder.path(), &[("stream", stream)], "cat stream; sleep 20");
        let mut live = start(program).unwrap();
        std::thread::sleep(Duration::from_millis(500));
        let (words, _) = words(&mut live, "frame 100 of 99", Duration::from_secs(3));
        assert_eq!(
            words,
            [
                "lost 1",
                "skipped 96",
                "frame 97 of 96",
                "frame 98 of 97",
                "frame 99 of 98",
                "frame 100 of 99"
            ]
        );
    }

    #[test]
    fn silence_is_told_within_two_seconds_and_no_call_blocks() {
        let folder = tempfile::tempdir().unwrap();
        let stream = [hello(), frame(0, 0)].concat();
        let program = pretended(folder.path(), &[("stream", stream)], "cat stream; sleep 20");
        let mut live = start(program).unwrap();
        let begun = Instant::now();
        let (words, longest) = words(&mut live, "waiting", Duration::from_secs(4));
        assert!(begun.elapsed() < Duration::from_secs(2), "{words:?}");
        assert!(longest < Duration::from_millis(600), "{longest:?}");
        assert!(words.last().unwrap().contains("no frame"), "{words:?}");
    }

    #[test]
    fn a_worker_that_dies_is_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let first = [hello(), frame(0, 0), frame(0, 1)].concat();
        let second = [hello(), frame(0, 7)].concat();
        let script = "if [ -e died ]; then cat second; sleep 20; fi; touch died; cat first; echo 'it broke' >&2; kill -9 $$";
        let program = pretended(
            folder.path(),
            &[("first", first), ("second", second)],
            script,
        );
        let mut live = start(program).unwrap();
        let (mut words, _) = words(&mut live, "of 7", Duration::from_secs(4));
        // What is told overtakes frames that wait to be fetched.
        let told = words.iter().position(|word| word == "camera-restarted");
        words.remove(told.unwrap());
        assert_eq!(words, ["frame 0 of 0", "frame 1 of 1", "frame 2 of 7"]);
    }

    #[test]
    fn a_worker_that_hangs_is_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let first = [hello(), frame(0, 0)].concat();
        let second = [hello(), frame(0, 9)].concat();
        // The hung one even closes its ears to a polite end.
        let script = "if [ -e hung ]; then cat second; sleep 20; fi; touch hung; cat first; trap '' TERM INT; exec sleep 60";
        let program = pretended(
            folder.path(),
            &[("first", first), ("second", second)],
            script,
        );
        let mut live = start(program).unwrap();
        let (words, longest) = words(&mut live, "of 9", Duration::from_secs(8));
        assert!(
            words.iter().any(|word| word == "camera-restarted"),
            "{words:?}"
        );
        assert_eq!(words.last().unwrap(), "frame 1 of 9");
        assert!(longest < Duration::from_millis(600), "{longest:?}");
    }

    #[test]
    fn a_worker_that_says_nothing_or_rubbish_ends_in_a_sentence() {
        let folder = tempfile::tempdir().unwrap();
        for (script, word) in [
            ("echo rubbish rubbish rubbish rubbish rubbish", "camera:0"),
            ("echo 'no such thing' >&2; exit 3", "no such thing"),
            ("exit 0", "camera:0"),
        ] {
            let Err(error) = start(pretended(folder.path(), &[], script)) else {
                panic!("{script} opened");
            };
            assert!(error.to_string().contains(word), "{error}");
        }
        let mut refusal = Vec::new();
        wire::send(
            &mut refusal,
            &Message::Failed("it is in use; close it".to_owned()),
        )
        .unwrap();
        let program = pretended(folder.path(), &[("refusal", refusal)], "cat refusal");
        let Err(error) = start(program) else {
            panic!("it opened");
        };
        assert_eq!(error.to_string(), "it is in use; close it");
    }

    #[test]
    fn dropping_ends_the_process() {
        let folder = tempfile::tempdir().unwrap();
        let script = "echo $$ > pid; cat stream; exec sleep 60";
        let program = pretended(folder.path(), &[("stream", hello())], script);
        let live = start(program).unwrap();
        let pid = std::fs::read_to_string(folder.path().join("pid")).unwrap();
        drop(live);
        let begun = Instant::now();
        while Command::new("kill")
            .args(["-0", pid.trim()])
            .stderr(Stdio::null())
            .status()
            .unwrap()
            .success()
        {
            assert!(begun.elapsed() < Duration::from_secs(3), "{pid} lives on");
            std::thread::sleep(Duration::from_millis(10));
        }
    }
}
