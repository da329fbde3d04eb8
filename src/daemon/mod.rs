//! One visible loop that wires link, recorder, detector and tone.
