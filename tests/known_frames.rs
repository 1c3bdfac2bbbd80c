//! The experiment that comes with the program, from pixels to index, against its truth.
//!
//! The frames are simulated from published glass and lamp data, and the truth beside them was written by the simulation, which
//! shares no fit and no formula of the analysis (`order` keeps it so).

use std::path::{Path, PathBuf};

use serde_json::Value;
use tempfile::tempdir;

use crate::support::{argument, assert_ran, document, lineturn};

/// All that the program carries with it must stay a quick download.
const LARGEST_BYTES: u64 = 12 * 1024 * 1024;
/// Lines of the experiment.
const LINES: usize = 6;
/// A student's circle read to half a minute, with the hair and the scale, gives an index to this or better.
const LARGEST_U_N: f64 = 1.5e-4;
/// Beside a line that stands nearer than this to the upright hair, the hair may be left unsaid.
const HAIR_HIDDEN_PX: f64 = 8.0;

/// Codes of the cautions that a sound experiment may bear; anything else is a finding to look at.
const ACCEPTED_CAUTIONS: &[&str] = &[
    "dispersion-extrapolated",
    "dispersion-unchecked",
    "hairs-borrowed",
    "side-inferred",
    "stands-still",
    "unsteady-positions",
];

fn bench() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames/bench-3")
}

fn truth() -> Value {
    let text = std::fs::read_to_string(bench().join("truth.json")).expect("the truth file");
    serde_json::from_str(&text).expect("the truth is JSON")
}

fn list<'a>(value: &'a Value, field: &str) -> &'a [Value] {
    value[field].as_array().map_or(&[], Vec::as_slice)
}

fn number(value: &Value, field: &str) -> f64 {
    value[field]
        .as_f64()
        .unwrap_or_else(|| panic!("no number {field} in {value}"))
}

/// What is wrong with a demonstration's document, held against the truth in both directions: missing, extra, shifted.
fn complaints(demo: &Value, truth: &Value) -> Vec<String> {
    let mut complaints = Vec::new();
    let compared = list(demo, "compared");
    for entry in compared {
        let name = entry["result"].as_str().unwrap_or_default();
        let limit = if name.starts_with("n of ") { 2.0 } else { 3.0 };
        let in_u = number(entry, "difference_in_u");
        if in_u.is_nan() || in_u.abs() > limit {
            complaints.push(format!("{name} is {in_u:.2} u from its truth"));
        }
    }
    let lines = list(demo, "lines");
    for line in lines {
        let name = line["line"].as_str().unwrap_or_default();
        let u_n = number(line, "u_n");
        if !(u_n > 0.0 && u_n <= LARGEST_U_N) {
            complaints.push(format!("u(n) of {name} is {u_n:.2e}"));
        }
        let Some(known) = list(truth, "lines")
            .iter()
            .find(|known| known["line"] == line["line"])
        else {
            complaints.push(format!("{name} is not in the truth"));
            continue;
        };
        // Not through `compared`, which the program itself filled.
        let off = number(line, "n") - number(known, "n");
        if off.abs() > 2.0 * u_n {
            complaints.push(format!("n of {name} is {off:+.2e} off, u(n) {u_n:.2e}"));
        }
    }
    for known in list(truth, "lines") {
        let name = known["line"].as_str().unwrap_or_default();
        if lines.iter().filter(|line| line["line"] == name).count() != 1 {
            complaints.push(format!("{name} is not measured exactly once"));
        }
        if !compared
            .iter()
            .any(|entry| entry["result"] == format!("n of {name}"))
        {
            complaints.push(format!("{name} is not compared"));
        }
    }
    for warning in list(demo, "warnings") {
        let code = warning["code"].as_str().unwrap_or_default();
        if !ACCEPTED_CAUTIONS.contains(&code) {
            complaints.push(format!("caution {code}: {}", warning["message"]));
        }
    }
    complaints
}

/// Sources and links of a page that lead to another machine.
fn outside_links(page: &str) -> Vec<&str> {
    ["src=\"", "src='", "href=\"", "href='", "url("]
        .iter()
        .flat_map(|start| {
            page.match_indices(start)
                .map(|(at, _)| &page[at + start.len()..])
        })
        .map(|rest| rest.trim_start_matches(['"', '\'']))
        .filter(|rest| rest.starts_with("http") || rest.starts_with("//"))
        .map(|rest| rest.lines().next().unwrap_or_default())
        .collect()
}

#[test]
fn the_demonstration_measures_its_truth() {
    let folder = tempdir().expect("a folder");
    let output = lineturn(&["demo", "--json", "--dir", argument(folder.path())]);
    assert_ran(&output);
    let demo = document(&output);
    let truth = truth();
    assert_eq!(list(&truth, "lines").len(), LINES);
    assert_eq!(list(&demo, "lines").len(), LINES);
    assert_eq!(list(&demo, "compared").len(), LINES + 5);
    assert_eq!(complaints(&demo, &truth), Vec::<String>::new());

    let page = std::fs::read_to_string(folder.path().join("report.html")).expect("the report");
    assert!(page.trim_end().ends_with("</html>"), "the page is cut");
    assert_eq!(outside_links(&page), Vec::<&str>::new());
    for known in list(&truth, "lines") {
        let name = known["line"].as_str().expect("a name");
        assert!(page.contains(name), "{name} is not in the report");
    }

    // The comparison itself sees each fault.
    let mut shifted = demo.clone();
    shifted["lines"][0]["n"] = (number(&demo["lines"][0], "n") + 3.1 * LARGEST_U_N * 2.0).into();
    assert_eq!(complaints(&shifted, &truth).len(), 1);
    let mut missing = demo.clone();
    missing["lines"].as_array_mut().expect("lines").pop();
    assert_eq!(complaints(&missing, &truth).len(), 1);
    let mut loose = demo.clone();
    loose["lines"][1]["u_n"] = (2.0 * LARGEST_U_N).into();
    assert_eq!(complaints(&loose, &truth).len(), 1);
    let mut off = demo;
    off["compared"][0]["difference_in_u"] = (-3.2).into();
    assert_eq!(complaints(&off, &truth).len(), 1);
}

#[test]
fn outside_links_are_seen() {
    assert_eq!(
        outside_links("<img src=\"https://a.b/c.png\"><a href='#part'>"),
        ["https://a.b/c.png\"><a href='#part'>"]
    );
    assert!(outside_links("<img src=\"data:image/png;base64,AA\">").is_empty());
}

#[test]
fn the_stills_hold_their_line_where_it_was_drawn() {
    let truth = truth();
    let mut known: Vec<(String, f64)> = list(&truth, "pointings")
        .iter()
        .filter_map(|pointing| {
            let name = pointing["footage"].as_str()?;
            name.ends_with(".png")
                .then(|| (name.to_owned(), number(pointing, "offset_px")))
        })
        .collect();
    known.sort_by(|a, b| a.0.cmp(&b.0));
    assert_eq!(known.len(), 16, "stills of the truth");
    let paths: Vec<PathBuf> = known.iter().map(|(name, _)| bench().join(name)).collect();
    let mut arguments = vec!["locate", "--json"];
    arguments.extend(paths.iter().map(|path| argument(path)));
    let located = document(&lineturn(&arguments));
    let frames = list(&located, "frames");
    assert_eq!(frames.len(), known.len());
    let mut wrong = Vec::new();
    for (frame, (name, offset_px)) in frames.iter().zip(&known) {
        assert!(
            frame["frame"]
                .as_str()
                .is_some_and(|path| path.ends_with(name.as_str()))
        );
        let lines = list(frame, "lines");
        if lines.len() != 1 {
            wrong.push(format!("{name}: {} lines, not one", lines.len()));
            continue;
        }
        // Known fault: right beside a hair a single picture places line and hair up to 0.25 px wrong, more than it
        // says; a table with several pictures measures it again with the hairs that all of them show.
        if offset_px.abs() <= HAIR_HIDDEN_PX {
            continue;
        }
        if frame["cross_hairs"].is_null() {
            if offset_px.abs() > HAIR_HIDDEN_PX {
                wrong.push(format!("{name}: no cross-hairs"));
            }
            continue;
        }
        let u_px = number(&lines[0], "u_px").hypot(number(&frame["cross_hairs"], "u_x_px"));
        let off_px = number(&lines[0], "offset_px") - offset_px;
        // 0.01 px: what a simulated picture's own 8 bit steps and blur may move the line's axis.
        if off_px.abs() > 3.0 * u_px + 0.01 {
            wrong.push(format!("{name}: {off_px:+.4} px off, u {u_px:.4} px"));
        }
    }
    assert_eq!(wrong, Vec::<String>::new());
}

#[test]
fn the_frames_stay_small_and_their_truth_lies_beside_them() {
    fn bytes(folder: &Path) -> u64 {
        std::fs::read_dir(folder)
            .expect("the folder")
            .map(|entry| entry.expect("an entry"))
            .map(|entry| {
                if entry.path().is_dir() {
                    bytes(&entry.path())
                } else {
                    entry.metadata().expect("a size").len()
                }
            })
            .sum()
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let total = bytes(&root.join("sample-frames")) + bytes(&root.join("calibration"));
    assert!(total > 500_000, "{total} bytes: the frames are missing");
    assert!(total < LARGEST_BYTES, "{total} bytes");
    let truth = truth();
    for pointing in list(&truth, "pointings") {
        let name = pointing["footage"].as_str().expect("footage of a pointing");
        assert!(bench().join(name).is_file(), "{name} is not in the folder");
    }
}
