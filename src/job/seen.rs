//! Files that were read before: their digests need not be taken again while size and time of change
//! are the same, so that a run with nothing to do takes a second and not the reading of a
//! whole office of raws.
//!
//! Kept in the delivery folder as `.lapel-seen`, one line a file; it is no output: it may be thrown
//! away at any time, and a wrong line costs one reading. A file that changed within two seconds
//! before the list was written is read again, since some disks count time in such steps
//! (FAT: two seconds, "Microsoft Extensible Firmware Initiative FAT32 File System Specification"
//! 1.03, page 25); what `git` calls racy.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use crate::deliver::atomic::{self, Originals};

use super::finish::FileDigest;
use super::manifest;

/// Name in the delivery folder.
const NAME: &str = ".lapel-seen";
/// First line; another version is not read.
const HEAD: &str = "lapel-seen 1";
/// Longest list that is read: a hundred thousand files with long paths.
const LONGEST: u64 = 32 << 20;
/// Shortest age at which a time of change can be trusted.
const SETTLED: Duration = Duration::from_secs(2);

/// Digests by path, shared by all threads of a run.
#[derive(Debug, Default)]
pub(super) struct Seen {
    /// As read from the list.
    before: BTreeMap<PathBuf, Entry>,
    /// As met by this run.
    now: Mutex<BTreeMap<PathBuf, Entry>>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
struct Entry {
    bytes: u64,
    /// Nanoseconds since 1970; 0 where the disk tells no time.
    changed: u128,
    /// In hexadecimal, once it was asked for.
    blake3: Option<String>,
    sha256: Option<String>,
}

impl Seen {
    /// The list of a delivery folder; empty when there is none that can be read.
    pub(super) fn of(folder: &Path) -> Self {
        let path = folder.join(NAME);
        let short = fs::metadata(&path).is_ok_and(|file| file.len() <= LONGEST);
        let text = if short {
            fs::read_to_string(&path).ok()
        } else {
            None
        };
        Self {
            before: text.as_deref().and_then(entries).unwrap_or_default(),
            now: Mutex::default(),
        }
    }

    /// Size and BLAKE3 of a file, read only when it may have changed since it was read last.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub(super) fn digest(&self, path: &Path) -> io::Result<FileDigest> {
        let path = fs::canonicalize(path)?;
        let mut entry = self.entry(&path)?;
        let blake3 = match &entry.blake3 {
            Some(known) => known.clone(),
            None => atomic::digest(&path)?.1,
        };
        let bytes = entry.bytes;
        entry.blake3 = Some(blake3.clone());
        self.note(path, entry);
        Ok(FileDigest { bytes, blake3 })
    }

    /// SHA-256 of a file in hexadecimal, read only when it may have changed since it was read last.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub(super) fn checksum(&self, path: &Path) -> io::Result<String> {
        let path = fs::canonicalize(path)?;
        let mut entry = self.entry(&path)?;
        let sha256 = match &entry.sha256 {
            Some(known) => known.clone(),
            None => manifest::checksum(&path)?,
        };
        entry.sha256 = Some(sha256.clone());
        self.note(path, entry);
        Ok(sha256)
    }

    /// Takes back what is known of a file that turned out to be another.
    pub(super) fn forget(&self, path: &Path) {
        if let Ok(path) = fs::canonicalize(path) {
            let unknown = Entry {
                bytes: 0,
                changed: 0,
                blake3: None,
                sha256: None,
            };
            self.lock().insert(path, unknown);
        }
    }

    /// What is known of a file as it is now.
    fn entry(&self, path: &Path) -> io::Result<Entry> {
        let file = fs::metadata(path)?;
        let fresh = Entry {
            bytes: file.len(),
            changed: file.modified().map_or(0, since_1970),
            blake3: None,
            sha256: None,
        };
        let now = self.lock();
        let known = now.get(path).or_else(|| self.before.get(path));
        let same = |known: &&Entry| {
            fresh.changed > 0 && known.bytes == fresh.bytes && known.changed == fresh.changed
        };
        Ok(known.filter(same).cloned().unwrap_or(fresh))
    }

    fn note(&self, path: PathBuf, entry: Entry) {
        self.lock().insert(path, entry);
    }

    fn lock(&self) -> MutexGuard<'_, BTreeMap<PathBuf, Entry>> {
        self.now.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Writes the list for the next run. That it cannot be written costs time, nothing else.
    pub(super) fn keep(&self, folder: &Path) {
        let now = self.lock();
        let mut all = self.before.clone();
        all.extend(
            now.iter()
                .map(|(path, entry)| (path.clone(), entry.clone())),
        );
        // Files that have gone are forgotten with the first run that misses them.
        all.retain(|path, _| now.contains_key(path) || path.exists());
        let settled = since_1970(SystemTime::now()).saturating_sub(SETTLED.as_nanos());
        all.retain(|_, entry| entry.changed > 0 && entry.changed < settled);
        if all == self.before {
            return;
        }
        let mut text = format!("{HEAD}\n");
        for (path, entry) in &all {
            let Some(path) = path.to_str().filter(|path| !path.contains('\n')) else {
                continue;
            };
            let [blake3, sha256] =
                [&entry.blake3, &entry.sha256].map(|known| known.as_deref().unwrap_or("-"));
            text += &format!(
                "{blake3} {sha256} {} {} {path}\n",
                entry.bytes, entry.changed
            );
        }
        let _only_slower =
            atomic::write(&folder.join(NAME), text.as_bytes(), &Originals::default());
    }
}

fn entries(text: &str) -> Option<BTreeMap<PathBuf, Entry>> {
    let lines = text.strip_prefix(HEAD)?.strip_prefix('\n')?.lines();
    lines
        .map(|line| {
            let mut parts = line.splitn(5, ' ');
            let blake3 = hash(parts.next()?)?;
            let sha256 = hash(parts.next()?)?;
            let bytes = parts.next()?.parse().ok()?;
            let changed = parts.next()?.parse().ok()?;
            let entry = Entry {
                bytes,
                changed,
                blake3,
                sha256,
            };
            Some((PathBuf::from(parts.next()?), entry))
        })
        .collect()
}

/// A digest of 256 bits in hexadecimal, or `-` for one that was not taken.
fn hash(text: &str) -> Option<Option<String>> {
    let hex = text.len() == 64 && text.bytes().all(|b| b.is_ascii_hexdigit());
    match text {
        "-" => Some(None),
        _ => hex.then(|| Some(text.to_owned())),
    }
}

fn since_1970(time: SystemTime) -> u128 {
    time.duration_since(UNIX_EPOCH)
        .map_or(0, |since| since.as_nanos())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn aged(path: &Path, seconds: u64) {
        let file = fs::File::options().write(true).open(path).expect("there");
        let time = SystemTime::now() - Duration::from_secs(seconds);
        file.set_modified(time).expect("a file of ours");
    }

    #[test]
    fn a_file_is_read_again_only_when_it_changed() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("a");
        fs::write(&path, b"one").expect("writable");
        aged(&path, 100);
        let seen = Seen::of(folder.path());
        let first = seen.digest(&path).expect("there");
        seen.keep(folder.path());

        // A lie in the list shows that the file itself is not read.
        let list = folder.path().join(NAME);
        let text = fs::read_to_string(&list).expect("kept");
        let lie = "0".repeat(64);
        fs::write(&list, text.replace(&first.blake3, &lie)).expect("writable");
        let seen = Seen::of(folder.path());
        assert_eq!(seen.digest(&path).expect("there").blake3, lie);

        // What turned out to be a lie is taken back.
        seen.forget(&path);
        assert_eq!(seen.digest(&path).expect("there").blake3, first.blake3);

        // Another time of change, or another size, and it is read.
        let seen = Seen::of(folder.path());
        aged(&path, 50);
        assert_eq!(seen.digest(&path).expect("there").blake3, first.blake3);
    }

    #[test]
    fn what_changed_just_now_is_not_kept() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("a");
        fs::write(&path, b"one").expect("writable");
        let seen = Seen::of(folder.path());
        seen.digest(&path).expect("there");
        seen.keep(folder.path());
        assert!(Seen::of(folder.path()).before.is_empty());
    }

    #[test]
    fn a_damaged_list_is_no_list() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        for text in [
            "",
            "lapel-seen 2\n",
            "lapel-seen 1\nabc",
            "lapel-seen 1\n0 0 0 0 a",
        ] {
            fs::write(folder.path().join(NAME), text).expect("writable");
            assert!(Seen::of(folder.path()).before.is_empty(), "{text}");
        }
    }
}
