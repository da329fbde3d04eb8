//! What is played: who, with which sensors and link, and the list of what the player does.
//!
//! Kestrel Point practice ground, the player Robin and the coach Sam are invented.

use super::activity::{Activity, ActivityKind, Along, Restlessness};
use super::body::{Joint, Posture};
use super::everyday::{self, Everyday};
use super::fit::Fit;
use super::gestures::{self, Manner};
use super::link::LinkSettings;
use super::sensor::SensorSettings;
use super::swing::{SetAim, Style, SwingDesign, SwingSize};
use super::tissue::TissueSettings;
use super::trunk::StrapSettings;
use crate::sample::{CalibrationPart, Marker, NodeRole};
use crate::units::PlayerHand;
use rand::Rng;
use rand::rngs::StdRng;
use std::collections::VecDeque;

/// One thing for the player to do.
#[derive(Clone, Debug, PartialEq)]
pub enum Cue {
    /// Go through the calibration.
    Calibrate,
    /// Go through one part of the calibration in some manner, without a prompt from the glove.
    Part(CalibrationPart, Manner),
    /// Take this club.
    Club(&'static str),
    /// Hit a ball.
    Shot(SwingSize, SetAim),
    /// Hit a ball after lingering at the top for this long, s.
    ShotWithPause(SwingSize, SetAim, f64),
    /// Swing without a ball.
    AirSwing(SwingSize, SetAim),
    /// So many swings without a ball, one after the other without a stop.
    Drill(SwingSize, SetAim, usize),
    /// Waggle the club.
    Waggle,
    /// Break off a backswing.
    Abort,
    /// Rehearse slowly.
    Rehearse,
    /// Walk some steps.
    Walk,
    /// Bend down and tee up.
    TeeUp,
    /// Swing in a manner of one's own.
    Swing(Box<Style>),
    /// Do something that has nothing to do with a swing.
    Everyday(Everyday),
    /// The cuff slips about the forearm, degrees.
    GloveSlips(f64),
    /// The glove is taken off and put on again, otherwise by up to so many degrees about each axis.
    GlovePutOnAnew(f64),
}

/// The list of cues.
#[derive(Clone, Debug, PartialEq)]
pub enum Plan {
    /// These, in this order.
    Listed(Vec<Cue>),
    /// Fresh ones until this much time has passed, s.
    Until(f64),
}

/// How far the nodes' clocks stray, each drawn evenly from plus or minus its size.
#[derive(Clone, Debug, PartialEq)]
pub struct ClockSettings {
    /// Reading of the first node's clock at the start, s. 36.
    pub origin_s: f64,
    /// Offset between the nodes, s. 0.003.
    pub offset_s: f64,
    /// Skew of each, parts per million. 15.
    pub skew_ppm: f64,
    /// Wander of each, µs. 20.
    pub wander_us: f64,
    /// Jitter of the time stamps, µs (standard deviation). 10.
    pub jitter_us: f64,
}

impl Default for ClockSettings {
    fn default() -> ClockSettings {
        ClockSettings { origin_s: 36.0, offset_s: 0.003, skew_ppm: 15.0, wander_us: 20.0, jitter_us: 10.0 }
    }
}

impl ClockSettings {
    /// Clocks that agree and keep true time.
    #[must_use]
    pub fn ideal() -> ClockSettings {
        ClockSettings { origin_s: 36.0, offset_s: 0.0, skew_ppm: 0.0, wander_us: 0.0, jitter_us: 0.0 }
    }
}

/// Everything that is played, but for the seed.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// The side the player plays from.
    pub player_hand: PlayerHand,
    /// The nodes that the glove has.
    pub roles: Vec<NodeRole>,
    /// The sensors of every node.
    pub sensor: SensorSettings,
    /// The nodes' clocks.
    pub clocks: ClockSettings,
    /// The link to the host.
    pub link: LinkSettings,
    /// The soft tissue under the nodes.
    pub tissue: TissueSettings,
    /// How the arm turns along with the wrist's flexion and with its hinge in the calibration, where it is asked to be
    /// still. It looks like a cuff that is dragged along, and is none.
    pub arm_answers: [Along; 2],
    /// How nodes on the trunk are strapped on.
    pub strap: StrapSettings,
    /// Whether the body never quite rests.
    pub restless: bool,
    /// Whether the arm trembles and the body sways, too.
    pub trembling: bool,
    /// What the player does.
    pub plan: Plan,
}

impl Scenario {
    /// A right-handed player with a glove of two nodes and every setting at its default.
    #[must_use]
    pub fn new(plan: Plan) -> Scenario {
        Scenario {
            player_hand: PlayerHand::Right,
            roles: vec![NodeRole::Hand, NodeRole::Forearm],
            sensor: SensorSettings::default(),
            clocks: ClockSettings::default(),
            link: LinkSettings::default(),
            tissue: TissueSettings::default(),
            arm_answers: [Along::default(); 2],
            strap: StrapSettings::default(),
            restless: true,
            trembling: false,
            plan,
        }
    }

    /// Robin's bucket at Kestrel Point: calibration, then wedge, iron and driver, under three minutes.
    #[must_use]
    pub fn demo_bucket() -> Scenario {
        use SetAim::{AfterTop, NoSet, Travel};
        use SwingSize::{Chip, Full, Pitch};
        Scenario::new(Plan::Listed(vec![
            Cue::Club("wedge"),
            Cue::Calibrate,
            Cue::Waggle,
            Cue::Shot(Pitch, Travel(0.30)),
            Cue::Shot(Chip, NoSet),
            Cue::Rehearse,
            Cue::Shot(Pitch, Travel(0.26)),
            Cue::Shot(Full, Travel(0.33)),
            Cue::Walk,
            Cue::Club("iron"),
            Cue::Waggle,
            Cue::Shot(Full, Travel(0.52)),
            Cue::Shot(Full, Travel(0.60)),
            Cue::Abort,
            Cue::AirSwing(Full, Travel(0.55)),
            Cue::Shot(Full, Travel(0.30)),
            Cue::Shot(Full, Travel(0.82)),
            Cue::Walk,
            Cue::Club("driver"),
            Cue::TeeUp,
            Cue::Waggle,
            Cue::Shot(Full, Travel(0.84)),
            Cue::Shot(Full, AfterTop(-0.005)),
            Cue::TeeUp,
            Cue::ShotWithPause(Full, Travel(0.80), 0.12),
            Cue::Shot(Full, AfterTop(0.055)),
        ]))
    }

    /// A smaller bucket of a left-handed player.
    #[must_use]
    pub fn left_handed_bucket() -> Scenario {
        use SetAim::Travel;
        use SwingSize::{Full, Pitch};
        let plan = Plan::Listed(vec![
            Cue::Club("iron"),
            Cue::Calibrate,
            Cue::Waggle,
            Cue::Shot(Full, Travel(0.30)),
            Cue::Shot(Full, Travel(0.55)),
            Cue::Shot(Full, Travel(0.82)),
            Cue::AirSwing(Pitch, Travel(0.50)),
        ]);
        Scenario { player_hand: PlayerHand::Left, ..Scenario::new(plan) }
    }

    /// A player whom the host leads through the calibration, and two swings. The parts come one after the
    /// other without prompts; between them the player listens for a moment.
    #[must_use]
    pub fn guided_bucket() -> Scenario {
        use SetAim::Travel;
        use SwingSize::Full;
        let parts = CalibrationPart::ALL
            .map(|(part, _)| [Cue::Part(part, Manner::AsAsked), Cue::Part(part, Manner::NotAtAll)]);
        let shots = [Cue::Shot(Full, Travel(0.52)), Cue::Shot(Full, Travel(0.60))];
        Scenario::new(Plan::Listed(parts.into_iter().flatten().chain(shots).collect()))
    }

    /// The same player with nodes on breastbone and belt as well.
    #[must_use]
    pub fn with_trunk(self) -> Scenario {
        Scenario { roles: NodeRole::ALL.to_vec(), ..self }
    }

    /// A day on the range: a calibration, then fresh swings until `hours` have passed.
    #[must_use]
    pub fn range_day(hours: f64) -> Scenario {
        Scenario::new(Plan::Until(hours * 3600.0))
    }
}

/// Turns cues into activities, one after the other. Holds the few activities of one cue only.
#[derive(Clone, Debug)]
pub struct Script {
    cues: VecDeque<Cue>,
    until_s: f64,
    ready: VecDeque<Activity>,
    said: Vec<Marker>,
    posture: Posture,
    at_ball: bool,
    fit: Fit,
    club: &'static str,
    now_s: f64,
    rng: StdRng,
    restless: Restlessness,
    arm_answers: [Along; 2],
}

impl Script {
    /// The script of a plan, from true time 0 on.
    #[must_use]
    pub fn new(scenario: &Scenario, mut rng: StdRng) -> Script {
        let (cues, until_s) = match &scenario.plan {
            Plan::Listed(cues) => (cues.iter().cloned().collect(), 0.0),
            Plan::Until(until_s) => (VecDeque::from([Cue::Club("iron"), Cue::Calibrate]), *until_s),
        };
        let phase_rad = rng.random_range(0.0..std::f64::consts::TAU);
        let restless = match (scenario.restless, scenario.trembling) {
            (_, true) => Restlessness::trembling(&mut rng),
            (true, false) => Restlessness::calm(phase_rad),
            (false, false) => Restlessness::default(),
        };
        let battery =
            Marker::Note { kind: "battery".to_owned(), value: "hand=4.10V;forearm=4.08V".to_owned() };
        let mut script = Script {
            cues,
            until_s,
            ready: VecDeque::new(),
            said: vec![battery],
            posture: Posture::hanging(),
            at_ball: false,
            fit: Fit::FIRST,
            club: "iron",
            now_s: 0.0,
            rng,
            restless,
            arm_answers: scenario.arm_answers,
        };
        script.stand(1.0);
        script
    }

    /// What never rests.
    #[must_use]
    pub fn restlessness(&self) -> &Restlessness {
        &self.restless
    }

    /// How many cues and activities wait.
    #[must_use]
    pub fn held(&self) -> usize {
        self.cues.len() + self.ready.len()
    }

    fn push(&mut self, mut activity: Activity) {
        activity.markers.splice(0..0, self.said.drain(..));
        activity.fit = self.fit;
        self.now_s = activity.end_s();
        self.posture = activity.end_posture();
        self.ready.push_back(activity);
    }

    /// An activity after which the player does not stand at the ball.
    fn push_away_from_ball(&mut self, activity: Activity) {
        self.push(activity);
        self.at_ball = false;
    }

    fn stand(&mut self, seconds: f64) {
        let mut activity = Activity::new(ActivityKind::Settle, self.now_s, self.posture);
        activity.rest(seconds);
        self.push(activity);
    }

    fn go_to_ball(&mut self) {
        if !self.at_ball {
            let address = gestures::address(self.posture, &mut self.rng);
            self.push(gestures::settle(self.now_s, self.posture, address, 1.0));
            self.at_ball = true;
        }
    }

    fn swing(&mut self, design: &SwingDesign) {
        self.go_to_ball();
        let more_hinge_deg = design.body.more_address_hinge_deg;
        if more_hinge_deg != 0.0 {
            let hinged = self.posture.with(Joint::Hinge, self.posture.get(Joint::Hinge) + more_hinge_deg);
            self.push(gestures::settle(self.now_s, self.posture, hinged, 0.5));
        }
        self.push_away_from_ball(design.perform(self.club, self.now_s, self.posture));
    }

    fn drill(&mut self, size: SwingSize, set: SetAim, count: usize) {
        for i in 0..count {
            let design = SwingDesign::fresh(size, set, &mut self.rng).in_the_air();
            let design = if i == 0 {
                SwingDesign { rest_s: 0.05, ..design }
            } else {
                let address = gestures::address(self.posture, &mut self.rng);
                self.push(gestures::settle(self.now_s, self.posture, address, 0.8));
                self.at_ball = true;
                design.without_stop()
            };
            self.swing(&design);
        }
        self.stand(1.0);
    }

    fn perform(&mut self, cue: &Cue) {
        match *cue {
            Cue::Calibrate => self.calibrate(),
            Cue::Part(part, manner) => {
                let (start_s, from) = (self.now_s, self.posture);
                let activity = gestures::calibration_part(part, manner, start_s, from, &mut self.rng);
                self.push(activity);
                self.at_ball = part == CalibrationPart::Address;
            }
            Cue::Club(club) => {
                self.club = club;
                self.said.push(Marker::Club(club.to_owned()));
            }
            Cue::Shot(size, set) => {
                let design = SwingDesign::fresh(size, set, &mut self.rng);
                self.swing(&design);
            }
            Cue::ShotWithPause(size, set, pause_s) => {
                let design = SwingDesign::fresh(size, set, &mut self.rng).with_pause(pause_s);
                self.swing(&design);
            }
            Cue::AirSwing(size, set) => {
                let design = SwingDesign::fresh(size, set, &mut self.rng).in_the_air();
                self.swing(&design);
            }
            Cue::Drill(size, set, count) => self.drill(size, set, count),
            Cue::Waggle => {
                self.go_to_ball();
                let activity = gestures::waggle(self.now_s, self.posture, &mut self.rng);
                self.push(activity);
            }
            Cue::Abort => {
                self.go_to_ball();
                self.push(gestures::aborted_backswing(self.now_s, self.posture));
            }
            Cue::Rehearse => {
                self.go_to_ball();
                self.push(gestures::rehearsal(self.now_s, self.posture));
            }
            Cue::Walk => {
                let activity = gestures::walk(self.now_s, self.posture, &mut self.rng);
                self.push_away_from_ball(activity);
            }
            Cue::Swing(ref style) => {
                let design = SwingDesign::styled(style, &mut self.rng);
                self.swing(&design);
            }
            Cue::Everyday(what) => {
                let activity = everyday::perform(what, self.now_s, self.posture, &mut self.rng);
                self.push_away_from_ball(activity);
            }
            Cue::GloveSlips(angle_deg) => self.fit = self.fit.slipped(angle_deg),
            Cue::GlovePutOnAnew(most_deg) => self.fit = self.fit.put_on_anew(most_deg, &mut self.rng),
            Cue::TeeUp => {
                let activity = gestures::tee_work(self.now_s, self.posture, &mut self.rng);
                self.push_away_from_ball(activity);
            }
        }
    }

    fn calibrate(&mut self) {
        self.fit = self.fit.calibrated();
        let [in_flexion, in_hinge] = self.arm_answers;
        for (part, _) in CalibrationPart::ALL {
            let mut activity = gestures::calibration(part, self.now_s, self.posture, &mut self.rng);
            match part {
                CalibrationPart::Flex => activity.along(Joint::Flexion, Joint::Heading, in_flexion),
                CalibrationPart::Hinge => activity.along(Joint::Hinge, Joint::Elbow, in_hinge),
                CalibrationPart::Still | CalibrationPart::Roll | CalibrationPart::Address => {}
            }
            self.push(activity);
        }
        self.at_ball = true;
    }

    /// A handful of fresh cues: a club, then shots as a person practises them.
    fn improvise(&mut self) {
        let club = ["wedge", "iron", "driver"][self.rng.random_range(0..3)];
        self.cues.push_back(Cue::Club(club));
        for _ in 0..self.rng.random_range(4..8) {
            match self.rng.random_range(0..8) {
                0 => self.cues.push_back(Cue::Walk),
                1 => self.cues.push_back(Cue::Rehearse),
                2 => self.cues.push_back(Cue::Abort),
                3..5 => self.cues.push_back(Cue::Waggle),
                5 if club == "driver" => self.cues.push_back(Cue::TeeUp),
                _ => {}
            }
            let cue = self.fresh_swing(club);
            self.cues.push_back(cue);
        }
    }

    fn fresh_swing(&mut self, club: &str) -> Cue {
        let set = match self.rng.random_range(0..10) {
            0..3 => SetAim::Travel(self.rng.random_range(0.24..0.36)),
            3..6 => SetAim::Travel(self.rng.random_range(0.45..0.65)),
            6..8 => SetAim::Travel(self.rng.random_range(0.75..0.88)),
            8 => SetAim::AfterTop(self.rng.random_range(-0.012..0.012)),
            _ => SetAim::AfterTop(self.rng.random_range(0.045..0.06)),
        };
        match (club, self.rng.random_range(0..6)) {
            ("wedge", 0) => Cue::Shot(SwingSize::Chip, SetAim::NoSet),
            ("wedge", 1..=3) => Cue::Shot(SwingSize::Pitch, set),
            (_, 5) => Cue::AirSwing(SwingSize::Full, set),
            _ => Cue::Shot(SwingSize::Full, set),
        }
    }
}

impl Iterator for Script {
    type Item = Activity;

    fn next(&mut self) -> Option<Activity> {
        loop {
            if let Some(activity) = self.ready.pop_front() {
                return Some(activity);
            }
            match self.cues.pop_front() {
                Some(cue) => self.perform(&cue),
                None if self.now_s < self.until_s => self.improvise(),
                None => return None,
            }
        }
    }
}
