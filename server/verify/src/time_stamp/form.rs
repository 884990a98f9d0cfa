//! The forms of RFC 3161 and what they stand in: CMS signed data of RFC 5652, the certificate's hash of RFC 5816.
//!
//! Only what a time-stamp token may have in it. Rule: the ASN.1 modules of these three, in DER.

use der::asn1::{AnyRef, BitStringRef, IntRef, ObjectIdentifier, OctetStringRef, SetOfVec, UintRef, Utf8StringRef};
use der::{Sequence, Tag, Tagged as _};
use tallyseal_schema::Time;
use tallyseal_schema::hash::Sha2;
use x509_cert::attr::Attribute;
use x509_cert::ext::Extension;
use x509_cert::name::Name;
use x509_cert::serial_number::SerialNumber;
use x509_cert::spki::AlgorithmIdentifier;

type Algorithm<'a> = AlgorithmIdentifier<AnyRef<'a>>;

pub(super) const SIGNED_DATA: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.7.2");
pub(super) const TST_INFO: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.16.1.4");
pub(super) const CONTENT_TYPE: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.3");
pub(super) const MESSAGE_DIGEST: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.4");
pub(super) const SIGNING_CERTIFICATE_V2: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.16.2.47");
pub(super) static TIME_STAMPING: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.3.6.1.5.5.7.3.8");
pub(super) const SHA_256: ObjectIdentifier = ObjectIdentifier::new_unwrap("2.16.840.1.101.3.4.2.1");
const SHA_384: ObjectIdentifier = ObjectIdentifier::new_unwrap("2.16.840.1.101.3.4.2.2");
const SHA_512: ObjectIdentifier = ObjectIdentifier::new_unwrap("2.16.840.1.101.3.4.2.3");

/// The hash function that an algorithm identifier names; `None` for any other, SHA-1 too.
pub(super) fn sha2(algorithm: &Algorithm<'_>) -> Option<Sha2> {
    let plain = algorithm.parameters.is_none_or(AnyRef::is_null);
    match algorithm.oid {
        _ if !plain => None,
        SHA_256 => Some(Sha2::Bits256),
        SHA_384 => Some(Sha2::Bits384),
        SHA_512 => Some(Sha2::Bits512),
        _ => None,
    }
}

/// RFC 5652 section 3.
#[derive(Sequence)]
pub(super) struct ContentInfo<'a> {
    pub(super) kind: ObjectIdentifier,
    #[asn1(context_specific = "0", tag_mode = "EXPLICIT")]
    pub(super) content: AnyRef<'a>,
}

/// RFC 5652 section 5.1. Revocation lists have no place in a token that is kept: nobody vouches for their bytes.
#[derive(Sequence)]
pub(super) struct SignedData<'a> {
    pub(super) version: u8,
    pub(super) digests: SetOfVec<Algorithm<'a>>,
    pub(super) content: Encapsulated<'a>,
    #[asn1(context_specific = "0", tag_mode = "IMPLICIT", constructed = "true", optional = "true")]
    pub(super) certificates: Option<SetOfVec<AnyRef<'a>>>,
    pub(super) signers: SetOfVec<AnyRef<'a>>,
}

/// RFC 5652 section 5.2.
#[derive(Sequence)]
pub(super) struct Encapsulated<'a> {
    pub(super) kind: ObjectIdentifier,
    #[asn1(context_specific = "0", tag_mode = "EXPLICIT")]
    pub(super) content: &'a OctetStringRef,
}

/// RFC 5652 section 5.3. Unsigned attributes have no place in a token that is kept: nobody vouches for their bytes.
#[derive(Sequence)]
pub(super) struct SignerInfo<'a> {
    pub(super) version: u8,
    pub(super) signer: IssuerAndSerial,
    pub(super) digest: Algorithm<'a>,
    #[asn1(context_specific = "0", tag_mode = "IMPLICIT", constructed = "true")]
    pub(super) signed: SetOfVec<Attribute>,
    pub(super) algorithm: Algorithm<'a>,
    pub(super) signature: &'a OctetStringRef,
}

/// RFC 5652 section 10.2.4.
#[derive(Sequence)]
pub(super) struct IssuerAndSerial {
    pub(super) issuer: Name,
    pub(super) serial: SerialNumber,
}

/// RFC 5280 section 4.1: a certificate as what is signed and how.
#[derive(Sequence)]
pub(super) struct Signed<'a> {
    pub(super) body: AnyRef<'a>,
    pub(super) algorithm: AnyRef<'a>,
    pub(super) signature: BitStringRef<'a>,
}

/// RFC 5816 section 2.2.1; RFC 5035 section 3.
#[derive(Sequence)]
pub(super) struct SigningCertificates<'a> {
    pub(super) certificates: Vec<CertificateId<'a>>,
    pub(super) policies: Option<AnyRef<'a>>,
}

/// RFC 5035 section 4: SHA-256 where no other is named.
#[derive(Sequence)]
pub(super) struct CertificateId<'a> {
    pub(super) digest: Option<Algorithm<'a>>,
    pub(super) hash: &'a OctetStringRef,
    pub(super) issuer: Option<AnyRef<'a>>,
}

/// RFC 3161 section 2.4.1.
#[derive(Sequence)]
pub(super) struct Imprint<'a> {
    pub(super) digest: Algorithm<'a>,
    pub(super) hash: &'a OctetStringRef,
}

/// RFC 3161 section 2.4.1: what is asked.
#[derive(Sequence)]
pub(super) struct Request<'a> {
    pub(super) version: u8,
    pub(super) imprint: Imprint<'a>,
    pub(super) policy: Option<ObjectIdentifier>,
    pub(super) nonce: Option<UintRef<'a>>,
    #[asn1(default = "no")]
    pub(super) wants_certificate: bool,
}

fn no() -> bool {
    false
}

/// RFC 3161 section 2.4.2: what is answered.
#[derive(Sequence)]
pub(super) struct Response<'a> {
    pub(super) status: Status<'a>,
    pub(super) token: Option<AnyRef<'a>>,
}

/// RFC 3161 section 2.4.2; RFC 4210 section 5.2.3.
#[derive(Sequence)]
pub(super) struct Status<'a> {
    pub(super) status: u8,
    pub(super) said: Option<Vec<Utf8StringRef<'a>>>,
    pub(super) failure: Option<BitStringRef<'a>>,
}

/// RFC 3161 section 2.4.2: what the authority signs.
#[derive(Sequence)]
pub(super) struct TstInfo<'a> {
    pub(super) version: u8,
    pub(super) policy: ObjectIdentifier,
    pub(super) imprint: Imprint<'a>,
    pub(super) serial: IntRef<'a>,
    pub(super) at: AnyRef<'a>,
    pub(super) accuracy: Option<Accuracy>,
    #[asn1(default = "no")]
    pub(super) ordering: bool,
    pub(super) nonce: Option<UintRef<'a>>,
    #[asn1(context_specific = "0", tag_mode = "EXPLICIT", optional = "true")]
    pub(super) authority: Option<AnyRef<'a>>,
    #[asn1(context_specific = "1", tag_mode = "IMPLICIT", constructed = "true", optional = "true")]
    pub(super) extensions: Option<Vec<Extension>>,
}

/// How far the authority's time may be off. RFC 3161 section 2.4.2.
#[derive(Sequence)]
pub(super) struct Accuracy {
    pub(super) seconds: Option<u32>,
    #[asn1(context_specific = "0", tag_mode = "IMPLICIT", optional = "true")]
    pub(super) millis: Option<u16>,
    #[asn1(context_specific = "1", tag_mode = "IMPLICIT", optional = "true")]
    pub(super) micros: Option<u16>,
}

impl Accuracy {
    /// Unit: microseconds.
    pub(super) fn micros(&self) -> i64 {
        let [millis, micros] = [self.millis, self.micros].map(|part| i64::from(part.unwrap_or(0)));
        i64::from(self.seconds.unwrap_or(0)) * 1_000_000 + millis * 1_000 + micros
    }
}

/// The time in a token, to the next microsecond: it is an upper bound.
///
/// Shape: `YYYYMMDDhhmmss[.f...]Z`, the fraction without a zero at its end. Rule: RFC 3161 section 2.4.2.
pub(super) fn time(at: AnyRef<'_>) -> Option<Time> {
    let text = std::str::from_utf8(at.value()).ok().filter(|_| at.tag() == Tag::GeneralizedTime)?;
    let text = text.strip_suffix('Z')?;
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    if text.ends_with(['.', '0']) && whole != text || whole.len() != 14 || !digits(whole) || !digits(fraction) {
        return None;
    }
    let part = |from: usize, to: usize| whole.get(from..to).unwrap_or_default();
    let (date, clock) = ((part(0, 4), part(4, 6), part(6, 8)), (part(8, 10), part(10, 12), part(12, 14)));
    let micros = fraction.get(..6).unwrap_or(fraction);
    let text = format!("{}-{}-{}T{}:{}:{}.{micros:0<6}Z", date.0, date.1, date.2, clock.0, clock.1, clock.2);
    let time: Time = text.parse().ok()?;
    Some(time.plus_micros(i64::from(fraction.len() > 6)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_is_read_with_any_fraction_and_only_in_its_one_form() {
        let of =
            |text: &str| time(AnyRef::new(Tag::GeneralizedTime, text.as_bytes()).unwrap()).map(|at| at.to_string());
        for (text, wanted) in [
            ("20261126083000Z", "2026-11-26T08:30:00.000000Z"),
            ("20261126083000.5Z", "2026-11-26T08:30:00.500000Z"),
            ("20261126083000.000001Z", "2026-11-26T08:30:00.000001Z"),
            ("20261126083000.0000011Z", "2026-11-26T08:30:00.000002Z"),
        ] {
            assert_eq!(of(text).as_deref(), Some(wanted), "{text}");
        }
        for bad in [
            "",
            "Z",
            "20261126083000",
            "20261126083000.Z",
            "20261126083000.50Z",
            "20261126083000.0Z",
            "20261126083000+0100",
            "2026112608300Z",
            "20261326083000Z",
            "20261126083060Z",
            "20261126083000.5.5Z",
            "20261126083000,5Z",
        ] {
            assert_eq!(of(bad), None, "{bad}");
        }
        assert_eq!(time(AnyRef::new(Tag::UtcTime, b"20261126083000Z").unwrap()), None);
    }

    #[test]
    fn an_accuracy_is_the_sum_of_its_parts() {
        assert_eq!(Accuracy { seconds: Some(2), millis: Some(3), micros: Some(4) }.micros(), 2_003_004);
        assert_eq!(Accuracy { seconds: None, millis: None, micros: None }.micros(), 0);
        assert_eq!(Accuracy { seconds: Some(u32::MAX), millis: None, micros: None }.micros(), 4_294_967_295_000_000);
    }
}
