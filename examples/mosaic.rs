//! Writes the visible mosaic of a camera raw as read, before black and white, and tells on
//! standard output, as JSON, what the decoder knew of it.
//!
//! `cargo run --release --example mosaic -- RAW OUT.tif [flashraw|rawloader]`
//!
//! OUT.tif is the active area: one plane of 16-bit samples (32-bit floating point where the file
//! has such), three planes for a linear DNG. A decoder's name forces that decoder, for comparing.

#![allow(clippy::print_stdout, clippy::print_stderr)]

use std::fs::File;
use std::io::BufWriter;
use std::process::ExitCode;

use lapel::raw::{self, Decoder, Frame, Limits, Samples, SensorFrame};
use serde_json::{Value, json};
use tiff::encoder::{TiffEncoder, colortype};

fn main() -> ExitCode {
    match run() {
        Ok(told) => {
            println!("{told:#}");
            ExitCode::SUCCESS
        }
        Err(problem) => {
            eprintln!("{problem}");
            ExitCode::from(2)
        }
    }
}

fn run() -> Result<Value, Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (path, out, decoder) = match &arguments[..] {
        [path, out] => (path, out, None),
        [path, out, name] if name == "flashraw" => (path, out, Some(Decoder::Flashraw)),
        [path, out, name] if name == "rawloader" => (path, out, Some(Decoder::Rawloader)),
        _ => return Err("usage: mosaic RAW OUT.tif [flashraw|rawloader]".into()),
    };
    let bytes = std::fs::read(path).map_err(|error| format!("{path}: {error}"))?;
    let limits = Limits::default();
    let frame = match decoder {
        None => raw::read(&bytes, path, &limits)?,
        Some(decoder) => raw::read_with(decoder, &bytes, path, &limits)?,
    };
    let Frame::Sensor(frame) = frame else {
        return Err(format!("{path}: a finished picture, which has no mosaic").into());
    };
    write(&frame, out)?;
    Ok(told(&frame))
}

fn write(frame: &SensorFrame, path: &str) -> Result<(), Box<dyn std::error::Error>> {
    let file = File::create(path).map_err(|error| format!("{path}: {error}"))?;
    let mut tiff = TiffEncoder::new(BufWriter::new(file))?;
    let (width, height) = (
        u32::try_from(frame.width())?,
        u32::try_from(frame.height())?,
    );
    match (&frame.samples, frame.planes()) {
        (Samples::Whole(samples), 1) => {
            let samples: Vec<u16> = samples.iter().copied().collect();
            tiff.write_image::<colortype::Gray16>(width, height, &samples)?;
        }
        (Samples::Whole(samples), _) => {
            let samples: Vec<u16> = samples.iter().copied().collect();
            tiff.write_image::<colortype::RGB16>(width, height, &samples)?;
        }
        (Samples::Float(samples), 1) => {
            let samples: Vec<f32> = samples.iter().copied().collect();
            tiff.write_image::<colortype::Gray32Float>(width, height, &samples)?;
        }
        (Samples::Float(samples), _) => {
            let samples: Vec<f32> = samples.iter().copied().collect();
            tiff.write_image::<colortype::RGB32Float>(width, height, &samples)?;
        }
    }
    Ok(())
}

fn told(frame: &SensorFrame) -> Value {
    let (rows, columns) = frame.black.dim();
    // A block as large as the frame (a correction for each row or column) would fill screens.
    let corner = [(0, 0), (0, 1), (1, 0), (1, 1)].map(|(y, x)| frame.black_at(y, x));
    json!({
        "width": frame.width(),
        "height": frame.height(),
        "planes": frame.planes(),
        "phase": frame.pattern.letters(),
        "phase_block": frame.pattern.block(),
        "black": corner,
        "black_block": [rows, columns],
        "white": frame.white,
        "balance": frame.balance,
        "matrices": frame.matrices,
        "analog_balance": frame.analog_balance,
        "baseline_exposure": frame.baseline_exposure,
        "noise_profile": frame.noise_profile,
        "crop": frame.crop,
        "orientation": frame.orientation,
        "exif": frame.exif,
        "decoder": frame.decoder,
    })
}
