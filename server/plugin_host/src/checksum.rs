//! Check values that machines append to their frames. They find noise on a line, never a forger: nothing in the
//! record rests on them.

use serde::Deserialize;

/// How a check value is computed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Checksum {
    /// All bytes by exclusive or.
    Xor,
    /// The two's complement of the sum of all bytes, modulo 256.
    Lrc,
    /// The sum of all bytes, modulo 256.
    Sum8,
    /// CRC-16 with polynomial 0x8005 reflected, start 0xFFFF, no final change.
    Crc16Modbus,
    /// CRC-32 with polynomial 0x04C11DB7 reflected, start and final change 0xFFFFFFFF.
    Crc32,
}

impl Checksum {
    /// The name in a declaration.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Xor => "xor",
            Self::Lrc => "lrc",
            Self::Sum8 => "sum8",
            Self::Crc16Modbus => "crc16-modbus",
            Self::Crc32 => "crc32",
        }
    }

    /// How many bytes the value has.
    pub const fn width_bytes(self) -> usize {
        match self {
            Self::Xor | Self::Lrc | Self::Sum8 => 1,
            Self::Crc16Modbus => 2,
            Self::Crc32 => 4,
        }
    }

    /// The value over `bytes`.
    pub fn over(self, bytes: &[u8]) -> u32 {
        let sum = || bytes.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
        match self {
            Self::Xor => u32::from(bytes.iter().fold(0_u8, |sum, byte| sum ^ byte)),
            Self::Lrc => u32::from(sum().wrapping_neg()),
            Self::Sum8 => u32::from(sum()),
            Self::Crc16Modbus => reflected(bytes, 0xffff, 0xa001),
            Self::Crc32 => !reflected(bytes, 0xffff_ffff, 0xedb8_8320),
        }
    }
}

/// A CRC that takes the lowest bit first. Bit by bit: frames are short, and a reader sees what it does.
fn reflected(bytes: &[u8], start: u32, polynomial: u32) -> u32 {
    bytes.iter().fold(start, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| if crc & 1 == 1 { (crc >> 1) ^ polynomial } else { crc >> 1 })
    })
}

#[cfg(test)]
mod tests {
    use super::Checksum;

    /// The check values that CRC catalogues give for the nine digits, and the Modbus serial line guide's way of its
    /// LRC: the sum of all bytes with the LRC is 0.
    #[test]
    fn known_answers() {
        let digits = b"123456789";
        assert_eq!(Checksum::Crc32.over(digits), 0xcbf4_3926);
        assert_eq!(Checksum::Crc16Modbus.over(digits), 0x4b37);
        assert_eq!(Checksum::Sum8.over(digits), 0xdd);
        assert_eq!(Checksum::Lrc.over(digits), 0x23);
        assert_eq!(Checksum::Xor.over(digits), 0x31);
        assert_eq!(Checksum::Xor.over(b"S"), 0x53);
        assert_eq!(Checksum::Crc32.over(b""), 0);
    }
}
