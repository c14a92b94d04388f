//! The contact sheet: every finished frame with the person's name under it, and text on pictures.
//!
//! Plain and neutral, so that the eye compares faces and walls and nothing else: equal cells, the
//! pictures standing on one line, a light grey ground. Letters are DejaVu Sans (`font/LICENSE`),
//! which has Latin, Greek and Cyrillic; a letter that it lacks shows as its empty box. Text runs
//! from left to right, without joining letters. Values are sRGB codes.

use std::sync::LazyLock;

use ab_glyph::{Font, FontRef, Glyph, PxScale, ScaleFont, point};

use crate::picture::Size;

/// Ground and letters: light grey (about L* 90) and near black. Common practice, no source.
const GROUND: [u8; 3] = [226, 226, 226];
const INK: [u8; 3] = [40, 40, 40];
/// Between cells and around the sheet, in pixels.
const GAP: usize = 20;

static FONT: LazyLock<FontRef<'static>> = LazyLock::new(|| {
    FontRef::try_from_slice(include_bytes!("font/DejaVuSans.ttf"))
        .expect("the font inside of the program is whole")
});

/// One finished frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tile {
    /// Whom it shows.
    pub name: String,
    /// Interleaved 8-bit sRGB.
    pub pixels: Vec<u8>,
    /// Its width and height.
    pub size: Size,
}

/// A sheet that tiles are laid on one after the other, so that no two are held at once.
#[derive(Debug, Clone)]
pub struct ContactSheet {
    pixels: Vec<u8>,
    size: Size,
    /// Room for a picture.
    cell: Size,
    columns: usize,
    /// Height of the letters, and of the line that holds a name.
    letters: f32,
    line: usize,
    laid: usize,
}

impl ContactSheet {
    /// An empty sheet for so many tiles of at most the size `cell`, in rows of `columns`; for none it
    /// has one empty cell.
    pub fn new(tiles: usize, columns: usize, cell: Size) -> Self {
        let columns = columns.clamp(1, tiles.max(1));
        let rows = tiles.div_ceil(columns).max(1);
        // Letters about a twentieth of a tile's width: readable where the face is.
        let letters = (cell.width as f32 / 20.0).clamp(11.0, 28.0);
        let line = (letters * 1.8) as usize;
        let size = Size {
            width: GAP + columns * (cell.width + GAP),
            height: GAP + rows * (cell.height + line + GAP),
        };
        Self {
            pixels: GROUND.repeat(size.width * size.height),
            size,
            cell,
            columns,
            letters,
            line,
            laid: 0,
        }
    }

    /// Lays the next tile; what is larger than a cell is cut at its right and at its foot.
    pub fn lay(&mut self, tile: &Tile) {
        let (row, column) = (self.laid / self.columns, self.laid % self.columns);
        self.laid += 1;
        let left = GAP + column * (self.cell.width + GAP);
        let top = GAP + row * (self.cell.height + self.line + GAP);
        let shown = Size {
            width: tile.size.width.min(self.cell.width),
            height: tile.size.height.min(self.cell.height),
        };
        let x = left + (self.cell.width - shown.width) / 2;
        let y = top + self.cell.height - shown.height;
        let lines = tile.pixels.chunks_exact((tile.size.width * 3).max(1));
        for (i, from) in lines.take(shown.height).enumerate() {
            let start = ((y + i) * self.size.width + x) * 3;
            let to = self.pixels.get_mut(start..start + shown.width * 3);
            if let Some(to) = to {
                to.copy_from_slice(&from[..shown.width * 3]);
            }
        }
        let width = self.cell.width as f32;
        let name = shortened(&tile.name, self.letters, width);
        let x = left as f32 + 0.5 * (width - text_width(&name, self.letters));
        let y = (top + self.cell.height) as f32 + 0.35 * self.letters;
        draw_text(&mut self.pixels, self.size, x, y, self.letters, &name, INK);
    }

    /// Interleaved 8-bit sRGB.
    pub fn finish(self) -> (Vec<u8>, Size) {
        (self.pixels, self.size)
    }
}

/// Glyphs of a line of text from x = 0 on, with its width.
fn glyphs(text: &str, px: f32) -> (Vec<Glyph>, f32) {
    let font = FONT.as_scaled(PxScale::from(px));
    let (mut x, mut before, mut glyphs) = (0.0, None, Vec::new());
    for c in text.chars().filter(|c| !c.is_control()) {
        let id = font.glyph_id(c);
        if let Some(before) = before.replace(id) {
            x += font.kern(before, id);
        }
        glyphs.push(id.with_scale_and_position(px, point(x, font.ascent())));
        x += font.h_advance(id);
    }
    (glyphs, x)
}

/// Width of a line of text in pixels.
pub fn text_width(text: &str, px: f32) -> f32 {
    glyphs(text, px).1
}

/// The text, or as much of it as fits into `width` pixels with an ellipsis.
pub fn shortened(text: &str, px: f32, width: f32) -> String {
    // More than this fits nowhere; it bounds the work on a hostile name.
    let text: String = text.chars().take(300).collect();
    if text_width(&text, px) <= width {
        return text;
    }
    let mut kept = text;
    while kept.pop().is_some() {
        let short = format!("{}\u{2026}", kept.trim_end());
        if text_width(&short, px) <= width {
            return short;
        }
    }
    String::new()
}

/// Draws a line of text into interleaved 8-bit pixels, `px` pixels from ascender to descender, its
/// top left corner at (`x`, `y`). What falls outside of the picture is left out.
pub fn draw_text(
    pixels: &mut [u8],
    size: Size,
    x: f32,
    y: f32,
    px: f32,
    text: &str,
    colour: [u8; 3],
) {
    let (left, top) = (x.round() as i64, y.round() as i64);
    for glyph in glyphs(text, px).0 {
        let Some(outline) = FONT.outline_glyph(glyph) else {
            continue;
        };
        let corner = outline.px_bounds().min;
        let left = left.saturating_add(corner.x as i64);
        let top = top.saturating_add(corner.y as i64);
        outline.draw(|gx, gy, cover| {
            let inside = |first: i64, further: u32, side: usize| {
                let place = usize::try_from(first.saturating_add(i64::from(further))).ok()?;
                (place < side).then_some(place)
            };
            let (Some(x), Some(y)) = (inside(left, gx, size.width), inside(top, gy, size.height))
            else {
                return;
            };
            let start = (y * size.width + x) * 3;
            let Some(place) = pixels.get_mut(start..start + 3) else {
                return;
            };
            let cover = cover.clamp(0.0, 1.0);
            for (value, ink) in place.iter_mut().zip(colour) {
                let mixed = f32::from(*value) * (1.0 - cover) + f32::from(ink) * cover;
                *value = mixed.round() as u8;
            }
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CELL: Size = Size {
        width: 100,
        height: 100,
    };

    fn tile(name: &str, width: usize, height: usize) -> Tile {
        let pixels = [90, 120, 150].repeat(width * height);
        Tile {
            name: name.into(),
            pixels,
            size: Size { width, height },
        }
    }

    #[test]
    fn every_tile_and_name_is_on_the_sheet() {
        let tiles = [
            tile("Ada", 80, 100),
            tile("Zoë Łuczak", 100, 80),
            tile("李", 100, 100),
        ];
        let laid = || {
            let mut sheet = ContactSheet::new(tiles.len(), 2, CELL);
            tiles.iter().for_each(|tile| sheet.lay(tile));
            sheet.finish()
        };
        let (sheet, size) = laid();
        assert_eq!(sheet.len(), size.width * size.height * 3);
        assert_eq!(size.width, 3 * GAP + 2 * 100);
        let count = |colour: [u8; 3]| sheet.chunks_exact(3).filter(|p| *p == colour).count();
        assert_eq!(count([90, 120, 150]), 80 * 100 + 100 * 80 + 100 * 100);
        // Letters of eleven pixels have few places of full ink.
        let dark = |p: &&[u8]| p.iter().all(|&v| v < 130) && p[0] == p[2];
        let letters = sheet.chunks_exact(3).filter(dark).count();
        assert!(letters > 60, "{letters} dark pixels");
        assert_eq!(laid(), (sheet, size));
    }

    #[test]
    fn long_names_end_with_an_ellipsis_and_fit() {
        let name = "Maximiliane-Charlotte von und zu Hohenfels-Wolkenstein";
        let short = shortened(name, 14.0, 120.0);
        assert!(
            short.ends_with('\u{2026}') && short.chars().count() > 5,
            "{short}"
        );
        assert!(text_width(&short, 14.0) <= 120.0);
        assert_eq!(shortened("Ada", 14.0, 120.0), "Ada");
        assert_eq!(shortened(name, 14.0, 1.0), "");
    }

    #[test]
    fn no_tiles_and_text_beyond_the_edges_do_no_harm() {
        let (sheet, size) = ContactSheet::new(0, 0, CELL).finish();
        assert_eq!(sheet.len(), size.width * size.height * 3);
        // One tile more than was said, and one larger than its cell.
        let mut sheet = ContactSheet::new(1, 1, CELL);
        sheet.lay(&tile("Large", 300, 300));
        sheet.lay(&tile("Late", 100, 100));
        let (sheet, _) = sheet.finish();
        let shown = sheet.chunks_exact(3).filter(|p| *p == [90, 120, 150]);
        assert_eq!(shown.count(), 100 * 100);
        let size = Size {
            width: 8,
            height: 8,
        };
        let mut pixels = vec![255; 8 * 8 * 3];
        draw_text(
            &mut pixels,
            size,
            -5.0,
            -3.0,
            20.0,
            "Wide \u{0}\u{10ffff}",
            [0; 3],
        );
        draw_text(&mut pixels, size, 1e9, f32::NAN, 20.0, "gone", [0; 3]);
        assert!(pixels.iter().any(|&v| v < 255));
    }
}
