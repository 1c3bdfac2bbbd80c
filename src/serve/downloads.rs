//! What can be taken home: the report, results, readings and the logbook.

use std::sync::Arc;

use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};

use super::routes::{App, refused};
use crate::report::print::{self, Paper};
use crate::report::{document, from, page, table};
use crate::session::Experiment;

/// Does slow work where it holds nobody up.
async fn worked(app: Arc<App>, what: impl FnOnce(&App) -> Response + Send + 'static) -> Response {
    tokio::task::spawn_blocking(move || what(&app))
        .await
        .unwrap_or_else(|_| {
            refused(
                StatusCode::INTERNAL_SERVER_ERROR,
                "that failed within the program; the logbook is as it was",
            )
        })
}

fn file(kind: &'static str, name: &str, bytes: impl Into<axum::body::Bytes>) -> Response {
    let disposition = format!("attachment; filename=\"{name}\"");
    (
        [
            (header::CONTENT_TYPE, kind.to_owned()),
            (header::CONTENT_DISPOSITION, disposition),
        ],
        bytes.into(),
    )
        .into_response()
}

fn with_results(app: &App, what: impl FnOnce(&Experiment) -> Response) -> Response {
    let results = app.desk.results();
    match (&results.experiment, &results.why_not) {
        (Some(experiment), _) => what(experiment),
        (None, Some(why)) => refused(
            StatusCode::CONFLICT,
            &format!("there are no results yet: {why}"),
        ),
        (None, None) => refused(
            StatusCode::CONFLICT,
            "there are no results yet; read a line and its central image first",
        ),
    }
}

fn page_of(app: &App, experiment: &Experiment) -> String {
    let today: String = jiff::Timestamp::now()
        .to_string()
        .chars()
        .take_while(|letter| *letter != 'T')
        .collect();
    let folder = app.desk.kept().0.display().to_string();
    let mut provenance = vec![("logbook".to_owned(), folder)];
    provenance.extend(app.desk.bench_name().map(|name| ("bench".to_owned(), name)));
    page::page(&from::page_from(experiment, &today, &provenance))
}

pub(super) async fn report_html(State(app): State<Arc<App>>) -> Response {
    worked(app, |app| {
        with_results(app, |experiment| {
            file(
                "text/html; charset=utf-8",
                "report.html",
                page_of(app, experiment),
            )
        })
    })
    .await
}

pub(super) async fn report_pdf(State(app): State<Arc<App>>) -> Response {
    worked(app, |app| {
        with_results(app, |experiment| {
            match print::pdf(&page_of(app, experiment), Paper::A4) {
                Ok(bytes) => file("application/pdf", "report.pdf", bytes),
                Err(why) => refused(StatusCode::INTERNAL_SERVER_ERROR, &why),
            }
        })
    })
    .await
}

pub(super) async fn result_json(State(app): State<Arc<App>>) -> Response {
    worked(app, |app| {
        with_results(app, |experiment| {
            let text = document::document(
                "reduce",
                experiment.complete,
                &experiment.cautions,
                document::reduced(experiment),
            );
            file("application/json", "result.json", text)
        })
    })
    .await
}

pub(super) async fn result_csv(State(app): State<Arc<App>>) -> Response {
    worked(app, |app| {
        with_results(app, |experiment| {
            let mut bytes = Vec::new();
            match table::lines(experiment, &mut bytes) {
                Ok(()) => file("text/csv; charset=utf-8", "result.csv", bytes),
                Err(error) => refused(
                    StatusCode::INTERNAL_SERVER_ERROR,
                    &format!("the table cannot be written ({error})"),
                ),
            }
        })
    })
    .await
}

/// Readings as `lineturn reduce` takes them: those that count and have what belongs to them.
pub(super) async fn readings_csv(State(app): State<Arc<App>>) -> Response {
    worked(app, |app| match app.desk.readings_csv() {
        Ok(bytes) => file("text/csv; charset=utf-8", "readings.csv", bytes),
        Err(refusal) => refused(StatusCode::INTERNAL_SERVER_ERROR, &refusal.0),
    })
    .await
}

pub(super) async fn logbook(State(app): State<Arc<App>>) -> Response {
    worked(app, |app| match app.desk.journal_text() {
        Ok(bytes) => file("application/jsonl; charset=utf-8", "logbook.jsonl", bytes),
        Err(refusal) => refused(StatusCode::INTERNAL_SERVER_ERROR, &refusal.0),
    })
    .await
}
