//! What an exception says: in a sentence, with old and new values where something was put right. Pure.

use serde::Serialize;
use tallyseal_control::accounted_percent;
use tallyseal_schema::kinds::{Disposition, Fate, OtherHistory, Severity, Superseded, Verdict};
use tallyseal_schema::{Body, Entry, Labels};

use crate::grade;
use crate::words;

/// The kinds that change what an earlier entry said, or take it back.
pub const CHANGES: &[&str] = &[
    "account.disabled",
    "account.key_retired",
    "account.password_reset",
    "account.roles_changed",
    "clock.stepped",
    "count.aborted",
    "count.disposition_corrected",
    "deviation.due_extended",
    "deviation.scope_extended",
    "issue.withdrawn",
    "item.obsoleted",
    "limit_set.withdrawn",
    "line.devices_changed",
    "order.quantity_withdrawn",
    "order.reopened",
    "order.voided",
    "roll.count_doubted",
    "roll.issue_withdrawn",
    "roll.obsoleted",
    "station.doubted",
    "test_roll.withdrawn",
];

/// A word of the record as people read it.
pub fn plain(value: impl Serialize) -> String {
    let value = serde_json::to_value(value).unwrap_or_default();
    words::word(value.as_str().unwrap_or_default())
}

fn labels(labels: Labels) -> String {
    words::number(labels.get())
}

/// So many short or over: a difference has a word, never a sign.
pub fn short_or_over(unaccounted: i64) -> String {
    match unaccounted {
        0 => "none unaccounted for".to_owned(),
        short if short > 0 => format!("{} short", words::number(short.unsigned_abs())),
        over => format!("{} over", words::number(over.unsigned_abs())),
    }
}

/// What the entry says, beyond what sort it is. `earlier`: the entries before it in its stream.
pub fn sentence(entry: &Entry, earlier: &[Entry]) -> String {
    match &entry.body {
        Body::DeviationOpened(body) => body.text.clone(),
        Body::DeviationAssessed(body) => body.impact.clone(),
        Body::DeviationInterimDecided(body) => format!("{}: {}", words::capital(&plain(body.decision)), body.text),
        Body::DeviationScopeExtended(body) => format!("It is about {} more.", things(body.about.len())),
        Body::RollCountsDisagreed(body) => {
            let numbers: Vec<String> = body.labels.iter().map(|one| labels(*one)).collect();
            format!("Counts of {} labels; none stands.", numbers.join(", "))
        }
        Body::RollCountDoubted(body) => {
            format!("{} at {} does not stand.", body.count.id(), body.station.id())
        }
        Body::StationChallengeFailed(body) => body.findings.join("; "),
        Body::CountFaultSeen(body) => {
            let expected = earlier.iter().find_map(|entry| match &entry.body {
                Body::CountOpened(opened) => opened.expected_code.clone(),
                _ => None,
            });
            let found = body.found.as_deref().unwrap_or("nothing readable");
            match expected {
                Some(expected) => format!("At label {}: {found}; expected {expected}.", words::number(body.ordinal)),
                None => format!("At label {}: {found}.", words::number(body.ordinal)),
            }
        }
        Body::CountCodeChecked(body) => {
            format!("{} at label {}: {}", words::capital(&plain(body.place)), words::number(body.ordinal), body.found)
        }
        Body::CountExceptionFound(body) => body.text.clone(),
        Body::CountClosed(body) => format!(
            "{} labels; {} told by checks.",
            labels(body.labels),
            if body.exceptions == 0 { "nothing".to_owned() } else { words::number(body.exceptions) }
        ),
        Body::CountInterrupted(body) => body.cause.clone(),
        Body::CountLinkLost(body) => body.cause.clone(),
        Body::StationLinkLost(body) => body.cause.clone(),
        Body::StationStrayCaptured(body) => format!("{} bytes outside a count.", words::number(body.length)),
        Body::StationWorkLogged(body) => body.text.clone(),
        Body::RollCheckRecorded(body) => format!("Web: {}; sensor: {}; speed: {}.", body.web, body.sensor, body.speed),
        Body::RollCountSettled(body) => {
            format!(
                "{} labels stand; {} counts were made.",
                labels(body.on_roll),
                words::number(body.counts.len() as u64)
            )
        }
        Body::ReconciliationComputed(body) => {
            let against = if body.against_product == Verdict::Within { "within" } else { "not within" };
            format!(
                "Material line {}: {} of {} issued, {} % accounted for; product against labels {against} its limits.",
                body.material,
                short_or_over(body.unaccounted),
                words::number(body.terms.issued),
                accounted_percent(body.terms.issued, body.unaccounted),
            )
        }
        Body::DeliveryExamined(body) => format!(
            "{} critical, {} major, {} minor in {} labels.",
            body.critical,
            body.major,
            body.minor,
            labels(body.sampled)
        ),
        Body::OrderRollExamined(body) => match body.choice {
            Some(choice) => format!("{}: {}.", body.roll.id(), plain(choice)),
            None => format!("{} on material line {}.", body.roll.id(), body.material),
        },
        Body::ClearancePerformed(body) => {
            let found = body.places.iter().filter(|place| place.foreign);
            found.map(|place| format!("{}: {}", place.place, place.found)).collect::<Vec<_>>().join("; ")
        }
        Body::OrderReturnTaken(body) => format!("Roll {}.", body.roll.id()),
        Body::OverrideRequested(body) => format!("{} for {}.", words::capital(&plain(body.kind)), body.about.id()),
        Body::OverrideGranted(_) | Body::OverrideRefused(_) => earlier.first().map(asked_for).unwrap_or_default(),
        Body::OverrideUsed(body) => format!("By {} {}.", words::thing(body.by.thing()), body.by.id()),
        Body::RollReturned(body) => format!("Rest of {} from {}.", body.parent.id(), body.order.id()),
        Body::IssueGiven(body) => {
            let at_risk = body.rolls.iter().filter(|roll| roll.at_risk).map(|roll| roll.roll.id().to_string());
            let at_risk: Vec<String> = at_risk.collect();
            let over = body.extra.as_ref().map(|extra| format!(", by {}", extra.id())).unwrap_or_default();
            let risk = if at_risk.is_empty() { String::new() } else { format!("; at risk: {}", at_risk.join(", ")) };
            format!("{} labels for {}{over}{risk}.", labels(body.labels), body.order.id())
        }
        Body::OrderInterrupted(body) => body.cause.clone(),
        Body::RollHeld(body) => caused(&body.cause),
        Body::DeliveryHeld(body) => caused(&body.cause),
        Body::OrderHeld(body) => caused(&body.cause),
        Body::RollHoldLifted(body) => caused(&body.cause),
        Body::DeliveryHoldLifted(body) => caused(&body.cause),
        Body::OrderHoldLifted(body) => caused(&body.cause),
        Body::ActRefused(body) => format!("{}: {}", words::act(&body.command), body.text),
        Body::SessionPasswordRefused(body) => format!("Attempt {}: {}.", body.failures, words::word(&body.purpose)),
        Body::ClockStepped(body) => body.cause.clone(),
        Body::AccessRefused(body) => format!("{} times from {}.", words::number(body.count), body.source),
        Body::BookForkSeen(body) => {
            let witness = witness_name(&body.witness);
            let (known, size) = (words::number(body.known), words::number(body.size));
            match body.history {
                OtherHistory::Longer => format!("{witness} cosigned {known} entries, here were {size}. {FORKED}"),
                OtherHistory::Differs => {
                    format!("{witness} cosigned {known} entries that are not the first {known} of this book. {FORKED}")
                }
            }
        }
        Body::BookReceiptContradicted(body) => {
            let whose = match &body.account {
                Some(account) => format!("{account} showed a receipt"),
                None => "Somebody who is not signed in showed a receipt".to_owned(),
            };
            let proved = match body.checkpoint {
                Some(_) => "This book's own key signed it",
                None => "Nothing in the receipt proves it",
            };
            let is = if body.ours.is_some() { "and another stands there" } else { "and there is none" };
            format!("{whose} for entry {}, {is}. {proved}. {FORKED}", words::number(body.n))
        }
        Body::BookWitnessLost(body) => format!("{}: {}", witness_name(&body.witness), body.cause),
        Body::BookWitnessesNamed(body) => match body.witnesses.as_slice() {
            [] => "No witness is asked any more.".to_owned(),
            named => named.iter().map(|key| witness_name(key)).collect::<Vec<_>>().join(", "),
        },
        Body::BookTimeStampLost(body) => format!("{}: {}", body.authority, body.cause),
        Body::BookTimeAuthorityNamed(body) => match &body.authority {
            None => "No time-stamping authority is asked any more.".to_owned(),
            Some(authority) if body.certificates.is_empty() => {
                format!("{authority}, held against no certificate from outside.")
            }
            Some(authority) => authority.clone(),
        },
        Body::AccountLocked(body) => format!("After {} wrong passwords.", words::number(body.failures)),
        Body::AccountKeyCompromised(body) => {
            format!("Key {}: what it signed at entry {} and after does not stand.", body.key, words::number(body.from))
        }
        Body::BookKeyCompromised(body) => {
            format!("Key {}: its checkpoints from size {} on prove nothing.", body.key, words::number(body.from))
        }
        Body::BookKeyEnrolled(body) => format!("Key {}.", body.key),
        Body::RemarkMade(body) => body.text.clone(),
        _ => String::new(),
    }
}

/// What is done about a book of which another history is known.
pub const FORKED: &str = "This book was set back, or a second server runs on a copy of it. Stop packaging with it, \
                                 leave every server and disk as it is, and let quality find out which of the two is right.";

/// A witness's name, of its key.
pub fn witness_name(key: &str) -> &str {
    key.split('+').next().unwrap_or_default()
}

/// What was asked for, by whom and why: a grant is judged by it.
fn asked_for(entry: &Entry) -> String {
    let Body::OverrideRequested(body) = &entry.body else { return String::new() };
    let why = entry.header.why.as_deref().unwrap_or("no reason");
    let kind = words::capital(&plain(body.kind));
    format!("{kind} for {}, asked for by {}: {why}.", body.about.id(), words::by(&entry.header.by))
}

fn caused(cause: &tallyseal_schema::ids::Stream) -> String {
    format!("By deviation {}.", cause.id())
}

fn things(number: usize) -> String {
    if number == 1 { "one thing".to_owned() } else { format!("{number} things") }
}

/// Old and new value, where the entry puts something right.
pub fn change(entry: &Entry, earlier: &[Entry]) -> Option<(String, String)> {
    match &entry.body {
        Body::DeviationAssessed(body) => {
            let old: Severity = grade::gravity(earlier)?;
            (old != body.severity).then(|| (plain(old), plain(body.severity)))
        }
        Body::CountDispositionCorrected(body) => {
            let old: Vec<String> = body.superseded.iter().map(superseded).collect();
            let new = disposed(body.disposition, body.fate, body.labels);
            let new = format!("{}: {new}", range(body.first, body.last));
            Some((old.join("; "), new))
        }
        Body::OrderQuantityWithdrawn(body) => {
            let old = earlier.iter().rev().find_map(|entry| match &entry.body {
                Body::OrderQuantityRecorded(old) if old.quantity == body.quantity => {
                    Some(format!("{} labels, {}", labels(old.labels), plain(old.term)))
                }
                Body::OrderUnitsRecorded(old) if old.quantity == body.quantity => {
                    Some(format!("{} units of lot {}", words::number(old.units), old.lot))
                }
                _ => None,
            })?;
            Some((old, "withdrawn".to_owned()))
        }
        Body::DeviationDueExtended(body) => {
            let old = earlier.iter().rev().find_map(|entry| match &entry.body {
                Body::DeviationDueExtended(old) => Some(old.due.to_string()),
                _ => None,
            });
            Some((old.unwrap_or_else(|| "30 days after it was opened".to_owned()), body.due.to_string()))
        }
        Body::ClockStepped(body) => Some((body.from.to_string(), body.to.to_string())),
        _ => None,
    }
}

fn range(first: u32, last: u32) -> String {
    match first == last {
        true => format!("label {}", words::number(first)),
        false => format!("labels {} to {}", words::number(first), words::number(last)),
    }
}

fn superseded(old: &Superseded) -> String {
    format!("{}: {}", range(old.ordinal, old.last), disposed(old.disposition, old.fate, old.labels))
}

fn disposed(disposition: Disposition, fate: Option<Fate>, taken: Option<Labels>) -> String {
    let mut text = plain(disposition);
    if let Some(taken) = taken {
        text.push_str(&format!(", {} labels", labels(taken)));
    }
    if let Some(fate) = fate {
        text.push_str(&format!(", to {}", plain(fate)));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_difference_has_a_word_and_no_sign() {
        let cases = [(0, "none unaccounted for"), (1_200, "1\u{2009}200 short"), (-3, "3 over")];
        for (unaccounted, text) in cases {
            assert_eq!(short_or_over(unaccounted), text);
        }
    }

    #[test]
    fn a_range_of_one_is_one_label() {
        assert_eq!(range(7, 7), "label 7");
        assert_eq!(range(7, 9), "labels 7 to 9");
    }
}
