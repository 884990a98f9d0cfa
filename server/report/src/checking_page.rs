//! The page that goes into every sealed record as `verify.html`: it checks the record in the reader's own browser.
//!
//! Its sources stand in `verify/`, plain scripts that share one scope, in the order of the list below. They are joined here
//! and not by a tool, so that what is read in the tree is what runs. The page allows itself exactly its own script and
//! style, by their hashes, and no request at all.

use std::sync::LazyLock;

use tallyseal_schema::Hash;
use tallyseal_schema::canonical::base64;

/// The name of the page in a sealed record. Rule: `FORMAT.md` section 6.
pub const CHECKING_PAGE: &str = "verify.html";

const TEMPLATE: &str = include_str!("../verify/verify.html");
const STYLE: &str = concat!("\n", include_str!("../verify/verify.css"));

/// The scripts before and after the tables. `strict.js` first: all others use it.
const BEFORE_TABLES: &str = concat!(
    "\n\"use strict\";\n",
    include_str!("../verify/strict.js"),
    include_str!("../verify/hash.js"),
    include_str!("../verify/ed25519.js"),
    include_str!("../verify/note.js"),
    include_str!("../verify/zip.js"),
    include_str!("../verify/pdf.js"),
);
const TABLES: &str = include_str!("../verify/tables.js");
const AFTER_TABLES: &str = concat!(
    include_str!("../verify/entry.js"),
    include_str!("../verify/judge.js"),
    include_str!("../verify/words.js"),
    include_str!("../verify/record.js"),
    include_str!("../verify/page.js"),
);

/// The whole page: the same bytes for every record of one version.
pub fn checking_page() -> &'static str {
    static PAGE: LazyLock<String> = LazyLock::new(|| checking_page_with(TABLES));
    &PAGE
}

/// The page with other tables of kinds and meanings than those in the tree: for the generator, which makes these and must say
/// the hash of the page that has them.
#[doc(hidden)]
pub fn checking_page_with(tables: &str) -> String {
    let script = [BEFORE_TABLES, tables, AFTER_TABLES].concat();
    // Rule: Content Security Policy Level 3, section 2.3.1, hash sources.
    let source = |text: &str| format!("sha256-{}", base64(Hash::of(text.as_bytes()).0));
    TEMPLATE
        .replace("{{script-hash}}", &source(&script))
        .replace("{{style-hash}}", &source(STYLE))
        .replace("{{style}}", STYLE)
        .replace("{{script}}", &script)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_page_is_whole_and_asks_for_nothing() {
        let page = checking_page();
        assert!(!page.contains("{{"), "a place in the template is not filled");
        assert!(page.contains("default-src 'none'") && page.contains(STYLE) && page.contains(TABLES));
        let script = [BEFORE_TABLES, TABLES, AFTER_TABLES].concat();
        // What would end the script, or let the page reach outside if the policy did not.
        assert!(!script.contains("</script") && !script.contains("<!--") && !STYLE.contains("</style"));
        for word in ["http://", "https://", "fetch(", "XMLHttpRequest", "innerHTML", "eval(", "import(", "url("] {
            assert!(!page.contains(word), "the page has {word}");
        }
    }
}
