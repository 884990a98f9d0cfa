//! What was put right, in its place: the old value, the new one, who, when and why.
//!
//! Rule: 21 CFR 11.10(e), EU GMP 4.9: what was there before stays readable.

use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::Grant;
use tallyseal_schema::{Body, Entry};

use super::say::{all_named, who};
use super::{Block, Finding, Gathered};
use crate::told::{self, plain};
use crate::words;

/// In place of an old value whose entry is not in the record.
const UNKNOWN: &str = "not told by this record";

/// The corrections that a stream holds, in the order in which they were made.
pub(crate) fn corrections_of(gathered: &Gathered, stream: &Stream) -> Vec<Block> {
    gathered.stream(stream).filter_map(|entry| correction(gathered, entry)).collect()
}

/// Every correction of the record, in the order in which they were made.
pub(crate) fn all(gathered: &Gathered) -> Vec<Block> {
    gathered.entries().filter_map(|entry| correction(gathered, entry)).collect()
}

fn correction(gathered: &Gathered, entry: &Entry) -> Option<Block> {
    let header = &entry.header;
    let change = change(gathered, entry)?;
    Some(Block::Correction(Finding {
        at: gathered.at(header.at),
        change: Some(change),
        grade: None,
        n: header.n,
        record: words::capital(&words::named(&header.stream)),
        sentence: told::sentence(entry, gathered.before(entry)),
        sort: words::kind(&header.kind),
        standing: String::new(),
        trail: late(gathered, entry).into_iter().collect(),
        who: who(&header.by),
        why: header.why.clone(),
    }))
}

/// That an entry was made later than what it tells of, with both times.
pub(crate) fn late(gathered: &Gathered, entry: &Entry) -> Option<String> {
    let header = &entry.header;
    let occurred = header.occurred?;
    Some(format!(
        "Late entry: it happened at {} and was recorded at {}, {} later.",
        gathered.at(occurred),
        gathered.at(header.at),
        words::later(occurred, header.at)
    ))
}

/// Old and new value of an entry that puts right, changes or takes back what an earlier one said.
pub(crate) fn change(gathered: &Gathered, entry: &Entry) -> Option<(String, String)> {
    let earlier = || gathered.earlier(entry).iter().rev();
    let said = |old: &str, new: &str| Some((old.to_owned(), new.to_owned()));
    match &entry.body {
        Body::ClockStepped(body) => Some((gathered.at(body.from), gathered.at(body.to))),
        Body::DeviationDueExtended(body) => {
            let old = earlier().find_map(|entry| match &entry.body {
                Body::DeviationDueExtended(old) => Some(gathered.at(old.due)),
                _ => None,
            });
            Some((old.unwrap_or_else(|| "30 days after it was opened".to_owned()), gathered.at(body.due)))
        }
        Body::DeviationScopeExtended(body) => {
            let old = earlier().filter_map(|entry| match &entry.body {
                Body::DeviationOpened(old) => Some(old.about.iter()),
                Body::DeviationScopeExtended(old) => Some(old.about.iter()),
                _ => None,
            });
            let old = old.flatten().collect::<std::collections::BTreeSet<_>>();
            Some((format!("about {}", all_named(old)), format!("also about {}", all_named(&body.about))))
        }
        Body::DeviationInterimDecided(body) => {
            let old = earlier().find_map(|entry| match &entry.body {
                Body::DeviationInterimDecided(old) => Some(format!("{}: {}", plain(old.decision), old.text)),
                _ => None,
            })?;
            Some((old, format!("{}: {}", plain(body.decision), body.text)))
        }
        Body::OrderReconciled(body) => {
            let old = earlier().find_map(|entry| match &entry.body {
                Body::OrderReconciled(old) if old.material == body.material => Some(&old.reconciliation),
                _ => None,
            })?;
            Some((words::named(old), words::named(&body.reconciliation)))
        }
        Body::OrderReopened(_) => {
            let old = earlier().find_map(|entry| match &entry.body {
                Body::OrderApproved(_) => Some("label record approved"),
                Body::OrderRejected(_) => Some("label record rejected"),
                Body::OrderSignedForPackaging(_) => Some("signed for packaging"),
                Body::OrderReconciled(_) => Some("reconciled"),
                Body::OrderFinished(_) => Some("finished"),
                _ => None,
            });
            said(old.unwrap_or("closed"), "open again")
        }
        Body::OrderVoided(_) => said("planned", "void"),
        Body::RollHoldLifted(body) => lifted(&body.cause),
        Body::DeliveryHoldLifted(body) => lifted(&body.cause),
        Body::OrderHoldLifted(body) => lifted(&body.cause),
        Body::AccountRolesChanged(body) => {
            let old = earlier().find_map(|entry| match &entry.body {
                Body::AccountRolesChanged(old) => Some(&old.roles),
                Body::AccountEnrolled(old) => Some(&old.roles),
                _ => None,
            });
            Some((old.map_or_else(|| UNKNOWN.to_owned(), |old| grants(gathered, old)), grants(gathered, &body.roles)))
        }
        Body::AccountDisabled(_) => said("in use", "disabled"),
        Body::AccountKeyRetired(_) => said("signing key in use", "signing key retired"),
        Body::AccountPasswordReset(_) => said("a password of their own", "a one-time password"),
        Body::CountAborted(_) => said("count running", "given up"),
        Body::IssueWithdrawn(_) => said("given", "withdrawn"),
        Body::ItemObsoleted(_) => said("approved", "obsolete"),
        Body::LimitSetWithdrawn(_) => said("in force", "withdrawn"),
        Body::LineDevicesChanged(_) => {
            let old =
                earlier().find(|entry| matches!(&entry.body, Body::LineDevicesChanged(_) | Body::LineRegistered(_)));
            let devices = |entry: &Entry| {
                let fields = super::body::fields(gathered, entry).into_iter();
                let devices = fields.filter(|(name, _)| name.starts_with("Devices"));
                devices.map(|(name, value)| format!("{name}: {value}")).collect::<Vec<_>>().join("; ")
            };
            Some((old.map_or_else(|| UNKNOWN.to_owned(), devices), devices(entry)))
        }
        Body::RollCountDoubted(body) => {
            Some((format!("{} stands", words::named(&body.count)), "it does not stand".to_owned()))
        }
        Body::RollIssueWithdrawn(_) => said("given out", "in the store"),
        Body::RollObsoleted(_) => said("fit for use", "obsolete"),
        Body::StationDoubted(_) => said("challenged", "doubted until it is challenged again"),
        Body::TestRollWithdrawn(_) => said("in use", "withdrawn"),
        Body::DeviationAssessed(_) | Body::CountDispositionCorrected(_) | Body::OrderQuantityWithdrawn(_) => {
            told::change(entry, gathered.before(entry))
        }
        _ => None,
    }
}

fn lifted(cause: &Stream) -> Option<(String, String)> {
    Some((format!("on hold by {}", words::named(cause)), "hold lifted".to_owned()))
}

/// Roles, each with the training it rests on and its end.
fn grants(gathered: &Gathered, roles: &[Grant]) -> String {
    let said = roles.iter().map(|grant| {
        let until = grant.until.map_or_else(String::new, |until| format!(" until {}", gathered.at(until)));
        format!("{} on {}{until}", grant.role.title(), grant.training)
    });
    said.collect::<Vec<_>>().join("; ")
}
