//! One state of a live experiment: what the camera sees, what is to be done next, what was read and what follows from it.
//!
//! Goes in: a source of frames, circle readings as they are typed, the moves of the person. Comes out: plain data for a page,
//! offsets in px of the frame and seconds of arc of the telescope, readings in degrees. Frames are measured in a thread of their
//! own (`player`) by the same watcher that measures clips (`session::watcher`).
//!
//! It refuses a reading that is no angle, one that is doubtful as long as nobody says to keep it, and an offset where no line is seen.
//!
//! Sockets, pages and rounding do not belong here.
//!
//! Checked by `tests` here (order of readings, steps, what goes wrong, playing a clip), `serve::tests` (doubts) and `tests/bench.rs`
//! (a whole experiment against its truth, kills).

mod aids;
mod alarm;
mod book;
mod clips;
mod doubts;
mod guide;
mod keep;
mod live;
mod player;
mod results;
mod sight;
mod telescope;
#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests;
mod tracks;
mod work;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, Weak};

use super::{BenchProfile, SessionError, Watched};
use crate::basics::fault::said;
use crate::capture::{OpenOptions, Source};
use crate::follow::Side;
use crate::logbook::journal::{Entry, Journal};
use crate::logbook::table::readings_to_bytes;
use crate::prism::lamps::LampTable;
use guide::Chosen;
use live::Shared;
use player::{Command, EndedSweep, Opened, Player, held};

pub use crate::logbook::journal::{ChosenLine, FILE as JOURNAL_FILE, ReadingEntry, SweptLine};
pub use aids::{Aid, AidKind, Verdict};
pub use book::{Book, KeptReading, KeptSweep, ReadingKind, Setup};
pub use clips::{ClipInHand, NotTaken, Upload};
pub use guide::{Guide, GuideStep, SCALE_READINGS, Step};
pub use live::{Phase, STRIP_S, SourceStatus, StripPoint, StripTurn, TurnNow};
pub use player::SourceKind;
pub use results::{Results, U_TYPED_PRISM_ANGLE_ARCSEC, in_readings};
pub use sight::{SeenFrame, Sight, SightedLine};
pub use work::{Lamp, Typed, Understood};

/// Longest clip that is taken where nothing else is said, bytes.
pub const CLIP_LIMIT_BYTES: u64 = 2_000_000_000;

/// What a desk is opened with.
#[derive(Clone, Debug, Default)]
pub struct DeskOptions {
    /// Where frames come from; none for readings that are typed only.
    pub source: Option<Source>,
    /// How the source is opened.
    pub open: OpenOptions,
    /// Side of the picture on which the central image lies, if known.
    pub toward: Option<Side>,
    /// Folder of the logbook.
    pub logbook: PathBuf,
    /// What is known of the spectrometer.
    pub profile: BenchProfile,
    /// Longest clip that is taken, bytes.
    pub clip_limit_bytes: u64,
}

/// The state of the experiment that all pages share.
pub struct Desk {
    options: DeskOptions,
    shared: Arc<Shared>,
    commands: Mutex<Sender<Command>>,
    journal: Mutex<Journal>,
    book: Mutex<Arc<Book>>,
    chosen: Mutex<Chosen>,
    /// Held while a reading is looked at and kept, and while a sweep is begun or ended.
    keeping: Mutex<()>,
    /// Record of the sweep that is under way.
    sweep: Mutex<Option<u64>>,
    /// That sweep, where it was ended and the disk refused to keep it.
    unkept: Mutex<Option<EndedSweep>>,
    results: Mutex<Arc<Results>>,
    wake: Mutex<Sender<()>>,
    /// The clip that is handed in or was last, and whether one is being received.
    upload: Mutex<(Option<Upload>, bool)>,
}

/// Why something was not done: one sentence with what, where and what to do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Refused(pub String);

/// What is asked of the source.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Playing {
    /// Go on.
    Play,
    /// Stop at this frame.
    Pause,
    /// So many frames forwards or back.
    Step(i64),
    /// To a time, s.
    Seek(f64),
    /// So many times real time.
    Speed(f64),
}

/// What the page shows of the moment.
#[derive(Clone, Debug)]
pub struct Moment {
    /// The source.
    pub source: SourceStatus,
    /// The newest frame's sight.
    pub seen: Option<Arc<SeenFrame>>,
    /// The chosen line.
    pub chosen: Option<SightedLine>,
    /// Names that were given to lines, by number.
    pub names: BTreeMap<u64, String>,
    /// Where the chosen line is in its sweep.
    pub turn: TurnNow,
    /// The strip of the chosen line, oldest first.
    pub strip: Vec<StripPoint>,
    /// Turning points on it.
    pub turns: Vec<StripTurn>,
    /// Figures for setting up.
    pub aids: Vec<Aid>,
    /// Whether the picture is good, and what is to be done first of all.
    pub picture: (bool, String),
}

impl Desk {
    /// Opens a desk, with all that its logbook holds, and starts to measure; `changed` is called whenever there is something new to
    /// show, from any thread.
    ///
    /// # Errors
    /// The logbook is in use or can't be written, or the source can't be opened.
    pub fn open(
        options: DeskOptions,
        changed: impl Fn() + Send + Sync + 'static,
    ) -> Result<Arc<Self>, SessionError> {
        let (journal, records) =
            Journal::open(&options.logbook).map_err(|error| SessionError::Footage(error.0))?;
        let mut book = Book::default();
        for record in &records {
            book.take(record);
        }
        tracks::restore(&mut book, &options.logbook);
        let shared = Arc::new(Shared::new(changed));
        let (commands, take) = channel();
        let player = Player::new(Arc::clone(&shared), take, options.toward);
        thread("measure", move || player.run())?;
        let (wake, woken) = channel();
        let desk = Arc::new(Self {
            shared,
            commands: Mutex::new(commands),
            journal: Mutex::new(journal),
            book: Mutex::new(Arc::new(book)),
            chosen: Mutex::default(),
            keeping: Mutex::default(),
            sweep: Mutex::default(),
            unkept: Mutex::default(),
            results: Mutex::default(),
            wake: Mutex::new(wake),
            upload: Mutex::default(),
            options,
        });
        let computing = Arc::downgrade(&desk);
        thread("reduce", move || compute_when_woken(&computing, &woken))?;
        if let Some(source) = &desk.options.source {
            desk.take_source(source)?;
        }
        desk.append(Entry::Opened {
            lineturn: env!("CARGO_PKG_VERSION").to_owned(),
        })
        .map_err(|error| SessionError::Footage(error.0))?;
        if desk.options.source.is_some() {
            let name = desk.shared.with(|live| live.source.name.clone());
            desk.append(Entry::Source { name })
                .map_err(|error| SessionError::Footage(error.0))?;
        }
        Ok(desk)
    }

    fn take_source(&self, source: &Source) -> Result<(), SessionError> {
        let opened = Opened::open(source, &self.options.open)?;
        let is_clip = opened.kind == SourceKind::Clip;
        self.sweep_is_over();
        if is_clip {
            player::find_duration(&self.shared, source, &self.options.open);
        }
        // Here and now, so that who is told of the source can go on with it at once.
        opened.begin(&self.shared);
        self.tell(Command::Open(Box::new(opened)));
        Ok(())
    }

    fn tell(&self, command: Command) {
        // The thread ends with the program only.
        let _ = held(&self.commands).send(command);
    }

    fn wake_results(&self) {
        // As above.
        let _ = held(&self.wake).send(());
    }

    /// What follows from the readings; a reading that was just kept may not be in it yet.
    #[must_use]
    pub fn results(&self) -> Arc<Results> {
        Arc::clone(&held(&self.results))
    }

    /// What was done and read.
    #[must_use]
    pub fn book(&self) -> Arc<Book> {
        Arc::clone(&held(&self.book))
    }

    /// A kept sweep, and what was seen in it with a bounded number of points where the table of its tracks can be read.
    #[must_use]
    pub fn sweep(&self, id: u64) -> Option<(KeptSweep, Option<Arc<Watched>>)> {
        let book = self.book();
        let kept = book.sweeps.iter().rfind(|sweep| sweep.id == id)?;
        let watched = kept
            .watched
            .clone()
            .or_else(|| tracks::restored(kept, &self.options.logbook).map(Arc::new));
        Some((kept.clone(), watched))
    }

    /// Folder of the logbook, and what was wrong with its journal when it was opened.
    #[must_use]
    pub fn kept(&self) -> (PathBuf, Option<String>) {
        let journal = held(&self.journal);
        (
            journal.folder().to_owned(),
            journal.trouble().map(str::to_owned),
        )
    }

    /// Readings that count and are complete as a table of the calculator, CSV.
    ///
    /// # Errors
    /// It can't be written.
    pub fn readings_csv(&self) -> Result<Vec<u8>, Refused> {
        readings_to_bytes(&self.rows())
            .map_err(|error| Refused(format!("the table cannot be written ({error})")))
    }

    /// Readings that count and are complete, as rows of a table with their offsets as angles.
    fn rows(&self) -> Vec<crate::session::ReadingRow> {
        let Ok(lamps) = LampTable::embedded() else {
            return Vec::new();
        };
        let results = self.results();
        let mut rows = held(&self.book).rows(&lamps);
        for row in &mut rows {
            let offset = results.offsets_arcsec.get(&(row.row as u64));
            row.offset_arcsec = offset.map(|(offset, _)| *offset);
            row.u_offset_arcsec = offset.map(|(_, u)| *u);
        }
        rows
    }

    /// The journal as it is on the disk.
    ///
    /// # Errors
    /// It can't be read.
    pub fn journal_text(&self) -> Result<Vec<u8>, Refused> {
        let path = self.options.logbook.join(JOURNAL_FILE);
        // Held, so that no record is half written.
        let _journal = held(&self.journal);
        std::fs::read(&path).map_err(|error| {
            Refused(format!(
                "{} cannot be read ({error})",
                path.display(),
                error = said(&error)
            ))
        })
    }

    /// Name of the bench profile.
    #[must_use]
    pub fn bench_name(&self) -> Option<String> {
        Some(self.options.profile.bench.name.clone()).filter(|name| !name.is_empty())
    }

    /// What is to be done now, and what goes wrong.
    #[must_use]
    pub fn guide(&self) -> Guide {
        let alarms = self.shared.with(|live| live.alarms.list().to_vec());
        guide::guide(
            &held(&self.book),
            &self.results(),
            &held(&self.chosen),
            self.options.profile.scale.is_some(),
            &alarms,
        )
    }

    /// What was best till now no longer counts.
    pub fn reset_best(&self) {
        self.shared.with(|live| live.aids.reset_best());
        self.shared.changed();
    }

    /// The newest frame.
    #[must_use]
    pub fn newest(&self) -> Option<Arc<SeenFrame>> {
        self.shared.newest()
    }

    /// Whether measuring hardly keeps up with the frames, so that whoever looks on should spare the processor.
    #[must_use]
    pub fn hurries(&self) -> bool {
        self.shared.with(|live| live.hurries)
    }

    /// Names that were given to lines, by their number.
    #[must_use]
    pub fn names(&self) -> BTreeMap<u64, String> {
        self.shared.with(|live| live.names.clone())
    }

    /// Moves the clip.
    ///
    /// # Errors
    /// The source is no clip, or the number makes no sense.
    pub fn play(&self, playing: Playing) -> Result<String, Refused> {
        let kind = self.shared.with(|live| live.source.kind);
        if kind != SourceKind::Clip {
            return Err(Refused("only a recorded clip can be paused, stepped or scrubbed, and the source is no clip: give one with --source, or hand one in".to_owned()));
        }
        let (command, said) = match playing {
            Playing::Play => (Command::Play, "It plays.".to_owned()),
            Playing::Pause => (Command::Pause, "It stands.".to_owned()),
            Playing::Step(frames) if frames != 0 && frames.abs() <= 1000 => {
                (Command::Step(frames), "One step.".to_owned())
            }
            Playing::Step(_) => {
                return Err(Refused(
                    "frames is not a number of frames to step: give 1 or -1".to_owned(),
                ));
            }
            Playing::Seek(time_s) if time_s.is_finite() && (0.0..1e6).contains(&time_s) => {
                (Command::Seek(time_s), format!("At {time_s:.2} s."))
            }
            Playing::Seek(_) => {
                return Err(Refused(
                    "t_s is no time of the clip: give seconds from its first frame, from 0"
                        .to_owned(),
                ));
            }
            Playing::Speed(times) if (0.05..=100.0).contains(&times) => (
                Command::Speed(times),
                format!("It plays at {times} times real time."),
            ),
            Playing::Speed(_) => {
                return Err(Refused(
                    "times is no speed: give 0.05 to 100, 1 being real time".to_owned(),
                ));
            }
        };
        self.tell(command);
        Ok(said)
    }

    /// What there is to show now.
    #[must_use]
    pub fn moment(&self) -> Moment {
        let seen = self.shared.newest();
        let sight = seen.as_ref().map(|seen| &seen.sight);
        self.shared.with(|live| {
            let chosen = sight.and_then(|sight| live.chosen(sight)).cloned();
            let id = chosen.as_ref().and_then(|line| line.id).or(live.selected);
            let from_s = live.strip.front().map_or(0.0, |point| point.time_s);
            let (good, say) = live.aids.verdict();
            Moment {
                source: live.source_status(),
                names: live.names.clone(),
                turn: live.turn_now(sight),
                strip: live
                    .strip
                    .iter()
                    .filter(|point| id.is_none_or(|id| point.id == id))
                    .copied()
                    .collect(),
                turns: live
                    .turns()
                    .filter(|turn| turn.time_s >= from_s)
                    .cloned()
                    .collect(),
                aids: live.aids.list().to_vec(),
                picture: (good, say.to_owned()),
                chosen,
                seen: seen.clone(),
            }
        })
    }
}

fn thread(name: &str, work: impl FnOnce() + Send + 'static) -> Result<(), SessionError> {
    std::thread::Builder::new()
        .name(name.to_owned())
        .spawn(work)
        .map(|_| ())
        .map_err(|error| {
            SessionError::Footage(format!(
                "no thread can be started ({error}); end other programs",
                error = said(&error)
            ))
        })
}

/// Computes the results anew whenever a record was added, the newest state only.
fn compute_when_woken(desk: &Weak<Desk>, woken: &Receiver<()>) {
    while woken.recv().is_ok() {
        while woken.try_recv().is_ok() {}
        let Some(desk) = desk.upgrade() else { return };
        let results = Arc::new(work::compute(&desk));
        *held(&desk.results) = results;
        desk.shared.changed();
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        self.tell(Command::Stop);
    }
}
