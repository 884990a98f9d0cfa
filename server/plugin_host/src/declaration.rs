//! `plugin.toml` as it is written. Only its shape: what the keys mean together is judged in `load`.
//!
//! The keys are stable: a released key never changes its meaning, and `api` rises when one must.

use std::collections::BTreeMap;

use serde::Deserialize;

use crate::checksum::Checksum;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Declaration {
    pub api: i64,
    pub name: String,
    pub version: String,
    pub about: String,
    pub emits: Vec<String>,
    pub counts: Counts,
    pub framing: Framing,
    #[serde(default)]
    pub rule: Vec<Rule>,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Counts {
    Labels,
    Pitches,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Framing {
    pub kind: FramingKind,
    pub encoding: Encoding,
    pub max: Option<u64>,
    pub start: Option<String>,
    pub end: Option<String>,
    pub after: Option<u64>,
    pub between: Option<String>,
    pub size: Option<u64>,
    pub length_bytes: Option<u64>,
    pub length_counts: Option<LengthCounts>,
    pub order: Option<Order>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FramingKind {
    Line,
    Delimited,
    Fixed,
    LengthPrefixed,
    Whole,
}

impl FramingKind {
    pub const fn name(self) -> &'static str {
        match self {
            Self::Line => "line",
            Self::Delimited => "delimited",
            Self::Fixed => "fixed",
            Self::LengthPrefixed => "length-prefixed",
            Self::Whole => "whole",
        }
    }
}

/// What a length that stands before a frame counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LengthCounts {
    /// The bytes after it.
    Rest,
    /// The whole frame, with what stands before it and itself.
    Frame,
}

/// Which byte of a number of several bytes comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Order {
    HighFirst,
    LowFirst,
}

impl Order {
    /// The number that up to eight bytes are.
    pub fn number(self, bytes: &[u8]) -> u64 {
        let join = |number: u64, byte: &u8| (number << 8) | u64::from(*byte);
        match self {
            Self::HighFirst => bytes.iter().fold(0, join),
            Self::LowFirst => bytes.iter().rev().fold(0, join),
        }
    }
}

/// Which bytes a frame may have, and how they become text.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Encoding {
    Ascii,
    #[serde(rename = "utf-8")]
    Utf8,
    #[serde(rename = "latin-1")]
    Latin1,
    Bytes,
}

impl Encoding {
    pub const fn name(self) -> &'static str {
        match self {
            Self::Ascii => "ascii",
            Self::Utf8 => "utf-8",
            Self::Latin1 => "latin-1",
            Self::Bytes => "bytes",
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rule {
    pub about: Option<String>,
    pub pattern: String,
    pub emits: Option<String>,
    #[serde(default)]
    pub ignore: bool,
    #[serde(default)]
    pub field: BTreeMap<String, Field>,
    #[serde(default)]
    pub extra: BTreeMap<String, Field>,
    pub check: Option<Check>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Check {
    pub kind: Checksum,
    pub over: String,
    pub equals: String,
    pub order: Option<Order>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Field {
    #[serde(rename = "type")]
    pub kind: Option<FieldType>,
    pub group: Option<Groups>,
    pub constant: Option<Scalar>,
    pub min: Option<i64>,
    pub max: Option<i64>,
    pub radix: Option<u32>,
    pub order: Option<Order>,
    pub trim: Option<bool>,
    pub replace: Option<BTreeMap<String, String>>,
    pub true_when: Option<String>,
    pub false_when: Option<String>,
    pub values: Option<Vec<String>>,
    pub map: Option<BTreeMap<String, Scalar>>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FieldType {
    Integer,
    Text,
    Flag,
    Enum,
}

/// One group, or several whose bytes are put together in this order.
#[derive(Debug, Clone, Deserialize)]
#[serde(untagged, expecting = "the name of a group, or a list of names")]
pub enum Groups {
    One(String),
    Several(Vec<String>),
}

#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(untagged, expecting = "a whole number or a text")]
pub enum Scalar {
    Number(i64),
    Text(String),
}
