//! The numbers of a glove's GATT profile; the protocol's specification says what they are for.

use uuid::Uuid;

/// The glove's own service.
pub const SERVICE: Uuid = Uuid::from_u128(0x46071dba_1fec_4dcd_b122_6191668d9722);
/// Characteristic: bytes from the glove to the host, by notifications.
pub const FROM_GLOVE: Uuid = Uuid::from_u128(0xf9130f80_9111_4b44_a76e_f37448a85fda);
/// Characteristic: bytes from the host to the glove, by writes without response.
pub const TO_GLOVE: Uuid = Uuid::from_u128(0xe15e30c9_65a9_4c08_9d94_590b84c0f1ae);
/// Device Information: serial number string (Bluetooth SIG, assigned numbers).
pub const SERIAL_NUMBER: Uuid = assigned(0x2A25);
/// Battery Service: battery level, % (Bluetooth SIG, assigned numbers).
pub const BATTERY_LEVEL: Uuid = assigned(0x2A19);

/// The long form of a number that the Bluetooth SIG assigns.
#[must_use]
pub const fn assigned(number: u16) -> Uuid {
    Uuid::from_u128(((number as u128) << 96) | 0x0000_0000_0000_1000_8000_0080_5F9B_34FB)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn assigned_numbers_have_their_long_form() {
        assert_eq!(BATTERY_LEVEL.to_string(), "00002a19-0000-1000-8000-00805f9b34fb");
    }
}
