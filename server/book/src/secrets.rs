//! The table of what passwords open. It is changed only together with the entries that tell of it.

use rusqlite::{Connection, OptionalExtension as _, params};
use tallyseal_schema::Hash;
use tallyseal_schema::ids::AccountId;

use crate::order::{Secret, SecretChange, WrappedKey};

/// Makes a change, inside the open transaction.
pub(crate) fn change(conn: &Connection, change: &SecretChange) -> Result<(), rusqlite::Error> {
    match change {
        SecretChange::Put(secret) => {
            let wrapped = secret.wrapped.as_ref();
            conn.prepare_cached(
                "INSERT INTO account_secret (account, kdf, verifier, one_time, key, nonce, ciphertext)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
                 ON CONFLICT (account) DO UPDATE SET kdf = excluded.kdf, verifier = excluded.verifier,
                 one_time = excluded.one_time, key = excluded.key, nonce = excluded.nonce,
                 ciphertext = excluded.ciphertext",
            )?
            .execute(params![
                secret.account.as_str(),
                secret.kdf,
                secret.verifier,
                secret.one_time,
                wrapped.map(|wrapped| wrapped.key.0),
                wrapped.map(|wrapped| &wrapped.nonce),
                wrapped.map(|wrapped| &wrapped.ciphertext),
            ])?;
        }
        SecretChange::Remove(account) => {
            conn.prepare_cached("DELETE FROM account_secret WHERE account = ?1")?.execute([account.as_str()])?;
        }
    }
    Ok(())
}

/// What an account's password opens; `None` where it has none.
pub(crate) fn read(conn: &Connection, account: &AccountId) -> Result<Option<Secret>, rusqlite::Error> {
    let text = "SELECT kdf, verifier, one_time, key, nonce, ciphertext FROM account_secret WHERE account = ?1";
    conn.prepare_cached(text)?
        .query_row([account.as_str()], |row| {
            let key: Option<[u8; 32]> = row.get(3)?;
            let wrapped = match key {
                Some(key) => Some(WrappedKey { key: Hash(key), nonce: row.get(4)?, ciphertext: row.get(5)? }),
                None => None,
            };
            Ok(Secret {
                account: account.clone(),
                kdf: row.get(0)?,
                verifier: row.get(1)?,
                one_time: row.get(2)?,
                wrapped,
            })
        })
        .optional()
}
