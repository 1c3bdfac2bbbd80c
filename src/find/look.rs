//! The order of work on one frame.

use super::again::{Again, MORE_ROWS};
use super::axis::{Bench, Thread};
use super::detect::{ALL_TILTS, Candidate, Search, Where};
use super::field::field_of_view;
use super::grey::{Grey, Noise};
use super::hairs::HairSearch;
use super::hidden::{Hidden, hidden_hair, widen};
use super::joint::{APART_PX, Joint, MOST_LINES, Rules};
use super::lines::{CLEAR_SIGNAL_TO_NOISE, Draft, Scene};
use super::pattern::Pattern;
use super::spikes::Spikes;
use super::{CrossHairs, FieldOfView, Line, Picture};
use crate::basics::frame::Frame;

/// Signal-to-noise ratio of a candidate that is looked at even where no line is expected.
const STRONG: f32 = 12.0;

/// What is known of the tangents of the lines.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Tilts {
    /// Nothing, nor is anything of the hairs: only long lines are looked for at first.
    Rough,
    /// Nothing.
    All,
    /// From where to where they go.
    Between(f64, f64),
}

impl Tilts {
    fn of(span: Option<(f64, f64)>) -> Self {
        span.map_or(Self::All, |(from, to)| Self::Between(from, to))
    }
}

/// How lines are fitted of which little is known.
const FROM_ROUGH: Rules = Rules {
    iterations: 8,
    shape_known: false,
    seen_before: false,
    profile_trusted: false,
};

/// A line whose profile is off by this share of its width is not what it was taken for.
const ASTRAY: f64 = 0.015;

/// Lines nearer to each other than this may be measured together, px.
const NEIGHBOURS_PX: f64 = 60.0;

/// A known line whose place is less certain than this is not expected again, px.
const WORTH_FOLLOWING_PX: f64 = 0.5;

/// Standard uncertainty of a hair that is seen well enough beside a line, at most, px: what was none had 0.6.
const WELL_SEEN_PX: f64 = 0.2;

/// So many whole pictures are looked over for pixels that stand out, then every other one.
const LOOKS_AT_ALL_PIXELS: u32 = 6;

/// What is known before a frame is looked at; the default knows nothing.
#[derive(Clone, Debug, Default)]
pub struct Known {
    /// Where the hairs were in an earlier frame; they are looked for only near there.
    pub cross_hairs: Option<CrossHairs>,
    /// The field stop of an earlier frame; taken as it is.
    pub field: Option<FieldOfView>,
    /// Take `cross_hairs` as they are, seen or not, and return them unchanged: nothing is fitted to the hairs of this frame.
    pub hairs_fixed: bool,
    /// Lines of an earlier frame, where they are expected now. As long as they look alike only their surroundings are
    /// looked at; else their tilts narrow the search, and what lies near one of them or is strong is looked at.
    pub lines: Vec<Line>,
    /// Look for new lines over the whole picture, too.
    pub everywhere: bool,
}

/// Finds hairs, field and lines; keeps its buffers from frame to frame, and what belongs to the sensor: its noise, and its hot and dead
/// pixels.
#[derive(Clone, Debug, Default)]
pub struct Finder {
    pub(super) noise: Noise,
    pub(super) spikes: Spikes,
    search: Search,
    /// Whether this very frame was searched before.
    searched: bool,
    pub(super) hairs: HairSearch,
    candidates: Vec<Candidate>,
    /// Lines of the first look at a frame of which nothing was known.
    rough: Vec<Line>,
    pub(super) bench: Bench,
    joint: Joint,
    again: Again,
    pattern: Pattern,
    /// Looks at whole pictures of one sensor.
    looks: u32,
    /// Size and full scale of the pictures for which noise and spikes were learnt.
    noise_for: (usize, usize, u32),
}

impl Finder {
    /// A finder with empty buffers.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// All that is in one frame. A frame too small or too dark gives a picture with nothing in it.
    pub fn look(&mut self, frame: &Frame, known: &Known) -> Picture {
        self.joint.begin_frame();
        let grey = Grey::of(frame);
        let mut spikes = std::mem::take(&mut self.spikes);
        let kind = (grey.width, grey.height, grey.clip.to_bits());
        let another = self.noise_for != kind;
        if another {
            self.noise_for = kind;
            spikes.forget();
            self.looks = 0;
            self.pattern = Pattern::default();
        }
        if another || known.everywhere || known.lines.is_empty() {
            self.noise.learn(&grey, 1.0);
            // Once it is known which pixels are the sensor's, fewer looks tell whether they still are.
            let known_well = !known.lines.is_empty() && self.looks >= LOOKS_AT_ALL_PIXELS;
            if !known_well || self.looks.is_multiple_of(2) {
                spikes.learn(&grey, &self.noise);
            }
            self.looks = self.looks.wrapping_add(1);
        }
        let picture = self.look_with_care(grey.without(spikes.left_out()), known);
        self.spikes = spikes;
        picture
    }

    /// Notes in the lines of a frame how much of the noise about them is that of the frame before: once a frame, with what was found in it.
    pub fn compare(&mut self, frame: &Frame, picture: &mut Picture) {
        let grey = Grey::of(frame).without(self.spikes.left_out());
        let hairs = picture.cross_hairs.as_ref();
        self.pattern
            .learn(&grey, &self.noise, hairs, &mut picture.lines);
        self.joint.rows_of(&picture.lines, &mut picture.rows);
    }

    /// All that is in one frame; where something went astray, with fresh eyes.
    fn look_with_care(&mut self, grey: Grey<'_>, known: &Known) -> Picture {
        let seen = self.look_once(grey, known, None);
        let astray = |line: &Line| line.lasting_px > ASTRAY * line.width_px;
        if !known.everywhere || known.lines.is_empty() || !seen.lines.iter().any(astray) {
            return seen;
        }
        // A fit that went astray beside a hair or a neighbour keeps itself going: everything is looked at with fresh eyes, which
        // may only not take two lines for one.
        let afresh = Known {
            lines: Vec::new(),
            ..known.clone()
        };
        let fresh = self.look_once(grey, &afresh, tilts_of(&known.lines, TILTS_APART));
        if fresh.lines.len() < seen.lines.len() {
            return seen;
        }
        fresh
    }

    /// The same, with what is known taken as it is. `leaning`: tangents between which lines lean, where no line is known.
    fn look_once(&mut self, grey: Grey<'_>, known: &Known, leaning: Option<(f64, f64)>) -> Picture {
        let mut picture = Picture {
            mean_level: grey.mean() / f64::from(grey.clip),
            ..Picture::default()
        };
        let (w, h) = (grey.width, grey.height);
        if w < 16 || h < 16 {
            return picture;
        }
        self.hairs.one_frame = known.cross_hairs.is_none();
        self.searched = false;
        if !known.lines.is_empty()
            && let Some(seen) = self.look_again(grey, known)
        {
            if !known.everywhere {
                return Picture {
                    mean_level: picture.mean_level,
                    ..seen
                };
            }
            picture.field = known
                .field
                .clone()
                .or_else(|| field_of_view(&grey, &self.noise));
            let grey = grey.within(picture.field.as_ref());
            picture.cross_hairs = seen.cross_hairs;
            picture.lines = self.lines(
                grey,
                &picture,
                known,
                &seen.lines,
                Tilts::of(tilts_of(&known.lines, TILTS_APART)),
            );
            // What was recognised stays, unless something better stands in its place now.
            let kept: Vec<Line> = seen.lines;
            for line in kept {
                let replaced = picture
                    .lines
                    .iter()
                    .any(|new| (new.x_px - line.x_px).abs() < 0.8 * line.width_px);
                if !replaced {
                    picture.lines.push(line);
                }
            }
            picture.lines.sort_by(|a, b| a.x_px.total_cmp(&b.x_px));
            return picture;
        }
        if !known.lines.is_empty() && !known.everywhere {
            // What is no longer as it was may be so in another light; of the whole picture the noise was learnt already.
            self.noise.learn(&grey, 1.0);
        }
        picture.field = known
            .field
            .clone()
            .or_else(|| field_of_view(&grey, &self.noise));
        let grey = grey.within(picture.field.as_ref());
        if known.hairs_fixed {
            picture.cross_hairs.clone_from(&known.cross_hairs);
            let tilts = Tilts::of(leaning.or_else(|| tilts_of(&known.lines, TILTS_APART)));
            picture.lines = self.lines(grey, &picture, known, &[], tilts);
            return picture;
        }
        // Hairs are looked for beside the lines, so the lines come first where nothing is known of either.
        self.rough.clear();
        let mut rough = if known.cross_hairs.is_none() && known.lines.is_empty() {
            self.lines(grey, &picture, known, &[], Tilts::Rough)
        } else {
            known.lines.clone()
        };
        let tilts = Tilts::of(leaning.or_else(|| tilts_of(&rough, TILTS_APART)));
        // What a hair that is not known yet looks like beside it is no line that could hide it.
        rough.retain(|line| line.signal_to_noise > 30.0 && line.u_px < 0.025 * line.width_px);
        picture.cross_hairs = self.hairs.run(
            &grey,
            &self.noise,
            known.cross_hairs.as_ref(),
            &rough,
            &mut self.bench,
        );
        let mut hidden: Vec<Line> = Vec::new();
        let mut suspected = None;
        // What takes long is done for a frame of which nothing is known, and not for a clip's every frame.
        if known.lines.is_empty()
            && let Some(one) = self.hairs.alone.take()
        {
            // A hair cuts the line that hides it into pieces, of which the first look took the long ones only.
            let pieces = Where {
                tilts: ALL_TILTS,
                long_only: false,
                seen_before: std::mem::replace(&mut self.searched, true),
                learn_spread: true,
            };
            self.search
                .run(&grey, &self.noise, None, &pieces, &mut self.candidates);
            let scene = Scene {
                grey,
                noise: &self.noise,
                hairs: None,
                y_ref: reference_height(grey, &picture, None),
            };
            match hidden_hair(&scene, &one, &self.candidates, &rough, &mut self.joint) {
                Hidden::Found(found) => {
                    let (cross, line) = *found;
                    picture.lines = vec![line];
                    // Of a line that was not known a hair beside it may be seen: then none is hidden.
                    let seen =
                        self.hairs
                            .run(&grey, &self.noise, None, &picture.lines, &mut self.bench);
                    picture.cross_hairs = seen.filter(|seen| is_clear_of(seen, &picture.lines[0]));
                    if picture.cross_hairs.is_none() {
                        picture.cross_hairs = Some(cross);
                        hidden = self.follow_to_its_ends(grey, &mut picture);
                    }
                }
                Hidden::Somewhere(places) => {
                    suspected = Some((one.width, places));
                }
            }
        }
        if hidden.is_empty() && known.lines.is_empty() {
            self.rough = rough;
        }
        picture.lines = self.lines(grey, &picture, known, &hidden, tilts);
        if let Some(cross) = self.hair_beside_lines(grey, &picture) {
            if !self.rough.is_empty() {
                self.rough.clone_from(&picture.lines);
            }
            let before = picture.cross_hairs.replace(cross);
            picture.lines = if before.is_some_and(|before| moved_little(&before, &picture)) {
                self.lines_again(grey, &picture)
            } else {
                self.lines(grey, &picture, known, &[], tilts)
            };
        }
        if let (None, Some((width, places))) = (&picture.cross_hairs, suspected) {
            widen(&mut picture.lines, width, &places, h);
        }
        self.rough.clear();
        picture
    }

    /// The one line of the picture, on which a hair lies, followed to its ends: only where it is known to be dark beside it the
    /// hair is seen alone.
    fn follow_to_its_ends(&mut self, grey: Grey<'_>, picture: &mut Picture) -> Vec<Line> {
        let rows = |lines: &[Line]| lines.first().map_or(0, |l| l.rows.1 - l.rows.0);
        loop {
            let longer = self.lines_again(grey, picture);
            let grown = rows(&longer) > rows(&picture.lines) + MORE_ROWS / 4;
            picture.lines.clone_from(&longer);
            if !grown {
                return longer;
            }
        }
    }

    /// The known lines where they are now, and the hairs if they are to be measured; `None` if anything looks different.
    fn look_again(&mut self, grey: Grey<'_>, known: &Known) -> Option<Picture> {
        let mut picture = Picture {
            field: known.field.clone(),
            ..Picture::default()
        };
        let grey = grey.within(picture.field.as_ref());
        let hairs = known.cross_hairs.as_ref();
        let scene = Scene {
            grey,
            noise: &self.noise,
            hairs,
            y_ref: reference_height(grey, &picture, hairs),
        };
        let joint = &mut self.joint;
        picture.lines = self
            .again
            .run(&scene, &known.lines, joint, !known.everywhere)?;
        if known.hairs_fixed {
            picture.cross_hairs.clone_from(&known.cross_hairs);
            return Some(picture);
        }
        let before = hairs?;
        picture.cross_hairs =
            self.hairs
                .run(&grey, &self.noise, hairs, &picture.lines, &mut self.bench);
        if picture.cross_hairs.is_some() && !moved_little(before, &picture) {
            // The lines were measured beside hairs where they are not.
            let hairs = picture.cross_hairs.as_ref();
            let scene = Scene {
                hairs,
                y_ref: reference_height(grey, &picture, hairs),
                ..scene
            };
            picture.lines =
                self.again
                    .run(&scene, &picture.lines, &mut self.joint, !known.everywhere)?;
        }
        Some(picture)
    }

    /// An upright hair close to a line, measured again with the line left out.
    fn hair_beside_lines(&mut self, grey: Grey<'_>, picture: &Picture) -> Option<CrossHairs> {
        let mut cross = picture.cross_hairs.clone()?;
        let upright = cross.hairs[0].angle_deg.abs() < 26.0;
        let tall: Vec<Line> = picture
            .lines
            .iter()
            .filter(|line| {
                let y = cross.y_px.clamp(line.rows.0 as f64, line.rows.1 as f64);
                (line.rows.1 - line.rows.0) * 5 > grey.height * 2
                    && cross.distance_px(0, line.x_at(y), y).abs() < 2.0 * line.width_px + 30.0
            })
            .cloned()
            .collect();
        if !upright || tall.is_empty() {
            return None;
        }
        cross.hairs[0].width_px = cross.hairs[0].width_px.min(cross.hairs[1].width_px);
        self.hairs
            .run_again(&grey, &self.noise, &cross, &tall, &mut self.bench)
    }

    /// The lines of the picture, searched for and measured.
    ///
    /// Those of `seen` are in this very frame; only others are searched for.
    fn lines(
        &mut self,
        grey: Grey<'_>,
        picture: &Picture,
        known: &Known,
        seen: &[Line],
        tilts: Tilts,
    ) -> Vec<Line> {
        let hairs = picture.cross_hairs.as_ref().or(known.cross_hairs.as_ref());
        let following = !known.lines.is_empty() && seen.is_empty();
        let seen_before = std::mem::replace(&mut self.searched, true);
        let followed: Vec<&Line> = known
            .lines
            .iter()
            .filter(|line| seen.is_empty() && line.u_px < WORTH_FOLLOWING_PX)
            .collect();
        self.search.run(
            &grey,
            &self.noise,
            hairs,
            &Where {
                tilts: match tilts {
                    Tilts::Between(from, to) => (from, to),
                    Tilts::Rough | Tilts::All => ALL_TILTS,
                },
                // Short lines are looked for only where nothing is known yet, and last.
                long_only: !known.lines.is_empty() || tilts == Tilts::Rough,
                seen_before,
                learn_spread: !matches!(tilts, Tilts::Between(..)),
            },
            &mut self.candidates,
        );
        let scene = Scene {
            grey,
            noise: &self.noise,
            hairs,
            y_ref: reference_height(grey, picture, hairs),
        };
        // What was clear in the first look at this frame is begun with, unless a hair that was not known then lies beside it.
        let clear = self.rough.iter().filter(|line| {
            line.signal_to_noise > CLEAR_SIGNAL_TO_NOISE
                && !hairs.is_some_and(|cross| line.is_beside(cross))
        });
        let mut drafts: Vec<Draft> = seen
            .iter()
            .chain(clear)
            .map(|line| Draft::from_line(line, line.x_px, line.y_ref_px, &scene))
            .collect();
        // Every known line is started from one candidate, the strongest near it.
        let mut started = vec![false; followed.len()];
        let mut alone = Vec::new();
        for candidate in &self.candidates {
            let middle = (candidate.rows.0 + candidate.rows.1) as f64 / 2.0;
            let near = followed
                .iter()
                .enumerate()
                .filter(|&(k, _)| !started[k])
                .map(|(k, &line)| ((k, line), (line.x_at(middle) - candidate.x_mid).abs()))
                .filter(|((_, line), away)| {
                    candidate.width < 4.0 * line.width_px + 8.0
                        && *away < line.width_px + candidate.width + 20.0
                })
                .min_by(|a, b| a.1.total_cmp(&b.1));
            let tall = (candidate.rows.1 - candidate.rows.0) * 4 > grey.height;
            let clear = candidate.z >= STRONG && tall && candidate.width < 30.0;
            if following && near.is_none() && !clear
                || candidate.z < STRONG && outside(picture.field.as_ref(), candidate)
                || drafts.iter().any(|d| d.explains(candidate))
                || self.is_flank(candidate, &drafts, &mut alone, &scene)
            {
                continue;
            }
            let mut draft = near.map_or_else(
                || Draft::from_candidate(candidate, &scene),
                |((k, line), _)| {
                    started[k] = true;
                    Draft::from_frame_before(line, candidate.x_mid, middle, &scene)
                },
            );
            // Beside known lines: what the shade of a hair leaves along it is there in every frame, and is not worth a fit in each.
            if !seen.is_empty() && draft.is_rim_of_hair(&scene, candidate.width) {
                continue;
            }
            draft.grow(&scene, (&[], &[]), &drafts, &mut self.bench);
            draft.alive = draft.alive && (near.is_some() || draft.stands_out(&scene));
            if draft.alive {
                keep_new(&mut drafts, draft);
                alone.clear();
            }
        }
        // A known line that stronger ones hide from the search is where it was, moved as the nearest of them moved.
        for line in &followed {
            let y = line.y_ref_px;
            let moved = followed
                .iter()
                .filter_map(|other| {
                    let reach = other.width_px + 20.0;
                    let x = other.x_at(y);
                    drafts
                        .iter()
                        .map(|d| d.thread.x_at(y) - x)
                        .filter(|moved| moved.abs() < reach)
                        .min_by(|a, b| a.abs().total_cmp(&b.abs()))
                        .map(|moved| ((x - line.x_at(y)).abs(), moved))
                })
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .map_or(0.0, |m| m.1);
            let x = line.x_at(y) + moved;
            if drafts
                .iter()
                .any(|d| (d.thread.x_at(y) - x).abs() < 0.5 * line.width_px + 0.5)
            {
                continue;
            }
            let mut draft = Draft::from_frame_before(line, x, y, &scene);
            let close = |d: &&Draft| (d.thread.x_at(y) - x).abs() < 8.0 * line.width_px + 12.0;
            let threads: Vec<Thread> = drafts
                .iter()
                .filter(close)
                .map(|d| d.thread.clone())
                .collect();
            let spans: Vec<(usize, usize)> = drafts.iter().filter(close).map(Draft::span).collect();
            draft.grow(&scene, (&threads, &spans), &[], &mut self.bench);
            keep_new(&mut drafts, draft);
        }
        // Nor is it lost, where clipping spoiled the start of the second.
        let present =
            |line: &Line, x: f64| (x - line.x_at(scene.y_ref)).abs() < 1.5 * line.width_px + 2.0;
        let was_clear = |line: &&Line| line.signal_to_noise > CLEAR_SIGNAL_TO_NOISE;
        for line in self.rough.iter().filter(was_clear) {
            let found = |d: &Draft| d.alive && present(line, d.thread.x_at(scene.y_ref));
            if !drafts.iter().any(found) {
                drafts.push(Draft::from_line(line, line.x_px, line.y_ref_px, &scene));
            }
        }
        divide(&mut drafts, &scene, &mut self.bench);
        // What measured alone is no line would only stand in the way of a neighbour that is one.
        let sound: Vec<bool> = drafts
            .iter()
            .map(|d| d.thread.raw.is_empty() || d.clipped || d.line(&scene).is_some())
            .collect();
        let places: Vec<f64> = drafts.iter().map(|d| d.thread.x_at(scene.y_ref)).collect();
        let mut index = 0..;
        drafts.retain(|d| {
            let at = index.next().unwrap_or_default();
            let hinders =
                |other: usize| sound[other] && (places[other] - places[at]).abs() < NEIGHBOURS_PX;
            d.alive && (sound[at] || !(0..sound.len()).any(hinders))
        });
        if !seen.is_empty() && drafts.len() == seen.len() && drafts.iter().all(|d| d.alive) {
            // Nothing new stands beside them: they are as they were measured.
            return seen.to_vec();
        }
        let mut lines = settle(&mut drafts, &scene, &mut self.joint);
        // Where a hair lies on a clipped line, even a good start may lead astray.
        let lost = self.rough.iter().filter(was_clear).filter(|line| {
            !lines
                .iter()
                .any(|found| present(line, found.x_at(scene.y_ref)))
        });
        let mut again: Vec<Draft> = lost
            .map(|line| Draft::from_line(line, line.x_px, line.y_ref_px, &scene))
            .collect();
        if !again.is_empty() {
            let found = lines
                .iter()
                .map(|line| Draft::from_line(line, line.x_px, line.y_ref_px, &scene));
            again.extend(found);
            lines = settle(&mut again, &scene, &mut self.joint);
        }
        if let (true, Some(field)) = (known.lines.is_empty(), &picture.field) {
            lines.retain(|line| !along_rim(field, line));
        }
        without_scraps(&mut lines, picture.field.as_ref());
        lines
    }

    /// Whether a candidate is the flank of lines: nothing is left of it where they are not, and nothing else stands close to them.
    /// `alone` keeps what is known of the latter, for as long as the drafts are the same.
    fn is_flank(
        &self,
        candidate: &Candidate,
        drafts: &[Draft],
        alone: &mut Vec<Option<bool>>,
        scene: &Scene<'_>,
    ) -> bool {
        let (beside, places): (Vec<usize>, Vec<Candidate>) = drafts
            .iter()
            .enumerate()
            .filter(|(_, draft)| draft.alive)
            .map(|(at, draft)| (at, draft.place()))
            .filter(|(_, place)| candidate.is_near(place))
            .unzip();
        alone.resize(drafts.len(), None);
        !self.search.is_apart(candidate, &places)
            && beside
                .into_iter()
                .all(|at| *alone[at].get_or_insert_with(|| drafts[at].is_alone(scene)))
    }

    /// The lines of the picture measured again where they are, for hairs that are now known better.
    fn lines_again(&mut self, grey: Grey<'_>, picture: &Picture) -> Vec<Line> {
        let hairs = picture.cross_hairs.as_ref();
        let scene = Scene {
            grey,
            noise: &self.noise,
            hairs,
            y_ref: reference_height(grey, picture, hairs),
        };
        let mut drafts: Vec<Draft> = picture
            .lines
            .iter()
            .map(|line| Draft::from_line(line, line.x_px, line.y_ref_px, &scene))
            .collect();
        for draft in &mut drafts {
            draft.extend(MORE_ROWS, &scene);
        }
        settle(&mut drafts, &scene, &mut self.joint)
    }
}

/// Whether the upright hair is seen well, and farther from a line than both are wide.
fn is_clear_of(cross: &CrossHairs, line: &Line) -> bool {
    let away = cross.distance_px(0, line.x_px, line.y_ref_px).abs();
    cross.u_x_px < WELL_SEEN_PX && away > line.width_px + cross.hairs[0].width_px
}

/// Whether a candidate lies wholly where no light comes through the eyepiece.
fn outside(field: Option<&FieldOfView>, candidate: &Candidate) -> bool {
    field.is_some_and(|field| {
        let (top, bottom) = (candidate.rows.0 as f64, candidate.rows.1 as f64);
        let y = field.y_px.clamp(top, bottom);
        (candidate.x_at(y) - field.x_px).hypot(y - field.y_px) > field.radius_px + candidate.width
    })
}

/// Whether a short line runs along the rim of the field, where the light falls off.
fn along_rim(field: &FieldOfView, line: &Line) -> bool {
    let (first, last) = (line.rows.0 as f64, line.rows.1 as f64);
    let by_rim = |y: f64| {
        let away = (line.x_at(y) - field.x_px).hypot(y - field.y_px) - field.radius_px;
        away.abs() < line.width_px + RIM_PX
    };
    last - first < (RIM_SHARE * field.radius_px).max(RIM_WIDTHS * line.width_px)
        && [first, 0.5 * (first + last), last].into_iter().all(by_rim)
}

/// What lies this close to the rim of the field, px, along its whole length, and is shorter than this share of the field's
/// radius, or than so many times its own width, belongs to the rim.
const RIM_PX: f64 = 6.0;
const RIM_SHARE: f64 = 0.6;
const RIM_WIDTHS: f64 = 6.0;

/// A line of a frame is as high as the clearest one, as far as the field lets it be seen: of this share of that at least its light is
/// seen, or it is none. Images of one slit are of one height (common practice, no source).
const SCRAP_SHARE: f64 = 0.25;
/// So much less clear than the clearest one a line must be for that.
const SCRAP_CLEARNESS: f64 = 0.2;

/// Leaves out short patches of light beside a clear line, as strong compression makes them.
pub(super) fn without_scraps(lines: &mut Vec<Line>, field: Option<&FieldOfView>) {
    let clearest = lines
        .iter()
        .max_by(|a, b| a.signal_to_noise.total_cmp(&b.signal_to_noise))
        .map(|line| (line.rows, line.signal_to_noise));
    let Some(((first, last), clearness)) = clearest else {
        return;
    };
    lines.retain(|line| {
        let in_field = |y: &usize| {
            field.is_none_or(|field| {
                let y = *y as f64;
                (line.x_at(y) - field.x_px).hypot(y - field.y_px) < field.radius_px
            })
        };
        let height = (first..=last).filter(in_field).count() as f64;
        line.signal_to_noise > SCRAP_CLEARNESS * clearness
            || (line.rows.1 - line.rows.0) as f64 > SCRAP_SHARE * height
    });
}

/// How much farther than those seen a line may lean: images of one slit lean alike, but for what the prism bends them.
const TILTS_APART: f64 = 0.06;

/// The tangents between which lines lean, with some more on either side; `None` without lines.
fn tilts_of(lines: &[Line], more: f64) -> Option<(f64, f64)> {
    lines
        .iter()
        .map(|line| line.tilt_deg.to_radians().tan())
        .fold(None, |span: Option<(f64, f64)>, t| {
            Some(span.map_or((t, t), |(a, b)| (a.min(t), b.max(t))))
        })
        .map(|(a, b)| (a - more, b + more))
}

/// Finds close neighbours: a line whose light has two summits is two lines, whichever of them it was taken for.
fn divide(drafts: &mut Vec<Draft>, scene: &Scene<'_>, bench: &mut Bench) {
    for i in 0..drafts.len() {
        if !drafts[i].alive {
            continue;
        }
        let summits = drafts[i].summits(scene);
        if summits.len() < 2 {
            continue;
        }
        let least = summits
            .windows(2)
            .map(|pair| pair[1] - pair[0])
            .fold(f64::INFINITY, f64::min);
        let own = drafts[i].thread.x_at(scene.y_ref);
        // A line of its own stands on one of the summits; one between two of them stands for both. So does one of an earlier look
        // whose light in this one is not known, so that it could not be taken off; but as long as no hairs are known, the valley may be
        // the shade of one.
        let measured = scene.hairs.is_none() || !drafts[i].thread.raw.is_empty();
        // What is broader than they are apart has the light of more than one, however near to one of them it lies.
        let broad = drafts[i].thread.shape.width_px() > least;
        let stands = measured && !broad && summits.iter().any(|place| place.abs() < 0.25 * least);
        let fresh: Vec<f64> = summits
            .into_iter()
            .filter(|place| {
                !drafts.iter().enumerate().any(|(j, draft)| {
                    draft.alive
                        && (j != i || stands)
                        && along_most(draft.span(), drafts[i].span())
                        && (draft.thread.x_at(scene.y_ref) - own - place).abs() < 0.4 * least
                })
            })
            .collect();
        // Each is measured without the others, which at first have the light of the line that was divided.
        let mut parts: Vec<Draft> = fresh
            .iter()
            .map(|&place| drafts[i].beside(place, 0.7 * least))
            .collect();
        for _ in 0..2 {
            for k in 0..parts.len() {
                let (threads, spans): (Vec<Thread>, Vec<(usize, usize)>) = drafts
                    .iter()
                    .enumerate()
                    .filter(|(j, other)| {
                        (*j != i || stands)
                            && (other.thread.x_at(scene.y_ref) - own).abs() < NEIGHBOURS_PX
                    })
                    .map(|(_, other)| other)
                    .chain(
                        parts
                            .iter()
                            .enumerate()
                            .filter(|(j, _)| *j != k)
                            .map(|(_, part)| part),
                    )
                    .filter(|other| other.alive)
                    .map(|other| (other.thread.clone(), other.span()))
                    .unzip();
                parts[k].measure(scene, &threads, &spans, 3, bench);
            }
        }
        if !stands && parts.iter().any(|part| part.alive) {
            drafts[i].alive = false;
        }
        for part in parts {
            keep_new(drafts, part);
        }
    }
}

/// Whether rows reach along at least half of others.
fn along_most(rows: (usize, usize), of: (usize, usize)) -> bool {
    let both = rows.1.min(of.1) + 1;
    2 * both.saturating_sub(rows.0.max(of.0)) > of.1 - of.0
}

/// Adds a draft unless there is nothing, or the same line already; a piece of it gives way to the whole.
fn keep_new(drafts: &mut Vec<Draft>, draft: Draft) {
    if !draft.alive {
        return;
    }
    let twice = |d: &Draft| d.alive && same(&d.thread, d.span(), &draft.thread, draft.span());
    match drafts.iter_mut().find(|d| twice(d)) {
        None => drafts.push(draft),
        Some(piece) if 2 * piece.rows < draft.rows => *piece = draft,
        Some(_) => {}
    }
}

/// Height at which lines are told: that of the crossing, or the middle of the field or of the picture.
fn reference_height(grey: Grey<'_>, picture: &Picture, hairs: Option<&CrossHairs>) -> f64 {
    let last = grey.height as f64 - 1.0;
    hairs.map_or_else(
        || {
            picture
                .field
                .as_ref()
                .map_or(last / 2.0, |f| f.y_px.clamp(0.0, last))
        },
        |c| c.y_px,
    )
}

/// Whether the hairs of the picture are where they were taken to be, as far as a search for lines cares.
fn moved_little(before: &CrossHairs, picture: &Picture) -> bool {
    picture.cross_hairs.as_ref().is_some_and(|now| {
        let turned = |h: usize| (now.hairs[h].angle_deg - before.hairs[h].angle_deg).abs();
        (now.x_px - before.x_px).hypot(now.y_px - before.y_px) < 0.5
            && turned(0).max(turned(1)) < 0.2
    })
}

/// Measures all lines again, near ones together, until nothing is dropped any more.
fn settle(drafts: &mut [Draft], scene: &Scene<'_>, joint: &mut Joint) -> Vec<Line> {
    let mut due: Vec<bool> = vec![true; drafts.len()];
    for round in 0..4 {
        for group in groups(drafts, scene) {
            if !group.iter().any(|&i| due[i]) {
                continue;
            }
            let simpler: Vec<Draft> = match group[..] {
                [only] if round == 0 => vec![drafts[only].clone()],
                _ => Vec::new(),
            };
            if !joint.fit(drafts, &group, scene, FROM_ROUGH) {
                for &i in &group {
                    let alone = group.len() > 1 && joint.fit(drafts, &[i], scene, FROM_ROUGH);
                    drafts[i].alive &= alone;
                }
            }
            // A fit that lost what was clearly there began badly, as it may with a clipped core: the simpler one stands.
            for (&i, before) in group.iter().zip(simpler) {
                let lost = !drafts[i].alive || drafts[i].line(scene).is_none();
                let clear = |line: &Line| line.signal_to_noise > CLEAR_SIGNAL_TO_NOISE;
                if lost && before.line(scene).is_some_and(|line| clear(&line)) {
                    drafts[i] = before;
                }
            }
        }
        due.fill(false);
        let mut lost: Vec<f64> = Vec::new();
        for i in 0..drafts.len() {
            if !drafts[i].alive {
                continue;
            }
            let before = drafts[i].span();
            drafts[i].trim();
            let twice = (0..drafts.len()).any(|j| {
                let (one, other) = (&drafts[j], &drafts[i]);
                // Of two that lie on each other the clearer one stays, or the first.
                let stays = || {
                    let (theirs, own) = (clearness(one, scene), clearness(other, scene));
                    if j < i { theirs >= own } else { theirs > own }
                };
                j != i
                    && one.alive
                    && same(&one.thread, one.span(), &other.thread, other.span())
                    && stays()
            });
            if twice || !drafts[i].alive || drafts[i].line(scene).is_none() {
                drafts[i].alive = false;
                lost.push(drafts[i].thread.axis[0]);
            } else if round == 0 {
                due[i] = drafts[i].span() != before;
            }
        }
        for (draft, due) in drafts.iter().zip(&mut due) {
            *due |= lost
                .iter()
                .any(|x| (draft.thread.axis[0] - x).abs() < NEIGHBOURS_PX);
        }
        if !drafts
            .iter()
            .zip(&due)
            .any(|(draft, due)| draft.alive && *due)
        {
            break;
        }
    }
    lines_of(drafts, scene)
}

/// Signal-to-noise ratio of what a draft makes as a line, or nothing.
fn clearness(draft: &Draft, scene: &Scene<'_>) -> f64 {
    draft.line(scene).map_or(0.0, |line| line.signal_to_noise)
}

/// Living drafts in groups whose profiles reach each other.
pub(super) fn groups(drafts: &[Draft], scene: &Scene<'_>) -> Vec<Vec<usize>> {
    let place = |i: usize| {
        let (from, to) = drafts[i].span();
        drafts[i]
            .thread
            .x_at(scene.y_ref.clamp(from as f64, to.max(from) as f64))
    };
    let mut order: Vec<usize> = (0..drafts.len()).filter(|&i| drafts[i].alive).collect();
    order.sort_by(|&a, &b| place(a).total_cmp(&place(b)));
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for i in order {
        let shape = &drafts[i].thread.shape;
        let rows = drafts[i].span();
        let near = |&other: &usize| {
            let with = &drafts[other].thread.shape;
            let reach = 1.15 * (shape.width_px() + with.width_px())
                + 1.6 * (shape.blur_px + with.blur_px)
                + APART_PX;
            let theirs = drafts[other].span();
            // Above or below each other they have no light in common.
            place(i) - place(other) < reach && rows.0 <= theirs.1 && theirs.0 <= rows.1
        };
        let mut open = groups.iter_mut().rev().take(MOST_LINES);
        match open.find(|group| group.len() < MOST_LINES && group.iter().any(near)) {
            Some(group) => group.push(i),
            None => groups.push(vec![i]),
        }
    }
    groups
}

fn lines_of(drafts: &[Draft], scene: &Scene<'_>) -> Vec<Line> {
    let w = scene.grey.width as f64;
    let mut lines: Vec<Line> = drafts.iter().filter_map(|d| d.line(scene)).collect();
    lines.retain(|line| line.x_px > -w && line.x_px < 2.0 * w);
    lines.sort_by(|a, b| a.x_px.total_cmp(&b.x_px));
    lines
}

/// Whether two threads lie on each other where both reach.
fn same(a: &Thread, a_rows: (usize, usize), b: &Thread, b_rows: (usize, usize)) -> bool {
    let (from, to) = (a_rows.0.max(b_rows.0), a_rows.1.min(b_rows.1));
    let reach = 0.5 * a.shape.width_px().max(b.shape.width_px()) + 0.5;
    if from > to {
        return false;
    }
    (0..5)
        .filter(|&i| {
            let y = from as f64 + (to - from) as f64 * (f64::from(i) + 0.5) / 5.0;
            (a.x_at(y) - b.x_at(y)).abs() < reach
        })
        .count()
        >= 2
}
