//! Account of every reading: which part of the play it belongs to, whether it reached the port, whether it is
//! on disk.

use hingeclock::device::PeerScript;
use hingeclock::device::frames::counts_to_units;
use hingeclock::device::virtual_glove::link::LinkSettings;
use hingeclock::device::virtual_glove::{Scenario, VirtualBucket};
use hingeclock::sample::{Arrival, DeviceDescription, ImuSample, NodeRole};
use hingeclock::units::DeviceTime;

/// It reached the port whole; twice or more; it did not at first; it is on disk.
const DELIVERED: u8 = 1;
const TWICE: u8 = 2;
const SPOILT: u8 = 4;
const FOUND: u8 = 8;
/// It was written, but the port vanished so soon after that it may not have been handed on.
const UNSURE: u8 = 16;
/// Parts that can be told apart by their mark.
const PARTS: usize = 256;

/// Full scales of the sensors, °/s and g.
type Scales = [f64; 2];

/// Where the counters of a part begin.
#[derive(Clone, Copy, Debug)]
struct Begin {
    seq: u32,
    clock_us: i64,
}

pub struct Ledger {
    device: DeviceDescription,
    /// What every part plays.
    arrivals: Vec<Arrival>,
    /// Its readings, node by node, and where its clock begins.
    readings: [Vec<ImuSample>; 2],
    start_us: i64,
    begins: Vec<Begin>,
    fates: Vec<[Vec<u8>; 2]>,
    /// The newest reading found of each node in each part.
    newest: Vec<[Option<usize>; 2]>,
}

/// What the account says in the end.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Balance {
    pub readings: u64,
    pub delivered: u64,
    /// Did not reach the port at first.
    pub spoilt: u64,
    /// And never did.
    pub never: u64,
    pub on_disk: u64,
    /// Written just before a port vanished, and not on disk.
    pub unsure: u64,
}

impl Ledger {
    /// Parts of a range day, so many seconds each.
    pub fn new(seconds: f64, seed: u64) -> Ledger {
        let day = Scenario::range_day(seconds / 3600.0);
        let bucket = VirtualBucket::play(&Scenario { link: LinkSettings::lossless(), ..day }, seed);
        let of = |role: NodeRole| -> Vec<ImuSample> {
            let samples = bucket.arrivals.iter().filter_map(|arrival| match arrival {
                Arrival::Sample(sample) if sample.role == role => Some(*sample),
                _ => None,
            });
            samples.collect()
        };
        let readings = [of(NodeRole::Hand), of(NodeRole::Forearm)];
        let start_us = readings.iter().flatten().map(|sample| sample.t.0).min().unwrap();
        Ledger {
            device: bucket.device,
            arrivals: bucket.arrivals,
            start_us,
            readings,
            begins: Vec::new(),
            fates: Vec::new(),
            newest: Vec::new(),
        }
    }

    /// The script of the next part. The first begins shortly before its clock and its numbers wrap; with every
    /// other one the nodes have started anew.
    pub fn begin(&mut self, part: usize) -> PeerScript {
        assert!(part == self.begins.len() && part < PARTS);
        let begin = match part {
            0 => Begin { seq: u32::MAX - 15_000, clock_us: (5 << 32) - 40_000_000 },
            _ => Begin { seq: 0, clock_us: 900 },
        };
        self.begins.push(begin);
        self.fates.push([0, 1].map(|node| vec![0; self.readings[node].len()]));
        self.newest.push([None; 2]);
        let arrivals = self.arrivals.iter().map(|arrival| match arrival {
            Arrival::Sample(sample) => Arrival::Sample(self.played(part, sample)),
            Arrival::Marker { .. } => arrival.clone(),
        });
        PeerScript::from_arrivals(self.device.clone(), arrivals.collect()).unwrap()
    }

    /// A reading as this part plays it: with its counters, and with the part's number in its lowest bits.
    fn played(&self, part: usize, sample: &ImuSample) -> ImuSample {
        let begin = self.begins[part];
        let mut counts = counts(sample, self.scales(sample.role));
        for (place, count) in counts.iter_mut().take(4).enumerate() {
            *count = (*count & !3) | (part >> (2 * place)) as i16 & 3;
        }
        let [gyro, acc] = self.scales(sample.role);
        ImuSample {
            seq: begin.seq.wrapping_add(sample.seq),
            t: DeviceTime(begin.clock_us + sample.t.0 - self.start_us),
            rate_dps: [0, 1, 2].map(|axis| counts_to_units(counts[axis], gyro)),
            specific_force_g: [3, 4, 5].map(|axis| counts_to_units(counts[axis], acc)),
            ..*sample
        }
    }

    fn scales(&self, role: NodeRole) -> Scales {
        let node = self.device.node(role).unwrap();
        [node.gyro_full_scale_dps, node.acc_full_scale_g]
    }

    fn fate(&mut self, part: usize, node: u8, seq: u32) -> &mut u8 {
        let place = seq.wrapping_sub(self.begins[part].seq) as usize;
        &mut self.fates[part][usize::from(node)][place]
    }

    /// It reached the port whole.
    pub fn delivered(&mut self, part: usize, node: u8, seq: u32) {
        let fate = self.fate(part, node, seq);
        *fate |= if *fate & DELIVERED == 0 { DELIVERED } else { TWICE };
    }

    /// Nobody knows whether it did.
    pub fn unsure(&mut self, part: usize, node: u8, seq: u32) {
        *self.fate(part, node, seq) |= UNSURE;
    }

    /// It did not, this time.
    pub fn spoilt(&mut self, part: usize, node: u8, seq: u32) {
        *self.fate(part, node, seq) |= SPOILT;
    }

    /// It is on disk: as it was played, once, after those before it.
    pub fn found(&mut self, sample: &ImuSample) {
        let (node, found) = (usize::from(sample.role.number()), counts(sample, self.scales(sample.role)));
        let mark = found.iter().take(4).enumerate();
        let part = mark.map(|(place, count)| ((count & 3) as usize) << (2 * place)).sum::<usize>();
        assert!(part < self.begins.len(), "a reading of no part: {sample:?}");
        let place = sample.seq.wrapping_sub(self.begins[part].seq) as usize;
        let original = self.readings[node].get(place);
        let played = original.map(|original| self.played(part, original)).expect("a reading that was played");
        assert_eq!(
            (found, sample.t.0 as u32),
            (counts(&played, self.scales(sample.role)), played.t.0 as u32),
            "part {part}, {:?} {place}: other values than were played",
            sample.role
        );
        let fate = &mut self.fates[part][node][place];
        assert!(*fate & DELIVERED != 0, "part {part}, {:?} {place}: never reached the port", sample.role);
        if *fate & FOUND != 0 {
            assert!(*fate & TWICE != 0, "part {part}, {:?} {place}: twice on disk, sent once", sample.role);
            return;
        }
        *fate |= FOUND;
        let newest = &mut self.newest[part][node];
        assert!(
            newest.is_none_or(|newest| newest < place),
            "part {part}, {:?} {place}: after {newest:?}, flags {fate:#b}",
            sample.role
        );
        *newest = Some(place);
    }

    /// All that reached the port must have been found.
    pub fn balance(&self) -> Balance {
        let mut balance = Balance::default();
        for fate in self.fates.iter().flatten().flatten() {
            let is = |flag: u8| fate & flag != 0;
            balance.readings += 1;
            balance.delivered += u64::from(is(DELIVERED));
            balance.unsure += u64::from(is(UNSURE) && !is(FOUND));
            balance.spoilt += u64::from(is(SPOILT));
            balance.never += u64::from(!is(DELIVERED));
            balance.on_disk += u64::from(is(FOUND));
        }
        balance
    }

    /// Readings that reached the port and are not on disk, as runs: part, node, first and last place of how many.
    pub fn lost(&self) -> Vec<(usize, usize, usize, usize, usize)> {
        let mut runs: Vec<(usize, usize, usize, usize, usize)> = Vec::new();
        for (part, nodes) in self.fates.iter().enumerate() {
            for (node, fates) in nodes.iter().enumerate() {
                let gone = fates
                    .iter()
                    .enumerate()
                    .filter(|(_, fate)| **fate & (DELIVERED | FOUND | UNSURE) == DELIVERED);
                for (place, _) in gone {
                    match runs.last_mut() {
                        Some(run) if (run.0, run.1, run.3 + 1) == (part, node, place) => run.3 = place,
                        _ => runs.push((part, node, place, place, fates.len())),
                    }
                }
            }
        }
        runs
    }
}

fn counts(sample: &ImuSample, [gyro, acc]: Scales) -> [i16; 6] {
    let count = |value: f64, scale: f64| (value * 32768.0 / scale).round().clamp(-32768.0, 32767.0) as i16;
    let ([gx, gy, gz], [ax, ay, az]) = (sample.rate_dps, sample.specific_force_g);
    [count(gx, gyro), count(gy, gyro), count(gz, gyro), count(ax, acc), count(ay, acc), count(az, acc)]
}
