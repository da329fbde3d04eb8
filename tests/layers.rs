//! House rules that hold everywhere, read off the sources: who may import whom, how long a file may be.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Each layer may import from those before it, and from itself.
const LAYERS: [&str; 10] =
    ["units", "sample", "device", "fusion", "detect", "tone", "record", "review", "daemon", "cli"];
/// What a layer may not import although it stands below: a tone knows no swing and no link.
const NEVER: [(&str, &[&str]); 1] = [("tone", &["sample", "device", "fusion", "detect"])];
/// Longest file, in lines.
const LONGEST_FILE: usize = 500;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// All Rust files below a folder of the project.
fn rust_files(folder: &str) -> Vec<PathBuf> {
    let mut files = Vec::new();
    let mut folders = vec![root().join(folder)];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            match path.extension().and_then(|ending| ending.to_str()) {
                Some("rs") => files.push(path),
                _ if path.is_dir() => folders.push(path),
                _ => {}
            }
        }
    }
    files
}

/// The layer that a source file belongs to; none for `lib.rs` and `main.rs`.
fn layer_of(path: &Path) -> Option<usize> {
    let inside = path.strip_prefix(root().join("src")).unwrap();
    let first = inside.components().next().unwrap().as_os_str().to_str().unwrap();
    LAYERS.iter().position(|layer| *layer == first.trim_end_matches(".rs"))
}

/// The names that stand behind `crate::` in a text, those in braces included.
fn imports(text: &str) -> BTreeSet<String> {
    let name = |text: &str| text.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect::<String>();
    let mut found = BTreeSet::new();
    for rest in text.split("crate::").skip(1) {
        match rest.strip_prefix('{') {
            Some(list) => {
                let mut depth = 0;
                for part in list.split_inclusive([',', '{', '}']) {
                    if depth == 0 && part != "," {
                        found.insert(name(part.trim_start()));
                    }
                    depth += part.matches('{').count() as i32 - part.matches('}').count() as i32;
                    if depth < 0 {
                        break;
                    }
                }
            }
            None => drop(found.insert(name(rest))),
        }
    }
    found
}

#[test]
fn imports_are_read_in_both_forms() {
    let found = imports("use crate::{units::{A, B}, sample::C};\nlet x = crate::fusion::y();");
    assert_eq!(found, ["fusion", "sample", "units"].map(str::to_owned).into());
}

#[test]
fn a_layer_imports_only_from_those_above_it() {
    let mut wrong = Vec::new();
    for path in rust_files("src") {
        let Some(layer) = layer_of(&path) else { continue };
        let never = NEVER.iter().find(|(name, _)| *name == LAYERS[layer]).map_or(&[][..], |(_, list)| list);
        for import in imports(&std::fs::read_to_string(&path).unwrap()) {
            let Some(other) = LAYERS.iter().position(|name| *name == import) else { continue };
            if other > layer || never.contains(&import.as_str()) {
                wrong.push(format!("{}: {} may not import {import}", path.display(), LAYERS[layer]));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_file_starts_with_its_job_and_stays_short() {
    let mut wrong = Vec::new();
    for path in
        rust_files("src").into_iter().chain(rust_files("firmware-protocol/src")).chain(rust_files("tests"))
    {
        let text = std::fs::read_to_string(&path).unwrap();
        if !text.starts_with("//! ") {
            wrong.push(format!("{}: no header that says its job", path.display()));
        }
        if text.lines().count() > LONGEST_FILE {
            wrong.push(format!("{}: {} lines, at most {LONGEST_FILE}", path.display(), text.lines().count()));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
