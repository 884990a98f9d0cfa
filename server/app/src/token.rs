//! Session tokens: a signed name of a session and its absolute end, and nothing else.
//!
//! A token opens nothing by itself: the session's own record is read on every request, so that ending it bites at
//! once. EdDSA over ring is the only algorithm that exists here; any other in a token is refused by construction.

use jsonwebtoken::crypto::{CryptoProvider, JwtSigner, JwtVerifier, KeyUtils};
use jsonwebtoken::errors::{ErrorKind, Result, new_error};
use jsonwebtoken::signature::{self, Signer, Verifier};
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation};
use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::Id;
use tallyseal_schema::signature::SigningKey;

struct Signing([u8; 32]);

impl Signer<Vec<u8>> for Signing {
    fn try_sign(&self, message: &[u8]) -> std::result::Result<Vec<u8>, signature::Error> {
        let key = SigningKey::from_seed(&self.0).map_err(|_| signature::Error::new())?;
        Ok(key.sign(message).to_vec())
    }
}

impl JwtSigner for Signing {
    fn algorithm(&self) -> Algorithm {
        Algorithm::EdDSA
    }
}

struct Verifying([u8; 32]);

impl Verifier<Vec<u8>> for Verifying {
    fn verify(&self, message: &[u8], sig: &Vec<u8>) -> std::result::Result<(), signature::Error> {
        if tallyseal_schema::signature::verify(&self.0, message, sig) { Ok(()) } else { Err(signature::Error::new()) }
    }
}

impl JwtVerifier for Verifying {
    fn algorithm(&self) -> Algorithm {
        Algorithm::EdDSA
    }
}

fn signer(algorithm: &Algorithm, key: &EncodingKey) -> Result<Box<dyn JwtSigner>> {
    match algorithm {
        Algorithm::EdDSA => {
            let seed = key.as_bytes().try_into().map_err(|_| new_error(ErrorKind::InvalidEddsaKey))?;
            Ok(Box::new(Signing(seed)))
        }
        _ => Err(new_error(ErrorKind::InvalidAlgorithm)),
    }
}

fn verifier(algorithm: &Algorithm, key: &DecodingKey) -> Result<Box<dyn JwtVerifier>> {
    match algorithm {
        Algorithm::EdDSA => {
            let bytes = key.try_get_as_bytes()?;
            let public = bytes.try_into().map_err(|_| new_error(ErrorKind::InvalidEddsaKey))?;
            Ok(Box::new(Verifying(public)))
        }
        _ => Err(new_error(ErrorKind::InvalidAlgorithm)),
    }
}

static RING: CryptoProvider =
    CryptoProvider { signer_factory: signer, verifier_factory: verifier, key_utils: KeyUtils::new_unimplemented() };

/// What a token says.
#[derive(Debug, Serialize, Deserialize)]
struct Claims {
    exp: u64,
    sid: String,
}

/// Makes and reads tokens.
pub struct Tokens {
    decoding: DecodingKey,
    encoding: EncodingKey,
    validation: Validation,
}

impl Tokens {
    /// With the seed of the key that signs tokens.
    ///
    /// Errors: the seed is no key.
    pub fn new(seed: &[u8; 32]) -> std::result::Result<Self, String> {
        // A second call finds it installed: the provider is the process's, and there is only this one.
        let _ = RING.install_default();
        let key = SigningKey::from_seed(seed).map_err(|error| error.to_string())?;
        let mut validation = Validation::new(Algorithm::EdDSA);
        validation.leeway = 0;
        validation.set_required_spec_claims(&["exp"]);
        Ok(Self {
            decoding: DecodingKey::from_ed_der(&key.public()),
            encoding: EncodingKey::from_ed_der(seed),
            validation,
        })
    }

    /// A token for a session. `expires`: seconds since the epoch.
    ///
    /// Errors: none in practice; the library's own.
    pub fn make(&self, session: &Id, expires: u64) -> Result<String> {
        let claims = Claims { exp: expires, sid: session.to_string() };
        jsonwebtoken::encode(&Header::new(Algorithm::EdDSA), &claims, &self.encoding)
    }

    /// A token for the forms of a session's pages. No session token: its name is no ID, so that [`Tokens::read`] refuses it.
    ///
    /// Errors: none in practice; the library's own.
    pub fn make_form(&self, session: &Id, expires: u64) -> Result<String> {
        let claims = Claims { exp: expires, sid: format!("form.{session}") };
        jsonwebtoken::encode(&Header::new(Algorithm::EdDSA), &claims, &self.encoding)
    }

    /// True for a token of the forms of that session, in its time.
    pub fn is_form(&self, session: &Id, token: &str) -> bool {
        self.claims(token).is_some_and(|claims| claims.sid == format!("form.{session}"))
    }

    /// The session that a token names; `None` for anything but a good token of ours in its time.
    pub fn read(&self, token: &str) -> Option<Id> {
        self.claims(token)?.sid.parse().ok()
    }

    fn claims(&self, token: &str) -> Option<Claims> {
        if token.len() > 1_024 {
            return None;
        }
        Some(jsonwebtoken::decode::<Claims>(token, &self.decoding, &self.validation).ok()?.claims)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FUTURE: u64 = 32_503_680_000;

    #[test]
    fn a_token_names_its_session_until_it_ends() {
        let tokens = Tokens::new(&[7; 32]).unwrap();
        let session: Id = "S-ABC".parse().unwrap();
        assert_eq!(tokens.read(&tokens.make(&session, FUTURE).unwrap()), Some(session.clone()));
        assert_eq!(tokens.read(&tokens.make(&session, 1).unwrap()), None);
        assert_eq!(Tokens::new(&[8; 32]).unwrap().read(&tokens.make(&session, FUTURE).unwrap()), None);
    }

    #[test]
    fn a_token_of_forms_is_good_for_forms_of_its_session_and_opens_none() {
        let tokens = Tokens::new(&[7; 32]).unwrap();
        let (mine, other): (Id, Id) = ("S-ABC".parse().unwrap(), "S-ABD".parse().unwrap());
        let form = tokens.make_form(&mine, FUTURE).unwrap();
        assert!(tokens.is_form(&mine, &form));
        assert!(!tokens.is_form(&other, &form));
        assert!(!tokens.is_form(&mine, &tokens.make_form(&mine, 1).unwrap()));
        assert!(!tokens.is_form(&mine, &tokens.make(&mine, FUTURE).unwrap()));
        assert_eq!(tokens.read(&form), None);
    }

    #[test]
    fn a_token_of_another_algorithm_or_shape_is_refused() {
        let tokens = Tokens::new(&[7; 32]).unwrap();
        let good = tokens.make(&"S-ABC".parse().unwrap(), FUTURE).unwrap();
        let body = good.split('.').nth(1).unwrap();
        // Headers {"alg":"none"} and {"alg":"HS256"}, as RFC 8725 section 2.1 warns of.
        for header in ["eyJhbGciOiJub25lIn0", "eyJhbGciOiJIUzI1NiJ9"] {
            assert_eq!(tokens.read(&format!("{header}.{body}.")), None);
            assert_eq!(tokens.read(&format!("{header}.{body}.AAAA")), None);
        }
        for bad in ["", "a.b", "a.b.c", &good[..good.len() - 2], &"x".repeat(5_000)] {
            assert_eq!(tokens.read(bad), None);
        }
    }
}
