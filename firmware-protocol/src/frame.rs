//! The frames and their fields, as both ends see them.

use crate::batch::Samples;
use crate::constants as k;
use crate::version::Version;

/// A closed set of numbers with a name for each.
macro_rules! numbered {
    ($(#[$doc:meta])* $name:ident { $($(#[$item_doc:meta])* $item:ident = $number:expr,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum $name {
            $($(#[$item_doc])* $item,)*
        }

        impl $name {
            /// Every one, in the order of its number.
            pub const ALL: &'static [$name] = &[$($name::$item,)*];

            /// Its number on the wire.
            #[must_use]
            pub const fn number(self) -> u8 {
                match self {
                    $($name::$item => $number,)*
                }
            }

            /// The one with this number, if there is one.
            #[must_use]
            pub fn from_number(number: u8) -> Option<$name> {
                $name::ALL.iter().copied().find(|item| item.number() == number)
            }
        }
    };
}

numbered! {
    /// Where a node sits on the player.
    Role {
        /// On the back of the lead hand.
        Hand = k::ROLE_HAND,
        /// On the cuff above the lead wrist.
        Forearm = k::ROLE_FOREARM,
        /// On the breastbone.
        Chest = k::ROLE_CHEST,
        /// On the belt, at the back.
        Belt = k::ROLE_BELT,
    }
}

numbered! {
    /// The side the player plays from.
    PlayerHand {
        /// Right-handed: the left arm leads.
        Right = k::PLAYER_RIGHT,
        /// Left-handed: the right arm leads.
        Left = k::PLAYER_LEFT,
    }
}

numbered! {
    /// What was done to a button.
    ButtonAction {
        /// Pressed.
        Press = k::BUTTON_PRESS,
        /// Let go.
        Release = k::BUTTON_RELEASE,
        /// Held for a second.
        LongPress = k::BUTTON_LONG_PRESS,
    }
}

numbered! {
    /// How a command went.
    AckStatus {
        /// It is done.
        Done = k::ACK_DONE,
        /// This glove does not know the command.
        UnknownCommand = k::ACK_UNKNOWN_COMMAND,
        /// An argument is out of range.
        BadArgument = k::ACK_BAD_ARGUMENT,
        /// The samples asked for are no longer kept.
        NotKept = k::ACK_NOT_KEPT,
        /// Not now.
        Busy = k::ACK_BUSY,
        /// No common version was agreed.
        Version = k::ACK_VERSION,
    }
}

/// Who speaks. The first frame of a link, and again whenever the host greets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hello {
    /// The version that the glove speaks.
    pub version: Version,
    /// A number that no other glove has.
    pub glove_id: u64,
    /// The clock of node 0 now, µs: gives the high bits of its 32-bit times.
    pub now_us: u64,
}

/// What the glove as a whole is. An empty text: not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DeviceInfo<'a> {
    /// The side the player plays from, where the glove knows it.
    pub player_hand: Option<PlayerHand>,
    /// Serial number.
    pub serial: &'a str,
    /// Firmware version.
    pub firmware: &'a str,
    /// Hardware version.
    pub hardware: &'a str,
}

/// What one node is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NodeInfo {
    /// The index that this node's other frames carry.
    pub node: u8,
    /// Where it sits.
    pub role: Role,
    /// Nominal sampling rate, Hz.
    pub rate_hz: f32,
    /// Angular rate that 32768 counts stand for, °/s.
    pub gyro_full_scale_dps: f32,
    /// Specific force that 32768 counts stand for, g.
    pub acc_full_scale_g: f32,
    /// Corner of its low-pass filter, Hz, where known.
    pub bandwidth_hz: Option<f32>,
    /// Temperature, hundredths of a degree Celsius, where known.
    pub temperature_centi_c: Option<i16>,
    /// Nominal mounting, row by row: `v_segment = R v_sensor`.
    pub segment_from_sensor: [f32; 9],
    /// This node's own clock now, µs: gives the high bits of its 32-bit times.
    pub now_us: u64,
}

/// The state of a battery.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Battery {
    /// The node it feeds.
    pub node: u8,
    /// Its voltage, mV.
    pub millivolts: u16,
    /// How full it is, 0 to 100, where known.
    pub percent: Option<u8>,
}

/// A button was used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Button {
    /// The node that carries it.
    pub node: u8,
    /// Which of its buttons, from 0.
    pub button: u8,
    /// What was done to it.
    pub action: ButtonAction,
    /// When, low 32 bits of that node's clock, µs.
    pub t_us: u32,
}

/// Something said beside the samples: a calibration prompt, a change of club, a mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Annotation<'a> {
    /// When, low 32 bits of node 0's clock, µs.
    pub t_us: u32,
    /// What it is about: `prompt`, `club`, `mark` …; at most 32 bytes.
    pub kind: &'a str,
    /// What it says; at most 128 bytes.
    pub value: &'a str,
}

/// The answer to a command.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ack {
    /// The command's id.
    pub command_id: u16,
    /// How it went.
    pub status: AckStatus,
}

/// The host's greeting; the glove answers with Hello, DeviceInfo and every NodeInfo.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HostHello {
    /// The version that the host speaks.
    pub version: Version,
}

/// What the host wants done; answered by an [`Ack`] with the same id.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Command {
    /// Chosen by the host.
    pub id: u16,
    /// What to do.
    pub kind: CommandKind,
}

/// What a command wants done.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CommandKind {
    /// Send samples.
    Start,
    /// Send no samples.
    Stop,
    /// Take samples at this rate.
    SetRate {
        /// The node meant.
        node: u8,
        /// Samples a second.
        rate_hz: f32,
    },
    /// Use these full scales.
    SetRanges {
        /// The node meant.
        node: u8,
        /// Full scale of the gyro, °/s.
        gyro_full_scale_dps: f32,
        /// Full scale of the accelerometer, g.
        acc_full_scale_g: f32,
    },
    /// Show the player which glove this is.
    Identify,
    /// Send these samples again.
    RequestMissed {
        /// The node meant.
        node: u8,
        /// The first sequence number missed.
        first_seq: u32,
        /// How many were missed.
        count: u16,
    },
    /// A command of a later version: answered with [`AckStatus::UnknownCommand`].
    Other {
        /// Its number; arguments are not kept.
        code: u8,
    },
}

/// One frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Frame<'a> {
    /// Who speaks.
    Hello(Hello),
    /// What the glove is.
    DeviceInfo(DeviceInfo<'a>),
    /// What a node is.
    NodeInfo(NodeInfo),
    /// Readings.
    Samples(Samples<'a>),
    /// State of a battery.
    Battery(Battery),
    /// A button was used.
    Button(Button),
    /// Something said beside the samples.
    Annotation(Annotation<'a>),
    /// The answer to a command.
    Ack(Ack),
    /// The host's greeting.
    HostHello(HostHello),
    /// What the host wants done.
    Command(Command),
    /// A sound frame of a type that this version does not know: to be reported, then passed over.
    Unknown {
        /// Its type.
        frame_type: u8,
        /// Its payload as it came.
        payload: &'a [u8],
    },
}

impl Frame<'_> {
    /// The type byte.
    #[must_use]
    pub fn frame_type(&self) -> u8 {
        match self {
            Frame::Hello(_) => k::TYPE_HELLO,
            Frame::DeviceInfo(_) => k::TYPE_DEVICE_INFO,
            Frame::NodeInfo(_) => k::TYPE_NODE_INFO,
            Frame::Samples(_) => k::TYPE_SAMPLES,
            Frame::Battery(_) => k::TYPE_BATTERY,
            Frame::Button(_) => k::TYPE_BUTTON,
            Frame::Annotation(_) => k::TYPE_ANNOTATION,
            Frame::Ack(_) => k::TYPE_ACK,
            Frame::HostHello(_) => k::TYPE_HOST_HELLO,
            Frame::Command(_) => k::TYPE_COMMAND,
            Frame::Unknown { frame_type, .. } => *frame_type,
        }
    }
}
