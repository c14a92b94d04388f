//! The manifest of a delivery: SHA-256 of every delivered file and sidecar, in the form that
//! `sha256sum --check` of GNU coreutils reads, so that whoever gets the delivery can check it
//! without this program.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use sha2::{Digest, Sha256};

/// Name in the delivery folder.
pub const NAME: &str = "manifest.sha256";

/// Bytes that are read at a time.
const PIECE: usize = 1 << 18;

/// Checksums in hexadecimal by path, told from the delivery folder with `/`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Manifest(pub BTreeMap<String, String>);

impl Manifest {
    /// The lines of a manifest; those that are none are left out.
    pub fn from_text(text: &str) -> Self {
        let line = |line: &str| {
            let (sum, path) = line.split_once("  ")?;
            let hex = sum.len() == 64 && sum.bytes().all(|b| b.is_ascii_hexdigit());
            hex.then(|| (path.to_owned(), sum.to_owned()))
        };
        Self(text.lines().filter_map(line).collect())
    }

    /// As it is written: sorted by path. Our names hold no character that coreutils escapes.
    pub fn to_text(&self) -> String {
        self.0
            .iter()
            .map(|(path, sum)| format!("{sum}  {path}\n"))
            .collect()
    }
}

/// SHA-256 (FIPS 180-4) of a file in hexadecimal, read piece by piece.
///
/// # Errors
/// When it cannot be read.
pub fn checksum(path: &Path) -> io::Result<String> {
    let (mut file, mut hasher) = (File::open(path)?, Sha256::new());
    let mut piece = vec![0; PIECE];
    loop {
        match file.read(&mut piece)? {
            0 => break,
            read => hasher.update(&piece[..read]),
        }
    }
    Ok(hasher
        .finalize()
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_checksum_is_the_standards() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("abc");
        std::fs::write(&path, b"abc").expect("writable");
        // FIPS 180-2, appendix B.1.
        assert_eq!(
            checksum(&path).expect("there"),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    #[test]
    fn a_manifest_reads_back() {
        let sum = "a".repeat(64);
        let text = format!("{sum}  a.jpg\n{sum}  print/b  c.tif\n");
        assert_eq!(Manifest::from_text(&text).to_text(), text);
        assert!(Manifest::from_text("abc  d\nnothing").0.is_empty());
    }
}
