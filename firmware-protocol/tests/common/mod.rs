//! What several tests share: any frame that can be sent, and a frame's fields as the vectors spell them.
#![allow(dead_code, reason = "every test uses a part of it")]

use firmware_protocol::*;
use proptest::prelude::*;

/// A frame that owns its texts, so that a strategy can make it.
#[derive(Clone, Debug)]
pub enum Spoken {
    Fixed(Frame<'static>),
    Info { hand: Option<PlayerHand>, texts: [String; 3] },
    Note { t_us: u32, kind: String, value: String },
    Batch(Box<BatchBuilder>),
    Other { frame_type: u8, payload: Vec<u8> },
}

impl Spoken {
    pub fn frame(&self) -> Frame<'_> {
        match self {
            Spoken::Fixed(frame) => *frame,
            Spoken::Info { hand, texts: [serial, firmware, hardware] } => {
                Frame::DeviceInfo(DeviceInfo { player_hand: *hand, serial, firmware, hardware })
            }
            Spoken::Note { t_us, kind, value } => Frame::Annotation(Annotation { t_us: *t_us, kind, value }),
            Spoken::Batch(batch) => Frame::Samples(batch.samples()),
            Spoken::Other { frame_type, payload } => Frame::Unknown { frame_type: *frame_type, payload },
        }
    }

    pub fn wire(&self) -> Vec<u8> {
        wire(&self.frame())
    }
}

/// A frame's bytes.
pub fn wire(frame: &Frame<'_>) -> Vec<u8> {
    encode(frame, &mut [0; MAX_WIRE]).unwrap().to_vec()
}

/// Every outcome of a stream of bytes, frames as their encoded bytes.
pub fn outcomes(decoder: &mut Decoder, mut bytes: &[u8]) -> Vec<Result<Vec<u8>, FrameError>> {
    let mut seen = Vec::new();
    while let Some(outcome) = decoder.pull(&mut bytes) {
        seen.push(outcome.map(|frame| wire(&frame)));
    }
    seen
}

/// The sound frames of a stream of bytes, as their encoded bytes.
pub fn frames(bytes: &[u8]) -> Vec<Vec<u8>> {
    outcomes(&mut Decoder::new(), bytes).into_iter().filter_map(Result::ok).collect()
}

fn one_of<T: Copy + std::fmt::Debug + 'static>(all: &'static [T]) -> impl Strategy<Value = T> {
    prop::sample::select(all)
}

fn positive() -> impl Strategy<Value = f32> {
    prop_oneof![Just(f32::MIN_POSITIVE), Just(f32::MAX), 0.001f32..10_000.0]
}

fn finite() -> impl Strategy<Value = f32> {
    prop_oneof![Just(0.0f32), Just(f32::MAX), -4000.0f32..4000.0]
}

fn text(limit: usize) -> impl Strategy<Value = String> {
    ".{0,32}".prop_map(move |mut text| {
        while text.len() > limit {
            text.pop();
        }
        text
    })
}

fn version() -> impl Strategy<Value = Version> {
    any::<(u8, u8)>().prop_map(|(major, minor)| Version { major, minor })
}

fn node_info() -> impl Strategy<Value = NodeInfo> {
    let ranges = (positive(), positive(), positive(), prop::option::of(positive()));
    let rest = (any::<Option<i16>>(), prop::array::uniform9(finite()), any::<u64>());
    (any::<u8>(), one_of(Role::ALL), ranges, rest).prop_map(|(node, role, ranges, rest)| NodeInfo {
        node,
        role,
        rate_hz: ranges.0,
        gyro_full_scale_dps: ranges.1,
        acc_full_scale_g: ranges.2,
        bandwidth_hz: ranges.3,
        temperature_centi_c: rest.0,
        segment_from_sensor: rest.1,
        now_us: rest.2,
    })
}

fn command() -> impl Strategy<Value = CommandKind> {
    prop_oneof![
        Just(CommandKind::Start),
        Just(CommandKind::Stop),
        Just(CommandKind::Identify),
        (any::<u8>(), positive()).prop_map(|(node, rate_hz)| CommandKind::SetRate { node, rate_hz }),
        (any::<u8>(), positive(), positive()).prop_map(|(node, gyro_full_scale_dps, acc_full_scale_g)| {
            CommandKind::SetRanges { node, gyro_full_scale_dps, acc_full_scale_g }
        }),
        any::<(u8, u32, u16)>().prop_map(|(node, first_seq, count)| CommandKind::RequestMissed {
            node,
            first_seq,
            count
        }),
        (7u8..).prop_map(|code| CommandKind::Other { code }),
    ]
}

fn batch() -> impl Strategy<Value = Spoken> {
    let counts = prop::array::uniform6(prop_oneof![any::<i16>(), Just(0i16)]).prop_map(Reading::Counts);
    let floats = prop::array::uniform6(finite()).prop_map(Reading::Floats);
    let readings = prop_oneof![
        prop::collection::vec((any::<u16>(), counts), 1..=35),
        prop::collection::vec((any::<u16>(), floats), 1..=19),
    ];
    (any::<(u8, u32, u32)>(), readings).prop_map(|((node, mut seq, mut t_us), readings)| {
        let mut batch: Option<BatchBuilder> = None;
        for (step_us, reading) in readings {
            let sample = WireSample { seq, t_us, reading };
            match &mut batch {
                None => batch = Some(BatchBuilder::new(node, sample).unwrap()),
                Some(batch) => batch.push(sample).unwrap(),
            }
            (seq, t_us) = (seq.wrapping_add(1), t_us.wrapping_add(u32::from(step_us)));
            // The step belongs to the next reading: the first one has none.
        }
        Spoken::Batch(Box::new(batch.unwrap()))
    })
}

/// Any frame that can be sent.
pub fn spoken() -> impl Strategy<Value = Spoken> {
    let fixed =
        prop_oneof![
            (version(), any::<u64>(), any::<u64>())
                .prop_map(|(version, glove_id, now_us)| Frame::Hello(Hello { version, glove_id, now_us })),
            node_info().prop_map(Frame::NodeInfo),
            (any::<(u8, u16)>(), prop::option::of(0u8..=100)).prop_map(|((node, millivolts), percent)| {
                Frame::Battery(Battery { node, millivolts, percent })
            }),
            (any::<(u8, u8, u32)>(), one_of(ButtonAction::ALL)).prop_map(|((node, button, t_us), action)| {
                Frame::Button(Button { node, button, action, t_us })
            }),
            (any::<u16>(), one_of(AckStatus::ALL))
                .prop_map(|(command_id, status)| Frame::Ack(Ack { command_id, status })),
            version().prop_map(|version| Frame::HostHello(HostHello { version })),
            (any::<u16>(), command()).prop_map(|(id, kind)| Frame::Command(Command { id, kind })),
        ];
    let other = (0x09u8..0x80, prop::collection::vec(prop_oneof![any::<u8>(), Just(0)], 0..=511));
    prop_oneof![
        4 => fixed.prop_map(Spoken::Fixed),
        1 => (prop::option::of(one_of(PlayerHand::ALL)), prop::array::uniform3(text(32)))
            .prop_map(|(hand, texts)| Spoken::Info { hand, texts }),
        1 => (any::<u32>(), text(32), text(128))
            .prop_map(|(t_us, kind, value)| Spoken::Note { t_us, kind, value }),
        3 => batch(),
        1 => other.prop_map(|(frame_type, payload)| Spoken::Other { frame_type, payload }),
    ]
}

/// Bytes as the vectors spell them.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(" ")
}

/// Reads what [`hex`] wrote.
pub fn unhex(text: &str) -> Vec<u8> {
    text.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

fn row<T: std::fmt::Display>(values: &[T]) -> String {
    values.iter().map(T::to_string).collect::<Vec<_>>().join(" ")
}

fn optional<T: std::fmt::Display>(value: Option<T>) -> String {
    value.map_or_else(|| "none".to_owned(), |value| value.to_string())
}

/// A frame's fields as the vectors spell them, one `name = value` a line.
pub fn fields(frame: &Frame<'_>) -> String {
    let mut lines = vec![format!("type = 0x{:02X}", frame.frame_type())];
    let mut say = |name: &str, value: String| lines.push(format!("{name} = {value}"));
    match frame {
        Frame::Hello(hello) => {
            say("version", hello.version.to_string());
            say("glove_id", hello.glove_id.to_string());
            say("now_us", hello.now_us.to_string());
        }
        Frame::DeviceInfo(info) => {
            say("player_hand", optional(info.player_hand.map(PlayerHand::number)));
            say("serial", info.serial.to_owned());
            say("firmware", info.firmware.to_owned());
            say("hardware", info.hardware.to_owned());
        }
        Frame::NodeInfo(info) => {
            say("node", info.node.to_string());
            say("role", info.role.number().to_string());
            say("rate_hz", info.rate_hz.to_string());
            say("gyro_full_scale_dps", info.gyro_full_scale_dps.to_string());
            say("acc_full_scale_g", info.acc_full_scale_g.to_string());
            say("bandwidth_hz", optional(info.bandwidth_hz));
            say("temperature_centi_c", optional(info.temperature_centi_c));
            say("segment_from_sensor", row(&info.segment_from_sensor));
            say("now_us", info.now_us.to_string());
        }
        Frame::Samples(samples) => {
            say("node", samples.node().to_string());
            say("encoding", samples.encoding().number().to_string());
            for sample in samples {
                let reading = match sample.reading {
                    Reading::Counts(counts) => row(&counts),
                    Reading::Floats(values) => row(&values),
                };
                say("sample", format!("{} {} {reading}", sample.seq, sample.t_us));
            }
        }
        Frame::Battery(battery) => {
            say("node", battery.node.to_string());
            say("millivolts", battery.millivolts.to_string());
            say("percent", optional(battery.percent));
        }
        Frame::Button(button) => {
            say("node", button.node.to_string());
            say("button", button.button.to_string());
            say("action", button.action.number().to_string());
            say("t_us", button.t_us.to_string());
        }
        Frame::Annotation(annotation) => {
            say("t_us", annotation.t_us.to_string());
            say("kind", annotation.kind.to_owned());
            say("value", annotation.value.to_owned());
        }
        Frame::Ack(ack) => {
            say("command_id", ack.command_id.to_string());
            say("status", ack.status.number().to_string());
        }
        Frame::HostHello(hello) => say("version", hello.version.to_string()),
        Frame::Command(command) => {
            say("id", command.id.to_string());
            let arguments = match command.kind {
                CommandKind::Start => "1".to_owned(),
                CommandKind::Stop => "2".to_owned(),
                CommandKind::SetRate { node, rate_hz } => format!("3 {node} {rate_hz}"),
                CommandKind::SetRanges { node, gyro_full_scale_dps, acc_full_scale_g } => {
                    format!("4 {node} {gyro_full_scale_dps} {acc_full_scale_g}")
                }
                CommandKind::Identify => "5".to_owned(),
                CommandKind::RequestMissed { node, first_seq, count } => {
                    format!("6 {node} {first_seq} {count}")
                }
                CommandKind::Other { code } => code.to_string(),
            };
            say("command", arguments);
        }
        Frame::Unknown { payload, .. } => say("payload", hex(payload)),
    }
    lines.into_iter().map(|line| line + "\n").collect()
}
