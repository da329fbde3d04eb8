//! What the hub's model expects before a swing is seen.

/// What is expected before a swing is seen. Lengths in m, angles in rad.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HubParams {
    /// Shoulder to wrist, and its standard deviation (0.57 ± 0.035: adults, common anthropometry, from memory).
    pub arm_m: (f64, f64),
    /// Hinge and flexion at address (about 17° ulnar in O'Brien 2021, quoted second-hand; a hand that grips is
    /// extended a little, judgement), and what both may be off.
    pub address: (f64, f64, f64),
    /// Middle of the shoulders to the lead one (half a breadth, common anthropometry, from memory).
    pub shoulder_m: f64,
    /// Turn of the shoulders as a share of the arm's, and its standard deviation: between a hub that is still, as in
    /// the planar double pendulum and in a swing with the arms alone, and a full turn (about 90° of 150°: common
    /// practice, and some more). The path hardly tells it, so a narrow prior here would be told as knowledge.
    pub shoulders_turn: (f64, f64),
    /// The shoulders turn back so long before the arm, s, and its standard deviation (thorax and arm peak 87 and
    /// 68 ms before impact: Cheetham et al. 2008, quoted second-hand; at the top they are farther apart, judgement).
    pub shoulders_lead_s: (f64, f64),
    /// How far the shoulder goes with the arm besides turning: sway, lift, and a turn about an axis that leans otherwise
    /// than the arm's plane (some centimetres: common practice), m.
    pub sway_m: f64,
    /// How far the shoulder wanders besides, and how long it takes to, s (judgement).
    pub wander: (f64, f64),
    /// Spacing of the wandering's knots, s.
    pub knot_s: f64,
    /// How much the arm's length changes (an elbow that gives by 15°), and how long it takes to, s.
    pub length_change: (f64, f64),
    /// How much more the elbow is bent at the top than at address, and its standard deviation (a fairly straight lead
    /// arm: common practice; the numbers are judgement).
    pub elbow: (f64, f64),
    /// How far the forearm is pronated at the top, which says towards which side of the hand the elbow bends
    /// (judgement; the rest of the hand's roll is the upper arm's).
    pub pronated_at_top: f64,
    /// Speed of a hand that is still at address, m/s.
    pub address_speed_mps: f64,
    /// How well the sensor's place in the hand is known.
    pub sensor_place_m: f64,
    /// Usual rates of hinge and flexion while a wrist holds, rad/s: a lead wrist that is extended a little at
    /// address comes to about flat by the top, 10° to 20° in some 0.8 s (judgement) …
    pub holding_rate: (f64, f64),
    /// … and over how long they hang together, s. It says how dear a motion is by how long it lasts: where that is
    /// little, a slow second stage of the hinge is drawn straight (judgement, on study buckets with seeds under 100).
    pub holding_s: f64,
    /// So long after the top the wrist's rates are still asked, s.
    pub asked_after_top_s: f64,
}

impl Default for HubParams {
    fn default() -> HubParams {
        let degrees = f64::to_radians;
        HubParams {
            arm_m: (0.57, 0.035),
            address: (degrees(-14.0), degrees(-8.0), degrees(8.0)),
            shoulder_m: 0.175,
            shoulders_turn: (0.35, 0.2),
            shoulders_lead_s: (0.03, 0.02),
            sway_m: 0.04,
            wander: (0.03, 0.25),
            knot_s: 0.12,
            length_change: (0.012, 0.15),
            elbow: (degrees(7.0), degrees(5.0)),
            pronated_at_top: degrees(35.0),
            address_speed_mps: 0.015,
            sensor_place_m: 0.008,
            holding_rate: (degrees(6.0), degrees(20.0)),
            holding_s: 0.15,
            asked_after_top_s: 0.15,
        }
    }
}
