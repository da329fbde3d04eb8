//! Frames between a glove and its host. Frames in and out, nothing else.
#![no_std]
