//! What is around every page that the server gives: head, ways to other pages, how numbers are written, foot.

use super::precautions;
use crate::review::serve::bench::Shown;
use maud::{DOCTYPE, Markup, html};

/// A page of the server.
pub struct Shell<'a> {
    /// Stands in the window's title.
    pub title: &'a str,
    /// Scripts in `/assets/` beside the one for numbers; modules.
    pub scripts: &'a [&'a str],
    /// What else stands in the head.
    pub head: Markup,
    /// Ways to other pages: address and name.
    pub ways: Vec<(String, String)>,
    /// Within the body.
    pub body: Markup,
}

impl Shell<'_> {
    /// The page as HTML text.
    #[must_use]
    pub fn text(self) -> String {
        let markup = html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    (head_of(self.title))
                    link rel="stylesheet" href="/assets/page.css";
                    link rel="stylesheet" href="/assets/bench.css";
                    script type="module" src="/assets/numbers.js" {}
                    @for script in self.scripts { script type="module" src=(format!("/assets/{script}")) {} }
                    (self.head)
                }
                body {
                    a.skip href="#main" { "To the content" }
                    div.bar {
                        nav aria-label="Pages" {
                            @for (address, name) in &self.ways { a href=(address) { (name) } }
                        }
                        (how_numbers_are_written())
                    }
                    (self.body)
                    footer { (precautions()) }
                }
            }
        };
        markup.into_string()
    }
}

/// What the head of every page begins with.
pub fn head_of(title: &str) -> Markup {
    html! {
        meta charset="utf-8";
        meta name="viewport" content="width=device-width, initial-scale=1";
        meta name="color-scheme" content="light dark";
        title { (title) " · hingeclock" }
        // An empty icon keeps the browser from asking for one.
        link rel="icon" href="data:,";
    }
}

/// Two choices that the script for numbers takes care of; without scripts they are not shown.
fn how_numbers_are_written() -> Markup {
    html! {
        div.writing hidden #writing {
            label { "Decimals " select #decimals { option value="point" { "1.5" } option value="comma" { "1,5" } } }
            label {
                "Units "
                select #units { option value="metric" { "m, km/h" } option value="imperial" { "ft, mph" } }
            }
        }
    }
}

/// The ways between the pages that are about no single bucket.
#[must_use]
pub fn ways_of_library() -> Vec<(String, String)> {
    vec![("/library".to_owned(), "Library".to_owned()), ("/compare".to_owned(), "Compare".to_owned())]
}

/// The ways from a bucket to what belongs to it. Further pages about a bucket add their line here.
#[must_use]
pub fn ways(shown: &Shown) -> Vec<(String, String)> {
    let mut ways = Vec::new();
    if shown.in_library {
        ways.push(("/library".to_owned(), "Library".to_owned()));
    }
    ways.push((bucket_address(&shown.key), "Bucket".to_owned()));
    ways.push((format!("/bucket/{}/report", shown.key), "Report".to_owned()));
    ways.push((compare_address(shown), "Compare".to_owned()));
    ways
}

/// The address that lays a bucket beside the player's earlier ones; of a bucket outside a library, what that takes.
#[must_use]
pub fn compare_address(shown: &Shown) -> String {
    if shown.in_library { format!("/compare?bucket={}", shown.key) } else { "/compare".to_owned() }
}

/// The address of a bucket's page.
#[must_use]
pub fn bucket_address(key: &str) -> String {
    if key == crate::review::serve::bench::OWN { "/".to_owned() } else { format!("/bucket/{key}") }
}
