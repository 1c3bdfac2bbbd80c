//! What went wrong: which single slip of reading or booking would make readings fit that do not.
//!
//! Readings are held against what glass can do: a curve of two free coefficients whose departure from it is known
//! from the catalogue, and the two windows of the circle, whose difference is nearly constant. Where they do not fit, each slip
//! of a closed list is undone in turn, at every row, and those after which everything fits are named, the likeliest first.
//! Nothing is corrected. The list of slips is common practice, no source.

use crate::basics::fit::{chi_squared_probability, median};
use crate::basics::uncertainty::rounded;
use crate::basics::units::folded_deg;

use super::apex::{checked_prism_angle, degrees_if_radians};
use super::dispersion::{DispersionModel, fit_dispersion, misfit_from_glass};
use super::glasses::GlassTable;
use super::lamps::LampTable;
use super::reduce::{
    Pointed, PointedAt, ReductionOptions, indexed_lines, measured_lines, prism_angle,
};

/// Readings that fit with a larger probability than this are not called wrong.
const WRONG_BELOW: f64 = 1e-3;
/// A slip explains the readings if they fit with at least this probability once it is undone.
const EXPLAINED_FROM: f64 = 1e-3;
/// Explanations given at most.
const NAMED: usize = 3;
/// Explanations whose chi-squared is larger by more than this than the best one's are not named: odds of a hundred to one.
const FAR_BEHIND: f64 = 9.2;
/// Smallest scatter of the windows' difference that is assumed, degrees.
const WINDOW_SCATTER_DEG: f64 = 0.01;
/// Windows are taken for contradicting each other from this many times their scatter.
const WINDOWS_CONTRADICT: f64 = 6.0;
/// Chi-squared of a reading that is no multiple of the least count that all others show, but has two decimals of a degree.
const BOOKED_IN_DECIMALS: f64 = 25.0;
/// Coarsest step that readings in decimals of a degree show by themselves, 0.01 degree less a little, seconds of arc.
const COARSE_STEP_ARCSEC: f64 = 9.9;
/// Chi-squared of Cauchy's curve with three terms from which on readings are not looked at further: the densest glass on the best
/// circle comes to some 400.
const HOPELESS: f64 = 3000.0;
/// A wavelength is another line of the lamp if it lies at least so far from the first, nm.
const OTHER_LINE_NM: f64 = 0.3;

/// A kind of slip.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum SlipKind {
    /// A half-degree mark of the main scale missed.
    HalfDegree,
    /// A whole degree miscounted.
    WholeDegree,
    /// Ten degrees misread.
    TenDegrees,
    /// Minutes written behind a decimal point, or decimals read as minutes.
    MinutesAsDecimals,
    /// The two windows taken for each other.
    WindowsSwapped,
    /// The offset from the cross-hairs taken on the wrong side.
    OffsetSign,
    /// The line booked with the central image of another set.
    WrongCentral,
    /// The line is another one of the lamp, or two lines have changed names.
    Misnamed,
    /// The refracting angle is not that of the faces used, or not halved.
    PrismAngle,
    /// The refracting angle was given in radians.
    Radians,
}

impl SlipKind {
    /// Code for scripts.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::HalfDegree => "half-degree",
            Self::WholeDegree => "whole-degree",
            Self::TenDegrees => "ten-degrees",
            Self::MinutesAsDecimals => "minutes-as-decimals",
            Self::WindowsSwapped => "windows-swapped",
            Self::OffsetSign => "offset-sign",
            Self::WrongCentral => "wrong-central-image",
            Self::Misnamed => "line-misnamed",
            Self::PrismAngle => "prism-angle",
            Self::Radians => "radians",
        }
    }

    /// How much rarer than a missed half degree, in units of chi-squared.
    fn rarity(self) -> f64 {
        match self {
            Self::HalfDegree => 0.0,
            Self::TenDegrees | Self::PrismAngle => 2.0,
            _ => 1.0,
        }
    }
}

/// A single slip that would explain the readings.
#[derive(Clone, Debug, PartialEq)]
pub struct Slip {
    /// Kind.
    pub kind: SlipKind,
    /// Rows that it concerns; any of them alone, where there are several.
    pub rows: Vec<usize>,
    /// One sentence: what, where, by how much, and what to do.
    pub sentence: String,
    /// Chi-squared of all checks once it is undone.
    pub chi_squared: f64,
    /// Probability of a chi-squared at least as large once it is undone.
    pub p_value: f64,
}

/// What the search says.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Explained {
    /// Chi-squared of the readings as they are; none where there are too few lines to check.
    pub chi_squared: Option<f64>,
    /// Its degrees of freedom.
    pub degrees_of_freedom: usize,
    /// Whether the readings contradict each other.
    pub wrong: bool,
    /// Slips that would explain it, the likeliest first; empty where nothing is wrong or no single slip explains it.
    pub slips: Vec<Slip>,
}

/// Readings with one thing changed.
struct Attempt {
    kind: SlipKind,
    rows: Vec<usize>,
    /// Set of the rows where the slip acts on the deviation of one set alone, for merging what cannot be told apart.
    acts_on: Option<String>,
    what: String,
    pointings: Vec<Pointed>,
    options: Option<ReductionOptions>,
    /// Further rarity, in units of chi-squared.
    rarer: f64,
}

/// How well readings fit.
#[derive(Clone, Copy)]
struct Fitness {
    chi_squared: f64,
    degrees_of_freedom: usize,
}

impl Fitness {
    fn p_value(self) -> f64 {
        chi_squared_probability(self.chi_squared, self.degrees_of_freedom.max(1)).unwrap_or(0.0)
    }
}

/// Looks for a single slip behind readings that do not fit. Changes nothing.
#[must_use]
pub fn explain(
    pointings: &[Pointed],
    options: &ReductionOptions,
    lamps: &LampTable,
    glasses: &GlassTable,
) -> Explained {
    let windows = WindowCheck::of(pointings);
    let as_read = fitness_of(
        pointings,
        options,
        glasses,
        windows.chi_squared(pointings),
        f64::INFINITY,
    );
    let wrong = match as_read {
        Some(found) => found.p_value() < WRONG_BELOW,
        // Angles from which no index follows are wrong if there are lines enough to check.
        None => different_lines(pointings) >= 4,
    };
    let mut explained = Explained {
        chi_squared: as_read.map(|found| found.chi_squared),
        degrees_of_freedom: as_read.map_or(0, |found| found.degrees_of_freedom),
        wrong,
        slips: Vec::new(),
    };
    if !wrong {
        return explained;
    }
    let mut found: Vec<(f64, Attempt, Fitness)> = attempts(pointings, options, lamps)
        .into_iter()
        .filter_map(|attempt| {
            let changed = attempt.options.as_ref().unwrap_or(options);
            // Where the refracting angle is taken from elsewhere, the face rows are gone, but not what their windows say.
            let booked = if attempt.options.is_some() {
                pointings
            } else {
                &attempt.pointings
            };
            let checks = windows.chi_squared(booked);
            let fit = fitness_of(&attempt.pointings, changed, glasses, checks, HOPELESS)?;
            (fit.p_value() >= EXPLAINED_FROM).then(|| {
                let rank = fit.chi_squared + attempt.kind.rarity() + attempt.rarer;
                (rank, attempt, fit)
            })
        })
        .collect();
    found.sort_by(|one, other| one.0.total_cmp(&other.0));
    let best = found.first().map_or(0.0, |first| first.0);
    found.retain(|(rank, _, _)| *rank <= best + FAR_BEHIND);
    explained.slips = merged(found);
    explained
}

/// Joins slips of one kind that act alike on the deviation of one set, as in the line or in its central image.
fn merged(found: Vec<(f64, Attempt, Fitness)>) -> Vec<Slip> {
    const ALIKE: f64 = 1e-6;
    let mut groups: Vec<(f64, Attempt, Fitness, Vec<String>)> = Vec::new();
    for (rank, attempt, fit) in found {
        let same = groups.iter_mut().find(|(other_rank, other, _, _)| {
            other.kind == attempt.kind
                && attempt.acts_on.is_some()
                && other.acts_on == attempt.acts_on
                && (rank - *other_rank).abs() < ALIKE
        });
        match same {
            Some((_, first, _, sayings)) => {
                first.rows.extend(attempt.rows);
                sayings.push(attempt.what);
            }
            None => {
                let what = attempt.what.clone();
                groups.push((rank, attempt, fit, vec![what]));
            }
        }
    }
    groups
        .into_iter()
        .take(NAMED)
        .map(|(_, attempt, fit, sayings)| Slip {
            kind: attempt.kind,
            rows: attempt.rows,
            sentence: format!(
                "{}: with that undone everything fits (chi-squared {:.1}, probability {}); look at the reading again, nothing was changed",
                sayings.join(", or "),
                fit.chi_squared,
                per_cent(fit.p_value())
            ),
            chi_squared: fit.chi_squared,
            p_value: fit.p_value(),
        })
        .collect()
}

/// A slip as people say it: 30', 1°, 10°.
fn in_words(slip_deg: f64) -> String {
    if slip_deg < 1.0 {
        format!("{:.0}'", 60.0 * slip_deg)
    } else {
        format!("{slip_deg:.0}°")
    }
}

fn per_cent(p: f64) -> String {
    format!("{:.0} %", 100.0 * p)
}

/// What the differences of the windows of all rows have in common.
struct WindowCheck {
    middle_deg: f64,
    scatter_deg: f64,
}

impl WindowCheck {
    fn of(pointings: &[Pointed]) -> Self {
        let differences: Vec<f64> = pointings.iter().filter_map(difference_deg).collect();
        // Folded about 0: window 2 is the opposite one or the table says so elsewhere.
        let middle_deg = if differences.is_empty() {
            0.0
        } else {
            median(&differences)
        };
        let off: Vec<f64> = differences.iter().map(|d| (d - middle_deg).abs()).collect();
        let scatter_deg = if off.is_empty() {
            WINDOW_SCATTER_DEG
        } else {
            (1.4826 * median(&off)).max(WINDOW_SCATTER_DEG)
        };
        Self {
            middle_deg,
            scatter_deg,
        }
    }

    /// Squares of what lies beyond the ordinary scatter.
    fn chi_squared(&self, pointings: &[Pointed]) -> f64 {
        pointings
            .iter()
            .filter_map(difference_deg)
            .map(|d| folded_deg(d - self.middle_deg).abs() / self.scatter_deg)
            .filter(|in_scatter| *in_scatter > WINDOWS_CONTRADICT)
            .map(|in_scatter| in_scatter * in_scatter)
            .sum::<f64>()
            + decimals_among_minutes(pointings) as f64 * BOOKED_IN_DECIMALS
    }
}

/// Number of rows whose windows have two decimals of a degree and are no multiples of the step that all other rows show.
fn decimals_among_minutes(pointings: &[Pointed]) -> usize {
    let hundredths = |deg: f64| (deg * 360_000.0).round() as u64;
    let step = |rows: &mut dyn Iterator<Item = &Pointed>| {
        rows.flat_map(|p| &p.windows_deg)
            .fold(6000, |step, deg| common_divisor(step, hundredths(*deg)))
    };
    let suspicious: Vec<usize> = (0..pointings.len())
        .filter(|k| {
            pointings.get(*k).is_some_and(|p| {
                !p.windows_deg.is_empty() && p.windows_deg.iter().all(|deg| has_two_decimals(*deg))
            })
        })
        .collect();
    // More than a few such rows are a habit and no slip.
    if suspicious.len() > 3 {
        return 0;
    }
    suspicious
        .into_iter()
        .filter(|k| {
            let others = step(
                &mut pointings
                    .iter()
                    .enumerate()
                    .filter(|(other, _)| other != k)
                    .map(|(_, p)| p),
            );
            pointings.get(*k).is_some_and(|p| {
                others as f64 / 100.0 > COARSE_STEP_ARCSEC
                    && p.windows_deg
                        .iter()
                        .any(|deg| hundredths(*deg) % others != 0)
            })
        })
        .count()
}

fn common_divisor(one: u64, other: u64) -> u64 {
    if other == 0 {
        one
    } else {
        common_divisor(other, one % other)
    }
}

/// By how much window 2 differs from the opposite of window 1, degrees.
fn difference_deg(pointed: &Pointed) -> Option<f64> {
    match pointed.windows_deg.as_slice() {
        [one, two] => Some(folded_deg(two - one - 180.0)),
        _ => None,
    }
}

fn fitness_of(
    pointings: &[Pointed],
    options: &ReductionOptions,
    glasses: &GlassTable,
    checks: f64,
    hopeless: f64,
) -> Option<Fitness> {
    let mut unheard = Vec::new();
    let (angle, _) = prism_angle(pointings, options, &mut unheard).ok()?;
    let measured = measured_lines(pointings, &angle, &options.adjustment, &mut unheard).ok()?;
    let lines = indexed_lines(&measured, options);
    // A curve with one more free coefficient than glass needs is tried first: what is far even from that is not looked at further.
    let bent = fit_dispersion(&lines, DispersionModel::Cauchy { terms: 3 });
    if bent.is_ok_and(|fit| fit.chi_squared > hopeless) {
        return None;
    }
    let (curve, freedom) = misfit_from_glass(&lines, glasses)?;
    Some(Fitness {
        chi_squared: curve + checks,
        degrees_of_freedom: freedom,
    })
}

fn different_lines(pointings: &[Pointed]) -> usize {
    let mut nm: Vec<f64> = pointings
        .iter()
        .filter_map(|p| p.wavelength.map(|w| w.in_air_nm()))
        .collect();
    nm.sort_by(f64::total_cmp);
    nm.dedup_by(|one, other| (*one - *other).abs() < 1e-3);
    nm.len()
}

/// All slips that are tried.
fn attempts(pointings: &[Pointed], options: &ReductionOptions, lamps: &LampTable) -> Vec<Attempt> {
    let mut all = Vec::new();
    for index in 0..pointings.len() {
        reading_attempts(pointings, index, &mut all);
        central_attempts(pointings, index, &mut all);
        name_attempts(pointings, index, lamps, &mut all);
    }
    angle_attempts(pointings, options, &mut all);
    all
}

/// A pointing with other windows; its reading moves by what their mean moves.
#[must_use]
pub(super) fn with_windows(pointed: &Pointed, windows_deg: Vec<f64>) -> Pointed {
    let mean = |windows: &[f64]| match windows {
        [one] => *one,
        [one, two] => one + 0.5 * folded_deg(two - one - 180.0),
        _ => 0.0,
    };
    let by = folded_deg(mean(&windows_deg) - mean(&pointed.windows_deg));
    let reading = &pointed.reading_deg;
    Pointed {
        reading_deg: reading.map((reading.value() + by).rem_euclid(360.0), 1.0),
        windows_deg,
        ..pointed.clone()
    }
}

/// Slips of reading one row.
fn reading_attempts(pointings: &[Pointed], index: usize, all: &mut Vec<Attempt>) {
    let Some(pointed) = pointings.get(index) else {
        return;
    };
    let mut add = |kind: SlipKind, windows: Vec<f64>, what: String, rarer: f64| {
        let mut changed = pointings.to_vec();
        if let Some(place) = changed.get_mut(index) {
            *place = with_windows(pointed, windows);
        }
        all.push(Attempt {
            kind,
            rows: vec![pointed.row],
            acts_on: Some(pointed.set.clone()),
            what,
            pointings: changed,
            options: None,
            rarer,
        });
    };
    let windows = &pointed.windows_deg;
    let place = format!("row {} ({})", pointed.row, target_word(pointed));
    // Which windows share the slip: each alone, or both.
    let mut which: Vec<(Vec<usize>, String, f64)> = match windows.len() {
        1 => vec![(vec![0], format!("{place}, window 1,"), 0.0)],
        2 => vec![
            (vec![0], format!("{place}, window 1,"), 0.0),
            (vec![1], format!("{place}, window 2,"), 0.0),
            (vec![0, 1], format!("{place}, both windows,"), 1.0),
        ],
        _ => Vec::new(),
    };
    for (who, subject, rarer) in which.drain(..) {
        for (kind, slip_deg) in [
            (SlipKind::HalfDegree, 0.5),
            (SlipKind::WholeDegree, 1.0),
            (SlipKind::TenDegrees, 10.0),
        ] {
            for sign in [1.0, -1.0] {
                let mut undone = windows.clone();
                for window in &who {
                    if let Some(w) = undone.get_mut(*window) {
                        *w = (*w + sign * slip_deg).rem_euclid(360.0);
                    }
                }
                let less_or_more = if sign > 0.0 { "too little" } else { "too much" };
                add(
                    kind,
                    undone,
                    format!("{subject} may read {} {less_or_more}", in_words(slip_deg)),
                    rarer,
                );
            }
        }
        // Written 127.34 for 127°34', and the other way round.
        type Undo = fn(f64) -> Option<f64>;
        let ways: [(Undo, &str); 2] = [
            (
                minutes_for_decimals,
                "may have minutes behind a decimal point (127.34 for 127°34')",
            ),
            (
                decimals_for_minutes,
                "may have decimals of a degree written as minutes (127°34' for 127.34)",
            ),
        ];
        for (undo, words) in ways {
            let mut undone = windows.clone();
            let mut possible = true;
            for window in &who {
                match undone.get(*window).copied().and_then(undo) {
                    Some(value) => {
                        if let Some(w) = undone.get_mut(*window) {
                            *w = value;
                        }
                    }
                    None => possible = false,
                }
            }
            if possible {
                add(
                    SlipKind::MinutesAsDecimals,
                    undone,
                    format!("{subject} {words}"),
                    rarer,
                );
            }
        }
    }
    if let [one, two] = windows.as_slice() {
        add(
            SlipKind::WindowsSwapped,
            vec![*two, *one],
            format!("{place} may have its two windows in each other's place"),
            0.0,
        );
    }
    if pointed.offset_deg.abs() > 0.0 {
        let mut changed = pointings.to_vec();
        if let Some(place) = changed.get_mut(index) {
            let reading = &pointed.reading_deg;
            place.reading_deg = reading.map(
                (reading.value() - 2.0 * pointed.offset_deg).rem_euclid(360.0),
                1.0,
            );
        }
        all.push(Attempt {
            kind: SlipKind::OffsetSign,
            rows: vec![pointed.row],
            acts_on: Some(pointed.set.clone()),
            what: format!(
                "the offset of {place}, {:.0}\u{2033}, may lie on the other side of the cross-hairs",
                pointed.offset_deg * 3600.0
            ),
            pointings: changed,
            options: None,
            rarer: 0.0,
        });
    }
}

/// Whether a reading has no more than two decimals of a degree.
fn has_two_decimals(deg: f64) -> bool {
    let hundredths = 100.0 * deg;
    (hundredths - hundredths.round()).abs() < 0.006
}

/// 127.34 was written for 127°34'.
fn minutes_for_decimals(deg: f64) -> Option<f64> {
    let minutes = 100.0 * deg.fract();
    (has_two_decimals(deg) && minutes.round() < 60.0 && minutes.round() > 0.0)
        .then(|| deg.trunc() + minutes.round() / 60.0)
}

/// 127°34' was written for 127.34.
fn decimals_for_minutes(deg: f64) -> Option<f64> {
    let minutes = 60.0 * deg.fract();
    let whole = (minutes - minutes.round()).abs() < 0.01;
    (whole && minutes.round() > 0.0).then(|| deg.trunc() + minutes.round() / 100.0)
}

fn target_word(pointed: &Pointed) -> String {
    match pointed.target {
        PointedAt::Line => pointed.name(),
        PointedAt::Central => "central image".to_owned(),
        PointedAt::Face1 => "face 1".to_owned(),
        PointedAt::Face2 => "face 2".to_owned(),
    }
}

/// A line against the central images of other sets.
fn central_attempts(pointings: &[Pointed], index: usize, all: &mut Vec<Attempt>) {
    let Some(line) = pointings.get(index).filter(|p| p.target == PointedAt::Line) else {
        return;
    };
    for other in pointings
        .iter()
        .filter(|p| p.target == PointedAt::Central && p.set != line.set)
    {
        let mut changed = pointings.to_vec();
        if let Some(place) = changed.get_mut(index) {
            place.set.clone_from(&other.set);
        }
        all.push(Attempt {
            kind: SlipKind::WrongCentral,
            rows: vec![line.row],
            acts_on: Some(line.set.clone()),
            what: format!(
                "row {} ({}) may belong to the central image of set {} and not to that of set {}",
                line.row,
                line.name(),
                other.set,
                line.set
            ),
            pointings: changed,
            options: None,
            rarer: 0.0,
        });
    }
}

/// A line under another name, or two lines with their names changed.
fn name_attempts(pointings: &[Pointed], index: usize, lamps: &LampTable, all: &mut Vec<Attempt>) {
    let Some((line, wavelength)) = pointings
        .get(index)
        .and_then(|p| p.wavelength.map(|w| (p, w)))
    else {
        return;
    };
    let mut add = |changed: Vec<Pointed>, rows: Vec<usize>, what: String, rarer: f64| {
        all.push(Attempt {
            kind: SlipKind::Misnamed,
            rows,
            acts_on: None,
            what,
            pointings: changed,
            options: None,
            rarer,
        });
    };
    for (other_index, other) in pointings.iter().enumerate().skip(index + 1) {
        let Some(other_wavelength) = other.wavelength else {
            continue;
        };
        let mut changed = pointings.to_vec();
        if let Some(place) = changed.get_mut(index) {
            place.wavelength = Some(other_wavelength);
        }
        if let Some(place) = changed.get_mut(other_index) {
            place.wavelength = Some(wavelength);
        }
        add(
            changed,
            vec![line.row, other.row],
            format!(
                "{} (row {}) and {} (row {}) may have each other's name",
                line.name(),
                line.row,
                other.name(),
                other.row
            ),
            0.0,
        );
    }
    let here = wavelength.in_air_nm();
    let lamp = lamps
        .nearest(wavelength, OTHER_LINE_NM)
        .map(|l| l.lamp.clone());
    for candidate in lamps
        .lines
        .iter()
        .filter(|l| Some(&l.lamp) == lamp.as_ref())
    {
        let nm = candidate.wavelength.in_air_nm();
        let taken = pointings.iter().any(|p| {
            p.wavelength
                .is_some_and(|w| (w.in_air_nm() - nm).abs() < OTHER_LINE_NM)
        });
        if (nm - here).abs() < OTHER_LINE_NM || taken {
            continue;
        }
        let mut changed = pointings.to_vec();
        if let Some(place) = changed.get_mut(index) {
            place.wavelength = Some(candidate.wavelength);
        }
        add(
            changed,
            vec![line.row],
            format!(
                "row {} ({}) may be the line {}",
                line.row,
                line.name(),
                candidate.name()
            ),
            1.0,
        );
    }
}

/// The refracting angle not halved, halved twice, or its supplement.
fn angle_attempts(pointings: &[Pointed], options: &ReductionOptions, all: &mut Vec<Attempt>) {
    let mut unheard = Vec::new();
    let Ok((angle, _)) = prism_angle(pointings, options, &mut unheard) else {
        return;
    };
    let a = angle.value();
    let rows: Vec<usize> = pointings
        .iter()
        .filter(|p| matches!(p.target, PointedAt::Face1 | PointedAt::Face2))
        .map(|p| p.row)
        .collect();
    let in_degrees = degrees_if_radians(a)
        .filter(|_| rows.is_empty())
        .map(|value| {
            (
                SlipKind::Radians,
                value,
                1f64.to_degrees(),
                "given in radians and not in degrees",
            )
        });
    let others = [
        (
            0.5 * a,
            0.5,
            "the angle between the reflections and not half of it",
        ),
        (2.0 * a, 2.0, "half of the refracting angle"),
        (
            180.0 - a,
            -1.0,
            "the turn of the table between the faces and not what it lacks to 180°",
        ),
        (90.0 - 0.5 * a, -0.5, "that of another pair of faces"),
        (180.0 - 2.0 * a, -2.0, "that of another pair of faces"),
    ]
    .map(|(value, factor, words)| (SlipKind::PrismAngle, value, factor, words));
    for (kind, value, factor, words) in others.into_iter().chain(in_degrees) {
        if (value - a).abs() < 1.0 {
            continue;
        }
        let Ok(other) = checked_prism_angle(angle.map(value, factor), "it would give") else {
            continue;
        };
        let (text, _) = rounded(value, 0.01);
        all.push(Attempt {
            kind,
            rows: rows.clone(),
            acts_on: None,
            what: format!("the refracting angle may be {words}, so that it is {text}°"),
            pointings: without_faces(pointings),
            options: Some(ReductionOptions {
                prism_angle_deg: Some(other),
                ..options.clone()
            }),
            rarer: 0.0,
        });
    }
}

fn without_faces(pointings: &[Pointed]) -> Vec<Pointed> {
    pointings
        .iter()
        .filter(|p| matches!(p.target, PointedAt::Line | PointedAt::Central))
        .cloned()
        .collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use crate::basics::uncertainty::Measured;

    #[test]
    fn minutes_and_decimals_undo_each_other() {
        assert!((minutes_for_decimals(127.34).unwrap() - (127.0 + 34.0 / 60.0)).abs() < 1e-12);
        assert!((decimals_for_minutes(127.0 + 34.0 / 60.0).unwrap() - 127.34).abs() < 1e-9);
        assert_eq!(minutes_for_decimals(127.75), None);
        assert_eq!(minutes_for_decimals(127.0), None);
        assert_eq!(minutes_for_decimals(127.345), None);
    }

    #[test]
    fn a_reading_moves_with_the_mean_of_its_windows() {
        let pointed = Pointed {
            row: 2,
            set: "1".to_owned(),
            target: PointedAt::Central,
            line: None,
            wavelength: None,
            reading_deg: Measured::exact(0.1),
            windows_deg: vec![359.9, 179.9],
            offset_deg: 0.2,
            wavelength_off_nm: Measured::default(),
        };
        let moved = with_windows(&pointed, vec![0.4, 179.9]);
        assert!((moved.reading_deg.value() - 0.35).abs() < 1e-9);
        let swapped = with_windows(&pointed, vec![179.9, 359.9]);
        assert!((swapped.reading_deg.value() - 180.1).abs() < 1e-9);
    }
}
