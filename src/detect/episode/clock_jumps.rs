//! A node's clock that has jumped, taken out of what the cutter keeps.

use super::super::arrival_order::Jumped;
use super::super::pace::Jump;
use super::EpisodeCutter;
use crate::sample::NodeRole;

impl EpisodeCutter {
    pub(super) fn suspect_a_jump(&mut self, role: NodeRole) {
        let intake = if role == NodeRole::Hand { &mut self.hand } else { &mut self.forearm };
        if let Some(jump) = intake.take_jump() {
            self.order.suspect(role, jump);
        }
    }

    /// Clocks have jumped. The forearm's goes on as if it had not; the hand's, which everything is told by, stands as it
    /// stands now, and what was timed before is counted anew, by both nodes alike. So they lie as far apart as before.
    pub(super) fn take_out(&mut self, jumped: &Jumped) {
        self.order.shift_forearm(-jumped.apart_s());
        self.retimed_s = Some(self.retimed_s.unwrap_or(0.0) + jumped.hand.map_or(0.0, |jump| jump.by_s));
        let at_s = self.now_s().unwrap_or(0.0);
        if let Some(jump) = jumped.forearm {
            let retimed = self.forearm.retime(jump.first_seq, 0.0, -jump.by_s);
            self.retime_calibration(false, retimed, (0.0, -jump.by_s));
            self.notes.push(jump.note("forearm", at_s));
        }
        if let Some(jump) = jumped.hand {
            let retimed = self.hand.retime(jump.first_seq, jump.by_s, 0.0);
            self.forearm.retime(0, jump.by_s, jump.by_s);
            self.retime_calibration(true, retimed, (jump.by_s, 0.0));
            self.retime_calibration(false, 0, (jump.by_s, jump.by_s));
            self.shift_motion(&jump);
            self.body.hand_jumped();
            self.notes.push(jump.note("hand", at_s));
        }
    }

    fn retime_calibration(&mut self, of_hand: bool, newest: usize, by_s: (f64, f64)) {
        if let Some(calibration) = &mut self.calibration {
            calibration.retime(of_hand, newest, by_s);
        }
    }

    /// What was noticed of the motion before the hand's clock jumped.
    fn shift_motion(&mut self, jump: &Jump) {
        let shift = |t_s: f64| if t_s < jump.at_s.max(jump.at_s - jump.by_s) { t_s + jump.by_s } else { t_s };
        self.told_until_s = shift(self.told_until_s);
        self.fast = self.fast.map(|fast| fast.with_times(shift));
        for ended in &mut self.ended {
            ended.fast = ended.fast.with_times(shift);
            (ended.from_s, ended.until_s) = (shift(ended.from_s), shift(ended.until_s));
        }
        if let Some(calibration) = &mut self.calibration {
            calibration.last_prompt_s = calibration.last_prompt_s.map(shift);
        }
    }

    /// Whether readings were timed anew since this was asked, and how much later what was timed before is by the hand's
    /// clock now, s.
    pub fn take_retimed_s(&mut self) -> Option<f64> {
        self.retimed_s.take()
    }

    /// Sentences about the clocks that were not taken yet.
    pub fn take_notes(&mut self) -> Vec<String> {
        std::mem::take(&mut self.notes)
    }
}
