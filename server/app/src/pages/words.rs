//! The English of the pages, in one place, so that it can be translated.

use tallyseal_schema::Time;

// What the printed record says too.
pub(super) use tallyseal_report::words::*;

/// Of a copy that is not, or not this account's.
pub(super) const NO_COPY: &str = "this copy: copies are kept for a quarter of an hour, for whoever took them";
/// Too many copies at a time.
pub(super) const COPIES_FULL: &str =
    "Other copies are being made or wait to be fetched. Fetch yours, or try again in a while.";

/// A length in bytes as people read it.
pub(super) fn bytes(length: u64) -> String {
    match length {
        0..=999_999 => format!("{} kB", number(length.div_ceil(1_000))),
        _ => format!("{} MB", number(length.div_ceil(1_000_000))),
    }
}

pub(super) const MOVED: &str =
    "Meanwhile what you would sign has changed: look at it again below, then give your password.";
pub(super) const MISSING: &str = "This is needed.";
pub(super) const NO_CHOICE: &str = "Choose one of these.";
pub(super) const NO_ID: &str = "An ID has capital letters, digits and hyphens, 32 at most.";
pub(super) const NO_MOMENT: &str = "Give date and time in the plant's zone, as 2026-11-26 14:30.";
pub(super) const NO_NUMBERS: &str = "Give a word and a whole number on each line, as \"missing = 2\".";
pub(super) const NO_SHARE: &str = "Give a fraction as 1/24, a whole number, or a percentage as 0.5 %.";
pub(super) const NO_WHOLE_NUMBER: &str = "Give a whole number.";

/// Fields in which people write sentences.
const LONG: &[&str] = &[
    "why",
    "text",
    "conclusion",
    "follow_up",
    "others",
    "impact",
    "statement",
    "cause",
    "data",
    "identity",
    "condition",
];

/// True where a hint only repeats the label.
pub(super) fn says_nothing_new(name: &str, hint: &str) -> bool {
    let plain = |text: &str| text.to_lowercase().replace(['.', '_', ' '], "");
    plain(hint) == plain(name) || plain(hint) == plain(&format!("the{name}"))
}

/// True where a field takes sentences.
pub(super) fn is_long(name: &str) -> bool {
    LONG.contains(&name)
}

/// Which thing a field names.
pub(super) fn thing_of(name: &str) -> &str {
    match name {
        "over" | "extra" | "overdue" => "override",
        "late" | "tail" | "hand_count" => "hand_count",
        "rest" => "roll",
        other => other,
    }
}

/// What one of several is called.
pub(super) fn one_of(name: &str) -> &str {
    name.strip_suffix('s').unwrap_or(name)
}

/// A moment in the plant's time as a person types it, as records have it. A moment that a change of clocks leaves out or has
/// twice is none: it says too little.
pub(super) fn moment(text: &str, zone: chrono_tz::Tz) -> Option<String> {
    let text = text.trim();
    if let Ok(utc) = text.parse::<Time>() {
        return Some(utc.to_string());
    }
    let shapes = ["%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M"];
    let local = shapes.iter().find_map(|shape| chrono::NaiveDateTime::parse_from_str(text, shape).ok());
    let local = local.or_else(|| {
        // A day alone is its end: what is good until a day is good on that day.
        chrono::NaiveDate::parse_from_str(text, "%Y-%m-%d").ok().and_then(|day| day.and_hms_opt(23, 59, 59))
    })?;
    let at = chrono::TimeZone::from_local_datetime(&zone, &local).single()?;
    Time::from_micros(at.timestamp_micros()).map(|at| at.to_string())
}

/// What helps to fill a field in, where the record's form says nothing.
const HINTS: &[(&str, &str)] = &[
    ("certificate", "As it stands on the certificate."),
    ("certified", "Odd, and different from every other test roll, so that nobody counts towards it by chance."),
    ("condition", "For example: boxes sound, papers complete."),
    ("critical", "Text, strength, code: any one rejects."),
    ("container", "The container that the coded tail goes into."),
    ("identity", "Which document was seen, and by whom."),
    ("maker", "Who printed it; the supplier's name where it is the same."),
    ("place", "Where it stands, as the plant calls the place."),
    ("plan", "By which plan, size and level the samples were taken."),
    ("reached", "For example: unwound by hand."),
    ("receiving_code", "The plant's own number of this receipt."),
    ("rest", "What is left and un-coded becomes a roll of its own."),
    ("seal", "The number on it."),
    ("tail", "What was printed on and not used, counted by hand."),
    ("why", "It is kept in the record."),
];

/// Groups whose fields are the thing's own.
pub(super) const OWN: &[&str] = &["draft", "plan"];

/// What a group of fields is called.
pub(super) fn group(path: &str, name: &str) -> String {
    match name {
        "draft" => "draft".to_owned(),
        "plan" => "plan".to_owned(),
        other => label_at(path, other),
    }
}

/// What helps to fill a field in.
pub(super) fn hint(name: &str) -> Option<&'static str> {
    HINTS.iter().find(|(one, _)| *one == name).map(|(_, hint)| *hint)
}

// ---- Stock: rolls, deliveries, places. ----

pub(super) const ENDED_ROLL: &str =
    "This roll is no more: it was used up, or what was left of it is another roll. A tag of it must not be in use.";
pub(super) const UNKNOWN_ROLL: &str = "Nothing in this book is called so. Scan it again; if a roll lies in front of you, set it aside and tell the reviewer.";

/// The mark of a status that has no other.
pub(super) fn mark_of(status: &str) -> &'static str {
    match status {
        "approved" | "granted" | "taken" | "agreed" | "witnessed" | "destroyed" | "closed" | "released" => "good",
        "drafted" | "opened" | "given" | "asked" | "sealed" | "open" | "interrupted" | "in quality review"
        | "assessed" | "investigated" | "running out" | "requested" => "hold",
        "rejected" | "obsolete" | "refused" | "differed" => "grave",
        _ => "",
    }
}

/// Choices of the filter by quality.
pub(super) const QUALITIES: &[(&str, &str)] = &[
    ("", "any quality"),
    ("quarantine", "quarantine"),
    ("released", "released"),
    ("rejected", "rejected"),
    ("obsolete", "obsolete"),
    ("held", "on hold"),
];

/// Choices of the filter by custody.
pub(super) const CUSTODIES: &[(&str, &str)] = &[
    ("", "in the house"),
    ("store", "in the store"),
    ("given", "given out"),
    ("taken", "taken over"),
    ("line", "at the line"),
    ("mounted", "on a dispenser"),
    ("given_back", "given back"),
    ("ended", "ended"),
    ("any", "anywhere, ended too"),
];

/// Choices of the filter of deliveries.
pub(super) const DELIVERIES: &[(&str, &str)] = &[
    ("", "any"),
    ("waits", "waiting for examination or decision"),
    ("received", "received"),
    ("examined", "examined"),
    ("released", "released"),
    ("rejected", "rejected"),
    ("held", "on hold"),
];

pub(super) fn not_found_at(place: &str, count: usize) -> String {
    format!("Stock count at {place}: {} not found there.", so_many(count, "roll", "rolls"))
}

pub(super) fn found_at(roll: &str, place: &str) -> String {
    format!("Stock count: roll {roll} was found at {place}.")
}

pub(super) fn should_be_at(place: &str) -> String {
    format!("By the book it stands at {place}.")
}

pub(super) fn should_be_with(custody: &str) -> String {
    format!("By the book it is not in the store: {custody}.")
}

pub(super) fn scan_at(roll: &str, expected: bool) -> String {
    match expected {
        true => format!("{roll} is here, as the book says."),
        false => format!("{roll} should not be here: see below."),
    }
}
// The reviewer's pages and the first page.

pub(super) const HIDDEN_WHILE_COUNTED: &str = "What it says is hidden while the roll is counted.";
pub(super) const NO_EXCEPTION: &str = "Nothing waits: no exception stands. What was settled or seen is in each record.";
pub(super) const NO_SUCH_EXCEPTION: &str = "No exception is like that.";
pub(super) const NOTHING_WAITS: &str = "Nothing waits for you.";

/// An empty scan: what does not go and what to do.
pub(super) fn nothing_scanned() -> (String, String) {
    ("Nothing was scanned.".to_owned(), "Scan it again, or type it.".to_owned())
}

/// A scan of something else than the roll that runs.
pub(super) fn another_roll_runs(scanned: &str) -> (String, String) {
    (
        format!("{scanned} is not the roll that runs here. Nothing was recorded."),
        "When the roll has ended, scan its own tag. If another roll lies on the table, interrupt the count.".to_owned(),
    )
}

/// A scan of an ID that no roll has.
pub(super) fn no_such_roll(scanned: &str) -> (String, String) {
    (
        format!("No roll and no test roll is called {scanned}. Nothing was recorded."),
        "Scan it again; if a roll with this tag lies in front of you, set it aside and tell the reviewer.".to_owned(),
    )
}

/// A scan of an ID that a roll and a test roll share.
pub(super) fn two_of_that_name(scanned: &str) -> (String, String) {
    (
        format!("{scanned} is a roll and a test roll. Nothing was recorded."),
        format!("Type roll/{scanned} or test_roll/{scanned}."),
    )
}
/// In place of a figure that is hidden while something is counted.
pub(super) const COUNTED_NOW: &str = "counted now";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_is_read_in_the_plants_zone() {
        // Prague: UTC+1 in winter, UTC+2 in summer (IANA time zone database).
        let zone = chrono_tz::Europe::Prague;
        assert_eq!(moment("2026-11-26 14:30", zone).as_deref(), Some("2026-11-26T13:30:00.000000Z"));
        assert_eq!(moment("2026-07-01", zone).as_deref(), Some("2026-07-01T21:59:59.000000Z"));
        // 29 March 2026 02:30 is left out, 25 October 2026 02:30 is there twice.
        for none in ["2026-03-29 02:30", "2026-10-25 02:30", "tomorrow", "26.11.2026", "2026-13-01"] {
            assert_eq!(moment(none, zone), None, "{none}");
        }
        let shown = when("2026-11-26T13:30:00.000000Z".parse().unwrap(), zone);
        assert_eq!((shown.local.as_str(), shown.utc.as_str()), ("26 Nov 2026 14:30:00", "2026-11-26T13:30:00.000000Z"));
    }
}
