//! People's signing keys under their passwords, and whether a password is right.
//!
//! One run of Argon2id gives 64 bytes: the first half wraps the key, the SHA-256 of the second half is what a log-in
//! is compared with. So a stolen database without the pepper file gives neither, and the key is never kept open.

use argon2::{Algorithm, Argon2, Params, Version};
use ring::aead::{AES_256_GCM, Aad, LessSafeKey, Nonce, UnboundKey};
use serde::Serialize;
use tallyseal_book::{Secret, WrappedKey};
use tallyseal_schema::ids::{AccountId, BookName};
use tallyseal_schema::signature::{SigningKey, key_name};
use tallyseal_schema::{Hash, canonical};
use unicode_normalization::UnicodeNormalization;
use zeroize::Zeroizing;

use crate::randomness::{self, NoRandomness};

/// RFC 9106 section 4, second recommended choice: 64 MiB, 3 passes, 4 lanes.
const MEMORY_KIB: u32 = 65_536;
const PASSES: u32 = 3;
const LANES: u32 = 4;

/// Shortest password a person may set. Unit: characters. Rule: NIST SP 800-63B-4, single factor.
pub const PASSWORD_MIN: usize = 15;
/// Longest password. Unit: characters.
pub const PASSWORD_MAX: usize = 128;

/// Why a secret could not be made or opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum VaultError {
    /// Not the right password, or no such account: never said which.
    WrongPassword,
    /// The password may not be set; the sentence says why.
    Unfit(&'static str),
    /// The stored secret cannot be read, or there is no randomness.
    Broken(String),
}

impl std::fmt::Display for VaultError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::WrongPassword => f.write_str("the account or the password is wrong"),
            Self::Unfit(why) => f.write_str(why),
            Self::Broken(what) => write!(f, "the stored secret cannot be used: {what}"),
        }
    }
}

impl std::error::Error for VaultError {}

impl From<NoRandomness> for VaultError {
    fn from(error: NoRandomness) -> Self {
        Self::Broken(error.to_string())
    }
}

/// The pepper, and the book whose keys are wrapped.
pub struct Vault {
    book: BookName,
    pepper: Zeroizing<[u8; 32]>,
}

/// A key that was just made, with what is stored of it.
pub struct MadeKey {
    /// The open key.
    pub key: SigningKey,
    /// What is stored.
    pub secret: Secret,
}

/// What a password opened: the seed of the signing key, where the account has one.
type Opened = Option<Zeroizing<[u8; 32]>>;

#[derive(Serialize)]
struct Associated<'a> {
    account: &'a AccountId,
    book: &'a BookName,
    key: &'a Hash,
}

impl Vault {
    /// A vault for one book.
    pub fn new(book: BookName, pepper: [u8; 32]) -> Self {
        Self { book, pepper: Zeroizing::new(pepper) }
    }

    /// A one-time secret: it opens no signing key and nothing but the setting of a password.
    ///
    /// Errors: [`VaultError::Broken`] without randomness.
    pub fn one_time(&self, account: &AccountId, password: &str) -> Result<Secret, VaultError> {
        self.wrap(account, None, password, true)
    }

    /// Makes a new signing key for an account under the person's own password: never under a one-time secret, which
    /// others have seen. Whether a person may set such a password is [`fit`]'s to judge.
    ///
    /// Errors: [`VaultError::Broken`] without randomness.
    pub fn make(&self, account: &AccountId, password: &str) -> Result<MadeKey, VaultError> {
        let seed = Zeroizing::new(randomness::bytes::<32>()?);
        let key = SigningKey::from_seed(&seed).map_err(|error| VaultError::Broken(error.to_string()))?;
        let secret = self.wrap(account, Some((key_name(&key.public()), &seed)), password, false)?;
        Ok(MadeKey { key, secret })
    }

    /// Checks a password and opens the account's signing key; `Ok(None)` where it has none yet. `secret` is `None`
    /// where there is no such account; the same work is done, so that the time taken does not tell.
    ///
    /// Errors: [`VaultError::WrongPassword`].
    pub fn open(
        &self,
        account: &AccountId,
        secret: Option<&Secret>,
        password: &str,
    ) -> Result<Option<SigningKey>, VaultError> {
        let seed = self.unwrap_seed(account, secret, password)?;
        seed.map(|seed| SigningKey::from_seed(&seed).map_err(|error| VaultError::Broken(error.to_string()))).transpose()
    }

    /// Wraps the same key under a new password.
    ///
    /// Errors: [`VaultError::WrongPassword`] where the old one is wrong; [`VaultError::Broken`] where it is a one-time
    /// secret: a key that lay under one is not kept.
    pub fn rewrap(&self, account: &AccountId, secret: &Secret, old: &str, new: &str) -> Result<Secret, VaultError> {
        if secret.one_time {
            return Err(VaultError::Broken("a key under a one-time secret is not kept".to_owned()));
        }
        let seed = self.unwrap_seed(account, Some(secret), old)?;
        let key = secret.wrapped.as_ref().map(|wrapped| wrapped.key);
        self.wrap(account, key.zip(seed.as_deref()), new, false)
    }

    fn wrap(
        &self,
        account: &AccountId,
        key: Option<(Hash, &[u8; 32])>,
        password: &str,
        one_time: bool,
    ) -> Result<Secret, VaultError> {
        let salt: [u8; 16] = randomness::bytes()?;
        let kdf = format!("argon2id$v=19$m={MEMORY_KIB},t={PASSES},p={LANES}${}", canonical::base64(salt));
        let stretched = self.stretch(&kdf, password)?;
        let (wrapping, login) = halves(&stretched);
        let wrapped = match key {
            Some((key, seed)) => Some(self.seal(account, key, seed, &wrapping)?),
            None => None,
        };
        let verifier = Hash::of(login.as_slice()).0.to_vec();
        Ok(Secret { account: account.clone(), kdf, verifier, one_time, wrapped })
    }

    fn seal(
        &self,
        account: &AccountId,
        key: Hash,
        seed: &[u8; 32],
        wrapping: &[u8; 32],
    ) -> Result<WrappedKey, VaultError> {
        let nonce: [u8; 12] = randomness::bytes()?;
        let mut ciphertext = seed.to_vec();
        sealing_key(wrapping)?
            .seal_in_place_append_tag(
                Nonce::assume_unique_for_key(nonce),
                Aad::from(self.associated(account, &key)?),
                &mut ciphertext,
            )
            .map_err(|_| VaultError::Broken("sealing failed".to_owned()))?;
        Ok(WrappedKey { key, nonce: nonce.to_vec(), ciphertext })
    }

    fn unwrap_seed(&self, account: &AccountId, secret: Option<&Secret>, password: &str) -> Result<Opened, VaultError> {
        let Some(secret) = secret else {
            let salt = canonical::base64(&Hash::of(account.as_str().as_bytes()).0[..16]);
            self.stretch(&format!("argon2id$v=19$m={MEMORY_KIB},t={PASSES},p={LANES}${salt}"), password)?;
            return Err(VaultError::WrongPassword);
        };
        let stretched = self.stretch(&secret.kdf, password)?;
        let (wrapping, login) = halves(&stretched);
        // Both sides are hashes: the comparison's timing tells nothing about the password.
        if Hash::of(login.as_slice()).0.as_slice() != secret.verifier.as_slice() {
            return Err(VaultError::WrongPassword);
        }
        let Some(wrapped) = &secret.wrapped else { return Ok(None) };
        let broken = |what: &str| VaultError::Broken(what.to_owned());
        let nonce: [u8; 12] = wrapped.nonce.as_slice().try_into().map_err(|_| broken("its nonce is not 12 bytes"))?;
        let mut buffer = Zeroizing::new(wrapped.ciphertext.clone());
        let plain = sealing_key(&wrapping)?
            .open_in_place(
                Nonce::assume_unique_for_key(nonce),
                Aad::from(self.associated(account, &wrapped.key)?),
                &mut buffer,
            )
            .map_err(|_| broken("it was made for another account, book or key"))?;
        let seed: [u8; 32] = (&*plain).try_into().map_err(|_| broken("the key is not 32 bytes long"))?;
        Ok(Some(Zeroizing::new(seed)))
    }

    fn associated(&self, account: &AccountId, key: &Hash) -> Result<Vec<u8>, VaultError> {
        canonical::write(&Associated { account, book: &self.book, key })
            .map_err(|error| VaultError::Broken(error.to_string()))
    }

    fn stretch(&self, kdf: &str, password: &str) -> Result<Zeroizing<[u8; 64]>, VaultError> {
        let broken = |what: &str| VaultError::Broken(format!("{what} in \"{kdf}\""));
        let (params, salt) = parse_kdf(kdf).ok_or_else(|| broken("unknown key derivation"))?;
        let argon2 = Argon2::new_with_secret(self.pepper.as_slice(), Algorithm::Argon2id, Version::V0x13, params)
            .map_err(|_| broken("bad parameters"))?;
        let mut out = Zeroizing::new([0; 64]);
        // One keyboard sends a letter with its accent as one character, another as two: it is the same password.
        let password: Zeroizing<String> = Zeroizing::new(password.nfc().collect());
        argon2.hash_password_into(password.as_bytes(), &salt, out.as_mut_slice()).map_err(|_| broken("bad salt"))?;
        Ok(out)
    }
}

fn parse_kdf(kdf: &str) -> Option<(Params, Vec<u8>)> {
    let mut parts = kdf.split('$');
    let (algorithm, version, params, salt) = (parts.next()?, parts.next()?, parts.next()?, parts.next()?);
    if algorithm != "argon2id" || version != "v=19" || parts.next().is_some() {
        return None;
    }
    let mut numbers =
        params.split(',').zip(["m=", "t=", "p="]).map(|(part, name)| part.strip_prefix(name)?.parse().ok());
    let (memory, passes, lanes) = (numbers.next()??, numbers.next()??, numbers.next()??);
    // A stored secret must not be able to ask for all memory of the machine.
    if memory > 1_048_576 || passes > 16 || lanes > 16 {
        return None;
    }
    Some((Params::new(memory, passes, lanes, Some(64)).ok()?, canonical::unbase64(salt)?))
}

fn halves(stretched: &[u8; 64]) -> (Zeroizing<[u8; 32]>, Zeroizing<[u8; 32]>) {
    let (mut first, mut second) = (Zeroizing::new([0; 32]), Zeroizing::new([0; 32]));
    first.copy_from_slice(&stretched[..32]);
    second.copy_from_slice(&stretched[32..]);
    (first, second)
}

fn sealing_key(bytes: &[u8; 32]) -> Result<LessSafeKey, VaultError> {
    let key = UnboundKey::new(&AES_256_GCM, bytes).map_err(|_| VaultError::Broken("bad wrapping key".to_owned()))?;
    Ok(LessSafeKey::new(key))
}

/// Passwords that anyone would try first, 15 characters or longer. Rule: NIST SP 800-63B-4, a list of common ones.
const COMMON: &[&str] = &[
    "passwordpassword",
    "password12345678",
    "qwertyuiopasdfgh",
    "123456789012345",
    "1234567890123456",
    "administrator123",
    "letmeinletmein123",
    "qwertyuiop12345",
    "iloveyouiloveyou",
    "welcome1234567890",
    "correcthorsebatterystaple",
    "correct horse battery staple",
    "changemechangeme",
    "aaaaaaaaaaaaaaa",
];

/// Whether a person may set that password: long enough, not one that anyone would try, not made of the account.
///
/// Errors: [`VaultError::Unfit`] with the reason, which is shown.
/// Rule: NIST SP 800-63B-4: length and a list, no composition rules.
pub fn fit(account: &AccountId, name: &str, password: &str) -> Result<(), VaultError> {
    let length = password.chars().count();
    if length < PASSWORD_MIN {
        return Err(VaultError::Unfit(
            "the password is too short: take at least 15 characters, for example a sentence",
        ));
    }
    if length > PASSWORD_MAX {
        return Err(VaultError::Unfit("the password is too long: at most 128 characters are kept"));
    }
    let folded = password.to_lowercase();
    let distinct: std::collections::BTreeSet<char> = folded.chars().collect();
    if COMMON.contains(&folded.as_str()) || distinct.len() < 5 {
        return Err(VaultError::Unfit("the password is one that anyone would try first: take another"));
    }
    let holds = |part: &str| part.chars().count() >= 4 && folded.contains(&part.to_lowercase());
    if holds(account.as_str()) || holds(name) {
        return Err(VaultError::Unfit("the password contains your account or name: take another"));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn vault(pepper: u8) -> Vault {
        Vault::new("label-room.example/plant-1".parse().unwrap(), [pepper; 32])
    }

    fn account(id: &str) -> AccountId {
        id.parse().unwrap()
    }

    #[test]
    fn only_the_password_the_account_the_book_and_the_pepper_open_a_key() {
        let (ana, tom) = (account("U-0007"), account("U-0003"));
        let made = vault(1).make(&ana, "seven wet labels").unwrap();
        let open = |vault: &Vault, account, password| vault.open(account, Some(&made.secret), password);
        assert_eq!(open(&vault(1), &ana, "seven wet labels").unwrap().unwrap().public(), made.key.public());
        assert_eq!(open(&vault(1), &ana, "seven wet label").err(), Some(VaultError::WrongPassword));
        assert_eq!(open(&vault(2), &ana, "seven wet labels").err(), Some(VaultError::WrongPassword));
        assert!(matches!(open(&vault(1), &tom, "seven wet labels"), Err(VaultError::Broken(_))));
        assert_eq!(vault(1).open(&tom, None, "seven wet labels").err(), Some(VaultError::WrongPassword));
    }

    #[test]
    fn a_new_password_keeps_the_key() {
        let ana = account("U-0007");
        let made = vault(1).make(&ana, "seven wet labels").unwrap();
        let again = vault(1).rewrap(&ana, &made.secret, "seven wet labels", "eight dry labels").unwrap();
        assert_eq!(vault(1).open(&ana, Some(&again), "eight dry labels").unwrap().unwrap().public(), made.key.public());
        assert_eq!(vault(1).open(&ana, Some(&again), "seven wet labels").err(), Some(VaultError::WrongPassword));
        assert!(vault(1).rewrap(&ana, &made.secret, "wrong", "eight dry labels").is_err());
    }

    #[test]
    fn a_letter_with_its_accent_is_the_same_on_every_keyboard() {
        let ana = account("U-0007");
        let made = vault(1).make(&ana, "sieben na\u{00DF}e Gef\u{00E4}\u{00DF}e").unwrap();
        assert!(vault(1).open(&ana, Some(&made.secret), "sieben na\u{00DF}e Gefa\u{0308}\u{00DF}e").is_ok());
    }

    #[test]
    fn a_stored_secret_cannot_ask_for_all_memory() {
        assert!(parse_kdf("argon2id$v=19$m=65536,t=3,p=4$AAAAAAAAAAAAAAAAAAAAAA==").is_some());
        for bad in [
            "argon2id$v=19$m=4294967295,t=3,p=4$AAAAAAAAAAAAAAAAAAAAAA==",
            "argon2i$v=19$m=65536,t=3,p=4$AAAAAAAAAAAAAAAAAAAAAA==",
            "argon2id$v=19$m=65536,t=3$AAAA",
            "",
        ] {
            assert!(parse_kdf(bad).is_none(), "{bad}");
        }
    }

    #[test]
    fn an_unfit_password_is_refused_with_the_reason() {
        let fits = |password: &str| fit(&account("U-0007"), "Ana Žilková", password);
        assert_eq!(fits("fifteen letters"), Ok(()));
        assert!(matches!(fits("fourteen lettr"), Err(VaultError::Unfit(why)) if why.contains("too short")));
        assert!(fits(&"ab cde".repeat(22)).is_err());
        assert!(fits("Correct Horse Battery Staple").is_err());
        assert!(fits("aaaabbbbaaaabbbb").is_err());
        assert!(fits("my account u-0007 is open").is_err());
    }
}
