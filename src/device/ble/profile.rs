//! The numbers of a glove's GATT profile; the protocol's specification says what they are for.

use firmware_protocol::constants::{
    BLE_FROM_GLOVE_HIGH, BLE_FROM_GLOVE_LOW, BLE_SERVICE_HIGH, BLE_SERVICE_LOW, BLE_TO_GLOVE_HIGH,
    BLE_TO_GLOVE_LOW,
};
use uuid::Uuid;

/// The glove's own service.
pub const SERVICE: Uuid = Uuid::from_u64_pair(BLE_SERVICE_HIGH, BLE_SERVICE_LOW);
/// Characteristic: bytes from the glove to the host, by notifications.
pub const FROM_GLOVE: Uuid = Uuid::from_u64_pair(BLE_FROM_GLOVE_HIGH, BLE_FROM_GLOVE_LOW);
/// Characteristic: bytes from the host to the glove, by writes without response.
pub const TO_GLOVE: Uuid = Uuid::from_u64_pair(BLE_TO_GLOVE_HIGH, BLE_TO_GLOVE_LOW);
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

    /// The page that firmware authors read says the same.
    #[test]
    fn the_specification_names_the_same_numbers() {
        let page = include_str!("../../../firmware-protocol/SPEC.md");
        for uuid in [SERVICE, FROM_GLOVE, TO_GLOVE] {
            assert!(page.contains(&format!("`{uuid}`")), "{uuid}");
        }
    }

    #[test]
    fn assigned_numbers_have_their_long_form() {
        assert_eq!(BATTERY_LEVEL.to_string(), "00002a19-0000-1000-8000-00805f9b34fb");
    }
}
