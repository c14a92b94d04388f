//! The samples of a JPEG, made so that flat colours outlive the rounding of its readers.
//!
//! A reader rounds luma and both chromas to whole numbers before it makes red, green and blue of
//! them (ITU-T T.871, section 7). Where a picture is smooth, quantisation leaves nothing of a
//! dither but the mean of each block of 8 x 8, so that a whole wall or a whole patch is off by up to
//! half a step of each: 1.4 steps of blue, and a CIEDE2000 of 1.6 in dark colours. So smooth blocks get what does
//! survive: one cosine, half a period over the block, of the fewest quantisation steps with an
//! amplitude of about half a level. The reader then rounds a part of the block up and a part down, and
//! their mean is right. Which way the cosine lies changes from block to block by blue noise.
//!
//! Blocks with details of their own, or whose mean is near enough to a whole number, stay as they
//! are, so that files hardly grow.

use std::cell::RefCell;

use jpeg_encoder::{ImageBuffer, JpegColorType};

use crate::colour::dither;
use crate::picture::Size;

/// Rows and columns of a block.
const SIDE: usize = 8;

/// T.81, annex K: steps of the mean, and of the lowest cosine across and down, at quality 50, of luma and
/// of chroma.
const STEPS: [[u32; 3]; 2] = [[16, 11, 12], [17, 18, 18]];

/// Half a period of a cosine over a block.
const COSINE: [f32; SIDE] = [
    0.980_785_25,
    0.831_469_6,
    0.555_570_25,
    0.195_090_32,
    -0.195_090_32,
    -0.555_570_25,
    -0.831_469_6,
    -0.980_785_25,
];

/// Amplitude of that cosine in a block whose coefficient is 1: T.81, A.3.3.
const PER_COEFFICIENT: f32 = 0.176_776_7;

/// Amplitude that is wanted: the least that takes a mean half-way between two numbers to both.
const WANTED: f32 = 0.5;

/// Steps of quantisation that make more than this much of an amplitude would show; files of such a
/// quality stay as they are.
const LOUDEST: f32 = 0.9;

/// Levels that a block's mean may be off and nothing is done: a chroma's quarter of a level is a
/// CIEDE2000 of 0.4 at most.
const NEAR: f32 = 0.25;

/// Levels between the lowest and the highest sample of a smooth block: a dither of one level in red,
/// green and blue makes up to one and a half of luma and chroma.
const SMOOTH: f32 = 2.5;

/// How one component is quantised: the mean, and the lowest cosines across and down.
#[derive(Clone, Copy)]
struct Component {
    mean: f32,
    lowest: [f32; 2],
}

impl Component {
    /// By the usual rule of qualities from 50 on (the Independent JPEG Group's).
    fn new(steps: [u32; 3], quality: u8) -> Self {
        let scale = 200 - 2 * u32::from(quality.max(50).min(100));
        let [mean, across, down] =
            steps.map(|step| ((step * scale + 50) / 100).max(1).min(255) as f32);
        Self {
            mean,
            lowest: [across, down],
        }
    }
}

/// A picture's luma and chroma, made when the encoder asks for them.
pub(super) struct Samples<'a> {
    rgb: &'a [u8],
    size: Size,
    components: [Component; 3],
    band: RefCell<Band>,
}

/// One row of blocks.
struct Band {
    /// Which one.
    index: Option<usize>,
    planes: [Vec<u8>; 3],
}

impl<'a> Samples<'a> {
    /// Of interleaved red, green and blue. The encoder has made sure that 16 bits hold the size.
    pub fn new(rgb: &'a [u8], size: Size, quality: u8) -> Self {
        let [luma, chroma] = STEPS.map(|steps| Component::new(steps, quality));
        let band = Band {
            index: None,
            planes: [Vec::new(), Vec::new(), Vec::new()],
        };
        Self {
            rgb,
            size,
            components: [luma, chroma, chroma],
            band: RefCell::new(band),
        }
    }

    fn fill(&self, index: usize, planes: &mut [Vec<u8>; 3]) {
        let width = self.size.width;
        let rows = SIDE.min(self.size.height - index * SIDE);
        let rgb = &self.rgb[3 * width * SIDE * index..][..3 * width * rows];
        let mut exact = [0, 1, 2].map(|_| vec![0.0; width * rows]);
        let [luma, blue, red] = &mut exact;
        let places = luma.iter_mut().zip(blue).zip(red);
        for (((y, cb), cr), pixel) in places.zip(rgb.chunks_exact(3)) {
            [*y, *cb, *cr] = converted(pixel);
        }
        for (c, (plane, exact)) in planes.iter_mut().zip(&exact).enumerate() {
            plane.clear();
            plane.extend(exact.iter().map(|&v| whole(v, 0.5)));
            if rows < SIDE {
                continue;
            }
            for column in 0..width / SIDE {
                let mut block = [[0.0; SIDE]; SIDE];
                for (y, row) in block.iter_mut().enumerate() {
                    row.copy_from_slice(&exact[y * width + column * SIDE..][..SIDE]);
                }
                let place = [index, column];
                if let Some(samples) = smoothed(&block, self.components[c], c, place) {
                    for (y, row) in samples.iter().enumerate() {
                        plane[y * width + column * SIDE..][..SIDE].copy_from_slice(row);
                    }
                }
            }
        }
    }
}

impl ImageBuffer for Samples<'_> {
    fn get_jpeg_color_type(&self) -> JpegColorType {
        JpegColorType::Ycbcr
    }

    fn width(&self) -> u16 {
        self.size.width as u16
    }

    fn height(&self) -> u16 {
        self.size.height as u16
    }

    fn fill_buffers(&self, y: u16, buffers: &mut [Vec<u8>; 4]) {
        let y = usize::from(y);
        let mut band = self.band.borrow_mut();
        if band.index != Some(y / SIDE) {
            self.fill(y / SIDE, &mut band.planes);
            band.index = Some(y / SIDE);
        }
        for (buffer, plane) in buffers.iter_mut().zip(&band.planes) {
            buffer.extend_from_slice(&plane[y % SIDE * self.size.width..][..self.size.width]);
        }
    }
}

/// Luma and chroma of a pixel, not rounded: T.871, section 7.
fn converted(pixel: &[u8]) -> [f32; 3] {
    let [r, g, b] = [0, 1, 2].map(|c| f32::from(pixel[c]));
    [
        0.299 * r + 0.587 * g + 0.114 * b,
        128.0 - 0.168_735_9 * r - 0.331_264_1 * g + 0.5 * b,
        128.0 + 0.5 * r - 0.418_687_6 * g - 0.081_312_4 * b,
    ]
}

/// Rounded: up from `1 - threshold` on.
fn whole(value: f32, threshold: f32) -> u8 {
    // Cut, and brought to what fits.
    (value + threshold) as u8
}

/// What a smooth block gets instead; `None` if it has details that quantisation keeps.
fn smoothed(
    block: &[[f32; SIDE]; SIDE],
    component: Component,
    c: usize,
    [row, column]: [usize; 2],
) -> Option<[[u8; SIDE]; SIDE]> {
    let (mut low, mut high) = (block[0], block[0]);
    let mut columns = [0.0; SIDE];
    for row in block {
        for x in 0..SIDE {
            low[x] = low[x].min(row[x]);
            high[x] = high[x].max(row[x]);
            columns[x] += row[x];
        }
    }
    let least = low.into_iter().fold(f32::MAX, f32::min);
    let most = high.into_iter().fold(f32::MIN, f32::max);
    if most - least > SMOOTH {
        return None;
    }
    // The block's own lowest cosines, across and down.
    let rows = block.map(|row| row.iter().sum::<f32>());
    for (sums, step) in [columns, rows].iter().zip(component.lowest) {
        let products = sums.iter().zip(COSINE).map(|(sum, cosine)| sum * cosine);
        if (PER_COEFFICIENT * products.sum::<f32>()).abs() >= 0.5 * step {
            return None;
        }
    }
    let mean = columns.iter().sum::<f32>() / (SIDE * SIDE) as f32;
    // What a reader makes of the mean alone.
    let step = component.mean / 8.0;
    let told = 128.0 + ((mean - 128.0) / step).round() * step;
    let plain = (told.round() - mean).abs();
    // Each component by places of its own.
    let places = |at: usize, more: usize| (at + c * 21 + more) % dither::SIDE;
    let chance = dither::row(places(row, 0))[places(column, 0)];
    let way = usize::from(chance >= 0.5);
    let sign = if (2.0 * chance).fract() < 0.5 {
        1.0
    } else {
        -1.0
    };
    let unit = PER_COEFFICIENT * component.lowest[way];
    let amplitude = unit * (WANTED / unit).round().max(1.0);
    let spread = COSINE.map(|v| (told + amplitude * v).round());
    let even = spread.iter().sum::<f32>() / SIDE as f32;
    let helps = plain > NEAR && amplitude < LOUDEST && (even - mean).abs() < plain;
    let amplitude = if helps { sign * amplitude } else { 0.0 };
    let mut samples = [[0; SIDE]; SIDE];
    for (y, line) in samples.iter_mut().enumerate() {
        let thresholds = dither::row(places(row * SIDE + y, 32));
        for (x, sample) in line.iter_mut().enumerate() {
            let wave = amplitude * COSINE[if way == 0 { x } else { y }];
            let threshold = thresholds[places(column * SIDE + x, 32)];
            *sample = whole(block[y][x] + wave, threshold);
        }
    }
    Some(samples)
}

#[cfg(test)]
mod tests {
    use super::*;
    use jpeg_encoder::{Encoder, SamplingFactor, rgb_to_ycbcr};

    fn planes(rgb: &[u8], size: Size, quality: u8) -> [Vec<u8>; 4] {
        let samples = Samples::new(rgb, size, quality);
        let mut planes = [Vec::new(), Vec::new(), Vec::new(), Vec::new()];
        for y in 0..samples.height() {
            samples.fill_buffers(y, &mut planes);
        }
        planes
    }

    /// Numbers that repeat, but not soon.
    fn busy(count: usize) -> Vec<u8> {
        let mut state = 7_u32;
        let mut next = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 24) as u8
        };
        (0..count).map(|_| next()).collect()
    }

    /// The encoder's own conversion is the other opinion.
    #[test]
    fn details_stay_as_they_are() {
        let size = Size {
            width: 45,
            height: 27,
        };
        let rgb = busy(3 * 45 * 27);
        let planes = planes(&rgb, size, 92);
        for (i, pixel) in rgb.chunks_exact(3).enumerate() {
            let (y, cb, cr) = rgb_to_ycbcr(pixel[0], pixel[1], pixel[2]);
            for (c, own) in [y, cb, cr].into_iter().enumerate() {
                // Just between two numbers both are right.
                let exact = converted(pixel)[c];
                if (exact - exact.floor() - 0.5).abs() > 1.0e-3 {
                    assert_eq!(planes[c][i], own, "{pixel:?}");
                }
            }
        }
    }

    /// Grey has chroma 128, a whole number, and white and black are whole luma.
    #[test]
    fn whole_numbers_stay_flat() {
        let size = Size {
            width: 32,
            height: 16,
        };
        for grey in [0, 1, 127, 254, 255] {
            let planes = planes(&vec![grey; 3 * 32 * 16], size, 92);
            assert!(planes[0].iter().all(|&v| v == grey));
            assert!(planes[1..3].iter().flatten().all(|&v| v == 128));
        }
    }

    /// Read by zune-jpeg, through the crate `image`: how far the means of sixty-four flat colours are off,
    /// beside what the encoder's own samples give. (Whole colours are kind to those: 0.34 steps.)
    #[test]
    fn flat_colours_come_back() {
        let size = Size {
            width: 8 * 64,
            height: 64,
        };
        let colours = busy(3 * 64);
        let colour_at = |x: usize, y: usize, c: usize| colours[3 * (y / 8 * 8 + x / 64) + c];
        let pixels = (0..64).flat_map(|y| (0..512).map(move |x| (x, y)));
        let rgb: Vec<u8> = pixels
            .flat_map(|(x, y)| [0, 1, 2].map(|c| colour_at(x, y, c)))
            .collect();
        let off = |quality: u8, ours: bool| {
            let mut file = Vec::new();
            let mut encoder = Encoder::new(&mut file, quality);
            encoder.set_sampling_factor(SamplingFactor::F_1_1);
            let encoded = match ours {
                true => encoder.encode_image(Samples::new(&rgb, size, quality)),
                false => encoder.encode(&rgb, 512, 64, jpeg_encoder::ColorType::Rgb),
            };
            encoded.expect("encodes");
            let back = image::load_from_memory(&file)
                .expect("readable")
                .into_rgb8();
            let mut sums = [0.0_f64; 3 * 64];
            for (x, y, pixel) in back.enumerate_pixels() {
                let (x, y) = (x as usize, y as usize);
                for c in 0..3 {
                    let error = f64::from(pixel[c]) - f64::from(colour_at(x, y, c));
                    sums[3 * (y / 8 * 8 + x / 64) + c] += error / (64.0 * 8.0);
                }
            }
            sums.iter().map(|sum| sum.abs()).sum::<f64>() / 192.0
        };
        for quality in [88, 92, 98] {
            let (ours, plain) = (off(quality, true), off(quality, false));
            assert!(ours < 0.8 * plain, "{quality}: {ours} steps, not {plain}");
        }
    }
}
