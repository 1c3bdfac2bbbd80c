//! Frame after frame through the finder to the follower: what is known before each frame, and how closely it is looked at.

use crate::basics::frame::Frame;
use crate::find::{CrossHairs, Finder, Kept, Known, Line, Picture, Stack, of_a_straight_line_deg};
use crate::follow::{Follower, Progress, Settings, Sweep};

/// Frames between two looks at the whole picture; between them only the surroundings of known lines are searched.
const FRAMES_BETWEEN_FULL_LOOKS: u64 = 12;
/// The same where a line was lost: a pair may have been taken for one line, and is told apart only when all is looked at.
const FRAMES_TO_LOOK_FOR_LOST: u64 = 3;
/// Frames between two fits of the hairs, which stay where they are as long as nobody touches the camera.
const FRAMES_BETWEEN_HAIR_FITS: u64 = 4;
/// Frames that are laid over each other to see hairs that are too faint in one frame.
const STACKED_FRAMES: u64 = 96;
/// Fits of the hairs that may fail where they were before they are looked for everywhere.
const MISSES_BEFORE_NEW_SEARCH: u32 = 2;
/// The same while a line that is recognised lies on one of them, which is why they are not seen.
const MISSES_BESIDE_LINE: u32 = 8;
/// Sightings of the hairs in single frames from which on the stack is not asked.
const ENOUGH_SIGHTINGS: u32 = 5;
/// A sighting this far from the mean of those before means that the camera was knocked, standard uncertainties and px.
const KNOCK_IN_U: f64 = 6.0;
const KNOCK_PX: f64 = 0.2;
/// Hairs that are the same differ no more than this: logarithm of the width, depth, and degrees of the angle between them.
const ALIKE_WIDTH: f64 = 0.2;
const ALIKE_DEPTH: f64 = 0.12;
const ALIKE_ANGLE_DEG: f64 = 0.25;
/// Sightings one after the other that look otherwise, from which on they are believed.
const MOST_SPOILED: u32 = 24;

/// Frames passed over from which on known lines are looked for everywhere: a hand moves a line out of its surroundings in that time.
const PASSED_OVER_TOO_FAR: u64 = 6;

/// What one frame showed.
#[derive(Clone, Debug)]
pub(super) struct Glimpse {
    /// What was found in it; the cross-hairs are those of all frames till then.
    pub(super) picture: Picture,
    /// The cross-hairs, where they were measured in this very frame.
    pub(super) sighted: Option<CrossHairs>,
    /// How far its lines have come.
    pub(super) progress: Progress,
}

/// Looks at frames in their order and follows what is in them.
pub(super) struct Watcher {
    finder: Finder,
    follower: Follower,
    stack: Stack,
    kept: Kept,
    known: Known,
    pool: HairPool,
    /// Whether the last fit of the hairs saw them; only then they are taken as they are for a while.
    hairs_seen: bool,
    hairs_missed: u32,
    hairs_sightings: u32,
    frames: u64,
    /// Frame of the last look at the whole picture.
    looked_around: u64,
    /// Whether fewer lines were found than were known since then.
    lost_one: bool,
    last_s: f64,
    /// The whole picture and the hairs are looked at so many times more seldom than usual.
    seldom: u64,
}

impl Watcher {
    pub(super) fn new(settings: Settings) -> Self {
        Self {
            finder: Finder::new(),
            follower: Follower::new(settings),
            stack: Stack::new(),
            kept: Kept::default(),
            known: Known::default(),
            pool: HairPool::default(),
            hairs_seen: false,
            hairs_missed: 0,
            hairs_sightings: 0,
            frames: 0,
            looked_around: 0,
            lost_one: false,
            last_s: 0.0,
            seldom: 1,
        }
    }

    /// Looks at the whole picture, and at hairs that are well known, so many times more seldom: for frames that come faster than they
    /// can be measured otherwise. A camera that is knocked is noticed later by as much.
    pub(super) fn look_around_seldom(&mut self, times: u64) {
        self.seldom = times.max(1);
    }

    /// Frames looked at.
    pub(super) fn frames(&self) -> u64 {
        self.frames
    }

    /// Time of the last frame, s.
    pub(super) fn last_s(&self) -> f64 {
        self.last_s
    }

    /// Frames were there that could not be read.
    pub(super) fn lost(&mut self, frames: u64) {
        self.follower.lost(frames);
        self.known.lines.clear();
    }

    /// Frames came while the program was busy and were passed over.
    pub(super) fn passed_over(&mut self, frames: u64) {
        if frames >= PASSED_OVER_TOO_FAR {
            self.known.lines.clear();
        }
    }

    /// Begins to follow anew, in frames that may be of another clip; the hairs, which are fixed to the camera, stay known.
    pub(super) fn begin_anew(&mut self, settings: Settings) {
        let fresh = Self::new(settings);
        self.follower = fresh.follower;
        self.stack = fresh.stack;
        self.known.lines.clear();
        self.hairs_seen = false;
        self.hairs_missed = 0;
        self.hairs_sightings = 0;
        self.frames = 0;
        self.looked_around = 0;
        self.lost_one = false;
        self.last_s = 0.0;
    }

    /// The hairs of another camera, or of another size of picture, are not these.
    pub(super) fn forget_hairs(&mut self) {
        self.known = Known::default();
        self.pool = HairPool::default();
    }

    /// What the frames show up to now, to be put together while others come.
    pub(super) fn follower(&self) -> Follower {
        self.follower.clone()
    }

    /// The hairs of earlier frames, where those that are followed now show too little of them.
    pub(super) fn hairs_if_few(&self) -> Option<CrossHairs> {
        self.known
            .cross_hairs
            .clone()
            .filter(|_| self.hairs_sightings < ENOUGH_SIGHTINGS)
    }

    /// Looks at one frame.
    pub(super) fn advance(&mut self, frame: &Frame) -> Glimpse {
        let full = FRAMES_BETWEEN_FULL_LOOKS * self.seldom;
        let hairs = FRAMES_BETWEEN_HAIR_FITS * self.seldom;
        let again = self.frames >= self.looked_around + FRAMES_TO_LOOK_FOR_LOST * self.seldom;
        self.known.everywhere = self.frames.is_multiple_of(full) || self.lost_one && again;
        let known = self.known.lines.len();
        // Between two full looks, so that it is known which lines stand beside the hairs.
        let few = self.hairs_seen && self.hairs_sightings < ENOUGH_SIGHTINGS;
        let due = few || self.frames % hairs == hairs / 2;
        let settled = self.hairs_seen
            || self.hairs_sightings == 0 && self.frames > 2 * FRAMES_BETWEEN_FULL_LOOKS;
        self.known.hairs_fixed = settled && !due;
        let mut picture = self.finder.look(frame, &self.known);
        if !self.known.hairs_fixed {
            self.note_hairs(frame, &mut picture);
            let seen = picture.cross_hairs.as_ref();
            if seen.is_some_and(|seen| self.pool.is_spoiled(seen)) {
                // Whatever was measured with it is spoiled, too.
                self.known.hairs_fixed = true;
                self.hairs_seen = true;
                picture = self.finder.look(frame, &self.known);
            }
        }
        if self.known.everywhere {
            self.looked_around = self.frames;
        }
        self.lost_one = picture.lines.len() < known || self.lost_one && !self.known.everywhere;
        if self.frames < STACKED_FRAMES && self.hairs_sightings < ENOUGH_SIGHTINGS {
            self.stack.add(frame);
        }
        self.frames += 1;
        self.finder.compare(frame, &mut picture);
        if self.known.hairs_fixed {
            // Not seen but assumed: no further sighting of the hairs.
            picture.cross_hairs = None;
        }
        self.hairs_sightings += u32::from(picture.cross_hairs.is_some());
        if let Some(share) = self.kept.share(frame) {
            self.follower.kept(share);
        }
        let progress = self.follower.advance(frame.number, frame.time_s, &picture);
        if let Some(hairs) = &picture.cross_hairs {
            self.known.cross_hairs = Some(self.pool.with(hairs));
        } else if self.known.cross_hairs.is_none()
            && self.frames.is_power_of_two()
            && self.frames >= 8
        {
            self.known.cross_hairs = self.stack.cross_hairs(&mut self.finder);
        }
        self.known.field.clone_from(&picture.field);
        if std::mem::take(&mut self.pool.begun_anew) {
            // The field stop moved with the hairs on the picture of a camera that was knocked.
            self.known.field = None;
        }
        self.known.lines.clone_from(&picture.lines);
        ahead(&mut self.known.lines, &progress, frame.time_s - self.last_s);
        self.last_s = frame.time_s;
        let sighted = std::mem::replace(&mut picture.cross_hairs, self.known.cross_hairs.clone());
        Glimpse {
            picture,
            sighted,
            progress,
        }
    }

    /// Counts sightings of the hairs; hidden ones, or ones on a camera that was knocked, are looked for everywhere.
    fn note_hairs(&mut self, frame: &Frame, picture: &mut Picture) {
        self.hairs_seen = picture.cross_hairs.is_some();
        self.hairs_missed = if self.hairs_seen {
            0
        } else {
            self.hairs_missed + 1
        };
        let Some(cross) = &self.known.cross_hairs else {
            return;
        };
        let hidden = picture.lines.iter().any(|line| line.is_beside(cross));
        let most = if hidden {
            MISSES_BESIDE_LINE
        } else {
            MISSES_BEFORE_NEW_SEARCH
        };
        if self.hairs_missed >= most {
            self.hairs_missed = 0;
            let anywhere = Known {
                cross_hairs: None,
                ..self.known.clone()
            };
            let again = self.finder.look(frame, &anywhere);
            if again.cross_hairs.is_some() {
                self.hairs_seen = true;
                *picture = again;
            }
        }
    }

    /// Puts everything together.
    pub(super) fn finish(mut self) -> Sweep {
        // Lines that pass the hairs smear the stack: it counts only where single frames were too dark for the hairs.
        let stacked = if self.hairs_sightings < ENOUGH_SIGHTINGS {
            self.stack.cross_hairs(&mut self.finder)
        } else {
            None
        };
        self.follower.finish(stacked)
    }
}

/// Moves lines to where they are expected in the next frame, `step_s` later, if they go on as they did.
fn ahead(lines: &mut [Line], progress: &Progress, step_s: f64) {
    const SAME_PX: f64 = 0.01;
    for line in lines {
        let velocity_px_s = progress
            .lines
            .iter()
            .find(|followed| (followed.x_px - line.x_px).abs() < SAME_PX)
            .map_or(0.0, |followed| followed.velocity_px_s);
        line.x_px += velocity_px_s * step_s.clamp(0.0, 0.1);
    }
}

/// The hairs as seen in many frames: they stand still, so the mean is known better than any one of them.
#[derive(Clone, Debug, Default)]
struct HairPool {
    mean: Option<CrossHairs>,
    count: f64,
    /// Spoiled sightings one after the other.
    spoiled: u32,
    /// Whether the last sighting lay elsewhere than those before.
    begun_anew: bool,
}

impl HairPool {
    /// Whether a sighting lies elsewhere than those before and does not look like them: a line on a hair makes it so, a camera
    /// that is knocked leaves its hairs as they look. What goes on long is believed in the end, for somebody may have focused.
    fn is_spoiled(&mut self, seen: &CrossHairs) -> bool {
        let spoiled = self.mean.as_ref().is_some_and(|mean| {
            let turn = |cross: &CrossHairs| cross.hairs[1].angle_deg - cross.hairs[0].angle_deg;
            let askew = (turn(seen) - turn(mean) + 90.0).rem_euclid(180.0) - 90.0;
            let alike = mean.hairs.iter().zip(&seen.hairs).all(|(old, new)| {
                let wider = (new.width_px / old.width_px.max(0.1)).ln().abs();
                wider < ALIKE_WIDTH && (new.depth - old.depth).abs() < ALIKE_DEPTH
            });
            !(is_near(mean, seen) || alike && askew.abs() < ALIKE_ANGLE_DEG)
        });
        self.spoiled = if spoiled { self.spoiled + 1 } else { 0 };
        spoiled && self.spoiled < MOST_SPOILED
    }

    /// The mean with one more sighting; one that lies elsewhere begins a new mean.
    fn with(&mut self, seen: &CrossHairs) -> CrossHairs {
        let before = self.mean.take();
        self.begun_anew = before.as_ref().is_some_and(|mean| !is_near(mean, seen));
        let joined = before.filter(|_| !self.begun_anew);
        let pooled = match joined {
            None => {
                self.count = 1.0;
                seen.clone()
            }
            Some(mean) => {
                self.count += 1.0;
                pooled(&mean, seen, 1.0 / self.count)
            }
        };
        self.mean = Some(pooled.clone());
        pooled
    }
}

/// Whether a sighting lies where those before lie, as far as their uncertainties tell.
fn is_near(mean: &CrossHairs, seen: &CrossHairs) -> bool {
    let near =
        |a: f64, b: f64, u: f64, v: f64| (a - b).abs() < (KNOCK_IN_U * u.hypot(v)).max(KNOCK_PX);
    near(mean.x_px, seen.x_px, mean.u_x_px, seen.u_x_px)
        && near(mean.y_px, seen.y_px, mean.u_y_px, seen.u_y_px)
}

fn pooled(mean: &CrossHairs, seen: &CrossHairs, share: f64) -> CrossHairs {
    let weighted = |a: f64, u: f64, b: f64, v: f64| {
        let (p, q) = (1.0 / (u * u).max(1e-8), 1.0 / (v * v).max(1e-8));
        ((a * p + b * q) / (p + q), (p + q).sqrt().recip())
    };
    let mix = |a: f64, b: f64| a + share * (b - a);
    let (x_px, u_x_px) = weighted(mean.x_px, mean.u_x_px, seen.x_px, seen.u_x_px);
    let (y_px, u_y_px) = weighted(mean.y_px, mean.u_y_px, seen.y_px, seen.u_y_px);
    let mut hairs = mean.hairs.clone();
    for (hair, new) in hairs.iter_mut().zip(&seen.hairs) {
        // A level hair may be told as +90 or -90 degrees.
        let turn = (new.angle_deg - hair.angle_deg + 90.0).rem_euclid(180.0) - 90.0;
        hair.angle_deg = of_a_straight_line_deg(hair.angle_deg + share * turn);
        hair.bow_per_px = mix(hair.bow_per_px, new.bow_per_px);
        hair.width_px = mix(hair.width_px, new.width_px);
        hair.depth = mix(hair.depth, new.depth);
    }
    CrossHairs {
        x_px,
        y_px,
        u_x_px,
        u_y_px,
        rotation_deg: hairs[0].angle_deg.clamp(-45.0, 45.0),
        hairs,
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use crate::simulate::scene;

    /// A profile of which all pixels count is no more lopsided in one frame than in the next: what looks over the whole picture find of it
    /// holds in the frames between them, of which each by itself once made it look a hundredth of a pixel off.
    #[test]
    fn known_frames_fear_no_more_than_looks_at_the_whole_picture() {
        let scene = scene("steady", 2).unwrap();
        let mut rendering = scene.rendering();
        let mut watcher = Watcher::new(Settings::default());
        let mut frame = Frame::empty();
        let mut shares = Vec::new();
        while watcher.frames() < 60 && rendering.next_into(&mut frame).is_some() {
            let between = !watcher.frames().is_multiple_of(FRAMES_BETWEEN_FULL_LOOKS);
            let glimpse = watcher.advance(&frame);
            let lines = glimpse.picture.lines.iter().filter(|_| between);
            shares.extend(lines.map(|line| line.lasting_px / line.u_px));
        }
        assert!(shares.len() > 40, "{} sightings", shares.len());
        shares.sort_by(f64::total_cmp);
        let usual = shares[shares.len() / 2];
        assert!(usual < 0.4, "{usual:.2} of what is stated");
    }

    /// The prism magnifies the slit more or less as it turns, so that its image's width drifts from one look at the whole picture to the
    /// next; a line of which a hair covers one flank lies off by half of that drift (0.05 to 0.09 px) if the width is held meanwhile.
    #[test]
    fn lines_under_a_hair_are_as_wide_as_the_prism_makes_them() {
        let (mut pulls, mut worst) = (Vec::new(), 0.0_f64);
        for seed in [20, 22, 33] {
            let scene = scene("under-hair", seed).unwrap();
            let mut rendering = scene.rendering();
            let mut watcher = Watcher::new(Settings::default());
            let mut frame = Frame::empty();
            while let Some(truth) = rendering.next_into(&mut frame) {
                let glimpse = watcher.advance(&frame);
                let line = &truth.lines[0];
                if line.offset_px.abs() > 5.0 {
                    continue;
                }
                let y_px = scene.eyepiece.hairs.y_px;
                let seen = glimpse.picture.lines.iter().map(|of| of.at_height(y_px));
                let off = seen
                    .map(|of| (of.x_px - line.x_px, of.u_px))
                    .min_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
                if let Some((off_px, u_px)) = off {
                    pulls.push(off_px / u_px);
                    worst = worst.max(off_px.abs());
                }
            }
        }
        assert!(pulls.len() > 60, "{} sightings", pulls.len());
        let rms = (pulls.iter().map(|pull| pull * pull).sum::<f64>() / pulls.len() as f64).sqrt();
        assert!(rms < 1.1 && worst < 0.04, "{rms:.2} u, {worst:.3} px");
    }

    /// A line that was seen clear of the hair before is not taken for the hair's rim when it goes there, and keeps its slit and blur in
    /// looks at the whole picture: it was lost for three frames, and lay 0.19 px off in others.
    #[test]
    fn a_line_stays_what_it_is_under_a_hair() {
        let scene = scene("under-hair", 21).unwrap();
        let mut rendering = scene.rendering();
        let mut watcher = Watcher::new(Settings::default());
        let mut frame = Frame::empty();
        let (mut frames, mut worst) = (0, 0.0_f64);
        while let Some(truth) = rendering.next_into(&mut frame) {
            let glimpse = watcher.advance(&frame);
            let line = &truth.lines[0];
            if line.offset_px.abs() > 5.0 {
                continue;
            }
            frames += 1;
            let y_px = scene.eyepiece.hairs.y_px;
            let seen = glimpse.picture.lines.iter();
            let off_px = seen
                .map(|of| (of.at_height(y_px).x_px - line.x_px).abs())
                .min_by(f64::total_cmp);
            worst = worst.max(off_px.unwrap_or(f64::INFINITY));
        }
        assert!(frames > 20, "{frames} frames");
        assert!(worst < 0.08, "{worst:.3} px");
    }

    /// What is told by sightings in many frames is told by the stack where there are few, however clear they are.
    #[test]
    fn hairs_of_two_frames_are_known() {
        let scene = scene("steady", 2).unwrap();
        let mut rendering = scene.rendering();
        let mut watcher = Watcher::new(Settings::default());
        let mut frame = Frame::empty();
        while watcher.frames() < 2 && rendering.next_into(&mut frame).is_some() {
            watcher.advance(&frame);
        }
        let found = watcher.finish().cross_hairs.unwrap();
        let truth = scene.truth().cross_hairs.unwrap();
        let off_px = (found.x_px - truth.x_px).hypot(found.y_px - truth.y_px);
        assert!(off_px < 0.05, "{off_px:.3} px");
    }
}
