//! The one form that bytes of the record have: RFC 8785 canonical JSON, narrowed to integers and ASCII keys.
//!
//! Rule: `FORMAT.md` section 1. The writer makes the form, the scan refuses everything else; both are held against an
//! independent implementation in the tests. Bytes that pass the scan are hashed as they stand and never written anew.

use std::fmt;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde::Serialize;
use serde_json::{Number, Value};

/// The largest entry.
///
/// Unit: bytes. Rule: `FORMAT.md` section 1.
pub const ENTRY_MAX: usize = 256 * 1024;

/// How many objects and arrays may stand in one another; an object without any inside has depth 1.
///
/// Rule: `FORMAT.md` section 1.
pub const DEPTH_MAX: usize = 16;

/// The largest number, and its negative the smallest: 2^53-1.
///
/// Rule: RFC 8785 section 3.2.2.3; beyond it a reader that holds numbers as IEEE 754 doubles sees another one.
pub const NUMBER_MAX: u64 = 9_007_199_254_740_991;

/// A value that has no canonical form in the record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum WriteError {
    /// The value could not be turned into JSON at all.
    Serialise(String),
    /// A number with a fraction or exponent, or an integer beyond [`NUMBER_MAX`].
    Number(String),
    /// A key that is not printable ASCII, or holds `"` or `\`.
    Key(String),
    /// Nested deeper than [`DEPTH_MAX`].
    Depth,
}

impl fmt::Display for WriteError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Serialise(cause) => write!(f, "the value has no JSON form: {cause}"),
            Self::Number(number) => write!(f, "{number} is not an integer within 2^53-1; write it as a decimal string"),
            Self::Key(key) => write!(f, "the key {key:?} is not printable ASCII without '\"' and '\\'"),
            Self::Depth => write!(f, "the value is nested deeper than {DEPTH_MAX}"),
        }
    }
}

impl std::error::Error for WriteError {}

/// The canonical bytes of `value`.
///
/// A float that is not a number would arrive here as `null`, as JSON has no word for it; so no type of the record
/// holds a float, and every other float is refused.
///
/// Errors: [`WriteError`], where the value has no canonical form.
pub fn write<T: Serialize + ?Sized>(value: &T) -> Result<Vec<u8>, WriteError> {
    let value = serde_json::to_value(value).map_err(|error| WriteError::Serialise(error.to_string()))?;
    write_value(&value)
}

/// The canonical bytes of a JSON value.
///
/// Errors: [`WriteError`], where the value has no canonical form.
pub fn write_value(value: &Value) -> Result<Vec<u8>, WriteError> {
    let mut out = Vec::with_capacity(512);
    put(value, DEPTH_MAX, &mut out)?;
    Ok(out)
}

fn put(value: &Value, depth_left: usize, out: &mut Vec<u8>) -> Result<(), WriteError> {
    match value {
        Value::Null => out.extend_from_slice(b"null"),
        Value::Bool(true) => out.extend_from_slice(b"true"),
        Value::Bool(false) => out.extend_from_slice(b"false"),
        Value::Number(number) => put_number(number, out)?,
        Value::String(text) => put_string(text, out),
        Value::Array(items) => {
            let depth_left = depth_left.checked_sub(1).ok_or(WriteError::Depth)?;
            out.push(b'[');
            for (i, item) in items.iter().enumerate() {
                if i > 0 {
                    out.push(b',');
                }
                put(item, depth_left, out)?;
            }
            out.push(b']');
        }
        Value::Object(members) => {
            let depth_left = depth_left.checked_sub(1).ok_or(WriteError::Depth)?;
            // Sorted here too: another crate of the workspace may switch serde_json to insertion order. Byte order
            // is RFC 8785's UTF-16 order, since keys are ASCII.
            let mut members: Vec<(&String, &Value)> = members.iter().collect();
            members.sort_unstable_by_key(|(key, _)| *key);
            out.push(b'{');
            for (i, (key, item)) in members.into_iter().enumerate() {
                if i > 0 {
                    out.push(b',');
                }
                if !key.bytes().all(is_key_byte) {
                    return Err(WriteError::Key(key.clone()));
                }
                out.push(b'"');
                out.extend_from_slice(key.as_bytes());
                out.extend_from_slice(b"\":");
                put(item, depth_left, out)?;
            }
            out.push(b'}');
        }
    }
    Ok(())
}

fn put_number(number: &Number, out: &mut Vec<u8>) -> Result<(), WriteError> {
    let size = number.as_u64().or_else(|| number.as_i64().map(i64::unsigned_abs));
    if size.is_none_or(|size| size > NUMBER_MAX) {
        return Err(WriteError::Number(number.to_string()));
    }
    out.extend_from_slice(number.to_string().as_bytes());
    Ok(())
}

fn put_string(text: &str, out: &mut Vec<u8>) {
    out.push(b'"');
    for byte in text.bytes() {
        // Bytes of a longer character are all above 0x7F and pass through.
        match byte {
            b'"' => out.extend_from_slice(b"\\\""),
            b'\\' => out.extend_from_slice(b"\\\\"),
            0x08 => out.extend_from_slice(b"\\b"),
            0x09 => out.extend_from_slice(b"\\t"),
            0x0a => out.extend_from_slice(b"\\n"),
            0x0c => out.extend_from_slice(b"\\f"),
            0x0d => out.extend_from_slice(b"\\r"),
            0x00..=0x1f => out.extend_from_slice(format!("\\u{byte:04x}").as_bytes()),
            _ => out.push(byte),
        }
    }
    out.push(b'"');
}

fn is_key_byte(byte: u8) -> bool {
    (b' '..=b'~').contains(&byte) && byte != b'"' && byte != b'\\'
}

/// Where and why bytes are not canonical.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ScanError {
    /// Offset of the first byte that cannot stand there. Unit: bytes from the start of what was scanned.
    pub at: usize,
    /// What is wrong with it.
    pub what: &'static str,
}

impl fmt::Display for ScanError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "not canonical at byte {}: {}", self.at, self.what)
    }
}

impl std::error::Error for ScanError {}

/// Checks that `bytes` are the canonical form of one JSON value, and nothing else.
///
/// Errors: the first place that is not canonical. Rule: `FORMAT.md` section 1.
pub fn scan(bytes: &[u8]) -> Result<(), ScanError> {
    // Once over everything, so that the loops below need to look at ASCII only. It also refuses lone surrogates,
    // which UTF-8 cannot hold.
    if let Err(error) = std::str::from_utf8(bytes) {
        return Err(ScanError { at: error.valid_up_to(), what: "not UTF-8" });
    }
    let mut scan = Scan { rest: bytes, len: bytes.len() };
    scan.value(DEPTH_MAX)?;
    if scan.rest.is_empty() { Ok(()) } else { Err(scan.error("something stands after the value")) }
}

/// As [`scan`], and the value is an object.
///
/// Errors: the first place that is not canonical, or the start where it is no object.
pub fn scan_object(bytes: &[u8]) -> Result<(), ScanError> {
    if bytes.first() != Some(&b'{') {
        return Err(ScanError { at: 0, what: "not an object" });
    }
    scan(bytes)
}

/// As [`scan_object`], and of at most [`ENTRY_MAX`] bytes: the form of one entry.
///
/// Errors: the first place that is not canonical, or [`ENTRY_MAX`] where it is too long.
pub fn scan_entry(bytes: &[u8]) -> Result<(), ScanError> {
    if bytes.len() > ENTRY_MAX {
        return Err(ScanError { at: ENTRY_MAX, what: "longer than an entry may be" });
    }
    scan_object(bytes)
}

struct Scan<'a> {
    rest: &'a [u8],
    len: usize,
}

impl<'a> Scan<'a> {
    fn error(&self, what: &'static str) -> ScanError {
        ScanError { at: self.len.saturating_sub(self.rest.len()), what }
    }

    #[inline]
    fn take(&mut self, wanted: u8) -> bool {
        match self.rest.split_first() {
            Some((byte, rest)) if *byte == wanted => {
                self.rest = rest;
                true
            }
            _ => false,
        }
    }

    #[inline]
    fn skip(&mut self, count: usize) {
        self.rest = self.rest.get(count..).unwrap_or_default();
    }

    // Recursion is bounded by `DEPTH_MAX`.
    fn value(&mut self, depth_left: usize) -> Result<(), ScanError> {
        match self.rest.first() {
            Some(b'"') => {
                self.skip(1);
                self.string()
            }
            Some(b'{') => self.object(depth_left),
            Some(b'[') => self.array(depth_left),
            Some(b'-' | b'0'..=b'9') => self.number(),
            Some(b't') => self.word(b"true"),
            Some(b'f') => self.word(b"false"),
            Some(b'n') => self.word(b"null"),
            Some(b' ' | b'\t' | b'\n' | b'\r') => Err(self.error("white space")),
            Some(_) => Err(self.error("no value begins like this")),
            None => Err(self.error("a value is missing")),
        }
    }

    fn object(&mut self, depth_left: usize) -> Result<(), ScanError> {
        let Some(depth_left) = depth_left.checked_sub(1) else { return Err(self.error("nested too deep")) };
        self.skip(1);
        if self.take(b'}') {
            return Ok(());
        }
        let mut last: Option<&'a [u8]> = None;
        loop {
            let at = self.rest;
            if !self.take(b'"') {
                return Err(self.error("a key is missing"));
            }
            let key = self.key()?;
            if last.is_some_and(|last| last >= key) {
                self.rest = at;
                return Err(self.error("keys are not in ascending order, or one is there twice"));
            }
            last = Some(key);
            if !self.take(b':') {
                return Err(self.error("a colon is missing"));
            }
            self.value(depth_left)?;
            if self.take(b',') {
                continue;
            }
            return if self.take(b'}') { Ok(()) } else { Err(self.error("a comma or closing brace is missing")) };
        }
    }

    fn array(&mut self, depth_left: usize) -> Result<(), ScanError> {
        let Some(depth_left) = depth_left.checked_sub(1) else { return Err(self.error("nested too deep")) };
        self.skip(1);
        if self.take(b']') {
            return Ok(());
        }
        loop {
            self.value(depth_left)?;
            if self.take(b',') {
                continue;
            }
            return if self.take(b']') { Ok(()) } else { Err(self.error("a comma or closing bracket is missing")) };
        }
    }

    fn key(&mut self) -> Result<&'a [u8], ScanError> {
        let rest = self.rest;
        let len = rest.iter().position(|byte| !is_key_byte(*byte)).unwrap_or(rest.len());
        let (key, after) = rest.split_at_checked(len).unwrap_or((rest, &[]));
        self.rest = after;
        if self.take(b'"') {
            return Ok(key);
        }
        Err(self.error("a key is printable ASCII without '\"' and '\\'"))
    }

    // After the opening quote.
    fn string(&mut self) -> Result<(), ScanError> {
        loop {
            self.skip(plain_prefix(self.rest));
            match self.rest {
                [b'"', rest @ ..] => {
                    self.rest = rest;
                    return Ok(());
                }
                [b'\\', b'"' | b'\\' | b'b' | b't' | b'n' | b'f' | b'r', ..] => self.skip(2),
                [b'\\', b'u', b'0', b'0', b'0', b'0'..=b'7' | b'b' | b'e' | b'f', ..]
                | [b'\\', b'u', b'0', b'0', b'1', b'0'..=b'9' | b'a'..=b'f', ..] => self.skip(6),
                [b'\\', ..] => return Err(self.error("an escape that is not the shortest one, or none at all")),
                [_, ..] => return Err(self.error("a control character that is not escaped")),
                [] => return Err(self.error("a closing quote is missing")),
            }
        }
    }

    fn number(&mut self) -> Result<(), ScanError> {
        let start = self.rest;
        let negative = self.take(b'-');
        let digits = self.rest;
        let mut count = 0;
        let mut value: u64 = 0;
        while let Some((digit @ b'0'..=b'9', rest)) = self.rest.split_first() {
            self.rest = rest;
            count += 1;
            if count > 16 {
                break;
            }
            value = value * 10 + u64::from(digit - b'0');
        }
        let wrong = match (count, digits.first()) {
            (0, _) => "a number without digits",
            (2.., Some(b'0')) => "a number with a leading zero",
            (1, Some(b'0')) if negative => "zero with a sign",
            _ if count > 16 || value > NUMBER_MAX => "a number beyond 2^53-1",
            _ => return self.after_number(),
        };
        self.rest = start;
        Err(self.error(wrong))
    }

    fn after_number(&self) -> Result<(), ScanError> {
        match self.rest.first() {
            Some(b'.' | b'e' | b'E') => Err(self.error("a number with a fraction or exponent")),
            _ => Ok(()),
        }
    }

    fn word(&mut self, word: &'static [u8]) -> Result<(), ScanError> {
        match self.rest.strip_prefix(word) {
            Some(rest) => {
                self.rest = rest;
                Ok(())
            }
            None => Err(self.error("no value begins like this")),
        }
    }
}

/// How many bytes from the start are neither `"` nor `\` nor a control character.
///
/// Eight at a time: strings are most of an entry, and this loop is most of the scan.
#[inline]
fn plain_prefix(bytes: &[u8]) -> usize {
    const ONES: u64 = 0x0101_0101_0101_0101;
    const HIGHS: u64 = 0x8080_8080_8080_8080;
    let (words, tail) = bytes.as_chunks::<8>();
    let mut done = 0;
    for word in words {
        let word = u64::from_le_bytes(*word);
        let zero_where = |pattern: u8| {
            let x = word ^ (ONES * u64::from(pattern));
            x.wrapping_sub(ONES) & !x & HIGHS
        };
        let control = word.wrapping_sub(ONES * 0x20) & !word & HIGHS;
        // A borrow can only raise a false mark above a true one, so the lowest mark is always true.
        let marks = control | zero_where(b'"') | zero_where(b'\\');
        if marks != 0 {
            return done + (marks.trailing_zeros() / 8) as usize;
        }
        done += 8;
    }
    done + tail.iter().position(|byte| matches!(byte, 0x00..=0x1f | b'"' | b'\\')).unwrap_or(tail.len())
}

/// Base64 with padding. Rule: RFC 4648 section 4.
pub fn base64(bytes: impl AsRef<[u8]>) -> String {
    STANDARD.encode(bytes)
}

/// The bytes of a padded base64 text; `None` for any text that [`base64()`] would not have made: white space, missing
/// padding, pad bits that are not zero.
pub fn unbase64(text: impl AsRef<[u8]>) -> Option<Vec<u8>> {
    STANDARD.decode(text).ok()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::json;

    use super::*;

    fn vectors() -> Value {
        serde_json::from_str(include_str!("../vectors/record-format.json")).unwrap()
    }

    fn texts(name: &str) -> Vec<String> {
        vectors()[name].as_array().unwrap().iter().map(|text| text.as_str().unwrap().to_owned()).collect()
    }

    #[test]
    fn every_entry_of_the_known_answers_is_canonical_and_is_written_the_same() {
        let entries = texts("entries");
        assert_eq!(entries.len(), 9);
        for entry in entries {
            assert_eq!(scan_entry(entry.as_bytes()), Ok(()), "{entry}");
            let value: Value = serde_json::from_str(&entry).unwrap();
            assert_eq!(String::from_utf8(write_value(&value).unwrap()).unwrap(), entry);
        }
    }

    #[test]
    fn every_text_of_the_known_answers_that_is_not_canonical_is_refused() {
        let bad = texts("not_canonical");
        assert_eq!(bad.len(), 12);
        for text in bad {
            assert!(scan(text.as_bytes()).is_err(), "{text}");
        }
    }

    #[test]
    fn the_string_and_literals_of_rfc_8785_are_written_as_there() {
        // RFC 8785 section 3.2.2, without its numbers that are no integers.
        let value: Value = serde_json::from_str(
            r#"{"string":"\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/","literals":[null,true,false]}"#,
        )
        .unwrap();
        let wanted = "{\"literals\":[null,true,false],\"string\":\"€$\\u000f\\nA'B\\\"\\\\\\\\\\\"/\"}";
        assert_eq!(String::from_utf8(write_value(&value).unwrap()).unwrap(), wanted);
        assert_eq!(scan(wanted.as_bytes()), Ok(()));
    }

    #[track_caller]
    fn refused(text: impl AsRef<[u8]>, at: usize) {
        let text = text.as_ref();
        let shown = String::from_utf8_lossy(text).into_owned();
        assert_eq!(scan(text).map_err(|error| error.at), Err(at), "{shown}");
    }

    #[test]
    fn each_rule_is_refused_at_the_place_where_it_is_broken() {
        refused("", 0);
        refused("{", 1);
        refused("{\"a\"", 4);
        refused("{\"a\":", 5);
        refused("{\"a\":1", 6);
        refused("{\"a\":1,}", 7);
        refused("{\"a\":1,\"a\":2}", 7);
        refused("{\"b\":1,\"a\":2}", 7);
        refused("{\"ab\":1,\"a\":2}", 8);
        refused("{\"a\":1]", 6);
        refused("{a:1}", 1);
        refused("{\"a\\n\":1}", 3);
        refused("{\"a\u{7f}\":1}", 3);
        refused("[1,]", 3);
        refused("[1 ,2]", 2);
        refused("[1", 2);
        refused("\"a", 2);
        refused("\"\n\"", 1);
        refused("\"\\/\"", 1);
        refused("\"\\u000a\"", 1);
        refused("\"\\u001F\"", 1);
        refused("\"\\u0020\"", 1);
        refused("\"\\u0008\"", 1);
        refused("\"\\", 1);
        refused("\"\\u00", 1);
        refused("-", 0);
        refused("-0", 0);
        refused("-01", 0);
        refused("00", 0);
        refused("+1", 0);
        refused("1.0", 1);
        refused("1e3", 1);
        refused("9007199254740992", 0);
        refused("-9007199254740992", 0);
        refused("10000000000000000", 0);
        refused("9999999999999999999999999999", 0);
        refused("tru", 0);
        refused("nul1", 0);
        refused("True", 0);
        refused("NaN", 0);
        refused("1 ", 1);
        refused("{}\n", 2);
        refused(" {}", 0);
        refused(b"\xef\xbb\xbf{}", 0);
        refused(b"\"\xed\xa0\x80\"", 1);
        refused(b"\"\xc0\x80\"", 1);
        refused(b"\"\xff\"", 1);
    }

    #[test]
    fn what_may_stand_may_stand() {
        for text in [
            "{}",
            "[]",
            "\"\"",
            "0",
            "-1",
            "9007199254740991",
            "-9007199254740991",
            "{\"\":0,\" \":0,\"A\":0,\"~\":0}",
            "\"\u{7f}\u{2028}\u{fffe}\u{10ffff}\"",
            "\"\\u0000\\u0007\\b\\t\\n\\u000b\\f\\r\\u000e\\u001f\\\"\\\\/\"",
        ] {
            assert_eq!(scan(text.as_bytes()), Ok(()), "{text}");
            let value: Value = serde_json::from_str(text).unwrap();
            assert_eq!(String::from_utf8(write_value(&value).unwrap()).unwrap(), text);
        }
    }

    #[test]
    fn depth_ends_at_sixteen_for_the_writer_and_the_scan() {
        let nested = |depth: usize| format!("{}{}", "[".repeat(depth), "]".repeat(depth));
        let mixed = |depth: usize| format!("{}1{}", "{\"a\":".repeat(depth), "}".repeat(depth));
        for text in [nested(16), mixed(16)] {
            assert_eq!(scan(text.as_bytes()), Ok(()));
            assert!(write_value(&serde_json::from_str(&text).unwrap()).is_ok());
        }
        for text in [nested(17), mixed(17)] {
            assert_eq!(scan(text.as_bytes()).unwrap_err().what, "nested too deep");
            assert_eq!(write_value(&serde_json::from_str(&text).unwrap()), Err(WriteError::Depth));
        }
        // Far beyond any stack.
        assert!(scan("[".repeat(10_000_000).as_bytes()).is_err());
    }

    #[test]
    fn the_writer_refuses_what_has_no_canonical_form_here() {
        for number in [json!(1.5), json!(1e3), json!(9_007_199_254_740_992_u64), json!(i64::MIN), json!(u64::MAX)] {
            assert!(matches!(write_value(&number), Err(WriteError::Number(_))), "{number}");
        }
        for key in ["é", "\"", "\\", "\n", "\u{7f}"] {
            assert_eq!(write_value(&json!({ key: 1 })), Err(WriteError::Key(key.to_owned())));
        }
        assert!(matches!(write(&std::collections::BTreeMap::from([((1, 2), 3)])), Err(WriteError::Serialise(_))));
    }

    #[test]
    fn an_entry_is_an_object_of_at_most_256_kib() {
        assert_eq!(scan_object(b"[]"), Err(ScanError { at: 0, what: "not an object" }));
        assert_eq!(scan_object(b""), Err(ScanError { at: 0, what: "not an object" }));
        let of_len = |len: usize| format!("{{\"a\":\"{}\"}}", "x".repeat(len - 8));
        assert_eq!(scan_entry(of_len(262_144).as_bytes()), Ok(()));
        assert_eq!(scan_entry(of_len(262_145).as_bytes()).map_err(|error| error.at), Err(262_144));
        assert_eq!(scan_object(of_len(262_145).as_bytes()), Ok(()));
    }

    #[test]
    fn base64_has_one_form() {
        // RFC 4648 section 10.
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain), coded);
            assert_eq!(unbase64(coded).as_deref(), Some(plain.as_bytes()));
        }
        for bad in ["Zg", "Zg=", "Zh==", "Zm9=", "Z g==", "Zg==\n", "Zm9v Yg==", "Zg===", "Zm9vYg==Zg==", "_-8="] {
            assert_eq!(unbase64(bad), None, "{bad}");
        }
    }

    #[test]
    fn a_refusal_says_what_is_wrong_and_where() {
        assert_eq!(
            scan(b"[1 ]").unwrap_err().to_string(),
            "not canonical at byte 2: a comma or closing bracket is missing"
        );
        let said = |value: Value| write_value(&value).unwrap_err().to_string();
        assert!(said(json!(1.5)).contains("1.5 is not an integer"));
        assert!(said(json!({ "é": 1 })).contains("\"é\""));
        assert!(said(serde_json::from_str(&format!("{}{}", "[".repeat(17), "]".repeat(17))).unwrap()).contains("16"));
        let keys = write(&std::collections::BTreeMap::from([((1, 2), 3)])).unwrap_err().to_string();
        assert!(keys.contains("key must be a string"), "{keys}");
    }

    fn any_value() -> impl Strategy<Value = Value> {
        let limit = i64::try_from(NUMBER_MAX).unwrap();
        let text = prop_oneof![any::<String>(), "[\\x00-\\x22\\\\é\u{10ffff}]{0,12}"];
        let leaf = prop_oneof![
            Just(Value::Null),
            any::<bool>().prop_map(Value::from),
            prop_oneof![-limit..=limit, -20..20_i64].prop_map(Value::from),
            text.prop_map(Value::from),
        ];
        leaf.prop_recursive(6, 64, 6, |inner| {
            prop_oneof![
                prop::collection::vec(inner.clone(), 0..6).prop_map(Value::from),
                prop::collection::btree_map("[ -!#-\\[\\]-~]{0,6}", inner, 0..6)
                    .prop_map(|map| Value::Object(map.into_iter().collect())),
            ]
        })
    }

    proptest! {
        #[test]
        fn the_writer_agrees_with_an_independent_one_and_passes_the_scan(value in any_value()) {
            let bytes = write_value(&value).unwrap();
            prop_assert_eq!(&bytes, &serde_json_canonicalizer::to_vec(&value).unwrap());
            prop_assert_eq!(scan(&bytes), Ok(()));
        }

        #[test]
        fn any_bytes_are_scanned_without_panic(bytes in any::<Vec<u8>>()) {
            let _ = scan_entry(&bytes);
        }

        // Whatever passes the scan is exactly what the writer would have written: nothing slips through.
        #[test]
        fn what_passes_the_scan_is_what_the_writer_writes(
            value in any_value(),
            edits in prop::collection::vec((any::<prop::sample::Index>(), prop::sample::select(
                b"{}[]\",:\\u0019-abdtnrfe. \n\x00\x1f\x7f\x80\xc3\xa9\xff".to_vec(),
            ), 0..3_u8), 1..4),
        ) {
            let mut bytes = write_value(&value).unwrap();
            for (place, byte, what) in edits {
                if bytes.is_empty() {
                    break;
                }
                let at = place.index(bytes.len());
                match what {
                    0 => bytes[at] = byte,
                    1 => bytes.insert(at, byte),
                    _ => drop(bytes.remove(at)),
                }
            }
            if scan(&bytes).is_ok() {
                let value: Value = serde_json::from_slice(&bytes).unwrap();
                prop_assert_eq!(write_value(&value).unwrap(), bytes);
            }
        }

        #[test]
        fn eight_at_a_time_finds_the_same_byte_as_one_at_a_time(
            bytes in prop::collection::vec(prop_oneof![Just(b'a'), Just(0x80), Just(0x20), any::<u8>()], 0..40),
        ) {
            let wanted = bytes.iter().position(|b| matches!(b, 0..=0x1f | b'"' | b'\\')).unwrap_or(bytes.len());
            prop_assert_eq!(plain_prefix(&bytes), wanted);
        }

        #[test]
        fn base64_comes_back(bytes in any::<Vec<u8>>()) {
            prop_assert_eq!(unbase64(base64(&bytes)), Some(bytes));
        }
    }
}
