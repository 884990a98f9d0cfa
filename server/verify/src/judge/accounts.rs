//! Accounts and keys: the book's own key in entry 0, and every key that a person may sign with.

use std::collections::{BTreeMap, HashMap, HashSet};

use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::{Grant, Role};
use tallyseal_schema::{AccountId, Hash, Time};

use super::Extent;
use crate::check::Check;
use crate::chunk::Head;
use crate::detail::{Detail, NewKey, public_key};
use crate::findings::Findings;
use crate::report::CompromisedKey;

/// One key of an account.
struct Key {
    name: Hash,
    public: Option<[u8; 32]>,
    /// It names no key before it.
    first: bool,
    confirmed: bool,
    retired: bool,
}

/// A key that is marked as compromised.
struct Mark {
    account: AccountId,
    from: u64,
}

#[derive(Default)]
struct Account {
    enrolled: bool,
    founder: bool,
    disabled: bool,
    name: String,
    roles: Vec<Grant>,
    keys: Vec<Key>,
}

/// What a signature may rest on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum KeyState {
    /// Enrolled and confirmed earlier, not retired.
    Good([u8; 32]),
    /// It is the account's, and not confirmed.
    Unconfirmed([u8; 32]),
    /// It is the account's, and was retired.
    Retired([u8; 32]),
    /// It is none of the account's.
    Strange,
}

/// What a person was to a role at a moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum RoleState {
    /// Granted, and not ended.
    Good,
    /// Granted, and ended then.
    Ended(Time),
    /// Not granted.
    Strange,
}

/// Every account so far.
pub(crate) struct Accounts {
    extent: Extent,
    accounts: HashMap<AccountId, Account>,
    /// Every key that any account ever had: one key is one person's.
    keys: HashSet<Hash>,
    founders: u64,
    /// Keys marked as compromised, by their names.
    compromised: BTreeMap<Hash, Mark>,
    /// The entries that confirmed each key.
    confirmations: HashMap<Hash, Vec<u64>>,
}

impl Accounts {
    pub(super) fn new(extent: Extent) -> Self {
        Self {
            extent,
            accounts: HashMap::new(),
            keys: HashSet::new(),
            founders: 0,
            compromised: BTreeMap::new(),
            confirmations: HashMap::new(),
        }
    }

    /// What an entry does to an account. Anything else passes by.
    pub(super) fn entry(&mut self, n: u64, stream: &Stream, detail: &Detail, findings: &mut Findings) {
        let account = match detail {
            Detail::Enrolled(body) => &body.account,
            Detail::Roles(body) => &body.account,
            Detail::Disabled(body) => &body.account,
            Detail::Key(body) => &body.account,
            Detail::Retired(body) => &body.account,
            Detail::Compromised(body) => &body.account,
            _ => return,
        };
        if *stream != Stream::account(account) {
            findings.fault(Check::Keys, Some(n), format!("it is about account {account} and stands in {stream}"));
            return;
        }
        let known = self.accounts.entry(account.clone()).or_default();
        // In a dump that begins later an account may have been opened before.
        let opened = known.enrolled || self.extent == Extent::Tail;
        match detail {
            Detail::Enrolled(body) => {
                if known.enrolled {
                    findings.fault(Check::Keys, Some(n), format!("account {account} is opened a second time"));
                }
                known.enrolled = true;
                known.founder = body.founder;
                known.name.clone_from(&body.name);
                known.roles.clone_from(&body.roles);
                self.founders += u64::from(body.founder);
                if body.founder && self.founders > 2 {
                    findings.fault(Check::Keys, Some(n), "a third founder; a book has two");
                }
            }
            Detail::Roles(body) => known.roles.clone_from(&body.roles),
            Detail::Disabled(_) => known.disabled = true,
            Detail::Key(new) => {
                findings.looked(Check::Keys, 1);
                if !opened {
                    findings.fault(Check::Keys, Some(n), format!("a key for account {account}, which is not open"));
                }
                if !self.keys.insert(new.key) {
                    findings.fault(Check::Keys, Some(n), "the key was enrolled before, for this or another account");
                }
                known.enrol(n, new, self.extent, findings);
            }
            Detail::Retired(body) => match known.keys.iter_mut().find(|key| key.name == body.key) {
                Some(key) => key.retired = true,
                None if self.extent == Extent::Tail => {}
                None => findings.fault(Check::Keys, Some(n), "the key that ends is none of the account's"),
            },
            Detail::Compromised(body) => {
                findings.looked(Check::Keys, 1);
                if self.extent != Extent::Tail && !known.keys.iter().any(|key| key.name == body.key) {
                    findings.fault(Check::Keys, Some(n), "the key that it marks is none of the account's");
                    return;
                }
                let mark = Mark { account: account.clone(), from: body.from };
                let mark = self.compromised.entry(body.key).or_insert(mark);
                mark.from = mark.from.min(body.from);
            }
            _ => {}
        }
    }

    /// True where any key of a person is marked as compromised.
    pub(super) fn has_compromised(&self) -> bool {
        !self.compromised.is_empty()
    }

    /// True where what that key signed at `n` does not stand.
    pub(super) fn is_compromised(&self, key: &Hash, n: u64) -> bool {
        self.compromised.get(key).is_some_and(|mark| mark.from <= n)
    }

    /// The entries that confirmed that key, ascending.
    pub(super) fn confirmations(&self, key: &Hash) -> &[u64] {
        self.confirmations.get(key).map(Vec::as_slice).unwrap_or_default()
    }

    /// Each compromised key, with the signatures that fell with it.
    pub(super) fn compromised(&self, fallen: &BTreeMap<u64, Hash>) -> Vec<CompromisedKey> {
        let fell = |key: &Hash| fallen.iter().filter(|(_, cause)| *cause == key).map(|(n, _)| *n).collect();
        let one = |(key, mark): (&Hash, &Mark)| CompromisedKey {
            account: mark.account.clone(),
            entries: fell(key),
            from: mark.from,
            key: *key,
        };
        self.compromised.iter().map(one).collect()
    }

    /// True where anything is known of the account.
    pub(super) fn knows(&self, account: &AccountId) -> bool {
        self.accounts.get(account).is_some_and(|account| account.enrolled)
    }

    /// True where the account has ended.
    pub(super) fn disabled(&self, account: &AccountId) -> bool {
        self.accounts.get(account).is_some_and(|account| account.disabled)
    }

    /// Whether the account might act so at that moment.
    pub(super) fn role(&self, account: &AccountId, role: Role, at: Time) -> RoleState {
        let granted = self.accounts.get(account).into_iter().flat_map(|account| &account.roles);
        let mut ended = None;
        for grant in granted.filter(|grant| grant.role == role) {
            match grant.until {
                Some(until) if !grant.holds(at) => ended = ended.max(Some(until)),
                _ => return RoleState::Good,
            }
        }
        ended.map_or(RoleState::Strange, RoleState::Ended)
    }

    /// What that key is to the account now.
    pub(super) fn key(&self, account: &AccountId, name: &Hash) -> KeyState {
        // The last of that name: a key that was retired and enrolled again is judged as it is now.
        let key =
            self.accounts.get(account).and_then(|account| account.keys.iter().rev().find(|key| key.name == *name));
        match key {
            Some(Key { public: Some(public), retired: true, .. }) => KeyState::Retired(*public),
            Some(Key { public: Some(public), confirmed: false, .. }) => KeyState::Unconfirmed(*public),
            Some(Key { public: Some(public), .. }) => KeyState::Good(*public),
            Some(Key { public: None, .. }) | None => KeyState::Strange,
        }
    }

    /// The one signature that an unconfirmed key may give: a founder's first key confirms the other founder, since
    /// nobody is there before them who could.
    pub(super) fn founder_confirms_founder(&self, signer: &AccountId, key: &Hash, record: &Stream) -> bool {
        let founder = |account: &AccountId| self.accounts.get(account).filter(|account| account.founder);
        let first = founder(signer).is_some_and(|account| account.keys.iter().any(|k| k.name == *key && k.first));
        first
            && *record != Stream::account(signer)
            && record.thing() == "account"
            && record.id().as_str().parse().is_ok_and(|other| founder(&other).is_some())
    }

    /// True where that is the name that the account was opened under.
    pub(super) fn has_name(&self, account: &AccountId, name: &str) -> bool {
        self.accounts.get(account).is_some_and(|account| account.name == name)
    }

    /// A second account confirmed the identity of the person behind this account's newest key, and behind no older one.
    /// `n`: the signature that says so.
    pub(super) fn confirm(&mut self, record: &Stream, n: u64) {
        let account = record.id().as_str().parse().ok();
        if let Some(account) = account.and_then(|account: AccountId| self.accounts.get_mut(&account))
            && let Some(key) = account.keys.last_mut()
        {
            key.confirmed = true;
            self.confirmations.entry(key.name).or_default().push(n);
        }
    }
}

impl Account {
    fn enrol(&mut self, n: u64, new: &NewKey, extent: Extent, findings: &mut Findings) {
        for wrong in &new.wrong {
            findings.fault(Check::Keys, Some(n), *wrong);
        }
        let last = self.keys.last();
        match &new.previous {
            None if last.is_some_and(|last| !last.retired) => {
                findings.fault(Check::Keys, Some(n), "it names no previous key, and the account has one");
            }
            // Before a dump the account may have had keys.
            Some(previous) if last.map_or(extent != Extent::Tail, |last| last.name != *previous) => {
                findings.fault(Check::Keys, Some(n), "the previous key that it names is not the account's last one");
            }
            _ => {}
        }
        self.keys.push(Key {
            name: new.key,
            public: new.public,
            first: new.previous.is_none(),
            confirmed: false,
            retired: false,
        });
    }
}

/// After all entries of a whole book: it has its two founders.
pub(crate) fn founders(accounts: &Accounts, findings: &mut Findings) {
    if accounts.founders < 2 {
        let what = format!("{} founding accounts; a book has two, which confirm each other", accounts.founders);
        findings.fault(Check::Keys, None, what);
    }
}

/// Entry 0 must open the book, and no other may.
pub(super) fn opening(n: u64, head: &Head, stream: &Stream, findings: &mut Findings) {
    let Some(Detail::Opened(body)) = head.detail.as_deref() else {
        findings.fault(Check::Keys, Some(n), "entry 0 does not open the book");
        return;
    };
    if n != 0 {
        findings.fault(Check::Keys, Some(n), "the book is opened a second time");
        return;
    }
    findings.looked(Check::Keys, 1);
    let mut want = |holds: bool, what: &str| {
        if !holds {
            findings.fault(Check::Keys, Some(n), what);
        }
    };
    want(*stream == Stream::book(), "entry 0 does not stand in book/B");
    want(body.format == 1, "the record format is not 1, the one that this program knows");
    want(body.hash == "sha-256", "the hash algorithm is not sha-256");
    want(body.sign == "ed25519", "the signature algorithm is not ed25519");
    want(public_key(&body.public_key).is_some(), "the book's public_key is not base64 of 32 bytes");
    want(!body.zone.is_empty(), "the book has no time zone");
}
