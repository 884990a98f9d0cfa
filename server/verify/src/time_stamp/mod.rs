//! Time-stamp tokens: an authority's word that a checkpoint was there before some moment.
//!
//! Rule: RFC 3161 and RFC 5816; `FORMAT.md` section 3. Everything that a token says is signed, or it is refused: there is
//! no byte in one that was judged good which could be another and mean something else.

mod asking;
mod authorities;
mod form;

use std::fmt;
use std::time::Duration;

use der::asn1::{ObjectIdentifier, OctetStringRef};
use der::{Decode as _, Encode as _, Tag, Tagged as _};
use rustls_pki_types::{CertificateDer, SignatureVerificationAlgorithm, UnixTime};
use tallyseal_schema::hash::Sha2;
use tallyseal_schema::{Hash, Time};
use webpki::{EndEntityCert, KeyUsage, ring as algorithms};
use x509_cert::Certificate;
use x509_cert::ext::pkix::{ExtendedKeyUsage, KeyUsage as Usage};

pub use asking::{Answer, answer, request};
pub use authorities::{Authorities, AuthoritiesError};
use form::{CONTENT_TYPE, ContentInfo, MESSAGE_DIGEST, SIGNED_DATA, SIGNING_CERTIFICATE_V2, SignedData, SignerInfo};
use form::{Signed, SigningCertificates, TIME_STAMPING, TST_INFO, TstInfo};

/// No token is longer. Unit: bytes.
pub const TOKEN_MAX: usize = 64 * 1024;
/// So many certificates stand in one at most.
const CERTIFICATES_MAX: usize = 16;
/// The longest name of an authority that is shown. Unit: characters.
const NAME_MAX: usize = 200;
/// Two clocks that are both right differ by less. An entry below a token that is later by more is a fault.
///
/// Unit: microseconds. Rule: `FORMAT.md` section 3.
pub const TOLERANCE_US: i64 = 60_000_000;

/// What a good token says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stamp {
    /// How far the authority says that its time may be off. Unit: microseconds.
    pub accuracy_us: i64,
    /// The authority's time.
    pub at: Time,
    /// Whose certificate it is, as the certificate says.
    pub authority: String,
    /// SHA-256 of the certificate.
    pub certificate: Hash,
    /// The certificate leads to one that was given from outside.
    pub certified: bool,
    /// When the certificate ends.
    pub ends: Time,
    nonce: Option<Vec<u8>>,
}

impl Stamp {
    /// One of that time, by nobody.
    #[cfg(test)]
    pub(crate) fn of(at: Time) -> Self {
        Self {
            accuracy_us: 0,
            at,
            authority: "CN=authority.example".to_owned(),
            certificate: Hash::ZERO,
            certified: true,
            ends: at,
            nonce: None,
        }
    }

    /// What it covers was there at that moment, as far as the authority is right.
    pub fn before(&self) -> Time {
        self.at.plus_micros(self.accuracy_us)
    }

    /// No entry below it says a later time.
    pub fn bound(&self) -> Time {
        self.before().plus_micros(TOLERANCE_US)
    }
}

/// Why a token is not good, as the end of a sentence that begins with the token.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TokenError(String);

impl fmt::Display for TokenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for TokenError {}

fn wrong<T>(what: impl fmt::Display) -> Result<T, TokenError> {
    Err(TokenError(what.to_string()))
}

/// What cannot be read at all.
fn unread(error: der::Error) -> TokenError {
    TokenError(format!("is not of the form of RFC 3161 ({error})"))
}

/// One certificate in a token, or one that was given.
pub(crate) struct Held {
    der: Vec<u8>,
    read: Certificate,
}

impl Held {
    fn read(der: Vec<u8>) -> Result<Self, der::Error> {
        Ok(Self { read: Certificate::from_der(&der)?, der })
    }

    /// True where `of` is signed by this one's key.
    fn signed(&self, of: &Self) -> bool {
        let (Ok(raw), key) = (Signed::from_der(&of.der), CertificateDer::from(self.der.as_slice())) else {
            return false;
        };
        let (Ok(key), Ok(body), Some(signature)) =
            (EndEntityCert::try_from(&key), raw.body.to_der(), raw.signature.as_bytes())
        else {
            return false;
        };
        let (read, issuer) = (&of.read, self.read.tbs_certificate().subject());
        // What is signed says once more how.
        read.tbs_certificate().issuer() == issuer
            && read.signature_algorithm() == read.tbs_certificate().signature()
            && webpki::ALL_VERIFICATION_ALGS
                .iter()
                .filter(|one| *one.signature_alg_id() == *raw.algorithm.value())
                .any(|one| key.verify_signature(*one, &body, signature).is_ok())
    }
}

/// SHA-256 of what a token says that it is over. Nothing else of it is judged.
///
/// Errors: it cannot be read, or is over another hash.
pub fn covers(token: &[u8]) -> Result<Hash, TokenError> {
    let info = ContentInfo::from_der(token).map_err(unread)?;
    let data: SignedData<'_> = info.content.decode_as().map_err(unread)?;
    let stamped = TstInfo::from_der(data.content.content.as_bytes()).map_err(unread)?;
    match stamped.imprint.hash.as_bytes().try_into() {
        Ok(hash) if form::sha2(&stamped.imprint.digest) == Some(Sha2::Bits256) => Ok(Hash(hash)),
        _ => wrong("is over another hash than SHA-256"),
    }
}

/// Judges a token. `covers`: SHA-256 of the bytes that it must be over; `authorities`: the certificates that its own must
/// lead to, where there are any.
///
/// Its certificate is judged at the token's own time: one that has ended since was good when it signed.
///
/// Errors: why it is not good. No input makes it panic.
pub fn judge(token: &[u8], covers: &Hash, authorities: Option<&Authorities>) -> Result<Stamp, TokenError> {
    if token.len() > TOKEN_MAX {
        return wrong(format_args!("is longer than {TOKEN_MAX} bytes"));
    }
    let info = ContentInfo::from_der(token).map_err(unread)?;
    if info.kind != SIGNED_DATA {
        return wrong("is not signed data");
    }
    let data: SignedData<'_> = info.content.decode_as().map_err(unread)?;
    let (content, kind) = (data.content.content.as_bytes(), data.content.kind);
    if kind != TST_INFO || data.version != 3 {
        return wrong("is signed data of another kind");
    }
    let stamped = TstInfo::from_der(content).map_err(unread)?;
    if stamped.version != 1 {
        return wrong("is of another version than 1");
    }
    if form::sha2(&stamped.imprint.digest) != Some(Sha2::Bits256) || stamped.imprint.hash.as_bytes() != covers.0 {
        return wrong("is over something else than this checkpoint");
    }
    if stamped.extensions.iter().flatten().any(|extension| extension.critical) {
        return wrong("has a critical extension that is not known here");
    }
    let Some(at) = form::time(stamped.at) else { return wrong("has no time of the form of RFC 3161") };

    let [signer] = data.signers.as_ref() else { return wrong("has not exactly one signature") };
    let signer: SignerInfo<'_> = signer.decode_as().map_err(unread)?;
    let held = certificates(&data)?;
    let own = held.iter().find(|held| {
        let read = held.read.tbs_certificate();
        *read.issuer() == signer.signer.issuer && *read.serial_number() == signer.signer.serial
    });
    let Some(own) = own else { return wrong("does not have its signer's certificate in it") };
    if data.digests.as_ref() != std::slice::from_ref(&signer.digest) || signer.version != 1 {
        return wrong("says two things about how it is signed");
    }
    signed_by(own, &signer, kind, content)?;
    may_stamp(own, at)?;
    if let Some(authorities) = authorities {
        authorities.vouch(own, &held, at)?;
    }
    let read = own.read.tbs_certificate();
    Ok(Stamp {
        accuracy_us: stamped.accuracy.map_or(0, |accuracy| accuracy.micros()),
        at,
        authority: shown(&read.subject().to_string()),
        certificate: Hash::of(&own.der),
        certified: authorities.is_some(),
        ends: moment(read.validity().not_after.to_unix_duration()),
        nonce: stamped.nonce.map(|nonce| nonce.as_bytes().to_vec()),
    })
}

/// The certificates in a token.
fn certificates(data: &SignedData<'_>) -> Result<Vec<Held>, TokenError> {
    let all = data.certificates.iter().flat_map(|all| all.as_ref());
    let mut held = Vec::new();
    for one in all {
        if one.tag() != Tag::Sequence {
            return wrong("has something else than certificates of X.509 among its certificates");
        }
        held.push(one.to_der().and_then(Held::read).map_err(unread)?);
        if held.len() > CERTIFICATES_MAX {
            return wrong(format_args!("has more than {CERTIFICATES_MAX} certificates in it"));
        }
    }
    Ok(held)
}

/// The signature is that certificate's, over this content.
///
/// Rule: RFC 5652 section 5.4; RFC 3161 section 2.4.2, RFC 5816 section 2.2.1: the signature names the certificate.
fn signed_by(own: &Held, signer: &SignerInfo<'_>, kind: ObjectIdentifier, content: &[u8]) -> Result<(), TokenError> {
    let one = |wanted: ObjectIdentifier| {
        let mut fitting = signer.signed.iter().filter(|attribute| attribute.oid == wanted);
        match (fitting.next().map(|attribute| attribute.values.as_ref()), fitting.next()) {
            (Some([value]), None) => Some(value),
            _ => None,
        }
    };
    let Some(digest) = form::sha2(&signer.digest) else { return wrong("is signed over another hash than SHA-2") };
    if one(CONTENT_TYPE).and_then(|value| value.decode_as().ok()) != Some(kind) {
        return wrong("does not sign what kind of content it has");
    }
    let hash = one(MESSAGE_DIGEST).and_then(|value| value.decode_as::<&OctetStringRef>().ok());
    if hash.is_none_or(|hash| hash.as_bytes() != digest.of(content)) {
        return wrong("has content that is not what was signed");
    }
    let Some(ids) = one(SIGNING_CERTIFICATE_V2) else {
        return wrong(
            "does not name its certificate by SHA-2; its authority must be set to do so (RFC 5816, ESSCertIDv2)",
        );
    };
    let ids: SigningCertificates<'_> = ids.decode_as().map_err(unread)?;
    let first = ids.certificates.first();
    let named = first.and_then(|id| {
        let digest = id.digest.as_ref().map_or(Some(Sha2::Bits256), form::sha2)?;
        Some(id.hash.as_bytes() == digest.of(&own.der))
    });
    if named != Some(true) {
        return wrong("names another certificate than its signer's");
    }
    let plain = signer.algorithm.parameters.is_none_or(der::asn1::AnyRef::is_null);
    let fitting = fitting(signer.algorithm.oid, digest);
    if fitting.is_empty() || !plain {
        return wrong("is signed by an algorithm that is not known here");
    }
    let message = signer.signed.to_der().map_err(unread)?;
    let certificate = CertificateDer::from(own.der.as_slice());
    let key = EndEntityCert::try_from(&certificate).map_err(|error| unusable(&error))?;
    let good = |one: &&'static dyn SignatureVerificationAlgorithm| {
        key.verify_signature(*one, &message, signer.signature.as_bytes()).is_ok()
    };
    if !fitting.iter().any(good) {
        return wrong("has a signature that is not its certificate's");
    }
    Ok(())
}

fn unusable(error: &webpki::Error) -> TokenError {
    TokenError(format!("has a certificate that cannot be used ({error})"))
}

/// What a signature named so may be: the key decides between curves. Rule: RFC 3370 section 3, RFC 5754 section 3.
fn fitting(named: ObjectIdentifier, digest: Sha2) -> Vec<&'static dyn SignatureVerificationAlgorithm> {
    match (named.to_string().as_str(), digest) {
        ("1.2.840.113549.1.1.1" | "1.2.840.113549.1.1.11", Sha2::Bits256) => {
            vec![algorithms::RSA_PKCS1_2048_8192_SHA256]
        }
        ("1.2.840.113549.1.1.1" | "1.2.840.113549.1.1.12", Sha2::Bits384) => {
            vec![algorithms::RSA_PKCS1_2048_8192_SHA384]
        }
        ("1.2.840.113549.1.1.1" | "1.2.840.113549.1.1.13", Sha2::Bits512) => {
            vec![algorithms::RSA_PKCS1_2048_8192_SHA512]
        }
        ("1.2.840.10045.4.3.2", Sha2::Bits256) => {
            vec![algorithms::ECDSA_P256_SHA256, algorithms::ECDSA_P384_SHA256]
        }
        ("1.2.840.10045.4.3.3", Sha2::Bits384) => {
            vec![algorithms::ECDSA_P384_SHA384, algorithms::ECDSA_P256_SHA384]
        }
        _ => Vec::new(),
    }
}

/// The certificate is one for this purpose alone, and was valid then.
///
/// Rule: RFC 3161 section 2.3.
fn may_stamp(own: &Held, at: Time) -> Result<(), TokenError> {
    let read = own.read.tbs_certificate();
    match read.get_extension::<ExtendedKeyUsage>() {
        Ok(Some((true, ExtendedKeyUsage(purposes)))) if purposes == [TIME_STAMPING] => {}
        _ => return wrong("is signed with a certificate that is not for time-stamping alone, said as critical"),
    }
    match read.get_extension::<Usage>() {
        Ok(None) => {}
        Ok(Some((_, usage))) if usage.digital_signature() || usage.non_repudiation() => {}
        _ => return wrong("is signed with a certificate that may not sign"),
    }
    let [from, to] = [read.validity().not_before, read.validity().not_after].map(|one| moment(one.to_unix_duration()));
    // The last second of a certificate is all of it.
    if at < from || at >= to.plus_micros(1_000_000) {
        return wrong(format_args!("is of {at}, and its certificate is valid from {from} to {to}"));
    }
    Ok(())
}

fn moment(since: Duration) -> Time {
    let micros = i64::try_from(since.as_micros()).unwrap_or(i64::MAX);
    // Later than any entry.
    let last = || Time::from_micros(253_402_300_799_000_000).unwrap_or_default();
    Time::from_micros(micros).unwrap_or_else(last)
}

/// A name from a certificate may hold anything.
fn shown(name: &str) -> String {
    let mut shown: String = name.chars().filter(|c| !c.is_control()).take(NAME_MAX).collect();
    if shown.is_empty() {
        shown.push_str("an authority without a name");
    }
    shown
}

/// The path from a certificate to those that were given, at that moment.
pub(super) fn leads(own: &Held, others: &[Held], anchors: &[Held], at: Time) -> Result<(), TokenError> {
    let certificate = CertificateDer::from(own.der.as_slice());
    let end = EndEntityCert::try_from(&certificate).map_err(|error| unusable(&error))?;
    let given: Vec<CertificateDer<'_>> = anchors.iter().map(|one| CertificateDer::from(one.der.as_slice())).collect();
    let anchors: Vec<_> = given.iter().filter_map(|one| webpki::anchor_from_trusted_cert(one).ok()).collect();
    let between: Vec<CertificateDer<'_>> = others.iter().map(|one| CertificateDer::from(one.der.as_slice())).collect();
    let seconds = u64::try_from(at.micros() / 1_000_000).unwrap_or(0);
    let when = UnixTime::since_unix_epoch(Duration::from_secs(seconds));
    // That the purpose is said, and as critical, was asked of the certificate itself; those between may leave it open.
    let usage = KeyUsage::required_if_present(TIME_STAMPING.as_bytes());
    match end.verify_for_usage(webpki::ALL_VERIFICATION_ALGS, &anchors, &between, when, usage, None, None) {
        Ok(_) => Ok(()),
        Err(error) => {
            wrong(format_args!("is signed with a certificate that does not lead to one that was given ({error})"))
        }
    }
}
