//! The first directory of a TIFF, just enough to tell a finished picture from a camera raw.
//!
//! TIFF 6.0, section 2: byte order, the number 42, then a directory of 12-byte entries. Most
//! raws are TIFFs too; a finished picture differs in that its first directory is the full
//! picture itself (NewSubfileType bit 0 clear) in grey or RGB (PhotometricInterpretation 0, 1,
//! 2) without a DNGVersion (DNG specification 1.7, tag 50706).

/// What the first directory says.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Directory {
    /// A DNGVersion is there.
    pub(super) dng: bool,
    /// NewSubfileType bit 0: a smaller copy of another picture in the file.
    reduced: bool,
    /// PhotometricInterpretation.
    photometric: Option<u32>,
    /// Compression.
    compression: Option<u32>,
    /// SubIFDs are there: in a raw, the sensor's picture.
    children: bool,
    /// The file names itself a camera raw after the header (CR2, IIQ).
    camera: bool,
    /// BigTIFF (version 43).
    big: bool,
}

impl Directory {
    /// Whether this is a finished picture and no camera raw.
    #[allow(clippy::nonminimal_bool, reason = "it stands as the rule is told")]
    pub(super) fn is_finished(&self) -> bool {
        // 6 is JPEG as TIFF 6.0 first had it: only cameras' previews use it. The picture of a
        // raw that hides behind an RGB first directory has child directories and marks the first
        // as reduced, or is compressed by a camera's private scheme (above 32767, but for
        // PackBits 32773 and Deflate 32946).
        let private = |code: u32| code == 6 || (code > 32767 && code != 32773 && code != 32946);
        let plain = self.compression.is_none_or(|code| !private(code));
        self.big
            || (!self.dng
                && !self.reduced
                && !self.camera
                && plain
                && matches!(self.photometric, Some(0..=3 | 5 | 6 | 8))
                && !(self.children && self.photometric == Some(6)))
    }
}

/// Reads the first directory; `None` when the bytes are no TIFF, or the directory lies outside.
pub(super) fn first_directory(bytes: &[u8]) -> Option<Directory> {
    let little = match bytes.get(..2)? {
        b"II" => true,
        b"MM" => false,
        _ => return None,
    };
    let short = |at: usize| -> Option<u32> {
        let two: [u8; 2] = bytes.get(at..at.checked_add(2)?)?.try_into().ok()?;
        Some(u32::from(if little {
            u16::from_le_bytes(two)
        } else {
            u16::from_be_bytes(two)
        }))
    };
    let long = |at: usize| -> Option<u32> {
        let four: [u8; 4] = bytes.get(at..at.checked_add(4)?)?.try_into().ok()?;
        Some(if little {
            u32::from_le_bytes(four)
        } else {
            u32::from_be_bytes(four)
        })
    };
    match short(2)? {
        42 => {}
        43 => {
            return Some(Directory {
                big: true,
                ..Directory::default()
            });
        }
        _ => return None,
    }
    let start = usize::try_from(long(4)?).ok()?;
    let entries = short(start)? as usize;
    let mut found = Directory {
        camera: bytes.get(8..10) == Some(b"CR")
            || matches!(bytes.get(8..12), Some(b"IIII" | b"MMMM")),
        ..Directory::default()
    };
    for entry in 0..entries {
        let at = start.checked_add(2 + 12 * entry)?;
        let (Some(tag), Some(kind)) = (short(at), short(at + 2)) else {
            break;
        };
        let value = if kind == 3 {
            short(at + 8)
        } else {
            long(at + 8)
        };
        match tag {
            254 => found.reduced = value.is_some_and(|bits| bits & 1 == 1),
            259 => found.compression = value,
            262 => found.photometric = value,
            330 => found.children = true,
            50706 => found.dng = true,
            _ => {}
        }
    }
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A big-endian TIFF header and first directory of SHORT entries.
    fn header(entries: &[(u16, u16)]) -> Vec<u8> {
        let mut bytes = b"MM\0\x2a\0\0\0\x08".to_vec();
        bytes.extend((entries.len() as u16).to_be_bytes());
        for (tag, value) in entries {
            bytes.extend(tag.to_be_bytes());
            bytes.extend([0, 3, 0, 0, 0, 1]);
            bytes.extend(value.to_be_bytes());
            bytes.extend([0, 0]);
        }
        bytes
    }

    #[test]
    fn a_raw_with_an_rgb_preview_first_is_no_finished_picture() {
        let finished = |entries| first_directory(&header(entries)).unwrap().is_finished();
        assert!(finished(&[(262, 2), (259, 1)]));
        assert!(finished(&[(254, 0), (262, 1), (259, 5)]));
        assert!(
            !finished(&[(254, 1), (262, 2), (330, 8)]),
            "the way of NEF and most DNG"
        );
        assert!(
            !finished(&[(262, 32803)]),
            "a mosaic in the first directory"
        );
        assert!(!finished(&[(254, 0), (262, 2), (50706, 1)]), "a linear DNG");
        assert!(
            !finished(&[(262, 1), (259, 34713)]),
            "a camera's private compression"
        );
    }

    #[test]
    fn a_directory_outside_of_the_file_is_none() {
        assert_eq!(first_directory(b"II\x2a\0\xff\xff\xff\xff"), None);
        assert_eq!(first_directory(b"II"), None);
        assert_eq!(first_directory(b""), None);
    }
}
