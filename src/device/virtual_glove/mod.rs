//! A virtual glove: what two nodes on a moving arm would say during a scripted bucket, and what is true.
//!
//! The motion is a rigid chain with smooth joint curves ([`body`], [`curve`]); gyro and accelerometer are
//! what a point on that chain feels ([`sensor`]), through soft tissue that gives way ([`tissue`]) and a glove
//! that may slip ([`fit`]), on clocks of their own ([`clock`]), through a link that loses and delays
//! ([`link`]). The truth is measured on the noiseless pose of the segments ([`truth`]).
//! Buckets of random players with sensors good and poor stand in [`study`].
//! Pure: random numbers come from a seed, and nothing is read or written.
//!
//! Deliberately absent: the club's own dynamics (its load is worked out, but moves nothing), shocks in the angular
//! rate, errors that change with the temperature besides the gyro's bias, bones of other lengths, a trunk that carries
//! the arm. A glove that is taken off is moved by the same chain, stiff.

pub mod activity;
pub mod body;
pub mod clock;
pub mod curve;
pub mod everyday;
pub mod fit;
pub mod gestures;
pub mod link;
pub mod scenario;
pub mod sensor;
pub mod stream;
pub mod study;
pub mod swing;
pub mod tissue;
pub mod trunk;
pub mod trunk_truth;
pub mod truth;
pub mod truth_power;
pub mod truth_speed;
pub mod vector;

pub use activity::Along;
pub use scenario::{Cue, Plan, Scenario};
pub use stream::GloveStream;
pub use study::Profile;
pub use trunk_truth::{BodyTruth, SegmentTruth};
pub use truth::{SwingTruth, TrueAngle, TruePoint, TrueSet};
pub use truth_speed::{TrueRelease, TrueSpeed, TrueWork};

use crate::sample::{Arrival, DeviceDescription};

/// A whole bucket, held in memory.
#[derive(Clone, Debug, PartialEq)]
pub struct VirtualBucket {
    /// What the glove says of itself.
    pub device: DeviceDescription,
    /// What reached the host, in order of arrival.
    pub arrivals: Vec<Arrival>,
    /// The truth of every swing, in order of time.
    pub truth: Vec<SwingTruth>,
}

impl VirtualBucket {
    /// Plays a scenario to its end. For hours of samples use [`GloveStream`] instead.
    #[must_use]
    pub fn play(scenario: &Scenario, seed: u64) -> VirtualBucket {
        let mut stream = GloveStream::new(scenario, seed);
        let device = stream.device().clone();
        let (mut arrivals, mut truth) = (Vec::new(), Vec::new());
        while let Some(arrival) = stream.next() {
            arrivals.push(arrival);
            truth.append(&mut stream.take_truth());
        }
        VirtualBucket { device, arrivals, truth }
    }

    /// [`Scenario::demo_bucket`], played.
    #[must_use]
    pub fn demo(seed: u64) -> VirtualBucket {
        VirtualBucket::play(&Scenario::demo_bucket(), seed)
    }
}
