//! Where the speed comes from: what arm, wrist and forearm give to the club head, and what a change would be worth.

pub mod pendulum;
