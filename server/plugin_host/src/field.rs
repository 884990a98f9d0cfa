//! From the bytes of named groups to the values of an observation.

use std::borrow::Cow;
use std::collections::BTreeMap;

use regex::bytes::CaptureLocations;

use crate::declaration::{Encoding, Order};
use crate::escape::escaped;

/// One frame that a rule's pattern matched.
pub struct Matched<'a> {
    pub frame: &'a [u8],
    pub found: &'a CaptureLocations,
    pub encoding: Encoding,
}

/// The groups of a pattern that make one value: their numbers, in the order in which their bytes are put together.
#[derive(Debug)]
pub struct Groups(pub Vec<usize>);

impl Groups {
    /// The bytes; `None` where a group took no part in the match.
    pub fn bytes<'a>(&self, matched: &Matched<'a>) -> Option<Cow<'a, [u8]>> {
        let one = |group: usize| {
            let (from, to) = matched.found.get(group)?;
            matched.frame.get(from..to)
        };
        match self.0.as_slice() {
            [group] => one(*group).map(Cow::Borrowed),
            several => {
                let parts: Option<Vec<&[u8]>> = several.iter().map(|group| one(*group)).collect();
                parts.map(|parts| Cow::Owned(parts.concat()))
            }
        }
    }
}

/// How the digits of a number are written.
#[derive(Debug, Clone, Copy)]
pub enum Digits {
    /// In ASCII digits of this base.
    Radix(u32),
    /// As the bytes of the number.
    Raw(Order),
}

/// Where a number comes from.
#[derive(Debug)]
pub enum Number {
    /// From the declaration.
    Constant(u32),
    /// From digits, within a range.
    Integer { groups: Groups, min: u32, max: u32, digits: Digits },
    /// From words that each stand for a number.
    Map { groups: Groups, map: BTreeMap<Vec<u8>, u32> },
}

impl Number {
    /// The number; `Ok(None)` where a group took no part. Errors: what is wrong, to follow the field's name.
    pub fn read(&self, matched: &Matched<'_>) -> Result<Option<u32>, String> {
        match self {
            Self::Constant(number) => Ok(Some(*number)),
            Self::Integer { groups, min, max, digits } => {
                let Some(bytes) = groups.bytes(matched) else { return Ok(None) };
                let number = digits.number(&bytes)?;
                match u32::try_from(number) {
                    Ok(number) if number < *min => Err(format!("is {number}, less than {min}")),
                    Ok(number) if number <= *max => Ok(Some(number)),
                    _ => Err(format!("is {number}, more than {max}")),
                }
            }
            Self::Map { groups, map } => {
                let Some(bytes) = groups.bytes(matched) else { return Ok(None) };
                map.get(bytes.as_ref()).map_or_else(|| Err(not_declared(&bytes)), |number| Ok(Some(*number)))
            }
        }
    }
}

impl Digits {
    fn number(self, bytes: &[u8]) -> Result<u64, String> {
        match self {
            Self::Raw(order) if bytes.len() <= 8 => Ok(order.number(bytes)),
            Self::Raw(_) => Err(format!("has {} bytes, more than the 8 of a number", bytes.len())),
            Self::Radix(radix) => {
                let wrong = || format!("is \"{}\", not a whole number of base {radix}", escaped(bytes, 24));
                if bytes.is_empty() {
                    return Err(wrong());
                }
                // By hand, for the standard parser takes a sign, and a machine's count has none.
                bytes.iter().try_fold(0_u64, |number, byte| {
                    let digit = char::from(*byte).to_digit(radix).ok_or_else(wrong)?;
                    let next = number.checked_mul(u64::from(radix)).and_then(|n| n.checked_add(u64::from(digit)));
                    next.ok_or_else(|| format!("is \"{}\", too large a number", escaped(bytes, 24)))
                })
            }
        }
    }
}

/// Where a text comes from.
#[derive(Debug)]
pub enum Text {
    /// From the declaration.
    Constant(String),
    /// From the frame's own characters.
    Taken { groups: Groups, max: usize, trim: bool, replace: BTreeMap<char, String> },
    /// From words that each stand for a text.
    Map { groups: Groups, map: BTreeMap<Vec<u8>, String> },
    /// A yes or no, as `true` or `false`.
    Flag { groups: Groups, true_when: Vec<u8>, false_when: Option<Vec<u8>> },
    /// A number, printed in decimal.
    Number(Number),
}

impl Text {
    /// The text; `Ok(None)` where a group took no part. Errors: what is wrong, to follow the field's name.
    pub fn read(&self, matched: &Matched<'_>) -> Result<Option<String>, String> {
        match self {
            Self::Constant(text) => Ok(Some(text.clone())),
            Self::Taken { groups, max, trim, replace } => {
                let Some(bytes) = groups.bytes(matched) else { return Ok(None) };
                let text = decoded(&bytes, matched.encoding)?;
                let text = if *trim { text.trim_matches(' ') } else { &text };
                let text = if replace.is_empty() {
                    text.to_owned()
                } else {
                    text.chars().fold(String::with_capacity(text.len()), |mut out, c| {
                        match replace.get(&c) {
                            Some(other) => out.push_str(other),
                            None => out.push(c),
                        }
                        out
                    })
                };
                let length = text.chars().count();
                if length > *max { Err(format!("has {length} characters, more than {max}")) } else { Ok(Some(text)) }
            }
            Self::Map { groups, map } => {
                let Some(bytes) = groups.bytes(matched) else { return Ok(None) };
                map.get(bytes.as_ref()).map_or_else(|| Err(not_declared(&bytes)), |text| Ok(Some(text.clone())))
            }
            Self::Flag { groups, true_when, false_when } => {
                let Some(bytes) = groups.bytes(matched) else { return Ok(None) };
                if bytes.as_ref() == true_when.as_slice() {
                    Ok(Some("true".to_owned()))
                } else if false_when.as_ref().is_none_or(|no| bytes.as_ref() == no.as_slice()) {
                    Ok(Some("false".to_owned()))
                } else {
                    Err(not_declared(&bytes))
                }
            }
            Self::Number(number) => Ok(number.read(matched)?.map(|number| number.to_string())),
        }
    }
}

fn not_declared(bytes: &[u8]) -> String {
    format!("is \"{}\", which is not declared", escaped(bytes, 24))
}

fn decoded(bytes: &[u8], encoding: Encoding) -> Result<Cow<'_, str>, String> {
    match encoding {
        Encoding::Latin1 => Ok(Cow::Owned(bytes.iter().map(|byte| char::from(*byte)).collect())),
        Encoding::Bytes if !bytes.is_ascii() => Err(format!("is \"{}\", not ASCII text", escaped(bytes, 24))),
        _ => std::str::from_utf8(bytes)
            .map(Cow::Borrowed)
            .map_err(|_| format!("is \"{}\", not text", escaped(bytes, 24))),
    }
}
