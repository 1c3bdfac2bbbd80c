//! The built program: answers, documents, exit status, and the sentence for each bad input.

use tempfile::tempdir;

use crate::support::{
    answer, argument, assert_ran, assert_refused, document, line_picture, lineturn, write,
};

/// A table that reduces: A = 60°, one mercury green line, F2-like index.
const GOOD_TABLE: &str = "set,target,line,wavelength_nm,window_1,window_2\n\
    ,face-1,,,100°00'00\",280°00'00\"\n\
    ,face-2,,,220°00'00\",40°00'00\"\n\
    1,line,Hg green,546.075,48°35'00\",228°35'00\"\n\
    1,central,,,0°00'00\",180°00'00\"\n";

#[test]
fn every_document_starts_with_the_same_fields() {
    let folder = tempdir().expect("a folder");
    let picture = folder.path().join("line.png");
    line_picture(320, 240, 150.3)
        .save(&picture)
        .expect("a picture");
    let table = write(folder.path(), "readings.csv", GOOD_TABLE);
    for (kind, output) in [
        (
            "locate",
            lineturn(&["locate", "--json", argument(&picture)]),
        ),
        ("reduce", lineturn(&["reduce", "--json", argument(&table)])),
    ] {
        assert_ran(&output);
        let document = document(&output);
        assert_eq!(document["lineturn"], env!("CARGO_PKG_VERSION"));
        assert_eq!(document["kind"], kind);
        assert_eq!(document["schema"], 1);
        assert_eq!(document["complete"], true);
        assert!(document["warnings"].is_array());
    }
}

#[test]
fn a_line_in_a_picture_is_located() {
    let folder = tempdir().expect("a folder");
    let picture = folder.path().join("line.png");
    line_picture(320, 240, 150.3)
        .save(&picture)
        .expect("a picture");
    let document = document(&lineturn(&["locate", "--json", argument(&picture)]));
    let frame = &document["frames"][0];
    assert_eq!(
        (&frame["width"], &frame["height"]),
        (&320.into(), &240.into())
    );
    assert!(frame["cross_hairs"].is_null());
    let lines = frame["lines"].as_array().expect("lines");
    assert_eq!(lines.len(), 1, "{lines:?}");
    let x_px = lines[0]["x_px"].as_f64().expect("a position");
    assert!((x_px - 150.3).abs() < 0.02, "{x_px}");
    assert!(
        lines[0]["offset_px"].is_null(),
        "no offset without cross-hairs"
    );
}

#[test]
fn a_reduction_gives_the_index_of_its_formula() {
    let folder = tempdir().expect("a folder");
    let table = write(folder.path(), "readings.csv", GOOD_TABLE);
    let document = document(&lineturn(&["reduce", "--json", argument(&table)]));
    // n = sin((A + D)/2)/sin(A/2) with A = 60°, D = 48° 35'.
    let n = document["lines"][0]["n"].as_f64().expect("an index");
    let expected =
        ((60.0 + 48.0 + 35.0 / 60.0_f64) / 2.0).to_radians().sin() / 30.0_f64.to_radians().sin();
    assert!((n - expected).abs() < 1e-9, "{n} is not {expected}");
    assert!(
        document["lines"][0]["u_n"]
            .as_f64()
            .expect("an uncertainty")
            > 1e-5
    );
}

#[test]
fn pictures_that_are_none_are_refused() {
    let folder = tempdir().expect("a folder");
    let missing = folder.path().join("missing.png");
    assert_refused(&lineturn(&["locate", argument(&missing)]), &["missing.png"]);
    let text = write(folder.path(), "text.png", "this is no picture");
    assert_refused(&lineturn(&["locate", argument(&text)]), &["text.png"]);
    let whole = folder.path().join("whole.png");
    line_picture(200, 150, 80.0)
        .save(&whole)
        .expect("a picture");
    let bytes = std::fs::read(&whole).expect("the picture");
    let cut = write(folder.path(), "cut.png", &bytes[..bytes.len() / 2]);
    assert_refused(&lineturn(&["locate", argument(&cut)]), &["cut.png"]);
    let empty = write(folder.path(), "empty.png", "");
    assert_refused(&lineturn(&["locate", argument(&empty)]), &["empty.png"]);
}

#[test]
fn sources_that_are_none_are_refused() {
    let folder = tempdir().expect("a folder");
    let empty = folder.path().join("empty");
    std::fs::create_dir(&empty).expect("a folder");
    assert_refused(&lineturn(&["watch", argument(&empty)]), &["empty"]);
    let text = write(
        folder.path(),
        "clip.mp4",
        "this is no clip, only some words in a file of that name",
    );
    assert_refused(&lineturn(&["watch", argument(&text)]), &["clip.mp4"]);
    let nothing = write(folder.path(), "nothing.mp4", "");
    assert_refused(&lineturn(&["watch", argument(&nothing)]), &["nothing.mp4"]);
    let missing = folder.path().join("missing.mp4");
    assert_refused(&lineturn(&["watch", argument(&missing)]), &["missing.mp4"]);
    assert_refused(&lineturn(&["watch", "camera:0"]), &["camera"]);
}

#[test]
fn frames_of_changing_size_end_the_clip_where_they_change() {
    let folder = tempdir().expect("a folder");
    for index in 0..6 {
        line_picture(200, 150, 80.0)
            .save(folder.path().join(format!("f-{index}.png")))
            .expect("a picture");
    }
    line_picture(210, 150, 80.0)
        .save(folder.path().join("f-6.png"))
        .expect("a picture");
    let output = lineturn(&["watch", "--json", argument(folder.path())]);
    assert!(
        matches!(output.status.code(), Some(2 | 3)),
        "{:?}",
        output.status
    );
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains("f-6.png"), "{said}");
    if output.status.code() == Some(3) {
        assert_eq!(document(&output)["complete"], false);
    }
}

#[test]
fn a_clip_without_a_line_says_so() {
    let folder = tempdir().expect("a folder");
    for index in 0..8 {
        image::GrayImage::from_fn(160, 120, |x, y| {
            image::Luma([20 + ((x * 31 + y * 17 + index * 7) % 5) as u8])
        })
        .save(folder.path().join(format!("f-{index}.png")))
        .expect("a picture");
    }
    let output = lineturn(&["watch", "--json", argument(folder.path())]);
    assert_eq!(
        output.status.code(),
        Some(0),
        "the contract: no line is an answer"
    );
    let document = document(&output);
    assert_eq!(document["lines"].as_array().map(Vec::len), Some(0));
    let codes: Vec<_> = document["warnings"]
        .as_array()
        .expect("warnings")
        .iter()
        .map(|w| w["code"].clone())
        .collect();
    assert!(codes.contains(&"no-line".into()), "{codes:?}");
}

#[test]
fn video_on_standard_input_is_watched() {
    let mut video = b"YUV4MPEG2 W160 H120 F25:1 Cmono\n".to_vec();
    for index in 0..40 {
        video.extend_from_slice(b"FRAME\n");
        video.extend_from_slice(line_picture(160, 120, 60.0 + 0.5 * f64::from(index)).as_raw());
    }
    let output = assert_cmd::Command::cargo_bin("lineturn")
        .expect("the program is built")
        .args(["watch", "-", "--json"])
        .write_stdin(video)
        .output()
        .expect("the program runs");
    let document = document(&output);
    assert_eq!(document["frames"], 40);
    let lines = document["lines"].as_array().expect("lines");
    assert_eq!(lines.len(), 1, "{lines:?}");
    assert_eq!(
        lines[0]["turned"], false,
        "a line that crosses the field never turned"
    );
}

fn table_with(change: impl Fn(&str) -> String) -> std::process::Output {
    let folder = tempdir().expect("a folder");
    let table = write(folder.path(), "readings.csv", change(GOOD_TABLE));
    lineturn(&["reduce", "--json", argument(&table)])
}

#[test]
fn tables_that_can_not_be_meant_are_refused_with_their_row() {
    let replace =
        |from: &'static str, to: &'static str| table_with(move |table| table.replace(from, to));
    assert_refused(
        &replace("48°35'00\"", "48°75'00\""),
        &["readings.csv", "row 4", "window_1", "75"],
    );
    assert_refused(
        &replace("48°35'00\"", "48°35'60\""),
        &["readings.csv", "row 4", "window_1", "60"],
    );
    assert_refused(
        &replace("48°35'00\"", "about 48"),
        &["readings.csv", "row 4", "window_1"],
    );
    assert_refused(
        &replace("1,central", "2,central"),
        &["readings.csv", "central"],
    );
    assert_refused(
        &table_with(|table| format!("{table}1,central,,,0°00'30\",180°00'30\"\n")),
        &["readings.csv", "central"],
    );
    assert_refused(
        &replace("546.075", "0.546075"),
        &["readings.csv", "row 4", "wavelength_nm", "546"],
    );
    assert_refused(
        &replace("546.075", "5460.75"),
        &["readings.csv", "row 4", "wavelength_nm"],
    );
    assert_refused(
        &replace("1,line", "1,lime"),
        &["readings.csv", "row 4", "target", "lime"],
    );
    assert_refused(
        &replace("48°35'00\",228°35'00\"", "0°00'00\",180°00'00\""),
        &["readings.csv"],
    );
    assert_refused(
        &replace("48°35'00\",228°35'00\"", "150°00'00\",330°00'00\""),
        &["readings.csv"],
    );
    assert_refused(
        &replace("set,target", "sat,target"),
        &["readings.csv", "set"],
    );
    assert_refused(&table_with(|_| String::new()), &["readings.csv"]);
}

#[test]
fn a_refracting_angle_that_no_prism_has_is_refused() {
    let folder = tempdir().expect("a folder");
    let table = write(
        folder.path(),
        "readings.csv",
        "set,target,line,wavelength_nm,window_1\n1,line,,546.075,48°35'\n1,central,,,0°00'\n",
    );
    for angle in ["0", "180", "-60", "60°61'"] {
        assert_refused(
            &lineturn(&[
                "reduce",
                argument(&table),
                "--prism-angle",
                angle,
                "--u-prism-angle",
                "20",
            ]),
            &[angle
                .trim_start_matches('-')
                .split('°')
                .next()
                .unwrap_or("")],
        );
    }
    assert_refused(
        &lineturn(&["reduce", argument(&table)]),
        &["readings.csv", "refracting angle"],
    );
    let output = lineturn(&[
        "reduce",
        argument(&table),
        "--prism-angle",
        "60°00'",
        "--u-prism-angle",
        "20",
        "--json",
    ]);
    assert_ran(&output);
}

#[test]
fn footage_without_a_scale_is_refused() {
    let folder = tempdir().expect("a folder");
    let table = write(
        folder.path(),
        "readings.csv",
        "set,target,line,wavelength_nm,window_1,footage\n1,line,,546.075,48°35',a.mp4\n1,central,,,0°00',b.png\n",
    );
    assert_refused(
        &lineturn(&[
            "reduce",
            argument(&table),
            "--prism-angle",
            "60",
            "--u-prism-angle",
            "20",
        ]),
        &["row 2", "--scale"],
    );
}

#[test]
fn a_scale_needs_points_that_spread() {
    let folder = tempdir().expect("a folder");
    let two = write(
        folder.path(),
        "two.csv",
        "window_1,offset_px\n10°00',0\n10°10',60\n",
    );
    assert_refused(&lineturn(&["scale", argument(&two)]), &["two.csv"]);
    let same = write(
        folder.path(),
        "same.csv",
        "window_1,offset_px\n10°00',5\n10°00',5\n10°00',5\n10°00',5\n",
    );
    assert_refused(&lineturn(&["scale", argument(&same)]), &["same.csv"]);
}

#[test]
fn a_saved_scale_is_the_document_that_is_printed() {
    let folder = tempdir().expect("a folder");
    // The slit image moves by -100 px when the telescope turns by 1000″: 10″ per px.
    let table = write(
        folder.path(),
        "scale.csv",
        "window_1,offset_px\n10°00'00\",0\n10°16'40\",-100\n10°33'20\",-200\n9°43'20\",100\n9°26'40\",200\n",
    );
    let saved = folder.path().join("scale.json");
    let output = lineturn(&[
        "scale",
        argument(&table),
        "--json",
        "--save",
        argument(&saved),
    ]);
    let printed = document(&output);
    let scale = printed["arcsec_per_px"].as_f64().expect("a scale");
    assert!(
        (scale - 10.0).abs() < 1e-6,
        "reading + offset × scale stays the same, so the scale is +10: {scale}"
    );
    let text = std::fs::read_to_string(&saved).expect("the saved document");
    assert_eq!(
        printed,
        serde_json::from_str::<serde_json::Value>(&text).expect("JSON")
    );
}

#[test]
fn bad_usage_is_status_2_and_help_is_status_0() {
    assert_eq!(lineturn(&["watch"]).status.code(), Some(2));
    assert_eq!(lineturn(&["no-such-command"]).status.code(), Some(2));
    assert_eq!(
        lineturn(&["locate", "--no-such-flag", "x.png"])
            .status
            .code(),
        Some(2)
    );
    for command in ["demo", "locate", "watch", "scale", "reduce", "practice"] {
        let output = lineturn(&[command, "--help"]);
        assert_eq!(output.status.code(), Some(0));
        assert!(
            String::from_utf8_lossy(&output.stdout).contains("Example"),
            "{command} --help has no example"
        );
    }
    let folder = tempdir().expect("a folder");
    assert_refused(
        &lineturn(&["watch", argument(folder.path()), "--fps", "0"]),
        &["--fps"],
    );
}

/// A bench profile takes the place of the flags, a flag goes before it, and what it does not know it refuses.
#[test]
fn a_bench_profile_takes_the_place_of_flags() {
    let folder = tempdir().expect("a folder");
    let table = write(folder.path(), "readings.csv", GOOD_TABLE);
    let bench = write(
        folder.path(),
        "bench.toml",
        "name = \"Bench 9\"\n[circle]\nleast_count_arcsec = 30\nincreases = \"clockwise\"\n",
    );
    let u = |more: &[&str]| {
        let mut arguments = vec!["reduce", "--json", argument(&table)];
        arguments.extend(more);
        document(&lineturn(&arguments))["u_prism_angle_arcsec"]
            .as_f64()
            .expect("an uncertainty")
    };
    let plain = u(&[]);
    let profiled = u(&["--bench", argument(&bench)]);
    let flagged = u(&["--bench", argument(&bench), "--least-count", "60"]);
    // The readings show whole minutes, and u is in proportion to the least count.
    assert!((profiled / plain - 0.5).abs() < 1e-9, "{profiled} {plain}");
    assert!((flagged - plain).abs() < 1e-9, "{flagged} {plain}");
    let report = folder.path().join("report.html");
    let output = lineturn(&[
        "reduce",
        argument(&table),
        "--bench",
        argument(&bench),
        "--report",
        argument(&report),
    ]);
    assert_eq!(output.status.code(), Some(0));
    let page = std::fs::read_to_string(&report).expect("a report");
    assert!(page.contains("Bench 9") && page.contains("readings grow clockwise"));
    let misspelt = write(
        folder.path(),
        "misspelt.toml",
        "[circle]\nleast_count = 30\n",
    );
    assert_refused(
        &lineturn(&["reduce", argument(&table), "--bench", argument(&misspelt)]),
        &["misspelt.toml", "line 2", "least_count"],
    );
}

/// Uncertainties and lengths that are none, in flags: one sentence each.
#[test]
fn flags_that_are_no_uncertainties_are_refused() {
    let folder = tempdir().expect("a folder");
    let table = write(folder.path(), "readings.csv", GOOD_TABLE);
    for bad in ["-20", "0", "nan", "inf", "1e9", "-inf"] {
        assert_refused(
            &lineturn(&[
                "reduce",
                argument(&table),
                "--prism-angle",
                "60",
                "--u-prism-angle",
                bad,
            ]),
            &["--u-prism-angle", "seconds of arc"],
        );
        assert_refused(
            &lineturn(&["reduce", argument(&table), "--least-count", bad]),
            &["--least-count", "seconds of arc"],
        );
        assert_refused(
            &lineturn(&[
                "reduce",
                argument(&table),
                "--base-mm",
                bad,
                "--u-base-mm",
                "0.5",
            ]),
            &["--base-mm", "mm"],
        );
    }
    for bad in ["-0.5", "nan", "inf", "32"] {
        assert_refused(
            &lineturn(&[
                "reduce",
                argument(&table),
                "--base-mm",
                "32",
                "--u-base-mm",
                bad,
            ]),
            &["--base-mm", "uncertainty"],
        );
    }
    for (flag, bad, word) in [
        ("--air", "20", "comma"),
        ("--air", "20,1013", "hectopascal"),
        ("--air", "20,101.3", "kilopascal"),
        ("--air", "nan,101325", "like 21.5"),
        ("--air", "20,101325,45", "share"),
        ("--air", "20,101325,0.5,1", "like 21.5"),
        ("--prism-temperature", "nan", "degrees Celsius"),
        ("--prism-temperature", "-300", "degrees Celsius"),
        ("--measured-on", "25.11.2026", "year-month-day"),
        ("--monte-carlo", "3", "at least 100"),
        ("--model", "cauchy-9", "cauchy-2"),
    ] {
        assert_refused(
            &lineturn(&["reduce", argument(&table), flag, bad]),
            &[flag, word],
        );
    }
    for bad in ["-1,100", "0.5", "nan,100", "0.5,1e9"] {
        assert_refused(
            &lineturn(&[
                "reduce",
                argument(&table),
                "--air",
                "20,101325",
                "--u-air",
                bad,
            ]),
            &["--u-air", "like 0.5,100"],
        );
    }
}

/// Uncertainties and wavelengths that are none, in tables: one sentence with the row and the column.
#[test]
fn cells_that_are_no_uncertainties_are_refused() {
    let header = "set,target,line,wavelength_nm,window_1,offset_arcsec,u_offset_arcsec\n";
    let folder = tempdir().expect("a folder");
    for (cells, column) in [
        ("546.075,48°35',0,-2", "u_offset_arcsec"),
        ("546.075,48°35',0,nan", "u_offset_arcsec"),
        ("546.075,48°35',0,inf", "u_offset_arcsec"),
        ("546.075,48°35',0,4000", "u_offset_arcsec"),
        ("546.075,48°35',nan,2", "offset_arcsec"),
        ("546.075,48°35',1e7,2", "offset_arcsec"),
        ("0,48°35',0,2", "wavelength_nm"),
        ("-546.075,48°35',0,2", "wavelength_nm"),
        ("nan,48°35',0,2", "wavelength_nm"),
        ("1e300,48°35',0,2", "wavelength_nm"),
        ("546.075,nan,0,2", "window_1"),
    ] {
        let text = format!("{header}1,central,,,0°00',0,1\n1,line,e,{cells}\n");
        let table = write(folder.path(), "readings.csv", &text);
        assert_refused(
            &lineturn(&[
                "reduce",
                argument(&table),
                "--prism-angle",
                "60",
                "--u-prism-angle",
                "20",
            ]),
            &["readings.csv", "row 3", column],
        );
    }
}

/// Fits that have no answer: the indices stand, and the document says in a sentence why there is no curve.
#[test]
fn singular_fits_say_why_there_is_no_curve() {
    let folder = tempdir().expect("a folder");
    let line = |set: u32, nm: &str, window: &str| {
        format!("{set},line,,{nm},{window}\n{set},central,,,0°00'\n")
    };
    let header = "set,target,line,wavelength_nm,window_1\n";
    for (rows, model, says) in [
        // Two lines, three terms.
        (
            line(1, "435.834", "50°22'") + &line(2, "546.075", "48°35'"),
            Some("cauchy-3"),
            "at least 3 different wavelengths and there are 2",
        ),
        // Equal wavelengths.
        (
            line(1, "546.075", "48°35'") + &line(2, "546.075", "48°36'"),
            None,
            "at least 2 different wavelengths and there are 1",
        ),
        (
            line(1, "546.075", "48°35'"),
            None,
            "at least 2 different wavelengths and there are 1",
        ),
    ] {
        let text = format!("{header}{rows}");
        let table = write(folder.path(), "readings.csv", &text);
        let mut arguments = vec![
            "reduce",
            argument(&table),
            "--json",
            "--prism-angle",
            "60",
            "--u-prism-angle",
            "20",
        ];
        if let Some(model) = model {
            arguments.extend(["--model", model]);
        }
        let output = lineturn(&arguments);
        assert_eq!(output.status.code(), Some(0));
        let document = document(&output);
        assert!(document["dispersion"].is_null() && document["n_d"].is_null());
        assert!(document["lines"][0]["n"].as_f64().is_some_and(|n| n > 1.6));
        assert_eq!(document["resolving"].as_array().map(Vec::len), Some(0));
        let said: Vec<&str> = document["warnings"]
            .as_array()
            .expect("warnings")
            .iter()
            .filter(|w| w["code"] == "no-dispersion")
            .filter_map(|w| w["message"].as_str())
            .collect();
        assert!(said.len() == 1 && said[0].contains(says), "{said:?}");
    }
}

/// A report is a page or a PDF, as its name ends, on either paper; another ending is refused.
#[test]
fn a_report_is_a_page_or_a_pdf() {
    let folder = tempdir().expect("a folder");
    let table = write(folder.path(), "readings.csv", GOOD_TABLE);
    let (page, sheets) = (folder.path().join("r.html"), folder.path().join("r.PDF"));
    for (paper, size) in [("a4", "595.276 841.89"), ("letter", "612 792")] {
        let output = lineturn(&[
            "reduce",
            argument(&table),
            "--report",
            argument(&page),
            "--report",
            argument(&sheets),
            "--paper",
            paper,
        ]);
        assert_eq!(output.status.code(), Some(0));
        let text = std::fs::read_to_string(&page).expect("a page");
        assert!(text.starts_with("<!DOCTYPE html>") && text.contains("Hg green"));
        // Cautions name the table, not the way to it: that stands under the provenance.
        assert_eq!(
            text.matches(argument(&table)).count(),
            2,
            "provenance and command"
        );
        let bytes = std::fs::read(&sheets).expect("a PDF");
        assert!(bytes.starts_with(b"%PDF-"));
        assert!(String::from_utf8_lossy(&bytes).contains(size), "{paper}");
    }
    assert_refused(
        &lineturn(&["reduce", argument(&table), "--report", "report.docx"]),
        &["report.docx", ".html or .pdf"],
    );
    let class = folder.path().join("class.pdf");
    let output = lineturn(&["class", argument(&table), "--report", argument(&class)]);
    assert_eq!(output.status.code(), Some(0));
    assert!(std::fs::read(&class).expect("a PDF").starts_with(b"%PDF-"));
}

/// Lines that stood in one sweep rest on one reading of the telescope; lines read one after the other do not.
#[test]
fn a_central_image_for_lines_read_one_after_the_other_is_doubted() {
    let folder = tempdir().expect("a folder");
    for (name, second, doubted) in [
        (
            "apart.csv",
            "1,line,,576.961,48°17'00\",228°17'00\"\n",
            true,
        ),
        (
            "together.csv",
            "1,line,,576.961,48°35'00\",228°35'00\"\n",
            false,
        ),
    ] {
        let table = write(folder.path(), name, format!("{GOOD_TABLE}{second}"));
        let found = answer(&["reduce", argument(&table), "--json"]);
        let warnings = found["warnings"].as_array().expect("warnings");
        let said = warnings
            .iter()
            .any(|warning| warning["code"] == "shared-central");
        assert_eq!(said, doubted, "{name}: {warnings:?}");
    }
}

/// Whatever is wrong with a call is one sentence that names it, without words of the system or of the grammar.
#[test]
fn a_wrong_call_gets_one_plain_sentence() {
    let folder = tempdir().expect("a folder");
    let picture = folder.path().join("line.png");
    line_picture(64, 48, 20.3)
        .save(&picture)
        .expect("a picture");
    let picture = argument(&picture);
    let place = argument(folder.path());
    for (call, words) in [
        (
            vec!["watch", "nothing.mp4"],
            ["nothing.mp4", "check the path"],
        ),
        (
            vec!["reduce", "nothing.csv"],
            ["nothing.csv", "check the path"],
        ),
        (vec!["class", "nothing"], ["nothing", "check the path"]),
        (vec!["class", place], [place, "give files"]),
        (vec!["locate", place], [place, "name the picture"]),
        (
            vec!["watch", "rtsp://camera/1"],
            ["rtsp://camera/1", "record a clip"],
        ),
        (
            vec!["watch", picture, "--gain", "3"],
            ["--gain", "camera:N"],
        ),
        (
            vec!["watch", picture, "--fps", "-3"],
            ["--fps", "such as 25"],
        ),
        (
            vec!["watch", picture, "--fps", "few"],
            ["--fps", "lineturn watch --help"],
        ),
        (
            vec!["watch", picture, "--toward", "up"],
            ["--toward", "left or right"],
        ),
        (
            vec!["watch", picture, "--scale", picture],
            [picture, "lineturn scale"],
        ),
        (vec!["watch"], ["SOURCE", "lineturn watch --help"]),
        (vec!["wacht", picture], ["wacht", "watch"]),
        (vec!["practice"], ["DIR", "--list"]),
    ] {
        let output = lineturn(&call);
        assert_refused(&output, &words);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(said.lines().count(), 1, "{said}");
        assert!(said.starts_with("lineturn: "), "{said}");
        for jargon in ["os error", "error:", "Usage:"] {
            assert!(!said.contains(jargon), "{said}");
        }
    }
}

/// Known air and adjustment are said and used: against vacuum, against standard air, in the budget.
#[test]
fn the_air_of_the_room_is_taken_out() {
    let folder = tempdir().expect("a folder");
    let table = write(folder.path(), "readings.csv", GOOD_TABLE);
    let bench = write(
        folder.path(),
        "bench.toml",
        "[adjustment]\nlevelling_arcsec = 600\ncollimation_arcsec = 4\n[circle]\ndivision_arcsec = 5\n",
    );
    let report = folder.path().join("report.html");
    let output = lineturn(&[
        "reduce",
        argument(&table),
        "--air",
        "21.5,84000,0.4",
        "--u-air",
        "0.3,50",
        "--prism-temperature",
        "21",
        "--measured-on",
        "2026-11-20",
        "--bench",
        argument(&bench),
        "--report",
        argument(&report),
        "--json",
    ]);
    let page = std::fs::read_to_string(&report).expect("a page");
    for says in [
        "</i>, vacuum",
        "measured 2026-11-20",
        "84000 Pa",
        "principal section",
    ] {
        assert!(page.contains(says), "{says}");
    }
    let found = document(&output);
    let line = &found["lines"][0];
    let of = |name: &str| line[name].as_f64().expect("an index");
    let n = of("n");
    // Ciddor 1996, table 1, has 0.00021458 at 633 nm, 20 °C, 80 kPa; in proportion to pressure and to 1/T, 0.5 % more at 546 nm and
    // 0.0000004 less for the moisture that is 0.000225. Standard air has 0.000278.
    assert!((of("n_absolute") / n - 1.000_225).abs() < 1e-6);
    assert!((of("n_standard_air") / n - (1.000_225 / 1.000_278)).abs() < 1e-6);
    assert!(of("u_n_absolute") > of("u_n"));
    assert_eq!(found["prism_temperature_c"], 21.0);
    assert_eq!(found["air"]["relative_humidity"], 0.4);
    let plain = document(&lineturn(&["reduce", argument(&table), "--json"]));
    assert!(of("u_n") > plain["lines"][0]["u_n"].as_f64().expect("u"));
    assert!(plain["air"].is_null() && plain["lines"][0]["n_absolute"].is_null());
}

/// A line read on either side of the central image, which is not read, gives half the angle between the two places.
#[test]
fn a_line_read_on_either_side_needs_no_central_image() {
    let folder = tempdir().expect("a folder");
    let either_side = GOOD_TABLE.replace(
        "1,central,,,0°00'00\",180°00'00\"",
        "1,line,Hg green,546.075,311°25'00\",131°25'00\"",
    );
    let one = document(&lineturn(&[
        "reduce",
        "--json",
        argument(&write(folder.path(), "one.csv", GOOD_TABLE)),
    ]));
    let both = document(&lineturn(&[
        "reduce",
        "--json",
        argument(&write(folder.path(), "both.csv", &either_side)),
    ]));
    let of = |document: &serde_json::Value, field: &str| {
        document["lines"][0][field].as_f64().expect("a number")
    };
    assert!((of(&one, "deviation_deg") - of(&both, "deviation_deg")).abs() < 1e-9);
    assert!((of(&one, "u_deviation_arcsec") / of(&both, "u_deviation_arcsec") - 2.0).abs() < 1e-6);
}

/// Face readings of a turning table give 180° less their difference.
#[test]
fn the_table_may_turn_between_the_faces() {
    let folder = tempdir().expect("a folder");
    let table = write(folder.path(), "readings.csv", GOOD_TABLE);
    for (way, wanted) in [("reflections", 60.0), ("table-turn", 60.0)] {
        let found = document(&lineturn(&[
            "reduce",
            "--json",
            argument(&table),
            "--faces",
            way,
        ]));
        let angle = found["prism_angle_deg"].as_f64().expect("an angle");
        assert!((angle - wanted).abs() < 1e-9, "{way}: {angle}");
    }
    assert_refused(
        &lineturn(&["reduce", argument(&table), "--faces", "mirror"]),
        &["mirror", "table-turn"],
    );
}

/// Results of a class side by side; a file that is none is named and does not stop the others.
#[test]
fn a_class_is_compared() {
    let folder = tempdir().expect("a folder");
    let table = write(folder.path(), "readings.csv", GOOD_TABLE);
    let class = folder.path().join("class");
    std::fs::create_dir(&class).expect("a folder");
    let output = lineturn(&["reduce", "--json", argument(&table)]);
    for bench in 1..=4 {
        write(
            &class,
            &format!("bench-{bench}.json"),
            String::from_utf8(output.stdout.clone()).expect("text"),
        );
    }
    write(&class, "scale.json", "{\"kind\": \"scale\"}");
    write(
        &class,
        "broken.json",
        "{\"lineturn\": \"0.1.0\", \"kind\": \"reduce\", ",
    );
    let found = document(&lineturn(&["class", "--json", argument(&class)]));
    assert_eq!(found["kind"], "class");
    let benches = found["benches"].as_array().expect("benches");
    assert_eq!(benches.len(), 4);
    assert_eq!(benches[0]["bench"], "bench-1");
    assert_eq!(found["refused"].as_array().expect("a list").len(), 1);
    assert_eq!(found["warnings"][0]["code"], "no-result");
    let empty = folder.path().join("empty");
    std::fs::create_dir(&empty).expect("a folder");
    assert_refused(&lineturn(&["class", argument(&empty)]), &["no result"]);
    let report = folder.path().join("class.html");
    let csv = folder.path().join("class.csv");
    let output = lineturn(&[
        "class",
        argument(&class),
        argument(&table),
        "--report",
        argument(&report),
        "--csv",
        argument(&csv),
    ]);
    assert_eq!(output.status.code(), Some(0));
    let rows = std::fs::read_to_string(&csv).expect("a table");
    assert_eq!(rows.lines().count(), 6, "{rows}");
}

/// Three hundred results are compared in less than two seconds, and the one with a slip in both windows of a face is found.
/// Results of several days, told by `--measured-on` or by names: each bench over time, and the one that drifts.
#[test]
fn a_bench_is_followed_over_time() {
    let folder = tempdir().expect("a folder");
    for (k, day) in ["2026-01-12", "2026-02-09", "2026-03-16", "2026-04-20"]
        .into_iter()
        .enumerate()
    {
        for bench in ["3", "7"] {
            // Bench 7 reads the line two minutes farther out each month.
            let minutes = 35 + if bench == "7" { 2 * k } else { 0 };
            // Several lines, so that there is an index at d.
            let mut text = "set,target,line,wavelength_nm,window_1,window_2\n\
                ,face-1,,,100°00',280°00'\n,face-2,,,220°00',40°00'\n"
                .to_owned();
            for (set, nm, degrees, base) in [
                (1, "404.656", 51, -21),
                (2, "435.834", 50, -13),
                (3, "546.075", 48, 0),
                (4, "576.961", 48, -18),
            ] {
                let at = degrees * 60 + i64::try_from(minutes).expect("minutes") + base;
                let (d, m) = (at / 60, at % 60);
                text += &format!("{set},line,,{nm},{d}°{m:02}',{}°{m:02}'\n", d + 180);
                text += &format!("{set},central,,,0°00',180°00'\n");
            }
            let table = write(folder.path(), "readings.csv", text);
            let mut arguments = vec!["reduce", "--json", "--least-count", "10", argument(&table)];
            if bench == "3" {
                arguments.extend(["--measured-on", day]);
            }
            let output = lineturn(&arguments);
            assert_eq!(output.status.code(), Some(0));
            let name = if bench == "3" {
                let place = folder.path().join(format!("visit {k}"));
                std::fs::create_dir_all(&place).expect("a folder");
                place.join("bench-3.json")
            } else {
                folder.path().join(format!("bench-7_{day}.json"))
            };
            std::fs::write(&name, &output.stdout).expect("a result");
        }
    }
    std::fs::remove_file(folder.path().join("readings.csv")).expect("gone");
    let report = folder.path().join("class.html");
    let found = answer(&[
        "class",
        "--json",
        argument(folder.path()),
        "--report",
        argument(&report),
    ]);
    let benches = found["over_time"].as_array().expect("benches");
    let names: Vec<&str> = benches.iter().filter_map(|b| b["bench"].as_str()).collect();
    assert_eq!(names, ["bench-3", "bench-7"]);
    for bench in benches {
        let days: Vec<&str> = bench["results"]
            .as_array()
            .expect("results")
            .iter()
            .filter_map(|r| r["measured_on"].as_str())
            .collect();
        assert_eq!(
            days,
            ["2026-01-12", "2026-02-09", "2026-03-16", "2026-04-20"]
        );
    }
    assert_eq!(benches[0]["drifts"], false);
    assert_eq!(benches[1]["drifts"], true, "{benches:?}");
    let page = std::fs::read_to_string(&report).expect("a page");
    assert!(page.contains("Benches over time") && page.contains("drifts"));
}

#[test]
fn hundreds_of_results_are_compared_at_once() {
    let folder = tempdir().expect("a folder");
    let table = write(folder.path(), "readings.csv", GOOD_TABLE);
    let slipped = GOOD_TABLE.replace("100°00'00\",280°00'00", "100°30'00\",280°30'00");
    let slipped = write(folder.path(), "slipped.csv", &slipped);
    let class = folder.path().join("class");
    std::fs::create_dir(&class).expect("a folder");
    let text = |table: &std::path::Path| {
        String::from_utf8(lineturn(&["reduce", "--json", argument(table)]).stdout).expect("text")
    };
    // One line gives no n_d; what a bench with more lines would give stands in for it.
    let with_n_d = |text: &str, n_d: f64| {
        let mut document: serde_json::Value = serde_json::from_str(text).expect("a document");
        document["n_d"] = n_d.into();
        document["u_n_d"] = 5e-5.into();
        document.to_string()
    };
    let (good, wrong) = (text(&table), text(&slipped));
    for bench in 0..300 {
        let off = 3e-5 * f64::from(bench % 5 - 2);
        let (text, n_d) = if bench == 123 {
            (&wrong, 1.616)
        } else {
            (&good, 1.62 + off)
        };
        write(&class, &format!("bench-{bench}.json"), with_n_d(text, n_d));
    }
    let start = std::time::Instant::now();
    let found = document(&lineturn(&["class", "--json", argument(&class)]));
    assert!(start.elapsed().as_secs_f64() < 2.0, "{:?}", start.elapsed());
    let out: Vec<&str> = found["benches"]
        .as_array()
        .expect("benches")
        .iter()
        .filter(|bench| bench["stands_out"] == true)
        .filter_map(|bench| bench["bench"].as_str())
        .collect();
    assert_eq!(out, ["bench-123"]);
}
