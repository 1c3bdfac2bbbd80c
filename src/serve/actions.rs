//! What a page asks to be done, read strictly.

use axum::http::StatusCode;
use serde::Deserialize;
use serde_json::{Value, json};

use crate::session::bench::{Desk, Playing, Refused};

#[derive(Deserialize)]
#[serde(tag = "do", rename_all = "snake_case", deny_unknown_fields)]
enum Action {
    Play {},
    Pause {},
    Step { frames: i64 },
    Seek { t_s: f64 },
    Speed { times: f64 },
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
    }
}
