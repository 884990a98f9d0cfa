//! The objects of a PDF, read strictly: one way to write each, no comments, nothing left over.
//!
//! Rule: ISO 32000-1 section 7.3, without what no record's PDF has.

use std::collections::BTreeMap;

/// Objects nest at most so deep.
const DEPTH: u8 = 32;

/// One value.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Value {
    Null,
    Bool(bool),
    /// Whole numbers only; what has a fraction is looked at no further.
    Number(Option<u64>),
    Name(Vec<u8>),
    Text(Vec<u8>),
    List(Vec<Self>),
    Dict(Dict),
    /// Of generation 0.
    Reference(u64),
}

/// Names to values. A name that is there twice is refused.
pub(super) type Dict = BTreeMap<Vec<u8>, Value>;

/// Bytes that are read from a place onwards.
#[derive(Clone)]
pub(super) struct Reader<'a> {
    bytes: &'a [u8],
    pub(super) at: usize,
}

/// What was wanted, and where it was not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Broken(pub(super) usize, pub(super) &'static str);

type Result<T> = std::result::Result<T, Broken>;

const fn is_space(byte: u8) -> bool {
    matches!(byte, b'\n' | b'\r' | b' ' | b'\t')
}

const fn is_regular(byte: u8) -> bool {
    matches!(byte, 0x21..=0x7e) && !matches!(byte, b'(' | b')' | b'<' | b'>' | b'[' | b']' | b'{' | b'}' | b'/' | b'%')
}

impl<'a> Reader<'a> {
    pub(super) fn new(bytes: &'a [u8], at: usize) -> Self {
        Self { bytes, at }
    }

    pub(super) fn rest(&self) -> &'a [u8] {
        self.bytes.get(self.at..).unwrap_or_default()
    }

    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    pub(super) fn broken<T>(&self, what: &'static str) -> Result<T> {
        Err(Broken(self.at, what))
    }

    /// Skips white space.
    pub(super) fn space(&mut self) {
        while self.peek().is_some_and(is_space) {
            self.at += 1;
        }
    }

    /// True where these bytes stood here, which are then behind.
    pub(super) fn eat(&mut self, wanted: &[u8]) -> bool {
        let there = self.rest().starts_with(wanted);
        if there {
            self.at += wanted.len();
        }
        there
    }

    pub(super) fn want(&mut self, wanted: &[u8], what: &'static str) -> Result<()> {
        if self.eat(wanted) { Ok(()) } else { self.broken(what) }
    }

    /// A whole number without a sign.
    pub(super) fn number(&mut self) -> Result<u64> {
        let digits = self.rest().iter().take_while(|byte| byte.is_ascii_digit()).count();
        let text = self.rest().get(..digits).and_then(|digits| std::str::from_utf8(digits).ok());
        match text.and_then(|text| text.parse().ok()) {
            Some(number) => {
                self.at += digits;
                Ok(number)
            }
            None => self.broken("a number is wanted"),
        }
    }

    /// Any value.
    pub(super) fn value(&mut self) -> Result<Value> {
        self.nested(0)
    }

    fn nested(&mut self, depth: u8) -> Result<Value> {
        if depth > DEPTH {
            return self.broken("objects nest too deep");
        }
        self.space();
        match self.peek() {
            Some(b'/') => self.name().map(Value::Name),
            Some(b'(') => self.literal().map(Value::Text),
            Some(b'[') => self.list(depth),
            Some(b'<') if self.rest().starts_with(b"<<") => self.dict(depth).map(Value::Dict),
            Some(b'<') => self.hex().map(Value::Text),
            Some(byte) if byte.is_ascii_digit() => self.number_or_reference(),
            Some(b'+' | b'-' | b'.') => self.real(),
            _ if self.word(b"true") => Ok(Value::Bool(true)),
            _ if self.word(b"false") => Ok(Value::Bool(false)),
            _ if self.word(b"null") => Ok(Value::Null),
            _ => self.broken("no object stands here"),
        }
    }

    /// A word that ends here.
    fn word(&mut self, word: &[u8]) -> bool {
        let ends = self.rest().get(word.len()).is_none_or(|byte| !is_regular(*byte));
        ends && self.eat(word)
    }

    fn number_or_reference(&mut self) -> Result<Value> {
        let start = self.at;
        let number = self.number();
        if self.peek() == Some(b'.') || number.is_err() {
            self.at = start;
            return self.real();
        }
        let after = self.at;
        if self.eat(b" 0 R") && self.peek().is_none_or(|byte| !is_regular(byte)) {
            return number.map(Value::Reference);
        }
        self.at = after;
        if self.peek().is_some_and(is_regular) {
            return self.broken("a number does not end");
        }
        number.map(|number| Value::Number(Some(number)))
    }

    fn real(&mut self) -> Result<Value> {
        let length = self.rest().iter().take_while(|byte| is_regular(**byte)).count();
        let text = self.rest().get(..length).unwrap_or_default();
        let digits = text.iter().skip(usize::from(matches!(text.first(), Some(b'+' | b'-'))));
        let plain = digits.clone().all(|byte| byte.is_ascii_digit() || *byte == b'.')
            && digits.clone().filter(|byte| **byte == b'.').count() <= 1
            && digits.clone().any(u8::is_ascii_digit);
        if !plain {
            return self.broken("a number is wanted");
        }
        self.at += length;
        Ok(Value::Number(None))
    }

    fn name(&mut self) -> Result<Vec<u8>> {
        self.want(b"/", "a name is wanted")?;
        let mut name = Vec::new();
        while let Some(byte) = self.peek().filter(|byte| is_regular(*byte)) {
            self.at += 1;
            if byte != b'#' {
                name.push(byte);
                continue;
            }
            let code = self.rest().get(..2).and_then(|hex| std::str::from_utf8(hex).ok());
            let Some(code) = code.and_then(|hex| u8::from_str_radix(hex, 16).ok()) else {
                return self.broken("two hex digits are wanted behind #");
            };
            self.at += 2;
            name.push(code);
        }
        Ok(name)
    }

    fn literal(&mut self) -> Result<Vec<u8>> {
        self.want(b"(", "a string is wanted")?;
        let (mut text, mut open) = (Vec::new(), 1_u32);
        loop {
            let Some(byte) = self.peek() else { return self.broken("a string does not end") };
            self.at += 1;
            match byte {
                b'(' => open += 1,
                b')' if open == 1 => return Ok(text),
                b')' => open -= 1,
                b'\\' => {
                    let Some(escaped) = self.escaped()? else { continue };
                    text.push(escaped);
                    continue;
                }
                _ => {}
            }
            text.push(byte);
        }
    }

    fn escaped(&mut self) -> Result<Option<u8>> {
        let Some(byte) = self.peek() else { return self.broken("a string does not end") };
        self.at += 1;
        Ok(Some(match byte {
            b'n' => b'\n',
            b'r' => b'\r',
            b't' => b'\t',
            b'b' => 0x08,
            b'f' => 0x0c,
            b'(' | b')' | b'\\' => byte,
            b'0'..=b'7' => {
                let mut code = u32::from(byte - b'0');
                for _ in 0..2 {
                    let Some(digit @ b'0'..=b'7') = self.peek() else { break };
                    self.at += 1;
                    code = code * 8 + u32::from(digit - b'0');
                }
                match u8::try_from(code) {
                    Ok(code) => code,
                    Err(_) => return self.broken("a character is out of range"),
                }
            }
            _ => return self.broken("an escape is not known"),
        }))
    }

    fn hex(&mut self) -> Result<Vec<u8>> {
        self.want(b"<", "a string is wanted")?;
        let end = self.rest().iter().position(|byte| *byte == b'>');
        let text = end.and_then(|end| std::str::from_utf8(self.rest().get(..end)?).ok());
        let Some(text) = text.filter(|text| text.len() % 2 == 0 && text.bytes().all(|byte| byte.is_ascii_hexdigit()))
        else {
            return self.broken("hex digits in pairs are wanted");
        };
        self.at += text.len() + 1;
        let pairs = text.as_bytes().chunks_exact(2).filter_map(|pair| std::str::from_utf8(pair).ok());
        Ok(pairs.filter_map(|pair| u8::from_str_radix(pair, 16).ok()).collect())
    }

    fn list(&mut self, depth: u8) -> Result<Value> {
        self.want(b"[", "a list is wanted")?;
        let mut list = Vec::new();
        loop {
            self.space();
            if self.eat(b"]") {
                return Ok(Value::List(list));
            }
            list.push(self.nested(depth + 1)?);
        }
    }

    pub(super) fn dict(&mut self, depth: u8) -> Result<Dict> {
        self.want(b"<<", "a dictionary is wanted")?;
        let mut dict = Dict::new();
        loop {
            self.space();
            if self.eat(b">>") {
                return Ok(dict);
            }
            let name = self.name()?;
            let value = self.nested(depth + 1)?;
            if dict.insert(name, value).is_some() {
                return self.broken("a dictionary has a name twice");
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Value> {
        let mut reader = Reader::new(text.as_bytes(), 0);
        let value = reader.value()?;
        reader.space();
        if reader.rest().is_empty() { Ok(value) } else { reader.broken("left over") }
    }

    #[test]
    fn objects_are_read_as_the_standard_writes_them() {
        // ISO 32000-1 sections 7.3.2 to 7.3.10: its forms, with values of our own.
        let dict = read("<</A 12/B(a\\(b\\)(c)\\101)/C[1 0 R -.5 +17 true null]/D#20E<4a4B>/F<</G/H>>>>").unwrap();
        let Value::Dict(dict) = dict else { panic!() };
        assert_eq!(dict[&b"A"[..]], Value::Number(Some(12)));
        assert_eq!(dict[&b"B"[..]], Value::Text(b"a(b)(c)A".to_vec()));
        let list = [Value::Reference(1), Value::Number(None), Value::Number(None), Value::Bool(true), Value::Null];
        assert_eq!(dict[&b"C"[..]], Value::List(list.to_vec()));
        assert_eq!(dict[&b"D E"[..]], Value::Text(b"JK".to_vec()));
        assert_eq!(dict[&b"F"[..]], Value::Dict(Dict::from([(b"G".to_vec(), Value::Name(b"H".to_vec()))])));
    }

    #[test]
    fn what_could_be_read_in_two_ways_is_refused() {
        for text in [
            "",
            "<<",
            "<</A 1/A 2>>",
            "<</A>>",
            "[1",
            "(a",
            "(\\8)",
            "<4>",
            "<4x>",
            "1.2.3",
            "12a",
            "truex",
            "nul",
            "% c\n1",
            "-",
            "1 0 Rx",
            "/A#4",
            "{}",
            "99999999999999999999 0 R",
        ] {
            assert!(read(text).is_err(), "{text}");
        }
        assert!(read(&"[".repeat(100_000)).is_err());
    }
}
