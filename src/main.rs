//! The command line's entry: everything else is in the library.
fn main() {}
