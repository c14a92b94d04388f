//! What a delivered file says besides its pixels: Exif and XMP, made from the job and the frame.
//!
//! Exif is a small little-endian TIFF (CIPA DC-008-2023; TIFF 6.0). Texts in it are UTF-8 under
//! type ASCII, as the Metadata Working Group's guidelines (version 2.0, section 2) say and readers
//! expect. XMP follows ISO 16684-1 with the properties of the IPTC Photo Metadata Standard 2023.1.
//!
//! Only what is listed here is written: no place, no serial number, no clock. The date is the
//! frame's own.

use crate::raw::Exif;

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
}

/// A value of a TIFF field.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Value {
    /// Type 2; the ending zero is added when it is written.
    Text(String),
    /// Type 3.
    Short(u16),
    /// Type 5.
    Rational(u32, u32),
    /// Type 7.
    Bytes(Vec<u8>),
}

/// A TIFF field: tag and value.
pub(super) type Field = (u16, Value);

/// The tag of the program that wrote a file.
const SOFTWARE: u16 = 0x0131;

/// The tag that points from the main directory to Exif's.
pub(super) const EXIF_DIRECTORY: u16 = 0x8769;

impl Metadata {
    /// The caption as it is written.
    fn description(&self) -> String {
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
        add(0xa434, lens.map(|lens| Value::Text(cut(lens))));
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
        tiff_block(&main, &self.exif_fields())
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
        let keywords = self.keywords.iter().map(String::as_str);
        let keywords: Vec<_> = [self.team.as_str()].into_iter().chain(keywords).collect();
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
fn cut(text: &str) -> String {
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
            Self::Short(value) => (3, 1, value.to_le_bytes().to_vec()),
            Self::Rational(top, bottom) => {
                (5, 1, [top.to_le_bytes(), bottom.to_le_bytes()].concat())
            }
            Self::Bytes(bytes) => (7, bytes.len() as u32, bytes.clone()),
        }
    }
}

/// Header, main directory and Exif directory. Values of more than four bytes stand behind their
/// directory, on even places (TIFF 6.0, section 2).
fn tiff_block(main: &[Field], exif: &[Field]) -> Vec<u8> {
    let mut out = b"II\x2a\0\x08\0\0\0".to_vec();
    let pointer = directory(&mut out, main, true);
    let place = (out.len() as u32).to_le_bytes();
    out[pointer..pointer + 4].copy_from_slice(&place);
    directory(&mut out, exif, false);
    out
}

/// Writes one directory; gives the place of the pointer to Exif's directory, which comes in the
/// order of its tag.
fn directory(out: &mut Vec<u8>, fields: &[Field], with_pointer: bool) -> usize {
    let count = fields.len() + usize::from(with_pointer);
    let mut behind = out.len() + 2 + 12 * count + 4;
    let mut values = Vec::new();
    let mut pointer = 0;
    out.extend((count as u16).to_le_bytes());
    let mut entry = |out: &mut Vec<u8>, tag: u16, (kind, count, mut bytes): (u16, u32, Vec<u8>)| {
        out.extend(tag.to_le_bytes());
        out.extend(kind.to_le_bytes());
        out.extend(count.to_le_bytes());
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
    };
    let first_above = fields.partition_point(|&(tag, _)| tag < EXIF_DIRECTORY);
    let (below, above) = fields.split_at(first_above);
    for (tag, value) in below {
        entry(out, *tag, value.stored());
    }
    if with_pointer {
        entry(out, EXIF_DIRECTORY, (4, 1, vec![0; 4]));
        pointer = out.len() - 4;
    }
    for (tag, value) in above {
        entry(out, *tag, value.stored());
    }
    out.extend([0; 4]);
    out.extend(values);
    pointer
}
