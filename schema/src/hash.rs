//! SHA-256 values and the two tagged hashes of RFC 6962. Nothing else in the workspace hashes.

use std::fmt;
use std::str::FromStr;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// One SHA-256 value.
///
/// Shape: 32 bytes; in JSON and text 64 lower-case hex digits.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Hash(pub [u8; 32]);

impl Hash {
    /// What `prev` says in entry 0: there is nothing before it.
    pub const ZERO: Self = Self([0; 32]);

    /// SHA-256 of `bytes`, untagged: files, captures, public keys.
    pub fn of(bytes: &[u8]) -> Self {
        Self::digest(&[bytes])
    }

    /// Leaf hash of an entry's stored bytes. Rule: RFC 6962 section 2.1, `SHA-256(0x00 || bytes)`.
    pub fn leaf(bytes: &[u8]) -> Self {
        Self::digest(&[&[0x00], bytes])
    }

    /// Inner node of the tree. Rule: RFC 6962 section 2.1, `SHA-256(0x01 || left || right)`.
    pub fn node(left: &Self, right: &Self) -> Self {
        Self::digest(&[&[0x01], &left.0, &right.0])
    }

    /// SHA-256 over the parts, one after the other.
    pub(crate) fn digest(parts: &[&[u8]]) -> Self {
        let mut context = ring::digest::Context::new(&ring::digest::SHA256);
        for part in parts {
            context.update(part);
        }
        let mut out = [0; 32];
        out.copy_from_slice(context.finish().as_ref());
        Self(out)
    }

    /// The value as 64 lower-case hex digits.
    pub fn hex(&self) -> String {
        const DIGITS: [char; 16] = ['0', '1', '2', '3', '4', '5', '6', '7', '8', '9', 'a', 'b', 'c', 'd', 'e', 'f'];
        let digit = |half: u8| DIGITS.get(usize::from(half)).copied().unwrap_or('0');
        self.0.iter().flat_map(|byte| [digit(byte >> 4), digit(byte & 0x0f)]).collect()
    }
}

/// A hash function of the SHA-2 family, as the signatures of others name them: time-stamping authorities above all.
///
/// Nothing of the book's own is hashed by another than SHA-256. Rule: FIPS 180-4.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sha2 {
    /// 32 bytes.
    Bits256,
    /// 48 bytes.
    Bits384,
    /// 64 bytes.
    Bits512,
}

impl Sha2 {
    /// The hash of `bytes`.
    pub fn of(self, bytes: &[u8]) -> Vec<u8> {
        let algorithm = match self {
            Self::Bits256 => &ring::digest::SHA256,
            Self::Bits384 => &ring::digest::SHA384,
            Self::Bits512 => &ring::digest::SHA512,
        };
        ring::digest::digest(algorithm, bytes).as_ref().to_vec()
    }
}

/// A running SHA-256 over bytes that arrive in pieces: files and captures too large to hold.
pub struct Hasher(ring::digest::Context);

impl Default for Hasher {
    fn default() -> Self {
        Self(ring::digest::Context::new(&ring::digest::SHA256))
    }
}

impl Hasher {
    /// Takes the next piece.
    pub fn update(&mut self, piece: &[u8]) {
        self.0.update(piece);
    }

    /// The hash of all pieces.
    pub fn finish(self) -> Hash {
        let mut out = [0; 32];
        out.copy_from_slice(self.0.finish().as_ref());
        Hash(out)
    }
}

impl fmt::Display for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.hex())
    }
}

impl fmt::Debug for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.hex())
    }
}

/// Not 64 lower-case hex digits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HashError;

impl fmt::Display for HashError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a hash is 64 lower-case hex digits")
    }
}

impl std::error::Error for HashError {}

impl FromStr for Hash {
    type Err = HashError;

    fn from_str(text: &str) -> Result<Self, HashError> {
        let value = |digit: u8| match digit {
            b'0'..=b'9' => Ok(digit - b'0'),
            b'a'..=b'f' => Ok(digit - b'a' + 10),
            _ => Err(HashError),
        };
        let (pairs, rest) = text.as_bytes().as_chunks::<2>();
        if pairs.len() != 32 || !rest.is_empty() {
            return Err(HashError);
        }
        let mut out = [0; 32];
        for (byte, [high, low]) in out.iter_mut().zip(pairs) {
            *byte = (value(*high)? << 4) | value(*low)?;
        }
        Ok(Self(out))
    }
}

impl Serialize for Hash {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.hex())
    }
}

impl<'de> Deserialize<'de> for Hash {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(D::Error::custom)
    }
}

#[cfg(feature = "json-schema")]
impl schemars::JsonSchema for Hash {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Hash".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "string", "pattern": "^[0-9a-f]{64}$" })
    }
}
