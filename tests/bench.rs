//! The bench page's server as people start it: a whole experiment, a kill at any moment, keys, and browsers that are slow.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rand::{RngExt, SeedableRng};
use serde_json::{Value, json};

use crate::support::{
    answer, argument, assert_refused, lineturn, practice_pictures, serve_pictures, write,
};

/// A server of the built program.
struct Server {
    child: Child,
    /// What it printed when it was ready.
    said: String,
    port: u16,
    key: Option<String>,
}

impl Server {
    fn start(arguments: &[&str]) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_lineturn"))
            .args(["bench", "--no-open", "--port", "0"])
            .args(arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut out = BufReader::new(child.stdout.take().unwrap());
        let mut said = String::new();
        while !said.contains("Ctrl-C ends.") {
            assert!(
                out.read_line(&mut said).unwrap() > 0,
                "it said only: {said}"
            );
        }
        let address = said
            .split_whitespace()
            .find(|word| word.starts_with("http://"))
            .unwrap();
        let (host, key) = address["http://".len()..].split_once('/').unwrap();
        let port = host.rsplit_once(':').unwrap().1.parse().unwrap();
        let key = key.strip_prefix('#').map(str::to_owned);
        Self {
            child,
            port,
            key,
            said,
        }
    }

    /// Sends a request; none where the server is not there any more.
    fn try_ask(&self, method: &str, path: &str, body: &[u8]) -> Option<(u16, Vec<u8>)> {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).ok()?;
        stream
            .set_read_timeout(Some(Duration::from_secs(60)))
            .ok()?;
        let key = self
            .key
            .as_ref()
            .map_or_else(String::new, |key| format!("X-Bench-Key: {key}\r\n"));
        let head = format!(
            "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nX-Bench: 1\r\n{key}Content-Length: {}\r\nConnection: close\r\n\r\n",
            self.port,
            body.len()
        );
        stream.write_all(head.as_bytes()).ok()?;
        stream.write_all(body).ok()?;
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).ok()?;
        let end = answer.windows(4).position(|four| four == b"\r\n\r\n")?;
        let head = String::from_utf8(answer[..end].to_vec()).ok()?;
        let status = head.split(' ').nth(1)?.parse().ok()?;
        let length = head.lines().find_map(|line| {
            line.to_ascii_lowercase()
                .strip_prefix("content-length: ")?
                .parse::<usize>()
                .ok()
        });
        let body = answer.split_off(end + 4);
        // An answer that a kill cut short is none.
        length
            .is_none_or(|length| body.len() == length)
            .then_some((status, body))
    }

    fn ask(&self, method: &str, path: &str, body: &[u8]) -> (u16, Vec<u8>) {
        self.try_ask(method, path, body).unwrap()
    }

    fn get(&self, path: &str) -> Vec<u8> {
        let (status, body) = self.ask("GET", path, b"");
        assert_eq!(status, 200, "{path}: {}", String::from_utf8_lossy(&body));
        body
    }

    fn state(&self) -> Value {
        serde_json::from_slice(&self.get("/api/state")).unwrap()
    }

    fn act(&self, action: &Value) -> Value {
        let (_, body) = self.ask("POST", "/api/do", action.to_string().as_bytes());
        serde_json::from_slice(&body).unwrap()
    }

    fn done(&self, action: &Value) -> Value {
        let answer = self.act(action);
        assert_eq!(answer["ok"], true, "{action}: {answer}");
        answer
    }

    fn until(&self, what: &str, reached: impl Fn(&Value) -> bool) -> Value {
        let begun = Instant::now();
        loop {
            let state = self.state();
            if reached(&state) {
                return state;
            }
            assert!(
                begun.elapsed() < Duration::from_secs(60),
                "{what} never came: {}",
                state["source"]
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Hands in a clip or a picture and waits for its first frame.
    fn hand_in(&self, path: &Path) {
        let name = path.file_name().unwrap().to_string_lossy();
        let (status, said) = self.ask(
            "POST",
            &format!("/api/clip?name={name}"),
            &std::fs::read(path).unwrap(),
        );
        assert_eq!(status, 200, "{}", String::from_utf8_lossy(&said));
        self.until("the first frame", |state| {
            state["source"]["t_s"].is_number()
                && state["source"]["name"].as_str().unwrap().contains(&*name)
        });
    }

    /// The newest frame after `after`: its sight and its picture.
    fn frame(&self, after: u64) -> (Value, Vec<u8>) {
        let body = self.get(&format!("/api/frame?after={after}"));
        let length = u32::from_le_bytes(body[..4].try_into().unwrap()) as usize;
        let sight = serde_json::from_slice(&body[4..4 + length]).unwrap();
        (sight, body[4 + length..].to_vec())
    }

    fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn sample(name: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-frames/bench-3")
        .join(name)
}

fn records(path: &Path) -> Vec<Value> {
    csv::Reader::from_path(path)
        .unwrap()
        .deserialize::<std::collections::BTreeMap<String, String>>()
        .map(|row| serde_json::to_value(row.unwrap()).unwrap())
        .collect()
}

fn text<'a>(row: &'a Value, column: &str) -> &'a str {
    row[column].as_str().unwrap()
}

fn keep(server: &Server, kind: &str, line: Option<&str>, row: &Value) {
    let mut action = json!({
        "do": "understand", "kind": kind, "line": line,
        "window_1": text(row, "window_1"), "window_2": text(row, "window_2"),
    });
    let understood = server.done(&action)["understood"].clone();
    assert_eq!(understood["doubt"], Value::Null, "{action}");
    action["do"] = "keep".into();
    server.done(&action);
}

/// The experiment that comes with the program, driven as a page would: scale, faces, then for every line sweep, reading and central image.
#[test]
fn a_whole_experiment_comes_out_as_it_was_made() {
    let folder = tempfile::tempdir().unwrap();
    let logbook = folder.path().join("logbook");
    let profile = write(
        folder.path(),
        "bench.toml",
        "name = \"Bench 3\"\n[circle]\nleast_count_arcsec = 30.0\nwindows = 2\n",
    );
    let arguments = [
        "--logbook",
        argument(&logbook),
        "--bench",
        argument(&profile),
    ];
    let mut server = Server::start(&arguments);
    let rows = records(&sample("readings.csv"));
    let of = |set: &str, target: &str| -> Vec<&Value> {
        rows.iter()
            .filter(|row| text(row, "set") == set && text(row, "target") == target)
            .collect()
    };
    let lines: Vec<&str> = rows
        .iter()
        .map(|row| text(row, "line"))
        .filter(|name| !name.is_empty())
        .collect();
    server.done(&json!({ "do": "start_experiment", "lamp": "mercury", "lines": lines }));
    server.done(&json!({ "do": "go", "step": "scale" }));
    for row in records(&sample("scale.csv")) {
        server.hand_in(&sample(text(&row, "frame")));
        keep(&server, "scale", None, &row);
    }
    // Whether the scale has points enough is for the person to say.
    let guide = server.state()["guide"].clone();
    assert_eq!(
        (&guide["step"], &guide["kind"]),
        (&json!("scale"), &json!("scale"))
    );
    server.done(&json!({ "do": "go", "step": "prism" }));
    for row in &rows[..2] {
        server.hand_in(&sample(text(row, "footage")));
        keep(&server, "face", None, row);
    }
    server.done(&json!({ "do": "go", "step": "sweep", "line": lines[0] }));
    for set in ["1", "2", "3", "4", "5"] {
        let (lines, central) = (of(set, "line"), of(set, "central")[0]);
        let name = text(lines[0], "line");
        let guide = server.state()["guide"].clone();
        assert_eq!(
            (&guide["step"], &guide["line"]),
            (&json!("sweep"), &json!(name))
        );
        assert_eq!(
            guide["locked"],
            json!({ "table": false, "telescope": true })
        );
        server.hand_in(&sample(text(lines[0], "footage")));
        server.done(&json!({ "do": "pause" }));
        server.done(&json!({ "do": "seek", "t_s": 0.0 }));
        server.done(&json!({ "do": "speed", "times": 20.0 }));
        server.done(&json!({ "do": "start_sweep", "line": name }));
        server.done(&json!({ "do": "play" }));
        server.until("the end of the clip", |state| {
            state["source"]["ended"] == true
        });
        let (sight, picture) = server.frame(0);
        assert!(picture.starts_with(&[0xff, 0xd8]), "a JPEG picture");
        let mut seen: Vec<&Value> = sight["lines"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|line| line["id"].is_u64())
            .collect();
        seen.sort_by(|a, b| {
            a["x_px"]
                .as_f64()
                .unwrap()
                .total_cmp(&b["x_px"].as_f64().unwrap())
        });
        assert_eq!(seen.len(), lines.len());
        for (line, row) in seen.iter().zip(&lines) {
            server.done(
                &json!({ "do": "select_line", "line_id": line["id"], "name": text(row, "line") }),
            );
        }
        server.done(&json!({ "do": "end_sweep", "line": name }));
        for row in &lines {
            let guide = server.state()["guide"].clone();
            let name = text(row, "line");
            assert_eq!(
                (&guide["step"], &guide["line"]),
                (&json!("reading"), &json!(name))
            );
            keep(&server, "line", Some(name), row);
        }
        assert_eq!(server.state()["guide"]["step"], "central");
        server.hand_in(&sample(text(central, "footage")));
        keep(&server, "central", Some(name), central);
        if set == "3" {
            // In the middle of it all the plug is pulled.
            let before = kept_sweeps(&server);
            server.kill();
            server = Server::start(&arguments);
            assert_eq!(server.state()["kept"]["trouble"], Value::Null);
            server.until("the scale", |state| {
                state["experiment"]["scale"].is_object()
            });
            same_sweeps(&before, &kept_sweeps(&server));
        }
    }
    let lines_done = |state: &Value| state["results"]["lines"].as_array().map_or(0, Vec::len);
    let state = server.until("the results", |state| lines_done(state) == lines.len());
    assert_eq!(state["guide"]["step"], "results");
    let truth: Value =
        serde_json::from_str(&std::fs::read_to_string(sample("truth.json")).unwrap()).unwrap();
    let mut squares = 0.0;
    for line in state["results"]["lines"].as_array().unwrap() {
        let true_n = truth["lines"]
            .as_array()
            .unwrap()
            .iter()
            .find(|t| t["line"] == line["name"])
            .unwrap()["n"]
            .as_f64()
            .unwrap();
        let pull = (line["n"].as_f64().unwrap() - true_n) / line["u_n"].as_f64().unwrap();
        println!("{} {} pull {pull:.2}", line["name"], line["n_text"]);
        assert!(pull.abs() < 3.5, "{line}");
        squares += pull * pull;
    }
    assert!(
        squares > 0.01,
        "pulls that are all nothing are no measurement"
    );
    // What is taken home says the same, and the table can be reduced without the page.
    let result: Value = serde_json::from_slice(&server.get("/api/result.json")).unwrap();
    assert_eq!(result["kind"], "reduce");
    let report = String::from_utf8(server.get("/api/report.html")).unwrap();
    assert!(report.contains("1.6240"));
    // The tracks of all lines, those from before the plug was pulled as well.
    let last_track = format!("id=\"track-{}", lines.len());
    assert!(report.contains(&last_track), "{last_track} is missing");
    assert!(server.get("/api/report.pdf").starts_with(b"%PDF"));
    assert_eq!(
        String::from_utf8(server.get("/api/result.csv"))
            .unwrap()
            .lines()
            .count(),
        1 + lines.len()
    );
    let table = write(folder.path(), "again.csv", server.get("/api/readings.csv"));
    let again = lineturn(&[
        "reduce",
        argument(&table),
        "--bench",
        argument(&profile),
        "--json",
    ]);
    let again: Value = serde_json::from_slice(&again.stdout).unwrap();
    for (one, other) in result["lines"]
        .as_array()
        .unwrap()
        .iter()
        .zip(again["lines"].as_array().unwrap())
    {
        let n = |line: &Value| line["n"].as_f64().unwrap();
        assert!((n(one) - n(other)).abs() < 2e-8, "{one} {other}");
    }
    // A line that is struck out is gone from the results and stays in the logbook.
    let reading = state["readings"]
        .as_array()
        .unwrap()
        .iter()
        .find(|r| r["kind"] == "line" && r["line"] == "Hg 435.8")
        .unwrap();
    server.done(&json!({ "do": "strike", "id": reading["id"], "reason": "for the test" }));
    server.until("results without it", |state| {
        lines_done(state) == lines.len() - 1
    });
    server.done(&json!({ "do": "unstrike", "id": reading["id"] }));
    server.until("results with it", |state| lines_done(state) == lines.len());
    // The frames that it rests on are there, and so are the clips.
    for reading in state["readings"].as_array().unwrap() {
        match reading["frames"].as_str() {
            Some(frame) => assert!(logbook.join(frame).exists(), "{reading}"),
            None => assert!(reading["sweep"].is_u64(), "{reading}"),
        }
    }
    for sweep in state["sweeps"].as_array().unwrap() {
        assert!(
            logbook.join(sweep["recording"].as_str().unwrap()).exists(),
            "{sweep}"
        );
    }
}

/// Strips of all kept sweeps.
fn kept_sweeps(server: &Server) -> Vec<Value> {
    let state = server.state();
    let sweeps = state["sweeps"].as_array().unwrap();
    let strip = |sweep: &Value| {
        let body = server.get(&format!("/api/sweep/{}", sweep["id"]));
        assert!(body.len() < 200_000, "{} bytes", body.len());
        serde_json::from_slice(&body).unwrap()
    };
    sweeps.iter().map(strip).collect()
}

/// That strips are the same, with points and turning points, up to the digits in their tables.
fn same_sweeps(one: &[Value], other: &[Value]) {
    assert!(!one.is_empty() && one.len() == other.len());
    for (one, other) in one.iter().zip(other) {
        assert_eq!(one["lines"], other["lines"]);
        assert_eq!(one["strip"]["turns"], other["strip"]["turns"]);
        let turns = one["strip"]["turns"].as_array().unwrap();
        assert!(turns.iter().any(|turn| turn["counted"] == true));
        let points = |sweep: &Value| sweep["strip"]["points"].as_array().unwrap().clone();
        let (one, other) = (points(one), points(other));
        assert!(one.len() > 100 && one.len() == other.len());
        for (one, other) in one.iter().zip(&other) {
            let off = |at: usize| (one[at].as_f64().unwrap() - other[at].as_f64().unwrap()).abs();
            assert!(
                off(0) < 2e-4 && off(1) < 0.01 && off(3) == 0.0,
                "{one} {other}"
            );
        }
    }
}

fn numbers_of_readings(state: &Value) -> Vec<u64> {
    state["readings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|reading| reading["id"].as_u64().unwrap())
        .collect()
}

/// Records of the journal of one kind.
fn journal_of(logbook: &Path, kind: &str) -> Vec<Value> {
    std::fs::read_to_string(logbook.join("journal.jsonl"))
        .unwrap()
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap())
        .filter(|record| record["what"] == kind)
        .collect()
}

/// A network camera's sweep is recorded beside the journal while it is measured, and the recording measures the same.
#[test]
fn a_live_sweep_is_recorded_beside_the_journal_and_measures_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let logbook = folder.path().join("logbook");
    let sweep = practice_pictures(folder.path());
    // The camera looks at a line that stands, then sees the sweep, then a line that stands again.
    let still = |picture: &Vec<u8>, count: usize| vec![picture.clone(); count];
    let pictures = [
        still(&sweep[0], 60),
        sweep.clone(),
        still(&sweep[sweep.len() - 1], 500),
    ]
    .concat();
    let address = serve_pictures(pictures, Duration::from_millis(40), true);
    let arguments = ["--source", &address, "--logbook", argument(&logbook)];
    let mut server = Server::start(&arguments);
    server.done(
        &json!({ "do": "start_experiment", "lamp": "mercury", "lines": ["Hg 546.1", "Hg 435.8"] }),
    );
    let state = server.until("the camera", |state| state["source"]["t_s"].is_number());
    assert_eq!(state["source"]["kind"], "network");
    server.done(&json!({ "do": "start_sweep", "line": "Hg 546.1" }));
    let swept_s = 0.04 * (60 + sweep.len()) as f64;
    server.until("the end of the sweep", |state| {
        state["source"]["t_s"].as_f64().unwrap() > swept_s
    });
    let said = server.done(&json!({ "do": "end_sweep", "line": "Hg 546.1" }))["said"].clone();
    assert!(
        said.as_str().unwrap().contains("turned: Hg 546.1 (1 pass)"),
        "{said}"
    );
    let kept = journal_of(&logbook, "sweep-ended")[0].clone();
    assert_eq!(kept["recording"], "frames/00004-sweep.avi", "{kept}");
    let recording = logbook.join(kept["recording"].as_str().unwrap());
    let again = answer(&["watch", argument(&recording), "--json"]);
    assert_eq!(again["complete"], true);
    assert_eq!(again["frames"], kept["frames"], "frames that were measured");
    assert_eq!(
        again["dropped"], 0,
        "what was lost before the sweep is none of it"
    );
    let number = |value: &Value| value.as_f64().unwrap();
    let (live, line) = (&kept["lines"][0], &again["lines"][0]);
    println!("live {live}\nagain {line}");
    assert_eq!(
        (&live["turned"], &live["passes"]),
        (&line["turned"], &line["passes"])
    );
    // Live the hairs are known from the frames before the sweep, too.
    let off_px = number(&live["offset_px"]) - number(&line["offset_px"]);
    assert!(
        off_px.abs() < 0.5 * number(&live["u_px"]).min(number(&line["u_px"])),
        "off by {off_px} px"
    );
    // The recording is there for the next run of the program, too.
    server.kill();
    let server = Server::start(&["--logbook", argument(&logbook)]);
    assert_eq!(server.state()["sweeps"][0]["recording"], kept["recording"]);
    assert!(recording.exists());
}

/// A line that gets its name after the sweep has it in the next run of the program.
#[test]
fn names_given_after_a_sweep_are_kept() {
    let folder = tempfile::tempdir().unwrap();
    let logbook = folder.path().join("logbook");
    let clip = sample("line-2.mp4");
    let mut server = Server::start(&["--source", argument(&clip), "--logbook", argument(&logbook)]);
    for action in [
        json!({ "do": "start_experiment", "lamp": "mercury", "lines": ["Hg 577.0", "Hg 579.1"] }),
        json!({ "do": "pause" }),
        json!({ "do": "seek", "t_s": 0.0 }),
        json!({ "do": "speed", "times": 20.0 }),
        json!({ "do": "start_sweep", "line": null }),
        json!({ "do": "play" }),
    ] {
        server.done(&action);
    }
    server.until("the end of the clip", |state| {
        state["source"]["ended"] == true
    });
    server.done(&json!({ "do": "end_sweep", "line": null }));
    let line = server.state()["sweeps"][0]["lines"][0].clone();
    assert!(line["name"].is_null() && line["line_id"].is_u64(), "{line}");
    let named = |server: &Server| server.state()["sweeps"][0]["lines"][0]["name"].clone();
    for name in ["Hg 577.0", "Hg 579.1", "Hg 579.1"] {
        server.done(&json!({ "do": "select_line", "line_id": line["line_id"], "name": name }));
        assert_eq!(named(&server), name);
    }
    assert_eq!(
        journal_of(&logbook, "line-named").len(),
        2,
        "said once each"
    );
    server.kill();
    let server = Server::start(&["--logbook", argument(&logbook)]);
    assert_eq!(named(&server), "Hg 579.1");
    // Its number is none of this run.
    let (status, _) = server.ask(
        "POST",
        "/api/do",
        json!({ "do": "select_line", "line_id": line["line_id"], "name": "Hg 577.0" })
            .to_string()
            .as_bytes(),
    );
    assert_eq!(status, 422);
    assert_eq!(named(&server), "Hg 579.1");
}

/// Whoever says nothing, or a request's head or body by drops, is let go, and so many at most are let in.
#[test]
fn connections_have_limits() {
    let folder = tempfile::tempdir().unwrap();
    let server = Server::start(&["--logbook", argument(&folder.path().join("logbook"))]);
    let connect = || {
        let stream = TcpStream::connect(("127.0.0.1", server.port)).unwrap();
        stream
            .set_read_timeout(Some(Duration::from_secs(30)))
            .unwrap();
        stream
    };
    let begun = Instant::now();
    let dripping = |head: &'static [u8]| {
        let mut stream = connect();
        std::thread::spawn(move || {
            for byte in head.iter().chain(std::iter::repeat(&b'x')) {
                if stream.write_all(&[*byte]).is_err() {
                    return (begun.elapsed(), String::new());
                }
                let mut answer = [0; 4096];
                stream
                    .set_read_timeout(Some(Duration::from_millis(100)))
                    .unwrap();
                match stream.read(&mut answer) {
                    Ok(length) => {
                        let said = String::from_utf8_lossy(&answer[..length]).into_owned();
                        return (begun.elapsed(), said);
                    }
                    Err(_) if begun.elapsed() < Duration::from_secs(30) => {}
                    Err(_) => return (begun.elapsed(), "never".to_owned()),
                }
            }
            unreachable!("it drips for ever")
        })
    };
    let head = dripping(b"GET / HTTP/1.1\r\nX: ");
    let silent = connect();
    let mut body = connect();
    body.write_all(
        format!("POST /api/do HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nX-Bench: 1\r\nContent-Length: 9\r\n\r\n{{", server.port)
            .as_bytes(),
    )
    .unwrap();
    // Meanwhile others are served, until there are too many of one.
    assert_eq!(server.ask("GET", "/api/state", b"").0, 200);
    let mut many: Vec<TcpStream> = (0..100).map(|_| connect()).collect();
    let (status, said) = (0..50)
        .find_map(|_| {
            std::thread::sleep(Duration::from_millis(20));
            server
                .try_ask("GET", "/api/state", b"")
                .filter(|(status, _)| *status != 200)
        })
        .expect("it is full");
    assert_eq!(status, 503);
    assert!(String::from_utf8_lossy(&said).contains("too many pages"));
    let (took, said) = head.join().unwrap();
    assert!(
        (Duration::from_secs(8)..Duration::from_secs(20)).contains(&took),
        "a head by drops was let go after {took:?}: {said}"
    );
    let mut answer = String::new();
    body.read_to_string(&mut answer).unwrap();
    assert!(answer.starts_with("HTTP/1.1 408"), "{answer}");
    let mut silent = silent;
    let mut answer = Vec::new();
    silent.read_to_end(&mut answer).unwrap();
    many.iter_mut().for_each(|stream| {
        let _ = stream.read_to_end(&mut Vec::new());
    });
    assert!(begun.elapsed() < Duration::from_secs(25));
    assert_eq!(server.ask("GET", "/api/state", b"").0, 200, "free again");
}

/// Times that the server is killed.
const KILLS: usize = 200;

#[cfg(unix)]
/// Killed at random moments while readings are written: whatever was acknowledged is there.
#[test]
fn nothing_that_was_acknowledged_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    let logbook = folder.path().join("logbook");
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(20);
    let mut acknowledged: Vec<u64> = Vec::new();
    let (mut torn, mut cut_off) = (0, 0);
    let still = sample("scale-5.png");
    for round in 0..KILLS {
        let mut arguments = vec!["--logbook", argument(&logbook)];
        let with_frames = round % 10 == 9;
        if with_frames {
            arguments.extend(["--source", argument(&still)]);
        }
        let mut server = Server::start(&arguments);
        let state = server.state();
        let there = numbers_of_readings(&state);
        for id in &acknowledged {
            assert!(
                there.contains(id),
                "reading {id} was acknowledged and is gone in round {round}"
            );
        }
        if let Some(trouble) = state["kept"]["trouble"].as_str() {
            assert!(
                trouble.contains("half written") && trouble.contains("journal-torn-"),
                "{trouble}"
            );
            torn += 1;
        }
        let wait = Duration::from_micros(random.random_range(0..60_000));
        let pid = server.child.id();
        let killer = std::thread::spawn(move || {
            std::thread::sleep(wait);
            // As a power cut would: without a word.
            Command::new("kill")
                .args(["-9", &pid.to_string()])
                .status()
                .unwrap();
        });
        loop {
            let minute = random.random_range(0..60);
            let action = json!({ "do": "keep", "kind": "face", "line": null, "window_1": format!("251 {minute} 00"), "window_2": format!("71 {minute} 30"), "despite_doubt": true });
            let Some((status, body)) =
                server.try_ask("POST", "/api/do", action.to_string().as_bytes())
            else {
                cut_off += 1;
                break;
            };
            let answer: Value = serde_json::from_slice(&body).unwrap();
            assert_eq!(status, 200, "{answer}");
            let said = answer["said"].as_str().unwrap();
            acknowledged.push(said.split(' ').nth(1).unwrap().parse().unwrap());
        }
        killer.join().unwrap();
        let _ = server.child.wait();
    }
    println!(
        "{} readings acknowledged over {KILLS} kills, {cut_off} requests cut off, {torn} lines torn",
        acknowledged.len()
    );
    assert!(
        acknowledged.len() > KILLS,
        "too few readings for the test to mean anything"
    );
    // A line that is torn for certain, since a kill hardly ever lands within a single write.
    let journal = logbook.join("journal.jsonl");
    let mut bytes = std::fs::read(&journal).unwrap();
    bytes.extend_from_slice(b"{\"n\":99999,\"at\":\"2026-");
    std::fs::write(&journal, bytes).unwrap();
    let server = Server::start(&["--logbook", argument(&logbook)]);
    let state = server.state();
    assert!(
        state["kept"]["trouble"]
            .as_str()
            .unwrap()
            .contains("half written")
    );
    let there = numbers_of_readings(&state);
    assert!(acknowledged.iter().all(|id| there.contains(id)));
}

#[test]
fn one_logbook_is_one_bench() {
    let folder = tempfile::tempdir().unwrap();
    let logbook = folder.path().join("logbook");
    let mut first = Server::start(&["--logbook", argument(&logbook)]);
    let second = lineturn(&[
        "bench",
        "--no-open",
        "--port",
        "0",
        "--logbook",
        argument(&logbook),
    ]);
    assert_refused(&second, &["in use", "--logbook"]);
    // Nothing remains locked behind a process that was killed.
    first.kill();
    drop(Server::start(&["--logbook", argument(&logbook)]));
}

#[test]
fn what_cannot_be_served_is_refused_in_a_sentence() {
    let folder = tempfile::tempdir().unwrap();
    let logbook = folder.path().join("logbook");
    let bench = |more: &[&str]| {
        let mut arguments = vec![
            "bench",
            "--no-open",
            "--port",
            "0",
            "--logbook",
            argument(&logbook),
        ];
        arguments.extend(more);
        lineturn(&arguments)
    };
    assert_refused(&bench(&["--source", "nowhere.mp4"]), &["nowhere.mp4"]);
    let text = write(folder.path(), "diary.mp4", "dear diary, today\n");
    assert_refused(&bench(&["--source", argument(&text)]), &["diary.mp4"]);
    assert_refused(&bench(&["--source", "-"]), &["standard input"]);
    assert_refused(&bench(&["--bench", "nowhere.toml"]), &["nowhere.toml"]);
    assert_refused(&bench(&["--fps", "0"]), &["--fps"]);
    let file = write(folder.path(), "file", "no folder");
    assert_refused(
        &lineturn(&[
            "bench",
            "--no-open",
            "--port",
            "0",
            "--logbook",
            argument(&file),
        ]),
        &["--logbook"],
    );
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap().port().to_string();
    assert_refused(
        &lineturn(&[
            "bench",
            "--no-open",
            "--port",
            &port,
            "--logbook",
            argument(&logbook),
        ]),
        &["--port", &port],
    );
    let help = lineturn(&["bench", "--help"]);
    assert_eq!(help.status.code(), Some(0));
    let help = String::from_utf8(help.stdout).unwrap();
    assert!(help.contains("Examples:") && help.contains("--share") && help.contains("--logbook"));
}

#[test]
fn a_shared_bench_prints_two_addresses_and_a_code() {
    let folder = tempfile::tempdir().unwrap();
    let server = Server::start(&[
        "--share",
        "--logbook",
        argument(&folder.path().join("logbook")),
    ]);
    let keys: Vec<&str> = server
        .said
        .split_whitespace()
        .filter_map(|word| word.split_once("/#").map(|(_, key)| key))
        .collect();
    assert_eq!(keys.len(), 2, "{}", server.said);
    assert!(keys[0] != keys[1] && keys.iter().all(|key| key.len() >= 32));
    assert!(server.said.contains('█') && server.said.contains('▄'));
    assert_eq!(server.state()["role"], "operator");
    let viewer = Server {
        key: Some(keys[1].to_owned()),
        child: Command::new("true").spawn().unwrap(),
        said: String::new(),
        port: server.port,
    };
    let state = viewer.state();
    assert_eq!(state["role"], "viewer");
    assert!(
        state["share"]["viewer_address"]
            .as_str()
            .unwrap()
            .ends_with(keys[1])
    );
    assert_eq!(
        viewer
            .ask("POST", "/api/do", b"{\"do\":\"note\",\"text\":\"me\"}")
            .0,
        403
    );
    let nobody = Server {
        key: None,
        child: Command::new("true").spawn().unwrap(),
        said: String::new(),
        port: server.port,
    };
    assert_eq!(nobody.ask("GET", "/api/state", b"").0, 401);
}

/// A browser that reads nothing, and one that asks seldom, hold up neither the measurement nor the others.
#[test]
fn slow_browsers_hold_nobody_up() {
    let folder = tempfile::tempdir().unwrap();
    let server = Server::start(&[
        "--source",
        argument(&sample("line-3.mp4")),
        "--logbook",
        argument(&folder.path().join("logbook")),
    ]);
    let asked = |path: &str| {
        let mut stream = TcpStream::connect(("127.0.0.1", server.port)).unwrap();
        let head = format!(
            "GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\n\r\n",
            server.port
        );
        stream.write_all(head.as_bytes()).unwrap();
        stream
    };
    // They ask and never read.
    let _stuck: Vec<TcpStream> = (0..8)
        .flat_map(|_| [asked("/api/events"), asked("/api/frame?after=0")])
        .collect();
    let begun = Instant::now();
    let (mut fast, mut slow, mut last, mut last_slow) = (0, 0, 0, 0);
    while begun.elapsed() < Duration::from_secs(4) {
        let (sight, _) = server.frame(last);
        last = sight["seq"].as_u64().unwrap();
        fast += 1;
        if fast % 10 == 0 {
            let (sight, _) = server.frame(last_slow);
            assert!(
                sight["seq"].as_u64().unwrap() >= last,
                "who comes late gets the newest frame, not an old one"
            );
            last_slow = sight["seq"].as_u64().unwrap();
            slow += 1;
        }
    }
    let state = server.state();
    println!(
        "4 s: {last} frames analysed, {fast} to the fast browser, {slow} to the slow one; {}",
        state["source"]
    );
    // 25 frames a second; a busy machine may lose some for the browser, none for the measurement.
    assert!(last >= 85, "only {last} frames were analysed in 4 s");
    assert!(fast >= 50 && slow < fast);
}

/// The events of a page: the whole state at once, then whenever it changed, at most ten times a second.
#[test]
fn events_follow_the_state() {
    let folder = tempfile::tempdir().unwrap();
    let mut server = Server::start(&[
        "--source",
        argument(&sample("line-2.mp4")),
        "--logbook",
        argument(&folder.path().join("logbook")),
    ]);
    let mut stream = TcpStream::connect(("127.0.0.1", server.port)).unwrap();
    let head = format!(
        "GET /api/events HTTP/1.1\r\nHost: 127.0.0.1:{}\r\n\r\n",
        server.port
    );
    stream.write_all(head.as_bytes()).unwrap();
    let mut lines = BufReader::new(stream).lines();
    let begun = Instant::now();
    let mut states = 0;
    while begun.elapsed() < Duration::from_secs(2) {
        let line = lines.next().unwrap().unwrap();
        if let Some(state) = line.strip_prefix("data: ") {
            let state: Value = serde_json::from_str(state).unwrap();
            assert_eq!(state["role"], "operator");
            states += 1;
        }
    }
    assert!((5..=22).contains(&states), "{states} states in 2 s");
    if cfg!(unix) {
        Command::new("kill")
            .args(["-INT", &server.child.id().to_string()])
            .status()
            .unwrap();
        let said: Vec<String> = lines.map_while(Result::ok).collect();
        assert!(
            said.iter().any(|line| line == "event: gone"),
            "the page is told before the end"
        );
        assert_eq!(server.child.wait().unwrap().code(), Some(0));
    }
}

/// Codes of the warnings that the page shows while the sweep of a rendered scenario is played.
fn warned_of(scenario: &str) -> std::collections::BTreeSet<String> {
    let folder = tempfile::tempdir().unwrap();
    let made = lineturn(&[
        "practice",
        argument(&folder.path().join("clip")),
        "--scenario",
        scenario,
        "--format",
        "mjpeg",
    ]);
    assert!(made.status.success());
    let clip = folder.path().join("clip/clip.avi");
    let server = Server::start(&[
        "--source",
        argument(&clip),
        "--logbook",
        argument(&folder.path().join("logbook")),
    ]);
    for action in [
        json!({ "do": "pause" }),
        json!({ "do": "seek", "t_s": 0.0 }),
        json!({ "do": "speed", "times": 5.0 }),
        json!({ "do": "start_sweep", "line": null }),
        json!({ "do": "play" }),
    ] {
        server.done(&action);
    }
    let mut codes = std::collections::BTreeSet::new();
    loop {
        let state = server.state();
        for warning in state["guide"]["warn"].as_array().unwrap() {
            codes.insert(warning["code"].as_str().unwrap().to_owned());
        }
        if state["source"]["ended"] == true {
            return codes;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[test]
fn a_telescope_that_moves_while_the_table_is_free_is_seen() {
    assert!(warned_of("telescope-creeps").contains("telescope-moved"));
    assert!(warned_of("three-passes-creep-free").is_empty());
}
