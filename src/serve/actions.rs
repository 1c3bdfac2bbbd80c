//! What a page asks to be done, read strictly.

use axum::http::StatusCode;
use serde::Deserialize;
use serde_json::{Value, json};

use crate::report::live::{angle_with_expanded, number_with_expanded, reading};
use crate::session::bench::{Desk, Playing, ReadingKind, Refused, Step, Typed, Understood};

#[derive(Deserialize)]
#[serde(tag = "do", rename_all = "snake_case", deny_unknown_fields)]
enum Action {
    Play {},
    Pause {},
    Step {
        frames: i64,
    },
    Seek {
        t_s: f64,
    },
    Speed {
        times: f64,
    },
    StartExperiment {
        lamp: String,
        lines: Vec<String>,
        refracting_angle: Option<String>,
        u_refracting_angle: Option<String>,
    },
    Go {
        step: String,
        line: Option<String>,
    },
    SelectLine {
        line_id: u64,
        name: Option<String>,
    },
    Understand {
        kind: String,
        line: Option<String>,
        window_1: String,
        window_2: Option<String>,
    },
    Keep {
        kind: String,
        line: Option<String>,
        window_1: String,
        window_2: Option<String>,
        #[serde(default)]
        despite_doubt: bool,
    },
    Strike {
        id: u64,
        reason: String,
    },
    Unstrike {
        id: u64,
    },
    StartSweep {
        line: Option<String>,
    },
    EndSweep {
        line: Option<String>,
    },
    ResetBest {},
    Note {
        text: String,
    },
}

/// Does what a request asks; the answer's status and body.
pub(super) fn act(desk: &Desk, body: &[u8]) -> (StatusCode, Value) {
    let action: Action = match serde_json::from_slice(body) {
        Ok(action) => action,
        Err(error) => {
            return (
                StatusCode::BAD_REQUEST,
                json!({ "ok": false, "said": format!("the request cannot be read ({error}); nothing was done") }),
            );
        }
    };
    match done(desk, action) {
        Ok(answer) => (StatusCode::OK, answer),
        Err(Refused(said)) => (
            StatusCode::UNPROCESSABLE_ENTITY,
            json!({ "ok": false, "said": said }),
        ),
    }
}

fn done(desk: &Desk, action: Action) -> Result<Value, Refused> {
    let said = |said: String| json!({ "ok": true, "said": said });
    match action {
        Action::Play {} => desk.play(Playing::Play).map(said),
        Action::Pause {} => desk.play(Playing::Pause).map(said),
        Action::Step { frames } => desk.play(Playing::Step(frames)).map(said),
        Action::Seek { t_s } => desk.play(Playing::Seek(t_s)).map(said),
        Action::Speed { times } => desk.play(Playing::Speed(times)).map(said),
        Action::StartExperiment {
            lamp,
            lines,
            refracting_angle,
            u_refracting_angle,
        } => desk
            .start_experiment(
                &lamp,
                &lines,
                refracting_angle.as_deref(),
                u_refracting_angle.as_deref(),
            )
            .map(said),
        Action::Go { step, line } => {
            let step = Step::of(&step).ok_or_else(|| {
                Refused(format!(
                    "\"{step}\" is no step: give one of {}",
                    Step::ALL.map(Step::key).join(", ")
                ))
            })?;
            desk.go(step, line.as_deref()).map(said)
        }
        Action::SelectLine { line_id, name } => {
            desk.select_line(line_id, name.as_deref()).map(said)
        }
        Action::Understand {
            kind,
            line,
            window_1,
            window_2,
        } => {
            let typed = typed(&kind, line, window_1, window_2)?;
            let understood = desk.understand(&typed)?;
            Ok(json!({ "ok": true, "said": "", "understood": shown(desk, &understood) }))
        }
        Action::Keep {
            kind,
            line,
            window_1,
            window_2,
            despite_doubt,
        } => {
            let typed = typed(&kind, line, window_1, window_2)?;
            desk.keep(&typed, despite_doubt).map(said)
        }
        Action::Strike { id, reason } => desk.strike(id, &reason).map(said),
        Action::Unstrike { id } => desk.unstrike(id).map(said),
        Action::StartSweep { line } => desk.start_sweep(line.as_deref()).map(said),
        Action::EndSweep { line } => desk.end_sweep(line.as_deref()).map(said),
        Action::ResetBest {} => {
            desk.reset_best();
            Ok(said("The best so far is forgotten.".to_owned()))
        }
        Action::Note { text } => desk.note(&text).map(said),
    }
}

fn typed(
    kind: &str,
    line: Option<String>,
    window_1: String,
    window_2: Option<String>,
) -> Result<Typed, Refused> {
    let kind = ReadingKind::of(kind).ok_or_else(|| {
        Refused(format!(
            "\"{kind}\" is no kind of reading: give one of {}",
            ReadingKind::ALL.map(ReadingKind::word).join(", ")
        ))
    })?;
    Ok(Typed {
        kind,
        line: line.filter(|name| !name.is_empty()),
        window_1,
        window_2,
    })
}

fn shown(desk: &Desk, understood: &Understood) -> Value {
    json!({
        "window_1": reading(understood.window_1.degrees()),
        "window_2": understood.window_2.map(|window| reading(window.degrees())),
        "offset": understood.offset_px.map(|px| super::state::offset_text(&desk.results(), px)),
        "deviation": understood.deviation_deg.as_ref().map(angle_with_expanded),
        "n": understood.index.as_ref().map(number_with_expanded),
        "preliminary": understood.stand_in.map(|id| format!("Preliminary, with the central image of reading {id}, taken as known within some minutes of arc; the line's own is still to come.")),
        "doubt": understood.doubt,
    })
}
