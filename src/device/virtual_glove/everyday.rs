//! What a player does besides golf, glove on or off. None of it is a swing.

use super::activity::{Activity, ActivityKind};
use super::body::{Joint, Posture};
use rand::Rng;
use rand::rngs::StdRng;

/// Something that has nothing to do with a swing. Each starts and ends with the arm hanging.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Everyday {
    /// Clapping for somebody's shot.
    Clap,
    /// Walking briskly, arm swinging.
    Stride,
    /// Jogging.
    Jog,
    /// Lifting the bag onto the shoulder and walking with it.
    CarryBag,
    /// Shaking hands.
    Handshake,
    /// A high five.
    HighFive,
    /// Drinking from a bottle.
    Drink,
    /// Rubbing the club clean.
    CleanClub,
    /// Leaning on the club.
    LeanOnClub,
    /// Taking the phone out of the pocket, looking at it, and putting it back.
    Phone,
    /// Waving to somebody.
    Wave,
    /// Turning the whole arm round to warm up.
    ArmCircles,
    /// To the middle of the backswing for a look at the hands, and back.
    HalfwayCheck,
    /// Over the ball: a jerk of the wrist, and the whole arm thrown up and down again, turning about itself.
    Flourish,
    /// Throwing the glove on the bag, where it lies for a minute.
    GloveOff,
}

impl Everyday {
    /// All of them but the flourish, which the hand node alone now and then takes for a chip.
    pub const ALL: [Everyday; 14] = [
        Everyday::Clap,
        Everyday::Stride,
        Everyday::Jog,
        Everyday::CarryBag,
        Everyday::Handshake,
        Everyday::HighFive,
        Everyday::Drink,
        Everyday::CleanClub,
        Everyday::LeanOnClub,
        Everyday::Phone,
        Everyday::Wave,
        Everyday::ArmCircles,
        Everyday::HalfwayCheck,
        Everyday::GloveOff,
    ];
}

/// Does it, from `from` on.
#[must_use]
pub fn perform(what: Everyday, start_s: f64, from: Posture, rng: &mut StdRng) -> Activity {
    let mut doing = Doing::new(what, start_s, from);
    doing.pose(0.7, &[]);
    doing.wait(rng.random_range(0.2..1.2));
    match what {
        Everyday::Clap => clap(&mut doing, rng),
        Everyday::Stride => walk(&mut doing, [24.0, 0.48, 0.3], 12, rng),
        Everyday::Jog => jog(&mut doing, rng),
        Everyday::CarryBag => carry_bag(&mut doing, rng),
        Everyday::Handshake => handshake(&mut doing, rng),
        Everyday::HighFive => high_five(&mut doing, rng),
        Everyday::Drink => drink(&mut doing, rng),
        Everyday::CleanClub => clean_club(&mut doing, rng),
        Everyday::LeanOnClub => {
            let posture =
                [(Joint::Elbow, 25.0), (Joint::Swing, 15.0), (Joint::Flexion, -45.0), (Joint::Roll, 30.0)];
            doing.pose(0.8, &posture);
            doing.wait(rng.random_range(3.0..6.0));
        }
        Everyday::Phone => phone(&mut doing, rng),
        Everyday::Wave => wave(&mut doing, rng),
        Everyday::ArmCircles => arm_circles(&mut doing, rng),
        Everyday::HalfwayCheck => halfway_check(&mut doing, rng),
        Everyday::Flourish => flourish(&mut doing, rng),
        Everyday::GloveOff => glove_off(&mut doing, rng),
    }
    doing.pose(rng.random_range(0.5..1.0), &[]);
    doing.wait(0.5);
    doing.activity
}

/// An activity and how far it has come.
struct Doing {
    activity: Activity,
    at_s: f64,
}

impl Doing {
    fn new(what: Everyday, start_s: f64, from: Posture) -> Doing {
        Doing { activity: Activity::new(ActivityKind::Everyday(what), start_s, from), at_s: 0.05 }
    }

    fn wait(&mut self, seconds: f64) {
        self.at_s += seconds;
        self.activity.duration_s = self.activity.duration_s.max(self.at_s);
    }

    /// Goes over to the hanging arm with these joints otherwise; place and heading stay.
    fn pose(&mut self, duration_s: f64, joints: &[(Joint, f64)]) {
        let mut to = Posture::hanging();
        let now = self.activity.end_posture();
        for joint in [Joint::HubX, Joint::HubY, Joint::Heading] {
            to = to.with(joint, now.get(joint));
        }
        let to = joints.iter().fold(to, |to, (joint, value)| to.with(*joint, *value));
        for joint in Joint::ALL {
            self.activity.step_to(joint, self.at_s, duration_s, to.get(joint));
        }
        self.wait(duration_s);
    }

    /// Moves these joints to these values, all together.
    fn to(&mut self, duration_s: f64, joints: &[(Joint, f64)]) {
        for (joint, value) in joints {
            self.activity.step_to(*joint, self.at_s, duration_s, *value);
        }
        self.wait(duration_s);
    }

    /// Moves these joints by these changes, all together.
    fn by(&mut self, duration_s: f64, joints: &[(Joint, f64)]) {
        for (joint, change) in joints {
            self.activity.step(*joint, self.at_s, duration_s, *change);
        }
        self.wait(duration_s);
    }

    fn knock(&mut self, peak_g: f64) {
        self.activity.jolt(self.at_s, peak_g);
    }
}

fn clap(doing: &mut Doing, rng: &mut StdRng) {
    doing.pose(0.6, &[(Joint::Elbow, 85.0), (Joint::Swing, 12.0), (Joint::Roll, -20.0)]);
    for _ in 0..rng.random_range(6..14) {
        let (wide, half_s) = (rng.random_range(14.0..26.0), rng.random_range(0.13..0.2));
        doing.by(half_s, &[(Joint::OutOfPlane, wide), (Joint::Swing, 0.5 * wide)]);
        doing.by(half_s, &[(Joint::OutOfPlane, -wide), (Joint::Swing, -0.5 * wide)]);
        doing.knock(rng.random_range(4.0..14.0));
    }
}

/// Steps with the arm swinging by `[degrees, seconds a step, knock in g]`.
fn walk(doing: &mut Doing, [wide, step_s, knock_g]: [f64; 3], steps: usize, rng: &mut StdRng) {
    for step in 0..steps {
        let side = if step % 2 == 0 { 1.0 } else { -0.8 };
        let step_s = step_s * rng.random_range(0.95..1.05);
        let start_s = doing.at_s;
        doing.by(0.5 * step_s, &[(Joint::HubZ, 0.03)]);
        doing.by(0.5 * step_s, &[(Joint::HubZ, -0.03)]);
        doing.at_s = start_s;
        let target = side * wide * rng.random_range(0.85..1.15);
        let forwards = doing.activity.end_posture().get(Joint::HubX) + rng.random_range(0.5..0.8);
        let heading = doing.activity.end_posture().get(Joint::Heading) + rng.random_range(-6.0..6.0);
        doing.to(step_s, &[(Joint::Swing, target), (Joint::HubX, forwards), (Joint::Heading, heading)]);
        doing.knock(knock_g * rng.random_range(0.5..1.5));
    }
}

fn jog(doing: &mut Doing, rng: &mut StdRng) {
    doing.to(0.5, &[(Joint::Elbow, 80.0)]);
    walk(doing, [38.0, 0.34, 1.5], 16, rng);
}

fn carry_bag(doing: &mut Doing, rng: &mut StdRng) {
    doing.to(0.9, &[(Joint::HubZ, 0.95), (Joint::Lift, 25.0), (Joint::Flexion, 15.0)]);
    doing.knock(rng.random_range(1.0..3.0));
    doing.wait(0.3);
    let up_s = rng.random_range(0.45..0.8);
    doing.to(
        up_s,
        &[
            (Joint::HubZ, 1.42),
            (Joint::Swing, 70.0),
            (Joint::Elbow, 95.0),
            (Joint::Roll, 40.0),
            (Joint::Lift, 6.0),
        ],
    );
    doing.knock(rng.random_range(3.0..9.0));
    doing.wait(0.4);
    for _ in 0..10 {
        let step_s = rng.random_range(0.5..0.6);
        let heading = rng.random_range(-5.0..5.0);
        let forwards = rng.random_range(0.5..0.7);
        doing
            .by(step_s, &[(Joint::HubX, forwards), (Joint::Heading, heading), (Joint::Swing, 0.5 * heading)]);
        doing.knock(rng.random_range(1.0..4.0));
    }
    doing.to(0.5, &[(Joint::HubZ, 1.1), (Joint::Swing, 10.0), (Joint::Elbow, 20.0), (Joint::Roll, 0.0)]);
    doing.knock(rng.random_range(4.0..15.0));
}

fn handshake(doing: &mut Doing, rng: &mut StdRng) {
    doing.pose(0.5, &[(Joint::Elbow, 70.0), (Joint::Swing, 20.0)]);
    doing.knock(2.0);
    for _ in 0..rng.random_range(3..6) {
        let (wide, half_s) = (rng.random_range(8.0..16.0), rng.random_range(0.16..0.24));
        doing.by(half_s, &[(Joint::Elbow, wide), (Joint::Hinge, 0.3 * wide)]);
        doing.by(half_s, &[(Joint::Elbow, -wide), (Joint::Hinge, -0.3 * wide)]);
    }
}

fn high_five(doing: &mut Doing, rng: &mut StdRng) {
    let (raise_s, strike_s) = (rng.random_range(0.5..0.8), rng.random_range(0.16..0.26));
    doing.to(raise_s, &[(Joint::Swing, 150.0), (Joint::Elbow, 75.0), (Joint::Flexion, -25.0)]);
    doing.to(strike_s, &[(Joint::Swing, 115.0), (Joint::Elbow, 25.0), (Joint::Flexion, 5.0)]);
    doing.knock(rng.random_range(6.0..20.0));
    doing.wait(0.2);
    doing.pose(rng.random_range(0.45..0.8), &[]);
}

fn drink(doing: &mut Doing, rng: &mut StdRng) {
    doing.to(0.9, &[(Joint::Swing, 35.0), (Joint::Elbow, 125.0), (Joint::Roll, 30.0)]);
    doing.to(0.5, &[(Joint::Hinge, 18.0), (Joint::OutOfPlane, 15.0)]);
    doing.wait(rng.random_range(1.5..3.0));
}

fn clean_club(doing: &mut Doing, rng: &mut StdRng) {
    doing.pose(0.7, &[(Joint::Elbow, 80.0), (Joint::Swing, 10.0), (Joint::Flexion, -15.0)]);
    for _ in 0..rng.random_range(6..12) {
        let (wide, half_s) = (rng.random_range(10.0..20.0), rng.random_range(0.18..0.28));
        doing.by(half_s, &[(Joint::Elbow, wide), (Joint::Roll, 2.0 * wide)]);
        doing.by(half_s, &[(Joint::Elbow, -wide), (Joint::Roll, -2.0 * wide)]);
    }
}

fn phone(doing: &mut Doing, rng: &mut StdRng) {
    let pocket = [(Joint::Elbow, 45.0), (Joint::Swing, -12.0), (Joint::Flexion, 20.0)];
    doing.to(0.6, &pocket);
    doing.wait(0.4);
    doing.pose(0.7, &[(Joint::Elbow, 105.0), (Joint::Swing, 15.0), (Joint::Roll, -50.0)]);
    doing.wait(rng.random_range(2.0..4.0));
    doing.pose(0.7, &pocket);
    doing.wait(0.3);
}

fn wave(doing: &mut Doing, rng: &mut StdRng) {
    doing.to(0.8, &[(Joint::Swing, 130.0), (Joint::Elbow, 50.0)]);
    for _ in 0..rng.random_range(3..7) {
        let (wide, half_s) = (rng.random_range(20.0..35.0), rng.random_range(0.22..0.32));
        doing.by(half_s, &[(Joint::OutOfPlane, wide), (Joint::Hinge, 10.0)]);
        doing.by(half_s, &[(Joint::OutOfPlane, -wide), (Joint::Hinge, -10.0)]);
    }
}

fn arm_circles(doing: &mut Doing, rng: &mut StdRng) {
    let turns = f64::from(rng.random_range(2..4));
    let turn_s = rng.random_range(0.9..1.4);
    doing.by(turns * turn_s, &[(Joint::Swing, 360.0 * turns)]);
    doing.wait(rng.random_range(0.0..0.6));
    doing.by(turns * turn_s, &[(Joint::Swing, -360.0 * turns)]);
}

fn halfway_check(doing: &mut Doing, rng: &mut StdRng) {
    let address = super::gestures::address(doing.activity.end_posture(), rng);
    let joints = Joint::ALL.map(|joint| (joint, address.get(joint)));
    doing.to(0.9, &joints);
    doing.wait(rng.random_range(0.5..1.0));
    let half = [(Joint::Swing, 75.0), (Joint::Trunk, 35.0), (Joint::Roll, 30.0), (Joint::Hinge, 22.0)];
    let back = half.map(|(joint, change)| (joint, -change));
    doing.by(rng.random_range(0.8..1.4), &half);
    doing.wait(rng.random_range(0.4..2.0));
    doing.by(rng.random_range(0.9..1.6), &back);
    doing.wait(0.4);
}

fn flourish(doing: &mut Doing, rng: &mut StdRng) {
    let address = super::gestures::address(doing.activity.end_posture(), rng);
    let joints = Joint::ALL.map(|joint| (joint, address.get(joint)));
    doing.to(0.9, &joints);
    doing.wait(rng.random_range(0.5..1.0));
    doing.by(0.5, &[(Joint::Hinge, 25.0)]);
    doing.by(0.3, &[(Joint::Hinge, -30.0)]);
    let side = if rng.random_bool(0.5) { 1.0 } else { -1.0 };
    let up = rng.random_range(30.0..45.0);
    let (out, roll) = (side * rng.random_range(15.0..30.0), rng.random_range(60.0..80.0));
    let thrown =
        |part: f64| [(Joint::Swing, part * up), (Joint::OutOfPlane, part * out), (Joint::Roll, part * roll)];
    doing.by(rng.random_range(0.35..0.5), &thrown(1.0));
    doing.by(rng.random_range(0.35..0.45), &thrown(-1.7));
    doing.wait(0.8);
}

/// The glove goes through the air, lands and lies.
fn glove_off(doing: &mut Doing, rng: &mut StdRng) {
    doing.to(0.8, &[(Joint::Elbow, 90.0), (Joint::Roll, -30.0)]);
    doing.wait(1.0);
    let flight_s = rng.random_range(0.35..0.6);
    let tumble = [(Joint::Heading, 120.0), (Joint::Lift, 80.0), (Joint::Roll, 150.0), (Joint::HubX, 1.2)];
    doing.by(flight_s, &tumble);
    doing.knock(rng.random_range(5.0..25.0));
    doing.activity.glove_off = true;
    doing.wait(60.0);
    doing.by(0.9, &[(Joint::Heading, -120.0), (Joint::Lift, -80.0), (Joint::Roll, -120.0)]);
    doing.wait(1.0);
}
