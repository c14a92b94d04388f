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
use lapel::deliver::metadata::{Keep, Metadata};
use lapel::picture::Size;
use lapel::raw::{self, Exif, Place, Private};

/// Odd, so that blocks and strips end in between. (The crate `image` gives no profile of a TIFF
/// below some 20 kB of pixels: it takes its limit on tags from the picture's size.)
const SIZE: Size = Size {
    width: 137,
    height: 91,
};

const FORMATS: [Format; 6] = [
    Format::jpeg(92),
    Format::Jpeg {
        quality: 92,
        progressive: true,
        largest: None,
    },
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
    let icc = profile.icc();
    let encoded = encode(&pixels(format), SIZE, format, &icc, &metadata());
    let (file, used) = encoded.expect("a small picture");
    assert_eq!(used, format);
    file
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
            exif::Tag::LensSerialNumber,
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
            &pixels,
            Size { width, height },
            format,
            &icc,
            &Metadata::default(),
        )
    };
    let jpeg = Format::jpeg(90);
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
        let icc = Profile::Srgb.icc();
        let encoded = encode(&pixels(format), SIZE, format, &icc, &hostile);
        let (file, _) = encoded.expect("long texts are cut");
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
    let heads = ["JPEG", "JPEG", "PNG", "PNG", "TIFF", "TIFF"]
        .map(|kind| format!("{kind}|(137, 91)|RGB|{same}"));
    assert_eq!(lines.len(), 6);
    for (line, expected) in lines.iter().zip(&heads) {
        assert_eq!(line, expected);
    }
}

/// A picture of noise, which takes much room.
fn noise() -> Pixels {
    let count = SIZE.width * SIZE.height * 3;
    let next = |state: &mut u32| {
        *state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        Some((*state >> 24) as u8)
    };
    Pixels::Eight(
        std::iter::repeat_n((), count)
            .scan(7, |state, ()| next(state))
            .collect(),
    )
}

/// The highest quality whose file fits, found by trying them all.
#[test]
fn a_jpeg_is_held_to_its_kilobytes() {
    let (icc, metadata) = (Profile::Srgb.icc(), Metadata::default());
    let at = |format| encode(&noise(), SIZE, format, &icc, &metadata);
    for progressive in [false, true] {
        let plain = |quality| Format::Jpeg {
            quality,
            progressive,
            largest: None,
        };
        let sizes: Vec<(u8, usize)> = (60..=92)
            .map(|quality| (quality, at(plain(quality)).expect("it fits").0.len()))
            .collect();
        for kilobytes in [10, 18, 25, 200] {
            let largest = Some(kilobytes);
            let capped = Format::Jpeg {
                quality: 92,
                progressive,
                largest,
            };
            let fitting = |(_, size): &&(u8, usize)| *size <= 1000 * kilobytes as usize;
            let wanted = sizes.iter().rev().find(fitting);
            match at(capped) {
                Ok((file, used)) => {
                    let (quality, size) = wanted.expect("one fits");
                    assert_eq!(file.len(), *size);
                    assert_eq!(
                        used,
                        Format::Jpeg {
                            quality: *quality,
                            progressive,
                            largest
                        }
                    );
                }
                Err(error) => {
                    assert_eq!(wanted, None, "{error}");
                    let told = error.to_string();
                    assert!(
                        told.contains("at quality 60 the file still takes"),
                        "{told}"
                    );
                }
            }
        }
        assert!(sizes[0].1 > 10_000 && sizes[0].1 <= 18_000, "{sizes:?}");
    }
}

/// ITU-T T.81, table B.1: SOF0 is 0xFFC0, SOF2 (progressive) 0xFFC2; section B.2.2: the three
/// components' sampling factors, here all 1 x 1.
#[test]
fn jpegs_are_not_subsampled_and_progressive_if_asked() {
    for (format, marker) in [(FORMATS[0], 0xc0), (FORMATS[1], 0xc2)] {
        let file = encoded(format, Profile::Srgb);
        let frame = file
            .windows(4)
            .position(|four| four == [0xff, marker, 0, 17])
            .expect("a frame of three components");
        let components = &file[frame + 10..frame + 19];
        assert_eq!([components[1], components[4], components[7]], [0x11; 3]);
        let scans = file.windows(2).filter(|two| *two == [0xff, 0xda]).count();
        assert_eq!(scans > 1, marker == 0xc2, "{scans}");
    }
}

fn private() -> Private {
    Private {
        place: Some(Place {
            latitude: -33.856_784,
            longitude: 151.215_297,
            altitude: Some(12.4),
        }),
        body_number: Some("B-0042".into()),
        lens_number: Some("L-77".into()),
    }
}

/// Place and serial numbers are written where they are kept, and read back by our own reader of
/// frames, which is `kamadak-exif`'s; asked for by half, half is written.
#[test]
fn private_notes_are_written_only_where_they_are_kept() {
    let (icc, all) = (Profile::Srgb.icc(), private());
    for format in FORMATS {
        for (place, serial_numbers) in [(false, false), (true, false), (false, true), (true, true)]
        {
            let keep = Keep {
                place,
                serial_numbers,
            };
            let metadata = Metadata {
                keep,
                private: keep.of(&all),
                ..metadata()
            };
            let (file, _) =
                encode(&pixels(format), SIZE, format, &icc, &metadata).expect("it fits");
            let found = raw::private(&file);
            assert_eq!(
                found.body_number,
                all.body_number.clone().filter(|_| serial_numbers)
            );
            assert_eq!(
                found.lens_number,
                all.lens_number.clone().filter(|_| serial_numbers)
            );
            assert_eq!(found.place.is_some(), place, "{format:?}");
            if let (Some(found), Some(wanted)) = (found.place, all.place) {
                // Exif's seconds are written to ten-thousandths: three millimetres.
                assert!((found.latitude - wanted.latitude).abs() < 5e-8);
                assert!((found.longitude - wanted.longitude).abs() < 5e-8);
                assert_eq!(found.altitude, wanted.altitude);
            }
        }
    }
}

/// Runs exiftool on files of all formats; `None` when it is not here.
fn exiftool(metadata: &Metadata) -> Option<Vec<serde_json::Value>> {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut paths = Vec::new();
    for (index, format) in FORMATS.into_iter().enumerate() {
        let path = folder.path().join(format!("{index}.{}", format.ending()));
        let icc = Profile::DisplayP3.icc();
        let (file, _) = encode(&pixels(format), SIZE, format, &icc, metadata).expect("it fits");
        std::fs::write(&path, file).expect("writable");
        paths.push(path);
    }
    let run = Command::new("exiftool")
        .args([
            "-json",
            "-G1",
            "-n",
            "-validate",
            "-warning",
            "-error",
            "-a",
        ])
        .args(["-all:all", "-charset", "iptc=UTF8"])
        .args(&paths)
        .output();
    let Ok(run) = run else {
        eprintln!("exiftool is not here: skipped");
        return None;
    };
    let json = serde_json::from_slice(&run.stdout).expect("JSON");
    Some(json)
}

/// Every property under its Exif, IPTC-IIM and XMP name, read by an independent program.
#[test]
fn exiftool_reads_rights_and_people() {
    let Some(files) = exiftool(&metadata()) else {
        return;
    };
    assert_eq!(files.len(), FORMATS.len());
    for (file, format) in files.iter().zip(FORMATS) {
        let get = |tag: &str| &file[tag];
        let is = |tag: &str, wanted: &str| {
            assert_eq!(get(tag), wanted, "{format:?}: {tag} of {file}");
        };
        let person = "Zoë <Łuczak> & \"Co\"";
        let caption = "Zoë <Łuczak> & \"Co\", Head of Harbours, Harbour Lane";
        is("XMP-dc:Title", person);
        is("XMP-dc:Description", caption);
        is("XMP-dc:Creator", "A. Photographer");
        is("XMP-dc:Rights", "(c) 2026 A. Photographer");
        is("XMP-iptcExt:PersonInImage", person);
        is("XMP-iptcExt:OrganisationInImageName", "Harbour Lane");
        is("XMP-photoshop:Credit", "A. Photographer / Harbour Lane");
        is("XMP-xmpRights:UsageTerms", "Company use only");
        is("XMP-iptcCore:CreatorWorkEmail", "studio@example.org");
        assert_eq!(
            get("XMP-dc:Subject"),
            &serde_json::json!(["Quay", "headshot"])
        );
        is("IFD0:Artist", "A. Photographer");
        is("IFD0:Copyright", "(c) 2026 A. Photographer");
        is("IFD0:ImageDescription", caption);
        is("ICC_Profile:ProfileDescription", "Display P3");
        assert_eq!(get("IFD0:XResolution"), 300, "{file}");
        if format.ending() == "png" {
            // 300 ppi in whole pixels a metre.
            assert_eq!(get("PNG-pHYs:PixelsPerUnitX"), 11_811, "{file}");
        }
        // PNG has no place for IPTC-IIM.
        if format.ending() != "png" {
            is("IPTC:ObjectName", person);
            is("IPTC:Caption-Abstract", caption);
            is("IPTC:By-line", "A. Photographer");
            is("IPTC:CopyrightNotice", "(c) 2026 A. Photographer");
            is("IPTC:Credit", "A. Photographer / Harbour Lane");
            is("IPTC:Contact", "studio@example.org");
            is("IPTC:DateCreated", "2026:03:02");
            assert_eq!(
                get("IPTC:Keywords"),
                &serde_json::json!(["Quay", "headshot"])
            );
        }
        for (tag, value) in file.as_object().expect("an object") {
            let hidden = tag.contains("GPS") || tag.contains("Serial");
            assert!(!hidden, "{tag}: {value}");
            assert!(!tag.ends_with(":Error"), "{format:?}: {value}");
        }
    }
}

#[test]
fn exiftool_reads_what_is_kept() {
    let keep = Keep {
        place: true,
        serial_numbers: true,
    };
    let metadata = Metadata {
        keep,
        private: private(),
        ..metadata()
    };
    let Some(files) = exiftool(&metadata) else {
        return;
    };
    for file in files {
        let degrees = |tag: &str| {
            file[tag]
                .as_f64()
                .unwrap_or_else(|| panic!("{tag}: {file}"))
        };
        assert!((degrees("Composite:GPSLatitude") + 33.856_784).abs() < 1e-6);
        assert!((degrees("Composite:GPSLongitude") - 151.215_297).abs() < 1e-6);
        assert!((degrees("Composite:GPSAltitude") - 12.4).abs() < 1e-3);
        assert_eq!(file["ExifIFD:SerialNumber"], "B-0042");
        assert_eq!(file["ExifIFD:LensSerialNumber"], "L-77");
    }
}
