//! Everything that reaches the disk: raw frames before any interpretation, raw CSV, settings, salvage.
