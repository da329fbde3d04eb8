//! Buckets that a measurement can be judged by: random players, clubs and swings with sensors from good to
//! poor, and the everyday things that a player does between the balls.

use super::activity::Along;
use super::everyday::Everyday;
use super::link::LinkSettings;
use super::scenario::{ClockSettings, Cue, Plan, Scenario};
use super::sensor::SensorSettings;
use super::swing::{BodyWay, HingeWay, SetAim, Style, SwingSize};
use super::tissue::TissueSettings;
use crate::units::PlayerHand;
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};

/// How good the sensors, their seat and the link are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Profile {
    /// Good sensors, no soft tissue, no loss.
    Clean,
    /// Common sensors on a living arm.
    Typical,
    /// Poor sensors at 200 Hz, much soft tissue, clocks of unrelated origin, a poor link, a glove that slips.
    Harsh,
}

impl Profile {
    /// Every profile.
    pub const ALL: [Profile; 3] = [Profile::Clean, Profile::Typical, Profile::Harsh];

    /// Its name.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Profile::Clean => "clean",
            Profile::Typical => "typical",
            Profile::Harsh => "harsh",
        }
    }

    /// Sizes of the sensors' errors (orders of magnitude of common parts; common practice).
    fn sensor(self, rng: &mut StdRng) -> SensorSettings {
        let clean = SensorSettings {
            rate_hz: 500.0,
            bandwidth_hz: Some(210.0),
            gyro_noise_dps: 0.05,
            acc_noise_g: 0.001,
            gyro_bias_sd_dps: 0.15,
            gyro_drift_dps: 0.01,
            acc_bias_sd_g: 0.002,
            scale_sd: 0.0005,
            cross_axis_sd: 0.0005,
            acc_scale_sd: 0.0005,
            acc_cross_axis_sd: 0.0005,
            g_sensitivity_sd_dps: 0.001,
            misalignment_deg: 14.0,
            ..SensorSettings::default()
        };
        let rate_hz = [400.0, 450.0, 500.0][rng.random_range(0..3)];
        let typical = SensorSettings {
            rate_hz,
            bandwidth_hz: Some(0.42 * rate_hz),
            bandwidth_error: 0.05,
            gyro_full_scale_dps: 2000.0,
            acc_full_scale_g: 16.0,
            gyro_noise_dps: 0.1,
            acc_noise_g: 0.003,
            gyro_bias_sd_dps: 0.6,
            gyro_drift_dps: 0.03,
            warm_up_sd_dps: 0.04,
            warm_up_s: rng.random_range(120.0..360.0),
            acc_bias_sd_g: 0.008,
            scale_sd: 0.003,
            cross_axis_sd: 0.005,
            acc_scale_sd: 0.005,
            acc_cross_axis_sd: 0.005,
            g_sensitivity_sd_dps: 0.015,
            misalignment_deg: 20.0,
            ..SensorSettings::default()
        };
        match self {
            Profile::Clean => clean,
            Profile::Typical => typical,
            Profile::Harsh => SensorSettings {
                rate_hz: 200.0,
                bandwidth_hz: Some(84.0),
                gyro_noise_dps: 0.2,
                acc_noise_g: 0.006,
                gyro_bias_sd_dps: 1.2,
                gyro_drift_dps: 0.06,
                warm_up_sd_dps: 0.08,
                acc_bias_sd_g: 0.016,
                acc_scale_sd: 0.01,
                acc_cross_axis_sd: 0.01,
                misalignment_deg: 24.0,
                ..typical
            },
        }
    }

    fn clocks(self, rng: &mut StdRng) -> ClockSettings {
        let typical = ClockSettings {
            origin_s: 36.0,
            offset_s: 0.005,
            skew_ppm: 15.0,
            wander_us: 20.0,
            jitter_us: 15.0,
        };
        match self {
            Profile::Clean => {
                ClockSettings { offset_s: 20e-6, skew_ppm: 1.0, wander_us: 2.0, jitter_us: 2.0, ..typical }
            }
            Profile::Typical => typical,
            Profile::Harsh => ClockSettings {
                origin_s: rng.random_range(8000.0..90_000.0),
                offset_s: 7000.0,
                skew_ppm: 40.0,
                jitter_us: 30.0,
                ..typical
            },
        }
    }

    fn tissue(self, rng: &mut StdRng) -> TissueSettings {
        let mut around = |share: f64| share * rng.random_range(0.7..1.3);
        match self {
            Profile::Clean => TissueSettings::default(),
            Profile::Typical => TissueSettings {
                cuff_follows: around(0.015),
                hand_loses: around(0.015),
                ..TissueSettings::default()
            },
            Profile::Harsh => TissueSettings {
                cuff_follows: around(0.08),
                hand_loses: around(0.06),
                lag_s: around(0.02),
                ..TissueSettings::default()
            },
        }
    }

    /// How an arm that is asked to be still answers to the wrist's bend, either way (order of magnitude: a hundredth, less
    /// where everything is good; judgement).
    fn arm_answers(self, rng: &mut StdRng) -> [Along; 2] {
        let most = if self == Profile::Clean { 0.005 } else { 0.02 };
        [0; 2].map(|_| Along { share: most * rng.random_range(-1.0..=1.0), late_s: 0.0 })
    }

    fn link(self) -> LinkSettings {
        let typical = LinkSettings { samples_per_packet: 8, loss: 0.001, ..LinkSettings::default() };
        match self {
            Profile::Clean => LinkSettings::lossless(),
            Profile::Typical => typical,
            Profile::Harsh => LinkSettings {
                samples_per_packet: 4,
                latency_spread_s: 0.004,
                loss: 0.01,
                duplicate: 0.002,
                late: 0.002,
                ..typical
            },
        }
    }

    /// How far a wrist gives about its third axis (order of magnitude: a degree; judgement).
    fn give_deg(self, rng: &mut StdRng) -> f64 {
        let most_deg = match self {
            Profile::Clean => 0.0,
            Profile::Typical => 1.6,
            Profile::Harsh => 2.5,
        };
        most_deg * rng.random_range(-1.0..=1.0)
    }

    /// What befalls the glove between two swings, if anything.
    fn mishap(self, rng: &mut StdRng) -> Option<Cue> {
        let side = if rng.random_bool(0.5) { 1.0 } else { -1.0 };
        match (self, rng.random_range(0..4)) {
            (Profile::Harsh, 0 | 1) => Some(Cue::GloveSlips(side * rng.random_range(4.0..10.0))),
            (Profile::Harsh, 2) => Some(Cue::GlovePutOnAnew(rng.random_range(4.0..10.0))),
            _ => None,
        }
    }
}

impl Scenario {
    /// A random player's bucket: a calibration and eight swings, with other movements between them.
    #[must_use]
    pub fn study(profile: Profile, seed: u64) -> Scenario {
        let mut rng = StdRng::seed_from_u64(seed ^ ((profile as u64 + 1) << 32));
        let cues = study_cues(profile, &mut rng);
        Scenario { plan: Plan::Listed(cues), ..Scenario::of(profile, &mut rng) }
    }

    /// The same as [`Scenario::study`] with another body in every swing: other turns of the shoulders, from a swing
    /// with the arms alone to a full turn, and ways of the hub, arms that bend, roll in the upper arm and leave the
    /// plane, wrists that hinge slowly or in two stages and flex in a part of the backswing.
    #[must_use]
    pub fn bodies(profile: Profile, seed: u64) -> Scenario {
        let mut rng = StdRng::seed_from_u64(seed ^ ((profile as u64 + 21) << 32));
        Scenario::study(profile, seed).with_bodies(&mut rng, body)
    }

    /// The same with one body in all swings of the bucket, which never moves quite the same twice: so what is wrong
    /// with its swings is wrong the same way in each.
    #[must_use]
    pub fn one_body(profile: Profile, seed: u64) -> Scenario {
        let mut rng = StdRng::seed_from_u64(seed ^ ((profile as u64 + 31) << 32));
        let own = body(&mut rng);
        Scenario::study(profile, seed).with_bodies(&mut rng, |rng| near(&own, rng))
    }

    /// The same with one way to hinge, too, as one player has it: sets come within some 60 ms of where they usually do.
    /// One swing in ten is hinged in any way.
    #[must_use]
    pub fn one_player(profile: Profile, seed: u64) -> Scenario {
        let mut rng = StdRng::seed_from_u64(seed ^ ((profile as u64 + 41) << 32));
        let own_body = body(&mut rng);
        let mut own = style("driver", &mut rng);
        hinge_in_stages(&mut own, &mut rng);
        let mut scenario = Scenario::study(profile, seed).with_bodies(&mut rng, |rng| near(&own_body, rng));
        for style in scenario.styles() {
            if rng.random_bool(0.9) {
                (style.set, style.way) = hinged_like(&own, &mut rng);
            }
        }
        scenario
    }

    /// The swings that are listed.
    fn styles(&mut self) -> impl Iterator<Item = &mut Style> {
        let cues: &mut [Cue] = if let Plan::Listed(cues) = &mut self.plan { cues } else { &mut [] };
        cues.iter_mut().filter_map(|cue| if let Cue::Swing(style) = cue { Some(&mut **style) } else { None })
    }

    fn with_bodies(mut self, rng: &mut StdRng, body: impl Fn(&mut StdRng) -> BodyWay) -> Scenario {
        for style in self.styles() {
            style.body = body(rng);
            hinge_in_stages(style, rng);
        }
        self
    }

    /// A random player's round of everything that is no swing, after a calibration.
    #[must_use]
    pub fn everyday(profile: Profile, seed: u64) -> Scenario {
        let mut rng = StdRng::seed_from_u64(seed ^ ((profile as u64 + 11) << 32));
        let mut cues = vec![Cue::Club("iron"), Cue::Calibrate];
        let mut rest: Vec<Cue> = Everyday::ALL.map(Cue::Everyday).into();
        rest.extend([Cue::Waggle, Cue::Waggle, Cue::Abort, Cue::Rehearse, Cue::Walk, Cue::TeeUp]);
        rest.extend([Cue::Everyday(Everyday::HighFive), Cue::Everyday(Everyday::CarryBag)]);
        while !rest.is_empty() {
            cues.push(rest.swap_remove(rng.random_range(0..rest.len())));
        }
        Scenario { plan: Plan::Listed(cues), ..Scenario::of(profile, &mut rng) }
    }

    fn of(profile: Profile, rng: &mut StdRng) -> Scenario {
        let player_hand = if rng.random_bool(0.5) { PlayerHand::Right } else { PlayerHand::Left };
        let mut scenario = Scenario {
            player_hand,
            sensor: profile.sensor(rng),
            clocks: profile.clocks(rng),
            link: profile.link(),
            tissue: profile.tissue(rng),
            arm_answers: profile.arm_answers(rng),
            restless: true,
            trembling: profile != Profile::Clean,
            ..Scenario::new(Plan::Listed(Vec::new()))
        };
        // Anywhere under a cuff of 80 mm (judgement).
        scenario.tissue.cuff_turns_about_m = rng.random_range(-0.04..0.04);
        // Anywhere in a quarter of a wave and more: stiff arms answer at once, slack ones late (judgement).
        for answer in &mut scenario.arm_answers {
            answer.late_s = rng.random_range(0.0..0.4);
        }
        scenario
    }
}

/// Swings of a study bucket.
const SWINGS: usize = 8;

fn study_cues(profile: Profile, rng: &mut StdRng) -> Vec<Cue> {
    let club = ["driver", "iron", "wedge", "wedge"][rng.random_range(0..4)];
    let (pace, more_hinge_deg) = (rng.random_range(0.9..1.2), rng.random_range(-5.0..5.0));
    let mishap = profile.mishap(rng).map(|cue| (rng.random_range(2..SWINGS - 1), cue));
    let mut cues = vec![Cue::Club(club), Cue::Calibrate];
    for number in 0..SWINGS {
        cues.extend(mishap.iter().filter(|(at, _)| *at == number).map(|(_, cue)| cue.clone()));
        cues.extend(between_swings(club, rng));
        let give_deg = profile.give_deg(rng);
        cues.push(Cue::Swing(Box::new(Style { pace, more_hinge_deg, give_deg, ..style(club, rng) })));
    }
    cues
}

/// What the player does before a swing.
fn between_swings(club: &str, rng: &mut StdRng) -> Vec<Cue> {
    let mut cues = Vec::new();
    match rng.random_range(0..10) {
        0 => cues.push(Cue::Walk),
        1 => cues.push(Cue::Abort),
        2 => cues.push(Cue::Rehearse),
        3 => {
            let short = [
                Everyday::Clap,
                Everyday::CarryBag,
                Everyday::CleanClub,
                Everyday::HalfwayCheck,
                Everyday::Phone,
                Everyday::HighFive,
            ];
            cues.push(Cue::Everyday(short[rng.random_range(0..short.len())]));
        }
        _ => {}
    }
    if club == "driver" && rng.random_bool(0.4) {
        cues.push(Cue::TeeUp);
    }
    if rng.random_bool(0.4) {
        cues.push(Cue::Waggle);
    }
    cues
}

fn style(club: &str, rng: &mut StdRng) -> Style {
    let size = match (club, rng.random_range(0..6)) {
        ("wedge", 0 | 1) => SwingSize::Chip,
        ("wedge", 2 | 3) => SwingSize::Pitch,
        ("iron", 0) => SwingSize::Pitch,
        _ => SwingSize::Full,
    };
    let (set, way) = hinging(size, rng);
    let sometimes = |share: f64, range: std::ops::Range<f64>, rng: &mut StdRng| {
        if rng.random_bool(share) { rng.random_range(range) } else { 0.0 }
    };
    Style {
        size,
        set,
        way,
        air: rng.random_bool(0.12),
        pause_s: sometimes(0.12, 0.05..0.3, rng),
        press_deg: sometimes(0.2, 3.0..8.0, rng),
        pace: 1.0,
        more_hinge_deg: 0.0,
        give_deg: 0.0,
        body: BodyWay::default(),
    }
}

/// A body of its own. A turn of 80 to 100° and a hub that sways and lifts by some centimetres are common
/// practice; a spine that leans otherwise than the arm's plane adds some to that, since it carries the lead
/// shoulder out of the plane. Few turn fully, some swing with hardly more than their arms, and the planar double
/// pendulum holds its hub still. The hand's roll is the forearm's and the upper arm's together (some 90° for a hand
/// that faces the ball at the top), so an elbow bends nearly in the plane there. Hands stand at the
/// ball with 2 to 23° of ulnar deviation (17° and 20° in O'Brien 2021, quoted second-hand; less with a flat grip).
/// Wrists flatten in a third of the backswing or in nearly all of it. All ranges are judgement.
fn body(rng: &mut StdRng) -> BodyWay {
    let flexes_for = rng.random_range(0.3..0.9);
    BodyWay {
        flexes: Some((rng.random_range(0.03..1.0 - flexes_for), flexes_for)),
        shoulders_deg: rng.random_range(10.0..100.0),
        elbow_deg: rng.random_range(2.0..20.0),
        out_of_plane_deg: rng.random_range(-2.0..12.0),
        back_m: [(-0.08..0.02), (-0.04..0.04), (-0.06..0.03)].map(|range| rng.random_range(range)),
        down_m: [(0.02..0.12), (-0.04..0.04), (-0.02..0.06)].map(|range| rng.random_range(range)),
        hinge_slower: rng.random_range(0.9..2.0),
        more_flexion_deg: rng.random_range(-15.0..15.0),
        more_address_hinge_deg: rng.random_range(-8.0..6.0),
        upper_arm_deg: rng.random_range(0.0..50.0),
        more_roll_deg: rng.random_range(-15.0..10.0),
    }
}

/// A body as it moves in one of its swings (all ranges are judgement). How it stands at the ball differs by itself.
fn near(own: &BodyWay, rng: &mut StdRng) -> BodyWay {
    let mut about = |value: f64, most: f64| value + rng.random_range(-most..most);
    BodyWay {
        flexes: own.flexes.map(|(from, takes)| (about(from, 0.02), about(takes, 0.03))),
        shoulders_deg: about(own.shoulders_deg, 6.0),
        elbow_deg: about(own.elbow_deg, 3.0),
        out_of_plane_deg: about(own.out_of_plane_deg, 2.0),
        back_m: own.back_m.map(|way_m| about(way_m, 0.015)),
        down_m: own.down_m.map(|way_m| about(way_m, 0.015)),
        hinge_slower: about(own.hinge_slower, 0.15),
        more_flexion_deg: about(own.more_flexion_deg, 4.0),
        more_address_hinge_deg: about(own.more_address_hinge_deg, 1.0),
        upper_arm_deg: about(own.upper_arm_deg, 6.0),
        more_roll_deg: about(own.more_roll_deg, 5.0),
    }
}

/// The set, and the way to it, of a player who usually hinges like this (all ranges are judgement).
fn hinged_like(own: &Style, rng: &mut StdRng) -> (SetAim, HingeWay) {
    let mut about = |value: f64, most: f64| value + rng.random_range(-most..most);
    let set = match own.set {
        SetAim::Travel(share) => SetAim::Travel(about(share, 0.1).clamp(0.2, 0.95)),
        SetAim::AfterTop(after_s) => SetAim::AfterTop(about(after_s, 0.03)),
        SetAim::NoSet => SetAim::NoSet,
    };
    let mut if_any = |value: f64, most: f64| if value > 0.0 { about(value, most).max(0.0) } else { 0.0 };
    let way = HingeWay {
        first_stage: if_any(own.way.first_stage, 0.1),
        grows_deg: if_any(own.way.grows_deg, 1.0),
        dip_deg: if_any(own.way.dip_deg, 1.0),
        ..own.way
    };
    (set, way)
}

/// Three of ten full swings hinge in two stages, the second at the body's own pace, which may be slow (judgement).
fn hinge_in_stages(style: &mut Style, rng: &mut StdRng) {
    let plain = style.way.dip_deg == 0.0 && style.way.grows_deg == 0.0;
    if style.size == SwingSize::Full && plain && rng.random_bool(0.3) {
        style.way.first_stage = rng.random_range(0.2..0.7);
        style.set = SetAim::Travel(rng.random_range(0.5..0.95));
    }
}

/// When and how the hinge is set: all classes, in one move or two, with a dip, growing on after the top.
fn hinging(size: SwingSize, rng: &mut StdRng) -> (SetAim, HingeWay) {
    let plain = HingeWay { cast: rng.random_bool(0.2), ..HingeWay::default() };
    match rng.random_range(0..12) {
        0 if size != SwingSize::Full => (SetAim::NoSet, HingeWay::default()),
        0..3 => (SetAim::Travel(rng.random_range(0.22..0.38)), plain),
        3..5 => (SetAim::Travel(rng.random_range(0.42..0.68)), plain),
        5 => {
            let first_stage = rng.random_range(0.2..0.6);
            (SetAim::Travel(rng.random_range(0.5..0.9)), HingeWay { first_stage, ..plain })
        }
        6 => {
            let dip_deg = rng.random_range(1.0..5.0);
            (SetAim::Travel(rng.random_range(0.25..0.5)), HingeWay { dip_deg, ..plain })
        }
        7 | 8 => (SetAim::Travel(rng.random_range(0.72..0.92)), plain),
        9 => (SetAim::AfterTop(rng.random_range(-0.02..0.02)), HingeWay { cast: false, ..plain }),
        10 => (SetAim::AfterTop(rng.random_range(0.04..0.07)), HingeWay { cast: false, ..plain }),
        _ => {
            let grows_deg = rng.random_range(1.0..9.0);
            (SetAim::Travel(rng.random_range(0.3..0.8)), HingeWay { grows_deg, cast: false, ..plain })
        }
    }
}
