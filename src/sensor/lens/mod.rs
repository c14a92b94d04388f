//! What lens and sensor do to the mosaic, found out and mended before colours exist: defective
//! pixels ([`defects`]) and lateral colour fringes ([`fringes`]).

mod defects;
pub(super) mod fringes;

use serde::{Deserialize, Serialize};

pub use defects::{Defect, find as defects, find_above as defects_above};
pub use fringes::{Fringes, Measured, measure as fringes};

/// What is mended while a frame is developed; nothing by default.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Lens {
    /// Sites that are filled in from their like, by rows, then columns.
    pub defects: Vec<Defect>,
    /// How far red and blue are brought back onto green.
    pub fringes: Option<Fringes>,
}
