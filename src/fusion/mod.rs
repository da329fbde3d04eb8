//! From samples to angles: one time base, biases, mounting, orientation, wrist angles.
