//! The 24 patches as the reference has them.

/// Rows of a 3 x 3 matrix.
pub type Matrix = [[f64; 3]; 3];

/// A patch's name and CIE xyY under the reference's white, Y 0 to 1. Source: data set
/// "ColorChecker24 - After November 2014" of colour-science 0.4.7 (`CCS_COLOURCHECKERS`).
pub const PATCHES: [(&str, [f64; 3]); 24] = [
    ("dark skin", [0.437484, 0.378523, 0.098324]),
    ("light skin", [0.422249, 0.372494, 0.336202]),
    ("blue sky", [0.276147, 0.298382, 0.178552]),
    ("foliage", [0.373316, 0.451169, 0.134679]),
    ("blue flower", [0.302891, 0.286287, 0.228718]),
    ("bluish green", [0.286405, 0.389718, 0.414355]),
    ("orange", [0.528148, 0.405335, 0.312642]),
    ("purplish blue", [0.232386, 0.211204, 0.109109]),
    ("moderate red", [0.504448, 0.327065, 0.189000]),
    ("purple", [0.333471, 0.250552, 0.062767]),
    ("yellow green", [0.398893, 0.504149, 0.433176]),
    ("orange yellow", [0.493576, 0.444283, 0.429338]),
    ("blue", [0.205221, 0.168665, 0.055962]),
    ("green", [0.323038, 0.510418, 0.223344]),
    ("red", [0.562872, 0.335563, 0.127801]),
    ("yellow", [0.467759, 0.476024, 0.599298]),
    ("magenta", [0.421311, 0.266925, 0.189511]),
    ("cyan", [0.209129, 0.302658, 0.180610]),
    ("white 9.5", [0.348914, 0.364213, 0.880690]),
    ("neutral 8", [0.345584, 0.359881, 0.589971]),
    ("neutral 6.5", [0.344150, 0.359185, 0.364865]),
    ("neutral 5", [0.345769, 0.359094, 0.190623]),
    ("neutral 3.5", [0.342648, 0.357584, 0.088172]),
    ("black 2", [0.343767, 0.356058, 0.031513]),
];

/// CIE xy of the reference's white, D50 as the data set has it.
pub const WHITE: [f64; 2] = [0.345703, 0.358539];
