//! A small copy of a frame, fast: means of cells instead of demosaicing.
//!
//! For previews and for finding regions. Each pixel of the copy is the mean, in linear light, of
//! all sites of each colour in its square of the mosaic; squares are whole filter cells.

use super::{Developed, Development, Error, Plan, Sites, check_window, limit};
use crate::picture::{Linear, Size, bands};
use crate::raw::{Pattern, SensorFrame};

/// Develops the visible crop of a frame at about `long_side` pixels along its longer side: at most
/// so many, and never more than one pixel per filter cell. Noise is not taken off (the mean does
/// that); everything else is as in [`super::develop`].
///
/// # Errors
/// As [`super::develop`], and when `long_side` is 0.
pub fn develop_small(
    frame: &SensorFrame,
    long_side: usize,
    how: &Development,
) -> Result<Developed, Error> {
    if long_side == 0 {
        return Err(limit("long side", "at least one pixel"));
    }
    let plan = Plan::new(frame, how)?;
    let sites = Sites::new(frame, plan.gains)?;
    let window = frame.crop;
    check_window(window, &sites)?;
    let cell = match frame.pattern {
        Pattern::Bayer(_) => 2,
        // Each 3 x 3 of the usual 6 x 6 patterns has all three colours.
        Pattern::SixBySix(_) => 3,
        Pattern::Monochrome | Pattern::Linear | Pattern::Other { .. } => 1,
    };
    let longest = window.width.max(window.height);
    let step = longest.div_ceil(long_side).next_multiple_of(cell);
    // A frame smaller than one square still gives one pixel.
    let size = Size {
        width: (window.width / step).max(1),
        height: (window.height / step).max(1),
    };
    let mut picture = Linear::zeros(size);
    let colours = if frame.pattern == Pattern::Linear {
        3
    } else {
        1
    };
    bands::each_row(&mut picture.planes, |y, rows| {
        let sites_in_row = size.width * step;
        let mut line = vec![0.0; colours * sites_in_row];
        let mut counts = vec![[0_u32; 3]; size.width];
        for dy in 0..step {
            let at = window.top + y * step + dy;
            sites.row(at as isize, window.left as isize, &mut line);
            for (x, square) in line.chunks_exact(colours * step).enumerate() {
                for (k, &light) in square.iter().enumerate() {
                    let c = match colours {
                        3 => k % 3,
                        _ => sites.colour(at, window.left + x * step + k),
                    };
                    rows[c][x] += light;
                    counts[x][c] += 1;
                }
            }
        }
        for (x, counts) in counts.iter().enumerate() {
            for c in 0..3 {
                rows[c][x] /= counts[c].max(1) as f32;
            }
            if frame.pattern == Pattern::Monochrome {
                (rows[0][x], rows[2][x]) = (rows[1][x], rows[1][x]);
            }
        }
    });
    plan.to_working(&mut picture);
    let clipped = sites.sums(window).2;
    Ok(Developed {
        picture,
        notes: plan.notes(clipped as f32, None),
    })
}
