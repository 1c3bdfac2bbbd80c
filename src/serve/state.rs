//! The whole state as a page reads it: words and rounded numbers, no results of its own.

use std::sync::{Arc, Mutex, PoisonError};

use serde_json::{Value, json};

use crate::report::live::{self, angle_with_expanded, with_standard};
use crate::session::bench::{
    Aid, AidKind, Book, Desk, Guide, KeptReading, KeptSweep, Lamp, Moment, Phase, ReadingKind,
    Results, STRIP_S, SourceKind, U_TYPED_PRISM_ANGLE_ARCSEC, Verdict, in_readings,
};
use crate::session::{Cause, ReadyScale, Shape};

/// Points of the strip that are sent.
const STRIP_POINTS: usize = 600;
/// Points and turning points of a kept sweep that are sent.
const KEPT_POINTS: usize = 3000;
const KEPT_TURNS: usize = 200;

/// What is never forgotten beside a telescope.
const TELESCOPE: &str =
    "Never point the telescope at the sun or at a laser, with the eye or with a camera.";

/// The results as they are sent, drawn up once for as long as they stay the same.
#[derive(Default)]
pub(super) struct Drawn(Mutex<Option<(Arc<Results>, Value)>>);

impl Drawn {
    fn of(&self, book: &Book, results: &Arc<Results>) -> Value {
        if results.experiment.is_none() {
            return grown(book, results);
        }
        let mut drawn = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        match &*drawn {
            Some((of, value)) if Arc::ptr_eq(of, results) => value.clone(),
            _ => {
                let value = grown(book, results);
                *drawn = Some((Arc::clone(results), value.clone()));
                value
            }
        }
    }
}

/// The state, without who asks.
pub(super) fn state(desk: &Desk, drawn: &Drawn) -> Value {
    let moment = desk.moment();
    let results = desk.results();
    let book = desk.book();
    let scale = Scale::of(&results);
    let (folder, trouble) = desk.kept();
    let guided = desk.guide();
    json!({
        "lineturn": env!("CARGO_PKG_VERSION"),
        "source": source(&moment),
        "picture": picture(&moment),
        "offset": offset(&moment, &scale),
        "track": track(&moment, &scale),
        "turn": turn(&moment, &scale, guided.in_sweep),
        "guide": guide(&guided),
        "experiment": experiment(desk, &book, &results),
        "readings": book.readings.iter().map(|reading| kept(reading, &results)).collect::<Vec<_>>(),
        "notes": book.notes,
        "sweeps": book.sweeps.iter().map(sweep).collect::<Vec<_>>(),
        "results": drawn.of(&book, &results),
        "cautions": cautions(&book),
        "kept": { "dir": folder.display().to_string(), "records": book.records, "trouble": trouble },
        "upload": desk.upload().map(|upload| json!({
            "name": upload.name,
            "received": upload.received,
            "total": upload.total,
            "say": upload.say,
        })),
    })
}

/// The camera's scale made ready, for offsets as angles.
struct Scale(Option<(ReadyScale, f64)>);

impl Scale {
    fn of(results: &Results) -> Self {
        Self(
            results
                .scale
                .as_ref()
                .and_then(|scale| Some((scale.ready().ok()?, scale.arcsec_per_px()))),
        )
    }

    fn unit(&self) -> &'static str {
        if self.0.is_some() { "arcsec" } else { "px" }
    }

    fn mark(&self) -> &'static str {
        if self.0.is_some() { "\u{2033}" } else { " px" }
    }

    /// An offset and its standard uncertainty in the unit that is shown.
    fn shown(&self, offset_px: f64, u_px: f64) -> (f64, f64) {
        match &self.0 {
            None => (offset_px, u_px),
            Some((scale, _)) => {
                let cause = Cause::type_b("line against cross-hairs", Shape::Normal);
                let angle = scale.angle_arcsec(offset_px, u_px, &cause);
                (angle.value(), angle.u())
            }
        }
    }

    /// A short distance near the hairs.
    fn distance(&self, px: f64) -> f64 {
        self.0.as_ref().map_or(px, |(_, per_px)| px * per_px)
    }
}

/// An offset as people read it.
pub(super) fn offset_text(results: &Results, (offset_px, u_px): (f64, f64)) -> String {
    let scale = Scale::of(results);
    let (value, u) = scale.shown(offset_px, u_px);
    with_standard(value, u, scale.mark())
}

fn guide(guide: &Guide) -> Value {
    let steps: Vec<Value> = guide
        .steps
        .iter()
        .map(|step| {
            json!({
                "key": step.step.key(),
                "label": step.label,
                "done": step.done,
                "line": step.line,
                "n": step.n,
            })
        })
        .collect();
    let warn: Vec<Value> = guide
        .warn
        .iter()
        .map(|caution| json!({ "code": caution.code, "message": caution.message }))
        .collect();
    json!({
        "step": guide.step.key(),
        "line": guide.line,
        "steps": steps,
        "say": guide.say,
        "kind": guide.kind.map(ReadingKind::word),
        "locked": { "table": guide.table_locked, "telescope": guide.telescope_locked },
        "in_sweep": guide.in_sweep,
        "warn": warn,
    })
}

fn experiment(desk: &Desk, book: &Book, results: &Results) -> Value {
    let lamp = book.setup.lamp.as_deref().and_then(Lamp::of);
    let chosen = |name: &str| book.setup.lines.iter().any(|line| line.name == name);
    let mut lines: Vec<Value> = lamp
        .map(Lamp::lines)
        .unwrap_or_default()
        .into_iter()
        .map(|(name, nm)| json!({ "chosen": chosen(&name), "name": name, "wavelength_nm": nm }))
        .collect();
    for line in &book.setup.lines {
        if !lines
            .iter()
            .any(|other| other["name"] == line.name.as_str())
        {
            lines.push(
                json!({ "chosen": true, "name": line.name, "wavelength_nm": line.wavelength_nm }),
            );
        }
    }
    let lamps: Vec<Value> = Lamp::ALL
        .into_iter()
        .map(|lamp| {
            let lines: Vec<Value> = lamp
                .lines()
                .into_iter()
                .map(|(name, nm)| json!({ "name": name, "wavelength_nm": nm }))
                .collect();
            json!({ "name": lamp.name, "caution": lamp.caution, "lines": lines })
        })
        .collect();
    json!({
        "lamp": lamp.map(|lamp| lamp.name),
        "lamps": lamps,
        "lines": lines,
        "bench": desk.bench_name(),
        "refracting_angle": results.prism_angle_deg.as_ref().map(|angle| json!({ "text": angle_with_expanded(angle) })),
        "u_refracting_angle_arcsec": U_TYPED_PRISM_ANGLE_ARCSEC,
        "typed_angle": book.setup.refracting_angle,
        "u_typed_angle_arcsec": book.setup.u_refracting_angle_arcsec,
        "scale": results.scale.as_ref().map(|scale| json!({
            "text": with_standard(scale.arcsec_per_px(), scale.u_arcsec_per_px(), "\u{2033}/px"),
            "points": scale.points,
        })),
        "scale_why_not": results.scale_why_not,
    })
}

fn kept(reading: &KeptReading, results: &Results) -> Value {
    let frames = &reading.entry.frames;
    json!({
        "id": reading.id,
        "kind": reading.kind.word(),
        "line": reading.entry.line,
        "window_1": live::reading(reading.window_1.degrees()),
        "window_2": reading.window_2.map(|window| live::reading(window.degrees())),
        "typed": [reading.entry.window_1, reading.entry.window_2],
        "offset_text": reading.offset_px().map_or_else(|| "set by eye".to_owned(), |px| offset_text(results, px)),
        "at": reading.at,
        "struck": reading.struck,
        "doubt": reading.entry.doubt,
        "frames": frames.first(),
        "sweep": reading.entry.sweep,
    })
}

fn sweep(sweep: &KeptSweep) -> Value {
    let lines: Vec<Value> = sweep
        .lines
        .iter()
        .map(|line| json!({ "line_id": line.line_id, "name": line.name, "turned": line.turned, "passes": line.passes }))
        .collect();
    json!({ "id": sweep.id, "at": sweep.at, "lines": lines, "recording": sweep.recording, "track": sweep.track })
}

/// A kept sweep as a strip shows it: the way of each line and all turning points; none where there is no sweep of this number.
pub(super) fn kept_sweep(desk: &Desk, id: u64) -> Option<Value> {
    let (kept, watched) = desk.sweep(id)?;
    let results = desk.results();
    let scale = Scale::of(&results);
    let lines = watched.as_ref().map_or(&[][..], |w| &w.sweep.lines[..]);
    let all: usize = lines.iter().map(|line| line.track.len()).sum();
    let every = all.div_ceil(KEPT_POINTS).max(1);
    let points: Vec<Value> = lines
        .iter()
        .flat_map(|line| {
            let number = line.line;
            line.track
                .iter()
                .step_by(every)
                .filter_map(move |point| Some((number, point.time_s, point.offset_px?, point.u_px)))
        })
        .map(|(line, t_s, offset_px, u_px)| {
            strip_point(t_s, scale.shown(offset_px, u_px), line as u64)
        })
        .collect();
    let turns: Vec<Value> = kept
        .turns
        .iter()
        .take(KEPT_TURNS)
        .map(|turn| {
            let shown = turn.offset_px.map(|px| scale.shown(px, turn.u_px));
            turning(
                turn.time_s,
                shown,
                turn.line.map(|line| line as u64),
                turn.counted,
                &turn.why,
            )
        })
        .collect();
    let lines: Vec<Value> = (1..)
        .zip(&kept.lines)
        .map(|(line, swept)| {
            json!({
                "line": line,
                "name": swept.name,
                "turned": swept.turned,
                "passes": swept.passes,
                "text": swept.offset_px.map(|px| offset_text(&results, (px, swept.u_px))),
            })
        })
        .collect();
    Some(json!({
        "id": kept.id,
        "at": kept.at,
        "begin_s": kept.times_s.0,
        "end_s": kept.times_s.1,
        "frames": kept.frames,
        "lines": lines,
        "recording": kept.recording,
        "track": kept.track,
        "strip": { "window_s": kept.times_s.1 - kept.times_s.0, "points": points, "unit": scale.unit(), "turns": turns },
    }))
}

/// A point of a strip, with more digits than anybody sees there and no more.
fn strip_point(t_s: f64, (offset, u): (f64, f64), line: u64) -> Value {
    let short = |value: f64| (value * 1e4).round() / 1e4;
    json!([short(t_s), short(offset), short(u), line])
}

fn turning(
    t_s: f64,
    shown: Option<(f64, f64)>,
    line: Option<u64>,
    counted: bool,
    why: &str,
) -> Value {
    json!({
        "t_s": t_s,
        "offset": shown.map(|(offset, _)| offset),
        "u": shown.map(|(_, u)| u),
        "line_id": line,
        "counted": counted,
        "why": why,
    })
}

fn grown(book: &Book, results: &Results) -> Value {
    if let Some(experiment) = &results.experiment {
        let mut grown = live::results(experiment);
        for caution in grown["cautions"].as_array_mut().into_iter().flatten() {
            let said = caution["message"].as_str().map(in_readings);
            caution["message"] = said.into();
        }
        if let Some(cautions) = grown["cautions"].as_array_mut() {
            cautions.extend(
                results
                    .cautions
                    .iter()
                    .map(|caution| json!({ "code": caution.code, "message": caution.message })),
            );
        }
        return grown;
    }
    if book.readings.is_empty() {
        return Value::Null;
    }
    json!({
        "lines": [],
        "curve": null,
        "standard": [],
        "budget": [],
        "glasses": [],
        "cautions": [],
        "coverage": live::COVERAGE_SAID,
        "why_not": results.why_not.as_deref().map(in_readings),
    })
}

fn cautions(book: &Book) -> Vec<String> {
    let lamp = book.setup.lamp.as_deref().and_then(Lamp::of);
    lamp.map(|lamp| lamp.caution.to_owned())
        .into_iter()
        .chain(std::iter::once(TELESCOPE.to_owned()))
        .collect()
}

fn source(moment: &Moment) -> Value {
    let source = &moment.source;
    let kind = match source.kind {
        SourceKind::Clip => "clip",
        SourceKind::Camera => "camera",
        SourceKind::Network => "network",
        SourceKind::None => "none",
    };
    json!({
        "name": source.name,
        "kind": kind,
        "playing": source.playing,
        "ended": source.ended,
        "t_s": source.time_s,
        "duration_s": source.duration_s,
        "speed": source.speed,
        "fps_analysed": (source.fps_analysed * 10.0).round() / 10.0,
        "lost": source.lost,
        "seq": moment.seen.as_ref().map_or(0, |seen| seen.sight.seq),
        "trouble": source.trouble,
    })
}

fn picture(moment: &Moment) -> Value {
    json!({
        "good": moment.picture.0,
        "say": moment.picture.1,
        "aids": moment.aids.iter().map(aid).collect::<Vec<_>>(),
    })
}

fn aid(aid: &Aid) -> Value {
    let (key, label, unit, decimals, full) = match aid.kind {
        AidKind::Brightness => (
            "brightness",
            "Brightness of the slit",
            "of full scale",
            2,
            Some(1.0),
        ),
        AidKind::Saturation => ("saturation", "Clipped pixels", "", 0, None),
        AidKind::Sharpness => ("sharpness", "Blur of the slit", "px", 2, None),
        AidKind::SlitTilt => ("slit_tilt", "Tilt against the upright hair", "°", 2, None),
        AidKind::SlitWidth => ("slit_width", "Width of the slit", "px", 1, Some(30.0)),
        AidKind::StrayLight => ("stray_light", "Stray light", "of full scale", 3, Some(0.5)),
        AidKind::Shade => (
            "shade",
            "Light beside that of a moment ago",
            "of it",
            2,
            Some(1.0),
        ),
        AidKind::FaceHeight => (
            "face_height",
            "Height of the slit above the cross-hairs",
            "px",
            0,
            None,
        ),
    };
    let text = |value: f64| format!("{value:.decimals$}").replace('-', "\u{2212}");
    let saturation = aid.kind == AidKind::Saturation;
    let value = if saturation {
        if aid.value > 0.5 { "some" } else { "none" }.to_owned()
    } else {
        text(aid.value)
    };
    // Sharp is a full bar: the best blur beside the present one.
    let fraction = |value: f64| match (aid.kind, full, aid.best) {
        (AidKind::Sharpness, _, Some(best)) if value > 0.0 => Some((best / value).clamp(0.0, 1.0)),
        (_, Some(full), _) => Some((value / full).clamp(0.0, 1.0)),
        _ => None,
    };
    json!({
        "key": key,
        "label": label,
        "value": value,
        "best": aid.best.map(text),
        "unit": unit,
        "fraction": fraction(aid.value),
        "best_fraction": aid.best.and_then(fraction),
        "verdict": aid.verdict.map(|verdict| match verdict {
            Verdict::Good => "good",
            Verdict::Fair => "fair",
            Verdict::Poor => "poor",
        }),
        "say": aid.say,
    })
}

fn offset(moment: &Moment, scale: &Scale) -> Value {
    let Some(line) = &moment.chosen else {
        return Value::Null;
    };
    let Some((offset_px, u_px)) = line.offset_px else {
        return Value::Null;
    };
    let (value, u) = scale.shown(offset_px, u_px);
    json!({
        "line_id": line.id,
        "name": line.id.and_then(|id| moment.names.get(&id)),
        "value_arcsec": scale.0.is_some().then_some(value),
        "text": with_standard(value, u, scale.mark()),
        "right_of_hair": offset_px > 0.0,
    })
}

fn track(moment: &Moment, scale: &Scale) -> Value {
    let every = moment.strip.len().div_ceil(STRIP_POINTS).max(1);
    let points: Vec<Value> = moment
        .strip
        .iter()
        .rev()
        .step_by(every)
        .map(|point| {
            let shown = scale.shown(point.offset_px, point.u_px);
            strip_point(point.time_s, shown, point.id)
        })
        .collect();
    let points: Vec<Value> = points.into_iter().rev().collect();
    let turns: Vec<Value> = moment
        .turns
        .iter()
        .map(|turn| {
            let shown = turn.offset_px.map(|px| scale.shown(px, turn.u_px));
            turning(turn.time_s, shown, turn.id, turn.counted, &turn.why)
        })
        .collect();
    json!({ "window_s": STRIP_S, "points": points, "unit": scale.unit(), "turns": turns })
}

/// Where the line is; what the hand on the table should do is said in a sweep only.
fn turn(moment: &Moment, scale: &Scale, in_sweep: bool) -> Value {
    let turn = &moment.turn;
    let (phase, where_it_is, is, what_to_do) = match turn.phase {
        Phase::Waiting if moment.chosen.is_none() => (
            "waiting",
            "from the turning point",
            "No line is seen",
            "bring one into the field.",
        ),
        Phase::Waiting => (
            "waiting",
            "from the turning point",
            "The line stands",
            "turn the prism table slowly.",
        ),
        Phase::Moving => (
            "moving",
            "before the turning point",
            "The line moves",
            "go on in the same direction.",
        ),
        Phase::Near => (
            "near",
            "before the turning point",
            "The turning point is near",
            "go on slowly.",
        ),
        Phase::Turned => (
            "turned",
            "past the turning point",
            "The line has turned",
            "go on a little, then back through the turn once more.",
        ),
        Phase::Lost => (
            "lost",
            "from the turning point",
            "The line is not to be seen",
            "bring it back into the field.",
        ),
        Phase::ReversedByHandMaybe => (
            "reversed_by_hand_maybe",
            "from where it came back",
            "The line came back, but that may have been the hand",
            "go on in one direction until it turns by itself.",
        ),
    };
    let say = if in_sweep {
        format!("{is}: {what_to_do}")
    } else {
        format!("{is}.")
    };
    let distance = turn.distance_px.map(|px| scale.distance(px));
    let text = distance.map(|d| format!("{:.1}{} {where_it_is}", d.abs(), scale.mark()));
    json!({
        "line_id": turn.id,
        "phase": phase,
        "distance": distance,
        "text": text,
        "say": say,
        "count": turn.count,
    })
}
