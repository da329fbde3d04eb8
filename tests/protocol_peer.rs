//! Peer, decoder and assembler without a port: what goes in comes out, and every fault shows.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that fails may panic")]

use firmware_protocol::{
    AckStatus, Battery, Button, ButtonAction, CommandKind, Decoder, Frame, HostHello, MAX_WIRE, Version,
    encode,
};
use hingeclock::device::faults::Faults;
use hingeclock::device::frames::counts_to_units;
use hingeclock::device::gaps::Gap;
use hingeclock::device::session;
use hingeclock::device::{Assembler, AssemblyError, Heard, Peer, PeerScript};
use hingeclock::sample::{Arrival, DeviceDescription, ImuSample, Marker, NodeRole};
use hingeclock::units::{DeviceTime, HostTime, PlayerHand};
use proptest::prelude::*;

fn reading(role: NodeRole, seq: u32, t_us: i64, counts: [i16; 6]) -> Arrival {
    let value = |axis: usize, full_scale| counts_to_units(counts[axis], full_scale);
    Arrival::Sample(ImuSample {
        role,
        seq,
        t: DeviceTime(t_us),
        rate_dps: [0, 1, 2].map(|axis| value(axis, 4000.0)),
        specific_force_g: [3, 4, 5].map(|axis| value(axis, 32.0)),
        received: None,
    })
}

fn note(kind: &str, value: &str) -> Arrival {
    let marker = Marker::Note { kind: kind.to_owned(), value: value.to_owned() };
    Arrival::Marker { received: None, marker }
}

/// `count` readings of the hand node and as many of the forearm, two of each at a time.
fn two_nodes(count: u32) -> PeerScript {
    let items = (0..count).step_by(2).flat_map(|first| {
        let at = HostTime(i64::from(first) * 2000);
        [NodeRole::Hand, NodeRole::Forearm].into_iter().flat_map(move |role| {
            [first, first + 1]
                .map(|seq| (at, reading(role, seq, 5000 + i64::from(seq) * 2000, [seq as i16; 6])))
        })
    });
    PeerScript::new(DeviceDescription::default(), items.collect()).unwrap()
}

fn expected(script: &PeerScript) -> Vec<Arrival> {
    script.items().iter().map(|(_, arrival)| arrival.clone()).collect()
}

/// A host: what it decoded, and what the assembler said.
#[derive(Default)]
struct Host {
    decoder: Decoder,
    assembler: Assembler,
    arrivals: Vec<Arrival>,
    heard: Vec<Result<Heard, AssemblyError>>,
}

impl Host {
    fn read(&mut self, mut bytes: &[u8]) {
        while let Some(outcome) = self.decoder.pull(&mut bytes) {
            if let Ok(frame) = outcome {
                self.heard.push(self.assembler.take(&frame, None, &mut self.arrivals));
            }
        }
    }

    /// Starts the peer and reads all it has to say.
    fn read_all(&mut self, peer: &mut Peer) {
        peer.hear(&session::greeting());
        self.read_on(peer);
    }

    fn read_on(&mut self, peer: &mut Peer) {
        while !peer.is_over() {
            let mut bytes = Vec::new();
            peer.poll(HostTime(i64::MAX), &mut bytes);
            assert!(!bytes.is_empty(), "the peer has more to say, but says nothing");
            self.read(&bytes);
        }
    }

    fn gaps(&self) -> Vec<(u8, Gap)> {
        let gaps = self.heard.iter().filter_map(|heard| match heard {
            Ok(Heard::Samples { node, gaps, .. }) => Some(gaps.iter().map(|gap| (*node, *gap))),
            _ => None,
        });
        gaps.flatten().collect()
    }

    fn acks(&self) -> Vec<AckStatus> {
        let acks = self.heard.iter().filter_map(|heard| match heard {
            Ok(Heard::Ack(ack)) => Some(ack.status),
            _ => None,
        });
        acks.collect()
    }

    fn lost(&self) -> u64 {
        self.assembler.gaps().map(|(_, gaps)| gaps.lost).sum()
    }
}

fn play(script: &PeerScript, faults: Faults) -> (Host, Peer) {
    let (mut host, mut peer) = (Host::default(), Peer::new(script.clone(), faults));
    host.read_all(&mut peer);
    (host, peer)
}

/// Arrivals of any kind, and how they follow each other: often consecutive, sometimes not.
fn any_arrivals() -> impl Strategy<Value = Vec<(i64, Arrival)>> {
    let step = prop_oneof![4 => Just(0i64), 1 => 0i64..20_000];
    let jump = prop_oneof![8 => Just((1u32, 2000i64)), 1 => (any::<u32>(), -3000i64..2_000_000)];
    let row = prop_oneof![
        8 => (0u8..4, any::<[i16; 6]>(), prop::option::weighted(0.1, -4000.0f32..4000.0)).prop_map(Some),
        1 => Just(None),
    ];
    prop::collection::vec((step, jump, row), 1..150).prop_map(|rows| {
        let (mut at, mut nodes) = (0, [(u32::MAX - 20, (1i64 << 32) - 40_000); 4]);
        let mut arrivals = Vec::new();
        for (step, (seq_step, t_step), row) in rows {
            at += step;
            let Some((role, counts, off_grid)) = row else {
                arrivals.push((at, note("mark", &format!("at {at} µs"))));
                continue;
            };
            let (seq, t_us) = &mut nodes[usize::from(role)];
            (*seq, *t_us) = (seq.wrapping_add(seq_step), *t_us + t_step);
            let mut arrival = reading(NodeRole::from_number(role).unwrap(), *seq, *t_us, counts);
            if let (Arrival::Sample(sample), Some(value)) = (&mut arrival, off_grid) {
                sample.rate_dps[2] = f64::from(value);
            }
            arrivals.push((at, arrival));
        }
        arrivals
    })
}

fn four_nodes() -> DeviceDescription {
    let mut description = DeviceDescription { player_hand: PlayerHand::Left, ..DeviceDescription::default() };
    let hand = description.nodes[0].clone();
    description.nodes =
        NodeRole::ALL.map(|role| hingeclock::sample::NodeDescription { role, ..hand.clone() }).into();
    description
}

proptest! {
    #[test]
    fn without_faults_every_arrival_comes_identical_and_in_order(arrivals in any_arrivals(), limit in 1usize..40) {
        let items = arrivals.into_iter().map(|(at, arrival)| (HostTime(at), arrival)).collect();
        let script = PeerScript::new(four_nodes(), items).unwrap();
        let mut peer = Peer::new(script.clone(), Faults::default()).with_batch_limit(limit);
        let mut host = Host::default();
        host.read_all(&mut peer);
        prop_assert_eq!(host.decoder.counts().errors(), 0);
        prop_assert_eq!(&host.arrivals, &expected(&script));
        prop_assert_eq!(host.assembler.description(), script.description());
    }

    #[test]
    fn no_bytes_from_the_host_break_the_peer(bytes in prop::collection::vec(any::<u8>(), 0..600)) {
        let mut peer = Peer::new(two_nodes(20), Faults::default());
        peer.hear(&bytes);
        peer.hear(&[0]);
        let mut host = Host::default();
        host.read_all(&mut peer);
        prop_assert_eq!(readings(&host.arrivals), 40);
    }
}

fn readings(arrivals: &[Arrival]) -> usize {
    arrivals.iter().filter(|arrival| matches!(arrival, Arrival::Sample(_))).count()
}

#[test]
fn lost_readings_are_named_and_can_be_asked_for_again() {
    let script = two_nodes(2000);
    let (mut host, mut peer) = play(&script, Faults { seed: 5, loss: 0.03, ..Faults::default() });
    let missing = (readings(&expected(&script)) - readings(&host.arrivals)) as u64;
    assert!(missing > 20 && peer.counts().lost > 10);
    // A loss at the very end of a node has no reading behind it that would show it.
    assert!(host.lost() <= missing && missing - host.lost() <= 4);
    let (lost, before) = (host.lost(), readings(&host.arrivals));
    let heard = host.heard.len();
    // What is sent again may be lost again.
    for _ in 0..6 {
        for (node, gap) in host.gaps() {
            let count = u16::try_from(gap.count).unwrap();
            let kind = CommandKind::RequestMissed { node, first_seq: gap.first_seq, count };
            peer.hear(&session::command(9, kind));
        }
        host.read_on(&mut peer);
    }
    assert_eq!(host.lost(), 0);
    assert!((readings(&host.arrivals) - before) as u64 >= lost);
    let is_live = |heard: &Result<Heard, _>| matches!(heard, Ok(Heard::Samples { live, .. }) if *live > 0);
    assert!(host.heard[..heard].iter().any(is_live) && !host.heard[heard..].iter().any(is_live));
    assert!(host.acks().iter().all(|status| *status == AckStatus::Done));
}

#[test]
fn readings_that_are_no_longer_kept_are_refused() {
    let (mut host, mut peer) = play(&two_nodes(10_000), Faults::default());
    peer.hear(&session::command(9, CommandKind::RequestMissed { node: 0, first_seq: 3, count: 2 }));
    host.read_on(&mut peer);
    assert_eq!(host.acks(), [AckStatus::Done, AckStatus::NotKept]);
}

#[test]
fn doubled_frames_are_handed_on_and_counted() {
    let script = two_nodes(1000);
    let (host, peer) = play(&script, Faults { seed: 2, duplicate: 0.1, ..Faults::default() });
    let repeated: u64 = host.assembler.gaps().map(|(_, gaps)| gaps.repeated).sum();
    assert!(peer.counts().doubled > 50);
    assert_eq!(repeated, peer.counts().doubled * 2);
    assert_eq!(readings(&host.arrivals) as u64, 2000 + repeated);
    assert_eq!(host.lost(), 0);
}

#[test]
fn a_skewed_clock_is_handed_on_as_it_is() {
    let (host, _) = play(&two_nodes(1000), Faults { skew_ppm: 100.0, ..Faults::default() });
    let last_us = |wanted| {
        let times = host.arrivals.iter().filter_map(|arrival| match arrival {
            Arrival::Sample(sample) if sample.role == wanted => Some(sample.t.0),
            _ => None,
        });
        times.max()
    };
    assert_eq!(last_us(NodeRole::Hand), Some(2_003_000));
    assert_eq!(last_us(NodeRole::Forearm), Some(2_003_200));
}

#[test]
fn jitter_delays_but_does_not_reorder() {
    let script = two_nodes(400);
    let mut peer = Peer::new(script.clone(), Faults { seed: 1, jitter_us: 30_000, ..Faults::default() });
    peer.hear(&session::greeting());
    let (mut host, mut late, mut last) = (Host::default(), 0, HostTime(i64::MIN));
    let mut bytes = Vec::new();
    peer.poll(HostTime(-1), &mut bytes);
    while let Some(due) = peer.next_due() {
        assert!(due >= last);
        late += usize::from(due.0 % 4000 != 0);
        last = due;
        peer.poll(due, &mut bytes);
    }
    host.read(&bytes);
    assert!(late > 50);
    assert_eq!(host.arrivals, expected(&script));
}

#[test]
fn no_reading_is_sent_before_it_is_due() {
    let items = (0..100).map(|seq| {
        let at_us = i64::from(seq) * 2000;
        (HostTime(at_us), reading(NodeRole::Hand, seq, at_us, [0; 6]))
    });
    let script = PeerScript::new(DeviceDescription::default(), items.collect()).unwrap();
    let mut peer = Peer::new(script.clone(), Faults::default()).with_batch_limit(35);
    peer.hear(&session::greeting());
    let mut host = Host::default();
    for now_us in (0..200_000).step_by(500) {
        let mut bytes = Vec::new();
        peer.poll(HostTime(now_us), &mut bytes);
        host.read(&bytes);
        let due = script.items().iter().filter(|(at, _)| at.0 <= now_us).count();
        assert_eq!(host.arrivals.len(), due, "at {now_us} µs");
    }
}

#[test]
fn nothing_is_said_before_start_and_after_stop() {
    let mut peer = Peer::new(two_nodes(20), Faults::default());
    let mut bytes = Vec::new();
    peer.poll(HostTime(i64::MAX), &mut bytes);
    assert!(bytes.is_empty() && peer.next_due().is_none());
    peer.hear(&session::greeting());
    peer.hear(&session::command(2, CommandKind::Stop));
    let mut host = Host::default();
    peer.poll(HostTime(i64::MAX), &mut bytes);
    host.read(&bytes);
    assert_eq!((host.arrivals.len(), host.acks()), (0, vec![AckStatus::Done; 2]));
    assert_eq!(host.assembler.description(), &DeviceDescription::default());
}

#[test]
fn settings_that_do_not_hold_are_refused() {
    let mut peer = Peer::new(two_nodes(20), Faults::default());
    peer.hear(&session::greeting());
    let rate = |node, rate_hz| CommandKind::SetRate { node, rate_hz };
    for kind in [rate(0, 500.0), rate(0, 1000.0), rate(3, 500.0), CommandKind::Other { code: 77 }] {
        peer.hear(&session::command(3, kind));
    }
    let mut host = Host::default();
    host.read_on(&mut peer);
    use AckStatus::{BadArgument, Done, UnknownCommand};
    assert_eq!(host.acks(), [Done, Done, BadArgument, BadArgument, UnknownCommand]);
}

#[test]
fn a_version_mismatch_names_both_versions_at_both_ends() {
    let later = Version { major: 2, minor: 3 };
    let mut peer = Peer::new(two_nodes(20), Faults::default()).with_version(later);
    let mut host = Host::default();
    peer.hear(&session::greeting());
    let mut bytes = Vec::new();
    peer.poll(HostTime(i64::MAX), &mut bytes);
    host.read(&bytes);
    assert_eq!(
        host.heard[0].as_ref().unwrap_err().to_string(),
        "expected protocol version 1.x (this end speaks 1.0), found version 2.3 at the other end"
    );
    assert_eq!((host.acks(), host.arrivals.len()), (vec![AckStatus::Version], 0));
    let greeting = Frame::HostHello(HostHello { version: Version { major: 2, minor: 0 } });
    peer.hear(encode(&greeting, &mut [0; MAX_WIRE]).unwrap());
    peer.hear(&session::command(2, CommandKind::Start));
    bytes.clear();
    peer.poll(HostTime(i64::MAX), &mut bytes);
    host.read(&bytes);
    assert_eq!(host.acks(), [AckStatus::Version, AckStatus::Done]);
}

#[test]
fn a_node_that_has_not_introduced_itself_is_named_and_counted() {
    let mut peer = Peer::new(two_nodes(4), Faults::default());
    peer.hear(&session::greeting());
    let mut bytes = Vec::new();
    peer.poll(HostTime(i64::MAX), &mut bytes);
    let (mut decoder, mut assembler, mut arrivals, mut errors) =
        (Decoder::new(), Assembler::new(), Vec::new(), Vec::new());
    let mut rest = &bytes[..];
    while let Some(outcome) = decoder.pull(&mut rest) {
        let frame = outcome.unwrap();
        if !matches!(frame, Frame::NodeInfo(_)) {
            errors.extend(assembler.take(&frame, None, &mut arrivals).err());
        }
    }
    assert_eq!((arrivals.len(), assembler.unknown_node_readings()), (0, 8));
    assert_eq!(errors[0].to_string(), "expected a NodeInfo of node 0 before its other frames, found none");
    // Whoever has all frames at hand looks for the introductions first.
    let mut again = Assembler::new();
    let (mut first, mut second) = (Decoder::new(), Decoder::new());
    let mut rest = &bytes[..];
    while let Some(outcome) = first.pull(&mut rest) {
        again.describe(&outcome.unwrap());
    }
    let mut rest = &bytes[..];
    while let Some(outcome) = second.pull(&mut rest) {
        let frame = outcome.unwrap();
        if !matches!(frame, Frame::NodeInfo(_)) {
            again.take(&frame, None, &mut arrivals).unwrap();
        }
    }
    assert_eq!(arrivals, expected(&two_nodes(4)));
}

#[test]
fn a_node_that_starts_anew_loses_nothing() {
    let mut host = Host::default();
    host.read_all(&mut Peer::new(two_nodes(1000), Faults::default()));
    // The same glove again, from its first reading on: its clocks have gone back by two seconds.
    host.read_all(&mut Peer::new(two_nodes(10), Faults::default()));
    let again = &host.arrivals[2000..];
    assert_eq!(again, expected(&two_nodes(10)));
    assert_eq!((host.lost(), host.gaps()), (0, vec![]));
    assert!(host.assembler.gaps().all(|(_, gaps)| gaps.repeated == 0), "new readings, not repeated ones");
}

#[test]
fn batteries_and_buttons_become_markers() {
    let (mut host, _) = play(&two_nodes(4), Faults::default());
    let first = host.arrivals.len();
    for frame in [
        Frame::Battery(Battery { node: 0, millivolts: 4100, percent: None }),
        Frame::Battery(Battery { node: 1, millivolts: 3050, percent: Some(7) }),
        Frame::Button(Button { node: 0, button: 2, action: ButtonAction::LongPress, t_us: 5 }),
    ] {
        host.read(encode(&frame, &mut [0; MAX_WIRE]).unwrap());
    }
    let expected = [
        note("battery", "hand=4.100V"),
        note("battery", "forearm=3.050V;forearm_percent=7"),
        note("button", "hand 2 long-press"),
    ];
    assert_eq!(host.arrivals[first..], expected);
}

#[test]
fn what_cannot_be_said_in_frames_is_refused() {
    let refused = |arrival| {
        PeerScript::new(DeviceDescription::default(), vec![(HostTime(0), arrival)]).unwrap_err().to_string()
    };
    assert_eq!(
        refused(reading(NodeRole::Belt, 0, 0, [0; 6])),
        "arrival 0: expected a node of the description, found Belt"
    );
    let mut nan = reading(NodeRole::Hand, 0, 0, [0; 6]);
    if let Arrival::Sample(sample) = &mut nan {
        sample.rate_dps[0] = f64::NAN;
    }
    assert!(refused(nan).starts_with("arrival 0: expected finite readings"));
    assert!(
        refused(note("k", &"v".repeat(129)))
            .starts_with("marker value: expected at most 128 bytes, found 129")
    );
    let late = vec![(HostTime(5), note("a", "")), (HostTime(4), note("b", ""))];
    let error = PeerScript::new(DeviceDescription::default(), late).unwrap_err();
    assert_eq!(error.to_string(), "arrival 1: expected a time of at least 5 µs, found 4 µs");
}
