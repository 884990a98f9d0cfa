//! The English of the pages, in one place, so that it can be translated.

use tallyseal_schema::{By, Time};

pub(super) const MISSING: &str = "This is needed.";
pub(super) const NO_CHOICE: &str = "Choose one of these.";
pub(super) const NO_ID: &str = "An ID has capital letters, digits and hyphens, 32 at most.";
pub(super) const NO_MOMENT: &str = "Give date and time in the plant's zone, as 2026-11-26 14:30.";
pub(super) const NO_NUMBERS: &str = "Give a word and a whole number on each line, as \"missing = 2\".";
pub(super) const NO_SHARE: &str = "Give a fraction as 1/24, a whole number, or a percentage as 0.5 %.";
pub(super) const NO_WHOLE_NUMBER: &str = "Give a whole number.";

/// Fields whose name says too little, or says it in the record's words.
const LABELS: &[(&str, &str)] = &[
    ("about", "What it is about"),
    ("account", "Account"),
    ("cause", "Cause"),
    ("challenge_interval_min", "Challenge at least every (minutes)"),
    ("code_read", "Code read from the roll"),
    ("den", "of"),
    ("expires", "Ends on"),
    ("found", "What was found"),
    ("how", "How the number came about"),
    ("labels_per_unit", "Labels on each unit"),
    ("late", "Hand count that makes up for a late one"),
    ("limit_set", "Limits"),
    ("material", "Material line"),
    ("over", "Override"),
    ("overdue", "Override for a device whose calibration is overdue"),
    ("pitch_um", "Pitch (micrometres)"),
    ("ran", "How the roll came off"),
    ("rated_labels_per_min", "Rated speed (labels a minute)"),
    ("record", "Record"),
    ("seal", "Number of the seal"),
    ("seal_intact", "Is the seal intact?"),
    ("foreign", "Was anything foreign found?"),
    ("speed_labels_per_min", "Speed (labels a minute)"),
    ("stated", "Labels stated by the supplier"),
    ("strength", "Strength"),
    ("use_by_days", "Use within (days after receipt)"),
    ("web_thickness_um", "Thickness of the web (micrometres)"),
    ("what", "What is counted"),
    ("when", "When"),
    ("why", "Reason"),
    ("width_um", "Width (micrometres)"),
];

/// Fields in the order in which a person thinks of them; others follow by name.
const ORDER: &[&str] = &[
    "order",
    "delivery",
    "deviation",
    "count",
    "station",
    "container",
    "issue",
    "reconciliation",
    "clearance",
    "item",
    "account",
    "name",
    "material",
    "roll",
    "record",
    "about",
    "supplier",
    "product",
    "strength",
    "dosage_form",
    "pack",
    "market",
    "kind",
    "line",
    "lots",
    "materials",
    "lot",
    "units",
    "expiry",
    "term",
    "what",
    "rolls",
    "when",
    "purpose",
    "direction",
    "fault",
    "first",
    "last",
    "disposition",
    "labels",
    "fate",
    "source",
    "how",
    "device",
    "start",
    "end",
    "wraps",
    "severity",
    "text",
    "cause",
    "impact",
    "conclusion",
    "decision",
    "why",
];

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

/// Where a field comes in its form.
pub(super) fn order_of(name: &str) -> (usize, String) {
    (ORDER.iter().position(|one| *one == name).unwrap_or(ORDER.len()), name.to_owned())
}

/// What a field is called.
pub(super) fn label(name: &str) -> String {
    match LABELS.iter().find(|(one, _)| *one == name) {
        Some((_, label)) => (*label).to_owned(),
        None => capital(&name.replace('_', " ")),
    }
}

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

/// A word of the record as people read it.
pub(super) fn word(value: &str) -> String {
    value.replace(['_', '-'], " ")
}

/// An act as people call it.
pub(super) fn act(command: &str) -> String {
    let named = match command {
        "abort_count" => "Give up the count",
        "check_count" => "Check the count",
        "close_count" => "Close the count",
        "sign_count" => "Sign the count",
        "open_count" => "Begin a count",
        "dispose_faults" => "Say what was done about faults",
        "correct_disposition" => "Correct what was said about a fault",
        "check_code" => "Read a code by hand",
        "give_issue" => "Issue rolls",
        "take_issue" => "Take over an issue",
        "withdraw_issue" => "Withdraw an issue",
        "take_back" => "Take a roll back",
        "give_back" => "Give a roll back",
        "plan_order" => "Plan an order",
        "examine_before_issue" => "Examine a roll before issue",
        "receive_at_line" => "Receive a roll at the line",
        "declare_destruction" => "Declare the destruction",
        "witness_destruction" => "Witness the destruction",
        "consent_destruction" => "Consent to the destruction",
        "decide_interim" => "Decide what may go on",
        "lift_hold" => "Lift a hold",
        "grant_override" => "Grant an override",
        "refuse_override" => "Refuse an override",
        "request_override" => "Ask for an override",
        "review_order" => "Review the label record",
        "approve_order" => "Approve the label record",
        "reject_order" => "Reject the label record",
        "sign_for_packaging" => "Sign for packaging",
        "reconcile" => "Make the account",
        "check_reconciliation" => "Check the account",
        "record_quantity" => "Record a quantity",
        "record_units" => "Record units",
        "record_check" => "Record a check of web, sensor and speed",
        "remark" => "Write a remark",
        "open_deviation" => "Open a deviation",
        other => return capital(&word(other)),
    };
    named.to_owned()
}

/// Who did something.
pub(super) fn by(by: &By) -> String {
    match by {
        By::Person(person) => format!("{} ({}), {}", person.name, person.account, person.role.title()),
        By::Machine(machine) => format!("machine at {}", machine.station),
        By::System(system) => format!("software, {}", system.system),
    }
}

/// A kind of entry as people read it: `count.opened` is "count opened".
pub(super) fn kind(kind: &str) -> String {
    capital(&kind.replace(['.', '_'], " "))
}

/// A thing as people call it.
pub(super) fn thing(thing: &str) -> String {
    match thing {
        "limit_set" => "limits".to_owned(),
        "reconciliation" => "account of a material line".to_owned(),
        other => other.replace('_', " "),
    }
}

/// With a capital letter.
pub(super) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

/// A whole number with thin spaces between its thousands.
pub(super) fn number(value: impl Into<u64>) -> String {
    let digits = value.into().to_string();
    let mut out = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index) % 3 == 0 {
            out.push('\u{2009}');
        }
        out.push(digit);
    }
    out
}

/// A moment, in the plant's zone and in UTC.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct When {
    /// As `26 Nov 2026 10:15:03`.
    pub(super) local: String,
    /// As records have it.
    pub(super) utc: String,
}

/// A moment as people read it.
pub(super) fn when(at: Time, zone: chrono_tz::Tz) -> When {
    let utc = chrono::DateTime::from_timestamp_micros(at.micros()).unwrap_or_default();
    When { local: utc.with_timezone(&zone).format("%d %b %Y %H:%M:%S").to_string(), utc: at.to_string() }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_grouped_from_the_right() {
        for (value, text) in
            [(0_u64, "0"), (999, "999"), (1_000, "1\u{2009}000"), (1_234_567, "1\u{2009}234\u{2009}567")]
        {
            assert_eq!(number(value), text);
        }
    }

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
