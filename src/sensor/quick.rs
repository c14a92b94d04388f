//! A small copy of a frame, fast: area means instead of demosaicing.
//!
//! For previews and for finding regions. Each pixel of the copy is the mean, in linear light, of
//! what the sites of each colour recorded in its part of the frame, to the fraction of a site.
//! A site stands for the filter cell around it (2 x 2 sites of a Bayer filter, 3 x 3 of a 6 x 6
//! one), so that the three colours of the copy lie on each other and on the frame.

use super::{Development, Error, Plan, Sites, check_window, limit};
use crate::picture::{Linear, Size, bands};
use crate::raw::{Pattern, SensorFrame};

/// Rows of the copy that one thread makes in one go.
const BAND: usize = 16;

/// Develops the visible crop of a frame at `long_side` pixels along its longer side, or at one
/// pixel per filter cell where that is less. The copy shows the crop to its edges. Noise is not
/// taken off (the mean does that); everything else is as in [`super::develop`].
///
/// # Errors
/// As [`super::develop`], and when `long_side` is 0.
pub fn develop_small(
    frame: &SensorFrame,
    long_side: usize,
    how: &Development,
) -> Result<Linear, Error> {
    if long_side == 0 {
        return Err(limit("long side", "at least one pixel"));
    }
    let plan = Plan::new(frame, how)?;
    let sites = Sites::new(frame, plan.gains)?.mended(&how.lens);
    let window = frame.crop;
    check_window(window, &sites)?;
    let cell = match frame.pattern {
        Pattern::Bayer(_) => 2,
        // Each 3 x 3 of the usual 6 x 6 patterns has all three colours.
        Pattern::SixBySix(_) => 3,
        Pattern::Monochrome | Pattern::Linear | Pattern::Other { .. } => 1,
    };
    let longest = window.width.max(window.height);
    let long_side = long_side.min(longest / cell).max(1);
    let scaled = |side: usize| ((side * long_side + longest / 2) / longest).max(1);
    let size = Size {
        width: scaled(window.width),
        height: scaled(window.height),
    };
    let (down, across) = (
        footprints(window.height, size.height, cell),
        footprints(window.width, size.width, cell),
    );
    let channels = if frame.pattern == Pattern::Linear {
        3
    } else {
        1
    };
    // Rows with the same filters are added up before anything is added along them.
    let phases = sites.cell();
    let colours: Vec<usize> = (0..phases * phases)
        .map(|k| sites.colour(window.top + k / phases, window.left + k % phases))
        .collect();
    let mut picture = Linear::zeros(size);
    bands::each_band_of_three(&mut picture.planes, BAND, |first, planes| {
        let mut line = vec![0.0; window.width * channels];
        let mut sums = vec![vec![0.0_f32; line.len()]; phases];
        let mut weights = vec![0.0_f32; phases];
        let [red, green, blue] = planes;
        let rows = red.chunks_exact_mut(size.width);
        let rows = rows.zip(green.chunks_exact_mut(size.width));
        let rows = rows.zip(blue.chunks_exact_mut(size.width));
        for (i, ((red, green), blue)) in rows.enumerate() {
            sums.iter_mut().for_each(|sum| sum.fill(0.0));
            weights.fill(0.0);
            for (y, weight) in down[first + i].sites() {
                sites.row((window.top + y) as isize, window.left as isize, &mut line);
                let (sum, line) = (&mut sums[y % phases][..], &line[..]);
                weights[y % phases] += weight;
                bands::vectorised(
                    #[inline(always)]
                    move || {
                        for (sum, light) in sum.iter_mut().zip(line) {
                            *sum += weight * light;
                        }
                    },
                );
            }
            for (x, print) in across.iter().enumerate() {
                let (mut light, mut total) = ([0.0_f32; 3], [0.0_f32; 3]);
                for (phase, (sum, &row)) in sums.iter().zip(&weights).enumerate() {
                    if row == 0.0 {
                        continue;
                    }
                    for (at, weight) in print.sites() {
                        if channels == 3 {
                            for c in 0..3 {
                                light[c] += weight * sum[3 * at + c];
                                total[c] += weight * row;
                            }
                        } else {
                            let c = colours[phase * phases + at % phases];
                            light[c] += weight * sum[at];
                            total[c] += weight * row;
                        }
                    }
                }
                let mean = |c: usize| {
                    if total[c] > 0.0 {
                        light[c] / total[c]
                    } else {
                        0.0
                    }
                };
                (red[x], green[x], blue[x]) = (mean(0), mean(1), mean(2));
                if frame.pattern == Pattern::Monochrome {
                    (red[x], blue[x]) = (green[x], green[x]);
                }
            }
        }
    });
    plan.to_working(&mut picture);
    Ok(picture)
}

/// The sites that take part in one row or column of the copy.
struct Footprint {
    first: usize,
    /// From the first on: how much of what each stands for lies inside, in sites.
    weights: Vec<f32>,
}

impl Footprint {
    fn sites(&self) -> impl Iterator<Item = (usize, f32)> {
        (self.first..).zip(self.weights.iter().copied())
    }
}

/// Shares `sites` rows or columns out among `pixels`, each site standing for `cell` sites around
/// its middle.
fn footprints(sites: usize, pixels: usize, cell: usize) -> Vec<Footprint> {
    let half = cell as f64 / 2.0;
    let step = sites as f64 / pixels as f64;
    (0..pixels)
        .map(|i| {
            let (from, to) = (i as f64 * step, (i + 1) as f64 * step);
            let first = (from - half - 0.5).max(0.0) as usize;
            let weight = |k: usize| {
                let middle = k as f64 + 0.5;
                (to.min(middle + half) - from.max(middle - half)).max(0.0) as f32
            };
            let first = (first..sites).find(|&k| weight(k) > 0.0).unwrap_or(0);
            let weights = (first..sites).map(weight).take_while(|&w| w > 0.0);
            Footprint {
                first,
                weights: weights.collect(),
            }
        })
        .collect()
}
