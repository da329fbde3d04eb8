//! The cues as an ear gets them: pulses and pitches found in the samples, not in the table they were made from.

#![allow(clippy::unwrap_used, reason = "a test may end here")]

mod tone_common;

use hingeclock::tone::{Cue, CueSink, SampleRate, SoundState, ToneError, Volume, WavTimeline, render};
use hingeclock::units::HostTime;
use tone_common::{Heard, listen, power_at};

const RATE_HZ: f64 = 48_000.0;

fn heard(cue: Cue) -> Vec<Heard> {
    // Silence around it, as in life.
    let mut samples = vec![0.0; 4800];
    samples.extend(render(cue, SampleRate::SERVER, Volume::default()));
    samples.extend([0.0; 4800]);
    listen(&samples, RATE_HZ)
}

fn check(cue: Cue, expected_hz: &[f64], expected_spacing_s: f64) {
    let heard = heard(cue);
    assert_eq!(heard.len(), expected_hz.len(), "{}: {heard:?}", cue.word());
    for (pulse, hz) in heard.iter().zip(expected_hz) {
        assert!((pulse.pitch_hz - hz).abs() < 6.0, "{}: expected {hz} Hz in {pulse:?}", cue.word());
    }
    for pair in heard.windows(2) {
        let spacing_s = pair[1].starts_s - pair[0].starts_s;
        assert!((spacing_s - expected_spacing_s).abs() < 0.005, "{}: {spacing_s} s", cue.word());
    }
}

#[test]
fn early_is_two_quick_pulses_that_rise() {
    check(Cue::Early, &[587.0, 988.0], 0.125);
}

#[test]
fn in_window_is_one_level_tone() {
    check(Cue::InWindow, &[784.0], 0.0);
    assert!(heard(Cue::InWindow)[0].lasts_s > 0.15);
}

#[test]
fn late_is_three_dragging_pulses_that_fall() {
    check(Cue::Late, &[1175.0, 831.0, 523.0], 0.2);
}

#[test]
fn no_set_is_four_low_pulses() {
    check(Cue::NoSet, &[330.0; 4], 0.08);
}

#[test]
fn the_guides_cues_go_up_when_all_is_well_and_down_when_not() {
    check(Cue::Begin, &[440.0], 0.0);
    assert!(heard(Cue::Begin)[0].lasts_s > 0.2);
    check(Cue::PartDone, &[560.0, 705.0, 888.0], 0.11);
    check(Cue::Repeat, &[720.0, 480.0], 0.27);
    check(Cue::AllDone, &[345.0, 460.0, 690.0, 920.0], 0.15);
}

/// The tick comes often: short, and at half the level of the others.
#[test]
fn the_tick_is_short_and_quiet() {
    check(Cue::Tick, &[1047.0], 0.0);
    assert!(heard(Cue::Tick)[0].lasts_s < 0.06);
    let peak =
        |cue| render(cue, SampleRate::SERVER, Volume::default()).iter().fold(0.0_f32, |p, s| p.max(s.abs()));
    assert!(peak(Cue::Tick) < 0.6 * peak(Cue::Begin));
}

/// The first 45 ms, which every cue has, already differ within a family: the first pitch of one holds a tenth or
/// less of its power in the other's samples. Both at the same level.
#[test]
fn the_first_pulse_tells_the_cues_apart() {
    let first_45_ms = |cue: Cue| -> Vec<f32> {
        let samples = render(cue, SampleRate::SERVER, Volume::default());
        samples[..2160].iter().map(|sample| sample / cue.level() as f32).collect()
    };
    for family in [&Cue::VERDICTS[..], &Cue::GUIDE[..]] {
        for own in family {
            let pitch_hz = own.pulses()[0].pitch_hz;
            let own_power = power_at(&first_45_ms(*own), pitch_hz, RATE_HZ);
            for other in family.iter().filter(|other| *other != own) {
                let power = power_at(&first_45_ms(*other), pitch_hz, RATE_HZ);
                assert!(power < 0.1 * own_power, "{} in {}: {}", own.word(), other.word(), power / own_power);
            }
        }
    }
}

/// A click is power far above the pitches. Each cue ends and starts so softly that above 6 kHz there is less than
/// a millionth of its power.
#[test]
fn cues_do_not_click() {
    for cue in Cue::ALL {
        let mut samples = vec![0.0; 480];
        samples.extend(render(cue, SampleRate::SERVER, Volume::default()));
        samples.extend([0.0; 480]);
        let tone = power_at(&samples, cue.pulses()[0].pitch_hz, RATE_HZ);
        let highest = (60..240)
            .map(|hundred| power_at(&samples, f64::from(hundred) * 100.0, RATE_HZ))
            .fold(0.0, f64::max);
        assert!(highest < 1e-6 * tone, "{}: {}", cue.word(), highest / tone);
    }
}

fn samples_of(path: &std::path::Path) -> (Vec<f32>, f64) {
    let reader = hound::WavReader::open(path).unwrap();
    let rate_hz = f64::from(reader.spec().sample_rate);
    let samples = reader.into_samples::<i16>().map(|s| f32::from(s.unwrap()) / 32767.0).collect();
    (samples, rate_hz)
}

#[test]
fn a_sound_file_holds_the_cues_at_their_times() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("cues.wav");
    let mut sink = Box::new(WavTimeline::create(&path, Volume::default(), HostTime(500_000)).unwrap());
    sink.play(Cue::Early, HostTime(1_500_000));
    sink.play(Cue::Late, HostTime(3_500_000));
    assert_eq!((sink.state(), sink.take_warning()), (SoundState::Written, None));
    sink.close().unwrap();

    let (samples, rate_hz) = samples_of(&path);
    let heard = listen(&samples, rate_hz);
    let starts_s: Vec<f64> = heard.iter().map(|pulse| (pulse.starts_s * 100.0).round() / 100.0).collect();
    assert_eq!(starts_s.len(), 5, "{heard:?}");
    for (found, expected) in heard.iter().map(|p| p.starts_s).zip([1.0, 1.125, 3.0, 3.2, 3.4]) {
        assert!((found - expected).abs() < 0.006, "{starts_s:?}");
    }
    let peak = samples.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
    assert!(f64::from(peak) <= Volume::default().peak_amplitude() + 1.0 / 32767.0);
}

#[test]
fn a_file_that_is_there_is_kept() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("cues.wav");
    std::fs::write(&path, "mine").unwrap();
    let error = WavTimeline::create(&path, Volume::default(), HostTime(0)).unwrap_err();
    assert!(matches!(&error, ToneError::WavFile { reason, .. } if reason.contains("exists")), "{error}");
    assert_eq!(std::fs::read(&path).unwrap(), b"mine");
}

#[test]
fn a_sound_file_that_fails_says_so_once_and_the_rest_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("cues.wav");
    let mut sink = Box::new(WavTimeline::create(&path, Volume::default(), HostTime(0)).unwrap());
    let five_hours_us = 5 * 3_600_000_000;
    sink.play(Cue::Early, HostTime(five_hours_us));
    let warning = std::iter::repeat_with(|| {
        std::thread::yield_now();
        sink.take_warning()
    })
    .flatten()
    .next();
    let text = warning.unwrap().to_string();
    assert!(text.contains("expected at most 4 hours after its start, found 5.0"), "{text}");
    sink.play(Cue::Early, HostTime(1));
    assert_eq!((sink.state(), sink.take_warning()), (SoundState::Silent, None));
    assert!(sink.close().is_err());
}

/// The part of a week's safe sound that `seconds` at `level_db` dB(A) use up: ITU-T H.870, 80 dB(A) for 40 hours a
/// week, and half the time for each 3 dB more (equal energy).
fn weekly_dose(level_db: f64, seconds: f64) -> f64 {
    seconds / (40.0 * 3600.0) * 10f64.powf((level_db - 80.0) / 10.0)
}

/// The standard's own times, and what the README says: 600 cues of 150 ms at 85 dB(A) are 0.2 % of the week.
#[test]
fn a_long_practice_is_a_fifth_of_a_percent_of_the_week() {
    for (level_db, hours) in [(80.0, 40.0), (83.0, 20.05), (90.0, 4.0), (100.0, 0.4)] {
        let dose = weekly_dose(level_db, hours * 3600.0);
        assert!((dose - 1.0).abs() < 5e-4, "{level_db} dB for {hours} h: {dose}");
    }
    let percent = 100.0 * weekly_dose(85.0, 600.0 * 0.150);
    assert!((percent - 0.198).abs() < 5e-4, "{percent} %");
}
