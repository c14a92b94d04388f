//! Raws taken again with a change: the rendered frames are linear light, so more or other light, a
//! blur, another distance or place are changed exactly, and can be written as files.
#![allow(dead_code)] // Each file of tests uses its own part.

use lapel::picture::{Linear, Ratio, Rect};
use lapel::raw::{Frame, Samples, SensorFrame};
use lapel::recipe::{Diagnostics, Recipe};
use lapel::sensor::{self, Balance, Development};
use ndarray::Array2;

use crate::support::frame;

/// A shipped raw, decoded.
pub fn raw(id: &str) -> SensorFrame {
    match frame(id) {
        Frame::Sensor(sensor) => sensor,
        Frame::Finished(_) => panic!("{id} is a raw"),
    }
}

/// Light above black times a factor per site, cut at white: what more or other light would have given.
pub fn relit(frame: &SensorFrame, factor: impl Fn(usize, usize, usize) -> f32) -> SensorFrame {
    let (height, width) = frame.samples.dim();
    let samples = Array2::from_shape_fn((height, width), |(y, x)| {
        let black = frame.black_at(y, x);
        let light = frame.samples.at(y, x) - black;
        let white = frame.white_at(y, x);
        (black + light * factor(y, x, frame.colour_at(y, x))).min(white)
    });
    SensorFrame {
        samples: Samples::Float(samples),
        ..frame.clone()
    }
}

/// The mosaic of camera light that was changed as planes.
pub fn redrawn(frame: &SensorFrame, change: impl Fn(&Array2<f32>) -> Array2<f32>) -> SensorFrame {
    let Linear { planes } =
        sensor::demosaic(frame, frame.crop, [1.0; 3], Ratio(0.0), None).expect("a sound frame");
    let planes = planes.each_ref().map(change);
    let samples = Array2::from_shape_fn(planes[0].dim(), |(y, x)| {
        let colour = frame.colour_at(frame.crop.top + y, frame.crop.left + x);
        planes[colour][[y, x]]
    });
    assert_eq!((frame.crop.left % 2, frame.crop.top % 2), (0, 0));
    let size = frame.crop.size();
    SensorFrame {
        samples: Samples::Float(samples),
        black: Array2::zeros((1, 1)),
        white: [1.0; 3],
        crop: Rect::whole(size),
        ..frame.clone()
    }
}

/// `plane` at `scale` about its middle, then moved down by `down` pixels; edges go on.
pub fn moved(plane: &Array2<f32>, scale: f32, down: f32) -> Array2<f32> {
    let (height, width) = plane.dim();
    let (cy, cx) = (0.5 * height as f32, 0.5 * width as f32);
    let at = |v: f32, end: usize| {
        let v = (v - 0.5).clamp(0.0, end as f32 - 1.001);
        (v as usize, v.fract())
    };
    Array2::from_shape_fn((height, width), |(y, x)| {
        let (y, fy) = at(cy + (y as f32 + 0.5 - down - cy) / scale, height);
        let (x, fx) = at(cx + (x as f32 + 0.5 - cx) / scale, width);
        let row = |y: usize| plane[[y, x]] * (1.0 - fx) + plane[[y, x + 1]] * fx;
        row(y) * (1.0 - fy) + row(y + 1) * fy
    })
}

/// Factors on the sites by which a light of other kelvin differs from that of the set (5503 K).
pub fn coloured(frame: &SensorFrame, kelvin: f32) -> [f32; 3] {
    let gains = |kelvin: f32| {
        let how = Development {
            balance: Balance::Temperature { kelvin, tint: 0.0 },
            ..Development::default()
        };
        sensor::colours(frame, &how).expect("a known camera").gains
    };
    let (set, other) = (gains(5503.0), gains(5503.0 + kelvin));
    [0, 1, 2].map(|c| set[c] / other[c])
}

/// A recipe of these steps.
pub fn recipe(steps: &str) -> Recipe {
    let text = format!("Recipe(format: 1, name: \"test\", steps: [{steps}])");
    let none = |_: &str| Err("nothing".to_owned());
    Recipe::read("test.ron", &text, &none, &mut Diagnostics::default()).expect("a sound recipe")
}

/// The frame as a DNG 1.4 file: one uncompressed strip of 16-bit sites, black 512, white 65535. Tags by
/// Adobe's DNG specification 1.4 and TIFF 6.0.
pub fn dng(frame: &SensorFrame) -> Vec<u8> {
    const BLACK: f32 = 512.0;
    const WHITE: f32 = 65535.0;
    let crop = frame.crop;
    assert_eq!((crop.left % 2, crop.top % 2), (0, 0));
    let mut sites = Vec::with_capacity(2 * crop.width * crop.height);
    for y in crop.top..crop.top + crop.height {
        for x in crop.left..crop.left + crop.width {
            let black = frame.black_at(y, x);
            let share = (frame.samples.at(y, x) - black) / (frame.white_at(y, x) - black);
            let value = (BLACK + share * (WHITE - BLACK)).round().clamp(0.0, WHITE);
            sites.extend((value as u16).to_le_bytes());
        }
    }
    let long = |values: &[u32]| values.iter().flat_map(|v| v.to_le_bytes()).collect();
    let short = |values: &[u16]| values.iter().flat_map(|v| v.to_le_bytes()).collect();
    let ratio = |values: &[f32]| -> Vec<u8> {
        let parts = values.iter().map(|v| (v * 1e6).round() as i32);
        let pairs = parts.flat_map(|v| [v.to_le_bytes(), 1_000_000_i32.to_le_bytes()]);
        pairs.flatten().collect()
    };
    let matrix = |index: usize| -> Vec<f32> {
        let matrix: &lapel::raw::CameraMatrix = &frame.matrices[index];
        matrix.xyz_to_camera.iter().flatten().copied().collect()
    };
    let gains = frame.balance.expect("the sample frames tell one");
    let (width, height) = (crop.width as u32, crop.height as u32);
    let colours = [(0, 0), (0, 1), (1, 0), (1, 1)]
        .map(|(y, x)| frame.colour_at(crop.top + y, crop.left + x) as u8);
    // Tag, type (1 byte, 2 ASCII, 3 short, 4 long, 5 and 10 ratios without and with sign), bytes.
    let fields: [(u16, u16, Vec<u8>); 22] = [
        (254, 4, long(&[0])),
        (256, 4, long(&[width])),
        (257, 4, long(&[height])),
        (258, 3, short(&[16])),
        (259, 3, short(&[1])),
        (262, 3, short(&[32803])),
        (273, 4, long(&[0])), // Filled in below.
        (274, 3, short(&[frame.orientation.0.into()])),
        (277, 3, short(&[1])),
        (278, 4, long(&[height])),
        (279, 4, long(&[sites.len() as u32])),
        (33421, 3, short(&[2, 2])),
        (33422, 1, colours.to_vec()),
        (50706, 1, vec![1, 4, 0, 0]),
        (50708, 2, b"Rendered\0".to_vec()),
        (50714, 3, short(&[BLACK as u16])),
        (50717, 4, long(&[WHITE as u32])),
        (50721, 10, ratio(&matrix(0))),
        (50722, 10, ratio(&matrix(1))),
        (50728, 5, ratio(&gains.map(|gain| 1.0 / gain))),
        (50778, 3, short(&[frame.matrices[0].illuminant])),
        (50779, 3, short(&[frame.matrices[1].illuminant])),
    ];
    let mut file = b"II*\0\x08\0\0\0".to_vec();
    file.extend((fields.len() as u16).to_le_bytes());
    let mut beyond = Vec::new();
    let after = 8 + 2 + 12 * fields.len() + 4;
    // Values that do not fit into a field lie behind the directory, and behind them the sites.
    let room: usize = fields
        .iter()
        .map(|(.., bytes)| bytes.len() + bytes.len() % 2)
        .sum();
    for (tag, kind, mut bytes) in fields {
        let each = [0, 1, 1, 2, 4, 8, 0, 0, 0, 0, 8][usize::from(kind)];
        let count = (bytes.len() / each) as u32;
        if tag == 273 {
            bytes = ((after + room) as u32).to_le_bytes().to_vec();
        }
        if bytes.len() > 4 {
            let at = (after + beyond.len()) as u32;
            bytes.resize(bytes.len() + bytes.len() % 2, 0);
            beyond.extend(&bytes);
            bytes = at.to_le_bytes().to_vec();
        }
        bytes.resize(4, 0);
        file.extend(tag.to_le_bytes());
        file.extend(kind.to_le_bytes());
        file.extend(count.to_le_bytes());
        file.extend(bytes);
    }
    file.extend([0; 4]);
    beyond.resize(room, 0);
    file.extend(beyond);
    file.extend(sites);
    file
}
