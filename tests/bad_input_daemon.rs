//! What goes wrong around a running bucket is told, and nothing that was received before is lost.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
    pub mod mounts;
}

use firmware_protocol::{Frame, MAX_WIRE, encode};
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use support::binary::{code, emulate, errors, hingeclock, listen, recording, run};
use support::mounts::Mounted;

fn left_handed() -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/left-handed.csv.gz").to_str().unwrap().to_owned()
}

#[test]
fn a_full_disk_is_told_and_what_was_written_stays() {
    let Some(disk) = Mounted::memory("300k") else {
        eprintln!("skipped: no right to mount a small file system");
        return;
    };
    let (_glove, port) = emulate(&[&left_handed(), "--unpaced"]);
    let output = run(&listen(&port, disk.text()));
    assert_eq!(code(&output), 3);
    assert!(errors(&output).contains("the disk is full"), "{}", errors(&output));
    let table = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(table.contains("4 swings"), "the live path goes on: {table}");
    let torn = recording(disk.path());
    let analysed = run(&["analyze", torn.to_str().unwrap(), "--json"]);
    let object: serde_json::Value = serde_json::from_slice(&analysed.stdout).unwrap();
    let received = object["losses"][0]["received"].as_u64().unwrap();
    assert!(received > 3000, "{received} samples of the hand node kept");
}

/// The system gives few files to a process: that is told, and no panic.
#[test]
fn too_few_files_for_a_start_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let program = env!("CARGO_BIN_EXE_hingeclock");
    for files in 7..12 {
        let ask =
            format!("ulimit -n {files}; exec {program} run --port none --no-page --plain --sound silent");
        let output = Command::new("sh").args(["-c", &ask]).current_dir(folder.path()).output().unwrap();
        assert_eq!(code(&output), 1, "{files} files: {}", errors(&output));
        let told = errors(&output);
        assert!(told.contains("Too many open files") && !told.contains("panicked"), "{files} files: {told}");
    }
}

#[test]
fn a_folder_that_cannot_be_made_is_named() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let below = file.path().join("recordings");
    let output = run(&listen("/dev/no-such-port", below.to_str().unwrap()));
    assert_eq!(code(&output), 1);
    assert!(errors(&output).contains(below.to_str().unwrap()), "{}", errors(&output));
}

#[test]
fn what_stands_in_the_place_of_the_folder_is_told() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let path = file.path().to_str().unwrap();
    let output = run(&listen("/dev/no-such-port", path));
    assert_eq!(code(&output), 1);
    let expected =
        format!("no recording can be made in {path}: expected a folder, found something else of that name");
    assert!(errors(&output).contains(&expected), "{}", errors(&output));
}

#[test]
fn a_disk_that_is_full_from_the_start_is_named() {
    let Some(disk) = Mounted::memory("8k") else {
        eprintln!("skipped: no right to mount a small file system");
        return;
    };
    std::fs::write(disk.path().join("other"), vec![0; 4096]).unwrap();
    let output = run(&listen("/dev/no-such-port", disk.text()));
    assert_eq!(code(&output), 1);
    let expected = format!("no recording can be made in {}: the disk is full", disk.text());
    assert!(errors(&output).contains(&expected), "{}", errors(&output));
}

#[test]
fn help_is_given_however_it_is_asked_for() {
    for arguments in [&["help", "--help"][..], &["help", "-h"], &["library", "help", "--help"]] {
        assert_eq!(code(&run(arguments)), 0, "{arguments:?}");
    }
}

#[test]
fn a_page_port_that_is_taken_is_named() {
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap().port().to_string();
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path().to_str().unwrap();
    let output = run(&["run", "--port", "/dev/no-such-port", "--folder", folder, "--page-port", &port]);
    assert_eq!(code(&output), 1);
    assert!(errors(&output).contains("--page-port"), "{}", errors(&output));
}

#[test]
fn wrong_usage_has_its_own_exit_code() {
    for arguments in [&["analyze"][..], &["run", "--sound", "loud"], &["emulate", "--loss", "2"], &["sing"]] {
        assert_eq!(code(&run(arguments)), 2, "{arguments:?}");
    }
}

#[test]
fn what_would_have_no_effect_is_refused() {
    for (arguments, expected) in [
        (&["emulate", "--hours", "2"][..], "expected --hours with --bucket range-day only"),
        (&["emulate", "--bucket", "guided", "--hours", "2"], "expected --hours with --bucket range-day only"),
        (
            &["run", "--print-unit", "--port", "/dev/ttyACM0"],
            "'--print-unit' cannot be used with '--port <PATH>'",
        ),
        (&["run", "--print-unit", "--ble"], "'--print-unit' cannot be used with '--ble'"),
    ] {
        let output = run(arguments);
        assert_eq!((code(&output), output.stdout.len()), (2, 0), "{arguments:?}");
        assert!(errors(&output).contains(expected), "{}", errors(&output));
    }
}

#[test]
fn wrong_settings_are_named_with_their_line() {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), "[targets]\niron = { from = 0.7, to = 0.4 }\n").unwrap();
    let output = run(&["analyze", &left_handed(), "--settings", file.path().to_str().unwrap()]);
    assert_eq!(code(&output), 1);
    assert!(errors(&output).contains("line 2"), "{}", errors(&output));
}

/// A request to terminate ends the bucket in order: the file is whole.
#[test]
fn a_terminated_daemon_closes_its_recording() {
    let folder = tempfile::tempdir().unwrap();
    let (_glove, port) = emulate(&[&left_handed(), "--speed", "8"]);
    let mut daemon = hingeclock(&listen(&port, folder.path().to_str().unwrap())).spawn().unwrap();
    let enough = |path: &Path| std::fs::metadata(path).is_ok_and(|file| file.len() > 200_000);
    while std::fs::read_dir(folder.path()).unwrap().all(|entry| !enough(&entry.unwrap().path())) {
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    assert!(Command::new("kill").arg(daemon.id().to_string()).status().unwrap().success());
    assert_eq!(daemon.wait().unwrap().code(), Some(0));
    let output = run(&["analyze", recording(folder.path()).to_str().unwrap(), "--json"]);
    assert_eq!(code(&output), 0, "{}", errors(&output));
}

#[test]
fn an_input_is_never_written_over() {
    let folder = tempfile::tempdir().unwrap();
    let input = folder.path().join("bucket.csv.gz");
    std::fs::copy(left_handed(), &input).unwrap();
    let before = std::fs::read(&input).unwrap();
    let path = input.to_str().unwrap();
    for arguments in [["analyze", path, "--trace", path], ["review", path, "--html", path]] {
        let output = run(&arguments);
        assert_eq!(code(&output), 1);
        assert!(errors(&output).contains("expected another file than the input"), "{}", errors(&output));
    }
    assert_eq!(std::fs::read(&input).unwrap(), before);
}

#[test]
fn a_settings_file_that_is_not_there_is_no_silent_default() {
    let output = run(&["analyze", &left_handed(), "--settings", "/no/such.toml"]);
    assert_eq!(code(&output), 1);
    assert!(errors(&output).contains("expected a settings file, found none"), "{}", errors(&output));
}

#[test]
fn a_port_that_never_opens_ends_a_single_run() {
    let folder = tempfile::tempdir().unwrap();
    let output = run(&listen("/dev/no-such-port", folder.path().to_str().unwrap()));
    assert_eq!(code(&output), 1);
    assert!(errors(&output).contains("expected a serial port at /dev/no-such-port"), "{}", errors(&output));
    assert_eq!(recordings(folder.path()), 0, "nothing came, nothing is kept");
}

fn recordings(folder: &Path) -> usize {
    let names = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name());
    names.filter(|name| name.to_string_lossy().ends_with(".mcap")).count()
}

/// A daemon on a serial port that brings `bytes` and then goes away.
fn after(bytes: &[u8], folder: &Path) -> std::process::Output {
    let pair = portable_pty::native_pty_system().openpty(portable_pty::PtySize::default()).unwrap();
    let port = pair.master.tty_name().unwrap();
    let (port, folder) = (port.to_str().unwrap(), folder.to_str().unwrap());
    let arguments = ["run", "--port", port, "--folder", folder, "--once", "--no-page", "--sound", "silent"];
    let mut daemon = hingeclock(&arguments);
    daemon.stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut daemon = daemon.spawn().unwrap();
    let mut lines = BufReader::new(daemon.stderr.take().unwrap()).lines().map(Result::unwrap);
    let mut said: Vec<String> = lines.by_ref().take_while(|line| !line.contains("link open")).collect();
    if !bytes.is_empty() {
        // Ending a writer sends bytes, too.
        pair.master.take_writer().unwrap().write_all(bytes).unwrap();
    }
    std::thread::sleep(std::time::Duration::from_millis(500));
    drop(pair);
    said.extend(lines);
    let mut output = daemon.wait_with_output().unwrap();
    output.stderr = said.join("\n").into_bytes();
    output
}

#[test]
fn a_single_run_without_a_glove_fails_and_leaves_no_empty_recording() {
    let folder = tempfile::tempdir().unwrap();
    let output = after(b"", folder.path());
    assert_eq!(code(&output), 1, "{}", errors(&output));
    assert!(errors(&output).contains("found a link that brought nothing: is the"), "{}", errors(&output));
    assert_eq!(recordings(folder.path()), 0);

    let output = after(b"temperature 21.5\r\n\0temperature 21.6\r\n\0", folder.path());
    assert_eq!(code(&output), 1, "{}", errors(&output));
    assert!(errors(&output).contains("brought nothing a glove says"), "{}", errors(&output));
    assert_eq!(recordings(folder.path()), 1, "what was received is kept, whatever it is");
}

/// Frames with a good check value, whatever stands in them.
fn frames(frames: &[(u8, &[u8])]) -> Vec<u8> {
    let mut bytes = Vec::new();
    for &(frame_type, payload) in frames {
        let frame = Frame::Unknown { frame_type, payload };
        bytes.extend_from_slice(encode(&frame, &mut [0; MAX_WIRE]).unwrap());
    }
    bytes
}

/// A NodeInfo of this node, by the document.
fn node_info(node: u8, now_us: u64) -> Vec<u8> {
    let mut payload = vec![node, node, 0];
    let numbers = [500.0_f32, 4000.0, 32.0, 0.0];
    payload.extend(numbers.iter().flat_map(|number| number.to_le_bytes()));
    payload.extend([0, 0]);
    let mounting = [0.0_f32, 0.0, -1.0, -1.0, 0.0, 0.0, 0.0, 1.0, 0.0];
    payload.extend(mounting.iter().flat_map(|number| number.to_le_bytes()));
    payload.extend(now_us.to_le_bytes());
    payload
}

/// A batch of one reading in counts.
fn sample(node: u8, seq: u32, t_us: u32) -> Vec<u8> {
    let (seq, t_us) = (seq.to_le_bytes(), t_us.to_le_bytes());
    [&[node, 0, 1][..], &seq, &t_us, &[0; 12]].concat()
}

/// Firmware authors see what is wrong with a frame whose check value is good: once for each mistake, also where the
/// rest of what the glove says can be used, and where what follows from the mistake is told as well.
#[test]
fn each_mistake_in_a_frame_is_told_once() {
    let folder = tempfile::tempdir().unwrap();
    let (mut flagless, short) = (node_info(1, 0), [&sample(0, 8, 16_000)[..], &[0; 5]].concat());
    flagless[15] = 0x48;
    let hand = node_info(0, 0);
    let bytes = frames(&[
        (3, &hand),
        (3, &flagless),
        (4, &sample(0, 7, 14_000)),
        (4, &sample(1, 7, 14_000)),
        (4, &short),
        (4, &short),
        (3, &flagless),
    ]);
    let told = errors(&after(&bytes, folder.path()));
    for expected in [
        "glove: a malformed frame: frame type 0x03, bandwidth_hz: expected 0 when its flag is 0, found 0x48",
        "glove: a malformed frame: frame type 0x04: expected 23 bytes of payload, found 28",
        "glove: expected a NodeInfo of node 1 before its other frames, found none; described so far: 0",
        "4 frames could not be read, and kept as received",
    ] {
        assert_eq!(told.matches(expected).count(), 1, "{expected} in\n{told}");
    }
}

/// A glove on a cable does not see that a host has gone, so the next one hears it before it has said who it is.
#[test]
fn a_glove_that_still_sends_when_the_next_bucket_begins_makes_no_mistake() {
    let folder = tempfile::tempdir().unwrap();
    let hand = node_info(0, 0);
    let bytes = frames(&[(4, &sample(0, 7, 14_000)), (3, &hand), (4, &sample(0, 8, 16_000))]);
    let told = errors(&after(&bytes, folder.path()));
    assert!(told.contains("glove with the nodes hand"), "{told}");
    assert!(!told.contains("expected a NodeInfo"), "{told}");
}

/// What comes to the same as a line that is cut off, though the glove greeted well, is told; so is what else writes to it.
#[test]
fn frames_that_none_can_read_behind_a_good_greeting_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let good = frames(&[(3, &node_info(0, 0)), (4, &sample(0, 7, 14_000))]);
    let long = [[0x81; 600].as_slice(), &[0]].concat().repeat(60);
    let bytes = [good.as_slice(), &long, &good, b"imu ok\r\n", &good].concat();
    let told = errors(&after(&bytes, folder.path()));
    for expected in [
        "glove: a damaged frame: expected at most 518 bytes in a frame, found more",
        "glove: text among its frames (\"imu ok\"): nothing else may write to its link",
        "61 frames could not be read, and kept as received",
    ] {
        assert_eq!(told.matches(expected).count(), 1, "{expected} in\n{told}");
    }
}

#[test]
fn a_node_that_has_started_anew_is_told_live_and_of_the_recording() {
    let folder = tempfile::tempdir().unwrap();
    let bytes = frames(&[
        (3, &node_info(0, 40_000_000)),
        (4, &sample(0, 7, 40_000_000)),
        (3, &node_info(0, 100)),
        (4, &sample(0, 0, 2_000)),
    ]);
    let told = errors(&after(&bytes, folder.path()));
    assert_eq!(told.matches("the hand node has started anew: its clock has gone back").count(), 1, "{told}");
    let checked = errors(&run(&["check", recording(folder.path()).to_str().unwrap()]));
    assert!(checked.contains("note: the hand node started anew once: its clock went back"), "{checked}");
}

/// A glove that sends and never answers: the player is told, and so is whoever looks at the recording.
#[test]
fn a_glove_that_acknowledges_nothing_is_told_live_and_of_the_recording() {
    let folder = tempfile::tempdir().unwrap();
    let pair = portable_pty::native_pty_system().openpty(portable_pty::PtySize::default()).unwrap();
    let port = pair.master.tty_name().unwrap();
    let kept = folder.path().to_str().unwrap();
    let mut daemon = hingeclock(&listen(port.to_str().unwrap(), kept));
    daemon.env("RUST_LOG", "warn").stdout(Stdio::null()).stderr(Stdio::piped());
    let mut daemon = daemon.spawn().unwrap();
    let told = BufReader::new(daemon.stderr.take().unwrap()).lines().map(Result::unwrap);
    let mut glove = pair.master.take_writer().unwrap();
    let sending = std::thread::spawn(move || {
        // Ten readings a second; the third is lost, and asked for in vain.
        for seq in (0..120).filter(|seq| *seq != 2) {
            let bytes = frames(&[(3, &node_info(0, 0)), (4, &sample(0, seq, 2_000 * seq))]);
            if glove.write_all(&bytes).is_err() {
                return;
            }
            std::thread::sleep(std::time::Duration::from_millis(100));
        }
    });
    let unanswered = ["the glove has not acknowledged Start, though", "the glove has acknowledged none of"];
    let mut waited_for = unanswered.to_vec();
    for line in told {
        waited_for.retain(|words| !line.contains(words));
        if waited_for.is_empty() {
            break;
        }
    }
    assert!(waited_for.is_empty(), "{waited_for:?}");
    drop(pair);
    sending.join().unwrap();
    daemon.wait().unwrap();
    let checked = errors(&run(&["check", recording(folder.path()).to_str().unwrap()]));
    for words in unanswered {
        assert_eq!(checked.matches(&format!("note: {words}")).count(), 1, "{checked}");
    }
}

/// Two ends that speak different versions say no more to each other: that is the reason, and no glove that is off.
#[test]
fn a_glove_of_another_version_is_told_and_not_taken_for_one_that_is_off() {
    let folder = tempfile::tempdir().unwrap();
    let pair = portable_pty::native_pty_system().openpty(portable_pty::PtySize::default()).unwrap();
    let (port, kept) = (pair.master.tty_name().unwrap(), folder.path().to_str().unwrap());
    let port = port.to_str().unwrap();
    let mut daemon =
        hingeclock(&["run", "--port", port, "--folder", kept, "--once", "--no-page", "--sound", "silent"]);
    let mut daemon = daemon.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    let mut glove = pair.master.take_writer().unwrap();
    let hello = frames(&[(1, &[&[2, 0][..], &[7; 16]].concat())]);
    // Greeted for the third time, the glove was silent for too long once and more.
    let mut heard = BufReader::new(pair.master.try_clone_reader().unwrap());
    let mut greetings = 0;
    while greetings < 3 {
        let mut frame = Vec::new();
        heard.read_until(0, &mut frame).unwrap();
        if frame.starts_with(&[3, 0x80]) {
            greetings += 1;
            glove.write_all(&hello).unwrap();
        }
    }
    drop((heard, glove, pair));
    let told: Vec<String> =
        BufReader::new(daemon.stderr.take().unwrap()).lines().map(Result::unwrap).collect();
    daemon.wait().unwrap();
    let count = |words: &str| told.iter().filter(|line| line.contains(words)).count();
    assert_eq!(count("found version 2.0 at the other end"), 1, "{told:?}");
    assert_eq!(count("is it switched on"), 0, "{told:?}");
}

/// A clock may say anything, as where its bytes are sent the wrong way round: nothing fails over it, live or afterwards.
#[test]
fn a_clock_that_leaps_to_either_end_of_time_is_no_failure() {
    let folder = tempfile::tempdir().unwrap();
    let ends = [i64::MAX as u64, i64::MIN as u64, 0, u64::MAX, i64::MAX as u64];
    let mut bytes = Vec::new();
    for (seq, now_us) in (7..).zip(ends) {
        bytes.extend(frames(&[(3, &node_info(0, now_us)), (4, &sample(0, seq, now_us as u32))]));
    }
    let told = errors(&after(&bytes, folder.path()));
    assert!(!told.contains("panicked") && !told.contains("the detector failed"), "{told}");
    let recording = recording(folder.path());
    let csv = folder.path().join("same.csv");
    let (recording, csv) = (recording.to_str().unwrap(), csv.to_str().unwrap());
    assert_eq!(code(&run(&["export", recording, csv])), 0);
    for input in [recording, csv] {
        for arguments in [&["analyze", input][..], &["analyze", input, "--live"], &["check", input]] {
            let output = run(arguments);
            assert!(code(&output) <= 3, "{arguments:?}: {}", errors(&output));
        }
    }
}

/// A glove at the end of a cable that was pulled and put in again: a player who hears nothing knows that it is back.
#[test]
fn a_glove_that_comes_back_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("port");
    let plugged = || {
        let pair = portable_pty::native_pty_system().openpty(portable_pty::PtySize::default()).unwrap();
        let _ = std::fs::remove_file(&link);
        std::os::unix::fs::symlink(pair.master.tty_name().unwrap(), &link).unwrap();
        pair
    };
    let mut pair = plugged();
    let (port, kept) = (link.to_str().unwrap(), folder.path().to_str().unwrap());
    let mut daemon =
        hingeclock(&["run", "--port", port, "--folder", kept, "--no-page", "--plain", "--sound", "silent"]);
    daemon.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::piped());
    let mut daemon = daemon.spawn().unwrap();
    let mut lines = BufReader::new(daemon.stderr.take().unwrap()).lines().map(Result::unwrap);
    let bytes = frames(&[(3, &node_info(0, 0)), (4, &sample(0, 7, 14_000))]);
    for expected in ["type calibrate", "the glove sends again"] {
        assert!(lines.any(|line| line.contains("link open")));
        pair.master.take_writer().unwrap().write_all(&bytes).unwrap();
        let told: Vec<String> = lines.by_ref().take_while(|line| !line.contains(expected)).collect();
        assert!(!told.iter().any(|line| line.contains("sends again")), "not before it was away: {told:?}");
        drop(std::mem::replace(&mut pair, plugged()));
    }
    daemon.stdin.take().unwrap().write_all(b"stop\n").unwrap();
    lines.for_each(drop);
    assert_eq!(daemon.wait().unwrap().code(), Some(0));
}

#[test]
fn a_bucket_that_is_ended_before_anything_came_leaves_no_recording() {
    let folder = tempfile::tempdir().unwrap();
    let arguments = ["run", "--port", "/dev/no-such-port", "--no-page", "--sound", "silent", "--folder"];
    for (typed, left) in [("stop\n", 0), ("mark windy\nstop\n", 1)] {
        let mut daemon = hingeclock(&arguments);
        daemon.arg(folder.path()).stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::null());
        let mut daemon = daemon.spawn().unwrap();
        daemon.stdin.take().unwrap().write_all(typed.as_bytes()).unwrap();
        assert_eq!(daemon.wait().unwrap().code(), Some(0));
        assert_eq!(recordings(folder.path()), left, "{typed}");
    }
}
