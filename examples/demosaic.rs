//! Fills in a mosaic, for measuring:
//! `demosaic IN.tif OUT.tif [--noise-model M.json] [--denoise] [--pattern LETTERS]`.
//!
//! IN is a TIFF of one plane of 32-bit floats: RGGB, linear, white balanced, white 1, black 0. OUT is
//! an RGB TIFF of 32-bit floats of the same size and scale. Prints how long that took, looking for the
//! noise included, reading and writing not. LETTERS are the colours of a 2 x 2 or 6 x 6 cell, row by row,
//! if it is not RGGB.
#![allow(clippy::print_stdout)]

use std::error::Error;
use std::fs::File;
use std::io::{BufReader, BufWriter};
use std::time::Instant;

use lapel::picture::{Ratio, Rect, Size};
use lapel::raw::{Filter, Pattern, SensorFrame};
use lapel::sensor;
use ndarray::Array2;
use tiff::decoder::{Decoder as TiffReader, DecodingResult};
use tiff::encoder::{TiffEncoder, colortype::RGB32Float};

/// Rows that are written together.
const STRIP: u32 = 64;

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [input, output, ..] = arguments.as_slice() else {
        return Err("call: demosaic IN.tif OUT.tif".into());
    };
    let mut reader = TiffReader::new(BufReader::new(File::open(input)?))?;
    let (width, height) = reader.dimensions()?;
    let DecodingResult::F32(samples) = reader.read_image()? else {
        return Err("the mosaic holds 32-bit floats".into());
    };
    let size = Size {
        width: width as usize,
        height: height as usize,
    };
    let pattern = match arguments.iter().position(|a| a == "--pattern") {
        None => Pattern::RGGB,
        Some(at) => pattern(arguments.get(at + 1).map_or("", String::as_str))?,
    };
    let mosaic = Array2::from_shape_vec((size.height, size.width), samples)?;
    let frame = SensorFrame::from_light(mosaic, pattern);
    let began = Instant::now();
    let model = arguments.iter().position(|a| a == "--noise-model");
    let (denoise, noise) = match model.map(|at| arguments.get(at + 1)) {
        _ if !arguments.iter().any(|a| a == "--denoise") => (Ratio(0.0), None),
        // The mosaic was multiplied by gains that nobody tells: one line per colour.
        None => (Ratio(1.0), sensor::noise_of(&frame, false)?),
        Some(None) => return Err("--noise-model wants a file".into()),
        Some(Some(path)) => (Ratio(1.0), Some(noise_model(path)?)),
    };
    let picture = sensor::demosaic(&frame, Rect::whole(size), [1.0; 3], denoise, noise)?;
    let seconds = began.elapsed().as_secs_f64();
    let megapixels = (size.width * size.height) as f64 / 1e6;
    println!("{seconds:.3} s, {:.4} s/MP", seconds / megapixels);
    let mut writer = TiffEncoder::new(BufWriter::new(File::create(output)?))?;
    let mut image = writer.new_image::<RGB32Float>(width, height)?;
    image.rows_per_strip(STRIP)?;
    let mut strip = Vec::new();
    for first in (0..size.height).step_by(STRIP as usize) {
        strip.clear();
        for y in first..size.height.min(first + STRIP as usize) {
            strip.extend((0..size.width).flat_map(|x| picture.at(y, x)));
        }
        image.write_strip(&strip)?;
    }
    image.finish()?;
    Ok(())
}

/// A cell of filters from its letters.
fn pattern(letters: &str) -> Result<Pattern, Box<dyn Error>> {
    let filters: Vec<Filter> = letters
        .chars()
        .map(|letter| match letter {
            'R' => Ok(Filter::Red),
            'G' => Ok(Filter::Green),
            'B' => Ok(Filter::Blue),
            _ => Err("--pattern wants the letters R, G and B"),
        })
        .collect::<Result<_, _>>()?;
    match (<[Filter; 4]>::try_from(filters.as_slice()), filters.len()) {
        (Ok(cell), _) => Ok(Pattern::Bayer(cell)),
        (_, 36) => Ok(Pattern::SixBySix(filters)),
        _ => Err("--pattern wants 4 or 36 letters".into()),
    }
}

/// Reads `{"a": [R, G, B], "b": [R, G, B]}`.
fn noise_model(path: &str) -> Result<[[f32; 2]; 3], Box<dyn Error>> {
    #[derive(serde::Deserialize)]
    struct Model {
        a: [f32; 3],
        b: [f32; 3],
    }
    let model: Model = serde_json::from_reader(BufReader::new(File::open(path)?))?;
    Ok(std::array::from_fn(|c| [model.a[c], model.b[c]]))
}
