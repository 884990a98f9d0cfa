//! Whether a JSON text holds an object with two equal keys. Which of the two counts is for every reader to guess, and a
//! record of what was asked must not rest on that.

use std::collections::BTreeSet;
use std::fmt;

use serde::de::{Deserialize, Deserializer, MapAccess, SeqAccess, Visitor};

/// What such a text is refused with, before the key itself: so it is known from other faults of form.
const SAID: &str = "two equal keys: ";

/// The first key that stands twice in one object; `None` where there is none, or where the text is no JSON at all.
pub(crate) fn first(bytes: &[u8]) -> Option<String> {
    let error = serde_json::from_slice::<Looked>(bytes).err()?.to_string();
    let (_, key) = error.split_once(SAID)?;
    // What serde_json says after it is the place.
    Some(key.rsplit_once(" at line ").map_or(key, |(key, _)| key).to_owned())
}

/// A value that was looked through and not kept: it may hold a password.
struct Looked;

impl<'de> Deserialize<'de> for Looked {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(Look)
    }
}

struct Look;

impl<'de> Visitor<'de> for Look {
    type Value = Looked;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("JSON")
    }

    fn visit_bool<E>(self, _: bool) -> Result<Looked, E> {
        Ok(Looked)
    }

    fn visit_i64<E>(self, _: i64) -> Result<Looked, E> {
        Ok(Looked)
    }

    fn visit_u64<E>(self, _: u64) -> Result<Looked, E> {
        Ok(Looked)
    }

    fn visit_f64<E>(self, _: f64) -> Result<Looked, E> {
        Ok(Looked)
    }

    fn visit_str<E>(self, _: &str) -> Result<Looked, E> {
        Ok(Looked)
    }

    fn visit_unit<E>(self) -> Result<Looked, E> {
        Ok(Looked)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Looked, A::Error> {
        while items.next_element::<Looked>()?.is_some() {}
        Ok(Looked)
    }

    fn visit_map<A: MapAccess<'de>>(self, mut fields: A) -> Result<Looked, A::Error> {
        let mut seen = BTreeSet::new();
        while let Some(key) = fields.next_key::<String>()? {
            if seen.contains(&key) {
                return Err(serde::de::Error::custom(format_args!("{SAID}{key}")));
            }
            seen.insert(key);
            fields.next_value::<Looked>()?;
        }
        Ok(Looked)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_that_stands_twice_in_one_object_is_found_at_any_depth() {
        for (text, found) in [
            (r#"{"a":1,"a":1}"#, Some("a")),
            (r#"{"a":1,"b":{"c":[{"d":1,"e":2,"d":3}]}}"#, Some("d")),
            (r#"{"a":1,"\u0061":2}"#, Some("a")),
            (r#"{"a":{"a":{"a":1}},"b":[{"a":1},{"a":1}]}"#, None),
            (r#"[1,-2,3.5,true,null,"a","a"]"#, None),
            (r#"{"a":1,"#, None),
            ("", None),
        ] {
            assert_eq!(first(text.as_bytes()).as_deref(), found, "{text}");
        }
    }
}
