//! The certificates that an authority's own must lead to: they come from outside.

use std::fmt;

use rustls_pki_types::CertificateDer;
use rustls_pki_types::pem::PemObject as _;
use tallyseal_schema::{Hash, Time};

use super::{Held, TokenError, leads, wrong};

/// So many are given at most.
const GIVEN_MAX: usize = 16;

/// Certificates that were given for time-stamping authorities.
#[derive(Clone)]
pub struct Authorities(std::sync::Arc<Vec<Held>>);

impl PartialEq for Authorities {
    fn eq(&self, other: &Self) -> bool {
        self.0.iter().map(|one| &one.der).eq(other.0.iter().map(|one| &one.der))
    }
}

impl Eq for Authorities {}

impl fmt::Debug for Authorities {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_list().entries(self.fingerprints()).finish()
    }
}

/// Bytes that are no certificates of authorities.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AuthoritiesError(String);

impl fmt::Display for AuthoritiesError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for AuthoritiesError {}

impl Authorities {
    /// Reads certificates in PEM, one after the other.
    ///
    /// Errors: there is none, one cannot be read, or there are too many; in a sentence.
    pub fn read(pem: &[u8]) -> Result<Self, AuthoritiesError> {
        let mut held = Vec::new();
        for one in CertificateDer::pem_slice_iter(pem) {
            let what = |error: &dyn fmt::Display| {
                AuthoritiesError(format!("certificate {} of the time-stamping authority: {error}", held.len() + 1))
            };
            let der = one.map_err(|error| what(&error))?;
            webpki::anchor_from_trusted_cert(&der).map_err(|error| what(&error))?;
            let read = Held::read(der.to_vec()).map_err(|error| what(&error))?;
            held.push(read);
        }
        match held.len() {
            0 => Err(AuthoritiesError(
                "there is no certificate in PEM (\"-----BEGIN CERTIFICATE-----\") of the time-stamping authority"
                    .to_owned(),
            )),
            1..=GIVEN_MAX => Ok(Self(held.into())),
            many => Err(AuthoritiesError(format!("{many} certificates are given; {GIVEN_MAX} are the most"))),
        }
    }

    /// SHA-256 of each, in their order.
    pub fn fingerprints(&self) -> Vec<Hash> {
        self.0.iter().map(|one| Hash::of(&one.der)).collect()
    }

    /// That certificate leads to one of these, and so does every other that stands beside it: so there is no byte in a token
    /// that nobody vouches for.
    pub(super) fn vouch(&self, own: &Held, all: &[Held], at: Time) -> Result<(), TokenError> {
        leads(own, all, &self.0, at)?;
        // From those that were given on: one that only signed itself, or two that signed each other, are vouched for by nobody.
        let (mut vouched, mut rest): (Vec<&Held>, Vec<&Held>) =
            all.iter().partition(|one| self.0.iter().any(|given| given.der == one.der));
        vouched.extend(self.0.iter());
        loop {
            let (more, left): (Vec<&Held>, Vec<&Held>) =
                rest.iter().partition(|one| vouched.iter().any(|issuer| issuer.signed(one)));
            rest = left;
            match (more.is_empty(), rest.first()) {
                (_, None) => return Ok(()),
                (true, Some(one)) => {
                    return wrong(format_args!(
                        "has a certificate in it ({}) that is signed by none that is here; give that of its issuer too",
                        super::shown(&one.read.tbs_certificate().subject().to_string())
                    ));
                }
                (false, Some(_)) => vouched.extend(more),
            }
        }
    }
}
