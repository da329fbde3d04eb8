//! With the hand node alone the wrist's angles are worked out, not measured: that is said on every screen that shows
//! them. Skips the pages in a browser where there is none.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/browser.rs"]
mod browser;
#[path = "support/shelf.rs"]
mod shelf;
mod support {
    pub mod analysis;
}

use browser::{Look, ask, site_of, until, with_browser};
use hingeclock::detect::BucketAnalysis;
use hingeclock::device::virtual_glove::{Scenario, VirtualBucket};
use hingeclock::review::live::Latest;
use hingeclock::review::page::{PageModel, page, report};
use hingeclock::review::report::Report;
use hingeclock::review::{Review, json, table};
use hingeclock::sample::NodeRole;
use hingeclock::units::PlayerHand;
use serde_json::Value;
use std::path::Path;
use support::analysis::offline;

fn review(roles: Vec<NodeRole>) -> Review {
    let scenario = Scenario { roles, ..shelf::scenario(4) };
    let swings = offline(&VirtualBucket::play(&scenario, 3));
    let seen = swings.iter().filter(|swing| swing.hinge_deg.top.is_some()).count();
    assert!(seen >= 3, "else this shows nothing");
    Review::new("kestrel-1.mcap", BucketAnalysis { swings, losses: vec![], notes: vec![], calibration: None })
}

fn alone() -> Review {
    review(vec![NodeRole::Hand])
}

fn both() -> Review {
    review(vec![NodeRole::Hand, NodeRole::Forearm])
}

const SAID: &str =
    "the angles of wrist and forearm are not measured: they are worked out from the hand's path";

fn one_line(text: &str) -> String {
    text.replace("&#39;", "'").split_whitespace().collect::<Vec<&str>>().join(" ")
}

#[test]
fn text_page_report_and_json_say_that_the_angles_are_worked_out() {
    let screens = |review: &Review| {
        let of_page = page(&PageModel { review: review.clone(), live: false });
        let sheet = report::file(&Report::of(review.clone(), None));
        [table::text(review, 100), of_page, sheet].map(|text| one_line(&text))
    };
    for (alone, both) in screens(&alone()).iter().zip(&screens(&both())) {
        assert!(alone.contains(SAID), "{alone}");
        assert!(!both.contains("worked out"), "{both}");
    }
    let from = |review: &Review| {
        let printed: Value = serde_json::from_str(&json::text(review).unwrap()).unwrap();
        let of = |swing: &Value| (swing["angles_from"].clone(), swing["hinge_deg"]["top"].is_null());
        printed["swings"].as_array().unwrap().iter().map(of).collect::<Vec<_>>()
    };
    for (from, no_angles) in from(&alone()) {
        assert_eq!(from, if no_angles { Value::Null } else { "hand-path".into() });
    }
    assert!(from(&both()).iter().all(|(from, _)| from == "both-nodes"));
}

#[test]
fn the_live_views_say_it_of_the_newest_swing() {
    let doubts = |review: &Review| Latest::of(review).unwrap().doubts.join("; ");
    let said = "the forearm is worked out from the hand's path";
    assert!(doubts(&alone()).contains(said) && !doubts(&both()).contains(said));
}

#[tokio::test(flavor = "multi_thread")]
async fn the_page_of_a_swing_says_it_beside_drawing_and_numbers() {
    if !browser::is_there() {
        return;
    }
    for (review, is_alone) in [(alone(), true), (both(), false)] {
        let number = 1 + review.analysis.swings.iter().position(|s| s.hinge_deg.top.is_some()).unwrap();
        with_browser(site_of(Path::new("none.csv"), review, PlayerHand::Right), move |look| async move {
            look.at(&format!("/bucket/now/swing/{number}")).await;
            until(&look.client, "performance.getEntriesByName('swing-ready').length").await;
            let [drawing, numbers] = ["#stage > .about", "section[aria-labelledby=numbers-title] .about"];
            assert_eq!(text(&look, drawing).await.contains("not measured but worked out"), is_alone);
            assert_eq!(text(&look, drawing).await.contains("Angles are measured"), !is_alone);
            assert_eq!(text(&look, numbers).await.contains(SAID), is_alone);
            // One reason in place of fifteen figures that are not known.
            let speed = text(&look, "section[aria-labelledby=speed-title]").await;
            assert_eq!(speed.contains("Head at the ball"), !is_alone, "{speed}");
            assert_eq!(speed.matches("Not known:").count(), usize::from(is_alone), "{speed}");
            if is_alone {
                look.everywhere("hand-alone-swing").await;
            }
            look.at("/").await;
            assert_eq!(text(&look, "main").await.contains(SAID), is_alone);
            look.was_quiet().await;
        })
        .await;
    }
}

async fn text(look: &Look, place: &str) -> String {
    let script = format!("return document.querySelector({place:?}).innerText");
    one_line(ask(&look.client, &script).await.as_str().unwrap())
}
