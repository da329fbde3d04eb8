//! Pairing a device: a short code that is read off this machine's screen buys a long token. Pure; randomness and
//! time come as arguments.
//!
//! A code pairs one device. Wrong ones are counted over all devices: a few in a row may be tried, then one every
//! ten seconds, and after five wrong ones the code is another.

use crate::units::HostTime;
use std::fmt::Write;
use subtle::ConstantTimeEq;

/// Random bytes that a new code and a token are made from.
pub type Random = [u8; 32];

/// Digits of a code.
const CODE_DIGITS: usize = 8;
/// Tries that may come at once.
const TRIES_AT_ONCE: f64 = 5.0;
/// One more try after so long, s.
const TRY_EVERY_S: f64 = 10.0;
/// After so many wrong tries the code is another.
const WRONG_MAX: u32 = 5;
/// Devices that may be paired at one time; the oldest gives way.
const DEVICES_MAX: usize = 8;

/// What became of a try.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Tried {
    /// The device is paired: this is its token. There is a new code.
    Paired(String),
    /// The code was wrong. Where `true`, there is a new one.
    Wrong(bool),
    /// Too many tries: the next one counts after so many seconds.
    Wait(u32),
}

/// The code that is shown now, and the devices that are paired.
#[derive(Clone, Debug)]
pub struct Pairing {
    code: String,
    wrong: u32,
    tries: f64,
    seen: HostTime,
    tokens: Vec<String>,
}

impl Pairing {
    /// Nobody is paired yet.
    #[must_use]
    pub fn new(random: Random, now: HostTime) -> Pairing {
        Pairing { code: code(random), wrong: 0, tries: TRIES_AT_ONCE, seen: now, tokens: Vec::new() }
    }

    /// The code to show on this machine's screen.
    #[must_use]
    pub fn code(&self) -> &str {
        &self.code
    }

    /// A device offers a code.
    pub fn offer(&mut self, offered: &str, random: Random, now: HostTime) -> Tried {
        let passed_s = now.seconds_since(self.seen).max(0.0);
        self.tries = (self.tries + passed_s / TRY_EVERY_S).min(TRIES_AT_ONCE);
        self.seen = now;
        if self.tries < 1.0 {
            return Tried::Wait(((1.0 - self.tries) * TRY_EVERY_S).ceil() as u32);
        }
        self.tries -= 1.0;
        let digits: String = offered.chars().filter(char::is_ascii_digit).collect();
        if !bool::from(digits.as_bytes().ct_eq(self.code.as_bytes())) {
            self.wrong += 1;
            let anew = self.wrong >= WRONG_MAX;
            if anew {
                self.change_code(random);
            }
            return Tried::Wrong(anew);
        }
        let token = token(random);
        self.change_code(random);
        if self.tokens.len() == DEVICES_MAX {
            self.tokens.remove(0);
        }
        self.tokens.push(token.clone());
        Tried::Paired(token)
    }

    /// Whether a token is that of a paired device.
    #[must_use]
    pub fn knows(&self, token: &str) -> bool {
        // Every one is looked at, so that the time says nothing.
        self.tokens
            .iter()
            .fold(false, |known, one| known | bool::from(one.as_bytes().ct_eq(token.as_bytes())))
    }

    fn change_code(&mut self, random: Random) {
        self.code = code(random);
        self.wrong = 0;
    }
}

/// The code of the first eight bytes. That 2⁶⁴ is no multiple of 10⁸ favours no code by more than one in 10¹¹.
fn code(random: Random) -> String {
    let number = random.iter().take(8).fold(0_u64, |number, byte| number << 8 | u64::from(*byte));
    format!("{:08}", number % 10_u64.pow(CODE_DIGITS as u32))
}

/// The token of the other bytes, which no code is made from: 192 bits.
fn token(random: Random) -> String {
    random.iter().skip(8).fold(String::new(), |mut text, byte| {
        // Writing to a string cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(s: i64) -> HostTime {
        HostTime(s * 1_000_000)
    }

    #[test]
    fn a_code_pairs_one_device_with_or_without_a_space() {
        let mut pairing = Pairing::new([1; 32], at(0));
        let code = pairing.code().to_owned();
        assert_eq!(code.len(), CODE_DIGITS);
        let spaced = format!("{} {}", &code[..4], &code[4..]);
        let Tried::Paired(token) = pairing.offer(&spaced, [2; 32], at(0)) else { panic!("paired") };
        assert!(pairing.knows(&token) && token.len() == 48);
        assert_ne!(pairing.code(), code);
        assert_eq!(pairing.offer(&code, [3; 32], at(0)), Tried::Wrong(false));
        for forged in ["", "0", &token[1..], &token.to_uppercase(), &format!("{token}0")] {
            assert!(!pairing.knows(forged) || forged == token, "{forged}");
        }
    }

    #[test]
    fn guessing_is_slow_and_the_code_changes() {
        let mut pairing = Pairing::new([1; 32], at(0));
        let code = pairing.code().to_owned();
        for guess in 0..4 {
            assert_eq!(pairing.offer("00000000", [guess; 32], at(0)), Tried::Wrong(false));
        }
        assert_eq!(pairing.offer("00000000", [9; 32], at(0)), Tried::Wrong(true));
        assert_ne!(pairing.code(), code);
        assert_eq!(pairing.offer(&code, [9; 32], at(0)), Tried::Wait(10));
        // The right one waits its turn, too.
        let code = pairing.code().to_owned();
        assert_eq!(pairing.offer(&code, [8; 32], at(4)), Tried::Wait(6));
        assert!(matches!(pairing.offer(&code, [8; 32], at(10)), Tried::Paired(_)));
    }

    proptest! {
        /// However the guesses are spread over an hour, few of them are looked at.
        #[test]
        fn no_schedule_of_guesses_gets_more_than_its_share(waits in prop::collection::vec(0_i64..30, 1..400)) {
            let mut pairing = Pairing::new([1; 32], at(0));
            let (mut now, mut looked_at) = (0, 0);
            for wait in waits {
                now += wait;
                looked_at += i64::from(!matches!(pairing.offer("x", [now as u8; 32], at(now)), Tried::Wait(_)));
            }
            prop_assert!(looked_at <= 5 + now / 10, "{looked_at} in {now} s");
        }
    }
}
