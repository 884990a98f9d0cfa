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

/// An exact ratio, for example 1/24 of a label for each unit, or 3/1000 of what was issued.
///
/// Range: numerator 0 to 1,000,000, denominator 1 to 1,000,000. Kept as it was given; compared by cross-multiplication.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Ratio {
    den: u32,
    num: u32,
}

impl Ratio {
    /// Largest numerator and denominator.
    pub const MAX: u32 = 1_000_000;

    /// `None` outside the range.
    pub const fn new(num: u32, den: u32) -> Option<Self> {
        if num <= Self::MAX && den >= 1 && den <= Self::MAX { Some(Self { den, num }) } else { None }
    }

    /// The denominator, never 0.
    pub const fn den(self) -> u32 {
        self.den
    }

    /// The numerator.
    pub const fn num(self) -> u32 {
        self.num
    }

    /// This much of `whole`, rounded up to whole ones.
    pub const fn of_rounded_up(self, whole: u64) -> u64 {
        let product = whole.saturating_mul(self.num as u64);
        product.div_ceil(self.den as u64)
    }

    /// True where `part` of `whole` is no more than this ratio. Exact: compared by cross-multiplication.
    pub const fn holds(self, part: u64, whole: u64) -> bool {
        (part as u128) * (self.den as u128) <= (whole as u128) * (self.num as u128)
    }
}

impl fmt::Display for Ratio {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.num, self.den)
    }
}

impl<'de> Deserialize<'de> for Ratio {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        #[serde(deny_unknown_fields)]
        struct Form {
            den: i64,
            num: i64,
        }
        let Form { den, num } = Form::deserialize(deserializer)?;
        let ratio = u32::try_from(num).ok().zip(u32::try_from(den).ok()).and_then(|(num, den)| Self::new(num, den));
        ratio.ok_or_else(|| {
            D::Error::custom(format_args!(
                "{num}/{den} is not a ratio: the numerator must be 0 to {max}, the denominator 1 to {max}",
                max = Self::MAX
            ))
        })
    }
}

#[cfg(feature = "json-schema")]
impl schemars::JsonSchema for Ratio {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Ratio".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "type": "object",
            "properties": {
                "den": { "type": "integer", "minimum": 1, "maximum": Ratio::MAX },
                "num": { "type": "integer", "minimum": 0, "maximum": Ratio::MAX },
            },
            "required": ["den", "num"],
            "additionalProperties": false,
        })
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

    #[test]
    fn a_ratio_is_exact() {
        let shipper = Ratio::new(1, 24).unwrap();
        assert_eq!((shipper.of_rounded_up(240), shipper.of_rounded_up(241), shipper.of_rounded_up(0)), (10, 11, 0));
        // 0.1 % of 50,000 is 50 to the label.
        let limit = Ratio::new(1, 1_000).unwrap();
        assert!(limit.holds(50, 50_000) && !limit.holds(51, 50_000) && !limit.holds(50, 49_999));
        assert!(limit.holds(0, 0) && !limit.holds(1, 0));
        assert_eq!(Ratio::new(1, 0), None);
        assert_eq!(Ratio::new(1_000_001, 1), None);
        for text in [r#"{"den":0,"num":1}"#, r#"{"den":1,"num":-1}"#, r#"{"den":1,"num":1000001}"#] {
            let error = serde_json::from_str::<Ratio>(text).unwrap_err().to_string();
            assert!(error.contains("is not a ratio"), "{error}");
        }
        assert_eq!(serde_json::to_string(&shipper).unwrap(), r#"{"den":24,"num":1}"#);
    }
}
