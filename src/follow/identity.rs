//! Which line is which, from frame to frame.
//!
//! Every line is predicted from its recent motion; sightings are given to lines so that the sum of
//! squared misfits of position, width, light and tilt is least over all of them together (the
//! assignment problem, solved exactly), with a price for leaving a line unseen or a sighting new.
//! A sighting becomes a line only if it is seen again at once; a line may be unseen for some time.

use super::steadiness::median;
use super::{LineProgress, Side, State, order};
use crate::find::{FixedPattern, Line};

/// What is kept of one sighting of a line.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sighting {
    pub(super) frame: u64,
    pub(super) time_s: f64,
    /// Position at `y_ref_px`, px.
    pub(super) x_px: f64,
    pub(super) y_ref_px: f32,
    /// dx/dy and d²x/dy² at `y_ref_px`.
    pub(super) slope: f32,
    pub(super) curvature_per_px: f32,
    /// Upper triangle of the covariance of the three: xx, xs, xc, ss, sc, cc.
    pub(super) covariance: [f32; 6],
    pub(super) level: f32,
    pub(super) saturated: bool,
    pub(super) under_hair: bool,
    /// What the shade of a hair leaves, the same in every frame, px; not in the covariance.
    pub(super) lasting_px: f32,
    pub(super) fixed_pattern: FixedPattern,
}

impl Sighting {
    fn of(line: &Line, frame: u64, time_s: f64) -> Self {
        let c = &line.covariance;
        let variance = if c[0][0] > 0.0 && c[0][0].is_finite() {
            c[0][0]
        } else {
            line.u_px * line.u_px
        };
        let variance = (variance - line.lasting_px * line.lasting_px).max(0.01 * variance);
        Self {
            frame,
            time_s,
            x_px: line.x_px,
            y_ref_px: line.y_ref_px as f32,
            slope: line.tilt_deg.to_radians().tan() as f32,
            curvature_per_px: line.curvature_per_px as f32,
            covariance: [variance, c[0][1], c[0][2], c[1][1], c[1][2], c[2][2]].map(|v| v as f32),
            level: line.peak_level as f32,
            saturated: line.saturated,
            under_hair: line.under_hair,
            lasting_px: line.lasting_px as f32,
            fixed_pattern: line.fixed_pattern,
        }
    }

    /// Position and its standard uncertainty at another height, px.
    pub(super) fn at_height(&self, y_px: f64) -> (f64, f64) {
        let d = y_px - f64::from(self.y_ref_px);
        let (s, c) = (f64::from(self.slope), f64::from(self.curvature_per_px));
        let x = self.x_px + s * d + 0.5 * c * d * d;
        let v = self.covariance.map(f64::from);
        let h = 0.5 * d * d;
        let variance =
            v[0] + d * d * v[3] + h * h * v[5] + 2.0 * (d * v[1] + h * v[2] + d * h * v[4]);
        (x, variance.max(0.25 * v[0]).max(1e-8).sqrt())
    }
}

/// A line with all its sightings.
#[derive(Clone, Debug)]
pub(super) struct Track {
    pub(super) sightings: Vec<Sighting>,
    /// Usual width, px, and light, levels: slowly forgetting means of their logarithms.
    pub(super) log_width: f64,
    pub(super) log_flux: f64,
    tilt_deg: f64,
    x_px: f64,
    pub(super) velocity_px_s: f64,
    /// Time of the last sighting, s.
    pub(super) seen_s: f64,
    reach: Reach,
    /// Whether the last sighting was far from where the line was expected.
    surprised: bool,
    /// The frame and place of its first sighting: no two tracks begin alike, so these name it while the clip runs.
    name: (u64, u64),
}

/// Farthest reach to both sides since the line last came back, for showing progress.
#[derive(Clone, Copy, Debug)]
struct Reach {
    low_px: f64,
    high_px: f64,
    heading: Option<Side>,
    turned_at_px: Option<f64>,
}

/// Sightings after which a track counts as a line while the clip runs.
pub(super) const SEEN_TO_BE_A_LINE: usize = 4;
/// How long a line may be unseen and still be awaited, s.
const LONGEST_GAP_S: f64 = 4.0;
/// How long a sighting may wait for its second and third, s, and in frames.
const PATIENCE_S: f64 = 0.12;
const PATIENCE_FRAMES: u64 = 3;
/// A track with a longer usual step between sightings, or a larger usual bend, is no line.
const MOST_STEP_FRAMES: f64 = 2.5;
const MOST_BEND_PX: f64 = 2.5;
/// Frames after which the tracks are looked through for two of one line.
const FRAMES_BETWEEN_JOINS: u64 = 12;
/// Frames in which one line may have been taken for two, in all.
const MOST_SEEN_TWICE: usize = 3;
/// Price, in squared standard deviations, of a line unseen or of a sighting that belongs to none.
const PRICE_OF_NONE: f64 = 18.0;

/// How far from where it is expected a line is looked for, and up to where the misfit grows with the square, standard deviations.
const FARTHEST_IN_SD: f64 = 12.0;
const USUAL_IN_SD: f64 = 5.0;

/// Gives sightings to lines, frame by frame.
#[derive(Clone, Debug, Default)]
pub(super) struct Identity {
    pub(super) open: Vec<Track>,
    pub(super) closed: Vec<Track>,
    /// Sightings that never became a line.
    pub(super) stray: u64,
    /// Frames taken so far.
    steps: u64,
}

impl Identity {
    /// Takes the lines of one frame; `jump_px` is a jump of the whole picture since the frame before.
    pub(super) fn step(&mut self, frame: u64, time_s: f64, lines: &[Line], jump_px: f64) {
        if jump_px != 0.0 {
            for track in &mut self.open {
                track.x_px += jump_px;
            }
        }
        let lines: Vec<&Line> = lines
            .iter()
            .filter(|l| {
                l.x_px.is_finite()
                    && l.y_ref_px.is_finite()
                    && l.tilt_deg.is_finite()
                    && l.curvature_per_px.is_finite()
                    && l.u_px.is_finite()
                    && l.u_px > 0.0
            })
            .collect();
        let given = self.assign(time_s, &lines);
        let common_velocity = self.common_velocity_px_s();
        for (line, owner) in lines.iter().zip(given) {
            match owner.and_then(|k| self.open.get_mut(k)) {
                Some(track) => track.extend(line, frame, time_s),
                None => self
                    .open
                    .push(Track::begin(line, frame, time_s, common_velocity)),
            }
        }
        order::keep(&mut self.open, frame);
        let mut still_open = Vec::with_capacity(self.open.len());
        for track in self.open.drain(..) {
            let unseen_s = time_s - track.seen_s;
            let last_frame = track.sightings.last().map_or(0, |s| s.frame);
            let tentative = track.sightings.len() < SEEN_TO_BE_A_LINE;
            let since = frame.saturating_sub(track.sightings.first().map_or(0, |s| s.frame)) as f64;
            let seldom = track.sightings.len() < 15
                && unseen_s > PATIENCE_S
                && (track.sightings.len() as f64) < 0.35 * since;
            let given_up = tentative
                && unseen_s > PATIENCE_S
                && frame.saturating_sub(last_frame) > PATIENCE_FRAMES;
            if seldom || given_up {
                self.stray += track.sightings.len() as u64;
            } else if unseen_s > LONGEST_GAP_S {
                self.closed.push(track);
            } else {
                still_open.push(track);
            }
        }
        self.open = still_open;
        self.steps += 1;
        if self.steps.is_multiple_of(FRAMES_BETWEEN_JOINS) && self.open.len() > 1 {
            // Two tracks of one line take its sightings from each other: they are made one before long.
            let (lines, young): (Vec<Track>, Vec<Track>) = self
                .open
                .drain(..)
                .partition(|t| t.sightings.len() >= SEEN_TO_BE_A_LINE);
            self.open = join(lines, None);
            self.open.extend(young);
        }
    }

    /// All tracks that are lines, pieces of one line joined.
    pub(super) fn into_tracks(
        mut self,
        edges_px: Option<(f64, f64)>,
        frames: u64,
    ) -> (Vec<Track>, u64) {
        let fewest = SEEN_TO_BE_A_LINE.min(usize::try_from(frames.div_ceil(2)).unwrap_or(1));
        let mut stray = self.stray;
        let mut tracks: Vec<Track> = self.closed.drain(..).chain(self.open.drain(..)).collect();
        tracks.retain(|t| {
            let keep = t.sightings.len() >= fewest && t.is_steady();
            if !keep {
                stray += t.sightings.len() as u64;
            }
            keep
        });
        (join(tracks, edges_px), stray)
    }

    fn common_velocity_px_s(&self) -> f64 {
        let mut velocities: Vec<f64> = self
            .open
            .iter()
            .filter(|t| t.sightings.len() >= SEEN_TO_BE_A_LINE)
            .map(|t| t.velocity_px_s)
            .collect();
        velocities.sort_by(f64::total_cmp);
        velocities.get(velocities.len() / 2).copied().unwrap_or(0.0)
    }

    fn assign(&self, time_s: f64, lines: &[&Line]) -> Vec<Option<usize>> {
        let (n, m) = (lines.len(), self.open.len());
        if n == 0 || m == 0 {
            return vec![None; n];
        }
        // Rows: sightings, then one "unseen" for every track. Columns: tracks, then one "new" for every sighting.
        let size = n + m;
        let mut cost = vec![vec![0.0; size]; size];
        for (i, row) in cost.iter_mut().enumerate() {
            for (j, value) in row.iter_mut().enumerate() {
                *value = match (lines.get(i), self.open.get(j)) {
                    (Some(line), Some(track)) => track.misfit(line, time_s),
                    (Some(_), None) | (None, Some(_)) => PRICE_OF_NONE,
                    (None, None) => 0.0,
                };
            }
        }
        least_assignment(&cost)
            .into_iter()
            .take(n)
            .map(|j| (j < m).then_some(j))
            .collect()
    }
}

impl Track {
    fn begin(line: &Line, frame: u64, time_s: f64, velocity_px_s: f64) -> Self {
        Self {
            sightings: vec![Sighting::of(line, frame, time_s)],
            log_width: line.width_px.max(0.1).ln(),
            log_flux: line.flux.max(1e-6).ln(),
            tilt_deg: line.tilt_deg,
            x_px: line.x_px,
            velocity_px_s,
            seen_s: time_s,
            reach: Reach {
                low_px: line.x_px,
                high_px: line.x_px,
                heading: None,
                turned_at_px: None,
            },
            surprised: false,
            name: (frame, line.x_px.to_bits()),
        }
    }

    fn extend(&mut self, line: &Line, frame: u64, time_s: f64) {
        let dt = (time_s - self.seen_s).max(1e-4);
        let ahead_px = self.ahead_px(dt);
        let miss = (line.x_px - ahead_px) / self.reach_px(line, dt);
        let fresh = self.sightings.len() < 3 || dt > 0.5 || self.surprised;
        if miss.abs() > 2.5 && !fresh {
            // One sighting far off may be a bad frame: believe half of it, and the next one wholly.
            self.x_px = 0.5 * (ahead_px + line.x_px);
            self.surprised = true;
        } else {
            let new_velocity = (line.x_px - self.x_px) / dt;
            let gain = if self.sightings.len() == 1 || dt > 0.5 {
                1.0
            } else {
                0.5
            };
            self.velocity_px_s += gain * (new_velocity - self.velocity_px_s);
            self.x_px = line.x_px;
            self.surprised = false;
        }
        self.seen_s = time_s;
        self.log_width += 0.1 * (line.width_px.max(0.1).ln() - self.log_width);
        self.log_flux += 0.2 * (line.flux.max(1e-6).ln() - self.log_flux);
        self.tilt_deg += 0.1 * (line.tilt_deg - self.tilt_deg);
        self.sightings.push(Sighting::of(line, frame, time_s));
        self.reach.extend(line.x_px, 0.8 + 8.0 * line.u_px);
    }

    /// Exchanges what two tracks saw after a frame, and with it where they are expected; each keeps its name.
    pub(super) fn exchange_after(&mut self, other: &mut Track, frame: u64) {
        let after = |track: &mut Track| {
            let at = track.sightings.partition_point(|s| s.frame <= frame);
            track.sightings.split_off(at)
        };
        let (own, others) = (after(self), after(other));
        self.sightings.extend(others);
        other.sightings.extend(own);
        std::mem::swap(&mut self.x_px, &mut other.x_px);
        std::mem::swap(&mut self.velocity_px_s, &mut other.velocity_px_s);
        std::mem::swap(&mut self.seen_s, &mut other.seen_s);
        std::mem::swap(&mut self.surprised, &mut other.surprised);
    }

    /// What to show of the line at this moment.
    pub(super) fn progress(&self, time_s: f64, hairs: Option<f64>) -> Option<LineProgress> {
        let last = self.sightings.last()?;
        let state = if last.time_s < time_s {
            State::Lost
        } else if self.reach.turned_at_px.is_some() {
            State::Turned
        } else if self.reach.heading.is_some() {
            State::Approaching
        } else {
            State::Searching
        };
        Some(LineProgress {
            x_px: last.x_px,
            offset_px: hairs.map(|x| last.x_px - x),
            velocity_px_s: self.velocity_px_s,
            name: self.name,
            turned_at_px: self.reach.turned_at_px,
            state,
        })
    }

    /// Expected position after `dt` seconds, px.
    fn ahead_px(&self, dt: f64) -> f64 {
        self.x_px + self.velocity_px_s * dt.min(0.3)
    }

    /// Standard deviation of the expected position, px: the hand may change its speed, by up to about
    /// 600 px/s² at once and by a third in the long run. Common practice, no source.
    fn reach_px(&self, line: &Line, dt: f64) -> f64 {
        let young = if self.sightings.len() < 3 {
            80.0 * dt.min(0.2)
        } else {
            0.0
        };
        let unsettled = if self.surprised { 1.5 } else { 0.0 };
        0.3 + 2.0 * line.u_px
            + (300.0 * dt * dt).min(25.0)
            + 0.35 * self.velocity_px_s.abs() * dt.min(1.5)
            + unsettled
            + young
    }

    /// Squared misfit of a sighting to what is expected of the line; very large beyond reach.
    fn misfit(&self, line: &Line, time_s: f64) -> f64 {
        let dt = (time_s - self.seen_s).max(1e-4);
        let ahead = self.ahead_px(dt);
        let sd = self.reach_px(line, dt);
        let newcomer = if self.sightings.len() < 10 { 4.0 } else { 0.0 };
        let position = ((line.x_px - ahead) / sd).abs();
        if position > FARTHEST_IN_SD {
            return 1e6;
        }
        // A hand that lets go of a sticking table goes farther than usual: unlikely, but likelier than a line that ends
        // here and another like it that begins there.
        let usual = position.min(USUAL_IN_SD);
        let place = usual * usual + (position - usual);
        let width = (line.width_px.max(0.1).ln() - self.log_width) / 0.35;
        let flux = (line.flux.max(1e-6).ln() - self.log_flux) / 0.8;
        let tilt = (line.tilt_deg - self.tilt_deg) / 4.0;
        // A line of which little is known yet must not take the sightings of one that is well known.
        place
            + 2.0 * sd.ln()
            + newcomer
            + (width * width).min(9.0)
            + (flux * flux).min(6.0)
            + (tilt * tilt).min(4.0)
    }
}

impl Reach {
    fn extend(&mut self, x_px: f64, threshold_px: f64) {
        self.low_px = self.low_px.min(x_px);
        self.high_px = self.high_px.max(x_px);
        let back = match self.heading {
            None if x_px > self.low_px + threshold_px => (Side::Right, None),
            None if x_px < self.high_px - threshold_px => (Side::Left, None),
            Some(Side::Left) if x_px > self.low_px + threshold_px => {
                (Side::Right, Some(self.low_px))
            }
            Some(Side::Right) if x_px < self.high_px - threshold_px => {
                (Side::Left, Some(self.high_px))
            }
            _ => return,
        };
        self.heading = Some(back.0);
        self.turned_at_px = back.1.or(self.turned_at_px);
        (self.low_px, self.high_px) = (x_px, x_px);
    }
}

/// Column of every row so that the sum of costs is least (Kuhn 1955, Munkres 1957; shortest augmenting paths).
fn least_assignment(cost: &[Vec<f64>]) -> Vec<usize> {
    let n = cost.len();
    let mut row_price = vec![0.0; n + 1];
    let mut column_price = vec![0.0; n + 1];
    // Row that owns a column, from 1; 0 is nobody.
    let mut owner = vec![0_usize; n + 1];
    for row in 1..=n {
        owner[0] = row;
        let mut column = 0;
        let mut least = vec![f64::INFINITY; n + 1];
        let mut used = vec![false; n + 1];
        let mut way = vec![0_usize; n + 1];
        loop {
            used[column] = true;
            let current = owner[column];
            let mut delta = f64::INFINITY;
            let mut next = 0;
            for j in 1..=n {
                if used[j] {
                    continue;
                }
                let reduced = cost[current - 1][j - 1] - row_price[current] - column_price[j];
                if reduced < least[j] {
                    least[j] = reduced;
                    way[j] = column;
                }
                if least[j] < delta {
                    delta = least[j];
                    next = j;
                }
            }
            for j in 0..=n {
                if used[j] {
                    row_price[owner[j]] += delta;
                    column_price[j] -= delta;
                } else {
                    least[j] -= delta;
                }
            }
            column = next;
            if owner[column] == 0 {
                break;
            }
        }
        while column != 0 {
            let previous = way[column];
            owner[column] = owner[previous];
            column = previous;
        }
    }
    let mut column_of = vec![0; n];
    for (column, row) in owner.iter().skip(1).enumerate() {
        if let Some(slot) = column_of.get_mut(row.wrapping_sub(1)) {
            *slot = column;
        }
    }
    column_of
}

/// Joins pieces of one line: a piece that begins where another ended, or at the edge at which it left, or that was seen
/// when the other was not, and both always near each other.
fn join(mut tracks: Vec<Track>, edges_px: Option<(f64, f64)>) -> Vec<Track> {
    tracks.sort_by(|a, b| a.begins_s().total_cmp(&b.begins_s()));
    let mut whole: Vec<Track> = Vec::new();
    for piece in tracks {
        let partner = whole
            .iter()
            .enumerate()
            .filter_map(|(k, earlier)| Some((k, earlier.continues(&piece, edges_px)?)))
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(k, _)| k);
        match partner.and_then(|k| whole.get_mut(k)) {
            Some(earlier) => earlier.take_in(piece),
            None => whole.push(piece),
        }
    }
    whole
}

impl Track {
    fn begins_s(&self) -> f64 {
        self.sightings.first().map_or(f64::INFINITY, |s| s.time_s)
    }

    /// Whether it is seen in most frames and moves without jumping: chance sightings in a row do neither.
    fn is_steady(&self) -> bool {
        let steps = self
            .sightings
            .windows(2)
            .map(|w| w[1].frame.saturating_sub(w[0].frame) as f64)
            .collect();
        let bends = self
            .sightings
            .windows(3)
            .map(|w| (w[1].x_px - 0.5 * (w[0].x_px + w[2].x_px)).abs())
            .collect();
        median(steps) <= MOST_STEP_FRAMES && median(bends) <= MOST_BEND_PX
    }

    /// How badly `later` continues this track, or none if it does not: both were hardly ever seen in one frame, look
    /// alike, and wherever one takes over from the other they are near each other or at one edge of the field.
    fn continues(&self, later: &Track, edges_px: Option<(f64, f64)>) -> Option<f64> {
        let width = (later.log_width - self.log_width) / 0.35;
        let flux = (later.log_flux - self.log_flux) / 1.0;
        if width.abs() > 2.0 || flux.abs() > 2.0 || self.seen_with(later) > MOST_SEEN_TWICE {
            return None;
        }
        let near_px = if self.seen_s < later.begins_s() {
            6.0
        } else {
            3.0
        };
        let mut worst = 0.0_f64;
        for (end, begin, speed_px_s) in self.handovers(later) {
            let gap_s = begin.time_s - end.time_s;
            let reach_px = near_px + 0.7 * gap_s.min(1.0) * speed_px_s;
            let apart_px = (begin.x_px - end.x_px).abs();
            let same_edge = edges_px.is_some_and(|(left, right)| {
                let margin = 0.08 * (right - left);
                (end.x_px < left + margin && begin.x_px < left + margin)
                    || (end.x_px > right - margin && begin.x_px > right - margin)
            });
            if apart_px >= reach_px && !same_edge {
                return None;
            }
            // The last to leave is the first to come back, so a short absence is preferred.
            worst = worst.max(0.2 * gap_s + (apart_px / reach_px).min(3.0));
        }
        Some(width * width + flux * flux + worst)
    }

    /// Frames in which both were seen.
    fn seen_with(&self, other: &Track) -> usize {
        let frame = |s: &Sighting| s.frame;
        self.sightings
            .iter()
            .filter(|s| {
                other
                    .sightings
                    .binary_search_by_key(&s.frame, frame)
                    .is_ok()
            })
            .count()
    }

    /// The sightings between which one track takes over from the other, in the order of time, and the speed about there, px/s.
    fn handovers<'a>(&'a self, other: &'a Track) -> Vec<(&'a Sighting, &'a Sighting, f64)> {
        let mut all: Vec<(&Sighting, bool)> = self
            .sightings
            .iter()
            .map(|s| (s, true))
            .chain(other.sightings.iter().map(|s| (s, false)))
            .collect();
        all.sort_by_key(|(s, _)| s.frame);
        all.dedup_by_key(|(s, _)| s.frame);
        let speed_px_s = |from: usize, to: usize| match (all.get(from), all.get(to)) {
            (Some((a, _)), Some((b, _))) => {
                (b.x_px - a.x_px).abs() / (b.time_s - a.time_s).max(1e-3)
            }
            _ => 0.0,
        };
        (1..all.len())
            .filter(|&k| all[k - 1].1 != all[k].1)
            .map(|k| {
                let before = speed_px_s(k.wrapping_sub(3), k - 1);
                let after = speed_px_s(k, k + 2);
                (all[k - 1].0, all[k].0, before.max(after))
            })
            .collect()
    }

    /// Takes in the sightings of a piece; in a frame in which the line was seen twice neither is believed.
    fn take_in(&mut self, piece: Track) {
        let twice: Vec<u64> = piece
            .sightings
            .iter()
            .map(|s| s.frame)
            .filter(|frame| {
                self.sightings
                    .binary_search_by_key(frame, |s| s.frame)
                    .is_ok()
            })
            .collect();
        self.sightings.extend(piece.sightings);
        self.sightings.retain(|s| !twice.contains(&s.frame));
        self.sightings.sort_by_key(|s| s.frame);
        if piece.seen_s > self.seen_s {
            self.seen_s = piece.seen_s;
            self.velocity_px_s = piece.velocity_px_s;
            self.x_px = piece.x_px;
            self.log_width = piece.log_width;
            self.log_flux = piece.log_flux;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(x_px: f64) -> Line {
        super::super::tests::line_at(x_px, 0.01, 4.0, 5e4)
    }

    fn track(frames: std::ops::Range<u64>, x_px: impl Fn(u64) -> f64) -> Track {
        let mut frames = frames.map(|frame| (frame, frame as f64 / 25.0));
        let (first, time_s) = frames.next().unwrap_or((0, 0.0));
        let mut track = Track::begin(&seen(x_px(first)), first, time_s, 0.0);
        for (frame, time_s) in frames {
            track.extend(&seen(x_px(frame)), frame, time_s);
        }
        track
    }

    /// In a poor frame a line was seen twice: one sighting ended its track, the other began a new one, and later the
    /// old track took over again.
    #[test]
    fn a_line_torn_by_a_poor_frame_is_one_line() {
        let place = |frame: u64| 100.0 + 2.0 * frame as f64;
        let mut old = track(0..21, place);
        for frame in 40..60 {
            old.extend(&seen(place(frame)), frame, frame as f64 / 25.0);
        }
        let new = track(20..40, |frame| {
            place(frame) + if frame == 20 { 2.0 } else { 0.0 }
        });
        let joined = join(vec![old, new], None);
        assert_eq!(joined.len(), 1);
        // Frame 20, in which it was seen twice, is not believed.
        assert_eq!(joined[0].sightings.len(), 59);
        assert!(
            joined[0]
                .sightings
                .windows(2)
                .all(|w| w[0].frame < w[1].frame)
        );
    }

    #[test]
    fn two_lines_seen_together_stay_two() {
        let joined = join(
            vec![
                track(0..40, |frame| 100.0 + frame as f64),
                track(10..50, |frame| 105.0 + frame as f64),
            ],
            None,
        );
        assert_eq!(joined.len(), 2);
    }

    #[test]
    fn a_line_far_from_where_another_ended_is_another() {
        let joined = join(
            vec![track(0..40, |_| 100.0), track(42..80, |_| 140.0)],
            None,
        );
        assert_eq!(joined.len(), 2);
    }
}
