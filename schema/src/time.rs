//! A moment of the server's clock, in UTC, to the microsecond.

use std::fmt;
use std::str::FromStr;

use chrono::{DateTime, NaiveDate, NaiveDateTime, NaiveTime};
use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A moment in UTC.
///
/// Unit: microseconds since 1970-01-01T00:00:00Z, without leap seconds.
/// Shape: in JSON `YYYY-MM-DDTHH:MM:SS.ffffffZ`, always six fractional digits.
/// Range: years 0000 to 9999, seconds 00 to 59, a real date.
/// Rule: RFC 3339 section 5.6, narrowed by `FORMAT.md` section 1.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Time(i64);

/// Not a time in the record's one form.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TimeError;

impl fmt::Display for TimeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a time is written YYYY-MM-DDTHH:MM:SS.ffffffZ, a real date in UTC with six fractional digits")
    }
}

impl std::error::Error for TimeError {}

impl Time {
    /// From microseconds since the epoch; `None` outside years 0000 to 9999.
    pub fn from_micros(micros: i64) -> Option<Self> {
        let date = DateTime::from_timestamp_micros(micros)?;
        let year = chrono::Datelike::year(&date);
        (0..=9999).contains(&year).then_some(Self(micros))
    }

    /// Microseconds since the epoch.
    pub fn micros(self) -> i64 {
        self.0
    }

    /// As a person reads it, to the second: `26 November 2027, 08:30:00 UTC`.
    pub fn in_words(self) -> String {
        DateTime::from_timestamp_micros(self.0)
            .map_or_else(String::new, |date| date.format("%-d %B %Y, %H:%M:%S UTC").to_string())
    }

    /// This moment moved by `micros`; saturates at the ends of the range.
    pub fn plus_micros(self, micros: i64) -> Self {
        Self::from_micros(self.0.saturating_add(micros)).unwrap_or(self)
    }
}

impl fmt::Display for Time {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match DateTime::from_timestamp_micros(self.0) {
            Some(date) => write!(f, "{}", date.format("%Y-%m-%dT%H:%M:%S%.6fZ")),
            None => Err(fmt::Error),
        }
    }
}

impl fmt::Debug for Time {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl FromStr for Time {
    type Err = TimeError;

    fn from_str(text: &str) -> Result<Self, TimeError> {
        const FORM: &[u8; 27] = b"dddd-dd-ddTdd:dd:dd.ddddddZ";
        let bytes: &[u8; 27] = text.as_bytes().try_into().map_err(|_| TimeError)?;
        let fits = FORM.iter().zip(bytes).all(|(form, byte)| match form {
            b'd' => byte.is_ascii_digit(),
            other => other == byte,
        });
        if !fits {
            return Err(TimeError);
        }
        let number = |from: usize, to: usize| text.get(from..to).and_then(|t| t.parse::<u32>().ok()).ok_or(TimeError);
        let year = i32::try_from(number(0, 4)?).map_err(|_| TimeError)?;
        let date = NaiveDate::from_ymd_opt(year, number(5, 7)?, number(8, 10)?).ok_or(TimeError)?;
        let time = NaiveTime::from_hms_micro_opt(number(11, 13)?, number(14, 16)?, number(17, 19)?, number(20, 26)?)
            .ok_or(TimeError)?;
        Ok(Self(NaiveDateTime::new(date, time).and_utc().timestamp_micros()))
    }
}

impl Serialize for Time {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Time {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(D::Error::custom)
    }
}

#[cfg(feature = "json-schema")]
impl schemars::JsonSchema for Time {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Time".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "type": "string",
            "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-5][0-9]\\.[0-9]{6}Z$"
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn round(text: &str) {
        assert_eq!(text.parse::<Time>().unwrap().to_string(), text);
    }

    #[test]
    fn the_examples_of_rfc_3339_are_read_in_our_form() {
        // RFC 3339 section 5.8, first two examples, brought to UTC and six digits.
        assert_eq!("1985-04-12T23:20:50.520000Z".parse::<Time>().unwrap().micros(), 482_196_050_520_000);
        assert_eq!("1996-12-20T00:39:57.000000Z".parse::<Time>().unwrap().micros(), 851_042_397_000_000);
        round("1985-04-12T23:20:50.520000Z");
        round("0000-01-01T00:00:00.000000Z");
        round("9999-12-31T23:59:59.999999Z");
        round("2024-02-29T12:00:00.000001Z");
    }

    #[test]
    fn a_person_reads_a_moment_in_words() {
        let said = |text: &str| text.parse::<Time>().unwrap().in_words();
        assert_eq!(said("2027-11-06T08:30:00.999999Z"), "6 November 2027, 08:30:00 UTC");
        assert_eq!(said("2028-02-29T23:59:59.000000Z"), "29 February 2028, 23:59:59 UTC");
    }

    #[test]
    fn any_other_form_is_refused() {
        for text in [
            "1985-04-12T23:20:50.52Z",
            "1990-12-31T23:59:60.000000Z",
            "2023-02-29T00:00:00.000000Z",
            "2023-13-01T00:00:00.000000Z",
            "2023-01-01T24:00:00.000000Z",
            "2023-01-01t00:00:00.000000Z",
            "2023-01-01T00:00:00.000000z",
            "2023-01-01T00:00:00.000000+00:00",
            "2023-01-01T00:00:00.00000é",
            "+023-01-01T00:00:00.000000Z",
            "",
        ] {
            assert_eq!(text.parse::<Time>(), Err(TimeError), "{text}");
        }
    }
}
