//! `BackgroundReplace(picture: …)`: a file of the recipe's folder as the wall, as a person runs it.

mod support;

use std::fs;

use image::{ImageFormat, Rgb, RgbImage};
use support::Office;

const PICTURE: &str = "walls/brick.png";

fn wall(width: u32, height: u32, colour: [u8; 3]) -> Vec<u8> {
    let mut png = std::io::Cursor::new(Vec::new());
    RgbImage::from_pixel(width, height, Rgb(colour))
        .write_to(&mut png, ImageFormat::Png)
        .expect("PNG takes any picture");
    png.into_inner()
}

/// One sitter and the house's recipe with a picture for its wall.
fn office() -> Office {
    let office = Office::bare();
    office.write("frames/s02.png", &support::small_sitter("s02"));
    office.write(
        "roster.csv",
        b"frame,person,file_name,team\ns02,Bo Birch,bo,Sea\n",
    );
    office.edit(
        "house.ron",
        "BackgroundLift(level: 62.0, evenness: 1.0, tint: 0.0)",
        "BackgroundReplace(picture: \"walls/brick.png\")",
    );
    office
}

/// Mean of the corner of the delivered picture, eight bits.
fn corner(office: &Office) -> [f64; 3] {
    let picture = image::load_from_memory(&office.read("delivered/bo-web.jpg"));
    let picture = picture.expect("a JPEG").into_rgb8();
    [0, 1, 2].map(|c| {
        let sum: f64 = (0..400)
            .map(|i| f64::from(picture.get_pixel(i % 20, i / 20).0[c]))
            .sum();
        sum / 400.0
    })
}

/// The file's own colours are delivered, through the recipe's curve; what the file holds is what a
/// delivery depends on.
#[test]
fn a_picture_stands_behind_the_sitter_and_a_changed_one_renders_anew() {
    let office = office();
    let brown = [140, 90, 60];
    let file = wall(700, 500, brown);
    office.write(PICTURE, &file);
    office.finish(&[]).ends_with(0);
    let got = corner(&office);
    for (got, wanted) in got.into_iter().zip(brown) {
        assert!((got - f64::from(wanted)).abs() < 2.5, "{got} for {wanted}");
    }
    let sidecar = fs::read_to_string(office.at("delivered/bo-web.jpg.ron")).expect("text");
    let digest = blake3::hash(&file).to_hex().to_string();
    assert!(sidecar.contains(&format!("{PICTURE} blake3:{digest}")));
    let before = office.delivered();
    office.finish(&[]).ends_with(0);
    assert!(office.changed_since(&before).is_empty());
    assert_eq!(office.read(PICTURE), file);

    office.write(PICTURE, &wall(700, 500, [40, 60, 90]));
    office.finish(&[]).ends_with(0);
    assert!(corner(&office)[2] > 80.0, "{:?}", corner(&office));
}

#[test]
fn a_picture_that_is_none_is_told_before_anything_is_rendered() {
    let office = office();
    office
        .finish(&[])
        .ends_with(2)
        .says(&["walls/brick.png", "cannot be read"]);
    office.write(PICTURE, &wall(900, 120, [90; 3]));
    office
        .finish(&[])
        .ends_with(2)
        .says(&["900 x 120 pixels", "needs 400"]);
    // A header that asks for 4 GB, in a file of a few bytes (PNG, third edition, 11.2.1).
    let mut huge = wall(1, 1, [90; 3]);
    huge[16..24].copy_from_slice(&[0, 0, 0xea, 0x60, 0, 0, 0xea, 0x60]);
    let crc = crc_of(&huge[12..29]);
    huge[29..33].copy_from_slice(&crc.to_be_bytes());
    office.write(PICTURE, &huge);
    office
        .finish(&[])
        .ends_with(2)
        .says(&["brick.png", "above the limit"]);
    office.write(PICTURE, &support::shipped("s02"));
    office.finish(&[]).ends_with(2).says(&["is a raw frame"]);
    assert!(office.delivered().is_empty());
    office.edit("house.ron", "walls/brick.png", "/walls/brick.png");
    office
        .finish(&[])
        .ends_with(2)
        .says(&["told from the folder of the recipe"]);
}

/// CRC-32 as PNG's annex D gives it.
fn crc_of(bytes: &[u8]) -> u32 {
    let mut crc = u32::MAX;
    for &byte in bytes {
        crc ^= u32::from(byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 {
                0xedb8_8320 ^ (crc >> 1)
            } else {
                crc >> 1
            };
        }
    }
    !crc
}
