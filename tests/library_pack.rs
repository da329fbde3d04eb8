//! A session as one file: what is packed here is taken in there, whole, and other programs open it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "support/binary.rs"]
mod binary;
#[path = "support/python.rs"]
mod python;
#[path = "support/shelf.rs"]
mod shelf;

use binary::{code, errors, run};
use hingeclock::record::Names;
use hingeclock::record::library::steps::carry_out;
use hingeclock::record::library::{Library, Operation, Received};
use python::{has, printed};
use serde_json::Value;
use std::fs::{self, File};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};
use std::process::Output;

fn library(folder: &Path, arguments: &[&str]) -> Output {
    run(&[&["library", "--folder", folder.to_str().unwrap()], arguments].concat())
}

fn done(folder: &Path, arguments: &[&str]) {
    let output = library(folder, arguments);
    assert_eq!(code(&output), 0, "{arguments:?}: {}", errors(&output));
}

fn json(folder: &Path, arguments: &[&str]) -> Value {
    let output = library(folder, &[arguments, &["--json"]].concat());
    assert_eq!(code(&output), 0, "{arguments:?}: {}", errors(&output));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// A library with one bucket of the golden recordings, remarks on it, and its player's file.
fn home(folder: &Path) -> PathBuf {
    let home = folder.join("home");
    fs::create_dir_all(home.join("players")).unwrap();
    fs::copy("recordings/left-handed.mcap", home.join("wren.mcap")).unwrap();
    let player = "name = \"Wren (invented)\"\nhand = \"left\"\narm_length_m = 0.61\n";
    fs::write(home.join("players/w.toml"), player).unwrap();
    done(&home, &["remark", "wren", "--note", "a secret word"]);
    done(&home, &["remark", "wren", "2", "--exclude", "a topped ball"]);
    done(&home, &["remark", "wren", "3", "--club", "iron 7"]);
    home
}

/// The files in a zip, unpacked.
fn unpacked(zip: &Path) -> Vec<(String, Vec<u8>)> {
    let mut archive = zip::ZipArchive::new(File::open(zip).unwrap()).unwrap();
    let files = (0..archive.len()).map(|at| {
        let mut file = archive.by_index(at).unwrap();
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).unwrap();
        (file.name().unwrap().into_owned(), bytes)
    });
    files.collect()
}

#[test]
fn what_is_packed_here_is_the_same_there() {
    let folder = tempfile::tempdir().unwrap();
    let (home, away) = (home(folder.path()), folder.path().join("away"));
    let zip = folder.path().join("wren.zip");
    done(&home, &["pack", "wren", zip.to_str().unwrap()]);
    done(&away, &["import", zip.to_str().unwrap()]);
    for file in ["wren.mcap", "wren.remarks.jsonl"] {
        assert!(fs::read(home.join(file)).unwrap() == fs::read(away.join(file)).unwrap(), "{file}");
    }
    let (here, there) = (json(&home, &["show", "wren"]), json(&away, &["show", "wren"]));
    assert_eq!(here, there);
    assert_eq!(
        (&there["swings"][1]["excluded"], &there["swings"][2]["club"]),
        (&"a topped ball".into(), &"iron 7".into())
    );
    let player = &json(&away, &["players"])["players"][0];
    assert_eq!((&player["name"], &player["arm_length_m"]), (&"Wren (invented)".into(), &0.61.into()));
    let again = library(&away, &["import", zip.to_str().unwrap(), "--as", "other"]);
    assert!(
        errors(&again)
            .contains("expected a recording that is not in the library yet, found the same as wren.mcap")
    );
    let here = binary::hingeclock(&["library", "--folder", "home", "pack", "wren", "here.zip"])
        .current_dir(folder.path())
        .output()
        .unwrap();
    assert_eq!(code(&here), 0, "a name without a folder will do: {}", errors(&here));
    assert!(fs::read(folder.path().join("here.zip")).unwrap() == fs::read(&zip).unwrap());
    let taken = library(&home, &["pack", "wren", zip.to_str().unwrap()]);
    assert_eq!(code(&taken), 1, "a zip takes no other file's place");
    assert!(!folder.path().join("wren.zip.unready").exists());
}

#[test]
fn other_programs_open_it_and_find_what_analyze_says() {
    let folder = tempfile::tempdir().unwrap();
    let home = home(folder.path());
    let zip = folder.path().join("wren.zip");
    done(&home, &["pack", "wren", zip.to_str().unwrap()]);
    let program = r#"
import io, json, sys, zipfile
from mcap.reader import make_reader
with zipfile.ZipFile(sys.argv[1]) as package:
    assert package.testzip() is None
    names = sorted(package.namelist())
    assert names == ["players/wren--invented.toml", "session.html", "swings.json", "wren.mcap", "wren.remarks.jsonl", "wren.results.jsonl"], names
    remarks = [json.loads(line) for line in package.read("wren.remarks.jsonl").splitlines()]
    assert [remark.get("kind") for remark in remarks] == [None, "note", "exclude", "club"], remarks
    reader = make_reader(io.BytesIO(package.read("wren.mcap")), validate_crcs=True)
    pieces = sum(1 for _, channel, _ in reader.iter_messages() if channel.topic == "glove/raw")
    assert pieces > 1000, pieces
    html = package.read("session.html").decode()
    assert "a topped ball" in html and "iron 7" in html, "the page heeds what was said"
    print(json.dumps(json.loads(package.read("swings.json"))["swings"]))
"#;
    if has("mcap") {
        let swings: Value = serde_json::from_str(&printed(program, &[&zip])).unwrap();
        assert_eq!(swings, binary::swings(&home.join("wren.mcap")));
    }
    // Unpacked by hand into a library it is the same as imported.
    let away = folder.path().join("away");
    for (name, bytes) in unpacked(&zip) {
        let path = away.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }
    assert_eq!(json(&home, &["show", "wren"]), json(&away, &["show", "wren"]));
}

#[test]
fn without_names_nothing_names_the_player_or_the_glove_and_the_numbers_stay() {
    let folder = tempfile::tempdir().unwrap();
    let (home, away) = (home(folder.path()), folder.path().join("away"));
    let device: Value =
        serde_json::from_slice(&fs::read("recordings/left-handed.device.json").unwrap()).unwrap();
    let serial = device["serial"].as_str().unwrap();
    let zip = folder.path().join("session.zip");
    // Measures tell who it is, too.
    let settings = folder.path().join("wren.toml");
    fs::write(&settings, "[arm]\narm_length_m = 0.6137\n").unwrap();
    let settings = ["--settings", settings.to_str().unwrap()];
    done(&home, &[&settings[..], &["pack", "wren", zip.to_str().unwrap(), "--without-names"]].concat());
    let files = unpacked(&zip);
    let found = |bytes: &[u8], word: &str| {
        bytes.windows(word.len()).any(|part| part.eq_ignore_ascii_case(word.as_bytes()))
    };
    assert!(found(&fs::read(home.join("wren.mcap")).unwrap(), serial), "the recording names the glove");
    let (_, html) = files.iter().find(|(name, _)| name == "session.html").unwrap();
    assert!(found(html, "Swing 2 is left out"), "what does not count is told without the reason");
    for word in ["wren", "invented", serial, "secret", "topped", "0.6137"] {
        for (name, bytes) in &files {
            assert!(!found(bytes, word) && !found(name.as_bytes(), word), "{word} in {name}");
        }
    }
    done(&away, &["import", zip.to_str().unwrap(), "--as", "them"]);
    let (here, there) = (json(&home, &["show", "wren"]), json(&away, &["show", "them"]));
    assert_ne!(here["bucket"]["number"], there["bucket"]["number"]);
    for (key, expected) in [("player", ""), ("hand", "left")] {
        assert_eq!(there["bucket"][key], expected);
    }
    for (here, there) in here["swings"].as_array().unwrap().iter().zip(there["swings"].as_array().unwrap()) {
        assert_eq!((&here["numbers"], &here["club"]), (&there["numbers"], &there["club"]));
        assert_eq!(here["excluded"].is_null(), there["excluded"].is_null());
    }
    assert_eq!(there["swings"].as_array().unwrap().len(), 4);
}

/// What is cut off between any two steps is taken in by trying again.
#[test]
fn an_import_that_was_cut_off_is_taken_up_again() {
    let folder = tempfile::tempdir().unwrap();
    let home = home(folder.path());
    let zip = folder.path().join("wren.zip");
    done(&home, &["pack", "wren", zip.to_str().unwrap()]);
    let expected = json(&home, &["show", "wren"]);
    let plan = |library: &Library| -> Operation {
        library.received(&Received::packed(&zip).unwrap(), None).unwrap()
    };
    let steps = {
        let away = folder.path().join("count");
        fs::create_dir(&away).unwrap();
        plan(&shelf::open(&away).0).steps.len()
    };
    assert!(steps >= 8, "{steps}");
    for done in 0..=steps {
        let away = folder.path().join(format!("away{done}"));
        fs::create_dir(&away).unwrap();
        {
            let (library, _) = shelf::open(&away);
            plan(&library).steps[..done].iter().for_each(|step| drop(carry_out(&away, step).unwrap()));
        }
        let again = library(&away, &["import", zip.to_str().unwrap()]);
        assert_eq!(code(&again), i32::from(done == steps), "after {done} steps: {}", errors(&again));
        assert_eq!(json(&away, &["show", "wren"]), expected, "after {done} steps");
        assert_eq!(json(&away, &["players"])["players"].as_array().unwrap().len(), 1);
    }
}

#[test]
fn what_is_no_session_is_refused_and_leaves_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (home, away) = (home(folder.path()), folder.path().join("away"));
    let zip = folder.path().join("wren.zip");
    done(&home, &["pack", "wren", zip.to_str().unwrap()]);
    let whole = fs::read(&zip).unwrap();
    let damaged = folder.path().join("damaged.zip");
    let mut flipped = whole.clone();
    flipped[5_000] ^= 1;
    for bytes in [&whole[..whole.len() / 2], &flipped, b"PK\x03\x04 and nothing more"] {
        fs::write(&damaged, bytes).unwrap();
        let output = library(&away, &["import", damaged.to_str().unwrap()]);
        assert_eq!(code(&output), 1, "{}", errors(&output));
        assert!(!errors(&output).is_empty());
        assert_eq!(json(&away, &["list"])["buckets"].as_array().unwrap().len(), 0);
        assert!(!away.join("wren.mcap").exists() && !away.join("wren.remarks.jsonl").exists());
    }
}

/// A disk that takes so many bytes and no more.
struct Short(std::io::Cursor<Vec<u8>>, usize);

impl Write for Short {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        if self.0.position() as usize + bytes.len() > self.1 {
            return Err(std::io::Error::other("no room"));
        }
        self.0.write(bytes)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl Seek for Short {
    fn seek(&mut self, to: std::io::SeekFrom) -> std::io::Result<u64> {
        self.0.seek(to)
    }
}

#[test]
fn what_fails_while_packing_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let home = home(folder.path());
    let (library, _) = shelf::open(&home);
    let bucket = library.bucket("wren").unwrap();
    let error = |names, room| {
        let out = Short(std::io::Cursor::default(), room);
        let packed = library.pack(&bucket, names, &[], (Path::new("out.zip"), out));
        packed.map(drop).unwrap_err().to_string()
    };
    for names in [Names::Keep, Names::Drop] {
        assert!(error(names, 100_000).starts_with("out.zip: "), "{}", error(names, 100_000));
    }
    let (recording, remarks) = (home.join("wren.mcap"), home.join("wren.remarks.jsonl"));
    fs::remove_file(&remarks).unwrap();
    fs::create_dir(&remarks).unwrap();
    for names in [Names::Keep, Names::Drop] {
        let told = error(names, usize::MAX);
        assert!(told.starts_with(remarks.to_str().unwrap()), "{told}");
    }
    fs::remove_file(&recording).unwrap();
    for names in [Names::Keep, Names::Drop] {
        let told = error(names, usize::MAX);
        assert!(told.starts_with(recording.to_str().unwrap()), "{told}");
    }
}

/// A small file that would fill a disk.
#[test]
fn a_recording_that_grows_beyond_all_measure_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let (home, away) = (home(folder.path()), folder.path().join("away"));
    let zip = folder.path().join("wren.zip");
    done(&home, &["pack", "wren", zip.to_str().unwrap()]);
    let mut swollen = zip::ZipWriter::new(File::create(folder.path().join("swollen.zip")).unwrap());
    for (name, mut bytes) in unpacked(&zip) {
        swollen.start_file(&name, zip::write::SimpleFileOptions::default()).unwrap();
        if name.ends_with(".mcap") {
            bytes.resize(bytes.len() + (400 << 20), 0);
        }
        swollen.write_all(&bytes).unwrap();
    }
    let packed = swollen.finish().unwrap().metadata().unwrap().len();
    assert!(packed < 4 << 20, "{packed}");
    let output = library(&away, &["import", folder.path().join("swollen.zip").to_str().unwrap()]);
    assert_eq!(code(&output), 1);
    assert!(errors(&output).contains("expected a recording of at most"), "{}", errors(&output));
    assert_eq!(json(&away, &["list"])["buckets"].as_array().unwrap().len(), 0);
}

#[test]
fn a_package_that_was_zipped_anew_with_its_folders_is_taken_in_whole() {
    let folder = tempfile::tempdir().unwrap();
    let (home, away) = (home(folder.path()), folder.path().join("away"));
    let (packed, anew) = (folder.path().join("wren.zip"), folder.path().join("anew.zip"));
    done(&home, &["pack", "wren", packed.to_str().unwrap()]);
    let mut zip = zip::ZipWriter::new(File::create(&anew).unwrap());
    let options = zip::write::SimpleFileOptions::default();
    zip.add_directory("players", options).unwrap();
    for (name, bytes) in unpacked(&packed) {
        zip.start_file(name, options).unwrap();
        zip.write_all(&bytes).unwrap();
    }
    zip.finish().unwrap();
    done(&away, &["import", anew.to_str().unwrap()]);
    assert_eq!(json(&away, &["players"])["players"][0]["arm_length_m"], 0.61);
}

#[test]
fn remarks_that_lie_there_already_are_never_written_over() {
    let folder = tempfile::tempdir().unwrap();
    let (home, away) = (home(folder.path()), folder.path().join("away"));
    let zip = folder.path().join("wren.zip");
    done(&home, &["pack", "wren", zip.to_str().unwrap()]);
    done(&away, &["import", zip.to_str().unwrap()]);
    done(&away, &["remark", "wren", "1", "--note", "said over here"]);
    fs::remove_file(away.join("wren.mcap")).unwrap();
    let here = fs::read(away.join("wren.remarks.jsonl")).unwrap();
    let output = library(&away, &["import", zip.to_str().unwrap()]);
    assert_eq!(code(&output), 1);
    assert!(errors(&output).contains("lay wren.remarks.jsonl aside"), "{}", errors(&output));
    assert_eq!(fs::read(away.join("wren.remarks.jsonl")).unwrap(), here);
    // Laid aside, it can come.
    fs::rename(away.join("wren.remarks.jsonl"), away.join("mine.txt")).unwrap();
    done(&away, &["import", zip.to_str().unwrap()]);
}

/// The numbers of what a recording was made from come from names.
#[test]
fn half_of_a_recording_without_names_does_not_say_what_it_was_cut_from() {
    let folder = tempfile::tempdir().unwrap();
    let home = home(folder.path());
    let number = json(&home, &["show", "wren"])["bucket"]["number"].as_str().unwrap().to_owned();
    done(&home, &["split", "wren", "--before", "3"]);
    let zip = folder.path().join("half.zip");
    for (names, found) in [(&[][..], true), (&["--without-names"][..], false)] {
        done(&home, &[&["pack", "wren-1", zip.to_str().unwrap()], names].concat());
        let recording = unpacked(&zip).into_iter().find(|(name, _)| name.ends_with(".mcap")).unwrap().1;
        let says = recording.windows(number.len()).any(|part| part == number.as_bytes());
        assert_eq!(says, found, "{names:?}");
        fs::remove_file(&zip).unwrap();
    }
}

#[test]
fn half_of_a_recording_from_another_library_stays_what_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let (home, away) = (home(folder.path()), folder.path().join("away"));
    done(&home, &["split", "wren", "--before", "3"]);
    // Without what lies beside it, and beside the very recording that it was cut from.
    fs::create_dir(&away).unwrap();
    fs::copy("recordings/left-handed.mcap", away.join("whole.mcap")).unwrap();
    fs::copy(home.join("wren-1.mcap"), folder.path().join("half.mcap")).unwrap();
    done(&away, &["import", folder.path().join("half.mcap").to_str().unwrap()]);
    let list = json(&away, &["list"]);
    assert_eq!(list["buckets"].as_array().unwrap().len(), 2, "{list}");
}
