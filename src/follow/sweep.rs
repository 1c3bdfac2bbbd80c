//! The end of the clip: tracks, knocks and turning points put together into one answer.

use std::sync::Mutex;

use super::classify::{self, Moment};
use super::glass::{Glass, Shift};
use super::identity::Track;
use super::noise::Given;
use super::reversals::{self, Course, Extreme, Pass};
use super::steadiness::{Hold, median, weighted_mean};
use super::together::{self, Measured};
use super::turning::{self, NoTurn, Sample, Turn};
use super::{FollowedLine, Follower, Settings, Side, Sweep, TrackPoint, TurningPoint, sign_of};
use crate::find::{CrossHairs, FixedPattern};

/// Single frames of good footage look lopsided by this on the average, px, since noise does so now and then (found on simulated
/// footage).
const OWN_LASTING_PX: f64 = 0.005;
/// What a turning point in steady air scatters from pass to pass over what its fit says (found on 623 turns of simulated sweeps, with what
/// passes have in common told apart).
const TOO_WIDE: f64 = 0.32;
/// Not where a fit takes the noise for less than this share of what single frames state (found on 271 turns: nine such were off by 1.5
/// of what was stated, root mean square, and are by 1.1 without it).
const TREMOR_TOOK: f64 = 0.4;
/// Up to this share it is told from the fit the more, the larger the share.
const TREMOR_LEFT: f64 = 0.5;
/// About its turning point a line stands on the same pixels in every pass: what the sensor's fixed pattern and specks on the glass do
/// to it is the same in all of them. Of the pattern it would be the root of its share in the variance of the pixels times what single
/// frames state, if the line stood still; this much of that, and of specks this much of what single frames state, and no less than this,
/// px (found on 421 turns of simulated sweeps, some of them of sensors with thrice the usual pattern, and for specks on 326 more).
const FIXED_PATTERN: f64 = 0.8;
const SPECKS: f64 = 0.5;
const LEAST_U_PX: f64 = 0.0007;
/// How much of what rows scatter that stood still in all frames is left in turning points (found on the same 326).
const SEEN_STILL: f64 = 0.8;
/// What that is taken to be where it was not seen, since a hair lies on the line or the camera was knocked, over what single frames state.
const UNSEEN: f64 = 0.4;
/// The time about the turn of which that is taken, s.
const ABOUT_TURN_S: f64 = 0.4;
/// The share of the fixed pattern where too few pixels could be compared from frame to frame.
const USUAL_SHARE: f64 = 0.15;
/// How much of what lopsided profiles and shade leave in single frames is left in turning points, and in hairs, of which more is seen
/// (found on the same sweeps).
const LASTING_IN_TURN: f64 = 0.5;
const LASTING_IN_HAIRS: f64 = 0.2;
/// What a codec leaves of a line where it turns, over what single frames state and the share of the picture that the codec leaves
/// standing from frame to frame (found on coded practice experiments; three codings of differing strength).
const KEPT_IN_U: f64 = 6.0;
/// From this share on the codec is told of.
const MUCH_KEPT: f64 = 0.45;
/// Fewest sightings of a line in a clip that is long enough to ask for them.
const FEWEST_SIGHTINGS: usize = 8;
/// A gap in the sightings: so many usual intervals, and at least so long, s.
const GAP_INTERVALS: f64 = 6.0;
const GAP_S: f64 = 0.2;
/// An absence across which a course is not followed, s.
const LONG_ABSENCE_S: f64 = 1.0;

/// So far a telescope that is not well locked may creep between passes, px. Common practice, no source.
const CREEP_PX: f64 = 12.0;

/// A line with its course in the frame of reference of the main stretch.
struct Line {
    track: Track,
    course: Course,
    extremes: Vec<Extreme>,
    noise_px: f64,
    /// Mean dx/dy at the height of the hairs.
    slope: f64,
    usual_interval_s: f64,
    candidates: Vec<Candidate>,
}

/// A pass on the side of the central image, and what speaks for and against it.
struct Candidate {
    pass: Pass,
    end: Result<Turn, Refusal>,
    /// Position in the picture and its standard uncertainty, px.
    x_px: f64,
    u_px: f64,
    /// The part of it that all passes at this place have in common, px.
    lasting_px: f64,
    /// Standard uncertainty by which it is compared with other passes, px.
    u_fit_px: f64,
    /// Variance of the shift between stretches of the clip, px².
    shift_variance: f64,
    /// Whether no other line was measured with it.
    alone: bool,
    /// (Twice the negative logarithm of the likelihood, place in the picture, variance) over the air's grid.
    cells: Vec<Option<(f64, f64, f64)>>,
    time_s: f64,
    /// Logarithm of the odds that only the hand turned back.
    odds: f64,
    short_px: Option<f64>,
    agrees: bool,
    others: f64,
    shape: f64,
}

/// Why a reversal gives no turning point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Refusal {
    TooFew,
    NoFit,
    Dark,
    Left,
}

pub(super) fn put_together(follower: Follower, stacked: Option<CrossHairs>) -> Sweep {
    let Follower {
        settings,
        identity,
        steadiness,
        glass,
        last_time_s,
        out_of_order,
        frames,
        lost,
    } = follower;
    let mut hold = steadiness.finish(stacked);
    let (mut tracks, stray) = identity.into_tracks(hold.edges_px, frames);
    for track in &mut tracks {
        track.sightings.retain(|s| hold.knows(s.time_s));
    }
    // What a codec does to still lines it does to the hairs, which never move.
    let lasting = tracks
        .iter()
        .flat_map(|track| &track.sightings)
        .map(|s| f64::from(s.lasting_px));
    let lasting_px = super::steadiness::median(lasting.collect());
    let of_codec = lasting_px * lasting_px - OWN_LASTING_PX * OWN_LASTING_PX;
    hold.doubt_hairs(LASTING_IN_HAIRS * of_codec.max(0.0).sqrt());
    let hold = hold;
    let mut cautions = Vec::new();
    let fewest = FEWEST_SIGHTINGS.min(usize::try_from(frames / 2).unwrap_or(1).max(1));
    let (tracks, dropped): (Vec<Track>, Vec<Track>) = tracks
        .into_iter()
        .partition(|t| t.sightings.len() >= fewest);
    let tracks = without_what_stands_still(tracks, &mut cautions);
    let mut lines: Vec<Line> = tracks.into_iter().map(|t| Line::new(t, &hold)).collect();
    let toward = choose_side(&settings, &mut lines, &hold);
    caution_of_the_clip(
        &mut cautions,
        &hold,
        &settings,
        toward,
        (frames, lost, out_of_order),
    );
    if !dropped.is_empty() || stray as f64 > 0.2 * frames as f64 {
        cautions.push((
            "short-sightings".to_owned(),
            format!(
                "What was seen in fewer than {fewest} frames ({} such) or only once ({stray}) was not taken for a line; if a faint line is missing, make the slit wider or the exposure longer.",
                dropped.len()
            ),
        ));
    }
    all_together(&mut lines, toward);
    let mut answers: Vec<(FollowedLine, Vec<TurningPoint>)> = lines
        .into_iter()
        .map(|line| {
            line.answer(
                &hold,
                &glass,
                toward,
                last_time_s.unwrap_or(0.0),
                &mut cautions,
            )
        })
        .collect();
    answers.sort_by(|a, b| a.0.x_px.total_cmp(&b.0.x_px));
    let mut sweep = Sweep {
        toward,
        cross_hairs: hold.cross_hairs.clone(),
        lines: Vec::with_capacity(answers.len()),
        turning_points: Vec::new(),
        cautions: Vec::new(),
    };
    for (k, (mut line, mut points)) in answers.into_iter().enumerate() {
        line.line = k + 1;
        for point in &mut points {
            point.line = k + 1;
        }
        sweep.lines.push(line);
        sweep.turning_points.append(&mut points);
    }
    sweep
        .turning_points
        .sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    sweep.cautions = cautions;
    sweep
}

fn caution_of_the_clip(
    cautions: &mut Vec<(String, String)>,
    hold: &Hold,
    settings: &Settings,
    toward: Option<Side>,
    (frames, lost, out_of_order): (u64, u64, u64),
) {
    let mut say = |code: &str, sentence: String| cautions.push((code.to_owned(), sentence));
    if hold.cross_hairs.is_none() {
        say(
            "no-cross-hairs",
            "No cross-hairs were seen, so positions have no offset: light the field a little and focus the eyepiece on the hairs.".to_owned(),
        );
    }
    if hold.kept > MUCH_KEPT {
        say(
            "strong-compression",
            "Much of the picture stays the same from frame to frame, as strong compression leaves it, and lines that turn slowly are drawn late; the uncertainties allow for it, but record with a higher bit rate or as motion JPEG.".to_owned(),
        );
    }
    if hold.stretches.len() > 1 {
        let times: Vec<String> = hold
            .stretches
            .iter()
            .skip(1)
            .map(|s| format!("{:.2} s", s.from_s))
            .collect();
        say(
            "camera-moved",
            format!(
                "The picture jumped at {}: the camera was knocked; frames of which nobody knows on which side of the knock they lie are left out, positions are given in the frame of reference of the longest stretch, and a steadier mount would spare the correction.",
                times.join(", ")
            ),
        );
    }
    if lost > 0 {
        say(
            "frames-lost",
            format!(
                "{lost} frame(s) could not be read beside {frames} that could; look at the cable or the file."
            ),
        );
    }
    if out_of_order > 0 {
        say(
            "times-out-of-order",
            format!(
                "{out_of_order} frame(s) were left out because their time did not rise; the source's time stamps are at fault."
            ),
        );
    }
    if settings.toward.is_none()
        && let Some(side) = toward
    {
        let name = name_of(side);
        say(
            "side-inferred",
            format!(
                "The central image is taken to lie on the {name} because the lines turn there; give the side if you know it."
            ),
        );
    }
}

fn name_of(side: Side) -> &'static str {
    match side {
        Side::Left => "left",
        Side::Right => "right",
    }
}

/// Measures the passes on the given side, or on the side on which the lines turn as at minimum deviation; none of lines at rest.
fn choose_side(settings: &Settings, lines: &mut [Line], hold: &Hold) -> Option<Side> {
    if settings.at_rest {
        return settings.toward;
    }
    if let Some(side) = settings.toward {
        let found = measured(settings, lines, &[side], hold);
        weigh(lines, side, found.into_iter().flatten().collect());
        return Some(side);
    }
    let mut best: Option<(Side, f64, Vec<Vec<Candidate>>)> = None;
    let sides = [Side::Left, Side::Right];
    let found = measured(settings, lines, &sides, hold);
    for (side, found) in sides.into_iter().zip(found) {
        weigh(lines, side, found);
        let total: f64 = lines
            .iter()
            .filter_map(|l| {
                l.candidates
                    .iter()
                    .filter(|c| c.end.is_ok())
                    .map(|c| c.odds)
                    .min_by(f64::total_cmp)
            })
            .map(|odds| odds.min(1.0))
            .sum();
        let any = lines.iter().any(|l| !l.candidates.is_empty());
        let candidates = lines
            .iter_mut()
            .map(|l| std::mem::take(&mut l.candidates))
            .collect();
        if any && best.as_ref().is_none_or(|b| total < b.1) {
            best = Some((side, total, candidates));
        }
    }
    let (side, _, candidates) = best?;
    for (line, found) in lines.iter_mut().zip(candidates) {
        line.candidates = found;
    }
    let counted = lines
        .iter()
        .any(|l| l.candidates.iter().any(Candidate::counts));
    counted.then_some(side)
}

/// Every pass of every line on each of the sides, measured: by side and line. As many threads as there are cores share them.
fn measured(
    settings: &Settings,
    lines: &[Line],
    sides: &[Side],
    hold: &Hold,
) -> Vec<Vec<Vec<Candidate>>> {
    let usual_u_px = median(
        lines
            .iter()
            .map(|l| median(l.course.u_px.clone()))
            .collect(),
    );
    let mut all: Vec<Vec<Vec<Candidate>>> = sides
        .iter()
        .map(|_| lines.iter().map(|_| Vec::new()).collect())
        .collect();
    let jobs = sides
        .iter()
        .zip(&mut all)
        .flat_map(|(side, found)| lines.iter().zip(found).map(move |of| (*side, of)));
    let jobs = Mutex::new(jobs);
    let next = || jobs.lock().ok().and_then(|mut jobs| jobs.next());
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..cores.min(sides.len() * lines.len()) {
            scope.spawn(|| {
                while let Some((side, (line, found))) = next() {
                    *found = reversals::passes(&line.course, &line.extremes, side)
                        .into_iter()
                        .map(|pass| line.measure(pass, side, settings, hold, usual_u_px))
                        .collect();
                }
            });
        }
    });
    all
}

/// Weighs the evidence for each pass on a side.
fn weigh(lines: &mut [Line], side: Side, candidates: Vec<Vec<Candidate>>) {
    for (line, candidates) in lines.iter_mut().zip(candidates) {
        line.candidates = candidates;
    }
    // Other lines: moments of their turns.
    let moments: Vec<Vec<Option<Moment>>> = lines
        .iter()
        .map(|l| {
            l.candidates
                .iter()
                .map(|c| c.end.as_ref().ok().map(|t| Moment::of(t, c.x_px)))
                .collect()
        })
        .collect();
    for (k, line) in lines.iter_mut().enumerate() {
        for (c, candidate) in line.candidates.iter_mut().enumerate() {
            let Some(Some(own)) = moments.get(k).and_then(|m| m.get(c)).copied() else {
                continue;
            };
            let sum: f64 = moments
                .iter()
                .enumerate()
                .filter(|(other, _)| *other != k)
                .filter_map(|(_, m)| {
                    m.iter()
                        .flatten()
                        .min_by(|a, b| {
                            (a.time_s - own.time_s)
                                .abs()
                                .total_cmp(&(b.time_s - own.time_s).abs())
                        })
                        .copied()
                })
                .map(|other| classify::from_two(own, other))
                .sum();
            candidate.others = sum.clamp(-10.0, 10.0);
            candidate.odds += candidate.others;
        }
        line.compare_passes(side);
    }
}

/// Measures the lines that turned in one pass together, where they did so one after another.
fn all_together(lines: &mut [Line], toward: Option<Side>) {
    let Some(side) = toward else { return };
    let sign = sign_of(side);
    let mut left: Vec<(usize, usize)> = lines
        .iter()
        .enumerate()
        .flat_map(|(k, line)| (0..line.candidates.len()).map(move |c| (k, c)))
        .filter(|(k, c)| lines[*k].candidates[*c].counts())
        .collect();
    left.sort_by(|a, b| {
        let time = |at: &(usize, usize)| lines[at.0].candidates[at.1].time_s;
        time(a).total_cmp(&time(b))
    });
    while !left.is_empty() {
        let mut group = vec![left.remove(0)];
        left.retain(|at| {
            let other = group.iter().all(|g| g.0 != at.0);
            let joins = other && lines[group[0].0].same_pass(group[0].1, &lines[at.0], at.1);
            if joins {
                group.push(*at);
            }
            !joins
        });
        let turns: Vec<&Turn> = group
            .iter()
            .filter_map(|(k, c)| lines[*k].candidates[*c].end.as_ref().ok())
            .collect();
        if turns.len() < 2 {
            continue;
        }
        let Some(found) = together::one_pass(&turns) else {
            continue;
        };
        let believed = group.into_iter().enumerate().zip(found.believed);
        for ((of_line, (k, c)), _) in believed.filter(|of| of.1) {
            let candidate = &mut lines[k].candidates[c];
            candidate.alone = false;
            candidate.take(&found.cells, of_line, sign);
            let mean = together::all_passes(&[candidate.measured()]);
            (candidate.x_px, candidate.u_px) = (mean.x_px, mean.u_px);
        }
    }
}

impl Candidate {
    /// Takes what is known of the turning point of a line, one of those that `cells` tell of.
    fn take(&mut self, cells: &[Option<Given>], line: usize, sign: f64) {
        let shift_variance = self.shift_variance;
        self.cells = cells
            .iter()
            .map(|cell| {
                let given = cell.as_ref()?;
                let (place, variance) = given.lines.get(line)?;
                Some((given.minus_two_log, sign * place, variance + shift_variance))
            })
            .collect();
    }

    fn measured(&self) -> Measured {
        Measured {
            x_px: self.x_px,
            u_px: self.u_px,
            lasting_px: self.lasting_px,
            alone: self.alone,
            cells: self.cells.clone(),
        }
    }

    fn counts(&self) -> bool {
        self.end.is_ok() && self.odds < 0.0
    }

    fn why(&self, side: Side, alone: bool) -> String {
        let name = name_of(side);
        match &self.end {
            Err(Refusal::TooFew) => {
                "Not counted: too few good frames on one side of the reversal to measure it; let the clip run on.".to_owned()
            }
            Err(Refusal::NoFit) => {
                "Not counted: the line's course here is too broken to be measured.".to_owned()
            }
            Err(Refusal::Dark) => {
                "Not counted: the line was not seen while it turned, so the place is unknown; keep the light on the slit and go through again.".to_owned()
            }
            Err(Refusal::Left) => {
                "Not counted: the line turned outside the field of view; move the telescope so that the turning point lies inside.".to_owned()
            }
            Ok(_) if self.odds < 0.0 => {
                let sure = if self.odds < -5.0 {
                    "almost surely"
                } else if self.odds < -2.0 {
                    "very likely"
                } else {
                    "more likely than not"
                };
                let reason = if self.agrees {
                    "it came back to the same place in another pass"
                } else if self.others < -3.0 {
                    "the lines turned one after another while the table went on"
                } else {
                    "it turned smoothly while the hand seems to have gone on"
                };
                let advice = if alone {
                    "; a second pass would decide"
                } else {
                    ""
                };
                format!("Counted: {sure} minimum deviation, since the line turned on the {name}, toward the central image, and {reason}{advice}.")
            }
            Ok(_) => match self.short_px {
                Some(short) => format!(
                    "Not counted: the hand turned back {short:.1} px before the place that the line reached in another pass."
                ),
                None if self.others > 3.0 => {
                    "Not counted: all lines turned at the same instant, so it was the hand that turned back; go on in one direction until the line comes back by itself.".to_owned()
                }
                None => {
                    "Not counted: the line turned at speed as when the hand turns back; go on in one direction until the line comes back by itself.".to_owned()
                }
            },
        }
    }
}

/// Frames in which a line stood this close to its turning point decide about it, px.
/// What moves by less while a line moves by more than the second is no line, px.
const STANDS_WITHIN_PX: f64 = 1.0;
const MOVES_BY_PX: f64 = 15.0;
/// The middle of the field of view, at whose height lines are told where no hairs are, is known to this, px (found on 75 simulated frames:
/// 0.27 px rms).
const FIELD_HEIGHT_PX: f64 = 0.4;
const LASTING_REACH_PX: f64 = 1.5;

impl Line {
    fn new(track: Track, hold: &Hold) -> Self {
        let main = hold.main().cloned();
        let mut course = Course::default();
        let mut slopes = 0.0;
        for s in &track.sightings {
            let height = match (hold.by_hairs, hold.stretch_at(s.time_s)) {
                (true, Some(stretch)) => stretch.y_px,
                _ => f64::from(s.y_ref_px),
            };
            let (x, u) = s.at_height(height);
            let shift = match (&main, hold.stretch_at(s.time_s)) {
                (Some(main), Some(stretch)) => main.x_px - stretch.x_px,
                _ => 0.0,
            };
            // A hair across the axis, or clipped pixels: position less sure than stated.
            let doubt = if s.saturated || s.under_hair {
                1.3
            } else {
                1.0
            };
            course.time_s.push(s.time_s);
            course.x_px.push(x + shift);
            course.u_px.push(u * doubt);
            slopes += f64::from(s.slope);
        }
        let steps = course.time_s.windows(2).map(|w| w[1] - w[0]).collect();
        Self {
            slope: slopes / track.sightings.len().max(1) as f64,
            extremes: course.extremes(),
            noise_px: course.noise_px(),
            usual_interval_s: super::steadiness::median(steps),
            course,
            track,
            candidates: Vec::new(),
        }
    }

    /// What the shade of a hair and a lopsided profile leave where the line stood at `x_px`: the mean over the frames near
    /// there, px, but for what noise feigns now and then.
    fn lasting_near(&self, x_px: f64) -> f64 {
        let places = self.course.x_px.iter().zip(&self.track.sightings);
        let near = places.filter(|(x, _)| (**x - x_px).abs() < LASTING_REACH_PX);
        let lasting: Vec<f64> = near.map(|(_, s)| f64::from(s.lasting_px)).collect();
        let mean = lasting.iter().sum::<f64>() / lasting.len().max(1) as f64;
        (mean * mean - OWN_LASTING_PX * OWN_LASTING_PX)
            .max(0.0)
            .sqrt()
    }

    /// What a codec that leaves standing what changes little does to the line where it turned at `x_px`, as a standard uncertainty, px: it
    /// draws it late, short of its turning point.
    fn kept_px(&self, x_px: f64, hold: &Hold) -> f64 {
        let places = self.course.x_px.iter().zip(&self.course.u_px);
        let near = places.filter(|(x, _)| (**x - x_px).abs() < LASTING_REACH_PX);
        KEPT_IN_U * hold.kept * median(near.map(|(_, u)| *u).collect())
    }

    /// Whether a pass of this line and one of another were made in one movement of the hand: each turned while the other was seen in its pass.
    fn same_pass(&self, own: usize, other: &Self, of_other: usize) -> bool {
        let (Some(a), Some(b)) = (self.candidates.get(own), other.candidates.get(of_other)) else {
            return false;
        };
        let within = |line: &Self, candidate: &Candidate, time_s: f64| {
            let time = &line.course.time_s;
            let last = candidate.pass.to.min(time.len().saturating_sub(1));
            time_s > time[candidate.pass.from] && time_s < time[last]
        };
        within(self, a, b.time_s) && within(other, b, a.time_s)
    }

    fn gap_limit_s(&self) -> f64 {
        (GAP_INTERVALS * self.usual_interval_s).max(GAP_S)
    }

    fn measure(
        &self,
        pass: Pass,
        side: Side,
        settings: &Settings,
        hold: &Hold,
        usual_u_px: f64,
    ) -> Candidate {
        let sign = sign_of(side);
        let (from, to) = (
            pass.from,
            pass.to.min(self.course.time_s.len().saturating_sub(1)),
        );
        // Across a long absence nothing is known of the hand: only the part about the turn is used.
        let time = &self.course.time_s;
        let absent = |i: &usize| time[*i] - time[*i - 1] > LONG_ABSENCE_S;
        let from = (from + 1..=pass.at).rev().find(absent).unwrap_or(from);
        let to = (pass.at + 1..=to).find(absent).map_or(to, |i| i - 1);
        let samples: Vec<Sample> = (from..=to)
            .map(|i| Sample {
                time_s: self.course.time_s[i],
                y_px: sign * self.course.x_px[i],
                u_px: self.course.u_px[i],
            })
            .collect();
        let (time_s, x_px) = (self.course.time_s[pass.at], self.course.x_px[pass.at]);
        let mut candidate = Candidate {
            pass,
            end: Err(Refusal::NoFit),
            x_px,
            u_px: self.noise_px,
            lasting_px: 0.0,
            u_fit_px: self.noise_px,
            shift_variance: 0.0,
            alone: true,
            cells: Vec::new(),
            time_s,
            odds: 0.0,
            short_px: None,
            agrees: false,
            others: 0.0,
            shape: 0.0,
        };
        if let Some(refusal) = self.turned_unseen(candidate.pass.at, side, hold) {
            candidate.end = Err(refusal);
            return candidate;
        }
        match turning::measure(&samples, time_s, settings.exposure_s, usual_u_px) {
            Err(NoTurn::TooFew) => candidate.end = Err(Refusal::TooFew),
            Err(NoTurn::NoFit) => candidate.end = Err(Refusal::NoFit),
            Ok(turn)
                if turn.gap_s.0 > self.gap_limit_s() && turn.gap_depth_px > 4.0 * self.noise_px =>
            {
                candidate.end = Err(Refusal::Dark);
            }
            Ok(turn) => {
                candidate.shift_variance = hold.shift_variance(turn.time_s);
                candidate.x_px = sign * turn.y0_px;
                candidate.lasting_px = self
                    .lasting_near(candidate.x_px)
                    .hypot(self.kept_px(candidate.x_px, hold));
                candidate.u_px =
                    (turn.u_px.powi(2) + candidate.lasting_px.powi(2) + candidate.shift_variance)
                        .sqrt();
                candidate.u_fit_px = (turn.u_fit_px.powi(2)
                    + candidate.lasting_px.powi(2)
                    + candidate.shift_variance)
                    .sqrt();
                candidate.take(&turn.cells, 0, sign);
                candidate.time_s = turn.time_s;
                candidate.shape = classify::from_shape(&turn, self.noise_px);
                candidate.odds += candidate.shape + classify::from_steadiness(&turn);
                candidate.end = Ok(turn);
            }
        }
        candidate
    }

    /// Whether the extreme is only where the line went out of sight or came into it.
    fn turned_unseen(&self, at: usize, side: Side, hold: &Hold) -> Option<Refusal> {
        let time = &self.course.time_s;
        let limit = self.gap_limit_s();
        let first = at.saturating_sub(2);
        let gap = (first..(at + 2).min(time.len().saturating_sub(1)))
            .find(|i| time[i + 1] - time[*i] > limit)?;
        // At rest on both sides of the gap the line did not turn in it.
        let travelled =
            |a: usize, b: usize| (self.course.x_px[a.min(b)] - self.course.x_px[a.max(b)]).abs();
        let before = travelled(gap.saturating_sub(3), gap);
        let after = travelled(gap + 1, (gap + 4).min(time.len() - 1));
        if before.max(after) < 6.0 * self.noise_px {
            return None;
        }
        Some(
            if self.near_edge(self.course.x_px[gap], hold) == Some(side) {
                Refusal::Left
            } else {
                Refusal::Dark
            },
        )
    }

    fn near_edge(&self, x_px: f64, hold: &Hold) -> Option<Side> {
        let (left, right) = hold.edges_px?;
        let margin = (0.06 * (right - left)).max(2.0 * self.track.log_width.exp());
        if x_px < left + margin {
            Some(Side::Left)
        } else if x_px > right - margin {
            Some(Side::Right)
        } else {
            None
        }
    }

    /// Passes of the line against each other: the same place again, or short of it.
    fn compare_passes(&mut self, side: Side) {
        let sign = sign_of(side);
        let measured: Vec<(usize, f64, f64)> = self
            .candidates
            .iter()
            .enumerate()
            .filter(|(_, c)| c.end.is_ok())
            .map(|(k, c)| (k, sign * c.x_px, c.u_fit_px))
            .collect();
        let Some(&(_, deepest, u_deepest)) = measured.iter().min_by(|a, b| a.1.total_cmp(&b.1))
        else {
            return;
        };
        for &(k, y, u) in &measured {
            let agrees = measured.iter().any(|&(other, y2, u2)| {
                other != k && (y - y2).abs() < (4.0 * u.hypot(u2)).max(0.1)
            });
            let Some(candidate) = self.candidates.get_mut(k) else {
                continue;
            };
            let depth = candidate.pass.depth_px.0.min(candidate.pass.depth_px.1);
            let short = y - deepest;
            if short > (5.0 * u.hypot(u_deepest)).max(0.3) {
                if short < CREEP_PX && candidate.shape < -1.0 {
                    // It turned as at minimum deviation: then the telescope crept between the passes.
                    continue;
                }
                candidate.odds += if short > 8.0 { 20.0 } else { 3.0 };
                candidate.short_px = Some(short);
            } else if agrees && depth > 20.0 * u {
                candidate.odds -= 6.0;
                candidate.agrees = true;
            }
        }
    }

    fn answer(
        self,
        hold: &Hold,
        glass: &Glass,
        toward: Option<Side>,
        clip_end_s: f64,
        cautions: &mut Vec<(String, String)>,
    ) -> (FollowedLine, Vec<TurningPoint>) {
        let hairs = hold.cross_hairs.as_ref();
        let offset = |x: f64| hairs.map(|h| x - h.x_px);
        let u_hair = hairs.map_or((self.slope * FIELD_HEIGHT_PX).abs(), |h| {
            h.u_x_px.hypot(self.slope * h.u_y_px)
        });
        // A line that hardly moves is coded as hairs are that do not move at all.
        let wander_px = hold.main().map_or(0.0, |main| main.wander_px);
        // On a camera that was knocked lines stand on other pixels than they stood on before.
        let on_glass = |x_px: f64| glass.at(x_px).filter(|_| hold.stretches.len() == 1);
        let counted: Vec<Measured> = self
            .candidates
            .iter()
            .filter(|c| c.counts())
            .map(Candidate::measured)
            .collect();
        let (x_px, u_line, birge) = if counted.is_empty() {
            let (mean, u) = weighted_mean(&self.course.x_px, &self.course.u_px);
            (mean, u, None)
        } else {
            let mean = together::all_passes(&counted);
            let (kept_px, lasting_px) =
                (self.kept_px(mean.x_px, hold), self.lasting_near(mean.x_px));
            let own_px = (mean.u_px.powi(2) - kept_px.powi(2) - lasting_px.powi(2))
                .max(0.0)
                .sqrt();
            let narrower = TOO_WIDE.powf((1.0 - mean.unsteady) * self.noise_left());
            let u_px = (narrower * own_px)
                .hypot(kept_px)
                .hypot(LASTING_IN_TURN * lasting_px);
            let shift = on_glass(mean.x_px);
            (
                mean.x_px + shift.map_or(0.0, |shift| shift.px),
                u_px.hypot(self.same_pixels_px(shift)),
                mean.widened,
            )
        };
        if let Some(factor) = birge {
            cautions.push((
                "passes-disagree".to_owned(),
                format!(
                    "The {} passes of the line at {x_px:.1} px disagree {factor:.1} times more than their uncertainties allow, which were widened by it; check that the telescope is locked and go through again.",
                    counted.len()
                ),
            ));
        }
        let mut points = self.events(hold, toward, clip_end_s);
        for point in &mut points {
            if point.counted
                && let Some(shift) = on_glass(point.x_px)
            {
                point.x_px += shift.px;
                point.u_px = point.u_px.hypot(SEEN_STILL * shift.u_px);
            }
            point.offset_px = offset(point.x_px);
            point.u_px = point.u_px.hypot(u_hair).hypot(wander_px);
        }
        let saturated = self.track.sightings.iter().filter(|s| s.saturated).count();
        if 4 * saturated > self.track.sightings.len() {
            cautions.push((
                "saturated".to_owned(),
                format!("The line at {x_px:.1} px was clipped in {saturated} frames; shorten the exposure or narrow the slit."),
            ));
        }
        for turn in self.candidates.iter().filter_map(|c| c.end.as_ref().ok()) {
            if turn.noise_scale > 2.0 || 8 * turn.bad_frames > turn.g.len() {
                cautions.push((
                    "unsteady-positions".to_owned(),
                    format!(
                        "At about {:.1} s the line at {x_px:.1} px scatters {:.1} times as much as single frames promise{}; the uncertainty allows for it, but look for a table that moves in jerks, shake, flicker or strong compression.",
                        turn.time_s,
                        turn.noise_scale,
                        match turn.bad_frames {
                            0 => String::new(),
                            1 => ", and one frame was left out as bad".to_owned(),
                            bad => format!(", and {bad} frames were left out as bad"),
                        }
                    ),
                ));
            }
        }
        let track = self
            .track
            .sightings
            .iter()
            .enumerate()
            .map(|(i, s)| TrackPoint {
                frame: s.frame,
                time_s: s.time_s,
                x_px: self.course.x_px[i],
                u_px: self.course.u_px[i],
                offset_px: offset(self.course.x_px[i]),
                level: f64::from(s.level),
                saturated: s.saturated,
            })
            .collect();
        let line = FollowedLine {
            line: 0,
            turned: !counted.is_empty(),
            passes: counted.len(),
            x_px,
            offset_px: offset(x_px),
            u_px: u_line.hypot(u_hair).hypot(wander_px),
            track,
        };
        (line, points)
    }

    /// 0 where the fit of a pass leaves the frames next to no noise, up to 1: then what they scatter was taken for tremor of the hand, and
    /// the fit is surer of the hand's course than it may be.
    fn noise_left(&self) -> f64 {
        let turns = self.candidates.iter().filter(|c| c.counts());
        let least = turns
            .filter_map(|turn| turn.end.as_ref().ok())
            .map(|turn| turn.noise_scale)
            .fold(f64::INFINITY, f64::min);
        ((least - TREMOR_TOOK) / (TREMOR_LEFT - TREMOR_TOOK)).clamp(0.0, 1.0)
    }

    /// What all passes have in common since the line turns on the same pixels, px, as a standard uncertainty of its turning point; `shift`:
    /// what its rows say of them.
    fn same_pixels_px(&self, shift: Option<Shift>) -> f64 {
        let turns = self.candidates.iter().filter(|c| c.counts());
        let of_frames: Vec<f64> = turns
            .flat_map(|turn| {
                let about = |time_s: &f64| (time_s - turn.time_s).abs() < ABOUT_TURN_S;
                let frames = self.course.time_s.iter().zip(&self.course.u_px);
                frames
                    .filter(move |(time_s, _)| about(time_s))
                    .map(|f| *f.1)
            })
            .collect();
        if of_frames.is_empty() {
            return LEAST_U_PX;
        }
        let usual_px = median(of_frames);
        let specks = SPECKS.powi(2) + FIXED_PATTERN.powi(2) * self.fixed_share();
        let of_rows = shift.map_or(UNSEEN * usual_px, |shift| shift.u_px);
        LEAST_U_PX
            .hypot(specks.sqrt() * usual_px)
            .hypot(SEEN_STILL * of_rows)
    }

    /// Share of fixed-pattern noise in the variance of the pixels about the line; the usual one where too few were compared.
    fn fixed_share(&self) -> f64 {
        let sightings = self.track.sightings.iter();
        let all = sightings.fold(FixedPattern::default(), |all, s| all.with(s.fixed_pattern));
        all.share().unwrap_or(USUAL_SHARE)
    }

    /// All reversals and other ends of motion, by time.
    fn events(&self, hold: &Hold, toward: Option<Side>, clip_end_s: f64) -> Vec<TurningPoint> {
        let mut points: Vec<TurningPoint> = Vec::new();
        let point = |time_s, x_px, u_px, counted, why| TurningPoint {
            line: 0,
            time_s,
            x_px,
            offset_px: None,
            u_px,
            counted,
            why,
        };
        let passes = self.candidates.iter().filter(|c| c.counts()).count();
        let side = toward.unwrap_or(Side::Left);
        for candidate in &self.candidates {
            points.push(point(
                candidate.time_s,
                candidate.x_px,
                candidate.u_px,
                candidate.counts(),
                candidate.why(side, passes < 2),
            ));
        }
        let range = self
            .course
            .x_px
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |r, x| {
                (r.0.min(*x), r.1.max(*x))
            });
        let least = (0.04 * (range.1 - range.0)).max(3.0);
        for extreme in &self.extremes {
            let on_toward = toward == Some(extreme.side) && !self.candidates.is_empty();
            if on_toward || extreme.depth_px.0.min(extreme.depth_px.1) < least {
                continue;
            }
            let time_s = self.course.time_s[extreme.at];
            let why = match self.turned_unseen(extreme.at, extreme.side, hold) {
                Some(Refusal::Left) => format!(
                    "Not counted: the line left the field of view on the {} and came back.",
                    name_of(extreme.side)
                ),
                Some(_) => "Not counted: the line was not seen while it turned.".to_owned(),
                None if toward.is_some() => format!(
                    "Not counted: the line turned on the {}, away from the central image, so it was the hand that turned back.",
                    name_of(extreme.side)
                ),
                None => "Not counted: the line turned at speed as when the hand turns back; go on in one direction until the line comes back by itself.".to_owned(),
            };
            points.push(point(time_s, extreme.x_px, self.noise_px, false, why));
        }
        if let (Some(&time_s), Some(&x_px)) = (self.course.time_s.last(), self.course.x_px.last())
            && clip_end_s - time_s > self.gap_limit_s()
        {
            let why = match self.near_edge(x_px, hold) {
                Some(side) => format!(
                    "Not counted: the line left the field of view on the {} and was not seen again.",
                    name_of(side)
                ),
                None => "Not counted: the line went out of sight here and was not seen again; look whether the light was shaded.".to_owned(),
            };
            points.push(point(time_s, x_px, self.noise_px, false, why));
        }
        points.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
        points
    }
}

/// Lines move when the table turns; what stands still meanwhile is the rim of a hair, dust or light that goes past the prism.
fn without_what_stands_still(
    tracks: Vec<Track>,
    cautions: &mut Vec<(String, String)>,
) -> Vec<Track> {
    let span = |track: &Track, from_s: f64, to_s: f64| {
        track
            .sightings
            .iter()
            .filter(|s| s.time_s >= from_s && s.time_s <= to_s)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), s| {
                (low.min(s.x_px), high.max(s.x_px))
            })
    };
    let stands: Vec<bool> = tracks
        .iter()
        .map(|track| {
            let (Some(first), Some(last)) = (track.sightings.first(), track.sightings.last())
            else {
                return false;
            };
            let (low, high) = span(track, first.time_s, last.time_s);
            high - low < STANDS_WITHIN_PX
                && tracks.iter().any(|other| {
                    let (low, high) = span(other, first.time_s, last.time_s);
                    high - low > MOVES_BY_PX
                })
        })
        .collect();
    let mut stands = stands.into_iter();
    let (still, moving): (Vec<Track>, Vec<Track>) = tracks
        .into_iter()
        .partition(|_| stands.next().unwrap_or(false));
    if let Some(track) = still.first() {
        let x_px = track.sightings.first().map_or(0.0, |s| s.x_px);
        cautions.push((
            "stands-still".to_owned(),
            format!("What is at {x_px:.0} px stood still while lines moved and was not taken for a line: a hair, dust, or light that goes past the prism."),
        ));
    }
    moving
}
