//! What was asked for again, as a recording holds it: a link event that a reader needs to put late readings
//! where they belong, and to tell what the glove left unanswered.

/// Kind of the link event.
pub(in crate::record) const KIND: &str = "asked";
/// The link event of a Start that was sent again, since none was acknowledged: kind and value.
pub const START_AGAIN: (&str, &str) = (KIND, "start");

/// Readings that the glove was asked for again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Asked {
    /// Number of the command; the glove's Ack bears it.
    pub id: u16,
    /// The node's index on the wire.
    pub node: u8,
    /// The first reading.
    pub first_seq: u32,
    /// How many.
    pub count: u16,
}

impl Asked {
    /// Kind and value of the link event.
    #[must_use]
    pub fn fields(&self) -> (&'static str, String) {
        let Asked { id, node, first_seq, count } = self;
        (KIND, format!("id {id} node {node} first {first_seq} count {count}"))
    }

    /// Reads a link event; none where it says something else.
    #[must_use]
    pub fn from_fields(kind: &str, value: &str) -> Option<Asked> {
        let words: Vec<&str> = value.split(' ').collect();
        match (kind, words.as_slice()) {
            (KIND, ["id", id, "node", node, "first", first_seq, "count", count]) => Some(Asked {
                id: id.parse().ok()?,
                node: node.parse().ok()?,
                first_seq: first_seq.parse().ok()?,
                count: count.parse().ok()?,
            }),
            _ => None,
        }
    }

    /// Whether a reading was asked for.
    #[must_use]
    pub fn holds(&self, node: u8, seq: u32) -> bool {
        self.node == node && seq.wrapping_sub(self.first_seq) < u32::from(self.count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_request_survives_its_text_and_nothing_else_is_taken_for_one() {
        let asked = Asked { id: 300, node: 1, first_seq: u32::MAX - 1, count: 4 };
        let (kind, value) = asked.fields();
        assert_eq!(Asked::from_fields(kind, &value), Some(asked));
        assert_eq!(Asked::from_fields("opened", &value), None);
        assert_eq!(Asked::from_fields(kind, "id 3 node 1 first -2 count 4"), None);
        assert!(asked.holds(1, 1) && !asked.holds(1, 2) && !asked.holds(0, 1));
    }
}
