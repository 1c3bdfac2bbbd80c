//! Whether a reading is plausible, before it is kept: the slips that people make at a divided circle.
//!
//! Lines are held against each other and against glass by the calculator's own search for slips (`prism::slips`); readings of which the
//! calculator sees only the sum are held against the earlier ones of their kind. The limits are common practice, no source.

use super::book::{Book, KeptReading, ReadingKind};
use super::results::{Results, scale_points};
use crate::basics::fit::median;
use crate::basics::units::{Angle, CircleReading, folded_deg};
use crate::logbook::circle::{from_opposite_deg, window_mean};

/// Windows that differ from 180 degrees by more than this, beyond what the circle's eccentricity does, degrees.
const WINDOWS_DIFFER_DEG: f64 = 0.15;
/// A window this near to where the other one was before was taken for it, degrees.
const SWAPPED_WITHIN_DEG: f64 = 15.0;
/// Telescope and central image are no farther apart than this when a line is read, degrees.
const FARTHEST_LINE_DEG: f64 = 90.0;
/// The central image is found again within this, degrees.
const SAME_PLACE_DEG: f64 = 0.25;
/// A scale reading lies on the line through the others within this, degrees.
const ON_THE_SCALE_DEG: f64 = 0.15;
/// Farthest that scale readings lie apart: the field of an eyepiece, degrees.
const FIELD_DEG: f64 = 5.0;
/// Repeats of a refracting angle agree within this, degrees.
const SAME_PRISM_DEG: f64 = 0.1;
/// Refracting angles of prisms that are used, degrees.
const PRISM_DEG: std::ops::RangeInclusive<f64> = 15.0..=90.0;
/// Indices of glasses and liquids.
const INDEX: std::ops::RangeInclusive<f64> = 1.3..=2.1;
/// Cauchy's second coefficient of glasses and liquids, µm².
const CAUCHY_B_UM2: std::ops::RangeInclusive<f64> = 0.002..=0.025;
/// Lines that lie nearer together say nothing of dispersion, nm.
const APART_NM: f64 = 10.0;

/// The first doubt about a reading that would be the last of the book, if any; `before` are the results without it and `with` those
/// with it.
pub(super) fn doubt(
    book: &Book,
    candidate: &KeptReading,
    before: &Results,
    with: &Results,
) -> Option<String> {
    windows(book, candidate)
        .or_else(|| swapped(book, candidate))
        .or_else(|| match candidate.kind {
            ReadingKind::Scale => on_scale(book, candidate),
            ReadingKind::Central => same_central(book, candidate, with),
            ReadingKind::Face => face(with, before),
            ReadingKind::Line => None,
        })
        .or_else(|| against_glass(candidate, before, with))
}

fn degrees(angle_deg: f64) -> String {
    Angle::from_degrees(angle_deg.abs()).deg_min_sec(0)
}

/// Names a slip of the usual size.
fn usual_slip(off_deg: f64) -> Option<&'static str> {
    const WITHIN_DEG: f64 = 0.1;
    [
        (0.5, "a slip of half a degree"),
        (1.0, "a slip of a whole degree"),
        (10.0, "a slip of ten degrees"),
    ]
    .into_iter()
    .find(|(slip, _)| (off_deg.abs() - slip).abs() < WITHIN_DEG)
    .map(|(_, words)| words)
}

fn windows(book: &Book, candidate: &KeptReading) -> Option<String> {
    let differ = from_opposite_deg(candidate.window_1, candidate.window_2?);
    let others: Vec<f64> = book
        .that_count()
        .filter_map(|reading| Some(from_opposite_deg(reading.window_1, reading.window_2?)))
        .collect();
    let usual = if others.is_empty() {
        0.0
    } else {
        median(&others)
    };
    let off = folded_deg(differ - usual);
    (off.abs() > WINDOWS_DIFFER_DEG).then(|| {
        let slip = usual_slip(off).map_or_else(String::new, |slip| {
            format!(": it looks like {slip} in one of them")
        });
        format!(
            "the windows differ by {} from lying opposite each other{slip}; read both again",
            degrees(off)
        )
    })
}

/// The reading before it that the telescope must have been near to.
fn neighbour<'a>(book: &'a Book, candidate: &KeptReading) -> Option<(&'a KeptReading, f64)> {
    let of = |kinds: &[ReadingKind]| {
        book.that_count()
            .rfind(|reading| kinds.contains(&reading.kind))
    };
    match candidate.kind {
        ReadingKind::Scale => of(&[ReadingKind::Scale]).map(|r| (r, SWAPPED_WITHIN_DEG)),
        ReadingKind::Central => of(&[ReadingKind::Central]).map(|r| (r, SWAPPED_WITHIN_DEG)),
        ReadingKind::Line => of(&[ReadingKind::Line])
            .map(|r| (r, SWAPPED_WITHIN_DEG))
            .or_else(|| {
                of(&[ReadingKind::Central, ReadingKind::Scale]).map(|r| (r, FARTHEST_LINE_DEG))
            }),
        ReadingKind::Face => None,
    }
}

fn swapped(book: &Book, candidate: &KeptReading) -> Option<String> {
    let (other, within) = neighbour(book, candidate)?;
    let from = |a: CircleReading, b: CircleReading| folded_deg(a.degrees() - b.degrees()).abs();
    let far = from(candidate.window_1, other.window_1);
    if far <= within {
        return None;
    }
    if from_turned(candidate.window_1, other.window_1) <= within {
        return Some(format!(
            "window 1 reads what window 2 read before ({}): the windows look swapped; take the same window first each time",
            other.window_2.map_or_else(
                || other.entry.window_1.clone(),
                |_| other.entry.window_2.clone().unwrap_or_default()
            )
        ));
    }
    Some(format!(
        "the reading lies {} from reading {} ({}), farther than the telescope goes between the two; look at the whole degrees",
        degrees(far),
        other.id,
        other.entry.window_1
    ))
}

/// How far a reading is from the opposite of another, degrees.
fn from_turned(a: CircleReading, b: CircleReading) -> f64 {
    folded_deg(a.degrees() - b.degrees() - 180.0).abs()
}

fn on_scale(book: &Book, candidate: &KeptReading) -> Option<String> {
    let others = scale_points(book.counted(ReadingKind::Scale));
    let own = scale_points(std::iter::once(candidate))
        .into_iter()
        .next()?;
    let first = others.first()?;
    let apart = (own.reading - first.reading).degrees();
    if apart.abs() > FIELD_DEG {
        return Some(format!(
            "the reading lies {} from the first of the scale, wider than the field of an eyepiece; look at the whole degrees",
            degrees(apart)
        ));
    }
    let widest = others.iter().max_by(|a, b| {
        (a.offset_px - first.offset_px)
            .abs()
            .total_cmp(&(b.offset_px - first.offset_px).abs())
    })?;
    let span_px = widest.offset_px - first.offset_px;
    if span_px.abs() < 5.0 {
        return None;
    }
    let slope = (widest.reading - first.reading).degrees() / span_px;
    let off = apart - slope * (own.offset_px - first.offset_px);
    (off.abs() > ON_THE_SCALE_DEG).then(|| {
        let slip = usual_slip(off).map_or_else(String::new, |slip| format!(", {slip}"));
        format!(
            "the reading is {} off the line through the others of the scale{slip}; read it again",
            degrees(off)
        )
    })
}

fn same_central(book: &Book, candidate: &KeptReading, with: &Results) -> Option<String> {
    let place = |reading: &KeptReading| {
        let offset_deg = with
            .offsets_arcsec
            .get(&reading.id)
            .map_or(0.0, |(offset, _)| offset / 3600.0);
        window_mean(reading.window_1, reading.window_2) + Angle::from_degrees(offset_deg)
    };
    let other = book.counted(ReadingKind::Central).next_back()?;
    let off = (place(candidate) - place(other)).degrees();
    (off.abs() > SAME_PLACE_DEG).then(|| match usual_slip(off) {
        Some(slip) => format!(
            "the central image lies {} from where it was (reading {}), which looks like {slip}; read it again",
            degrees(off),
            other.id
        ),
        None => format!(
            "the central image lies {} from where it was (reading {}); if collimator and circle were not touched, read it again",
            degrees(off),
            other.id
        ),
    })
}

fn face(with: &Results, before: &Results) -> Option<String> {
    let now = with.prism_angle_deg.as_ref()?;
    if !PRISM_DEG.contains(&now.value()) {
        return Some(format!(
            "the two faces give a refracting angle of {}, which is no usual prism; look at both readings, and whether the telescope went round the right way",
            degrees(now.value())
        ));
    }
    let earlier = before.prism_angle_deg.as_ref()?;
    let off = now.value() - earlier.value();
    (off.abs() > SAME_PRISM_DEG).then(|| {
        let slip = usual_slip(2.0 * off)
            .map_or_else(String::new, |slip| format!(" ({slip} in one reading)"));
        format!(
            "the faces give {}, {} off what was known before{slip}; read them again",
            degrees(now.value()),
            degrees(off)
        )
    })
}

/// What the calculator says of a line with the others.
fn against_glass(candidate: &KeptReading, before: &Results, with: &Results) -> Option<String> {
    let row = usize::try_from(candidate.id).ok()?;
    let Some(experiment) = &with.experiment else {
        // Angles from which no index follows any more are told as they are.
        let broke = before.experiment.is_some()
            && matches!(candidate.kind, ReadingKind::Line | ReadingKind::Central);
        return broke.then(|| with.why_not.clone()).flatten();
    };
    let reduction = &experiment.reduction;
    let own = reduction
        .lines
        .iter()
        .filter(|line| line.rows.contains(&row))
        .collect::<Vec<_>>();
    for line in &own {
        if !INDEX.contains(&line.index.value()) {
            return Some(format!(
                "{} would have the index {:.3}, which no usual glass has; look at the whole degrees of both readings",
                line.line,
                line.index.value()
            ));
        }
    }
    let explained = &reduction.explained;
    if explained.wrong {
        let slip = explained
            .slips
            .iter()
            .find(|slip| slip.rows.contains(&row))
            .or_else(|| explained.slips.first());
        let was_wrong = before
            .experiment
            .as_ref()
            .is_some_and(|experiment| experiment.reduction.explained.wrong);
        match slip {
            Some(slip) => return Some(slip.sentence.clone()),
            None if !was_wrong => {
                return Some("with this reading the lines fit no glass, and without it they did; read it again".to_owned());
            }
            None => {}
        }
    }
    for line in own {
        let nm = line.wavelength.in_air_nm();
        for other in &reduction.lines {
            let other_nm = other.wavelength.in_air_nm();
            if (nm - other_nm).abs() < APART_NM {
                continue;
            }
            let inverse = |nm: f64| 1e6 / (nm * nm);
            let b_um2 =
                (line.index.value() - other.index.value()) / (inverse(nm) - inverse(other_nm));
            if !CAUCHY_B_UM2.contains(&b_um2) {
                return Some(format!(
                    "{} against {} would mean a dispersion that no usual glass has: one of the two is misread, by half a degree for instance, or misnamed",
                    line.line, other.line
                ));
            }
        }
    }
    None
}
