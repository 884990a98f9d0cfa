//! A refusal: which rule, what it says to the person, and the way out.

use std::fmt;

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::Stream;

/// What sort of refusal it is; the web layer gives each its status.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RefusalKind {
    /// The thing is in a state that does not allow it.
    Conflict,
    /// This person, or this role, may not.
    Forbidden,
    /// There is no such thing.
    NotFound,
    /// What was given makes no sense.
    Invalid,
    /// The session has ended.
    SignedOut,
    /// A password is needed for the signature.
    NeedsPassword,
    /// The session is locked; its person opens it again.
    Locked,
    /// The software is at fault.
    Internal,
}

/// Why a command may not be done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Refusal {
    /// Which rule, as a short stable code.
    pub code: String,
    /// What sort.
    pub kind: RefusalKind,
    /// What to do, in a sentence.
    pub remedy: String,
    /// What would be signed, where only the password is missing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signs: Option<Box<Signs>>,
    /// Why not, in a sentence.
    pub text: String,
}

/// What a signature would say, shown to the person before it is given.
///
/// Rule: 21 CFR 11.50(a), the meaning; 11.70, what it belongs to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Signs {
    /// Streams that it covers, the record that is signed first. One that the same act begins has no entry yet.
    pub covers: Vec<Stream>,
    /// What it means.
    pub meaning: String,
}

impl Refusal {
    /// A refusal of any sort.
    pub fn new(kind: RefusalKind, code: &str, text: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { code: code.to_owned(), kind, remedy: remedy.into(), signs: None, text: text.into() }
    }

    /// The thing's state does not allow it.
    pub fn conflict(code: &str, text: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self::new(RefusalKind::Conflict, code, text, remedy)
    }

    /// This person may not.
    pub fn forbidden(code: &str, text: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self::new(RefusalKind::Forbidden, code, text, remedy)
    }

    /// What was given makes no sense.
    pub fn invalid(code: &str, text: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self::new(RefusalKind::Invalid, code, text, remedy)
    }

    /// There is no such thing.
    pub fn not_found(title: &str, stream: &Stream) -> Self {
        let title = title.replace('_', " ");
        let remedy = match title.as_str() {
            "roll" | "test roll" | "delivery" => {
                format!("Scan the ID again; if the {title} lies in front of you, set it aside and tell the reviewer.")
            }
            _ => "Check the ID, and scan or type it again.".to_owned(),
        };
        Self::new(
            RefusalKind::NotFound,
            &format!("no-such-{}", title.replace(' ', "-")),
            format!("There is no {title} {} in this book.", stream.id()),
            remedy,
        )
    }

    /// A person must open their key, to sign that.
    pub fn needs_password(meaning: &str, covers: Vec<Stream>) -> Self {
        let text = format!("This is a signature ({meaning}).");
        let refusal = Self::new(RefusalKind::NeedsPassword, "needs-password", text, "Give your password to sign.");
        Self { signs: Some(Box::new(Signs { covers, meaning: meaning.to_owned() })), ..refusal }
    }

    /// What everything in a locked session is answered with.
    pub fn session_locked() -> Self {
        Self::new(
            RefusalKind::Locked,
            "session-locked",
            "The session is locked: nobody used it for a while.",
            "Give your account and your password to go on, or sign out.",
        )
    }

    /// A case that the rules exclude; seen only when the software is wrong.
    pub fn internal(text: &str) -> Self {
        Self::new(RefusalKind::Internal, "internal", text, "Tell the administrator; nothing was recorded.")
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.text, self.remedy)
    }
}
