//! The page that asks another device for the code.

use super::shell::Shell;
use crate::review::serve::sharing::WARNING;
use maud::html;

/// The page; `said` tells what became of the last try.
#[must_use]
pub fn page(said: &str) -> String {
    let body = html! {
        header { h1 { "Pair this device" } }
        main #main {
            form.pair method="post" action="/pair" {
                p { label for="code" { "Code from the screen of the machine that shares" } }
                p {
                    input #code name="code" inputmode="numeric" autocomplete="one-time-code" required maxlength="12"
                        size="10" aria-describedby="pair-said";
                    " " button { "Pair" }
                }
                p.why #pair-said role="status" { (said) }
            }
            p.about { (WARNING) }
        }
    };
    Shell { title: "Pair", scripts: &[], head: html! {}, ways: Vec::new(), body }.text()
}
