//! The check value of a frame: CRC-16/IBM-3740.

use crate::constants::{CRC_INIT, CRC_POLY, CRC_XOROUT};

/// CRC-16/IBM-3740 of `bytes`: polynomial 0x1021, start 0xFFFF, not reflected, no final inversion.
#[must_use]
pub fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(CRC_INIT, |crc, byte| shift_in(crc, *byte)) ^ CRC_XOROUT
}

/// Half a byte at a time: 32 bytes of table, which any controller has.
fn shift_in(crc: u16, byte: u8) -> u16 {
    [byte >> 4, byte & 0xF].into_iter().fold(crc, |crc, half| {
        let at = (crc >> 12) ^ u16::from(half);
        (crc << 4) ^ HALVES[usize::from(at)]
    })
}

const HALVES: [u16; 16] = halves();

const fn halves() -> [u16; 16] {
    let mut table = [0; 16];
    let mut half = 0;
    while half < 16 {
        let (mut crc, mut bit) = ((half as u16) << 12, 0);
        while bit < 4 {
            crc = if crc & 0x8000 == 0 { crc << 1 } else { (crc << 1) ^ CRC_POLY };
            bit += 1;
        }
        table[half] = crc;
        half += 1;
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::constants::CRC_CHECK;

    /// The catalogue of parametrised CRC algorithms gives 0x29B1 for CRC-16/IBM-3740.
    #[test]
    fn check_value_of_the_catalogue() {
        assert_eq!(crc16(b"123456789"), CRC_CHECK);
        assert_eq!(CRC_CHECK, 0x29B1);
        assert_eq!(crc16(b""), 0xFFFF);
    }
}
