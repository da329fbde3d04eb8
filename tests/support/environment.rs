//! What whoever runs a test by hand may ask of it: how many seeds, and from which one on.

/// The number in a variable of the environment, or another where there is none.
pub fn number(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}
