//! What a reader sees as text: the JSON object and the table.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/bucket.rs"]
mod bucket;

use bucket::robins_bucket;
use hingeclock::detect::{BodyTurn, BucketAnalysis, Class, SegmentTurn, StartBack, TargetWindow};
use hingeclock::record::library::remarks::{Remark, Said, SwingName};
use hingeclock::review::{LiveCue, Review, json, table};
use hingeclock::units::{DeviceTime, Measured, WallTime};
use proptest::prelude::*;
use serde_json::Value;

fn parsed(review: &Review) -> Value {
    serde_json::from_str(&json::text(review).unwrap()).unwrap()
}

/// One ordinary swing, one without a set, one in the air.
fn three_swings() -> Review {
    let mut review = robins_bucket();
    let swings = std::mem::take(&mut review.analysis.swings);
    review.analysis.swings = [0, 5, 10].map(|place| swings[place].clone()).into();
    review
}

#[test]
fn the_json_object_stays_as_it_is() {
    let text = json::text(&three_swings()).unwrap();
    insta::assert_snapshot!("json", text.replace(env!("CARGO_PKG_VERSION"), "[version]"));
}

#[test]
fn the_table_stays_as_it_is() {
    insta::assert_snapshot!("table", table::text(&robins_bucket(), 100));
}

#[test]
fn the_table_says_which_swing_is_left_out_and_why() {
    let mut review = three_swings();
    let takeaway_us = review.analysis.swings[1].takeaway;
    review = review.with_remarks(&[Remark {
        at_unix_ms: WallTime(0),
        swing: Some(SwingName { takeaway_us, place: 2 }),
        said: Said::Exclude("topped".to_owned()),
    }]);
    let text = table::text(&review, 100);
    assert!(
        text.contains("2 swings") && text.contains("Swing 2 is left out of the summary: topped\n"),
        "{text}"
    );
}

#[test]
fn the_newest_swing_is_a_line_with_or_without_a_set() {
    let mut review = three_swings();
    review.analysis.swings[0].set.as_mut().unwrap().set_to_top_ms = Measured::new(-312.4, 0.3);
    review.analysis.swings.truncate(1);
    review.first_number = 7;
    let line = table::newest(&review).replace('\u{a0}', " ");
    assert!(line.starts_with("swing 7, ") && line.contains("set −312.4 ± 0.3 ms against"), "{line}");
    let mut review = three_swings();
    review.analysis.swings.truncate(2);
    let line = table::newest(&review).replace('\u{a0}', " ");
    assert!(line.contains(": no set was found") && !line.contains('–'), "{line}");
}

/// The same with a node on the belt in all swings but the first.
fn with_pelvis() -> Review {
    let mut review = three_swings();
    for (swing, lead_ms) in review.analysis.swings.iter_mut().skip(1).zip([64.0, 80.0]) {
        let start_back = StartBack {
            at: DeviceTime(1),
            lead_to_top_ms: Measured::new(lead_ms, 3.0),
            lead_to_set_ms: Some(Measured::new(lead_ms - 200.0, 5.0)),
        };
        let pelvis = SegmentTurn {
            turn_at_top_deg: Measured::new(44.0, 1.0),
            tilt_at_impact_deg: Measured::new(7.0, 1.0),
            start_back: Some(start_back),
            peak_dps: Measured::new(480.0, 4.0),
            peak: DeviceTime(2),
            flags: Vec::new(),
            curve: Vec::new(),
        };
        swing.body = Some(BodyTurn { pelvis: Some(pelvis), chest: None });
    }
    review
}

#[test]
fn a_node_on_the_belt_adds_its_columns_and_a_summary() {
    let text = table::text(&with_pelvis(), 100);
    let row = |number: &str| {
        let table = text.lines().skip_while(|line| !line.starts_with('-'));
        let mut rows = table.map(|line| line.split_whitespace().collect::<Vec<&str>>());
        rows.find(|row| row.first() == Some(&number)).unwrap()
    };
    assert!(row("1").contains(&"–") && row("2").contains(&"64±3") && row("3").contains(&"80±3"), "{text}");
    let all = text.lines().find(|line| line.starts_with("all")).unwrap();
    assert!(all.trim_end().ends_with("72 68 to 76"), "{text}");
    assert!(text.contains("Pelvis lead: how long before the top"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
    assert!(!table::text(&three_swings(), 100).contains("Pelvis"));
    let line = table::newest(&with_pelvis()).replace('\u{a0}', " ");
    assert!(line.contains("; pelvis lead 80 ± 3 ms") && !table::newest(&three_swings()).contains("pelvis"));
    let summary = &parsed(&with_pelvis())["summary"]["all"];
    let lead = &summary["pelvis_lead_to_top_ms"];
    assert_eq!((lead["n"].as_u64(), lead["median"].as_f64()), (Some(2), Some(72.0)));
    assert_eq!(summary["pelvis_lead_to_set_ms"]["median"], -128.0);
}

#[test]
fn every_key_of_the_contract_is_there() {
    let object = parsed(&three_swings());
    assert_eq!(object["schema"], 1);
    assert_eq!(object["angle_reference"], "address pose");
    let times = "takeaway_us top_us impact_us finish_us onset_us set_us set_backswing_only_us";
    let barred = "takeaway_us top_us impact_us onset_us set50_us set_us set95_us set_backswing_only_us tempo";
    let others = "set_to_top_ms set_to_top_ms_sd arm_travel_at_set class tempo club flags \
                  hinge_deg flexion_deg arm_shaft_deg";
    let events = ["address", "set", "top", "max", "arm_horizontal_down", "impact"];
    for swing in object["swings"].as_array().unwrap() {
        for key in times.split(' ') {
            assert!(swing[key].is_i64() || swing[key].is_null(), "{key}: {}", swing[key]);
        }
        for key in times.split(' ').chain(others.split_whitespace()) {
            assert!(swing.get(key).is_some(), "{key} is missing");
        }
        for key in barred.split(' ') {
            let sd = &swing[format!("{key}_sd")];
            assert_eq!(swing[key].is_null(), !sd.as_f64().is_some_and(|sd| sd > 0.0), "{key}: {sd}");
        }
        for angle in ["hinge_deg", "flexion_deg", "arm_shaft_deg"] {
            let keys: Vec<&String> = swing[angle].as_object().unwrap().keys().collect();
            assert_eq!(keys.len(), events.len(), "{angle}");
            assert!(events.iter().all(|event| swing[angle].get(event).is_some()), "{angle}: {keys:?}");
        }
        assert!(swing.get("cue").is_none(), "no cue but on the live path");
    }
}

#[test]
fn what_did_not_happen_is_null() {
    let object = parsed(&three_swings());
    let (no_set, air) = (&object["swings"][1], &object["swings"][2]);
    for key in ["onset_us", "set_us", "set_to_top_ms", "arm_travel_at_set", "set_backswing_only_us"] {
        assert!(no_set[key].is_null(), "{key}");
    }
    assert_eq!(no_set["class"], "none");
    assert_eq!(no_set["verdict"], "no-set");
    assert!(air["impact_us"].is_null() && air["hinge_deg"]["impact"].is_null());
}

#[test]
fn the_live_path_adds_its_cue() {
    let mut review = three_swings();
    let cue = LiveCue::after("early", DeviceTime(12_900_000));
    review.cues = vec![Some(cue), None, None];
    let object = parsed(&review);
    assert_eq!(object["swings"][0]["cue"], "early");
    assert_eq!(object["swings"][0]["cue_at_us"], 12_900_000);
    assert!(object["swings"][1].get("cue").is_none());
}

#[test]
fn a_set_after_the_top_is_late_although_the_arm_is_back_in_the_window() {
    let mut review = robins_bucket();
    let swing = &mut review.analysis.swings[8];
    swing.class = Class::AfterTop;
    swing.set.as_mut().unwrap().set_to_top_ms.value = 60.0;
    assert_eq!(parsed(&review)["swings"][8]["verdict"], "late");
}

#[test]
fn an_unmeasured_number_is_null_and_not_an_error() {
    let mut review = three_swings();
    review.analysis.swings[0].tempo.sd = f64::NAN;
    assert!(parsed(&review)["swings"][0]["tempo_sd"].is_null());
}

#[test]
fn no_swing_is_said_in_words() {
    let empty = BucketAnalysis { swings: vec![], losses: vec![], notes: vec![], calibration: None };
    let text = table::text(&Review::new("empty", empty), 80);
    assert_eq!(text, "empty\nNo swing was found.\n");
}

#[test]
fn a_name_cannot_steer_the_terminal() {
    let mut review = three_swings();
    review.player = Some("Robin\u{1b}[2J".to_owned());
    review.input = "a\rb".to_owned();
    review.analysis.notes.push("a note\u{7}".to_owned());
    review.analysis.swings[0].club = Some("7 iron\u{1b}]0;x\u{7}".to_owned());
    let text = table::text(&review, 100);
    assert!(text.chars().all(|c| c == '\n' || !c.is_control()), "{text:?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    #[test]
    fn lines_keep_to_the_width(width in 80_u16..200) {
        let text = table::text(&robins_bucket(), width);
        let longest = text.lines().map(|line| line.chars().count()).max().unwrap();
        prop_assert!(longest <= usize::from(width), "{longest} over {width}\n{text}");
    }

    #[test]
    fn a_width_too_small_for_a_table_is_borne(width in 0_u16..80) {
        let text = table::text(&robins_bucket(), width);
        prop_assert!(text.lines().count() > 20);
    }
}

#[test]
fn a_club_without_a_window_of_its_own_is_told_once() {
    let mut review = three_swings();
    review.windows.by_club.clear();
    review.analysis.notes.clear();
    let window = TargetWindow { from: 0.4, to: 0.6 };
    review.windows.by_club.insert("iron".to_owned(), window);
    let play = |review: &mut Review, clubs: [&str; 3]| {
        for (swing, club) in review.analysis.swings.iter_mut().zip(clubs) {
            swing.club = Some(club.to_owned());
        }
    };
    play(&mut review, ["7 iron", "irn", "irn"]);
    let told = "irn: no window of its own, the middle class counts; windows: iron";
    assert_eq!(review.notes(), [told]);
    assert!(table::text(&review, 200).contains(told));
    assert!(json::text(&review).unwrap().contains(told));
    play(&mut review, ["7 iron", "Hybrid 4", "putter"]);
    assert_eq!(review.notes(), [""; 0], "none of these is misspelt");
    play(&mut review, ["7 iron", "irn", "irn"]);
    review.windows.by_club.insert("irn".to_owned(), window);
    assert_eq!(review.notes(), [""; 0]);
}
