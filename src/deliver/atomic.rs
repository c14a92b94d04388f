//! Files that are either whole or not there, and originals that are never touched.
//!
//! A file is written beside its place under a temporary name, brought to the disk, then renamed
//! (POSIX `rename` is atomic); so a run that is killed leaves at most a `.lapel-*.part`, which the
//! next run takes away. A part is locked while it is written: one that can be locked belongs to
//! nobody any more.
//!
//! A delivered file and its sidecar are two files, and no rename moves both at once. Both are
//! whole on the disk before the file takes its place, and the sidecar follows. A run killed
//! between the two leaves a new file, an old sidecar (or none) and the new sidecar as a part: the
//! next run reads in that part which file it speaks of, and finishes the rename if that very file
//! stands there. Nothing but a sidecar is ever put in place so, and never beside a file that
//! somebody has edited since.

use std::collections::BTreeSet;
use std::fs::{self, File, TryLockError};
use std::io::{self, ErrorKind, Read, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::names;
use super::sidecar::Sidecar;

/// How temporary names begin and end.
const BEGIN: &str = ".lapel-";
const END: &str = ".part";

/// How deep below the delivery folder a pattern can put files; parts are looked for so far.
const DEPTH: usize = 8;

/// Longest part that is read as a sidecar. One of a sitter with 500 healed places has 60 KB.
const LONGEST_SIDECAR: u64 = 4 << 20;

/// Why a file could not be written.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The disk refused.
    #[error("{}: {source}; {remedy}", path.display())]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
        /// What to do.
        remedy: &'static str,
    },
    /// The file is one that the job reads.
    #[error("{}: this is a file that the job reads, it is never overwritten; choose another \
             delivery folder or name pattern", path.display())]
    Original {
        /// The file.
        path: PathBuf,
    },
}

fn error(path: &Path) -> impl FnOnce(io::Error) -> Error {
    let path = path.to_owned();
    move |source| Error::Io {
        path,
        remedy: remedy(source.kind()),
        source,
    }
}

fn remedy(kind: ErrorKind) -> &'static str {
    match kind {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => {
            "make room on this disk and run again: what is finished is kept"
        }
        ErrorKind::PermissionDenied => "allow writing there, or choose another delivery folder",
        ErrorKind::ReadOnlyFilesystem => {
            "this disk can only be read; choose another delivery folder"
        }
        ErrorKind::NotADirectory | ErrorKind::AlreadyExists => {
            "a file stands where a folder is needed; move it away"
        }
        ErrorKind::NotFound => "the folder has gone; check that its disk is connected",
        _ => "check the disk, then run again: what is finished is kept",
    }
}

/// Files that must not be overwritten, under their real paths.
#[derive(Debug, Clone, Default)]
pub struct Originals(BTreeSet<PathBuf>);

impl Originals {
    /// Those of `paths` that exist, links followed.
    pub fn new(paths: &[PathBuf]) -> Self {
        Self(paths.iter().filter_map(|path| real(path)).collect())
    }

    /// Whether `path` is one of them.
    pub fn hold(&self, path: &Path) -> bool {
        real(path).is_some_and(|path| self.0.contains(&path))
    }
}

/// The path without links; of a file that is not there yet, by its folder.
fn real(path: &Path) -> Option<PathBuf> {
    fs::canonicalize(path).ok().or_else(|| {
        let folder = fs::canonicalize(folder_of(path)).ok()?;
        Some(folder.join(path.file_name()?))
    })
}

fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    }
}

/// The place of a delivered file's sidecar: the same name with `.ron` behind it.
pub fn sidecar_path(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".ron");
    PathBuf::from(name)
}

/// Makes the delivery folder, finishes what an interrupted run had begun to put in its place and
/// takes away what else it left.
///
/// # Errors
/// When the folder cannot be made or read.
pub fn prepare_folder(folder: &Path) -> Result<(), Error> {
    fs::create_dir_all(folder).map_err(error(folder))?;
    clean(folder, folder, DEPTH).map_err(error(folder))
}

/// Cleans `folder`, which is `delivery` or lies in it.
fn clean(delivery: &Path, folder: &Path, depth: usize) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let (name, kind) = (entry.file_name(), entry.file_type()?);
        let name = name.to_string_lossy();
        if kind.is_dir() && depth > 0 {
            clean(delivery, &entry.path(), depth - 1)?;
        } else if kind.is_file() && name.starts_with(BEGIN) && name.ends_with(END) {
            match clean_part(delivery, folder, &entry.path()) {
                // Another run was quicker.
                Err(error) if error.kind() != ErrorKind::NotFound => return Err(error),
                _ => {}
            }
        }
    }
    Ok(())
}

/// Puts a part in its place or takes it away, unless a run still holds it.
fn clean_part(delivery: &Path, folder: &Path, path: &Path) -> io::Result<()> {
    let Ok(mut part) = File::options().read(true).write(true).open(path) else {
        return Ok(());
    };
    if matches!(part.try_lock(), Err(TryLockError::WouldBlock)) {
        return Ok(());
    }
    match place_of_sidecar(&mut part, delivery, folder) {
        Some(place) => fs::rename(path, place),
        None => fs::remove_file(path),
    }
}

/// Where a part belongs that is the sidecar of a file standing in `folder`; `None` for all else.
fn place_of_sidecar(part: &mut File, delivery: &Path, folder: &Path) -> Option<PathBuf> {
    let mut text = String::new();
    part.take(LONGEST_SIDECAR).read_to_string(&mut text).ok()?;
    let output = Sidecar::from_text(&text).ok()?.output;
    names::check(&output.file).ok()?;
    let file = delivery.join(&output.file);
    if folder_of(&file) != folder_of(&folder.join("part")) {
        return None;
    }
    let (_, digest) = digest(&file).ok()?;
    (digest == output.blake3_file).then(|| sidecar_path(&file))
}

/// Length of a file and its BLAKE3 in hexadecimal, read piece by piece.
///
/// # Errors
/// When it cannot be read.
pub fn digest(path: &Path) -> io::Result<(u64, String)> {
    let mut hasher = blake3::Hasher::new();
    let bytes = io::copy(&mut File::open(path)?, &mut hasher)?;
    Ok((bytes, hasher.finalize().to_hex().to_string()))
}

/// Writes a whole file, or nothing; a file that was there is replaced at once. Folders on the way
/// are made.
///
/// # Errors
/// When `path` is an original or the disk refuses; the file then is as it was before.
pub fn write(path: &Path, bytes: &[u8], originals: &Originals) -> Result<(), Error> {
    Part::write(path, bytes, originals)?.put_in_place()
}

/// Writes a file and its sidecar at [`sidecar_path`], each as [`write()`] does. Neither takes its
/// place before both are on the disk.
///
/// # Errors
/// When one is an original or the disk refuses.
pub fn write_with_sidecar(
    path: &Path,
    bytes: &[u8],
    sidecar: &Sidecar,
    originals: &Originals,
) -> Result<(), Error> {
    let file = Part::write(path, bytes, originals)?;
    let (text, beside) = (sidecar.to_text(), sidecar_path(path));
    let beside = Part::write(&beside, text.as_bytes(), originals)?;
    file.put_in_place()?;
    beside.put_in_place()
}

/// A file that is whole on the disk under a temporary name, removed when dropped.
struct Part<'p> {
    file: NamedTempFile,
    place: &'p Path,
}

impl<'p> Part<'p> {
    fn write(place: &'p Path, bytes: &[u8], originals: &Originals) -> Result<Self, Error> {
        if originals.hold(place) {
            return Err(Error::Original {
                path: place.to_owned(),
            });
        }
        let folder = folder_of(place);
        fs::create_dir_all(folder).map_err(error(folder))?;
        let mut builder = tempfile::Builder::new();
        builder.prefix(BEGIN).suffix(END);
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            // As for any new file; the user's umask takes away from it.
            builder.permissions(fs::Permissions::from_mode(0o666));
        }
        let mut file = builder.tempfile_in(folder).map_err(error(folder))?;
        // Where a disk knows no locks, parts are cleaned away without asking.
        let _unsupported = file.as_file().lock();
        file.write_all(bytes).map_err(error(place))?;
        file.as_file().sync_all().map_err(error(place))?;
        Ok(Self { file, place })
    }

    fn put_in_place(self) -> Result<(), Error> {
        let Self { file, place } = self;
        file.persist(place)
            .map_err(|failed| error(place)(failed.error))?;
        // Only when the folder is on the disk is the new name.
        #[cfg(unix)]
        {
            let folder = folder_of(place);
            File::open(folder)
                .and_then(|folder| folder.sync_all())
                .map_err(error(folder))?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).expect("a folder of this test");
        let mut names: Vec<_> = entries
            .map(|entry| {
                entry
                    .expect("readable")
                    .file_name()
                    .to_string_lossy()
                    .into_owned()
            })
            .collect();
        names.sort();
        names
    }

    #[test]
    fn a_written_file_is_whole_and_alone() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("print/a.jpg");
        write(&path, b"one", &Originals::default()).expect("the folder is writable");
        write(&path, b"two", &Originals::default()).expect("it may be replaced");
        assert_eq!(fs::read(&path).expect("it is there"), b"two");
        assert_eq!(names(&folder.path().join("print")), ["a.jpg"]);
    }

    #[test]
    fn originals_are_never_overwritten() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let original = folder.path().join("a.dng");
        fs::write(&original, b"raw").expect("writable");
        let originals = Originals::new(&[original.clone(), folder.path().join("gone.dng")]);
        let roundabout = folder.path().join("../").join(
            folder
                .path()
                .file_name()
                .expect("a temporary folder has a name"),
        );
        for path in [
            original.clone(),
            roundabout.join("a.dng"),
            folder.path().join("gone.dng"),
        ] {
            let found = write(&path, b"new", &originals);
            assert!(matches!(found, Err(Error::Original { .. })), "{found:?}");
        }
        #[cfg(unix)]
        {
            let link = folder.path().join("link.jpg");
            std::os::unix::fs::symlink(&original, &link).expect("links are known here");
            assert!(write(&link, b"new", &originals).is_err());
        }
        assert_eq!(fs::read(&original).expect("it is there"), b"raw");
    }

    #[test]
    fn a_failed_write_leaves_the_old_file_and_no_part() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        fs::create_dir(folder.path().join("taken.jpg")).expect("writable");
        let found = write(
            &folder.path().join("taken.jpg"),
            b"x",
            &Originals::default(),
        );
        assert!(matches!(found, Err(Error::Io { .. })));
        fs::write(folder.path().join("file"), b"old").expect("writable");
        let found = write(
            &folder.path().join("file/a.jpg"),
            b"x",
            &Originals::default(),
        );
        let text = found.expect_err("a file is no folder").to_string();
        assert!(
            text.contains("a file stands where a folder is needed"),
            "{text}"
        );
        assert_eq!(names(folder.path()), ["file", "taken.jpg"]);
    }

    #[test]
    fn parts_of_a_killed_run_are_taken_away_and_those_of_a_running_one_kept() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let deep = folder.path().join("print");
        fs::create_dir(&deep).expect("writable");
        for name in [".lapel-aaa.part", "a.jpg", ".lapel-notes", "b.part"] {
            fs::write(deep.join(name), b"x").expect("writable");
        }
        let running = File::create(folder.path().join(".lapel-bbb.part")).expect("writable");
        running.lock().expect("this disk knows locks");
        prepare_folder(folder.path()).expect("the folder is writable");
        assert_eq!(names(&deep), [".lapel-notes", "a.jpg", "b.part"]);
        assert_eq!(names(folder.path()), [".lapel-bbb.part", "print"]);
    }

    #[test]
    fn a_full_disk_and_a_closed_folder_come_with_a_remedy() {
        assert!(remedy(ErrorKind::StorageFull).contains("make room"));
        assert!(remedy(ErrorKind::PermissionDenied).contains("another delivery folder"));
    }
}
