//! Many reductions side by side: result documents and tables of readings in, what they agree on and who stands out.

use std::path::{Path, PathBuf};

use serde_json::Value;

use super::experiment::{ReduceOptions, reduce};
pub use super::over_time::BenchOverTime;
use super::over_time::{date_and_bench, over_time};
use super::{SessionError, read_bench};
use crate::basics::fault::said;
use crate::basics::units::{ARCSEC_PER_DEG, Wavelength};
use crate::prism::consensus::{Consensus, consensus, likely_slip};
use crate::prism::index::deviation_at_minimum_deg;

/// Lines of different benches whose wavelengths differ by less are the same line, nm.
const SAME_LINE_WITHIN_NM: f64 = 0.02;

/// Folders inside folders are looked into so deep.
const DEEPEST: usize = 8;

/// An index of one line.
#[derive(Clone, Debug, PartialEq)]
pub struct ClassLine {
    /// Name of the line.
    pub line: String,
    /// Wavelength in standard air, nm.
    pub wavelength_nm: f64,
    /// Index and its standard uncertainty.
    pub n: (f64, f64),
}

/// The results of one bench.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ClassBench {
    /// Name: that of its file, or of its folder where the file has a usual name.
    pub name: String,
    /// Its file.
    pub path: PathBuf,
    /// The bench on which it was measured: as its result says, else its name without a date.
    pub bench: String,
    /// When it was measured, as year-month-day: as its result says, else the date in the name of its file or folder.
    pub date: Option<String>,
    /// Index at d and its standard uncertainty.
    pub n_d: Option<(f64, f64)>,
    /// Abbe number and its standard uncertainty.
    pub abbe_number: Option<(f64, f64)>,
    /// Refracting angle, degrees, and its standard uncertainty, seconds of arc.
    pub prism_angle: Option<(f64, f64)>,
    /// Indices of its lines.
    pub lines: Vec<ClassLine>,
    /// Slips that its own readings point to.
    pub slips: Vec<String>,
    /// Number of its cautions.
    pub cautions: usize,
    /// Whether its index at d or its Abbe number stands out from the class.
    pub stands_out: bool,
    /// Why it may stand out.
    pub likely: Option<String>,
}

/// Results side by side.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Class {
    /// The benches, in the natural order of their names.
    pub benches: Vec<ClassBench>,
    /// Files that gave no result, with the reason.
    pub refused: Vec<(PathBuf, String)>,
    /// What the benches with an index at d agree on; its lists follow `benches_with_n_d`.
    pub n_d: Option<Consensus>,
    /// Places in `benches` of those with an index at d.
    pub benches_with_n_d: Vec<usize>,
    /// What the benches with an Abbe number agree on.
    pub abbe_number: Option<Consensus>,
    /// Places in `benches` of those with an Abbe number.
    pub benches_with_abbe_number: Vec<usize>,
    /// Benches that were measured on several days.
    pub over_time: Vec<BenchOverTime>,
}

impl Class {
    /// How far the index at d of a bench lies from the consensus of the others, in standard uncertainties.
    #[must_use]
    pub fn n_d_off_in_u(&self, bench: usize) -> Option<f64> {
        off_in_u(self.n_d.as_ref(), &self.benches_with_n_d, bench)
    }

    /// The same of its Abbe number.
    #[must_use]
    pub fn abbe_number_off_in_u(&self, bench: usize) -> Option<f64> {
        off_in_u(
            self.abbe_number.as_ref(),
            &self.benches_with_abbe_number,
            bench,
        )
    }
}

fn off_in_u(consensus: Option<&Consensus>, places: &[usize], bench: usize) -> Option<f64> {
    let at = places.iter().position(|place| *place == bench)?;
    consensus?.off_in_u.get(at).copied()
}

/// Reads results and tables and compares them.
///
/// A file is a result document (of `reduce --json` or `demo --json`) or a table of readings. Of a folder all result documents
/// are taken, in its folders too; a folder without any gives its tables named `readings`, with `bench.toml` beside
/// them where there is one.
///
/// # Errors
/// No path gives a result: the first reason. A single file that gives none is only listed.
pub fn class(
    paths: &[PathBuf],
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<Class, SessionError> {
    let mut class = Class::default();
    let mut files: Vec<(PathBuf, bool)> = Vec::new();
    for path in paths {
        if path.is_dir() {
            files_of(path, 0, &mut files)?;
        } else {
            files.push((path.clone(), true));
        }
    }
    let total = files.len();
    for (done, (path, asked_for)) in files.into_iter().enumerate() {
        match bench_of(&path) {
            Ok(Some(bench)) => class.benches.push(bench),
            Ok(None) if asked_for => class.refused.push((
                path,
                "is neither a result nor a table of readings; write a result with: lineturn reduce READINGS.csv --json > FILE".to_owned(),
            )),
            // A folder holds calibrations and truth files too.
            Ok(None) => {}
            Err(error) => class.refused.push((path, error.to_string())),
        }
        progress(done + 1, total);
    }
    if class.benches.is_empty() {
        return Err(SessionError::Footage(match class.refused.first() {
            Some((path, why)) => refusal(path, why),
            None => format!(
                "{} holds no result; give files written by `lineturn reduce READINGS.csv --json`, or folders of them",
                paths
                    .first()
                    .map_or_else(String::new, |path| path.display().to_string())
            ),
        }));
    }
    class.benches.sort_by_key(|bench| natural(&bench.name));
    compare(&mut class);
    Ok(class)
}

/// Why a file gave no result, as a sentence that names it once.
#[must_use]
pub fn refusal(path: &Path, why: &str) -> String {
    let name = path.display().to_string();
    if why.starts_with(&name) {
        why.to_owned()
    } else {
        format!("{name} {why}")
    }
}

/// Name with its numbers filled up, so that 10 comes after 9.
fn natural(name: &str) -> String {
    let mut out = String::new();
    let mut digits = String::new();
    for c in name.chars().chain(std::iter::once('\0')) {
        if c.is_ascii_digit() {
            digits.push(c);
            continue;
        }
        if !digits.is_empty() {
            out.push_str(&format!("{digits:0>20}"));
            digits.clear();
        }
        out.extend(c.to_lowercase());
    }
    out
}

fn files_of(
    folder: &Path,
    depth: usize,
    files: &mut Vec<(PathBuf, bool)>,
) -> Result<(), SessionError> {
    let unreadable = |error: std::io::Error| {
        SessionError::Footage(format!(
            "{} cannot be read ({error}); check the path",
            folder.display(),
            error = said(&error)
        ))
    };
    let mut entries: Vec<PathBuf> = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(unreadable)? {
        entries.push(entry.map_err(unreadable)?.path());
    }
    entries.sort();
    let ends = |path: &Path, ending: &str| {
        path.extension()
            .is_some_and(|found| found.eq_ignore_ascii_case(ending))
    };
    let results: Vec<&PathBuf> = entries
        .iter()
        .filter(|path| path.is_file() && ends(path, "json") && looks_like_a_result(path))
        .collect();
    if results.is_empty() {
        let table = |path: &&PathBuf| {
            path.is_file()
                && ends(path, "csv")
                && path.file_stem().is_some_and(|stem| {
                    stem.to_string_lossy()
                        .to_lowercase()
                        .starts_with("readings")
                })
        };
        files.extend(
            entries
                .iter()
                .filter(table)
                .map(|path| (path.clone(), true)),
        );
    } else {
        files.extend(results.into_iter().map(|path| (path.clone(), false)));
    }
    if depth < DEEPEST {
        for inside in entries.iter().filter(|path| path.is_dir()) {
            files_of(inside, depth + 1, files)?;
        }
    }
    Ok(())
}

/// Whether a file says that it is a result, wherever in it: programs that save a document again may sort its fields. What
/// can't be read counts, so that it is named.
fn looks_like_a_result(path: &Path) -> bool {
    std::fs::read_to_string(path).map_or(true, |text| {
        text.contains("\"lineturn\"") && (text.contains("\"reduce\"") || text.contains("\"demo\""))
    })
}

/// The bench of a file; none where it is another kind of document.
fn bench_of(path: &Path) -> Result<Option<ClassBench>, SessionError> {
    let is_table = path
        .extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("csv"));
    let bench = if is_table {
        Some(from_table(path)?)
    } else {
        let wrong = |what: String| SessionError::Footage(what);
        let text = std::fs::read_to_string(path).map_err(|error| {
            wrong(format!(
                "cannot be read ({error}); check the path",
                error = said(&error)
            ))
        })?;
        let value: Value = serde_json::from_str(text.trim_start_matches('\u{feff}'))
            .map_err(|error| wrong(format!("is no result document ({error}); write one with: lineturn reduce READINGS.csv --json > FILE")))?;
        from_document(&value)
    };
    Ok(bench.map(|bench| {
        let name = name_of(path);
        let (date, of) = date_and_bench(path, &name);
        ClassBench {
            date: bench.date.clone().or(date),
            bench: if bench.bench.is_empty() {
                of
            } else {
                bench.bench.clone()
            },
            name,
            path: path.to_owned(),
            ..bench
        }
    }))
}

fn name_of(path: &Path) -> String {
    const USUAL: [&str; 6] = ["readings", "result", "results", "reduce", "reduced", "demo"];
    let text = |part: Option<&std::ffi::OsStr>| part.map(|p| p.to_string_lossy().into_owned());
    let stem = text(path.file_stem()).unwrap_or_default();
    if !USUAL.contains(&stem.to_lowercase().as_str()) {
        return stem;
    }
    let whole = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    text(whole.parent().and_then(Path::file_name)).unwrap_or(stem)
}

fn from_table(path: &Path) -> Result<ClassBench, SessionError> {
    let profile_path = path
        .parent()
        .unwrap_or_else(|| Path::new(""))
        .join("bench.toml");
    let profile = if profile_path.is_file() {
        read_bench(&profile_path, true)?
    } else {
        super::BenchProfile::default()
    };
    let options = ReduceOptions::of_bench(&profile);
    let found = reduce(path, &options, &|_, _| {})?;
    let reduction = &found.reduction;
    let pair = |m: &crate::basics::uncertainty::Measured| (m.value(), m.u());
    let standard = reduction.standard.as_ref();
    let angle = &reduction.prism_angle_deg;
    Ok(ClassBench {
        n_d: standard.map(|s| pair(&s.n_d)),
        abbe_number: standard.and_then(|s| s.abbe_number.as_ref()).map(pair),
        prism_angle: Some((angle.value(), angle.u() * ARCSEC_PER_DEG)),
        lines: reduction
            .lines
            .iter()
            .map(|line| ClassLine {
                line: line.line.clone(),
                wavelength_nm: line.wavelength.in_air_nm(),
                n: pair(&line.index),
            })
            .collect(),
        slips: reduction
            .explained
            .slips
            .iter()
            .map(|slip| slip.sentence.clone())
            .collect(),
        cautions: found.cautions.len(),
        bench: options.bench.unwrap_or_default(),
        ..ClassBench::default()
    })
}

/// The bench of a result document; none where the document is of another kind.
fn from_document(document: &Value) -> Option<ClassBench> {
    if !matches!(document["kind"].as_str(), Some("reduce" | "demo")) {
        return None;
    }
    let pair = |of: &Value, name: &str, u: &str| -> Option<(f64, f64)> {
        let found = (of[name].as_f64()?, of[u].as_f64()?);
        (found.0.is_finite() && found.1.is_finite() && found.1 > 0.0).then_some(found)
    };
    let list = |of: &Value| of.as_array().cloned().unwrap_or_default();
    let text = |name: &str| document[name].as_str().map(str::to_owned);
    Some(ClassBench {
        bench: text("bench").unwrap_or_default(),
        date: text("measured_on"),
        n_d: pair(document, "n_d", "u_n_d"),
        abbe_number: pair(document, "abbe_number", "u_abbe_number"),
        prism_angle: pair(document, "prism_angle_deg", "u_prism_angle_arcsec"),
        lines: list(&document["lines"])
            .iter()
            .filter_map(|line| {
                Some(ClassLine {
                    line: line["line"].as_str().unwrap_or_default().to_owned(),
                    wavelength_nm: line["wavelength_nm"].as_f64()?,
                    n: pair(line, "n", "u_n")?,
                })
            })
            .collect(),
        slips: list(&document["slips"])
            .iter()
            .filter_map(|slip| slip["message"].as_str().map(str::to_owned))
            .collect(),
        cautions: list(&document["warnings"]).len(),
        ..ClassBench::default()
    })
}

/// Fills in the consensus, who stands out and why that may be.
fn compare(class: &mut Class) {
    let with =
        |value: &dyn Fn(&ClassBench) -> Option<(f64, f64)>| -> (Vec<usize>, Option<Consensus>) {
            let (places, results): (Vec<usize>, Vec<(f64, f64)>) = class
                .benches
                .iter()
                .enumerate()
                .filter_map(|(place, bench)| value(bench).map(|found| (place, found)))
                .unzip();
            let agreed = consensus(&results);
            (places, agreed)
        };
    let (benches_with_n_d, n_d) = with(&|bench| bench.n_d);
    let (benches_with_abbe_number, abbe_number) = with(&|bench| bench.abbe_number);
    class.n_d = n_d;
    class.benches_with_n_d = benches_with_n_d;
    class.abbe_number = abbe_number;
    class.benches_with_abbe_number = benches_with_abbe_number;
    let line_offs = line_offs(&class.benches);
    let limit = |consensus: &Option<Consensus>| {
        consensus
            .as_ref()
            .map_or(f64::INFINITY, |c| c.stands_out_from)
    };
    let (limit_n, limit_v) = (limit(&class.n_d), limit(&class.abbe_number));
    let verdicts: Vec<(bool, Option<String>)> = (0..class.benches.len())
        .map(|place| {
            let out = class
                .n_d_off_in_u(place)
                .is_some_and(|off| off.abs() > limit_n)
                || class
                    .abbe_number_off_in_u(place)
                    .is_some_and(|off| off.abs() > limit_v);
            let Some(bench) = class.benches.get(place).filter(|_| out) else {
                return (out, None);
            };
            let offs = line_offs.get(place).map_or(&[][..], Vec::as_slice);
            (out, why(bench, offs))
        })
        .collect();
    class.over_time = over_time(class);
    for (bench, (stands_out, likely)) in class.benches.iter_mut().zip(verdicts) {
        bench.stands_out = stands_out;
        bench.likely = likely;
    }
}

/// How far the index of a line lies from the class.
struct LineOff {
    line: usize,
    off: f64,
    off_in_u: f64,
    stands_out: bool,
}

/// For each bench, its lines against the consensus of the same line in the class.
fn line_offs(benches: &[ClassBench]) -> Vec<Vec<LineOff>> {
    let mut all: Vec<(f64, usize, usize, (f64, f64))> = benches
        .iter()
        .enumerate()
        .flat_map(|(place, bench)| {
            bench
                .lines
                .iter()
                .enumerate()
                .map(move |(index, line)| (line.wavelength_nm, place, index, line.n))
        })
        .collect();
    all.sort_by(|one, other| one.0.total_cmp(&other.0));
    let mut offs: Vec<Vec<LineOff>> = benches.iter().map(|_| Vec::new()).collect();
    for group in all.chunk_by(|one, other| (other.0 - one.0).abs() < SAME_LINE_WITHIN_NM) {
        let results: Vec<(f64, f64)> = group.iter().map(|(_, _, _, n)| *n).collect();
        let Some(agreed) = consensus(&results) else {
            continue;
        };
        for (at, (_, place, line, n)) in group.iter().enumerate() {
            if let (Some(list), Some(off_in_u)) = (offs.get_mut(*place), agreed.off_in_u.get(at)) {
                list.push(LineOff {
                    line: *line,
                    off: n.0 - agreed.value,
                    off_in_u: *off_in_u,
                    stands_out: agreed.stands_out(at),
                });
            }
        }
    }
    offs
}

/// Why a bench may stand out.
fn why(bench: &ClassBench, offs: &[LineOff]) -> Option<String> {
    if let Some(own) = bench.slips.first() {
        return Some(own.clone());
    }
    let (angle, _) = bench.prism_angle?;
    let out: Vec<&LineOff> = offs.iter().filter(|off| off.stands_out).collect();
    // Most lines to one side: the refracting angle; one or two: those lines.
    let one_side = out.iter().all(|off| off.off > 0.0) || out.iter().all(|off| off.off < 0.0);
    let common = out.len() > offs.len() / 2 && one_side;
    let worst = out
        .iter()
        .max_by(|one, other| one.off_in_u.abs().total_cmp(&other.off_in_u.abs()))?;
    let line = bench.lines.get(worst.line)?;
    let deviation = deviation_at_minimum_deg(angle, line.n.0)?;
    let words = likely_slip(worst.off, line.n.1, angle, deviation, common);
    let whose = if common {
        "all lines are off to one side, so look at the refracting angle".to_owned()
    } else {
        format!("the line {} is off", line_name(line))
    };
    Some(match words {
        Some(words) => format!("{whose}: {words}"),
        None => whose,
    })
}

fn line_name(line: &ClassLine) -> String {
    if line.line.is_empty() {
        format!(
            "{:.1} nm",
            Wavelength::air_nm(line.wavelength_nm).in_air_nm()
        )
    } else {
        line.line.clone()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    fn document(n_d: f64, off_line: f64) -> Value {
        serde_json::json!({
            "lineturn": "0.1.0", "kind": "reduce", "schema": 1, "complete": true, "warnings": [{}],
            "prism_angle_deg": 60.0, "u_prism_angle_arcsec": 10.0,
            "n_d": n_d, "u_n_d": 5e-5, "abbe_number": 36.4, "u_abbe_number": 0.2,
            "lines": [
                {"line": "e", "wavelength_nm": 546.075, "n": n_d + 0.004, "u_n": 5e-5},
                {"line": "g", "wavelength_nm": 435.8335, "n": n_d + 0.022 + off_line, "u_n": 5e-5},
                {"line": "h", "wavelength_nm": 404.6565, "n": n_d + 0.0306, "u_n": 5e-5},
            ],
        })
    }

    fn class_of(documents: &[Value]) -> Class {
        let mut class = Class {
            benches: documents
                .iter()
                .enumerate()
                .map(|(k, d)| ClassBench {
                    name: format!("bench {k}"),
                    ..from_document(d).unwrap()
                })
                .collect(),
            ..Class::default()
        };
        compare(&mut class);
        class
    }

    #[test]
    fn a_bench_with_a_slip_is_named() {
        let spread = [0.0, 3e-5, -4e-5, 5e-5, -2e-5, 1e-5, -6e-5];
        let mut documents: Vec<Value> = spread.iter().map(|s| document(1.62 + s, 0.0)).collect();
        assert!(class_of(&documents).benches.iter().all(|b| !b.stands_out));
        // A half-degree mark missed in one window of a face turns A by 0.125 degrees: dn/dA is about -0.0142 per degree.
        documents.push(document(1.62 - 0.125 * 0.01424, 0.0));
        let class = class_of(&documents);
        let out: Vec<usize> = (0..8).filter(|k| class.benches[*k].stands_out).collect();
        assert_eq!(out, [7]);
        let likely = class.benches[7].likely.clone().unwrap();
        assert!(
            likely.contains("half-degree") && likely.contains("face"),
            "{likely}"
        );
        let agreed = class.n_d.unwrap();
        assert!(
            (agreed.value - 1.62).abs() < 4e-5 && agreed.u < 4e-5,
            "{agreed:?}"
        );
    }

    /// One bench on six days, with an index that creeps, among steady ones.
    #[test]
    fn a_bench_that_creeps_is_told() {
        let mut class = Class::default();
        for k in 0..24_u32 {
            let (bench, visit) = (k % 4, k / 4);
            let creep = if bench == 2 {
                1.2e-4 * f64::from(visit)
            } else {
                0.0
            };
            let mut result = document(1.62 + creep + 1e-5 * f64::from(k % 3), 0.0);
            result["bench"] = format!("Bench {bench}").into();
            result["measured_on"] = format!("2026-0{}-11", visit + 1).into();
            class.benches.push(from_document(&result).unwrap());
        }
        compare(&mut class);
        assert_eq!(class.over_time.len(), 4);
        for (k, bench) in class.over_time.iter().enumerate() {
            assert_eq!(bench.results.len(), 6);
            assert_eq!(bench.drift.drifts, k == 2, "{bench:?}");
        }
        let (per_day, _) = class.over_time[2].drift.per_day.unwrap();
        assert!((per_day * 30.2 - 1.2e-4).abs() < 1e-5, "{per_day}");
        assert_eq!(class.over_time[2].results[0].0, "2026-01-11");
    }

    #[test]
    fn other_documents_are_not_results() {
        assert_eq!(from_document(&serde_json::json!({"kind": "scale"})), None);
        let bare = from_document(&serde_json::json!({"kind": "reduce", "n_d": null})).unwrap();
        assert_eq!(bare.n_d, None);
        assert!(natural("bench 10") > natural("bench 9"));
    }
}
