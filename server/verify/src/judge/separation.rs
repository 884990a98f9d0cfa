//! Who may not both: the table of meanings, held against who did and signed what in the covered streams.

use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds;

use super::streams::Streams;
use crate::check::Check;
use crate::detail::Signed;
use crate::findings::Findings;

/// Judges one signature, before its entry joins its stream.
pub(super) fn judge(n: u64, signed: &Signed, streams: &Streams, findings: &mut Findings) {
    findings.looked(Check::Separation, 1);
    let body = &signed.body;
    let Some(meaning) = kinds::meaning(&body.meaning) else {
        findings.not_judged(Check::Separation, "of a meaning that this program does not know", 1);
        return;
    };
    let mut wrong = |what: String| findings.fault(Check::Separation, Some(n), what);
    if !meaning.things.contains(&body.record.thing()) {
        wrong(format!("\"{}\" cannot be signed on {}", meaning.name, body.record));
    }
    if !meaning.roles.contains(&body.role) {
        wrong(format!("\"{}\" cannot be signed as {}", meaning.name, body.role.title()));
    }
    if meaning.excludes_self && body.record == Stream::account(&body.account) {
        wrong(format!("{} signed \"{}\" about their own account", body.account, meaning.name));
    }
    for stream in body.covers.keys() {
        // A stream that is not here was counted by the check of signatures.
        let Some(doings) = streams.get(stream).and_then(|state| state.doings.as_ref()) else { continue };
        for (kind, _) in doings.did.iter().filter(|(kind, who)| *who == body.account && meaning.excludes.contains(kind))
        {
            wrong(format!("{} signed \"{}\" and made {kind} in {stream}", body.account, meaning.name));
        }
        let signers = doings.signed.iter().filter(|(_, who)| *who == body.account);
        for (other, _) in signers.filter(|(other, _)| meaning.excludes_signers.contains(&other.as_str())) {
            wrong(format!("{} signed \"{}\" and signed \"{other}\" in {stream}", body.account, meaning.name));
        }
    }
}
