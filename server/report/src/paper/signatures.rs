//! Who signed what, when, in which meaning, and whether it still counts.

use tallyseal_schema::kinds::SignatureApplied;
use tallyseal_schema::{Body, Entry};

use super::say::{heading, text};
use super::{Block, Gathered, Signature};
use crate::words;

/// Every signature of the record with its entry, in order.
pub(crate) fn all(gathered: &Gathered) -> impl Iterator<Item = (&Entry, &SignatureApplied)> {
    gathered.entries().filter_map(|entry| match &entry.body {
        Body::SignatureApplied(body) => Some((entry, body)),
        _ => None,
    })
}

/// Why a signature no longer counts: what came after it on the record that it signs. `None`: it stands.
pub(crate) fn void(gathered: &Gathered, entry: &Entry, body: &SignatureApplied) -> Option<String> {
    let later = gathered
        .stream(&body.record)
        .find(|one| one.header.rev > entry.header.rev && one.header.n > entry.header.n && one.body.kind().content)?;
    Some(format!(
        "the record changed after it, by entry {} ({}), {}",
        later.header.n,
        words::kind(&later.header.kind).to_lowercase(),
        gathered.at(later.header.at)
    ))
}

/// A signature as it is printed.
pub(crate) fn signature(gathered: &Gathered, entry: &Entry, body: &SignatureApplied) -> Signature {
    let covers = body.covers.iter().map(|(stream, cover)| format!("{} to {}", words::named(stream), cover.rev));
    Signature {
        account: body.account.to_string(),
        at: gathered.at(entry.header.at),
        covers: covers.collect::<Vec<_>>().join(", "),
        meaning: body.meaning.clone(),
        n: entry.header.n,
        name: body.name.clone(),
        record: words::capital(&words::named(&body.record)),
        role: body.role.title().to_owned(),
        void: void(gathered, entry, body),
    }
}

/// The blocks of the section: those of the record itself first.
pub(crate) fn blocks(gathered: &Gathered) -> Vec<Block> {
    let mut blocks = vec![text(
        "Each signature was given with the signer's password, which opened a key that is theirs alone. It covers every entry \
         of the records that it names, up to the number after the name. It is void once the record that it signs has changed \
         after it; what it said then stays readable.",
    )];
    let (own, others): (Vec<_>, Vec<_>) = all(gathered).partition(|(_, body)| body.record == gathered.record);
    let part = |title: String, of_it: Vec<(&Entry, &SignatureApplied)>| {
        let signatures = of_it.into_iter().map(|(entry, body)| Block::Signature(signature(gathered, entry, body)));
        std::iter::once(heading(2, title, "")).chain(signatures).collect::<Vec<_>>()
    };
    if own.is_empty() {
        blocks.push(text(format!("Nobody has signed the {} itself.", words::named(&gathered.record))));
    } else {
        blocks.extend(part(format!("On the {} itself", words::named(&gathered.record)), own));
    }
    if !others.is_empty() {
        blocks.extend(part("On what it leans on".to_owned(), others));
    }
    blocks
}
