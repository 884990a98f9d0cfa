//! What a verification found, for people: what was looked at, what is wrong, what the verdict rests on.

use std::fmt;

use crate::report::{Outside, Report, Signatures, SourceKind, TimeStampSeen, Trust};

/// How many faults are printed; all of them are in the JSON form.
const FAULTS_PRINTED: usize = 50;

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.head_line(f)?;
        writeln!(f, "\n  {:<12}{:>11}{:>8}", "check", "looked at", "faults")?;
        for line in &self.checks {
            writeln!(f, "  {:<12}{:>11}{:>8}", line.check, line.looked_at, line.faults)?;
        }
        let Signatures { standing, void, compromised } = self.signatures;
        if standing + void + compromised > 0 {
            writeln!(f, "\n{standing} signatures stand, {void} are void (the record changed after them).")?;
        }
        if compromised > 0 {
            writeln!(f, "{compromised} signatures do not stand: a key is marked as compromised (see below).")?;
        }
        if !self.notes.is_empty() {
            writeln!(f)?;
        }
        for note in &self.notes {
            writeln!(f, "note: {note}")?;
        }
        if !self.faults.is_empty() {
            writeln!(f)?;
        }
        for fault in self.faults.iter().take(FAULTS_PRINTED) {
            match fault.n {
                Some(n) => writeln!(f, "FAULT at entry {n}, {}: {}", fault.check, fault.what)?,
                None => writeln!(f, "FAULT, {}: {}", fault.check, fault.what)?,
            }
        }
        if let Some(more @ 1..) = self.faults.len().checked_sub(FAULTS_PRINTED) {
            writeln!(f, "and {more} more faults; the JSON form has all of them")?;
        }
        writeln!(f)?;
        if let Some(TimeStampSeen { accuracy_us, at, authority, certificate, size }) = &self.time_stamp {
            write!(f, "newest time-stamp: size {size}, there before {at}")?;
            if *accuracy_us > 0 {
                write!(f, " (or {accuracy_us} microseconds after it)")?;
            }
            writeln!(f, ", by {authority}, certificate {certificate}")?;
        }
        self.outside_line(f)?;
        self.verdict(f)
    }
}

impl Report {
    fn head_line(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let what = match self.source {
            SourceKind::Directory => "data directory",
            SourceKind::SealedRecord => "sealed record",
            SourceKind::Dump => "dump",
            SourceKind::Printed => "record's PDF",
        };
        match &self.book {
            Some(book) => write!(f, "{what} of the book {book}: ")?,
            None => write!(f, "{what} of an unknown book: ")?,
        }
        write!(f, "{} entries", self.entries)?;
        if let Some(head) = self.head {
            write!(f, ", the last is n {} with leaf {}", head.n, head.leaf)?;
        }
        writeln!(f)?;
        if let Some(key) = &self.key {
            writeln!(f, "key of the book, as it says itself: {key}")?;
        }
        if let Some(policy) = &self.policy {
            writeln!(f, "policy {}", policy.sha256)?;
            for ask in &policy.asks {
                writeln!(f, "  asks for {ask}")?;
            }
        }
        match self.checkpoint {
            Some(newest) => writeln!(f, "newest checkpoint that holds: size {}, root {}", newest.size, newest.root),
            None => writeln!(f, "no checkpoint that holds"),
        }
    }

    fn outside_line(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Some(Outside { size, at, age_s, tail }) = self.outside else {
            return writeln!(f, "newest outside proof: none; exposed tail: all {} entries", self.entries);
        };
        let by_key = self.trust == Trust::Key;
        write!(
            f,
            "newest {}: size {size}",
            if by_key { "checkpoint by a key that was given" } else { "outside proof" }
        )?;
        if let Some(at) = at {
            write!(f, ", of {at}")?;
        }
        if let Some(age_s) = age_s {
            write!(f, " ({} old)", Span(age_s))?;
        }
        match self.source {
            SourceKind::SealedRecord => writeln!(f),
            _ if by_key => {
                writeln!(f, "; {tail} entries after it; exposed tail, to who holds that key: all {}", self.entries)
            }
            _ => writeln!(f, "; exposed tail: {tail} entries after it"),
        }
    }

    fn verdict(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !self.ok() {
            return writeln!(f, "NOT IN ORDER: {} faults; trust: {}", self.faults.len(), self.trust.name());
        }
        match self.trust {
            Trust::Itself => write!(
                f,
                "CONSISTENT, NOT AUTHENTICATED: nothing from outside was there to hold the book against (trust: self)"
            )?,
            Trust::Key => write!(f, "AUTHENTIC: signed by the key that was given (trust: key)")?,
            Trust::Checkpoint => write!(f, "AUTHENTIC: as the checkpoint that was given says (trust: checkpoint)")?,
            Trust::Witness => write!(f, "AUTHENTIC: as a witness saw it (trust: witness)")?,
        }
        writeln!(f)
    }
}

/// A length of time in its largest unit.
struct Span(u64);

impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            s @ ..120 => write!(f, "{s} s"),
            s @ ..7_200 => write!(f, "{} min", s / 60),
            s @ ..172_800 => write!(f, "{} h", s / 3_600),
            s => write!(f, "{} days", s / 86_400),
        }
    }
}
