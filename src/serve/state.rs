//! The whole state as a page reads it: words and rounded numbers, no results of its own.

use serde_json::{Value, json};

use crate::report::text::plus_minus;
use crate::session::bench::{Aid, AidKind, Desk, Moment, Phase, STRIP_S, SourceKind, Verdict};

/// Points of the strip that are sent.
const STRIP_POINTS: usize = 600;

/// The state, without who asks.
pub(super) fn state(desk: &Desk) -> Value {
    let moment = desk.moment();
    json!({
        "lineturn": env!("CARGO_PKG_VERSION"),
        "source": source(&moment),
        "picture": picture(&moment),
        "offset": offset(&moment),
        "track": track(&moment),
        "turn": turn(&moment),
        "guide": { "step": "aids", "steps": [], "say": "", "locked": { "table": true, "telescope": false }, "warn": [] },
        "experiment": { "lamp": "mercury", "lines": [], "bench": null, "refracting_angle": null, "scale": null },
        "readings": [],
        "results": null,
        "cautions": [],
        "kept": { "dir": "", "records": 0, "trouble": null },
        "upload": null,
    })
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

fn offset(moment: &Moment) -> Value {
    let Some(line) = &moment.chosen else {
        return Value::Null;
    };
    let Some((offset_px, u_px)) = line.offset_px else {
        return Value::Null;
    };
    json!({
        "line_id": line.id,
        "name": line.id.and_then(|id| moment.names.get(&id)),
        "value_arcsec": null,
        "text": format!("{} px", plus_minus(offset_px, u_px)),
        "right_of_hair": offset_px > 0.0,
    })
}

fn track(moment: &Moment) -> Value {
    let every = moment.strip.len().div_ceil(STRIP_POINTS).max(1);
    let newest = moment.strip.len().saturating_sub(1) % every;
    let points: Vec<Value> = moment
        .strip
        .iter()
        .skip(newest)
        .step_by(every)
        .map(|point| json!([point.time_s, point.offset_px, point.u_px, point.id]))
        .collect();
    let turns: Vec<Value> = moment
        .turns
        .iter()
        .map(|turn| {
            json!({
                "t_s": turn.time_s,
                "offset": turn.offset_px,
                "u": turn.u_px,
                "line_id": turn.id,
                "counted": turn.counted,
                "why": turn.why,
            })
        })
        .collect();
    json!({ "window_s": STRIP_S, "points": points, "unit": "px", "turns": turns })
}

fn turn(moment: &Moment) -> Value {
    let turn = &moment.turn;
    let (phase, say) = match turn.phase {
        Phase::Waiting => ("waiting", "The line stands: turn the prism table slowly."),
        Phase::Moving => ("moving", "The line moves: go on in the same direction."),
        Phase::Near => ("near", "The turning point is near: go on slowly."),
        Phase::Turned => (
            "turned",
            "The line has turned: go on a little, then back through the turn once more.",
        ),
        Phase::Lost => (
            "lost",
            "The line is not to be seen: bring it back into the field.",
        ),
        Phase::ReversedByHandMaybe => (
            "reversed_by_hand_maybe",
            "The line came back, but that may have been the hand: go on in one direction until it turns by itself.",
        ),
    };
    let text = turn
        .distance_px
        .map(|d| format!("{:.1} px from the turning point", d.abs()));
    json!({
        "line_id": turn.id,
        "phase": phase,
        "distance": turn.distance_px,
        "text": text,
        "say": say,
        "count": turn.count,
    })
}
