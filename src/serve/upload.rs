//! A clip that is handed in: its bytes as they come, under a limit.

use std::sync::Arc;

use axum::body::Body;
use axum::extract::{Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::json;
use tokio_stream::StreamExt;

use super::keys::Role;
use super::routes::{App, refused};
use crate::session::bench::{ClipInHand, NotTaken};

/// A clip of which nothing comes for so long is given up.
const SILENCE: std::time::Duration = std::time::Duration::from_secs(30);

#[derive(Deserialize)]
pub(super) struct Named {
    #[serde(default)]
    name: String,
}

/// Takes a clip and shows it.
pub(super) async fn clip(
    State(app): State<Arc<App>>,
    axum::Extension(role): axum::Extension<Role>,
    named: Result<Query<Named>, axum::extract::rejection::QueryRejection>,
    headers: HeaderMap,
    body: Body,
) -> Response {
    if role != Role::Operator {
        return refused(
            StatusCode::FORBIDDEN,
            "viewers may only look; open the operator's address to hand in a clip",
        );
    }
    let name = named.map_or_else(|_| String::new(), |Query(named)| named.name);
    let total = headers
        .get(header::CONTENT_LENGTH)
        .and_then(|length| length.to_str().ok())
        .and_then(|length| length.parse().ok());
    match received(&app, &name, total, body).await {
        Ok(said) => axum::Json(json!({ "ok": true, "said": said })).into_response(),
        Err((status, said)) => refused(status, &said),
    }
}

type Failed = (StatusCode, String);

async fn received(
    app: &Arc<App>,
    name: &str,
    total: Option<u64>,
    body: Body,
) -> Result<String, Failed> {
    let desk = Arc::clone(&app.desk);
    let name = name.to_owned();
    let mut clip = in_the_back(move || desk.begin_clip(&name, total))
        .await?
        .map_err(not_taken)?;
    let mut stream = body.into_data_stream();
    loop {
        let next = tokio::time::timeout(SILENCE, stream.next()).await;
        let bytes = match next {
            Ok(Some(Ok(bytes))) => bytes,
            Ok(None) => break,
            Ok(Some(Err(_))) | Err(_) => {
                return Err((
                    StatusCode::BAD_REQUEST,
                    "the clip ended before it was whole, so it was dropped; hand it in again"
                        .to_owned(),
                ));
            }
        };
        let written: (ClipInHand, Result<(), NotTaken>) = in_the_back(move || {
            let written = clip.write(&bytes);
            (clip, written)
        })
        .await?;
        clip = written.0;
        written.1.map_err(not_taken)?;
    }
    in_the_back(move || clip.finish()).await?.map_err(not_taken)
}

fn not_taken(why: NotTaken) -> Failed {
    let status = match why {
        NotTaken::Busy(_) => StatusCode::CONFLICT,
        NotTaken::TooLong(_) => StatusCode::PAYLOAD_TOO_LARGE,
        NotTaken::Disk(_) => StatusCode::INSUFFICIENT_STORAGE,
        NotTaken::NoVideo(_) => StatusCode::UNSUPPORTED_MEDIA_TYPE,
    };
    (status, why.to_string())
}

/// Work that waits for the disk, where it holds nobody up.
async fn in_the_back<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, Failed> {
    tokio::task::spawn_blocking(work).await.map_err(|_| {
        (
            StatusCode::INTERNAL_SERVER_ERROR,
            "the clip could not be taken; hand it in again".to_owned(),
        )
    })
}
