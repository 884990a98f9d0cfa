//! The only source of randomness and fresh IDs.

use ring::rand::{SecureRandom, SystemRandom};
use tallyseal_schema::ids::{Act, Id};

/// No randomness could be had from the operating system.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NoRandomness;

impl std::fmt::Display for NoRandomness {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("the operating system gives no randomness; nothing can be signed or signed in to")
    }
}

impl std::error::Error for NoRandomness {}

/// `N` random bytes.
pub fn bytes<const N: usize>() -> Result<[u8; N], NoRandomness> {
    let mut out = [0; N];
    SystemRandom::new().fill(&mut out).map_err(|_| NoRandomness)?;
    Ok(out)
}

/// A fresh act. Shape: a random UUID (RFC 9562 version 4).
pub fn act() -> Result<Act, NoRandomness> {
    let uuid = uuid::Builder::from_random_bytes(bytes()?).into_uuid().to_string();
    uuid.parse().map_err(|_| NoRandomness)
}

/// A fresh session ID, 80 random bits in capital letters and digits.
pub fn session() -> Result<Id, NoRandomness> {
    format!("S-{}", letters::<16>()?).parse().map_err(|_| NoRandomness)
}

/// A one-time secret that a person can type: five groups of four, no letter that looks like a digit, 95 bits and more.
pub fn one_time_secret() -> Result<String, NoRandomness> {
    let letters = letters::<20>()?;
    let groups: Vec<&str> = [0, 4, 8, 12, 16].iter().filter_map(|from| letters.get(*from..from + 4)).collect();
    Ok(groups.join("-"))
}

/// `N` letters and digits, 5 bits each, without 0 O 1 I.
fn letters<const N: usize>() -> Result<String, NoRandomness> {
    const LETTERS: &[u8; 32] = b"ABCDEFGHJKLMNPQRSTUVWXYZ23456789";
    let random: [u8; N] = bytes()?;
    Ok(random.iter().map(|byte| char::from(LETTERS[usize::from(byte & 31)])).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_one_time_secret_can_be_typed() {
        let secret = one_time_secret().unwrap();
        assert_eq!(secret.len(), 24);
        assert!(secret.chars().all(|c| c == '-' || (c.is_ascii_alphanumeric() && !"0O1I".contains(c))));
        assert_ne!(secret, one_time_secret().unwrap());
    }
}
