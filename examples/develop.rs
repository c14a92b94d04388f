//! Develops a raw file: `develop RAW OUT.tif`, linear light in the working space (BT.2020, D65) as
//! an RGB TIFF of 32-bit floats, upright, the visible crop, before any step of a recipe.

use std::error::Error;
use std::fs::File;
use std::io::BufWriter;

use lapel::raw::{self, Frame};
use lapel::sensor::{self, Development};
use tiff::encoder::{TiffEncoder, colortype::RGB32Float};

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [input, output] = arguments.as_slice() else {
        return Err("call: develop RAW OUT.tif".into());
    };
    let frame = raw::read(&std::fs::read(input)?, input, &raw::Limits::default())?;
    let picture = match frame {
        Frame::Sensor(frame) => {
            let developed = sensor::develop(&frame, frame.crop, &Development::default())?;
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
