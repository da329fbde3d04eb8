//! Values that the system hands on twice. Pure.
//!
//! A value with the end of a frame in it bears that frame's check value, and the next frame has other numbers and
//! times. So the same bytes once more are the same value. In the midst of a frame two values may well be equal, of a
//! sensor that gives one number for ever: those are kept, and a double costs one frame, which is asked for again.

use firmware_protocol::constants::DELIMITER;

/// The value before.
#[derive(Debug, Default)]
pub(super) struct Doubles {
    before: Vec<u8>,
}

impl Doubles {
    /// What is new in the next value: all of it, or nothing where it is the one before once more.
    pub(super) fn without<'value>(&mut self, value: &'value [u8]) -> &'value [u8] {
        if value == self.before && ends_frame(value) {
            return &[];
        }
        self.before.clear();
        self.before.extend_from_slice(value);
        value
    }
}

/// Whether a frame ends in it: a glove that has nothing to say sends delimiters alone.
fn ends_frame(value: &[u8]) -> bool {
    let end = value.iter().rposition(|byte| *byte == DELIMITER);
    end.is_some_and(|end| value[..end].iter().any(|byte| *byte != DELIMITER))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_value_with_a_frames_end_is_taken_once_and_all_else_as_often_as_it_comes() {
        let ([end, both], [midst, alive]) = ([[4, 5, 0], [3, 0, 7]], [[4, 5, 6], [0, 0, 0]]);
        let mut doubles = Doubles::default();
        for (value, is_new) in
            [(end, true), (end, false), (end, false), (both, true), (both, false), (end, true)]
        {
            assert_eq!(doubles.without(&value).len(), if is_new { 3 } else { 0 }, "{value:?}");
        }
        for value in [midst, midst, alive, alive, [0, 0, 7], [0, 0, 7]] {
            assert_eq!(doubles.without(&value), value, "no frame ends in it");
        }
    }

    proptest! {
        /// However a stream with numbered frames is cut, and whichever values come twice: those in which a frame
        /// ends leave no trace, and nothing that came once is missing.
        #[test]
        fn what_came_once_stays(
            frames in prop::collection::vec(prop::collection::vec(1_u8..4, 0..6), 1..40),
            len in 1_usize..12,
            doubled in prop::collection::vec(any::<bool>(), 400),
        ) {
            let stream: Vec<u8> = frames
                .iter()
                .zip(4_u8..)
                .flat_map(|(body, number)| [body.as_slice(), &[number, DELIMITER]].concat())
                .collect();
            let mut doubles = Doubles::default();
            let mut heard = Vec::new();
            for (value, twice) in stream.chunks(len).zip(&doubled) {
                heard.extend_from_slice(doubles.without(value));
                if *twice && ends_frame(value) {
                    heard.extend_from_slice(doubles.without(value));
                }
            }
            prop_assert_eq!(heard, stream);
        }
    }
}
