//! What a delivered file says besides its pixels: Exif, XMP and IPTC-IIM, made from the job and the
//! frame.
//!
//! Exif is a small little-endian TIFF (CIPA DC-008-2023; TIFF 6.0). Texts in it are UTF-8 under
//! type ASCII, as the Metadata Working Group's guidelines (version 2.0, section 2) say and readers
//! expect. XMP follows ISO 16684-1 with the properties of the IPTC Photo Metadata Standard 2023.1.
//!
//! Only what is listed here is written, and no clock: the date is the frame's own. Where a frame was
//! taken and the numbers of body and lens are written only into outputs that ask for them ([`Keep`]).

use crate::raw::{Exif, Private};

/// Longest text that is written into one field, in characters: keeps both blocks far below the
/// 65,533 bytes of a JPEG segment.
const LONGEST: usize = 2000;

/// All that is written into a file. Empty texts are left out.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Metadata {
    /// Whom it shows: the picture's title and IPTC's "Person Shown".
    pub person: String,
    /// What they do.
    pub title: String,
    /// The caption; without one it is put together from person, title and client.
    pub caption: String,
    /// Where they belong; a keyword.
    pub team: String,
    /// Whose employee they are: IPTC's "Featured Organisation".
    pub client: String,
    /// Who made the picture.
    pub creator: String,
    /// The notice.
    pub copyright: String,
    /// How to be named when it is printed.
    pub credit: String,
    /// What the client may do with it.
    pub usage: String,
    /// Where to ask: an address on the web, of mail, or any other.
    pub contact: String,
    /// The program, for files that are nobody's picture.
    pub program: String,
    /// More keywords.
    pub keywords: Vec<String>,
    /// Pixels per inch; 0 leaves it out.
    pub ppi: u32,
    /// What the camera noted.
    pub exposure: Exif,
    /// Which of the frame's private notes go into the file.
    pub keep: Keep,
    /// The frame's private notes, as far as they are kept.
    pub private: Private,
}

/// Notes of the camera that are left out unless an output asks for them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Keep {
    /// Where the frame was taken (GPS).
    pub place: bool,
    /// Serial numbers of body and lens.
    pub serial_numbers: bool,
}

impl Keep {
    /// Whether anything is kept.
    pub fn anything(self) -> bool {
        self.place || self.serial_numbers
    }

    /// What of a frame's notes is kept.
    pub fn of(self, private: &Private) -> Private {
        let number = |number: &Option<String>| number.clone().filter(|_| self.serial_numbers);
        Private {
            place: private.place.filter(|_| self.place),
            body_number: number(&private.body_number),
            lens_number: number(&private.lens_number),
        }
    }
}

/// A value of a TIFF field.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Value {
    /// Type 2; the ending zero is added when it is written.
    Text(String),
    /// Type 1.
    Byte(u8),
    /// Type 3.
    Short(u16),
    /// Type 5.
    Rational(u32, u32),
    /// Three of type 5.
    Rationals([(u32, u32); 3]),
    /// Type 7.
    Bytes(Vec<u8>),
}

/// A TIFF field: tag and value.
pub(super) type Field = (u16, Value);

/// The tag of the program that wrote a file.
const SOFTWARE: u16 = 0x0131;

/// The tag that points from the main directory to Exif's, ...
pub(super) const EXIF_DIRECTORY: u16 = 0x8769;
/// ... and to that of the place.
pub(super) const PLACE_DIRECTORY: u16 = 0x8825;

impl Metadata {
    /// The team and all other keywords, empty ones left out.
    pub(super) fn all_keywords(&self) -> impl Iterator<Item = &str> {
        let team = std::iter::once(self.team.as_str());
        let all = team.chain(self.keywords.iter().map(String::as_str));
        all.filter(|keyword| !keyword.trim().is_empty())
    }

    /// The day on which the frame was taken, `YYYYMMDD`.
    pub(super) fn day(&self) -> Option<String> {
        let taken = self.exposure.taken.as_deref();
        taken.filter(|taken| is_date(taken)).map(|taken| {
            let digits = taken[..10].chars().filter(char::is_ascii_digit);
            digits.collect()
        })
    }

    /// The caption as it is written.
    pub(super) fn description(&self) -> String {
        if !self.caption.is_empty() {
            return cut(&self.caption);
        }
        let parts = [&self.person, &self.title, &self.client];
        let parts: Vec<_> = parts
            .into_iter()
            .filter(|part| !part.is_empty())
            .cloned()
            .collect();
        cut(&parts.join(", "))
    }

    /// Fields of the main directory besides those that tell the picture's layout, tags ascending.
    pub(super) fn main_fields(&self) -> Vec<Field> {
        let mut fields = Vec::new();
        let mut text = |tag: u16, text: &str| {
            if !text.is_empty() {
                fields.push((tag, Value::Text(cut(text))));
            }
        };
        text(0x010e, &self.description());
        text(0x0110, self.exposure.body.as_deref().unwrap_or(""));
        text(SOFTWARE, &self.program);
        text(0x013b, &self.creator);
        text(0x8298, &self.copyright);
        fields
    }

    /// Fields of Exif's own directory, tags ascending.
    pub(super) fn exif_fields(&self) -> Vec<Field> {
        let exposure = &self.exposure;
        let mut fields = Vec::new();
        let mut add =
            |tag: u16, value: Option<Value>| fields.extend(value.map(|value| (tag, value)));
        add(0x829a, exposure.exposure.and_then(seconds));
        add(0x829d, exposure.aperture.and_then(|f| tenths(f, 100)));
        // The field holds 16 bits; Exif says that 65535 stands for more (annex G).
        let iso = exposure.iso.filter(|&iso| iso > 0);
        add(
            0x8827,
            iso.map(|iso| Value::Short(u16::try_from(iso).unwrap_or(u16::MAX))),
        );
        add(0x9000, Some(Value::Bytes(b"0232".to_vec())));
        let taken = exposure.taken.as_deref().filter(|taken| is_date(taken));
        add(0x9003, taken.map(|taken| Value::Text(taken.to_owned())));
        add(0x920a, exposure.focal_length.and_then(|mm| tenths(mm, 10)));
        let lens = exposure.lens.as_deref().filter(|lens| !lens.is_empty());
        let private = &self.private;
        let number = |number: &Option<String>| number.as_deref().map(|text| Value::Text(cut(text)));
        add(0xa431, number(&private.body_number));
        add(0xa434, lens.map(|lens| Value::Text(cut(lens))));
        add(0xa435, number(&private.lens_number));
        fields
    }

    /// Fields of the place's directory, tags ascending; none unless a place is kept.
    pub(super) fn place_fields(&self) -> Vec<Field> {
        let Some(place) = self.private.place else {
            return Vec::new();
        };
        let letter = |negative: bool, letters: [&str; 2]| {
            Value::Text(letters[usize::from(negative)].to_owned())
        };
        let mut fields = vec![
            (0x0001, letter(place.latitude < 0.0, ["N", "S"])),
            (0x0002, degrees(place.latitude)),
            (0x0003, letter(place.longitude < 0.0, ["E", "W"])),
            (0x0004, degrees(place.longitude)),
        ];
        if let Some(metres) = place.altitude {
            fields.push((0x0005, Value::Byte(u8::from(metres < 0.0))));
            let tenths = (metres.abs() * 10.0).round() as u32;
            fields.push((0x0006, Value::Rational(tenths, 10)));
        }
        fields
    }

    /// The whole Exif block, beginning with its TIFF header.
    pub fn exif(&self) -> Vec<u8> {
        let mut main = self.main_fields();
        if self.ppi > 0 {
            main.push((0x011a, Value::Rational(self.ppi, 1)));
            main.push((0x011b, Value::Rational(self.ppi, 1)));
            main.push((0x0128, Value::Short(2)));
        }
        main.sort_by_key(|&(tag, _)| tag);
        tiff_block(&main, &self.exif_fields(), &self.place_fields())
    }

    /// The XMP packet.
    pub fn xmp(&self) -> String {
        let mut out = String::from(concat!(
            "<?xpacket begin=\"\u{feff}\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n",
            "<x:xmpmeta xmlns:x=\"adobe:ns:meta/\">\n",
            "<rdf:RDF xmlns:rdf=\"http://www.w3.org/1999/02/22-rdf-syntax-ns#\">\n",
            "<rdf:Description rdf:about=\"\"\n",
            " xmlns:dc=\"http://purl.org/dc/elements/1.1/\"\n",
            " xmlns:photoshop=\"http://ns.adobe.com/photoshop/1.0/\"\n",
            " xmlns:xmpRights=\"http://ns.adobe.com/xap/1.0/rights/\"\n",
            " xmlns:Iptc4xmpCore=\"http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/\"\n",
            " xmlns:Iptc4xmpExt=\"http://iptc.org/std/Iptc4xmpExt/2008-02-29/\">\n",
        ));
        let keywords: Vec<_> = self.all_keywords().collect();
        let mut list = |name: &str, kind: &str, texts: &[&str]| {
            let attribute = if kind == "Alt" {
                " xml:lang=\"x-default\""
            } else {
                ""
            };
            let items: String = texts
                .iter()
                .filter(|text| !text.is_empty())
                .map(|text| format!("<rdf:li{attribute}>{}</rdf:li>", escaped(&cut(text))))
                .collect();
            if !items.is_empty() {
                out += &format!("<{name}><rdf:{kind}>{items}</rdf:{kind}></{name}>\n");
            }
        };
        list("dc:title", "Alt", &[&self.person]);
        list("dc:description", "Alt", &[&self.description()]);
        list("dc:creator", "Seq", &[&self.creator]);
        list("dc:rights", "Alt", &[&self.copyright]);
        list("dc:subject", "Bag", &keywords);
        list("xmpRights:UsageTerms", "Alt", &[&self.usage]);
        list("Iptc4xmpExt:PersonInImage", "Bag", &[&self.person]);
        list(
            "Iptc4xmpExt:OrganisationInImageName",
            "Bag",
            &[&self.client],
        );
        let mut plain = |name: &str, text: &str| {
            if !text.is_empty() {
                out += &format!("<{name}>{}</{name}>\n", escaped(&cut(text)));
            }
        };
        plain("photoshop:Credit", &self.credit);
        if !self.contact.is_empty() {
            let field = match &self.contact {
                web if web.starts_with("http") => "CiUrlWork",
                mail if mail.contains('@') => "CiEmailWork",
                _ => "CiAdrExtadr",
            };
            let text = escaped(&cut(&self.contact));
            out += &format!(
                "<Iptc4xmpCore:CreatorContactInfo rdf:parseType=\"Resource\">\
                 <Iptc4xmpCore:{field}>{text}</Iptc4xmpCore:{field}>\
                 </Iptc4xmpCore:CreatorContactInfo>\n"
            );
        }
        if !self.copyright.is_empty() {
            out += "<xmpRights:Marked>True</xmpRights:Marked>\n";
        }
        out + "</rdf:Description>\n</rdf:RDF>\n</x:xmpmeta>\n<?xpacket end=\"r\"?>"
    }
}

/// At most [`LONGEST`] characters, without control characters (line breaks become blanks).
pub(super) fn cut(text: &str) -> String {
    let plain = |c: char| if c.is_control() { ' ' } else { c };
    text.chars()
        .take(LONGEST)
        .map(plain)
        .collect::<String>()
        .trim()
        .to_owned()
}

/// Text for XML 1.0, inside of elements and attributes.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out += "&amp;",
            '<' => out += "&lt;",
            '>' => out += "&gt;",
            '"' => out += "&quot;",
            '\'' => out += "&apos;",
            // Two code points that XML 1.0 (section 2.2) does not allow.
            '\u{fffe}' | '\u{ffff}' => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// Exposure time as photographers write it: 1/n below a third of a second, else tenths.
fn seconds(seconds: f32) -> Option<Value> {
    if !(seconds.is_finite() && seconds > 1e-6 && seconds < 1e6) {
        return None;
    }
    if seconds < 0.3 {
        return Some(Value::Rational(1, (1.0 / seconds).round() as u32));
    }
    tenths(seconds, 10)
}

/// A positive number as a fraction over `parts`.
fn tenths(number: f32, parts: u32) -> Option<Value> {
    let fits = number.is_finite() && number > 0.0 && number < 1e6;
    fits.then(|| Value::Rational((number * parts as f32).round() as u32, parts))
}

/// Degrees, minutes and ten-thousandths of a second (three millimetres), without sign.
fn degrees(angle: f64) -> Value {
    let parts = (angle.abs() * 36_000_000.0).round() as u64;
    let (seconds, minutes) = (parts % 600_000, parts / 600_000);
    Value::Rationals([
        ((minutes / 60) as u32, 1),
        ((minutes % 60) as u32, 1),
        (seconds as u32, 10_000),
    ])
}

/// `YYYY:MM:DD HH:MM:SS`, as Exif wants it.
fn is_date(text: &str) -> bool {
    text.len() == 19
        && text.bytes().enumerate().all(|(i, b)| match i {
            4 | 7 | 13 | 16 => b == b':',
            10 => b == b' ',
            _ => b.is_ascii_digit(),
        })
}

impl Value {
    /// TIFF type, count, bytes.
    fn stored(&self) -> (u16, u32, Vec<u8>) {
        match self {
            Self::Text(text) => {
                let bytes = [text.as_bytes(), &[0]].concat();
                (2, bytes.len() as u32, bytes)
            }
            Self::Byte(value) => (1, 1, vec![*value]),
            Self::Short(value) => (3, 1, value.to_le_bytes().to_vec()),
            Self::Rational(top, bottom) => {
                (5, 1, [top.to_le_bytes(), bottom.to_le_bytes()].concat())
            }
            Self::Rationals(three) => {
                let bytes = three.iter().flat_map(|(top, bottom)| [*top, *bottom]);
                (5, 3, bytes.flat_map(u32::to_le_bytes).collect())
            }
            Self::Bytes(bytes) => (7, bytes.len() as u32, bytes.clone()),
        }
    }
}

/// Header, main directory, Exif's and, if it has fields, the place's. Values of more than four bytes
/// stand behind their directory, on even places (TIFF 6.0, section 2).
fn tiff_block(main: &[Field], exif: &[Field], place: &[Field]) -> Vec<u8> {
    let mut out = b"II\x2a\0\x08\0\0\0".to_vec();
    let mut inner = vec![(EXIF_DIRECTORY, exif)];
    if !place.is_empty() {
        inner.push((PLACE_DIRECTORY, place));
    }
    let tags: Vec<u16> = inner.iter().map(|(tag, _)| *tag).collect();
    let pointers = directory(&mut out, main, &tags);
    for (pointer, (_, fields)) in pointers.into_iter().zip(inner) {
        let place = (out.len() as u32).to_le_bytes();
        out[pointer..pointer + 4].copy_from_slice(&place);
        directory(&mut out, fields, &[]);
    }
    out
}

/// Writes one directory, its fields and the pointers to others in the order of their tags; gives the
/// places of the pointers.
fn directory(out: &mut Vec<u8>, fields: &[Field], pointers: &[u16]) -> Vec<usize> {
    let mut entries: Vec<(u16, Option<&Value>)> = fields
        .iter()
        .map(|(tag, value)| (*tag, Some(value)))
        .chain(pointers.iter().map(|tag| (*tag, None)))
        .collect();
    entries.sort_by_key(|(tag, _)| *tag);
    let mut behind = out.len() + 2 + 12 * entries.len() + 4;
    let (mut values, mut places) = (Vec::new(), Vec::new());
    out.extend((entries.len() as u16).to_le_bytes());
    for (tag, value) in entries {
        let (kind, count, mut bytes) = value.map_or((4, 1, vec![0; 4]), Value::stored);
        out.extend(tag.to_le_bytes());
        out.extend(kind.to_le_bytes());
        out.extend(count.to_le_bytes());
        if value.is_none() {
            places.push(out.len());
        }
        if bytes.len() <= 4 {
            bytes.resize(4, 0);
            out.extend(bytes);
        } else {
            out.extend((behind as u32).to_le_bytes());
            if bytes.len() % 2 == 1 {
                bytes.push(0);
            }
            behind += bytes.len();
            values.extend(bytes);
        }
    }
    out.extend([0; 4]);
    out.extend(values);
    places
}
