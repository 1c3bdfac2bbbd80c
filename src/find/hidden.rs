//! An upright hair that lies on a line: where its level companion is seen alone, the two halves of the line tell where it is.
//!
//! Both hairs of a cross are spun from one thread and stand square on each other (common practice, no source), so width, depth
//! and direction of the hidden one are known but for a little. Its place is tried across the line; where line and hair together
//! explain the pixels best it is fitted with the line ([`joint`](super::joint)).
//!
//! Nothing is found where no level hair is seen, where the line needs no hair, or where even both together do not explain the pixels.
//! Checked by `a_hair_on_a_line_of_a_single_frame_is_no_gap_between_two_lines`; the bounds were found on simulated stills.

use super::detect::Candidate;
use super::hairs::{Found, best_pair};
use super::joint::{Joint, MOST_LINES, Rules};
use super::lines::{Draft, Scene};
use super::{CrossHairs, Line, shape::Shape};

/// Lines that are tried, at most, and steps across each, px.
const MOST_TRIED: usize = 4;
const STEP_PX: f64 = 1.0;
const FINE_STEP_PX: f64 = 0.3;
const FINE_STEPS: i32 = 3;
/// A hair on its edge may cut off a line what makes this share of the hair's width on either side of its middle.
const CUT: f64 = 0.35;
/// Slopes beside the square one that are tried, on either side, and their step.
const SLOPES: i32 = 3;
const SLOPE_STEP: f64 = 0.002;
/// Fits at the end, each about where the hair was found before.
const ROUNDS: usize = 4;
/// Steps of each fit.
const RULES: Rules = Rules {
    iterations: 10,
    shape_known: false,
    seen_before: false,
    profile_trusted: true,
};
/// A fit that begins where another ended and leaves so many times its residuals has gone astray.
const ASTRAY: f64 = 1.5;
/// Mean square of the residuals of a hair and a line that explain the pixels, at most, in variances of the noise.
const MOST_MISFIT: f64 = 20.0;
/// The same of lines that need no hair.
const WELL_EXPLAINED: f64 = 1.8;
/// Fits whose residuals are no larger are all good: of them that of the strongest candidate is taken.
const EQUALLY_GOOD: f64 = 2.0;
/// Mean square of the residuals without the hair over that with it, at least.
const BETTER: f64 = 2.0;
/// Least standard uncertainty of the place of such a hair, px, and that of its turn, rad.
const PLACE_PX: f64 = 0.1;
const TURN: f64 = 0.002;

/// The hidden hair's place in the middle of the picture's height, and its slope.
#[derive(Clone, Copy, Debug)]
struct Place {
    x_px: f64,
    slope: f64,
}

/// What became of the search.
#[derive(Clone, Debug)]
pub(super) enum Hidden {
    /// The cross of both hairs, and the line that hides one of them.
    Found(Box<(CrossHairs, Line)>),
    /// It may lie on lines here that no line alone explains: places in the middle of the picture's height and how far about, px.
    Somewhere(Vec<(f64, f64)>),
}

/// The hair that makes a cross with the hair `one`, which is level, and that a line at one of `candidates` hides.
pub(super) fn hidden_hair(
    scene: &Scene<'_>,
    one: &Found,
    candidates: &[Candidate],
    lines: &[Line],
    joint: &mut Joint,
) -> Hidden {
    let mut unexplained = Vec::new();
    if one.along.0.abs() < 0.9 {
        return Hidden::Somewhere(unexplained);
    }
    let square = -one.along.1 / one.along.0;
    let tall = |c: &&Candidate| (c.rows.1 - c.rows.0) * 5 > scene.grey.height * 2;
    let mut best: Option<(f64, CrossHairs, Line)> = None;
    for candidate in whole_candidates(candidates)
        .iter()
        .filter(tall)
        .take(MOST_TRIED)
    {
        let Some(whole) = whole_line(scene, candidate) else {
            continue;
        };
        let without = without_hair(scene, &whole, lines, joint);
        if without < WELL_EXPLAINED {
            continue;
        }
        match across(scene, one, &whole, square, joint) {
            Some((misfit, cross, line)) if misfit <= MOST_MISFIT && BETTER * misfit <= without => {
                let misfit = misfit.max(EQUALLY_GOOD);
                if best.as_ref().is_none_or(|best| misfit < best.0) {
                    best = Some((misfit, cross, line));
                }
            }
            _ => {
                let x_px = whole.thread.x_at(scene.grey.height as f64 / 2.0);
                unexplained.push((x_px, whole.thread.shape.width_px() + one.width));
            }
        }
    }
    best.map_or(Hidden::Somewhere(unexplained), |(_, cross, line)| {
        Hidden::Found(Box::new((cross, line)))
    })
}

/// Makes lines more uncertain that a hair of this width may lie on unseen: their middle may lie anywhere within it.
pub(super) fn widen(lines: &mut [Line], hair_px: f64, places: &[(f64, f64)], height: usize) {
    let more = hair_px / 12.0_f64.sqrt();
    let middle = height as f64 / 2.0;
    for line in lines {
        let x = line.x_at(middle);
        if places
            .iter()
            .any(|(place, reach)| (x - place).abs() < *reach)
        {
            line.lasting_px = line.lasting_px.hypot(more);
            line.u_px = line.u_px.hypot(more);
            line.covariance[0][0] += more * more;
        }
    }
}

/// The candidates, with the pieces that a hair has made of one line put together again; the strongest first, as they came.
fn whole_candidates(candidates: &[Candidate]) -> Vec<Candidate> {
    let mut all: Vec<Candidate> = Vec::with_capacity(candidates.len());
    for piece in candidates {
        let middle = (piece.rows.0 + piece.rows.1) as f64 / 2.0;
        let joins = |whole: &&mut Candidate| {
            let narrow = whole.width.min(piece.width);
            let alike = whole.width.max(piece.width) < 2.0 * narrow;
            let apart = piece.rows.0 > whole.rows.1 || piece.rows.1 < whole.rows.0;
            // How far the direction of a short piece leads astray on the way to the other.
            let (first, last) = (whole.rows.0 as f64, whole.rows.1 as f64);
            let reach =
                narrow * (1.0 + (middle - 0.5 * (first + last)).abs() / (last - first + 1.0));
            alike && apart && (whole.x_at(middle) - piece.x_mid).abs() < reach
        };
        let Some(whole) = all.iter_mut().find(joins) else {
            all.push(*piece);
            continue;
        };
        let rows = (
            whole.rows.0.min(piece.rows.0),
            whole.rows.1.max(piece.rows.1),
        );
        let tangent =
            (piece.x_mid - whole.x_mid) / (middle - (whole.rows.0 + whole.rows.1) as f64 / 2.0);
        whole.x_mid +=
            tangent * ((rows.0 + rows.1) as f64 - (whole.rows.0 + whole.rows.1) as f64) / 2.0;
        whole.tangent = tangent;
        whole.rows = rows;
    }
    all
}

/// One fit of line and hair together.
struct Tried {
    misfit: f64,
    /// Where the hair came to lie, with its uncertainty along the rows, px.
    place: Place,
    u_px: f64,
    moved_px: f64,
    line: Draft,
}

/// Tries a hair across one line; with the cross and the line, the mean square of the residuals that they leave.
fn across(
    scene: &Scene<'_>,
    one: &Found,
    whole: &Draft,
    square: f64,
    joint: &mut Joint,
) -> Option<(f64, CrossHairs, Line)> {
    let middle = scene.grey.height as f64 / 2.0;
    let x_px = whole.thread.x_at(middle);
    let width = whole.thread.shape.width_px();
    let mut tried = |place: Place, line: &Draft| {
        let cross = crossed(scene, one, place, PLACE_PX)?;
        let on_line = Scene {
            hairs: Some(&cross),
            ..*scene
        };
        let mut drafts = [line.clone()];
        let fits = joint.fit(&mut drafts, &[0], &on_line, RULES);
        let [line] = drafts;
        let (moved_px, u_px, turned) = joint.hair_moved(middle);
        let place = Place {
            x_px: place.x_px + moved_px,
            slope: place.slope + turned,
        };
        // Where the light is that of another line than was tried, the hair has nothing to be hidden by.
        let reach = line.thread.shape.width_px() + one.width;
        let on_line = (place.x_px - line.thread.x_at(middle)).abs() < reach;
        (fits && on_line).then(|| Tried {
            misfit: joint.misfit(),
            place,
            u_px,
            moved_px,
            line,
        })
    };
    let better = |best: &Option<Tried>, new: &Tried| {
        best.as_ref().is_none_or(|best| new.misfit < best.misfit)
    };
    let mut best: Option<Tried> = None;
    let steps = ((width + one.width) / STEP_PX) as i32;
    let whole_of = |cut: f64| (cut * one.width, width + 2.0 * cut.abs() * one.width);
    let starts = [
        (0.0, width),
        (-0.3 * width, width),
        (0.3 * width, width),
        whole_of(-CUT),
        whole_of(CUT),
    ];
    for (shift, width) in starts {
        let mut line = whole.clone();
        line.thread.axis[0] += shift;
        line.thread.shape = Shape::of_width(width);
        for k in -steps..=steps {
            let place = Place {
                x_px: x_px + f64::from(k) * STEP_PX,
                slope: square,
            };
            best = tried(place, &line)
                .filter(|new| better(&best, new))
                .or(best);
        }
    }
    let coarse = best?;
    let (place, line) = (coarse.place, coarse.line.clone());
    let mut best = Some(coarse);
    for k in -FINE_STEPS..=FINE_STEPS {
        let x_px = place.x_px + f64::from(k) * FINE_STEP_PX;
        best = tried(Place { x_px, ..place }, &line)
            .filter(|new| better(&best, new))
            .or(best);
    }
    let place = best.as_ref().map_or(place, |best| best.place);
    for k in -SLOPES..=SLOPES {
        let slope = square + f64::from(k) * SLOPE_STEP;
        best = tried(Place { slope, ..place }, &line)
            .filter(|new| better(&best, new))
            .or(best);
    }
    let mut best = best?;
    // The pixels about a try that began with a wide line show little of the line: how well it is explained, a fit to those about it tells.
    let mut misfit = best.misfit;
    for _ in 0..ROUNDS {
        let again = tried(best.place, &best.line)?;
        misfit = again.misfit;
        if again.misfit > ASTRAY * best.misfit {
            break;
        }
        best = again;
        if best.moved_px.abs() < 0.2 * best.u_px {
            break;
        }
    }
    let cross = crossed(scene, one, best.place, best.u_px)?;
    best.line.trim();
    let on_line = Scene {
        hairs: Some(&cross),
        ..*scene
    };
    // Without a hair the pixels were not explained at all, so that this is no shade that is off.
    let line = best.line.line_on_hair(&on_line)?;
    Some((misfit, cross, line))
}

/// Mean square of the residuals of one line, or of those that were seen about it, without any hair.
fn without_hair(scene: &Scene<'_>, whole: &Draft, lines: &[Line], joint: &mut Joint) -> f64 {
    let bare = Scene {
        hairs: None,
        ..*scene
    };
    let mut misfit = |mut drafts: Vec<Draft>| {
        let group: Vec<usize> = (0..drafts.len()).collect();
        if joint.fit(&mut drafts, &group, &bare, RULES) {
            joint.misfit()
        } else {
            f64::INFINITY
        }
    };
    let reach = whole.thread.shape.width_px() + 6.0;
    let x = whole.thread.x_at(scene.y_ref);
    let seen: Vec<Draft> = lines
        .iter()
        .filter(|line| (line.x_at(scene.y_ref) - x).abs() < reach)
        .take(MOST_LINES)
        .map(|line| Draft::from_line(line, line.x_px, line.y_ref_px, scene))
        .collect();
    let as_seen = if seen.is_empty() {
        f64::INFINITY
    } else {
        misfit(seen)
    };
    as_seen.min(misfit(vec![whole.clone()]))
}

/// The cross that a level hair and one at `place` make.
fn crossed(scene: &Scene<'_>, one: &Found, place: Place, u_px: f64) -> Option<CrossHairs> {
    let lean = place.slope.hypot(1.0);
    let other = Found {
        point: (place.x_px, scene.grey.height as f64 / 2.0),
        along: (-place.slope / lean, -1.0 / lean),
        seen: (f64::NEG_INFINITY, f64::INFINITY),
        bow: 0.0,
        covariance: [
            [u_px.powi(2) + PLACE_PX.powi(2), 0.0, 0.0],
            [0.0, TURN * TURN, 0.0],
            [0.0; 3],
        ],
        ..*one
    };
    best_pair(&[*one, other], &scene.grey, &[f64::INFINITY; 3]).map(|(cross, _)| cross)
}

/// A line at the centre of the light about a candidate, as wide as that light: the hair may have made two of it.
fn whole_line(scene: &Scene<'_>, candidate: &Candidate) -> Option<Draft> {
    const EVERY: usize = 4;
    let reach = 1.5 * candidate.width + 12.0;
    let bins = (2.0 * reach) as usize + 1;
    let mut sums = vec![(0.0_f64, 0_u32); bins];
    for y in (candidate.rows.0..candidate.rows.1).step_by(EVERY) {
        let x = candidate.x_at(y as f64);
        let from = (x - reach).ceil().max(0.0) as usize;
        let row = scene.grey.row(y).iter().enumerate().skip(from);
        for (column, &level) in row.take_while(|(column, _)| *column as f64 <= x + reach) {
            if let Some(sum) = sums.get_mut((column as f64 - x + reach) as usize) {
                sum.0 += f64::from(scene.grey.level(level));
                sum.1 += 1;
            }
        }
    }
    let means: Vec<f64> = sums
        .iter()
        .map(|sum| sum.0 / f64::from(sum.1.max(1)))
        .collect();
    let mut sorted = means.clone();
    sorted.sort_by(f64::total_cmp);
    let (base, top) = (sorted[bins / 4], sorted[bins - 1]);
    let floor = base + 0.15 * (top - base);
    let (mut light, mut first, mut second) = (0.0, 0.0, 0.0);
    for (bin, mean) in means.iter().enumerate() {
        let (weight, away) = ((mean - floor).max(0.0), bin as f64 + 0.5 - reach);
        light += weight;
        first += weight * away;
        second += weight * away * away;
    }
    if light <= 0.0 {
        return None;
    }
    let centre = first / light;
    let spread = (second / light - centre * centre).max(0.5).sqrt();
    let mut draft = Draft::from_candidate(candidate, scene);
    draft.thread.axis[0] += centre;
    draft.thread.shape = Shape::of_width(2.0 * spread);
    Some(draft)
}
