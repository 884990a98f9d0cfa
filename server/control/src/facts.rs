//! What is common to all records: who made which kind of entry, and which signatures stand.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{AccountId, Stream};
use tallyseal_schema::kinds::{MEANINGS, Meaning, Role, meaning};
use tallyseal_schema::{Body, By, Entry, Hash, Time};

use crate::refusal::Refusal;
use crate::world::{Stop, World};
use crate::{Context, Draft};

/// One signature on a record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Standing {
    /// Who signed.
    pub account: AccountId,
    /// When.
    pub at: Time,
    /// The key that signed, by its name.
    pub key: Hash,
    /// What it means.
    pub meaning: String,
    /// Its place in the book.
    pub n: u64,
    /// Printed name.
    pub name: String,
    /// Its place in the record's stream.
    pub rev: u64,
    /// The role signed in.
    pub role: Role,
    /// The record has got content after it: it no longer counts.
    pub void: bool,
}

/// Who did what in a stream, and what was signed.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Facts {
    /// For the entry kinds that exclude their authors from a signature: who made them.
    pub doers: BTreeMap<String, BTreeSet<AccountId>>,
    /// Every signature, void ones too.
    pub signatures: Vec<Standing>,
}

impl Facts {
    pub(crate) fn evolve(&mut self, entry: &Entry) {
        let kind = entry.body.kind();
        if kind.content {
            for signature in &mut self.signatures {
                signature.void = true;
            }
        }
        if let (Some(account), true) = (entry.header.by.account(), excludes_its_author(kind.name)) {
            self.doers.entry(kind.name.to_owned()).or_default().insert(account.clone());
        }
        if let Body::SignatureApplied(signature) = &entry.body {
            self.signatures.push(Standing {
                account: signature.account.clone(),
                at: entry.header.at,
                key: signature.key,
                meaning: signature.meaning.clone(),
                n: entry.header.n,
                name: signature.name.clone(),
                rev: entry.header.rev,
                role: signature.role,
                void: false,
            });
        }
    }

    /// True where a signature of that meaning stands.
    pub fn signed(&self, meaning: &str) -> bool {
        self.signatures.iter().any(|signature| signature.meaning == meaning && !signature.void)
    }

    /// Who gave a signature of that meaning, void or not: who signed once has had a part in it.
    pub fn signers<'a>(&'a self, meaning: &'a str) -> impl Iterator<Item = &'a AccountId> {
        self.signatures.iter().filter(move |signature| signature.meaning == meaning).map(|signature| &signature.account)
    }

    fn excludes(&self, meaning: &Meaning, account: &AccountId) -> bool {
        let did = |kind: &&str| self.doers.get(*kind).is_some_and(|doers| doers.contains(account));
        meaning.excludes.iter().any(did)
            || meaning.excludes_signers.iter().any(|other| self.signers(other).any(|signer| signer == account))
    }
}

fn excludes_its_author(kind: &str) -> bool {
    MEANINGS.iter().any(|meaning| meaning.excludes.contains(&kind))
}

/// A signature by the actor on `record`, covering `also` as well, where the table of meanings allows it.
///
/// Errors: no key opened, no valid key, wrong role, or a person that the meaning excludes.
/// Rule: `schema` table of meanings; 21 CFR 11.10(g), 11.200; nobody approves their own work.
pub(crate) fn signature(
    world: &World,
    context: &Context,
    record: &Stream,
    also: &[Stream],
    name: &'static str,
) -> Result<Draft, Stop> {
    let meaning = meaning(name).ok_or_else(|| Refusal::internal("no such meaning"))?;
    let By::Person(person) = &context.by else {
        return Err(
            Refusal::forbidden("machine-cannot-sign", "Only a person signs.", "Sign in and sign yourself.").into()
        );
    };
    if !meaning.roles.contains(&person.role) {
        let roles: Vec<_> = meaning.roles.iter().map(|role| role.title()).collect();
        return Err(Refusal::forbidden(
            "wrong-role",
            format!("\"{name}\" is signed as {}, not as {}.", roles.join(" or "), person.role.title()),
            "Ask a person who has that role to sign it.",
        )
        .into());
    }
    for stream in std::iter::once(record).chain(also) {
        // A record that the same act begins has no doers yet.
        if world.record(stream)?.is_some_and(|record| record.facts.excludes(meaning, &person.account)) {
            return Err(Refusal::forbidden(
                "same-person",
                format!(
                    "You had a part in the {} {} yourself; \"{name}\" needs another person.",
                    stream.thing().replace('_', " "),
                    stream.id()
                ),
                "Ask a second person to check and sign it.",
            )
            .into());
        }
    }
    if meaning.excludes_self && *record == Stream::account(&person.account) {
        return Err(Refusal::forbidden(
            "same-person",
            "Nobody confirms their own identity.",
            "Ask a second person to confirm it.",
        )
        .into());
    }
    let account = world.account(&Stream::account(&person.account))?;
    let Some(key) = &context.key else {
        let covers = std::iter::once(record).chain(also).cloned().collect();
        return Err(Refusal::needs_password(name, covers).into());
    };
    if account.must_change_password {
        return Err(Refusal::forbidden(
            "one-time-password",
            "A one-time password cannot sign.",
            "Set your own password first.",
        )
        .into());
    }
    // The two founders begin the book by confirming each other: nobody could have confirmed them before.
    if name == "identity confirmed" && account.founds_with(key) && world.account(record)?.founder {
        return Ok(Draft::Signature { record: record.clone(), meaning: name, also: also.to_vec() });
    }
    if !account.may_sign_with(key) {
        return Err(Refusal::forbidden(
            "key-not-valid",
            "Your signing key is not confirmed yet, or was retired.",
            "Ask the administrator or a reviewer to confirm your identity first.",
        )
        .into());
    }
    Ok(Draft::Signature { record: record.clone(), meaning: name, also: also.to_vec() })
}
