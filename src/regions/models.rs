//! The seven nets, loaded once (a stand-in over `rten` until the plain runner is here).

use std::sync::OnceLock;

use ndarray::ArrayD;

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
}

/// A loaded net.
pub(super) struct Net(rten::Model);

impl Net {
    pub(super) fn run(&self, input: ArrayD<f32>) -> Option<Vec<ArrayD<f32>>> {
        let shape = input.shape().to_vec();
        let value =
            rten::Value::from_shape(shape, input.iter().copied().collect::<Vec<f32>>()).ok()?;
        let out = self
            .0
            .run(
                vec![(self.0.input_ids()[0], value.into())],
                self.0.output_ids(),
                None,
            )
            .ok()?;
        out.into_iter()
            .map(|v| {
                fn tried<const N: usize>(v: rten::Value) -> Option<ArrayD<f32>>
                where
                    rten::Value: Clone,
                {
                    let (shape, data) = v.into_shape_vec::<f32, N>().ok()?;
                    ArrayD::from_shape_vec(shape.to_vec(), data).ok()
                }
                tried::<2>(v.clone())
                    .or_else(|| tried::<3>(v.clone()))
                    .or_else(|| tried::<4>(v))
            })
            .collect()
    }
}

/// The net, or nothing when it cannot be loaded.
pub(super) fn net(which: Which) -> Option<&'static Net> {
    static NETS: [OnceLock<Option<Net>>; 7] = [const { OnceLock::new() }; 7];
    const FILES: [&[u8]; 7] = [
        include_bytes!("../../../shared/models/face_detect_full.onnx"),
        include_bytes!("../../../shared/models/face_detect_short.onnx"),
        include_bytes!("../../../shared/models/face_mesh.onnx"),
        include_bytes!("../../../shared/models/iris.onnx"),
        include_bytes!("../../../shared/models/selfie.onnx"),
        include_bytes!("../../../shared/models/hair.onnx"),
        include_bytes!("../../../shared/models/parts.onnx"),
    ];
    NETS[which as usize]
        .get_or_init(|| {
            rten::Model::load_static_slice(FILES[which as usize])
                .ok()
                .map(Net)
        })
        .as_ref()
}
