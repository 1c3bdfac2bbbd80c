//! The line finder against other people's measurements of the same pictures.
//!
//! - Rendered slit images, measured by `scipy.optimize.curve_fit`: `fixtures/lines/make.py` makes both.
//! - A real helium-argon lamp frame, measured by another program: `fixtures/lines/lamp_frame.py`.

use std::path::{Path, PathBuf};

use lineturn::session::{Line, LocatedFrame, locate};
use serde_json::Value;

/// Variable that names the folder of the lamp pictures.
const LAMP_FRAMES: &str = "LINETURN_LAMP_FRAMES";

/// Axis of a line: x + slope (y - y_ref) + curvature/2 (y - y_ref)², with standard uncertainties; px, 1, 1/px.
#[derive(Clone, Copy, Debug)]
struct Axis {
    x_px: f64,
    slope: f64,
    curvature_per_px: f64,
    u: [f64; 3],
}

/// How far two measurements of a line may lie apart: in combined standard uncertainties, and in px, 1, 1/px.
#[derive(Clone, Copy, Debug)]
struct Bar {
    sigmas: f64,
    absolute: [f64; 3],
}

impl Axis {
    /// The axis of a found line at the height `y_px`, its covariance carried there.
    fn of(line: &Line, y_px: f64) -> Self {
        let d = y_px - line.y_ref_px;
        let slope = line.tilt_deg.to_radians().tan();
        let c = line.curvature_per_px;
        let spread = |weights: [f64; 3]| {
            let mut sum = 0.0;
            for (row, a) in line.covariance.iter().zip(weights) {
                for (covariance, b) in row.iter().zip(weights) {
                    sum += a * b * covariance;
                }
            }
            sum.sqrt()
        };
        Self {
            x_px: line.x_px + slope * d + c / 2.0 * d * d,
            slope: slope + c * d,
            curvature_per_px: c,
            u: [
                spread([1.0, d, d * d / 2.0]),
                spread([0.0, 1.0, d]),
                spread([0.0, 0.0, 1.0]),
            ],
        }
    }

    fn values(&self) -> [f64; 3] {
        [self.x_px, self.slope, self.curvature_per_px]
    }

    /// What is wrong with this axis if `reference` is right, one sentence for each quantity.
    fn faults(&self, reference: &Self, bar: Bar) -> Vec<String> {
        let mut faults = Vec::new();
        for (i, name) in ["position", "slope", "curvature"].into_iter().enumerate() {
            let difference = self.values()[i] - reference.values()[i];
            let combined = self.u[i].hypot(reference.u[i]);
            // Written so that a NaN is a fault.
            let good =
                difference.abs() <= bar.absolute[i] && difference.abs() <= bar.sigmas * combined;
            if !good {
                faults.push(format!(
                    "shifted: {name} of the line at {:.4} px differs by {difference:.3e}, u {combined:.1e}",
                    reference.x_px
                ));
            }
        }
        faults
    }
}

/// Compares both ways: each reference has one found line of its own near it, and no found line is left over.
fn compare(found: &[Axis], reference: &[Axis], bar: Bar) -> Vec<String> {
    const NEAR_PX: f64 = 5.0;
    let mut free: Vec<Axis> = found.to_vec();
    let mut faults = Vec::new();
    for wanted in reference {
        let nearest = (0..free.len()).min_by(|&a, &b| {
            (free[a].x_px - wanted.x_px)
                .abs()
                .total_cmp(&(free[b].x_px - wanted.x_px).abs())
        });
        match nearest {
            Some(i) if (free[i].x_px - wanted.x_px).abs() < NEAR_PX => {
                faults.extend(free.remove(i).faults(wanted, bar));
            }
            _ => faults.push(format!("missing: no line near {:.4} px", wanted.x_px)),
        }
    }
    faults.extend(
        free.iter()
            .map(|extra| format!("extra: a line at {:.4} px", extra.x_px)),
    );
    faults
}

fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/lines")
}

fn look(path: PathBuf) -> LocatedFrame {
    locate(&[path], |_| ())
        .expect("the picture can be read")
        .remove(0)
}

fn number(value: &Value, name: &str) -> f64 {
    value[name]
        .as_f64()
        .unwrap_or_else(|| panic!("no number {name} in {value}"))
}

/// Source of the reference: scipy, version in `reference.json`, by `fixtures/lines/make.py`.
#[test]
fn rendered_lines_lie_where_a_general_library_finds_them() {
    let text =
        std::fs::read_to_string(fixtures().join("reference.json")).expect("the reference is there");
    let document: Value = serde_json::from_str(&text).expect("a JSON document");
    // The two fit the same pixels with other weights and another profile; 0.03 px is 1.7 errors of the faintest frame
    // and ten of the bright ones.
    let bar = Bar {
        sigmas: 4.0,
        absolute: [0.03, 8e-4, 6e-5],
    };
    let mut faults = Vec::new();
    let mut lines = 0;
    for frame in document["frames"].as_array().expect("frames") {
        let name = frame["file"].as_str().expect("a file name");
        let seen = look(fixtures().join(name));
        if seen.picture.cross_hairs.is_some() {
            faults.push(format!("{name}: cross-hairs where there are none"));
        }
        let (mut measured, mut rendered) = (Vec::new(), Vec::new());
        for line in frame["lines"].as_array().expect("lines") {
            let axis = |v: &Value, u| Axis {
                x_px: number(v, "x_px"),
                slope: number(v, "slope"),
                curvature_per_px: number(v, "curvature_per_px"),
                u,
            };
            let u = ["u_x_px", "u_slope", "u_curvature_per_px"].map(|key| number(line, key));
            measured.push(axis(line, u));
            // What was rendered is exact: only our own error stands between.
            rendered.push(axis(&line["rendered"], [0.0; 3]));
        }
        lines += measured.len();
        let y_ref = number(&frame["lines"][0], "y_ref_px");
        let found: Vec<Axis> = seen
            .picture
            .lines
            .iter()
            .map(|line| Axis::of(line, y_ref))
            .collect();
        for (one, other) in found.iter().zip(&measured) {
            eprintln!(
                "{name}: found - scipy {:+.4} px, {:+.1e}, {:+.1e}; errors ours {:.4} px, scipy {:.4} px",
                one.x_px - other.x_px,
                one.slope - other.slope,
                one.curvature_per_px - other.curvature_per_px,
                one.u[0],
                other.u[0]
            );
        }
        for fault in compare(&found, &measured, bar) {
            faults.push(format!("{name}, against scipy: {fault}"));
        }
        for fault in compare(&found, &rendered, bar) {
            faults.push(format!("{name}, against what was rendered: {fault}"));
        }
    }
    assert_eq!(lines, 9, "lines of the reference");
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// A line of the lamp frame as the other program has it.
struct LampLine {
    /// Position at row 143.5, pixels and rows counted from 1.
    x: f64,
    /// dx/dy there.
    slope: f64,
    /// Coefficient of y², 1/px: half of d²x/dy².
    square: f64,
    /// Whether [`TODAY`] holds for the finder, in the 16-bit and in the 8-bit picture of the whole frame.
    held: [bool; 2],
}

const fn lamp_line(x: f64, slope: f64, square: f64, held: [bool; 2]) -> LampLine {
    LampLine {
        x,
        slope,
        square,
        held,
    }
}

/// Bright unclipped lines of `HeAr_gr2_extr.fits`: parabolas through the 282 row centres in `grism2_test2D.tfits`,
/// both in Debian's eso-midas-testdata 22.02pl1.0-2. The line at 1077.85 is an unresolved pair, 6 px wide.
const LAMP_LINES: [LampLine; 8] = [
    lamp_line(847.7031, 1.608e-4, -5.427e-6, [true, true]),
    lamp_line(927.6560, 1.470e-4, -4.930e-6, [true, true]),
    lamp_line(955.4745, 1.475e-4, -4.637e-6, [true, true]),
    lamp_line(1043.4884, 1.378e-4, -3.868e-6, [true, true]),
    lamp_line(1077.8503, 1.158e-4, -2.890e-6, [false, false]),
    lamp_line(1198.7580, 8.769e-5, -2.195e-6, [true, true]),
    lamp_line(1285.5096, 7.055e-5, -1.748e-6, [true, true]),
    lamp_line(1355.8438, 5.096e-5, -8.947e-7, [false, true]),
];

const LAMP_PICTURES: [&str; 2] = ["lamp-16.png", "lamp-8.png"];

/// What holds today for the lines marked `held`; 0.02 px is wanted. The other program gives no errors, so absolute bars
/// alone stand; d²x/dy² 1.5e-6 is y² 7.5e-7. Most of the shortfall seems to be a matter of definition: this lamp's
/// lines have a longer wing on the left, and "the middle" then depends on the weights of the fit. The other program
/// weighs all pixels alike, the finder by their noise and by what it sees of the profile's misfit. `scipy.optimize.curve_fit` (1.17.1; Gaussian + straight
/// background, ±7 px) on the same pixels differs from the table by -0.028 to -0.073 px with weights 1/level, and by
/// +0.001 to +0.006 px (-0.009 px for the pair) with equal weights. The finder's stated errors of 0.04 to 0.09 px hold this.
const TODAY: Bar = Bar {
    sigmas: f64::INFINITY,
    absolute: [0.04, 5e-5, 1.5e-6],
};

/// The folder of the lamp pictures, or a word why there is no test today.
fn lamp_folder() -> Option<PathBuf> {
    let folder = std::env::var_os(LAMP_FRAMES).map(PathBuf::from);
    if folder.is_none() {
        eprintln!(
            "left out: {LAMP_FRAMES} is not set; the lamp frame is under the GPL and not kept here, .ci/run fetches it"
        );
    }
    folder
}

/// The found lines within 8 px of a line of the table, and that line. The table holds eight of some fifty lines:
/// those farther from all of them are not judged.
fn beside(seen: &LocatedFrame, line: &LampLine) -> (Vec<Axis>, Axis) {
    const MIDDLE: f64 = 142.5; // row 143.5 counted from 1
    let wanted = Axis {
        x_px: line.x - 1.0,
        slope: line.slope,
        curvature_per_px: 2.0 * line.square,
        u: [0.0; 3],
    };
    let found = seen
        .picture
        .lines
        .iter()
        .map(|found| Axis::of(found, MIDDLE));
    (
        found
            .filter(|axis| (axis.x_px - wanted.x_px).abs() < 8.0)
            .collect(),
        wanted,
    )
}

#[test]
fn lines_of_a_real_lamp_lie_where_another_program_finds_them() {
    let Some(folder) = lamp_folder() else { return };
    let mut faults = Vec::new();
    for (picture, name) in LAMP_PICTURES.into_iter().enumerate() {
        let seen = look(folder.join(name));
        if seen.picture.cross_hairs.is_some() {
            faults.push(format!("{name}: cross-hairs where there are none"));
        }
        for line in &LAMP_LINES {
            let (found, wanted) = beside(&seen, line);
            for axis in &found {
                let [x, slope, bend] = [0, 1, 2].map(|i| axis.values()[i] - wanted.values()[i]);
                let u = axis.u[0];
                eprintln!(
                    "{name}, {:.4}: found - table {x:+.4} px (u {u:.4}), slope {slope:+.1e}, y² {:+.1e}",
                    line.x,
                    bend / 2.0
                );
            }
            let today = compare(&found, &[wanted], TODAY);
            if line.held[picture] {
                faults.extend(today.into_iter().map(|fault| format!("{name}: {fault}")));
            } else if today.is_empty() {
                eprintln!(
                    "{name}: the line at {:.4} holds now; mark it as held",
                    line.x
                );
            } else {
                eprintln!("{name}: known fault: {}", today.join("; "));
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

mod the_comparison {
    use super::*;

    const BAR: Bar = Bar {
        sigmas: 4.0,
        absolute: [0.02, 1e-4, 1e-6],
    };

    fn lines() -> Vec<Axis> {
        [50.0, 80.0]
            .map(|x_px| Axis {
                x_px,
                slope: 0.01,
                curvature_per_px: 2e-5,
                u: [0.004, 2e-5, 2e-7],
            })
            .to_vec()
    }

    fn only(faults: &[String], word: &str) {
        assert!(
            faults.len() == 1 && faults[0].starts_with(word),
            "{faults:?}"
        );
    }

    #[test]
    fn is_content_with_the_same_lines() {
        assert!(compare(&lines(), &lines(), BAR).is_empty());
    }

    #[test]
    fn sees_a_missing_line() {
        only(&compare(&lines()[..1], &lines(), BAR), "missing");
    }

    #[test]
    fn sees_an_extra_line() {
        only(&compare(&lines(), &lines()[..1], BAR), "extra");
    }

    #[test]
    fn sees_a_line_found_twice() {
        let mut twice = lines();
        twice.push(twice[0]);
        only(&compare(&twice, &lines(), BAR), "extra");
    }

    #[test]
    fn sees_a_shift_a_turn_and_a_bend_beyond_the_bar() {
        for (dx, dslope, dcurvature) in [(0.021, 0.0, 0.0), (0.0, 1.1e-4, 0.0), (0.0, 0.0, 1.1e-6)]
        {
            let mut moved = lines();
            moved[1].x_px += dx;
            moved[1].slope += dslope;
            moved[1].curvature_per_px += dcurvature;
            only(
                &compare(
                    &moved,
                    &lines(),
                    Bar {
                        sigmas: f64::INFINITY,
                        ..BAR
                    },
                ),
                "shifted",
            );
        }
    }

    #[test]
    fn sees_a_shift_that_the_uncertainties_do_not_cover() {
        let mut moved = lines();
        moved[0].x_px += 0.018; // combined uncertainty 0.0057
        assert!(compare(&moved, &lines(), BAR).is_empty());
        moved[0].u[0] = 0.001; // 0.0041
        only(&compare(&moved, &lines(), BAR), "shifted");
    }

    #[test]
    fn takes_no_nan_for_an_answer() {
        let mut broken = lines();
        broken[0].slope = f64::NAN;
        only(&compare(&broken, &lines(), BAR), "shifted");
    }
}
