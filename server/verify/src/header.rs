//! The header of an entry, read quickly where it is as plain as nearly all are, and by `schema` everywhere else.
//!
//! Bytes that passed the scan have their fields in one order, so nothing has to be looked for. What the quick way does
//! not take is no fault: it is read by [`Header::read`], which alone says what an entry is.

use serde_json::value::RawValue;
use tallyseal_schema::Time;
use tallyseal_schema::entry::{EntryError, Header};

/// The header of one entry, as text where it is only compared.
#[derive(Debug)]
pub(crate) struct Lean<'a> {
    pub(crate) act: Option<&'a str>,
    pub(crate) at: Time,
    pub(crate) body: &'a RawValue,
    pub(crate) book: &'a str,
    /// JSON that nobody has read yet.
    pub(crate) by: &'a str,
    pub(crate) kind: &'a str,
    pub(crate) n: u64,
    pub(crate) late: bool,
    pub(crate) prev: &'a str,
    pub(crate) rev: u64,
    pub(crate) stream: &'a str,
    pub(crate) v: u32,
    pub(crate) reasoned: bool,
}

/// A header read either way.
pub(crate) enum Read<'a> {
    Lean(Lean<'a>),
    Full(Box<Header>, &'a RawValue),
}

/// Reads the header of bytes that passed the scan. Errors: as [`Header::read`].
pub(crate) fn read(bytes: &[u8]) -> Result<Read<'_>, EntryError> {
    match lean(bytes) {
        Some(lean) => Ok(Read::Lean(lean)),
        None => Header::read(bytes).map(|(header, body)| Read::Full(Box::new(header), body)),
    }
}

/// The quick way: shapes of names are left to whoever meets them first.
fn lean(bytes: &[u8]) -> Option<Lean<'_>> {
    let mut rest = Rest(bytes);
    rest.eat(b"{")?;
    let mut act = None;
    if rest.eat(b"\"act\":\"").is_some() {
        act = Some(rest.fixed::<36>(b",")?);
    }
    rest.eat(b"\"at\":\"")?;
    let at = rest.fixed::<27>(b",\"body\":")?;
    let body = rest.value(b",\"book\":\"")?;
    let book = rest.text(b",\"by\":")?;
    let by = rest.flat(b",\"kind\":\"")?;
    let kind = rest.text(b",\"n\":")?;
    let n = rest.number()?;
    let late = rest.eat(b",\"occurred\":\"").is_some();
    if late {
        rest.fixed::<27>(b"")?.parse::<Time>().ok()?;
    }
    rest.eat(b",\"prev\":\"")?;
    let prev = rest.fixed::<64>(b",\"rev\":")?;
    let rev = rest.number().filter(|rev| *rev > 0)?;
    rest.eat(b",\"stream\":\"")?;
    let stream = rest.text(b",\"v\":")?;
    let v = u32::try_from(rest.number()?).ok().filter(|v| *v > 0)?;
    let reasoned = rest.eat(b",\"why\":\"").is_some();
    if reasoned {
        rest.skip_string()?;
    }
    let plain = rest.0 == b"}" && body.get().starts_with('{') && is_kind(kind);
    plain.then(|| {
        Some(Lean { act, at: at.parse().ok()?, body, book, by, kind, n, late, prev, rev, stream, v, reasoned })
    })?
}

fn is_kind(text: &str) -> bool {
    let word = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_lowercase() || b == b'_');
    text.split_once('.').is_some_and(|(subject, verb)| word(subject) && word(verb))
}

/// What is left to read.
struct Rest<'a>(&'a [u8]);

impl<'a> Rest<'a> {
    fn eat(&mut self, wanted: &[u8]) -> Option<()> {
        self.0 = self.0.strip_prefix(wanted)?;
        Some(())
    }

    /// The rest of a string without escapes, its closing quote, and `after` it.
    fn text(&mut self, after: &[u8]) -> Option<&'a str> {
        let end = self.0.iter().position(|byte| *byte == b'"')?;
        let (text, rest) = self.0.split_at_checked(end)?;
        if text.contains(&b'\\') {
            return None;
        }
        self.0 = rest;
        self.eat(b"\"")?;
        self.eat(after)?;
        std::str::from_utf8(text).ok()
    }

    /// As [`Self::text`], of a string of `LEN` bytes. What stands in it is parsed by whoever gets it, so a quote or an
    /// escape in it is seen there.
    fn fixed<const LEN: usize>(&mut self, after: &[u8]) -> Option<&'a str> {
        let (text, rest) = self.0.split_first_chunk::<LEN>()?;
        self.0 = rest;
        self.eat(b"\"")?;
        self.eat(after)?;
        std::str::from_utf8(text).ok()
    }

    fn number(&mut self) -> Option<u64> {
        let end = self.0.iter().position(|byte| !byte.is_ascii_digit())?;
        let (digits, rest) = self.0.split_at_checked(end)?;
        self.0 = rest;
        std::str::from_utf8(digits).ok()?.parse().ok()
    }

    /// The rest of a string, whatever stands in it, and its closing quote.
    fn skip_string(&mut self) -> Option<()> {
        loop {
            let at = self.0.iter().position(|byte| matches!(byte, b'"' | b'\\'))?;
            let rest = self.0.get(at..)?;
            match rest {
                [b'"', rest @ ..] => {
                    self.0 = rest;
                    return Some(());
                }
                [_, _, rest @ ..] => self.0 = rest,
                _ => return None,
            }
        }
    }

    /// An object without another in it, and `after` it. Inside a string a quote is escaped, so `after`, which has one,
    /// stands only where a key does.
    fn flat(&mut self, after: &[u8]) -> Option<&'a str> {
        let mut end = 0;
        loop {
            end += self.0.get(end..)?.iter().position(|byte| *byte == b'}')? + 1;
            let (object, rest) = self.0.split_at_checked(end)?;
            if let Some(rest) = rest.strip_prefix(after) {
                self.0 = rest;
                return std::str::from_utf8(object).ok();
            }
        }
    }

    /// A value of any kind and `after` it.
    fn value(&mut self, after: &[u8]) -> Option<&'a RawValue> {
        let mut values = serde_json::Deserializer::from_slice(self.0).into_iter::<&RawValue>();
        let value = values.next()?.ok()?;
        self.0 = self.0.get(values.byte_offset()..)?;
        self.eat(after)?;
        Some(value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAIN: &str = concat!(
        r#"{"act":"00000000-0000-4000-8000-000000000001","at":"2026-03-02T06:00:00.000000Z","body":{"text":"a \"b\""},"#,
        r#""book":"a.example","by":{"system":"book"},"kind":"remark.made","n":12,"occurred":"2026-03-02T05:00:00.000000Z","#,
        r#""prev":"abababababababababababababababababababababababababababababababab","rev":3,"stream":"roll/R-1","v":1,"#,
        r#""why":"late \\"}"#
    );

    /// What the quick way takes, `schema` takes too, and both see the same.
    #[track_caller]
    fn agree(text: &str) -> bool {
        let Some(lean) = lean(text.as_bytes()) else { return false };
        if tallyseal_schema::canonical::scan_entry(text.as_bytes()).is_err() {
            return false;
        }
        // Names are parsed by whoever meets them first; where they are not of their form, `schema` refuses them here.
        let names = lean.prev.parse::<tallyseal_schema::Hash>().is_ok()
            && lean.stream.parse::<tallyseal_schema::ids::Stream>().is_ok()
            && lean.book.parse::<tallyseal_schema::BookName>().is_ok()
            && lean.act.is_none_or(|act| act.parse::<tallyseal_schema::Act>().is_ok())
            && serde_json::from_str::<tallyseal_schema::By>(lean.by).is_ok();
        match Header::read(text.as_bytes()) {
            Ok((header, body)) => {
                assert!(names, "{text}");
                assert_eq!(lean.act, header.act.as_ref().map(|act| act.as_str()));
                assert_eq!((lean.at, lean.n, lean.rev, lean.v), (header.at, header.n, header.rev, header.v));
                assert_eq!(
                    (lean.book, lean.kind, lean.stream),
                    (header.book.as_str(), header.kind.as_str(), header.stream.as_str())
                );
                assert_eq!((lean.late, lean.reasoned), (header.occurred.is_some(), header.why.is_some()));
                assert_eq!((lean.prev, lean.body.get()), (header.prev.hex().as_str(), body.get()));
                assert_eq!(serde_json::from_str::<tallyseal_schema::By>(lean.by).unwrap(), header.by);
            }
            Err(error) => assert!(!names, "{text}: {error}"),
        }
        true
    }

    #[test]
    fn both_ways_see_the_same_header() {
        assert!(agree(PLAIN));
        for (from, to) in [
            (r#""act":"00000000-0000-4000-8000-000000000001","#, ""),
            (r#","occurred":"2026-03-02T05:00:00.000000Z""#, ""),
            (r#","why":"late \\""#, ""),
            (
                r#"{"system":"book"}"#,
                r#"{"account":"U-1","device":"D-1","name":"A \"B\"","role":"line","session":"S-1"}"#,
            ),
            ("roll/R-1", "roll/r-1"),
            ("a.example", "A"),
            (r#""n":12"#, r#""n":0"#),
        ] {
            assert!(agree(&PLAIN.replace(from, to)), "{to}");
        }
        for (from, to) in [
            (r#""rev":3"#, r#""rev":0"#),
            (r#""v":1"#, r#""v":4294967296"#),
            (r#""n":12"#, r#""n":-1"#),
            ("remark.made", "remark"),
            (r#"{"text":"a \"b\""}"#, "7"),
            ("2026-03-02T06", "2026-02-30T06"),
            (r#""act":"00000000-0000-4000-8000-000000000001""#, r#""act":null"#),
            (r#""book":"a.example""#, r#""book":"a\\example""#),
        ] {
            assert!(!agree(&PLAIN.replace(from, to)), "{to}");
        }
    }

    #[test]
    fn a_field_more_is_left_to_schema_wherever_it_stands() {
        for (from, to) in [
            (r#""why":"late \\""#, r#""why":"late","x":"y""#),
            (r#""v":1,"#, r#""v":1,"w":2,"#),
            (r#"{"act""#, r#"{"aaa":1,"act""#),
        ] {
            assert!(!agree(&PLAIN.replace(from, to)), "{to}");
        }
        // An author that has more than it may, or something behind it: the quick way takes the text, and whoever reads
        // it refuses it.
        assert!(agree(&PLAIN.replace(r#","kind""#, r#","c":{},"kind""#)));
        assert!(agree(&PLAIN.replace(r#"{"system":"book"}"#, r#"{"book":"a","system":"},\"kind\":\""}"#)));
        assert!(agree(&PLAIN.replace(r#"{"system":"book"}"#, r#"{"system":"},\"kind\":\""}"#)));
    }

    #[test]
    fn no_single_changed_byte_makes_the_ways_differ() {
        let mut taken = 0;
        for at in 0..PLAIN.len() {
            for byte in [b'"', b'\\', b'}', b'{', b',', b'0', b'9', b'a', b'Z', b' ', b'-'] {
                let mut bytes = PLAIN.as_bytes().to_vec();
                bytes[at] = byte;
                taken += usize::from(agree(std::str::from_utf8(&bytes).unwrap()));
            }
        }
        assert!(taken > 500, "{taken}");
    }
}
