//! The order of the experiment: what is to be done next, and what may be unlocked for it.
//!
//! The order, and what is locked in each step, are common practice, no source: telescope locked while the table turns, table locked while
//! the telescope moves, the central image read anew for every line before the table is touched.

use super::book::{Book, ReadingKind};
use super::results::Results;
use crate::session::Caution;

/// Scale readings that are asked for.
pub const SCALE_READINGS: usize = 5;
/// Slit images from the two faces that differ more in height than this say that the table is not level, px.
const SAME_HEIGHT_PX: f64 = 8.0;

/// A step of the experiment.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Step {
    /// Lamp, focus, slit, cloth.
    #[default]
    Aids,
    /// The camera's scale.
    Scale,
    /// The refracting angle.
    Prism,
    /// A line turns with the table.
    Sweep,
    /// The circle is read at the turn.
    Reading,
    /// The central image.
    Central,
    /// What follows.
    Results,
}

impl Step {
    /// All steps.
    pub const ALL: [Self; 7] = [
        Self::Aids,
        Self::Scale,
        Self::Prism,
        Self::Sweep,
        Self::Reading,
        Self::Central,
        Self::Results,
    ];

    /// Short name.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Aids => "aids",
            Self::Scale => "scale",
            Self::Prism => "prism",
            Self::Sweep => "sweep",
            Self::Reading => "reading",
            Self::Central => "central",
            Self::Results => "results",
        }
    }

    /// The step of a short name.
    #[must_use]
    pub fn of(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|step| step.key() == key)
    }

    /// Whether it is done once for each line.
    #[must_use]
    pub fn is_of_a_line(self) -> bool {
        matches!(self, Self::Sweep | Self::Reading | Self::Central)
    }
}

/// A step with how far it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GuideStep {
    /// The step.
    pub step: Step,
    /// Name of its line, where it is of one.
    pub line: Option<String>,
    /// For people.
    pub label: String,
    /// Whether it is done.
    pub done: bool,
    /// Readings that belong to it.
    pub n: usize,
}

/// What is to be done.
#[derive(Clone, Debug, Default)]
pub struct Guide {
    /// The step at hand.
    pub step: Step,
    /// Its line.
    pub line: Option<String>,
    /// All steps in their order.
    pub steps: Vec<GuideStep>,
    /// Kind of reading that it wants.
    pub kind: Option<ReadingKind>,
    /// What to do now, and what may be unlocked.
    pub say: String,
    /// Whether the table is to be locked.
    pub table_locked: bool,
    /// Whether the telescope is to be locked.
    pub telescope_locked: bool,
    /// Whether a sweep is being measured.
    pub in_sweep: bool,
    /// What goes wrong.
    pub warn: Vec<Caution>,
}

/// A step, and its line where it is of one.
pub(super) type Place = (Step, Option<String>);

/// Where somebody went by himself; it holds until that step is done.
#[derive(Clone, Debug, Default)]
pub(super) struct Chosen {
    pub(super) step: Option<Place>,
    /// Whether somebody went on from the first step.
    pub(super) past_aids: bool,
    pub(super) in_sweep: bool,
}

impl Chosen {
    /// Goes on from where the guide `stood` when something was kept; who went elsewhere meanwhile stays there.
    pub(super) fn go_on(&mut self, stood: Option<&Place>, to: Option<Place>) {
        if self.step.as_ref() == stood {
            self.step = to;
        }
    }
}

/// The guide for what was done so far; `alarms` is what the camera sees go wrong.
pub(super) fn guide(
    book: &Book,
    results: &Results,
    chosen: &Chosen,
    scale_known: bool,
    alarms: &[Caution],
) -> Guide {
    let steps = steps(book, results, chosen, scale_known);
    let at = chosen.step.as_ref().and_then(|(step, line)| {
        steps
            .iter()
            .find(|other| other.step == *step && (line.is_none() || other.line == *line))
    });
    let at = at
        .or_else(|| steps.iter().find(|step| !step.done))
        .or_else(|| steps.last());
    let (step, line) = at.map_or((Step::Aids, None), |at| (at.step, at.line.clone()));
    let (table_locked, telescope_locked) = locked(step);
    Guide {
        say: say(book, step, line.as_deref(), chosen.in_sweep),
        warn: warn(book, step, line.as_deref(), chosen.in_sweep, alarms),
        step,
        line,
        steps,
        table_locked,
        telescope_locked,
        in_sweep: chosen.in_sweep,
        kind: match step {
            Step::Scale => Some(ReadingKind::Scale),
            Step::Prism => Some(ReadingKind::Face),
            Step::Reading => Some(ReadingKind::Line),
            Step::Central => Some(ReadingKind::Central),
            Step::Aids | Step::Sweep | Step::Results => None,
        },
    }
}

fn locked(step: Step) -> (bool, bool) {
    match step {
        Step::Aids | Step::Scale | Step::Prism | Step::Central => (true, false),
        Step::Sweep => (false, true),
        Step::Reading | Step::Results => (true, true),
    }
}

fn steps(book: &Book, results: &Results, chosen: &Chosen, scale_known: bool) -> Vec<GuideStep> {
    let step = |step: Step, label: &str, done: bool, n: usize| GuideStep {
        step,
        line: None,
        label: label.to_owned(),
        done,
        n,
    };
    let scales = book.counted(ReadingKind::Scale).count();
    let faces = book.counted(ReadingKind::Face).count();
    let mut steps = vec![
        step(
            Step::Aids,
            "Set up the picture",
            chosen.past_aids || !book.readings.is_empty(),
            0,
        ),
        step(
            Step::Scale,
            "Camera scale",
            scales >= SCALE_READINGS || scales == 0 && scale_known,
            scales,
        ),
        step(
            Step::Prism,
            "Refracting angle",
            faces >= 2 || faces == 0 && results.prism_angle_deg.is_some(),
            faces,
        ),
    ];
    let times = book.times_read();
    let groups = book.groups();
    for line in &book.setup.lines {
        let name = line.name.as_str();
        let read = times.get(name).copied().unwrap_or(0);
        let central = groups
            .iter()
            .filter(|group| group.holds(Some(name)) && group.central.is_some())
            .count();
        let swept = book
            .sweeps
            .iter()
            .filter(|sweep| {
                sweep
                    .lines
                    .iter()
                    .any(|l| l.turned && l.name.as_deref() == Some(name))
            })
            .count();
        for (step, label, done, n) in [
            (Step::Sweep, "sweep", swept > 0 || read > 0, swept),
            (Step::Reading, "reading at the turn", read > 0, read),
            (Step::Central, "central image", central > 0, central),
        ] {
            steps.push(GuideStep {
                step,
                line: Some(name.to_owned()),
                label: format!("{name}: {label}"),
                done,
                n,
            });
        }
    }
    let all = !book.setup.lines.is_empty() && steps.iter().all(|step| step.done);
    steps.push(step(
        Step::Results,
        "Results",
        all && results.experiment.is_some(),
        results
            .experiment
            .as_ref()
            .map_or(0, |experiment| experiment.reduction.lines.len()),
    ));
    steps
}

fn say(book: &Book, step: Step, line: Option<&str>, in_sweep: bool) -> String {
    let line = line.unwrap_or("the line");
    match step {
        Step::Aids => "Make the picture good: lamp, focus, slit and cloth, with the figures beside it. The telescope may be moved; keep the table locked. Then go on to the camera's scale.".to_owned(),
        Step::Scale => {
            let n = book.counted(ReadingKind::Scale).count();
            format!("Table locked. Unlock the telescope: set the slit, seen straight, at {SCALE_READINGS} or more places over the whole field, lock it, and type the circle reading at each ({n} so far).")
        }
        Step::Prism => {
            let which = if book.counted(ReadingKind::Face).count().is_multiple_of(2) { "first" } else { "second" };
            format!("Table locked, its edge towards the collimator. Unlock the telescope, bring the slit reflected from the {which} face near the hair, lock it, and type the circle reading.")
        }
        Step::Sweep if in_sweep => format!("Telescope locked, table free: turn the table slowly in one direction until {line} has turned and is well on its way back, then back through the turn once more, and end the sweep."),
        Step::Sweep => format!("Bring {line} near the hair where it turns, lock the telescope, and free the table. Begin the sweep before you touch it."),
        Step::Reading => format!("Lock the table, and leave the telescope locked: read the circle for {line} and type the reading. The offset is that of the turning point."),
        Step::Central => format!("Table locked: do not touch it. Unlock the telescope, bring the central image near the hair, lock it, and type the reading that belongs to {line}."),
        Step::Results => "All lines are read. Look at the residuals and at what to improve first; a line can be read again at any time.".to_owned(),
    }
}

fn warn(
    book: &Book,
    step: Step,
    line: Option<&str>,
    in_sweep: bool,
    alarms: &[Caution],
) -> Vec<Caution> {
    let mut warn = alarms.to_vec();
    if step == Step::Sweep {
        let waiting: Vec<&str> = book
            .lines_without_central()
            .into_iter()
            .filter(|name| Some(*name) != line)
            .collect();
        if let Some(first) = waiting.first() {
            let moved = if in_sweep {
                "the table is moving now"
            } else {
                "the table is about to be moved"
            };
            warn.push(Caution::new(
                "central-missing",
                format!("The central image of {first} was not taken, and {moved}: take it first, else {first} has to be read again."),
            ));
        }
    }
    if step == Step::Sweep
        && let Some(sweep) = book.cut_off
    {
        warn.push(Caution::new(
            "sweep-cut-off",
            format!("Sweep {sweep} was begun and never ended, so it does not count: sweep anew."),
        ));
    }
    let heights: Vec<f64> = book
        .counted(ReadingKind::Face)
        .filter_map(|reading| reading.entry.height_px)
        .collect();
    if step == Step::Prism
        && let [.., first, second] = heights.as_slice()
        && (first - second).abs() > SAME_HEIGHT_PX
    {
        warn.push(Caution::new(
            "table-not-level",
            format!("The slit stands {:.0} px higher from one face than from the other: level the prism table and read both faces again.", (first - second).abs()),
        ));
    }
    warn
}
