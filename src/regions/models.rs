//! The eight nets, inside the binary, read when first used.
//!
//! Origins and licences: `models/NOTICE`. Their digests go into sidecars.

use std::sync::OnceLock;

use ndarray::ArrayD;

use super::net::Net as Runner;

/// Which net.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Which {
    FaceFull,
    FaceShort,
    Mesh,
    Iris,
    Selfie,
    Hair,
    Parts,
    Strands,
}

/// File names and files, in the order of [`Which`].
const FILES: [(&str, &[u8]); 8] = [
    (
        "face_detect_full.onnx",
        include_bytes!("models/face_detect_full.onnx"),
    ),
    (
        "face_detect_short.onnx",
        include_bytes!("models/face_detect_short.onnx"),
    ),
    ("face_mesh.onnx", include_bytes!("models/face_mesh.onnx")),
    ("iris.onnx", include_bytes!("models/iris.onnx")),
    ("selfie.onnx", include_bytes!("models/selfie.onnx")),
    ("hair.onnx", include_bytes!("models/hair.onnx")),
    ("parts.onnx", include_bytes!("models/parts.onnx")),
    ("strands.onnx", include_bytes!("models/strands.onnx")),
];

/// A loaded net.
pub(super) struct Net(Runner);

impl Net {
    /// Its outputs, or nothing when the input has another shape than it takes.
    pub(super) fn run(&self, input: ArrayD<f32>) -> Option<Vec<ArrayD<f32>>> {
        self.0.run(input.view()).ok()
    }
}

/// The net, or nothing when it cannot be loaded.
pub(super) fn net(which: Which) -> Option<&'static Net> {
    static NETS: [OnceLock<Option<Net>>; 8] = [const { OnceLock::new() }; 8];
    NETS[which as usize]
        .get_or_init(|| Runner::load(FILES[which as usize].1).ok().map(Net))
        .as_ref()
}

/// File name and BLAKE3 of every net, for sidecars.
pub fn digests() -> &'static [(&'static str, String); 8] {
    static DIGESTS: OnceLock<[(&str, String); 8]> = OnceLock::new();
    DIGESTS
        .get_or_init(|| FILES.map(|(name, file)| (name, blake3::hash(file).to_hex().to_string())))
}
