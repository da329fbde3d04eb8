//! The truth of what the wrist gives to the club: the couple there by the forces that the club's true motion takes.
//!
//! The club is two point masses on the shaft's line with its mass, its balance and its inertia. Each needs its mass
//! times its specific force; together that is the force and the couple about the wrist. The hand itself weighs nothing
//! here: its mass is the arm's.

use super::body::{GRIPPED_M, SegmentMotion, head_in_hand_m};
use super::vector::{Vec3, add, apply, cross, dot, norm, scale};
use crate::units::PlayerHand;

/// The grip's end is so far above the middle of the lead hand, m, and the head's middle so far before the other end:
/// as [`head_in_hand_m`] has it.
const GRIPPED_AT_M: f64 = 0.07;

/// A club as a rigid body: mass, kg; centre of mass from the grip's end, m; inertia about it across the shaft, kg·m².
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrueClub {
    /// kg.
    pub mass_kg: f64,
    /// m.
    pub balance_m: f64,
    /// kg·m².
    pub inertia_kgm2: f64,
}

impl TrueClub {
    /// The virtual player's clubs. The driver's values are Nesbit's (2005, J Sports Sci Med 4:499-519, second-hand);
    /// the others are of usual size (common practice).
    #[must_use]
    pub fn named(club: &str) -> TrueClub {
        let [mass_kg, balance_m, inertia_kgm2] = if club.contains("driver") {
            [0.31, 0.89, 0.043]
        } else if club.contains("wedge") {
            [0.465, 0.689, 0.0407]
        } else {
            [0.425, 0.716, 0.0428]
        };
        TrueClub { mass_kg, balance_m, inertia_kgm2 }
    }

    /// Where two halves of its mass lie in the hand, m: as far from the centre of mass as its inertia asks.
    fn halves_m(&self, club: &str, hand: PlayerHand) -> [Vec3; 2] {
        let gripped = mirrored(GRIPPED_M, hand);
        let to_head = add(head_in_hand_m(club, hand), scale(gripped, -1.0));
        let shaft = scale(to_head, 1.0 / norm(to_head));
        let apart_m = (self.inertia_kgm2 / self.mass_kg).sqrt();
        [-apart_m, apart_m].map(|by| add(gripped, scale(shaft, self.balance_m + by - GRIPPED_AT_M)))
    }

    /// What this club needs at the wrist while the hand moves like this.
    #[must_use]
    pub fn load(&self, club: &str, hand: PlayerHand, motion: &SegmentMotion) -> WristLoad {
        let halves = self.halves_m(club, hand).map(|at_m| {
            let force_n = scale(motion.specific_force_at(at_m), 0.5 * self.mass_kg);
            (force_n, cross(at_m, force_n))
        });
        let [(force_a, couple_a), (force_b, couple_b)] = halves;
        let world = |v: Vec3| apply(&motion.world_from_segment, v);
        WristLoad { force_n: world(add(force_a, force_b)), couple_nm: world(add(couple_a, couple_b)) }
    }
}

/// A place in the hand of a left lead arm, in that of this player.
pub(super) fn mirrored([x, y, z]: Vec3, hand: PlayerHand) -> Vec3 {
    [x, y, -hand.lead_arm_sign() * z]
}

/// What acts on hand and club at the wrist, world frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WristLoad {
    /// N.
    pub force_n: Vec3,
    /// About the wrist, N·m.
    pub couple_nm: Vec3,
}

impl WristLoad {
    /// Power of the couple with the wrist's own rate, W: the hand's less the forearm's.
    #[must_use]
    pub fn wrist_w(&self, hand: &SegmentMotion, forearm: &SegmentMotion) -> f64 {
        let rate = |segment: &SegmentMotion| apply(&segment.world_from_segment, segment.rate_rps);
        dot(self.couple_nm, add(rate(hand), scale(rate(forearm), -1.0)))
    }
}

#[cfg(test)]
mod tests {
    use super::super::activity::Activity;
    use super::super::body::{Joint, Posture, segment_motion};
    use super::super::swing::{SetAim, SwingDesign, SwingSize};
    use super::*;
    use crate::sample::NodeRole;
    use crate::units::GRAVITY_MPS2;
    use rand::SeedableRng;
    use rand::rngs::StdRng;

    /// Step of the differences, s; they are of the fourth order.
    const STEP_S: f64 = 2e-4;

    fn slope<const N: usize>(of: impl Fn(f64) -> [f64; N], t_s: f64) -> [f64; N] {
        let [far, near, ahead, beyond] = [-2.0, -1.0, 1.0, 2.0].map(|steps| of(t_s + steps * STEP_S));
        std::array::from_fn(|i| (far[i] - beyond[i] + 8.0 * (ahead[i] - near[i])) / (12.0 * STEP_S))
    }

    /// Energy of a rigid club from places alone, J: of its centre of mass, of a rod's turning about it, and of height.
    fn energy_j(club: &TrueClub, name: &str, hand: PlayerHand, activity: &Activity, t_s: f64) -> f64 {
        let at = |t_s: f64, from_end_m: f64| {
            let motion = segment_motion(NodeRole::Hand, hand, &activity.joints(t_s));
            let gripped = mirrored(GRIPPED_M, hand);
            let to_head = add(head_in_hand_m(name, hand), scale(gripped, -1.0));
            let along = scale(to_head, (from_end_m - GRIPPED_AT_M) / norm(to_head));
            motion.position_of(add(gripped, along))
        };
        let (centre, top) = (club.balance_m, club.balance_m - 1.0);
        let velocity = slope(|t_s| at(t_s, centre), t_s);
        // The shaft's direction is a metre of it; how fast that changes is the rate across the shaft.
        let turning = slope(|t_s| add(at(t_s, centre), scale(at(t_s, top), -1.0)), t_s);
        0.5 * club.mass_kg * dot(velocity, velocity)
            + 0.5 * club.inertia_kgm2 * dot(turning, turning)
            + club.mass_kg * GRAVITY_MPS2 * at(t_s, centre)[2]
    }

    #[test]
    fn what_force_and_couple_give_is_what_the_club_gains() {
        let address = Posture::hanging().with(Joint::Lift, 35.0).with(Joint::Hinge, -10.0);
        for (seed, name, hand) in
            [(1, "driver", PlayerHand::Right), (2, "iron", PlayerHand::Left), (3, "wedge", PlayerHand::Right)]
        {
            let mut rng = StdRng::seed_from_u64(seed);
            let design = SwingDesign::fresh(SwingSize::Full, SetAim::Travel(0.5), &mut rng);
            let activity = design.perform(name, 0.0, address);
            let plan = activity.swing.as_ref().unwrap();
            let club = TrueClub::named(name);
            let (mut most_w, mut worst_w, mut couple_w) = (0.0_f64, 0.0_f64, 0.0_f64);
            for i in 0..40 {
                let t_s = plan.top_s + (plan.impact_s - plan.top_s) * f64::from(i) / 39.0;
                let motion = segment_motion(NodeRole::Hand, hand, &activity.joints(t_s));
                let load = club.load(name, hand, &motion);
                let wrist = |t_s| segment_motion(NodeRole::Hand, hand, &activity.joints(t_s)).position_m;
                let rate = apply(&motion.world_from_segment, motion.rate_rps);
                let by_couple_w = dot(load.couple_nm, rate);
                let power_w = dot(load.force_n, slope(wrist, t_s)) + by_couple_w;
                let [gained_w] = slope(|t_s| [energy_j(&club, name, hand, &activity, t_s)], t_s);
                most_w = most_w.max(gained_w.abs());
                couple_w = couple_w.max(by_couple_w.abs());
                worst_w = worst_w.max((power_w - gained_w).abs());
            }
            assert!(worst_w < 1e-6 * most_w, "{name}: off by {worst_w} W of {most_w} W");
            assert!(couple_w > 0.05 * most_w, "{name}: the couple gives {couple_w} W of {most_w} W");
        }
    }
}
