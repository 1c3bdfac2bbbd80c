//! The order of the stages, kept by a test: data flow one way, and `session` alone joins the stages.

use std::fs;
use std::path::{Path, PathBuf};

/// Who may use whom. What a stage's own folder holds it may use anyway.
const MAY_USE: &[(&str, &[&str])] = &[
    ("basics", &[]),
    ("capture", &["basics"]),
    ("find", &["basics"]),
    ("follow", &["basics", "find"]),
    ("logbook", &["basics", "follow"]),
    ("prism", &["basics"]),
    (
        "session",
        &["basics", "capture", "find", "follow", "logbook", "prism"],
    ),
    ("report", &["basics", "session"]),
    ("simulate", &["basics"]),
    ("serve", &["basics", "session", "report"]),
    ("cli", &["basics", "session", "report", "serve", "simulate"]),
];

/// Of `basics`, practice footage may use only these: a fit or a formula shared with the analysis would hide its mistakes.
const SIMULATE_MAY_USE_OF_BASICS: &[&str] = &["frame", "units"];

fn sources() -> Vec<PathBuf> {
    fn walk(folder: &Path, found: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).expect("the source folder can be read") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                walk(&path, found);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                found.push(path);
            }
        }
    }
    let mut found = Vec::new();
    walk(&root().join("src"), &mut found);
    let only_tests: Vec<PathBuf> = found.iter().flat_map(|path| test_modules(path)).collect();
    found.retain(|path| !only_tests.contains(path));
    assert!(found.len() > 20, "only {} source files found", found.len());
    found
}

/// Files that the file at `path` declares as modules for tests only.
fn test_modules(path: &Path) -> Vec<PathBuf> {
    let text = fs::read_to_string(path).expect("a source file");
    let folder = path.parent().expect("a folder");
    let mut modules = Vec::new();
    for (at, _) in text.match_indices("#[cfg(test)]") {
        let item = text[at + "#[cfg(test)]".len()..]
            .lines()
            .map(str::trim)
            .find(|line| !line.is_empty() && !line.starts_with("#[") && !line.starts_with("//"));
        if let Some(name) = item.and_then(|item| item.strip_prefix("mod ")?.strip_suffix(';')) {
            modules.push(folder.join(format!("{name}.rs")));
        }
    }
    modules
}

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// The part of a file that is compiled into the program: its tests stand at its foot.
fn without_tests(text: &str) -> &str {
    text.find("#[cfg(test)]").map_or(text, |at| &text[..at])
}

/// Words that stand behind `crate::` in a text, each with the word behind that: `use crate::{a, b}` counts as both.
fn crate_uses(text: &str) -> Vec<(String, Option<String>)> {
    let code: String = text
        .lines()
        .filter(|line| !line.trim_start().starts_with("//"))
        .collect::<Vec<_>>()
        .join("\n");
    let word = |text: &str| -> String {
        text.chars()
            .take_while(|c| c.is_alphanumeric() || *c == '_')
            .collect()
    };
    let mut uses = Vec::new();
    for (at, _) in code.match_indices("crate::") {
        let rest = &code[at + "crate::".len()..];
        let names: Vec<&str> = match rest.strip_prefix('{') {
            Some(group) => group
                .split('}')
                .next()
                .unwrap_or("")
                .split(',')
                .map(str::trim)
                .collect(),
            None => vec![rest],
        };
        for name in names {
            let first = word(name);
            let second = name[first.len()..]
                .strip_prefix("::")
                .map(word)
                .filter(|second| !second.is_empty());
            if !first.is_empty() {
                uses.push((first, second));
            }
        }
    }
    uses
}

fn stage_of(path: &Path) -> Option<String> {
    let inside = path.strip_prefix(root().join("src")).expect("below src");
    let first = inside.components().next()?.as_os_str().to_str()?;
    (inside.components().count() > 1).then(|| first.to_owned())
}

fn complaints(stage: &str, text: &str) -> Vec<String> {
    let (_, allowed) = MAY_USE
        .iter()
        .find(|(name, _)| *name == stage)
        .expect("a stage of the table");
    let mut complaints = Vec::new();
    for (used, part) in crate_uses(without_tests(text)) {
        if used == stage {
            continue;
        }
        if !allowed.contains(&used.as_str()) {
            complaints.push(format!("{stage} uses {used}"));
        }
        if stage == "simulate"
            && used == "basics"
            && !part
                .as_deref()
                .is_some_and(|part| SIMULATE_MAY_USE_OF_BASICS.contains(&part))
        {
            complaints.push(format!(
                "simulate uses basics::{}",
                part.unwrap_or_default()
            ));
        }
    }
    complaints
}

#[test]
fn stages_use_only_what_stands_before_them() {
    let mut all = Vec::new();
    for path in sources() {
        let Some(stage) = stage_of(&path) else {
            continue;
        };
        let text = fs::read_to_string(&path).expect("a source file");
        all.extend(
            complaints(&stage, &text)
                .into_iter()
                .map(|complaint| format!("{}: {complaint}", path.display())),
        );
    }
    assert!(all.is_empty(), "{}", all.join("\n"));
}

#[test]
fn the_order_test_sees_a_breach() {
    assert_eq!(
        complaints("find", "use crate::follow::Side;"),
        ["find uses follow"]
    );
    assert_eq!(
        complaints("prism", "use crate::{basics::units, logbook::scale};"),
        ["prism uses logbook"]
    );
    assert_eq!(
        complaints("simulate", "use crate::basics::fit::line;"),
        ["simulate uses basics::fit"]
    );
    assert!(
        complaints(
            "follow",
            "use crate::find::Line;\n// crate::prism\n#[cfg(test)] use crate::simulate;"
        )
        .is_empty()
    );
}

#[test]
fn every_file_says_what_it_is() {
    for path in sources() {
        let text = fs::read_to_string(&path).expect("a source file");
        assert!(
            text.starts_with("//!"),
            "{} has no head comment",
            path.display()
        );
    }
    for (stage, _) in MAY_USE {
        let text = fs::read_to_string(root().join("src").join(stage).join("mod.rs"))
            .expect("a stage's face");
        let head = text
            .lines()
            .take_while(|line| line.starts_with("//!"))
            .count();
        assert!(
            head >= 4,
            "src/{stage}/mod.rs does not say what goes in, what comes out and when it refuses"
        );
    }
}

#[test]
fn no_path_of_a_machine_is_in_the_tree() {
    for path in sources() {
        let text = fs::read_to_string(&path).expect("a source file");
        for word in [
            concat!("/wo", "rk/"),
            concat!("/ro", "ot/"),
            concat!("/ho", "me/"),
        ] {
            assert!(!text.contains(word), "{} names {word}", path.display());
        }
    }
}
