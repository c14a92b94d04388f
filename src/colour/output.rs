//! From the working space to the numbers of a delivered file, and the profile that goes with
//! them.
//!
//! One matrix (working space -> output primaries, linear light) -> colours outside of the gamut
//! are brought in -> the output's curve -> dither (8 bits) -> rounding. The matrix and curve are
//! those that a colour management program derives from the embedded profile; a test compares
//! with one.
//!
//! **Gamut.** A colour with a channel outside of 0 to 1 keeps its Oklab hue and lightness
//! (lightness within 0 to 1) and gives up chroma until it fits: the method of W3C CSS Color 4,
//! section 13.2, without its final clip. Colours inside are not touched, and the change grows
//! from nothing at the border, so no edge appears.
//!
//! **Dither.** 8-bit values are rounded with blue-noise thresholds ([`super::dither`]), the same
//! for all three channels, so that a grey stays grey. Values that are whole anyway (black,
//! white) stay.

use moxcms::{
    ColorDateTime, ColorProfile, DataColorSpace, LocalizableString, Matrix3d, ProfileClass,
    ProfileText, RenderingIntent, ToneReprCurve, Xyzd,
};
use serde::{Deserialize, Serialize};

use super::dither;
use super::spaces::{self, Curve, D50, D65, Space};
use crate::picture::matrix::{self, Matrix};
use crate::picture::oklab::{oklab_roots, roots_of_oklab, roots_to_working};
use crate::picture::{Linear, Size, bands};

/// A colour space that files are delivered in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
pub enum Profile {
    /// IEC 61966-2-1. For anything shown on a page; the safe choice.
    #[default]
    #[serde(rename = "sRGB")]
    Srgb,
    /// The wider gamut of current screens.
    #[serde(rename = "DisplayP3")]
    DisplayP3,
    /// IEC 61966-2-5. For print houses that ask for it.
    #[serde(rename = "opRGB")]
    OpRgb,
}

impl Profile {
    /// All of them.
    pub const ALL: [Profile; 3] = [Profile::Srgb, Profile::DisplayP3, Profile::OpRgb];

    /// The space's numbers.
    pub const fn space(self) -> Space {
        match self {
            Profile::Srgb => spaces::SRGB,
            Profile::DisplayP3 => spaces::DISPLAY_P3,
            Profile::OpRgb => spaces::OP_RGB,
        }
    }

    /// The description inside of the ICC profile.
    pub const fn description(self) -> &'static str {
        match self {
            Profile::Srgb => "sRGB IEC61966-2.1",
            Profile::DisplayP3 => "Display P3",
            Profile::OpRgb => "opRGB IEC61966-2-5",
        }
    }

    /// An ICC version 4 display profile (matrix and curve) of this space, to embed in a file.
    /// Always the same bytes.
    pub fn icc(self) -> Vec<u8> {
        let space = self.space();
        let curve = match space.curve {
            Curve::Linear => ToneReprCurve::Lut(Vec::new()),
            // ICC.1:2022, table 70, function type 3.
            Curve::Srgb => ToneReprCurve::Parametric(vec![
                2.4,
                1.0 / 1.055,
                0.055 / 1.055,
                1.0 / 12.92,
                0.040_45,
            ]),
            Curve::Power(exponent) => ToneReprCurve::Parametric(vec![exponent as f32]),
        };
        let colorants = space.to_xyz_d50();
        let column = |i: usize| Xyzd {
            x: colorants[0][i],
            y: colorants[1][i],
            z: colorants[2][i],
        };
        let white = Xyzd {
            x: D50[0],
            y: D50[1],
            z: D50[2],
        };
        let text = |words: &str| {
            let words = words.to_owned();
            Some(ProfileText::Localizable(vec![LocalizableString::new(
                "en".to_owned(),
                "US".to_owned(),
                words,
            )]))
        };
        let mut profile = ColorProfile::default();
        profile.profile_class = ProfileClass::DisplayDevice;
        profile.rendering_intent = RenderingIntent::RelativeColorimetric;
        profile.color_space = DataColorSpace::Rgb;
        profile.pcs = DataColorSpace::Xyz;
        profile.white_point = white;
        profile.media_white_point = Some(white);
        profile.chromatic_adaptation = Some(Matrix3d {
            v: spaces::adaptation(D65, D50),
        });
        profile.red_colorant = column(0);
        profile.green_colorant = column(1);
        profile.blue_colorant = column(2);
        profile.red_trc = Some(curve.clone());
        profile.green_trc = Some(curve.clone());
        profile.blue_trc = Some(curve);
        profile.description = text(self.description());
        profile.copyright = text("CC0");
        // Fixed: no clock in an output. The day is that of the first edition of sRGB.
        profile.creation_date_time = ColorDateTime {
            year: 1999,
            month: 10,
            day_of_the_month: 18,
            hours: 0,
            minutes: 0,
            seconds: 0,
        };
        profile.encode().expect("a profile of constants encodes")
    }
}

/// How far a channel may lie outside of 0 to 1 before its colour counts as out of gamut; it is
/// then cut. A thirtieth of an 8-bit step at black and less at white: not visible, but colours
/// on the border, out by rounding, stay out of the slow path.
const BELOW: f32 = 1e-5;
const ABOVE: f32 = 1e-4;

/// Whether a colour is in the gamut, as far as it matters. NaN is not (and becomes black).
#[inline(always)]
fn fits([r, g, b]: [f32; 3]) -> bool {
    // Without shortcuts, which would be branches.
    (r >= -BELOW)
        & (g >= -BELOW)
        & (b >= -BELOW)
        & (r <= 1.0 + ABOVE)
        & (g <= 1.0 + ABOVE)
        & (b <= 1.0 + ABOVE)
}

/// Halvings of the chroma interval: 2^-18 of it is well under a 16-bit step.
const HALVINGS: usize = 18;

/// One row on its way: three channels of linear light in the output's primaries.
struct Row {
    channels: [Vec<f32>; 3],
    outside: Vec<usize>,
}

impl Row {
    fn new(width: usize) -> Self {
        Self {
            channels: [(); 3].map(|()| vec![0.0; width]),
            outside: Vec::new(),
        }
    }
}

/// Matrices of one output.
struct Way {
    from_working: [[f32; 3]; 3],
    to_working: [[f32; 3]; 3],
    curve: Curve,
}

impl Way {
    fn new(profile: Profile) -> Self {
        let space = profile.space();
        let from_working: Matrix = space.from_working();
        Self {
            from_working: matrix::to_f32(from_working),
            to_working: matrix::to_f32(matrix::invert(from_working)),
            curve: space.curve,
        }
    }

    /// Fills `row` with encoded values, 0 to 1, of row `y` of the picture.
    fn encode(&self, picture: &Linear, y: usize, row: &mut Row) {
        let source = picture.planes.each_ref().map(|plane| {
            let width = plane.ncols();
            &plane.as_slice().expect("planes are contiguous")[y * width..(y + 1) * width]
        });
        let [r, g, b] = &mut row.channels;
        let m = self.from_working;
        let misfits = bands::vectorised(
            #[inline(always)]
            move || {
                let mut misfits = 0_u32;
                let light = source[0].iter().zip(source[1]).zip(source[2]);
                let row = r.iter_mut().zip(g).zip(b);
                for (((r, g), b), ((&red, &green), &blue)) in row.zip(light) {
                    let out = matrix::apply_f32(&m, [red, green, blue]);
                    [*r, *g, *b] = out;
                    misfits = misfits.wrapping_add(u32::from(!fits(out)));
                }
                misfits
            },
        );
        if misfits > 0 {
            self.bring_in(row);
        }
        for channel in &mut row.channels {
            self.curve.encode_all(channel);
        }
    }

    /// Takes chroma from the colours of a row that lie outside of the gamut.
    fn bring_in(&self, row: &mut Row) {
        let Row {
            channels: [r, g, b],
            outside,
        } = row;
        outside.clear();
        outside.extend((0..r.len()).filter(|&x| !fits([r[x], g[x], b[x]])));
        for group in outside.chunks(LANES) {
            let mut colours = [[0.0_f32; LANES]; 3];
            for (lane, &x) in group.iter().enumerate() {
                for (colour, channel) in colours.iter_mut().zip([&*r, &*g, &*b]) {
                    colour[lane] = channel[x];
                }
            }
            bands::vectorised(
                #[inline(always)]
                || self.reduce_chroma(&mut colours),
            );
            for (lane, &x) in group.iter().enumerate() {
                (r[x], g[x], b[x]) = (colours[0][lane], colours[1][lane], colours[2][lane]);
            }
        }
    }

    /// Of each colour, the largest share of its chroma (hue and lightness kept) that fits.
    #[inline(always)]
    fn reduce_chroma(&self, colours: &mut [[f32; LANES]; 3]) {
        let (to_working, from_working) = (self.to_working, self.from_working);
        let mut lightness = [0.0_f32; LANES];
        let mut slopes = [[0.0_f32; LANES]; 3];
        for (i, lightness) in lightness.iter_mut().enumerate() {
            let rgb = [colours[0][i], colours[1][i], colours[2][i]];
            let (l, roots) = oklab_roots(matrix::apply_f32(&to_working, rgb));
            // Grey of this lightness has three equal roots; chroma moves each in proportion.
            let grey = roots_of_oklab([l, 0.0, 0.0]);
            for (slope, (root, grey)) in slopes.iter_mut().zip(roots.into_iter().zip(grey)) {
                slope[i] = root - grey;
            }
            let l = if l > 0.0 { l } else { 0.0 };
            *lightness = if l < 1.0 { l } else { 1.0 };
        }
        let colour_at = |i: usize, share: f32| {
            let grey = roots_of_oklab([lightness[i], 0.0, 0.0]);
            let roots = [
                grey[0] + share * slopes[0][i],
                grey[1] + share * slopes[1][i],
                grey[2] + share * slopes[2][i],
            ];
            matrix::apply_f32(&from_working, roots_to_working(roots))
        };
        let mut shares = [0.0_f32; LANES];
        let mut step = 0.5_f32;
        for _ in 0..HALVINGS {
            for (i, share) in shares.iter_mut().enumerate() {
                let tried = *share + step;
                *share = if fits(colour_at(i, tried)) {
                    tried
                } else {
                    *share
                };
            }
            step *= 0.5;
        }
        for (i, (&share, &end)) in shares.iter().zip(&lightness).enumerate() {
            // The allowance would leave a trace of chroma in white and black.
            let coloured = (end > 0.0) & (end < 1.0);
            let [r, g, b] = colour_at(i, share);
            let colour = if coloured { [r, g, b] } else { [end; 3] };
            for (channel, value) in colours.iter_mut().zip(colour) {
                channel[i] = value;
            }
        }
    }
}

/// Out-of-gamut colours that are worked on side by side.
const LANES: usize = 32;

/// Rows that are encoded as one piece.
const BAND: usize = 16;

/// What goes into a file of one profile, for pictures that come in strips of rows.
pub struct Encoder {
    way: Way,
}

impl Encoder {
    /// An encoder for one profile.
    pub fn new(profile: Profile) -> Self {
        Self {
            way: Way::new(profile),
        }
    }

    /// Interleaved 8-bit RGB of the rows of `strip`, dithered; its first is row `first` of the picture.
    /// Working space 1.0 is white.
    pub fn eight(&self, strip: &Linear, first: usize, out: &mut [u8]) {
        self.encode(strip, out, |y, [r, g, b], out| {
            let thresholds = dither::row(first + y).iter().cycle();
            let values = r.iter().zip(g).zip(b).zip(thresholds);
            for (pixel, (((r, g), b), threshold)) in out.chunks_exact_mut(3).zip(values) {
                // Within 0 to 255.9999, so the conversion rounds down and nothing is cut.
                pixel[0] = (r * 255.0 + threshold) as u8;
                pixel[1] = (g * 255.0 + threshold) as u8;
                pixel[2] = (b * 255.0 + threshold) as u8;
            }
        });
    }

    /// Interleaved 16-bit RGB of the rows of `strip`, rounded. Working space 1.0 is white.
    pub fn sixteen(&self, strip: &Linear, out: &mut [u16]) {
        self.encode(strip, out, |_, [r, g, b], out| {
            let values = r.iter().zip(g).zip(b);
            for (pixel, ((r, g), b)) in out.chunks_exact_mut(3).zip(values) {
                pixel[0] = (r * 65_535.0 + 0.5) as u16;
                pixel[1] = (g * 65_535.0 + 0.5) as u16;
                pixel[2] = (b * 65_535.0 + 0.5) as u16;
            }
        });
    }

    /// Encodes all rows and hands each with its number and output pixels to `store`.
    fn encode<T>(
        &self,
        strip: &Linear,
        out: &mut [T],
        store: impl Fn(usize, &[Vec<f32>; 3], &mut [T]),
    ) {
        let width = strip.size().width;
        let mut row = Row::new(width);
        for (y, out) in out.chunks_exact_mut((3 * width).max(1)).enumerate() {
            self.way.encode(strip, y, &mut row);
            store(y, &row.channels, out);
        }
    }
}

/// The picture as interleaved 8-bit RGB of the profile's space, row by row, dithered. Working
/// space 1.0 is white.
pub fn encode_8(picture: &Linear, profile: Profile) -> Vec<u8> {
    let encoder = Encoder::new(profile);
    in_strips(picture, BAND, |strip, first, out| {
        encoder.eight(strip, first, out)
    })
}

/// The picture as interleaved 16-bit RGB of the profile's space, row by row, rounded. Working
/// space 1.0 is white.
pub fn encode_16(picture: &Linear, profile: Profile) -> Vec<u16> {
    let encoder = Encoder::new(profile);
    in_strips(picture, BAND, |strip, _, out| encoder.sixteen(strip, out))
}

/// Interleaved samples of a picture, `rows` rows at a time, over all threads.
fn in_strips<T: Copy + Default + Send>(
    picture: &Linear,
    rows: usize,
    encode: impl Fn(&Linear, usize, &mut [T]) + Sync,
) -> Vec<T> {
    let Size { width, height } = picture.size();
    let mut out = vec![T::default(); 3 * width * height];
    bands::each_piece(&mut out, 3 * width * rows, |band, out| {
        let first = band * rows;
        let strip = picture.strip(first..(first + rows).min(height));
        encode(&strip, first, out);
    });
    out
}
