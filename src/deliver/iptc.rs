//! The older form of picture notes, which many archives and picture desks still read first:
//! IPTC-IIM datasets, and the block in which a JPEG carries them.
//!
//! IPTC-NAA Information Interchange Model, version 4.2: envelope record 1 says that texts are UTF-8
//! (1:90), application record 2 holds them, each as marker, record, dataset, length and bytes (part I,
//! section 1.5). Which property goes where, and how many bytes each takes, follows the IPTC Photo
//! Metadata Standard 2023.1. In a JPEG the datasets stand in an APP13 segment, in the resource
//! 0x0404; in a TIFF in tag 33723. PNG has no place for them; its XMP says the same.

use super::metadata::Metadata;

/// What an APP13 segment with resources begins with.
const SEGMENT: &[u8] = b"Photoshop 3.0\0";
/// The resource that holds the datasets.
const RESOURCE: u16 = 0x0404;

/// The datasets; empty when there is nothing to say.
pub(super) fn datasets(metadata: &Metadata) -> Vec<u8> {
    let mut texts: Vec<(u8, String)> = Vec::new();
    let mut add = |dataset: u8, longest: usize, text: &str| {
        let text = within(&super::metadata::cut(text), longest);
        if !text.is_empty() {
            texts.push((dataset, text));
        }
    };
    add(5, 64, &metadata.person);
    for keyword in metadata.all_keywords() {
        add(25, 64, keyword);
    }
    add(55, 8, &metadata.day().unwrap_or_default());
    add(80, 32, &metadata.creator);
    add(110, 32, &metadata.credit);
    add(116, 128, &metadata.copyright);
    add(118, 128, &metadata.contact);
    add(120, 2000, &metadata.description());
    if texts.is_empty() {
        return Vec::new();
    }
    let mut out = Vec::new();
    // ESC % G: UTF-8 (ISO 2022). Then the version of record 2.
    dataset(&mut out, 1, 90, b"\x1b%G");
    dataset(&mut out, 2, 0, &[0, 4]);
    for (number, text) in texts {
        dataset(&mut out, 2, number, text.as_bytes());
    }
    out
}

/// The payload of the APP13 segment; `None` when there is nothing to say.
pub(super) fn segment(metadata: &Metadata) -> Option<Vec<u8>> {
    let datasets = datasets(metadata);
    if datasets.is_empty() {
        return None;
    }
    let mut out = SEGMENT.to_vec();
    out.extend(b"8BIM");
    out.extend(RESOURCE.to_be_bytes());
    // An empty name, padded.
    out.extend([0, 0]);
    out.extend((datasets.len() as u32).to_be_bytes());
    out.extend(&datasets);
    if datasets.len() % 2 == 1 {
        out.push(0);
    }
    Some(out)
}

/// One dataset; all of ours are far shorter than the 32,767 bytes that need another form.
fn dataset(out: &mut Vec<u8>, record: u8, number: u8, bytes: &[u8]) {
    out.extend([0x1c, record, number]);
    out.extend((bytes.len() as u16).to_be_bytes());
    out.extend(bytes);
}

/// As much of a text as fits, whole characters only.
fn within(text: &str, bytes: usize) -> String {
    let end = (0..=bytes.min(text.len()))
        .rev()
        .find(|&end| text.is_char_boundary(end));
    text[..end.unwrap_or(0)].trim_end().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IIM 4.2, section 1.5: 0x1C, record, dataset, two bytes of length, the value.
    #[test]
    fn datasets_stand_as_the_model_says() {
        let metadata = Metadata {
            person: "Zoë".into(),
            creator: "é".repeat(40),
            ..Metadata::default()
        };
        let bytes = datasets(&metadata);
        assert!(bytes.starts_with(b"\x1c\x01\x5a\0\x03\x1b%G\x1c\x02\0\0\x02\0\x04"));
        assert!(bytes[15..].starts_with("\x1c\x02\x05\0\x04Zoë".as_bytes()));
        // 32 bytes are 16 whole letters of two bytes.
        let by = "\x1c\x02\x50\0\x20".to_owned() + &"é".repeat(16);
        assert!(
            bytes
                .windows(by.len())
                .any(|window| window == by.as_bytes())
        );
    }

    #[test]
    fn nothing_to_say_writes_nothing() {
        assert!(datasets(&Metadata::default()).is_empty());
        assert_eq!(segment(&Metadata::default()), None);
    }
}
