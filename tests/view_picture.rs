//! The live view's drawing, without a terminal: what a player reads in it, at several sizes.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/bucket.rs"]
mod bucket;

use bucket::{robins_bucket, with_trunk};
use hingeclock::daemon::view::keys::Asked;
use hingeclock::daemon::view::{View, draw};
use hingeclock::detect::BucketAnalysis;
use hingeclock::device::ClockStand;
use hingeclock::record::latency::Latency;
use hingeclock::review::Review;
use hingeclock::review::live::*;
use hingeclock::review::page::PageModel;
use hingeclock::sample::NodeRole;
use hingeclock::tone::SoundState;
use hingeclock::units::Measured;
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use std::collections::BTreeMap;

fn status() -> LiveStatus {
    let node = |role, received, missing, volts, percent| NodeStatus {
        role,
        received,
        missing,
        lost_lately: Some(0.001),
        duplicates: 2,
        requeued: 1,
        on_disk: received - 50,
        battery: Some(BatteryStatus { volts, percent }),
        clock: None,
    };
    LiveStatus {
        link: LinkStatus::Sending,
        club: Some("driver".to_owned()),
        nodes: vec![
            node(NodeRole::Hand, 160_002, 40, 4.02, Some(84)),
            node(NodeRole::Forearm, 160_044, 0, 3.44, None),
        ],
        clocks: Some(ClockStatus { offset_s: -0.0123, skew: 21.4e-6 }),
        recorder: RecorderStatus {
            running: true,
            waiting: 3,
            refused: 0,
            lag_us: 40_000,
            latency: Latency::default(),
        },
        sound: SoundState::Heard,
        muted: false,
        swings: 11,
        cues: vec![],
        damaged: 0,
        guess: Guess::NotAsked,
        calibration: None,
        doubts: vec![],
    }
}

/// The view as text, a line for each row, and a second text of the same size that tells what is reversed.
fn picture(review: &Review, status: &LiveStatus, asked: &Asked, size: (u16, u16)) -> String {
    let said = ["port open, waiting for the glove", "club: driver"].map(str::to_owned);
    let clubs = ["driver", "iron", "wedge"].map(str::to_owned);
    drawn(&View { review, status, said: &said, kept: &BTreeMap::new(), asked, clubs: &clubs }, size)
}

fn drawn(view: &View<'_>, size: (u16, u16)) -> String {
    let mut terminal = Terminal::new(TestBackend::new(size.0, size.1)).unwrap();
    terminal.draw(|frame| draw(frame, view)).unwrap();
    let text = terminal.backend().to_string();
    // Behind a row with wide letters stands what they hide.
    let row = |line: &str| line.split_once("\" Hidden by ").map_or(line, |(row, _)| row).to_owned();
    text.lines().map(|line| row(line).trim_matches('"').trim_end().to_owned() + "\n").collect()
}

fn empty() -> Review {
    Review::new(
        "empty.mcap",
        BucketAnalysis { swings: vec![], losses: vec![], notes: vec![], calibration: None },
    )
}

#[test]
fn a_bucket_in_full_swing() {
    insta::assert_snapshot!(picture(&robins_bucket(), &status(), &Asked::Nothing, (80, 30)));
}

#[test]
fn another_club_was_said_since() {
    let status = LiveStatus { club: Some("7 iron".to_owned()), ..status() };
    insta::assert_snapshot!(picture(&robins_bucket(), &status, &Asked::Mark("wi".to_owned()), (100, 24)));
}

#[test]
fn before_the_first_swing() {
    insta::assert_snapshot!(picture(&empty(), &LiveStatus::default(), &Asked::Nothing, (60, 20)));
}

/// Nodes on the trunk are told of below the set; in a narrow terminal the sentences go on in the next line.
#[test]
fn the_trunk_is_told_of_the_newest_swing() {
    let told = [
        "The pelvis starts back 71 ± 2 ms before the arm does.",
        "Turned away from the target at the top: pelvis 44 ± 1°, chest 92 ± 1°.",
        "Leaning away from the target at impact: pelvis 6 ± 2°, chest 14 ± 2°.",
        "chest: samples are missing within the swing",
    ];
    for width in [110, 44] {
        let of =
            |review: &Review| picture(review, &status(), &Asked::Nothing, (width, 40)).replace('\u{a0}', " ");
        let (with, without) = (of(&with_trunk(robins_bucket())), of(&robins_bucket()));
        let flat = |text: &str| text.split_whitespace().collect::<Vec<&str>>().join(" ");
        for sentence in told {
            assert!(flat(&with).contains(sentence), "{sentence} in {with}");
        }
        assert!(["elvis", "hest", "Leaning"].iter().all(|word| !without.contains(word)), "{without}");
    }
}

/// What the readings contradict stands above all else of the glove for as long as it is doubted, on the page as well.
#[test]
fn a_doubt_of_the_glove_stays_in_view() {
    let doubted = "the hand node turns 1.18 times as far as its gyro says, by gravity";
    let with = LiveStatus { doubts: vec![doubted.to_owned()], ..status() };
    let flat = |status: &LiveStatus| {
        let text = picture(&robins_bucket(), status, &Asked::Nothing, (100, 32));
        text.split_whitespace().collect::<Vec<&str>>().join(" ")
    };
    let line = format!("Sensors DOUBTED: {doubted} Glove connected");
    assert!(flat(&with).contains(&line), "{}", flat(&with));
    assert!(!flat(&status()).contains("Sensors"));
    let page = |status: &LiveStatus| {
        let model = PageModel { review: robins_bucket(), live: true };
        let parts = hingeclock::review::page::live::parts(&model, Some(status));
        parts.into_iter().find(|(name, _)| *name == "glove").unwrap().1
    };
    let (shown, sound) = (page(&with), page(&status()));
    assert!(shown.contains(&format!("<dt>Sensors</dt><dd>DOUBTED: {doubted}</dd>")), "{shown}");
    assert!(!sound.contains("Sensors"), "{sound}");
}

/// What the calibration asks for stands in the place of the newest swing, whatever the size, and on the page.
/// Nothing is still to come of a comparison that a glove of one node cannot make.
#[test]
fn a_glove_of_one_node_has_no_clocks_to_compare() {
    let exactly = |value| Measured { value, sd: 0.0 };
    let skew = Measured { value: 3e-6, sd: 40e-6 };
    let clock = ClockStand { offset_s: exactly(0.0), skew, latency_s: 0.0, anew: 0 };
    let seen = |nodes: usize| {
        let mut status = LiveStatus { clocks: None, ..status() };
        status.nodes.truncate(nodes);
        status.nodes[0].clock = Some(clock);
        status.facts().into_iter().find(|fact| fact.name == "Clocks").unwrap().words
    };
    assert_eq!(seen(1), "against this machine hand 3 ± 40 ppm");
    assert_eq!(seen(2), "not compared by motion yet; against this machine hand 3 ± 40 ppm");
}

#[test]
fn where_the_page_is_stays_in_view() {
    let (review, status) = (robins_bucket(), status());
    let said: Vec<String> = (1..9).map(|swing| format!("swing {swing}")).collect();
    let kept = BTreeMap::from([("Page", "http://127.0.0.1:8627/".to_owned())]);
    let view = View {
        review: &review,
        status: &status,
        said: &said,
        kept: &kept,
        asked: &Asked::Nothing,
        clubs: &[],
    };
    let picture = drawn(&view, (100, 40));
    assert!(picture.contains("Page        http://127.0.0.1:8627/\n"), "{picture}");
}

#[test]
fn what_the_calibration_asks_for_stands_where_the_player_looks() {
    let words = "Wrist still, turn the forearm like a key and back, three times.";
    let status = LiveStatus { calibration: Some(CalibrationStep { part: 4, of: 5, words }), ..status() };
    for (review, size) in
        [(robins_bucket(), (80, 24)), (empty(), (120, 40)), (empty(), (60, 16)), (empty(), (40, 4))]
    {
        let text = picture(&review, &status, &Asked::Nothing, size);
        let text = text.split_whitespace().collect::<Vec<&str>>().join(" ");
        assert!(text.contains(&format!("Calibration, part 4 of 5 {words}")), "{size:?}: {text}");
        assert!(!text.contains("Waiting for the first swing"), "{size:?}: {text}");
        let model = PageModel { review, live: true };
        let parts = hingeclock::review::page::live::parts(&model, Some(&status));
        let newest = parts.into_iter().find(|(name, _)| *name == "newest").unwrap().1;
        assert!(newest.contains("Calibration, part 4 of 5") && newest.contains(words), "{newest}");
    }
}

/// What the player shall guess is not on the screen; afterwards guess and truth are.
#[test]
fn a_guess_comes_first() {
    let shown = robins_bucket();
    let hidden = shown.analysis.swings.last().unwrap();
    let mut review = shown.clone();
    review.analysis.swings.pop();
    review.cues.pop();
    let with = |review: &Review, guess| {
        picture(review, &LiveStatus { guess, ..status() }, &Asked::Nothing, (90, 30))
    };
    let before = with(&review, Guess::Waits);
    assert!(before.contains("Swing 11\n? YOUR GUESS\ne early, o in the window, l late"), "{before}");
    let travel = format!("{:.0} %", 100.0 * hidden.set.unwrap().arm_travel_at_set.value);
    for word in ["EARLY", "IN THE WINDOW", "LATE", "NO SET", &format!("at {travel} of the arm")] {
        assert!(!before.contains(word), "{word} in {before}");
    }
    let after = with(&shown, Guess::Made("guessed early: it was in the window".to_owned()));
    assert!(after.contains("o IN THE WINDOW\nguessed early: it was in the window\n"), "{after}");
    assert!(after.contains(&travel), "{after}");
}

#[test]
fn trouble_is_told() {
    let mut status = status();
    status.link = LinkStatus::Down;
    status.recorder.running = false;
    status.muted = true;
    status.damaged = 7;
    status.nodes[0].lost_lately = Some(0.012);
    status.nodes[0].battery = Some(BatteryStatus { volts: 3.6, percent: Some(9) });
    insta::assert_snapshot!(picture(&empty(), &status, &Asked::End, (110, 22)));
}

#[test]
fn the_keys_stand_at_any_size() {
    for width in 1..=120 {
        for height in [1, 2, 5, 24, 60] {
            let text = picture(&robins_bucket(), &status(), &Asked::Nothing, (width, height));
            assert_eq!(text.lines().count(), usize::from(height));
            let last = text.lines().next_back().unwrap();
            let shown = match width {
                70.. => "c take iron   n other club   m mark   space mute   k calibrate   q end",
                33.. => "c take iron n other club ",
                7.. => "… q end",
                5.. => "q end",
                _ => "q",
            };
            assert!(
                last.contains(shown) && (width < 5 || last.ends_with("q end")),
                "{width}x{height}: {last}"
            );
        }
    }
    assert!(picture(&robins_bucket(), &status(), &Asked::Nothing, (30, 8)).contains("o IN THE WINDOW"));
}

/// What comes from outside cannot move the cursor or clear the screen.
#[test]
fn control_letters_never_reach_the_terminal() {
    let mut review = robins_bucket();
    let attack = "a\u{1b}[2Jb\u{7}\nc";
    review.input = attack.to_owned();
    review.player = Some(attack.to_owned());
    review.analysis.swings.iter_mut().for_each(|swing| swing.club = Some(attack.to_owned()));
    let status = LiveStatus { club: Some(attack.to_owned()), ..status() };
    let text = picture(&review, &status, &Asked::Nothing, (100, 30));
    assert!(text.contains("a[2Jbc"), "{text}");
    assert!(!text.chars().any(|letter| letter.is_control() && letter != '\n'));
}

/// Between 24 and 110 columns no word is lost where there are rows enough.
#[test]
fn a_narrow_window_breaks_its_lines_and_loses_no_word() {
    let review = robins_bucket();
    let words = |cols| {
        let text = picture(&review, &status(), &Asked::Nothing, (cols, 80));
        let (above, keys) = text.trim_end().rsplit_once('\n').unwrap();
        assert!(keys.ends_with("q end"), "{cols}: {keys}");
        // The heading is shortened, and the drawings have room for more or less.
        let below = above.split_once('\n').unwrap().1;
        let drawn = |word: &str| {
            word.len() < 2 || word.contains(['=', '·']) || word.starts_with("takeaway") || word == "top"
        };
        below.split_whitespace().filter(|word| !drawn(word)).map(|word| word.replace(':', "")).collect()
    };
    let wide: Vec<String> = words(110);
    for cols in [80, 60, 40, 36, 30, 24] {
        assert_eq!(words(cols), wide, "{cols} columns");
    }
    let keys = picture(&review, &status(), &Asked::Nothing, (40, 24));
    assert!(keys.ends_with("c take iron n other club m mark … q end\n"), "{keys}");
}

#[test]
fn a_low_window_shows_the_swing_and_what_is_wrong_and_says_that_there_is_more() {
    let review = robins_bucket();
    let whole = picture(&review, &status(), &Asked::Nothing, (80, 40));
    assert!(!whole.contains('…'), "{whole}");
    let mut status = status();
    status.recorder.running = false;
    let low = picture(&review, &status, &Asked::Nothing, (80, 10));
    for words in ["Swing 11", "of the arm's travel", "STOPPED: no disk takes it", "\n…\n", "q end"] {
        assert!(low.contains(words), "{words} in\n{low}");
    }
    for size in [(1, 1), (2, 2), (5, 3), (200, 1), (1, 200)] {
        picture(&review, &status, &Asked::End, size);
        picture(&review, &status, &Asked::Club("a long name of a club".to_owned()), size);
    }
}

#[test]
fn what_is_typed_is_seen_at_its_end() {
    let asked = Asked::Mark("wind from the left, then calm".to_owned());
    let text = picture(&empty(), &status(), &asked, (24, 12));
    assert!(text.ends_with("Mark: … left, then calm_\n"), "{text}");
}

/// Letters of wide scripts take two cells, accents that are put on a letter none.
#[test]
fn wide_letters_and_accents_break_no_line() {
    let (wide, accents) = ("かわせみ 丘の上", "E\u{301}e\u{301}n e\u{301}\u{301}te\u{301}");
    let shown = |player: &str, club: &str, asked: &Asked, size| {
        let mut review = empty();
        review.player = Some(player.to_owned());
        picture(&review, &LiveStatus { club: Some(club.to_owned()), ..status() }, asked, size)
    };
    let heading = |player: &str, width| {
        let text = shown(player, "iron", &Asked::Nothing, (width, 60));
        text.lines().next().unwrap().to_owned()
    };
    // The names take 15 and 7 cells, what stands around them 13 and 12.
    assert_eq!(heading(wide, 40), format!("hingeclock   {wide}, empty.mcap"));
    assert_eq!(heading(wide, 36), format!("hingeclock   {wide}, empty…"));
    assert_eq!(heading(wide, 22), "hingeclock   かわせみ…");
    assert_eq!(heading(accents, 32), format!("hingeclock   {accents}, empty.mcap"));
    // What is typed is seen at its end, and the keys stand.
    let typed = shown(wide, "iron", &Asked::Mark("風は左から、あとで静か".to_owned()), (24, 12));
    assert!(typed.ends_with("Mark: …から、あとで静か_\n"), "{typed}");
    let typed = shown(wide, "iron", &Asked::Mark(accents.to_owned()), (30, 12));
    assert!(typed.ends_with(&format!("Mark: {accents}_   Enter, or Esc\n")), "{typed}");
    // No letter of a long word is lost.
    let aim = shown(wide, "丘の上の七番の長い木", &Asked::Nothing, (24, 60));
    let flat: String = aim.split_whitespace().collect();
    assert!(flat.contains("Aim:丘の上の七番の長い木:"), "{aim}");
}

#[test]
fn the_keys_stand_beside_a_club_of_wide_letters() {
    let (review, status) = (robins_bucket(), status());
    let clubs = ["driver", "丘の上の七番", "wedge"].map(str::to_owned);
    for (width, keys) in [
        (78, "c take 丘の上の七番   n other club   m mark   space mute   k calibrate   q end"),
        (77, "c take 丘の上の七番 n other club m mark space mute k calibrate q end"),
        (40, "c take 丘の上の七番 n other club … q end"),
    ] {
        let view = View {
            review: &review,
            status: &status,
            said: &[],
            kept: &BTreeMap::new(),
            asked: &Asked::Nothing,
            clubs: &clubs,
        };
        assert!(
            drawn(&view, (width, 10)).ends_with(&format!("{keys}\n")),
            "{width}: {}",
            drawn(&view, (width, 10))
        );
    }
}
