//! The built program against a second implementation: ten random experiments whose refracting angles, indices, correlations and
//! dispersion curves PyPI uncertainties 3.2.3 computed (and PyPI GTC 1.5.1 in part), by `fixtures/experiments/make.py`.

use std::path::Path;

use serde_json::Value;

use crate::support::{answer, argument};

/// Agreement that is asked for: six digits.
const SIX_DIGITS: f64 = 1e-6;

fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("{value} is no number"))
}

/// A value of the program against (value, standard uncertainty) of the reference.
fn compare(what: &str, found: (f64, f64), reference: &Value) {
    let (value, u) = (number(&reference[0]), number(&reference[1]));
    assert!(
        (found.0 - value).abs() <= SIX_DIGITS * value.abs(),
        "{what}: {} is not {value}",
        found.0
    );
    // An uncertainty is compared with itself, and the value within a millionth of it, too.
    assert!(
        (found.1 - u).abs() <= SIX_DIGITS * u && (found.0 - value).abs() <= 1e-4 * u.max(1e-12),
        "{what}: u = {} is not {u}, or {} not {value}",
        found.1,
        found.0
    );
}

#[test]
fn ten_experiments_agree_to_six_digits() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/experiments");
    let text = std::fs::read_to_string(folder.join("reference.json")).expect("the references");
    let references: Value = serde_json::from_str(&text).expect("a document");
    let references = references["experiments"].as_array().expect("experiments");
    assert_eq!(references.len(), 10);
    for reference in references {
        let name = reference["experiment"].to_string();
        let found = answer(&[
            "reduce",
            argument(&folder.join(format!("{name}.csv"))),
            "--bench",
            argument(&folder.join(format!("{name}.toml"))),
            "--faces",
            reference["faces"].as_str().expect("a method"),
            "--model",
            "cauchy-3",
            "--json",
        ]);
        let what = |of: &str| format!("experiment {name}, {of}");
        compare(
            &what("refracting angle"),
            (
                number(&found["prism_angle_deg"]),
                number(&found["u_prism_angle_arcsec"]) / 3600.0,
            ),
            &reference["prism_angle_deg"],
        );
        let lines = found["lines"].as_array().expect("lines");
        assert_eq!(lines.len(), reference["n"].as_array().expect("n").len());
        for (k, line) in lines.iter().enumerate() {
            compare(
                &what("n"),
                (number(&line["n"]), number(&line["u_n"])),
                &reference["n"][k],
            );
            for other in 0..lines.len() {
                let (one, two) = (
                    number(&found["index_covariance"][k][other]),
                    number(&reference["index_covariance"][k][other]),
                );
                let scale = number(&line["u_n"]) * number(&lines[other]["u_n"]);
                assert!(
                    (one - two).abs() <= SIX_DIGITS * scale,
                    "{}",
                    what("covariance")
                );
            }
        }
        let fit = &found["dispersion"];
        let covariance = |i: usize, j: usize| number(&fit["covariance"][i][j]);
        for k in 0..3 {
            compare(
                &what("coefficient"),
                (number(&fit["coefficients"][k]), covariance(k, k).sqrt()),
                &reference["coefficients"][k],
            );
        }
        let (one, two) = (
            number(&fit["chi_squared"]),
            number(&reference["chi_squared"]),
        );
        assert!(
            (one - two).abs() <= SIX_DIGITS * two,
            "{}",
            what("chi-squared")
        );
        // What follows from the coefficients with their covariance; the program itself also corrects for real glasses.
        let powers = |um: f64| [1.0, um.powi(-2), um.powi(-4)];
        let at = |gradient: [f64; 3]| {
            let value: f64 = (0..3)
                .map(|k| gradient[k] * number(&fit["coefficients"][k]))
                .sum();
            let mut variance = 0.0;
            for i in 0..3 {
                for j in 0..3 {
                    variance += gradient[i] * gradient[j] * covariance(i, j);
                }
            }
            (value, variance.sqrt())
        };
        let (d, f, c) = (
            powers(0.587_561_8),
            powers(0.486_132_7),
            powers(0.656_272_5),
        );
        let difference: [f64; 3] = std::array::from_fn(|k| f[k] - c[k]);
        let results = &reference["results"];
        for (name, gradient) in [
            ("n_d", d),
            ("n_F", f),
            ("n_C", c),
            ("n_F_minus_n_C", difference),
        ] {
            compare(&what(name), at(gradient), &results[name]);
        }
        let (n_d, dispersion) = (at(d).0, at(difference).0);
        let abbe = (n_d - 1.0) / dispersion;
        let gradient: [f64; 3] =
            std::array::from_fn(|k| (d[k] - abbe * difference[k]) / dispersion);
        compare(&what("V_d"), (abbe, at(gradient).1), &results["V_d"]);
    }
}
