//! 3 x 3 matrices in f64, most of them computed while compiling, so that a colour matrix is
//! derived from the numbers its standard prints instead of being copied from somewhere; and small
//! systems of any size.

/// Rows of a 3 x 3 matrix; `m[row][column]`.
pub type Matrix = [[f64; 3]; 3];

/// `a` after `b`.
pub const fn multiply(a: Matrix, b: Matrix) -> Matrix {
    let mut product = [[0.0; 3]; 3];
    let mut row = 0;
    while row < 3 {
        let mut column = 0;
        while column < 3 {
            product[row][column] =
                a[row][0] * b[0][column] + a[row][1] * b[1][column] + a[row][2] * b[2][column];
            column += 1;
        }
        row += 1;
    }
    product
}

/// `m` times a column.
pub const fn apply(m: Matrix, v: [f64; 3]) -> [f64; 3] {
    [
        m[0][0] * v[0] + m[0][1] * v[1] + m[0][2] * v[2],
        m[1][0] * v[0] + m[1][1] * v[1] + m[1][2] * v[2],
        m[2][0] * v[0] + m[2][1] * v[1] + m[2][2] * v[2],
    ]
}

/// The inverse by cofactors. A singular matrix gives infinities or NaN; check the
/// [`determinant`] of a matrix from outside first.
pub const fn invert(m: Matrix) -> Matrix {
    let over = 1.0 / determinant(m);
    let mut inverse = [[0.0; 3]; 3];
    let mut row = 0;
    while row < 3 {
        let mut column = 0;
        while column < 3 {
            // Cyclic indices carry the cofactor's sign.
            let (r1, r2) = ((column + 1) % 3, (column + 2) % 3);
            let (c1, c2) = ((row + 1) % 3, (row + 2) % 3);
            inverse[row][column] = (m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]) * over;
            column += 1;
        }
        row += 1;
    }
    inverse
}

/// The determinant.
pub const fn determinant(m: Matrix) -> f64 {
    m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1])
        - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
        + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0])
}

/// A diagonal matrix.
pub const fn diagonal(d: [f64; 3]) -> Matrix {
    [[d[0], 0.0, 0.0], [0.0, d[1], 0.0], [0.0, 0.0, d[2]]]
}

/// XYZ with Y = 1 of the chromaticity (x, y).
pub const fn xyz_of_chromaticity(xy: [f64; 2]) -> [f64; 3] {
    [xy[0] / xy[1], 1.0, (1.0 - xy[0] - xy[1]) / xy[1]]
}

/// Linear RGB to XYZ (white at Y = 1) from the chromaticities of red, green, blue and white:
/// SMPTE RP 177-1993, section 3.3.
pub const fn rgb_to_xyz(primaries: [[f64; 2]; 3], white: [f64; 2]) -> Matrix {
    let r = xyz_of_chromaticity(primaries[0]);
    let g = xyz_of_chromaticity(primaries[1]);
    let b = xyz_of_chromaticity(primaries[2]);
    let columns = [[r[0], g[0], b[0]], [r[1], g[1], b[1]], [r[2], g[2], b[2]]];
    let amounts = apply(invert(columns), xyz_of_chromaticity(white));
    multiply(columns, diagonal(amounts))
}

/// Rounded to f32, for pixel loops.
pub const fn to_f32(m: Matrix) -> [[f32; 3]; 3] {
    let mut rounded = [[0.0; 3]; 3];
    let mut row = 0;
    while row < 3 {
        let mut column = 0;
        while column < 3 {
            rounded[row][column] = m[row][column] as f32;
            column += 1;
        }
        row += 1;
    }
    rounded
}

/// `m` times a column, for pixel loops.
#[inline(always)]
pub fn apply_f32(m: &[[f32; 3]; 3], v: [f32; 3]) -> [f32; 3] {
    [
        m[0][0] * v[0] + m[0][1] * v[1] + m[0][2] * v[2],
        m[1][0] * v[0] + m[1][1] * v[1] + m[1][2] * v[2],
        m[2][0] * v[0] + m[2][1] * v[1] + m[2][2] * v[2],
    ]
}

/// Solves a small square system by elimination with pivots; `None` when it has no one solution.
pub fn solve(mut m: Vec<Vec<f64>>, mut right: Vec<f64>) -> Option<Vec<f64>> {
    let n = right.len();
    for k in 0..n {
        let pivot = (k..n).max_by(|&a, &b| m[a][k].abs().total_cmp(&m[b][k].abs()))?;
        m.swap(k, pivot);
        right.swap(k, pivot);
        if m[k][k].is_nan() || m[k][k].abs() < 1.0e-300 {
            return None;
        }
        for row in k + 1..n {
            let factor = m[row][k] / m[k][k];
            for column in k..n {
                m[row][column] -= factor * m[k][column];
            }
            right[row] -= factor * right[k];
        }
    }
    for k in (0..n).rev() {
        let known: f64 = (k + 1..n).map(|c| m[k][c] * right[c]).sum();
        right[k] = (right[k] - known) / m[k][k];
    }
    Some(right)
}
