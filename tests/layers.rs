//! One direction only: a module uses lower layers, never a higher one, and no stage uses another.
//! Within a module files do not use each other in circles.

mod circles;

use std::fs;
use std::path::Path;

/// Module and rank. Equal ranks may not use each other.
const RANKS: &[(&str, u32)] = &[
    ("frame", 0),
    ("math", 10),
    ("record", 11),
    ("optics", 11),
    ("footage", 12),
    ("sensor", 20),
    ("register", 20),
    ("labels", 20),
    ("plan", 20),
    ("measure", 22),
    ("stages", 25),
    ("pipeline", 30),
    ("engine", 40),
    ("night", 50),
    ("report", 50),
    ("day", 55),
    ("simulate", 50),
    ("cli", 60),
];

fn rank(module: &str) -> Option<u32> {
    RANKS.iter().find(|(m, _)| *m == module).map(|&(_, r)| r)
}

/// The module of a file below src: "frame" for src/frame/units.rs and for src/frame.rs.
fn module_of(path: &Path) -> Option<String> {
    let inside = path.strip_prefix("src").ok()?;
    let first = inside.components().next()?.as_os_str().to_str()?;
    Some(first.trim_end_matches(".rs").to_owned())
}

fn rust_files(dir: &Path, out: &mut Vec<std::path::PathBuf>) {
    for entry in fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            rust_files(&path, out);
        } else if path.extension().is_some_and(|e| e == "rs") {
            out.push(path);
        }
    }
}

/// All names after `crate::` on a line: handles `crate::a::b` and `crate::{a, b}`.
fn uses(line: &str) -> Vec<String> {
    let code = line.split("//").next().unwrap_or("");
    let mut found = Vec::new();
    for (at, _) in code.match_indices("crate::") {
        let rest = &code[at + 7..];
        let word = |s: &str| -> String {
            s.trim().chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect()
        };
        match rest.strip_prefix('{') {
            Some(list) => found.extend(list.split(['}', ',']).map(word)),
            None => found.push(word(rest)),
        }
    }
    found.retain(|w| !w.is_empty());
    found
}

#[test]
fn modules_use_only_lower_layers() {
    let mut files = Vec::new();
    rust_files(Path::new("src"), &mut files);
    assert!(files.len() > 10, "the walk found only {} files", files.len());
    let mut faults = Vec::new();
    for file in &files {
        let Some(module) = module_of(file) else { continue };
        let Some(own) = rank(&module) else {
            if !matches!(module.as_str(), "lib" | "main") {
                faults.push(format!("{}: module {module} has no rank", file.display()));
            }
            continue;
        };
        let stage = (module == "stages" && file.file_stem().is_some_and(|s| s != "mod"))
            .then(|| file.file_stem().unwrap().to_str().unwrap().to_owned());
        for (n, line) in fs::read_to_string(file).unwrap().lines().enumerate() {
            for used in uses(line) {
                if used != module && rank(&used).is_some_and(|r| r >= own) {
                    faults.push(format!(
                        "{}:{}: {module} uses {used}, which is not below it",
                        file.display(),
                        n + 1
                    ));
                }
            }
            if let Some(stage) = &stage
                && let Some(at) = line.find("crate::stages::")
            {
                let next: String = line[at + 15..]
                    .chars()
                    .take_while(|c| c.is_alphanumeric() || *c == '_')
                    .collect();
                let sibling = Path::new("src/stages").join(format!("{next}.rs")).exists();
                if sibling && next != *stage {
                    faults.push(format!(
                        "{}:{}: stage {stage} uses stage {next}",
                        file.display(),
                        n + 1
                    ));
                }
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn the_reader_of_uses_sees_both_forms() {
    assert_eq!(uses("use crate::{frame::Plane, math};"), ["frame", "math"]);
    assert_eq!(uses("let a = crate::engine::run();"), ["engine"]);
    assert!(uses("// crate::cli").is_empty());
}

#[test]
fn files_of_a_module_do_not_use_each_other_in_circles() {
    let uses = circles::Sources::read(Path::new("src")).uses();
    let found: usize = uses.values().map(|u| u.len()).sum();
    assert!(found > 300, "the walk found only {found} uses");
    let told: Vec<String> =
        circles::circles(&uses).iter().map(|circle| circles::words(&uses, circle)).collect();
    assert!(told.is_empty(), "{}", told.join("\n"));
}
