//! What a recording tells of the glove that made it: do units, signs, axes and clocks fit together? Pure.

use super::Finding;
use crate::fusion::sensor_doubts::{Doubt, GloveWatch, NodeWatch, Seen};
use crate::sample::NodeRole;
use crate::units::counted;

/// The long axis of a segment that hangs or stands is above this at rest, degrees; a forearm over the ball is about level.
const UPRIGHT_DEG: f64 = -20.0;

/// The findings of each node that was heard, in order.
#[must_use]
pub fn judge(watch: &GloveWatch) -> Vec<Finding> {
    let findings: Vec<Finding> = watch.nodes().flat_map(|(role, node)| judge_node(role, node)).collect();
    if findings.is_empty() {
        let advice = "see what hingeclock run says of its frames, and with RUST_LOG=info of each damaged one";
        return vec![Finding::bad("glove", "no reading in this recording", advice)];
    }
    findings
}

fn judge_node(role: NodeRole, node: &NodeWatch) -> Vec<Finding> {
    let subject = role.word();
    let doubts = node.doubts();
    let seen = node.seen();
    let bad = |doubt: &Doubt| Finding::bad(subject, doubt.found(role), doubt.cause());
    let mut findings: Vec<Finding> = doubts.iter().map(bad).collect();
    if findings.is_empty() {
        findings.push(agreement(subject, &seen));
    }
    findings.extend(lie(role, subject, &seen));
    findings
}

/// Nothing speaks against the node; is there enough that could?
fn agreement(subject: &'static str, seen: &Seen) -> Finding {
    let rate = seen.rate_hz.map_or_else(
        || "no two readings in a row".to_owned(),
        |rate_hz| format!("{rate_hz:.0} readings a second by its times"),
    );
    let Some(gravity_g) = seen.gravity_g else {
        let advice = "hold it still; if it was: is each reading the gyro's three, then the accelerometer's, low byte first?";
        return Finding::limited(subject, format!("{rate}, never at rest by its accelerometer"), advice);
    };
    let turns = counted(seen.turns, "turn");
    let found = format!("{rate}, {gravity_g:.2} g at rest, {turns} from rest to rest");
    if seen.turns < Seen::LEAST_TURNS {
        let advice = "too few turns to compare gyro and accelerometer by: hold it still for a second, turn it by a quarter \
                      turn or more and hold it again, six times about different axes";
        return Finding::limited(subject, found, advice);
    }
    Finding::good(subject, format!("{found}: gyro and accelerometer agree"))
}

/// On a player the long axis points up at rest as a rule.
fn lie(role: NodeRole, subject: &'static str, seen: &Seen) -> Option<Finding> {
    let upright_deg = seen.upright_deg.filter(|upright_deg| *upright_deg < UPRIGHT_DEG)?;
    let (axis, usual) = match role {
        NodeRole::Hand | NodeRole::Forearm => ("the end away from the fingers", "an arm hangs"),
        NodeRole::Chest | NodeRole::Belt => ("the end to the head", "a player stands"),
    };
    let found = format!("by its mounting {axis} points {upright_deg:.0}° above level at rest");
    let advice = format!(
        "{usual} as a rule: if a player wore it, is segment_from_sensor right, row by row, and the role, and does the \
         accelerometer give +1 g along what points up?"
    );
    Some(Finding::limited(subject, found, advice))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample::{DeviceDescription, ImuSample};
    use crate::units::DeviceTime;

    #[test]
    fn a_single_reading_has_no_rate() {
        let mut watch = GloveWatch::new(&DeviceDescription::default());
        watch.push(&ImuSample {
            role: NodeRole::Hand,
            seq: 0,
            t: DeviceTime(0),
            rate_dps: [0.0; 3],
            specific_force_g: [0.0, 0.0, 1.0],
            received: None,
        });
        let findings = judge(&watch);
        let found = &findings[0].found;
        assert!(findings.len() == 1 && found.starts_with("no two readings in a row"), "{found}");
    }
}
