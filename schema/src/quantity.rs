//! Quantities of printed labels. Labels are integers; nothing here is a float.

use std::fmt;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};

/// One counted quantity of printed labels.
///
/// Unit: single labels, never rolls or sheets.
/// Range: 0 to 10,000,000 in one entry, so that a sum of 2^39 of them still fits in an `i64`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize)]
pub struct Labels(u32);

impl Labels {
    /// The largest quantity one entry may carry.
    pub const MAX: u32 = 10_000_000;
    /// No labels.
    pub const ZERO: Self = Self(0);

    /// `None` above [`Labels::MAX`].
    pub const fn new(labels: u32) -> Option<Self> {
        if labels <= Self::MAX { Some(Self(labels)) } else { None }
    }

    /// Single labels.
    pub const fn get(self) -> u32 {
        self.0
    }

    /// The sum; `None` above [`Labels::MAX`].
    pub fn plus(self, other: Self) -> Option<Self> {
        self.0.checked_add(other.0).and_then(Self::new)
    }

    /// What is left after taking `other` away; `None` where more is taken than was there.
    pub fn minus(self, other: Self) -> Option<Self> {
        self.0.checked_sub(other.0).map(Self)
    }

    /// How far apart two counts of one thing are.
    pub fn apart(self, other: Self) -> u32 {
        self.0.abs_diff(other.0)
    }
}

impl fmt::Display for Labels {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl<'de> Deserialize<'de> for Labels {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        // Through i64, so that a negative quantity gets this sentence and not serde's.
        let number = i64::deserialize(deserializer)?;
        u32::try_from(number).ok().and_then(Self::new).ok_or_else(|| {
            D::Error::custom(format_args!("{number} is not a quantity of labels: it must be 0 to {}", Self::MAX))
        })
    }
}

#[cfg(feature = "json-schema")]
impl schemars::JsonSchema for Labels {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Labels".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "integer", "minimum": 0, "maximum": Labels::MAX })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quantity_stays_within_its_range() {
        assert_eq!(Labels::new(10_000_000).map(Labels::get), Some(10_000_000));
        assert_eq!(Labels::new(10_000_001), None);
        assert_eq!(Labels::new(3).unwrap().minus(Labels::new(4).unwrap()), None);
        assert_eq!(Labels::new(Labels::MAX).unwrap().plus(Labels::new(1).unwrap()), None);
        assert_eq!(Labels::new(3).unwrap().apart(Labels::new(5).unwrap()), 2);
    }

    #[test]
    fn a_negative_or_absurd_quantity_says_what_is_wrong() {
        for text in ["-1", "10000001", "4294967296"] {
            let error = serde_json::from_str::<Labels>(text).unwrap_err().to_string();
            assert!(error.contains("must be 0 to 10000000"), "{error}");
        }
        assert!(serde_json::from_str::<Labels>("1.5").is_err());
    }
}
