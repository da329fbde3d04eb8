//! The check value of a frame: CRC-16/IBM-3740.

use crate::constants::{CRC_INIT, CRC_POLY, CRC_XOROUT};

/// CRC-16/IBM-3740 of `bytes`: polynomial 0x1021, start 0xFFFF, not reflected, no final inversion.
#[must_use]
pub fn crc16(bytes: &[u8]) -> u16 {
    // A host sees every byte several times and has the room; a controller has little.
    #[cfg(target_pointer_width = "64")]
    let crc = eight_at_once(CRC_INIT, bytes);
    #[cfg(not(target_pointer_width = "64"))]
    let crc = half_a_byte_at_once(CRC_INIT, bytes);
    crc ^ CRC_XOROUT
}

/// 32 bytes of table, which any controller has.
#[cfg(any(test, not(target_pointer_width = "64")))]
fn half_a_byte_at_once(crc: u16, bytes: &[u8]) -> u16 {
    const HALVES: [u16; 16] = table(4);
    bytes.iter().flat_map(|byte| [byte >> 4, byte & 0xF]).fold(crc, |crc, half| {
        let at = (crc >> 12) ^ u16::from(half);
        (crc << 4) ^ HALVES[usize::from(at)]
    })
}

/// 4 KiB of tables: `EIGHT[k]` takes a byte with `k` bytes behind it.
#[cfg(any(test, target_pointer_width = "64"))]
fn eight_at_once(mut crc: u16, bytes: &[u8]) -> u16 {
    let (eights, rest) = bytes.as_chunks::<8>();
    for [a, b, later @ ..] in eights {
        let [high, low] = crc.to_be_bytes();
        crc = EIGHT[7][usize::from(a ^ high)] ^ EIGHT[6][usize::from(b ^ low)];
        for (byte, table) in later.iter().rev().zip(&EIGHT) {
            crc ^= table[usize::from(*byte)];
        }
    }
    rest.iter().fold(crc, |crc, byte| (crc << 8) ^ EIGHT[0][usize::from(byte ^ crc.to_be_bytes()[0])])
}

#[cfg(any(test, target_pointer_width = "64"))]
static EIGHT: [[u16; 256]; 8] = eight();

#[cfg(any(test, target_pointer_width = "64"))]
const fn eight() -> [[u16; 256]; 8] {
    let mut tables = [table(8); 8];
    let mut behind = 1;
    while behind < 8 {
        let mut byte = 0;
        while byte < 256 {
            let before = tables[behind - 1][byte];
            tables[behind][byte] = (before << 8) ^ tables[0][(before >> 8) as usize];
            byte += 1;
        }
        behind += 1;
    }
    tables
}

/// What each value of so many bits does to the check value.
const fn table<const VALUES: usize>(bits: u32) -> [u16; VALUES] {
    let mut table = [0; VALUES];
    let mut value = 0;
    while value < VALUES {
        let (mut crc, mut bit) = ((value as u16) << (16 - bits), 0);
        while bit < bits {
            crc = if crc & 0x8000 == 0 { crc << 1 } else { (crc << 1) ^ CRC_POLY };
            bit += 1;
        }
        table[value] = crc;
        value += 1;
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

    proptest::proptest! {
        #[test]
        fn a_host_and_a_controller_work_out_the_same(bytes in proptest::collection::vec(0_u8.., 0..600)) {
            assert_eq!(eight_at_once(CRC_INIT, &bytes), half_a_byte_at_once(CRC_INIT, &bytes));
        }
    }
}
