//! A source into analysed frames, in a thread of its own: clips in real time, live sources as they come.
//!
//! A clip is played by its own time stamps; every frame of it is measured, so on a machine that is too slow it plays
//! slower. Going back means opening it again and decoding up to the place. Nobody who looks at the frames holds up this thread.

use std::path::PathBuf;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, TryRecvError};
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant, SystemTime};

use super::live::{Live, Shared};
use super::sight::{Numbers, SeenFrame};
use crate::basics::frame::Frame;
use crate::capture::{self, CaptureError, FrameSource, Next, OpenOptions, Source};
use crate::follow::{Settings, Side, Sweep};
use crate::session::watcher::Watcher;

/// A clip that is further behind than this goes on from where it is instead of hurrying.
const MOST_BEHIND: Duration = Duration::from_millis(250);
/// Outside sweeps following begins anew after this time, so that memory does not grow, s.
const FOLLOWED_AT_MOST_S: f64 = 180.0;
/// Times that differ by less are the same frame, s.
const SAME_TIME_S: f64 = 1e-6;

/// What kind of source it is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum SourceKind {
    /// A video file, a picture or a folder of pictures.
    Clip,
    /// A camera of this machine.
    Camera,
    /// A network camera.
    Network,
    /// None: readings are typed only.
    #[default]
    None,
}

/// What the player is told.
pub(super) enum Command {
    Play,
    Pause,
    /// So many frames forwards or back.
    Step(i64),
    /// To a time of the clip, s.
    Seek(f64),
    /// So many times real time.
    Speed(f64),
    /// Another source, opened already.
    Open(Box<Opened>),
    /// A sweep begins; a live source is recorded into the file of this name without its ending.
    BeginSweep(Option<PathBuf>),
    /// The sweep ends; what it showed is sent back.
    EndSweep(Sender<Option<EndedSweep>>),
    Stop,
}

/// A sweep as it was put together.
#[derive(Clone, Debug)]
pub(super) struct EndedSweep {
    pub(super) sweep: Sweep,
    pub(super) frames: u64,
    pub(super) began_s: f64,
    pub(super) ended_s: f64,
    pub(super) size_px: (usize, usize),
    pub(super) description: String,
    /// Number and place of the lines in the last frame, px.
    pub(super) last: Vec<(u64, f64)>,
    /// The recording, where there is one.
    pub(super) recording: Option<PathBuf>,
}

/// A source that is open.
pub(super) struct Opened {
    pub(super) source: Source,
    pub(super) kind: SourceKind,
    pub(super) name: String,
    stream: Box<dyn FrameSource>,
    options: OpenOptions,
}

impl Opened {
    /// Opens a source.
    ///
    /// # Errors
    /// One sentence, as `capture` says it; standard input, which cannot be played again.
    pub(super) fn open(source: &Source, options: &OpenOptions) -> Result<Self, CaptureError> {
        let kind = match source {
            Source::Path(_) => SourceKind::Clip,
            Source::Camera(_) => SourceKind::Camera,
            Source::Network(_) => SourceKind::Network,
            Source::StandardInput => {
                return Err(CaptureError::refused(
                    "standard input",
                    "cannot be played again from its beginning",
                    "save it to a file and give that",
                ));
            }
        };
        let stream = stream(source, options)?;
        let name = match source {
            Source::Camera(_) => format!("camera: {}", stream.info().description),
            _ => stream.info().description.clone(),
        };
        Ok(Self {
            source: source.clone(),
            kind,
            name,
            stream,
            options: options.clone(),
        })
    }

    /// Says that this is the source now, and that nothing that was seen before is of it.
    pub(super) fn begin(&self, shared: &Shared) {
        shared.with(|live| live.begin_source(self.kind, self.name.clone(), self.path()));
        shared.forget_recent();
    }

    fn path(&self) -> Option<PathBuf> {
        match &self.source {
            Source::Path(path) => Some(path.clone()),
            _ => None,
        }
    }

    fn reopen(&mut self) -> Result<(), CaptureError> {
        self.stream = stream(&self.source, &self.options)?;
        Ok(())
    }
}

fn stream(source: &Source, options: &OpenOptions) -> Result<Box<dyn FrameSource>, CaptureError> {
    let opened = capture::open(source, options)?;
    Ok(match source {
        Source::Path(_) => Box::new(capture::Decoupled::new(opened)?),
        _ => opened,
    })
}

/// The thread's own state.
pub(super) struct Player {
    shared: Arc<Shared>,
    commands: Receiver<Command>,
    toward: Option<Side>,
    opened: Option<Opened>,
    watcher: Watcher,
    numbers: Numbers,
    /// When `frame` came; for a clip, when it was due.
    taken: SystemTime,
    frame: Frame,
    /// Whether `frame` waits to be looked at.
    held: bool,
    playing: bool,
    ended: bool,
    speed: f64,
    /// A time of the clip and when it was shown.
    pace: Option<(f64, Instant)>,
    /// Frames before this time are only decoded, s.
    until_s: Option<f64>,
    /// Frames still to be shown while paused.
    steps: u64,
    /// Times of the clip's frames, in order, as far as they were decoded, s.
    times_s: Vec<f64>,
    /// Time of the last frame that was looked at, s.
    shown_s: Option<f64>,
    /// When following began, s.
    followed_from_s: Option<f64>,
    in_sweep: bool,
    recording: Option<PathBuf>,
    lost: u64,
    size_px: (usize, usize),
    haste: Haste,
}

impl Player {
    pub(super) fn new(
        shared: Arc<Shared>,
        commands: Receiver<Command>,
        toward: Option<Side>,
    ) -> Self {
        Self {
            shared,
            commands,
            toward,
            opened: None,
            watcher: Watcher::new(Settings {
                toward,
                ..Settings::default()
            }),
            numbers: Numbers::default(),
            taken: SystemTime::now(),
            frame: Frame::empty(),
            held: false,
            playing: false,
            ended: false,
            speed: 1.0,
            pace: None,
            until_s: None,
            steps: 0,
            times_s: Vec::new(),
            shown_s: None,
            followed_from_s: None,
            in_sweep: false,
            recording: None,
            lost: 0,
            size_px: (0, 0),
            haste: Haste::default(),
        }
    }

    /// Plays until it is told to stop or nobody is there to tell it anything.
    pub(super) fn run(mut self) {
        loop {
            let command = match self.due_in() {
                None => self
                    .commands
                    .recv()
                    .map_err(|_| RecvTimeoutError::Disconnected),
                Some(wait) if wait.is_zero() => {
                    self.commands.try_recv().map_err(|error| match error {
                        TryRecvError::Empty => RecvTimeoutError::Timeout,
                        TryRecvError::Disconnected => RecvTimeoutError::Disconnected,
                    })
                }
                Some(wait) => self.commands.recv_timeout(wait),
            };
            match command {
                Ok(Command::Stop) | Err(RecvTimeoutError::Disconnected) => return,
                Ok(command) => {
                    self.obey(command);
                    self.tell();
                }
                Err(RecvTimeoutError::Timeout) => self.advance(),
            }
        }
    }

    fn kind(&self) -> SourceKind {
        self.opened.as_ref().map_or(SourceKind::None, |o| o.kind)
    }

    /// How long until there is something to do; none where only a command can give something.
    fn due_in(&self) -> Option<Duration> {
        if self.opened.is_none() || self.ended {
            return None;
        }
        if self.kind() != SourceKind::Clip || self.until_s.is_some() || self.steps > 0 {
            return Some(Duration::ZERO);
        }
        if !self.playing {
            return None;
        }
        let wait = match (self.held, self.pace) {
            (true, Some((time_s, at))) => {
                let ahead = Duration::try_from_secs_f64((self.frame.time_s - time_s) / self.speed);
                (at + ahead.unwrap_or_default()).saturating_duration_since(Instant::now())
            }
            _ => Duration::ZERO,
        };
        Some(wait)
    }

    fn obey(&mut self, command: Command) {
        match command {
            Command::Play => {
                if self.ended {
                    self.go_to(0.0);
                    self.until_s = None;
                }
                self.playing = true;
                self.pace = None;
            }
            Command::Pause => self.playing = false,
            Command::Step(frames) => self.step(frames),
            Command::Seek(time_s) => self.go_to(time_s),
            Command::Speed(times) => {
                self.speed = times;
                self.pace = None;
            }
            Command::Open(opened) => self.take_source(*opened),
            Command::BeginSweep(path) => self.begin_sweep(path),
            Command::EndSweep(reply) => {
                // Whoever asked may be gone, and then nobody wants it.
                let _ = reply.send(self.end_sweep());
            }
            Command::Stop => {}
        }
    }

    fn take_source(&mut self, opened: Opened) {
        let same_size = self.size_px == (opened.stream.info().width, opened.stream.info().height);
        if !same_size {
            self.watcher.forget_hairs();
        }
        opened.begin(&self.shared);
        self.opened = Some(opened);
        self.speed = 1.0;
        self.times_s.clear();
        self.shown_s = None;
        self.held = false;
        self.ended = false;
        self.playing = true;
        self.pace = None;
        self.until_s = None;
        self.steps = 0;
        self.lost = 0;
        self.in_sweep = false;
        self.recording = None;
        self.numbers.forget();
        self.follow_anew();
    }

    fn follow_anew(&mut self) {
        self.watcher.begin_anew(Settings {
            toward: self.toward,
            ..Settings::default()
        });
        self.followed_from_s = None;
        self.shared.with(Live::begin_following);
    }

    fn step(&mut self, frames: i64) {
        self.playing = false;
        if let Ok(ahead) = u64::try_from(frames) {
            if !self.ended {
                self.steps += ahead;
            }
            return;
        }
        let Some(shown_s) = self.shown_s else { return };
        let at = self.times_s.partition_point(|t| *t < shown_s - SAME_TIME_S);
        let back = usize::try_from(frames.unsigned_abs()).unwrap_or(usize::MAX);
        let to = self.times_s.get(at.saturating_sub(back)).copied();
        self.go_to(to.unwrap_or(0.0));
    }

    /// Opens the clip again and decodes up to a time; shown is the first frame from then on, or the last of all.
    fn go_to(&mut self, time_s: f64) {
        let Some(opened) = &mut self.opened else {
            return;
        };
        let forwards = !self.ended
            && self
                .shown_s
                .is_none_or(|shown| time_s > shown + SAME_TIME_S);
        if !forwards {
            if let Err(error) = opened.reopen() {
                self.ended = true;
                self.playing = false;
                self.shared
                    .with(|live| live.trouble = Some(error.to_string()));
                return;
            }
            self.held = false;
        }
        self.ended = false;
        self.until_s = Some(time_s);
        self.steps = 0;
        self.pace = None;
        let last = self.shared.newest();
        self.numbers
            .begin_anew(last.as_ref().map(|seen| &seen.sight));
        self.follow_anew();
    }

    /// Reads the next frame, or looks at the one that is due.
    fn advance(&mut self) {
        if !self.held {
            self.read();
            return;
        }
        if self
            .until_s
            .is_some_and(|until_s| self.frame.time_s < until_s - SAME_TIME_S)
        {
            self.held = false;
            return;
        }
        self.look();
    }

    fn read(&mut self) {
        let Some(opened) = &mut self.opened else {
            return;
        };
        let next = opened.stream.next_into(&mut self.frame);
        match next {
            Ok(Next::Frame) => {
                self.held = true;
                self.taken = SystemTime::now();
                if self
                    .times_s
                    .last()
                    .is_none_or(|last| self.frame.time_s > *last)
                    && opened.kind == SourceKind::Clip
                {
                    self.times_s.push(self.frame.time_s);
                }
            }
            Ok(Next::Lost { frames, why }) => {
                self.lost += frames;
                self.watcher.lost(frames);
                self.shared.with(|live| live.trouble = Some(why));
                self.tell();
            }
            Ok(Next::Skipped { frames }) => {
                self.lost += frames;
                self.watcher.passed_over(frames);
                self.haste.passed_over();
            }
            Ok(Next::Waiting { why }) => {
                if why.is_some() {
                    self.shared.with(|live| live.trouble = why);
                    self.tell();
                }
            }
            Ok(Next::Note { message, .. }) => {
                self.shared.with(|live| live.note = Some(message));
                self.tell();
            }
            Ok(Next::End) => self.end(None),
            Err(error) => self.end(Some(error.to_string())),
        }
    }

    fn end(&mut self, why: Option<String>) {
        // Somebody wanted to see a time behind the last frame: the last frame it is.
        let wanted = self.until_s.take().is_some() && !self.frame.levels.is_empty();
        self.ended = true;
        self.playing = false;
        self.steps = 0;
        if why.is_some() {
            self.shared.with(|live| live.trouble = why);
        }
        if wanted {
            self.look();
        }
        self.tell();
    }

    /// Measures the frame that is held and shows it.
    fn look(&mut self) {
        self.held = false;
        let now = Instant::now();
        if self.kind() == SourceKind::Clip {
            self.taken = SystemTime::now();
        }
        let time_s = self.frame.time_s;
        self.size_px = (self.frame.width(), self.frame.height());
        let behind = self.pace.is_none_or(|(from_s, at)| {
            let ahead = Duration::try_from_secs_f64((time_s - from_s) / self.speed);
            now.saturating_duration_since(at + ahead.unwrap_or_default()) > MOST_BEHIND
        });
        if behind {
            self.pace = Some((time_s, now));
        }
        if !self.in_sweep
            && self
                .followed_from_s
                .is_some_and(|from_s| time_s > from_s + FOLLOWED_AT_MOST_S)
        {
            let last = self.shared.newest();
            self.numbers
                .begin_anew(last.as_ref().map(|seen| &seen.sight));
            self.follow_anew();
        }
        self.followed_from_s.get_or_insert(time_s);
        if self.in_sweep
            && self.recording.is_some()
            && let Some(opened) = &mut self.opened
            && let Some(sentence) = opened.stream.record_last(&self.frame)
        {
            self.shared.with(|live| live.note = Some(sentence));
        }
        let began = Instant::now();
        let glimpse = self.watcher.advance(&self.frame);
        let step_s = self.shown_s.map_or(0.0, |shown_s| time_s - shown_s) / self.speed;
        let seldom = self.haste.seldom(began.elapsed().as_secs_f64(), step_s);
        self.watcher.look_around_seldom(seldom);
        let hurries = self.haste.hurries();
        self.shared.with(|live| live.hurries = hurries);
        let alone = self.times_s.len() <= 1 && self.kind() == SourceKind::Clip;
        let seq = self.shared.next_seq();
        let sight = self
            .numbers
            .sight((seq, self.taken), &self.frame, glimpse, alone);
        self.shown_s = Some(time_s);
        self.until_s = None;
        self.steps = self.steps.saturating_sub(1);
        let frame = std::mem::replace(&mut self.frame, self.shared.spare());
        let judge = self
            .shared
            .show(Arc::new(SeenFrame { frame, sight }), self.in_sweep);
        if judge {
            self.judge();
        }
        self.tell();
    }

    /// Puts the frames up to now together in another thread, to see which turns count.
    fn judge(&self) {
        let follower = self.watcher.follower();
        let hairs = self.watcher.hairs_if_few();
        let shared = Arc::clone(&self.shared);
        let began = std::thread::Builder::new()
            .name("judge".to_owned())
            .spawn(move || shared.judged(&follower.finish(hairs)));
        if began.is_err() {
            self.shared.with(|live| live.judging = false);
        }
    }

    fn begin_sweep(&mut self, path: Option<PathBuf>) {
        let last = self.shared.newest();
        self.numbers
            .begin_anew(last.as_ref().map(|seen| &seen.sight));
        self.follow_anew();
        self.in_sweep = true;
        self.recording = None;
        let Some(path) = path else { return };
        let Some(opened) = &mut self.opened else {
            return;
        };
        // The ending says what the source gives, and only the source knows.
        let recorded = ["avi", "y4m"].into_iter().find_map(|ending| {
            let path = path.with_extension(ending);
            opened.stream.record_to(&path).is_ok().then_some(path)
        });
        self.recording = recorded;
    }

    fn end_sweep(&mut self) -> Option<EndedSweep> {
        let in_sweep = std::mem::take(&mut self.in_sweep);
        if let Some(opened) = &mut self.opened {
            opened.stream.end_recording();
        }
        if !in_sweep || self.watcher.frames() == 0 {
            self.recording = None;
            return None;
        }
        let newest = self.shared.newest();
        let frames = self.watcher.frames();
        let ended_s = self.watcher.last_s();
        let sweep = self.watcher.follower().finish(self.watcher.hairs_if_few());
        let ended = EndedSweep {
            frames,
            began_s: self.followed_from_s.unwrap_or(0.0),
            ended_s,
            size_px: self.size_px,
            description: self
                .opened
                .as_ref()
                .map_or_else(String::new, |o| o.name.clone()),
            last: newest.as_ref().map_or_else(Vec::new, |seen| {
                seen.sight
                    .lines
                    .iter()
                    .filter_map(|line| Some((line.id?, line.line.x_px)))
                    .collect()
            }),
            recording: self.recording.take(),
            sweep,
        };
        self.shared.judged(&ended.sweep);
        self.numbers
            .begin_anew(newest.as_ref().map(|seen| &seen.sight));
        self.watcher.begin_anew(Settings {
            toward: self.toward,
            ..Settings::default()
        });
        self.followed_from_s = None;
        Some(ended)
    }

    /// Says how the source stands.
    fn tell(&self) {
        let (kind, name, path) = self.opened.as_ref().map_or_else(
            || (SourceKind::None, "no source".to_owned(), None),
            |o| (o.kind, o.name.clone(), o.path()),
        );
        self.shared.with(|live| {
            live.source.kind = kind;
            live.source.name = name;
            live.source.path = path;
            live.source.playing = kind != SourceKind::Clip && !self.ended || self.playing;
            live.source.ended = self.ended;
            live.source.speed = self.speed;
            live.source.time_s = self.shown_s;
            live.source.lost = self.lost;
        });
        self.shared.changed();
    }
}

/// How the time that measuring takes compares with the time between frames.
#[derive(Debug)]
struct Haste {
    /// Time to measure a frame over the time between frames, a slowly forgetting mean.
    load: f64,
    seldom: u64,
    /// Frames since it was last changed.
    since: u64,
    /// Frames for which a frame that was passed over still counts.
    missed: u64,
}

impl Default for Haste {
    fn default() -> Self {
        Self {
            load: 0.0,
            seldom: 1,
            since: 0,
            missed: 0,
        }
    }
}

impl Haste {
    /// Frames that the mean reaches back over: several looks at the whole picture.
    const OVER: u64 = 50;
    /// Load from which on time is short.
    const BUSY: f64 = 0.6;

    /// How many times more seldom to look around, after a frame that took `took_s` and came `step_s` after the one before.
    fn seldom(&mut self, took_s: f64, step_s: f64) -> u64 {
        const MOST: u64 = 4;
        const IDLE: f64 = 0.2;
        if step_s <= 0.0 || step_s > 1.0 {
            return self.seldom;
        }
        self.load += (took_s / step_s - self.load) / Self::OVER as f64;
        self.since += 1;
        self.missed = self.missed.saturating_sub(1);
        if self.since > Self::OVER {
            if self.hurries() && self.seldom < MOST {
                self.seldom *= 2;
                self.since = 0;
            } else if self.load < IDLE && !self.hurries() && self.seldom > 1 {
                self.seldom /= 2;
                self.since = 0;
            }
        }
        self.seldom
    }

    /// Frames of a live source came while others were measured, and are gone.
    fn passed_over(&mut self) {
        self.missed = Self::OVER;
    }

    /// Whether time is short.
    fn hurries(&self) -> bool {
        self.load > Self::BUSY || self.missed > 0
    }
}

/// Finds how long a clip is, beside everything else and at a quarter of the speed, and says it as long as that clip is the source.
pub(super) fn find_duration(shared: &Arc<Shared>, source: &Source, options: &OpenOptions) {
    let (shared, source, options) = (Arc::clone(shared), source.clone(), options.clone());
    let generation = shared.with(|live| {
        live.source.duration_s = None;
        live.generation += 1;
        live.generation
    });
    let look = move || {
        let Ok(mut stream) = capture::open(&source, &options) else {
            return;
        };
        let mut frame = Frame::empty();
        let mut last_s = 0.0;
        loop {
            let began = Instant::now();
            match stream.next_into(&mut frame) {
                Ok(Next::Frame) => last_s = frame.time_s,
                Ok(Next::End) | Err(_) => break,
                Ok(_) => {}
            }
            if shared.with(|live| live.generation != generation) {
                return;
            }
            std::thread::sleep(began.elapsed() * 3);
        }
        shared.with(|live| {
            if live.generation == generation {
                live.source.duration_s = Some(last_s);
            }
        });
        shared.changed();
    };
    // Without a thread the length stays unknown.
    let _ = std::thread::Builder::new()
        .name("duration".to_owned())
        .spawn(look);
}

/// A lock whose holder panicked still guards plain data.
pub(super) fn held<T>(lock: &std::sync::Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    lock.lock().unwrap_or_else(PoisonError::into_inner)
}
