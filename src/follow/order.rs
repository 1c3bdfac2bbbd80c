//! Two lines keep their order and their distance.
//!
//! At one angle of incidence the deviation grows steadily with the index, so while the table turns two lines of one lamp
//! never pass each other, and the distance of a close pair hardly changes. Where a pair was seen as one line for some
//! frames, at a hair or in poor light, the motion alone can't tell which is which behind it; their distance can.

use super::identity::{SEEN_TO_BE_A_LINE, Sighting, Track};

/// A pair that was not seen apart for longer than this is not judged, s.
const LONGEST_S: f64 = 2.0;
/// Time over which the change of the distance is read before it, s.
const BEFORE_S: f64 = 0.6;
/// A distance counts from so many of its standard uncertainties, and from so many px.
const LEAST_IN_U: f64 = 6.0;
const LEAST_PX: f64 = 1.0;
/// Largest change of the distance since, as a share of it: what draws near that fast may pass the other.
const MOST_CHANGE: f64 = 0.5;
/// Largest misfit of the distance with the names exchanged, as a share of that without.
const MOST_MISFIT: f64 = 0.4;

/// Gives tracks that exchanged their lines since they were last seen together each its own again; `frame` is the newest.
pub(super) fn keep(open: &mut [Track], frame: u64) {
    for j in 1..open.len() {
        let (before, rest) = open.split_at_mut(j);
        let Some(second) = rest.first_mut().filter(|track| is_seen(track, frame)) else {
            continue;
        };
        for first in before.iter_mut().filter(|track| is_seen(track, frame)) {
            if let Some(together) = exchanged(first, second) {
                first.exchange_after(second, together);
            }
        }
    }
}

fn is_seen(track: &Track, frame: u64) -> bool {
    track.sightings.len() >= SEEN_TO_BE_A_LINE
        && track.sightings.last().is_some_and(|s| s.frame == frame)
}

/// The frame in which two tracks were last seen together before their newest, if they exchanged their lines since.
fn exchanged(first: &Track, second: &Track) -> Option<u64> {
    let mut together = both(&first.sightings, &second.sightings);
    let (now, _) = together.next()?;
    let (last, u_px) = together.next()?;
    if now.distance_px * last.distance_px > 0.0 || now.time_s - last.time_s > LONGEST_S {
        return None;
    }
    let early = together
        .map(|(apart, _)| apart)
        .take_while(|apart| last.time_s - apart.time_s < BEFORE_S)
        .last()?;
    let speed_px_s = (last.distance_px - early.distance_px) / (last.time_s - early.time_s);
    let change_px = speed_px_s * (now.time_s - last.time_s);
    let expected_px = last.distance_px + change_px;
    let (kept_px, exchanged_px) = (
        (now.distance_px - expected_px).abs(),
        (-now.distance_px - expected_px).abs(),
    );
    (last.distance_px.abs() > (LEAST_IN_U * u_px).max(LEAST_PX)
        && change_px.abs() < MOST_CHANGE * last.distance_px.abs()
        && exchanged_px < MOST_MISFIT * kept_px)
        .then_some(last.frame)
}

/// Two lines in one frame.
#[derive(Clone, Copy)]
struct Apart {
    frame: u64,
    time_s: f64,
    /// Of the second from the first, with its sign.
    distance_px: f64,
}

/// Frames in which both were seen, the newest first, with the standard uncertainty of the distance, px.
fn both<'a>(
    first: &'a [Sighting],
    second: &'a [Sighting],
) -> impl Iterator<Item = (Apart, f64)> + 'a {
    let mut others = second.iter().rev().peekable();
    first.iter().rev().filter_map(move |one| {
        while others.next_if(|other| other.frame > one.frame).is_some() {}
        let other = others.next_if(|other| other.frame == one.frame)?;
        let apart = Apart {
            frame: one.frame,
            time_s: one.time_s,
            distance_px: other.x_px - one.x_px,
        };
        let u_px = f64::from(one.covariance[0] + other.covariance[0]).sqrt();
        Some((apart, u_px))
    })
}

#[cfg(test)]
mod tests {
    use super::super::identity::Identity;
    use super::super::tests::line_at;

    /// Names and newest places of the lines that were followed.
    fn followed(frames: u64, places_px: impl Fn(u64) -> Vec<f64>) -> Vec<(f64, f64)> {
        let mut identity = Identity::default();
        for frame in 0..frames {
            let lines: Vec<_> = places_px(frame)
                .into_iter()
                .map(|x_px| line_at(x_px, 0.02, 4.0, 5e4))
                .collect();
            identity.step(frame, frame as f64 / 25.0, &lines, 0.0);
        }
        let ends = |track: &super::Track| {
            let x_px = |s: Option<&super::Sighting>| s.map_or(f64::NAN, |s| s.x_px);
            (x_px(track.sightings.first()), x_px(track.sightings.last()))
        };
        let mut all: Vec<_> = identity.open.iter().map(ends).collect();
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        all
    }

    /// At a hair a pair is one line for half a second, and what is seen of it draws to its left.
    #[test]
    fn a_pair_that_was_one_line_for_a_while_keeps_its_order() {
        for (merged, drift_px) in [(3, 0.0), (8, -0.2), (12, -0.3), (12, 0.3), (30, 0.0)] {
            let ends = followed(90, |frame| {
                let x_px = 100.0 + 1.3 * frame as f64;
                match frame.checked_sub(40) {
                    Some(since) if since < merged => vec![x_px + 3.0 + drift_px * since as f64],
                    _ => vec![x_px, x_px + 5.8],
                }
            });
            assert_eq!(ends.len(), 2, "{merged} frames: {ends:?}");
            assert!(ends[0].1 < ends[1].1, "{merged} frames: {ends:?}");
        }
    }

    /// A reflection may run through a line, and then the two have passed each other.
    #[test]
    fn a_reflection_that_passes_a_line_is_let_pass() {
        let ends = followed(90, |frame| {
            let time = frame as f64;
            let (line, reflection) = (100.0 + 0.8 * time, 160.0 - 0.5 * time);
            if (reflection - line).abs() < 4.0 {
                vec![0.5 * (line + reflection)]
            } else {
                vec![line.min(reflection), line.max(reflection)]
            }
        });
        assert_eq!(ends.len(), 2, "{ends:?}");
        assert!(ends[0].1 > ends[1].1, "{ends:?}");
    }
}
