//! What a cue sounds like, and the way out to the loudspeaker. Knows no swing.
