//! The bucket as a web page.
