//! A player's own arm and clubs count for that player's speeds, and the same ones on every screen: `speed`, `analyze`,
//! the page of a swing, and what changes are worth. Two players who swing alike differ by their measures alone.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/binary.rs"]
mod binary;
#[path = "support/shelf.rs"]
mod shelf;

use binary::{Running, code, errors, hingeclock, run};
use hingeclock::record::Recorded;
use serde_json::Value;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::LazyLock;

/// The same swings for every player: two with the iron, one with the driver.
static SWINGS: LazyLock<Vec<Recorded>> =
    LazyLock::new(|| shelf::recorded(&shelf::bucket(3, 3), &shelf::session("Ann", 0)));

const ANN: &str = "name = \"Ann\"\narm_length_m = 0.55\n[clubs]\niron = { length_m = 0.90 }\n";
const BEN: &str = "name = \"Ben\"\narm_length_m = 0.66\n[clubs]\nIron = { length_m = 1.00 }\n";

/// So much of a club lies above the middle of the hand and below the middle of the head.
const FROM_HAND_TO_ENDS_M: f64 = 0.09;

/// A library with a recording of each of these players, and their files.
fn library(players: &[(&str, &str)]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir(folder.path().join("players")).unwrap();
    for (hour, (name, file)) in players.iter().enumerate() {
        let session = shelf::session(name, 1_790_000_000_000 + 3_600_000 * hour as i64);
        shelf::put(folder.path(), &format!("{name}.mcap"), &session, &SWINGS);
        if !file.is_empty() {
            fs::write(file_of(folder.path(), name), file).unwrap();
        }
    }
    folder
}

fn file_of(folder: &Path, name: &str) -> PathBuf {
    folder.join("players").join(format!("{}.toml", name.to_lowercase()))
}

fn asked(command: &str, recording: &Path, more: &[&str]) -> Value {
    let output = run(&[&[command, recording.to_str().unwrap(), "--json"][..], more].concat());
    assert_eq!(code(&output), 0, "{}", errors(&output));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// The value of a figure of a swing, counted from 0.
fn figure(speed: &Value, swing: usize, name: &str) -> f64 {
    let figure = &speed["speed"]["swings"][swing]["figures"][name];
    figure["value"].as_f64().unwrap_or_else(|| panic!("{name}: {figure}"))
}

#[test]
fn each_players_own_arm_and_clubs_count() {
    let folder = library(&[("Ann", ANN), ("Ben", BEN), ("Wren", "")]);
    let speed = |name: &str, more: &[&str]| asked("speed", &folder.path().join(format!("{name}.mcap")), more);
    let [ann, ben, wren] = ["Ann", "Ben", "Wren"].map(|name| speed(name, &[]));
    assert_eq!(ann["speed"]["arm"]["arm_length_m"], 0.55);
    assert_eq!(ben["speed"]["swings"][0]["measures"]["length_m"], 1.0);
    assert_eq!(wren["speed"]["arm"]["arm_length_m"], 0.58);
    for swing in 0..2 {
        // The arm as a rod turns as fast, so the wrist goes as its length.
        let by_arm = figure(&ben, swing, "wrist_from_arm_mps") / figure(&ann, swing, "wrist_from_arm_mps");
        assert!((by_arm - 0.66 / 0.55).abs() < 2e-3, "{by_arm}");
        let [short, usual, long] = [&ann, &wren, &ben].map(|who| figure(who, swing, "head_mps"));
        assert!(short < usual && usual < long, "{short} {usual} {long}");
        // A club is stiff: a metre more gives what each metre from hand to head gives.
        let for_a_metre = (long - short) / 0.10;
        let for_each = (usual - figure(&wren, swing, "hand_mps")) / (0.94 - FROM_HAND_TO_ENDS_M);
        assert!((for_a_metre / for_each - 1.0).abs() < 0.15, "{for_a_metre} {for_each}");
    }
    // Neither file says anything of the driver, nor Wren's, who has none, of anything.
    let driver = |who: &Value| who["speed"]["swings"][2]["measures"].clone();
    assert_eq!((driver(&ann), driver(&ben)), (driver(&wren), driver(&wren)));
}

#[test]
fn the_file_goes_before_the_settings_value_by_value() {
    let folder = library(&[("Ann", ANN), ("Wren", "")]);
    let settings = folder.path().join("coach.toml");
    let text = "[player]\nname = \"Ann\"\n[arm]\narm_length_m = 0.61\nhand_length_m = 0.09\n\
                [clubs]\niron = { length_m = 0.93, mass_kg = 0.43 }\n[targets]\niron = { from = 0.0, to = 0.01 }\n";
    fs::write(&settings, text).unwrap();
    let with = ["--settings", settings.to_str().unwrap()];
    let ann = asked("speed", &folder.path().join("Ann.mcap"), &with);
    assert_eq!(ann["speed"]["arm"]["arm_length_m"], 0.55);
    assert_eq!(ann["speed"]["arm"]["hand_length_m"], 0.09);
    let iron = &ann["speed"]["swings"][0]["measures"];
    assert_eq!((&iron["length_m"], &iron["mass_kg"]), (&0.9.into(), &0.43.into()));
    // Whose recording it is the recording says; the settings' player has no say in it.
    let wren = asked("speed", &folder.path().join("Wren.mcap"), &with);
    assert_eq!(wren["speed"]["arm"]["arm_length_m"], 0.61);
    assert_eq!(wren["speed"]["swings"][0]["measures"]["length_m"], 0.93);
    // Windows go the same way: what the file does not say is that of the settings.
    let verdict = |name: &str| {
        asked("analyze", &folder.path().join(name), &with)["swings"][0]["verdict"]
            .as_str()
            .unwrap()
            .to_owned()
    };
    assert_eq!(verdict("Ann.mcap"), "late");
    fs::write(file_of(folder.path(), "Ann"), format!("{ANN}[targets]\niron = {{ from = 0.0, to = 1.9 }}\n"))
        .unwrap();
    assert_eq!((verdict("Ann.mcap").as_str(), verdict("Wren.mcap").as_str()), ("in-window", "late"));
    // In another folder nobody knows the player's file.
    let apart = tempfile::tempdir().unwrap();
    fs::copy(folder.path().join("Ann.mcap"), apart.path().join("Ann.mcap")).unwrap();
    let apart = asked("speed", &apart.path().join("Ann.mcap"), &[]);
    assert_eq!(apart["speed"]["arm"]["arm_length_m"], 0.58);
}

/// The library's page, served by the program; ends when it is dropped.
struct Page {
    address: String,
    _served: Running,
}

fn serve(folder: &Path) -> Page {
    let mut command = hingeclock(&["review", folder.to_str().unwrap(), "--page", "--page-port", "0"]);
    let mut served = Running(command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap());
    let mut said = BufReader::new(served.0.stderr.take().unwrap()).lines().map_while(Result::ok);
    let address = said.find_map(|line| {
        let at = line.split("http://").nth(1)?;
        Some(at.split('/').next().unwrap().to_owned())
    });
    std::thread::spawn(move || said.for_each(drop));
    Page { address: address.unwrap(), _served: served }
}

impl Page {
    /// Status and body of an answer.
    fn get(&self, path: &str) -> (u16, String) {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        let request = format!("GET {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n", self.address);
        stream.write_all(request.as_bytes()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        let (head, body) = answer.split_once("\r\n\r\n").unwrap();
        (head.split(' ').nth(1).unwrap().parse().unwrap(), body.to_owned())
    }
}

/// What stands in a row of the panel, with its bar.
fn shown(page: &str, row: &str) -> String {
    let row = page
        .split(&format!("<th scope=\"row\">{row}</th>"))
        .nth(1)
        .unwrap_or_else(|| panic!("{row} in {page}"));
    let cell = row.split("</td>").next().unwrap();
    let mut inside = false;
    let text = cell.chars().filter(|c| {
        inside = (inside || *c == '<') && *c != '>';
        !inside && *c != '>'
    });
    text.collect::<String>().replace('\u{a0}', " ").replace('−', "-")
}

/// The page's rows by the keys of the JSON, with what one of the JSON is in the page's unit.
const ROWS: [(&str, &str); 9] = [
    ("Head at the ball", "head_mps"),
    ("from body: the moving shoulder", "from_body_mps"),
    ("from arm", "from_arm_mps"),
    ("from wrist, released", "from_wrist_mps"),
    ("from roll of the forearm", "from_roll_mps"),
    ("Hand at the ball", "hand_mps"),
    ("Release, before the ball", "release_before_ball_ms"),
    ("Lean of the shaft at the ball, forward is positive", "shaft_lean_deg"),
    ("Attack, downward is negative", "attack_deg"),
];

/// Value and bar are those of the JSON to the last digit that is printed.
fn says_what_the_command_says(page: &str, speed: &Value, swing: usize) {
    for (row, key) in ROWS {
        let text = shown(page, row);
        let figure = &speed["speed"]["swings"][swing]["figures"][key];
        let mut printed = text.split(" ± ");
        for part in ["value", "sd"] {
            let number = printed.next().unwrap().trim_end_matches(|c: char| !c.is_ascii_digit()).to_owned();
            let decimals = number.split_once('.').map_or(0, |(_, after)| after.len() as i32);
            let expected = figure[part].as_f64().unwrap();
            let off = (number.parse::<f64>().unwrap() - expected).abs();
            // The JSON has two decimals itself.
            assert!(off <= 0.5 * 10_f64.powi(-decimals) + 0.005 + 1e-9, "{row}: {text} for {figure}");
        }
    }
}

#[test]
fn every_screen_has_the_same_speeds_for_the_same_recording() {
    let folder = library(&[("Ann", ANN), ("Ben", BEN)]);
    let page = serve(folder.path());
    for name in ["Ann", "Ben"] {
        let recording = folder.path().join(format!("{name}.mcap"));
        let speed = asked("speed", &recording, &["--what-if"]);
        assert_eq!(asked("analyze", &recording, &[])["speed"], speed["speed"]);
        let listed = run(&["library", "list", "--json", "--folder", folder.path().to_str().unwrap()]);
        let listed: Value = serde_json::from_slice(&listed.stdout).unwrap();
        let of =
            listed["buckets"].as_array().unwrap().iter().find(|bucket| bucket["player"] == name).unwrap();
        let bucket = format!("/bucket/{}", of["number"].as_str().unwrap());
        let analysis: Value = serde_json::from_str(&page.get(&format!("{bucket}/analysis.json")).1).unwrap();
        assert_eq!(analysis["speed"], speed["speed"]);
        for swing in [1, 3] {
            let (status, text) = page.get(&format!("{bucket}/swing/{swing}"));
            assert_eq!(status, 200);
            says_what_the_command_says(&text, &speed, swing - 1);
            let worth: Value =
                serde_json::from_str(&page.get(&format!("{bucket}/swing/{swing}/worth.json")).1).unwrap();
            let club = &worth["clubs"][0];
            let clubs = speed["what_if"]["clubs"].as_array().unwrap();
            assert_eq!(clubs.iter().find(|known| known["club"] == club["club"]), Some(club));
        }
    }
}

#[test]
fn a_file_that_is_wrong_is_told_and_costs_nothing_but_the_speeds() {
    let wrong = "name = \"Ann\"\n[clubs]\niron = { inertia_kgm2 = 0.0 }\n";
    let folder = library(&[("Ann", wrong), ("Ben", BEN)]);
    let recording = folder.path().join("Ann.mcap");
    let before = fs::read(&recording).unwrap();
    let told = "ann.toml, line 3, column 8: expected an inertia over S²/M";
    let check = |arguments: &[&str], status: i32| {
        let output = run(arguments);
        let said = errors(&output) + &String::from_utf8_lossy(&output.stdout).replace("\n  ", " ");
        assert_eq!(code(&output), status, "{arguments:?}: {said}");
        assert!(said.contains(told) && said.contains("found inertia_kgm2 0"), "{arguments:?}: {said}");
    };
    let path = recording.to_str().unwrap();
    check(&["speed", path], 1);
    check(&["speed", path, "--what-if", "--json"], 1);
    check(&["review", path], 0);
    check(&["library", "players", "--folder", folder.path().to_str().unwrap()], 1);
    let analysis = asked("analyze", &recording, &[]);
    assert_eq!((&analysis["speed"]["arm"], analysis["swings"].as_array().unwrap().len()), (&Value::Null, 3));
    assert!(analysis["speed"]["swings"][0]["why_not"].as_str().unwrap().contains(told), "{analysis}");
    // Another player's mistake is another's.
    asked("speed", &folder.path().join("Ben.mcap"), &[]);

    let page = serve(folder.path());
    let list = page.get("/library?player=Ann").1;
    let bucket =
        list.split("/bucket/").nth(1).unwrap().split(['/', '"', '?', '#']).next().unwrap().to_owned();
    let swing = format!("/bucket/{bucket}/swing/1");
    let (status, text) = page.get(&swing);
    assert!(status == 200 && text.contains("Not known: ") && text.contains(told), "{text}");
    assert!(
        text.contains("id=\"events-title\"") && !text.contains("id=\"worth\""),
        "the rest of the page is there"
    );
    let (status, text) = page.get(&format!("{swing}/worth.json"));
    assert!(status == 409 && text.contains(told), "{status} {text}");
    // Put right, it counts at once.
    fs::write(file_of(folder.path(), "Ann"), ANN).unwrap();
    let (status, text) = page.get(&swing);
    assert_eq!(status, 200);
    says_what_the_command_says(&text, &asked("speed", &recording, &[]), 0);
    assert!(fs::read(&recording).unwrap() == before);
}

#[test]
fn a_bucket_does_not_begin_by_measures_that_are_wrong() {
    let folder = library(&[]);
    fs::write(file_of(folder.path(), "Ann"), "name = \"Ann\"\narm_length_m = 6\n").unwrap();
    let settings = folder.path().join("s.toml");
    fs::write(&settings, "[player]\nname = \"Ann\"\n").unwrap();
    let [folder_text, settings] = [folder.path(), &settings].map(|path| path.to_str().unwrap());
    let output = run(&[
        "run",
        "--port",
        "/dev/null",
        "--folder",
        folder_text,
        "--settings",
        settings,
        "--no-page",
        "--quiet",
        "--sound",
        "silent",
        "--once",
    ]);
    assert_eq!(code(&output), 1);
    assert!(
        errors(&output).contains("expected arm_length_m from 0.2 to 1.2, found 6"),
        "{}",
        errors(&output)
    );
}

/// Who names a club by hand may misspell it, so what has no window is told, and what the player's own file knows is not.
#[test]
fn a_club_without_a_window_is_told_when_a_swing_is_remarked() {
    let window = "name = \"Ann\"\n[targets]\nspoon = { from = 0.5, to = 0.8 }\n";
    let folder = library(&[("Ann", window), ("Ben", BEN)]);
    let told = |player: &str, club: &str| {
        let folder = folder.path().to_str().unwrap();
        let output = run(&["library", "--folder", folder, "remark", player, "1", "--club", club]);
        assert_eq!(code(&output), 0, "{}", errors(&output));
        errors(&output)
    };
    assert!(!told("Ann", "7 iron").contains("note:"));
    assert!(!told("Ann", "9 spoon").contains("note:"));
    let lacking = "no window of its own, the middle class counts; windows:";
    assert!(told("Ann", "spon").contains(&format!("note: spon: {lacking} ")), "{}", told("Ann", "spon"));
    assert!(told("Ben", "9 spoon").contains(&format!("note: 9 spoon: {lacking} ")));
}
