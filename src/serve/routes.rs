//! Paths in, answers out: every request passes the guard first.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::Router;
use axum::body::{Body, Bytes, to_bytes};
use axum::extract::{DefaultBodyLimit, Path, Query, Request, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use serde::Deserialize;
use serde_json::{Value, json};
use tokio::sync::{Mutex, mpsc, watch};
use tokio::time::timeout;
use tokio_stream::StreamExt;
use tokio_stream::wrappers::ReceiverStream;

use super::guard::Guard;
use super::keys::Role;
use super::{assets, downloads, frame, state, upload};
use crate::session::bench::{Desk, SeenFrame};

/// How long a request for a frame waits for one.
const FRAME_WAIT: Duration = Duration::from_secs(10);
/// Time between two pictures while measuring has to hurry.
const SPARING: Duration = Duration::from_millis(80);
/// After so long without anything new the page is told that the server is there.
const ALIVE: Duration = Duration::from_secs(2);
/// Longest request that says what to do.
const LONGEST_ACTION: usize = 64 * 1024;
/// What such a request may take to come.
const ACTION_WITHIN: Duration = Duration::from_secs(10);
/// What the page may load and who may show it: itself, and nobody.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'";

/// The newest frame as it is sent, for each size that is asked for.
#[derive(Default)]
struct Coded {
    by_divisor: BTreeMap<usize, (u64, Bytes)>,
    /// When one was begun last.
    began: Option<Instant>,
}

/// A state, and how it is told to those who only look and to those who may do something; written once for all of them.
#[derive(Default)]
struct Told {
    state: Value,
    viewer: String,
    operator: String,
}

impl Told {
    fn to(&self, role: Role) -> &str {
        match role {
            Role::Viewer => &self.viewer,
            Role::Operator => &self.operator,
        }
    }
}

/// What all requests share.
pub(super) struct App {
    pub(super) desk: Arc<Desk>,
    guard: Guard,
    viewer_address: Option<String>,
    changed: watch::Receiver<u64>,
    stop: watch::Receiver<bool>,
    states: watch::Sender<Arc<Told>>,
    coded: Mutex<Coded>,
    drawn: state::Drawn,
}

impl App {
    pub(super) fn new(
        desk: Arc<Desk>,
        guard: Guard,
        viewer_address: Option<String>,
        changed: watch::Receiver<u64>,
        stop: watch::Receiver<bool>,
    ) -> Self {
        Self {
            desk,
            guard,
            viewer_address,
            changed,
            stop,
            states: watch::Sender::default(),
            coded: Mutex::default(),
            drawn: state::Drawn::default(),
        }
    }

    async fn state(self: &Arc<Self>) -> Value {
        let app = Arc::clone(self);
        tokio::task::spawn_blocking(move || state::state(&app.desk, &app.drawn))
            .await
            .unwrap_or(Value::Null)
    }

    /// Sends the state to all that listen, if it is another one.
    pub(super) async fn send_state(self: &Arc<Self>) {
        if self.states.receiver_count() == 0 {
            return;
        }
        let state = self.state().await;
        if self.states.borrow().state != state {
            self.states.send_replace(Arc::new(self.told(state)));
        }
    }

    fn told(&self, state: Value) -> Told {
        let viewer = if self.guard.shared() {
            self.state_for(&state, Role::Viewer).to_string()
        } else {
            String::new()
        };
        Told {
            viewer,
            operator: self.state_for(&state, Role::Operator).to_string(),
            state,
        }
    }

    fn state_for(&self, state: &Value, role: Role) -> Value {
        let mut state = state.clone();
        if let Some(object) = state.as_object_mut() {
            let role = match role {
                Role::Operator => "operator",
                Role::Viewer => "viewer",
            };
            if role == "viewer"
                && let Some(folder) = object.get_mut("kept").and_then(|kept| kept.get_mut("dir"))
            {
                // Where on this machine the logbook lies is no business of those who only look.
                let name = folder
                    .as_str()
                    .map(std::path::Path::new)
                    .and_then(std::path::Path::file_name);
                *folder = name.map(|name| name.to_string_lossy().into_owned()).into();
            }
            object.insert("role".to_owned(), role.into());
            let share = self
                .viewer_address
                .as_ref()
                .map(|address| json!({ "viewer_address": address }));
            object.insert("share".to_owned(), share.unwrap_or_default());
        }
        state
    }

    /// The frame as it is sent, coded by the first who asks for it in that size. While measuring has to hurry nobody's picture
    /// comes sooner than [`SPARING`] after the last one.
    async fn coded(self: &Arc<Self>, mut seen: Arc<SeenFrame>, wide: usize) -> Option<Bytes> {
        let mut coded = self.coded.lock().await;
        let divisor = frame::divisor(&seen.frame, wide);
        if let Some((seq, bytes)) = coded.by_divisor.get(&divisor)
            && *seq >= seen.sight.seq
        {
            return Some(bytes.clone());
        }
        if let Some(began) = coded.began
            && self.desk.hurries()
        {
            tokio::time::sleep_until((began + SPARING).into()).await;
            seen = self.desk.newest()?;
        }
        coded.began = Some(Instant::now());
        let app = Arc::clone(self);
        let seq = seen.sight.seq;
        let divisor = frame::divisor(&seen.frame, wide);
        let bytes: Bytes = tokio::task::spawn_blocking(move || {
            frame::coded(&seen, &app.desk.names(), divisor).into()
        })
        .await
        .ok()?;
        coded.by_divisor.insert(divisor, (seq, bytes.clone()));
        Some(bytes)
    }
}

/// All routes.
pub(super) fn routes(app: Arc<App>) -> Router {
    Router::new()
        .route("/", get(|| async { page("page.html") }))
        .route(
            "/page/{name}",
            get(|Path(name): Path<String>| async move { page(&name) }),
        )
        .route("/api/state", get(whole_state))
        .route("/api/events", get(events))
        .route("/api/frame", get(next_frame))
        .route("/api/sweep/{id}", get(kept_sweep))
        .route("/api/do", post(act))
        .route("/api/invite.svg", get(invite))
        .route("/api/report.html", get(downloads::report_html))
        .route("/api/report.pdf", get(downloads::report_pdf))
        .route("/api/result.json", get(downloads::result_json))
        .route("/api/result.csv", get(downloads::result_csv))
        .route("/api/readings.csv", get(downloads::readings_csv))
        .route("/api/logbook.jsonl", get(downloads::logbook))
        .route(
            "/api/clip",
            post(upload::clip).layer(DefaultBodyLimit::disable()),
        )
        .fallback(|| async {
            refused(
                StatusCode::NOT_FOUND,
                "there is nothing at this address; open the one that the program printed",
            )
        })
        .method_not_allowed_fallback(|| async {
            refused(
                StatusCode::METHOD_NOT_ALLOWED,
                "this address takes no request of that kind; use the page",
            )
        })
        .layer(middleware::from_fn_with_state(Arc::clone(&app), guarded))
        .with_state(app)
}

/// An answer that something was not done.
pub(super) fn refused(status: StatusCode, said: &str) -> Response {
    (status, axum::Json(json!({ "ok": false, "said": said }))).into_response()
}

#[derive(Deserialize)]
struct KeyQuery {
    key: Option<String>,
}

/// Lets in what may come in, and adds to every answer what browsers are told.
async fn guarded(State(app): State<Arc<App>>, mut request: Request, next: Next) -> Response {
    let path = request.uri().path().to_owned();
    let mut answer = match admitted(&app, &request, &path) {
        Ok(role) => {
            request.extensions_mut().insert(role);
            next.run(request).await
        }
        Err(refusal) => *refusal,
    };
    let headers = answer.headers_mut();
    for (name, value) in [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::CACHE_CONTROL, "no-store"),
        (
            header::HeaderName::from_static("cross-origin-resource-policy"),
            "same-origin",
        ),
        (
            header::HeaderName::from_static("cross-origin-opener-policy"),
            "same-origin",
        ),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    answer
}

fn admitted(app: &App, request: &Request, path: &str) -> Result<Role, Box<Response>> {
    let no = |status, said: &str| Box::new(refused(status, said));
    app.guard
        .place(request.headers())
        .map_err(|said| no(StatusCode::FORBIDDEN, said))?;
    let is_page = path == "/" || path.starts_with("/page/");
    if is_page {
        return Ok(Role::Viewer);
    }
    let query = Query::<KeyQuery>::try_from_uri(request.uri())
        .ok()
        .and_then(|Query(query)| query.key);
    // In an address only where a link or a picture cannot carry a header.
    let by_address = query
        .as_deref()
        .filter(|_| path.contains('.') || path == "/api/events");
    let role = app
        .guard
        .role(request.method(), request.headers(), by_address);
    match role {
        Some(role) => Ok(role),
        None if app.guard.shared() => Err(no(
            StatusCode::UNAUTHORIZED,
            "the key is missing or wrong; open the whole address that the program printed",
        )),
        None => Err(no(
            StatusCode::FORBIDDEN,
            "the header X-Bench is missing; use the page, or add it",
        )),
    }
}

fn page(name: &str) -> Response {
    assets::file(name).unwrap_or_else(|| {
        refused(
            StatusCode::NOT_FOUND,
            "the page has no such file; load the page again",
        )
    })
}

async fn whole_state(
    State(app): State<Arc<App>>,
    axum::Extension(role): axum::Extension<Role>,
) -> Response {
    let state = app.state().await;
    axum::Json(app.state_for(&state, role)).into_response()
}

async fn events(
    State(app): State<Arc<App>>,
    axum::Extension(role): axum::Extension<Role>,
) -> Response {
    // A browser that reads slowly finds the newest state when it comes back for more.
    let (give, take) = mpsc::channel::<Event>(1);
    tokio::spawn(async move {
        let mut states = app.states.subscribe();
        let mut stop = app.stop.clone();
        let mut told = Arc::new(app.told(app.state().await));
        loop {
            if give
                .send(Event::default().event("state").data(told.to(role)))
                .await
                .is_err()
            {
                return;
            }
            tokio::select! {
                changed = states.changed() => if changed.is_err() { return },
                () = stopped(&mut stop) => {
                    // Whoever is gone already need not be told.
                    let _ = give.send(Event::default().event("gone").data("the program ends")).await;
                    return;
                }
                () = give.closed() => return,
            }
            told = states.borrow_and_update().clone();
        }
    });
    Sse::new(ReceiverStream::new(take).map(Ok::<_, Infallible>))
        .keep_alive(KeepAlive::new().interval(ALIVE).text("alive"))
        .into_response()
}

/// Waits until the program ends.
pub(super) async fn stopped(stop: &mut watch::Receiver<bool>) {
    // That nobody is left who could say so is an end, too.
    let _ = stop.wait_for(|stop| *stop).await;
}

#[derive(Deserialize)]
struct FrameQuery {
    #[serde(default)]
    after: u64,
    /// Columns of the screen that the picture is shown on.
    #[serde(default = "usual_wide")]
    wide: usize,
}

fn usual_wide() -> usize {
    frame::USUAL_WIDE
}

async fn next_frame(
    State(app): State<Arc<App>>,
    query: Result<Query<FrameQuery>, axum::extract::rejection::QueryRejection>,
) -> Response {
    let Ok(Query(FrameQuery { after, wide })) = query else {
        return refused(
            StatusCode::BAD_REQUEST,
            "after or wide is no whole number; give that of the last frame that came, and the columns that it is shown on",
        );
    };
    let mut changed = app.changed.clone();
    let mut stop = app.stop.clone();
    let waited = async {
        loop {
            changed.mark_unchanged();
            // A number from before the program was started anew is larger than all of this run.
            if let Some(seen) = app.desk.newest()
                && seen.sight.seq != after
            {
                return Some(seen);
            }
            changed.changed().await.ok()?;
        }
    };
    let seen = tokio::select! {
        seen = timeout(FRAME_WAIT, waited) => seen.ok().flatten(),
        () = stopped(&mut stop) => None,
    };
    let Some(seen) = seen else {
        return StatusCode::NO_CONTENT.into_response();
    };
    match app.coded(seen, wide).await {
        Some(bytes) => (
            [(header::CONTENT_TYPE, "application/octet-stream")],
            Body::from(bytes),
        )
            .into_response(),
        None => refused(
            StatusCode::INTERNAL_SERVER_ERROR,
            "the frame could not be coded; ask for the next",
        ),
    }
}

async fn act(
    State(app): State<Arc<App>>,
    axum::Extension(role): axum::Extension<Role>,
    body: Body,
) -> Response {
    if role != Role::Operator {
        return refused(
            StatusCode::FORBIDDEN,
            "viewers may only look; open the operator's address to change something",
        );
    }
    let body = match timeout(ACTION_WITHIN, to_bytes(body, LONGEST_ACTION)).await {
        Ok(Ok(body)) => body,
        Ok(Err(_)) => {
            return refused(
                StatusCode::PAYLOAD_TOO_LARGE,
                "the request is too long, or broke off; nothing was done",
            );
        }
        Err(_) => {
            return refused(
                StatusCode::REQUEST_TIMEOUT,
                "the request did not come to its end; nothing was done, so do it again",
            );
        }
    };
    let done = tokio::task::spawn_blocking(move || super::actions::act(&app.desk, &body)).await;
    match done {
        Ok((status, answer)) => (status, axum::Json(answer)).into_response(),
        Err(_) => refused(
            StatusCode::INTERNAL_SERVER_ERROR,
            "that failed within the program; look at the readings before you do it again",
        ),
    }
}

async fn kept_sweep(
    State(app): State<Arc<App>>,
    id: Result<Path<u64>, axum::extract::rejection::PathRejection>,
) -> Response {
    let Ok(Path(id)) = id else {
        return refused(
            StatusCode::BAD_REQUEST,
            "a sweep has a whole number; take one of those in the list of sweeps",
        );
    };
    let drawn = tokio::task::spawn_blocking(move || state::kept_sweep(&app.desk, id)).await;
    match drawn {
        Ok(Some(sweep)) => axum::Json(sweep).into_response(),
        Ok(None) => refused(
            StatusCode::NOT_FOUND,
            "there is no sweep of this number; look at the list of sweeps",
        ),
        Err(_) => refused(
            StatusCode::INTERNAL_SERVER_ERROR,
            "the sweep cannot be drawn; its recording and its track are in the logbook's folder",
        ),
    }
}

async fn invite(State(app): State<Arc<App>>) -> Response {
    match app.viewer_address.as_deref().and_then(assets::code_as_svg) {
        Some(svg) => ([(header::CONTENT_TYPE, "image/svg+xml")], svg).into_response(),
        None => refused(
            StatusCode::NOT_FOUND,
            "the bench is not shared; start it with --share",
        ),
    }
}
