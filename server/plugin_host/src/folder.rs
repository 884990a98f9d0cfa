//! Reads a plugin's folder once, strictly: what could make two readings differ is refused, not skipped.

use std::fmt;
use std::fs::{self, File};
use std::io::{self, Read as _};
use std::path::{Path, PathBuf};

use tallyseal_schema::plugin_files::{DEPTH_MAX, FILE_MAX, FILES_MAX, Files, PluginFilesError, check_path, digest};

/// Why a folder cannot be read as a plugin.
#[derive(Debug)]
pub enum FolderError {
    /// It could not be read.
    Io {
        /// What was being read.
        path: PathBuf,
        /// Why not.
        error: io::Error,
    },
    /// A link, a device or another thing that is neither a file nor a folder.
    NotAFile(PathBuf),
    /// A name that is not UTF-8.
    Name(PathBuf),
    /// Files that cannot be those of a plugin.
    Files(PluginFilesError),
}

impl fmt::Display for FolderError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io { path, error } => write!(f, "{} could not be read: {error}", path.display()),
            Self::NotAFile(path) => write!(
                f,
                "{} is a link, a device or the like: a plugin has only plain files in plain folders",
                path.display()
            ),
            Self::Name(path) => write!(f, "the name of {} is not text", path.display()),
            Self::Files(PluginFilesError::Path(path)) if path.bytes().any(|b| b.is_ascii_uppercase()) => {
                let error = PluginFilesError::Path(path.clone());
                write!(f, "{error}; call it {:?}", path.to_ascii_lowercase())
            }
            Self::Files(error) => error.fmt(f),
        }
    }
}

impl std::error::Error for FolderError {}

/// All files under `dir`, checked as the files of one plugin.
pub fn read(dir: &Path) -> Result<Files, FolderError> {
    let mut files = Files::new();
    read_into(dir, "", 1, &mut files)?;
    digest(&files).map_err(FolderError::Files)?;
    Ok(files)
}

fn read_into(dir: &Path, prefix: &str, depth: usize, files: &mut Files) -> Result<(), FolderError> {
    let io = |path: &Path| {
        let path = path.to_owned();
        move |error| FolderError::Io { path, error }
    };
    for entry in fs::read_dir(dir).map_err(io(dir))? {
        let entry = entry.map_err(io(dir))?;
        let at = entry.path();
        let Ok(name) = entry.file_name().into_string() else { return Err(FolderError::Name(at)) };
        let path = format!("{prefix}{name}");
        // The type of the entry itself: a link is not followed.
        let kind = entry.file_type().map_err(io(&at))?;
        if kind.is_dir() {
            if depth >= DEPTH_MAX || name.starts_with('.') {
                return Err(FolderError::Files(PluginFilesError::Path(path)));
            }
            read_into(&at, &format!("{path}/"), depth + 1, files)?;
        } else if kind.is_file() {
            check_path(&path).map_err(FolderError::Files)?;
            if files.len() >= FILES_MAX {
                return Err(FolderError::Files(PluginFilesError::TooMany));
            }
            files.insert(path.clone(), contents(&at, path)?);
        } else {
            return Err(FolderError::NotAFile(at));
        }
    }
    Ok(())
}

/// The contents, never more than one byte over the limit: a file may grow while it is read.
fn contents(at: &Path, path: String) -> Result<Vec<u8>, FolderError> {
    let io = |error| FolderError::Io { path: at.to_owned(), error };
    let mut bytes = Vec::new();
    File::open(at).map_err(io)?.take(FILE_MAX as u64 + 1).read_to_end(&mut bytes).map_err(io)?;
    if bytes.len() > FILE_MAX { Err(FolderError::Files(PluginFilesError::TooLarge(path))) } else { Ok(bytes) }
}
