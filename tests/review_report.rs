//! The coach's report: its numbers beside `analyze --json` and `library contrast`, its words on few and many swings,
//! without names, on one sheet of paper, and in a real browser without asking for anything.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/binary.rs"]
mod binary;
#[path = "support/browser.rs"]
mod browser;
#[path = "support/bucket.rs"]
mod bucket;
#[path = "support/shelf.rs"]
mod shelf;

use binary::{code, errors, run};
use browser::{ask, axe, picture, until, with_browser};
use bucket::{Shape, robins_bucket, robins_windows, swing};
use hingeclock::detect::BucketAnalysis;
use hingeclock::record::export::Names;
use hingeclock::record::library::remarks::{Remark, Said, SwingName};
use hingeclock::review::Review;
use hingeclock::review::page::report::file;
use hingeclock::review::report::{Report, plain};
use hingeclock::review::summary::Summary;
use hingeclock::units::{PlayerHand, WallTime};
use serde_json::{Value, json};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// The text of a piece of HTML: without tags, spaces as one.
fn text_of(html: &str) -> String {
    let mut text = String::new();
    let mut inside = true;
    for c in html.chars() {
        match c {
            '<' => (inside, _) = (false, text.push(' ')),
            '>' => inside = true,
            c if inside => text.push(c),
            _ => {}
        }
    }
    let text = text.replace('\u{a0}', " ").replace('−', "-").replace("&amp;", "&");
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// What stands between two texts, the first time.
fn between<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    let rest = text.split_once(from).unwrap_or_else(|| panic!("no {from:?} in {text}")).1;
    rest.split_once(to).unwrap_or_else(|| panic!("no {to:?} after {from:?} in {rest}")).0
}

/// The numbers in a text, as they are printed.
fn numbers(text: &str) -> Vec<String> {
    let number = |c: char| c.is_ascii_digit() || c == '.' || c == '-';
    let parts = text.split(|c: char| !number(c)).map(|part| part.trim_matches('.'));
    parts.filter(|part| part.chars().any(|c| c.is_ascii_digit())).map(str::to_owned).collect()
}

/// A printed number is this one, rounded to its digits (the JSON itself is rounded to hundredths, or parts of 10 000).
fn is(printed: &str, value: &Value, factor: f64) {
    let value = value.as_f64().unwrap_or_else(|| panic!("{printed} for {value}")) * factor;
    let decimals = printed.split('.').nth(1).map_or(0, str::len) as i32;
    let shown: f64 = printed.parse().unwrap();
    assert!((shown - value).abs() <= 0.5 * 10_f64.powi(-decimals) + 0.0101, "{shown} for {value}");
}

fn recording(folder: &Path, name: &str, swings: usize, seed: u64, started: i64) -> PathBuf {
    let session = shelf::session("Robin", started);
    shelf::put(folder, name, &session, &shelf::recorded(&shelf::bucket(swings, seed), &session));
    folder.join(name)
}

/// The report that the command writes, and what else it was told.
fn reported(input: &Path, more: &[&str]) -> String {
    let out = input.with_extension("report.html");
    let mut arguments = vec!["review", input.to_str().unwrap(), "--report", out.to_str().unwrap()];
    arguments.extend(more);
    let output = run(&arguments);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    std::fs::read_to_string(out).unwrap()
}

#[test]
fn its_numbers_are_those_of_the_json() {
    let folder = tempfile::tempdir().unwrap();
    let input = recording(folder.path(), "kestrel-1.mcap", 14, 3, 1_790_000_000_000);
    let json = run(&["analyze", input.to_str().unwrap(), "--json"]);
    let json: Value = serde_json::from_slice(&json.stdout).unwrap();
    let html = reported(&input, &[]);
    let text = text_of(html.split("<body>").nth(1).unwrap());
    // 1 790 000 000 s after the epoch (POSIX).
    assert!(text.contains("Robin: bucket of 21 September 2026"), "{text}");
    let clubs = json["summary"]["clubs"].as_array().unwrap();
    assert_eq!(clubs.len(), 2);
    for club in clubs {
        let name = club["club"].as_str().unwrap();
        let row = html.split("<th scope=\"row\">").find(|row| row.starts_with(&format!("{name}<"))).unwrap();
        let cells: Vec<String> =
            row.split("<td").skip(1).map(|cell| text_of(&format!("<td{cell}"))).collect();
        let (ms, travel, share) = (&club["set_to_top_ms"], &club["arm_travel_at_set"], &club["in_window"]);
        is(&numbers(&cells[0])[0], &club["swings"], 1.0);
        is(&numbers(&cells[1])[0], &club["sets"], 1.0);
        is(&numbers(&cells[2])[0], &ms["median"], 1.0);
        is(&numbers(&cells[3])[0], &ms["lower_quartile"], 1.0);
        is(&numbers(&cells[3])[1], &ms["upper_quartile"], 1.0);
        is(&numbers(&cells[4])[0], &travel["median"], 100.0);
        is(&numbers(&cells[5])[0], &share["hits"], 1.0);
        is(&numbers(&cells[5])[1], &share["n"], 1.0);
        is(&numbers(&cells[6])[0], &share["low_95"], 100.0);
        is(&numbers(&cells[6])[1], &share["high_95"], 100.0);
        is(&numbers(&cells[7])[0], &club["tempo"]["median"], 1.0);
        let words = text_of(between(&html, &format!("<h3>{name}</h3>"), "</div>"));
        let (hits, n) = (&share["hits"], &share["n"]);
        assert!(words.starts_with(&format!("{hits} of {n} swings in your window")), "{words}");
        let range = ms["upper_quartile"].as_f64().unwrap() - ms["lower_quartile"].as_f64().unwrap();
        is(&numbers(between(&words, "sets lies within", "ms"))[0], &json!(range), 1.0);
        let counted = |verdict: &str| {
            let swings = json["swings"].as_array().unwrap().iter();
            swings.filter(|swing| swing["club"] == name && swing["verdict"] == verdict).count()
        };
        let [early, late] = ["early", "late"].map(counted);
        assert!(words.contains(&format!("window, {early} early, {late} late")), "{words}");
        let said = numbers(between(
            &words,
            if n.as_u64().unwrap() < 10 { "be in it (" } else { "like this, " },
            "of 100",
        ));
        is(&said[0], &share["low_95"], 100.0);
        is(&said[1], &share["high_95"], 100.0);
    }
    the_number_to_remember_is_the_middle_of_the_most_used_club(&text, &json);
    the_band_is_the_interval(&text, &clubs[1]["set_trend_ms"]);
}

fn the_number_to_remember_is_the_middle_of_the_most_used_club(text: &str, json: &Value) {
    let driver = &json["summary"]["clubs"][1];
    assert_eq!((&driver["club"], driver["sets"].as_u64().unwrap() >= 10), (&json!("driver"), true));
    let said = between(text, "For you", "Your window is");
    let said = numbers(said);
    is(&said[0], &driver["arm_travel_at_set"]["median"], 100.0);
    // From takeaway (0 %) to the top (100 %): the middle of so many sets, from, to.
    assert_eq!(said[1..3], ["0".to_owned(), "100".to_owned()]);
    is(&said[3], &driver["sets"], 1.0);
    // Worked out anew from the swings: ranks of the sign test, beside twice the measurement's standard deviation.
    let of = |key: &str| -> Vec<f64> {
        let swings = json["swings"].as_array().unwrap().iter().filter(|swing| swing["club"] == "driver");
        let mut values: Vec<f64> = swings.filter_map(|swing| swing[key].as_f64()).collect();
        values.sort_by(f64::total_cmp);
        values
    };
    let (travels, sds) = (of("arm_travel_at_set"), of("arm_travel_at_set_sd"));
    // Published ranks for 95 %: 2 of 10, 2 of 11, 3 of 12 to 14 [M].
    let outside = match travels.len() {
        10 | 11 => 1,
        12..=14 => 2,
        n => panic!("{n} sets"),
    };
    let middle = |values: &[f64]| {
        let half = values.len() / 2;
        if values.len() % 2 == 1 { values[half] } else { 0.5 * (values[half - 1] + values[half]) }
    };
    let (value, sd) = (middle(&travels), 1.96 * middle(&sds));
    let [low, high] =
        [travels[outside], travels[travels.len() - 1 - outside]].map(|end| (end - value).hypot(sd));
    is(&said[4], &json!(value - low), 100.0);
    is(&said[5], &json!(value + high), 100.0);
}

fn the_band_is_the_interval(text: &str, trend: &Value) {
    let said = numbers(between(text, "The line changes by", "(95 %)"));
    is(&said[0], &trend["per_swing"], 1.0);
    is(&said[1], &trend["low_95"], 1.0);
    is(&said[2], &trend["high_95"], 1.0);
}

/// Swings whose hinge rises earlier or later, with a window around the middle.
fn shaped(rises: impl Iterator<Item = f64>) -> Review {
    let one = |(n, rise): (usize, f64)| {
        swing(Shape {
            club: "7 iron",
            takeaway_s: 20.0 * n as f64,
            backswing_s: 0.78,
            downswing_s: 0.26,
            rises: (rise, rise + 0.46),
            range_deg: 30.0,
            ball: true,
        })
    };
    let swings = rises.enumerate().map(one).collect();
    let analysis = BucketAnalysis { swings, losses: vec![], notes: vec![], calibration: None };
    Review { windows: robins_windows(), ..Review::new("made", analysis) }
}

fn words(review: &Review) -> String {
    let summary = Summary::of(review);
    let (club, group) = &summary.clubs[0];
    plain::sentences(&Report::of(review.clone(), None), club.as_deref(), group).join(" ")
}

/// Its name, where each hinge begins to rise, what is said of it and what is not.
type Case = (&'static str, Vec<f64>, &'static [&'static str], &'static [&'static str]);

#[test]
fn nothing_is_said_that_the_interval_does_not_carry() {
    let cases: [Case; 6] = [
        // Four of four early: the sign test does not carry "mostly" (0.125).
        ("few and early", vec![0.01; 4], &["Only 4 swings", "cannot be told yet"], &["mostly", "More often"]),
        (
            "six early",
            vec![0.01; 6],
            &["mostly early", "More often out", "Only 6 swings"],
            &["From first to last", "cannot be told"],
        ),
        (
            "twelve late",
            vec![0.4; 12],
            &["mostly late", "no change can be told"],
            &["Only", "earlier,", "later,"],
        ),
        (
            "twelve that go later",
            (0..12).map(|n| 0.05 + 0.02 * f64::from(n)).collect(),
            &[
                "the set came later, by",
                "Whether more often in it or out cannot be told yet",
                "to neither side",
            ],
            &["mostly", "Only"],
        ),
        (
            "twelve that go earlier",
            (0..12).map(|n| 0.3 - 0.02 * f64::from(n)).collect(),
            &["the set came earlier, by"],
            &["later, by", "came earlier, by -"],
        ),
        (
            "all in",
            vec![0.16; 12],
            &["12 of 12 swings in your window, 0 early, 0 late", "More often in it", "the set stays"],
            &["miss", "0.0"],
        ),
    ];
    for (name, rises, said, unsaid) in cases {
        let words = words(&shaped(rises.into_iter()));
        println!("{name}: {words}");
        for part in said {
            assert!(words.contains(part), "{name}: no {part:?} in {words}");
        }
        for part in unsaid {
            assert!(!words.contains(part), "{name}: {part:?} in {words}");
        }
    }
}

#[test]
fn an_empty_bucket_and_one_without_windows_have_a_report() {
    let empty = file(&Report::of(shaped(std::iter::empty()), None));
    assert!(empty.contains("No swing was found.") && !empty.contains("<svg"));
    let mut plain = shaped([0.16; 3].into_iter());
    plain.windows = Default::default();
    let said = words(&plain);
    assert!(said.contains("no window was agreed") && !said.contains("early"), "{said}");
}

const ATTACK: &str = "<script>alert(1)</script>\"'&";

/// Robin's bucket with what a coach said of it.
fn remarked() -> Review {
    let review = robins_bucket();
    let at =
        |place: usize| Some(SwingName { takeaway_us: review.analysis.swings[place - 1].takeaway, place });
    let said = [
        (None, Said::Note(format!("Better than last week, Robin. {ATTACK}"))),
        (None, Said::Note("Keep the arm long.".to_owned())),
        (at(3), Said::Tag("best".to_owned())),
        (at(3), Said::Note("this one, Robin".to_owned())),
        (at(5), Said::Tag("secret word".to_owned())),
        (at(6), Said::Exclude("Robin slipped".to_owned())),
    ];
    let remarks: Vec<Remark> =
        said.map(|(swing, said)| Remark { at_unix_ms: WallTime(7), swing, said }).into();
    review.with_remarks(&remarks)
}

#[test]
fn the_coachs_words_stand_in_it_and_names_can_be_left_out() {
    let report = Report::of(remarked(), Some(WallTime(951_868_800_500)));
    let with = text_of(file(&report.clone()).split("<body>").nth(1).unwrap());
    for said in
        ["Better than last week, Robin.", "Keep the arm long.", "1 left out", "bucket of 1 March 2000"]
    {
        assert!(with.contains(said), "no {said:?} in {with}");
    }
    assert!(with.contains("Swing 3, 7 iron (best): this one, Robin. Set "), "{with}");
    let html = file(&report.clone());
    assert!(!html.contains("<script") && html.contains("&lt;script&gt;"));
    let without = file(&report.told(Names::Drop));
    for name in ["Robin", "kestrel", "last week", "Keep the arm", "secret", "slipped", "alert"] {
        assert!(!without.contains(name), "{name}");
    }
    // What is measured stays, and so does what is left out of it.
    assert!(without.contains("1 left out") && without.contains("Swing 3, 7 iron (best). Set "));
}

#[test]
fn the_command_leaves_names_out_and_writes_over_nothing_of_its_input() {
    let folder = tempfile::tempdir().unwrap();
    let input = recording(folder.path(), "robins-own.mcap", 3, 5, 1_790_000_000_000);
    let named = reported(&input, &[]);
    assert!(named.contains("Robin") && named.contains("robins-own"));
    let nameless = reported(&input, &["--without-names"]);
    assert!(!nameless.contains("Robin") && !nameless.contains("robins-own"));
    assert!(nameless.contains("Bucket of 21 September 2026"));
    let path = input.to_str().unwrap();
    let output = run(&["review", path, "--report", path]);
    assert_eq!(code(&output), 1);
    assert!(errors(&output).contains("expected another file than the input"), "{}", errors(&output));
}

/// What the report says of the earlier bucket is what `library contrast` says.
#[test]
fn a_change_against_earlier_buckets_is_that_of_the_library() {
    let folder = tempfile::tempdir().unwrap();
    let day = 86_400_000;
    for (name, seed, days) in [("a.mcap", 3, 0), ("b.mcap", 4, 3), ("later.mcap", 6, 9)] {
        recording(folder.path(), name, 8, seed, 1_790_000_000_000 + days * day);
    }
    let input = recording(folder.path(), "c.mcap", 8, 5, 1_790_000_000_000 + 5 * day);
    let library = folder.path().to_str().unwrap();
    let contrast = ["library", "contrast", "--folder", library, "--json", "--club", "driver"];
    let output = run(&[&contrast[..], &["--first", "a", "b", "--second", "c"]].concat());
    assert_eq!(code(&output), 0, "{}", errors(&output));
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    let set = &told["compared"]["set_to_top_ms"];
    assert_eq!(set["basis"], "one-against-several");
    let html = reported(&input, &["--library", library]);
    let driver = text_of(between(&html, "<h3>driver</h3>", "</div>"));
    let said = between(&driver, "Against your last 2 buckets", "would fit.");
    let said: Vec<f64> = numbers(said).iter().map(|number| number.parse().unwrap()).collect();
    for (number, key) in said.iter().zip(["difference", "low_95", "high_95"]) {
        let value = set[key].as_f64().unwrap();
        assert!((number - value.abs()).abs() <= 0.5, "{number} for {key} {value}");
    }
    assert_eq!(said.len(), 3);
    // Of the first there is none before; another library knows nothing of it.
    let first = text_of(&reported(&folder.path().join("a.mcap"), &["--library", library]));
    assert!(!first.contains("Against"), "{first}");
    let other = tempfile::tempdir().unwrap();
    std::fs::copy(folder.path().join("a.mcap"), other.path().join("a.mcap")).unwrap();
    let (input, other) = (input.to_str().unwrap(), other.path().to_str().unwrap());
    let output = run(&["review", input, "--report", "/dev/null", "--library", other]);
    assert_eq!(code(&output), 1);
    assert!(errors(&output).contains("expected a recording of the library"), "{}", errors(&output));
}

/// Pages and text of a PDF by an independent reader; none where it is not installed.
fn read_pdf(base64: &str) -> Option<(u64, String)> {
    let script = "import sys, base64, io, json, pypdf\n\
                  r = pypdf.PdfReader(io.BytesIO(base64.b64decode(sys.stdin.read())))\n\
                  print(json.dumps([len(r.pages), ' '.join(p.extract_text() for p in r.pages)]))";
    let python =
        Command::new("python3").args(["-c", script]).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn();
    let mut python = python.ok()?;
    python.stdin.take().unwrap().write_all(base64.as_bytes()).ok();
    let output = python.wait_with_output().unwrap();
    if !output.status.success() {
        eprintln!("skipped: pypdf is not installed (.ci/run installs it)");
        return None;
    }
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    Some((
        told[0].as_u64().unwrap(),
        told[1].as_str().unwrap().split_whitespace().collect::<Vec<_>>().join(" "),
    ))
}

/// Heights and widths of paper, cm: ISO 216 A4, and 8.5 by 11 inches.
const PAPERS: [(&str, f64, f64); 2] = [("A4", 21.0, 29.7), ("Letter", 21.59, 27.94)];

async fn is_one_sheet(look: &browser::Look, name: &str) {
    browser::bars_stay_on_paper(&look.client).await;
    for (paper, width, height) in PAPERS {
        let page = json!({ "width": width, "height": height });
        let pdf = look.driver.post(&look.session, "print", json!({ "page": page, "background": true })).await;
        let Some((pages, text)) = read_pdf(pdf.as_str().unwrap_or_else(|| panic!("{pdf}"))) else { return };
        assert_eq!(pages, 1, "{name} on {paper}");
        for part in ["For you", "target window", "The numbers", "no medical device"] {
            assert!(text.contains(part), "{name} on {paper}: no {part:?} in {text}");
        }
        assert!(!text.contains("Decimals"), "the bar is for the screen: {text}");
    }
}

/// A bucket with three clubs, notes and forty swings.
fn usual_bucket() -> Review {
    let shape = |n: usize| Shape {
        club: ["wedge", "7 iron", "driver"][n / 14],
        takeaway_s: 20.0 * n as f64,
        backswing_s: 0.78,
        downswing_s: 0.26,
        rises: (0.12 + 0.003 * (n % 31) as f64, 0.55 + 0.007 * (n % 23) as f64),
        range_deg: 28.0 + (n % 9) as f64,
        ball: true,
    };
    let swings = (0..40).map(|n| swing(shape(n))).collect();
    let analysis = BucketAnalysis { swings, losses: vec![], notes: vec![], calibration: None };
    let review = Review {
        windows: robins_windows(),
        player: Some("Robin".to_owned()),
        ..Review::new("kestrel-point-bucket-1", analysis)
    };
    let takeaway = |place: usize| review.analysis.swings[place].takeaway;
    let note = "Your wrist is ahead of your arm at the start. Let the arm go first, and let the hinge come by itself.";
    let mut said =
        vec![(None, Said::Note(note.to_owned())), (None, Said::Note("Ten slow ones each day.".to_owned()))];
    for place in [3, 17, 30] {
        let swing = Some(SwingName { takeaway_us: takeaway(place), place: place + 1 });
        said.push((swing, Said::Tag("best".to_owned())));
        said.push((swing, Said::Note("this is how it should feel".to_owned())));
    }
    let remarks: Vec<Remark> =
        said.into_iter().map(|(swing, said)| Remark { at_unix_ms: WallTime(7), swing, said }).collect();
    review.with_remarks(&remarks)
}

#[tokio::test(flavor = "multi_thread")]
async fn the_file_asks_for_nothing_and_is_one_sheet() {
    if !browser::is_there() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let files = [("three-clubs", usual_bucket()), ("robin", remarked())];
    for (name, review) in &files {
        let html = file(&Report::of(review.clone(), Some(WallTime(1_790_000_000_000))));
        for forbidden in
            ["http://", "https://", " src=", "@import", "url(", "<script", " style=", "javascript:"]
        {
            assert!(!html.contains(forbidden), "{forbidden}");
        }
        std::fs::write(folder.path().join(format!("{name}.html")), html).unwrap();
    }
    let site = browser::site_of(Path::new("none.csv"), robins_bucket(), PlayerHand::Right);
    with_browser(site, move |look| async move {
        for (name, _) in files {
            browser::requests(&look.driver, &look.session).await;
            let address = format!("file://{}/{name}.html", folder.path().display());
            look.client.goto(&address).await.unwrap();
            let drawings = "document.querySelectorAll('svg.chart').length";
            until(&look.client, &format!("{drawings} === 3")).await;
            is_one_sheet(&look, name).await;
            look.everywhere(&format!("report-{name}")).await;
            let asked = browser::requests(&look.driver, &look.session).await;
            let asked: Vec<&String> = asked.iter().filter(|url| !url.starts_with("data:")).collect();
            assert_eq!(asked, [&address], "the file alone");
            assert_eq!(browser::console(&look.driver, &look.session).await, Vec::<String>::new());
        }
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_report_is_reached_and_printed_on_the_bench() {
    if !browser::is_there() {
        return;
    }
    let site = browser::site_of(Path::new("none.csv"), remarked(), PlayerHand::Right);
    with_browser(site, |look| async move {
        look.at("/").await;
        let link = fantoccini::Locator::LinkText("Report");
        look.client.find(link).await.unwrap().click().await.unwrap();
        until(&look.client, "location.pathname === '/bucket/now/report'").await;
        until(&look.client, "!document.getElementById('print').hidden").await;
        ask(&look.client, "window.print = () => { window.printed = true; }; return null").await;
        look.client.find(fantoccini::Locator::Css("#print")).await.unwrap().click().await.unwrap();
        until(&look.client, "window.printed").await;
        look.everywhere("report-bench").await;
        is_one_sheet(&look, "bench").await;
        look.client
            .find(fantoccini::Locator::LinkText("Without names"))
            .await
            .unwrap()
            .click()
            .await
            .unwrap();
        until(&look.client, "location.search === '?names=without'").await;
        let text = ask(&look.client, "return document.documentElement.outerHTML").await;
        assert!(!text.as_str().unwrap().contains("Robin"));
        if let Some(broken) = axe(&look.client).await {
            assert_eq!(broken, Vec::<String>::new());
        }
        picture(&look.client, "report-nameless").await;
        look.was_quiet().await;
    })
    .await;
}
