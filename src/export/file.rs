//! Writes a file in one go: the text goes to a new file beside the target, which is then renamed. A reader sees the
//! old file or the new one, never half of it, and after a failure the old one is still there.
//!
//! ```
//! use plyscribe::export::file;
//!
//! let folder = tempfile::tempdir()?;
//! let target = folder.path().join("lesson.pgn");
//! file::write(&target, "*\n\n")?;
//! assert_eq!(std::fs::read_to_string(&target)?, "*\n\n");
//!
//! let error = file::write(&folder.path().join("missing/lesson.pgn"), "*\n\n").unwrap_err();
//! assert!(error.to_string().contains("there is no folder"));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

use std::fs;
use std::io::{self, ErrorKind, Write};
use std::path::{Path, PathBuf};

use thiserror::Error;

/// Why a file could not be written. Nothing was changed, unless the target is a device or a pipe.
#[derive(Debug, Error)]
pub enum FileError {
    /// The path is empty.
    #[error("can't write the file: its name is empty")]
    NoName,
    /// The path names a folder.
    #[error("can't write {}: it is a folder; give the name of a file", .0.display())]
    IsFolder(PathBuf),
    /// The folder that the file should go to is not there.
    #[error("can't write {}: there is no folder {}; make it first", path.display(), folder.display())]
    NoFolder {
        /// The target.
        path: PathBuf,
        /// The folder.
        folder: PathBuf,
    },
    /// The system does not let us write there, or the file is write-protected.
    #[error("can't write {}: no permission to write there ({reason})", path.display())]
    NoPermission {
        /// The target.
        path: PathBuf,
        /// In which respect.
        reason: String,
    },
    /// Anything else, such as a full disk.
    #[error("can't write {}: {source}", path.display())]
    Other {
        /// The target.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
}

impl FileError {
    fn new(path: &Path, source: io::Error) -> FileError {
        let path = path.to_path_buf();
        match source.kind() {
            ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => {
                FileError::NoPermission {
                    path,
                    reason: source.to_string(),
                }
            }
            ErrorKind::IsADirectory => FileError::IsFolder(path),
            _ => FileError::Other { path, source },
        }
    }
}

/// Writes `text` to the file at `path`, replacing what is there.
///
/// A symbolic link is followed: the file that it points to is replaced. An existing file keeps its permissions. A
/// device or a pipe (`/dev/stdout`, `/dev/null`) is written to as it is.
///
/// # Errors
/// [`FileError`], which tells what to mend: a folder that is missing or stands in the place of the file, permissions.
pub fn write(path: &Path, text: &str) -> Result<(), FileError> {
    Staged::new(path, text)?.finish()
}

/// Writes several files: all texts are on the disk, beside their targets, before the first target is replaced. So a
/// missing folder, a protected file or a full disk leaves every target as it was. (Only a renaming that fails in
/// between could leave some new and some old ones.)
///
/// # Errors
/// [`FileError`] for the first file that can't be written.
pub fn write_all(files: &[(&Path, &str)]) -> Result<(), FileError> {
    let staged: Vec<Staged> = files
        .iter()
        .map(|(path, text)| Staged::new(path, text))
        .collect::<Result<_, _>>()?;
    staged.into_iter().try_for_each(Staged::finish)
}

/// A file whose text waits to take its place.
enum Staged<'a> {
    /// Written beside its target.
    Beside {
        path: &'a Path,
        target: PathBuf,
        file: tempfile::NamedTempFile,
    },
    /// A device or a pipe, open but not written to yet.
    Device {
        path: &'a Path,
        file: fs::File,
        text: &'a str,
    },
}

impl<'a> Staged<'a> {
    fn new(path: &'a Path, text: &'a str) -> Result<Staged<'a>, FileError> {
        if path.as_os_str().is_empty() {
            return Err(FileError::NoName);
        }
        let ends_in_separator = path
            .as_os_str()
            .to_string_lossy()
            .chars()
            .next_back()
            .is_some_and(std::path::is_separator);
        if path.is_dir() || ends_in_separator || path.file_name().is_none() {
            return Err(FileError::IsFolder(path.to_path_buf()));
        }
        let there = fs::metadata(path).ok();
        if there.as_ref().is_some_and(|there| !there.is_file()) {
            let file = fs::OpenOptions::new()
                .write(true)
                .open(path)
                .map_err(|source| FileError::new(path, source))?;
            return Ok(Staged::Device { path, file, text });
        }
        if there
            .as_ref()
            .is_some_and(|there| there.permissions().readonly())
        {
            let reason = "the file is write-protected".to_owned();
            return Err(FileError::NoPermission {
                path: path.to_path_buf(),
                reason,
            });
        }
        let target = follow(path).map_err(|source| FileError::new(path, source))?;
        let folder = match target.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        if !folder.is_dir() {
            let folder = folder.to_path_buf();
            return Err(FileError::NoFolder {
                path: path.to_path_buf(),
                folder,
            });
        }
        let file = write_beside(folder, text, there.map(|there| there.permissions()))
            .map_err(|source| FileError::new(path, source))?;
        Ok(Staged::Beside { path, target, file })
    }

    fn finish(self) -> Result<(), FileError> {
        match self {
            Staged::Beside { path, target, file } => file
                .persist(target)
                .map(|_| ())
                .map_err(|error| FileError::new(path, error.error)),
            Staged::Device {
                path,
                mut file,
                text,
            } => file
                .write_all(text.as_bytes())
                .and_then(|()| file.flush())
                .map_err(|source| FileError::new(path, source)),
        }
    }
}

/// The file that a symbolic link points to (which need not be there yet), or the path itself.
fn follow(path: &Path) -> io::Result<PathBuf> {
    let mut target = path.to_path_buf();
    // As many as Linux follows (path_resolution(7)).
    for _ in 0..40 {
        match fs::read_link(&target) {
            Ok(next) => target = target.parent().unwrap_or(Path::new("")).join(next),
            Err(_) => return Ok(target),
        }
    }
    Err(io::Error::other("too many symbolic links"))
}

fn write_beside(
    folder: &Path,
    text: &str,
    keep: Option<fs::Permissions>,
) -> io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".plyscribe-");
    #[cfg(unix)]
    {
        // As for any new file: the user's umask takes away what it takes away.
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(fs::Permissions::from_mode(0o666));
    }
    let mut beside = builder.tempfile_in(folder)?;
    beside.write_all(text.as_bytes())?;
    if let Some(permissions) = keep {
        beside.as_file().set_permissions(permissions)?;
    }
    beside.as_file().sync_all()?;
    Ok(beside)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn replaces_the_file_and_leaves_nothing_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("a.pgn");
        write(&target, "first").unwrap();
        write(&target, "second").unwrap();
        assert_eq!(fs::read_to_string(&target).unwrap(), "second");
        assert_eq!(names(folder.path()), ["a.pgn"]);
    }

    #[test]
    fn several_files_are_written_together_or_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let (first, second) = (folder.path().join("a.pgn"), folder.path().join("b.json"));
        fs::write(&first, "old").unwrap();
        let missing = folder.path().join("no/b.json");
        let error = write_all(&[(&first, "new"), (&missing, "{}")]).unwrap_err();
        assert!(matches!(error, FileError::NoFolder { .. }), "{error}");
        assert_eq!(fs::read_to_string(&first).unwrap(), "old");
        assert_eq!(names(folder.path()), ["a.pgn"]);
        write_all(&[(&first, "new"), (&second, "{}")]).unwrap();
        assert_eq!(fs::read_to_string(&first).unwrap(), "new");
        assert_eq!(names(folder.path()), ["a.pgn", "b.json"]);
    }

    #[test]
    fn folders_are_no_files() {
        let folder = tempfile::tempdir().unwrap();
        for path in [
            folder.path().to_path_buf(),
            folder.path().join("new/"),
            PathBuf::from(".."),
        ] {
            let error = write(&path, "x").unwrap_err();
            assert!(matches!(error, FileError::IsFolder(_)), "{error}");
        }
        assert!(matches!(write(Path::new(""), "x"), Err(FileError::NoName)));
        assert_eq!(names(folder.path()), Vec::<String>::new());
    }

    #[test]
    fn a_missing_folder_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let error = write(&folder.path().join("no/such/a.pgn"), "x").unwrap_err();
        assert!(
            matches!(&error, FileError::NoFolder { folder, .. } if folder.ends_with("no/such")),
            "{error}"
        );
        assert_eq!(names(folder.path()), Vec::<String>::new());
    }

    #[test]
    fn a_write_protected_file_stays_as_it_is() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("a.pgn");
        write(&target, "mine").unwrap();
        let mut permissions = fs::metadata(&target).unwrap().permissions();
        permissions.set_readonly(true);
        fs::set_permissions(&target, permissions).unwrap();
        let error = write(&target, "yours").unwrap_err();
        assert!(matches!(error, FileError::NoPermission { .. }), "{error}");
        assert_eq!(fs::read_to_string(&target).unwrap(), "mine");
    }

    #[test]
    fn what_the_system_refuses_is_told_plainly() {
        let path = Path::new("a.pgn");
        for kind in [ErrorKind::PermissionDenied, ErrorKind::ReadOnlyFilesystem] {
            assert!(matches!(
                FileError::new(path, kind.into()),
                FileError::NoPermission { .. }
            ));
        }
        assert!(matches!(
            FileError::new(path, ErrorKind::StorageFull.into()),
            FileError::Other { .. }
        ));
    }

    #[cfg(unix)]
    #[test]
    fn permissions_links_and_devices_are_respected() {
        use std::os::unix::fs::{FileTypeExt, PermissionsExt, symlink};
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("a.pgn");
        fs::write(&target, "old").unwrap();
        fs::set_permissions(&target, fs::Permissions::from_mode(0o640)).unwrap();
        let link = folder.path().join("link.pgn");
        symlink("a.pgn", &link).unwrap();
        write(&link, "new").unwrap();
        assert_eq!(fs::read_to_string(&target).unwrap(), "new");
        assert_eq!(
            fs::metadata(&target).unwrap().permissions().mode() & 0o777,
            0o640
        );
        assert!(
            fs::symlink_metadata(&link)
                .unwrap()
                .file_type()
                .is_symlink()
        );

        // A new file is as readable as any that the user makes.
        let plain = folder.path().join("plain");
        fs::write(&plain, "").unwrap();
        let fresh = folder.path().join("fresh.pgn");
        write(&fresh, "x").unwrap();
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode();
        assert_eq!(mode(&fresh), mode(&plain));

        write(Path::new("/dev/null"), "x").unwrap();
        assert!(
            fs::metadata("/dev/null")
                .unwrap()
                .file_type()
                .is_char_device()
        );
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_full_disk_is_no_silent_loss() {
        let error = write(Path::new("/dev/full"), "x").unwrap_err();
        assert!(matches!(error, FileError::Other { .. }), "{error}");
    }
}
