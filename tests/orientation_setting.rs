//! The filter between swings can be chosen, on the command line and in the settings.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
}

use support::binary::{code, errors, run};

const INPUT: &str = "recordings/left-handed.mcap";

fn analysed(more: &[&str]) -> serde_json::Value {
    let output = run(&[&["analyze", INPUT, "--json"], more].concat());
    serde_json::from_slice(&output.stdout).unwrap_or_else(|error| panic!("{error}: {}", errors(&output)))
}

fn sets_ms(object: &serde_json::Value) -> Vec<f64> {
    object["swings"].as_array().unwrap().iter().filter_map(|swing| swing["set_to_top_ms"].as_f64()).collect()
}

#[test]
fn the_command_line_and_the_settings_choose_the_same_filter() {
    let own = analysed(&[]);
    assert_eq!(analysed(&["--orientation", "own"]), own);
    let folder = tempfile::tempdir().unwrap();
    for method in ["madgwick", "mahony"] {
        let named = analysed(&["--orientation", method]);
        let file = folder.path().join("settings.toml");
        std::fs::write(&file, format!("orientation = \"{method}\"\n")).unwrap();
        let file = file.to_str().unwrap();
        assert_eq!(analysed(&["--settings", file]), named, "{method} in the settings");
        assert_eq!(analysed(&["--settings", file, "--orientation", "own"]), own, "the command line rules");
        // They know no bias, so the same swings come out with other numbers.
        let (theirs, ours) = (sets_ms(&named), sets_ms(&own));
        assert_eq!(theirs.len(), ours.len(), "{method}");
        assert_ne!(theirs, ours, "{method} was not used");
    }
}

#[test]
fn an_unknown_filter_is_named() {
    let output = run(&["analyze", INPUT, "--orientation", "gimbal"]);
    assert_eq!(code(&output), 2);
    assert!(
        errors(&output).contains("expected own, madgwick or mahony, found gimbal"),
        "{}",
        errors(&output)
    );
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("settings.toml");
    std::fs::write(&file, "orientation = \"gimbal\"\n").unwrap();
    let output = run(&["analyze", INPUT, "--settings", file.to_str().unwrap()]);
    assert_eq!(code(&output), 1);
    let told = errors(&output);
    assert!(told.contains("line 1, column 15") && told.contains("gimbal"), "{told}");
}
