//! Ed25519 keys and what they sign: the book's checkpoints, people's statements, the enrolment of a key.
//!
//! Rule: RFC 8032; `FORMAT.md` sections 3 and 4. Every statement begins with a line that says what it is, so that a
//! signature over one kind of thing can never be shown as a signature over another.

use std::collections::BTreeMap;
use std::fmt;

use ring::signature::{ED25519, Ed25519KeyPair, KeyPair as _, UnparsedPublicKey};
use serde::{Deserialize, Serialize};

use crate::canonical::{self, WriteError};
use crate::hash::Hash;
use crate::ids::{AccountId, BookName, Stream};
use crate::time::Time;

/// A seed that gives no key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KeyError;

impl fmt::Display for KeyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the seed gives no Ed25519 key")
    }
}

impl std::error::Error for KeyError {}

/// An Ed25519 private key, held only while it signs.
pub struct SigningKey(Ed25519KeyPair);

impl SigningKey {
    /// The key that a seed of RFC 8032 section 5.1.5 gives.
    ///
    /// Errors: [`KeyError`], where the library refuses the seed.
    pub fn from_seed(seed: &[u8; 32]) -> Result<Self, KeyError> {
        Ed25519KeyPair::from_seed_unchecked(seed).map(Self).map_err(|_| KeyError)
    }

    /// The raw public key.
    pub fn public(&self) -> [u8; 32] {
        let mut out = [0; 32];
        out.copy_from_slice(self.0.public_key().as_ref());
        out
    }

    /// The signature over `message`. Rule: RFC 8032 section 5.1.6.
    pub fn sign(&self, message: &[u8]) -> [u8; 64] {
        let mut out = [0; 64];
        out.copy_from_slice(self.0.sign(message).as_ref());
        out
    }
}

impl fmt::Debug for SigningKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "SigningKey({}, private part not shown)", key_name(&self.public()))
    }
}

/// True where `signature` is a good one over `message` by the key whose raw public part is `public`.
///
/// Refused also: a signature whose S is not below the group order (a second form of a good one), and a public key of
/// small order (one signature would fit any message).
///
/// Rule: RFC 8032 section 5.1.7; small orders: RFC 8032 section 8 leaves it open, `FORMAT.md` section 4 closes it.
pub fn verify(public: &[u8; 32], message: &[u8], signature: &[u8]) -> bool {
    !has_small_order(public) && UnparsedPublicKey::new(&ED25519, public).verify(message, signature).is_ok()
}

/// True where eight times the point is the neutral element.
///
/// The y coordinates of all such points, also in the form that is not reduced modulo 2^255-19; the sign bit of x is
/// left out of the comparison. `ring` checks S but not this.
fn has_small_order(public: &[u8; 32]) -> bool {
    const fn ends(first: u8, middle: u8, last: u8) -> [u8; 32] {
        let mut out = [middle; 32];
        if let Some(byte) = out.first_mut() {
            *byte = first;
        }
        if let Some(byte) = out.last_mut() {
            *byte = last;
        }
        out
    }
    const SMALL: [[u8; 32]; 7] = [
        ends(0x00, 0x00, 0x00), // y = 0, order 4
        ends(0x01, 0x00, 0x00), // y = 1, order 1
        // Order 8.
        [
            0x26, 0xe8, 0x95, 0x8f, 0xc2, 0xb2, 0x27, 0xb0, 0x45, 0xc3, 0xf4, 0x89, 0xf2, 0xef, 0x98, 0xf0, 0xd5, 0xdf,
            0xac, 0x05, 0xd3, 0xc6, 0x33, 0x39, 0xb1, 0x38, 0x02, 0x88, 0x6d, 0x53, 0xfc, 0x05,
        ],
        // Order 8, its negative.
        [
            0xc7, 0x17, 0x6a, 0x70, 0x3d, 0x4d, 0xd8, 0x4f, 0xba, 0x3c, 0x0b, 0x76, 0x0d, 0x10, 0x67, 0x0f, 0x2a, 0x20,
            0x53, 0xfa, 0x2c, 0x39, 0xcc, 0xc6, 0x4e, 0xc7, 0xfd, 0x77, 0x92, 0xac, 0x03, 0x7a,
        ],
        ends(0xec, 0xff, 0x7f), // y = p-1, order 2
        ends(0xed, 0xff, 0x7f), // y = p, which is 0
        ends(0xee, 0xff, 0x7f), // y = p+1, which is 1
    ];
    let mut y = *public;
    if let Some(last) = y.last_mut() {
        *last &= 0x7f;
    }
    SMALL.contains(&y)
}

/// The name by which entries speak of a key. Rule: `FORMAT.md` section 4, SHA-256 of the raw public key.
pub fn key_name(public: &[u8; 32]) -> Hash {
    Hash::of(public)
}

fn statement<T: Serialize>(head: &[u8], body: &T) -> Result<Vec<u8>, WriteError> {
    let mut out = head.to_vec();
    out.extend(canonical::write(body)?);
    Ok(out)
}

/// What a person's new key signs to show that it is held: `tallyseal key v1`, a line feed, and the canonical JSON of
/// account, book, key and previous key (`null` where it is the first).
///
/// Errors: none in practice, the names have a canonical form. Rule: `FORMAT.md` section 4.
pub fn key_statement(
    account: &AccountId,
    book: &BookName,
    key: &Hash,
    previous: Option<&Hash>,
) -> Result<Vec<u8>, WriteError> {
    #[derive(Serialize)]
    struct Body<'a> {
        account: &'a AccountId,
        book: &'a BookName,
        key: &'a Hash,
        previous: Option<&'a Hash>,
    }
    statement(b"tallyseal key v1\n", &Body { account, book, key, previous })
}

/// What the book's old key signs when a new one follows it: `tallyseal book key v1`, a line feed, and the canonical
/// JSON of book and new key.
///
/// Errors: none in practice, the names have a canonical form. Rule: `FORMAT.md` section 3.
pub fn book_key_statement(book: &BookName, key: &Hash) -> Result<Vec<u8>, WriteError> {
    #[derive(Serialize)]
    struct Body<'a> {
        book: &'a BookName,
        key: &'a Hash,
    }
    statement(b"tallyseal book key v1\n", &Body { book, key })
}

/// How much of one stream a signature covers: all of it, up to here.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Cover {
    /// The last position in the stream that is covered. Range: from 1.
    pub rev: u64,
    /// The stream's root over its entries 1 to `rev`. Rule: `FORMAT.md` section 2.
    pub root: Hash,
}

/// What a person signs. Rule: `FORMAT.md` section 4.
#[derive(Debug, Clone, Serialize)]
pub struct Statement<'a> {
    /// Who signs.
    pub account: &'a AccountId,
    /// When: the time of the entry that holds the signature.
    pub at: Time,
    /// In which book.
    pub book: &'a BookName,
    /// What is covered, stream by stream.
    pub covers: &'a BTreeMap<Stream, Cover>,
    /// The key that signs, by [`key_name`].
    pub key: &'a Hash,
    /// What the signature means, by the table of `FORMAT.md` section 4.
    pub meaning: &'a str,
    /// The signer's printed name.
    pub name: &'a str,
    /// The stream that is signed; one of `covers`.
    pub record: &'a Stream,
    /// The role in which the person signs.
    pub role: &'a str,
}

impl Statement<'_> {
    /// The bytes that are signed: `tallyseal signature v1`, a line feed, and the canonical JSON of the fields.
    ///
    /// Errors: a field without a canonical form; with checked names there is none.
    pub fn bytes(&self) -> Result<Vec<u8>, WriteError> {
        statement(b"tallyseal signature v1\n", self)
    }
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use super::*;
    use crate::canonical::unbase64;

    fn unhex(text: &str) -> Vec<u8> {
        assert!(text.len().is_multiple_of(2));
        (0..text.len()).step_by(2).map(|i| u8::from_str_radix(&text[i..i + 2], 16).unwrap()).collect()
    }

    fn field(value: &Value, name: &str) -> Vec<u8> {
        unhex(value[name].as_str().unwrap())
    }

    fn thirty_two(value: &Value, name: &str) -> [u8; 32] {
        field(value, name).try_into().unwrap()
    }

    fn record_format() -> Value {
        serde_json::from_str(include_str!("../vectors/record-format.json")).unwrap()
    }

    #[test]
    fn keys_and_signatures_are_those_of_rfc_8032() {
        let vectors: Value = serde_json::from_str(include_str!("../vectors/ed25519_rfc8032.json")).unwrap();
        let cases = vectors["vectors"].as_array().unwrap();
        assert_eq!(cases.len(), 4);
        for case in cases {
            let key = SigningKey::from_seed(&thirty_two(case, "secret")).unwrap();
            let (message, signature) = (field(case, "msg"), field(case, "sig"));
            assert_eq!(key.public(), thirty_two(case, "public"), "{}", case["name"]);
            assert_eq!(key.sign(&message).to_vec(), signature, "{}", case["name"]);
            assert!(verify(&key.public(), &message, &signature), "{}", case["name"]);
        }
        let cases = vectors["reject"].as_array().unwrap();
        assert_eq!(cases.len(), 4);
        for case in cases {
            let good = verify(&thirty_two(case, "public"), &field(case, "msg"), &field(case, "sig"));
            assert!(!good, "{}", case["name"]);
        }
    }

    #[test]
    fn hashes_are_those_of_fips_180_4() {
        let vectors: Value = serde_json::from_str(include_str!("../vectors/sha256_vectors.json")).unwrap();
        for case in vectors["vectors"].as_array().unwrap() {
            let message = match case["repeat"].as_object() {
                Some(repeat) => {
                    unhex(repeat["byte"].as_str().unwrap()).repeat(repeat["count"].as_u64().unwrap() as usize)
                }
                None => field(case, "msg_hex"),
            };
            assert_eq!(Hash::of(&message).0, thirty_two(case, "sha256"), "{}", case["source"]);
        }
    }

    /// With a public key of small order, R = [S]B - [h]A takes at most eight values: with S = 0 a signature for any
    /// message is found among the small points themselves.
    #[test]
    fn a_public_key_of_small_order_is_refused_though_the_library_alone_takes_it() {
        let mut bottom = [0; 32];
        bottom[0] = 1; // the neutral element
        let mut forged = bottom.to_vec();
        forged.extend([0; 32]);
        let library = UnparsedPublicKey::new(&ED25519, bottom).verify(b"anything at all", &forged);
        assert!(library.is_ok(), "the library refuses it by itself; the list is no longer needed");
        assert!(!verify(&bottom, b"anything at all", &forged));
    }

    #[test]
    fn every_encoding_of_a_point_of_small_order_is_known() {
        // y of the eight points, reduced and not, each with both signs of x. Recomputed from RFC 8032 section 5.1 by
        // repeated addition; equal to the list that libsodium refuses.
        let y = [
            "0000000000000000000000000000000000000000000000000000000000000000",
            "0100000000000000000000000000000000000000000000000000000000000000",
            "26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05",
            "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a",
            "ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
            "edffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
            "eeffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
        ];
        for text in y {
            let mut point: [u8; 32] = unhex(text).try_into().unwrap();
            assert!(has_small_order(&point), "{text}");
            point[31] |= 0x80;
            assert!(has_small_order(&point), "{text} with the sign");
            point[0] ^= 0x40;
            assert!(!has_small_order(&point), "{text} changed");
        }
    }

    #[test]
    fn a_signature_of_another_length_is_refused() {
        let key = SigningKey::from_seed(&[7; 32]).unwrap();
        let good = key.sign(b"x");
        assert!(verify(&key.public(), b"x", &good));
        assert!(!verify(&key.public(), b"x", &[]));
        assert!(!verify(&key.public(), b"x", &good[..63]));
        assert!(!verify(&key.public(), b"x", &[&good[..], &[0]].concat()));
    }

    #[test]
    fn a_key_is_not_shown() {
        let key = SigningKey::from_seed(&[7; 32]).unwrap();
        let shown = format!("{key:?}");
        assert!(shown.contains(&key_name(&key.public()).hex()));
        assert!(!shown.contains("0707") && !shown.contains("[7, 7"), "{shown}");
    }

    #[test]
    fn statements_are_the_known_answers() {
        let vectors = record_format();
        let account: AccountId = "U-0007".parse().unwrap();
        let book: BookName = "label-room.example/plant-1".parse().unwrap();
        let seed = unhex(vectors["seeds_hex"]["U-0007"].as_str().unwrap()).try_into().unwrap();
        let key = SigningKey::from_seed(&seed).unwrap();
        let name = key_name(&key.public());

        let wanted = vectors["key_statement_of_entry_1"].as_str().unwrap();
        assert_eq!(key_statement(&account, &book, &name, None).unwrap(), wanted.as_bytes());
        let enrolled: Value = serde_json::from_str(vectors["entries"][1].as_str().unwrap()).unwrap();
        let text = |value: &Value| unbase64(value.as_str().unwrap()).unwrap();
        assert_eq!(key.sign(wanted.as_bytes()).to_vec(), text(&enrolled["body"]["proof"]));

        let last: Value = serde_json::from_str(vectors["entries"][8].as_str().unwrap()).unwrap();
        let body = &last["body"];
        let covers = serde_json::from_value(body["covers"].clone()).unwrap();
        let statement = Statement {
            account: &account,
            at: "2026-03-02T06:00:08.000000Z".parse().unwrap(),
            book: &book,
            covers: &covers,
            key: &name,
            meaning: "counted",
            name: "Ana Žilková",
            record: &"count/C-0001".parse().unwrap(),
            role: "label_room",
        };
        let bytes = statement.bytes().unwrap();
        assert_eq!(bytes, vectors["statement_of_last"].as_str().unwrap().as_bytes());
        assert_eq!(key.sign(&bytes).to_vec(), text(&body["sig"]));
        assert!(verify(&key.public(), &bytes, &text(&body["sig"])));
    }

    #[test]
    fn a_key_that_follows_another_says_which() {
        let (account, book) = ("U-1".parse().unwrap(), "a.example".parse().unwrap());
        let bytes = key_statement(&account, &book, &Hash([1; 32]), Some(&Hash([2; 32]))).unwrap();
        let wanted = format!(
            "tallyseal key v1\n{{\"account\":\"U-1\",\"book\":\"a.example\",\"key\":\"{}\",\"previous\":\"{}\"}}",
            "01".repeat(32),
            "02".repeat(32)
        );
        assert_eq!(bytes, wanted.as_bytes());
        let wanted = format!("tallyseal book key v1\n{{\"book\":\"a.example\",\"key\":\"{}\"}}", "01".repeat(32));
        assert_eq!(book_key_statement(&book, &Hash([1; 32])).unwrap(), wanted.as_bytes());
    }

    #[test]
    fn a_refused_seed_is_said() {
        assert_eq!(KeyError.to_string(), "the seed gives no Ed25519 key");
    }

    #[test]
    fn a_cover_with_another_field_is_refused() {
        let cover = serde_json::json!({ "rev": 1, "root": "00".repeat(32) });
        assert!(serde_json::from_value::<Cover>(cover.clone()).is_ok());
        let mut more = cover;
        more["note"] = "x".into();
        assert!(serde_json::from_value::<Cover>(more).is_err());
    }
}
