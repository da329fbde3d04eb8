//! What a clip's place on the page is made of, in a real browser: the click in hard sound, and the times that a file
//! tells, whole and broken. Skips where there is no browser.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/browser.rs"]
mod browser;
#[path = "support/bucket.rs"]
mod bucket;
#[path = "support/clip.rs"]
mod clip;

use browser::{Look, site_of, with_browser};
use bucket::robins_bucket;
use clip::{Heard, LASTS_S};
use hingeclock::units::PlayerHand;
use serde_json::{Value, json};

/// What a script in the page gives for a value; it is handed `given`.
async fn told(look: &Look, script: &str, given: Value) -> Value {
    let script = format!(
        "const given = arguments[0], done = arguments[1];
         (async () => {{ {script} }})().then(done, e => done('failed: ' + e.stack))"
    );
    let told = look.client.execute_async(&script, vec![given]).await.unwrap();
    assert!(!told.as_str().is_some_and(|text| text.starts_with("failed: ")), "{told}");
    told
}

/// What may be the click, s, the best first, and how sure it is.
async fn clicks(look: &Look, samples: &[f32], slowed: u32) -> (Vec<f64>, String) {
    // As 16 bits, which is what a phone keeps.
    let samples: Vec<i16> = samples.iter().map(|value| (value * 32_767.0) as i16).collect();
    let script = "const { clicks, quickened, sureness } = await import('/assets/click.js');
        const samples = Float32Array.from(given.samples, (value) => value / 32768);
        const found = clicks(quickened(samples, given.slowed), 48000);
        return [found.map((click) => click.at_s), found.length ? sureness(found) : ''];";
    let told = told(look, script, json!({ "samples": samples, "slowed": slowed })).await;
    let found = told[0].as_array().unwrap().iter().map(|at| at.as_f64().unwrap()).collect();
    (found, told[1].as_str().unwrap().to_owned())
}

#[tokio::test(flavor = "multi_thread")]
async fn the_click_is_found_in_hard_sound() {
    if !browser::is_there() {
        return;
    }
    let site = site_of(&std::env::temp_dir().join("none.csv"), robins_bucket(), PlayerHand::Right);
    with_browser(site, |look| async move {
        look.at("/bucket/now/swing/1").await;
        let alone = Heard { neighbour: 0.0, voice: 0.0, wind: 0.0, ..Heard::new(1.4, 0) };
        let hard = [
            ("alone", alone),
            ("neighbours", Heard { neighbour: 0.5, ..alone }),
            ("quiet", Heard { click: 0.03, ..alone }),
            ("clipped", Heard { gain: 6.0, neighbour: 0.2, ..alone }),
            ("wind", Heard { wind: 0.4, ..alone }),
            ("voices", Heard { voice: 0.15, ..alone }),
            ("all of it", Heard { voice: 0.1, wind: 0.2, neighbour: 0.4, ..alone }),
        ];
        for (name, heard) in hard {
            let mut off_ms = Vec::new();
            for seed in 1..=4 {
                let click_s = 1.2 + 0.1237 * seed as f64;
                let heard = Heard { click_s, seed, ..heard };
                let (found, sure) = clicks(&look, &heard.samples(0.0, LASTS_S), 1).await;
                let true_s = click_s + heard.distance_m / 343.0;
                assert!(!found.is_empty(), "{name}, {seed}: nothing found");
                off_ms.push((found[0] - true_s) * 1000.0);
                assert!(
                    off_ms.iter().all(|off| off.abs() <= 1.5),
                    "{name}, {seed}: off by {off_ms:?} ms; {found:?}"
                );
                assert!(name != "alone" || sure == "clear", "{name}: {sure}, {found:?}");
            }
            println!("{name}: off by {off_ms:.2?} ms");
        }
        nothing_is_invented(&look, alone).await;
        what_is_alike_is_not_sure(&look, alone).await;
        slowed_sound_is_heard_as_it_was(&look, alone).await;
        look.was_quiet().await;
    })
    .await;
}

/// Neither silence, nor noise, nor voices, nor wind is a click.
async fn nothing_is_invented(look: &Look, alone: Heard) {
    for samples in [vec![], vec![0.0; 10], vec![0.0; 48_000], vec![0.5; 48_000]] {
        assert_eq!(clicks(look, &samples, 1).await.0, Vec::<f64>::new());
    }
    for (voice, wind) in [(0.0, 0.0), (0.15, 0.0), (0.0, 0.4), (0.1, 0.2)] {
        let heard = Heard { click: 0.0, voice, wind, seed: 9, ..alone };
        let (found, _) = clicks(look, &heard.samples(0.0, LASTS_S), 1).await;
        assert_eq!(found, Vec::<f64>::new(), "voice {voice}, wind {wind}");
    }
}

async fn what_is_alike_is_not_sure(look: &Look, alone: Heard) {
    let heard = Heard { neighbour: 0.95, seed: 3, ..alone };
    let (found, sure) = clicks(look, &heard.samples(0.0, LASTS_S), 1).await;
    assert_eq!((found.len(), sure.as_str()), (3, "not sure"), "{found:?}");
}

async fn slowed_sound_is_heard_as_it_was(look: &Look, alone: Heard) {
    let quick = Heard { seed: 5, neighbour: 0.3, ..alone }.samples(0.0, LASTS_S);
    let slowed: Vec<f32> = quick.iter().flat_map(|value| [*value; 8]).collect();
    assert_eq!(clicks(look, &slowed, 8).await, clicks(look, &quick, 1).await);
}

/// Boxes of a file by hand (ISO/IEC 14496-12).
fn boxed(kind: &str, content: &[u8]) -> Vec<u8> {
    [&(8 + content.len() as u32).to_be_bytes(), kind.as_bytes(), content].concat()
}

fn boxed_long(kind: &str, content: &[u8]) -> Vec<u8> {
    [&1_u32.to_be_bytes(), kind.as_bytes(), &(16 + content.len() as u64).to_be_bytes(), content].concat()
}

fn words(values: &[i64]) -> Vec<u8> {
    values.iter().flat_map(|value| (*value as u32).to_be_bytes()).collect()
}

fn of(kind: &str, parts: &[Vec<u8>]) -> Vec<u8> {
    boxed(kind, &parts.concat())
}

/// `mvhd` and `mdhd` are alike as far as the units a second.
fn header(kind: &str, long: bool, units: i64) -> Vec<u8> {
    let before: &[i64] = if long { &[1 << 24, 0, 0, 0, 0] } else { &[0, 0, 0] };
    boxed(kind, &words(&[before, &[units, 0, 0, 0]].concat()))
}

fn edits(long: bool, edits: &[(i64, i64)]) -> Vec<u8> {
    let mut content = words(&[i64::from(long) << 24, edits.len() as i64]);
    for (lasts, from) in edits {
        if long {
            content.extend(lasts.to_be_bytes());
            content.extend(from.to_be_bytes());
        } else {
            content.extend(words(&[*lasts, *from]));
        }
        content.extend(words(&[1 << 16]));
    }
    of("edts", &[boxed("elst", &content)])
}

fn track(kind: &str, long: bool, units: i64, edts: Vec<u8>, tables: &[Vec<u8>]) -> Vec<u8> {
    let hdlr = boxed("hdlr", &[&words(&[0, 0]), kind.as_bytes(), &[0; 13]].concat());
    let minf = of("minf", &[of("stbl", tables)]);
    of("trak", &[edts, of("mdia", &[header("mdhd", long, units), hdlr, minf])])
}

/// Four frames decoded every 100 units, the second and third shown the other way round.
fn tables() -> Vec<Vec<u8>> {
    let offsets = [(1, 100), (1, 200), (1, 0), (1, 100)].iter().flat_map(|(count, offset)| [*count, *offset]);
    vec![
        boxed("stts", &words(&[0, 1, 4, 100])),
        boxed("ctts", &words(&[&[1 << 24, 4], &offsets.collect::<Vec<i64>>()[..]].concat())),
    ]
}

fn movie(long: bool) -> Vec<u8> {
    of(
        "moov",
        &[
            header("mvhd", long, 600),
            track("vide", long, 1000, edits(long, &[(300, -1), (6000, 150)]), &tables()),
            track("soun", long, 48_000, edits(long, &[(60, -1), (60, -1), (5000, 1024)]), &[]),
            track("meta", long, 1000, Vec::new(), &[]),
        ],
    )
}

/// The tracks that the page sees in a file.
async fn tracks(look: &Look, file: &[u8]) -> Value {
    let script = "const { tracksOf } = await import('/assets/film-times.js');
        return await tracksOf(new Blob([Uint8Array.from(given)]));";
    told(look, script, json!(file)).await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_files_times_are_read_and_broken_files_do_no_harm() {
    if !browser::is_there() {
        return;
    }
    let site = site_of(&std::env::temp_dir().join("none.csv"), robins_bucket(), PlayerHand::Right);
    with_browser(site, |look| async move {
        look.at("/bucket/now/swing/1").await;
        let start = boxed("ftyp", b"isom\0\0\0\0");
        let media = boxed_long("mdat", &[9; 5000]);
        // Frames are shown at 100, 200, 300 and 400 units; the film takes the track up at 150, half a second in.
        let expected = json!([
            { "kind": "vide", "empty_s": 0.5, "pieces": 1, "frames": [0.55, 0.65, 0.75] },
            { "kind": "soun", "empty_s": 0.2, "pieces": 1, "frames": [] },
            { "kind": "meta", "empty_s": 0, "pieces": 0, "frames": [] },
        ]);
        for long in [false, true] {
            let file = [start.clone(), movie(long), media.clone()].concat();
            assert_eq!(rounded(tracks(&look, &file).await), expected, "long {long}");
            let last = [start.clone(), media.clone(), movie(long)].concat();
            assert_eq!(rounded(tracks(&look, &last).await), expected, "at the end, long {long}");
        }
        let content = movie(true).split_off(8);
        assert_eq!(rounded(tracks(&look, &boxed_long("moov", &content)).await), expected, "a long moov");
        let cut = track("vide", false, 1000, edits(false, &[(100, 100), (100, 300)]), &tables());
        let pieces = tracks(&look, &of("moov", &[header("mvhd", false, 600), cut])).await;
        assert_eq!((&pieces[0]["pieces"], &pieces[0]["frames"]), (&json!(2), &json!([])));
        broken_files_do_no_harm(&look).await;
        look.was_quiet().await;
    })
    .await;
}

/// Seconds to the microsecond.
fn rounded(mut tracks: Value) -> Value {
    for track in tracks.as_array_mut().unwrap() {
        for frame in track["frames"].as_array_mut().unwrap() {
            *frame = json!((frame.as_f64().unwrap() * 1e6).round() / 1e6);
        }
    }
    tracks
}

/// Cut anywhere, any byte another one, tables that promise four thousand million rows: never an error, never without end.
async fn broken_files_do_no_harm(look: &Look) {
    let script = "const { tracksOf } = await import('/assets/film-times.js');
        const whole = Uint8Array.from(given);
        let read = 0, like = 0;
        const look = async (bytes) => {
            const tracks = await tracksOf(new Blob([bytes]));
            read += 1;
            if (tracks.length === 3) like += 1;
            if (tracks.some((t) => !Number.isFinite(t.empty_s) || t.frames.some((f) => !Number.isFinite(f)))) throw new Error('no number');
        };
        for (let end = 0; end < whole.length; end++) await look(whole.slice(0, end));
        for (let at = 0; at < whole.length; at++) for (const value of [0, 255, whole[at] ^ 1]) {
            const bytes = whole.slice();
            bytes[at] = value;
            await look(bytes);
        }
        return [read, like];";
    let file = movie(true);
    let told = told(look, script, json!(file)).await;
    assert_eq!(told[0].as_u64().unwrap() as usize, 4 * file.len());
    assert!(told[1].as_u64().unwrap() > 1000, "most bytes are not what makes it a film: {told}");
    let endless =
        track("vide", false, 1000, Vec::new(), &[boxed("stts", &words(&[0, 0xFFFF_FFFF, 0xFFFF_FFFF, 1]))]);
    let told = tracks(look, &of("moov", &[header("mvhd", false, 600), endless])).await;
    assert!(told[0]["frames"].as_array().unwrap().len() <= 1_000_000);
}
