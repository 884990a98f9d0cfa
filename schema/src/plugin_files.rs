//! The files of a plugin and the digest that names them.
//!
//! Rule: `FORMAT.md` section 5. The digest is all that an entry says about a plugin's content, so whatever could make
//! two folders of one digest behave differently is refused here.

use std::collections::BTreeMap;
use std::fmt;

use crate::hash::Hash;
use crate::tree;

/// The files of one plugin: path, with `/` between its parts, and contents. Shape: in ascending byte order of path.
pub type Files = BTreeMap<String, Vec<u8>>;

/// How many files a plugin may have.
pub const FILES_MAX: usize = 64;

/// How large one file may be. Unit: bytes.
pub const FILE_MAX: usize = 1024 * 1024;

/// How many parts a path may have.
pub const DEPTH_MAX: usize = 3;

/// Why files are not those of a plugin.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PluginFilesError {
    /// There is no file.
    Empty,
    /// More than [`FILES_MAX`] files.
    TooMany,
    /// A file larger than [`FILE_MAX`]; its path.
    TooLarge(String),
    /// A path that is not of the form; the path.
    Path(String),
    /// Two paths that are alike but for case, or one that is another's folder; the later one.
    Alike(String),
}

impl fmt::Display for PluginFilesError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => f.write_str("a plugin has at least one file"),
            Self::TooMany => write!(f, "a plugin has at most {FILES_MAX} files"),
            Self::TooLarge(path) => write!(f, "{path} is larger than {FILE_MAX} bytes"),
            Self::Path(path) => write!(
                f,
                "{path:?} is not a plugin file's path (a-z, 0-9, '.', '_', '-', at most {DEPTH_MAX} parts, none \
                 beginning with a dot)"
            ),
            Self::Alike(path) => write!(f, "{path} is alike another path but for case, or lies inside another file"),
        }
    }
}

impl std::error::Error for PluginFilesError {}

/// Checks one path.
///
/// Errors: [`PluginFilesError::Path`]. Rule: `FORMAT.md` section 5.
pub fn check_path(path: &str) -> Result<(), PluginFilesError> {
    let part = |part: &str| {
        !part.is_empty()
            && !part.starts_with('.')
            && part.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || matches!(b, b'.' | b'_' | b'-'))
    };
    if path.split('/').count() <= DEPTH_MAX && path.split('/').all(part) {
        Ok(())
    } else {
        Err(PluginFilesError::Path(path.to_owned()))
    }
}

/// The digest that names a plugin with these files.
///
/// Errors: [`PluginFilesError`]. Rule: `FORMAT.md` section 5; the tree of RFC 6962 over
/// `SHA-256(0x00 || path || 0x00 || contents)`.
pub fn digest(files: &Files) -> Result<Hash, PluginFilesError> {
    if files.is_empty() {
        return Err(PluginFilesError::Empty);
    }
    if files.len() > FILES_MAX {
        return Err(PluginFilesError::TooMany);
    }
    let mut leaves = Vec::with_capacity(files.len());
    for (path, contents) in files {
        // Two paths alike but for case cannot both pass: a path has no capital letters.
        check_path(path)?;
        // A folder holds no file and folder of one name, so neither may the stored set.
        let inside = path.match_indices('/').any(|(at, _)| path.get(..at).is_some_and(|up| files.contains_key(up)));
        if inside {
            return Err(PluginFilesError::Alike(path.clone()));
        }
        if contents.len() > FILE_MAX {
            return Err(PluginFilesError::TooLarge(path.clone()));
        }
        leaves.push(Hash::digest(&[&[0x00], path.as_bytes(), &[0x00], contents]));
    }
    Ok(tree::root(&leaves))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn files(paths: &[&str]) -> Files {
        paths.iter().map(|path| ((*path).to_owned(), b"x".to_vec())).collect()
    }

    #[test]
    fn the_known_plugin_has_its_known_digest() {
        let vectors: serde_json::Value = serde_json::from_str(include_str!("../vectors/record-format.json")).unwrap();
        let plugin = &vectors["plugin"];
        let files: Files = plugin["files"]
            .as_object()
            .unwrap()
            .iter()
            .map(|(path, contents)| (path.clone(), contents.as_str().unwrap().as_bytes().to_vec()))
            .collect();
        assert_eq!(files.len(), 3);
        assert_eq!(digest(&files).unwrap().hex(), plugin["digest"].as_str().unwrap());
    }

    #[test]
    fn one_file_is_one_leaf() {
        let files = Files::from([("a".to_owned(), b"b".to_vec())]);
        assert_eq!(digest(&files), Ok(Hash::of(b"\0a\0b")));
    }

    #[test]
    fn a_byte_cannot_move_between_path_and_contents() {
        let one = Files::from([("a".to_owned(), b"bc".to_vec())]);
        let other = Files::from([("ab".to_owned(), b"c".to_vec())]);
        assert_ne!(digest(&one).unwrap(), digest(&other).unwrap());
    }

    #[test]
    fn a_path_has_one_form() {
        for good in ["a", "plugin.toml", "map.rhai", "samples/a.capture", "a/b/c", "-", "_", "0", "a..b"] {
            assert_eq!(check_path(good), Ok(()), "{good}");
        }
        for bad in
            ["", "/", "/a", "a/", "a//b", ".a", "a/.b", "..", "a/../b", "a/b/c/d", "A", "a b", "a\\b", "é", "a\0"]
        {
            assert_eq!(check_path(bad), Err(PluginFilesError::Path(bad.to_owned())), "{bad}");
            assert_eq!(digest(&files(&[bad])), Err(PluginFilesError::Path(bad.to_owned())), "{bad}");
        }
    }

    #[test]
    fn a_plugin_is_neither_empty_nor_large() {
        assert_eq!(digest(&Files::new()), Err(PluginFilesError::Empty));
        let many = |count: usize| (0..count).map(|i| (format!("f{i}"), Vec::new())).collect::<Files>();
        assert!(digest(&many(64)).is_ok());
        assert_eq!(digest(&many(65)), Err(PluginFilesError::TooMany));
        let of_len = |len: usize| Files::from([("a".to_owned(), vec![0; len])]);
        assert!(digest(&of_len(1_048_576)).is_ok());
        assert_eq!(digest(&of_len(1_048_577)), Err(PluginFilesError::TooLarge("a".to_owned())));
    }

    #[test]
    fn a_refusal_names_the_path() {
        for (files, wanted) in [
            (Files::new(), "at least one file"),
            ((0..65).map(|i| (format!("f{i}"), Vec::new())).collect(), "at most 64 files"),
            (Files::from([("big".to_owned(), vec![0; FILE_MAX + 1])]), "big is larger than 1048576 bytes"),
            (files(&["a B"]), "\"a B\" is not a plugin file's path"),
            (files(&["a", "a/b"]), "a/b is alike"),
        ] {
            let said = digest(&files).unwrap_err().to_string();
            assert!(said.contains(wanted), "{said}");
        }
    }

    #[test]
    fn two_paths_that_one_folder_could_not_hold_are_refused() {
        // Alike but for case: one of them always has a capital letter.
        assert_eq!(digest(&files(&["Map", "map"])), Err(PluginFilesError::Path("Map".to_owned())));
        assert_eq!(digest(&files(&["a", "a/b"])), Err(PluginFilesError::Alike("a/b".to_owned())));
        assert_eq!(digest(&files(&["a/b", "a/b/c"])), Err(PluginFilesError::Alike("a/b/c".to_owned())));
        assert!(digest(&files(&["a", "a-b/c", "ab/c"])).is_ok());
    }
}
