//! Names of things: books, streams, accounts. A name has one way in and never changes.

use std::fmt;
use std::str::FromStr;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A text that is not a name of the wanted form.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IdError {
    /// What kind of name it should have been, with its shape.
    pub wanted: &'static str,
    /// What was given, cut to 80 characters.
    pub given: String,
}

impl IdError {
    fn new(wanted: &'static str, given: &str) -> Self {
        Self { wanted, given: given.chars().take(80).collect() }
    }
}

impl fmt::Display for IdError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?} is not {}", self.given, self.wanted)
    }
}

impl std::error::Error for IdError {}

/// True for `[A-Z0-9][A-Z0-9-]{0,31}`, the ID part of a stream.
pub fn is_id(text: &str) -> bool {
    let bytes = text.as_bytes();
    (1..=32).contains(&bytes.len())
        && bytes.first().is_some_and(|first| *first != b'-')
        && bytes.iter().all(|b| b.is_ascii_uppercase() || b.is_ascii_digit() || *b == b'-')
}

fn is_thing(text: &str) -> bool {
    (1..=32).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_lowercase() || b == b'_')
}

fn is_book(text: &str) -> bool {
    (1..=100).contains(&text.len())
        && text.split('/').all(|part| {
            !part.is_empty()
                && part.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'.' || b == b'-')
        })
}

macro_rules! name {
    // One shape for every name type: private text, one way in, the same traits; written once so that no type
    // forgets its check on the way in from JSON.
    ($(#[$doc:meta])* $type:ident, $wanted:literal, $pattern:literal, $check:expr) => {
        $(#[$doc])*
        #[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $type(String);

        impl $type {
            /// The name as text.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl FromStr for $type {
            type Err = IdError;

            fn from_str(text: &str) -> Result<Self, IdError> {
                let check: fn(&str) -> bool = $check;
                if check(text) { Ok(Self(text.to_owned())) } else { Err(IdError::new($wanted, text)) }
            }
        }

        impl fmt::Display for $type {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }

        impl fmt::Debug for $type {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }

        impl Serialize for $type {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.serialize_str(&self.0)
            }
        }

        impl<'de> Deserialize<'de> for $type {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                String::deserialize(deserializer)?.parse().map_err(D::Error::custom)
            }
        }

        #[cfg(feature = "json-schema")]
        impl schemars::JsonSchema for $type {
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($type).into()
            }

            fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
                schemars::json_schema!({ "type": "string", "pattern": $pattern })
            }
        }
    };
}

name!(
    /// The name of a book, for example `label-room.example/plant-1`.
    ///
    /// Shape: `[a-z0-9.-]+(/[a-z0-9.-]+)*`, at most 100 bytes.
    BookName,
    "a book's name (lower-case letters, digits, '.', '-', parts joined by '/', at most 100)",
    "^[a-z0-9.-]+(/[a-z0-9.-]+)*$",
    is_book
);

name!(
    /// The ID part of a stream: what is printed on a tag and scanned.
    ///
    /// Shape: `[A-Z0-9][A-Z0-9-]{0,31}`.
    Id,
    "an ID (capital letters, digits and '-', not first, at most 32)",
    "^[A-Z0-9][A-Z0-9-]{0,31}$",
    is_id
);

name!(
    /// The ID of one person's account, for example `U-0007`. For one person for ever.
    ///
    /// Shape: as [`Id`].
    AccountId,
    "an account's ID (capital letters, digits and '-', not first, at most 32)",
    "^[A-Z0-9][A-Z0-9-]{0,31}$",
    is_id
);

name!(
    /// The thing an entry is about, for example `roll/R-000123`.
    ///
    /// Shape: `[a-z_]+/ID`, thing at most 32 letters.
    Stream,
    "a stream (thing, '/', ID, for example roll/R-000123)",
    "^[a-z_]{1,32}/[A-Z0-9][A-Z0-9-]{0,31}$",
    |text| text.split_once('/').is_some_and(|(thing, id)| is_thing(thing) && is_id(id))
);

name!(
    /// The idempotency key of a command.
    ///
    /// Shape: a UUID in its lower-case form of RFC 9562 section 4.
    Act,
    "an act (a UUID in lower case)",
    "^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$",
    |text| {
        text.len() == 36
            && text.bytes().enumerate().all(|(i, b)| match i {
                8 | 13 | 18 | 23 => b == b'-',
                _ => b.is_ascii_digit() || (b'a'..=b'f').contains(&b),
            })
    }
);

impl Stream {
    /// Joins a thing and an ID. Errors: where either is not of its form.
    pub fn new(thing: &str, id: &str) -> Result<Self, IdError> {
        format!("{thing}/{id}").parse()
    }

    /// The stream of a thing whose name is known to be good, about an ID that was already checked.
    pub fn of(thing: Thing, id: &Id) -> Self {
        Self(format!("{}/{}", thing.as_str(), id.as_str()))
    }

    /// The stream of an account.
    pub fn account(account: &AccountId) -> Self {
        Self(format!("account/{}", account.as_str()))
    }

    /// The stream of the book itself.
    pub fn book() -> Self {
        Self("book/B".to_owned())
    }

    /// What kind of thing it is: the part before the slash.
    pub fn thing(&self) -> &str {
        self.0.split_once('/').map_or("", |(thing, _)| thing)
    }

    /// Which one: the part after the slash.
    pub fn id(&self) -> Id {
        Id(self.0.split_once('/').map_or("", |(_, id)| id).to_owned())
    }
}

/// The things that this version of the software writes about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Thing {
    /// The book itself; its only ID is `B`.
    Book,
    /// A person's account.
    Account,
    /// One continuous use of one device by one person.
    Session,
    /// A maker or seller of printed labels.
    Supplier,
    /// One revision of one label.
    Item,
    /// One shipment of one item revision.
    Delivery,
    /// One roll of labels.
    Roll,
    /// One run of one roll through one station.
    Count,
    /// A counting table.
    Station,
    /// A certified roll that challenges a station.
    TestRoll,
    /// One version of one plugin.
    Plugin,
    /// Something that was not as it should be, until it is closed.
    Deviation,
    /// A packaging line.
    Line,
    /// One clearing of a packaging line.
    Clearance,
    /// The limits that a reconciliation is held against.
    LimitSet,
    /// One packaging order.
    Order,
    /// One handing over of rolls to an order.
    Issue,
    /// Two people's blind count by hand.
    HandCount,
    /// A sealed container of labels that wait for destruction.
    Container,
    /// The account of one material line of an order.
    Reconciliation,
    /// A rule set aside, once, by two people.
    Override,
}

impl Thing {
    /// Every thing, in the order of the documentation.
    pub const ALL: [Self; 21] = [
        Self::Book,
        Self::Account,
        Self::Session,
        Self::Supplier,
        Self::Item,
        Self::Delivery,
        Self::Roll,
        Self::Count,
        Self::Station,
        Self::TestRoll,
        Self::Plugin,
        Self::Deviation,
        Self::Line,
        Self::Clearance,
        Self::LimitSet,
        Self::Order,
        Self::Issue,
        Self::HandCount,
        Self::Container,
        Self::Reconciliation,
        Self::Override,
    ];

    /// The part of a stream before the slash.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Book => "book",
            Self::Account => "account",
            Self::Session => "session",
            Self::Supplier => "supplier",
            Self::Item => "item",
            Self::Delivery => "delivery",
            Self::Roll => "roll",
            Self::Count => "count",
            Self::Station => "station",
            Self::TestRoll => "test_roll",
            Self::Plugin => "plugin",
            Self::Deviation => "deviation",
            Self::Line => "line",
            Self::Clearance => "clearance",
            Self::LimitSet => "limit_set",
            Self::Order => "order",
            Self::Issue => "issue",
            Self::HandCount => "hand_count",
            Self::Container => "container",
            Self::Reconciliation => "reconciliation",
            Self::Override => "override",
        }
    }

    /// The thing that a stream's first part names; `None` for one this version does not know.
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|thing| thing.as_str() == text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stream_has_a_thing_and_an_id() {
        let stream: Stream = "roll/R-000123".parse().unwrap();
        assert_eq!((stream.thing(), stream.id().as_str()), ("roll", "R-000123"));
        for bad in ["roll", "roll/", "/R-1", "Roll/R-1", "roll/r-1", "roll/-R", "roll/R 1", "roll/R/1"] {
            assert!(bad.parse::<Stream>().is_err(), "{bad}");
        }
        assert!(format!("roll/{}", "A".repeat(32)).parse::<Stream>().is_ok());
        assert!(format!("roll/{}", "A".repeat(33)).parse::<Stream>().is_err());
    }

    #[test]
    fn a_book_name_is_lower_case_parts() {
        assert!("label-room.example/plant-1".parse::<BookName>().is_ok());
        for bad in ["", "/a", "a/", "a//b", "A", "a b", &"a".repeat(101)] {
            assert!(bad.parse::<BookName>().is_err(), "{bad}");
        }
    }

    #[test]
    fn an_act_is_a_lower_case_uuid() {
        assert!("6f1c2b1e-5c57-4a8e-9f0e-0d6f6d2f7a11".parse::<Act>().is_ok());
        assert!("6F1c2b1e-5c57-4a8e-9f0e-0d6f6d2f7a11".parse::<Act>().is_err());
        assert!("6f1c2b1e5c574a8e9f0e0d6f6d2f7a11".parse::<Act>().is_err());
    }

    #[test]
    fn every_thing_is_found_by_its_own_name() {
        for thing in Thing::ALL {
            assert_eq!(Thing::parse(thing.as_str()), Some(thing));
            assert!(is_thing(thing.as_str()));
        }
    }
}
