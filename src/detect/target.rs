//! What counts as early and late: the class bands of arm travel, and the target window of a player and club.

use super::Class;
use serde::{Deserialize, Serialize};

/// Edges between the classes. Coaches change them.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Bands {
    /// Arm travel under which a set is early.
    pub early_below: f64,
    /// Arm travel from which a set is late.
    pub late_from: f64,
    /// Half-width of `at-top`, ms.
    pub at_top_ms: f64,
    /// Hinge range under which there is no set, degrees.
    pub least_range_deg: f64,
}

impl Default for Bands {
    fn default() -> Bands {
        Bands { early_below: 0.40, late_from: 0.70, at_top_ms: 30.0, least_range_deg: 8.0 }
    }
}

impl Bands {
    /// The class of a set that came `set_to_top_ms` against the top, at this arm travel.
    #[must_use]
    pub fn class(&self, set_to_top_ms: f64, arm_travel: f64) -> Class {
        if set_to_top_ms > self.at_top_ms {
            Class::AfterTop
        } else if set_to_top_ms >= -self.at_top_ms {
            Class::AtTop
        } else if arm_travel < self.early_below {
            Class::Early
        } else if arm_travel < self.late_from {
            Class::Middle
        } else {
            Class::Late
        }
    }
}

/// The arm travel at which this player wants to set the hinge with a club.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TargetWindow {
    /// Earlier than this is early.
    pub from: f64,
    /// Later than this is late.
    pub to: f64,
}

/// The set against the target window: what the tone says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// Before the window.
    Early,
    /// In the window.
    InWindow,
    /// After the window.
    Late,
    /// No set was found.
    NoSet,
}

impl Verdict {
    /// The word in tables and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Early => "early",
            Verdict::InWindow => "in-window",
            Verdict::Late => "late",
            Verdict::NoSet => "no-set",
        }
    }

    /// As it is said to a player.
    #[must_use]
    pub fn said(self) -> &'static str {
        match self {
            Verdict::Early => "early",
            Verdict::InWindow => "in the window",
            Verdict::Late => "late",
            Verdict::NoSet => "no set",
        }
    }
}

impl TargetWindow {
    /// Says where a set at this arm travel lies. After the top the arm comes back through the window, so arm travel
    /// alone cannot tell it from before.
    #[must_use]
    pub fn verdict(&self, arm_travel_at_set: Option<f64>, after_top: bool) -> Verdict {
        match arm_travel_at_set {
            None => Verdict::NoSet,
            Some(_) if after_top => Verdict::Late,
            Some(travel) if travel < self.from => Verdict::Early,
            Some(travel) if travel > self.to => Verdict::Late,
            Some(_) => Verdict::InWindow,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_follow_their_edges() {
        let bands = Bands::default();
        let cases = [
            (-500.0, 0.39, Class::Early),
            (-500.0, 0.40, Class::Middle),
            (-200.0, 0.70, Class::Late),
            (-30.0, 0.99, Class::AtTop),
            (30.0, 1.0, Class::AtTop),
            (30.1, 0.99, Class::AfterTop),
        ];
        for (ms, travel, expected) in cases {
            assert_eq!(bands.class(ms, travel), expected, "{ms} ms, {travel}");
        }
    }

    #[test]
    fn a_window_has_an_inside_and_two_outsides() {
        let window = TargetWindow { from: 0.4, to: 0.6 };
        assert_eq!(window.verdict(Some(0.39), false), Verdict::Early);
        assert_eq!(window.verdict(Some(0.4), false), Verdict::InWindow);
        assert_eq!(window.verdict(Some(0.61), false), Verdict::Late);
        assert_eq!(window.verdict(Some(0.5), true), Verdict::Late);
        assert_eq!(window.verdict(None, false), Verdict::NoSet);
    }
}
