//! Finds the regions of a developed float picture (temporary).
#![allow(clippy::print_stdout, clippy::print_stderr)]
use lapel::picture::{Linear, Size};
use lapel::regions::{self, Region};

fn read(path: &str) -> Linear {
    let name = std::path::Path::new(path)
        .file_name()
        .unwrap()
        .to_str()
        .unwrap();
    let dims = name.split('.').nth(1).unwrap();
    let (w, h) = dims.split_once('x').unwrap();
    let (w, h): (usize, usize) = (w.parse().unwrap(), h.parse().unwrap());
    let bytes = std::fs::read(path).unwrap();
    let v: Vec<f32> = bytes
        .chunks_exact(4)
        .map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]]))
        .collect();
    let mut out = Linear::zeros(Size {
        width: w,
        height: h,
    });
    for y in 0..h {
        for x in 0..w {
            for c in 0..3 {
                out.planes[c][[y, x]] = v[(y * w + x) * 3 + c];
            }
        }
    }
    out
}

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let picture = read(&args[1]);
    let set = args.get(3).map(|p| read(p));
    let start = std::time::Instant::now();
    let found = regions::find(&picture, set.as_ref());
    eprintln!(
        "{} {:.2} s confidence {:.2} {:?}",
        args[1],
        start.elapsed().as_secs_f32(),
        found.confidence,
        found.attention
    );
    let dir = std::path::Path::new(&args[2]);
    std::fs::create_dir_all(dir).unwrap();
    for region in [
        Region::Person,
        Region::FaceSkin,
        Region::BodySkin,
        Region::Hair,
        Region::Clothing,
        Region::Worn,
        Region::Brows,
        Region::Sclera,
        Region::Iris,
        Region::Lips,
        Region::Teeth,
    ] {
        let m = found.matte(&[region], &[]).whole();
        let (h, w) = m.dim();
        let mut name = String::new();
        for (i, c) in region.name().chars().enumerate() {
            if c.is_uppercase() && i > 0 {
                name.push('_');
            }
            name.push(c.to_ascii_lowercase());
        }
        let data: Vec<u16> = m
            .iter()
            .map(|v| (v.clamp(0.0, 1.0) * 65535.0 + 0.5) as u16)
            .collect();
        image::ImageBuffer::<image::Luma<u16>, _>::from_raw(w as u32, h as u32, data)
            .unwrap()
            .save(dir.join(format!("{name}.png")))
            .unwrap();
    }
    if let Some(b) = &found.backdrop {
        for (c, s) in b.surface.iter().enumerate() {
            let bytes: Vec<u8> = s.map.iter().flat_map(|v| v.to_le_bytes()).collect();
            std::fs::write(dir.join(format!("backdrop{c}.f32")), bytes).unwrap();
        }
    }
    if let Some(m) = &found.marks {
        let p = |p: lapel::picture::Point| serde_json::json!([p.x, p.y]);
        let e = m.eye_corners;
        let j = serde_json::json!({
            "eye_centre": {"left_of_sitter": p(m.eyes[1]), "right_of_sitter": p(m.eyes[0])},
            "eye_span": m.scale().0,
            "eye_corners": {"left_of_sitter": {"image_left": p(e[2]), "image_right": p(e[3])}, "right_of_sitter": {"image_left": p(e[0]), "image_right": p(e[1])}},
            "mouth_corners": {"image_left": p(m.mouth[0]), "image_right": p(m.mouth[1])},
            "chin": p(m.chin), "crown": p(m.crown), "iris_radius": m.iris_radius, "turn": m.turn, "tilt": m.tilt, "openness": m.openness
        });
        std::fs::write(
            dir.join("marks.json"),
            serde_json::to_string_pretty(&j).unwrap(),
        )
        .unwrap();
    }
}
