//! The same bench on several days: which results are of one bench, and of which day.

use std::collections::BTreeMap;
use std::path::Path;

use jiff::civil::Date;

use super::Class;
use crate::prism::drift::{Drift, drift};

/// One bench over time.
#[derive(Clone, Debug, PartialEq)]
pub struct BenchOverTime {
    /// Name of the bench.
    pub bench: String,
    /// Its results by day: (date as year-month-day, place in the class's list).
    pub results: Vec<(String, usize)>,
    /// Days of `results` since the first result of the class that has a date.
    pub days: Vec<f64>,
    /// Its index at d against the consensus of the class.
    pub drift: Drift,
}

/// The first date in a text, written as year-month-day (ISO 8601), with the text less the date.
#[must_use]
pub(super) fn date_in(text: &str) -> Option<(String, String)> {
    const LETTERS: usize = 10;
    let starts = text.char_indices().map(|(at, _)| at);
    for at in starts {
        let Some(found) = text.get(at..at + LETTERS) else {
            continue;
        };
        if found.parse::<Date>().is_ok() {
            let rest = format!("{}{}", &text[..at], &text[at + LETTERS..]);
            let rest = rest.trim_matches(['-', '_', ' ', '.']).to_owned();
            return Some((found.to_owned(), rest));
        }
    }
    None
}

/// The date that the names of a file and of its folders tell, the nearest first, and the name of its bench: what is left of the
/// file's name, or the folder's where only the date was in it.
#[must_use]
pub(super) fn date_and_bench(path: &Path, name: &str) -> (Option<String>, String) {
    if let Some((date, rest)) = date_in(name) {
        let folder = || {
            let whole = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
            whole
                .parent()
                .and_then(Path::file_name)
                .map(|folder| folder.to_string_lossy().into_owned())
                .unwrap_or_default()
        };
        return (Some(date), if rest.is_empty() { folder() } else { rest });
    }
    let in_folder = path
        .ancestors()
        .skip(1)
        .filter_map(Path::file_name)
        .find_map(|folder| date_in(&folder.to_string_lossy()));
    (in_folder.map(|(date, _)| date), name.to_owned())
}

/// Days from a common zero; none of a text that is no date.
fn day(date: &str) -> Option<f64> {
    let date: Date = date.parse().ok()?;
    let zero = jiff::civil::date(2000, 1, 1);
    date.since(zero).ok().map(|span| f64::from(span.get_days()))
}

/// Benches with at least two dated indices at d, in the order of their names; empty without a consensus.
#[must_use]
pub(super) fn over_time(class: &Class) -> Vec<BenchOverTime> {
    let Some(agreed) = &class.n_d else {
        return Vec::new();
    };
    let mut groups: BTreeMap<&str, Vec<(f64, usize)>> = BTreeMap::new();
    for (place, bench) in class.benches.iter().enumerate() {
        if let (Some(day), Some(_)) = (bench.date.as_deref().and_then(day), bench.n_d) {
            groups.entry(&bench.bench).or_default().push((day, place));
        }
    }
    let first = groups
        .values()
        .flatten()
        .map(|(day, _)| *day)
        .fold(f64::INFINITY, f64::min);
    groups
        .into_iter()
        .filter_map(|(name, mut places)| {
            places.sort_by(|one, other| one.0.total_cmp(&other.0));
            let of = |place: usize| class.benches.get(place);
            let results: Vec<(f64, f64, f64)> = places
                .iter()
                .filter_map(|(day, place)| of(*place)?.n_d.map(|(n, u)| (*day, n, u)))
                .collect();
            Some(BenchOverTime {
                bench: name.to_owned(),
                results: places
                    .iter()
                    .filter_map(|(_, place)| Some((of(*place)?.date.clone()?, *place)))
                    .collect(),
                days: places.iter().map(|(day, _)| day - first).collect(),
                drift: drift(&results, (agreed.value, agreed.u))?,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_are_found_in_names() {
        let of = |path: &str, name: &str| date_and_bench(Path::new(path), name);
        let some = |date: &str, bench: &str| (Some(date.to_owned()), bench.to_owned());
        assert_eq!(
            of("x/bench-3_2026-03-01.json", "bench-3_2026-03-01"),
            some("2026-03-01", "bench-3")
        );
        assert_eq!(
            of("x/bench-3/2026-03-01.json", "2026-03-01"),
            some("2026-03-01", "bench-3")
        );
        assert_eq!(of("2026-03-02 lab/b7.json", "b7"), some("2026-03-02", "b7"));
        assert_eq!(of("x/b7.json", "b7"), (None, "b7".to_owned()));
        for none in ["2026-13-01", "2026-02-30", "20260301", "é2026-3-1", ""] {
            assert_eq!(date_in(none), None, "{none}");
        }
        assert_eq!(day("2000-01-31"), Some(30.0));
    }
}
