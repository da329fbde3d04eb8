//! Every number that both ends must agree on. The C header is generated from this file.

/// Major version of the protocol: both ends must have the same.
pub const VERSION_MAJOR: u8 = 1;
/// Minor version of the protocol: the lower of the two wins.
pub const VERSION_MINOR: u8 = 0;

/// The byte that ends every piece and occurs nowhere else on the wire.
pub const DELIMITER: u8 = 0;
/// Longest body: type byte and payload, without the check value.
pub const MAX_BODY: usize = 512;
/// Longest payload.
pub const MAX_PAYLOAD: usize = 511;
/// Bytes of the check value.
pub const CRC_SIZE: usize = 2;
/// Longest body with its check value.
pub const MAX_DECODED: usize = 514;
/// Longest piece on the wire: the decoded bytes, three stuffing bytes and the delimiter.
pub const MAX_WIRE: usize = 518;

/// CRC-16/IBM-3740: the polynomial, highest power first.
pub const CRC_POLY: u16 = 0x1021;
/// CRC-16/IBM-3740: the start value.
pub const CRC_INIT: u16 = 0xFFFF;
/// CRC-16/IBM-3740: what the result is combined with.
pub const CRC_XOROUT: u16 = 0;
/// CRC-16/IBM-3740: the value for the nine characters `123456789`.
pub const CRC_CHECK: u16 = 0x29B1;

/// Glove to host: who speaks, which version, what time it is there.
pub const TYPE_HELLO: u8 = 0x01;
/// Glove to host: serial number, firmware, hardware, the player's hand.
pub const TYPE_DEVICE_INFO: u8 = 0x02;
/// Glove to host: one node's role, rate, ranges and mounting.
pub const TYPE_NODE_INFO: u8 = 0x03;
/// Glove to host: a batch of readings of one node.
pub const TYPE_SAMPLES: u8 = 0x04;
/// Glove to host: the state of one node's battery.
pub const TYPE_BATTERY: u8 = 0x05;
/// Glove to host: a button was used.
pub const TYPE_BUTTON: u8 = 0x06;
/// Glove to host: something said beside the samples.
pub const TYPE_ANNOTATION: u8 = 0x07;
/// Glove to host: the answer to a command.
pub const TYPE_ACK: u8 = 0x08;
/// Host to glove: which version the host speaks.
pub const TYPE_HOST_HELLO: u8 = 0x80;
/// Host to glove: do this.
pub const TYPE_COMMAND: u8 = 0x81;

/// Role: on the back of the lead hand.
pub const ROLE_HAND: u8 = 0;
/// Role: on the cuff above the lead wrist.
pub const ROLE_FOREARM: u8 = 1;
/// Role: on the breastbone.
pub const ROLE_CHEST: u8 = 2;
/// Role: on the belt, at the back.
pub const ROLE_BELT: u8 = 3;

/// Player's hand: not told.
pub const PLAYER_UNKNOWN: u8 = 0;
/// Player's hand: right-handed, the left arm leads.
pub const PLAYER_RIGHT: u8 = 1;
/// Player's hand: left-handed, the right arm leads.
pub const PLAYER_LEFT: u8 = 2;

/// NodeInfo flag: the bandwidth is known.
pub const NODE_FLAG_BANDWIDTH: u8 = 0x01;
/// NodeInfo flag: the temperature is known.
pub const NODE_FLAG_TEMPERATURE: u8 = 0x02;
/// Battery flag: the percentage is known.
pub const BATTERY_FLAG_PERCENT: u8 = 0x01;

/// Samples: six 16-bit counts a reading.
pub const ENCODING_COUNTS: u8 = 0;
/// Samples: six 32-bit floats a reading.
pub const ENCODING_FLOATS: u8 = 1;
/// Counts at full scale.
pub const COUNTS_PER_FULL_SCALE: u16 = 32768;
/// Bytes of a Samples payload before its first reading.
pub const SAMPLES_HEADER_SIZE: usize = 11;
/// Bytes of a time step between two readings.
pub const SAMPLES_STEP_SIZE: usize = 2;
/// Bytes of a reading in counts.
pub const READING_COUNTS_SIZE: usize = 12;
/// Bytes of a reading in floats.
pub const READING_FLOATS_SIZE: usize = 24;
/// Most readings in counts that one frame holds.
pub const MAX_COUNTS_READINGS: usize = 35;
/// Most readings in floats that one frame holds.
pub const MAX_FLOATS_READINGS: usize = 19;

/// Samples payload: where the node index stands.
pub const SAMPLES_AT_NODE: usize = 0;
/// Samples payload: where the encoding stands.
pub const SAMPLES_AT_ENCODING: usize = 1;
/// Samples payload: where the number of readings stands.
pub const SAMPLES_AT_COUNT: usize = 2;
/// Samples payload: where the first sequence number stands.
pub const SAMPLES_AT_FIRST_SEQ: usize = 3;
/// Samples payload: where the first time stands.
pub const SAMPLES_AT_FIRST_T: usize = 7;

/// Payload size of a Hello in version 1.0; later ones may be longer.
pub const HELLO_SIZE: usize = 18;
/// Payload size of a NodeInfo.
pub const NODE_INFO_SIZE: usize = 65;
/// Payload size of a Battery frame.
pub const BATTERY_SIZE: usize = 5;
/// Payload size of a Button frame.
pub const BUTTON_SIZE: usize = 7;
/// Payload size of an Ack.
pub const ACK_SIZE: usize = 3;
/// Payload size of a HostHello in version 1.0; later ones may be longer.
pub const HOST_HELLO_SIZE: usize = 2;

/// Longest serial, firmware or hardware text, bytes of UTF-8.
pub const MAX_INFO_TEXT: usize = 32;
/// Longest kind of an annotation, bytes of UTF-8.
pub const MAX_ANNOTATION_KIND: usize = 32;
/// Longest value of an annotation, bytes of UTF-8.
pub const MAX_ANNOTATION_VALUE: usize = 128;

/// Button action: pressed.
pub const BUTTON_PRESS: u8 = 0;
/// Button action: let go.
pub const BUTTON_RELEASE: u8 = 1;
/// Button action: held for a second.
pub const BUTTON_LONG_PRESS: u8 = 2;

/// Ack status: done.
pub const ACK_DONE: u8 = 0;
/// Ack status: this glove does not know the command.
pub const ACK_UNKNOWN_COMMAND: u8 = 1;
/// Ack status: an argument is out of range.
pub const ACK_BAD_ARGUMENT: u8 = 2;
/// Ack status: the samples asked for are no longer kept.
pub const ACK_NOT_KEPT: u8 = 3;
/// Ack status: not now.
pub const ACK_BUSY: u8 = 4;
/// Ack status: no common version was agreed.
pub const ACK_VERSION: u8 = 5;

/// Command: send samples.
pub const COMMAND_START: u8 = 1;
/// Command: send no samples.
pub const COMMAND_STOP: u8 = 2;
/// Command: take samples at this rate.
pub const COMMAND_SET_RATE: u8 = 3;
/// Command: use these full scales.
pub const COMMAND_SET_RANGES: u8 = 4;
/// Command: show the player which glove this is.
pub const COMMAND_IDENTIFY: u8 = 5;
/// Command: send these samples again.
pub const COMMAND_REQUEST_MISSED: u8 = 6;

/// BLE: the glove's service, upper half of its 128-bit number.
pub const BLE_SERVICE_HIGH: u64 = 0x4607_1DBA_1FEC_4DCD;
/// BLE: the glove's service, lower half.
pub const BLE_SERVICE_LOW: u64 = 0xB122_6191_668D_9722;
/// BLE: the characteristic for bytes from the glove, upper half.
pub const BLE_FROM_GLOVE_HIGH: u64 = 0xF913_0F80_9111_4B44;
/// BLE: the characteristic for bytes from the glove, lower half.
pub const BLE_FROM_GLOVE_LOW: u64 = 0xA76E_F374_48A8_5FDA;
/// BLE: the characteristic for bytes to the glove, upper half.
pub const BLE_TO_GLOVE_HIGH: u64 = 0xE15E_30C9_65A9_4C08;
/// BLE: the characteristic for bytes to the glove, lower half.
pub const BLE_TO_GLOVE_LOW: u64 = 0x9D94_590B_84C0_F1AE;
