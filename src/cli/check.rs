//! `hingeclock check`: is this machine ready to clock a glove? What was found, whether it is good, what to do.
//!
//! Here is what findings mean and how they are shown, pure; [`probe`] looks at the machine.

pub mod glove;
pub mod probe;

use super::Outcome;
use super::input::{feed, settings, tell};
use super::output::print;
use crate::fusion::sensor_doubts::GloveWatch;
use crate::record::settings::Settings;
use crate::sample::Arrival;
use crate::units::WallTime;
use probe::{Access, FolderFound, Machine, PortFound, PortKind, RadioFound};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// What one finding means for a practice.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grade {
    /// As it should be.
    Good,
    /// Capture works, something else does not.
    Limited,
    /// Swings cannot be captured.
    Bad,
}

impl Grade {
    /// The word at the start of a line.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Grade::Good => "good",
            Grade::Limited => "limited",
            Grade::Bad => "bad",
        }
    }
}

/// One line of the answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// What was looked at.
    pub subject: &'static str,
    /// Whether it is good.
    pub grade: Grade,
    /// What was found.
    pub found: String,
    /// What to do about it; empty where nothing needs doing.
    pub advice: String,
}

impl Finding {
    fn good(subject: &'static str, found: impl Into<String>) -> Finding {
        Finding { subject, grade: Grade::Good, found: found.into(), advice: String::new() }
    }

    fn limited(subject: &'static str, found: impl Into<String>, advice: impl Into<String>) -> Finding {
        Finding { subject, grade: Grade::Limited, found: found.into(), advice: advice.into() }
    }

    fn bad(subject: &'static str, found: impl Into<String>, advice: impl Into<String>) -> Finding {
        Finding { subject, grade: Grade::Bad, found: found.into(), advice: advice.into() }
    }
}

/// Disk that an hour takes at most, bytes: two nodes at 1000 Hz, 66 bytes a sample.
const BYTES_PER_HOUR: u64 = 2 * 1000 * 66 * 3600;
/// A clock before this is not set: 2025-01-01.
const CLOCK_SET_AFTER: WallTime = WallTime(1_735_689_600_000);
/// Steps of the monotonic clock up to this do not blur the times of arrival, µs.
const FINE_STEP_US: f64 = 100.0;

/// Look at this machine: what it has for the job, and what to do about the rest. With a recording: do the sensors of the
/// glove that made it fit together?
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  hingeclock check --folder buckets
  hingeclock check bucket.mcap")]
pub struct Args {
    /// A recording or a raw CSV of a glove, to look at its units, signs, axes and clocks instead of the machine.
    #[arg(conflicts_with = "folder")]
    recording: Option<PathBuf>,
    /// Folder of the recordings; that of the settings (buckets) unless another is given.
    #[arg(long, value_name = "DIR")]
    folder: Option<PathBuf>,
    /// Settings file, as for run.
    #[arg(long, value_name = "FILE.toml")]
    settings: Option<PathBuf>,
}

/// Runs the command: done when swings can be captured, or nothing speaks against the glove.
///
/// # Errors
/// The settings or the recording cannot be read, or standard output cannot be written; what is missing on the machine
/// is a finding.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    if let Some(recording) = &args.recording {
        return run_glove(recording, &settings(args.settings.as_ref())?);
    }
    let findings = judge(&Machine::look(&folder(args)?));
    print(&render(&findings))?;
    Ok(if is_ready(&findings) { Outcome::Done } else { Outcome::Failed })
}

/// The folder that a run with these options would record to.
fn folder(args: &Args) -> anyhow::Result<PathBuf> {
    let settings = settings(args.settings.as_ref())?;
    Ok(args.folder.clone().unwrap_or(settings.recordings))
}

fn run_glove(recording: &Path, settings: &Settings) -> anyhow::Result<Outcome> {
    let push = |watch: &mut GloveWatch, arrival: &Arrival| {
        if let Arrival::Sample(sample) = arrival {
            watch.push(sample);
        }
    };
    let fed = feed(recording, settings, GloveWatch::new, push)?;
    let findings = glove::judge(&fed.state);
    print(&lines(&findings))?;
    let salvaged = tell(&fed.report);
    Ok(if is_ready(&findings) { salvaged } else { Outcome::Failed })
}

/// What the findings mean.
#[must_use]
pub fn judge(machine: &Machine) -> Vec<Finding> {
    let mut findings = judge_ports(&machine.ports);
    let cable_works = findings.iter().all(|finding| finding.grade != Grade::Bad);
    let radio = judge_radio(&machine.radio, cable_works);
    if !matches!(machine.radio, RadioFound::Missing(_)) {
        findings.iter_mut().filter(|finding| finding.grade == Grade::Bad).for_each(only_for_a_cable);
    }
    findings.push(radio);
    findings.push(judge_sound(&machine.sound));
    findings.push(judge_folder(&machine.recordings, &machine.folder));
    findings.push(judge_space(machine.free_bytes));
    findings.push(judge_date(machine.now));
    findings.push(judge_step(machine.clock_step_us));
    findings
}

/// One line for each finding, the advice below it.
fn lines(findings: &[Finding]) -> String {
    let mut text = String::new();
    for finding in findings {
        // Writing to a string cannot fail.
        let _ = writeln!(text, "{:<8} {:<12} {}", finding.grade.word(), finding.subject, finding.found);
        if !finding.advice.is_empty() {
            let _ = writeln!(text, "{:<21} -> {}", "", finding.advice);
        }
    }
    text
}

/// The same with the verdict at the end.
#[must_use]
pub fn render(findings: &[Finding]) -> String {
    let verdict = if is_ready(findings) {
        "Ready: swings can be captured."
    } else {
        "Not ready: see the lines that start with \"bad\"."
    };
    lines(findings) + verdict + "\n"
}

/// Whether swings can be captured.
fn is_ready(findings: &[Finding]) -> bool {
    findings.iter().all(|finding| finding.grade != Grade::Bad)
}

/// One finding for each port that a glove may hang on. One that can be used is enough.
fn judge_ports(ports: &Result<Vec<PortFound>, String>) -> Vec<Finding> {
    const SUBJECT: &str = "serial port";
    let plug = "plug in the glove's cable or receiver, then look again";
    let ports = match ports {
        Ok(ports) => ports,
        Err(reason) => return vec![Finding::bad(SUBJECT, format!("cannot be listed: {reason}"), plug)],
    };
    let (built_in, pluggable): (Vec<_>, Vec<_>) = ports.iter().partition(|p| p.kind == PortKind::BuiltIn);
    let one_works = pluggable.iter().any(|port| port.access != Access::Denied);
    let mut findings: Vec<_> = pluggable.iter().map(|port| judge_port(port, one_works)).collect();
    if findings.is_empty() && built_in.is_empty() {
        findings.push(Finding::bad(SUBJECT, "none", plug));
    } else if findings.is_empty() {
        let names: Vec<_> = built_in.iter().map(|port| port.path.as_str()).collect();
        let found = format!("only built-in ones: {}", names.join(", "));
        findings.push(Finding::limited(
            SUBJECT,
            found,
            format!("unless the glove is on one of them, {plug}"),
        ));
    }
    findings
}

/// A glove on the air needs no port.
fn only_for_a_cable(finding: &mut Finding) {
    finding.grade = Grade::Limited;
    finding.advice = format!("a glove on the air needs none; for one on a cable: {}", finding.advice);
}

/// The radio that a glove on the air needs; one way to the glove is enough.
fn judge_radio(radio: &RadioFound, cable_works: bool) -> Finding {
    const SUBJECT: &str = "bluetooth";
    let needless = if cable_works { "a glove on a cable needs none; for one on the air: " } else { "" };
    match radio {
        RadioFound::On(name) => Finding::good(SUBJECT, format!("{name} is on")),
        // The search for a glove switches it on.
        RadioFound::Off(name) => Finding::limited(
            SUBJECT,
            format!("{name} is switched off"),
            format!("{needless}run --ble switches it on; where it may not, run: bluetoothctl power on"),
        ),
        RadioFound::Missing(reason) => {
            let advice = format!("{needless}plug in a Bluetooth radio, start the system's Bluetooth");
            Finding::limited(SUBJECT, reason.clone(), advice)
        }
    }
}

fn judge_port(port: &PortFound, one_works: bool) -> Finding {
    let found = format!("{} ({})", port.path, port.kind);
    match port.access {
        Access::Allowed => Finding::good("serial port", found),
        Access::Unknown => Finding::good("serial port", format!("{found}, rights not known")),
        Access::Denied => Finding {
            subject: "serial port",
            grade: if one_works { Grade::Limited } else { Grade::Bad },
            found: format!("{found}, but you may not read and write it"),
            advice: rights_advice(port),
        },
    }
}

fn rights_advice(port: &PortFound) -> String {
    match port.group.as_deref() {
        None => format!("ask the owner of this machine for the right to {}", port.path),
        Some(group) => format!("run: sudo usermod -aG {group} \"$USER\"  then log out and in again"),
    }
}

fn judge_sound(server: &Result<String, String>) -> Finding {
    match server {
        Ok(name) => Finding::good("sound", format!("{name} answers")),
        Err(reason) => Finding::limited(
            "sound",
            reason,
            "swings are captured, cues are silent; start PulseAudio or PipeWire to hear them",
        ),
    }
}

fn judge_folder(path: &Path, folder: &FolderFound) -> Finding {
    const SUBJECT: &str = "recordings";
    let path = path.display();
    let elsewhere = "choose a folder that you may write to";
    match folder {
        FolderFound::Writable => Finding::good(SUBJECT, format!("{path} can be written")),
        FolderFound::CanBeMade => Finding::good(SUBJECT, format!("{path} is not there yet and can be made")),
        FolderFound::NotAFolder => {
            Finding::bad(SUBJECT, format!("{path}: expected a folder, found a file"), elsewhere)
        }
        FolderFound::Denied(reason) => {
            Finding::bad(SUBJECT, format!("{path} cannot be written: {reason}"), elsewhere)
        }
    }
}

fn judge_space(free_bytes: Option<u64>) -> Finding {
    const SUBJECT: &str = "disk";
    let Some(bytes) = free_bytes else {
        return Finding::limited(SUBJECT, "free space not known", "see to it that some gigabytes are free");
    };
    let hours = bytes as f64 / BYTES_PER_HOUR as f64;
    let found = format!("{:.1} GB free, {} hours of recording or more", bytes as f64 * 1e-9, hours.floor());
    let make_room = "make room before a long practice";
    match hours {
        hours if hours < 1.0 => {
            let found = format!("{:.0} MB free, less than an hour of recording", bytes as f64 * 1e-6);
            Finding::bad(SUBJECT, found, "make room")
        }
        hours if hours < 8.0 => Finding::limited(SUBJECT, found, make_room),
        _ => Finding::good(SUBJECT, found),
    }
}

fn judge_date(now: WallTime) -> Finding {
    let found = format!("{} UTC", now.minute());
    if now < CLOCK_SET_AFTER {
        let advice = "set the clock: recordings are named by it. Measured times do not depend on it";
        return Finding::limited("date", found, advice);
    }
    Finding::good("date", found)
}

fn judge_step(step_us: Option<f64>) -> Finding {
    match step_us {
        None => Finding::limited("clock", "does not move on", "times of arrival are of no use here"),
        Some(us) if us > FINE_STEP_US => {
            let advice = "times of arrival are coarse; close other programs and look again";
            Finding::limited("clock", format!("steps of {us:.0} µs"), advice)
        }
        Some(us) => Finding::good("clock", format!("steps of {us:.2} µs")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn port(path: &str, kind: PortKind, access: Access, group: &str) -> PortFound {
        PortFound { path: path.into(), kind, access, group: Some(group.into()) }
    }

    fn usb(access: Access) -> PortFound {
        port("/dev/ttyACM0", PortKind::Usb("glove receiver".into()), access, "dialout")
    }

    fn good_machine() -> Machine {
        Machine {
            ports: Ok(vec![usb(Access::Allowed)]),
            radio: RadioFound::On("a radio".into()),
            sound: Ok("a server".into()),
            recordings: "/r".into(),
            folder: FolderFound::Writable,
            free_bytes: Some(20_000_000_000),
            now: WallTime(1_772_357_400_000),
            clock_step_us: Some(0.05),
        }
    }

    fn without_radio() -> Machine {
        Machine { radio: RadioFound::Missing("no radio".into()), ..good_machine() }
    }

    fn check(machine: &Machine, ready: bool, expected_lines: &[&str]) {
        let findings = judge(machine);
        let text = render(&findings);
        assert_eq!(is_ready(&findings), ready, "{text}");
        for line in expected_lines {
            assert!(text.lines().any(|l| l == *line), "expected {line:?} in\n{text}");
        }
    }

    #[test]
    fn the_folder_is_that_of_a_run() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("ann.toml");
        std::fs::write(&file, "recordings = \"ann\"\n").unwrap();
        let of = |named: Option<&str>, settings: Option<&PathBuf>| {
            folder(&Args { recording: None, folder: named.map(PathBuf::from), settings: settings.cloned() })
        };
        assert_eq!(of(None, None).unwrap(), Path::new("buckets"));
        assert_eq!(of(None, Some(&file)).unwrap(), Path::new("ann"));
        assert_eq!(of(Some("here"), Some(&file)).unwrap(), Path::new("here"));
        assert!(of(None, Some(&dir.path().join("none.toml"))).is_err());
    }

    #[test]
    fn a_good_machine_in_full() {
        let text = render(&judge(&good_machine()));
        let expected = "\
good     serial port  /dev/ttyACM0 (USB, glove receiver)
good     bluetooth    a radio is on
good     sound        a server answers
good     recordings   /r can be written
good     disk         20.0 GB free, 42 hours of recording or more
good     date         2026-03-01 09:30 UTC
good     clock        steps of 0.05 µs
Ready: swings can be captured.
";
        assert_eq!(text, expected);
    }

    #[test]
    fn a_port_without_rights_names_the_group() {
        let machine = Machine { ports: Ok(vec![usb(Access::Denied)]), ..without_radio() };
        check(
            &machine,
            false,
            &[
                "bad      serial port  /dev/ttyACM0 (USB, glove receiver), but you may not read and write it",
                "                      -> run: sudo usermod -aG dialout \"$USER\"  then log out and in again",
                "Not ready: see the lines that start with \"bad\".",
            ],
        );
    }

    #[test]
    fn one_port_that_works_is_enough() {
        let ports =
            Ok(vec![usb(Access::Denied), port("/dev/rfcomm0", PortKind::Bluetooth, Access::Allowed, "x")]);
        check(
            &Machine { ports, ..good_machine() },
            true,
            &["good     serial port  /dev/rfcomm0 (Bluetooth)"],
        );
    }

    #[test]
    fn without_a_group_its_owner_is_to_be_asked() {
        let port = PortFound { group: None, ..usb(Access::Denied) };
        let ports = Ok(vec![port]);
        let text = render(&judge(&Machine { ports, ..without_radio() }));
        assert!(!text.contains("usermod") && text.contains("ask the owner"), "{text}");
    }

    #[test]
    fn no_port_is_bad_and_built_in_ones_may_do() {
        let none = Machine { ports: Ok(vec![]), ..without_radio() };
        check(&none, false, &["bad      serial port  none"]);
        let built_in = Ok(vec![port("/dev/ttyS0", PortKind::BuiltIn, Access::Allowed, "dialout")]);
        let line = "limited  serial port  only built-in ones: /dev/ttyS0";
        check(&Machine { ports: built_in, ..good_machine() }, true, &[line]);
        let unlisted = Machine { ports: Err("no /sys/class/tty".into()), ..without_radio() };
        check(&unlisted, false, &["bad      serial port  cannot be listed: no /sys/class/tty"]);
    }

    #[test]
    fn a_radio_alone_is_enough() {
        let on_the_air = Machine { ports: Ok(vec![]), ..good_machine() };
        let advice = "                      -> a glove on the air needs none; for one on a cable: plug in the glove's cable or receiver, then look again";
        check(
            &on_the_air,
            true,
            &["limited  serial port  none", advice, "good     bluetooth    a radio is on"],
        );
    }

    #[test]
    fn a_cable_alone_is_enough_and_a_radio_that_is_off_may_do() {
        let line = "limited  bluetooth    no radio";
        check(&without_radio(), true, &[line, "good     serial port  /dev/ttyACM0 (USB, glove receiver)"]);
        let radio = RadioFound::Off("a radio".into());
        let off = Machine { ports: Ok(vec![]), radio, ..good_machine() };
        check(&off, true, &["limited  serial port  none", "limited  bluetooth    a radio is switched off"]);
    }

    #[test]
    fn silence_does_not_stop_a_capture() {
        let machine = Machine { sound: Err("sound server: none".into()), ..good_machine() };
        check(
            &machine,
            true,
            &["limited  sound        sound server: none", "Ready: swings can be captured."],
        );
    }

    #[test]
    fn a_folder_that_cannot_be_written_does() {
        let denied = FolderFound::Denied("Permission denied".into());
        let line = "bad      recordings   /r cannot be written: Permission denied";
        check(&Machine { folder: denied, ..good_machine() }, false, &[line]);
        let line = "bad      recordings   /r: expected a folder, found a file";
        check(&Machine { folder: FolderFound::NotAFolder, ..good_machine() }, false, &[line]);
        let line = "good     recordings   /r is not there yet and can be made";
        check(&Machine { folder: FolderFound::CanBeMade, ..good_machine() }, true, &[line]);
    }

    #[test]
    fn a_full_disk_is_bad_and_a_filling_one_is_told() {
        let full = Machine { free_bytes: Some(400_000_000), ..good_machine() };
        check(&full, false, &["bad      disk         400 MB free, less than an hour of recording"]);
        let filling = Machine { free_bytes: Some(2_000_000_000), ..good_machine() };
        check(&filling, true, &["limited  disk         2.0 GB free, 4 hours of recording or more"]);
        check(
            &Machine { free_bytes: None, ..good_machine() },
            true,
            &["limited  disk         free space not known"],
        );
    }

    #[test]
    fn a_clock_that_was_never_set_is_told() {
        check(
            &Machine { now: WallTime(0), ..good_machine() },
            true,
            &["limited  date         1970-01-01 00:00 UTC"],
        );
        let coarse = Machine { clock_step_us: Some(15_600.0), ..good_machine() };
        check(&coarse, true, &["limited  clock        steps of 15600 µs"]);
    }
}
