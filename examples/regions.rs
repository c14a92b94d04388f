//! Finds the regions of one frame and writes them as pictures, for scoring and for looking at.
//!
//! `cargo run --release --example regions -- FRAME DIR [--set EMPTY.dng]`
//!
//! Into DIR go `person.png` and the ten parts, 16-bit grey at the upright frame's full size,
//! `marks.json` with the landmarks in the frame's pixels (the first pixel's centre is 0.5), and
//! `overlay.png`: the small copy with every part in a colour of its own, for a quick look.
#![allow(clippy::print_stderr, reason = "an example reports on standard error")]

use std::error::Error;
use std::path::Path;
use std::time::Instant;

use image::{ImageBuffer, Luma, Rgb};
use lapel::picture::{Linear, Point, Rect, Size, resample};
use lapel::raw::{self, Frame, Limits};
use lapel::regions::{self, Marks, Region, Regions};
use lapel::sensor::{self, Development};

/// Long side of the copy in which regions are found.
const SMALL: usize = 1800;

/// Written regions, their file names and the overlay's colours (sRGB-encoded).
const WRITTEN: [(Region, &str, [f32; 3]); 11] = [
    (Region::Person, "person", [0.0, 0.0, 0.0]),
    (Region::FaceSkin, "face_skin", [0.94, 0.70, 0.60]),
    (Region::BodySkin, "body_skin", [0.78, 0.50, 0.35]),
    (Region::Hair, "hair", [0.55, 0.24, 0.12]),
    (Region::Clothing, "clothing", [0.25, 0.45, 0.80]),
    (Region::Worn, "worn", [0.80, 0.25, 0.87]),
    (Region::Brows, "brows", [0.12, 0.65, 0.24]),
    (Region::Sclera, "sclera", [1.0, 1.0, 1.0]),
    (Region::Iris, "iris", [0.0, 0.88, 0.95]),
    (Region::Lips, "lips", [0.87, 0.16, 0.30]),
    (Region::Teeth, "teeth", [1.0, 0.95, 0.50]),
];

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (frame, folder, set) = match arguments.as_slice() {
        [frame, folder] => (frame, folder, None),
        [frame, folder, flag, set] if flag == "--set" => (frame, folder, Some(set)),
        _ => return Err("use: regions FRAME DIR [--set EMPTY.dng]".into()),
    };
    let (small, full) = upright_copy(Path::new(frame))?;
    let set = match set {
        Some(set) => Some(upright_copy(Path::new(set))?.0),
        None => None,
    };
    let start = Instant::now();
    let found = regions::find(&small, set.as_ref());
    eprintln!(
        "{frame}: {:.2} s, confidence {:.2}, attention {:?}",
        start.elapsed().as_secs_f32(),
        found.confidence,
        found.attention
    );
    let folder = Path::new(folder);
    std::fs::create_dir_all(folder)?;
    let mut placed = found.placed(Rect::whole(full), full);
    if small.size() != full {
        placed = placed.refined(&upright(Path::new(frame))?);
    }
    for (region, name, _) in WRITTEN {
        let matte = placed.matte(&[region], &[]).whole();
        let values = matte
            .iter()
            .map(|v| (v.clamp(0.0, 1.0) * 65535.0 + 0.5) as u16);
        let (w, h) = (full.width as u32, full.height as u32);
        let picture = ImageBuffer::<Luma<u16>, _>::from_raw(w, h, values.collect::<Vec<_>>());
        let picture = picture.ok_or("a matte of another size")?;
        picture.save(folder.join(format!("{name}.png")))?;
    }
    overlay(&small, &found)?.save(folder.join("overlay.png"))?;
    if let Some(marks) = &placed.marks {
        std::fs::write(folder.join("marks.json"), json(marks)?)?;
    }
    Ok(())
}

/// The frame upright, scene-linear, at most [`SMALL`] pixels long, and its full upright size.
fn upright_copy(path: &Path) -> Result<(Linear, Size), Box<dyn Error>> {
    let bytes = std::fs::read(path)?;
    let name = path
        .file_name()
        .map(|n| n.to_string_lossy().into_owned())
        .unwrap_or_default();
    match raw::read(&bytes, &name, &Limits::default())? {
        Frame::Sensor(frame) => {
            let how = Development::default();
            let long = frame.crop.width.max(frame.crop.height);
            // Means of sites of a frame that is not much larger would be softer than demosaicing.
            let developed = if long < 2 * SMALL {
                sensor::develop(&frame, frame.crop, &how)?.picture
            } else {
                sensor::develop_small(&frame, SMALL, &how)?
            };
            let picture = frame.orientation.turn_picture(developed);
            Ok((fitted(picture), frame.upright_size()))
        }
        Frame::Finished(finished) => {
            let full = finished.picture.size();
            Ok((fitted(finished.picture), full))
        }
    }
}

/// The whole frame upright, scene-linear.
fn upright(path: &Path) -> Result<Linear, Box<dyn Error>> {
    let bytes = std::fs::read(path)?;
    let name = path.to_string_lossy();
    Ok(match raw::read(&bytes, &name, &Limits::default())? {
        Frame::Sensor(frame) => {
            let developed = sensor::develop(&frame, frame.crop, &Development::default())?;
            frame.orientation.turn_picture(developed.picture)
        }
        Frame::Finished(finished) => finished.picture,
    })
}

fn fitted(picture: Linear) -> Linear {
    let Size { width, height } = picture.size();
    let long = width.max(height);
    if long <= SMALL {
        return picture;
    }
    let side = |v: usize| (v * SMALL / long).max(1);
    resample::resize(
        &picture,
        Size {
            width: side(width),
            height: side(height),
        },
    )
}

fn overlay(
    small: &Linear,
    found: &Regions,
) -> Result<ImageBuffer<Rgb<u8>, Vec<u8>>, Box<dyn Error>> {
    let size = small.size();
    let mattes: Vec<_> = WRITTEN
        .iter()
        .map(|(region, _, colour)| (found.matte(&[*region], &[]).whole(), colour))
        .collect();
    let mut pixels = Vec::with_capacity(size.width * size.height * 3);
    for y in 0..size.height {
        for x in 0..size.width {
            let light = small.at(y, x);
            for c in 0..3 {
                // Near enough to how it looks: a square root for the curve.
                let seen = light[c].clamp(0.0, 1.0).sqrt();
                let mut shown = 0.5 * seen;
                for (matte, colour) in &mattes[1..] {
                    shown += 0.5 * matte[[y, x]] * colour[c];
                }
                pixels.push((shown.clamp(0.0, 1.0) * 255.0 + 0.5) as u8);
            }
        }
    }
    ImageBuffer::from_raw(size.width as u32, size.height as u32, pixels)
        .ok_or_else(|| "an overlay of another size".into())
}

fn json(marks: &Marks) -> Result<String, serde_json::Error> {
    let at = |p: Point| [p.x, p.y];
    let corners =
        |a: Point, b: Point| serde_json::json!({"image_left": at(a), "image_right": at(b)});
    let e = marks.eye_corners;
    serde_json::to_string_pretty(&serde_json::json!({
        "eye_centre": {"left_of_sitter": at(marks.eyes[1]), "right_of_sitter": at(marks.eyes[0])},
        "eye_span": marks.scale().0,
        "eye_corners": {
            "left_of_sitter": corners(e[2], e[3]),
            "right_of_sitter": corners(e[0], e[1]),
        },
        "mouth_corners": corners(marks.mouth[0], marks.mouth[1]),
        "chin": at(marks.chin),
        "crown": at(marks.crown),
        "iris_radius": marks.iris_radius,
        "turn": marks.turn,
        "tilt": marks.tilt,
        "openness": marks.openness,
    }))
}
