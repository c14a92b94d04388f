//! Sheets for `preview`: pictures side by side with a word under each, and the map of regions.
//!
//! Pictures for people's eyes only: sRGB, 8 bit, on a dark neutral ground so that a bright wall and
//! a dark wall both show their edge.

use ndarray::ArrayView2;

use crate::colour::output::{Profile, encode_8};
use crate::picture::{Linear, Point, Rect, Size, linear_from_oklab};
use crate::regions::{Region, Regions};

use super::contact_sheet::draw_text;

/// Ground of a sheet: sRGB code, darker than mid grey.
const GROUND: [u8; 3] = [43, 43, 43];
/// Colour of words on the ground.
const INK: [u8; 3] = [222, 222, 222];
/// Pixels between tiles and around the sheet.
const GAP: usize = 16;
/// Height of the line of words under a tile, in pixels.
const LINE: usize = 30;
/// Height of the letters, in pixels.
const LETTERS: f32 = 18.0;

/// An interleaved 8-bit sRGB picture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sheet {
    /// Pixels.
    pub size: Size,
    /// Red, green, blue; row by row.
    pub pixels: Vec<u8>,
}

impl Sheet {
    /// A sheet of the ground's colour.
    fn blank(size: Size) -> Self {
        Self {
            size,
            pixels: GROUND.repeat(size.width * size.height),
        }
    }

    /// A display-linear picture as sRGB.
    pub fn of(picture: &Linear) -> Self {
        Self {
            size: picture.size(),
            pixels: encode_8(picture, Profile::Srgb),
        }
    }

    fn paste(&mut self, other: &Self, left: usize, top: usize) {
        let row = other.size.width * 3;
        for (y, source) in other.pixels.chunks_exact(row).enumerate() {
            let start = ((top + y) * self.size.width + left) * 3;
            self.pixels[start..start + row].copy_from_slice(source);
        }
    }

    fn write(&mut self, text: &str, left: usize, top: usize) {
        draw_text(
            &mut self.pixels,
            self.size,
            left as f32,
            top as f32,
            LETTERS,
            text,
            INK,
        );
    }

    fn dot(&mut self, x: usize, y: usize, colour: [u8; 3]) {
        if x < self.size.width && y < self.size.height {
            let start = (y * self.size.width + x) * 3;
            self.pixels[start..start + 3].copy_from_slice(&colour);
        }
    }
}

/// Tiles of one size in rows of at most `columns`, each with its words below.
///
/// # Panics
/// When the tiles differ in size; the caller renders them from one crop.
pub fn side_by_side(tiles: &[(Sheet, String)], columns: usize) -> Sheet {
    let Some((first, _)) = tiles.first() else {
        return Sheet::blank(Size {
            width: 1,
            height: 1,
        });
    };
    let tile = first.size;
    let columns = columns.clamp(1, tiles.len());
    let rows = tiles.len().div_ceil(columns);
    let mut sheet = Sheet::blank(Size {
        width: GAP + columns * (tile.width + GAP),
        height: GAP + rows * (tile.height + LINE + GAP),
    });
    for (index, (picture, words)) in tiles.iter().enumerate() {
        assert_eq!(picture.size, tile, "tiles come from one crop");
        let left = GAP + index % columns * (tile.width + GAP);
        let top = GAP + index / columns * (tile.height + LINE + GAP);
        sheet.paste(picture, left, top);
        sheet.write(words, left, top + tile.height + 6);
    }
    sheet
}

/// Rings round places, each with its number beside it, counted from 1: centre and radius in pixels of
/// the sheet.
pub fn numbered(sheet: &mut Sheet, places: &[(Point, f32)]) {
    for (number, (centre, radius)) in (1..).zip(places) {
        // Well clear of what it shows, and twice as thick as a pixel.
        let radius = radius + 4.0;
        for wider in [0.0, 0.7] {
            ring(sheet, centre.x, centre.y, radius + wider);
        }
        let beside = (centre.x + 0.75 * radius + 3.0).max(0.0) as usize;
        let above = (centre.y - 0.75 * radius - LETTERS).max(0.0) as usize;
        sheet.write(&number.to_string(), beside, above);
    }
}

/// The difference that [`difference`] shows as white. Five is a difference that nobody overlooks
/// side by side; common practice, no source.
pub const WHITE_DIFFERENCE: f32 = 5.0;

/// A map of differences (0 and more) in grey.
pub fn difference(map: ArrayView2<'_, f32>) -> Sheet {
    let (height, width) = map.dim();
    let grey = |value: &f32| [(value / WHITE_DIFFERENCE * 255.0 + 0.5) as u8; 3];
    Sheet {
        size: Size { width, height },
        pixels: map.iter().flat_map(grey).collect(),
    }
}

/// What was found: each part tinted in a hue of its own over the greyed picture, landmarks as
/// rings, the crop as a dashed frame, and a legend with each part's share of the picture.
pub fn regions_map(picture: &Linear, regions: &Regions, crop: Rect) -> Sheet {
    let parts: Vec<(Region, [f32; 3])> = PARTS.iter().map(|&part| (part, tint(part))).collect();
    let size = picture.size();
    let mut tinted = Linear::zeros(size);
    let mut share = vec![0.0; size.width];
    for y in 0..size.height {
        let mut row: Vec<[f32; 3]> = (0..size.width)
            .map(|x| {
                let grey = crate::picture::luminance(picture.at(y, x)).clamp(0.0, 1.0) * 0.6;
                [grey; 3]
            })
            .collect();
        for (part, colour) in &parts {
            let Some((_, matte)) = regions.mattes.iter().find(|(region, _)| region == part) else {
                continue;
            };
            matte.fill_row(y, &mut share);
            for (pixel, &inside) in row.iter_mut().zip(&share) {
                // The greyed picture shines through, so that edges can be judged.
                let cover = 0.55 * inside;
                for (value, tint) in pixel.iter_mut().zip(colour) {
                    *value += cover * (tint * (0.35 + *value) - *value);
                }
            }
        }
        for (x, pixel) in row.iter().enumerate() {
            for (plane, &value) in tinted.planes.iter_mut().zip(pixel) {
                plane[[y, x]] = value;
            }
        }
    }
    let mut map = Sheet::of(&tinted);
    dashes(&mut map, crop);
    if let Some(marks) = &regions.marks {
        let radius = marks.scale().0 * 0.03;
        let corners = marks
            .eye_corners
            .iter()
            .chain(&marks.mouth)
            .chain([&marks.chin, &marks.crown]);
        for point in corners {
            ring(&mut map, point.x, point.y, radius);
        }
        for (eye, iris) in marks.eyes.iter().zip(marks.iris_radius) {
            ring(&mut map, eye.x, eye.y, iris);
        }
    }
    with_legend(&map, regions, &parts)
}

/// The parts that are drawn, each in its tint.
const PARTS: [Region; 10] = [
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
];

/// Hues evenly apart at one lightness, neighbours in the list far from each other on the circle.
fn tint(part: Region) -> [f32; 3] {
    let place = PARTS.iter().position(|&other| other == part).unwrap_or(0);
    // Three tenths of a turn a step visits all ten hues before it comes back.
    let turn = (place * 3 % 10) as f32 / 10.0 * std::f32::consts::TAU;
    let (chroma, light) = (0.14, 0.82);
    linear_from_oklab([light, chroma * libm::cosf(turn), chroma * libm::sinf(turn)])
}

fn ring(sheet: &mut Sheet, x: f32, y: f32, radius: f32) {
    let radius = radius.max(2.0);
    let steps = (radius * 8.0) as usize;
    for step in 0..steps {
        let turn = step as f32 / steps as f32 * std::f32::consts::TAU;
        let (across, down) = (x + radius * libm::cosf(turn), y + radius * libm::sinf(turn));
        if across >= 0.0 && down >= 0.0 {
            sheet.dot(across as usize, down as usize, [255, 255, 255]);
        }
    }
}

fn dashes(sheet: &mut Sheet, rect: Rect) {
    let (right, bottom) = (rect.left + rect.width - 1, rect.top + rect.height - 1);
    let colour = |step: usize| {
        if (step / 8).is_multiple_of(2) {
            [255; 3]
        } else {
            [0; 3]
        }
    };
    for x in rect.left..=right {
        sheet.dot(x, rect.top, colour(x));
        sheet.dot(x, bottom, colour(x));
    }
    for y in rect.top..=bottom {
        sheet.dot(rect.left, y, colour(y));
        sheet.dot(right, y, colour(y));
    }
}

fn with_legend(map: &Sheet, regions: &Regions, parts: &[(Region, [f32; 3])]) -> Sheet {
    let rows = parts.len().div_ceil(2) + 1;
    let mut sheet = Sheet::blank(Size {
        width: map.size.width + 2 * GAP,
        height: map.size.height + 2 * GAP + rows * LINE,
    });
    sheet.paste(map, GAP, GAP);
    let column = map.size.width / 2;
    for (index, (part, colour)) in parts.iter().enumerate() {
        let left = GAP + index % 2 * column;
        let top = GAP + map.size.height + 8 + index / 2 * LINE;
        let swatch = Sheet::of(&Linear::filled(
            Size {
                width: 22,
                height: 18,
            },
            *colour,
        ));
        sheet.paste(&swatch, left, top);
        let found = regions.mattes.iter().find(|(region, _)| region == part);
        let share = found.map_or(0.0, |(_, matte)| matte.area_share()) * 100.0;
        sheet.write(&format!("{} {share:.2} %", part.name()), left + 30, top);
    }
    let top = GAP + map.size.height + 8 + (rows - 1) * LINE;
    let mut words = format!("confidence {:.2}", regions.confidence);
    for reason in &regions.attention {
        words += &format!("; {reason}");
    }
    sheet.write(&words, GAP, top);
    sheet
}
