//! Delivered files read back by others: the crates `image`, `png`, `tiff` and `kamadak-exif`, and
//! Pillow where `python3` has it.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

use std::io::Cursor;
use std::process::Command;

use image::ImageDecoder;
use lapel::colour::output::Profile;
use lapel::deliver::encode::{Error, Format, Pixels, encode};
use lapel::deliver::metadata::Metadata;
use lapel::picture::Size;
use lapel::raw::Exif;

/// Odd, so that blocks and strips end in between. (The crate `image` gives no profile of a TIFF
/// below some 20 kB of pixels: it takes its limit on tags from the picture's size.)
const SIZE: Size = Size {
    width: 137,
    height: 91,
};

const FORMATS: [Format; 5] = [
    Format::Jpeg { quality: 92 },
    Format::Png { bits: 8 },
    Format::Png { bits: 16 },
    Format::Tiff { bits: 8 },
    Format::Tiff { bits: 16 },
];

fn metadata() -> Metadata {
    Metadata {
        person: "Zoë <Łuczak> & \"Co\"".into(),
        title: "Head of Harbours".into(),
        client: "Harbour Lane".into(),
        team: "Quay".into(),
        creator: "A. Photographer".into(),
        copyright: "(c) 2026 A. Photographer".into(),
        credit: "A. Photographer / Harbour Lane".into(),
        usage: "Company use only".into(),
        contact: "studio@example.org".into(),
        keywords: vec!["headshot".into()],
        ppi: 300,
        exposure: Exif {
            exposure: Some(1.0 / 160.0),
            aperture: Some(5.6),
            iso: Some(125),
            focal_length: Some(85.0),
            taken: Some("2026:03:02 10:11:12".into()),
            body: Some("Example Body".into()),
            lens: Some("Example 85mm".into()),
        },
        ..Metadata::default()
    }
}

/// A grey ramp, on the scale of the format.
fn pixels(format: Format) -> Pixels {
    let count = SIZE.width * SIZE.height * 3;
    let ramp = |top: usize| (0..count).map(move |i| i * top / count);
    if format.bits() == 16 {
        Pixels::Sixteen(ramp(65535).map(|v| v as u16).collect())
    } else {
        Pixels::Eight(ramp(255).map(|v| v as u8).collect())
    }
}

fn encoded(format: Format, profile: Profile) -> Vec<u8> {
    encode(pixels(format), SIZE, format, &profile.icc(), &metadata()).expect("a small picture")
}

#[test]
fn pixels_and_profile_come_back() {
    for format in FORMATS {
        let file = encoded(format, Profile::DisplayP3);
        let reader = image::ImageReader::new(Cursor::new(&file)).with_guessed_format();
        let mut decoder = reader
            .expect("bytes")
            .into_decoder()
            .expect("a known format");
        assert_eq!(decoder.dimensions(), (137, 91));
        let icc = decoder.icc_profile().expect("readable");
        assert_eq!(icc, Some(Profile::DisplayP3.icc()), "{format:?}");
        let picture = image::DynamicImage::from_decoder(decoder).expect("readable");
        match (pixels(format), picture) {
            (Pixels::Eight(sent), image::DynamicImage::ImageRgb8(found)) => {
                let allowed = if matches!(format, Format::Jpeg { .. }) {
                    12
                } else {
                    0
                };
                let apart = sent
                    .iter()
                    .zip(found.as_raw())
                    .map(|(a, b)| a.abs_diff(*b))
                    .max();
                assert!(apart <= Some(allowed), "{format:?}: {apart:?}");
            }
            (Pixels::Sixteen(sent), image::DynamicImage::ImageRgb16(found)) => {
                assert_eq!(&sent, found.as_raw());
            }
            (_, other) => panic!("{format:?} came back as {:?}", other.color()),
        }
    }
}

#[test]
fn exif_comes_back() {
    for format in FORMATS {
        let file = encoded(format, Profile::Srgb);
        let exif = exif::Reader::new()
            .read_from_container(&mut Cursor::new(&file))
            .expect("Exif is there");
        let text = |tag| {
            let field = exif
                .get_field(tag, exif::In::PRIMARY)
                .expect("the field is there");
            match &field.value {
                exif::Value::Ascii(texts) => String::from_utf8(texts[0].clone()).expect("UTF-8"),
                _ => field.display_value().to_string(),
            }
        };
        assert_eq!(text(exif::Tag::Artist), "A. Photographer");
        assert_eq!(text(exif::Tag::Copyright), "(c) 2026 A. Photographer");
        assert_eq!(
            text(exif::Tag::ImageDescription),
            "Zoë <Łuczak> & \"Co\", Head of Harbours, Harbour Lane"
        );
        assert_eq!(text(exif::Tag::Model), "Example Body");
        assert_eq!(text(exif::Tag::LensModel), "Example 85mm");
        assert_eq!(text(exif::Tag::DateTimeOriginal), "2026:03:02 10:11:12");
        assert_eq!(text(exif::Tag::ExposureTime), "1/160");
        assert_eq!(text(exif::Tag::FNumber), "5.6");
        assert_eq!(text(exif::Tag::PhotographicSensitivity), "125");
        assert_eq!(text(exif::Tag::FocalLength), "85");
        assert_eq!(text(exif::Tag::XResolution), "300");
        let hidden = [
            exif::Tag::BodySerialNumber,
            exif::Tag::GPSLatitude,
            exif::Tag::DateTime,
        ];
        for tag in hidden {
            assert!(exif.get_field(tag, exif::In::PRIMARY).is_none(), "{tag}");
        }
    }
}

#[test]
fn xmp_is_there_and_escaped() {
    for format in FORMATS {
        let file = encoded(format, Profile::Srgb);
        let text = String::from_utf8_lossy(&file);
        let person = "Zoë &lt;Łuczak&gt; &amp; &quot;Co&quot;";
        assert!(text.contains(&format!(
            "<Iptc4xmpExt:PersonInImage><rdf:Bag><rdf:li>{person}</rdf:li></rdf:Bag>"
        )));
        assert!(text.contains("<rdf:li>Quay</rdf:li><rdf:li>headshot</rdf:li>"));
        assert!(text.contains("CiEmailWork>studio@example.org<"));
    }
}

#[test]
fn the_same_picture_gives_the_same_bytes() {
    for format in FORMATS {
        assert_eq!(
            encoded(format, Profile::OpRgb),
            encoded(format, Profile::OpRgb)
        );
    }
}

#[test]
fn what_does_not_fit_is_refused() {
    let icc = Profile::Srgb.icc();
    let try_encode = |pixels, width, height, format| {
        encode(
            pixels,
            Size { width, height },
            format,
            &icc,
            &Metadata::default(),
        )
    };
    let jpeg = Format::Jpeg { quality: 90 };
    let few = try_encode(Pixels::Eight(vec![0; 10]), 2, 2, jpeg);
    assert!(matches!(few, Err(Error::Malformed { .. })));
    let deep = try_encode(Pixels::Sixteen(vec![0; 12]), 2, 2, jpeg);
    assert!(matches!(deep, Err(Error::Malformed { .. })));
    let none = try_encode(Pixels::Eight(vec![]), 0, 2, jpeg);
    assert!(matches!(none, Err(Error::Malformed { .. })));
    let long = try_encode(Pixels::Eight(vec![0; 70_000 * 3]), 70_000, 1, jpeg);
    assert!(matches!(long, Err(Error::Limit { .. })));
}

/// Long and hostile texts still make files that others read.
#[test]
fn hostile_texts_do_no_harm() {
    let long = "<&\u{0}\u{1b}]]>\u{ffff}ä".repeat(20_000);
    let hostile = Metadata {
        person: long.clone(),
        title: long.clone(),
        caption: long.clone(),
        creator: long,
        ..metadata()
    };
    for format in FORMATS {
        let file = encode(pixels(format), SIZE, format, &Profile::Srgb.icc(), &hostile)
            .expect("long texts are cut");
        assert!(image::load_from_memory(&file).is_ok());
        let exif = exif::Reader::new().read_from_container(&mut Cursor::new(&file));
        assert!(exif.is_ok());
    }
}

const SCRIPT: &str = r#"
import io, sys
from PIL import Image, ImageCms
for path in sys.argv[1:]:
    im = Image.open(path)
    icc = im.info["icc_profile"]
    profile = ImageCms.ImageCmsProfile(io.BytesIO(icc))
    exif = im.getexif()
    inner = exif.get_ifd(0x8769)
    xmp = im.info.get("xmp") or im.info.get("XML:com.adobe.xmp") or b""
    xmp = xmp if isinstance(xmp, bytes) else xmp.encode()
    im.load()
    print(im.format, im.size, im.mode, ImageCms.getProfileDescription(profile).strip(),
          [round(float(v)) for v in im.info["dpi"]], exif[0x013b], exif[0x8298], exif[0x0110],
          float(inner[0x829d]), int(inner[0x8827]), inner[0x9003], inner[0xa434],
          b"PersonInImage" in xmp, sep="|")
"#;

#[test]
fn pillow_reads_every_format() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut paths = Vec::new();
    for (index, format) in FORMATS.into_iter().enumerate() {
        let path = folder.path().join(format!("{index}.{}", format.ending()));
        std::fs::write(&path, encoded(format, Profile::DisplayP3)).expect("writable");
        paths.push(path);
    }
    let has = Command::new("python3")
        .args(["-c", "import PIL.ImageCms"])
        .output();
    if !has.is_ok_and(|run| run.status.success()) {
        eprintln!("python3 with Pillow is not here: skipped");
        return;
    }
    let run = Command::new("python3")
        .args(["-c", SCRIPT])
        .args(&paths)
        .output();
    let run = run.expect("python3 starts");
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    let lines: Vec<_> = String::from_utf8_lossy(&run.stdout)
        .lines()
        .map(String::from)
        .collect();
    let same = "Display P3|[300, 300]|A. Photographer|(c) 2026 A. Photographer|Example Body|5.6|\
                125|2026:03:02 10:11:12|Example 85mm|True";
    // Pillow brings 16-bit colour down to 8 bits itself.
    let heads =
        ["JPEG", "PNG", "PNG", "TIFF", "TIFF"].map(|kind| format!("{kind}|(137, 91)|RGB|{same}"));
    assert_eq!(lines.len(), 5);
    for (line, expected) in lines.iter().zip(&heads) {
        assert_eq!(line, expected);
    }
}
