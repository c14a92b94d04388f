//! Develops a raw file: `develop RAW OUT.tif [--denoise STRENGTH]`, linear light in the working
//! space (BT.2020, D65) as an RGB TIFF of 32-bit floats, upright, the visible crop, before any step
//! of a recipe. STRENGTH is that of `Denoise`, 0 to 1; left out: 0.

use std::error::Error;
use std::fs::File;
use std::io::BufWriter;

use lapel::picture::Ratio;
use lapel::raw::{self, Frame};
use lapel::sensor::{self, Development};
use tiff::encoder::{TiffEncoder, colortype::RGB32Float};

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (input, output, denoise) = match arguments.as_slice() {
        [input, output] => (input, output, 0.0),
        [input, output, flag, strength] if flag == "--denoise" => {
            (input, output, strength.parse()?)
        }
        _ => return Err("call: develop RAW OUT.tif [--denoise STRENGTH]".into()),
    };
    let how = Development {
        denoise: Ratio(denoise),
        ..Development::default()
    };
    let frame = raw::read(&std::fs::read(input)?, input, &raw::Limits::default())?;
    let picture = match frame {
        Frame::Sensor(frame) => {
            let developed = sensor::develop(&frame, frame.crop, &how)?;
            frame.orientation.turn_picture(developed.picture)
        }
        Frame::Finished(finished) => finished.picture,
    };
    let size = picture.size();
    let mut interleaved = Vec::with_capacity(3 * size.width * size.height);
    for y in 0..size.height {
        for x in 0..size.width {
            interleaved.extend(picture.at(y, x));
        }
    }
    let mut writer = TiffEncoder::new(BufWriter::new(File::create(output)?))?;
    let (width, height) = (u32::try_from(size.width)?, u32::try_from(size.height)?);
    writer.write_image::<RGB32Float>(width, height, &interleaved)?;
    Ok(())
}
