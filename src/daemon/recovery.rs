//! Asks the glove again for what the link lost, and to start where that was not acknowledged: the policies of
//! [`missed`](crate::device::missed) and [`answers`](crate::device::answers) with the way to the glove.

use crate::device::answers::Answers;
use crate::device::missed::{Missed, MissedParams};
use crate::device::{Heard, session};
use crate::record::asked::Asked;
use crate::sample::{Arrival, DeviceDescription};
use crate::units::{HostTime, counted};
use firmware_protocol::CommandKind;
use std::collections::BTreeMap;
use tokio::sync::mpsc;

/// What is missing, and the way to ask for it.
pub struct Recovery {
    missed: Missed,
    answers: Answers,
    /// What is to be told of the glove's answers.
    told: Option<String>,
    commands: mpsc::Sender<Vec<u8>>,
    /// How often each node had started anew when it was heard last.
    restarts: BTreeMap<u8, u32>,
}

impl Recovery {
    /// Nothing is missing yet; `commands` go to the glove.
    #[must_use]
    pub fn new(commands: mpsc::Sender<Vec<u8>>) -> Recovery {
        Recovery {
            missed: Missed::new(MissedParams::default()),
            answers: Answers::default(),
            told: None,
            commands,
            restarts: BTreeMap::new(),
        }
    }

    /// The link is up or down.
    pub fn link(&mut self, is_up: bool) {
        self.missed.link(is_up);
        self.answers.link_changed();
    }

    /// The glove said something; `arrivals` are the readings in it. True where their node has started anew.
    pub fn heard(
        &mut self,
        heard: &Heard,
        arrivals: &[Arrival],
        glove: &DeviceDescription,
        received: HostTime,
    ) -> bool {
        let mut anew = false;
        match heard {
            Heard::Samples { role, node, gaps, restarts, .. } => {
                anew = self.restarts.insert(*node, *restarts).is_some_and(|before| before != *restarts);
                if anew {
                    self.missed.restarted(*node);
                }
                let rate_hz = glove.node(*role).map_or(0.0, |node| node.rate_hz);
                let seqs = arrivals.iter().filter_map(|arrival| match arrival {
                    Arrival::Sample(sample) => Some(sample.seq),
                    Arrival::Marker { .. } => None,
                });
                self.missed.heard(*node, rate_hz, gaps, seqs, received);
                self.told = self.answers.readings(received);
            }
            Heard::Ack(ack) => {
                self.missed.answered(ack.command_id, ack.status);
                self.told = self.answers.answered(ack.command_id, ack.status);
            }
            _ => {}
        }
        anew
    }

    /// What there is to say of how the glove answers, in a sentence, once.
    pub fn take_told(&mut self) -> Option<String> {
        self.told.take()
    }

    /// Asks the glove to start once more, if that is due and the link has room; says whether.
    pub fn start_again(&mut self, now: HostTime) -> bool {
        if !self.answers.start_is_due() {
            return false;
        }
        let Ok(room) = self.commands.try_reserve() else { return false };
        room.send(session::start());
        self.answers.started(now);
        true
    }

    /// Asks for the next missing readings, if that is due and the link has room; says for which. The link was heard
    /// up to `heard_until`.
    pub fn ask(&mut self, heard_until: HostTime, now: HostTime) -> Option<Asked> {
        if self.missed.is_settled() {
            return None;
        }
        let room = self.commands.try_reserve().ok()?;
        let request = self.missed.poll(heard_until, now)?;
        let (node, first_seq, count) = (request.node, request.first_seq, request.count);
        self.answers.requested(request.id, now);
        room.send(session::command(request.id, CommandKind::RequestMissed { node, first_seq, count }));
        Some(Asked { id: request.id, node, first_seq, count })
    }

    /// What became of what was lost, in a sentence; none where nothing was.
    #[must_use]
    pub fn sentence(&self) -> Option<String> {
        let counts = self.missed.counts();
        (counts.missing > 0).then(|| {
            format!(
                "{} missing on the way: {} came late or when asked for again ({}), {} lost",
                counted(counts.missing, "sample"),
                counts.came,
                counted(counts.requests, "request"),
                counts.missing - counts.came
            )
        })
    }
}
