//! Which node has fallen silent while another is heard. Pure: it is asked about once a second.

use crate::review::live::NodeStatus;
use crate::sample::NodeRole;
use std::collections::BTreeMap;

/// So many looks in a row without a sample, and it is told.
const LOOKS: u32 = 3;

/// The nodes, as they stood at the last look.
#[derive(Clone, Debug, Default)]
pub struct Silence {
    /// How many samples had come, and for how many looks none has while another node's came.
    nodes: BTreeMap<NodeRole, (u64, u32)>,
}

impl Silence {
    /// Looks at what has come by now; a sentence for each node that has fallen silent, or is heard again.
    pub fn look(&mut self, now: &[NodeStatus]) -> Vec<String> {
        let received = |role| self.nodes.get(&role).map_or(0, |(received, _)| *received);
        let any_came = now.iter().any(|node| node.received != received(node.role));
        let mut told = Vec::new();
        for node in now.iter().filter(|node| node.received > 0) {
            let (received, looks) = self.nodes.get(&node.role).copied().unwrap_or((0, 0));
            let came = node.received != received;
            let silent_for = if came { 0 } else { looks + u32::from(any_came) };
            if came && looks >= LOOKS {
                told.push(format!("the {} node is heard again", node.role.word()));
            } else if silent_for == LOOKS && looks < LOOKS {
                told.push(fell_silent(node.role));
            }
            self.nodes.insert(node.role, (node.received, silent_for));
        }
        told
    }
}

fn fell_silent(role: NodeRole) -> String {
    let without = match role {
        NodeRole::Hand => "no swing is found without it",
        NodeRole::Forearm => "swings are told by the hand alone, roughly",
        NodeRole::Chest | NodeRole::Belt => "nothing is told of its turn",
    };
    format!("the {} node has fallen silent: is it charged? Until it is heard, {without}", role.word())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is told at which look, of what has come from hand and forearm by then.
    fn told(looks: u64, came: impl Fn(u64) -> [u64; 2]) -> Vec<(u64, String)> {
        let mut silence = Silence::default();
        let mut told = Vec::new();
        for look in 0..looks {
            let roles = [NodeRole::Hand, NodeRole::Forearm].into_iter().zip(came(look));
            let nodes: Vec<NodeStatus> =
                roles.map(|(role, received)| NodeStatus { received, ..NodeStatus::silent(role) }).collect();
            told.extend(silence.look(&nodes).into_iter().map(|sentence| (look, sentence)));
        }
        told
    }

    #[test]
    fn a_node_that_falls_silent_beside_another_is_told_once_and_when_it_is_back() {
        let told = told(60, |look| {
            [500 * look, if look < 20 { 500 * look } else { 9500 + 500 * look.saturating_sub(40) }]
        });
        assert_eq!(told.iter().map(|(look, _)| *look).collect::<Vec<u64>>(), [22, 41], "{told:?}");
        assert!(told[0].1.starts_with("the forearm node has fallen silent"), "{told:?}");
        assert_eq!(told[1].1, "the forearm node is heard again");
    }

    #[test]
    fn nothing_is_told_of_a_glove_that_is_silent_as_a_whole_nor_of_a_node_that_never_was_heard() {
        let paused = |look: u64| 500 * (look.min(10) + look.saturating_sub(30));
        assert_eq!(told(60, |look| [paused(look); 2]), []);
        assert_eq!(told(60, |look| [500 * look, 0]), []);
        assert_eq!(told(60, |look| [500 * look, 500 * (look / 2)]), [], "late packets");
    }
}
