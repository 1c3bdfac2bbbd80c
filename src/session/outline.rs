//! Footage of a whole demonstration in, its steps with their times out.
//!
//! The footage is gone through once. What was seen in its frames is kept for one scene only, the frames from one empty field to the
//! next, and at most [`MOST_FRAMES`] of them: memory does not grow with the clip. A scene is then cut where its lines come to rest
//! or set off, and each piece is followed as a clip of its own, so that offsets and turning points are those of
//! [`crate::follow`], with their uncertainties.
//!
//! What moved is told only where the lines show it: a turning point is the table's; lines that slide together, or quicker than a table
//! moves them, are the telescope's. One line alone that moves slowly shows neither, and the step says so.
//!
//! Checked by `tests/outline.rs`.

use super::sweep::{LineAngle, WatchOptions, WatchProgress, opened};
use super::watcher::Watcher;
use super::{Caution, SessionError};
use crate::basics::frame::Frame;
use crate::basics::uncertainty::{Cause, Shape};
use crate::capture::{self, FrameSource, Next, Source};
use crate::find::{CrossHairs, Picture};
use crate::follow::{FollowedLine, Follower, Settings, Side, Sweep, TurningPoint};
use crate::logbook::scale::{Calibration, ReadyScale};

/// Frames of one scene that are kept: some 11 minutes at 30 a second.
const MOST_FRAMES: usize = 20_000;
/// Lines unseen for so long are out of view, s.
const UNSEEN_S: f64 = 0.4;
/// Scenes of fewer frames are none.
const FEWEST_FRAMES: usize = 5;
/// A frame without lines that has less than this share of the light of others is dark.
const DARK_SHARE: f64 = 0.25;
/// Time to both sides over which a line's motion is looked at, s, and the way in it that is motion, px.
const AROUND_S: f64 = 0.3;
const MOVED_PX: f64 = 0.4;
/// A rest shorter than this belongs to the motion around it: a hand pauses. Common practice, no source.
const PAUSE_S: f64 = 2.0;
/// A rest this long may still be a line that turns slowly, or a hand that pauses at the turn, s.
const SLOW_TURN_S: f64 = 10.0;
/// A motion shorter than this is a jolt, s.
const JOLT_S: f64 = 0.3;
/// No table moves a line by more than so many radii of the field in a second. Common practice, no source.
const TABLE_PACE: f64 = 1.0;
/// Lines this far apart show by their distance whether the table turned, px …
const APART_PX: f64 = 60.0;
/// … where it changes by more than this share of their way, and a little, px.
const DISTANCE_SHARE: f64 = 0.02;
const DISTANCE_PX: f64 = 0.4;
/// A line that comes back within this was hidden, and nothing moved, px.
const SAME_PLACE_PX: f64 = 1.0;
/// Share of the field's radius that counts as its edge.
const EDGE: f64 = 0.2;

/// What goes on in a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StepKind {
    /// No light.
    Dark,
    /// The field is lit and holds no line.
    NothingInView,
    /// The telescope was swung: lines slide together, or out of the field and others into it.
    Telescope,
    /// Lines stand still: a reading can be taken.
    Still,
    /// The table was turned, and a line reversed or lines changed their distance.
    Table,
    /// A line moved; telescope or table, one line alone cannot tell.
    Moved,
}

/// One step of a demonstration.
#[derive(Clone, Debug)]
pub struct Step {
    /// What goes on.
    pub kind: StepKind,
    /// Begin, seconds from the first frame.
    pub from_s: f64,
    /// End, seconds from the first frame.
    pub to_s: f64,
    /// Lines of the step from left to right, where they stand still or turned.
    pub lines: Vec<FollowedLine>,
    /// Their offsets as angles, where a scale was given.
    pub angles: Vec<Option<LineAngle>>,
    /// Reversals, with times from the first frame of the clip.
    pub turning_points: Vec<TurningPoint>,
    /// Side on which a line left the field at the end of the step.
    pub left: Option<Side>,
}

/// The steps of a clip.
#[derive(Clone, Debug)]
pub struct Outline {
    /// What the source says of itself.
    pub description: String,
    /// Frames looked at.
    pub frames: u64,
    /// Frames that are missing.
    pub dropped: u64,
    /// Seconds from the first to the last frame.
    pub duration_s: f64,
    /// Cross-hairs, where they were seen.
    pub cross_hairs: Option<CrossHairs>,
    /// The steps, by time, without gaps.
    pub steps: Vec<Step>,
    /// What is doubtful.
    pub cautions: Vec<Caution>,
    /// Why the source ended before its end, if it did.
    pub failure: Option<String>,
}

/// Cuts a clip into its steps.
///
/// # Errors
/// The source is live, could not be opened, holds no frame, or failed before its first frame. A later failure is told in [`Outline::failure`].
pub fn outline(
    source: &Source,
    options: &WatchOptions,
    mut progress: impl FnMut(WatchProgress<'_>),
) -> Result<Outline, SessionError> {
    if matches!(source, Source::Camera(_) | Source::Network(_)) {
        return Err(SessionError::Footage(
            "outline cuts recorded footage, and this is a live source; record it with `lineturn watch SOURCE --record FILE.avi` and outline the recording".to_owned(),
        ));
    }
    let scale = options.scale.as_ref().map(Calibration::ready).transpose()?;
    let mut source = capture::Decoupled::new(opened(source, options)?)?;
    let of = source.info().frames;
    let mut cutter = Cutter::new(options.toward, scale);
    let mut frame = Frame::empty();
    let mut dropped = 0;
    let mut cautions: Vec<Caution> = Vec::new();
    let failure = loop {
        match source.next_into(&mut frame) {
            Ok(Next::Frame) => {}
            Ok(Next::Lost { frames, why }) => {
                if dropped == 0 {
                    cautions.push(Caution::new("frames-lost", why));
                }
                dropped += frames;
                cutter.watcher.lost(frames);
                continue;
            }
            Ok(Next::Note { code, message }) => {
                let note = Caution::new(code, message);
                if cautions.len() < 16 && !cautions.contains(&note) {
                    cautions.push(note);
                }
                continue;
            }
            Ok(Next::Skipped { .. } | Next::Waiting { .. }) => continue,
            Ok(Next::End) => break None,
            Err(error) if cutter.frames == 0 => return Err(error.into()),
            Err(error) => break Some(error.to_string()),
        }
        cutter.take(&frame);
        progress(WatchProgress {
            frames: cutter.frames,
            of,
            note: None,
        });
    };
    if cutter.frames == 0 {
        return Err(SessionError::Footage(format!(
            "{} holds no frame; record or copy it again",
            source.info().description
        )));
    }
    if let Some(failure) = &failure {
        cautions.insert(0, Caution::new("source-failed", failure.clone()));
    }
    Ok(Outline {
        description: source.info().description.clone(),
        dropped,
        failure,
        ..cutter.finish(cautions)
    })
}

/// One frame as far as steps go.
struct Shown {
    number: u64,
    time_s: f64,
    /// What was found; the cross-hairs only where they were measured in this frame.
    picture: Picture,
}

impl Shown {
    fn places(&self) -> Vec<f64> {
        self.picture.lines.iter().map(|line| line.x_px).collect()
    }
}

/// Goes through the frames and cuts.
struct Cutter {
    watcher: Watcher,
    toward: Option<Side>,
    scale: Option<ReadyScale>,
    frames: u64,
    last_s: f64,
    scene: Vec<Shown>,
    seen_s: Option<f64>,
    /// Frames without lines since the last with one, the dark ones and all; and those before the scene that goes on.
    blank: (u64, u64),
    before: (u64, u64),
    light: f64,
    hairs: Option<CrossHairs>,
    /// Centre and radius of the field, px.
    field: (f64, f64),
    /// Where the lines of the last scene were at its end, and whether one went at a telescope's pace.
    ended: Option<(Vec<f64>, bool)>,
    steps: Vec<Step>,
    cut: bool,
}

impl Cutter {
    fn new(toward: Option<Side>, scale: Option<ReadyScale>) -> Self {
        Self {
            watcher: Watcher::new(Settings::default()),
            toward,
            scale,
            frames: 0,
            last_s: 0.0,
            scene: Vec::new(),
            seen_s: None,
            blank: (0, 0),
            before: (0, 0),
            light: 0.0,
            hairs: None,
            field: (0.0, 1.0),
            ended: None,
            steps: Vec::new(),
            cut: false,
        }
    }

    fn take(&mut self, frame: &Frame) {
        let glimpse = self.watcher.advance(frame);
        self.frames += 1;
        self.last_s = frame.time_s;
        let mut picture = glimpse.picture;
        if picture.cross_hairs.is_some() {
            self.hairs.clone_from(&picture.cross_hairs);
        }
        picture.cross_hairs = glimpse.sighted;
        self.field = picture.field.as_ref().map_or(
            (0.5 * frame.width() as f64, 0.5 * frame.width() as f64),
            |field| (field.x_px, field.radius_px),
        );
        let lit = !picture.lines.is_empty();
        self.light = self.light.max(picture.mean_level);
        let dark = !lit && picture.mean_level <= DARK_SHARE * self.light;
        if lit {
            self.seen_s = Some(frame.time_s);
            let blank = std::mem::take(&mut self.blank);
            if self.scene.is_empty() {
                self.before = blank;
            }
        } else {
            self.blank.0 += u64::from(dark);
            self.blank.1 += 1;
        }
        if lit || !self.scene.is_empty() {
            self.scene.push(Shown {
                number: frame.number,
                time_s: frame.time_s,
                picture,
            });
        }
        let gone = self
            .seen_s
            .is_none_or(|seen| frame.time_s - seen > UNSEEN_S);
        if gone || self.scene.len() >= MOST_FRAMES {
            self.cut |= self.scene.len() >= MOST_FRAMES;
            self.close_scene();
        }
    }

    /// Ends the scene: its frames become steps and are let go.
    fn close_scene(&mut self) {
        let mut scene = std::mem::take(&mut self.scene);
        while scene
            .last()
            .is_some_and(|shown| shown.picture.lines.is_empty())
        {
            scene.pop();
        }
        if scene.is_empty() {
            return;
        }
        self.watcher.begin_anew(Settings::default());
        let seen = scene
            .iter()
            .filter(|shown| !shown.picture.lines.is_empty())
            .count();
        let (Some(first), Some(last)) = (scene.first(), scene.last()) else {
            return;
        };
        if seen < FEWEST_FRAMES {
            // Light that flits through the picture is no scene: the blank goes on.
            self.blank.0 += self.before.0;
            self.blank.1 += self.before.1;
            return;
        }
        let from_s = first.time_s;
        let mut steps = self.steps_of(&scene);
        self.join_blank(from_s, first.places(), self.pace(&scene, true), &mut steps);
        self.ended = Some((last.places(), self.pace(&scene, false)));
        self.steps.append(&mut steps);
    }

    /// Puts what lay between the last scene and one that begins at `until_s` before the steps of that.
    fn join_blank(&mut self, until_s: f64, begins: Vec<f64>, at_pace: bool, next: &mut Vec<Step>) {
        let from_s = self.steps.last().map_or(0.0, |step| step.to_s);
        if until_s - from_s <= UNSEEN_S {
            if let Some(step) = next.first_mut() {
                step.from_s = from_s;
            }
            return;
        }
        let mut blank = step(blank_kind(self.before), from_s, until_s);
        if let Some((ends, left_at_pace)) = &self.ended
            && blank.kind == StepKind::NothingInView
        {
            let same = ends.len() == begins.len()
                && ends
                    .iter()
                    .zip(&begins)
                    .all(|(a, b)| (a - b).abs() < SAME_PLACE_PX);
            let inside = |places: &[f64]| {
                !places.is_empty() && places.iter().all(|x| self.edge(*x).is_none())
            };
            if *left_at_pace || at_pace || !same && inside(ends) {
                blank.kind = StepKind::Telescope;
                // Lines that slid out of the field and others into it are parts of one swing.
                if next.len() > 1 && next.first().is_some_and(only_moved) {
                    blank.to_s = next.remove(0).to_s;
                }
                if let Some(before) = self.steps.pop_if(|step| only_moved(step)) {
                    blank.from_s = before.from_s;
                }
            }
        }
        next.insert(0, blank);
    }

    /// Side of the field at whose edge a place lies.
    fn edge(&self, x_px: f64) -> Option<Side> {
        let off = (x_px - self.field.0) / self.field.1;
        if off > 1.0 - EDGE {
            Some(Side::Right)
        } else if off < EDGE - 1.0 {
            Some(Side::Left)
        } else {
            None
        }
    }

    /// Whether lines slid quicker than a table moves them in the first or the last half second of a scene.
    fn pace(&self, scene: &[Shown], begin: bool) -> bool {
        let (Some(first), Some(last)) = (scene.first(), scene.last()) else {
            return false;
        };
        scene.windows(2).any(|pair| {
            let [a, b] = pair else { return false };
            let near = if begin {
                b.time_s - first.time_s < 0.5
            } else {
                last.time_s - a.time_s < 0.5
            };
            let (from, to) = (a.places(), b.places());
            let most = TABLE_PACE * self.field.1 * (b.time_s - a.time_s);
            near && !from.is_empty()
                && from.len() == to.len()
                && from.iter().zip(&to).all(|(x, y)| (y - x).abs() > most)
        })
    }

    /// Cuts a scene where its lines come to rest or set off.
    fn steps_of(&self, scene: &[Shown]) -> Vec<Step> {
        let mut pieces = pieces(scene);
        self.join_slow_turns(scene, &mut pieces);
        let mut steps: Vec<Step> = pieces
            .iter()
            .map(|piece| {
                let shown = &scene[piece.from..=piece.to];
                let mut sweep = self.follow(shown, !piece.moves);
                let kind = if piece.moves {
                    self.kind(shown, &sweep)
                } else {
                    StepKind::Still
                };
                if !matches!(kind, StepKind::Table | StepKind::Still) {
                    sweep.lines.clear();
                }
                if matches!(kind, StepKind::Telescope | StepKind::Still) {
                    sweep.turning_points.clear();
                }
                Step {
                    angles: sweep.lines.iter().map(|line| self.angle(line)).collect(),
                    lines: sweep.lines,
                    turning_points: sweep.turning_points,
                    ..step(kind, scene[piece.from].time_s, scene[piece.to].time_s)
                }
            })
            .collect();
        if let (Some(step), Some(last)) = (steps.last_mut(), scene.last())
            && matches!(step.kind, StepKind::Table | StepKind::Moved)
        {
            step.left = last.places().into_iter().find_map(|x| self.edge(x));
        }
        steps
    }

    /// A rest at a counted turning point is a line that turns slowly: one sweep with what lies beside it.
    fn join_slow_turns(&self, scene: &[Shown], pieces: &mut Vec<Piece>) {
        let mut k = 1;
        while k + 1 < pieces.len() {
            let (from, to) = (pieces[k - 1].from, pieces[k + 1].to);
            let (begin_s, end_s) = (scene[pieces[k].from].time_s, scene[pieces[k].to].time_s);
            let turned = !pieces[k].moves
                && end_s - begin_s < SLOW_TURN_S
                && self
                    .follow(&scene[from..=to], false)
                    .turning_points
                    .iter()
                    .any(|point| {
                        point.counted
                            && (begin_s - AROUND_S..end_s + AROUND_S).contains(&point.time_s)
                    });
            if turned {
                pieces.splice(
                    k - 1..=k + 1,
                    [Piece {
                        from,
                        to,
                        moves: true,
                    }],
                );
            } else {
                k += 1;
            }
        }
    }

    fn kind(&self, shown: &[Shown], sweep: &Sweep) -> StepKind {
        if sweep.turning_points.iter().any(|point| point.counted) {
            return StepKind::Table;
        }
        // How far the outer lines went, together and against each other.
        let (mut way, mut apart, mut before) = (0.0_f64, 0.0_f64, None);
        for one in shown {
            let places = one.places();
            if let (Some(a), Some(b)) = (places.first(), places.last())
                && b - a > APART_PX
            {
                let count = places.len();
                let (count0, a0, b0) = *before.get_or_insert((count, *a, *b));
                if count0 == count {
                    way = way.max((0.5 * (a + b - a0 - b0)).abs());
                    apart = apart.max((b - a - b0 + a0).abs());
                }
            }
        }
        if self.pace(shown, true) || self.pace(shown, false) {
            StepKind::Telescope
        } else if way.max(apart) > 5.0 {
            if apart > DISTANCE_SHARE * way + DISTANCE_PX {
                StepKind::Table
            } else {
                StepKind::Telescope
            }
        } else {
            StepKind::Moved
        }
    }

    /// The frames of a step as a clip of their own.
    fn follow(&self, shown: &[Shown], at_rest: bool) -> Sweep {
        let mut follower = Follower::new(Settings {
            toward: self.toward,
            at_rest,
            ..Settings::default()
        });
        for one in shown {
            follower.advance(one.number, one.time_s, &one.picture);
        }
        let measured = shown.iter().any(|one| one.picture.cross_hairs.is_some());
        // Short steps may lie between two looks at the hairs.
        follower.finish(self.hairs.clone().filter(|_| !measured))
    }

    fn angle(&self, line: &FollowedLine) -> Option<LineAngle> {
        let cause = Cause::type_b("line against cross-hairs", Shape::Normal);
        let angle = self
            .scale
            .as_ref()?
            .angle_arcsec(line.offset_px?, line.u_px, &cause);
        Some(LineAngle {
            offset_arcsec: angle.value(),
            u_arcsec: angle.u(),
        })
    }

    fn finish(mut self, mut cautions: Vec<Caution>) -> Outline {
        self.close_scene();
        let from_s = self.steps.last().map_or(0.0, |step| step.to_s);
        if self.steps.is_empty() || self.last_s - from_s > UNSEEN_S {
            let kind = match &self.ended {
                Some((_, true)) => StepKind::Telescope,
                _ => blank_kind(self.blank),
            };
            self.steps.push(step(kind, from_s, self.last_s));
        }
        if let Some(last) = self.steps.last_mut() {
            last.to_s = self.last_s;
        }
        let mut say = |code: &str, message: &str| cautions.push(Caution::new(code, message));
        if self.ended.is_none() {
            say(
                "no-line",
                "no line was seen in the footage: check that the slit was lit and in focus",
            );
        } else if self.hairs.is_none() {
            say(
                "no-cross-hairs",
                "no cross-hairs were seen, so lines have no offset: light the field a little and focus the eyepiece on the hairs",
            );
        }
        if self.steps.iter().any(|step| step.kind == StepKind::Moved) {
            say(
                "moved-untold",
                "a line moved and did not turn: whether telescope or table moved it, one line alone cannot tell",
            );
        }
        if self.cut {
            say(
                "step-cut",
                "lines stayed in view for more than 20000 frames on end, so a step was cut there; it may go on in the next",
            );
        }
        Outline {
            description: String::new(),
            frames: self.frames,
            dropped: 0,
            duration_s: self.last_s,
            cross_hairs: self.hairs,
            steps: self.steps,
            cautions,
            failure: None,
        }
    }
}

fn step(kind: StepKind, from_s: f64, to_s: f64) -> Step {
    Step {
        kind,
        from_s,
        to_s,
        lines: Vec::new(),
        angles: Vec::new(),
        turning_points: Vec::new(),
        left: None,
    }
}

/// What frames without lines are, of which so many are dark, and so many all.
fn blank_kind((dark, all): (u64, u64)) -> StepKind {
    if 2 * dark > all {
        StepKind::Dark
    } else {
        StepKind::NothingInView
    }
}

fn only_moved(step: &Step) -> bool {
    matches!(step.kind, StepKind::Moved | StepKind::Telescope)
}

/// Frames of a scene in which lines move or stand.
#[derive(Clone, Copy, Debug)]
struct Piece {
    from: usize,
    to: usize,
    moves: bool,
}

/// Cuts the frames of a scene by rest and motion; short rests belong to the motion around them, jolts to the rest.
fn pieces(scene: &[Shown]) -> Vec<Piece> {
    let mut pieces: Vec<Piece> = Vec::new();
    for at in 0..scene.len() {
        let moves = moves(scene, at);
        match pieces.last_mut() {
            Some(last) if last.moves == moves => last.to = at,
            _ => pieces.push(Piece {
                from: at,
                to: at,
                moves,
            }),
        }
    }
    let lasts = |piece: &Piece| scene[piece.to].time_s - scene[piece.from].time_s;
    absorb(&mut pieces, |piece| piece.moves && lasts(piece) < JOLT_S);
    absorb(&mut pieces, |piece| !piece.moves && lasts(piece) < PAUSE_S);
    pieces
}

/// Gives pieces that are none to those beside them.
fn absorb(pieces: &mut Vec<Piece>, is_none: impl Fn(&Piece) -> bool) {
    let mut joined: Vec<Piece> = Vec::new();
    let alone = pieces.len() == 1;
    for mut piece in pieces.drain(..) {
        if !alone && is_none(&piece) {
            piece.moves = !piece.moves;
        }
        match joined.last_mut() {
            Some(last) if last.moves == piece.moves => last.to = piece.to,
            _ => joined.push(piece),
        }
    }
    *pieces = joined;
}

/// Whether a line moves about a frame: where it was before against where it is after, in the frames that show as many lines.
fn moves(scene: &[Shown], at: usize) -> bool {
    let here = &scene[at];
    let count = here.picture.lines.len();
    if count == 0 {
        return at > 0 && moves(scene, at - 1);
    }
    let side = |before: bool| -> Vec<Vec<f64>> {
        let near = |one: &&Shown| {
            (one.time_s - here.time_s).abs() <= AROUND_S && one.picture.lines.len() == count
        };
        if before {
            scene[..=at]
                .iter()
                .rev()
                .take_while(|one| here.time_s - one.time_s <= AROUND_S)
                .filter(near)
                .map(Shown::places)
                .collect()
        } else {
            scene[at..]
                .iter()
                .take_while(|one| one.time_s - here.time_s <= AROUND_S)
                .filter(near)
                .map(Shown::places)
                .collect()
        }
    };
    let (before, after) = (side(true), side(false));
    here.picture.lines.iter().enumerate().any(|(nth, line)| {
        let mean = |places: &[Vec<f64>]| {
            places.iter().filter_map(|one| one.get(nth)).sum::<f64>() / places.len() as f64
        };
        let u = line.u_px / (before.len().min(after.len()) as f64).sqrt();
        (mean(&after) - mean(&before)).abs() > MOVED_PX + 5.0 * u
    })
}
