//! What somebody hands in, read whole within a limit: a pipe never ends, a device neither, and a
//! file that is longer than any of its kind is refused before it is read.

use std::fs::{self, File};
use std::io::Read;
use std::path::Path;

use super::Error;

/// Longest frame, bytes: as many samples as are read at most (200 million), of 4 bytes each, and a
/// quarter on top for previews and notes.
pub(crate) const LONGEST_FRAME: usize = 1_000_000_000;

/// Longest sidecar, bytes. One of a sitter with 500 healed places has 60 KB.
pub(crate) const LONGEST_SIDECAR: usize = 4 << 20;

/// The bytes of an ordinary file.
///
/// # Errors
/// When it is none, has more than `longest` bytes, or cannot be read.
pub(crate) fn bytes(path: &Path, longest: usize) -> Result<Vec<u8>, Error> {
    let about = fs::metadata(path)?;
    // Opening a pipe to which nobody writes waits for ever, so this comes first.
    if about.is_dir() {
        return Err(Error::Folder);
    }
    if !about.is_file() {
        return Err(Error::NoFile);
    }
    if about.len() > longest as u64 {
        return Err(Error::Limit(longest));
    }
    let mut bytes = Vec::with_capacity(about.len() as usize);
    // Somebody may write to it just now.
    File::open(path)?
        .take(longest as u64 + 1)
        .read_to_end(&mut bytes)?;
    if bytes.len() > longest {
        return Err(Error::Limit(longest));
    }
    Ok(bytes)
}

/// As [`bytes`], as text.
///
/// # Errors
/// As [`bytes`], or when it is not UTF-8.
pub(crate) fn text(path: &Path, longest: usize) -> Result<String, Error> {
    String::from_utf8(bytes(path, longest)?).map_err(|error| {
        let before = &error.as_bytes()[..error.utf8_error().valid_up_to()];
        Error::Malformed {
            line: 1 + before.iter().filter(|&&b| b == b'\n').count(),
        }
    })
}
