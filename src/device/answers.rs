//! Whether a glove acknowledges what it is asked to do. Pure: the same live and over a recording.
//!
//! A single Ack may well get lost, and so may a command. So only what was asked often, while readings came all the
//! time, and was never acknowledged is told, and each once.

use super::missed::FIRST_ID;
use crate::units::HostTime;
use firmware_protocol::AckStatus;

/// The number of every Start.
pub const START_ID: u16 = 1;
/// Start is sent again so long after the last one where readings come without its Ack, s.
const START_EVERY_S: f64 = 1.0;
/// A command was asked so often at least before its silence is told: on a line that loses every fifth frame each way
/// a sound glove looks mute once in 400 times, and such lines do not carry a bucket.
const LEAST_TIMES: u32 = 6;
/// … and for so long, s: requests may all go out within one bad moment.
const LEAST_S: f64 = 6.0;
/// Readings further apart than this were a break of the link, s: what was asked meanwhile does not count.
const BREAK_S: f64 = 0.5;

/// A command that was sent and waits for its first Ack.
#[derive(Clone, Copy, Debug, Default)]
struct Waiting {
    times: u32,
    since: Option<HostTime>,
    /// It was acknowledged once, or that it never was has been told.
    settled: bool,
    refused: bool,
}

impl Waiting {
    fn sent(&mut self, at: HostTime) {
        self.times += 1;
        self.since.get_or_insert(at);
    }

    fn begin_anew(&mut self) {
        (self.times, self.since) = (0, None);
    }

    /// True once, where it was asked often and for long enough.
    fn is_mute(&mut self, heard: HostTime) -> bool {
        let long = self.since.is_some_and(|since| heard.seconds_since(since) >= LEAST_S);
        let mute = !self.settled && long && self.times >= LEAST_TIMES;
        self.settled |= mute;
        mute
    }
}

/// What was asked and acknowledged so far.
#[derive(Clone, Debug, Default)]
pub struct Answers {
    start: Waiting,
    requests: Waiting,
    /// The last request's number.
    newest: u16,
    /// Readings have come since then without a break …
    since: Option<HostTime>,
    /// … until then.
    heard: Option<HostTime>,
    /// The id of an Ack of which no command was sent.
    stray: Option<u16>,
}

impl Answers {
    /// The link was opened, or is down: what was under way is not answered any more.
    pub fn link_changed(&mut self) {
        (self.since, self.heard) = (None, None);
        self.start.begin_anew();
        self.requests.begin_anew();
    }

    /// Start was sent again, while readings came.
    pub fn started(&mut self, at: HostTime) {
        self.start.sent(at);
    }

    /// Missing readings were asked for by the command of this number.
    pub fn requested(&mut self, id: u16, at: HostTime) {
        self.newest = self.newest.max(id);
        self.requests.sent(at);
    }

    /// Whether Start is to be sent again: readings come, but it was never acknowledged.
    #[must_use]
    pub fn start_is_due(&self) -> bool {
        let steady_s = self.heard.zip(self.since).map_or(0.0, |(heard, since)| heard.seconds_since(since));
        let next_s = f64::from(self.start.times + 1) * START_EVERY_S;
        !self.start.settled && self.start.times < LEAST_TIMES && steady_s >= next_s
    }

    /// Readings came. Says which command the glove never acknowledges, each once.
    pub fn readings(&mut self, at: HostTime) -> Option<String> {
        if self.heard.is_none_or(|heard| at.seconds_since(heard) > BREAK_S) {
            self.link_changed();
            self.since = Some(at);
        }
        self.heard = Some(at);
        if self.start.is_mute(at) {
            return Some(format!(
                "the glove has not acknowledged Start, though it was sent again {} times while readings came: does it get \
                 what is sent to it?{}",
                self.start.times,
                self.astray()
            ));
        }
        self.requests.is_mute(at).then(|| {
            format!(
                "the glove has acknowledged none of {} requests for lost readings (RequestMissed): does it get what is \
                 sent to it? What is lost on the way may stay lost.{}",
                self.requests.times,
                self.astray()
            )
        })
    }

    /// An Ack came. Says, once for each command, that the glove refuses what every glove has to do.
    pub fn answered(&mut self, id: u16, status: AckStatus) -> Option<String> {
        let (command, what) = match id {
            START_ID => (&mut self.start, "Start"),
            _ if (FIRST_ID..=self.newest).contains(&id) => {
                (&mut self.requests, "requests for lost readings (RequestMissed)")
            }
            _ => {
                self.stray = Some(id);
                return None;
            }
        };
        command.settled = true;
        let why = match status {
            AckStatus::UnknownCommand => "unknown command",
            AckStatus::BadArgument => "bad argument",
            AckStatus::Busy if id == START_ID => "busy",
            // Done; another version is told where it greets; the rest is in order for a request.
            _ => return None,
        };
        let first = !std::mem::replace(&mut command.refused, true);
        first.then(|| format!("the glove refuses {what} with status {} ({why})", status.number()))
    }

    fn astray(&self) -> String {
        self.stray.map_or_else(String::new, |id| {
            format!(" It acknowledges a command {id} that was never sent: an Ack bears the id of its command, low byte first")
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seconds(at: f64) -> HostTime {
        HostTime((at * 1e6) as i64)
    }

    /// Readings every 20 ms over this time, Start sent when due and `also` done at each; what was said.
    fn over(
        answers: &mut Answers,
        time_s: std::ops::Range<f64>,
        mut also: impl FnMut(&mut Answers, HostTime),
    ) -> Vec<String> {
        let readings = ((time_s.end - time_s.start) / 0.02) as u32;
        let mut said = Vec::new();
        for at in (0..readings).map(|i| seconds(time_s.start + 0.02 * f64::from(i))) {
            said.extend(answers.readings(at));
            if answers.start_is_due() {
                answers.started(at);
            }
            also(answers, at);
        }
        said
    }

    fn nothing(_: &mut Answers, _: HostTime) {}

    /// A request every 600 ms, as for readings that never come.
    fn requests() -> impl FnMut(&mut Answers, HostTime) {
        let mut id = FIRST_ID;
        move |answers, at| {
            if at.0 % 600_000 == 0 {
                answers.requested(id, at);
                id += 1;
            }
        }
    }

    #[test]
    fn a_start_that_is_never_acknowledged_is_told_once() {
        let mut answers = Answers::default();
        let said = over(&mut answers, 0.0..60.0, nothing);
        let expected = "the glove has not acknowledged Start, though it was sent again 6 times while readings came: does \
                        it get what is sent to it?";
        assert_eq!(said, [expected]);
        answers.link_changed();
        assert_eq!(over(&mut answers, 70.0..130.0, nothing), [""; 0]);
    }

    #[test]
    fn a_start_that_was_acknowledged_once_is_not_sent_again() {
        let mut answers = Answers::default();
        assert_eq!(answers.answered(START_ID, AckStatus::Done), None);
        assert_eq!(over(&mut answers, 0.0..60.0, |answers, _| assert!(!answers.start_is_due())), [""; 0]);
        answers.link_changed();
        over(&mut answers, 70.0..130.0, |answers, _| assert_eq!(answers.start.times, 0));
    }

    #[test]
    fn requests_that_are_never_acknowledged_are_told_once() {
        let mut answers = Answers::default();
        answers.answered(START_ID, AckStatus::Done);
        let said = over(&mut answers, 0.0..60.0, requests());
        assert_eq!(said.len(), 1, "{said:?}");
        assert!(
            said[0].starts_with("the glove has acknowledged none of 10 requests for lost readings"),
            "{said:?}"
        );
    }

    #[test]
    fn one_acknowledged_request_is_enough() {
        let mut answers = Answers::default();
        answers.answered(START_ID, AckStatus::Done);
        answers.requested(FIRST_ID, seconds(0.0));
        assert_eq!(answers.answered(FIRST_ID, AckStatus::NotKept), None);
        assert_eq!(over(&mut answers, 0.0..60.0, requests()), [""; 0]);
    }

    /// A player who walks away is no glove that does not answer.
    #[test]
    fn what_was_asked_in_a_break_does_not_count() {
        let mut answers = Answers::default();
        answers.answered(START_ID, AckStatus::Done);
        for minute in 0..5_u16 {
            let from_s = 60.0 * f64::from(minute);
            assert_eq!(over(&mut answers, from_s..from_s + 1.0, nothing), [""; 0]);
            for second in 1..50_u16 {
                answers.requested(FIRST_ID + 100 * minute + second, seconds(from_s + f64::from(second)));
            }
        }
        assert_eq!(over(&mut answers, 300.0..310.0, nothing), [""; 0]);
    }

    #[test]
    fn an_ack_of_a_command_that_nobody_sent_is_named_with_the_silence() {
        let mut answers = Answers::default();
        answers.answered(START_ID.swap_bytes(), AckStatus::Done);
        let said = over(&mut answers, 0.0..60.0, nothing);
        assert!(said[0].contains("It acknowledges a command 256 that was never sent"), "{said:?}");
    }

    #[test]
    fn a_refusal_is_told_once_and_what_a_request_may_answer_is_none() {
        let mut answers = Answers::default();
        answers.requested(FIRST_ID, seconds(0.0));
        let mut told = |id, status| answers.answered(id, status);
        let start = "the glove refuses Start with status 4 (busy)";
        assert_eq!(told(START_ID, AckStatus::Busy).as_deref(), Some(start));
        assert_eq!(told(START_ID, AckStatus::Busy), None);
        for status in [AckStatus::Done, AckStatus::NotKept, AckStatus::Busy] {
            assert_eq!(told(FIRST_ID, status), None);
        }
        let requests =
            "the glove refuses requests for lost readings (RequestMissed) with status 1 (unknown command)";
        assert_eq!(told(FIRST_ID, AckStatus::UnknownCommand).as_deref(), Some(requests));
    }
}
