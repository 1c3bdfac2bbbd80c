//! Checks of readings, tables and scale.
#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal, Uniform};

use super::circle::{CircleData, corrected, least_count_shown, window_mean, windows_of};
use super::record::{CalibrationRecord, calibration_from_json};
use super::scale::{ScalePoint, fit_scale};
use super::table::{readings_from_bytes, scale_from_bytes};
use crate::basics::uncertainty::{Cause, Shape};
use crate::basics::units::{Angle, CircleReading};

/// Two-window readings of a published lab sheet, "Refractive index of prism" (document no. 529122385), least count 1'.
const LAB_SHEET: &str = "set,target,line,window_1,window_2
1,line,V,318 35,138 35
1,line,B,319 9,139 20
1,line,R,319 36,139 34
1,central,,360 4,180 2
";

/// A circle whose eccentricity is not known.
fn circle_of(least_count: Angle) -> CircleData {
    CircleData {
        least_count,
        eccentricity: Angle::default(),
        division: Angle::default(),
        windows: 2,
    }
}

#[test]
fn the_lab_sheets_windows_are_averaged_and_its_slip_is_flagged() {
    let rows = readings_from_bytes(LAB_SHEET.as_bytes(), "sheet.csv").unwrap();
    let least_count = least_count_shown(windows_of(&rows));
    assert!((least_count.arcseconds() - 60.0).abs() < 1e-9);
    let read = corrected(&rows, &[], &circle_of(least_count));
    let codes: Vec<_> = read.cautions.iter().map(|c| c.code).collect();
    assert_eq!(codes, ["windows-disagree"]);
    assert!(
        read.cautions[0].message.contains("row 3"),
        "{}",
        read.cautions[0].message
    );
    // Means: V 318 35, direct 0 3; least count / √12 / √2 in each.
    assert!((read.pointings[0].reading_deg.value() - (318.0 + 35.0 / 60.0)).abs() < 1e-9);
    assert!((read.pointings[3].reading_deg.value() - 3.0 / 60.0).abs() < 1e-9);
    let u_arcsec = read.pointings[3].reading_deg.u() * 3600.0;
    assert!((u_arcsec - 60.0 / 24f64.sqrt()).abs() < 1e-9);
}

/// JCGM 100, 4.3.7: half a step of the last digit to either side, over the root of 3.
#[test]
fn a_wavelength_is_as_uncertain_as_its_last_digit() {
    for (written, half) in [
        ("546.075", 0.0005),
        ("546.1", 0.05),
        ("546", 0.5),
        ("546.0750", 0.000_05),
        ("5.46075e2", 0.0005),
        ("5.461E+2", 0.05),
    ] {
        let text = format!(
            "set,target,line,wavelength_nm,window_1\n1,line,e,{written},48 35\n1,central,,,0 0\n"
        );
        let rows = readings_from_bytes(text.as_bytes(), "t.csv").unwrap();
        let u = rows[0].u_wavelength_nm;
        assert!(
            (u * 3f64.sqrt() / half - 1.0).abs() < 1e-9,
            "{written}: {u}"
        );
        assert!(rows[1].u_wavelength_nm <= 0.0);
    }
    // A table with decimal commas counts its decimals, too.
    let text = "set;target;line;wavelength_nm;window_1\n1;line;e;546,07;48 35\n1;central;;;0 0\n";
    let rows = readings_from_bytes(text.as_bytes(), "t.csv").unwrap();
    assert!((rows[0].u_wavelength_nm * 3f64.sqrt() - 0.005).abs() < 1e-12);
}

#[test]
fn eccentricity_cancels_in_the_mean() {
    // First order of a circle off centre: window 1 errs by e sin(θ), window 2 by -e sin(θ).
    for step in 0..72 {
        let truth = 5.0 * f64::from(step) + 0.013;
        let off = 0.05 * truth.to_radians().sin();
        let mean = window_mean(
            CircleReading::from_degrees(truth + off),
            Some(CircleReading::from_degrees(truth + 180.0 - off)),
        );
        assert!((mean - CircleReading::from_degrees(truth)).abs().degrees() < 1e-9);
    }
}

#[test]
fn the_offset_is_added_with_its_sign_and_wraps() {
    let text = "target;set;window_1;offset_arcsec;u_offset_arcsec\ncentral;a;359°59'30\";45,5;2\nline;a;0;;\n";
    let text = text.replace("line;a;0;;", "face-1;a;10;;\nface-2;a;20;-36;1");
    let rows = readings_from_bytes(format!("\u{feff}{text}").as_bytes(), "x.csv").unwrap();
    let read = corrected(&rows, &[], &circle_of(Angle::from_arcseconds(30.0)));
    assert!((read.pointings[0].reading_deg.value() * 3600.0 - 15.5).abs() < 1e-6);
    assert!((read.pointings[2].reading_deg.value() - 19.99).abs() < 1e-9);
    let u = (30f64 * 30.0 / 12.0 + 4.0).sqrt();
    assert!((read.pointings[0].reading_deg.u() * 3600.0 - u).abs() < 1e-9);
}

#[test]
fn refused_tables_say_file_row_column_and_cure() {
    let head =
        "set,target,line,wavelength_nm,window_1,offset_arcsec,u_offset_arcsec,footage,pick\n";
    let central = "1,central,,,10,,,,\n";
    for (body, parts) in [
        ("1,line,e,0.546,50,,,,\n", ["row 3", "wavelength_nm", "546"]),
        (
            "1,line,e,5460.75,50,,,,\n",
            ["row 3", "ångström", "546.075"],
        ),
        (
            "1,line,e,40,50,,,,\n",
            ["row 3", "wavelength_nm", "200 to 2000"],
        ),
        (
            "1,line,e,x,50,,,,\n",
            ["row 3", "wavelength_nm", "no number"],
        ),
        (
            "1,line,,,50,,,,\n",
            ["row 3", "column line", "name or a wavelength"],
        ),
        ("1,slit,e,546,50,,,,\n", ["row 3", "target", "face-1"]),
        (
            "1,line,e,546,50 61,,,,\n",
            ["row 3", "window_1", "below 60"],
        ),
        ("1,line,e,546,,,,,\n", ["row 3", "window_1", "empty"]),
        ("2,line,e,546,50,,,,\n", ["row 3", "set 2", "no central"]),
        ("1,central,,,50,,,,\n", ["row 3", "comes twice", "row 2"]),
        ("1,face-1,,,50,,,,\n", ["row 3", "face-2", "same set"]),
        (
            "1,line,e,546,50,,5,,\n",
            ["row 3", "u_offset_arcsec", "no offset"],
        ),
        (
            "1,line,e,546,50,5,-5,,\n",
            ["row 3", "u_offset_arcsec", "negative"],
        ),
        (
            "1,line,e,546,50,5,,clip,\n",
            ["row 3", "footage", "keep one"],
        ),
        ("1,line,e,546,50,,,clip,0\n", ["row 3", "pick", "from 1"]),
        (
            "1,line,e,546,50,,,,,,more\n",
            ["row 3", "more cells", "quotes"],
        ),
    ] {
        let text = format!("{head}{central}{body}");
        let message = readings_from_bytes(text.as_bytes(), "my.csv")
            .unwrap_err()
            .0;
        assert!(message.contains("my.csv"), "{message}");
        for part in parts {
            assert!(message.contains(part), "{body}: {message}");
        }
    }
    for (bytes, part) in [
        (&b""[..], "empty"),
        (b"set,target\n1,central\n", "window_1"),
        (b"set,target,window1\n1,central,5\n", "window_1"),
        (b"set,target,window_1\n1,central,5\xb0 4\n", "row 2: byte"),
        (b"set,target,window_1\n", "no readings"),
        (b"set,target,window_1,set\n", "twice"),
    ] {
        let message = readings_from_bytes(bytes, "my.csv").unwrap_err().0;
        assert!(message.contains(part), "{message}");
    }
}

#[test]
fn tables_as_spreadsheets_save_them_are_read() {
    for (separator, eol) in [(",", "\n"), (";", "\r\n"), ("\t", "\n")] {
        let text = LAB_SHEET.replace(',', separator).replace('\n', eol);
        assert_eq!(readings_from_bytes(text.as_bytes(), "x").unwrap().len(), 4);
    }
    let rows = scale_from_bytes("offset_px;window_1\n-12,5;10 0 0\n".as_bytes(), "x").unwrap();
    assert_eq!(rows[0].offset, super::table::ScaleOffset::Px(-12.5));
    assert!(
        scale_from_bytes(b"window_1,note\n5,x\n", "x")
            .unwrap_err()
            .0
            .contains("offset_px")
    );
}

fn points(
    random: &mut ChaCha8Rng,
    slope: f64,
    cubic: f64,
    u_px: f64,
    count: i32,
) -> Vec<ScalePoint> {
    let start: f64 = Uniform::new(1200.0, 1260.0).unwrap().sample(&mut *random);
    (0..count)
        .map(|i| {
            let x = -310.0
                + 620.0 * f64::from(i) / f64::from(count - 1)
                + Uniform::new(-5.0, 5.0).unwrap().sample(&mut *random);
            let angle = slope * x + cubic * x.powi(3);
            // Read to whole 10 seconds of arc, across the zero of the circle.
            let seconds = ((start - angle) / 10.0).round() * 10.0;
            let noise: f64 = StandardNormal.sample(random);
            ScalePoint {
                reading: CircleReading::from_degrees(359.8 + seconds / 3600.0),
                offset_px: x + u_px * noise,
                u_offset_px: Some(u_px),
                windows: 1,
                window_difference_deg: None,
            }
        })
        .collect()
}

#[test]
fn scales_hold_their_stated_uncertainty_and_sign() {
    const RUNS: usize = 400;
    let mut random = ChaCha8Rng::seed_from_u64(5);
    let mut squares = 0.0;
    let mut terms = 0;
    for run in 0..RUNS {
        let slope = -7.3 + 0.01 * run as f64 / RUNS as f64;
        let scale = fit_scale(
            &points(&mut random, slope, 0.0, 0.4, 11),
            Angle::from_arcseconds(10.0),
        )
        .unwrap();
        assert!(scale.arcsec_per_px() < 0.0);
        terms += scale.coefficients.len() - 1;
        if scale.coefficients.len() == 1 {
            squares += ((scale.arcsec_per_px() - slope) / scale.u_arcsec_per_px()).powi(2);
        }
    }
    // The covariance only grows with the residuals, never shrinks, so the pulls lie somewhat below 1: 0.85 or so.
    let variance = squares / RUNS as f64;
    assert!(
        (0.65..1.15).contains(&variance),
        "pulls of variance {variance}"
    );
    assert!(terms < RUNS / 20, "{terms} needless distortion terms");
    let bent = fit_scale(
        &points(&mut random, 7.3, 2e-6, 0.05, 15),
        Angle::from_arcseconds(10.0),
    )
    .unwrap();
    assert_eq!(bent.coefficients.len(), 3);
    let ready = bent.ready().unwrap();
    let cause = Cause::type_b("centring", Shape::Normal);
    let angle = ready.angle_arcsec(250.0, 0.05, &cause);
    let truth = 7.3 * 250.0 + 2e-6 * 250f64.powi(3);
    assert!(
        (angle.value() - truth).abs() < 4.0 * angle.u(),
        "{angle} against {truth}"
    );
    // Two offsets converted with one scale are correlated through it.
    let other = ready.angle_arcsec(240.0, 0.0, &cause);
    assert!(angle.covariance(&other) > 0.0);
    assert!(ready.outside(5000.0).is_some() && ready.outside(0.0).is_none());
}

/// Two windows that always round at the same mark are no better than one; those that round apart are better by the root of 2.
#[test]
fn a_scale_counts_windows_that_round_alike_once() {
    let mut random = ChaCha8Rng::seed_from_u64(32);
    let least_count = Angle::from_arcseconds(10.0);
    // Points that scatter less than the least count says, so that the covariance is that of the readings alone.
    let one: Vec<ScalePoint> = (0..12)
        .map(|k| {
            let x = 50.0 * f64::from(k) - 275.0;
            ScalePoint {
                reading: CircleReading::from_degrees(100.0 - 7.2 * x / 3600.0),
                offset_px: x,
                u_offset_px: None,
                windows: 1,
                window_difference_deg: None,
            }
        })
        .collect();
    let mut with = |difference_arcsec: &mut dyn FnMut(&mut ChaCha8Rng) -> f64| {
        let points: Vec<ScalePoint> = one
            .iter()
            .map(|point| ScalePoint {
                windows: 2,
                window_difference_deg: Some(difference_arcsec(&mut random) / 3600.0),
                ..point.clone()
            })
            .collect();
        fit_scale(&points, least_count).unwrap().u_arcsec_per_px()
    };
    let single = fit_scale(&one, least_count).unwrap().u_arcsec_per_px();
    let alike = with(&mut |_| 30.0);
    let apart = with(&mut |random| 10.0 * f64::from(random.random_range(-3..=3)));
    assert!((alike / single - 1.0).abs() < 1e-9, "{alike} {single}");
    assert!(
        (apart / single - 0.5f64.sqrt()).abs() < 1e-9,
        "{apart} {single}"
    );
}

#[test]
fn a_scale_survives_its_document_and_bad_ones_are_refused() {
    let mut random = ChaCha8Rng::seed_from_u64(6);
    let scale = fit_scale(
        &points(&mut random, 7.3, 2e-6, 0.05, 15),
        Angle::from_arcseconds(10.0),
    )
    .unwrap();
    let text = serde_json::to_string(&CalibrationRecord::from(&scale)).unwrap();
    let back = calibration_from_json(&text, "c.json").unwrap();
    // Reading numbers back may cost their last bit.
    assert_eq!(back.coefficients.len(), scale.coefficients.len());
    for (one, other) in back.coefficients.iter().zip(&scale.coefficients) {
        assert!((one / other - 1.0).abs() < 1e-14);
    }
    assert!((&back.covariance - &scale.covariance).norm() < 1e-14 * scale.covariance.norm());
    assert_eq!(back.points, scale.points);
    for (from, to) in [
        ("\"scale\"", "\"watch\""),
        ("\"schema\":1", "\"schema\":2"),
        ("\"power\":1", "\"power\":2"),
        ("{", "["),
    ] {
        assert!(
            calibration_from_json(&text.replacen(from, to, 1), "c.json")
                .unwrap_err()
                .0
                .contains("c.json")
        );
    }
    let few = points(&mut random, 7.3, 0.0, 0.1, 2);
    assert!(
        fit_scale(&few, Angle::from_arcseconds(10.0))
            .unwrap_err()
            .0
            .contains("three")
    );
    let mut heap = points(&mut random, 7.3, 0.0, 0.1, 4);
    for point in &mut heap {
        point.offset_px = 3.0;
    }
    assert!(
        fit_scale(&heap, Angle::from_arcseconds(10.0))
            .unwrap_err()
            .0
            .contains("spread")
    );
}

/// 95 % intervals of the mean of two windows, whether both round at the same mark, at unrelated ones or in between.
#[test]
fn windows_that_round_alike_count_once() {
    const TABLES: usize = 400;
    const LEAST_COUNT_ARCSEC: f64 = 60.0;
    let mut random = ChaCha8Rng::seed_from_u64(31);
    for (what, swing_arcsec, askew_arcsec) in [
        ("alike", 0.0, 0.0),
        ("a little eccentric", 25.0, 10.0),
        ("very eccentric", 400.0, 20.0),
    ] {
        let (mut held, mut all) = (0_usize, 0_usize);
        for _ in 0..TABLES {
            let mut truths = Vec::new();
            let mut text = "target,set,line,wavelength_nm,window_1,window_2\n".to_owned();
            for set in 0..7 {
                for row in ["central,{},,", "line,{},e,546.075"] {
                    let truth = 360.0 * random.random::<f64>();
                    let off = swing_arcsec * truth.to_radians().sin() + askew_arcsec;
                    let read = |deg: f64, off: f64| {
                        let arcsec = deg * 3600.0 + off;
                        let whole = (arcsec / LEAST_COUNT_ARCSEC).round() * LEAST_COUNT_ARCSEC;
                        (whole / 3600.0).rem_euclid(360.0)
                    };
                    text += &format!(
                        "{},{:.6},{:.6}\n",
                        row.replace("{}", &set.to_string()),
                        read(truth, off),
                        read(truth + 180.0, -off)
                    );
                    truths.push(truth);
                }
            }
            let rows = readings_from_bytes(text.as_bytes(), "x.csv").unwrap();
            let circle = circle_of(Angle::from_arcseconds(LEAST_COUNT_ARCSEC));
            for (pointing, truth) in corrected(&rows, &[], &circle).pointings.iter().zip(&truths) {
                let m = &pointing.reading_deg;
                let error = crate::basics::units::folded_deg(m.value() - truth);
                held += usize::from(error.abs() <= m.expanded(0.95));
                all += 1;
            }
        }
        let share = held as f64 / all as f64;
        eprintln!("{what}: {share:.3}");
        // One rounding is rectangular: its normal interval of 95 % holds always. Counted as two it would hold 80 %.
        assert!(share > 0.94, "{what}: {share}");
    }
}
