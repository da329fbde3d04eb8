//! Writing a body: the type byte and the payload of every frame.

use crate::constants as k;
use crate::frame::{Annotation, Battery, Button, Command, CommandKind, DeviceInfo, Frame, Hello, NodeInfo};
use core::fmt;

/// Why a frame cannot be sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EncodeError {
    /// A text is too long.
    Text {
        /// The field's name in the specification.
        field: &'static str,
        /// Most bytes that it may have.
        limit: usize,
        /// The bytes that it has.
        found: usize,
    },
    /// The payload is too long.
    Payload {
        /// Most bytes that it may have.
        limit: usize,
    },
}

impl fmt::Display for EncodeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            EncodeError::Text { field, limit, found } => {
                write!(f, "{field}: expected at most {limit} bytes of UTF-8, found {found}")
            }
            EncodeError::Payload { limit } => {
                write!(f, "expected at most {limit} bytes of payload, found more")
            }
        }
    }
}

impl core::error::Error for EncodeError {}

/// Writes type and payload of `frame` into `out` and says how many bytes that are.
pub(crate) fn write_body(frame: &Frame<'_>, out: &mut [u8]) -> Result<usize, EncodeError> {
    let mut body = Body { out, len: 0 };
    body.bytes(&[frame.frame_type()])?;
    match frame {
        Frame::Hello(hello) => write_hello(&mut body, hello)?,
        Frame::DeviceInfo(info) => write_device_info(&mut body, info)?,
        Frame::NodeInfo(info) => write_node_info(&mut body, info)?,
        Frame::Samples(samples) => body.bytes(samples.payload())?,
        Frame::Battery(battery) => write_battery(&mut body, battery)?,
        Frame::Button(button) => write_button(&mut body, button)?,
        Frame::Annotation(annotation) => write_annotation(&mut body, annotation)?,
        Frame::Ack(ack) => {
            body.bytes(&ack.command_id.to_le_bytes())?;
            body.bytes(&[ack.status.number()])?;
        }
        Frame::HostHello(hello) => body.bytes(&[hello.version.major, hello.version.minor])?,
        Frame::Command(command) => write_command(&mut body, command)?,
        Frame::Unknown { payload, .. } => body.bytes(payload)?,
    }
    Ok(body.len)
}

fn write_hello(body: &mut Body<'_>, hello: &Hello) -> Result<(), EncodeError> {
    body.bytes(&[hello.version.major, hello.version.minor])?;
    body.bytes(&hello.glove_id.to_le_bytes())?;
    body.bytes(&hello.now_us.to_le_bytes())
}

fn write_device_info(body: &mut Body<'_>, info: &DeviceInfo<'_>) -> Result<(), EncodeError> {
    body.bytes(&[info.player_hand.map_or(k::PLAYER_UNKNOWN, |hand| hand.number())])?;
    body.text("serial", info.serial, k::MAX_INFO_TEXT)?;
    body.text("firmware", info.firmware, k::MAX_INFO_TEXT)?;
    body.text("hardware", info.hardware, k::MAX_INFO_TEXT)
}

fn write_node_info(body: &mut Body<'_>, info: &NodeInfo) -> Result<(), EncodeError> {
    let bandwidth = info.bandwidth_hz.map_or(0, |_| k::NODE_FLAG_BANDWIDTH);
    let temperature = info.temperature_centi_c.map_or(0, |_| k::NODE_FLAG_TEMPERATURE);
    body.bytes(&[info.node, info.role.number(), bandwidth | temperature])?;
    body.floats(&[info.rate_hz, info.gyro_full_scale_dps, info.acc_full_scale_g])?;
    body.floats(&[info.bandwidth_hz.unwrap_or(0.0)])?;
    body.bytes(&info.temperature_centi_c.unwrap_or(0).to_le_bytes())?;
    body.floats(&info.segment_from_sensor)?;
    body.bytes(&info.now_us.to_le_bytes())
}

fn write_battery(body: &mut Body<'_>, battery: &Battery) -> Result<(), EncodeError> {
    body.bytes(&[battery.node, battery.percent.map_or(0, |_| k::BATTERY_FLAG_PERCENT)])?;
    body.bytes(&battery.millivolts.to_le_bytes())?;
    body.bytes(&[battery.percent.unwrap_or(0)])
}

fn write_button(body: &mut Body<'_>, button: &Button) -> Result<(), EncodeError> {
    body.bytes(&[button.node, button.button, button.action.number()])?;
    body.bytes(&button.t_us.to_le_bytes())
}

fn write_annotation(body: &mut Body<'_>, annotation: &Annotation<'_>) -> Result<(), EncodeError> {
    body.bytes(&annotation.t_us.to_le_bytes())?;
    body.text("kind", annotation.kind, k::MAX_ANNOTATION_KIND)?;
    body.text("value", annotation.value, k::MAX_ANNOTATION_VALUE)
}

fn write_command(body: &mut Body<'_>, command: &Command) -> Result<(), EncodeError> {
    body.bytes(&command.id.to_le_bytes())?;
    match command.kind {
        CommandKind::Start => body.bytes(&[k::COMMAND_START]),
        CommandKind::Stop => body.bytes(&[k::COMMAND_STOP]),
        CommandKind::SetRate { node, rate_hz } => {
            body.bytes(&[k::COMMAND_SET_RATE, node])?;
            body.floats(&[rate_hz])
        }
        CommandKind::SetRanges { node, gyro_full_scale_dps, acc_full_scale_g } => {
            body.bytes(&[k::COMMAND_SET_RANGES, node])?;
            body.floats(&[gyro_full_scale_dps, acc_full_scale_g])
        }
        CommandKind::Identify => body.bytes(&[k::COMMAND_IDENTIFY]),
        CommandKind::RequestMissed { node, first_seq, count } => {
            body.bytes(&[k::COMMAND_REQUEST_MISSED, node])?;
            body.bytes(&first_seq.to_le_bytes())?;
            body.bytes(&count.to_le_bytes())
        }
        CommandKind::Other { code } => body.bytes(&[code]),
    }
}

/// A body that is being written.
struct Body<'a> {
    out: &'a mut [u8],
    len: usize,
}

impl Body<'_> {
    fn bytes(&mut self, bytes: &[u8]) -> Result<(), EncodeError> {
        let end = self.len + bytes.len();
        let no_room = EncodeError::Payload { limit: k::MAX_PAYLOAD };
        self.out.get_mut(self.len..end).ok_or(no_room)?.copy_from_slice(bytes);
        self.len = end;
        Ok(())
    }

    fn floats(&mut self, values: &[f32]) -> Result<(), EncodeError> {
        values.iter().try_for_each(|value| self.bytes(&value.to_le_bytes()))
    }

    /// One byte of length, then the text.
    fn text(&mut self, field: &'static str, text: &str, limit: usize) -> Result<(), EncodeError> {
        match u8::try_from(text.len()) {
            Ok(len) if usize::from(len) <= limit => {
                self.bytes(&[len])?;
                self.bytes(text.as_bytes())
            }
            _ => Err(EncodeError::Text { field, limit, found: text.len() }),
        }
    }
}
