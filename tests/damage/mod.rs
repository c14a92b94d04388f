//! Damages files: blindly, and where formats keep what readers trust (TIFF directories, JPEG
//! markers, boxes, chunks).

/// Marsaglia 2003, xorshift64: the same cases each time.
pub struct Dice(u64);

impl Dice {
    /// The dice of one case.
    pub fn of_case(case: usize) -> Self {
        Self(0x9E37_79B9_7F4A_7C15 ^ (case as u64 + 1).wrapping_mul(0xBF58_476D_1CE4_E5B9))
    }

    pub fn below(&mut self, bound: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as usize % bound.max(1)
    }

    fn of<T: Copy>(&mut self, list: &[T]) -> T {
        list[self.below(list.len())]
    }

    /// A number that readers forget, or one near the file's length.
    fn extreme(&mut self, length: usize) -> u32 {
        let length = length as u32;
        let list = [
            0,
            1,
            2,
            0x7F,
            0xFF,
            0x7FFF,
            0xFFFF,
            0x0001_0000,
            0x7FFF_FFFF,
            0x8000_0000,
            0xFFFF_FFFE,
            u32::MAX,
            length,
            length.wrapping_sub(1),
            length.wrapping_add(1),
            length / 2,
        ];
        let small = self.below(4096) as u32;
        let any = self.below(1 << 32) as u32;
        match self.below(8) {
            0 => small,
            1 => any,
            _ => self.of(&list),
        }
    }
}

/// Puts as many of `bytes` at `at` as the file has room for.
fn put(file: &mut [u8], at: usize, bytes: &[u8]) {
    if let Some(place) = file.get_mut(at..) {
        let length = bytes.len().min(place.len());
        place[..length].copy_from_slice(&bytes[..length]);
    }
}

/// Damages `file`, now and then twice, and says how.
pub fn damage(file: &mut Vec<u8>, dice: &mut Dice) -> String {
    let first = once(file, dice);
    if dice.below(4) > 0 || file.is_empty() {
        return first.to_owned();
    }
    format!("{first}, then {}", once(file, dice))
}

fn once(file: &mut Vec<u8>, dice: &mut Dice) -> &'static str {
    type Way = fn(&mut Vec<u8>, &mut Dice) -> bool;
    let aware: [(Way, &'static str); 4] = [
        (directory, "a TIFF directory"),
        (marker, "a JPEG marker"),
        (chunk, "a PNG chunk"),
        (boxes, "a box"),
    ];
    // What a file does not have cannot be damaged there; then it is damaged blindly.
    if dice.below(3) > 0 {
        let first = dice.below(aware.len());
        for step in 0..aware.len() {
            let (way, name) = aware[(first + step) % aware.len()];
            if way(file, dice) {
                return name;
            }
        }
    }
    blindly(file, dice)
}

fn blindly(file: &mut Vec<u8>, dice: &mut Dice) -> &'static str {
    let length = file.len();
    let head = length.min(4096);
    match dice.below(8) {
        0 => {
            for _ in 0..=dice.below(8) {
                let at = dice.below(head);
                file[at] ^= 1 << dice.below(8);
            }
            "bits of the header"
        }
        1 => {
            for _ in 0..=dice.below(32) {
                let at = dice.below(length);
                file[at] ^= 1 << dice.below(8);
            }
            "bits anywhere"
        }
        2 => {
            for _ in 0..=dice.below(4) {
                let word = dice.extreme(length).to_le_bytes();
                let at = dice.below(head / 2) * 2;
                put(file, at, &word);
            }
            "words at extremes"
        }
        3 => {
            for _ in 0..=dice.below(3) {
                let at = dice.below(head / 2) * 2;
                let value = (dice.below(1 << 20) as u32).to_le_bytes();
                put(file, at, &value);
            }
            "other values"
        }
        4 => {
            file.truncate(dice.below(length));
            "cut short"
        }
        5 => {
            let from = dice.below(length);
            let piece: Vec<u8> = file[from..]
                .iter()
                .take(1 + dice.below(256))
                .copied()
                .collect();
            let to = dice.below(length);
            file.splice(to..to, piece);
            "a piece twice, the rest moved"
        }
        6 => {
            let at = dice.below(length);
            let end = (at + 1 + dice.below(64)).min(length);
            file.drain(at..end);
            "a piece left out, the rest moved"
        }
        _ => {
            let at = dice.below(length);
            let end = (at + 1 + dice.below(512)).min(length);
            let value = dice.of(&[0, 0xFF]);
            file[at..end].fill(value);
            "a run of one byte"
        }
    }
}

/// Numbers of a TIFF-like file in its byte order.
#[derive(Clone, Copy)]
struct Order {
    little: bool,
}

impl Order {
    fn short(self, file: &[u8], at: usize) -> Option<usize> {
        let two = file.get(at..at + 2)?.try_into().ok()?;
        let value = if self.little {
            u16::from_le_bytes(two)
        } else {
            u16::from_be_bytes(two)
        };
        Some(value.into())
    }

    fn long(self, file: &[u8], at: usize) -> Option<usize> {
        let four = file.get(at..at + 4)?.try_into().ok()?;
        let value = if self.little {
            u32::from_le_bytes(four)
        } else {
            u32::from_be_bytes(four)
        };
        Some(value as usize)
    }

    fn of_short(self, value: u16) -> [u8; 2] {
        if self.little {
            value.to_le_bytes()
        } else {
            value.to_be_bytes()
        }
    }

    fn of_long(self, value: u32) -> [u8; 4] {
        if self.little {
            value.to_le_bytes()
        } else {
            value.to_be_bytes()
        }
    }
}

/// An entry of a directory: where it stands, where its directory and its TIFF header begin.
struct Entry {
    at: usize,
    directory: usize,
    header: usize,
    order: Order,
}

/// Most entries that are looked for; every file here has fewer.
const ENTRIES: usize = 4000;

/// All entries of all TIFF directories (TIFF 6.0, section 2) that a file holds: those of the file
/// itself, of blocks inside of it (RAF, CR3, the Exif of a JPEG), and what their pointers lead to.
fn entries(file: &[u8]) -> Vec<Entry> {
    let mut found = Vec::new();
    let headers = (0..file.len().saturating_sub(8)).filter(|&at| {
        // 42 is TIFF and most raws; the others are ORF and RW2.
        let after = [file[at + 2], file[at + 3]];
        match &file[at..at + 2] {
            b"II" => [[42, 0], [0x52, 0x4F], [0x52, 0x53], [0x55, 0]].contains(&after),
            b"MM" => [[0, 42], [0x4F, 0x52]].contains(&after),
            _ => false,
        }
    });
    for header in headers.take(16) {
        let order = Order {
            little: file[header] == b'I',
        };
        let mut waiting: Vec<usize> = order.long(file, header + 4).into_iter().collect();
        let mut seen = Vec::new();
        while let Some(start) = waiting.pop() {
            let directory = header + start;
            if seen.contains(&start) || found.len() > ENTRIES {
                continue;
            }
            seen.push(start);
            let Some(count) = order.short(file, directory) else {
                continue;
            };
            for index in 0..count.min(400) {
                let at = directory + 2 + 12 * index;
                let Some(tag) = order.short(file, at) else {
                    break;
                };
                found.push(Entry {
                    at,
                    directory,
                    header,
                    order,
                });
                // SubIFDs, Exif, GPS, a maker's notes (which are often a directory).
                if [330, 34665, 34853, 37500, 50740].contains(&tag) {
                    waiting.extend(order.long(file, at + 8));
                }
            }
            waiting.extend(
                order
                    .long(file, directory + 2 + 12 * count)
                    .filter(|&n| n > 0),
            );
        }
    }
    found
}

/// A tag, type, count, value, offset or what an offset leads to.
#[allow(
    clippy::ptr_arg,
    reason = "one of several ways, of which others change the length"
)]
fn directory(file: &mut Vec<u8>, dice: &mut Dice) -> bool {
    let entries = entries(file);
    if entries.is_empty() {
        return false;
    }
    let length = file.len();
    for _ in 0..=dice.below(3) {
        let entry = &entries[dice.below(entries.len())];
        let Entry {
            at,
            directory,
            header,
            order,
        } = *entry;
        match dice.below(9) {
            0 => {
                // Tags that pixels hang on, from TIFF 6.0 and DNG 1.7.1.
                let tags = [
                    254, 256, 257, 258, 259, 262, 273, 277, 278, 279, 284, 317, 322, 323, 324, 325,
                    330, 339, 347, 33421, 33422, 50706, 50712, 50713, 50714, 50717, 50719, 50720,
                    50721, 50728, 50829, 50830, 51008, 51022, 52525,
                ];
                let tag = dice.of(&tags);
                put(file, at, &order.of_short(tag));
            }
            1 => {
                let kind = dice.below(20) as u16;
                put(file, at + 2, &order.of_short(kind));
            }
            2 => {
                let count = dice.extreme(length);
                put(file, at + 4, &order.of_long(count));
            }
            3 | 4 => {
                let value = dice.extreme(length);
                put(file, at + 8, &order.of_long(value));
            }
            5 => {
                // To itself, its directory, its header: circles.
                let circle = [at, directory, directory + 2, header];
                let to = dice.of(&circle).saturating_sub(header);
                put(file, at + 8, &order.of_long(to as u32));
            }
            6 => {
                let Some(leads_to) = order.long(file, at + 8) else {
                    continue;
                };
                for _ in 0..=dice.below(4) {
                    let there = header + leads_to + 2 * dice.below(16);
                    let value = dice.extreme(length);
                    put(file, there, &order.of_long(value));
                }
            }
            7 => {
                // A nearby number: sizes, strips and tiles that no longer fit each other.
                let old = order.long(file, at + 8).unwrap_or(0) as u32;
                let by = 1 + dice.below(16) as u32;
                let new = dice.of(&[
                    old.wrapping_add(by),
                    old.wrapping_sub(by),
                    old.wrapping_mul(2),
                ]);
                put(file, at + 8, &order.of_long(new));
            }
            _ => {
                let count = dice.below(300) as u16;
                put(file, directory, &order.of_short(count));
            }
        }
    }
    true
}

/// A marker's code, length or content (ITU-T T.81, annex B), of a JPEG picture or of a raw's tiles.
fn marker(file: &mut Vec<u8>, dice: &mut Dice) -> bool {
    let with_length = |code: u8| matches!(code, 0xC0..=0xCF | 0xDA..=0xDD | 0xE0..=0xEF | 0xFE);
    let places: Vec<usize> = (0..file.len().saturating_sub(8))
        .filter(|&at| file[at] == 0xFF && with_length(file[at + 1]))
        // Chance makes such pairs too; a length of at most some thousands tells most of them apart.
        .filter(|&at| file[at + 2] < 0x20)
        .take(4000)
        .collect();
    if places.is_empty() {
        return false;
    }
    let length = file.len();
    for _ in 0..=dice.below(3) {
        let at = places[dice.below(places.len())];
        match dice.below(6) {
            0 => {
                let code = dice.of(&[
                    0xC0, 0xC1, 0xC2, 0xC3, 0xC4, 0xC9, 0xCC, 0xD0, 0xD8, 0xD9, 0xDA, 0xDB, 0xDC,
                    0xDD, 0xE1, 0xE2, 0xFE, 0x00, 0xFF,
                ]);
                put(file, at + 1, &[code]);
            }
            1 => {
                let value = dice.extreme(length) as u16;
                put(file, at + 2, &value.to_be_bytes());
            }
            2 | 3 => {
                // Precision, sizes, components, sampling; tables and their counts.
                for _ in 0..=dice.below(4) {
                    let value = dice.of(&[0, 1, 2, 3, 4, 8, 16, 17, 0x11, 0x22, 0x7F, 0x80, 0xFF]);
                    put(file, at + 4 + dice.below(20), &[value]);
                }
            }
            4 => {
                let value = dice.extreme(length) as u16;
                put(file, at + 4 + dice.below(8), &value.to_be_bytes());
            }
            _ => {
                let end = (at + 2 + dice.below(64)).min(file.len());
                let piece = file[at..end].to_vec();
                file.splice(at..at, piece);
            }
        }
    }
    true
}

/// A chunk's length, name or content, its checksum made right again, so that readers believe it.
fn chunk(file: &mut Vec<u8>, dice: &mut Dice) -> bool {
    if !file.starts_with(b"\x89PNG\r\n\x1a\n") {
        return false;
    }
    let order = Order { little: false };
    let mut chunks = Vec::new();
    let mut at = 8;
    while let Some(length) = order.long(file, at) {
        chunks.push((at, length));
        at += 12 + length;
    }
    let Some(&(at, length)) = chunks.get(dice.below(chunks.len())) else {
        return false;
    };
    match dice.below(5) {
        0 => {
            let value = dice.extreme(file.len());
            put(file, at, &value.to_be_bytes());
        }
        1 => {
            let names = [
                b"IHDR", b"PLTE", b"IDAT", b"IEND", b"iCCP", b"eXIf", b"tRNS", b"gAMA", b"fcTL",
            ];
            let name: &[u8; 4] = dice.of(&names);
            put(file, at + 4, name);
        }
        2 => {
            let end = (at + 12 + length).min(file.len());
            file.drain(at..end);
            return true;
        }
        _ => {
            for _ in 0..=dice.below(4) {
                let value = dice.of(&[0, 1, 2, 3, 4, 6, 8, 16, 0x7F, 0x80, 0xFF]);
                put(file, at + 8 + dice.below(length), &[value]);
            }
        }
    }
    let covered = file.get(at + 4..at + 8 + length).map(crc32);
    if let Some(sum) = covered {
        put(file, at + 8 + length, &sum.to_be_bytes());
    }
    true
}

/// ISO 3309, as PNG (third edition, annex D) has it.
fn crc32(bytes: &[u8]) -> u32 {
    let mut sum = u32::MAX;
    for byte in bytes {
        sum ^= u32::from(*byte);
        for _ in 0..8 {
            sum = (sum >> 1) ^ (0xEDB8_8320 & (sum & 1).wrapping_neg());
        }
    }
    !sum
}

/// A box's size or name (ISO/IEC 14496-12, 4.2): CR3 and the container of JPEG XL.
#[allow(
    clippy::ptr_arg,
    reason = "one of several ways, of which others change the length"
)]
fn boxes(file: &mut Vec<u8>, dice: &mut Dice) -> bool {
    let name = |b: &u8| b.is_ascii_alphanumeric() || *b == b' ';
    if file.get(4..8) != Some(b"ftyp") && file.get(4..8) != Some(b"JXL ") {
        return false;
    }
    let order = Order { little: false };
    let places: Vec<usize> = (0..file.len().saturating_sub(8))
        .filter(|&at| file[at + 4..at + 8].iter().all(name))
        .filter(|&at| order.long(file, at).is_some_and(|size| size < 1 << 20))
        .take(2000)
        .collect();
    if places.is_empty() {
        return false;
    }
    for _ in 0..=dice.below(2) {
        let at = places[dice.below(places.len())];
        match dice.below(5) {
            0 | 1 => {
                let size = dice.extreme(file.len());
                put(file, at, &size.to_be_bytes());
            }
            2 => {
                let other = places[dice.below(places.len())];
                let name: [u8; 4] = file[other + 4..other + 8].try_into().expect("four bytes");
                put(file, at + 4, &name);
            }
            _ => {
                for _ in 0..=dice.below(4) {
                    let value = dice.extreme(file.len());
                    put(file, at + 8 + 4 * dice.below(16), &value.to_be_bytes());
                }
            }
        }
    }
    true
}
