//! Finished pictures and class maps as the retouching tests and their example read them.
#![allow(dead_code, clippy::print_stdout, clippy::print_stderr)]

pub mod measure;
pub mod plant;

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use lapel::engine::{self, Fineness, Finished, Set};
use lapel::operations::Operation;
use lapel::picture::filter::gaussian;
use lapel::picture::{Linear, Oklab, Point, Size};
use lapel::raw::{self, Frame, Limits};
use lapel::recipe::{Diagnostics, Recipe};
use lapel::regions::{Marks, Matte, Region, Regions};
use ndarray::Array2;

/// sRGB primaries to the working space's BT.2020, both D65: ITU-R BT.2087-0, section 4.
const FROM_SRGB: [[f32; 3]; 3] = [
    [0.6274, 0.3293, 0.0433],
    [0.0691, 0.9195, 0.0114],
    [0.0164, 0.0880, 0.8956],
];
/// Its inverse: ITU-R BT.2407-0, section 2.2.
const TO_SRGB: [[f32; 3]; 3] = [
    [1.6605, -0.5876, -0.0728],
    [-0.1246, 1.1329, -0.0083],
    [-0.0182, -0.1006, 1.1187],
];

fn matrix(m: &[[f32; 3]; 3], v: [f32; 3]) -> [f32; 3] {
    m.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

/// IEC 61966-2-1.
fn decoded(v: f32) -> f32 {
    if v <= 0.04045 {
        v / 12.92
    } else {
        ((v + 0.055) / 1.055).powf(2.4)
    }
}

fn encoded(v: f32) -> f32 {
    if v <= 0.0031308 {
        v * 12.92
    } else {
        1.055 * v.powf(1.0 / 2.4) - 0.055
    }
}

/// Reads an sRGB picture of 8 or 16 bits.
pub fn read(path: &Path) -> Linear {
    let picture = image::open(path).expect("a picture").into_rgb32f();
    let size = Size {
        width: picture.width() as usize,
        height: picture.height() as usize,
    };
    let mut out = Linear::zeros(size);
    for (x, y, pixel) in picture.enumerate_pixels() {
        let light = matrix(&FROM_SRGB, pixel.0.map(decoded));
        for c in 0..3 {
            out.planes[c][[y as usize, x as usize]] = light[c];
        }
    }
    out
}

/// The picture as 16-bit sRGB.
pub fn write(picture: &Oklab, path: &Path) {
    let light = picture.clone().to_linear();
    let Size { width, height } = light.size();
    let out = image::ImageBuffer::from_fn(width as u32, height as u32, |x, y| {
        let rgb = matrix(&TO_SRGB, light.at(y as usize, x as usize));
        let rgb = rgb.map(|v| (encoded(v.clamp(0.0, 1.0)) * 65535.0).round() as u16);
        image::Rgb(rgb)
    });
    out.save(path).expect("the picture is written");
}

/// Marks from a truth file: the two eyes are what retouching reads.
pub fn marks(json: &serde_json::Value) -> Marks {
    let point = |v: &serde_json::Value| Point {
        x: v[0].as_f64().expect("x") as f32,
        y: v[1].as_f64().expect("y") as f32,
    };
    let eyes = [
        point(&json["eye_centre"]["right_of_sitter"]),
        point(&json["eye_centre"]["left_of_sitter"]),
    ];
    let chin = point(&json["chin"]);
    Marks {
        eyes,
        iris_radius: [eyes[0].distance(eyes[1]) * 0.09; 2],
        eye_corners: [eyes[0], eyes[0], eyes[1], eyes[1]],
        mouth: [chin; 2],
        // The truth has no nose; on these sitters its tip lies at 0.44 of the way to the chin.
        nose: Point {
            x: 0.28 * (eyes[0].x + eyes[1].x) + 0.44 * chin.x,
            y: 0.28 * (eyes[0].y + eyes[1].y) + 0.44 * chin.y,
        },
        chin,
        crown: point(&json["crown"]),
        mesh: Vec::new(),
        turn: 0.0,
        tilt: 0.0,
        openness: [0.3; 2],
    }
}

/// Regions from a class map (0 backdrop, 1 face skin, 2 body skin, 3 hair, 4 clothing, 5 brows,
/// 6 sclera, 7 iris, 8 lips, 9 teeth, 10 worn), softened by about a pixel.
pub fn regions(classes: &Array2<u8>, marks: Marks) -> Regions {
    let (height, width) = classes.dim();
    let soft = |wanted: u8| {
        let map = classes.mapv(|class| if class == wanted { 1.0 } else { 0.0 });
        Matte::exact(gaussian(map.view(), 1.2))
    };
    let kinds = [
        Region::FaceSkin,
        Region::BodySkin,
        Region::Hair,
        Region::Clothing,
        Region::Brows,
        Region::Sclera,
        Region::Iris,
        Region::Lips,
        Region::Teeth,
        Region::Worn,
    ];
    Regions {
        size: Size { width, height },
        marks: Some(marks),
        mattes: kinds
            .into_iter()
            .zip(1..)
            .map(|(region, class)| (region, soft(class)))
            .collect(),
        backdrop: None,
        confidence: 1.0,
        attention: Vec::new(),
    }
}

/// A class map from an 8-bit picture.
pub fn classes(path: &Path) -> Array2<u8> {
    let map = image::open(path).expect("a class map").into_luma8();
    let shape = (map.height() as usize, map.width() as usize);
    Array2::from_shape_vec(shape, map.into_raw()).expect("one value a pixel")
}

/// Intersection over union of a found matte (above a half) with classes of the truth.
pub fn overlap(found: &Matte, truth: &Array2<u8>, wanted: &[u8]) -> f64 {
    let (mut both, mut either) = (0_u64, 0_u64);
    for (&found, class) in found.whole().iter().zip(truth) {
        let (found, truth) = (found > 0.5, wanted.contains(class));
        both += u64::from(found && truth);
        either += u64::from(found || truth);
    }
    both as f64 / either.max(1) as f64
}

/// Planted marks of one kind from a truth file: x, y, radius.
pub fn planted(json: &serde_json::Value, kind: &str) -> Vec<[f64; 3]> {
    let marks = json[kind].as_array().expect("a list");
    let number = |mark: &serde_json::Value, key: &str| mark[key].as_f64().expect("a number");
    marks
        .iter()
        .map(|m| [number(m, "x"), number(m, "y"), number(m, "radius")])
        .collect()
}

/// Whether a healed place is on a planted mark.
pub fn on_mark([x, y, radius]: [f64; 3], (centre, _): &(Point, f32)) -> bool {
    (f64::from(centre.x) - x).hypot(f64::from(centre.y) - y) < (1.5 * radius).max(6.0)
}

/// A folder of the open material beside the checkout; `None`, with a word, where it is absent.
pub fn material(name: &str) -> Option<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../shared")
        .join(name);
    if !folder.is_dir() {
        eprintln!("skipped: {} is not beside this checkout", folder.display());
        return None;
    }
    Some(folder)
}

/// The grey wall up to its last retouching step, uncropped; for a finished picture only the steps
/// from the first retouching one on.
fn retouching(finished: bool) -> Recipe {
    let text = include_str!("../../recipes/grey_wall.ron");
    let mut notes = Diagnostics::default();
    let mut recipe = Recipe::read(
        "grey_wall.ron",
        text,
        &|_: &str| Err(String::new()),
        &mut notes,
    )
    .unwrap_or_else(|| panic!("{notes}"));
    let last = recipe
        .steps
        .iter()
        .rposition(|step| matches!(step.operation, Operation::ContrastSculpting(_)));
    recipe
        .steps
        .truncate(last.expect("the grey wall sculpts") + 1);
    let first = recipe
        .steps
        .iter()
        .position(|step| matches!(step.operation, Operation::Heal(_)));
    if finished {
        recipe.steps.drain(..first.expect("the grey wall heals"));
    }
    recipe
        .steps
        .retain(|step| !step.operation.is_crop() && step.operation.name() != "LocalContrast");
    recipe
}

/// A raw frame through the grey wall up to Heal, uncropped.
pub fn healed(path: &Path) -> Finished {
    let bytes = std::fs::read(path).expect("a frame");
    let name = path.file_name().expect("a file").to_string_lossy();
    let frame = raw::read(&bytes, &name, &Limits::default()).expect("a sound frame");
    let mut recipe = retouching(false);
    let heal = recipe
        .steps
        .iter()
        .position(|step| matches!(step.operation, Operation::Heal(_)));
    recipe
        .steps
        .truncate(heal.expect("the grey wall heals") + 1);
    let go_on = |_: Option<&_>, _: &mut _| ControlFlow::Continue(());
    engine::render(&frame, &recipe, &Set::default(), Fineness::Full, go_on).expect("renders")
}

/// A frame before and after the house's retouching.
pub struct Retouched {
    /// Just before the first retouching step.
    pub before: Oklab,
    /// After the last one, with what the engine found and noted.
    pub finished: Finished,
}

/// Renders a raw frame, or a finished picture, through the house's retouching.
pub fn retouched(path: &Path) -> Retouched {
    let bytes = std::fs::read(path).expect("a frame");
    let name = path.file_name().expect("a file").to_string_lossy();
    let frame = raw::read(&bytes, &name, &Limits::default()).expect("a sound frame");
    let recipe = retouching(matches!(frame, Frame::Finished(_)));
    let (mut before, mut latest) = (None, None);
    let finished = engine::render(
        &frame,
        &recipe,
        &Set::default(),
        Fineness::Full,
        |step, canvas| {
            if step.is_some_and(|step| matches!(step.operation, Operation::Heal(_))) {
                before = latest.take();
            } else if before.is_none() {
                latest = Some(canvas.oklab().clone());
            }
            ControlFlow::Continue(())
        },
    );
    Retouched {
        before: before.expect("the recipe heals"),
        finished: finished.expect("renders"),
    }
}
