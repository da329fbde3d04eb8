//! The web server's edge.
