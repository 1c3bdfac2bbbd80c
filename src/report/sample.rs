//! Invented data for the tests of the page; ugly on purpose: gaps, a hand that turned back, missing figures.

use super::budget::{Budget, Cause, Evaluation};
use super::view::{
    Caution, Coverage, CurvePoint, Dispersion, Glass, IndexPoint, LineRow, PageData, Quantity,
    Reading, ResolvingRow, Track, TrackPoint, Turn, UnknownLine, Value, Window,
};

/// A reproducible sequence in -1..1, good enough to roughen a drawing.
struct Rough(u64);

impl Rough {
    fn next(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        ((self.0 >> 33) as f64) / f64::from(u32::MAX >> 2) - 1.0
    }
}

fn number(value: f64, u: f64) -> Value {
    Value::Number {
        value,
        u: Some(u),
        expanded: Some(2.0 * u),
        unit: "",
    }
}

fn angle(deg: f64, u: f64) -> Value {
    Value::Angle {
        deg,
        u_arcsec: Some(u),
        expanded_arcsec: Some(2.0 * u),
    }
}

fn result(symbol: &str, name: &str, value: Value) -> Quantity {
    Quantity {
        symbol: symbol.to_owned(),
        name: name.to_owned(),
        value,
        ..Quantity::default()
    }
}

/// Mercury and hydrogen-like set for a flint prism: name, wavelength nm, deviation deg, index.
const LINES: [(&str, f64, f64, f64); 8] = [
    ("Hg 404.7", 404.656, 51.3231, 1.651_47),
    ("Hg 435.8", 435.833, 50.3719, 1.642_02),
    ("Cd 467.8", 467.815, 49.6771, 1.635_06),
    ("Cd 480.0", 479.991, 49.4588, 1.632_87),
    ("Hg 546.1", 546.073, 48.5915, 1.624_08),
    ("Hg 577.0", 576.959, 48.2932, 1.621_03),
    ("Hg 579.1", 579.066, 48.2727, 1.620_83),
    ("Cd 643.8", 643.847, 47.7862, 1.615_84),
];

/// A sweep with two passes, a reversal of the hand, a gap and noise.
pub(super) fn track(line: &str, answer: f64) -> Track {
    let mut rough = Rough(line.len() as u64 + 7);
    let mut points = Vec::new();
    for i in 0..900 {
        let t = f64::from(i) / 30.0;
        if (9.2..11.9).contains(&t) || (i % 97 == 13) {
            continue;
        }
        // Angle of the table: to the other side of the minimum, a hesitation on the way back, and back.
        let table = if t < 14.0 {
            -4.2 + 0.55 * t
        } else if t < 17.0 {
            3.5 - 0.4 * (t - 14.0)
        } else if t < 18.2 {
            2.3 + 0.4 * (t - 17.0)
        } else {
            2.78 - 0.5 * (t - 18.2)
        };
        let u = 0.06 + 0.02 * rough.next().abs();
        points.push(TrackPoint {
            time_s: t,
            position_px: answer
                + 13.0 * table * table * (1.0 + 0.02 * table)
                + u * 1.7 * rough.next(),
            u_px: Some(u),
        });
    }
    let turn = |time_s: f64, by: f64, counted, why: &str| Turn {
        time_s,
        frame: Some((25.0 * time_s) as u64),
        position_px: answer + by,
        u_px: Some(0.021),
        counted,
        why: why.to_owned(),
    };
    Track {
        footage: format!("clips/2026-11-24 {line}.mp4"),
        line: line.to_owned(),
        set: "b".to_owned(),
        from_cross_hairs: true,
        points,
        turns: vec![
            turn(
                7.64,
                0.013,
                true,
                "The line turned while the hand went on in one direction.",
            ),
            turn(
                14.0,
                171.0,
                false,
                "The other lines turned at the same moment: the hand turned back.",
            ),
            turn(
                17.0,
                72.0,
                false,
                "The other lines turned at the same moment: the hand turned back.",
            ),
            turn(
                18.2,
                106.0,
                false,
                "The other lines turned at the same moment: the hand turned back.",
            ),
            turn(
                23.76,
                -0.02,
                true,
                "The line turned while the hand went on in one direction.",
            ),
        ],
        answer_px: Some(answer),
        u_answer_px: Some(0.018),
        expanded_answer_px: Some(0.037),
        answer_arcsec: Some((answer * 1.873, 0.34)),
        longest_step_s: 0.12,
        cautions: vec![Caution {
            code: "gap".to_owned(),
            message: "No frame could be read between 9.2 s and 11.9 s.".to_owned(),
        }],
    }
}

fn budget(of: &str, total: f64) -> Budget {
    let cause = |name: &str, evaluation, own_u: &str, share: f64, remedy: &str| Cause {
        name: name.to_owned(),
        evaluation: Some(evaluation),
        own_u: own_u.to_owned(),
        degrees_of_freedom: matches!(evaluation, Evaluation::A).then_some(7.0),
        contribution: total * share.sqrt(),
        share,
        remedy: remedy.to_owned(),
    };
    Budget {
        of: of.to_owned(),
        unit: String::new(),
        combined_u: Some(total),
        degrees_of_freedom: Some(61.0),
        causes: vec![
            cause(
                "reading of the circle",
                Evaluation::B,
                "5.8\u{2033}",
                0.21,
                "Read both windows.",
            ),
            cause(
                "refracting angle of the prism",
                Evaluation::A,
                "9.4\u{2033}",
                0.71,
                "Repeat the face readings on other parts of the circle.",
            ),
            cause(
                "turning point of the line",
                Evaluation::A,
                "0.34\u{2033}",
                0.07,
                "",
            ),
            cause(
                "scale of the camera",
                Evaluation::B,
                "0.002\u{2033}/px",
                0.009_7,
                "",
            ),
            cause(
                "temperature and pressure of the air",
                Evaluation::B,
                "1 K, 500 Pa",
                0.000_3,
                "",
            ),
        ],
    }
}

/// A page with everything on it.
pub(super) fn full() -> PageData {
    let mut rough = Rough(3);
    let fitted = |nm: f64| {
        let um = nm / 1000.0;
        1.596_1 + 0.007_95 / (um * um) + 0.000_16 / um.powi(4)
    };
    let points: Vec<IndexPoint> = LINES
        .iter()
        .map(|&(line, wavelength_nm, _, _)| {
            let residual = 4.0 * rough.next();
            IndexPoint {
                line: line.to_owned(),
                wavelength_nm,
                n: fitted(wavelength_nm) + residual * 1e-5,
                expanded: Some(2.4e-4),
                residual_1e5: Some(residual),
                residual_expanded_1e5: Some(5.2),
            }
        })
        .collect();
    PageData {
        lamps: "The lines without a wavelength are perhaps of the lamp He (2 of 2 lines, probability 0.71)"
            .to_owned(),
        resolving: [("Hg 546.1", 155.2, 3180.0), ("Hg 435.8", 325.0, 6710.0)]
            .into_iter()
            .map(|(line, angular, power)| {
                let value = |value: f64| Value::Number {
                    value,
                    u: Some(0.012 * value),
                    expanded: Some(0.024 * value),
                    unit: "",
                };
                ResolvingRow {
                    line: line.to_owned(),
                    angular_dispersion: value(angular / 10.0),
                    resolving_power: value(power),
                    slit_resolving_power: value(0.2 * power),
                    resolved_nm: value(2500.0 / power),
                }
            })
            .collect(),
        title: "Flint prism no. 4, mercury and cadmium".to_owned(),
        when: "24 November 2026, 15:42".to_owned(),
        coverage: Coverage {
            percent: Some(95.0),
            k: Some(2.0),
        },
        summary: vec![
            result("n_d", "refractive index at 587.56 nm", number(1.620_041, 0.000_118)),
            result("n_F", "refractive index at 486.13 nm", number(1.632_083, 0.000_121)),
            result("n_C", "refractive index at 656.27 nm", number(1.615_033, 0.000_116)),
            result("V_d", "Abbe number", number(36.37, 0.088)),
            result("A", "refracting angle of the prism", angle(59.996_31, 9.4)),
            Quantity {
                symbol: "n_F'".to_owned(),
                name: "refractive index at 479.99 nm".to_owned(),
                remark: "not quoted: the fit was not asked for it".to_owned(),
                ..Quantity::default()
            },
        ],
        cautions: vec![
            Caution {
                code: "one-window".to_owned(),
                message: "Row 7 has one window only, so eccentricity of the circle does not cancel there.".to_owned(),
            },
            Caution {
                code: "extrapolated".to_owned(),
                message: "n_C lies 12 nm outside the measured wavelengths.".to_owned(),
            },
        ],
        lines: LINES
            .iter()
            .zip(&points)
            .map(|(&(line, nm, deg, _), p)| LineRow {
                set: "b".to_owned(),
                line: line.to_owned(),
                wavelength_nm: Some(nm),
                deviation: angle(deg, 5.9),
                index: number(p.n, 1.2e-4),
                index_standard_air: number(p.n - 1e-5, 1.2e-4),
                index_vacuum: number(1.00027 * p.n, 1.2e-4),
                residual_1e5: p.residual_1e5,
                rows: vec!["3".to_owned(), "4".to_owned()],
            })
            .collect(),
        unknown_lines: vec![UnknownLine {
            line: "weak, blue-green".to_owned(),
            wavelength: Value::Number {
                value: 491.66,
                u: Some(0.21),
                expanded: None,
                unit: "nm",
            },
            candidates: vec!["Hg 491.607".to_owned(), "Hg 492.3".to_owned()],
        }],
        dispersion: Some(Dispersion {
            model: "n(\u{3bb}) = A + B/\u{3bb}\u{b2} + C/\u{3bb}\u{2074}".to_owned(),
            choice: "Chosen for the smallest error of n_F \u{2212} n_C to be expected.".to_owned(),
            coefficients: vec![
                ("A".to_owned(), number(1.596_1, 2.1e-4)),
                (
                    "B".to_owned(),
                    Value::Number {
                        value: 7.95e-3,
                        u: Some(4.1e-5),
                        expanded: None,
                        unit: "\u{b5}m\u{b2}",
                    },
                ),
                (
                    "C".to_owned(),
                    Value::Number {
                        value: 1.6e-4,
                        u: Some(5.0e-6),
                        expanded: None,
                        unit: "\u{b5}m\u{2074}",
                    },
                ),
            ],
            chi_squared: Some((4.3, 5)),
            p_value: Some(0.51),
            points,
            curve: (0..=80)
                .map(|i| {
                    let nm = 395.0 + 3.4 * f64::from(i);
                    CurvePoint {
                        wavelength_nm: nm,
                        n: fitted(nm),
                        expected: Some(fitted(nm) + 1e-5),
                        expanded: Some(2.2e-4 + 4e-9 * (nm - 520.0).powi(2)),
                        expected_1e5: Some((1.0, 3.0 + 1e-4 * (nm - 520.0).powi(2))),
                    }
                })
                .collect(),
            guides: vec![
                ("F".to_owned(), 486.13),
                ("d".to_owned(), 587.56),
                ("C".to_owned(), 656.27),
            ],
        }),
        tracks: vec![track("Hg 546.1", -123.41), track("Hg 435.8", 12.06)],
        readings: readings(),
        budgets: vec![budget("n_d", 1.18e-4), budget("V_d", 0.088)],
        glasses: vec![
            Glass {
                name: "F2".to_owned(),
                n_d: Some(1.620_04),
                abbe_number: Some(36.37),
                chi_squared: Some(0.31),
                p_value: Some(0.86),
                verdict: "agrees".to_owned(),
            },
            Glass {
                name: "N-F2".to_owned(),
                n_d: Some(1.620_05),
                abbe_number: Some(36.43),
                chi_squared: Some(1.2),
                p_value: Some(0.55),
                verdict: "agrees".to_owned(),
            },
            Glass {
                name: "N-SF5".to_owned(),
                n_d: Some(1.672_71),
                abbe_number: Some(32.25),
                chi_squared: Some(3.1e5),
                p_value: Some(0.0),
                verdict: "excluded".to_owned(),
            },
        ],
        method: vec![
            "The refracting angle was measured by reflection from the two faces. For each line the central image was read \
             first, then the prism was put on the table and the table turned through the minimum with the telescope locked."
                .to_owned(),
            "The turning point of each line was taken from the footage, and its offset from the cross-hairs was added to the \
             mean of the two windows. n = sin((A + \u{3b4})/2)/sin(A/2)."
                .to_owned(),
        ],
        provenance: vec![
            ("program".to_owned(), "lineturn 0.1.0".to_owned()),
            ("readings".to_owned(), "flint-4/readings.csv".to_owned()),
            ("scale".to_owned(), "flint-4/scale.json".to_owned()),
            (
                "options".to_owned(),
                "--model cauchy-3 --least-count 20 --air 21.5,100900".to_owned(),
            ),
        ],
    }
}

fn readings() -> Vec<Reading> {
    let mut out = Vec::new();
    for (i, (line, _, deg, _)) in LINES.iter().enumerate() {
        for (target, at) in [("central", 127.575), ("line", 127.575 + deg)] {
            let is_line = target == "line";
            let minutes = (at % 1.0) * 60.0;
            let typed = |turn: f64| Window {
                typed: format!("{}\u{b0} {:.1}'", (at + turn).floor() % 360.0, minutes),
                deg: Some((at + turn) % 360.0),
            };
            let mut windows = vec![typed(0.0), typed(180.0)];
            if i == 3 && is_line {
                windows.pop();
            }
            out.push(Reading {
                row: (out.len() + 2).to_string(),
                set: char::from(b'a' + i as u8).to_string(),
                target: target.to_owned(),
                line: if is_line {
                    (*line).to_owned()
                } else {
                    String::new()
                },
                windows,
                offset_arcsec: is_line.then_some((-12.3 + i as f64, Some(0.34))),
                corrected: angle(at, 5.8),
                footage: if is_line {
                    format!("clips/2026-11-24 {line}.mp4")
                } else {
                    String::new()
                },
                note: if i == 2 && is_line {
                    "second try, lamp moved <a bit> & refocused".to_owned()
                } else {
                    String::new()
                },
            });
        }
    }
    out
}
