//! What is asked of an authority, and what it answers.

use der::asn1::{OctetStringRef, UintRef};
use der::{Decode as _, Encode as _};
use tallyseal_schema::Hash;
use x509_cert::spki::AlgorithmIdentifier;

use super::form::{Imprint, Request, Response, SHA_256};
use super::{Authorities, Stamp, TOKEN_MAX, TokenError, judge, unread};

/// What an authority answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// A good token over what was asked for: its bytes, and what it says.
    Token(Vec<u8>, Stamp),
    /// It gives none; why, in a sentence.
    No(String),
    /// It gives one that is not good; why, as the end of a sentence that begins with the token.
    Bad(TokenError),
}

/// A request for a token over `covers`, with the authority's certificate in it. `nonce`: bytes that nobody can foresee,
/// which come back in the token, so that no older one is shown.
///
/// Errors: `nonce` is empty. Rule: RFC 3161 section 2.4.1.
pub fn request(covers: &Hash, nonce: &[u8]) -> Result<Vec<u8>, TokenError> {
    let hash = OctetStringRef::new(&covers.0).map_err(unread)?;
    let imprint = Imprint { digest: AlgorithmIdentifier { oid: SHA_256, parameters: None }, hash };
    let nonce = UintRef::new(nonce).map_err(unread)?;
    let request = Request { version: 1, imprint, policy: None, nonce: Some(nonce), wants_certificate: true };
    request.to_der().map_err(unread)
}

/// Judges the answer to [`request`], with the same `covers` and `nonce`.
///
/// No input makes it panic. Rule: RFC 3161 section 2.4.2.
pub fn answer(bytes: &[u8], covers: &Hash, nonce: &[u8], authorities: Option<&Authorities>) -> Answer {
    if bytes.len() > TOKEN_MAX {
        return Answer::No(format!("Its answer is longer than {TOKEN_MAX} bytes."));
    }
    let response = match Response::from_der(bytes) {
        Ok(response) => response,
        Err(error) => return Answer::No(format!("Its answer is not of the form of RFC 3161 ({error}).")),
    };
    // Granted, and granted with modifications: what was modified is looked at as everything is.
    let token = match (response.status.status, response.token) {
        (0 | 1, Some(token)) => token,
        (status, _) => {
            let said = response.status.said.unwrap_or_default();
            let said: Vec<&str> = said.iter().map(|text| text.as_str()).collect();
            let said: String = said.join("; ").chars().filter(|c| !c.is_control()).take(100).collect();
            let failure = response.status.failure.and_then(|bits| bits.bits().position(|bit| bit));
            let failure = failure.map(|bit| format!(", failure {bit}")).unwrap_or_default();
            let said = if said.is_empty() { said } else { format!(": {said}") };
            return Answer::No(format!("It gives no token (status {status}{failure}){said}."));
        }
    };
    let judged = token.to_der().map_err(unread).and_then(|token| {
        let stamp = judge(&token, covers, authorities)?;
        // Written without the zeros that a number does not have.
        let first = nonce.iter().position(|byte| *byte != 0).unwrap_or(nonce.len().saturating_sub(1));
        match stamp.nonce.as_deref() == nonce.get(first..) {
            true => Ok((token, stamp)),
            false => super::wrong("is the answer to another request (its nonce is not ours)"),
        }
    });
    match judged {
        Ok((token, stamp)) => Answer::Token(token, stamp),
        Err(error) => Answer::Bad(error),
    }
}
