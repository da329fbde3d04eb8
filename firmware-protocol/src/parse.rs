//! Reading a body: the type byte and the payload of every frame. Nothing in it is trusted.

use crate::batch::Samples;
use crate::constants as k;
use crate::error::FrameError;
use crate::frame::{
    Ack, AckStatus, Annotation, Battery, Button, ButtonAction, Command, CommandKind, DeviceInfo, Frame,
    Hello, HostHello, NodeInfo, PlayerHand, Role,
};
use crate::version::Version;

/// Reads type and payload.
pub(crate) fn parse_body(frame_type: u8, payload: &[u8]) -> Result<Frame<'_>, FrameError> {
    let mut fields = Fields { frame_type, payload, at: 0 };
    let frame = match frame_type {
        k::TYPE_HELLO => return parse_hello(&mut fields).map(Frame::Hello),
        k::TYPE_HOST_HELLO => return fields.version().map(|version| Frame::HostHello(HostHello { version })),
        k::TYPE_SAMPLES => return Samples::from_payload(payload).map(Frame::Samples),
        k::TYPE_DEVICE_INFO => Frame::DeviceInfo(parse_device_info(&mut fields)?),
        k::TYPE_NODE_INFO => Frame::NodeInfo(parse_node_info(&mut fields)?),
        k::TYPE_BATTERY => Frame::Battery(parse_battery(&mut fields)?),
        k::TYPE_BUTTON => Frame::Button(parse_button(&mut fields)?),
        k::TYPE_ANNOTATION => Frame::Annotation(parse_annotation(&mut fields)?),
        k::TYPE_ACK => Frame::Ack(parse_ack(&mut fields)?),
        k::TYPE_COMMAND => Frame::Command(parse_command(&mut fields)?),
        _ => return Ok(Frame::Unknown { frame_type, payload }),
    };
    fields.end()?;
    Ok(frame)
}

/// Later versions may append to a greeting: what stands behind the known fields is passed over.
fn parse_hello(fields: &mut Fields<'_>) -> Result<Hello, FrameError> {
    Ok(Hello { version: fields.version()?, glove_id: fields.u64()?, now_us: fields.u64()? })
}

fn parse_device_info<'a>(fields: &mut Fields<'a>) -> Result<DeviceInfo<'a>, FrameError> {
    let number = fields.u8()?;
    let player_hand = match PlayerHand::from_number(number) {
        None if number != k::PLAYER_UNKNOWN => return fields.bad("player_hand", "0, 1 or 2", number),
        hand => hand,
    };
    Ok(DeviceInfo {
        player_hand,
        serial: fields.text("serial", k::MAX_INFO_TEXT)?,
        firmware: fields.text("firmware", k::MAX_INFO_TEXT)?,
        hardware: fields.text("hardware", k::MAX_INFO_TEXT)?,
    })
}

fn parse_node_info(fields: &mut Fields<'_>) -> Result<NodeInfo, FrameError> {
    let node = fields.u8()?;
    let role = fields.numbered("role", "0 to 3", Role::from_number)?;
    let flags = fields.flags(k::NODE_FLAG_BANDWIDTH | k::NODE_FLAG_TEMPERATURE)?;
    let rate_hz = fields.positive("rate_hz")?;
    let gyro_full_scale_dps = fields.positive("gyro_full_scale_dps")?;
    let acc_full_scale_g = fields.positive("acc_full_scale_g")?;
    let bandwidth_hz = if flags & k::NODE_FLAG_BANDWIDTH == 0 {
        fields.zeros::<4>("bandwidth_hz")?;
        None
    } else {
        Some(fields.positive("bandwidth_hz")?)
    };
    let temperature_centi_c = if flags & k::NODE_FLAG_TEMPERATURE == 0 {
        fields.zeros::<2>("temperature_centi_c")?;
        None
    } else {
        Some(i16::from_le_bytes(fields.take()?))
    };
    let mut segment_from_sensor = [0.0; 9];
    for entry in &mut segment_from_sensor {
        *entry = fields.finite("segment_from_sensor")?;
    }
    let now_us = fields.u64()?;
    Ok(NodeInfo {
        node,
        role,
        rate_hz,
        gyro_full_scale_dps,
        acc_full_scale_g,
        bandwidth_hz,
        temperature_centi_c,
        segment_from_sensor,
        now_us,
    })
}

fn parse_battery(fields: &mut Fields<'_>) -> Result<Battery, FrameError> {
    let node = fields.u8()?;
    let flags = fields.flags(k::BATTERY_FLAG_PERCENT)?;
    let millivolts = fields.u16()?;
    let percent = match (flags, fields.u8()?) {
        (k::BATTERY_FLAG_PERCENT, percent @ 0..=100) => Some(percent),
        (0, 0) => None,
        (_, other) => return fields.bad("percent", "0 to 100, and 0 when not known", other),
    };
    Ok(Battery { node, millivolts, percent })
}

fn parse_button(fields: &mut Fields<'_>) -> Result<Button, FrameError> {
    Ok(Button {
        node: fields.u8()?,
        button: fields.u8()?,
        action: fields.numbered("action", "0 to 2", ButtonAction::from_number)?,
        t_us: fields.u32()?,
    })
}

fn parse_annotation<'a>(fields: &mut Fields<'a>) -> Result<Annotation<'a>, FrameError> {
    Ok(Annotation {
        t_us: fields.u32()?,
        kind: fields.text("kind", k::MAX_ANNOTATION_KIND)?,
        value: fields.text("value", k::MAX_ANNOTATION_VALUE)?,
    })
}

fn parse_ack(fields: &mut Fields<'_>) -> Result<Ack, FrameError> {
    Ok(Ack {
        command_id: fields.u16()?,
        status: fields.numbered("status", "0 to 5", AckStatus::from_number)?,
    })
}

fn parse_command(fields: &mut Fields<'_>) -> Result<Command, FrameError> {
    let id = fields.u16()?;
    let kind = match fields.u8()? {
        k::COMMAND_START => CommandKind::Start,
        k::COMMAND_STOP => CommandKind::Stop,
        k::COMMAND_SET_RATE => {
            CommandKind::SetRate { node: fields.u8()?, rate_hz: fields.positive("rate_hz")? }
        }
        k::COMMAND_SET_RANGES => CommandKind::SetRanges {
            node: fields.u8()?,
            gyro_full_scale_dps: fields.positive("gyro_full_scale_dps")?,
            acc_full_scale_g: fields.positive("acc_full_scale_g")?,
        },
        k::COMMAND_IDENTIFY => CommandKind::Identify,
        k::COMMAND_REQUEST_MISSED => {
            CommandKind::RequestMissed { node: fields.u8()?, first_seq: fields.u32()?, count: fields.u16()? }
        }
        code => {
            // A later version's arguments cannot be read; they are passed over so that it can be refused.
            fields.at = fields.payload.len();
            CommandKind::Other { code }
        }
    };
    Ok(Command { id, kind })
}

/// The fields of a payload, read from the front.
struct Fields<'a> {
    frame_type: u8,
    payload: &'a [u8],
    at: usize,
}

impl<'a> Fields<'a> {
    fn bytes(&mut self, len: usize) -> Result<&'a [u8], FrameError> {
        let end = self.at + len;
        let bytes = self.payload.get(self.at..end).ok_or(self.length(end))?;
        self.at = end;
        Ok(bytes)
    }

    fn take<const N: usize>(&mut self) -> Result<[u8; N], FrameError> {
        let bytes = self.bytes(N)?;
        Ok(core::array::from_fn(|index| bytes[index]))
    }

    fn u8(&mut self) -> Result<u8, FrameError> {
        self.take().map(u8::from_le_bytes)
    }

    fn u16(&mut self) -> Result<u16, FrameError> {
        self.take().map(u16::from_le_bytes)
    }

    fn u32(&mut self) -> Result<u32, FrameError> {
        self.take().map(u32::from_le_bytes)
    }

    fn u64(&mut self) -> Result<u64, FrameError> {
        self.take().map(u64::from_le_bytes)
    }

    fn version(&mut self) -> Result<Version, FrameError> {
        Ok(Version { major: self.u8()?, minor: self.u8()? })
    }

    fn finite(&mut self, field: &'static str) -> Result<f32, FrameError> {
        let value = f32::from_le_bytes(self.take()?);
        if value.is_finite() { Ok(value) } else { self.bad(field, "a finite float", value.to_bits()) }
    }

    fn positive(&mut self, field: &'static str) -> Result<f32, FrameError> {
        let value = f32::from_le_bytes(self.take()?);
        if value.is_finite() && value > 0.0 {
            return Ok(value);
        }
        self.bad(field, "a finite float above 0", value.to_bits())
    }

    fn numbered<T>(
        &mut self,
        field: &'static str,
        expected: &'static str,
        from_number: fn(u8) -> Option<T>,
    ) -> Result<T, FrameError> {
        let number = self.u8()?;
        from_number(number).map_or_else(|| self.bad(field, expected, number), Ok)
    }

    fn flags(&mut self, known: u8) -> Result<u8, FrameError> {
        let flags = self.u8()?;
        if flags & !known == 0 { Ok(flags) } else { self.bad("flags", "reserved bits 0", flags) }
    }

    /// A field that is not known holds zeros, so that one frame has one form.
    fn zeros<const N: usize>(&mut self, field: &'static str) -> Result<(), FrameError> {
        let bytes: [u8; N] = self.take()?;
        match bytes.iter().find(|byte| **byte != 0) {
            Some(byte) => self.bad(field, "0 when its flag is 0", *byte),
            None => Ok(()),
        }
    }

    fn text(&mut self, field: &'static str, limit: usize) -> Result<&'a str, FrameError> {
        let len = self.u8()?;
        if usize::from(len) > limit {
            return self.bad(field, "a length within its limit", len);
        }
        let bytes = self.bytes(usize::from(len))?;
        core::str::from_utf8(bytes).map_err(|error| FrameError::Text {
            frame_type: self.frame_type,
            field,
            valid_up_to: error.valid_up_to(),
        })
    }

    fn end(&self) -> Result<(), FrameError> {
        if self.at == self.payload.len() { Ok(()) } else { Err(self.length(self.at)) }
    }

    fn length(&self, expected: usize) -> FrameError {
        FrameError::Length { frame_type: self.frame_type, expected, found: self.payload.len() }
    }

    fn bad<T>(
        &self,
        field: &'static str,
        expected: &'static str,
        found: impl Into<u32>,
    ) -> Result<T, FrameError> {
        Err(FrameError::Value { frame_type: self.frame_type, field, expected, found: found.into() })
    }
}
