//! One captured piece of machine bytes as it stands in a day file: a frame that can be found, checked and skipped.
//!
//! Shape of a frame, numbers with the highest byte first:
//!
//! | bytes | what |
//! |---|---|
//! | 4 | `TSC1` |
//! | 32 | SHA-256 of the raw bytes |
//! | 4 | length of the raw bytes |
//! | 4 | length of the payload |
//! | 4 | CRC-32 over the three fields before it and the payload: a torn frame is seen without being inflated |
//! | - | payload: the raw bytes, raw deflate (RFC 1951) |

use std::io::{self, Read, Write as _};

use flate2::read::DeflateDecoder;
use flate2::write::DeflateEncoder;
use flate2::{Compression, Crc};
use tallyseal_schema::Hash;

const MAGIC: &[u8; 4] = b"TSC1";
/// Bytes of a frame before its payload.
pub(crate) const HEAD_LEN: usize = 48;
/// The largest piece.
///
/// Unit: bytes. A capture is flushed every few seconds; this is far above what a machine says in that time.
pub const CAPTURE_MAX: usize = 16 * 1024 * 1024;

/// A frame, made before the executor sees it: hashing and deflating are the caller's time, not the queue's.
#[derive(Debug)]
pub(crate) struct Frame {
    pub(crate) sha256: Hash,
    pub(crate) bytes: Vec<u8>,
}

impl Frame {
    /// The frame of raw bytes. Errors: more than [`CAPTURE_MAX`].
    pub(crate) fn of(raw: &[u8]) -> io::Result<Self> {
        if raw.len() > CAPTURE_MAX {
            return Err(io::Error::other(format!("a piece of {} bytes is more than {CAPTURE_MAX}", raw.len())));
        }
        let sha256 = Hash::of(raw);
        let mut deflate = DeflateEncoder::new(Vec::with_capacity(raw.len() / 4 + 64), Compression::fast());
        deflate.write_all(raw)?;
        let payload = deflate.finish()?;
        let payload_len = u32::try_from(payload.len()).map_err(io::Error::other)?;

        let mut bytes = Vec::with_capacity(HEAD_LEN + payload.len());
        bytes.extend_from_slice(MAGIC);
        bytes.extend_from_slice(&sha256.0);
        bytes.extend_from_slice(&(raw.len() as u32).to_be_bytes());
        bytes.extend_from_slice(&payload_len.to_be_bytes());
        let mut crc = Crc::new();
        crc.update(bytes.get(MAGIC.len()..).unwrap_or_default());
        crc.update(&payload);
        bytes.extend_from_slice(&crc.sum().to_be_bytes());
        bytes.extend_from_slice(&payload);
        Ok(Self { sha256, bytes })
    }
}

/// The first 48 bytes of a frame, taken apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Head {
    sha256: Hash,
    raw_len: u32,
    payload_len: u32,
    crc: u32,
}

impl Head {
    fn parse(bytes: &[u8; HEAD_LEN]) -> Option<Self> {
        let (magic, rest) = bytes.split_first_chunk::<4>()?;
        let (sha256, rest) = rest.split_first_chunk::<32>()?;
        let (raw_len, rest) = rest.split_first_chunk::<4>()?;
        let (payload_len, crc) = rest.split_first_chunk::<4>()?;
        let head = Self {
            sha256: Hash(*sha256),
            raw_len: u32::from_be_bytes(*raw_len),
            payload_len: u32::from_be_bytes(*payload_len),
            crc: u32::from_be_bytes(crc.try_into().ok()?),
        };
        // Deflate never grows much: a longer payload is no frame of ours, and is not read into memory.
        let fits = head.raw_len as usize <= CAPTURE_MAX && head.payload_len as usize <= CAPTURE_MAX + CAPTURE_MAX / 8;
        (magic == MAGIC && fits).then_some(head)
    }
}

/// A frame that was read whole.
pub(crate) struct Found {
    head: Head,
    payload: Vec<u8>,
}

impl Found {
    /// SHA-256 that the frame says its bytes have.
    pub(crate) fn sha256(&self) -> Hash {
        self.head.sha256
    }

    /// Length of the whole frame. Unit: bytes.
    pub(crate) fn length(&self) -> u64 {
        HEAD_LEN as u64 + u64::from(self.head.payload_len)
    }

    /// The raw bytes; `None` where they are not those that the frame says.
    pub(crate) fn raw(&self) -> Option<Vec<u8>> {
        let wanted = self.head.raw_len as usize;
        let mut raw = Vec::with_capacity(wanted);
        // One byte more than wanted, so that a payload that inflates to more is seen and never held.
        DeflateDecoder::new(self.payload.as_slice()).take(wanted as u64 + 1).read_to_end(&mut raw).ok()?;
        (raw.len() == wanted && Hash::of(&raw) == self.head.sha256).then_some(raw)
    }
}

/// Reads the frame that begins here; `None` where there is no whole frame: the end, or where a write was torn.
///
/// Errors: the file could not be read.
pub(crate) fn read(from: &mut impl Read) -> io::Result<Option<Found>> {
    let mut bytes = [0; HEAD_LEN];
    if !fill(from, &mut bytes)? {
        return Ok(None);
    }
    let Some(head) = Head::parse(&bytes) else { return Ok(None) };
    let mut payload = vec![0; head.payload_len as usize];
    if !fill(from, &mut payload)? {
        return Ok(None);
    }
    let mut crc = Crc::new();
    crc.update(bytes.get(MAGIC.len()..HEAD_LEN - 4).unwrap_or_default());
    crc.update(&payload);
    Ok((crc.sum() == head.crc).then_some(Found { head, payload }))
}

/// Fills `bytes`; `false` where the file ends first.
fn fill(from: &mut impl Read, bytes: &mut [u8]) -> io::Result<bool> {
    match from.read_exact(bytes) {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => Ok(false),
        Err(error) => Err(error),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_frame_gives_its_bytes_back() {
        for raw in [&b""[..], b"CNT,STN07,000998,F,OK\r\n", &[0; 100_000]] {
            let frame = Frame::of(raw).unwrap();
            let found = read(&mut frame.bytes.as_slice()).unwrap().unwrap();
            assert_eq!((found.sha256(), found.length()), (Hash::of(raw), frame.bytes.len() as u64));
            assert_eq!(found.raw().unwrap(), raw);
        }
        assert!(Frame::of(&vec![0; CAPTURE_MAX + 1]).is_err());
    }

    #[test]
    fn a_frame_that_was_cut_or_changed_anywhere_is_no_frame() {
        let frame = Frame::of(b"CNT,STN07,000998,F,OK\r\n").unwrap();
        for end in 0..frame.bytes.len() {
            assert!(read(&mut &frame.bytes[..end]).unwrap().is_none(), "cut at {end}");
        }
        for at in 0..frame.bytes.len() {
            let mut bytes = frame.bytes.clone();
            bytes[at] ^= 0x10;
            assert!(read(&mut bytes.as_slice()).unwrap().is_none(), "changed at {at}");
        }
    }

    #[test]
    fn a_frame_that_lies_about_its_bytes_gives_none() {
        let mut frame = Frame::of(&[7; 5_000]).unwrap();
        // A length that is smaller, with a checksum that fits it.
        frame.bytes[36..40].copy_from_slice(&100_u32.to_be_bytes());
        let mut crc = Crc::new();
        crc.update(&frame.bytes[4..44]);
        crc.update(&frame.bytes[HEAD_LEN..]);
        frame.bytes[44..48].copy_from_slice(&crc.sum().to_be_bytes());
        assert!(read(&mut frame.bytes.as_slice()).unwrap().unwrap().raw().is_none());
    }
}
