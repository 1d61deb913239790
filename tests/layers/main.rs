//! A stage may use the stages before it and never those after it.

use std::path::Path;

/// The stages in the order of the flow.
const STAGES: [&str; 18] = [
    "error",
    "files",
    "numeric",
    "season",
    "spectra",
    "colorimetry",
    "signal",
    "calibration",
    "ledger",
    "features",
    "classify",
    "evaluation",
    "threshold",
    "strip",
    "planning",
    "simulation",
    "report",
    "steps",
];

fn rank(stage: &str) -> Option<usize> {
    STAGES.iter().position(|s| *s == stage)
}

fn rust_files(folder: &Path, found: &mut Vec<std::path::PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            rust_files(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

/// The stages that a line of code names through `crate::`, several in braces among them.
fn named_stages(line: &str) -> Vec<String> {
    let mut named = Vec::new();
    for (at, _) in line.match_indices("crate::") {
        let rest = &line[at + "crate::".len()..];
        let parts = match rest.strip_prefix('{') {
            Some(list) => list.split('}').next().unwrap_or("").split(',').collect(),
            None => vec![rest],
        };
        for part in parts {
            let name: String = part
                .trim()
                .chars()
                .take_while(|c| c.is_alphanumeric() || *c == '_')
                .collect();
            named.push(name);
        }
    }
    named
}

fn forward_imports(stage: &str, text: &str) -> Vec<(usize, String)> {
    let own = rank(stage).unwrap();
    let mut wrong = Vec::new();
    for (number, line) in text.lines().enumerate() {
        if line.trim_start().starts_with("//") {
            continue;
        }
        for named in named_stages(line) {
            if rank(&named).is_some_and(|r| r > own) {
                wrong.push((number + 1, named));
            }
        }
    }
    wrong
}

#[test]
fn no_stage_uses_a_later_one() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    rust_files(&source, &mut files);
    let mut wrong = Vec::new();
    for file in files {
        let inside = file.strip_prefix(&source).unwrap();
        let first = inside
            .iter()
            .next()
            .unwrap()
            .to_string_lossy()
            .replace(".rs", "");
        if rank(&first).is_none() {
            continue;
        }
        let text = std::fs::read_to_string(&file).unwrap();
        for (line, named) in forward_imports(&first, &text) {
            wrong.push(format!("{}:{line} uses {named}", inside.display()));
        }
    }
    assert!(
        wrong.is_empty(),
        "stages that use a later one:\n{}",
        wrong.join("\n")
    );
}

#[test]
fn every_folder_of_the_library_has_its_rank() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    for entry in std::fs::read_dir(source).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_stem().unwrap().to_string_lossy().to_string();
        let known = rank(&name).is_some() || ["lib", "main", "command"].contains(&name.as_str());
        assert!(known, "give {name} its place in STAGES");
    }
}

#[test]
fn a_forward_import_is_seen() {
    let text = "use crate::{files, report::Figure};\nlet x = crate::steps::run();\n";
    assert_eq!(
        forward_imports("ledger", text),
        [(1, "report".to_string()), (2, "steps".to_string())]
    );
}

#[test]
fn the_library_prints_nothing() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    rust_files(&source, &mut files);
    for file in files {
        let inside = file.strip_prefix(&source).unwrap().to_path_buf();
        if inside.starts_with("command") || inside == Path::new("main.rs") {
            continue;
        }
        let text = std::fs::read_to_string(&file).unwrap();
        for (number, line) in text.lines().enumerate() {
            let code = line.trim_start();
            let prints = ["println!", "print!(", "eprintln!", "eprint!(", "dbg!("]
                .iter()
                .any(|p| code.contains(p));
            assert!(
                !prints || code.starts_with("//"),
                "{}:{}: the library writes to the terminal",
                inside.display(),
                number + 1
            );
        }
    }
}
