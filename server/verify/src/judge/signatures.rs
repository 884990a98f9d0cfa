//! People's signatures: by whom, with which key, over what.

use std::collections::{BTreeMap, HashSet};

use tallyseal_schema::ids::Stream;
use tallyseal_schema::signature::verify;
use tallyseal_schema::{Hash, Time};

use super::accounts::{Accounts, KeyState, RoleState};
use super::separation;
use super::streams::Streams;
use crate::check::Check;
use crate::detail::Signed;
use crate::findings::Findings;
use crate::signing::{BAD, Job, Work};

/// Where a signature stands.
#[derive(Clone, Copy)]
pub(super) struct Place<'a> {
    pub(super) n: u64,
    pub(super) at: Time,
    pub(super) rev: u64,
    pub(super) stream: &'a Stream,
}

/// Every signature's bytes so far: none is ever used twice.
#[derive(Default)]
pub(super) struct Signatures {
    used: HashSet<[u8; 64]>,
    /// Every signature and the key that it names.
    given: Vec<(u64, Hash)>,
}

/// What was found about one signature.
#[derive(Default)]
struct Found {
    wrong: Vec<String>,
    unjudged: Vec<&'static str>,
}

impl Found {
    fn wrong(&mut self, what: impl Into<String>) {
        self.wrong.push(what.into());
    }
}

impl Signatures {
    /// The signatures that do not stand because of a compromised key, each with that key: it signed them, or it confirmed
    /// the key that did, and nobody else had.
    ///
    /// Rule: `FORMAT.md` section 4. Known only when all entries are: the mark comes after what it speaks of.
    pub(super) fn fallen(&self, accounts: &Accounts) -> BTreeMap<u64, Hash> {
        let mut fallen = BTreeMap::new();
        if !accounts.has_compromised() {
            return fallen;
        }
        for (n, key) in &self.given {
            if accounts.is_compromised(key, *n) {
                fallen.insert(*n, *key);
                continue;
            }
            // Earlier than this signature, so judged before it.
            let mut confirmed_by = accounts.confirmations(key).iter().filter(|by| *by < n).peekable();
            if confirmed_by.peek().is_some()
                && let Some(causes) = confirmed_by.map(|by| fallen.get(by).copied()).collect::<Option<Vec<Hash>>>()
                && let Some(cause) = causes.first()
            {
                fallen.insert(*n, *cause);
            }
        }
        fallen
    }

    /// Judges the signature at `entry`, before that entry joins its stream.
    pub(super) fn judge(
        &mut self,
        entry: Place<'_>,
        signed: &Signed,
        streams: &mut Streams,
        accounts: &mut Accounts,
        findings: &mut Findings,
        work: &Work,
    ) {
        findings.looked(Check::Signatures, 1);
        self.given.push((entry.n, signed.body.key));
        let mut found = Found::default();
        if !signed.by_author {
            found.wrong("account, name and role are not those of the entry's author");
        }
        record(entry, signed, &mut found);
        covers(signed, streams, &mut found);
        signer(entry.at, signed, streams, accounts, &mut found);
        let key = key(signed, streams, accounts, &mut found);
        match &signed.signed {
            None => found.wrong("sig is not base64 of 64 bytes"),
            Some((_, sig)) if !self.used.insert(*sig) => found.wrong("sig was used at an earlier entry"),
            Some(_) => {}
        }
        separation::judge(entry.n, signed, streams, findings);
        self.confirm_or_put_off(entry.n, signed, key, accounts, &mut found, work);
        for wrong in found.wrong {
            findings.fault(Check::Signatures, Some(entry.n), wrong);
        }
        for why in found.unjudged {
            findings.not_judged(Check::Signatures, why, 1);
        }
    }

    /// A confirmation changes which keys are good after it, so it is verified at once; all others later.
    fn confirm_or_put_off(
        &self,
        n: u64,
        signed: &Signed,
        key: Option<[u8; 32]>,
        accounts: &mut Accounts,
        found: &mut Found,
        work: &Work,
    ) {
        let body = &signed.body;
        let confirms = body.meaning == "identity confirmed" && body.record.thing() == "account";
        match (key, &signed.signed) {
            (Some(public), Some((message, sig))) if confirms && !verify(&public, message, sig) => found.wrong(BAD),
            (Some(public), Some((message, sig))) if !confirms => {
                work.push(Job { n, public, message: message.clone(), sig: *sig });
            }
            _ => {}
        }
        // What cannot be judged is not held against the keys that rest on it: it was counted already.
        if confirms && found.wrong.is_empty() && body.record != Stream::account(&body.account) {
            accounts.confirm(&body.record, n);
        }
    }
}

/// The signature stands in the stream that it signs, right after what it covers there.
fn record(entry: Place<'_>, signed: &Signed, found: &mut Found) {
    let body = &signed.body;
    match body.covers.get(&body.record) {
        _ if body.covers.is_empty() => found.wrong("it covers nothing"),
        None => found.wrong(format!("it does not cover {}, the record that it signs", body.record)),
        Some(_) if *entry.stream != body.record => {
            found.wrong(format!("it signs {} and stands in {}", body.record, entry.stream));
        }
        Some(cover) if cover.rev.checked_add(1) != Some(entry.rev) => {
            // Also where the stream is not here in full, and its root cannot be made.
            found.wrong(format!("it is rev {} of {} and covers it to rev {}", entry.rev, body.record, cover.rev));
        }
        Some(_) => {}
    }
}

/// Each covered stream is covered whole: to its last entry before this one, with the root over all of them.
fn covers(signed: &Signed, streams: &Streams, found: &mut Found) {
    for (stream, cover) in &signed.body.covers {
        match streams.get(stream) {
            None if streams.expected(stream) => {
                found.wrong(format!("it covers {stream}, which has no entry before it"))
            }
            None => found.unjudged.push("a covered stream is not here"),
            Some(state) if !state.whole => found.unjudged.push("a covered stream is not here in full"),
            Some(state) if state.rev != cover.rev => {
                found.wrong(format!("it covers {stream} to rev {}, which was at rev {}", cover.rev, state.rev));
            }
            Some(state) if state.frontier.root() != cover.root => {
                found.wrong(format!("the root that it names is not that of {stream} at rev {}", cover.rev));
            }
            Some(_) => {}
        }
    }
}

/// The signer's account was open and had the role, which had not expired.
fn signer(at: Time, signed: &Signed, streams: &Streams, accounts: &Accounts, found: &mut Found) {
    let (account, role) = (&signed.body.account, signed.body.role);
    if !accounts.knows(account) {
        if streams.expected(&Stream::account(account)) {
            found.wrong(format!("account {account} was not open"));
        } else {
            found.unjudged.push("the signer's account is not here");
        }
        return;
    }
    if accounts.disabled(account) {
        found.wrong(format!("account {account} had ended"));
    }
    if !accounts.has_name(account, &signed.body.name) {
        found.wrong(format!("the name is not the one that account {account} was opened under"));
    }
    match accounts.role(account, role, at) {
        RoleState::Good => {}
        RoleState::Ended(until) => {
            found.wrong(format!("the role {} of account {account} had expired at {until}", role.as_str()));
        }
        RoleState::Strange => found.wrong(format!("account {account} did not have the role {}", role.as_str())),
    }
}

/// The raw key to verify with, where it is the signer's, whether or not it was good at that moment.
fn key(signed: &Signed, streams: &Streams, accounts: &Accounts, found: &mut Found) -> Option<[u8; 32]> {
    let body = &signed.body;
    let confirms = body.meaning == "identity confirmed";
    match accounts.key(&body.account, &body.key) {
        KeyState::Good(public) => Some(public),
        KeyState::Unconfirmed(public) => {
            let founding = confirms && accounts.founder_confirms_founder(&body.account, &body.key, &body.record);
            // Whether an account was opened as a founder's is not known where its opening is not here: counted above.
            if accounts.knows(&body.account) && !founding {
                found.wrong("the key was not confirmed");
            }
            Some(public)
        }
        KeyState::Retired(public) => {
            found.wrong("the key was retired");
            Some(public)
        }
        KeyState::Strange => {
            // An account that is not here at all was counted as such.
            if streams.expected(&Stream::account(&body.account)) {
                found.wrong(format!("the key is none of account {}'s", body.account));
            }
            None
        }
    }
}
