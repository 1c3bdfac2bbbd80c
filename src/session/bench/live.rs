//! What the page shows of the moment: the newest frame, the strip of offsets, turning points, aids and warnings.

use std::collections::{BTreeMap, VecDeque};
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use super::aids::Aids;
use super::alarm::Alarms;
use super::player::{SourceKind, held};
use super::sight::{SeenFrame, Sight, SightedLine};
use crate::basics::frame::Frame;
use crate::follow::{State, Sweep, TurningPoint};

/// Length of the strip, s.
pub const STRIP_S: f64 = 60.0;
/// Newest frames that are kept: an offset that is kept with a reading is their mean.
pub(super) const RECENT_FRAMES: usize = 5;
/// Time between two judgements of the turns of a sweep.
const BETWEEN_JUDGEMENTS: Duration = Duration::from_secs(1);
/// A line that came back is judged no sooner after the last judgement.
const SOONEST: Duration = Duration::from_millis(200);
/// Frames are counted over this time for their rate.
const RATE_OVER: Duration = Duration::from_secs(2);
/// A sentence about the source is shown for this long after the last time it was true.
const TROUBLE_SHOWN: Duration = Duration::from_secs(4);
/// A followed position this near to one that was shown is of the same line, px.
const SAME_LINE_PX: f64 = 4.0;
/// Most turning points that are shown.
const MOST_TURNS: usize = 100;

/// How the source stands.
#[derive(Clone, Debug, Default)]
pub struct SourceStatus {
    /// What kind of source it is.
    pub kind: SourceKind,
    /// What it says of itself.
    pub name: String,
    /// Its file or folder, where it has one.
    pub path: Option<PathBuf>,
    /// Whether frames are being shown.
    pub playing: bool,
    /// Whether it came to its end.
    pub ended: bool,
    /// So many times real time.
    pub speed: f64,
    /// Time of the frame shown, s.
    pub time_s: Option<f64>,
    /// Time of the last frame, s, once it is known.
    pub duration_s: Option<f64>,
    /// Frames analysed a second.
    pub fps_analysed: f64,
    /// Frames lost or passed over.
    pub lost: u64,
    /// What is wrong with it.
    pub trouble: Option<String>,
}

/// One line in one frame of the strip.
#[derive(Clone, Copy, Debug)]
pub struct StripPoint {
    /// Time of the source, s.
    pub time_s: f64,
    /// Number of the line.
    pub id: u64,
    /// Offset from the cross-hairs, px.
    pub offset_px: f64,
    /// Its standard uncertainty, px.
    pub u_px: f64,
    /// Position in the frame, px.
    x_px: f64,
}

/// A reversal on the strip.
#[derive(Clone, Debug)]
pub struct StripTurn {
    /// When, s.
    pub time_s: f64,
    /// Number of the line.
    pub id: Option<u64>,
    /// Offset from the cross-hairs, px.
    pub offset_px: Option<f64>,
    /// Standard uncertainty, px.
    pub u_px: f64,
    /// Side on which the line is before and after, as a sign of the offset.
    pub side: f64,
    /// Whether it is taken for minimum deviation.
    pub counted: bool,
    /// Why or why not.
    pub why: String,
}

/// Where the chosen line is in its sweep.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Phase {
    /// Nothing moves.
    #[default]
    Waiting,
    /// On its way.
    Moving,
    /// Close to a turning point that is known.
    Near,
    /// It came back.
    Turned,
    /// Not seen.
    Lost,
    /// It came back, but that may have been the hand.
    ReversedByHandMaybe,
}

/// The chosen line and its turning point.
#[derive(Clone, Copy, Debug, Default)]
pub struct TurnNow {
    /// Number of the line.
    pub id: Option<u64>,
    /// Where it is.
    pub phase: Phase,
    /// Offset now less that of the turning point, px.
    pub distance_px: Option<f64>,
    /// Turns counted in this run of the program; it only grows.
    pub count: usize,
}

/// Everything that changes with the frames.
#[derive(Debug, Default)]
pub(super) struct Live {
    pub(super) source: SourceStatus,
    pub(super) generation: u64,
    pub(super) trouble: Option<String>,
    trouble_since: Option<Instant>,
    pub(super) note: Option<String>,
    pub(super) judging: bool,
    judged_at: Option<Instant>,
    judging_took: Duration,
    wanted: bool,
    pub(super) strip: VecDeque<StripPoint>,
    older: Vec<StripTurn>,
    judged: Vec<StripTurn>,
    counted_before: usize,
    /// Reach from which each line last came back, px.
    reach_px: BTreeMap<u64, f64>,
    pub(super) selected: Option<u64>,
    pub(super) names: BTreeMap<u64, String>,
    arrivals: VecDeque<Instant>,
    pub(super) aids: Aids,
    pub(super) alarms: Alarms,
    pub(super) in_sweep: bool,
    /// Whether measuring hardly keeps up with the frames.
    pub(super) hurries: bool,
}

impl Live {
    /// Another source: nothing that was seen holds for it, but what the aids held stays.
    pub(super) fn begin_source(&mut self, kind: SourceKind, name: String, path: Option<PathBuf>) {
        self.strip.clear();
        self.older.clear();
        self.judged.clear();
        self.reach_px.clear();
        self.selected = None;
        self.names.clear();
        self.trouble = None;
        self.note = None;
        self.in_sweep = false;
        self.source = SourceStatus {
            kind,
            name,
            path,
            playing: true,
            speed: 1.0,
            duration_s: self.source.duration_s,
            ..SourceStatus::default()
        };
        self.alarms.begin_source();
    }

    /// Lines are followed anew; what was judged stays judged.
    pub(super) fn begin_following(&mut self) {
        self.counted_before = self.count();
        self.older.append(&mut self.judged);
        let surplus = self.older.len().saturating_sub(MOST_TURNS);
        self.older.drain(..surplus);
        self.reach_px.clear();
        self.wanted = false;
    }

    /// Turns counted so far.
    pub(super) fn count(&self) -> usize {
        self.counted_before + self.judged.iter().filter(|turn| turn.counted).count()
    }

    /// Turning points of the strip, by time.
    pub(super) fn turns(&self) -> impl Iterator<Item = &StripTurn> {
        self.older.iter().chain(&self.judged)
    }

    /// The line that figures are shown of: the selected one, else a named one, else the brightest.
    pub(super) fn chosen<'a>(&self, sight: &'a Sight) -> Option<&'a SightedLine> {
        if let Some(id) = self.selected {
            return sight.line(id);
        }
        sight
            .lines
            .iter()
            .find(|line| line.id.is_some_and(|id| self.names.contains_key(&id)))
            .or_else(|| sight.brightest())
    }

    /// Takes a frame; says whether the turns should be judged now.
    fn take(&mut self, sight: &Sight, in_sweep: bool) -> bool {
        let now = Instant::now();
        self.in_sweep = in_sweep;
        self.arrivals.push_back(now);
        while self
            .arrivals
            .front()
            .is_some_and(|first| now.duration_since(*first) > RATE_OVER)
        {
            self.arrivals.pop_front();
        }
        self.forget_trouble(now);
        if self
            .strip
            .back()
            .is_some_and(|last| sight.time_s < last.time_s)
        {
            self.strip.clear();
            self.older.clear();
        }
        while self
            .strip
            .front()
            .is_some_and(|first| first.time_s < sight.time_s - STRIP_S)
        {
            self.strip.pop_front();
        }
        for line in &sight.lines {
            let (Some(id), Some((offset_px, u_px))) = (line.id, line.offset_px) else {
                continue;
            };
            self.strip.push_back(StripPoint {
                time_s: sight.time_s,
                id,
                offset_px,
                u_px,
                x_px: line.line.x_px,
            });
            if let (State::Turned, Some(reach)) = (line.state, line.turned_at_px)
                && self
                    .reach_px
                    .insert(id, reach)
                    .is_none_or(|old| (old - reach).abs() > 0.01)
            {
                self.wanted = true;
            }
        }
        let chosen = self.chosen(sight).cloned();
        self.aids.take(sight, chosen.as_ref());
        let known: Vec<StripTurn> = self.judged.iter().filter(|t| t.counted).cloned().collect();
        self.alarms.take(sight, chosen.as_ref(), &known, in_sweep);
        // A long sweep takes longer to be put together; the frames come first.
        let least = |shortest: Duration, times: u32| shortest.max(self.judging_took * times);
        let since = self.judged_at.map(|at| now.duration_since(at));
        let due = in_sweep && since.is_none_or(|since| since > least(BETWEEN_JUDGEMENTS, 5));
        let wanted = self.wanted && since.is_none_or(|since| since > least(SOONEST, 3));
        let judge = !self.judging && (wanted || due);
        if judge {
            self.judging = true;
            self.wanted = false;
            self.judged_at = Some(now);
        }
        judge
    }

    fn forget_trouble(&mut self, now: Instant) {
        match (&self.trouble, self.trouble_since) {
            (None, _) => self.trouble_since = None,
            (Some(_), None) => self.trouble_since = Some(now),
            (Some(_), Some(since)) if now.duration_since(since) > TROUBLE_SHOWN => {
                self.trouble = None;
                self.trouble_since = None;
            }
            _ => {}
        }
    }

    /// Takes the turns of a sweep that was put together.
    fn take_judged(&mut self, sweep: &Sweep) {
        let id_of = |number: usize| -> Option<u64> {
            let line = sweep.lines.iter().find(|line| line.line == number)?;
            line.track
                .iter()
                .rev()
                .take(RECENT_FRAMES)
                .find_map(|point| {
                    self.strip
                        .iter()
                        .rev()
                        .filter(|shown| (shown.time_s - point.time_s).abs() < 1e-6)
                        .find(|shown| (shown.x_px - point.x_px).abs() < SAME_LINE_PX)
                        .map(|shown| shown.id)
                })
        };
        let judged = sweep
            .turning_points
            .iter()
            .map(|turn| StripTurn {
                time_s: turn.time_s,
                id: id_of(turn.line),
                offset_px: turn.offset_px,
                u_px: turn.u_px,
                side: side_of(sweep, turn),
                counted: turn.counted,
                why: turn.why.clone(),
            })
            .collect();
        // A turn that was counted and is no more has been told all the same.
        let told = self.count();
        self.judged = judged;
        let counted = self.judged.iter().filter(|turn| turn.counted).count();
        self.counted_before = self.counted_before.max(told.saturating_sub(counted));
    }

    /// Where the chosen line is in its sweep.
    pub(super) fn turn_now(&self, sight: Option<&Sight>) -> TurnNow {
        const NEAR_PX: f64 = 15.0;
        const STANDS_PX_S: f64 = 1.0;
        let count = self.count();
        let Some(line) = sight.and_then(|sight| self.chosen(sight)) else {
            let seen = self.selected.is_some() || !self.strip.is_empty();
            return TurnNow {
                id: self.selected,
                phase: if seen { Phase::Lost } else { Phase::Waiting },
                distance_px: None,
                count,
            };
        };
        let own = |turn: &&StripTurn| turn.id == line.id;
        let counted = self
            .turns()
            .filter(own)
            .filter(|turn| turn.counted)
            .filter_map(|turn| turn.offset_px)
            .last();
        let last_doubtful = self.judged.iter().rfind(own).is_some_and(|t| !t.counted);
        let extreme = counted.or(line.turned_at_px);
        let distance_px = extreme.and_then(|x| Some(line.offset_px?.0 - x));
        let stands = line.velocity_px_s.abs() < STANDS_PX_S;
        let phase = match distance_px {
            _ if line.state == State::Lost => Phase::Lost,
            None if stands => Phase::Waiting,
            None => Phase::Moving,
            Some(_) if counted.is_none() && last_doubtful => Phase::ReversedByHandMaybe,
            Some(d) if stands || d * line.velocity_px_s > 0.0 => Phase::Turned,
            Some(d) if d.abs() < NEAR_PX => Phase::Near,
            Some(_) => Phase::Moving,
        };
        TurnNow {
            id: line.id,
            phase,
            distance_px,
            count,
        }
    }

    /// The source with its rate of frames.
    pub(super) fn source_status(&self) -> SourceStatus {
        let now = Instant::now();
        let recent = self
            .arrivals
            .iter()
            .filter(|at| now.duration_since(**at) < RATE_OVER)
            .count();
        SourceStatus {
            fps_analysed: recent as f64 / RATE_OVER.as_secs_f64(),
            trouble: self.trouble.clone().or_else(|| self.note.clone()),
            ..self.source.clone()
        }
    }
}

/// Side on which a line is about the time of its reversal.
fn side_of(sweep: &Sweep, turn: &TurningPoint) -> f64 {
    const ABOUT_S: f64 = 2.0;
    let track = sweep
        .lines
        .iter()
        .find(|line| line.line == turn.line)
        .map_or(&[][..], |line| &line.track[..]);
    let past: f64 = track
        .iter()
        .filter(|point| (point.time_s - turn.time_s).abs() < ABOUT_S)
        .map(|point| point.x_px - turn.x_px)
        .sum();
    past.signum()
}

/// What the player's thread and those who look share.
pub(super) struct Shared {
    live: Mutex<Live>,
    recent: Mutex<VecDeque<Arc<SeenFrame>>>,
    spare: Mutex<Vec<Frame>>,
    changed: Box<dyn Fn() + Send + Sync>,
    /// Number of the last frame that was shown.
    seq: AtomicU64,
}

impl Shared {
    pub(super) fn new(changed: impl Fn() + Send + Sync + 'static) -> Self {
        Self {
            live: Mutex::default(),
            recent: Mutex::default(),
            spare: Mutex::default(),
            changed: Box::new(changed),
            seq: AtomicU64::new(0),
        }
    }

    /// Says to those who look that something changed.
    pub(super) fn changed(&self) {
        (self.changed)();
    }

    /// Does something with what changes by the moment; kept short, since the measurement waits.
    pub(super) fn with<T>(&self, what: impl FnOnce(&mut Live) -> T) -> T {
        what(&mut held(&self.live))
    }

    /// Number of the next frame that is shown.
    pub(super) fn next_seq(&self) -> u64 {
        self.seq.fetch_add(1, Ordering::Relaxed) + 1
    }

    /// Shows the newest frame once more under a new number, where what is drawn on it changed while the frames stand.
    pub(super) fn show_again(&self) {
        let seq = self.next_seq();
        if let Some(newest) = held(&self.recent).back_mut() {
            *newest = Arc::new(SeenFrame {
                frame: newest.frame.clone(),
                sight: Sight {
                    seq,
                    ..newest.sight.clone()
                },
            });
        }
        self.changed();
    }

    /// The newest frame.
    pub(super) fn newest(&self) -> Option<Arc<SeenFrame>> {
        held(&self.recent).back().cloned()
    }

    /// The newest frames, the newest last.
    pub(super) fn recent(&self) -> Vec<Arc<SeenFrame>> {
        held(&self.recent).iter().cloned().collect()
    }

    /// Frames of another source do not belong to a measurement of this one.
    pub(super) fn forget_recent(&self) {
        held(&self.recent).clear();
    }

    /// A frame to be filled again.
    pub(super) fn spare(&self) -> Frame {
        held(&self.spare).pop().unwrap_or_else(Frame::empty)
    }

    /// Shows a frame; says whether the turns should be judged now.
    pub(super) fn show(&self, seen: Arc<SeenFrame>, in_sweep: bool) -> bool {
        let judge = self.with(|live| live.take(&seen.sight, in_sweep));
        let mut recent = held(&self.recent);
        recent.push_back(seen);
        let old = (recent.len() > RECENT_FRAMES).then(|| recent.pop_front());
        drop(recent);
        if let Some(Ok(seen)) = old.flatten().map(Arc::try_unwrap) {
            held(&self.spare).push(seen.frame);
        }
        judge
    }

    /// Takes what became of the frames up to now.
    pub(super) fn judged(&self, sweep: &Sweep) {
        self.with(|live| {
            live.take_judged(sweep);
            if live.judging {
                live.judging_took = live.judged_at.map(|at| at.elapsed()).unwrap_or_default();
            }
            live.judging = false;
        });
        self.changed();
    }
}
