//! The steps of a demonstration against what is true of the practice footage, and what `outline` refuses.

use serde_json::Value;

use crate::support::{answer, assert_refused, lineturn, write};

/// Motion is looked at over 0.3 s to both sides; a smooth swing begins and ends slowly besides.
const TIME_S: f64 = 0.5;
/// Errors beyond so many standard uncertainties are not chance.
const MOST_IN_U: f64 = 4.5;

fn practice(folder: &std::path::Path, arguments: &[&str]) -> (String, Value) {
    let dir = folder.to_str().unwrap();
    let made = answer(&[&["practice", dir, "--json"], arguments].concat());
    let truth = std::fs::read_to_string(folder.join("truth.json")).unwrap();
    (
        made["footage"].as_str().unwrap().to_owned(),
        serde_json::from_str(&truth).unwrap(),
    )
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

fn kinds(document: &Value) -> Vec<&str> {
    let steps = document["steps"].as_array().unwrap();
    steps.iter().map(|s| s["step"].as_str().unwrap()).collect()
}

#[test]
fn steps_of_a_demonstration_are_those_that_were_filmed() {
    for seed in ["1", "2"] {
        let folder = tempfile::tempdir().unwrap();
        let (clip, truth) = practice(
            folder.path(),
            &["--demonstration", "--format", "mjpeg", "--seed", seed],
        );
        let chapters = folder.path().join("chapters.vtt");
        let found = answer(&[
            "outline",
            &clip,
            "--json",
            "--chapters",
            chapters.to_str().unwrap(),
        ]);
        assert_eq!(found["kind"], "outline");
        assert_eq!(found["complete"], true);
        assert_eq!(
            kinds(&found),
            [
                "still",
                "telescope",
                "still",
                "table",
                "still",
                "telescope",
                "still"
            ]
        );
        let steps = found["steps"].as_array().unwrap();
        for pair in steps.windows(2) {
            assert!(number(&pair[0]["to_s"]) <= number(&pair[1]["from_s"]));
        }
        let swings: Vec<&Value> = truth["events"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|event| event["kind"] == "swing of the telescope")
            .collect();
        assert_eq!(swings.len(), 2);
        for (step, swing) in [&steps[1], &steps[5]].into_iter().zip(swings) {
            assert!((number(&step["from_s"]) - number(&swing["t_s"])).abs() < TIME_S);
            assert!((number(&step["to_s"]) - number(&swing["until_s"])).abs() < TIME_S);
        }
        turns_are_true(&steps[3], &truth);
        line_stands_where_it_does(&steps[2], &truth);
        let text = std::fs::read_to_string(&chapters).unwrap();
        assert!(text.starts_with("WEBVTT\n\n1\n00:00:00.000 --> "), "{text}");
        assert_eq!(text.matches(" --> ").count(), steps.len());
    }
}

/// Each true turn is told once, at its place and time, and as what it is.
fn turns_are_true(step: &Value, truth: &Value) {
    let told = step["turning_points"].as_array().unwrap();
    let seen: Vec<&Value> = truth["turning_points"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|turn| turn["seen"] == true)
        .collect();
    assert_eq!(told.len(), 3, "{told:?}");
    assert_eq!(seen.len(), 3, "{seen:?}");
    for (told, truth) in told.iter().zip(seen) {
        assert_eq!(told["counted"], truth["counted"]);
        assert!((number(&told["t_s"]) - number(&truth["t_s"])).abs() < 0.2);
        if told["counted"] == true {
            let error = number(&told["offset_px"]) - number(&truth["offset_px"]);
            let u = number(&told["u_px"]);
            assert!(error.abs() < MOST_IN_U * u, "{error} px, u = {u} px");
        }
    }
    assert_eq!(step["lines"][0]["turned"], true);
    assert_eq!(step["lines"][0]["passes"], 2);
}

fn line_stands_where_it_does(step: &Value, truth: &Value) {
    let middle_s = 0.5 * (number(&step["from_s"]) + number(&step["to_s"]));
    let frame = truth["frames"]
        .as_array()
        .unwrap()
        .iter()
        .find(|frame| number(&frame["t_s"]) >= middle_s)
        .unwrap();
    let line = &step["lines"][0];
    let error = number(&line["offset_px"]) - number(&frame["lines"][0]["offset_px"]);
    let u = number(&line["u_px"]);
    assert!(u > 0.0 && u < 0.1, "u = {u} px");
    // A hand that holds the table trembles, so that the line stands within some tenths of a pixel.
    assert!(error.abs() < MOST_IN_U * u + 0.3, "{error} px, u = {u} px");
}

#[test]
fn a_hand_that_turned_back_alone_gives_no_turning_point() {
    let folder = tempfile::tempdir().unwrap();
    let (clip, _) = practice(folder.path(), &["--scenario", "never-turned"]);
    let found = answer(&["outline", &clip, "--json"]);
    for step in found["steps"].as_array().unwrap() {
        for point in step["turning_points"].as_array().unwrap() {
            assert_eq!(point["counted"], false, "{step}");
        }
    }
    assert!(kinds(&found).contains(&"moved"), "{found}");
    let codes: Vec<&Value> = found["warnings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|warning| &warning["code"])
        .collect();
    assert!(codes.contains(&&Value::from("moved-untold")), "{codes:?}");
}

#[test]
fn footage_without_light_is_one_dark_or_empty_step() {
    let folder = tempfile::tempdir().unwrap();
    let mut clip = b"YUV4MPEG2 W64 H48 F25:1 Ip A1:1 Cmono XCOLORRANGE=FULL\n".to_vec();
    for _ in 0..50 {
        clip.extend_from_slice(b"FRAME\n");
        clip.extend(std::iter::repeat_n(0_u8, 64 * 48));
    }
    let path = write(folder.path(), "dark.y4m", clip);
    let found = answer(&["outline", path.to_str().unwrap(), "--json"]);
    assert_eq!(found["frames"], 50);
    assert_eq!(kinds(&found), ["dark"]);
    assert_eq!(found["warnings"][0]["code"], "no-line");
}

#[test]
fn what_is_no_footage_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let empty = write(folder.path(), "empty.mp4", "");
    let text = write(folder.path(), "notes.mp4", "no footage\n");
    let no_frames = write(
        folder.path(),
        "none.y4m",
        "YUV4MPEG2 W64 H48 F25:1 Ip A1:1 Cmono\n",
    );
    let missing = folder.path().join("missing.mp4");
    for path in [&empty, &text, &no_frames, &missing] {
        let name = path.file_name().unwrap().to_str().unwrap();
        assert_refused(&lineturn(&["outline", path.to_str().unwrap()]), &[name]);
    }
    assert_refused(&lineturn(&["outline", "camera:0"]), &["live", "--record"]);
}
