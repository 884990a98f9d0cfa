//! What each check of a verification means, in plain words.

use tallyseal_verify::Trust;

/// What a check is called, what it looks at, and what it means where it finds nothing.
pub(super) struct Meaning {
    /// Its name in reports.
    pub(super) name: &'static str,
    pub(super) title: &'static str,
    /// What it counts as looked at.
    pub(super) looked_at: &'static str,
    /// One of them.
    pub(super) one: &'static str,
    pub(super) means: &'static str,
}

const fn row(
    name: &'static str,
    title: &'static str,
    (looked_at, one): (&'static str, &'static str),
    means: &'static str,
) -> Meaning {
    Meaning { name, title, looked_at, one, means }
}

/// Every check, in the order of reports.
pub(super) const MEANINGS: &[Meaning] = &[
    row(
        "zip",
        "The file itself",
        ("files in it", "file in it"),
        "The file has the one strict form that a sealed record may have: nothing hidden in it, nothing twice.",
    ),
    row(
        "manifest",
        "List of contents",
        ("files listed", "file listed"),
        "Every file is listed with its hash, has exactly the bytes that the list says, and nothing else is there.",
    ),
    row(
        "complete",
        "Completeness",
        ("records listed", "record listed"),
        "Each record in it is there from its first entry to its last, with no entry left out.",
    ),
    row(
        "bytes",
        "Form of entries",
        ("entries", "entry"),
        "Every entry is written in the one canonical form and says what its kind must say, no more and no less.",
    ),
    row(
        "chain",
        "Order and links",
        ("entries", "entry"),
        "Every entry names the hash of the one before it: nobody changed, removed, inserted or swapped one without making \
         all later ones anew. In a sealed record neighbours are judged where both are in it.",
    ),
    row(
        "time",
        "Clock",
        ("entries", "entry"),
        "The server's time never goes back but where an entry says that it was set back.",
    ),
    row(
        "tree",
        "Tree of hashes",
        ("entries", "entry"),
        "Entries, hashed anew, lead to the very roots that the checkpoints were signed over.",
    ),
    row(
        "checkpoints",
        "Checkpoints",
        ("checkpoints", "checkpoint"),
        "Each is signed by the book's key, they agree with each other, and no entry that one of them covers is missing.",
    ),
    row(
        "time_stamps",
        "Time-stamps",
        ("tokens", "token"),
        "Each is good, by the authority that was named, and over the very checkpoint that it lies beside: what that covers \
         was there before the authority's time.",
    ),
    row(
        "keys",
        "Keys",
        ("keys", "key"),
        "Every person's signing key was enrolled by its holder, and the book's key is the one that its first entry names.",
    ),
    row(
        "signatures",
        "Signatures",
        ("signatures", "signature"),
        "Each was made with the signer's own key while it was good, over exactly the entries that it says, in a role that \
         may give it.",
    ),
    row(
        "separation",
        "Separation of duties",
        ("signatures", "signature"),
        "Nobody signed where they were excluded by what they had done or signed themselves in that record.",
    ),
    row(
        "captures",
        "Machine bytes",
        ("pieces of bytes", "piece of bytes"),
        "The raw bytes from machines are all there and are those that the entries name by their hash.",
    ),
    row(
        "plugins",
        "Plugins",
        ("plugins", "plugin"),
        "The plugins' files are those that the entries name and a reviewer approved.",
    ),
    row(
        "pdf",
        "Pages' file",
        ("files of pages", "file of pages"),
        "The file with the pages has the one strict form that it may have, with exactly the record's entries, proofs and \
         checkpoint attached and nothing hidden in it.",
    ),
    row(
        "seal",
        "Seal",
        ("seals", "seal"),
        "That this copy was taken is itself an entry of the book, proved to be in it, and it names these very contents.",
    ),
    row(
        "require",
        "Proof from outside",
        ("demands", "demand"),
        "What had to come from outside the book came, and the book agrees with it.",
    ),
    row(
        "views",
        "What pages show",
        ("rows", "row"),
        "What pages are made from, folded anew from the entries alone, is the same, row by row.",
    ),
    row(
        "pages",
        "Printed pages",
        ("files of pages", "file of pages"),
        "The record's pages, set again from its entries by the same version of this software, are the same byte for byte: \
         they say what the entries say.",
    ),
    row(
        "replay",
        "Machines heard again",
        ("pieces", "piece"),
        "What each machine sent, run again through the plugin that was approved then, gives the counts, faults and reports \
         that are recorded.",
    ),
    row("scope", "What belongs to it", ("things", "thing"), "Everything that the record leans on is in the copy."),
];

/// What is known of a check.
pub(super) fn meaning(name: &str) -> Option<&'static Meaning> {
    MEANINGS.iter().find(|row| row.name == name)
}

/// What the verdict rests on.
pub(super) fn trust(trust: Trust) -> &'static str {
    match trust {
        Trust::Itself => {
            "Consistent in itself. Nothing from outside was there to hold the book against: whoever has its key and its disk \
             could have made all of it anew. Type a checkpoint from paper to close that gap."
        }
        Trust::Key => "Signed by this book's key.",
        Trust::Checkpoint => "As the checkpoint says that was kept outside: up to there nothing was changed since.",
        Trust::Witness => "As a witness outside saw it: up to there nothing was changed since.",
    }
}

/// What no verification shows.
pub(super) const LIMITS: &[(&str, &str)] = &[
    (
        "That what was entered is true.",
        "A number that somebody typed wrongly, or a roll that was never put on the table, is recorded as truthfully as any \
         other. Signatures say who stands for it.",
    ),
    (
        "Anything about the exposed tail.",
        "Entries after the newest checkpoint that somebody outside holds could be cut off or made anew by whoever has the \
         server and the book's key. Checkpoints on paper, taken often, keep that tail short.",
    ),
    (
        "That nobody worked together.",
        "Two people who both lie are two signatures that hold. Separation of duties makes it need two; it cannot make it \
         impossible.",
    ),
    (
        "That the clock was right.",
        "Times are the server's. Order is what is proved; a clock that was set is an entry, a clock that was wrong all the \
         time is not seen.",
    ),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_check_of_the_verifier_has_its_words() {
        for check in tallyseal_verify::Check::ALL {
            assert!(meaning(check.name()).is_some(), "{check}");
        }
        // The server's own.
        assert_eq!(MEANINGS.len(), tallyseal_verify::Check::ALL.len() + 4);
    }
}
