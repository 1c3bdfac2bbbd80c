//! Every way in from outside, without a socket.

use std::path::Path;
use std::sync::Arc;

use axum::body::{Body, Bytes};
use axum::http::{HeaderMap, Method, Request, StatusCode};
use axum::response::Response;
use serde_json::{Value, json};
use tokio::sync::watch;
use tokio_stream::StreamExt;
use tower::ServiceExt;

use super::guard::Guard;
use super::keys::Keys;
use super::routes::{App, routes};
use crate::session::bench::{Desk, DeskOptions};

const PORT: u16 = 7319;
const HOST: &str = "127.0.0.1:7319";
const LIMIT: u64 = 200_000;

struct Bench {
    router: axum::Router,
    folder: tempfile::TempDir,
    operator: String,
    viewer: String,
    desk: Arc<Desk>,
    _stop: watch::Sender<bool>,
}

fn bench(shared: bool) -> Bench {
    let folder = tempfile::tempdir().unwrap();
    let (tell, changed) = watch::channel(0_u64);
    let options = DeskOptions {
        logbook: folder.path().join("logbook"),
        clip_limit_bytes: LIMIT,
        ..DeskOptions::default()
    };
    let desk = Desk::open(options, move || tell.send_modify(|n| *n += 1)).unwrap();
    let keys = shared.then(|| Keys::new().unwrap());
    let (operator, viewer) = keys.as_ref().map_or_else(Default::default, |keys| {
        (keys.operator().to_owned(), keys.viewer().to_owned())
    });
    let (stop, stopped) = watch::channel(false);
    let address = shared.then(|| format!("http://192.168.1.5:{PORT}/#{viewer}"));
    let app = App::new(
        Arc::clone(&desk),
        Guard::new(PORT, keys),
        address,
        changed,
        stopped,
    );
    Bench {
        router: routes(Arc::new(app)),
        folder,
        operator,
        viewer,
        desk,
        _stop: stop,
    }
}

struct Answer {
    status: StatusCode,
    headers: HeaderMap,
    body: Bytes,
}

impl Answer {
    fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap()
    }

    /// A refusal is one sentence in a document.
    fn said(&self) -> String {
        let document = self.json();
        assert_eq!(document["ok"], false, "{document}");
        document["said"].as_str().unwrap().to_owned()
    }
}

impl Bench {
    async fn raw(&self, request: Request<Body>) -> Response {
        self.router.clone().oneshot(request).await.unwrap()
    }

    async fn ask(
        &self,
        method: Method,
        path: &str,
        headers: &[(&str, &str)],
        body: impl Into<Body>,
    ) -> Answer {
        let mut request = Request::builder().method(method).uri(path);
        if !headers.iter().any(|(name, _)| *name == "host") {
            request = request.header("host", HOST);
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let response = self.raw(request.body(body.into()).unwrap()).await;
        let (parts, body) = response.into_parts();
        let mut bytes = Vec::new();
        // An event stream never ends, and its headers are all that is asked of it here.
        let endless = parts
            .headers
            .get("content-type")
            .is_some_and(|kind| kind == "text/event-stream");
        if !endless {
            let mut stream = body.into_data_stream();
            while let Some(part) = stream.next().await {
                bytes.extend_from_slice(&part.unwrap());
            }
        }
        Answer {
            status: parts.status,
            headers: parts.headers,
            body: bytes.into(),
        }
    }

    async fn get(&self, path: &str, headers: &[(&str, &str)]) -> Answer {
        self.ask(Method::GET, path, headers, Body::empty()).await
    }

    async fn act(&self, action: &Value, headers: &[(&str, &str)]) -> Answer {
        self.ask(Method::POST, "/api/do", headers, action.to_string())
            .await
    }

    fn files(&self) -> Vec<String> {
        fn walk(folder: &Path, found: &mut Vec<String>) {
            for entry in std::fs::read_dir(folder).unwrap() {
                let path = entry.unwrap().path();
                if path.is_dir() {
                    walk(&path, found);
                } else {
                    found.push(path.display().to_string());
                }
            }
        }
        let mut found = Vec::new();
        walk(self.folder.path(), &mut found);
        found
    }
}

const OURS: (&str, &str) = ("x-bench", "1");
const ALL_GETS: [&str; 11] = [
    "/",
    "/page/page.html",
    "/api/state",
    "/api/events",
    "/api/frame?after=x",
    "/api/invite.svg",
    "/api/report.html",
    "/api/report.pdf",
    "/api/result.json",
    "/api/readings.csv",
    "/api/logbook.jsonl",
];

fn note() -> Value {
    json!({ "do": "note", "text": "the lamp was warm" })
}

#[tokio::test]
async fn only_its_own_host_is_answered() {
    let bench = bench(false);
    for host in [
        "evil.example:7319",
        "evil.example",
        "127.0.0.1:80",
        "127.0.0.1",
        "localhost.evil.example:7319",
        "192.168.1.5:7319",
        "127.0.0.1:7319@evil.example",
        "0.0.0.0:7319",
        "",
    ] {
        for path in ALL_GETS {
            let answer = bench.get(path, &[("host", host)]).await;
            assert_eq!(answer.status, StatusCode::FORBIDDEN, "{host} {path}");
            answer.said();
        }
        let answer = bench.act(&note(), &[("host", host), OURS]).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{host}");
    }
    for host in [HOST, "localhost:7319", "[::1]:7319", "LOCALHOST:7319"] {
        let answer = bench.get("/api/state", &[("host", host)]).await;
        assert_eq!(answer.status, StatusCode::OK, "{host}");
    }
    let without = Request::builder()
        .uri("/api/state")
        .body(Body::empty())
        .unwrap();
    assert_eq!(bench.raw(without).await.status(), StatusCode::FORBIDDEN);
    assert!(bench.desk.book().notes.is_empty());
}

#[tokio::test]
async fn a_page_from_elsewhere_reads_and_drives_nothing() {
    let bench = bench(false);
    for (name, value) in [
        ("origin", "http://evil.example"),
        ("origin", "https://127.0.0.1:7319"),
        ("origin", "http://127.0.0.1:8000"),
        ("origin", "null"),
        ("sec-fetch-site", "cross-site"),
        ("sec-fetch-site", "same-site"),
    ] {
        for path in ALL_GETS {
            let answer = bench.get(path, &[(name, value)]).await;
            assert_eq!(
                answer.status,
                StatusCode::FORBIDDEN,
                "{name} {value} {path}"
            );
        }
        let answer = bench.act(&note(), &[(name, value), OURS]).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{name} {value}");
        let answer = bench
            .ask(
                Method::POST,
                "/api/clip?name=a",
                &[(name, value), OURS],
                "x",
            )
            .await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{name} {value}");
    }
    // Without the header that only its own page can add, whatever else a form could send.
    for kind in [
        "text/plain",
        "application/json",
        "application/x-www-form-urlencoded",
    ] {
        let answer = bench.act(&note(), &[("content-type", kind)]).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN);
    }
    assert!(bench.desk.book().notes.is_empty());
    let own = [
        ("origin", "http://127.0.0.1:7319"),
        ("sec-fetch-site", "same-origin"),
        OURS,
    ];
    assert_eq!(bench.act(&note(), &own).await.status, StatusCode::OK);
    assert_eq!(bench.desk.book().notes.len(), 1);
}

#[tokio::test]
async fn nobody_is_told_that_other_origins_may_ask() {
    let bench = bench(false);
    let preflight = [
        ("access-control-request-method", "POST"),
        ("access-control-request-headers", "x-bench"),
    ];
    for path in ["/api/do", "/api/state", "/api/clip", "/"] {
        let answer = bench
            .ask(Method::OPTIONS, path, &preflight, Body::empty())
            .await;
        assert!(answer.status.is_client_error(), "{path}: {}", answer.status);
        assert!(
            !answer
                .headers
                .keys()
                .any(|name| name.as_str().starts_with("access-control"))
        );
    }
    for path in ALL_GETS {
        let answer = bench.get(path, &[]).await;
        assert!(
            !answer
                .headers
                .keys()
                .any(|name| name.as_str().starts_with("access-control")),
            "{path}"
        );
        let policy = answer.headers["content-security-policy"].to_str().unwrap();
        assert!(
            policy.starts_with("default-src 'none'; script-src 'self';"),
            "{path}"
        );
        assert!(!policy.contains("unsafe") && policy.contains("frame-ancestors 'none'"));
        assert_eq!(
            answer.headers["x-content-type-options"], "nosniff",
            "{path}"
        );
    }
}

/// The policy forbids them, so they would not work either.
#[test]
fn the_page_has_no_script_or_style_within_its_markup() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/serve/page");
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|ending| ending != "html") {
            continue;
        }
        let text = std::fs::read_to_string(&path).unwrap();
        for tag in text.split('<').filter(|tag| tag.starts_with("script")) {
            assert!(tag.contains("src="), "{}: <{tag}", path.display());
        }
        for tag in text.split('<') {
            let head = tag.split('>').next().unwrap_or_default();
            assert!(
                !head.starts_with("style") && !head.contains(" style="),
                "<{head}"
            );
            let handler = head.split(" on").skip(1).any(|rest| {
                rest.split_once('=')
                    .is_some_and(|(name, _)| name.chars().all(|c| c.is_ascii_lowercase()))
            });
            assert!(!handler, "{}: <{head}", path.display());
            let elsewhere = head.replace("http://www.w3.org/", "");
            assert!(!elsewhere.contains("//"), "{}: <{head}", path.display());
        }
    }
}

#[tokio::test]
async fn a_shared_bench_asks_for_the_key_and_viewers_only_look() {
    let bench = bench(true);
    let (operator, viewer) = (bench.operator.clone(), bench.viewer.clone());
    assert_ne!(operator, viewer);
    assert!(operator.len() >= 32, "128 bits are 32 hexadecimal digits");
    let half = &operator[..20];
    let longer = format!("{operator}0");
    for key in ["", "0", half, longer.as_str(), "' or 1=1"] {
        for path in ALL_GETS.iter().filter(|path| path.starts_with("/api")) {
            for headers in [
                vec![],
                vec![("x-bench-key", key)],
                vec![("x-bench-key", key), OURS],
            ] {
                let answer = bench.get(path, &headers).await;
                assert_eq!(answer.status, StatusCode::UNAUTHORIZED, "{path} {key}");
                answer.said();
            }
        }
        let answer = bench.act(&note(), &[("x-bench-key", key), OURS]).await;
        assert_eq!(answer.status, StatusCode::UNAUTHORIZED);
    }
    let as_viewer = [("x-bench-key", viewer.as_str()), OURS];
    let state = bench.get("/api/state", &as_viewer).await;
    assert_eq!(state.json()["role"], "viewer");
    assert!(!String::from_utf8_lossy(&state.body).contains(&operator));
    assert_eq!(
        bench.act(&note(), &as_viewer).await.status,
        StatusCode::FORBIDDEN
    );
    let answer = bench
        .ask(Method::POST, "/api/clip?name=a", &as_viewer, "x")
        .await;
    assert_eq!(answer.status, StatusCode::FORBIDDEN);
    assert!(bench.desk.book().notes.is_empty());
    let as_operator = [("x-bench-key", operator.as_str())];
    assert_eq!(
        bench.get("/api/state", &as_operator).await.json()["role"],
        "operator"
    );
    assert_eq!(
        bench.act(&note(), &as_operator).await.status,
        StatusCode::OK
    );
    // In an address the key opens what a link must open, and nothing else.
    let by_address = |path: &str| format!("{path}?key={viewer}");
    for path in ["/api/logbook.jsonl", "/api/invite.svg", "/api/events"] {
        assert_eq!(
            bench.get(&by_address(path), &[]).await.status,
            StatusCode::OK,
            "{path}"
        );
    }
    assert_eq!(
        bench.get(&by_address("/api/state"), &[]).await.status,
        StatusCode::UNAUTHORIZED
    );
    let answer = bench
        .ask(
            Method::POST,
            &format!("/api/do?key={operator}"),
            &[OURS],
            note().to_string(),
        )
        .await;
    assert_eq!(answer.status, StatusCode::UNAUTHORIZED);
    // The phone comes by the machine's address, but not by a name that anybody could point there.
    let headers = |host| [("host", host), ("x-bench-key", viewer.as_str())];
    assert_eq!(
        bench
            .get("/api/state", &headers("192.168.1.5:7319"))
            .await
            .status,
        StatusCode::OK
    );
    assert_eq!(
        bench
            .get("/api/state", &headers("evil.example:7319"))
            .await
            .status,
        StatusCode::FORBIDDEN
    );
    let invite = bench.get("/api/invite.svg", &as_viewer).await;
    assert!(String::from_utf8_lossy(&invite.body).starts_with("<svg"));
}

#[tokio::test]
async fn no_path_leads_out_of_the_page_or_the_logbook() {
    let bench = bench(false);
    for path in [
        "/page/../../../Cargo.toml",
        "/page/..%2f..%2f..%2fCargo.toml",
        "/page/%2e%2e/mod.rs",
        "/page/..%5cmod.rs",
        "/page//etc/passwd",
        "/page/%2fetc%2fpasswd",
        "/page/page.html%00.js",
        "/page/",
        "/frames/1.png",
        "/api/../journal.jsonl",
        "/api/frames/00001-1.png",
    ] {
        let answer = bench.get(path, &[]).await;
        assert_eq!(answer.status, StatusCode::NOT_FOUND, "{path}");
        answer.said();
    }
    let picture = std::fs::read("sample-frames/bench-3/scale-1.png").unwrap();
    for name in [
        "..%2f..%2f..%2foutside.png",
        "%2ftmp%2foutside.png",
        "..",
        "a%00b.png",
        "C%3a%5coutside.png",
        "",
        "%ff%fe",
        "con",
        &"x".repeat(4000),
    ] {
        let path = format!("/api/clip?name={name}");
        let answer = bench
            .ask(Method::POST, &path, &[OURS], picture.clone())
            .await;
        assert_eq!(answer.status, StatusCode::OK, "{name}: {:?}", answer.body);
    }
    let clips = bench.folder.path().join("logbook/clips");
    let clips = clips.display().to_string();
    let outside: Vec<String> = bench
        .files()
        .into_iter()
        .filter(|file| {
            !file.starts_with(&clips)
                && !file.ends_with("/lock")
                && !file.ends_with("journal.jsonl")
        })
        .collect();
    assert_eq!(outside, Vec::<String>::new());
    assert_eq!(std::fs::read_dir(clips).unwrap().count(), 9);
}

#[tokio::test]
async fn clips_are_bounded_and_looked_at() {
    let bench = bench(false);
    let long = vec![0_u8; usize::try_from(LIMIT).unwrap() + 1];
    let length = long.len().to_string();
    let told = [OURS, ("content-length", length.as_str())];
    let answer = bench
        .ask(Method::POST, "/api/clip?name=a.mp4", &told, long.clone())
        .await;
    assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE);
    assert!(answer.said().contains("longer than"));
    // The same without a word on its length, in parts.
    let parts = tokio_stream::iter(
        long.chunks(10_000)
            .map(|part| Ok::<_, std::io::Error>(part.to_vec()))
            .collect::<Vec<_>>(),
    );
    let answer = bench
        .ask(
            Method::POST,
            "/api/clip?name=a.mp4",
            &[OURS],
            Body::from_stream(parts),
        )
        .await;
    assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE);
    let broken = tokio_stream::iter([Ok(vec![1, 2, 3]), Err(std::io::Error::other("gone"))]);
    let answer = bench
        .ask(
            Method::POST,
            "/api/clip?name=a.mp4",
            &[OURS],
            Body::from_stream(broken),
        )
        .await;
    assert_eq!(answer.status, StatusCode::BAD_REQUEST);
    let mut cut = std::fs::read("sample-frames/bench-3/line-4.mp4").unwrap();
    cut.truncate(2000);
    for (name, bytes) in [
        ("holiday.mp4", b"dear diary, today".to_vec()),
        ("empty.mp4", Vec::new()),
        ("cut.mp4", cut),
        (
            "noise.avi",
            (0..5000_u32).map(|n| (n * n % 251) as u8).collect(),
        ),
    ] {
        let answer = bench
            .ask(
                Method::POST,
                &format!("/api/clip?name={name}"),
                &[OURS],
                bytes,
            )
            .await;
        assert_eq!(answer.status, StatusCode::UNSUPPORTED_MEDIA_TYPE, "{name}");
        let said = answer.said();
        assert!(
            said.starts_with(name) && !said.contains("clips/") && !said.contains('\n'),
            "{said}"
        );
        let state = bench.get("/api/state", &[]).await.json();
        assert_eq!(state["upload"]["say"], said.as_str());
        assert_eq!(state["source"]["kind"], "none", "{name}");
    }
    let left = std::fs::read_dir(bench.folder.path().join("logbook/clips")).unwrap();
    assert_eq!(left.count(), 0, "what is refused leaves nothing");
    let picture = std::fs::read("sample-frames/bench-3/scale-1.png").unwrap();
    let answer = bench
        .ask(Method::POST, "/api/clip?name=scale-1.png", &[OURS], picture)
        .await;
    assert_eq!(answer.status, StatusCode::OK);
}

#[tokio::test]
async fn what_makes_no_sense_is_refused_in_a_sentence() {
    let bench = bench(false);
    let set_up = json!({ "do": "start_experiment", "lamp": "mercury", "lines": ["Hg 546.1"] });
    assert_eq!(bench.act(&set_up, &[OURS]).await.status, StatusCode::OK);
    for body in [
        "",
        "{",
        "null",
        "[]",
        "1",
        "\"do\"",
        "{}",
        "{\"do\":1}",
        "{\"do\":\"fly\"}",
        "{\"do\":\"seek\"}",
        "{\"do\":\"seek\",\"t_s\":\"now\"}",
        "{\"do\":\"seek\",\"t_s\":1e999}",
        "{\"do\":\"step\",\"frames\":1.5}",
        "{\"do\":\"step\",\"frames\":99999999999999999999}",
        "{\"do\":\"strike\",\"id\":-1,\"reason\":\"x\"}",
        "{\"do\":\"keep\"}",
        "{\"do\":\"play\",\"extra\":1}",
        "{\"do\":\"note\",\"text\":null}",
        "\u{0}\u{1}",
    ] {
        let answer = bench
            .ask(Method::POST, "/api/do", &[OURS], body.to_owned())
            .await;
        assert_eq!(answer.status, StatusCode::BAD_REQUEST, "{body}");
        answer.said();
    }
    let not_text = bench
        .ask(Method::POST, "/api/do", &[OURS], vec![0xff, 0xfe, 0x80])
        .await;
    assert_eq!(not_text.status, StatusCode::BAD_REQUEST);
    let deep = "[".repeat(20_000);
    assert_eq!(
        bench
            .ask(Method::POST, "/api/do", &[OURS], deep)
            .await
            .status,
        StatusCode::BAD_REQUEST
    );
    let long = format!("{{\"do\":\"note\",\"text\":\"{}\"}}", "x".repeat(70_000));
    assert_eq!(
        bench
            .ask(Method::POST, "/api/do", &[OURS], long)
            .await
            .status,
        StatusCode::PAYLOAD_TOO_LARGE
    );
    let keep = |kind: &str, line: Option<&str>, window_1: &str, window_2: Option<&str>| json!({ "do": "keep", "kind": kind, "line": line, "window_1": window_1, "window_2": window_2, "despite_doubt": true });
    for (action, word) in [
        (json!({ "do": "play" }), "clip"),
        (json!({ "do": "seek", "t_s": -1.0 }), "clip"),
        (json!({ "do": "start_sweep", "line": null }), "source"),
        (json!({ "do": "end_sweep", "line": null }), "no sweep"),
        (
            json!({ "do": "start_experiment", "lamp": "sun", "lines": ["Hg 546.1"] }),
            "no lamp",
        ),
        (
            json!({ "do": "start_experiment", "lamp": "mercury", "lines": [] }),
            "choose",
        ),
        (
            json!({ "do": "start_experiment", "lamp": "mercury", "lines": ["Hg 999"] }),
            "no line",
        ),
        (
            json!({ "do": "start_experiment", "lamp": "mercury", "lines": ["Hg 546.1", "Hg 546.1"] }),
            "twice",
        ),
        (
            json!({ "do": "start_experiment", "lamp": "mercury", "lines": ["Hg 546.1"], "refracting_angle": "sixty" }),
            "refracting angle",
        ),
        (
            json!({ "do": "start_experiment", "lamp": "mercury", "lines": ["Hg 546.1"], "refracting_angle": "170" }),
            "refracting angle",
        ),
        (
            json!({ "do": "start_experiment", "lamp": "mercury", "lines": ["Hg 546.1"], "refracting_angle": "60", "u_refracting_angle": "half a minute" }),
            "no uncertainty",
        ),
        (
            json!({ "do": "start_experiment", "lamp": "mercury", "lines": ["Hg 546.1"], "refracting_angle": "60", "u_refracting_angle": "0" }),
            "no uncertainty",
        ),
        (
            json!({ "do": "start_experiment", "lamp": "mercury", "lines": ["Hg 546.1"], "refracting_angle": "60", "u_refracting_angle": "-3" }),
            "no uncertainty",
        ),
        (
            json!({ "do": "start_experiment", "lamp": "mercury", "lines": ["Hg 546.1"], "refracting_angle": "60", "u_refracting_angle": "4000" }),
            "no uncertainty",
        ),
        (
            json!({ "do": "start_experiment", "lamp": "mercury", "lines": ["Hg 546.1"], "refracting_angle": "60", "u_refracting_angle": "NaN" }),
            "no uncertainty",
        ),
        (json!({ "do": "go", "step": "home" }), "no step"),
        (
            json!({ "do": "go", "step": "sweep", "line": "Hg 1" }),
            "chosen lines",
        ),
        (json!({ "do": "select_line", "line_id": 7 }), "not in view"),
        (keep("moon", None, "1", None), "no kind"),
        (keep("line", None, "1", None), "which line"),
        (keep("line", Some("Na D"), "1", None), "chosen lines"),
        (keep("central", None, "noon", None), "window 1"),
        (keep("central", None, "", None), "window 1"),
        (keep("central", None, "10", Some("10°61'")), "window 2"),
        (keep("central", None, "NaN", None), "window 1"),
        (
            json!({ "do": "strike", "id": 1, "reason": "slip" }),
            "no reading 1",
        ),
        (json!({ "do": "unstrike", "id": u64::MAX }), "no reading"),
        (json!({ "do": "note", "text": "  " }), "empty"),
        (json!({ "do": "note", "text": "x".repeat(5000) }), "longer"),
    ] {
        let answer = bench.act(&action, &[OURS]).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{action}");
        let said = answer.said();
        assert!(
            said.contains(word) && !said.contains('\n'),
            "{action}: {said}"
        );
    }
    assert!(bench.desk.book().readings.is_empty());
    for (method, path, status) in [
        (Method::GET, "/api/frame?after=x", StatusCode::BAD_REQUEST),
        (Method::GET, "/api/frame?after=-1", StatusCode::BAD_REQUEST),
        (Method::GET, "/api/sweep/1", StatusCode::NOT_FOUND),
        (Method::GET, "/api/sweep/x", StatusCode::BAD_REQUEST),
        (Method::GET, "/api/sweep/-1", StatusCode::BAD_REQUEST),
        (Method::GET, "/api/sweep/1.5", StatusCode::BAD_REQUEST),
        (
            Method::GET,
            "/api/sweep/..%2f..%2fetc",
            StatusCode::BAD_REQUEST,
        ),
        (Method::GET, "/nowhere", StatusCode::NOT_FOUND),
        (Method::GET, "/api/do", StatusCode::METHOD_NOT_ALLOWED),
        (Method::DELETE, "/api/state", StatusCode::METHOD_NOT_ALLOWED),
        (Method::PUT, "/", StatusCode::METHOD_NOT_ALLOWED),
        (Method::GET, "/api/report.html", StatusCode::CONFLICT),
        (Method::GET, "/api/result.json", StatusCode::CONFLICT),
        (Method::GET, "/api/invite.svg", StatusCode::NOT_FOUND),
    ] {
        let answer = bench
            .ask(method.clone(), path, &[OURS], Body::empty())
            .await;
        assert_eq!(answer.status, status, "{method} {path}");
        answer.said();
    }
}

#[tokio::test]
async fn readings_are_doubted_kept_and_struck_out() {
    let bench = bench(false);
    let set_up = json!({ "do": "start_experiment", "lamp": "mercury", "lines": ["Hg 546.1"] });
    assert_eq!(bench.act(&set_up, &[OURS]).await.status, StatusCode::OK);
    let reading = |what: &str, window_1: &str, window_2: &str, despite: bool| {
        let mut action = json!({ "do": what, "kind": "central", "line": "Hg 546.1", "window_1": window_1, "window_2": window_2 });
        if what == "keep" {
            action["despite_doubt"] = despite.into();
        }
        action
    };
    // Without a picture the hair is set by eye, which is said, and kept if it is wanted.
    let doubted = bench
        .act(&reading("keep", "251 35 00", "71 36 30", false), &[OURS])
        .await;
    assert_eq!(doubted.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(doubted.said().contains("by eye"));
    assert!(bench.desk.book().readings.is_empty());
    let kept = bench
        .act(&reading("keep", "251 35 00", "71 36 30", true), &[OURS])
        .await;
    assert_eq!(kept.status, StatusCode::OK);
    for (window_1, window_2, words) in [
        ("252 05 00", "72 06 30", "half a degree"),
        ("252 35 00", "72 36 30", "whole degree"),
        ("251 35 00", "72 06 30", "half a degree in one of them"),
        ("71 36 30", "251 35 00", "swapped"),
        ("241 35 00", "61 36 30", "ten degrees"),
    ] {
        let answer = bench
            .act(&reading("understand", window_1, window_2, false), &[OURS])
            .await;
        let doubt = answer.json()["understood"]["doubt"].clone();
        assert!(
            doubt.as_str().is_some_and(|doubt| doubt.contains(words)),
            "{window_1}: {doubt}"
        );
    }
    assert_eq!(bench.desk.book().readings.len(), 1);
    let id = bench.desk.book().readings[0].id;
    let strike = json!({ "do": "strike", "id": id, "reason": "the telescope was not locked" });
    assert_eq!(bench.act(&strike, &[OURS]).await.status, StatusCode::OK);
    assert_eq!(
        bench.act(&strike, &[OURS]).await.status,
        StatusCode::UNPROCESSABLE_ENTITY
    );
    let state = bench.get("/api/state", &[]).await.json();
    assert_eq!(
        state["readings"][0]["struck"],
        "the telescope was not locked"
    );
    let unstrike = json!({ "do": "unstrike", "id": id });
    assert_eq!(bench.act(&unstrike, &[OURS]).await.status, StatusCode::OK);
    let book = bench.get("/api/logbook.jsonl", &[]).await;
    let text = String::from_utf8(book.body.to_vec()).unwrap();
    assert!(
        text.contains("the telescope was not locked"),
        "nothing is deleted"
    );
}

/// The uncertainty that was typed beside the refracting angle counts; where none was, 30 seconds of arc do, and that is said.
#[tokio::test]
async fn a_typed_refracting_angle_has_its_uncertainty() {
    let bench = bench(false);
    let proposed =
        bench.get("/api/state", &[OURS]).await.json()["experiment"]["u_refracting_angle_arcsec"]
            .clone();
    assert_eq!(proposed, 30.0);
    for (typed, u_arcsec) in [
        (Some(" 12\" "), 12.0),
        (Some(""), 30.0),
        (Some("2.5″"), 2.5),
        (None, 30.0),
    ] {
        let action = json!({
            "do": "start_experiment", "lamp": "mercury", "lines": ["Hg 546.1"],
            "refracting_angle": "60 00 00", "u_refracting_angle": typed,
        });
        let answer = bench.act(&action, &[OURS]).await;
        assert_eq!(answer.status, StatusCode::OK, "{}", answer.json());
        // As it was typed, for whoever changes the experiment later.
        let state = bench.get("/api/state", &[OURS]).await.json();
        assert_eq!(state["experiment"]["typed_angle"], "60 00 00");
        let own = typed.filter(|typed| !typed.is_empty());
        assert_eq!(
            state["experiment"]["u_typed_angle_arcsec"].as_f64(),
            own.map(|_| u_arcsec)
        );
        let begun = std::time::Instant::now();
        loop {
            let results = bench.desk.results();
            let told = results
                .cautions
                .iter()
                .any(|caution| caution.code == "prism-angle-typed");
            let u = results
                .prism_angle_deg
                .as_ref()
                .map(|angle| 3600.0 * angle.u());
            if u.is_some_and(|u| (u - u_arcsec).abs() < 1e-6) {
                assert_eq!(told, typed.is_none_or(str::is_empty), "{typed:?}");
                break;
            }
            assert!(begun.elapsed().as_secs() < 10, "{typed:?} gives {u:?}");
            tokio::time::sleep(std::time::Duration::from_millis(5)).await;
        }
    }
}
