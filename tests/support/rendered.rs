//! The rendered office with its truth, which lies beside the checkout.

use std::path::{Path, PathBuf};

use lapel::picture::Linear;
use lapel::raw::{self, Frame, Limits};
use lapel::sensor::{self, Development};

/// Its folder; `None`, with a message, where it is not there.
pub fn office() -> Option<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/office");
    let there = folder.join("frames").is_dir();
    if !there {
        eprintln!("skipped: the rendered office is not beside this checkout");
    }
    there.then_some(folder)
}

/// A frame of it, upright, developed without any recipe.
pub fn developed(office: &Path, id: &str) -> Linear {
    let path = office.join("frames").join(format!("{id}.dng"));
    let bytes = std::fs::read(&path).expect("the office's frames are there");
    let frame = raw::read(&bytes, &format!("{id}.dng"), &Limits::default()).expect("a sound frame");
    let Frame::Sensor(frame) = frame else {
        panic!("{id} is a raw frame")
    };
    let picture = sensor::develop(&frame, frame.crop, &Development::default()).expect("develops");
    frame.orientation.turn_picture(picture.picture)
}
